/* One instrument of a station: open, identify, off, set up; then one request at a time. What is
 * asked of it, and what its answers mean for the station, is in bench.c.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "station.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "base/assert.h"

#define BACK_OFF_FIRST_NS WN_NS_PER_S
#define BACK_OFF_MAX_NS   (30 * WN_NS_PER_S)
#define TELL_BAD_NS       (60 * WN_NS_PER_S)
#define CONNECT_LOOK_NS   (20 * WN_NS_PER_MS)
#define EARLY_NS          (100 * WN_NS_PER_MS)
#define BLIND_GAP_NS      (100 * WN_NS_PER_MS) /* for an answer nobody reads */

enum { CHARACTER_BITS = 11, ANSWER_SIZE = 8, EARLY_MAX = 50 };

const struct wn_instrument_config *instrument_config(const struct station *s,
                                                     const struct instrument *i)
{
    return &s->config.instrument[i->n];
}

static const char *name_of(const struct station *s, const struct instrument *i)
{
    return wn_instrument_name(instrument_config(s, i));
}

static const char *port_of(const struct station *s, const struct instrument *i)
{
    return instrument_config(s, i)->port;
}

static bool switches(const struct station *s, const struct instrument *i)
{
    return wn_role_switches(instrument_config(s, i)->role);
}

static void fresh_session(struct station *s, struct instrument *i)
{
    int users = wn_config_port_users(s->daemon, port_of(s, i));
    wn_session_init(&i->session, &i->dialect, name_of(s, i), port_of(s, i));
    i->session.users = users > 1 ? users : 0;
    i->task = TASK_NONE;
}

void instrument_init(struct station *s, int n)
{
    struct instrument *i = &s->bench.instrument[n];
    i->n = n;
    i->link = NULL;
    i->stage = STAGE_CLOSED;
    i->back_off_ns = BACK_OFF_FIRST_NS;
    fresh_session(s, i);
}

/* The port itself is gone: close at once (so that the adapter comes back under its name), give the
 * guard's duplicate back. */
static void close_gone(struct station *s, struct instrument *i)
{
    if (i->guarded) {
        guard_release(s, i);
        i->guarded = false;
    }
    if (i->link != NULL) {
        i->link->ops->close(i->link);
        i->link = NULL;
    }
    i->stage = STAGE_CLOSED;
}

/* Frames are answered each, and an answer that comes while the next one goes out spoils both: they
 * go out so far apart, answered or not. */
static void go_on_blindly(struct instrument *i, wn_ns now)
{
    size_t put = 0, len = 0;
    const char *off =
        now >= i->blind_ns ? wn_dialect_safe_off(&i->dialect, &i->blind_at, &len) : NULL;
    if (off != NULL) {
        (void)i->link->ops->write(i->link, off, len, &put, NULL);
        wn_ns bits = (wn_ns)(len + ANSWER_SIZE) * CHARACTER_BITS;
        i->blind_ns = now + BLIND_GAP_NS + bits * WN_NS_PER_S / i->dialect.baud;
    } else if (now >= i->blind_ns) {
        i->blind_ns = WN_NS_NEVER;
    }
}

/* The port is there, the instrument is not to be trusted: off without waiting for an answer, then
 * identify afresh. The guard keeps its duplicate meanwhile. */
static void off_blindly(const struct station *s, struct instrument *i, wn_ns now)
{
    i->link->ops->flush(i->link);
    i->stage = STAGE_SETTLING;
    i->blind_at = listen_may_stop(s) ? 0 : sizeof i->dialect.safe_off;
    i->blind_ns = now;
    go_on_blindly(i, now);
}

/* Its socket is taken away when the port is lost, and stays when the share has died. */
static bool share_has_died(const struct station *s, const struct instrument *i)
{
    const struct wn_instrument_config *c = instrument_config(s, i);
    char share[2 * WN_PATH_SIZE];
    wn_config_share_socket(s->daemon, c, share, sizeof share);
    return i->link != NULL && i->session.users > 0 && access(share, F_OK) == 0;
}

/* The port is there, but not the process that had it; the guard has switched off over its own
 * duplicate. No fault of the bench: as after a death of our own the restart policy decides. */
static void end_with_share(struct station *s, struct instrument *i)
{
    station_log(s, 2, "the process that has %s has died: ending, to be started again with it",
                port_of(s, i));
    i->link->ops->close(i->link);
    i->link = NULL;
    i->stage = STAGE_CLOSED;
    i->stage_until_ns = WN_NS_NEVER;
    s->exit_code = 1;
    s->ending = true;
}

/* It is lost: tell, try again later. What was wanted of it (off above all) stays wanted. */
static void lose(struct station *s, struct instrument *i, const struct wn_error *error, wn_ns now)
{
    bool gone = error->code == WN_EGONE || i->link == NULL;
    if (gone && campaign_is_live(s) && share_has_died(s, i)) {
        end_with_share(s, i);
        return;
    }
    if (!gone && i->stage != STAGE_READY && switches(s, i)) {
        (void)bench_open_interlock(s); /* it could not even be switched off: nothing may flow */
    }
    if (gone) {
        close_gone(s, i);
    } else {
        off_blindly(s, i, now);
    }
    fresh_session(s, i);
    i->off = i->has_reading = i->read_wanted = false;
    /* At the start a share may be later than its stations: it is only being opened, then. */
    bool early = i->session.users > 0 && error->code == WN_ENOENT && i->early < EARLY_MAX;
    i->early += early;
    i->stage_until_ns = now + (early ? EARLY_NS : i->back_off_ns);
    if (!early) {
        i->back_off_ns =
            i->back_off_ns * 2 < BACK_OFF_MAX_NS ? i->back_off_ns * 2 : BACK_OFF_MAX_NS;
        (void)snprintf(i->fault, sizeof i->fault, "%s", error->text);
    }
    bool news = i->told_code != error->code;
    i->told_code = error->code;
    if (news) {
        station_log(s, early ? 5 : 3, "%s", error->text);
    }
    bench_lost(s, i, error, news);
}

static void open_port(struct station *s, struct instrument *i, wn_ns now)
{
    const struct wn_instrument_config *c = instrument_config(s, i);
    struct wn_port_settings settings;
    char share[2 * WN_PATH_SIZE];
    struct wn_error err = {0};
    wn_port_settings_init(&settings, c->port, i->dialect.baud, i->dialect.parity,
                          i->dialect.stop_bits);
    if (wn_config_port_is_shared(s->daemon, c->port)) {
        wn_config_share_socket(s->daemon, c, share, sizeof share);
        settings.share = share;
    }
    bench_port_lines(s, i, &settings);
    int rc = wn_link_open(&i->link, &settings, &err);
    if (rc == WN_ESTATE && (settings.dtr != WN_LINE_LEAVE || settings.rts != WN_LINE_LEAVE)) {
        settings.dtr = settings.rts = WN_LINE_LEAVE; /* it has no lines: no interlock here */
        rc = wn_link_open(&i->link, &settings, &err);
    }
    if (rc != WN_OK) {
        i->link = NULL;
        lose(s, i, &err, now);
        return;
    }
    fresh_session(s, i);
    i->stage = STAGE_SETTLING;
    i->blind_ns = WN_NS_NEVER;
    i->stage_until_ns = now + wn_ns_from_s(i->dialect.settle_s);
}

void instrument_begin(struct instrument *i, enum instrument_task task, enum wn_request request,
                      const struct wn_setpoints *sp, wn_ns now)
{
    i->off = i->off && task == TASK_READ;
    i->task = task;
    wn_session_begin(&i->session, request, sp, now);
}

static void begin_off(struct instrument *i, wn_ns now)
{
    i->off_wanted = false;
    i->read_wanted = false;
    instrument_begin(i, TASK_OFF, WN_REQUEST_OFF, NULL, now);
}

static void ready(struct station *s, struct instrument *i)
{
    i->stage = STAGE_READY;
    i->back_off_ns = BACK_OFF_FIRST_NS;
    i->told_code = WN_OK;
    i->fault[0] = '\0';
    i->early = 0;
    if (i->n == 0) {
        s->bench.clock_sure = s->bench.has_guess = false;
    }
    station_log(s, 6, "%s on %s is ready: %s", name_of(s, i), port_of(s, i), i->session.identity);
}

static void begin_set_up(struct station *s, struct instrument *i, wn_ns now)
{
    struct wn_setpoints sp = bench_protections(s);
    i->stage = STAGE_SETTING_UP;
    wn_session_begin(&i->session, WN_REQUEST_SETUP, &sp, now);
}

static bool is_the_one(struct station *s, const struct instrument *i, struct wn_error *err)
{
    if (!campaign_is_live(s) || i->first_identity[0] == '\0' ||
        strcmp(i->first_identity, i->session.identity) == 0) {
        return true;
    }
    (void)wn_error_set(err, WN_EIDENTITY, "%s on %s is '%s', but the campaign was begun with '%s'",
                       name_of(s, i), port_of(s, i), i->session.identity, i->first_identity);
    return false;
}

/* One stage of the opening is over. */
static void stage_done(struct station *s, struct instrument *i, wn_ns now)
{
    struct wn_error err = {0};
    enum instrument_task task = i->task;
    switch (i->stage) {
    case STAGE_IDENTIFYING:
        if (!is_the_one(s, i, &err)) {
            lose(s, i, &err, now);
        } else if (switches(s, i) && !instrument_listens(i)) {
            i->stage = STAGE_FIRST_OFF;
            wn_session_begin(&i->session, WN_REQUEST_OFF, NULL, now);
        } else {
            begin_set_up(s, i, now);
        }
        break;
    case STAGE_FIRST_OFF:
        if (guard_register(s, i, &err) != WN_OK) {
            lose(s, i, &err, now);
            return;
        }
        i->guarded = i->off = true;
        i->stage = STAGE_SETTING_UP; /* off is confirmed */
        bench_first_off_done(s);
        begin_set_up(s, i, now);
        break;
    case STAGE_SETTING_UP:
        ready(s, i);
        break;
    case STAGE_CLOSED:
    case STAGE_SETTLING:
    case STAGE_READY:
        i->task = TASK_NONE;
        i->off = i->off || task == TASK_OFF;
        bench_task_done(s, i, task, now);
        break;
    }
}

static void request_failed(struct station *s, struct instrument *i, wn_ns now)
{
    struct wn_error error = i->session.error;
    bool silent = error.code == WN_ETIMEOUT || error.code == WN_EFRAME;
    enum instrument_task task = i->task;
    if (i->stage != STAGE_READY || silent || !switches(s, i)) {
        lose(s, i, &error, now); /* reopened and identified afresh; the engine halts */
        return;
    }
    i->task = TASK_NONE;
    bench_task_failed(s, i, task, &error);
}

void instrument_off_now(struct instrument *i, wn_ns now)
{
    size_t len = 0, put = 0;
    if (instrument_listens(i) && i->dialect.safe_off_len == 0) {
        return; /* it cannot be told */
    }
    i->off_wanted = true;
    if (i->link == NULL || i->stage != STAGE_READY || i->task == TASK_OFF) {
        return; /* it goes out as soon as it can: see converse() */
    }
    begin_off(i, now);
    const char *out = wn_session_output(&i->session, &len);
    if (len > 0 && i->link->ops->write(i->link, out, len, &put, NULL) == WN_OK) {
        wn_session_wrote(&i->session, put, now); /* a failure shows when the loop goes on */
    }
}

/* True when everything asked for so far has been handed out and the next exchange has bytes of its
 * own. */
static bool write_output(struct station *s, struct instrument *i, wn_ns now)
{
    size_t len = 0, put = 0;
    struct wn_error err = {0};
    const char *out = wn_session_output(&i->session, &len);
    if (len == 0) {
        return false;
    }
    if (i->link->ops->write(i->link, out, len, &put, &err) != WN_OK) {
        lose(s, i, &err, now);
        return false;
    }
    wn_session_wrote(&i->session, put, now);
    bool all = put == len;
    (void)wn_session_output(&i->session, &len);
    return all && len > 0;
}

static void read_input(struct station *s, struct instrument *i, wn_ns now)
{
    char buf[1024];
    size_t got = 0;
    struct wn_error err = {0};
    if (i->link->ops->read(i->link, buf, sizeof buf, &got, &err) != WN_OK) {
        lose(s, i, &err, now);
    } else if (got > 0 && i->stage != STAGE_SETTLING) {
        (void)wn_session_input(&i->session, buf, got, now);
    }
}

static bool is_busy(const struct instrument *i)
{
    return i->task != TASK_NONE || i->stage != STAGE_READY;
}

/* Moves the conversation on until it waits for the instrument or for time. */
static void converse(struct station *s, struct instrument *i, wn_ns now)
{
    for (int k = 0; k < 64 && i->link != NULL && i->stage != STAGE_SETTLING; k++) {
        enum wn_session_result r = wn_session_result(&i->session);
        if (i->off_wanted && i->stage == STAGE_READY && i->task != TASK_OFF) {
            begin_off(i, now); /* ahead of whatever is under way */
            r = WN_SESSION_PENDING;
        }
        if (r == WN_SESSION_PENDING && now >= wn_session_deadline(&i->session)) {
            r = wn_session_tick(&i->session, now);
        }
        if (r == WN_SESSION_PENDING) {
            bool more = write_output(s, i, now);
            if (!more && i->link != NULL && i->stage != STAGE_SETTLING &&
                wn_session_result(&i->session) == WN_SESSION_PENDING) {
                return;
            }
        } else if (r == WN_SESSION_FAILED && is_busy(i)) {
            request_failed(s, i, now);
        } else if (r == WN_SESSION_DONE && is_busy(i)) {
            stage_done(s, i, now);
        } else {
            bench_choose(s, i, now);
            if (i->task == TASK_NONE) {
                return;
            }
        }
    }
}

/* A reply that was asked for again and came right is no fault, but nobody should have to guess that
 * the line is bad. */
static void tell_bad_replies(struct station *s, struct instrument *i, wn_ns now)
{
    uint64_t bad = i->session.bad_replies + i->session.timeouts;
    if (bad < i->told_bad) {
        i->told_bad = bad; /* a fresh session after a reopening */
    }
    if (bad > i->told_bad && now >= i->tell_bad_ns) {
        char tally[WN_SESSION_TALLY_SIZE];
        station_log(s, 4, "%s; %s, %llu since the last such line", i->session.complaint.text,
                    wn_session_tally(&i->session, tally, sizeof tally),
                    (unsigned long long)(bad - i->told_bad));
        i->told_bad = bad;
        i->tell_bad_ns = now + TELL_BAD_NS;
    }
}

bool instrument_has_output(const struct instrument *i)
{
    size_t len = 0;
    (void)wn_session_output(&i->session, &len);
    return len > 0;
}

/* A serial server has to be connected and agreed with first; settling counts from then. What came
 * to nothing shows when the port is read. */
static bool is_connected(struct instrument *i, wn_ns now)
{
    bool ready = i->link->ops->advance == NULL;
    if (!ready && i->link->ops->advance(i->link, &ready, NULL) == WN_OK && !ready) {
        wn_ns settle_ns = wn_ns_from_s(i->dialect.settle_s);
        i->stage_until_ns = now + (settle_ns > CONNECT_LOOK_NS ? settle_ns : CONNECT_LOOK_NS);
    }
    return ready;
}

void instrument_turn(struct station *s, struct instrument *i, wn_ns now)
{
    if (i->stage == STAGE_CLOSED) {
        if (now < i->stage_until_ns) {
            return;
        }
        open_port(s, i, now);
    }
    if (i->link != NULL) {
        read_input(s, i, now);
    }
    if (i->link != NULL && i->stage == STAGE_SETTLING) {
        go_on_blindly(i, now);
    }
    if (i->link != NULL && i->stage == STAGE_SETTLING && now >= i->stage_until_ns &&
        i->blind_ns == WN_NS_NEVER && is_connected(i, now)) {
        i->link->ops->flush(i->link);
        i->stage = STAGE_IDENTIFYING;
        wn_session_begin(&i->session, WN_REQUEST_IDENTIFY, NULL, now);
    }
    if (i->link != NULL && i->stage != STAGE_SETTLING) {
        converse(s, i, now);
        tell_bad_replies(s, i, now);
    }
}

wn_ns instrument_deadline(const struct station *s, const struct instrument *i, wn_ns now)
{
    if (i->stage == STAGE_CLOSED || i->stage == STAGE_SETTLING) {
        bool blind = i->stage == STAGE_SETTLING && i->blind_ns < i->stage_until_ns;
        return blind ? i->blind_ns : i->stage_until_ns;
    }
    if (wn_session_result(&i->session) == WN_SESSION_PENDING) {
        return wn_session_deadline(&i->session);
    }
    if (i->stage != STAGE_READY || i->task != TASK_NONE || i->off_wanted) {
        return now;
    }
    wn_ns due = bench_due(s, i, now);
    return due > now ? due : now;
}

bool instrument_listens(const struct instrument *i)
{
    return i->dialect.protocol == WN_PROTOCOL_RECORDS;
}

bool instrument_is_off(const struct instrument *i)
{
    return i->off && !i->off_wanted;
}

void instrument_identify_again(struct station *s, struct instrument *i, wn_ns now)
{
    wn_assert(i->stage == STAGE_READY);
    fresh_session(s, i);
    i->off = i->read_wanted = false;
    i->link->ops->flush(i->link);
    i->stage = STAGE_IDENTIFYING;
    wn_session_begin(&i->session, WN_REQUEST_IDENTIFY, NULL, now);
}

void instrument_set_up_again(struct instrument *i, wn_ns now)
{
    wn_assert(i->stage == STAGE_READY);
    if (instrument_listens(i)) { /* it is not touched, and its records are not lost */
        return;
    }
    i->task = TASK_NONE;
    i->off = i->read_wanted = false;
    i->stage = STAGE_FIRST_OFF; /* off, guard, set-up: the same road as after opening */
    wn_session_begin(&i->session, WN_REQUEST_OFF, NULL, now);
}

void instrument_close(struct station *s, struct instrument *i)
{
    if (i->link != NULL) {
        if (i->guarded && i->stage == STAGE_READY && bench_off_confirmed(s) && bench_watching(s)) {
            guard_release(s, i);
            i->guarded = false;
        } /* else the guard finds the end of file and makes it safe itself */
        i->link->ops->close(i->link);
        i->link = NULL;
    }
}
