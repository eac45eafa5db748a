/* Engine: the book of a cycle or a check-up, from its steps.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "engine/core.h"

#include <math.h>
#include <string.h>

#include "base/assert.h"

void round_flag(struct wn_engine *e, unsigned flag)
{
    if (e->setup.listens && e->f.listen.round.open) {
        e->f.listen.round.flags |= flag;
    } else if (e->c.round.open) {
        e->c.round.flags |= flag;
    }
}

void round_begin(struct wn_engine *e)
{
    struct round_now *r = &e->c.round;
    memset(r, 0, sizeof *r);
    r->open = true;
    r->start_ns = e->c.now_ns;
    r->slope_v_per_s = r->cutoff_v = r->temperature_max_c = NAN;
    r->ambient_min_c = r->ambient_max_c = r->pulse_voltage_v = NAN;
    r->before_voltage_v = e->c.has_reading ? e->c.reading.voltage_v : NAN;
    r->resistance_ohm = (struct wn_measured){NAN, NAN};
    if (!e->c.position.in_check_up) {
        r->flags = e->c.next_flags;
        e->c.next_flags = 0;
    }
}

static void gather_temperatures(struct wn_engine *e, const struct wn_step_sums *s)
{
    struct round_now *r = &e->c.round;
    const struct wn_procedure *p = &e->setup.procedure;
    r->temperature_max_c =
        fmax(r->temperature_max_c, s->temperature_max_c); /* fmax ignores a NaN */
    r->ambient_min_c = fmin(r->ambient_min_c, s->ambient_min_c);
    r->ambient_max_c = fmax(r->ambient_max_c, s->ambient_max_c);
    if (s->ambient_min_c < p->ambient_min_c || s->ambient_max_c > p->ambient_max_c) {
        r->flags |= WN_FLAG_TEMPERATURE;
    }
}

static void add_charge(struct wn_step_sums *into, const struct wn_step_sums *s, bool first)
{
    if (first) {
        *into = *s;
        return;
    }
    into->charge_in_ah += s->charge_in_ah;
    into->charge_out_ah += s->charge_out_ah;
    into->energy_in_wh += s->energy_in_wh;
    into->energy_out_wh += s->energy_out_wh;
    into->duration_s += s->duration_s;
    into->missing_s += s->missing_s;
    into->cv_s += s->cv_s;
}

/* What the next charge has to put back; only what was seen whole counts. */
static void book_charge(struct wn_engine *e, const struct wn_step *s,
                        const struct wn_step_sums *sums)
{
    bool whole = sums->missing_s <= 0 && (e->c.round.flags & WN_FLAG_INTERRUPTED) == 0;
    if (!whole) {
        e->c.taken_out_ah = NAN;
    } else if (s->kind == WN_STEP_CHARGE) {
        e->c.taken_out_ah = sums->crossed ? 0 : NAN;
    } else {
        e->c.taken_out_ah += sums->charge_out_ah; /* stays NaN until a whole charge */
    }
}

static void gather_pulse(struct wn_engine *e)
{
    const struct step_now *s = &e->c.step;
    e->c.round.pulse_voltage_v = e->c.round.before_voltage_v;
    if (s->level == 1) {
        e->c.round.resistance_ohm = wn_resistance_two_level(
            s->level_voltage_v[0], s->level_current_a[0], s->level_voltage_v[1],
            s->level_current_a[1], &e->setup.accuracy);
    }
}

void round_step_over(struct wn_engine *e, const struct wn_step *s, const struct wn_step_sums *sums)
{
    struct round_now *r = &e->c.round;
    gather_temperatures(e, sums);
    if (step_direction(s) != 0) {
        book_charge(e, s, sums);
    }
    switch (s->kind) {
    case WN_STEP_CHARGE:
        add_charge(&r->charge, sums, !r->has_charge);
        r->has_charge = true;
        r->before_voltage_v = NAN; /* not at rest: no resistance from here */
        if (sums->crossed && sums->cv_s <= 0) {
            r->flags |= WN_FLAG_CV_MISSING;
        }
        break;
    case WN_STEP_DISCHARGE:
    case WN_STEP_DISCHARGE_POWER:
        r->discharge = *sums;
        r->has_discharge = true;
        r->before_voltage_v = NAN;
        r->cutoff_v = s->until_voltage_v;
        r->slope_v_per_s = fabs(wn_slope_v_per_s(e->c.step.tail, e->c.step.tails));
        if (!sums->crossed) {
            r->flags |= WN_FLAG_NOT_TO_CUTOFF;
        }
        break;
    case WN_STEP_PULSE:
        gather_pulse(e);
        break;
    case WN_STEP_REST:
        if (s->duration_s < e->setup.procedure.rest_min_s) {
            r->flags |= WN_FLAG_SHORT_REST;
        }
        break;
    }
}

static void derive(const struct wn_engine *e, struct wn_cycle_record *c)
{
    const struct round_now *r = &e->c.round;
    memset(c, 0, sizeof *c);
    c->cycle = e->c.step.number_in_cycle;
    c->start_ns = r->start_ns;
    c->end_ns = e->c.now_ns;
    c->duration_s = wn_ns_to_s(c->end_ns - c->start_ns);
    c->flags = r->flags;
    c->cutoff_v = r->cutoff_v;
    c->resistance_ohm = r->resistance_ohm;
    if (r->has_discharge) {
        wn_cycle_derive(c, r->has_charge ? &r->charge : NULL, &r->discharge, r->slope_v_per_s,
                        &e->setup.accuracy);
    } else {
        c->capacity_ah = c->energy_wh = (struct wn_measured){NAN, NAN};
        c->coulombic_efficiency_u = c->energy_efficiency_u = c->cutoff_slope_v_per_s = NAN;
    }
    c->temperature_max_c = r->temperature_max_c;
    c->ambient_min_c = r->ambient_min_c;
    c->ambient_max_c = r->ambient_max_c;
}

/* The same current within 2 %, the same cut-off; false for NaN. */
static bool same_discharge(double current_a, double cutoff_v, const struct wn_cycle_record *c)
{
    return fabs(current_a - c->discharge_current_a) <= 0.02 * c->discharge_current_a &&
           cutoff_v == c->cutoff_v;
}

/* Charge out over charge in means something only when the cell was as empty before the charge as it
 * is after the discharge: after the same discharge, to the same cut-off, and not after a check-up
 * or on arrival. */
static void compare_like_with_like(struct wn_engine *e, struct wn_cycle_record *c)
{
    if (!same_discharge(e->c.emptied_a, e->c.emptied_v, c)) {
        c->coulombic_efficiency = c->energy_efficiency = NAN;
        c->coulombic_efficiency_u = c->energy_efficiency_u = NAN;
    }
    bool whole = (c->flags & (WN_FLAG_INTERRUPTED | WN_FLAG_GAP | WN_FLAG_NOT_TO_CUTOFF)) == 0;
    e->c.emptied_a = whole ? c->discharge_current_a : NAN;
    e->c.emptied_v = whole ? c->cutoff_v : NAN;
}

static void end_check_up(struct wn_engine *e)
{
    struct wn_cycle_record c;
    derive(e, &c);
    struct wn_check_up_record *r = &emit_record(e, WN_RECORD_CHECK_UP)->u.check_up;
    memset(r, 0, sizeof *r);
    r->check_up = e->c.step.number_in_cycle;
    r->after_cycle = e->c.position.cycles_done;
    r->capacity_ah = c.capacity_ah;
    r->energy_wh = c.energy_wh;
    r->resistance_ohm = c.resistance_ohm;
    r->resistance_voltage_v = e->c.round.pulse_voltage_v;
    r->temperature_max_c = c.temperature_max_c;
    r->start_ns = c.start_ns;
    r->end_ns = c.end_ns;
    r->flags = c.flags;
    e->c.emptied_a = e->c.emptied_v = NAN;
    round_tell_check_up(e, r);
}

void round_tell_check_up(struct wn_engine *e, const struct wn_check_up_record *r)
{
    emit_event(e, WN_SEVERITY_INFO, "check_up",
               "check-up %lld after cycle %lld: %.4f Ah, %.2f mohm", (long long)r->check_up,
               (long long)r->after_cycle, r->capacity_ah.value, r->resistance_ohm.value * 1e3);
}

static void watch_stop_capacity(struct wn_engine *e, const struct wn_cycle_record *c)
{
    if (c->flags & WN_FLAGS_INVALID) {
        return;
    }
    bool below = c->capacity_ah.value < e->setup.procedure.end_below_ah;
    e->c.below_in_a_row = below ? e->c.below_in_a_row + 1 : 0;
    if (e->c.below_in_a_row >= BELOW_IN_A_ROW && !e->c.end_early) {
        e->c.end_early = true;
        emit_event(e, WN_SEVERITY_WARNING, "below_stop_capacity",
                   "%d valid cycles in a row below %.4f Ah: campaign ends here", BELOW_IN_A_ROW,
                   e->setup.procedure.end_below_ah);
    }
}

/* The same cell under the same discharge does not lose so much from one cycle to the next. */
static void watch_collapse(struct wn_engine *e, const struct wn_cycle_record *c, bool same)
{
    struct wn_envelope_verdict v;
    if ((c->flags & WN_FLAGS_INVALID) || !isfinite(c->capacity_ah.value)) {
        return;
    }
    wn_envelope_judge_capacity(&e->setup.limits, c->capacity_ah.value, e->c.steady_capacity_ah, &v);
    bool known = same && isfinite(e->c.steady_capacity_ah);
    if (known && v.tripped) {
        halt(e, wn_rule_word(v.rule), v.text);
    }
    double weight = known && !v.tripped ? 0.3 : 1.0; /* the last few cycles count */
    double before = known ? e->c.steady_capacity_ah : 0;
    e->c.steady_capacity_ah = before + weight * (c->capacity_ah.value - before);
}

static void end_cycle(struct wn_engine *e)
{
    struct wn_cycle_record *c = &emit_record(e, WN_RECORD_CYCLE)->u.cycle;
    derive(e, c);
    compare_like_with_like(e, c);
    round_cycle_known(e, c);
}

void round_cycle_known(struct wn_engine *e, const struct wn_cycle_record *c)
{
    bool same = same_discharge(e->c.steady_a, e->c.steady_v, c);
    e->c.steady_a = c->discharge_current_a;
    e->c.steady_v = c->cutoff_v;
    if (isfinite(c->capacity_ah.value)) {
        e->c.last_capacity_ah = c->capacity_ah.value;
        if (isnan(e->c.first_capacity_ah) && !(c->flags & WN_FLAGS_INVALID)) {
            e->c.first_capacity_ah = c->capacity_ah.value;
        }
    }
    double weight = e->c.cycle_s_mean > 0 ? 0.2 : 1.0; /* the last handful of cycles count */
    e->c.cycle_s_mean += weight * (c->duration_s - e->c.cycle_s_mean);
    watch_stop_capacity(e, c);
    watch_collapse(e, c, same);
}

void round_end(struct wn_engine *e)
{
    wn_assert(e->c.round.open);
    if (e->c.position.in_check_up) {
        end_check_up(e);
    } else if (e->c.step.number_in_cycle > 0) {
        end_cycle(e);
    }
    e->c.round.open = false;
}
