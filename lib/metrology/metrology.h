/* Metrology: charge, energy, resistance and their uncertainty from readings.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. Between two readings voltage and current are taken to be straight lines in time, over
 * every reading with the reading's own time:
 *
 *   charge = dt (I0 + I1) / 2                                  the trapezoid rule
 *   energy = dt (2 V0 I0 + 2 V1 I1 + V0 I1 + V1 I0) / 6        exact for the product of two lines
 *
 * (the trapezoid of the power, dt (V0 I0 + V1 I1) / 2, is larger by dt (V1 - V0)(I1 - I0) / 6: the
 * same at constant current or constant voltage, wrong where both move). Where the current changes
 * sign the interval is split at the instant it is zero, so charge in and charge out are never set
 * off against each other. A part's charge and energy count as in or out by their own sign; for a
 * cell of positive voltage both follow the current.
 *
 * Sums are compensated (Neumaier 1974), so ten million readings lose nothing. An interval longer
 * than gap_max_s is a gap and never integrated: it is counted in missing_s and flags the cycle.
 * Current is positive when it charges the cell. */
#ifndef WN_METROLOGY_METROLOGY_H
#define WN_METROLOGY_METROLOGY_H

#include <stdbool.h>
#include "base/reading.h"
#include "metrology/cycle.h"

/** Compensated sum; all zero is the empty sum. */
struct wn_sum {
    double s, c;
};

/** Adds x by Neumaier's variant of Kahan's summation (ZAMM 54, 1974; from memory): also right when
 * x is larger than the sum so far. */
void wn_sum_add(struct wn_sum *sum, double x);
static inline double wn_sum_value(const struct wn_sum *sum)
{
    return sum->s + sum->c;
}

/** Accuracy of an instrument as its data sheet gives it: half-width of a rectangular distribution
 * (GUM, JCGM 100:2008, 4.3.7, from memory), a = reading part x |reading| + fixed part, u = a /
 * sqrt 3. */
struct wn_accuracy {
    double voltage_reading; /* 1 (e.g. 500 ppm = 0.0005) */
    double voltage_fixed_v;
    double current_reading; /* 1 */
    double current_fixed_a;
    double temperature_c; /* K */
    double time_reading;  /* 1, relative error of the time base */
    /* Charge and discharge are measured by two instruments, each of this accuracy: their errors
     * have nothing in common. */
    bool apart;
};

/** "At the set voltage" is at most so far below it: a tester settles a few millivolt below its
 * set-point, and noise must not disarm the end current. Above the set voltage counts as at it. */
#define WN_CV_TOLERANCE_V 0.010

/** What ends a step exactly: the first reading at or beyond the end value; the crossing is
 * interpolated linearly in time between it and the reading before. */
enum wn_end_kind {
    WN_END_NONE,          /* by time or by the caller */
    WN_END_VOLTAGE_BELOW, /* discharge: voltage_v <= end_value */
    WN_END_CURRENT_BELOW  /* charge: |current_a| <= end_value while at the set voltage */
};

struct wn_integrator_setup {
    int direction; /* +1 charge, -1 discharge, 0 rest: the direction end_charge_ah counts */
    enum wn_end_kind end_kind;
    double end_value;
    double cv_voltage_v; /* charge: set voltage, arms the current end, for cv_s; else NaN */
    double gap_max_s;    /* longer intervals are gaps, one just as long is not; > 0, or INFINITY */
    /* The end is the first reading at or beyond the end value itself, not the crossing before it:
     * as published data count, to be compared with. Coarse readings then count too much: up to 11
     * mAh in 2 Ah where they are 20 s apart (NASA PCoE, cell B0005). */
    bool end_at_reading;
};

/** Integrates one step. Visible so that it can be saved and restored whole; treat as opaque. Plain
 * data without pointers. */
struct wn_integrator {
    struct wn_integrator_setup setup;
    struct wn_reading first, last;
    struct wn_sum charge_in, charge_out, energy_in, energy_out; /* A s, W s */
    struct wn_sum duration, missing, cv;                        /* s */
    double temperature_max_c, temperature_min_c, temperature_start_c;
    double ambient_max_c, ambient_min_c;
    double end_charge_as, end_energy_ws, end_duration_s, end_missing_s; /* fixed when crossed */
    int64_t readings;
    int crossed;
    int broken; /* the next interval is a gap whatever its length (after an interruption) */
};

/** Empty sums. Asserted: direction -1, 0 or 1, gap_max_s > 0, an end value (and for
 * WN_END_CURRENT_BELOW a set voltage) that is a number. */
void wn_integrator_init(struct wn_integrator *g, const struct wn_integrator_setup *setup);

/** Adds a reading (voltage and current present, time_ns not before the last one: asserted). One
 * whose voltage or current is not finite is no reading and is passed over: the interval grows.
 *
 * Returns true when this reading is the first at or beyond the end value: the exact end was
 * interpolated and is fixed from then on, while the whole-step sums go on counting (the current
 * that still flows until the output is off is charge too). Found at the very first reading, the end
 * sums are zero; found behind a gap, the gap is missing as always and the end is the reading
 * itself. */
bool wn_integrator_add(struct wn_integrator *g, const struct wn_reading *r);

/** Declares that the station was blind since the last reading: the next interval counts as missing,
 * whatever its length. */
void wn_integrator_break(struct wn_integrator *g);

/** The sums so far in trade units. end_* equal the whole-step sums when nothing was crossed;
 * without a reading the voltages and the current are NaN. */
void wn_integrator_sums(const struct wn_integrator *g, struct wn_step_sums *out);

/** Standard uncertainty of the capacity of a discharge (GUM, JCGM 100:2008, 5.1.2, from memory):
 * the current error, one and the same over the whole step (rectangular, / sqrt 3), the time base,
 * and the error of the cut-off voltage divided by the slope at the end, in quadrature:
 *
 *   u^2 = ((g_I Q + f_I t) / sqrt 3)^2 + (g_t Q / sqrt 3)^2 + ((g_V U + f_V) / sqrt 3 x I /
 * |dV/dt|)^2
 *
 * with g the reading part and f the fixed part of the accuracy. Quantisation and noise average out
 * over thousands of readings and are left out.
 *
 * @param current_a      at the end of the discharge, either sign
 * @param slope_v_per_s  dV/dt at the crossing, either sign; 0 or NaN: that part is left out */
double wn_capacity_uncertainty_ah(double capacity_ah, double current_a, double duration_s,
                                  double cutoff_v, double slope_v_per_s,
                                  const struct wn_accuracy *a);

/** The same for energy, with the voltage error of the mean voltage; for a step that did not end by
 * its voltage. */
double wn_energy_uncertainty_wh(double energy_wh, double mean_voltage_v, double current_a,
                                double duration_s, const struct wn_accuracy *a);

/** The same for a discharge to a cut-off. A voltmeter that reads high makes the energy read high
 * and the discharge go on for longer: one error, so its two parts add up before the quadrature. */
double wn_energy_uncertainty_to_cutoff_wh(double energy_wh, double mean_voltage_v, double current_a,
                                          double duration_s, double cutoff_v, double slope_v_per_s,
                                          const struct wn_accuracy *a);

/** DC resistance by the two-level method of IEC 61960-3 (from memory): U1 at the end of 10 s at
 * 0.2 It, U2 at the end of 1 s at 1 It, R = (U1 - U2) / (I2 - I1) with magnitudes of the discharge
 * currents. The errors of the four readings are taken as independent; what is common to both
 * voltages would cancel, so u is on the safe side.
 *
 * @return value and u in ohm; both NaN when I2 <= I1 or any input is not finite. */
struct wn_measured wn_resistance_two_level(double u1_v, double i1_a, double u2_v, double i2_a,
                                           const struct wn_accuracy *a);

/** One-step method: from rest (u0 at i0 about 0) to u1 at current i1 (signed, as readings are):
 * R = (u1 - u0) / (i1 - i0). Both NaN when the currents are equal or any input is not finite. */
struct wn_measured wn_resistance_one_step(double u0_v, double i0_a, double u1_v, double i1_a,
                                          const struct wn_accuracy *a);

/** Slope of voltage against time by least squares over the last few readings, kept by the caller;
 * V/s, negative on discharge; NaN if n < 2 or all are of the same instant. */
double wn_slope_v_per_s(const struct wn_reading *r, int n);

/** Derived figures of a cycle from its sums: capacity and energy with uncertainty, efficiencies,
 * mean voltage and current, temperatures. NaN where an input is NaN or a divisor zero. Capacity and
 * energy go to the exact end of the discharge; the charge before counts whole. cycle->cutoff_v must
 * be filled (NaN: none); cycle, resistance_ohm, times and flags are left alone. `charge` may be
 * NULL when the charge before the discharge was not seen. */
void wn_cycle_derive(struct wn_cycle_record *cycle, const struct wn_step_sums *charge,
                     const struct wn_step_sums *discharge, double slope_v_per_s,
                     const struct wn_accuracy *a);

#endif
