/* The cell under test, with its datasheet and its intake record.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_PROCEDURE_CELL_H
#define WN_PROCEDURE_CELL_H

#include <stdint.h>

/** "After `cycles` cycles at charge X / discharge Y the capacity is at least min_ah." */
struct wn_claim {
    int64_t cycles; /* 0: the datasheet claims nothing */
    double charge_current_a, charge_until_current_a;
    double discharge_current_a, discharge_until_voltage_v;
    double retention; /* of rated, 0..1 */
    double min_ah;    /* retention x rated capacity */
};

struct wn_cell {
    char name[64];
    char title[128];
    char marking[128];
    double rated_capacity_ah, nominal_voltage_v;
    double charge_voltage_v;   /* end of charge */
    double discharge_cutoff_v; /* datasheet's cut-off */
    double charge_current_max_a, discharge_current_max_a;
    double standard_charge_current_a, standard_charge_until_a;
    double charge_temperature_min_c, charge_temperature_max_c;
    double discharge_temperature_min_c, discharge_temperature_max_c;
    double voltage_max_v, voltage_min_v; /* hard limits: outside them the output is never on */
    /* Below and above these temperatures the cell is charged to a lower voltage; 0 V: it never is.
     */
    double reduced_charge_voltage_v, reduced_charge_below_c, reduced_charge_above_c;
    /* What the datasheet says besides, of a new cell; NaN: it does not. Nothing is run by these:
     * they are judged in a report. */
    double nominal_capacity_ah;   /* typical, where it is not the rated one */
    double ac_impedance_max_ohm;  /* at 1 kHz */
    double dc_resistance_max_ohm; /* two-level method */
    /* intake; NaN: not measured */
    double mass_g, diameter_mm, length_mm, arrival_voltage_v, ac_impedance_ohm;
    double ac_impedance_hz; /* that ac_impedance_ohm was measured at; NaN: not told */
    struct wn_claim claim;
};

#endif
