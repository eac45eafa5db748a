/* Campaigns made up in memory.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "unit/findings/made.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct wn_step_record *add_step(struct made *m, enum wn_step_kind kind, int64_t cycle,
                                bool in_check_up, const char *what, double duration_s)
{
    assert_true(m->f.steps < STEPS_MAX);
    struct wn_step_record *s = &m->step[m->f.steps++];
    memset(s, 0, sizeof *s);
    s->step_number = (int64_t)m->f.steps;
    s->cycle = cycle;
    s->in_check_up = in_check_up;
    s->kind = kind;
    (void)snprintf(s->description, sizeof s->description, "%s", what);
    s->start_ns = m->now_ns;
    m->now_ns += wn_ns_from_s(duration_s);
    s->end_ns = m->now_ns;
    (void)snprintf(s->ended_by, sizeof s->ended_by, "%s",
                   kind == WN_STEP_CHARGE ? "current"
                   : kind == WN_STEP_REST ? "duration"
                                          : "voltage");
    s->sums.ambient_min_c = 19;
    s->sums.ambient_max_c = 21;
    s->sums.temperature_start_c = s->sums.temperature_max_c = 20;
    s->sums.end_duration_s = s->sums.duration_s = duration_s;
    return s;
}

struct wn_cycle_record *add_cycle(struct made *m, double current_a, double capacity_ah)
{
    struct wn_cycle_record *r = &m->cycle[m->f.cycle.n++];
    assert_true(m->f.cycle.n <= CYCLES_MAX);
    memset(r, 0, sizeof *r);
    r->cycle = (int64_t)m->f.cycle.n;
    r->start_ns = m->now_ns;
    (void)add_step(m, WN_STEP_CHARGE, r->cycle, false, CLAIM_CHARGE, 3000);
    (void)add_step(m, WN_STEP_REST, r->cycle, false, "rest 1 h", 3600);
    (void)add_step(m, WN_STEP_DISCHARGE, r->cycle, false, "discharge",
                   3600 * capacity_ah / current_a);
    (void)add_step(m, WN_STEP_REST, r->cycle, false, "rest 1 h", 3600);
    r->end_ns = m->now_ns;
    r->capacity_ah = (struct wn_measured){capacity_ah, 0.001};
    r->energy_wh = (struct wn_measured){3.5 * capacity_ah, 0.004};
    r->resistance_ohm = (struct wn_measured){0.02 + 0.0001 * (double)r->cycle, 0.0001};
    r->temperature_max_c = 40 + current_a;
    r->discharge_current_a = current_a;
    r->cutoff_v = 2.5;
    r->cutoff_slope_v_per_s = -0.01;
    return r;
}

struct wn_check_up_record *add_check_up(struct made *m, double capacity_ah)
{
    struct wn_check_up_record *r = &m->check_up[m->f.check_ups++];
    assert_true(m->f.check_ups <= CHECK_UPS_MAX);
    memset(r, 0, sizeof *r);
    r->check_up = (int64_t)m->f.check_ups;
    r->after_cycle = (int64_t)m->f.cycle.n;
    r->start_ns = m->now_ns;
    (void)add_step(m, WN_STEP_CHARGE, r->check_up, true, STANDARD_CHARGE, 3000);
    (void)add_step(m, WN_STEP_REST, r->check_up, true, "rest 1 h", 3600);
    (void)add_step(m, WN_STEP_DISCHARGE, r->check_up, true, "discharge", 3600 * capacity_ah / 0.5);
    (void)add_step(m, WN_STEP_REST, r->check_up, true, "rest 1 h", 3600);
    r->end_ns = m->now_ns;
    r->capacity_ah = (struct wn_measured){capacity_ah, 0.002};
    r->energy_wh = (struct wn_measured){3.6 * capacity_ah, 0.01};
    r->resistance_ohm = (struct wn_measured){0.025 + 0.001 * (double)r->check_up, 0.0005};
    r->resistance_voltage_v = 4.19;
    return r;
}

struct made *made_new(void)
{
    struct made *m = calloc(1, sizeof *m);
    assert_non_null(m);
    struct findings *f = &m->f;
    struct wn_cell *c = &f->info.cell;
    f->step = m->step;
    f->cycle.row = m->cycle;
    f->check_up = m->check_up;
    f->event = m->event;
    f->plan = &m->plan;
    f->over = true;
    f->sense = WN_SENSE_FOUR_WIRE;
    f->info.retention_threshold = 0.7;
    (void)snprintf(f->info.name, sizeof f->info.name, "made-up");
    c->rated_capacity_ah = 2.5;
    c->nominal_capacity_ah = c->ac_impedance_max_ohm = c->dc_resistance_max_ohm = NAN;
    c->ac_impedance_ohm = c->ac_impedance_hz = NAN;
    c->charge_voltage_v = 4.2;
    c->discharge_cutoff_v = 2.5;
    c->standard_charge_current_a = 1.25;
    c->standard_charge_until_a = 0.125;
    c->claim = (struct wn_claim){.cycles = 40,
                                 .charge_current_a = 4,
                                 .charge_until_current_a = 0.1,
                                 .discharge_current_a = 10,
                                 .discharge_until_voltage_v = 2.5,
                                 .retention = 0.8,
                                 .min_ah = 2.0};
    f->measuring.accuracy = (struct wn_accuracy){.voltage_reading = 0.0002,
                                                 .voltage_fixed_v = 0.001,
                                                 .current_reading = 0.0005,
                                                 .current_fixed_a = 0.002,
                                                 .temperature_c = 1,
                                                 .time_reading = 0.00002};
    return m;
}
