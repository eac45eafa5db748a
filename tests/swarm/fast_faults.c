/* Fast swarm: faults and the operator, as one seed has them.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "swarm/fast.h"

static const struct {
    const char *name;
    bool lasting;
} faults[FAST_FAULTS] = {
#define FAST_FAULT_ROW(name, lasting) [FAST_##name] = {#name, lasting},
    FAST_FAULT_LIST(FAST_FAULT_ROW)
#undef FAST_FAULT_ROW
};

const char *fast_fault_name(enum fast_fault fault)
{
    return faults[fault].name;
}

double fast_between(struct fast *w, double low, double high)
{
    return low + (high - low) * wn_prng_uniform(&w->rng);
}

double fast_exponential(struct fast *w, double mean)
{
    return -mean * log1p(-wn_prng_uniform(&w->rng));
}

/* As likely between 1 and 10 as between 10 and 100. */
static double log_between(struct fast *w, double low, double high)
{
    return low * pow(high / low, wn_prng_uniform(&w->rng));
}

static void find_next(struct fast *w)
{
    w->next_fault_ns = WN_NS_NEVER;
    for (int i = 0; i < FAST_FAULTS; i++) {
        if (w->fault[i].used && w->fault[i].at_ns < w->next_fault_ns) {
            w->next_fault_ns = w->fault[i].at_ns;
        }
    }
}

void fast_faults_choose(struct fast *w)
{
    w->factor = 1;
    bool none = w->seed % 8 == 0; /* a healthy bench must not halt */
    w->plain = none;
    for (int i = 0; i < FAST_FAULTS; i++) {
        struct fast_schedule *f = &w->fault[i];
        f->used = wn_prng_below(&w->rng, 4) == 0 && !none;
        f->gap_s = log_between(w, 2 * 3600, 200 * 3600);
        f->last_s = log_between(w, 2, 7200);
        f->at_ns = wn_ns_from_s(fast_exponential(w, f->gap_s));
    }
    find_next(w);
}

/* Such a change falls between two readings, and they cannot tell when. */
static void edge(struct fast *w, enum fast_fault fault)
{
    if (w->on && (fault == FAST_CONTACT_OPEN || fault == FAST_WRONG_CURRENT ||
                  fault == FAST_NO_REGULATION)) {
        w->step.edge_as += 3 * w->setup.limits.discharge_current_max_a *
                           (w->setup.reading_interval_s + w->setup.fast_interval_s) / 2;
    }
}

static void choose_size(struct fast *w, enum fast_fault fault)
{
    if (fault == FAST_HEAT || fault == FAST_COLD) {
        w->weather_shown = wn_prng_below(&w->rng, 2) == 0;
    }
    edge(w, fault);
    double sign = wn_prng_below(&w->rng, 2) == 0 ? 1 : -1;
    if (fault == FAST_VOLTAGE_OFFSET) {
        w->voltage_offset_v = sign * log_between(w, 1e-3, 1);
    } else if (fault == FAST_CURRENT_OFFSET) {
        w->current_offset_a = sign * log_between(w, 1e-3, 1);
    } else if (fault == FAST_THERMOMETER_DRIFT) {
        w->drift_k_per_s = sign * log_between(w, 1e-4, 1);
    } else if (fault == FAST_LEAK) {
        w->leak_a = sign * log_between(w, 0.1, 5);
    } else if (fault == FAST_WRONG_CURRENT) {
        w->factor = log_between(w, 0.2, 3);
    } else if (fault == FAST_HEAT) {
        w->weather_k = log_between(w, 5, 100);
    } else if (fault == FAST_COLD) {
        w->weather_k = -log_between(w, 5, 60);
    }
}

static void forget_size(struct fast *w, enum fast_fault fault)
{
    if (fault == FAST_VOLTAGE_OFFSET) {
        w->voltage_offset_v = 0;
    } else if (fault == FAST_CURRENT_OFFSET) {
        w->current_offset_a = 0;
    } else if (fault == FAST_THERMOMETER_DRIFT) {
        w->drift_k = w->drift_k_per_s = 0;
    } else if (fault == FAST_WRONG_CURRENT) {
        w->factor = 1;
    } else if (fault == FAST_HEAT || fault == FAST_COLD) {
        w->weather_k = 0;
    }
}

/* Bad moments are what this is about: every command in every state, the end of it all seldom. */
static void any_command(struct fast *w)
{
    static const enum wn_event_kind kinds[] = {
        WN_EVENT_START, WN_EVENT_RESUME,      WN_EVENT_RESUME,     WN_EVENT_PAUSE,
        WN_EVENT_PAUSE, WN_EVENT_ACKNOWLEDGE, WN_EVENT_ACKNOWLEDGE};
    int times = 1 + (int)wn_prng_below(&w->rng, 3); /* said again at once */
    enum wn_event_kind kind = kinds[wn_prng_below(&w->rng, sizeof kinds / sizeof kinds[0])];
    if (wn_prng_below(&w->rng, 60) == 0) {
        kind = WN_EVENT_STOP;
    }
    for (int i = 0; i < times && w->engine != NULL && !w->guard_lost; i++) {
        fast_command(w, kind);
    }
}

static void hold_now(struct fast *w)
{
    struct wn_event ev = {.kind = WN_EVENT_HOLD, .time_ns = w->now_ns + w->offset_ns};
    ev.fault = wn_prng_below(&w->rng, 2) == 0 ? WN_FAULT_HELD : WN_FAULT_TOO_MANY_RESTARTS;
    (void)wn_error_set(&ev.error, WN_ESTATE, "held, to see what happens");
    fast_event(w, &ev);
}

static void lose_guard(struct fast *w)
{
    struct wn_event ev = {.kind = WN_EVENT_GUARD_LOST, .time_ns = w->now_ns + w->offset_ns};
    w->guard_lost = true;
    w->reborn_ns = w->now_ns + 60 * WN_NS_PER_S; /* the station ends itself until then */
    fast_event(w, &ev);
}

static void happen(struct fast *w, enum fast_fault fault)
{
    if (fault == FAST_CLOCK_FORWARD) {
        w->offset_ns += wn_ns_from_s(log_between(w, 1, 200000));
        w->step.lied = true;
        return;
    }
    if (w->engine == NULL) {
        return;
    }
    if (fault == FAST_KILL || fault == FAST_POWER_CUT) {
        w->kill_in = 1 + (int)wn_prng_below(&w->rng, 30);
        w->cut_power = fault == FAST_POWER_CUT;
        if (wn_prng_below(&w->rng, 4) == 0) {
            fast_die(w);
        }
    } else if (fault == FAST_GUARD_LOST && !w->guard_lost) {
        lose_guard(w);
    } else if (fault == FAST_HOLD) {
        hold_now(w);
    } else if (fault == FAST_CLOCK_BACK) {
        w->back_ns = wn_ns_from_s(log_between(w, 0.1, 200000));
    } else if (fault == FAST_COMMAND) {
        any_command(w);
    }
}

static void end_fault(struct fast *w, enum fast_fault fault)
{
    w->fault[fault].on = false;
    edge(w, fault);
    forget_size(w, fault);
    fast_note(w, 'f', (int)fault, 0, "");
}

void fast_faults_turn(struct fast *w)
{
    for (int i = 0; i < FAST_FAULTS; i++) {
        struct fast_schedule *f = &w->fault[i];
        enum fast_fault fault = (enum fast_fault)i;
        if (!f->used || f->at_ns > w->now_ns) {
            continue;
        }
        if (!f->on) {
            w->injected[i]++;
            fast_note(w, 'f', i, 1, "");
        }
        if (!faults[i].lasting) {
            f->at_ns = w->now_ns + wn_ns_from_s(1 + fast_exponential(w, f->gap_s));
            happen(w, fault);
        } else if (f->on) {
            end_fault(w, fault);
            f->at_ns = w->now_ns + wn_ns_from_s(1 + fast_exponential(w, f->gap_s));
        } else {
            f->on = true;
            choose_size(w, fault);
            f->at_ns = w->now_ns + wn_ns_from_s(1 + fast_exponential(w, f->last_s));
        }
    }
    find_next(w);
}

/* Everything is repaired; a cell that was run empty or overcharged is replaced by hand. */
void fast_heal(struct fast *w)
{
    for (int i = 0; i < FAST_FAULTS; i++) {
        w->fault[i].used = false;
        if (w->fault[i].on) {
            end_fault(w, (enum fast_fault)i);
        }
    }
    w->next_fault_ns = WN_NS_NEVER;
    w->back_ns = 0;
    w->kill_in = 0;
    w->healed = w->diligent = true;
    w->operator_ns = w->now_ns + wn_ns_from_s(fast_exponential(w, 600));
    w->halts = 0;
    w->cell.ocv_v = fmin(fmax(w->cell.ocv_v, FAST_PULSE_ENDS ? 3.0 : 3.4), 4.15);
    fast_note(w, 'w', 0, 0, "everything is healed");
}

/* One who looks now and then, and does what leads on. */
void fast_operator(struct fast *w)
{
    double pause_s = w->healed ? 600 : 1800;
    w->operator_ns = w->now_ns + wn_ns_from_s(1 + fast_exponential(w, pause_s));
    if (w->engine == NULL || w->guard_lost) {
        return;
    }
    enum wn_engine_state state = wn_engine_state(w->engine);
    if (state == WN_ENGINE_IDLE) {
        fast_command(w, WN_EVENT_START);
    } else if (wn_engine_latched(w->engine) && state != WN_ENGINE_SWITCHING_OFF) {
        fast_command(w, WN_EVENT_ACKNOWLEDGE);
    } else if (state == WN_ENGINE_PAUSED) {
        fast_command(w, wn_engine_stop_ordered(w->engine) ? WN_EVENT_STOP : WN_EVENT_RESUME);
    }
}
