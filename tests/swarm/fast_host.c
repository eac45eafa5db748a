/* Fast swarm: what the station is to the engine: performs its actions, asks for readings, keeps the
 * records in memory, dies and comes back. SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "swarm/fast.h"

#define REPLY_TIMEOUT_S 1.0
#define PATIENCE_MAX_S  60.0

static wn_ns campaign_ns(const struct fast *w)
{
    return w->now_ns + w->offset_ns;
}

void fast_boot(struct fast *w)
{
    struct wn_error err = {0};
    if (wn_engine_init(w->memory, &w->setup, &w->engine, &err) != WN_OK) {
        fast_violated(w, "the engine refuses the set-up: %s", err.text);
        w->engine = NULL;
    }
    w->next_reading_ns = w->now_ns;
    w->patience_s = REPLY_TIMEOUT_S;
    w->commit_ns = w->now_ns + wn_ns_from_s(w->commit_s);
}

static bool commit(struct fast *w)
{
    if (fast_is(w, FAST_STORE_FAILS)) {
        return false;
    }
    w->store_failed = w->uncommitted = false;
    bool latched = w->kept.latched;
    w->kept = w->books;
    if (!FAST_ALARMS_SAVED) { /* as the state says */
        w->kept.latched = w->has_pending ? w->pending_latched : latched;
    }
    if (w->has_pending) {
        w->committed = w->pending;
        w->has_committed = true;
        w->has_pending = false;
    }
    w->intent_committed = w->intent_pending;
    return true;
}

static void keep(struct fast *w, const struct wn_record *r)
{
    w->uncommitted = true;
    if (r->kind == WN_RECORD_STATE) {
        w->pending.time_ns = r->u.state.time_ns;
        w->pending.size = r->u.state.size;
        memcpy(w->pending.blob, r->u.state.blob, r->u.state.size);
        w->has_pending = true;
        w->pending_latched = w->books.latched;
    } else if (r->kind == WN_RECORD_READING) {
        w->readings++;
    } else {
        w->intent_pending = w->intent_pending || r->kind == WN_RECORD_INTENT;
        fast_record(w, r);
    }
}

static void plan(struct fast *w, enum fast_exchange exchange)
{
    w->exchange = exchange;
    w->exchange_ns = w->now_ns + wn_ns_from_s(w->latency_s);
}

/* False: recording failed. */
static bool perform_one(struct fast *w, const struct wn_action *a, bool recording)
{
    switch (a->kind) {
    case WN_ACTION_RECORD:
        keep(w, a->u.record);
        return true;
    case WN_ACTION_COMMIT:
        return commit(w);
    case WN_ACTION_OUTPUT:
        if (!recording || w->guard_lost) {
            return true;
        }
        w->outputs++;
        if (!w->intent_committed) {
            fast_violated(w, "output without an intent committed before");
        }
        if (w->books.latched) {
            fast_violated(w, "output goes on although an alarm is latched");
        }
        w->wanted = a->u.output;
        plan(w, FAST_SET_OUTPUT);
        return true;
    case WN_ACTION_OFF:
        plan(w, FAST_SWITCH_OFF);
        return true;
    case WN_ACTION_INTERLOCK:
        w->interlock_asked = w->interlock_latched = true;
        w->interlock_open = w->interlock_open || w->has_interlock;
        return true;
    }
    return true;
}

static void note_actions(struct fast *w, const struct wn_actions *a, int from, int to, int kind)
{
    if (a->n > w->most_actions) {
        w->most_actions = a->n;
    }
    if (a->n <= 1 && from == to && kind == WN_EVENT_READING) {
        return; /* the ordinary one */
    }
    fast_note_event(w, from, to, kind);
    for (int i = 0; i < a->n; i++) {
        const struct wn_action *x = &a->action[i];
        if (x->kind == WN_ACTION_OUTPUT) {
            fast_note(w, 'a', (int)x->kind, x->u.output.current_a, "");
        } else if (x->kind == WN_ACTION_OFF || x->kind == WN_ACTION_INTERLOCK) {
            fast_note(w, 'a', (int)x->kind, 0, "");
        }
    }
}

/* Everything of one list, or as much of it as the process lives for. Sets *suppressed when an
 * output was not switched on because recording failed. */
static bool perform(struct fast *w, const struct wn_actions *a, bool *suppressed)
{
    bool recording = true;
    w->intent_committed = w->intent_pending = false;
    for (int i = 0; i < a->n; i++) {
        if (w->kill_in > 0 && --w->kill_in == 0) {
            fast_die(w);
            return true;
        }
        recording = perform_one(w, &a->action[i], recording) && recording;
        *suppressed = *suppressed || (!recording && a->action[i].kind == WN_ACTION_OUTPUT);
    }
    return recording;
}

static void after_event(struct fast *w)
{
    enum wn_engine_state state = wn_engine_state(w->engine);
    w->marked = wn_engine_latched(w->engine);
    if (fast_is(w, FAST_STORE_FAILS) || state == WN_ENGINE_SWITCHING_OFF ||
        state == WN_ENGINE_IDLE || (w->guard_lost && state == WN_ENGINE_PAUSED)) {
        return;
    }
    w->status = state == WN_ENGINE_PREPARING ? "running" : wn_engine_state_name(state);
}

static struct wn_actions actions;

void fast_event(struct fast *w, const struct wn_event *ev)
{
    static struct wn_event again;
    while (ev != NULL && w->engine != NULL) {
        enum wn_engine_state from = wn_engine_state(w->engine);
        wn_engine_step(w->engine, ev, &actions);
        enum wn_engine_state to = wn_engine_state(w->engine);
        note_actions(w, &actions, (int)from, (int)to, (int)ev->kind);
        fast_transition(w, from, ev->kind, to);
        bool suppressed = false;
        bool recording = perform(w, &actions, &suppressed);
        ev = NULL;
        if (w->engine != NULL && !recording && (!w->store_failed || suppressed)) {
            w->store_failed = true;
            again = (struct wn_event){.kind = WN_EVENT_STORE_FAILED, .time_ns = campaign_ns(w)};
            (void)wn_error_set(&again.error, WN_ENOSPACE, "no space left");
            ev = &again;
        }
    }
    if (w->engine != NULL) {
        after_event(w);
    }
}

void fast_command(struct fast *w, enum wn_event_kind kind)
{
    struct wn_event ev = {.kind = kind, .time_ns = campaign_ns(w), .who = "operator"};
    struct wn_error why;
    enum wn_engine_state from = wn_engine_state(w->engine);
    bool allowed = wn_engine_may(w->engine, kind, &why) == WN_OK;
    if (allowed && kind == WN_EVENT_RESUME) {
        w->interlock_latched = w->interlock_asked = false; /* closes once off is confirmed */
    }
    w->ordered_stop = w->ordered_stop || (allowed && kind == WN_EVENT_STOP);
    fast_event(w, &ev);
    if (w->engine != NULL && !w->store_failed) {
        fast_after_command(w, kind, allowed, from, &actions);
    }
}

static const char silence[] = "tester is silent";

/* The text is written once: a fault that lasts is told thousands of times. */
static void fail(struct fast *w, int code, const char *text)
{
    static struct wn_event ev = {.kind = WN_EVENT_FAULT};
    static const char *written;
    if (written != text) {
        written = text;
        (void)wn_error_set(&ev.error, code, "%s", text);
    }
    ev.time_ns = campaign_ns(w);
    w->next_reading_ns = w->now_ns + wn_ns_from_s(w->patience_s);
    w->patience_s = fmin(2 * w->patience_s, PATIENCE_MAX_S);
    fast_event(w, &ev);
}

/* The answer to a request that had been sent: the instrument has done it, or it has not. */
static void finish_exchange(struct fast *w)
{
    struct wn_event ev = {.kind = WN_EVENT_OUTPUT_DONE};
    enum fast_exchange what = w->exchange;
    if (fast_is(w, FAST_SILENCE)) {
        fast_advance(w, w->now_ns + wn_ns_from_s(REPLY_TIMEOUT_S));
        w->exchange = FAST_NOTHING;
        fail(w, WN_ETIMEOUT, silence);
        return;
    }
    w->exchange = FAST_NOTHING;
    if (what == FAST_SWITCH_OFF) {
        if (fast_is(w, FAST_OFF_REFUSED)) {
            fail(w, WN_EREADBACK, "output is still on");
            return;
        }
        w->on = w->on && fast_is(w, FAST_STUCK_ON);
        w->interlock_open = w->interlock_latched && w->has_interlock;
        ev.kind = WN_EVENT_OFF_DONE;
    } else if (fast_is(w, FAST_READ_BACK)) {
        fail(w, WN_EREADBACK, "setting was not taken");
        return;
    } else {
        w->output = w->wanted;
        w->on = true;
        w->tripped_low = false;
        w->change_ns = w->now_ns;
    }
    ev.time_ns = campaign_ns(w);
    fast_event(w, &ev);
}

static double noise(uint64_t bits)
{
    return (double)(bits & 0xffff) / 32768.0 - 1;
}

static unsigned shown_has(const struct fast *w)
{
    unsigned has = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE | WN_HAS_AMBIENT;
    has &= fast_is(w, FAST_VOLTAGE_MISSING) ? ~(unsigned)WN_HAS_VOLTAGE : ~0u;
    has &= fast_is(w, FAST_CURRENT_MISSING) ? ~(unsigned)WN_HAS_CURRENT : ~0u;
    return has & (fast_is(w, FAST_TEMPERATURE_MISSING) ? ~(unsigned)WN_HAS_TEMPERATURE : ~0u);
}

/* How the instrument shows the cell, and what of it is not true. */
static void show(struct fast *w, struct wn_reading *r)
{
    uint64_t bits = wn_prng_next(&w->rng);
    if (fast_is(w, FAST_FROZEN) && w->shown.has != 0) {
        *r = w->shown;
        for (int q = 0; q < 3; q++) {
            w->blind_ns[q] = w->now_ns;
        }
        w->step.lied = true;
        return;
    }
    w->drift_k =
        fmin(fmax(w->drift_k + w->drift_k_per_s * wn_ns_to_s(w->now_ns - w->read_ns), -90), 90);
    double i = fast_current_a(w);
    r->voltage_v =
        w->cell.ocv_v + i * w->cell.resistance_ohm + w->voltage_offset_v + 2e-4 * noise(bits);
    r->current_a = i + w->current_offset_a + 5e-4 * noise(bits >> 16);
    r->temperature_c = w->cell.temperature_c + w->drift_k + 0.02 * noise(bits >> 32);
    r->ambient_c =
        w->cell.ambient_c + (w->weather_shown ? w->weather_k : 0) + 0.02 * noise(bits >> 48);
    r->has = shown_has(w);
    double overload = 9.9e37;
    r->voltage_v = fast_is(w, FAST_VOLTAGE_OVERLOAD) ? overload : r->voltage_v;
    r->current_a = fast_is(w, FAST_CURRENT_OVERLOAD) ? overload : r->current_a;
    r->temperature_c = fast_is(w, FAST_TEMPERATURE_OVERLOAD) ? overload : r->temperature_c;
    bool blind[3] = {(r->has & WN_HAS_VOLTAGE) == 0 || fast_is(w, FAST_VOLTAGE_OVERLOAD),
                     (r->has & WN_HAS_CURRENT) == 0 || fast_is(w, FAST_CURRENT_OVERLOAD),
                     (r->has & WN_HAS_TEMPERATURE) == 0 || fast_is(w, FAST_TEMPERATURE_OVERLOAD)};
    for (int q = 0; q < 3; q++) {
        w->blind_ns[q] = blind[q] ? w->now_ns : w->blind_ns[q];
    }
    w->step.lied = w->step.lied || w->current_offset_a != 0;
    w->shown = *r;
}

static void read_cell(struct fast *w)
{
    static struct wn_event ev = {.kind = WN_EVENT_READING};
    if (fast_is(w, FAST_SILENCE)) {
        fast_advance(w, w->now_ns + wn_ns_from_s(REPLY_TIMEOUT_S));
        fail(w, WN_ETIMEOUT, silence);
        return;
    }
    show(w, &ev.reading);
    ev.time_ns = campaign_ns(w) - w->back_ns;
    if (w->back_ns > 0) {
        w->back_ns = 0;
        w->step.lied = true;
    }
    ev.reading.time_ns = ev.time_ns;
    ev.reading.host_ns = w->now_ns;
    w->read_ns = w->now_ns;
    if ((ev.reading.has & 7) == 7) {
        w->whole_ns = w->now_ns;
    }
    w->patience_s = REPLY_TIMEOUT_S;
    w->next_reading_ns = w->now_ns + WN_NS_PER_MS;
    fast_event(w, &ev);
}

/* The process is gone: the guard sends off, the port closes, and with it the interlock opens. */
void fast_die(struct fast *w)
{
    fast_note(w, 'w', w->cut_power, 0, "the process dies");
    w->kills++;
    w->engine = NULL;
    w->kill_in = 0;
    w->exchange = FAST_NOTHING;
    for (int i = 0; i < FAST_RULES; i++) {
        w->since[i] = WN_NS_NEVER; /* whoever comes next has not seen it yet */
    }
    bool obeys =
        !fast_is(w, FAST_SILENCE) && !fast_is(w, FAST_OFF_REFUSED) && !fast_is(w, FAST_STUCK_ON);
    w->on = w->on && !obeys;
    w->interlock_open = w->has_interlock;
    w->interlock_latched = w->interlock_asked = false;
    w->marked = w->marked && !w->cut_power;
    w->books = w->kept;
    w->has_pending = w->uncommitted = w->store_failed = false;
    w->reborn_ns = w->now_ns + wn_ns_from_s(1 + fast_exponential(w, 60));
}

static void go_on(struct fast *w)
{
    bool paused = wn_engine_state(w->engine) == WN_ENGINE_PAUSED && !wn_engine_latched(w->engine);
    bool stop = wn_engine_stop_ordered(w->engine) && wn_engine_state(w->engine) == WN_ENGINE_PAUSED;
    bool halted = w->status != NULL && strcmp(w->status, "halted") == 0;
    bool running = w->status != NULL && strcmp(w->status, "running") == 0;
    if (stop) {
        fast_command(w, WN_EVENT_STOP);
    } else if (paused && (w->marked || halted)) {
        struct wn_event ev = {
            .kind = WN_EVENT_HOLD, .time_ns = campaign_ns(w), .fault = WN_FAULT_HELD};
        (void)wn_error_set(&ev.error, WN_ESTATE, "halted before, which could not be recorded");
        fast_event(w, &ev);
    } else if (paused && running && w->resumes) {
        fast_command(w, WN_EVENT_RESUME);
    }
}

static void come_back(struct fast *w)
{
    w->cut_power = w->guard_lost = false;
    fast_note(w, 'w', 0, 0, "the process is back");
    fast_boot(w);
    struct wn_error err = {0};
    if (w->engine != NULL && w->has_committed &&
        wn_engine_restore(w->engine, &w->committed, &err) != WN_OK) {
        fast_violated(w, "what was committed cannot be restored: %s", err.text);
        return;
    }
    fast_restored(w);
    plan(w, FAST_SWITCH_OFF); /* always, before anything else */
    bool marked = w->marked;
    go_on(w);
    w->marked = w->engine != NULL ? w->marked : marked;
}

static void commit_by_time(struct fast *w)
{
    w->commit_ns = w->now_ns + wn_ns_from_s(w->commit_s);
    if (w->engine == NULL || (!w->uncommitted && !w->store_failed)) {
        return;
    }
    wn_engine_save(w->engine, &w->pending);
    w->has_pending = true;
    w->pending_latched = w->books.latched;
    bool told = w->store_failed;
    if (!commit(w) && !told) {
        struct wn_event ev = {.kind = WN_EVENT_STORE_FAILED, .time_ns = campaign_ns(w)};
        w->store_failed = true;
        (void)wn_error_set(&ev.error, WN_ENOSPACE, "no space left");
        fast_event(w, &ev);
    }
}

static wn_ns first(wn_ns a, wn_ns b)
{
    return a < b ? a : b;
}

static wn_ns answer_due(const struct fast *w)
{
    if (w->exchange != FAST_NOTHING) {
        return w->exchange_ns;
    }
    wn_ns wanted = wn_engine_next_reading_ns(w->engine) - w->offset_ns;
    return wanted > w->next_reading_ns ? wanted : w->next_reading_ns;
}

void fast_turn(struct fast *w)
{
    wn_ns own = w->engine == NULL || w->guard_lost ? w->reborn_ns : WN_NS_NEVER;
    wn_ns answer = w->engine != NULL ? answer_due(w) : WN_NS_NEVER;
    wn_ns at = first(first(answer, own), first(w->next_fault_ns, w->commit_ns));
    at = w->diligent ? first(at, w->operator_ns) : at;
    bool runs = w->engine != NULL && wn_engine_state(w->engine) == WN_ENGINE_RUNNING;
    wn_ns from = w->now_ns;
    fast_advance(w, at);
    w->running_ns += runs ? w->now_ns - from : 0;
    if (at == answer) {
        if (w->exchange != FAST_NOTHING) {
            finish_exchange(w);
        } else {
            read_cell(w);
        }
    } else if (at == own) {
        if (w->engine != NULL) {
            fast_die(w);
        }
        come_back(w);
    } else if (at == w->next_fault_ns) {
        fast_faults_turn(w);
    } else if (at == w->commit_ns) {
        commit_by_time(w);
    } else {
        fast_operator(w);
    }
    fast_look(w);
    w->looked_ns = w->now_ns;
}
