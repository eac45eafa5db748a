/* The instrument of a station: open, identify, off, set up; then whatever the engine wants, one
 * request at a time. SPDX-License-Identifier: GPL-3.0-or-later */
#include "station.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "serial/serial.h"

#define BACK_OFF_FIRST_NS WN_NS_PER_S
#define BACK_OFF_MAX_NS   (30 * WN_NS_PER_S)
#define TELL_BAD_NS       (60 * WN_NS_PER_S)
#define WATCH_NS          WN_NS_PER_S /* host time between readings while nothing runs */

/* Open at every opening of the port until off has been confirmed: only where one is said to be. */
static bool interlock_waits(const struct station *s)
{
    return s->config.interlock != WN_INTERLOCK_UNSAID && s->config.interlock != WN_INTERLOCK_NONE;
}

void bench_init(struct station *s)
{
    struct bench *b = &s->bench;
    b->link = NULL;
    b->interlock_down = interlock_waits(s);
    b->stage = BENCH_CLOSED;
    b->back_off_ns = BACK_OFF_FIRST_NS;
    wn_session_init(&b->session, &b->dialect, "tester", s->config.port);
}

void bench_tell_fault(struct station *s, const struct wn_error *error)
{
    if (s->campaign == NULL) {
        return;
    }
    struct wn_event ev = {.kind = WN_EVENT_FAULT,
                          .time_ns = station_campaign_time(s, wn_clock_monotonic(s->clock)),
                          .error = *error};
    station_event(s, &ev);
}

/* The port itself is gone: close at once (so that the adapter comes back under its name), give the
 * guard's duplicate back. */
static void close_gone(struct station *s)
{
    struct bench *b = &s->bench;
    if (b->guarded) {
        guard_release(s);
        b->guarded = false;
    }
    if (b->link != NULL) {
        b->link->ops->close(b->link);
        b->link = NULL;
    }
    b->interlock_down = b->interlock_down || interlock_waits(s);
    b->stage = BENCH_CLOSED;
}

bool bench_open_interlock(struct station *s)
{
    struct bench *b = &s->bench;
    enum wn_line line = s->config.interlock == WN_INTERLOCK_RTS ? WN_LINE_RTS : WN_LINE_DTR;
    b->interlock_down = true;
    return s->config.interlock != WN_INTERLOCK_NONE && b->link != NULL &&
           b->link->ops->set_line(b->link, line, false, NULL) == WN_OK;
}

static void close_interlock(struct station *s)
{
    struct bench *b = &s->bench;
    if (b->interlock_latched || !s->looked) {
        return; /* the instrument had said off before, and current flowed; or who knows */
    }
    enum wn_line line = s->config.interlock == WN_INTERLOCK_RTS ? WN_LINE_RTS : WN_LINE_DTR;
    if (s->config.interlock == WN_INTERLOCK_BETWEEN) { /* both are up since the port was opened */
        (void)b->link->ops->set_line(b->link, WN_LINE_RTS, false, NULL);
    }
    if (b->interlock_down && s->config.interlock != WN_INTERLOCK_NONE) {
        (void)b->link->ops->set_line(b->link, line, true, NULL);
    }
    b->interlock_down = false;
}

/* The port is there, the instrument is not to be trusted: off without waiting for an answer, then
 * identify afresh. The guard keeps its duplicate meanwhile. */
static void off_blindly(struct station *s)
{
    struct bench *b = &s->bench;
    size_t put = 0;
    if (b->stage != BENCH_READY) {
        (void)bench_open_interlock(s); /* it could not even be switched off: nothing may flow */
    }
    b->link->ops->flush(b->link);
    (void)b->link->ops->write(b->link, b->dialect.safe_off, b->dialect.safe_off_len, &put, NULL);
    b->stage = BENCH_SETTLING;
}

/* The instrument is lost: tell, try again later. What was wanted of it (off above all) stays
 * wanted. */
static void lose(struct station *s, const struct wn_error *error, wn_ns now)
{
    struct bench *b = &s->bench;
    if (error->code == WN_EGONE || b->link == NULL) {
        close_gone(s);
    } else {
        off_blindly(s);
    }
    wn_session_init(&b->session, &b->dialect, "tester", s->config.port);
    b->task = TASK_NONE;
    b->output_wanted = false;
    b->stage_until_ns = now + b->back_off_ns;
    b->back_off_ns = b->back_off_ns * 2 < BACK_OFF_MAX_NS ? b->back_off_ns * 2 : BACK_OFF_MAX_NS;
    (void)snprintf(b->fault, sizeof b->fault, "%s", error->text);
    if (b->told_code != error->code) {
        b->told_code = error->code;
        station_log(s, 3, "%s", error->text);
    }
    bench_tell_fault(s, error);
}

static void open_port(struct station *s, wn_ns now)
{
    struct bench *b = &s->bench;
    struct wn_port_settings settings;
    struct wn_error err = {0};
    wn_port_settings_init(&settings, s->config.port,
                          s->config.baud > 0 ? s->config.baud : b->dialect.baud);
    if (b->interlock_down) { /* opening raises both lines */
        bool dtr =
            s->config.interlock == WN_INTERLOCK_DTR || s->config.interlock == WN_INTERLOCK_UNSAID;
        settings.dtr = dtr ? WN_LINE_OFF : WN_LINE_LEAVE;
        settings.rts = s->config.interlock == WN_INTERLOCK_RTS ? WN_LINE_OFF : WN_LINE_LEAVE;
    }
    int rc = wn_link_open(&b->link, &settings, &err);
    if (rc == WN_ESTATE && b->interlock_down) { /* it has no lines: no interlock here */
        settings.dtr = settings.rts = WN_LINE_LEAVE;
        rc = wn_link_open(&b->link, &settings, &err);
    }
    if (rc != WN_OK) {
        b->link = NULL;
        lose(s, &err, now);
        return;
    }
    wn_session_init(&b->session, &b->dialect, "tester", s->config.port);
    b->stage = BENCH_SETTLING;
    b->stage_until_ns = now + wn_ns_from_s(b->dialect.settle_s);
}

static void begin(struct bench *b, enum bench_task task, enum wn_request request,
                  const struct wn_setpoints *sp, wn_ns now)
{
    b->task = task;
    wn_session_begin(&b->session, request, sp, now);
}

static void begin_off(struct bench *b, wn_ns now)
{
    b->off_wanted = false;
    begin(b, TASK_OFF, WN_REQUEST_OFF, NULL, now);
}

static struct wn_setpoints no_setpoints(void)
{
    return (struct wn_setpoints){NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
}

/* The instrument's own protections: they hold when everything here is dead. */
static struct wn_setpoints protections(const struct station *s)
{
    const struct wn_limits *l = s->campaign != NULL ? &s->setup.limits : &s->config.limits;
    struct wn_setpoints sp = no_setpoints();
    sp.voltage_high_v = l->voltage_max_v;
    sp.voltage_low_v = l->voltage_min_v;
    sp.current_limit_a =
        fmax(l->charge_current_max_a, l->discharge_current_max_a) * (1 + l->set_point_tolerance) +
        l->set_point_tolerance_a;
    sp.temperature_limit_c = fmax(l->charge_temperature_max_c, l->discharge_temperature_max_c);
    sp.timeout_s = fmax(5.0, 2 * s->config.beat_limit_s);
    return sp;
}

static void begin_output(struct bench *b, wn_ns now)
{
    struct wn_setpoints sp = no_setpoints();
    enum wn_request request = WN_REQUEST_POWER;
    sp.current_a = b->output.current_a;
    sp.voltage_v = b->output.voltage_v;
    sp.power_w = b->output.power_w;
    if (b->output.mode != WN_OUTPUT_POWER) {
        request = b->output.mode == WN_OUTPUT_CHARGE ? WN_REQUEST_CHARGE : WN_REQUEST_DISCHARGE;
    }
    begin(b, TASK_SET_MODE, request, &sp, now);
}

static bool watching(const struct station *s)
{
    if (s->campaign == NULL) {
        return true;
    }
    enum wn_engine_state state = wn_engine_state(s->engine);
    return state != WN_ENGINE_RUNNING && state != WN_ENGINE_PREPARING &&
           state != WN_ENGINE_SWITCHING_OFF;
}

/* When the next reading is wanted, in host time. A bench with a clock of its own is asked at once
 * and told how far to advance. */
static wn_ns reading_due(const struct station *s)
{
    if (watching(s)) {
        return s->read_due_ns;
    }
    if (s->bench.dialect.has_clock || !s->offset_known) {
        return INT64_MIN;
    }
    return wn_engine_next_reading_ns(s->engine) + s->offset_ns;
}

static void begin_reading(struct station *s, wn_ns now)
{
    struct wn_setpoints sp = no_setpoints();
    sp.interval_s = 1.0;
    if (s->campaign != NULL && s->offset_known && !watching(s)) {
        wn_ns ahead = wn_engine_next_reading_ns(s->engine) - s->campaign_now_ns;
        sp.interval_s = ahead > WN_NS_PER_MS ? wn_ns_to_s(ahead) : 0.001;
    }
    s->read_due_ns = now + WATCH_NS;
    begin(&s->bench, TASK_READ, WN_REQUEST_READ, &sp, now);
}

static void choose(struct station *s, wn_ns now)
{
    struct bench *b = &s->bench;
    if (b->output_wanted) {
        b->output_wanted = false;
        if (b->guarded) {
            begin_output(b, now);
            return;
        }
        struct wn_error err = {0};
        (void)wn_error_set(&err, WN_EGUARD,
                           "guard does not hold a duplicate of %s: nothing is switched on",
                           s->config.port);
        bench_tell_fault(s, &err);
    } else if (now >= reading_due(s)) {
        begin_reading(s, now);
    }
}

static void task_done(struct station *s, wn_ns now)
{
    struct bench *b = &s->bench;
    enum bench_task task = b->task;
    b->task = TASK_NONE;
    struct wn_event ev = {.time_ns = station_campaign_time(s, now)};
    switch (task) {
    case TASK_SET_MODE:
        if (!b->off_wanted) {
            begin(b, TASK_SWITCH_ON, WN_REQUEST_ON, NULL, now);
        }
        return;
    case TASK_SWITCH_ON:
        ev.kind = WN_EVENT_OUTPUT_DONE;
        break;
    case TASK_OFF:
        ev.kind = WN_EVENT_OFF_DONE;
        break;
    case TASK_READ:
        measure_take(s);
        return;
    case TASK_NONE:
        return;
    }
    if (s->campaign != NULL) {
        station_event(s, &ev);
    }
}

static void ready(struct station *s)
{
    struct bench *b = &s->bench;
    b->stage = BENCH_READY;
    b->clock_sure = b->has_guess = false;
    b->back_off_ns = BACK_OFF_FIRST_NS;
    b->told_code = WN_OK;
    b->fault[0] = '\0';
    station_log(s, 6, "tester on %s is ready: %s", s->config.port, b->session.identity);
}

/* One stage of the opening is over. */
static void stage_done(struct station *s, wn_ns now)
{
    struct bench *b = &s->bench;
    struct wn_setpoints sp;
    struct wn_error err = {0};
    switch (b->stage) {
    case BENCH_IDENTIFYING:
        if (campaign_is_live(s) && b->first_identity[0] != '\0' &&
            strcmp(b->first_identity, b->session.identity) != 0) {
            (void)wn_error_set(&err, WN_EIDENTITY,
                               "tester on %s is '%s', but the campaign was begun with '%s'",
                               s->config.port, b->session.identity, b->first_identity);
            lose(s, &err, now);
            return;
        }
        b->stage = BENCH_FIRST_OFF;
        wn_session_begin(&b->session, WN_REQUEST_OFF, NULL, now);
        break;
    case BENCH_FIRST_OFF:
        if (guard_register(s, &err) != WN_OK) {
            lose(s, &err, now);
            return;
        }
        b->guarded = true;
        close_interlock(s); /* off is confirmed */
        b->stage = BENCH_SETTING_UP;
        sp = protections(s);
        wn_session_begin(&b->session, WN_REQUEST_SETUP, &sp, now);
        break;
    case BENCH_SETTING_UP:
        ready(s);
        break;
    case BENCH_CLOSED:
    case BENCH_SETTLING:
    case BENCH_READY:
        task_done(s, now);
        break;
    }
}

static void request_failed(struct station *s, wn_ns now)
{
    struct bench *b = &s->bench;
    struct wn_error error = b->session.error;
    bool silent = error.code == WN_ETIMEOUT || error.code == WN_EFRAME;
    if (b->stage != BENCH_READY || silent) {
        lose(s, &error, now); /* reopened and identified afresh; the engine halts */
        return;
    }
    b->task = TASK_NONE;
    bench_tell_fault(s, &error);
}

void bench_off_now(struct station *s)
{
    struct bench *b = &s->bench;
    wn_ns now = wn_clock_monotonic(s->clock);
    size_t len = 0, put = 0;
    b->off_wanted = true;
    b->output_wanted = false;
    if (b->link == NULL || b->stage != BENCH_READY || b->task == TASK_OFF) {
        return; /* it goes out as soon as it can: see converse() */
    }
    begin_off(b, now);
    const char *out = wn_session_output(&b->session, &len);
    if (len > 0 && b->link->ops->write(b->link, out, len, &put, NULL) == WN_OK) {
        wn_session_wrote(&b->session, put, now); /* a failure shows when the loop goes on */
    }
}

/* True when everything asked for so far has been handed out and the next exchange has bytes of its
 * own. */
static bool write_output(struct station *s, wn_ns now)
{
    struct bench *b = &s->bench;
    size_t len = 0, put = 0;
    struct wn_error err = {0};
    const char *out = wn_session_output(&b->session, &len);
    if (len == 0) {
        return false;
    }
    if (b->link->ops->write(b->link, out, len, &put, &err) != WN_OK) {
        lose(s, &err, now);
        return false;
    }
    wn_session_wrote(&b->session, put, now);
    bool all = put == len;
    (void)wn_session_output(&b->session, &len);
    return all && len > 0;
}

static void read_input(struct station *s, wn_ns now)
{
    struct bench *b = &s->bench;
    char buf[1024];
    size_t got = 0;
    struct wn_error err = {0};
    if (b->link->ops->read(b->link, buf, sizeof buf, &got, &err) != WN_OK) {
        lose(s, &err, now);
    } else if (got > 0 && b->stage != BENCH_SETTLING) {
        (void)wn_session_input(&b->session, buf, got, now);
    }
}

/* Moves the conversation on until it waits for the instrument or for time. */
static void converse(struct station *s, wn_ns now)
{
    struct bench *b = &s->bench;
    for (int i = 0; i < 64 && b->link != NULL && b->stage != BENCH_SETTLING; i++) {
        enum wn_session_result r = wn_session_result(&b->session);
        if (b->off_wanted && b->stage == BENCH_READY && b->task != TASK_OFF) {
            begin_off(b, now); /* ahead of whatever is under way */
            r = WN_SESSION_PENDING;
        }
        if (r == WN_SESSION_PENDING && now >= wn_session_deadline(&b->session)) {
            r = wn_session_tick(&b->session, now);
        }
        if (r == WN_SESSION_PENDING) {
            bool more = write_output(s, now);
            if (!more && b->link != NULL && b->stage != BENCH_SETTLING &&
                wn_session_result(&b->session) == WN_SESSION_PENDING) {
                return;
            }
        } else if (r == WN_SESSION_FAILED && (b->task != TASK_NONE || b->stage != BENCH_READY)) {
            request_failed(s, now);
        } else if (r == WN_SESSION_DONE && (b->task != TASK_NONE || b->stage != BENCH_READY)) {
            stage_done(s, now);
        } else {
            choose(s, now);
            if (b->task == TASK_NONE) {
                return;
            }
        }
    }
}

/* A reply that was asked for again and came right is no fault, but nobody should have to guess that
 * the line is bad. */
static void tell_bad_replies(struct station *s, wn_ns now)
{
    struct bench *b = &s->bench;
    uint64_t bad = b->session.bad_replies + b->session.timeouts;
    if (bad < b->told_bad) {
        b->told_bad = bad; /* a fresh session after a reopening */
    }
    if (bad > b->told_bad && now >= b->tell_bad_ns) {
        station_log(s, 4, "%s (%llu bad or missing replies since the last such line)",
                    b->session.complaint.text, (unsigned long long)(bad - b->told_bad));
        b->told_bad = bad;
        b->tell_bad_ns = now + TELL_BAD_NS;
    }
}

bool bench_has_output(const struct station *s)
{
    size_t len = 0;
    (void)wn_session_output(&s->bench.session, &len);
    return len > 0;
}

void bench_turn(struct station *s, wn_ns now)
{
    struct bench *b = &s->bench;
    if (b->stage == BENCH_CLOSED) {
        if (now < b->stage_until_ns) {
            return;
        }
        open_port(s, now);
    }
    if (b->link != NULL) {
        read_input(s, now);
    }
    if (b->link != NULL && b->stage == BENCH_SETTLING && now >= b->stage_until_ns) {
        b->link->ops->flush(b->link);
        b->stage = BENCH_IDENTIFYING;
        wn_session_begin(&b->session, WN_REQUEST_IDENTIFY, NULL, now);
    }
    if (b->link != NULL && b->stage != BENCH_SETTLING) {
        converse(s, now);
        tell_bad_replies(s, now);
    }
}

wn_ns bench_deadline(const struct station *s, wn_ns now)
{
    const struct bench *b = &s->bench;
    if (b->stage == BENCH_CLOSED || b->stage == BENCH_SETTLING) {
        return b->stage_until_ns;
    }
    if (wn_session_result(&b->session) == WN_SESSION_PENDING) {
        return wn_session_deadline(&b->session);
    }
    if (b->stage != BENCH_READY || b->task != TASK_NONE || b->off_wanted || b->output_wanted) {
        return now;
    }
    wn_ns due = reading_due(s);
    return due > now ? due : now;
}

/* Nothing can be on: the instrument said off and was not told anything since. */
bool bench_off_confirmed(const struct station *s)
{
    const struct bench *b = &s->bench;
    return b->link == NULL || (!b->off_wanted && b->task != TASK_OFF && !b->output_wanted &&
                               b->task != TASK_SET_MODE && b->task != TASK_SWITCH_ON);
}

void bench_identify_again(struct station *s)
{
    struct bench *b = &s->bench;
    wn_assert(b->stage == BENCH_READY);
    wn_ns now = wn_clock_monotonic(s->clock);
    wn_session_init(&b->session, &b->dialect, "tester", s->config.port);
    b->task = TASK_NONE;
    b->link->ops->flush(b->link);
    b->stage = BENCH_IDENTIFYING;
    wn_session_begin(&b->session, WN_REQUEST_IDENTIFY, NULL, now);
}

void bench_set_up_again(struct station *s)
{
    struct bench *b = &s->bench;
    wn_assert(b->stage == BENCH_READY);
    b->task = TASK_NONE;
    b->stage = BENCH_FIRST_OFF; /* off, guard, set-up: the same road as after opening */
    wn_session_begin(&b->session, WN_REQUEST_OFF, NULL, wn_clock_monotonic(s->clock));
}

void bench_close(struct station *s)
{
    struct bench *b = &s->bench;
    if (b->link != NULL) {
        if (b->guarded && b->stage == BENCH_READY && bench_off_confirmed(s) && watching(s)) {
            guard_release(s);
            b->guarded = false;
        } /* else the guard finds the end of file and makes it safe itself */
        b->link->ops->close(b->link);
        b->link = NULL;
    }
}
