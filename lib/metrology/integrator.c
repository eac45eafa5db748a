/* Metrology: charge and energy of one step, reading by reading.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "metrology/metrology.h"

#include <math.h>
#include <string.h>

#include "base/assert.h"

#define S_PER_H 3600.0

void wn_sum_add(struct wn_sum *sum, double x)
{
    double t = sum->s + x;
    if (fabs(sum->s) >= fabs(x)) {
        sum->c += (sum->s - t) + x;
    } else {
        sum->c += (x - t) + sum->s;
    }
    sum->s = t;
}

/* One end of an interval. */
struct point {
    double v, i;
};

/* What an interval, or the part of it up to a crossing, moved. */
struct moved {
    double charge_in, charge_out; /* A s */
    double energy_in, energy_out; /* W s */
};

static struct point point_of(const struct wn_reading *r)
{
    return (struct point){r->voltage_v, r->current_a};
}

static struct point between(struct point a, struct point b, double fraction)
{
    return (struct point){a.v + fraction * (b.v - a.v), a.i + fraction * (b.i - a.i)};
}

/* An interval in which the current does not change sign. */
static void move_one_way(struct moved *m, struct point a, struct point b, double dt_s)
{
    double charge = dt_s * (a.i + b.i) / 2;
    double energy = dt_s * (2 * a.v * a.i + 2 * b.v * b.i + a.v * b.i + b.v * a.i) / 6;
    if (charge >= 0) {
        m->charge_in += charge;
    } else {
        m->charge_out -= charge;
    }
    if (energy >= 0) {
        m->energy_in += energy;
    } else {
        m->energy_out -= energy;
    }
}

static struct moved move(struct point a, struct point b, double dt_s)
{
    struct moved m = {0, 0, 0, 0};
    if ((a.i > 0 && b.i < 0) || (a.i < 0 && b.i > 0)) {
        double fraction = a.i / (a.i - b.i);
        struct point zero = between(a, b, fraction);
        zero.i = 0;
        move_one_way(&m, a, zero, dt_s * fraction);
        move_one_way(&m, zero, b, dt_s * (1 - fraction));
    } else {
        move_one_way(&m, a, b, dt_s);
    }
    return m;
}

static bool at_set_voltage(const struct wn_integrator_setup *setup, double voltage_v)
{
    return voltage_v >= setup->cv_voltage_v - WN_CV_TOLERANCE_V; /* false when NaN */
}

/* Part of an interval with linear voltage that lies at the set voltage. */
static double cv_part(const struct wn_integrator_setup *setup, struct point a, struct point b)
{
    bool from = at_set_voltage(setup, a.v), to = at_set_voltage(setup, b.v);
    if (from == to) {
        return from ? 1 : 0;
    }
    double reached = (setup->cv_voltage_v - WN_CV_TOLERANCE_V - a.v) / (b.v - a.v);
    return to ? 1 - reached : reached;
}

static bool at_end(const struct wn_integrator_setup *setup, struct point p)
{
    switch (setup->end_kind) {
    case WN_END_NONE:
        break;
    case WN_END_VOLTAGE_BELOW:
        return p.v <= setup->end_value;
    case WN_END_CURRENT_BELOW:
        return fabs(p.i) <= setup->end_value && at_set_voltage(setup, p.v);
    }
    return false;
}

/* Fraction of the interval a..b at which the end value is crossed; b is the first reading at the
 * end. A current that was small already before the set voltage was reached ends the step at b. */
static double crossing(const struct wn_integrator_setup *setup, struct point a, struct point b)
{
    if (setup->end_at_reading) {
        return 1;
    }
    if (setup->end_kind == WN_END_VOLTAGE_BELOW) {
        return a.v > setup->end_value ? (a.v - setup->end_value) / (a.v - b.v) : 1;
    }
    double sign = a.i < 0 ? -1 : 1;
    double from = sign * a.i, to = sign * b.i;
    return from > setup->end_value ? (from - setup->end_value) / (from - to) : 1;
}

/* Charge or energy in the direction of the step. */
static double directed(const struct wn_integrator *g, double in, double out)
{
    return g->setup.direction > 0 ? in : g->setup.direction < 0 ? out : 0;
}

/* Fixes the end: what was summed up to the last reading, plus the part of the interval before the
 * crossing. Must run before the interval itself is added. */
static void fix_end(struct wn_integrator *g, const struct moved *part, double duration_s,
                    double missing_s)
{
    g->crossed = 1;
    g->end_charge_as = directed(g, wn_sum_value(&g->charge_in) + part->charge_in,
                                wn_sum_value(&g->charge_out) + part->charge_out);
    g->end_energy_ws = directed(g, wn_sum_value(&g->energy_in) + part->energy_in,
                                wn_sum_value(&g->energy_out) + part->energy_out);
    g->end_duration_s = wn_sum_value(&g->duration) + duration_s;
    g->end_missing_s = wn_sum_value(&g->missing) + missing_s;
}

static void add_gap(struct wn_integrator *g, double dt_s, bool ends)
{
    if (ends) { /* somewhere in the gap: the end is the reading that shows it */
        fix_end(g, &(struct moved){0, 0, 0, 0}, dt_s, dt_s);
    }
    wn_sum_add(&g->missing, dt_s);
}

static void add_interval(struct wn_integrator *g, struct point a, struct point b, double dt_s,
                         bool ends)
{
    if (ends) {
        double fraction = crossing(&g->setup, a, b);
        struct moved part = move(a, between(a, b, fraction), dt_s * fraction);
        fix_end(g, &part, dt_s * fraction, 0);
    }
    struct moved m = move(a, b, dt_s);
    wn_sum_add(&g->charge_in, m.charge_in);
    wn_sum_add(&g->charge_out, m.charge_out);
    wn_sum_add(&g->energy_in, m.energy_in);
    wn_sum_add(&g->energy_out, m.energy_out);
    wn_sum_add(&g->cv, dt_s * cv_part(&g->setup, a, b));
}

static void see_temperatures(struct wn_integrator *g, const struct wn_reading *r)
{
    if ((r->has & WN_HAS_TEMPERATURE) && isfinite(r->temperature_c)) {
        if (isnan(g->temperature_start_c)) {
            g->temperature_start_c = r->temperature_c;
        }
        g->temperature_max_c = fmax(g->temperature_max_c, r->temperature_c); /* ignores a NaN */
        g->temperature_min_c = fmin(g->temperature_min_c, r->temperature_c);
    }
    if ((r->has & WN_HAS_AMBIENT) && isfinite(r->ambient_c)) {
        g->ambient_max_c = fmax(g->ambient_max_c, r->ambient_c);
        g->ambient_min_c = fmin(g->ambient_min_c, r->ambient_c);
    }
}

void wn_integrator_init(struct wn_integrator *g, const struct wn_integrator_setup *setup)
{
    wn_assert(setup->direction >= -1 && setup->direction <= 1);
    wn_assert(setup->gap_max_s > 0);
    wn_assert(setup->end_kind == WN_END_NONE || isfinite(setup->end_value));
    wn_assert(setup->end_kind != WN_END_CURRENT_BELOW || isfinite(setup->cv_voltage_v));
    memset(g, 0, sizeof *g);
    g->setup = *setup;
    g->temperature_max_c = g->temperature_min_c = g->temperature_start_c = NAN;
    g->ambient_max_c = g->ambient_min_c = NAN;
}

bool wn_integrator_add(struct wn_integrator *g, const struct wn_reading *r)
{
    wn_assert((r->has & WN_HAS_VOLTAGE) && (r->has & WN_HAS_CURRENT));
    wn_assert(g->readings == 0 || r->time_ns >= g->last.time_ns);
    if (!isfinite(r->voltage_v) || !isfinite(r->current_a)) {
        return false;
    }
    struct point b = point_of(r);
    bool ends = !g->crossed && at_end(&g->setup, b);
    see_temperatures(g, r);
    if (g->readings == 0) {
        g->first = *r;
        if (ends) {
            fix_end(g, &(struct moved){0, 0, 0, 0}, 0, 0);
        }
    } else {
        wn_ns dt_ns = r->time_ns - g->last.time_ns;
        double dt_s = wn_ns_to_s(dt_ns);
        if (g->broken || dt_ns > wn_ns_from_s(g->setup.gap_max_s)) {
            add_gap(g, dt_s, ends);
        } else {
            add_interval(g, point_of(&g->last), b, dt_s, ends);
        }
        wn_sum_add(&g->duration, dt_s);
    }
    g->broken = 0;
    g->last = *r;
    g->readings++;
    return ends;
}

void wn_integrator_break(struct wn_integrator *g)
{
    g->broken = 1;
}

void wn_integrator_sums(const struct wn_integrator *g, struct wn_step_sums *out)
{
    memset(out, 0, sizeof *out);
    out->charge_in_ah = wn_sum_value(&g->charge_in) / S_PER_H;
    out->charge_out_ah = wn_sum_value(&g->charge_out) / S_PER_H;
    out->energy_in_wh = wn_sum_value(&g->energy_in) / S_PER_H;
    out->energy_out_wh = wn_sum_value(&g->energy_out) / S_PER_H;
    out->duration_s = wn_sum_value(&g->duration);
    out->missing_s = wn_sum_value(&g->missing);
    out->cv_s = wn_sum_value(&g->cv);
    out->temperature_max_c = g->temperature_max_c;
    out->temperature_min_c = g->temperature_min_c;
    out->temperature_start_c = g->temperature_start_c;
    out->ambient_max_c = g->ambient_max_c;
    out->ambient_min_c = g->ambient_min_c;
    out->voltage_start_v = g->readings > 0 ? g->first.voltage_v : NAN;
    out->voltage_end_v = g->readings > 0 ? g->last.voltage_v : NAN;
    out->current_end_a = g->readings > 0 ? g->last.current_a : NAN;
    out->readings = g->readings;
    out->crossed = g->crossed;
    if (g->crossed) {
        out->end_charge_ah = g->end_charge_as / S_PER_H;
        out->end_energy_wh = g->end_energy_ws / S_PER_H;
        out->end_duration_s = g->end_duration_s;
        out->end_missing_s = g->end_missing_s;
    } else {
        out->end_charge_ah = directed(g, out->charge_in_ah, out->charge_out_ah);
        out->end_energy_wh = directed(g, out->energy_in_wh, out->energy_out_wh);
        out->end_duration_s = out->duration_s;
        out->end_missing_s = out->missing_s;
    }
}
