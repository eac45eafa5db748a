/* Fast swarm: cell, procedure, limits and habits of one seed.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "swarm/fast.h"

static struct wn_step *add_step(struct wn_procedure *p, enum wn_step_kind kind)
{
    struct wn_step *s = &p->step[p->steps++];
    memset(s, 0, sizeof *s);
    s->kind = kind;
    return s;
}

static void add_rest(struct fast *w, double low_s, double high_s)
{
    add_step(&w->setup.procedure, WN_STEP_REST)->duration_s = floor(fast_between(w, low_s, high_s));
}

/* Rates in It. */
static void add_charge(struct fast *w, double rate)
{
    double ah = w->setup.cell.rated_capacity_ah;
    struct wn_step *s = add_step(&w->setup.procedure, WN_STEP_CHARGE);
    s->current_a = rate * ah;
    s->voltage_v = w->setup.cell.charge_voltage_v;
    s->until_current_a = 0.05 * ah;
    s->time_limit_s = 3600 / rate * 1.5 + 7200;
}

static void add_discharge(struct fast *w, double rate, bool power)
{
    double ah = w->setup.cell.rated_capacity_ah;
    struct wn_procedure *p = &w->setup.procedure;
    struct wn_step *s = add_step(p, power ? WN_STEP_DISCHARGE_POWER : WN_STEP_DISCHARGE);
    s->current_a = power ? 0 : rate * ah;
    s->power_w = power ? rate * ah * 3.0 : 0; /* its current stays below that rate / 2.9 x 3 */
    s->until_voltage_v = w->setup.cell.discharge_cutoff_v;
    s->time_limit_s = 3600 / rate * 1.5 + 3600;
}

static void add_pulse(struct fast *w)
{
    double ah = w->setup.cell.rated_capacity_ah;
    struct wn_step *s = add_step(&w->setup.procedure, WN_STEP_PULSE);
    s->levels = 2;
    s->level[0] = (struct wn_level){0.2 * ah, 10};
    s->level[1] = (struct wn_level){ah, 1};
    s->until_voltage_v = w->setup.cell.discharge_cutoff_v;
}

static void add_check_up(struct fast *w, int64_t cycles)
{
    struct wn_procedure *p = &w->setup.procedure;
    p->check_up_first_step = p->steps;
    add_charge(w, 0.5);
    add_rest(w, 1800, 7200);
    add_pulse(w);
    add_discharge(w, 0.2, false);
    add_rest(w, 1800, 7200);
    p->check_up_steps = p->steps - p->check_up_first_step;
    p->check_up_every = 1 + (int64_t)wn_prng_below(&w->rng, (uint64_t)(cycles < 10 ? cycles : 10));
}

static void set_procedure(struct fast *w)
{
    struct wn_procedure *p = &w->setup.procedure;
    (void)snprintf(p->name, sizeof p->name, "fast");
    int64_t cycles = 0;
    int phases = 1 + (int)wn_prng_below(&w->rng, 3);
    if (wn_prng_below(&w->rng, 3) == 0) { /* a phase without cycles before all others */
        p->phase[p->phases++] = (struct wn_phase){"first", 0, 1, 1, false};
        add_rest(w, 600, 14400);
    }
    for (int i = 0; i < phases; i++) {
        struct wn_phase *phase = &p->phase[p->phases++];
        *phase = (struct wn_phase){"cycles", p->steps, 0, 1, true};
        phase->repeat = 1 + (int64_t)wn_prng_below(&w->rng, 30);
        add_charge(w, fast_between(w, 0.3, 1.0));
        add_rest(w, 600, 7200);
        add_discharge(w, fast_between(w, 0.3, 2.0), wn_prng_below(&w->rng, 4) == 0);
        if (wn_prng_below(&w->rng, 8) != 0 || !FAST_CHARGE_WITHOUT_REST) {
            add_rest(w, 600, 7200);
        }
        phase->steps = p->steps - phase->first_step;
        cycles += phase->repeat;
    }
    if (wn_prng_below(&w->rng, 3) != 0) {
        add_check_up(w, cycles);
    }
    p->resistance_delay_s = wn_prng_below(&w->rng, 2) == 0 ? 1 : 0;
    p->ambient_min_c = 15;
    p->ambient_max_c = 30;
    p->rest_min_s = 900;
}

static void set_limits(struct fast *w)
{
    const struct wn_cell *c = &w->setup.cell;
    double ah = c->rated_capacity_ah;
    w->setup.limits = (struct wn_limits){.voltage_max_v = c->voltage_max_v,
                                         .voltage_min_v = c->voltage_min_v,
                                         .charge_temperature_min_c = 0,
                                         .charge_temperature_max_c = 45,
                                         .discharge_temperature_min_c = -20,
                                         .discharge_temperature_max_c = 60,
                                         .rest_temperature_max_c = 60,
                                         .temperature_rise_k_per_min = 10,
                                         .above_ambient_k = 35,
                                         .charge_current_max_a = 1.1 * ah,
                                         .discharge_current_max_a = 2.2 * ah,
                                         .set_point_tolerance_a = 0.05,
                                         .set_point_tolerance = 0.01,
                                         .off_current_a = 0.02,
                                         .charge_max_ah = 1.25 * ah,
                                         .voltage_jump_v = 0.3,
                                         .below_ambient_k = 8,
                                         .thermometer_frozen_s = 1200,
                                         .charge_excess = 0.15,
                                         .contact_ohm = 0.3,
                                         .rest_sag_v = 0.1,
                                         .capacity_collapse = 0.2,
                                         .needs_temperature = true};
    w->setup.limits.frozen_s = 600 + 5 * w->setup.reading_interval_s;
    w->setup.limits.unwatched_s = 1.2 * w->setup.gap_max_s;
}

static void set_cell(struct fast *w)
{
    struct wn_cell *c = &w->setup.cell;
    (void)snprintf(c->name, sizeof c->name, "fast-cell");
    c->rated_capacity_ah = fast_between(w, 1.0, 5.0);
    c->charge_voltage_v = 4.2;
    c->discharge_cutoff_v = fast_between(w, 2.9, 3.1);
    c->voltage_max_v = 4.25;
    c->voltage_min_v = 2.5;
    c->reduced_charge_below_c = -100;
    c->reduced_charge_above_c = 100;
    double as = 3600 * c->rated_capacity_ah;
    w->cell =
        (struct fast_cell){.ocv_v = fast_between(w, 3.2, 4.0),
                           .slope_v_per_as = 1.2 / as,
                           .resistance_ohm = fast_between(w, 0.06, 0.12) / c->rated_capacity_ah,
                           .ambient_c = fast_between(w, 19, 26),
                           .warmth_k_per_w = 10 / c->rated_capacity_ah,
                           .warmth_s = fast_between(w, 400, 1200)};
    w->cell.temperature_c = w->cell.ambient_c;
}

void fast_setup(struct fast *w)
{
    w->setup.reading_interval_s = fast_between(w, 10, 60);
    w->setup.rest_interval_s = fast_between(w, 60, 600);
    w->setup.fast_interval_s = fast_between(w, 1, 4);
    w->setup.gap_max_s = w->setup.reading_interval_s * fast_between(w, 3, 6);
    w->setup.off_timeout_s = fast_between(w, 3, 12);
    w->setup.pause_recovery_s = 3600;
    w->setup.restart_voltage_tolerance_v = wn_prng_below(&w->rng, 2) == 0 ? 0.4 : INFINITY;
    set_cell(w);
    set_procedure(w);
    set_limits(w);
    w->latency_s = fast_between(w, 0.02, 0.3);
    w->has_interlock = wn_prng_below(&w->rng, 2) == 0;
    w->commit_s = fast_between(w, 60, 1800);
    w->resumes = wn_prng_below(&w->rng, 2) == 0;
    w->diligent = wn_prng_below(&w->rng, 8) != 0;
}
