/* Engine: the steps of a procedure: begin, watch for the end, close.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "engine/core.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"

#define SLACK_NS WN_NS_PER_MS      /* a deadline met within a millisecond is met */
#define ONSET_NS (4 * WN_NS_PER_S) /* read fast so long after the output came on */

const struct wn_step *step_spec(const struct wn_engine *e)
{
    return wn_position_step(&e->c.position, &e->setup.procedure);
}

int step_direction(const struct wn_step *s)
{
    switch (s->kind) {
    case WN_STEP_CHARGE:
        return 1;
    case WN_STEP_DISCHARGE:
    case WN_STEP_DISCHARGE_POWER:
    case WN_STEP_PULSE:
        return -1;
    case WN_STEP_REST:
        break;
    }
    return 0;
}

/* Time the step has really been running, pauses left out. */
double step_active_s(const struct wn_engine *e)
{
    const struct step_now *s = &e->c.step;
    return wn_ns_to_s(s->active_ns + (s->active ? e->c.now_ns - s->active_from_ns : 0));
}

static void set_active(struct step_now *s, bool active, wn_ns now)
{
    if (s->active && !active) {
        s->active_ns += now - s->active_from_ns;
    } else if (!s->active && active) {
        s->active_from_ns = now;
    }
    s->active = active;
}

/* So long nobody looked, or the clock was wrong: no running time of the step, as it is no charge. A
 * day that never was must not be held against it at every resume. */
void step_pass_over(struct wn_engine *e, wn_ns span)
{
    struct step_now *s = &e->c.step;
    double most_s = fmax(e->setup.gap_max_s, e->c.output_on ? e->setup.limits.unwatched_s
                                                            : 3 * e->setup.rest_interval_s);
    if (s->active && wn_ns_to_s(span) > most_s) {
        s->active_from_ns += span;
    }
}

static void arm_integrator(struct wn_engine *e, const struct wn_step *s)
{
    struct wn_integrator_setup setup = {
        .direction = step_direction(s),
        .end_kind = WN_END_NONE,
        .end_value = NAN,
        .cv_voltage_v = NAN,
        .gap_max_s = e->setup.gap_max_s,
    };
    if (s->kind == WN_STEP_CHARGE) {
        setup.end_kind = WN_END_CURRENT_BELOW;
        setup.end_value = s->until_current_a;
        setup.cv_voltage_v = e->c.step.charge_voltage_v;
    } else if (s->kind == WN_STEP_DISCHARGE || s->kind == WN_STEP_DISCHARGE_POWER) {
        setup.end_kind = WN_END_VOLTAGE_BELOW;
        setup.end_value = s->until_voltage_v;
    } else if (s->kind == WN_STEP_REST) {
        setup.gap_max_s = fmax(setup.gap_max_s, 3 * e->setup.rest_interval_s);
    }
    wn_integrator_init(&e->c.step.sums, &setup);
    e->c.step.armed = true;
}

static struct wn_output output_of(const struct wn_engine *e, const struct wn_step *s)
{
    struct wn_output o = {WN_OUTPUT_OFF, 0, 0, 0};
    switch (s->kind) {
    case WN_STEP_CHARGE:
        o.mode = WN_OUTPUT_CHARGE;
        o.current_a = s->current_a;
        o.voltage_v = e->c.step.charge_voltage_v;
        return o;
    case WN_STEP_DISCHARGE:
        o.mode = WN_OUTPUT_DISCHARGE;
        o.current_a = s->current_a;
        break;
    case WN_STEP_DISCHARGE_POWER:
        o.mode = WN_OUTPUT_POWER;
        o.power_w = s->power_w;
        break;
    case WN_STEP_PULSE:
        o.mode = WN_OUTPUT_DISCHARGE;
        o.current_a = s->level[e->c.step.level].current_a;
        break;
    case WN_STEP_REST:
        break;
    }
    o.voltage_v = e->setup.limits.voltage_min_v; /* the instrument's own stop, below our cut-off */
    return o;
}

static void switch_on(struct wn_engine *e)
{
    struct wn_output o = output_of(e, step_spec(e));
    emit_output(e, &o);
}

static struct wn_step_record *record_step(struct wn_engine *e, enum wn_record_kind kind)
{
    const struct wn_step *s = step_spec(e);
    struct wn_step_record *r = &emit_record(e, kind)->u.step;
    memset(r, 0, sizeof *r);
    r->step_number = e->c.step.number;
    r->cycle = e->c.step.number_in_cycle;
    r->in_check_up = e->c.position.in_check_up;
    r->kind = s->kind;
    r->start_ns = e->c.step.start_ns;
    r->end_ns = e->c.now_ns;
    (void)wn_step_describe(s, r->description, sizeof r->description);
    return r;
}

static void finish(struct wn_engine *e)
{
    e->c.state = WN_ENGINE_FINISHED;
    emit_event(e, WN_SEVERITY_INFO, "finished", "procedure is over after %lld cycles",
               (long long)e->c.position.cycles_done);
    emit_state(e);
    emit_commit(e);
}

void step_begin(struct wn_engine *e)
{
    if (e->c.end_early || wn_position_finished(&e->c.position, &e->setup.procedure)) {
        finish(e);
        return;
    }
    const struct wn_step *s = step_spec(e);
    struct step_now *now = &e->c.step;
    if (step_direction(s) != 0 && !window_open(e)) {
        return;
    }
    memset(now, 0, sizeof *now);
    now->begun = true;
    now->number = ++e->c.steps_begun;
    now->number_in_cycle = wn_position_cycle(&e->c.position, &e->setup.procedure);
    now->start_ns = e->c.now_ns;
    if (!e->c.round.open) {
        round_begin(e);
    }
    now->charge_voltage_v = window_charge_voltage_v(e, s);
    arm_integrator(e, s);
    (void)record_step(e, WN_RECORD_STEP_BEGIN);
    if (step_direction(s) != 0) {
        switch_on(e);
    } else {
        set_active(now, true, e->c.now_ns);
        emit_state(e);
        emit_commit(e);
    }
}

/* Goes on with a step that was suspended. An interrupted pulse starts afresh: half a pulse measures
 * nothing. */
void step_resume(struct wn_engine *e)
{
    const struct wn_step *s = step_spec(e);
    if (!e->c.step.begun || s == NULL) {
        step_begin(e);
        return;
    }
    if (e->c.step.ended) { /* killed between its end and the record of it */
        step_close(e, e->c.step.ended_by);
        return;
    }
    if (step_direction(s) != 0 && !window_open(e)) {
        return;
    }
    if (s->kind == WN_STEP_CHARGE) {
        e->c.step.charge_voltage_v =
            fmin(e->c.step.charge_voltage_v, window_charge_voltage_v(e, s));
        e->c.step.sums.setup.cv_voltage_v = e->c.step.charge_voltage_v;
    }
    e->c.step.level = 0;
    if (step_direction(s) != 0) {
        switch_on(e);
    } else {
        set_active(&e->c.step, true, e->c.now_ns);
        emit_state(e);
        emit_commit(e);
    }
}

void step_output_done(struct wn_engine *e)
{
    struct step_now *s = &e->c.step;
    s->output_done = true;
    s->onset_pending = true;
    s->on_ns = e->c.now_ns;
    e->c.changed_ns = e->c.now_ns;
    set_active(s, true, e->c.now_ns);
}

/* The current is taken to be, from the moment the output came on, what the first reading says. */
static void add_onset(struct wn_engine *e, const struct wn_reading *r)
{
    struct step_now *s = &e->c.step;
    struct wn_reading onset = *r;
    s->onset_pending = false;
    onset.time_ns = s->on_ns < r->time_ns ? s->on_ns : r->time_ns;
    if (s->sums.readings > 0 &&
        s->level > 0) { /* a level change: the old current flowed until now */
        struct wn_reading before = s->sums.last;
        before.time_ns = onset.time_ns;
        (void)wn_integrator_add(&s->sums, &before);
    }
    (void)wn_integrator_add(&s->sums, &onset);
}

static void keep_tail(struct step_now *s, const struct wn_reading *r)
{
    if (s->tails == TAIL_READINGS) {
        memmove(&s->tail[0], &s->tail[1], sizeof s->tail[0] * (TAIL_READINGS - 1));
        s->tails--;
    }
    s->tail[s->tails++] = *r;
}

static void end_step(struct wn_engine *e, const char *ended_by)
{
    e->c.step.ended = true;
    (void)snprintf(e->c.step.ended_by, sizeof e->c.step.ended_by, "%s", ended_by);
    off_begin(e, AFTER_OFF_NEXT_STEP);
}

static bool reached(double active_s, double limit_s)
{
    return active_s + wn_ns_to_s(SLACK_NS) >= limit_s;
}

/* One-step resistance of an ordinary cycle; a check-up has its pulse for it. */
static void measure_onset_resistance(struct wn_engine *e, const struct wn_step *s,
                                     const struct wn_reading *r)
{
    struct round_now *round = &e->c.round;
    double delay_s = e->setup.procedure.resistance_delay_s;
    if (s->kind != WN_STEP_DISCHARGE || e->c.position.in_check_up || round->resistance_done ||
        !(delay_s > 0) || !reached(wn_ns_to_s(r->time_ns - e->c.step.on_ns), delay_s)) {
        return;
    }
    round->resistance_done = true;
    if (e->c.step.active_ns == 0) { /* not the second half of an interrupted discharge */
        round->resistance_ohm = wn_resistance_one_step(round->before_voltage_v, 0, r->voltage_v,
                                                       r->current_a, &e->setup.accuracy);
    }
}

static void pulse_reading(struct wn_engine *e, const struct wn_step *s, const struct wn_reading *r)
{
    struct step_now *now = &e->c.step;
    now->level_voltage_v[now->level] = r->voltage_v;
    now->level_current_a[now->level] = -r->current_a;
    bool was_low = now->low; /* believed when the next one says so too */
    now->low = r->voltage_v <= s->until_voltage_v;
    if (was_low && now->low) {
        round_flag(e, WN_FLAG_TIME_LIMIT);
        end_step(e, "voltage");
    } else if (reached(wn_ns_to_s(r->time_ns - now->on_ns), s->level[now->level].duration_s)) {
        if (now->level + 1 < s->levels) {
            now->level++;
            switch_on(e);
        } else {
            end_step(e, "duration");
        }
    }
}

static void rest_reading(struct wn_engine *e, const struct wn_step *s, const struct wn_reading *r)
{
    (void)wn_integrator_add(&e->c.step.sums, r);
    e->c.round.before_voltage_v = r->voltage_v;
    bool still = fabs(r->current_a) <= e->setup.limits.off_current_a; /* else the next one tells */
    if (still && reached(step_active_s(e), s->duration_s)) {
        step_close(e, "duration");
    }
}

static bool at_end(const struct step_now *now, const struct wn_step *s, const struct wn_reading *r)
{
    if (s->kind == WN_STEP_CHARGE) {
        return r->voltage_v >= now->charge_voltage_v - WN_CV_TOLERANCE_V &&
               fabs(r->current_a) <= s->until_current_a;
    }
    return (s->kind == WN_STEP_DISCHARGE || s->kind == WN_STEP_DISCHARGE_POWER) &&
           r->voltage_v <= s->until_voltage_v;
}

/* One reading ends no step: the first at the end value is held back and counts only when the next
 * one is there too. A single garbled one is dropped without a trace in the sums. True when this
 * reading is to be held. */
static bool hold_back(struct step_now *now, const struct wn_step *s, const struct wn_reading *r)
{
    bool first = at_end(now, s, r) && !now->has_held && !now->sums.crossed;
    if (now->has_held && at_end(now, s, r)) {
        (void)wn_integrator_add(&now->sums, &now->held);
        keep_tail(now, &now->held);
    }
    now->has_held = first;
    if (first) {
        now->held = *r;
    }
    return first;
}

/* Two readings in a row, as everywhere. */
static bool too_hot(struct step_now *now, const struct wn_step *s, const struct wn_reading *r)
{
    bool was_hot = now->hot;
    now->hot = s->until_temperature_c > 0 && (r->has & WN_HAS_TEMPERATURE) != 0 &&
               r->temperature_c >= s->until_temperature_c;
    return was_hot && now->hot;
}

void step_reading(struct wn_engine *e, const struct wn_reading *r)
{
    const struct wn_step *s = step_spec(e);
    struct step_now *now = &e->c.step;
    wn_assert(s != NULL && now->armed && !now->ended);
    if (step_direction(s) == 0) {
        rest_reading(e, s, r);
        return;
    }
    if (!now->output_done) {
        return; /* read before the output was on */
    }
    if (now->onset_pending) {
        if (at_end(now, s, r) &&
            !now->has_held) { /* an end at the very beginning is believed no sooner */
            now->held = *r;
            now->has_held = true;
            return;
        }
        add_onset(e, at_end(now, s, r) ? &now->held : r);
    }
    double missing_s = wn_sum_value(&now->sums.missing);
    if (hold_back(now, s, r)) {
        return;
    }
    (void)wn_integrator_add(&now->sums, r);
    bool crossed = now->sums.crossed;
    if (wn_sum_value(&now->sums.missing) > missing_s) {
        round_flag(e, WN_FLAG_GAP);
    }
    keep_tail(now, r);
    measure_onset_resistance(e, s, r);
    if (s->kind == WN_STEP_PULSE) {
        pulse_reading(e, s, r);
    } else if (crossed) {
        end_step(e, s->kind == WN_STEP_CHARGE ? "current" : "voltage");
    } else if (too_hot(now, s, r)) {
        end_step(e, "temperature");
    } else if (reached(step_active_s(e), s->time_limit_s)) {
        round_flag(e, WN_FLAG_TIME_LIMIT);
        end_step(e, "time_limit");
    }
}

/* What flowed between the last reading and the moment the output went off. */
static void add_closing(struct wn_engine *e)
{
    struct step_now *s = &e->c.step;
    if (s->sums.readings == 0 || s->onset_pending || !s->output_done) {
        return;
    }
    struct wn_reading closing = s->sums.last;
    if (e->c.off_since_ns > closing.time_ns) {
        closing.time_ns = e->c.off_since_ns;
        (void)wn_integrator_add(&s->sums, &closing);
    }
}

void step_close(struct wn_engine *e, const char *ended_by)
{
    const struct wn_step *s = step_spec(e);
    struct step_now *now = &e->c.step;
    if (!now->begun || s == NULL) {
        return;
    }
    if (step_direction(s) != 0) {
        add_closing(e);
    }
    set_active(now, false, e->c.now_ns);
    struct wn_step_record *r = record_step(e, WN_RECORD_STEP_END);
    wn_integrator_sums(&now->sums, &r->sums);
    (void)snprintf(r->ended_by, sizeof r->ended_by, "%s", ended_by);
    now->begun = false;
    if (strcmp(ended_by, "stop") == 0) {
        return;
    }
    round_step_over(e, s, &r->sums);
    if (wn_position_last_of_round(&e->c.position, &e->setup.procedure)) {
        round_end(e);
    }
    wn_position_advance(&e->c.position, &e->setup.procedure);
    if (e->c.state == WN_ENGINE_RUNNING) {
        step_begin(e);
    }
}

void step_suspend(struct wn_engine *e)
{
    struct step_now *s = &e->c.step;
    const struct wn_step *spec = step_spec(e);
    if (!s->begun || spec == NULL) {
        return;
    }
    if (s->ended) { /* its end had been found already */
        step_close(e, s->ended_by);
        return;
    }
    if (step_direction(spec) != 0) {
        add_closing(e);
    }
    set_active(s, false, e->c.off_sent_ns > s->active_from_ns ? e->c.off_sent_ns : e->c.now_ns);
    s->output_done = false;
    s->onset_pending = false;
    s->has_held = false;
    if (s->sums.readings > 0) {
        wn_integrator_break(&s->sums);
    }
}

static wn_ns earlier(wn_ns a, wn_ns b)
{
    return a < b ? a : b;
}

/* Close to the cut-off the readings come faster, so that little is discharged beyond it. */
static double near_cutoff_s(const struct wn_engine *e, const struct wn_step *s, double interval_s)
{
    const struct step_now *now = &e->c.step;
    double slope = wn_slope_v_per_s(now->tail, now->tails);
    double left_v = e->c.reading.voltage_v - s->until_voltage_v;
    if (!(slope < 0) || !(left_v > 0)) {
        return interval_s;
    }
    double left_s = left_v / -slope;
    return left_s > 4 * interval_s ? interval_s
                                   : fmax(fmin(interval_s, left_s / 3), e->setup.fast_interval_s);
}

static wn_ns next_under_current(const struct wn_engine *e, const struct wn_step *s, wn_ns at)
{
    const struct step_now *now = &e->c.step;
    double interval_s = e->setup.reading_interval_s;
    wn_ns since_on = at - now->on_ns;
    if (s->kind == WN_STEP_PULSE || since_on < ONSET_NS) {
        interval_s = fmin(interval_s, e->setup.fast_interval_s);
    } else if (s->kind != WN_STEP_CHARGE) {
        interval_s = near_cutoff_s(e, s, interval_s);
    }
    wn_ns next = at + wn_ns_from_s(interval_s);
    wn_ns exact = WN_NS_NEVER;
    if (s->kind == WN_STEP_PULSE) {
        exact = now->on_ns + wn_ns_from_s(s->level[now->level].duration_s);
    } else {
        exact = at + wn_ns_from_s(fmax(s->time_limit_s - step_active_s(e), 0.001));
        wn_ns onset = now->on_ns + wn_ns_from_s(e->setup.procedure.resistance_delay_s);
        if (s->kind == WN_STEP_DISCHARGE && onset > at) {
            exact = earlier(exact, onset);
        }
    }
    return earlier(next, exact);
}

wn_ns step_next_reading_ns(const struct wn_engine *e)
{
    const struct wn_step *s = step_spec(e);
    wn_ns at = e->c.reading.time_ns;
    if (e->c.waiting) {
        return at + wn_ns_from_s(e->setup.rest_interval_s);
    }
    if (step_direction(s) == 0) {
        double left_s = fmax(s->duration_s - step_active_s(e), 0.001);
        return at + wn_ns_from_s(fmin(e->setup.rest_interval_s, left_s));
    }
    if (e->c.step.has_held) { /* soon, but not before the instrument has a new value */
        return at + wn_ns_from_s(e->setup.fast_interval_s);
    }
    if (!e->c.step.output_done || e->c.step.onset_pending) {
        return at + WN_NS_PER_MS;
    }
    wn_ns next = next_under_current(e, s, at);
    return next > at + WN_NS_PER_MS ? next : at + WN_NS_PER_MS;
}
