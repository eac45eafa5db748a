/* Metrology: standard uncertainty of capacity and energy.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * GUM 5.1.2: u^2 = sum of (sensitivity x u of the input)^2. An instrument's specification is one
 * unknown but constant error over the whole step, so it does not average out over the readings. */
#include "metrology/metrology.h"

#include <math.h>

#include "metrology/accuracy.h"

#define S_PER_H 3600.0

/* Charge beyond or short of the true cut-off per volt of voltage error, Ah/V; 0 when not known. */
static double charge_per_volt_ah(double current_a, double slope_v_per_s)
{
    double slope = fabs(slope_v_per_s);
    return slope > 0 ? fabs(current_a) / slope / S_PER_H : 0; /* NaN: 0 */
}

double wn_capacity_uncertainty_ah(double capacity_ah, double current_a, double duration_s,
                                  double cutoff_v, double slope_v_per_s,
                                  const struct wn_accuracy *a)
{
    double u_current = from_half_width(a->current_reading * fabs(capacity_ah) +
                                       a->current_fixed_a * duration_s / S_PER_H);
    double u_time = from_half_width(a->time_reading) * fabs(capacity_ah);
    double per_volt = charge_per_volt_ah(current_a, slope_v_per_s);
    double u_cutoff = per_volt > 0 && isfinite(cutoff_v) ? voltage_u_v(a, cutoff_v) * per_volt : 0;
    return hypot(hypot(u_current, u_time), u_cutoff);
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
    double capacity_ah = energy_wh / mean_voltage_v;
    double u_current = mean_voltage_v * from_half_width(a->current_reading * fabs(capacity_ah) +
                                                        a->current_fixed_a * duration_s / S_PER_H);
    double u_time = from_half_width(a->time_reading) * fabs(energy_wh);
    double u_voltage = voltage_u_v(a, mean_voltage_v) * fabs(capacity_ah);
    double per_volt = charge_per_volt_ah(current_a, slope_v_per_s);
    if (per_volt > 0 && isfinite(cutoff_v)) {
        u_voltage += voltage_u_v(a, cutoff_v) * per_volt * fabs(cutoff_v);
    }
    return hypot(hypot(u_current, u_time), u_voltage);
}
