/* Performing the engine's actions, in their order.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "station.h"

#include <stdio.h>
#include <string.h>

#include "base/assert.h"

wn_ns station_campaign_time(const struct station *s, wn_ns host_now)
{
    if (s->bench.instrument[0].dialect.has_clock || !s->offset_known) {
        return s->campaign_now_ns;
    }
    return host_now - s->offset_ns;
}

/* What the station itself has told may be later than the last reading. */
wn_ns station_time(const struct station *s)
{
    return station_campaign_time(s, wn_clock_monotonic(s->clock));
}

static void log_event(const struct station *s, const struct wn_event_record *e)
{
    static const int priority[] = {
        [WN_SEVERITY_INFO] = 6, [WN_SEVERITY_WARNING] = 4, [WN_SEVERITY_ALARM] = 1};
    if (e->cycle > 0) {
        station_log(s, priority[e->severity], "cycle %lld: %s: %s", (long long)e->cycle, e->kind,
                    e->text);
    } else {
        station_log(s, priority[e->severity], "%s: %s", e->kind, e->text);
    }
}

static int commit(struct station *s, struct wn_error *err)
{
    int rc = wn_store_commit(wn_campaign_store(s->campaign), s->clock->ops->utc(s->clock), err);
    if (rc == WN_OK) {
        s->uncommitted = false;
        s->commits++;
        if (s->store_failed) {
            s->store_failed = false;
            station_log(s, 5, "recording works again; what was kept in memory is on disk");
        }
    }
    return rc;
}

/* The marker tells of an alarm that could not be recorded, from the moment it is raised: of a halt,
 * but of an output as well that stays on behind a stop. */
static void mark(struct station *s)
{
    bool alarm = wn_engine_latched(s->engine) || wn_engine_alarm(s->engine);
    if (alarm != s->marked) {
        s->marked = alarm;
        halt_marker_set(s, alarm);
    }
}

/* Where the station drives, an emergency; where it listens, the way every pause and every halt
 * goes: it closes again with the next start or resume, by whomever. */
static void take_off_cell(struct station *s)
{
    bool told = s->bench.interlock_down;
    if (!s->setup.listens) {
        bench_latch_interlock(s, "off is not verified"); /* again and again */
        return;
    }
    bool opened = bench_open_interlock(s);
    if (!told) {
        station_log(s, 5, "interlock: %s", opened ? "told to open" : "none that could be opened");
    }
}

/* Intent and output stand behind a commit: when recording fails nothing may go on, but off always
 * may. */
static int perform_one(struct station *s, const struct wn_action *a, bool recording,
                       struct wn_error *err)
{
    struct bench *b = &s->bench;
    switch (a->kind) {
    case WN_ACTION_RECORD:
        if (a->u.record->kind == WN_RECORD_EVENT) {
            log_event(s, &a->u.record->u.event);
        }
        s->uncommitted = true;
        return wn_store_put(wn_campaign_store(s->campaign), a->u.record, err);
    case WN_ACTION_COMMIT:
        return commit(s, err);
    case WN_ACTION_OUTPUT:
        b->output = a->u.output;
        b->output_wanted = recording && !s->guard.lost;
        return WN_OK;
    case WN_ACTION_OFF:
        bench_off_now(s);
        mark(s); /* before anything that waits for the disk */
        return WN_OK;
    case WN_ACTION_INTERLOCK:
        take_off_cell(s);
        return WN_OK;
    }
    wn_assert(false && "unknown action");
    return WN_EBUG;
}

/* Word of the campaign file for a state; NULL: leave it as it is. */
static const char *status_word(const struct station *s, enum wn_engine_state state)
{
    switch (state) {
    case WN_ENGINE_PREPARING:
    case WN_ENGINE_RUNNING:
        return "running";
    case WN_ENGINE_PAUSED:
        return s->paused_by_end ? NULL
                                : "paused"; /* the service ends: it goes on after the next start */
    case WN_ENGINE_HALTED:
        return "halted";
    case WN_ENGINE_STOPPED:
        return "stopped";
    case WN_ENGINE_FINISHED:
        return "finished";
    case WN_ENGINE_IDLE:
    case WN_ENGINE_SWITCHING_OFF:
        break;
    }
    return NULL;
}

/* True when the file says what the campaign is. */
static bool write_status(struct station *s)
{
    const char *word = status_word(s, wn_engine_state(s->engine));
    if (word == NULL || (s->status_written != NULL && strcmp(word, s->status_written) == 0)) {
        return true;
    }
    struct wn_error err = {0};
    if (wn_campaign_set_status(s->campaign, word, s->clock->ops->utc(s->clock), &err) == WN_OK) {
        s->status_written = word;
        return true;
    }
    s->status_written = NULL; /* who knows which of the two is there */
    if (!s->store_failed) {
        station_log(s, 3, "status cannot be written: %s", err.text);
    }
    return false;
}

void station_event(struct station *s, const struct wn_event *first)
{
    struct wn_actions actions;
    struct wn_event next = *first;
    for (bool more = true; more;) {
        more = false;
        wn_engine_step(s->engine, &next, &actions);
        bool recording = true, suppressed = false;
        struct wn_error err = {0};
        for (int i = 0; i < actions.n; i++) {
            struct wn_error one = {0};
            if (perform_one(s, &actions.action[i], recording, &one) != WN_OK && recording) {
                recording = false;
                err = one;
            }
            suppressed = suppressed || (!recording && actions.action[i].kind == WN_ACTION_OUTPUT);
        }
        if (!recording && (!s->store_failed ||
                           suppressed)) { /* told once; the store keeps what could not be written */
            s->store_failed = true;
            station_log(s, 2, "recording failed: %s", err.text);
            next = (struct wn_event){
                .kind = WN_EVENT_STORE_FAILED, .time_ns = station_time(s), .error = err};
            more = true;
        }
    }
    mark(s);
    (void)write_status(s);
}

void station_command(struct station *s, enum wn_event_kind kind, const char *who)
{
    if (kind == WN_EVENT_START || kind == WN_EVENT_RESUME) {
        s->bench.interlock_latched = false;
        bench_set_up_again(s); /* off, confirmed, before the interlock closes; what the instrument
                                  itself has latched is cleared */
    }
    struct wn_event ev = {.kind = kind, .time_ns = station_time(s)};
    (void)snprintf(ev.who, sizeof ev.who, "%s", who);
    station_event(s, &ev);
}

static void tell(struct station *s, enum wn_severity severity, const char *kind, const char *text)
{
    static struct wn_record r; /* large; one thread */
    struct wn_error err = {0};
    memset(&r, 0, sizeof r);
    r.kind = WN_RECORD_EVENT;
    r.u.event.time_ns = station_time(s);
    r.u.event.severity = severity;
    (void)snprintf(r.u.event.kind, sizeof r.u.event.kind, "%s", kind);
    (void)snprintf(r.u.event.text, sizeof r.u.event.text, "%s", text);
    if (wn_store_put(wn_campaign_store(s->campaign), &r, &err) == WN_OK) {
        s->uncommitted = true;
    }
}

void station_warn(struct station *s, const char *kind, const char *text)
{
    tell(s, WN_SEVERITY_WARNING, kind, text);
}

void station_note(struct station *s, const char *kind, const char *text)
{
    tell(s, WN_SEVERITY_INFO, kind, text);
}

bool station_settle(struct station *s)
{
    if (s->uncommitted || s->store_failed) {
        station_commit(s);
    }
    return write_status(s) && !s->store_failed && !s->uncommitted;
}

void station_commit(struct station *s)
{
    static struct wn_record state; /* large; the station is one thread */
    struct wn_error err = {0};
    state.kind = WN_RECORD_STATE;
    wn_engine_save(s->engine, &state.u.state);
    int rc = wn_store_put(wn_campaign_store(s->campaign), &state, &err);
    if (rc == WN_OK) {
        rc = commit(s, &err);
    }
    if (rc != WN_OK && !s->store_failed) {
        s->store_failed = true;
        station_log(s, 2, "recording failed: %s", err.text);
        struct wn_event ev = {
            .kind = WN_EVENT_STORE_FAILED, .time_ns = station_time(s), .error = err};
        station_event(s, &ev);
    }
}
