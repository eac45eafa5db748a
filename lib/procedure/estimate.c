/* Procedure: what it will cost, roughly.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "procedure/procedure.h"

#include <math.h>
#include <string.h>

#include "base/assert.h"

#define S_PER_H 3600.0
/* The constant-voltage part takes about a third of the constant-current time of a whole charge. */
#define CV_SHARE (1.0 / 3)

struct tally {
    struct wn_estimate *out;
    double capacity_ah, mean_voltage_v;
    double content_ah; /* in the cell now */
};

static double hours_within(double hours, double time_limit_s)
{
    return time_limit_s > 0 ? fmin(hours, time_limit_s / S_PER_H) : hours;
}

static void charge(struct tally *t, const struct wn_step *s)
{
    if (!(s->current_a > 0)) {
        return;
    }
    double missing_ah = t->capacity_ah - t->content_ah;
    double hours = hours_within(missing_ah / s->current_a * (1 + CV_SHARE), s->time_limit_s);
    double moved_ah = fmin(missing_ah, hours * s->current_a);
    t->content_ah += moved_ah;
    t->out->duration_s += hours * S_PER_H;
    t->out->charge_in_ah += moved_ah;
    t->out->energy_in_wh += moved_ah * t->mean_voltage_v;
}

static void discharge(struct tally *t, double current_a, double hours)
{
    double moved_ah = fmin(t->content_ah, current_a * hours);
    t->content_ah -= moved_ah;
    t->out->duration_s += hours * S_PER_H;
    t->out->energy_out_wh += moved_ah * t->mean_voltage_v;
}

static void whole_discharge(struct tally *t, const struct wn_step *s, double current_a)
{
    if (current_a > 0) {
        discharge(t, current_a, hours_within(t->content_ah / current_a, s->time_limit_s));
    }
}

static void add_step(struct tally *t, const struct wn_step *s)
{
    switch (s->kind) {
    case WN_STEP_CHARGE:
        charge(t, s);
        break;
    case WN_STEP_REST:
        t->out->duration_s += s->duration_s;
        break;
    case WN_STEP_DISCHARGE:
        whole_discharge(t, s, s->current_a);
        break;
    case WN_STEP_DISCHARGE_POWER:
        whole_discharge(t, s, s->power_w / t->mean_voltage_v);
        break;
    case WN_STEP_PULSE:
        for (int i = 0; i < s->levels; i++) {
            discharge(t, s->level[i].current_a, s->level[i].duration_s / S_PER_H);
        }
        break;
    }
}

void wn_procedure_estimate(const struct wn_procedure *proc, double capacity_ah,
                           double mean_voltage_v, struct wn_estimate *out)
{
    struct tally t = {out, capacity_ah, mean_voltage_v, 0};
    struct wn_position p;
    wn_assert(capacity_ah > 0 && mean_voltage_v > 0);
    memset(out, 0, sizeof *out);
    for (wn_position_init(&p, proc); !wn_position_finished(&p, proc);
         wn_position_advance(&p, proc)) {
        add_step(&t, wn_position_step(&p, proc));
        out->steps++;
    }
    out->cycles = p.cycles_done;
    out->check_ups = p.check_ups_done;
}
