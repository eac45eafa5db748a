/* Procedures put together step by step, for the tests.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_MAKE_H
#define WN_TESTS_MAKE_H

#include "support/near.h"

#include <stdio.h>
#include <string.h>

#include "procedure/procedure.h"

static inline struct wn_step charge(double current_a, double voltage_v, double until_a)
{
    struct wn_step s = {.kind = WN_STEP_CHARGE,
                        .current_a = current_a,
                        .voltage_v = voltage_v,
                        .until_current_a = until_a,
                        .time_limit_s = 4 * 3600};
    return s;
}

static inline struct wn_step rest(double duration_s)
{
    struct wn_step s = {.kind = WN_STEP_REST, .duration_s = duration_s};
    return s;
}

static inline struct wn_step discharge(double current_a, double until_v)
{
    struct wn_step s = {.kind = WN_STEP_DISCHARGE,
                        .current_a = current_a,
                        .until_voltage_v = until_v,
                        .time_limit_s = 8 * 3600};
    return s;
}

static inline struct wn_step discharge_power(double power_w, double until_v)
{
    struct wn_step s = {.kind = WN_STEP_DISCHARGE_POWER,
                        .power_w = power_w,
                        .until_voltage_v = until_v,
                        .time_limit_s = 8 * 3600};
    return s;
}

static inline struct wn_step pulse(double i1_a, double t1_s, double i2_a, double t2_s)
{
    struct wn_step s = {.kind = WN_STEP_PULSE,
                        .until_voltage_v = 2.5,
                        .levels = 2,
                        .level = {{i1_a, t1_s}, {i2_a, t2_s}}};
    return s;
}

static inline void clear(struct wn_procedure *p)
{
    memset(p, 0, sizeof *p);
    p->resistance_delay_s = 1;
    p->ambient_min_c = 15;
    p->ambient_max_c = 25;
    p->rest_min_s = 3600;
}

static inline struct wn_step *append(struct wn_procedure *p, struct wn_step s)
{
    p->step[p->steps] = s;
    p->step[p->steps].source_line = 11 + p->steps;
    return &p->step[p->steps++];
}

/** Begins a phase at the steps that are appended next; end_phase() closes it. */
static inline struct wn_phase *begin_phase(struct wn_procedure *p, const char *name, int64_t repeat,
                                           bool makes_cycles)
{
    struct wn_phase *phase = &p->phase[p->phases++];
    (void)snprintf(phase->name, sizeof phase->name, "%s", name);
    phase->first_step = p->steps;
    phase->repeat = repeat;
    phase->makes_cycles = makes_cycles;
    return phase;
}

static inline void end_phase(struct wn_procedure *p)
{
    struct wn_phase *phase = &p->phase[p->phases - 1];
    phase->steps = p->steps - phase->first_step;
}

/** The claim of a 2.5 Ah cell: 300 times 4 A to 4.2 V until 100 mA, 1 h, 10 A to 2.5 V, 1 h. */
static inline void make_claim(struct wn_procedure *p)
{
    clear(p);
    (void)begin_phase(p, "claim", 300, true);
    (void)append(p, charge(4, 4.2, 0.1));
    (void)append(p, rest(3600));
    (void)append(p, discharge(10, 2.5));
    (void)append(p, rest(3600));
    end_phase(p);
}

/** A check-up: charge, pulse, charge, 0.2 It. */
static inline void add_check_up(struct wn_procedure *p, int64_t every)
{
    p->check_up_first_step = p->steps;
    (void)append(p, charge(1.25, 4.2, 0.125));
    (void)append(p, pulse(0.5, 10, 2.5, 1));
    (void)append(p, charge(1.25, 4.2, 0.125));
    (void)append(p, discharge(0.5, 2.5));
    p->check_up_steps = p->steps - p->check_up_first_step;
    p->check_up_every = every;
}

#endif
