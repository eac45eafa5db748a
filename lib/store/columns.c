/* Campaign file: which members of a record are which columns.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/internal.h"

#include <stddef.h>

#define MEMBER(record, column, type, member)                                                       \
    {                                                                                              \
        column, type, offsetof(struct record, member), sizeof(((struct record *)NULL)->member)     \
    }
#define INFO(column, type, member)        MEMBER(wn_campaign_info, column, type, member)
#define CELL(member)                      MEMBER(wn_cell, #member, 'd', member)
#define CLAIM(member, type)               MEMBER(wn_cell, "claim_" #member, type, claim.member)
#define STEP(column, type, member)        MEMBER(wn_step_record, column, type, member)
#define SUMS(member)                      MEMBER(wn_step_sums, #member, 'd', member)
#define CYCLE(column, type, member)       MEMBER(wn_cycle_record, column, type, member)
#define CHECK_UP(column, type, member)    MEMBER(wn_check_up_record, column, type, member)
#define EVENT(column, type)               MEMBER(wn_event_record, #column, type, column)
#define CALIBRATION(column, type, member) MEMBER(wn_calibration_record, column, type, member)
#define INTENT(column, type, member)      MEMBER(wn_intent_record, column, type, member)
#define LIST(array)                                                                                \
    {                                                                                              \
        array, (int)(sizeof array / sizeof array[0])                                               \
    }

_Static_assert(sizeof(enum wn_step_kind) == sizeof(unsigned) &&
                   sizeof(enum wn_severity) == sizeof(unsigned),
               "enums are read and written as unsigned");

static const struct column campaign_list[] = {
    INFO("name", 't', name),
    INFO("station", 't', station),
    INFO("procedure", 't', procedure),
    INFO("procedure_title", 't', procedure_title),
    INFO("simulated", 'b', simulated),
    INFO("imported", 'b', imported),
    INFO("cycles_planned", 'i', cycles_planned),
    INFO("created_utc_us", 'i', created_utc),
    INFO("program_version", 't', program_version),
    INFO("store_voltage_v", 'd', store_on_change.voltage_v),
    INFO("store_current_a", 'd', store_on_change.current_a),
    INFO("store_temperature_c", 'd', store_on_change.temperature_c),
    INFO("store_time_s", 'd', store_on_change.time_s),
    INFO("accuracy_voltage_of_reading", 'd', accuracy.voltage_reading),
    INFO("accuracy_voltage_fixed_v", 'd', accuracy.voltage_fixed_v),
    INFO("accuracy_current_of_reading", 'd', accuracy.current_reading),
    INFO("accuracy_current_fixed_a", 'd', accuracy.current_fixed_a),
    INFO("accuracy_temperature_c", 'd', accuracy.temperature_c),
    INFO("accuracy_time_of_reading", 'd', accuracy.time_reading),
    INFO("retention_threshold", 'd', retention_threshold),
};
const struct columns campaign_columns = LIST(campaign_list);

static const struct column cell_list[] = {
    MEMBER(wn_cell, "name", 't', name),
    MEMBER(wn_cell, "title", 't', title),
    MEMBER(wn_cell, "marking", 't', marking),
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
    CELL(ac_impedance_hz),
    CELL(nominal_capacity_ah),
    CELL(ac_impedance_max_ohm),
    CELL(dc_resistance_max_ohm),
};
const struct columns cell_columns = LIST(cell_list);

/* What is known when a step begins. */
static const struct column step_list[] = {
    STEP("step", 'i', step_number),        STEP("cycle", 'i', cycle),
    STEP("in_check_up", 'b', in_check_up), STEP("kind", 'u', kind),
    STEP("description", 't', description), STEP("start_ns", 'i', start_ns),
};
const struct columns step_columns = LIST(step_list);

static const struct column sums_list[] = {
    SUMS(charge_in_ah),
    SUMS(charge_out_ah),
    SUMS(energy_in_wh),
    SUMS(energy_out_wh),
    SUMS(duration_s),
    SUMS(missing_s),
    SUMS(temperature_max_c),
    SUMS(temperature_min_c),
    SUMS(temperature_start_c),
    SUMS(ambient_max_c),
    SUMS(ambient_min_c),
    SUMS(voltage_start_v),
    SUMS(voltage_end_v),
    SUMS(current_end_a),
    SUMS(cv_s),
    MEMBER(wn_step_sums, "readings", 'i', readings),
    SUMS(end_charge_ah),
    SUMS(end_energy_wh),
    SUMS(end_duration_s),
    SUMS(end_missing_s),
    MEMBER(wn_step_sums, "crossed", 'n', crossed),
};
const struct columns sums_columns = LIST(sums_list);

static const struct column cycle_list[] = {
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
    CYCLE("coulombic_efficiency_u", 'd', coulombic_efficiency_u),
    CYCLE("energy_efficiency_u", 'd', energy_efficiency_u),
    CYCLE("cutoff_slope_v_per_s", 'd', cutoff_slope_v_per_s),
};
const struct columns cycle_columns = LIST(cycle_list);

static const struct column check_up_list[] = {
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
const struct columns check_up_columns = LIST(check_up_list);

static const struct column event_list[] = {
    EVENT(time_ns, 'i'), EVENT(cycle, 'i'), EVENT(severity, 'u'),
    EVENT(kind, 't'),    EVENT(text, 't'),
};
const struct columns event_columns = LIST(event_list);

static const struct column intent_list[] = {
    INTENT("time_ns", 'i', time_ns),
    INTENT("step", 'i', step_number),
    INTENT("text", 't', text),
};
const struct columns intent_columns = LIST(intent_list);

static const struct column calibration_list[] = {
    CALIBRATION("role", 't', role),
    CALIBRATION("identity", 't', identity),
    CALIBRATION("quantity", 't', quantity),
    CALIBRATION("unit", 't', unit),
    CALIBRATION("gain", 'd', line.gain),
    CALIBRATION("offset", 'd', line.offset),
    CALIBRATION("expanded", 'd', line.expanded),
    CALIBRATION("coverage_factor", 'd', line.coverage_factor),
    CALIBRATION("drift", 'd', line.drift),
    CALIBRATION("date_utc_us", 'i', line.date),
    CALIBRATION("valid_until_utc_us", 'i', line.valid_until),
    CALIBRATION("certificate", 't', line.certificate),
};
const struct columns calibration_columns = LIST(calibration_list);
