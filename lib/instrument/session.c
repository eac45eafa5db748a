/* Session: the conversation with one instrument.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/session.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "base/num.h"

/* The parts of a request, in order; which of them it has is in the table below. */
enum phase { PHASE_LINES, PHASE_ERROR, PHASE_READBACK, PHASE_OUTPUT, PHASE_REPLY, PHASE_END };

static const struct {
    bool lines, error, readback, output, reply;
} parts[] = {
    [WN_REQUEST_IDENTIFY] = {.reply = true},
    [WN_REQUEST_SETUP] = {.lines = true, .error = true},
    [WN_REQUEST_CHARGE] = {.lines = true, .error = true, .readback = true},
    [WN_REQUEST_DISCHARGE] = {.lines = true, .error = true, .readback = true},
    [WN_REQUEST_POWER] = {.lines = true, .error = true, .readback = true},
    [WN_REQUEST_ON] = {.lines = true, .error = true, .output = true},
    [WN_REQUEST_OFF] = {.lines = true, .output = true},
    [WN_REQUEST_READ] = {.reply = true},
};

static const struct wn_mode *mode_of(const struct wn_session *s)
{
    const struct wn_dialect *d = s->dialect;
    return s->request == WN_REQUEST_CHARGE      ? &d->charge
           : s->request == WN_REQUEST_DISCHARGE ? &d->discharge
                                                : &d->power;
}

static const struct wn_sequence *lines_of(const struct wn_session *s)
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
    wn_assert(!"request without lines");
    return NULL;
}

/* How many exchanges the present phase has. */
static int count(const struct wn_session *s)
{
    switch ((enum phase)s->phase) {
    case PHASE_LINES:
        return parts[s->request].lines ? lines_of(s)->n : 0;
    case PHASE_ERROR:
        return parts[s->request].error && s->dialect->error_query[0] != '\0';
    case PHASE_READBACK:
        return parts[s->request].readback ? mode_of(s)->readbacks : 0;
    case PHASE_OUTPUT:
        return parts[s->request].output;
    case PHASE_REPLY:
        return parts[s->request].reply;
    case PHASE_END:
        break;
    }
    return 0;
}

static const char *template_of(const struct wn_session *s)
{
    const struct wn_dialect *d = s->dialect;
    if (s->resync) {
        return d->identity_query;
    }
    switch ((enum phase)s->phase) {
    case PHASE_LINES:
        return lines_of(s)->line[s->index];
    case PHASE_ERROR:
        return d->error_query;
    case PHASE_READBACK:
        return mode_of(s)->readback[s->index].query;
    case PHASE_OUTPUT:
        return d->output_query;
    case PHASE_REPLY:
        return s->request == WN_REQUEST_READ ? d->read_query : d->identity_query;
    case PHASE_END:
        break;
    }
    wn_assert(!"no exchange");
    return NULL;
}

static enum wn_session_result end(struct wn_session *s, enum wn_session_result result)
{
    s->result = result;
    s->deadline_ns = WN_NS_NEVER;
    s->out_len = s->out_pos = 0;
    s->awaiting_reply = false;
    return result;
}

static enum wn_session_result fail(struct wn_session *s, int code, const char *what)
{
    (void)wn_error_set(&s->error, code, "%s on %s: %s; %llu of %llu replies were bad", s->role, s->port,
                       what, (unsigned long long)s->bad_replies, (unsigned long long)s->exchanges);
    return end(s, WN_SESSION_FAILED);
}

/* Makes the bytes of the present exchange. */
static void ask(struct wn_session *s, wn_ns now)
{
    struct wn_error why = {0};
    if (s->stale && s->phase != PHASE_LINES && s->request != WN_REQUEST_IDENTIFY) {
        s->resync = true; /* find the place in the stream before a reply is believed */
    }
    const char *tmpl = template_of(s);
    s->awaiting_reply = s->resync || s->phase != PHASE_LINES;
    s->out_pos = 0;
    if (wn_dialect_expand(s->dialect, tmpl, &s->setpoints, s->out, sizeof s->out, &s->out_len, &why) !=
        WN_OK) {
        (void)fail(s, why.code, why.text);
        return;
    }
    (void)snprintf(s->query, sizeof s->query, "%.*s",
                   (int)(s->out_len - strlen(s->dialect->terminator)), s->out);
    s->deadline_ns = now + wn_ns_from_s(s->dialect->reply_timeout_s);
}

/* Goes to the next exchange that exists, or ends the request. */
static void go_on(struct wn_session *s, wn_ns now)
{
    while (s->phase < PHASE_END && s->index >= count(s)) {
        s->phase++;
        s->index = 0;
    }
    if (s->phase == PHASE_END) {
        (void)end(s, WN_SESSION_DONE);
    } else {
        ask(s, now);
    }
}

static void exchange_over(struct wn_session *s, wn_ns now)
{
    s->index++;
    s->attempt = 0;
    go_on(s, now);
}

/* No reply, or a garbled one. Ask again; but first find the place in the stream, so that a late reply is never taken for the next one. */
static enum wn_session_result again(struct wn_session *s, int code, const char *what, wn_ns now)
{
    if (s->attempt >= s->dialect->retries) {
        return fail(s, code, what);
    }
    s->attempt++;
    wn_line_reset(&s->lines);
    s->resync = s->request != WN_REQUEST_IDENTIFY;
    ask(s, now);
    return s->result;
}

void wn_session_init(struct wn_session *s, const struct wn_dialect *d, const char *role,
                     const char *port)
{
    memset(s, 0, sizeof *s);
    s->dialect = d;
    (void)snprintf(s->role, sizeof s->role, "%s", role);
    (void)snprintf(s->port, sizeof s->port, "%s", port);
    wn_line_init(&s->lines);
    s->deadline_ns = WN_NS_NEVER;
}

void wn_session_begin(struct wn_session *s, enum wn_request request, const struct wn_setpoints *sp,
                      wn_ns now_ns)
{
    static const struct wn_setpoints none = {NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
    wn_assert(request != WN_REQUEST_NONE);
    bool preempts = s->result == WN_SESSION_PENDING;
    wn_assert(!preempts || request == WN_REQUEST_OFF);
    bool half_sent = preempts && s->out_pos > 0 && s->out_pos < s->out_len;
    bool reply_due = preempts && (s->awaiting_reply || s->resync);
    s->request = request;
    s->setpoints = sp != NULL ? *sp : none;
    s->phase = PHASE_LINES;
    s->index = s->attempt = 0;
    s->resync = false;
    s->result = WN_SESSION_PENDING;
    s->stale = s->stale || reply_due; /* the reply to what was pre-empted is still to come */
    wn_error_clear(&s->error);
    go_on(s, now_ns);
    if (half_sent && s->out_len + 1 < sizeof s->out) { /* end the half line, so that OFF stands alone */
        memmove(s->out + 1, s->out, s->out_len);
        s->out[0] = '\n';
        s->out_len++;
    }
}

const char *wn_session_output(const struct wn_session *s, size_t *len)
{
    *len = s->result == WN_SESSION_PENDING ? s->out_len - s->out_pos : 0;
    return s->out + s->out_pos;
}

void wn_session_wrote(struct wn_session *s, size_t n, wn_ns now_ns)
{
    wn_assert(n <= s->out_len - s->out_pos);
    s->out_pos += n;
    if (n == 0 || s->out_pos < s->out_len || s->result != WN_SESSION_PENDING) {
        return;
    }
    if (s->awaiting_reply) {
        s->deadline_ns = now_ns + wn_ns_from_s(s->dialect->reply_timeout_s);
    } else {
        exchange_over(s, now_ns);
    }
}

static bool begins(const char *line, size_t len, const char *with)
{
    size_t n = strlen(with);
    return len >= n && memcmp(line, with, n) == 0;
}

static bool equals(const char *line, size_t len, const char *text)
{
    return strlen(text) == len && memcmp(line, text, len) == 0;
}

static enum wn_session_result check_readback(struct wn_session *s, const char *line, size_t len,
                                             wn_ns now)
{
    const struct wn_readback *b = &mode_of(s)->readback[s->index];
    const double *want = wn_setpoint_find(&s->setpoints, b->expect, strlen(b->expect));
    char what[320], number[WN_NUM_SIZE];
    double got = 0;
    if (want == NULL ? equals(line, len, b->expect)
                     : wn_num_parse(line, len, &got) == WN_OK && fabs(got - *want) <= b->tolerance) {
        exchange_over(s, now);
        return s->result;
    }
    (void)snprintf(what, sizeof what, "'%.60s' answers '%.*s', but %s was set: nothing is switched on",
                   s->query, len < 60 ? (int)len : 60, line,
                   want == NULL ? b->expect : wn_num_format(*want, 9, number, sizeof number));
    return fail(s, WN_EREADBACK, what);
}

static enum wn_session_result check_error(struct wn_session *s, const char *line, size_t len, wn_ns now)
{
    double number = 0;
    const char *comma = memchr(line, ',', len);
    size_t n = comma != NULL ? (size_t)(comma - line) : len;
    char what[320];
    if (wn_num_parse(line, n, &number) != WN_OK) {
        s->bad_replies++;
        (void)snprintf(what, sizeof what, "reply '%.*s' to %.60s is no error number",
                       len < 60 ? (int)len : 60, line, s->query);
        return again(s, WN_EFRAME, what, now);
    }
    if (number != 0) {
        (void)snprintf(what, sizeof what, "instrument reports %.*s", len < 160 ? (int)len : 160, line);
        return fail(s, WN_EINSTRUMENT, what);
    }
    exchange_over(s, now);
    return s->result;
}

static enum wn_session_result check_output(struct wn_session *s, const char *line, size_t len, wn_ns now)
{
    bool off = equals(line, len, s->dialect->output_off_reply);
    char what[200];
    if (off == (s->request == WN_REQUEST_OFF)) {
        exchange_over(s, now);
        return s->result;
    }
    (void)snprintf(what, sizeof what, "%.60s answers '%.*s' after it was switched %s", s->query,
                   len < 60 ? (int)len : 60, line, off ? "on" : "off");
    return fail(s, WN_EREADBACK, what);
}

static enum wn_session_result check_reading(struct wn_session *s, const char *line, size_t len, wn_ns now)
{
    struct wn_error why = {0};
    if (wn_dialect_decode(s->dialect, line, len, &s->reading, &why) != WN_OK) {
        char what[480];
        s->bad_replies++;
        s->consecutive_bad++;
        (void)snprintf(what, sizeof what, "%s to %.60s", why.text, s->query);
        return again(s, WN_EFRAME, what, now);
    }
    s->consecutive_bad = 0;
    s->reading.host_ns = now;
    exchange_over(s, now);
    return s->result;
}

static enum wn_session_result check_identity(struct wn_session *s, const char *line, size_t len, wn_ns now)
{
    if (!begins(line, len, s->dialect->identity_prefix)) {
        char what[480];
        (void)snprintf(what, sizeof what,
                       "identifies itself as '%.*s', but %s expects '%s...': wrong instrument on this port, or "
                       "the wrong dialect",
                       len < 120 ? (int)len : 120, line, s->dialect->name, s->dialect->identity_prefix);
        return fail(s, WN_EIDENTITY, what);
    }
    (void)snprintf(s->identity, sizeof s->identity, "%.*s", (int)len, line);
    s->stale = false;
    exchange_over(s, now);
    return s->result;
}

/* While finding the place in the stream everything is dropped until the identity comes. */
static void check_resync(struct wn_session *s, const char *line, size_t len, wn_ns now)
{
    if (begins(line, len, s->dialect->identity_prefix)) {
        s->resync = s->stale = false;
        ask(s, now);
    }
}

static enum wn_session_result take_line(struct wn_session *s, const char *line, size_t len, wn_ns now)
{
    s->exchanges++;
    if (s->resync) {
        check_resync(s, line, len, now);
        return s->result;
    }
    switch ((enum phase)s->phase) {
    case PHASE_ERROR:
        return check_error(s, line, len, now);
    case PHASE_READBACK:
        return check_readback(s, line, len, now);
    case PHASE_OUTPUT:
        return check_output(s, line, len, now);
    case PHASE_REPLY:
        return s->request == WN_REQUEST_READ ? check_reading(s, line, len, now)
                                             : check_identity(s, line, len, now);
    case PHASE_LINES:
    case PHASE_END:
        break;
    }
    return s->result;
}

enum wn_session_result wn_session_input(struct wn_session *s, const char *data, size_t len,
                                        wn_ns now_ns)
{
    size_t used = 0, line_len = 0;
    const char *line = NULL;
    while (wn_line_take(&s->lines, data, len, &used, &line, &line_len)) {
        bool expected = s->result == WN_SESSION_PENDING && s->awaiting_reply && s->out_pos == s->out_len;
        if (expected) {
            (void)take_line(s, line, line_len, now_ns);
        } else {
            s->stale = true; /* nobody asked: a late or doubled reply; find the place again first */
            s->bad_replies++;
        }
    }
    return s->result;
}

enum wn_session_result wn_session_tick(struct wn_session *s, wn_ns now_ns)
{
    if (s->result != WN_SESSION_PENDING || now_ns < s->deadline_ns) {
        return s->result;
    }
    char what[200];
    s->timeouts++;
    s->stale = true;
    (void)snprintf(what, sizeof what, "no reply to %.60s within %.0f ms, asked %d times", s->query,
                   s->dialect->reply_timeout_s * 1e3, s->attempt + 1);
    return again(s, WN_ETIMEOUT, what, now_ns);
}

enum wn_session_result wn_session_result(const struct wn_session *s)
{
    return s->result;
}

wn_ns wn_session_deadline(const struct wn_session *s)
{
    return s->deadline_ns;
}
