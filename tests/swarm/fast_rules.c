/* Fast swarm: what must be true, whatever happens.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Of the cell: conditions that may hold for as long as the reaction may take, which follows from
 * the intervals and time limits the engine was given, and never longer. What the instrument shows
 * wrong and nobody can see is left out for as long as it is shown wrong. Of the engine: which
 * state may follow which on what, and what its records say. */
#include <math.h>
#include <string.h>

#include "swarm/fast.h"

#define MARGIN 1.15 /* latencies of several exchanges add up */

enum { VOLTAGE, CURRENT, TEMPERATURE };

double fast_worst_s[FAST_RULES], fast_worst_part[FAST_RULES];

static const struct {
    const char *name, *text;
} rules[FAST_RULES] = {
#define FAST_RULE_ROW(name, text) [FAST_RULE_##name] = {#name, text},
    FAST_RULE_LIST(FAST_RULE_ROW)
#undef FAST_RULE_ROW
};

const char *fast_rule_name(enum fast_rule rule)
{
    return rules[rule].name;
}

/* -- the cell */

/* Off, not off, again, again, then the interlock; each time confirmed late, or not at all. */
static double off_path_s(const struct fast *w)
{
    const struct wn_engine_setup *s = &w->setup;
    return 3 * (s->off_timeout_s + 2 * s->fast_interval_s + 2 * w->latency_s + 1) + 15;
}

static double allowed_s(const struct fast *w, enum fast_rule rule)
{
    const struct wn_engine_setup *s = &w->setup;
    double off_s = off_path_s(w), once_s = s->reading_interval_s + 2 * w->latency_s + 2,
           soon_s = s->fast_interval_s + 1;
    switch (rule) {
    case FAST_RULE_HIGH_VOLTAGE:
    case FAST_RULE_LOW_VOLTAGE:
    case FAST_RULE_HOT:
    case FAST_RULE_HIGH_CURRENT:
        return once_s;
    case FAST_RULE_NOT_AS_SET:
        return once_s + 2 * soon_s;
    case FAST_RULE_CHILLED:
    case FAST_RULE_BELOW_CUTOFF:
        return once_s + soon_s;
    case FAST_RULE_UNREAD:
        return 2 * once_s + soon_s;
    case FAST_RULE_STALE:
        return s->limits.frozen_s + 2 * once_s;
    case FAST_RULE_UNASKED:
    case FAST_RULE_NO_GUARD: /* lost at rest: an output that is stuck on shows with the next reading
                              */
        return s->rest_interval_s + 60 + 4 * soon_s + s->off_timeout_s + 2 * off_s;
    case FAST_RULE_NOT_RECORDED:
    case FAST_RULE_GOING_OFF:
    case FAST_RULES:
        break;
    }
    return off_s;
}

static wn_ns latest(wn_ns a, wn_ns b)
{
    return a > b ? a : b;
}

/* seen_ns: since then it could have been noticed. */
static void judge(struct fast *w, enum fast_rule rule, bool holds, wn_ns seen_ns)
{
    if (!holds) {
        w->since[rule] = WN_NS_NEVER;
        return;
    }
    if (w->since[rule] == WN_NS_NEVER) {
        /* the envelope may have been left right after the look before this one */
        w->since[rule] = rule <= FAST_RULE_HIGH_CURRENT ? w->looked_ns : w->now_ns;
    }
    wn_ns from = w->since[rule] > seen_ns ? w->since[rule] : seen_ns;
    double lasted_s = wn_ns_to_s(w->now_ns - from), allowed = MARGIN * allowed_s(w, rule);
    fast_worst_s[rule] = fmax(fast_worst_s[rule], lasted_s);
    fast_worst_part[rule] = fmax(fast_worst_part[rule], lasted_s / allowed);
    if (lasted_s > allowed) {
        fast_violated(w, "%s: %s, for %.1f s; %.1f s are allowed", rules[rule].name,
                      rules[rule].text, lasted_s, allowed);
    }
}

/* At constant current, as far as the readings show it. */
static bool not_as_set(const struct fast *w, double i, double v)
{
    const struct wn_limits *l = &w->setup.limits;
    double set_a = w->output.current_a, slack_a = l->set_point_tolerance_a + 1e-3;
    bool charge = w->output.mode == WN_OUTPUT_CHARGE;
    double along_a = (i + w->current_offset_a) * (charge ? 1 : -1);
    bool free = w->output.mode == WN_OUTPUT_POWER ||
                (charge && v + w->voltage_offset_v > w->output.voltage_v - 0.03 - 1e-3);
    return !free && fabs(along_a - set_a) > slack_a + l->set_point_tolerance * set_a;
}

/* What is shown is how the end of a charge at constant voltage looks, where nothing need move. */
static bool looks_full(const struct fast *w)
{
    return w->output.mode == WN_OUTPUT_CHARGE &&
           w->shown.voltage_v > w->output.voltage_v - 0.03 - 1e-3;
}

static void judge_envelope(struct fast *w, double i)
{
    const struct wn_limits *l = &w->setup.limits;
    double v = w->cell.ocv_v + i * w->cell.resistance_ohm, t = w->cell.temperature_c;
    double wrong_v = fabs(w->voltage_offset_v) + 1e-3, wrong_k = fabs(w->drift_k) + 0.1;
    double most_a = i > 0 ? l->charge_current_max_a : l->discharge_current_max_a;
    double high_c = i > 0 ? l->charge_temperature_max_c : l->discharge_temperature_max_c;
    double low_c = i > 0 ? l->charge_temperature_min_c : l->discharge_temperature_min_c;
    most_a += l->set_point_tolerance_a + l->set_point_tolerance * most_a;
    judge(w, FAST_RULE_HIGH_VOLTAGE, i > 0 && v > l->voltage_max_v + wrong_v, w->blind_ns[VOLTAGE]);
    judge(w, FAST_RULE_LOW_VOLTAGE, i < 0 && v < l->voltage_min_v - wrong_v, w->blind_ns[VOLTAGE]);
    judge(w, FAST_RULE_HOT, t > high_c + wrong_k, w->blind_ns[TEMPERATURE]);
    judge(w, FAST_RULE_CHILLED, t < low_c - wrong_k, w->blind_ns[TEMPERATURE]);
    bool watched = FAST_PULSE_ENDS || !w->pulse;
    judge(w, FAST_RULE_BELOW_CUTOFF,
          i < 0 && watched && v < w->setup.cell.discharge_cutoff_v - wrong_v, w->blind_ns[VOLTAGE]);
    judge(w, FAST_RULE_NOT_AS_SET, not_as_set(w, i, v),
          latest(w->change_ns, latest(w->blind_ns[CURRENT], w->blind_ns[VOLTAGE])));
    judge(w, FAST_RULE_HIGH_CURRENT, fabs(i) > most_a + fabs(w->current_offset_a) + 1e-3,
          w->blind_ns[CURRENT]);
}

static void forget_all(struct fast *w)
{
    if (w->flowed) {
        for (int i = 0; i < FAST_RULES; i++) {
            w->since[i] = WN_NS_NEVER;
        }
        w->flowed = false;
    }
}

void fast_look(struct fast *w)
{
    double i = w->on || fast_is(w, FAST_LEAK) ? fast_current_a(w) : 0,
           least_a = w->setup.limits.off_current_a;
    if (w->engine == NULL || fabs(i) <= least_a) {
        forget_all(w);
        return;
    }
    enum wn_engine_state state = wn_engine_state(w->engine);
    bool asked = state == WN_ENGINE_RUNNING && wn_engine_output_on(w->engine);
    /* nothing more can be done than has been done */
    bool lost = w->interlock_asked && !w->has_interlock;
    bool shown = fabs(i + w->current_offset_a) > least_a + 1e-3;
    w->flowed = true;
    if (asked && w->on) {
        judge_envelope(w, i);
    } else {
        for (int r = FAST_RULE_HIGH_VOLTAGE; r <= FAST_RULE_HIGH_CURRENT; r++) {
            w->since[r] = WN_NS_NEVER;
        }
    }
    judge(w, FAST_RULE_UNREAD, asked, latest(w->whole_ns, w->change_ns));
    bool nothing = fabs(w->shown.current_a) <= least_a + 1e-3;
    bool blind = nothing && (!FAST_IDLE_WATCHED || looks_full(w));
    judge(w, FAST_RULE_STALE, asked && fast_is(w, FAST_FROZEN) && !blind, w->change_ns);
    judge(w, FAST_RULE_NOT_RECORDED, asked && w->store_failed, INT64_MIN);
    w->silent_ns = fast_is(w, FAST_SILENCE) ? w->now_ns : w->silent_ns;
    judge(w, FAST_RULE_UNASKED, !asked && !lost && shown,
          latest(w->silent_ns, w->blind_ns[CURRENT]));
    bool frozen = fast_is(w, FAST_FROZEN);
    judge(w, FAST_RULE_GOING_OFF, state == WN_ENGINE_SWITCHING_OFF && !lost && shown && !frozen,
          INT64_MIN);
    judge(w, FAST_RULE_NO_GUARD, w->guard_lost && !lost && shown && !frozen && w->on, INT64_MIN);
}

/* -- the states */

#define TO(state) (1u << WN_ENGINE_##state)

enum { STATES = WN_ENGINE_FINISHED + 1, EVENTS = WN_EVENT_GUARD_LOST + 1 };

/* Every other change is wrong; to stay is always allowed. */
static const unsigned char may_follow[STATES][EVENTS] = {
    [WN_ENGINE_IDLE] = {[WN_EVENT_START] = TO(PREPARING)},
    [WN_ENGINE_PREPARING] =
        {
            [WN_EVENT_PAUSE] = TO(SWITCHING_OFF),
            [WN_EVENT_STOP] = TO(SWITCHING_OFF),
            [WN_EVENT_READING] = TO(RUNNING) | TO(SWITCHING_OFF) | TO(PAUSED) | TO(FINISHED),
            [WN_EVENT_FAULT] = TO(SWITCHING_OFF),
            [WN_EVENT_STORE_FAILED] = TO(SWITCHING_OFF),
            [WN_EVENT_GUARD_LOST] = TO(SWITCHING_OFF),
        },
    [WN_ENGINE_RUNNING] =
        {
            [WN_EVENT_PAUSE] = TO(SWITCHING_OFF),
            [WN_EVENT_STOP] = TO(SWITCHING_OFF),
            [WN_EVENT_READING] = TO(SWITCHING_OFF) | TO(FINISHED),
            [WN_EVENT_FAULT] = TO(SWITCHING_OFF),
            [WN_EVENT_STORE_FAILED] = TO(SWITCHING_OFF),
            [WN_EVENT_GUARD_LOST] = TO(SWITCHING_OFF),
        },
    [WN_ENGINE_SWITCHING_OFF] = {[WN_EVENT_READING] = TO(RUNNING) | TO(PAUSED) | TO(STOPPED) |
                                                      TO(HALTED) | TO(FINISHED)},
    [WN_ENGINE_PAUSED] =
        {
            [WN_EVENT_RESUME] = TO(PREPARING),
            [WN_EVENT_STOP] = TO(SWITCHING_OFF),
            [WN_EVENT_ACKNOWLEDGE] = TO(SWITCHING_OFF), /* the end was ordered before */
            [WN_EVENT_READING] = TO(SWITCHING_OFF),
            [WN_EVENT_FAULT] = TO(SWITCHING_OFF),
            [WN_EVENT_STORE_FAILED] = TO(SWITCHING_OFF),
        },
    [WN_ENGINE_HALTED] =
        {
            [WN_EVENT_STOP] = TO(SWITCHING_OFF),
            [WN_EVENT_ACKNOWLEDGE] = TO(PAUSED) | TO(SWITCHING_OFF),
            [WN_EVENT_READING] = TO(SWITCHING_OFF),
            [WN_EVENT_FAULT] = TO(SWITCHING_OFF),
        },
    [WN_ENGINE_STOPPED] =
        {[WN_EVENT_READING] = TO(SWITCHING_OFF), [WN_EVENT_FAULT] = TO(SWITCHING_OFF)},
    [WN_ENGINE_FINISHED] =
        {[WN_EVENT_READING] = TO(SWITCHING_OFF), [WN_EVENT_FAULT] = TO(SWITCHING_OFF)},
};

void fast_transition(struct fast *w, enum wn_engine_state from, enum wn_event_kind kind,
                     enum wn_engine_state to)
{
    if (from != to && (may_follow[from][kind] & 1u << to) == 0) {
        fast_violated(w, "%s may not become %s by event %d", wn_engine_state_name(from),
                      wn_engine_state_name(to), (int)kind);
    }
    bool goes = to == WN_ENGINE_RUNNING || to == WN_ENGINE_PREPARING;
    if (goes && w->books.latched) {
        fast_violated(w, "%s although an alarm is latched and not acknowledged",
                      wn_engine_state_name(to));
    }
    if (goes && w->books.stopping) {
        fast_violated(w, "%s although the end was ordered", wn_engine_state_name(to));
    }
    bool settled = from == WN_ENGINE_SWITCHING_OFF && to != from;
    if (settled && ((w->shown.has & WN_HAS_CURRENT) == 0 ||
                    !(fabs(w->shown.current_a) <= w->setup.limits.off_current_a))) {
        fast_violated(w, "off is taken as verified, and the last reading does not say so");
    }
    bool over = w->books.finished || w->books.stopped;
    if (over && to != WN_ENGINE_SWITCHING_OFF && to != WN_ENGINE_FINISHED &&
        to != WN_ENGINE_STOPPED) {
        fast_violated(w, "campaign is over, and %s again", wn_engine_state_name(to));
    }
    w->halts += from != to && to == WN_ENGINE_HALTED ? 1 : 0;
}

/* Does the engine do what it said it would, or refuse what it said it would refuse? */
void fast_after_command(struct fast *w, enum wn_event_kind kind, bool allowed,
                        enum wn_engine_state from, const struct wn_actions *a)
{
    enum wn_engine_state to = wn_engine_state(w->engine);
    bool said = a->n > 0 && a->action[0].kind == WN_ACTION_RECORD &&
                a->action[0].u.record->kind == WN_RECORD_EVENT &&
                strcmp(a->action[0].u.record->u.event.kind, "refused") == 0;
    if (allowed == said) {
        fast_violated(w, "command %d was to be %s, and was not", (int)kind,
                      allowed ? "taken" : "refused");
    }
    if (!allowed) {
        if (to != from || a->n != 2) {
            fast_violated(w, "refused command %d did something", (int)kind);
        }
        return;
    }
    bool goes = kind == WN_EVENT_START || kind == WN_EVENT_RESUME;
    bool ends = kind == WN_EVENT_PAUSE || kind == WN_EVENT_STOP;
    if ((goes && to != WN_ENGINE_PREPARING) || (ends && to != WN_ENGINE_SWITCHING_OFF) ||
        (kind == WN_EVENT_ACKNOWLEDGE && wn_engine_latched(w->engine))) {
        fast_violated(w, "command %d was taken, and the engine is %s", (int)kind,
                      wn_engine_state_name(to));
    }
}

void fast_restored(struct fast *w)
{
    struct wn_engine_view v;
    enum wn_engine_state state = wn_engine_state(w->engine);
    wn_engine_view(w->engine, &v);
    if (state == WN_ENGINE_PREPARING || state == WN_ENGINE_RUNNING ||
        state == WN_ENGINE_SWITCHING_OFF || wn_engine_output_on(w->engine)) {
        fast_violated(w, "%s at once after a restart", wn_engine_state_name(state));
    }
    if (w->kept.latched && !wn_engine_latched(w->engine)) {
        fast_violated(w, "an alarm was committed, and is not latched after a restart");
    }
    if (!FAST_FINISHED_STAYS && state == WN_ENGINE_PAUSED) {
        w->kept.finished = w->books.finished = false;
    }
    if (w->kept.finished && state != WN_ENGINE_FINISHED) {
        fast_violated(w, "finished was committed, and is %s after a restart",
                      wn_engine_state_name(state));
    }
    if (w->kept.stopped && state != WN_ENGINE_STOPPED && !wn_engine_stop_ordered(w->engine)) {
        fast_violated(w, "stopped was committed, and is %s after a restart",
                      wn_engine_state_name(state));
    }
    if (v.cycles_done != w->kept.cycle) {
        fast_violated(w, "%d cycles were committed, %d are known after a restart",
                      (int)w->kept.cycle, (int)v.cycles_done);
    }
}

/* -- the records */

static void step_begins(struct fast *w, const struct wn_step_record *r)
{
    if (r->step_number != w->books.step + 1 || w->books.step_open) {
        fast_violated(w, "step %d begins after step %d (%s)", (int)r->step_number,
                      (int)w->books.step, w->books.step_open ? "open" : "over");
    }
    w->books.step = r->step_number;
    w->books.step_open = true;
    w->pulse = r->kind == WN_STEP_PULSE;
    w->step.in_as = w->cell.in_as;
    w->step.out_as = w->cell.out_as;
}

/* How far the count may be from what was delivered: 0.4 % for straight lines between readings where
 * the current falls in a curve, the time an answer takes, and the bend where the constant voltage
 * begins. */
static double slack_as(const struct fast *w, double delivered_as)
{
    double most_a =
        w->output.mode == WN_OUTPUT_POWER ? w->output.power_w / 2.9 : w->output.current_a;
    return 0.004 * delivered_as +
           most_a * (2 * w->latency_s + 0.5 + 0.06 * w->setup.reading_interval_s);
}

static void step_ends(struct fast *w, const struct wn_step_record *r)
{
    struct fast_step *s = &w->step;
    if (r->step_number != w->books.step || !w->books.step_open) {
        fast_violated(w, "step %d ends, but %d is the last begun", (int)r->step_number,
                      (int)w->books.step);
    }
    w->books.step_open = false;
    double in_as = w->cell.in_as - s->in_as, out_as = w->cell.out_as - s->out_as;
    if (r->kind == WN_STEP_CHARGE) {
        s->in_wrong_as = r->sums.charge_in_ah * 3600 - in_as;
        s->in_slack_as = slack_as(w, in_as);
    } else if (r->kind == WN_STEP_DISCHARGE || r->kind == WN_STEP_DISCHARGE_POWER) {
        s->out_wrong_as = r->sums.charge_out_ah * 3600 - out_as;
        s->out_slack_as = slack_as(w, out_as);
    }
}

static void round_ends(struct fast *w, unsigned flags, double capacity_ah)
{
    struct fast_step *s = &w->step;
    bool whole = (flags & (WN_FLAG_INTERRUPTED | WN_FLAG_GAP)) == 0;
    if (whole && !s->lied) {
        w->whole_cycles++;
        if (fabs(s->in_wrong_as) > s->in_slack_as + s->edge_as ||
            fabs(s->out_wrong_as) > s->out_slack_as + s->edge_as) {
            fast_violated(w,
                          "charge counted is wrong by %.3f A s in (slack %.3f) and %.3f A s out "
                          "(slack %.3f), flags %#x",
                          s->in_wrong_as, s->in_slack_as, s->out_wrong_as, s->out_slack_as, flags);
        }
    }
    if (w->plain && ((flags & WN_FLAGS_INVALID) != 0 || !(capacity_ah > 0))) {
        fast_violated(w, "a round of a healthy bench: flags %#x, %g Ah", flags, capacity_ah);
    }
    s->lied = false;
    s->in_wrong_as = s->out_wrong_as = s->edge_as = 0;
    s->in_slack_as = s->out_slack_as = 1;
}

static void event_told(struct fast *w, const struct wn_event_record *e)
{
    if (e->severity == WN_SEVERITY_ALARM) {
        w->books.latched = w->books.latched || wn_engine_latched(w->engine);
        if (w->plain) {
            fast_violated(w, "alarm on a healthy bench: %s: %s", e->kind, e->text);
        }
    } else if (strcmp(e->kind, "acknowledged") == 0) {
        w->books.latched = false;
    } else if (strcmp(e->kind, "stopping") == 0) {
        w->books.stopping = true;
    } else if (strcmp(e->kind, "finished") == 0) {
        w->books.finished = true;
        w->books.latched = false;
    } else if (strcmp(e->kind, "stopped") == 0) {
        w->books.stopped = true;
        w->books.latched = false;
    }
}

void fast_record(struct fast *w, const struct wn_record *r)
{
    switch (r->kind) {
    case WN_RECORD_STEP_BEGIN:
        fast_note(w, 'r', (int)r->u.step.step_number, 0, "step begins");
        step_begins(w, &r->u.step);
        break;
    case WN_RECORD_STEP_END:
        fast_note(w, 'r', (int)r->u.step.step_number, 0, r->u.step.ended_by);
        step_ends(w, &r->u.step);
        break;
    case WN_RECORD_CYCLE:
        fast_note(w, 'r', (int)r->u.cycle.cycle, r->u.cycle.capacity_ah.value, "cycle");
        if (r->u.cycle.cycle != w->books.cycle + 1 || r->u.cycle.start_ns < w->books.ended_ns) {
            fast_violated(w, "cycle %d after cycle %d, or begun before another ended",
                          (int)r->u.cycle.cycle, (int)w->books.cycle);
        }
        w->books.cycle = r->u.cycle.cycle;
        w->books.ended_ns = r->u.cycle.end_ns;
        w->cycles++;
        round_ends(w, r->u.cycle.flags, r->u.cycle.capacity_ah.value);
        break;
    case WN_RECORD_CHECK_UP:
        fast_note(w, 'r', (int)r->u.check_up.check_up, r->u.check_up.capacity_ah.value, "check-up");
        if (r->u.check_up.check_up != w->books.check_up + 1 ||
            r->u.check_up.start_ns < w->books.ended_ns) {
            fast_violated(w, "check-up %d after check-up %d, or begun before a cycle ended",
                          (int)r->u.check_up.check_up, (int)w->books.check_up);
        }
        w->books.check_up = r->u.check_up.check_up;
        w->books.ended_ns = r->u.check_up.end_ns;
        round_ends(w, r->u.check_up.flags, r->u.check_up.capacity_ah.value);
        break;
    case WN_RECORD_EVENT:
        fast_note(w, 'r', (int)r->u.event.severity, 0, r->u.event.kind);
        event_told(w, &r->u.event);
        break;
    case WN_RECORD_READING:
    case WN_RECORD_INTENT:
    case WN_RECORD_STATE:
        break;
    }
}
