/* Metrology: charge, energy, resistance and their uncertainty from readings.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. Charge and energy are integrated by the trapezoid rule over every reading with the reading's own time; sums are
 * compensated (Neumaier), so ten million readings lose nothing. A gap longer than gap_max_s is never integrated: it is counted
 * in missing_s and flags the cycle. Current is positive when it charges the cell. */
#ifndef WN_METROLOGY_METROLOGY_H
#define WN_METROLOGY_METROLOGY_H

#include <stdbool.h>
#include "base/reading.h"
#include "metrology/cycle.h"

/** Compensated sum. */
struct wn_sum {
    double s, c;
};
void wn_sum_add(struct wn_sum *sum, double x);
static inline double wn_sum_value(const struct wn_sum *sum)
{
    return sum->s + sum->c;
}

/** Accuracy of an instrument, half-width of a rectangular distribution (GUM 4.3.7): a = reading part + fixed part. */
struct wn_accuracy {
    double voltage_reading;  /* 1 (e.g. 500 ppm = 0.0005) */
    double voltage_fixed_v;
    double current_reading;  /* 1 */
    double current_fixed_a;
    double temperature_c;
    double time_reading;     /* 1, relative error of the time base */
};

/** What ends a step exactly; the crossing is interpolated linearly between the two readings around it. */
enum wn_end_kind {
    WN_END_NONE,          /* by time or by the caller */
    WN_END_VOLTAGE_BELOW, /* discharge: voltage_v <= end_value */
    WN_END_CURRENT_BELOW  /* charge: |current_a| <= end_value while at the set voltage */
};

struct wn_integrator_setup {
    int direction;          /* +1 charge, -1 discharge, 0 rest: the direction end_charge_ah counts */
    enum wn_end_kind end_kind;
    double end_value;
    double cv_voltage_v;    /* charge: set voltage, for cv_s and for arming the current end; else NaN */
    double gap_max_s;       /* longer intervals are gaps */
};

/** Integrates one step. Visible so that it can be saved and restored whole; treat as opaque. Plain data without pointers. */
struct wn_integrator {
    struct wn_integrator_setup setup;
    struct wn_reading first, last;
    struct wn_sum charge_in, charge_out, energy_in, energy_out; /* A s, W s */
    struct wn_sum duration, missing, cv;                        /* s */
    double temperature_max_c, temperature_min_c, temperature_start_c;
    double ambient_max_c, ambient_min_c;
    double end_charge_as, end_energy_ws, end_duration_s;
    int64_t readings;
    int crossed;
    int broken; /* the next interval is a gap whatever its length (after an interruption) */
};

void wn_integrator_init(struct wn_integrator *g, const struct wn_integrator_setup *setup);

/** Adds a reading (voltage and current present; time_ns not before the last one, asserted).
 * Returns true when this reading is the first at or beyond the end value: the exact end was interpolated and is fixed from then
 * on, while the whole-step sums go on counting (the current that still flows until the output is off is charge too). */
bool wn_integrator_add(struct wn_integrator *g, const struct wn_reading *r);

/** Declares that the station was blind since the last reading: the next interval counts as missing, whatever its length. */
void wn_integrator_break(struct wn_integrator *g);

/** The sums so far in trade units. end_* equal the whole-step sums when nothing was crossed. */
void wn_integrator_sums(const struct wn_integrator *g, struct wn_step_sums *out);

/** Standard uncertainty of the capacity of a discharge (GUM, JCGM 100:2008 clause 5): systematic current error over the whole
 * step (rectangular, /sqrt 3), time base, and the cut-off voltage error divided by the slope at the end, combined in quadrature.
 *
 * @param slope_v_per_s  dV/dt magnitude at the crossing; 0 or NaN: that part is left out */
double wn_capacity_uncertainty_ah(double capacity_ah, double current_a, double duration_s,
                                  double cutoff_v, double slope_v_per_s, const struct wn_accuracy *a);

/** The same for energy, with the voltage error of the mean voltage. */
double wn_energy_uncertainty_wh(double energy_wh, double mean_voltage_v, double current_a,
                                double duration_s, const struct wn_accuracy *a);

/** DC resistance by the two-level method of IEC 61960-3 (from memory): U1 at the end of 10 s at 0.2 It, U2 at the end of 1 s at
 * 1 It, R = (U1 - U2) / (I2 - I1) with magnitudes of the discharge currents. The error common to both voltage readings (the fixed
 * part) does not cancel in the worst case and is taken as independent.
 *
 * @return value and u in ohm; both NaN when I2 <= I1 or any input is not finite. */
struct wn_measured wn_resistance_two_level(double u1_v, double i1_a, double u2_v, double i2_a,
                                           const struct wn_accuracy *a);

/** One-step method: from rest (u0 at i0 about 0) to u1 at current i1 (signed, as readings are): R = (u1 - u0) / (i1 - i0). */
struct wn_measured wn_resistance_one_step(double u0_v, double i0_a, double u1_v, double i1_a,
                                          const struct wn_accuracy *a);

/** Slope of voltage against time at the end, by least squares over the last few readings kept by the caller; V/s, NaN if n < 2. */
double wn_slope_v_per_s(const struct wn_reading *r, int n);

/** Derived figures of a cycle from its sums: efficiency, mean voltage, uncertainty. NaN where an input is NaN.
 * `charge` may be NULL when the charge before the discharge was not seen. */
void wn_cycle_derive(struct wn_cycle_record *cycle, const struct wn_step_sums *charge,
                     const struct wn_step_sums *discharge, double slope_v_per_s,
                     const struct wn_accuracy *a);

#endif
