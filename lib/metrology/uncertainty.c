/* Metrology: standard uncertainty of capacity and energy.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * GUM 5.1.2: u^2 = sum of (sensitivity x u of the input)^2. An instrument's specification is one
 * unknown but constant error over the whole step, so it does not average out over the readings. */
#include "metrology/metrology.h"

#include <math.h>

#include "base/assert.h"
#include "metrology/accuracy.h"
#include "metrology/calibration.h"
#include "metrology/ratio.h"

#define S_PER_H 3600.0

/* Charge beyond or short of the true cut-off per volt of voltage error, Ah/V; 0 when not known. */
static double charge_per_volt_ah(double current_a, double slope_v_per_s)
{
    double slope = fabs(slope_v_per_s);
    return slope > 0 ? fabs(current_a) / slope / S_PER_H : 0; /* NaN: 0 */
}

/* -- budgets
 * ------------------------------------------------------------------------------------ */

static void begin(struct wn_budget *b)
{
    b->n = 0;
    b->u = 0;
}

/* A line of nothing is left out; NaN is kept, so that it shows. */
static void add(struct wn_budget *b, const char *what, double u, bool correlated)
{
    if (u == 0) {
        return;
    }
    wn_assert(b->n < WN_BUDGET_MAX);
    b->line[b->n++] = (struct wn_budget_line){what, u, correlated};
    b->u = hypot(b->u, u);
}

static double current_part_ah(const struct wn_discharge_facts *d, const struct wn_accuracy *a)
{
    return from_half_width(a->current_reading * fabs(d->capacity_ah) +
                           a->current_fixed_a * d->duration_s / S_PER_H);
}

/* Seconds that one independent error per reading counts for: T / sqrt N. */
static double averaged_s(const struct wn_discharge_facts *d)
{
    return d->readings > 0 ? d->duration_s / sqrt((double)d->readings) : 0;
}

/* Charge per volt where the discharge ended by its voltage, else 0. */
static double at_cutoff_ah_per_v(const struct wn_discharge_facts *d)
{
    return isfinite(d->cutoff_v) ? charge_per_volt_ah(d->current_a, d->slope_v_per_s) : 0;
}

void wn_capacity_budget(const struct wn_discharge_facts *d, const struct wn_accuracy *a,
                        const struct wn_noise *noise, struct wn_budget *out)
{
    double per_volt = at_cutoff_ah_per_v(d);
    begin(out);
    add(out, "current", current_part_ah(d, a), true);
    add(out, "time base", from_half_width(a->time_reading) * fabs(d->capacity_ah), true);
    add(out, "cut-off", per_volt > 0 ? voltage_u_v(a, d->cutoff_v) * per_volt : 0, true);
    add(out, "noise of the current", noise->current_a * averaged_s(d) / S_PER_H, false);
    add(out, "noise at the cut-off", noise->voltage_v * per_volt, false);
}

void wn_energy_budget(const struct wn_discharge_facts *d, const struct wn_accuracy *a,
                      const struct wn_noise *noise, struct wn_budget *out)
{
    double mean_v = d->energy_wh / d->capacity_ah, per_volt = at_cutoff_ah_per_v(d);
    double voltage_wh = voltage_u_v(a, mean_v) * fabs(d->capacity_ah);
    if (per_volt > 0) { /* one error: a voltmeter that reads high discharges for longer, too */
        voltage_wh += voltage_u_v(a, d->cutoff_v) * per_volt * fabs(d->cutoff_v);
    }
    double noise_w = hypot(noise->current_a * mean_v, noise->voltage_v * d->current_a);
    begin(out);
    add(out, "current", fabs(mean_v) * current_part_ah(d, a), true);
    add(out, "time base", from_half_width(a->time_reading) * fabs(d->energy_wh), true);
    add(out, "voltage and cut-off", voltage_wh, true);
    add(out, "noise", noise_w * averaged_s(d) / S_PER_H, false);
    add(out, "noise at the cut-off",
        per_volt > 0 ? noise->voltage_v * per_volt * fabs(d->cutoff_v) : 0, false);
}

void wn_resistance_budget(double r_ohm, double di_a, const struct wn_accuracy *a,
                          const struct wn_noise *noise, struct wn_budget *out)
{
    double amps = fabs(di_a);
    begin(out);
    add(out, "gain of the voltage", from_half_width(a->voltage_reading) * fabs(r_ohm), true);
    add(out, "gain of the current", from_half_width(a->current_reading) * fabs(r_ohm), true);
    add(out, "noise of the voltage", sqrt(2.0) * noise->voltage_v / amps, false);
    add(out, "noise of the current", sqrt(2.0) * noise->current_a * fabs(r_ohm) / amps, false);
}

/* -- ratios
 * ------------------------------------------------------------------------------------- */

/* Part of the charge per ampere of offset, and per volt of error at the cut-off. */
static double per_offset_1_per_a(const struct wn_discharge_facts *d)
{
    return d->duration_s / S_PER_H / fabs(d->capacity_ah);
}

static double per_cutoff_1_per_v(const struct wn_discharge_facts *d)
{
    bool told = isnan(d->cutoff_v) || fabs(d->slope_v_per_s) > 0;
    return told ? at_cutoff_ah_per_v(d) / fabs(d->capacity_ah) : NAN;
}

void wn_retention_budget(const struct wn_discharge_facts *first,
                         const struct wn_discharge_facts *now, const struct wn_accuracy *a,
                         const struct wn_drift *drift, struct wn_budget *out)
{
    double r = fabs(now->capacity_ah / first->capacity_ah);
    double offset = per_offset_1_per_a(now), cutoff = per_cutoff_1_per_v(now);
    double cutoff_u_v = isfinite(now->cutoff_v) ? voltage_u_v(a, now->cutoff_v) : 0;
    begin(out);
    add(out, "offset of the current",
        from_half_width(a->current_fixed_a) * fabs(offset - per_offset_1_per_a(first)) * r, true);
    add(out, "cut-off", cutoff_u_v * fabs(cutoff - per_cutoff_1_per_v(first)) * r, true);
    add(out, "drift of the current", from_half_width(drift->current_a) * offset * r, true);
    add(out, "drift of the voltage", from_half_width(drift->voltage_v) * cutoff * r, true);
}

/* In parts of the efficiency: what the current, and what the voltage is wrong by. */
static double current_part(const struct wn_discharge_facts *d, const struct wn_accuracy *a)
{
    return from_half_width(a->current_reading + a->current_fixed_a * per_offset_1_per_a(d));
}

static double voltage_part(const struct wn_discharge_facts *d, const struct wn_accuracy *a)
{
    return from_half_width(a->voltage_reading +
                           a->voltage_fixed_v * fabs(d->capacity_ah / d->energy_wh));
}

static void efficiency(const struct wn_discharge_facts *charge,
                       const struct wn_discharge_facts *discharge, double r,
                       const struct wn_accuracy *a, struct wn_budget *out)
{
    double offset = per_offset_1_per_a(discharge) + per_offset_1_per_a(charge);
    begin(out);
    if (a->apart) {
        add(out, "current of the charge", current_part(charge, a) * fabs(r), true);
        add(out, "current of the discharge", current_part(discharge, a) * fabs(r), true);
    } else {
        add(out, "offset of the current", from_half_width(a->current_fixed_a) * offset * fabs(r),
            true);
    }
}

void wn_coulombic_budget(const struct wn_discharge_facts *charge,
                         const struct wn_discharge_facts *discharge, const struct wn_accuracy *a,
                         struct wn_budget *out)
{
    efficiency(charge, discharge, discharge->capacity_ah / charge->capacity_ah, a, out);
}

void wn_energy_efficiency_budget(const struct wn_discharge_facts *charge,
                                 const struct wn_discharge_facts *discharge,
                                 const struct wn_accuracy *a, struct wn_budget *out)
{
    double r = discharge->energy_wh / charge->energy_wh;
    double offset_1_per_v =
        discharge->capacity_ah / discharge->energy_wh - charge->capacity_ah / charge->energy_wh;
    efficiency(charge, discharge, r, a, out);
    if (a->apart) {
        add(out, "voltage of the charge", voltage_part(charge, a) * fabs(r), true);
        add(out, "voltage of the discharge", voltage_part(discharge, a) * fabs(r), true);
    } else {
        add(out, "offset of the voltage",
            from_half_width(a->voltage_fixed_v) * fabs(offset_1_per_v * r), true);
    }
}

/* -- without noise
 * ------------------------------------------------------------------------------ */

static const struct wn_noise none = {0, 0};

double wn_capacity_uncertainty_ah(double capacity_ah, double current_a, double duration_s,
                                  double cutoff_v, double slope_v_per_s,
                                  const struct wn_accuracy *a)
{
    const struct wn_discharge_facts d = {.capacity_ah = capacity_ah,
                                         .energy_wh = NAN,
                                         .current_a = current_a,
                                         .duration_s = duration_s,
                                         .cutoff_v = cutoff_v,
                                         .slope_v_per_s = slope_v_per_s};
    struct wn_budget b;
    wn_capacity_budget(&d, a, &none, &b);
    return b.u;
}

double wn_energy_uncertainty_wh(double energy_wh, double mean_voltage_v, double current_a,
                                double duration_s, const struct wn_accuracy *a)
{
    return wn_energy_uncertainty_to_cutoff_wh(energy_wh, mean_voltage_v, current_a, duration_s, NAN,
                                              NAN, a);
}

double wn_energy_uncertainty_to_cutoff_wh(double energy_wh, double mean_voltage_v, double current_a,
                                          double duration_s, double cutoff_v, double slope_v_per_s,
                                          const struct wn_accuracy *a)
{
    const struct wn_discharge_facts d = {.capacity_ah = energy_wh / mean_voltage_v,
                                         .energy_wh = energy_wh,
                                         .current_a = current_a,
                                         .duration_s = duration_s,
                                         .cutoff_v = cutoff_v,
                                         .slope_v_per_s = slope_v_per_s};
    struct wn_budget b;
    wn_energy_budget(&d, a, &none, &b);
    return b.u;
}
