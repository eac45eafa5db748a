/* Metrology: figures of a cycle from the sums of its steps, and the words for its flags.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "metrology/metrology.h"

#include <math.h>
#include <stddef.h>

#include "metrology/ratio.h"

#define S_PER_H 3600.0

const char *wn_cycle_flag_word(unsigned flag)
{
    switch (flag) {
#define FLAG_WORD(name, bit, word, text)                                                           \
    case WN_FLAG_##name:                                                                           \
        return word;
        WN_CYCLE_FLAG_LIST(FLAG_WORD)
#undef FLAG_WORD
    default:
        return NULL;
    }
}

const char *wn_cycle_flag_text(unsigned flag)
{
    switch (flag) {
#define FLAG_TEXT(name, bit, word, text)                                                           \
    case WN_FLAG_##name:                                                                           \
        return text;
        WN_CYCLE_FLAG_LIST(FLAG_TEXT)
#undef FLAG_TEXT
    default:
        return NULL;
    }
}

static double ratio(double a, double b)
{
    return b > 0 ? a / b : NAN;
}

static void derive_efficiency(struct wn_cycle_record *cycle, const struct wn_step_sums *charge,
                              double seen_s, const struct wn_accuracy *a)
{
    struct wn_budget b;
    const struct wn_discharge_facts out = {.capacity_ah = cycle->capacity_ah.value,
                                           .energy_wh = cycle->energy_wh.value,
                                           .duration_s = seen_s},
                                    in = {.capacity_ah = cycle->charge_ah,
                                          .energy_wh = cycle->charge_wh,
                                          .duration_s = charge != NULL
                                                            ? charge->duration_s - charge->missing_s
                                                            : NAN};
    cycle->coulombic_efficiency = ratio(cycle->capacity_ah.value, cycle->charge_ah);
    cycle->energy_efficiency = ratio(cycle->energy_wh.value, cycle->charge_wh);
    wn_coulombic_budget(&in, &out, a, &b);
    cycle->coulombic_efficiency_u = isfinite(cycle->coulombic_efficiency) ? b.u : NAN;
    wn_energy_efficiency_budget(&in, &out, a, &b);
    cycle->energy_efficiency_u = isfinite(cycle->energy_efficiency) ? b.u : NAN;
}

void wn_cycle_derive(struct wn_cycle_record *cycle, const struct wn_step_sums *charge,
                     const struct wn_step_sums *discharge, double slope_v_per_s,
                     const struct wn_accuracy *a)
{
    double capacity_ah = discharge->end_charge_ah, energy_wh = discharge->end_energy_wh;
    double seen_s = discharge->end_duration_s - discharge->end_missing_s;
    double slope = discharge->crossed ? slope_v_per_s : NAN; /* else no cut-off error */

    cycle->mean_voltage_v = ratio(energy_wh, capacity_ah);
    cycle->discharge_current_a = ratio(capacity_ah * S_PER_H, seen_s);
    cycle->capacity_ah.value = capacity_ah;
    cycle->capacity_ah.u = wn_capacity_uncertainty_ah(capacity_ah, cycle->discharge_current_a,
                                                      seen_s, cycle->cutoff_v, slope, a);
    cycle->energy_wh.value = energy_wh;
    cycle->energy_wh.u = wn_energy_uncertainty_to_cutoff_wh(energy_wh, cycle->mean_voltage_v,
                                                            cycle->discharge_current_a, seen_s,
                                                            cycle->cutoff_v, slope, a);
    cycle->charge_ah = charge != NULL ? charge->charge_in_ah : NAN;
    cycle->charge_wh = charge != NULL ? charge->energy_in_wh : NAN;
    derive_efficiency(cycle, charge, seen_s, a);
    cycle->cutoff_slope_v_per_s = slope != 0 ? -fabs(slope) : NAN;
    cycle->temperature_max_c = discharge->temperature_max_c;
    cycle->temperature_rise_k = discharge->temperature_max_c - discharge->temperature_start_c;
    cycle->ambient_min_c = discharge->ambient_min_c;
    cycle->ambient_max_c = discharge->ambient_max_c;
    if (charge != NULL) { /* fmax and fmin ignore a NaN */
        cycle->temperature_max_c = fmax(cycle->temperature_max_c, charge->temperature_max_c);
        cycle->ambient_min_c = fmin(cycle->ambient_min_c, charge->ambient_min_c);
        cycle->ambient_max_c = fmax(cycle->ambient_max_c, charge->ambient_max_c);
    }
}
