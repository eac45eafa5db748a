/* Session, MODBUS RTU: when to send, when to wait, when to ask again, when to give up.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One frame at a time. A reply is known by its first bytes and is whole when its length and its CRC
 * say so; it counts when the line is silent behind it, so that a byte too many spoils it. In front
 * of each request the line has been silent as the specification wants it.
 *
 * MODBUS numbers nothing: a late reply to a read looks like the answer to the next read of the same
 * function and length. So after anything that may have left a reply on its way (a time-out, a
 * spoilt reply, bytes nobody asked for, a request given up for OFF) the session is stale, and asks
 * the probe first: a read, of the identity if possible, whose answer has a length like no other
 * answer of this dialect (wn_map_prepare() finds one). Replies do not overtake each other, so when
 * an answer to a probe has come that was asked behind all else, all else is behind us. Where
 * answers to older probes are due, as many answers are waited for as these are, and one more. What
 * comes of probes afterwards has the wrong length for anything else. While stale, nothing is taken
 * for an answer but this; OFF alone is written all the same, and proven behind the probe.
 *
 * OFF waits for the reply that is under way, as the frames would spoil each other on two wires, but
 * not longer than OFF_HOLD_NS. A half written frame is left as it is: the silence in front of OFF
 * tells the instrument to forget it.
 *
 * At a shared port the process that has it keeps the line silent, one reply after the other, and
 * says so when none comes (WN_SESSION_NO_ANSWER): there OFF need not wait, and time-outs are
 * longer.
 *
 * What is beyond this: a reply more than LATE_MAX time-outs late, and one sent twice whose second
 * copy comes only after the next request went out. */
#include "instrument/exchange.h"

#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "base/num.h"

#define QUIET_NS    (30 * WN_NS_PER_MS)  /* adapters deliver in lumps, 16 ms apart */
#define OFF_HOLD_NS (100 * WN_NS_PER_MS) /* for a reply under way */
#define BUSY_NS     (100 * WN_NS_PER_MS) /* before a busy instrument is asked again */

enum {
    BUSY_MAX = 10,
    LATE_MAX = 20,  /* time-outs after which a reply will not come any more */
    ROUNDS_MAX = 8, /* of getting into step without success */
    CHARACTER_BITS = 11
};

static double timeout_s(const struct wn_session *s)
{
    return s->dialect->reply_timeout_s * (s->users + 1);
}

static wn_ns timeout_ns(const struct wn_session *s)
{
    return wn_ns_from_s(timeout_s(s));
}

/* At a shared port the line is not ours to keep silent. */
static wn_ns silence_ns(const struct wn_session *s)
{
    return s->users > 0 ? 0 : wn_modbus_silence_ns(s->dialect->baud);
}

static bool echoes(const struct wn_session *s)
{
    return s->dialect->echo && s->users == 0;
}

static wn_ns later(wn_ns a, wn_ns b)
{
    return a > b ? a : b;
}

/* How long bytes take on the line. */
static wn_ns line_time_ns(const struct wn_session *s, size_t bytes)
{
    return (wn_ns)bytes * CHARACTER_BITS * WN_NS_PER_S / s->dialect->baud;
}

static void finish(struct wn_session *s, enum wn_session_result result)
{
    s->result = result;
    s->modbus.state = WN_TALK_REST;
    s->modbus.resync = false;
    s->out_len = 0;
    s->out_pos = 0;
    s->deadline_ns = WN_NS_NEVER;
}

static void fail(struct wn_session *s, const struct wn_error *err)
{
    s->error = *err;
    finish(s, WN_SESSION_FAILED);
}

static bool is_off_write(const struct wn_session *s)
{
    return s->request == WN_REQUEST_OFF && s->phase == WN_PHASE_COMMANDS;
}

/* What is asked, for messages. */
static void describe(struct wn_session *s)
{
    const struct wn_modbus_request *q = &s->modbus.ask;
    (void)snprintf(s->query, sizeof s->query, "unit %u, function %d, address %u", q->unit,
                   (int)q->function, q->address);
    if (q->count > 1) {
        size_t n = strlen(s->query);
        (void)snprintf(s->query + n, sizeof s->query - n, " to %u", q->address + q->count - 1u);
    }
}

static void ask_probe(struct wn_session *s, wn_ns now_ns)
{
    struct wn_modbus_talk *t = &s->modbus;
    if (!t->resync) { /* the first of this time */
        bool lost = t->probe_ns > 0 && now_ns - t->probe_ns > LATE_MAX * timeout_ns(s);
        t->probes_due = lost ? 0 : t->probes_due;
        t->probes_old = lost ? 0 : t->probes_old;
        t->probes_needed = t->probes_old + 1;
    }
    t->write = -1;
    t->span = s->dialect->modbus.probe;
    t->ask = wn_map_read(&s->dialect->modbus, &t->span);
}

/* Hands out what is asked next, as soon as the line has been silent. */
static void prepare(struct wn_session *s, wn_ns now_ns)
{
    struct wn_modbus_talk *t = &s->modbus;
    struct wn_error err;
    bool more = false;
    int rc = wn_modbus_step(s, &more, &err);
    if (rc == WN_OK && !more) {
        finish(s, WN_SESSION_DONE);
        return;
    }
    bool resync = s->stale && !is_off_write(s);
    if (rc == WN_OK && resync) {
        ask_probe(s, now_ns);
    }
    t->resync = resync;
    rc = rc == WN_OK
             ? wn_modbus_encode(&t->ask, (uint8_t *)s->out, sizeof s->out, &s->out_len, &err)
             : rc;
    if (rc != WN_OK) {
        (void)wn_error_prefix(&err, "%s on %s: %s", s->role, s->port, s->dialect->file);
        fail(s, &err);
        return;
    }
    describe(s);
    s->out_pos = 0;
    t->in_len = 0;
    t->hold_ns = later(t->hold_ns, now_ns + timeout_ns(s));
    t->state = now_ns < t->free_ns ? WN_TALK_HOLD : WN_TALK_SEND;
    s->deadline_ns = t->state == WN_TALK_HOLD ? t->free_ns : now_ns + timeout_ns(s);
}

/* No request before the line has been silent for so long from now on, or hold_ns has come. */
static void keep_silent(struct wn_session *s, wn_ns gap_ns, wn_ns now_ns)
{
    struct wn_modbus_talk *t = &s->modbus;
    t->free_ns = now_ns + gap_ns;
    if (t->state == WN_TALK_HOLD) {
        t->free_ns = t->free_ns < t->hold_ns ? t->free_ns : t->hold_ns;
        s->deadline_ns = t->free_ns;
    }
}

/* Something went wrong that asking again may cure; err says what, for the case that it does not. */
static void retry(struct wn_session *s, struct wn_error *err, wn_ns now_ns)
{
    wn_session_note(s, true);
    s->stale = true;
    s->attempt++;
    wn_session_complain(s, err);
    if (s->attempt > s->dialect->retries) {
        fail(s, err);
        return;
    }
    if (s->request == WN_REQUEST_OFF) {
        s->phase = 0;
        s->index = 0;
    }
    prepare(s, now_ns);
}

/* What came is no answer to what was asked. */
static void out_of_step(struct wn_session *s, struct wn_error *err, wn_ns now_ns)
{
    struct wn_modbus_talk *t = &s->modbus;
    bool expected = s->stale && (t->resync || is_off_write(s));
    t->state = WN_TALK_REST;
    t->hold_ns = 0;
    keep_silent(s, later(QUIET_NS, silence_ns(s)), now_ns);
    s->bad_replies += !expected;
    if (!expected || ++t->rounds > ROUNDS_MAX) {
        retry(s, err, now_ns);
        return;
    }
    if (is_off_write(s)) { /* whether it was obeyed is asked behind it */
        wn_modbus_advance(s);
    }
    prepare(s, now_ns);
}

void wn_modbus_begin(struct wn_session *s, wn_ns now_ns)
{
    struct wn_modbus_talk *t = &s->modbus;
    if (s->result == WN_SESSION_PENDING && s->out_pos > 0) { /* given up for OFF */
        bool awaited = t->state == WN_TALK_AWAIT && s->deadline_ns > now_ns;
        wn_ns hold_ns = awaited && s->users == 0 ? OFF_HOLD_NS : silence_ns(s);
        t->free_ns = (s->users > 0 ? now_ns : later(t->line_ns, now_ns)) + hold_ns;
        t->hold_ns = t->free_ns;
        s->stale = true;
    }
    t->resync = false;
    t->rounds = t->busy = t->identity_rounds = 0;
    t->fetched = false;
    t->before[0] = '\0';
    wn_error_clear(&t->refusal);
    s->result = WN_SESSION_PENDING;
    prepare(s, now_ns);
    if (s->request == WN_REQUEST_OFF && t->state == WN_TALK_HOLD) {
        t->hold_ns = t->free_ns; /* what still comes makes it no later */
    }
}

const char *wn_modbus_output(const struct wn_session *s, size_t *len)
{
    *len = s->modbus.state == WN_TALK_SEND ? s->out_len - s->out_pos : 0;
    return s->out + s->out_pos;
}

static size_t reply_size(const struct wn_modbus_request *q)
{
    return 8 + 2 * (size_t)q->count; /* no reply is longer */
}

void wn_modbus_wrote(struct wn_session *s, size_t n, wn_ns now_ns)
{
    struct wn_modbus_talk *t = &s->modbus;
    if (n == 0) {
        return;
    }
    if (s->out_pos == 0 && !t->resync) {
        t->probes_old = t->probes_due;
    }
    s->out_pos += n;
    t->line_ns = later(t->line_ns, now_ns) + line_time_ns(s, n);
    if (s->out_pos < s->out_len) {
        return;
    }
    if (t->resync) {
        t->probes_due += t->probes_due < LATE_MAX;
        t->probe_ns = now_ns;
    }
    t->state = WN_TALK_AWAIT;
    s->deadline_ns = t->line_ns + timeout_ns(s) + line_time_ns(s, reply_size(&t->ask));
}

/* An answer to the probe came, and the line is silent behind it. */
static void take_probe(struct wn_session *s, wn_ns now_ns)
{
    struct wn_modbus_talk *t = &s->modbus;
    t->probes_due -= t->probes_due > 0;
    t->probes_old -= t->probes_old > 0;
    t->probes_needed--;
    if (t->probes_needed <= 0) {
        s->stale = false;
    }
    prepare(s, now_ns);
}

/* It refuses, in a good frame. */
static void take_refusal(struct wn_session *s, uint8_t exception, struct wn_error *err,
                         wn_ns now_ns)
{
    struct wn_modbus_talk *t = &s->modbus;
    if (t->resync && !wn_modbus_exception_passes(exception)) {
        out_of_step(s, err, now_ns); /* the probe itself, or something older */
        return;
    }
    if (wn_modbus_exception_passes(exception) && t->busy < BUSY_MAX) {
        t->busy++;
        t->free_ns = now_ns + BUSY_NS;
        prepare(s, now_ns);
        t->hold_ns = later(t->hold_ns, t->free_ns);
        return;
    }
    if (is_off_write(s)) {
        t->refusal = *err;
        wn_modbus_advance(s);
        prepare(s, now_ns);
        return;
    }
    (void)wn_error_prefix(err, "%s on %s", s->role, s->port);
    fail(s, err);
}

static void take_answer(struct wn_session *s, const struct wn_modbus_reply *reply, wn_ns now_ns)
{
    struct wn_error err;
    /* those that begin anew after a failure must not do so for ever */
    bool settled = s->request != WN_REQUEST_OFF && s->request != WN_REQUEST_IDENTIFY;
    enum wn_verdict v = wn_modbus_judge(s, reply, &err);
    if (v == WN_VERDICT_BAD) {
        s->bad_replies++;
        retry(s, &err, now_ns);
        return;
    }
    wn_session_note(s, false);
    if (v == WN_VERDICT_FAILED) {
        (void)wn_error_prefix(&err, "%s on %s", s->role, s->port);
        fail(s, &err);
        return;
    }
    if (v == WN_VERDICT_GOOD) {
        s->attempt = settled ? 0 : s->attempt;
        s->modbus.rounds = s->modbus.busy = 0;
        wn_modbus_advance(s);
    }
    prepare(s, now_ns);
}

/* Where the reply begins in what came: behind the echo, where there is one. */
static const uint8_t *reply_at(const struct wn_session *s, size_t *len)
{
    size_t echo = echoes(s) ? s->out_len : 0;
    *len = s->modbus.in_len > echo ? s->modbus.in_len - echo : 0;
    return s->modbus.in + echo;
}

/* The line has been silent behind a good frame. */
static void take_frame(struct wn_session *s, wn_ns now_ns)
{
    struct wn_modbus_talk *t = &s->modbus;
    struct wn_modbus_reply reply;
    struct wn_error err;
    size_t len;
    const uint8_t *frame = reply_at(s, &len);
    t->free_ns = t->heard_ns + silence_ns(s);
    int rc = wn_modbus_decode(&t->ask, frame, len, &reply, &err);
    s->exchanges += rc == WN_OK || rc == WN_EINSTRUMENT;
    if (rc == WN_EINSTRUMENT) {
        take_refusal(s, reply.exception, &err, now_ns);
    } else if (rc != WN_OK || (s->stale && !t->resync && !is_off_write(s))) {
        if (rc == WN_OK) {
            (void)wn_error_set(&err, WN_EFRAME, "something came before the request (%s) was out",
                               s->query);
        }
        out_of_step(s, &err, now_ns);
    } else if (t->resync) {
        take_probe(s, now_ns);
    } else {
        take_answer(s, &reply, now_ns);
    }
}

/* Is what came, as far as it goes, what was sent? */
static bool is_echo(const struct wn_session *s, size_t at_least)
{
    size_t n = s->modbus.in_len < s->out_len ? s->modbus.in_len : s->out_len;
    return n >= at_least && memcmp(s->modbus.in, s->out, n) == 0;
}

static const char echo_hint[] =
    "; it looks like what was sent: if the adapter echoes, write echo = true";

/* Looks at what has come of the reply. */
static void look(struct wn_session *s, wn_ns now_ns)
{
    struct wn_modbus_talk *t = &s->modbus;
    struct wn_modbus_reply reply;
    struct wn_error err = {0};
    size_t len, total = 0;
    const uint8_t *frame = reply_at(s, &len);
    if (echoes(s) && !is_echo(s, 0)) {
        (void)wn_error_set(&err, WN_EFRAME, "the echo is not what was sent (%s): look at the cable",
                           s->query);
        out_of_step(s, &err, now_ns);
        return;
    }
    int rc = wn_modbus_expect(&t->ask, frame, len, &total, &err);
    if (rc == WN_OK && (total == 0 || len < total)) {
        return;
    }
    rc = rc == WN_OK ? wn_modbus_decode(&t->ask, frame, len, &reply, &err) : rc;
    bool echo = !echoes(s) && t->write < 0 && is_echo(s, 3);
    if (rc == WN_EFRAME || (rc == WN_OK && echo && len == s->out_len)) {
        struct wn_error told = err;
        (void)wn_error_set(&err, WN_EFRAME, "%s%s",
                           rc == WN_OK ? "the reply is no answer" : told.text,
                           echo ? echo_hint : "");
        out_of_step(s, &err, now_ns);
        return;
    }
    t->state = WN_TALK_END;
    s->deadline_ns = now_ns + silence_ns(s);
}

/* Bytes nobody asked for. */
static void unasked(struct wn_session *s, wn_ns now_ns)
{
    bool news = !s->stale;
    bool off = s->result == WN_SESSION_PENDING && is_off_write(s);
    s->stale = true;
    if (s->modbus.state == WN_TALK_SEND && s->out_pos > 0) {
        return; /* the frame must be ended first */
    }
    keep_silent(s, off ? silence_ns(s) : later(QUIET_NS, silence_ns(s)), now_ns);
    if (s->result == WN_SESSION_PENDING && news && !off) {
        prepare(s, now_ns); /* better ask who is there first */
    }
}

/* The port takes no bytes, or nobody answers, for so long. */
static void run_out(struct wn_session *s, double after_s, wn_ns now_ns)
{
    struct wn_error err;
    char waited[WN_NUM_SIZE];
    s->timeouts++;
    (void)wn_num_format(after_s, 3, waited, sizeof waited);
    (void)wn_error_set(
        &err, WN_ETIMEOUT,
        s->modbus.state == WN_TALK_SEND
            ? "the port takes no bytes (%s) for %s s: check cable and flow control"
            : "no answer (%s) within %s s: check power, cable, baud rate, parity and "
              "the unit's address",
        s->query, waited);
    s->modbus.hold_ns = 0;
    s->modbus.free_ns = later(s->modbus.free_ns, now_ns);
    bool more_off = is_off_write(s) && s->index + 1 < s->dialect->modbus.when[WN_MAP_OFF].writes;
    if (more_off && s->modbus.state == WN_TALK_AWAIT) { /* all of off, answered or not */
        wn_session_note(s, true);
        s->stale = true;
        wn_modbus_advance(s);
        prepare(s, now_ns);
        return;
    }
    retry(s, &err, now_ns);
}

enum wn_session_result wn_modbus_input(struct wn_session *s, const char *data, size_t len,
                                       wn_ns now_ns)
{
    struct wn_modbus_talk *t = &s->modbus;
    (void)wn_modbus_tick(s, now_ns); /* what comes at the deadline is late */
    bool none = s->users > 0 && len == 1 && data[0] == WN_SESSION_NO_ANSWER && t->in_len == 0;
    if (none && t->state == WN_TALK_AWAIT) {
        run_out(s, s->dialect->reply_timeout_s, now_ns);
    }
    if (len == 0 || none) { /* of what was given up long ago */
        return s->result;
    }
    t->heard_ns = now_ns;
    bool echo = echoes(s) && t->state == WN_TALK_SEND && s->out_pos > 0;
    if (t->state != WN_TALK_AWAIT && t->state != WN_TALK_END && !echo) {
        unasked(s, now_ns);
        return s->result;
    }
    size_t room = sizeof t->in - t->in_len, n = len < room ? len : room;
    memcpy(t->in + t->in_len, data, n);
    t->in_len += n;
    if (!echo) {
        t->state = WN_TALK_AWAIT;
        look(s, now_ns);
    }
    return s->result;
}

enum wn_session_result wn_modbus_tick(struct wn_session *s, wn_ns now_ns)
{
    if (s->result != WN_SESSION_PENDING || now_ns < s->deadline_ns) {
        return s->result;
    }
    if (s->modbus.state == WN_TALK_HOLD) {
        s->modbus.state = WN_TALK_SEND;
        s->deadline_ns = now_ns + timeout_ns(s);
        return s->result;
    }
    if (s->modbus.state == WN_TALK_END) {
        take_frame(s, now_ns);
        return s->result;
    }
    run_out(s, timeout_s(s), now_ns);
    return s->result;
}
