/* Session: when to send, when to wait, when to ask again, when to give up.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/session.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "base/num.h"
#include "instrument/exchange.h"

enum {
    ID_BURST_MAX = 8, /* identity queries in a row */
    ID_LATE_MAX = 20  /* time-outs after which an identity will not come any more */
};

void wn_session_init(struct wn_session *s, const struct wn_dialect *d, const char *role,
                     const char *port)
{
    memset(s, 0, sizeof *s);
    s->dialect = d;
    (void)snprintf(s->role, sizeof s->role, "%s", role);
    (void)snprintf(s->port, sizeof s->port, "%s", port);
    wn_line_init(&s->lines, strcmp(d->terminator, "\r") == 0 ? '\r' : '\n');
    s->deadline_ns = WN_NS_NEVER;
    s->old_errors = true;                            /* who knows what it was told before */
    s->modbus.probes_due = s->modbus.probes_old = 1; /* nor what an earlier session asked */
    s->stale = d->protocol == WN_PROTOCOL_MODBUS;
    for (int i = 0; i < WN_MAP_WRITES_MAX; i++) {
        s->modbus.written[i] = NAN;
    }
    wn_records_init(&s->records, d);
}

static bool is_modbus(const struct wn_session *s)
{
    return s->dialect->protocol == WN_PROTOCOL_MODBUS;
}

static bool listens(const struct wn_session *s)
{
    return s->dialect->protocol == WN_PROTOCOL_RECORDS;
}

static double timeout_s(const struct wn_session *s)
{
    return s->dialect->reply_timeout_s * (s->users + 1);
}

static wn_ns timeout_ns(const struct wn_session *s)
{
    return wn_ns_from_s(timeout_s(s));
}

static wn_ns delay_ns(const struct wn_session *s)
{
    bool pauses = s->dialect->character_delay_s > 0 && s->users == 0;
    return pauses ? wn_ns_from_s(s->dialect->character_delay_s) : 0;
}

void wn_session_finish(struct wn_session *s, enum wn_session_result result)
{
    s->result = result;
    s->awaiting_reply = false;
    s->resync = false;
    s->out_len = 0;
    s->out_pos = 0;
    s->deadline_ns = WN_NS_NEVER;
    if (s->request == WN_REQUEST_OFF) {
        s->old_errors =
            true; /* the terminator in front may have displeased it; and off asks for no errors */
    }
}

void wn_session_fail(struct wn_session *s, const struct wn_error *err)
{
    s->error = *err;
    wn_session_finish(s, WN_SESSION_FAILED);
}

void wn_session_note(struct wn_session *s, bool bad)
{
    uint64_t *word = &s->recent[s->recent_pos / 64];
    uint64_t mask = UINT64_C(1) << (s->recent_pos % 64);
    s->recent_bad += (int)bad - ((*word & mask) != 0);
    *word = bad ? *word | mask : *word & ~mask;
    s->recent_pos = (s->recent_pos + 1) % WN_SESSION_RECENT;
    s->recent_n += s->recent_n < WN_SESSION_RECENT;
    s->consecutive_bad = bad ? s->consecutive_bad + 1 : 0;
}

const char *wn_session_tally(const struct wn_session *s, char *buf, size_t size)
{
    (void)snprintf(buf, size, "%d of the last %d replies %s bad or missing", s->recent_bad,
                   s->recent_n, s->recent_bad == 1 ? "was" : "were");
    return buf;
}

static int add(struct wn_session *s, const char *tmpl, struct wn_error *err)
{
    size_t len = 0;
    int rc = wn_dialect_expand(s->dialect, tmpl, &s->setpoints, s->out + s->out_len, WN_COMMAND_MAX,
                               &len, err);
    s->out_len += len;
    return rc;
}

static bool same_setpoints(const struct wn_setpoints *a, const struct wn_setpoints *b)
{
    return memcmp(a, b, sizeof *a) == 0; /* bit by bit: NaN equals NaN */
}

/* The read query is asked thousands of times with the same values: it is expanded once. */
static int add_read(struct wn_session *s, const char *tmpl, struct wn_error *err)
{
    int k = s->index;
    if (s->read_command_len[k] == 0 || !same_setpoints(&s->setpoints, &s->read_setpoints[k])) {
        s->read_command_len[k] = 0;
        int rc = wn_dialect_expand(s->dialect, tmpl, &s->setpoints, s->read_command[k],
                                   sizeof s->read_command[k], &s->read_command_len[k], err);
        if (rc != WN_OK) {
            return rc;
        }
        s->read_setpoints[k] = s->setpoints;
    }
    memcpy(s->out + s->out_len, s->read_command[k], s->read_command_len[k]);
    s->out_len += s->read_command_len[k];
    return WN_OK;
}

/* Asks for the identity once more often than it has been asked without an answer: when as many
 * answers have come, one of them is new, and everything that was asked before is behind us. */
static int add_resync(struct wn_session *s, struct wn_error *err)
{
    int rc = WN_OK;
    s->ids_needed = s->ids_due + 1;
    int burst = s->ids_needed < ID_BURST_MAX ? s->ids_needed : ID_BURST_MAX;
    for (int i = 0; i < burst && rc == WN_OK && s->out_len + WN_COMMAND_MAX <= sizeof s->out; i++) {
        rc = add(s, s->dialect->identity_query, err);
        s->ids_asked++;
    }
    return rc;
}

static int add_query(struct wn_session *s, const char *tmpl, struct wn_error *err)
{
    size_t from = s->out_len;
    int rc;
    s->resync = s->stale && s->request != WN_REQUEST_IDENTIFY;
    if (s->resync) {
        rc = add_resync(s, err);
        from = s->out_len - (s->out_len - from) / (size_t)s->ids_asked;
    } else if (s->phase == WN_PHASE_READ) {
        rc = add_read(s, tmpl, err);
    } else {
        rc = add(s, tmpl, err);
        s->ids_asked = s->phase == WN_PHASE_IDENTITY;
        s->ids_needed = s->ids_due + 1;
    }
    if (rc == WN_OK) {
        size_t len = s->out_len - from - strlen(s->dialect->terminator);
        memcpy(s->query, s->out + from, len);
        s->query[len] = '\0';
    }
    return rc;
}

/* Is what has come of the present line nothing but prompts? It stays: the reply comes behind it. */
static bool only_prompts(const struct wn_session *s)
{
    size_t n = strlen(s->dialect->prompt), i = 0;
    while (n > 0 && i < s->lines.len && s->lines.buf[i] == s->dialect->prompt[i % n]) {
        i++;
    }
    return i == s->lines.len;
}

/* Puts together what is sent next: the commands up to and with the next query. */
static void prepare(struct wn_session *s, wn_ns now_ns)
{
    struct wn_error err;
    const char *tmpl;
    enum wn_step_kind kind;
    int rc = WN_OK;
    s->awaiting_reply = false;
    s->resync = false;
    s->sent = false;
    s->out_pos = 0;
    s->out_len = 0;
    s->ids_asked = 0;
    s->from_phase = s->phase;
    s->from_index = s->index;
    if ((s->lines.len > 0 && !only_prompts(s)) ||
        s->lines.spoiled) { /* the beginning of something nobody asked for */
        wn_line_reset(&s->lines);
        s->stale = true;
    }
    if (s->ids_due > 0 && now_ns - s->ids_ns > ID_LATE_MAX * timeout_ns(s)) {
        /* Lost, not late; but one may lie there without its end, which we send now. */
        s->ids_due = s->lead ? 1 : 0;
    }
    if (s->lead) {
        s->out_len = strlen(s->dialect->terminator);
        memcpy(s->out, s->dialect->terminator, s->out_len);
    }
    while (rc == WN_OK && (kind = wn_exchange_step(s, &tmpl)) == WN_STEP_COMMAND) {
        rc = add(s, tmpl, &err);
        wn_exchange_advance(s);
    }
    if (rc == WN_OK && kind == WN_STEP_QUERY) {
        rc = add_query(s, tmpl, &err);
    }
    if (rc != WN_OK) {
        (void)wn_error_prefix(&err, "%s on %s", s->role, s->port);
        wn_session_fail(s, &err);
    } else if (s->out_len == 0) {
        wn_session_finish(s, WN_SESSION_DONE);
    } else {
        s->deadline_ns = now_ns + timeout_ns(s) + (wn_ns)s->out_len * delay_ns(s);
    }
}

void wn_session_complain(struct wn_session *s, struct wn_error *err)
{
    char tally[WN_SESSION_TALLY_SIZE];
    (void)wn_error_prefix(err, "%s on %s", s->role, s->port);
    struct wn_error told = *err;
    s->complaint = told;
    (void)wn_error_set(err, told.code, "%s; asked %d %s; %s", told.text, s->attempt,
                       s->attempt == 1 ? "time" : "times",
                       wn_session_tally(s, tally, sizeof tally));
}

/* Something went wrong that asking again may cure; err says what, for the case that it does not. */
static void retry(struct wn_session *s, struct wn_error *err, wn_ns now_ns)
{
    wn_session_note(s, true);
    s->stale = true;
    s->lead = true;
    s->old_errors = true;
    s->attempt++;
    wn_session_complain(s, err);
    if (s->attempt <= s->dialect->retries) {
        wn_exchange_again(s);
        prepare(s, now_ns);
        return;
    }
    wn_session_fail(s, err);
}

/* Whatever was under way is given up in favour of OFF. */
static void preempt(struct wn_session *s)
{
    if (s->out_pos > 0) {
        s->stale = true; /* an answer may be on its way */
        s->old_errors = true;
    }
    s->result = WN_SESSION_IDLE;
}

void wn_session_begin(struct wn_session *s, enum wn_request request, const struct wn_setpoints *sp,
                      wn_ns now_ns)
{
    wn_assert(request != WN_REQUEST_NONE);
    wn_assert(s->result != WN_SESSION_PENDING || request == WN_REQUEST_OFF);
    if (s->result == WN_SESSION_PENDING && !is_modbus(s)) {
        preempt(s);
    }
    s->request = request;
    s->setpoints = sp != NULL ? *sp : wn_setpoints_none();
    s->phase = 0;
    s->index = 0;
    s->attempt = 0;
    s->resyncs = 0;
    s->differs[0] = '\0';
    s->lead = s->lead || request == WN_REQUEST_OFF;
    wn_error_clear(&s->error);
    if (listens(s)) {
        s->result = WN_SESSION_PENDING;
        wn_listened_begin(s, now_ns);
        return;
    }
    if (request == WN_REQUEST_POWER && !wn_dialect_has_power(s->dialect)) {
        struct wn_error err;
        (void)wn_error_set(&err, WN_EINVAL,
                           "%s on %s: %s has no power mode: use discharge steps with a current",
                           s->role, s->port, s->dialect->file);
        wn_session_fail(s, &err);
        return;
    }
    if (is_modbus(s)) {
        wn_modbus_begin(s, now_ns);
        return;
    }
    s->result = WN_SESSION_PENDING;
    prepare(s, now_ns);
}

const char *wn_session_output(const struct wn_session *s, size_t *len)
{
    if (is_modbus(s)) {
        return wn_modbus_output(s, len);
    }
    *len = s->out_len - s->out_pos;
    if (delay_ns(s) > 0 && *len > 0) {
        *len = s->waits ? 0 : 1;
    }
    return s->out + s->out_pos;
}

void wn_session_wrote(struct wn_session *s, size_t n, wn_ns now_ns)
{
    const char *tmpl;
    wn_assert(n <= s->out_len - s->out_pos);
    if (is_modbus(s)) {
        wn_modbus_wrote(s, n, now_ns);
        return;
    }
    if (n > 0 && s->out_pos == 0 && s->ids_asked > 0) {
        s->ids_due += s->ids_asked;
        s->ids_ns = now_ns;
    }
    s->out_pos += n;
    if (listens(s)) {
        wn_listened_wrote(s);
        return;
    }
    if (n > 0) {
        s->echo_len = s->out_pos;
        s->waits = delay_ns(s) > 0;
        s->next_ns = now_ns + delay_ns(s);
    }
    if (n == 0 || s->out_pos < s->out_len) {
        return;
    }
    s->sent = true;
    s->lead = false;
    if (wn_exchange_step(s, &tmpl) == WN_STEP_QUERY) {
        s->awaiting_reply = true;
        s->deadline_ns = now_ns + timeout_ns(s);
    } else {
        s->exchanges++;
        wn_session_finish(s, WN_SESSION_DONE);
    }
}

/* What the lines of one input led to; carried out when all of it was looked at. */
struct outcome {
    enum { NOTHING, GO_ON, ASK_AGAIN, GIVE_UP } what;
    struct wn_error err;
};

/* An identity came. Those older than what was asked last are behind it when as many came as were
 * needed. */
static bool count_identity(struct wn_session *s)
{
    s->ids_due -= s->ids_due > 0;
    s->ids_needed -= s->ids_needed > 0;
    if (!s->sent || s->ids_asked == 0 || s->ids_needed > 0) {
        return false;
    }
    s->ids_due = s->ids_due < s->ids_asked - 1 ? s->ids_due : s->ids_asked - 1;
    s->stale = false;
    return true;
}

/* The instrument is in step again: back to what was to be asked. */
static void in_step(struct wn_session *s, struct outcome *out)
{
    s->awaiting_reply = false;
    s->resyncs++;
    if (s->resyncs <= s->dialect->retries + 1) {
        out->what = GO_ON;
        return;
    }
    out->what = GIVE_UP;
    (void)wn_error_set(&out->err, WN_EFRAME,
                       "%s on %s: lines nobody asked for keep coming: is it in a mode in which it "
                       "talks by itself?",
                       s->role, s->port);
}

/* Is the line one of the commands just sent, given back by an instrument that echoes? */
static bool is_echo(const struct wn_session *s, const char *line, size_t len)
{
    const char *at = s->out, *end = s->out + s->echo_len;
    size_t n = strlen(s->dialect->terminator);
    while (s->dialect->echo && at < end) {
        const char *stop = memchr(at, s->dialect->terminator[0], (size_t)(end - at));
        size_t have = stop != NULL ? (size_t)(stop - at) : (size_t)(end - at);
        if (have == len && memcmp(at, line, len) == 0) {
            return true;
        }
        at = stop != NULL ? stop + n : end;
    }
    return false;
}

/* A line came that nobody can make anything of. True when it stands for the reply: it is asked for
 * again, and the caller says why. */
static bool lose_line(struct wn_session *s, struct outcome *out)
{
    if (s->awaiting_reply && !s->resync) {
        s->awaiting_reply = false;
        s->bad_replies++;
        out->what = ASK_AGAIN;
        return true;
    }
    s->stale = s->stale || !s->awaiting_reply;
    return false;
}

static void take_line(struct wn_session *s, const char *line, size_t len, wn_ns now_ns,
                      struct outcome *out)
{
    wn_reply_skip_prompts(s->dialect, &line, &len);
    if (len == 0 || is_echo(s, line, len)) {
        return; /* CR LF in front of a reply; no answer is empty */
    }
    const char *whole = line;
    size_t whole_len = len;
    struct wn_error why;
    if (wn_reply_strip(s->dialect, &line, &len, &why) != WN_OK) {
        if (lose_line(s, out)) {
            char text[120];
            (void)wn_error_set(&out->err, why.code, "reply '%s' to %s %s",
                               wn_reply_text(whole, whole_len, text, sizeof text), s->query,
                               why.text);
        }
        return;
    }
    bool identity = wn_exchange_is_identity(s, line, len);
    bool found = identity && count_identity(s);
    if (!s->awaiting_reply) {
        s->stale = s->stale || !identity;
        return;
    }
    if (s->resync) {
        if (found) {
            in_step(s, out);
        }
        return;
    }
    enum wn_verdict v = wn_exchange_judge(s, line, len, now_ns, &out->err);
    if (v == WN_VERDICT_STRAY) {
        return;
    }
    s->awaiting_reply = false;
    if (v == WN_VERDICT_BAD) {
        s->bad_replies++;
        out->what = ASK_AGAIN;
        return;
    }
    wn_session_note(s, false);
    s->exchanges++;
    out->what = v == WN_VERDICT_FAILED ? GIVE_UP : GO_ON;
    if (v == WN_VERDICT_FAILED) {
        (void)wn_error_prefix(&out->err, "%s on %s", s->role, s->port);
    } else if (v == WN_VERDICT_GOOD) {
        if (s->phase != WN_PHASE_DRAIN) { /* its attempts count as those of the errors after it */
            s->attempt = 0;
            s->resyncs = 0;
        }
        wn_exchange_advance(s);
    }
}

/* A line that is no text, or endless. */
static void take_garbage(struct wn_session *s, struct outcome *out)
{
    if (lose_line(s, out)) {
        (void)wn_error_set(&out->err, WN_EFRAME,
                           "reply to %s is no text: check baud rate, parity and cable", s->query);
    }
}

enum wn_session_result wn_session_input(struct wn_session *s, const char *data, size_t len,
                                        wn_ns now_ns)
{
    struct outcome out;
    const char *line = NULL;
    size_t used = 0, line_len = 0;
    bool more = true;
    if (is_modbus(s)) {
        return wn_modbus_input(s, data, len, now_ns);
    }
    out.what = NOTHING;
    (void)wn_session_tick(s, now_ns); /* what comes at the deadline is late */
    if (listens(s)) {
        wn_listened_input(s, data, len, now_ns);
        return s->result;
    }
    while (more) {
        uint64_t discarded = s->lines.discarded;
        more = wn_line_take(&s->lines, data, len, &used, &line, &line_len);
        if (s->lines.discarded != discarded) {
            take_garbage(s, &out);
        }
        if (more) {
            take_line(s, line, line_len, now_ns, &out);
        }
    }
    switch (out.what) {
    case NOTHING:
        /* Not handed out yet, and something came that nobody asked for: better ask who is there
         * first. */
        if (s->result == WN_SESSION_PENDING && s->out_pos == 0 && s->stale && !s->resync) {
            s->phase = s->from_phase;
            s->index = s->from_index;
            prepare(s, now_ns);
        }
        break;
    case GO_ON:
        prepare(s, now_ns);
        break;
    case ASK_AGAIN:
        retry(s, &out.err, now_ns);
        break;
    case GIVE_UP:
        wn_session_fail(s, &out.err);
        break;
    }
    return s->result;
}

enum wn_session_result wn_session_tick(struct wn_session *s, wn_ns now_ns)
{
    struct wn_error err;
    char waited[WN_NUM_SIZE];
    if (is_modbus(s)) {
        return wn_modbus_tick(s, now_ns);
    }
    s->waits = s->waits && now_ns < s->next_ns;
    if (s->result != WN_SESSION_PENDING || now_ns < s->deadline_ns) {
        return s->result;
    }
    if (listens(s)) {
        wn_listened_tick(s);
        return s->result;
    }
    s->timeouts++;
    (void)wn_num_format(timeout_s(s), 3, waited, sizeof waited);
    if (!s->sent) {
        s->phase = 0; /* who knows how much of it went out */
        s->index = 0;
        (void)wn_error_set(&err, WN_ETIMEOUT,
                           "the port takes no bytes for %s s: check cable and flow control",
                           waited);
    } else {
        (void)wn_error_set(&err, WN_ETIMEOUT,
                           "no answer to %s within %s s: check power, cable and baud rate",
                           s->query, waited);
    }
    retry(s, &err, now_ns);
    return s->result;
}

enum wn_session_result wn_session_result(const struct wn_session *s)
{
    return s->result;
}

wn_ns wn_session_deadline(const struct wn_session *s)
{
    bool held = s->waits && s->out_pos < s->out_len && s->result == WN_SESSION_PENDING;
    return held && s->next_ns < s->deadline_ns ? s->next_ns : s->deadline_ns;
}
