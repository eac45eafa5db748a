/* Campaign file: which members of a record are which columns.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/internal.h"

#include <stddef.h>

#define CYCLE(column, type, member)    {column, type, offsetof(struct wn_cycle_record, member)}
#define CHECK_UP(column, type, member) {column, type, offsetof(struct wn_check_up_record, member)}
#define SUMS(member)                   {#member, 'd', offsetof(struct wn_step_sums, member)}

#define CELL(member)        {#member, 'd', offsetof(struct wn_cell, member)}
#define CLAIM(member, type) {"claim_" #member, type, offsetof(struct wn_cell, claim.member)}

const struct column cycle_columns[] = {
    CYCLE("cycle", 'i', cycle),
    CYCLE("capacity_ah", 'd', capacity_ah.value),
    CYCLE("capacity_u_ah", 'd', capacity_ah.u),
    CYCLE("energy_wh", 'd', energy_wh.value),
    CYCLE("energy_u_wh", 'd', energy_wh.u),
    CYCLE("charge_ah", 'd', charge_ah),
    CYCLE("charge_wh", 'd', charge_wh),
    CYCLE("coulombic_efficiency", 'd', coulombic_efficiency),
    CYCLE("energy_efficiency", 'd', energy_efficiency),
    CYCLE("mean_voltage_v", 'd', mean_voltage_v),
    CYCLE("resistance_ohm", 'd', resistance_ohm.value),
    CYCLE("resistance_u_ohm", 'd', resistance_ohm.u),
    CYCLE("temperature_max_c", 'd', temperature_max_c),
    CYCLE("temperature_rise_k", 'd', temperature_rise_k),
    CYCLE("ambient_min_c", 'd', ambient_min_c),
    CYCLE("ambient_max_c", 'd', ambient_max_c),
    CYCLE("discharge_current_a", 'd', discharge_current_a),
    CYCLE("cutoff_v", 'd', cutoff_v),
    CYCLE("duration_s", 'd', duration_s),
    CYCLE("start_ns", 'i', start_ns),
    CYCLE("end_ns", 'i', end_ns),
    CYCLE("flags", 'u', flags),
};
const int cycle_columns_n = sizeof cycle_columns / sizeof cycle_columns[0];

const struct column check_up_columns[] = {
    CHECK_UP("check_up", 'i', check_up),
    CHECK_UP("after_cycle", 'i', after_cycle),
    CHECK_UP("capacity_ah", 'd', capacity_ah.value),
    CHECK_UP("capacity_u_ah", 'd', capacity_ah.u),
    CHECK_UP("energy_wh", 'd', energy_wh.value),
    CHECK_UP("energy_u_wh", 'd', energy_wh.u),
    CHECK_UP("resistance_ohm", 'd', resistance_ohm.value),
    CHECK_UP("resistance_u_ohm", 'd', resistance_ohm.u),
    CHECK_UP("resistance_voltage_v", 'd', resistance_voltage_v),
    CHECK_UP("temperature_max_c", 'd', temperature_max_c),
    CHECK_UP("start_ns", 'i', start_ns),
    CHECK_UP("end_ns", 'i', end_ns),
    CHECK_UP("flags", 'u', flags),
};
const int check_up_columns_n = sizeof check_up_columns / sizeof check_up_columns[0];

const struct column sums_columns[] = {
    SUMS(charge_in_ah),      SUMS(charge_out_ah),     SUMS(energy_in_wh),
    SUMS(energy_out_wh),     SUMS(duration_s),        SUMS(missing_s),
    SUMS(temperature_max_c), SUMS(temperature_min_c), SUMS(temperature_start_c),
    SUMS(ambient_max_c),     SUMS(ambient_min_c),     SUMS(voltage_start_v),
    SUMS(voltage_end_v),     SUMS(current_end_a),     SUMS(cv_s),
    SUMS(end_charge_ah),     SUMS(end_energy_wh),     SUMS(end_duration_s),
    {"readings", 'i', offsetof(struct wn_step_sums, readings)},
};
const int sums_columns_n = sizeof sums_columns / sizeof sums_columns[0];

const struct column cell_columns[] = {
    CELL(rated_capacity_ah),
    CELL(nominal_voltage_v),
    CELL(charge_voltage_v),
    CELL(discharge_cutoff_v),
    CELL(charge_current_max_a),
    CELL(discharge_current_max_a),
    CELL(standard_charge_current_a),
    CELL(standard_charge_until_a),
    CELL(charge_temperature_min_c),
    CELL(charge_temperature_max_c),
    CELL(discharge_temperature_min_c),
    CELL(discharge_temperature_max_c),
    CELL(voltage_max_v),
    CELL(voltage_min_v),
    CELL(mass_g),
    CELL(diameter_mm),
    CELL(length_mm),
    CELL(arrival_voltage_v),
    CELL(ac_impedance_ohm),
    CLAIM(cycles, 'i'),
    CLAIM(charge_current_a, 'd'),
    CLAIM(charge_until_current_a, 'd'),
    CLAIM(discharge_current_a, 'd'),
    CLAIM(discharge_until_voltage_v, 'd'),
    CLAIM(retention, 'd'),
    CLAIM(min_ah, 'd'),
};
const int cell_columns_n = sizeof cell_columns / sizeof cell_columns[0];
