/* Fast swarm: the cell and what the instrument makes of it, in exact steps.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Open-circuit voltage is linear in charge and the resistance constant, so a constant current gives
 * a straight line and a constant voltage an exponential. Constant power has no simple form: one
 * step of Runge and Kutta (4th order), whose error over a minute is far below a microvolt. */
#include <math.h>

#include "swarm/fast.h"

enum law { NONE, CONSTANT_CURRENT, CONSTANT_VOLTAGE, CONSTANT_POWER };

/* What the instrument does now, with which value, and for how long at most. */
struct regime {
    enum law law;
    double current_a;
    double most_s;
};

/* Nearly empty and far too full: little charge moves the voltage far. */
#define STEEP       10.0
#define DEAD_LOW_V  (-1.0)
#define DEAD_HIGH_V 6.0

/* Charge from one open-circuit voltage up to another. */
static double below_as(const struct fast_cell *c, double v)
{
    double as = (v - FAST_LOW_V) / c->slope_v_per_as;
    if (v > FAST_HIGH_V) {
        as -= (v - FAST_HIGH_V) / c->slope_v_per_as * (1 - 1 / STEEP);
    }
    return v < FAST_LOW_V ? as / STEEP : as;
}

static double span_as(const struct fast_cell *c, double from_v, double to_v)
{
    return below_as(c, to_v) - below_as(c, from_v);
}

static double power_current_a(const struct fast *w, double ocv_v)
{
    double r = w->cell.resistance_ohm, p = w->output.power_w * w->factor;
    double root = ocv_v * ocv_v - 4 * p * r;
    return root > 0 ? -(ocv_v - sqrt(root)) / (2 * r) : -ocv_v / (2 * r);
}

static struct regime charging(const struct fast *w)
{
    const struct fast_cell *c = &w->cell;
    double set_a = w->output.current_a * w->factor;
    double top_v = w->output.voltage_v - set_a * c->resistance_ohm;
    if (fast_is(w, FAST_NO_REGULATION)) {
        return (struct regime){CONSTANT_CURRENT, set_a, INFINITY};
    }
    if (top_v - c->ocv_v > 1e-9) {
        return (struct regime){CONSTANT_CURRENT, set_a, span_as(c, c->ocv_v, top_v) / set_a};
    }
    double now_a = (w->output.voltage_v - c->ocv_v) / c->resistance_ohm;
    return (struct regime){now_a > 0 ? CONSTANT_VOLTAGE : NONE, fmax(now_a, 0), INFINITY};
}

static struct regime instrument(const struct fast *w)
{
    const struct fast_cell *c = &w->cell;
    bool closed = !w->interlock_open && !fast_is(w, FAST_CONTACT_OPEN);
    if (!closed || (w->on && w->tripped_low)) {
        return (struct regime){NONE, 0, INFINITY};
    }
    if (!w->on) {
        bool leaks = fast_is(w, FAST_LEAK);
        return (struct regime){leaks ? CONSTANT_CURRENT : NONE, leaks ? w->leak_a : 0, INFINITY};
    }
    switch (w->output.mode) {
    case WN_OUTPUT_CHARGE:
        return charging(w);
    case WN_OUTPUT_DISCHARGE: {
        double set_a = w->output.current_a * w->factor;
        if (fast_is(w, FAST_NO_REGULATION)) {
            return (struct regime){CONSTANT_CURRENT, -set_a, INFINITY};
        }
        double end_v = w->output.voltage_v + set_a * c->resistance_ohm;
        return (struct regime){CONSTANT_CURRENT, -set_a,
                               fmax(span_as(c, end_v, c->ocv_v), 0) / set_a};
    }
    case WN_OUTPUT_POWER:
        return (struct regime){CONSTANT_POWER, power_current_a(w, c->ocv_v), INFINITY};
    case WN_OUTPUT_OFF:
    case WN_OUTPUT_FOLLOW: /* every station of the swarm drives */
        break;
    }
    return (struct regime){NONE, 0, INFINITY};
}

/* A cell that is as good as destroyed conducts no more: the numbers stay those of a cell. */
static struct regime regime_now(const struct fast *w)
{
    struct regime g = instrument(w);
    bool dead = (g.current_a < 0 && w->cell.ocv_v < DEAD_LOW_V) ||
                (g.current_a > 0 && w->cell.ocv_v > DEAD_HIGH_V);
    return dead ? (struct regime){NONE, 0, INFINITY} : g;
}

double fast_current_a(const struct fast *w)
{
    return regime_now(w).current_a;
}

double fast_voltage_v(const struct fast *w)
{
    return w->cell.ocv_v + fast_current_a(w) * w->cell.resistance_ohm;
}

static void move(struct fast_cell *c, double charge_as)
{
    double as = below_as(c, c->ocv_v) + charge_as, span = below_as(c, FAST_HIGH_V);
    double outside_as = as < 0 ? as : as > span ? as - span : 0;
    c->ocv_v = FAST_LOW_V + (as - outside_as + outside_as * STEEP) * c->slope_v_per_as;
    if (charge_as > 0) {
        c->in_as += charge_as;
    } else {
        c->out_as -= charge_as;
    }
}

/* First order towards what ambient and loss together make of it. */
static void warm(struct fast *w, double square_a2, double dt_s)
{
    struct fast_cell *c = &w->cell;
    double target_c =
        c->ambient_c + w->weather_k + square_a2 * c->resistance_ohm * c->warmth_k_per_w;
    c->temperature_c = target_c + (c->temperature_c - target_c) * exp(-dt_s / c->warmth_s);
}

/* The loss dies away with half the time constant of the current. */
static void warm_fading(struct fast *w, double from_a, double tau_s, double dt_s)
{
    struct fast_cell *c = &w->cell;
    double half_s = tau_s / 2, loss_k = from_a * from_a * c->resistance_ohm * c->warmth_k_per_w;
    double rate = 1 - c->warmth_s / half_s;
    double own = exp(-dt_s / c->warmth_s);
    if (fabs(rate) < 1e-6) {
        rate = 1e-6;
    }
    double base_c = c->ambient_c + w->weather_k;
    double part_k = loss_k / rate * (exp(-dt_s / half_s) - own);
    c->temperature_c = base_c + (c->temperature_c - base_c) * own + part_k;
}

static double power_step_as(const struct fast *w, double dt_s)
{
    double k = w->cell.slope_v_per_as, v = w->cell.ocv_v;
    double a = power_current_a(w, v);
    double b = power_current_a(w, v + k * a * dt_s / 2);
    double c = power_current_a(w, v + k * b * dt_s / 2);
    double d = power_current_a(w, v + k * c * dt_s);
    return (a + 2 * b + 2 * c + d) / 6 * dt_s;
}

/* The instrument's own stop, in the middle between two readings. */
static void trip_low(struct fast *w, double current_a)
{
    w->tripped_low = true;
    w->step.edge_as += fabs(current_a) * w->setup.reading_interval_s;
}

static void go(struct fast *w, const struct regime *g, double dt_s)
{
    struct fast_cell *c = &w->cell;
    switch (g->law) {
    case NONE:
        warm(w, 0, dt_s);
        break;
    case CONSTANT_CURRENT:
        move(c, g->current_a * dt_s);
        warm(w, g->current_a * g->current_a, dt_s);
        break;
    case CONSTANT_VOLTAGE: {
        double tau_s = c->resistance_ohm / c->slope_v_per_as;
        move(c, g->current_a * tau_s * -expm1(-dt_s / tau_s));
        warm_fading(w, g->current_a, tau_s, dt_s);
        break;
    }
    case CONSTANT_POWER: {
        double charge_as = power_step_as(w, dt_s);
        move(c, charge_as);
        warm(w, charge_as / dt_s * charge_as / dt_s, dt_s);
        if (fast_voltage_v(w) <= w->output.voltage_v) {
            trip_low(w, charge_as / dt_s);
        }
        break;
    }
    }
}

void fast_advance(struct fast *w, wn_ns to)
{
    while (w->now_ns < to) {
        struct regime g = regime_now(w);
        double dt_s = wn_ns_to_s(to - w->now_ns);
        if (g.law == CONSTANT_CURRENT && g.most_s < dt_s) {
            go(w, &g, g.most_s);
            w->now_ns += wn_ns_from_s(g.most_s);
            bool empty = w->on && w->output.mode == WN_OUTPUT_DISCHARGE;
            if (empty) {
                trip_low(w, g.current_a);
            }
            if (!empty) { /* a hair below the set voltage is at it */
                double at_v = w->output.voltage_v - g.current_a * w->cell.resistance_ohm;
                w->cell.ocv_v = fmax(w->cell.ocv_v, at_v);
            }
            continue;
        }
        go(w, &g, dt_s);
        w->now_ns = to;
    }
}
