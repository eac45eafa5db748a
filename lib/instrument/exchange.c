/* Exchanges: the steps of each request, and what the replies to them mean.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/exchange.h"

#include <math.h>
#include <string.h>

#include "base/assert.h"
#include "base/num.h"

enum { IDENTITY_TRIES = 6 }; /* for two equal ones in a row */
enum { DRAIN_MAX = 32 };     /* errors taken out of a queue before we go on all the same */

static unsigned bit(enum wn_phase p)
{
    return 1u << (unsigned)p;
}

static unsigned phases_of(enum wn_request request)
{
    unsigned set = bit(WN_PHASE_DRAIN) | bit(WN_PHASE_COMMANDS) | bit(WN_PHASE_ERROR);
    switch (request) {
    case WN_REQUEST_IDENTIFY:
        return bit(WN_PHASE_IDENTITY);
    case WN_REQUEST_SETUP:
        return set;
    case WN_REQUEST_CHARGE:
    case WN_REQUEST_DISCHARGE:
    case WN_REQUEST_POWER:
        return set | bit(WN_PHASE_READBACK);
    case WN_REQUEST_ON:
        return set | bit(WN_PHASE_OUTPUT);
    case WN_REQUEST_OFF:
        return bit(WN_PHASE_COMMANDS) | bit(WN_PHASE_OUTPUT);
    case WN_REQUEST_READ:
        return bit(WN_PHASE_READ);
    case WN_REQUEST_NONE:
        break;
    }
    return 0;
}

static const struct wn_mode *mode_of(const struct wn_session *s)
{
    if (s->request == WN_REQUEST_CHARGE) {
        return &s->dialect->charge;
    }
    return s->request == WN_REQUEST_DISCHARGE ? &s->dialect->discharge : &s->dialect->power;
}

static const struct wn_sequence *sequence_of(const struct wn_session *s)
{
    switch (s->request) {
    case WN_REQUEST_SETUP:
        return &s->dialect->setup;
    case WN_REQUEST_ON:
        return &s->dialect->on;
    case WN_REQUEST_OFF:
        return &s->dialect->off;
    case WN_REQUEST_CHARGE:
    case WN_REQUEST_DISCHARGE:
    case WN_REQUEST_POWER:
        return &mode_of(s)->set;
    case WN_REQUEST_NONE:
    case WN_REQUEST_IDENTIFY:
    case WN_REQUEST_READ:
        break;
    }
    wn_assert(false && "this request has commands");
    return NULL;
}

static void next_phase(struct wn_session *s)
{
    unsigned set = phases_of(s->request);
    do {
        s->phase++;
    } while (s->phase < WN_PHASE_END && (set & bit((enum wn_phase)s->phase)) == 0);
    s->index = 0;
}

/* The query of the present phase; NULL when the phase has nothing (more) to ask. */
static const char *query_of(const struct wn_session *s)
{
    const struct wn_dialect *d = s->dialect;
    bool has_error_query = d->error_query[0] != '\0';
    switch ((enum wn_phase)s->phase) {
    case WN_PHASE_DRAIN:
        return s->old_errors && has_error_query ? d->error_query : NULL;
    case WN_PHASE_ERROR:
        return has_error_query ? d->error_query : NULL;
    case WN_PHASE_READBACK:
        return s->index < mode_of(s)->readbacks ? mode_of(s)->readback[s->index].query : NULL;
    case WN_PHASE_OUTPUT:
        return d->output_query;
    case WN_PHASE_IDENTITY:
        return d->identity_query;
    case WN_PHASE_READ:
        return s->index < d->reads ? d->read[s->index].query : NULL;
    case WN_PHASE_COMMANDS:
    case WN_PHASE_END:
        break;
    }
    return NULL;
}

enum wn_step_kind wn_exchange_step(struct wn_session *s, const char **tmpl)
{
    if ((phases_of(s->request) & bit((enum wn_phase)s->phase)) == 0) {
        next_phase(s); /* the first phase is not one of this request */
    }
    for (; s->phase < WN_PHASE_END; next_phase(s)) {
        if (s->phase == WN_PHASE_COMMANDS) {
            if (s->index < sequence_of(s)->n) {
                *tmpl = sequence_of(s)->line[s->index];
                return WN_STEP_COMMAND;
            }
        } else {
            *tmpl = query_of(s);
            if (*tmpl != NULL) {
                return WN_STEP_QUERY;
            }
        }
    }
    return WN_STEP_END;
}

void wn_exchange_advance(struct wn_session *s)
{
    s->differs[0] = '\0';
    if (s->phase == WN_PHASE_COMMANDS || s->phase == WN_PHASE_READBACK ||
        s->phase == WN_PHASE_READ) {
        s->index++;
    } else {
        next_phase(s);
    }
}

void wn_exchange_again(struct wn_session *s)
{
    bool whole =
        s->phase == WN_PHASE_COMMANDS || s->phase == WN_PHASE_ERROR || s->request == WN_REQUEST_OFF;
    if (whole) {
        s->phase = 0;
        s->index = 0;
    }
}

bool wn_exchange_is_identity(const struct wn_session *s, const char *line, size_t len)
{
    const char *want = s->identity[0] != '\0' ? s->identity : s->dialect->identity_prefix;
    size_t n = strlen(want);
    bool cut = n == sizeof s->identity - 1; /* a longer one was not kept whole */
    return len >= n && memcmp(line, want, n) == 0 && (len == n || cut || s->identity[0] == '\0');
}

static bool equals(const char *line, size_t len, const char *text)
{
    return strlen(text) == len && memcmp(line, text, len) == 0;
}

static int garbled(const struct wn_session *s, const char *line, size_t len, const char *why,
                   struct wn_error *err)
{
    char text[120];
    return wn_error_set(err, WN_EFRAME, "reply '%s' to %s %s",
                        wn_reply_text(line, len, text, sizeof text), s->query, why);
}

/* Was the same answer given before? Then it is no accident of the line. Remembers this one. */
static bool repeated(struct wn_session *s, const char *line, size_t len)
{
    char text[sizeof s->differs];
    (void)wn_reply_text(line, len, text, sizeof text);
    bool same = s->differs[0] != '\0' && strcmp(s->differs, text) == 0;
    memcpy(s->differs, text, sizeof text);
    return same;
}

/* Number of an entry of the error queue, "0,\"No error\"" (SCPI-1999 21.8): digits, then the end or
 * a comma. */
static bool error_number(const char *line, size_t len, int64_t *number)
{
    const char *comma = memchr(line, ',', len);
    return wn_num_parse_int(line, comma != NULL ? (size_t)(comma - line) : len, number) == WN_OK;
}

static enum wn_verdict judge_errors(struct wn_session *s, const char *line, size_t len,
                                    struct wn_error *err)
{
    int64_t number;
    char text[200];
    if (!error_number(line, len, &number)) {
        (void)garbled(s, line, len, "is no entry of an error queue", err);
        return WN_VERDICT_BAD;
    }
    if (s->phase == WN_PHASE_DRAIN) {
        s->index++;
        if (number != 0 && s->index < DRAIN_MAX) {
            return WN_VERDICT_SAME;
        }
        s->old_errors = false;
        return WN_VERDICT_GOOD;
    }
    if (number == 0) {
        return WN_VERDICT_GOOD;
    }
    s->old_errors = true;
    (void)wn_error_set(err, WN_EINSTRUMENT,
                       "the instrument refuses what it was sent: %s (%s); compare the commands in "
                       "%s with its manual",
                       wn_reply_text(line, len, text, sizeof text), wn_scpi_error_text(number),
                       s->dialect->file);
    return WN_VERDICT_FAILED;
}

static enum wn_verdict judge_readback(struct wn_session *s, const char *line, size_t len,
                                      struct wn_error *err)
{
    const struct wn_readback *rb = &mode_of(s)->readback[s->index];
    const double *want = wn_setpoint_find(&s->setpoints, rb->expect, strlen(rb->expect));
    char number[WN_NUM_SIZE], text[120];
    const char *wanted = rb->expect;
    double got;
    if (want == NULL) {
        if (equals(line, len, rb->expect)) {
            return WN_VERDICT_GOOD;
        }
    } else {
        if (wn_num_parse(line, len, &got) != WN_OK) {
            (void)garbled(s, line, len, "is not a number", err);
            return WN_VERDICT_BAD;
        }
        /* The slack is for decimal fractions that are none in binary. */
        if (fabs(got - *want) <= rb->tolerance + 1e-9 * fmax(1, fabs(*want))) {
            return WN_VERDICT_GOOD;
        }
        wanted = wn_num_format(*want, 9, number, sizeof number);
    }
    (void)wn_error_set(err, WN_EREADBACK, "%s was set to %s, but %s answers '%s'",
                       want != NULL ? rb->expect : "it", wanted, s->query,
                       wn_reply_text(line, len, text, sizeof text));
    return repeated(s, line, len) ? WN_VERDICT_FAILED : WN_VERDICT_BAD;
}

static bool is_switch_word(const char *line, size_t len)
{
    return equals(line, len, "0") || equals(line, len, "1") || equals(line, len, "OFF") ||
           equals(line, len, "ON");
}

static void output_differs(const struct wn_session *s, const char *line, size_t len,
                           struct wn_error *err)
{
    char text[120];
    (void)wn_error_set(err, WN_EREADBACK, "output was switched %s, but %s answers '%s'",
                       s->request == WN_REQUEST_OFF ? "off" : "on", s->query,
                       wn_reply_text(line, len, text, sizeof text));
}

/* Never certain before the last attempt: off is sent again each time. */
static enum wn_verdict judge_off(struct wn_session *s, const char *line, size_t len,
                                 struct wn_error *err)
{
    const char *off = s->dialect->output_off_reply;
    if (equals(line, len, off)) {
        return WN_VERDICT_GOOD;
    }
    bool same = repeated(s, line, len);
    if (is_switch_word(off, strlen(off)) ? is_switch_word(line, len) : same) {
        output_differs(s, line, len, err);
    } else {
        (void)garbled(s, line, len, "does not tell that the output is off", err);
    }
    return WN_VERDICT_BAD;
}

static enum wn_verdict judge_on(struct wn_session *s, const char *line, size_t len,
                                struct wn_error *err)
{
    const char *off = s->dialect->output_off_reply;
    if (equals(line, len, off)) {
        output_differs(s, line, len, err);
        return repeated(s, line, len) ? WN_VERDICT_FAILED : WN_VERDICT_BAD;
    }
    if (is_switch_word(off, strlen(off)) && !is_switch_word(line, len)) {
        (void)garbled(s, line, len, "tells neither on nor off", err);
        return WN_VERDICT_BAD;
    }
    return WN_VERDICT_GOOD;
}

static enum wn_verdict judge_identity(struct wn_session *s, const char *line, size_t len,
                                      struct wn_error *err)
{
    const char *prefix = s->dialect->identity_prefix;
    size_t n = strlen(prefix);
    char text[160];
    if (len >= n && memcmp(line, prefix, n) == 0) {
        if (s->identity[0] != '\0' && !wn_exchange_is_identity(s, line, len)) {
            (void)wn_error_set(
                err, WN_EIDENTITY,
                "%s answers '%s', but it was '%s' before: who changed the instrument?", s->query,
                wn_reply_text(line, len, text, sizeof text), s->identity);
            return repeated(s, line, len) ? WN_VERDICT_FAILED : WN_VERDICT_BAD;
        }
        /* Believed when it comes twice: a spoilt one would make the right instrument a stranger for
         * the whole campaign. */
        if (s->identity[0] == '\0' && !repeated(s, line, len)) {
            (void)wn_error_set(err, WN_EFRAME,
                               "%s never gets the same answer twice: the line spoils "
                               "what it carries",
                               s->query);
            return s->index++ < IDENTITY_TRIES ? WN_VERDICT_SAME : WN_VERDICT_BAD;
        }
        size_t keep = len < sizeof s->identity ? len : sizeof s->identity - 1;
        memcpy(s->identity, line, keep);
        s->identity[keep] = '\0';
        return WN_VERDICT_GOOD;
    }
    (void)wn_error_set(
        err, WN_EIDENTITY,
        "%s answers '%s', which does not begin with '%s': another instrument or another port, "
        "nothing is switched on; `wane ports` shows the ports",
        s->query, wn_reply_text(line, len, text, sizeof text), prefix);
    return repeated(s, line, len) ? WN_VERDICT_FAILED : WN_VERDICT_BAD;
}

static enum wn_verdict judge_reading(struct wn_session *s, const char *line, size_t len,
                                     wn_ns now_ns, struct wn_error *err)
{
    if (s->index == 0) {
        memset(&s->part, 0, sizeof s->part);
    }
    if (wn_dialect_decode(s->dialect, s->index, line, len, &s->part, err) != WN_OK) {
        return WN_VERDICT_BAD;
    }
    if (s->index + 1 < s->dialect->reads) {
        return WN_VERDICT_GOOD;
    }
    s->reading = s->part;
    s->reading.host_ns = now_ns;
    if ((s->reading.has & WN_HAS_TIME) == 0) {
        s->reading.time_ns = now_ns;
    }
    return WN_VERDICT_GOOD;
}

enum wn_verdict wn_exchange_judge(struct wn_session *s, const char *line, size_t len, wn_ns now_ns,
                                  struct wn_error *err)
{
    if (s->phase != WN_PHASE_IDENTITY && wn_exchange_is_identity(s, line, len)) {
        return WN_VERDICT_STRAY;
    }
    while (s->phase != WN_PHASE_READ && len > 0 && line[0] == ' ') {
        line++;
        len--;
    }
    switch ((enum wn_phase)s->phase) {
    case WN_PHASE_DRAIN:
    case WN_PHASE_ERROR:
        return judge_errors(s, line, len, err);
    case WN_PHASE_READBACK:
        return judge_readback(s, line, len, err);
    case WN_PHASE_OUTPUT:
        return s->request == WN_REQUEST_OFF ? judge_off(s, line, len, err)
                                            : judge_on(s, line, len, err);
    case WN_PHASE_IDENTITY:
        return judge_identity(s, line, len, err);
    case WN_PHASE_READ:
        return judge_reading(s, line, len, now_ns, err);
    case WN_PHASE_COMMANDS:
    case WN_PHASE_END:
        break;
    }
    wn_assert(false && "a reply belongs to a query");
    return WN_VERDICT_FAILED;
}
