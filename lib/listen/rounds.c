/* Listening: discharges, cycles and check-ups from the steps.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "base/assert.h"
#include "listen/core.h"

/* Two discharge currents are the same one within this part (common practice, no source). */
#define SAME_CURRENT  0.02 /* to compare charge put in with charge taken out */
#define CYCLE_CURRENT 0.1  /* to tell a cycle from a check-up */

/* A tester stops at its cut-off, between two readings: the next one would have been at it, were the
 * voltage to sink up to so many times as fast as before. And its voltmeter is not quite ours. */
#define STEEPER  2.0
#define NEARLY_V 0.005

/* -- a discharge with the short rests within it
 * ------------------------------------------------- */

/* The rest itself moves nothing, however long it was: only the load before and behind it counts. */
static void bridge(struct wn_integrator *g, const struct wn_reading *rest)
{
    double gap_max_s = g->setup.gap_max_s;
    g->setup.gap_max_s = INFINITY;
    (void)wn_integrator_add(g, rest);
    g->setup.gap_max_s = gap_max_s;
}

static bool is_pulse(const struct wn_listen *l)
{
    return listen_steps_is_pulse(l, l->run.load_s, l->run.whole.crossed);
}

void listen_run_step_begins(struct wn_listen *l, const struct wn_reading *first, bool joined)
{
    struct wn_listen_run *run = &l->run;
    if (run->open && joined) {
        bool level = l->before_kind < 0;
        bool brief = first->time_ns - run->load_end_ns <= wn_ns_from_s(l->setup.pause_max_s);
        if (level || (brief && !is_pulse(l))) {
            bridge(&run->whole, &l->before.reading);
            bridge(&run->exact, &l->before.reading);
            return;
        }
    }
    listen_run_close(l);
    memset(run, 0, sizeof *run);
    run->open = true;
    run->onset_ohm = not_measured;
    run->load_end_ns = first->time_ns;
    struct wn_integrator_setup s = l->g.setup;
    wn_integrator_init(&run->whole, &s);
    s.end_at_reading = false;
    wn_integrator_init(&run->exact, &s);
}

/* Up to the second reading at the end value, as a driving station has them. */
static void keep_tail(struct wn_listen_run *run, const struct wn_reading *r)
{
    if (run->beyond >= 2) {
        return;
    }
    if (run->tails == WN_LISTEN_TAIL) {
        memmove(&run->tail[0], &run->tail[1], sizeof run->tail[0] * (WN_LISTEN_TAIL - 1));
        run->tails--;
    }
    run->tail[run->tails++] = *r;
    run->beyond += run->whole.crossed;
}

void listen_run_integrate(struct wn_listen *l, const struct wn_reading *r, bool closing)
{
    struct wn_listen_run *run = &l->run;
    if (!run->open || l->kind >= 0) {
        return;
    }
    (void)wn_integrator_add(&run->whole, r);
    (void)wn_integrator_add(&run->exact, r);
    if (closing || fabs(r->current_a) < l->setup.rest_below_a) {
        return;
    }
    run->load_s += l->before_kind < 0 ? wn_ns_to_s(r->time_ns - l->before.reading.time_ns) : 0;
    run->load_end_ns = r->time_ns;
    keep_tail(run, r);
}

static bool is_emptied(const struct wn_listen *l)
{
    const struct wn_listen_run *run = &l->run;
    if (run->whole.crossed || l->setup.as_told || run->tails < 2) {
        return run->whole.crossed;
    }
    const struct wn_reading *b = &run->tail[run->tails - 1], *a = b - 1;
    double step_v = fmax(a->voltage_v - b->voltage_v, 0);
    return b->voltage_v - STEEPER * step_v - NEARLY_V <= l->setup.cutoff_v;
}

bool wn_listen_is_empty(const struct wn_listen *l)
{
    return l->run.open && l->in_step && l->kind == 0 && is_emptied(l);
}

void listen_run_close(struct wn_listen *l)
{
    struct wn_listen_run *run = &l->run;
    struct wn_listen_round *r = &l->round;
    struct wn_step_sums s, exact;
    if (!run->open) {
        return;
    }
    run->open = false;
    wn_integrator_sums(&run->whole, &s);
    if (is_pulse(l) || (r->has_discharge && s.charge_out_ah <= r->discharge.charge_out_ah)) {
        return;
    }
    wn_integrator_sums(&run->exact, &exact);
    r->has_discharge = true;
    r->emptied = is_emptied(l);
    r->discharge = s;
    r->beyond_crossing_ah = s.crossed ? s.end_charge_ah - exact.end_charge_ah : 0;
    r->slope_v_per_s = fabs(wn_slope_v_per_s(run->tail, run->tails));
    r->onset_ohm = run->onset_ohm;
    r->before = l->charge;
    l->charge.any = false; /* what is charged from now on belongs to the next discharge */
}

/* -- rounds
 * ------------------------------------------------------------------------------------ */

bool listen_round_had_discharge(const struct wn_listen *l)
{
    return l->round.has_discharge || (l->run.open && !is_pulse(l));
}

void listen_round_begin(struct wn_listen *l, int64_t cycle, wn_ns start_ns)
{
    struct wn_listen_round *r = &l->round;
    memset(r, 0, sizeof *r);
    r->open = true;
    r->cycle = cycle;
    r->start_ns = start_ns;
    r->temperature_max_c = r->ambient_min_c = r->ambient_max_c = r->slope_v_per_s = r->pulse_v =
        NAN;
    r->onset_ohm = r->pulse_ohm = not_measured;
    r->flags = l->next_flags;
    l->next_flags = 0;
}

static void add_charge(struct wn_listen_charge *c, const struct wn_step_sums *s, bool tapered)
{
    if (!c->any) {
        c->sums = *s;
        c->any = true;
        c->tapered = tapered;
        return;
    }
    c->sums.charge_in_ah += s->charge_in_ah;
    c->sums.charge_out_ah += s->charge_out_ah;
    c->sums.energy_in_wh += s->energy_in_wh;
    c->sums.energy_out_wh += s->energy_out_wh;
    c->sums.duration_s += s->duration_s;
    c->sums.missing_s += s->missing_s;
    c->sums.temperature_max_c = fmax(c->sums.temperature_max_c, s->temperature_max_c);
    c->tapered = c->tapered || tapered;
}

void listen_round_step_over(struct wn_listen *l, const struct wn_step_sums *s, bool tapered,
                            bool pulse)
{
    struct wn_listen_round *r = &l->round;
    if (r->open) {
        /* fmax and fmin ignore a NaN */
        r->temperature_max_c = fmax(r->temperature_max_c, s->temperature_max_c);
        r->ambient_min_c = fmin(r->ambient_min_c, s->ambient_min_c);
        r->ambient_max_c = fmax(r->ambient_max_c, s->ambient_max_c);
        r->flags |= l->kind != 0 && s->missing_s > 0 ? WN_FLAG_GAP : 0u;
    }
    if (l->kind > 0 && !(pulse && listen_round_had_discharge(l))) {
        add_charge(&l->charge, s, tapered);
    }
}

/* A load begins after so much rest. */
void listen_round_rest_over(struct wn_listen *l, double rest_s, int next_kind)
{
    if (l->setup.as_told || next_kind == 0 || l->load_kind == 0 || !l->round.open) {
        return;
    }
    if (next_kind != l->load_kind && rest_s < 0.99 * l->setup.rest_min_s) {
        l->round.flags |= WN_FLAG_SHORT_REST;
    }
    if (rest_s > l->setup.pause_recovery_s) {
        bool next = next_kind > 0 && listen_round_had_discharge(l);
        *(next ? &l->next_flags : &l->round.flags) |= WN_FLAG_AFTER_PAUSE;
    }
}

static unsigned flags_of(const struct wn_listen *l)
{
    const struct wn_listen_round *r = &l->round;
    const struct wn_listen_setup *s = &l->setup;
    unsigned flags = s->as_told ? 0 : r->flags;
    if (r->discharge.end_missing_s > 0) {
        flags |= WN_FLAG_GAP;
    }
    if (isfinite(s->cutoff_v) && !r->emptied) {
        flags |= WN_FLAG_NOT_TO_CUTOFF;
    }
    if (s->as_told) {
        return flags;
    }
    if (!r->before.any) { /* listening began in the middle of it */
        flags |= WN_FLAG_INTERRUPTED;
    } else if (!r->before.tapered) {
        flags |= WN_FLAG_CV_MISSING;
    }
    if (r->ambient_min_c < s->ambient_min_c || r->ambient_max_c > s->ambient_max_c) {
        flags |= WN_FLAG_TEMPERATURE;
    }
    return flags;
}

/* Charge out over charge in means something only when the cell was as empty before the charge as it
 * is after the discharge. */
static void compare_like_with_like(struct wn_listen *l, struct wn_cycle_record *c, bool check_up)
{
    double amps = c->discharge_current_a, cutoff_v = isfinite(c->cutoff_v) ? c->cutoff_v : 0;
    bool same = fabs(l->emptied_a - amps) <= SAME_CURRENT * amps && l->emptied_v == cutoff_v;
    if (!same) { /* both false for NaN */
        c->coulombic_efficiency = c->energy_efficiency = NAN;
        c->coulombic_efficiency_u = c->energy_efficiency_u = NAN;
    }
    const unsigned torn = WN_FLAG_INTERRUPTED | WN_FLAG_GAP | WN_FLAG_NOT_TO_CUTOFF;
    bool whole = !check_up && (c->flags & torn) == 0;
    l->emptied_a = whole ? amps : NAN;
    l->emptied_v = whole ? cutoff_v : NAN;
}

static void derive(const struct wn_listen *l, wn_ns end_ns, struct wn_cycle_record *c)
{
    const struct wn_listen_round *r = &l->round;
    memset(c, 0, sizeof *c);
    c->capacity_ah = c->energy_wh = c->resistance_ohm = not_measured;
    c->charge_ah = c->charge_wh = c->coulombic_efficiency = c->energy_efficiency =
        c->mean_voltage_v = NAN;
    c->temperature_rise_k = c->discharge_current_a = c->cutoff_v = NAN;
    c->coulombic_efficiency_u = c->energy_efficiency_u = c->cutoff_slope_v_per_s = NAN;
    if (r->has_discharge) {
        c->cutoff_v = l->setup.cutoff_v;
        wn_cycle_derive(c, r->before.any ? &r->before.sums : NULL, &r->discharge, r->slope_v_per_s,
                        &l->setup.accuracy);
        c->resistance_ohm = r->onset_ohm;
        c->flags = flags_of(l);
    }
    if (!l->setup.accuracy_known) { /* nothing can be stated of an instrument nobody told about */
        c->capacity_ah.u = c->energy_wh.u = c->resistance_ohm.u = NAN;
        c->coulombic_efficiency_u = c->energy_efficiency_u = NAN;
    }
    c->cycle = r->cycle;
    c->temperature_max_c = r->temperature_max_c;
    c->ambient_min_c = r->ambient_min_c;
    c->ambient_max_c = r->ambient_max_c;
    c->start_ns = r->start_ns;
    c->end_ns = end_ns;
    c->duration_s = wn_ns_to_s(end_ns - r->start_ns);
}

static void tell_check_up(struct wn_listen *l, const struct wn_cycle_record *c,
                          struct wn_listen_found *found)
{
    struct wn_check_up_record *u = &listen_tell(found, WN_LISTEN_CHECK_UP, c->end_ns)->u.check_up;
    memset(u, 0, sizeof *u);
    u->check_up = ++l->check_ups;
    u->after_cycle = l->cycles;
    u->capacity_ah = c->capacity_ah;
    u->energy_wh = c->energy_wh;
    u->resistance_ohm = l->round.pulse_ohm;
    if (!l->setup.accuracy_known) {
        u->resistance_ohm.u = NAN;
    }
    u->resistance_voltage_v = l->round.pulse_v;
    u->temperature_max_c = c->temperature_max_c;
    u->start_ns = c->start_ns;
    u->end_ns = c->end_ns;
    u->flags = c->flags;
}

/* A round without a discharge is a cycle only where the log says so. */
void listen_round_end(struct wn_listen *l, wn_ns end_ns, struct wn_listen_found *found)
{
    struct wn_listen_round *r = &l->round;
    struct wn_cycle_record c;
    if (!r->open) {
        return;
    }
    r->open = false;
    l->without_discharge += !r->has_discharge;
    if (!r->has_discharge && !l->setup.has_cycles) {
        return;
    }
    derive(l, end_ns, &c);
    bool check_up = fabs(c.discharge_current_a - l->setup.cycle_current_a) >
                    CYCLE_CURRENT * l->setup.cycle_current_a; /* false when not known */
    if (!l->setup.as_told) {
        compare_like_with_like(l, &c, check_up);
    }
    if (check_up) {
        tell_check_up(l, &c, found);
        return;
    }
    struct wn_listen_cycle *out = &listen_tell(found, WN_LISTEN_CYCLE, end_ns)->u.cycle;
    out->record = c;
    out->has_discharge = r->has_discharge;
    out->crossed = r->has_discharge && r->discharge.crossed;
    out->beyond_crossing_ah = r->has_discharge ? r->beyond_crossing_ah : 0;
    l->cycles++;
}
