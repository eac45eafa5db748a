/* Fleet: which members of a record are which columns.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fleet/table.h"

#include <stdio.h>
#include <string.h>

#include "metrology/cycle.h"

#define COLUMN(record, column, type, member)                                                       \
    {                                                                                              \
        column, type, offsetof(struct record, member), sizeof(((struct record *)NULL)->member)     \
    }
#define CAMPAIGN(member, type)         COLUMN(fleet_campaign, #member, type, member)
#define INFO(column, type, member)     COLUMN(fleet_campaign, column, type, info.member)
#define CELL(member, type)             COLUMN(fleet_campaign, #member, type, info.cell.member)
#define CLAIM(member, type)            COLUMN(fleet_campaign, "claim_" #member, type, info.cell.claim.member)
#define CYCLE(column, type, member)    COLUMN(fleet_cycle, column, type, member)
#define CHECK_UP(column, type, member) COLUMN(fleet_check_up, column, type, member)
#define EVENT(column, type, member)    COLUMN(fleet_event, column, type, member)
#define TABLE(name, key, array)                                                                    \
    {                                                                                              \
        name, key, array, (int)(sizeof array / sizeof array[0])                                    \
    }

static const struct fleet_column campaign_columns[] = {
    CAMPAIGN(bench, 't'),
    INFO("name", 't', name),
    INFO("station", 't', station),
    INFO("procedure", 't', procedure),
    INFO("procedure_title", 't', procedure_title),
    CAMPAIGN(status, 't'),
    INFO("simulated", 'b', simulated),
    INFO("imported", 'b', imported),
    INFO("cycles_planned", 'i', cycles_planned),
    INFO("created_utc", 'z', created_utc),
    CAMPAIGN(config_sha256, 't'),
    INFO("program_version", 't', program_version),
    CAMPAIGN(tester, 't'),
    INFO("retention_threshold", 'd', retention_threshold),
    INFO("accuracy_voltage_of_reading", 'd', accuracy.voltage_reading),
    INFO("accuracy_voltage_fixed_v", 'd', accuracy.voltage_fixed_v),
    INFO("accuracy_current_of_reading", 'd', accuracy.current_reading),
    INFO("accuracy_current_fixed_a", 'd', accuracy.current_fixed_a),
    INFO("accuracy_temperature_c", 'd', accuracy.temperature_c),
    INFO("accuracy_time_of_reading", 'd', accuracy.time_reading),
    CAMPAIGN(cycles, 'i'),
    CAMPAIGN(check_ups, 'i'),
    CAMPAIGN(events, 'i'),
};
const struct fleet_table fleet_campaign_table = TABLE("campaign", NULL, campaign_columns);

static const struct fleet_column cell_columns[] = {
    INFO("simulated", 'b', simulated),
    CELL(name, 't'),
    CELL(title, 't'),
    CELL(marking, 't'),
    CELL(rated_capacity_ah, 'd'),
    CELL(nominal_voltage_v, 'd'),
    CELL(charge_voltage_v, 'd'),
    CELL(discharge_cutoff_v, 'd'),
    CELL(charge_current_max_a, 'd'),
    CELL(discharge_current_max_a, 'd'),
    CELL(standard_charge_current_a, 'd'),
    CELL(standard_charge_until_a, 'd'),
    CELL(charge_temperature_min_c, 'd'),
    CELL(charge_temperature_max_c, 'd'),
    CELL(discharge_temperature_min_c, 'd'),
    CELL(discharge_temperature_max_c, 'd'),
    CELL(voltage_max_v, 'd'),
    CELL(voltage_min_v, 'd'),
    CELL(mass_g, 'd'),
    CELL(diameter_mm, 'd'),
    CELL(length_mm, 'd'),
    CELL(arrival_voltage_v, 'd'),
    CELL(ac_impedance_ohm, 'd'),
    CELL(ac_impedance_hz, 'd'),
    CELL(nominal_capacity_ah, 'd'),
    CELL(ac_impedance_max_ohm, 'd'),
    CELL(dc_resistance_max_ohm, 'd'),
    CLAIM(cycles, 'i'),
    CLAIM(charge_current_a, 'd'),
    CLAIM(charge_until_current_a, 'd'),
    CLAIM(discharge_current_a, 'd'),
    CLAIM(discharge_until_voltage_v, 'd'),
    CLAIM(retention, 'd'),
    CLAIM(min_ah, 'd'),
};
const struct fleet_table fleet_cell_table = TABLE("cell", NULL, cell_columns);

static const struct fleet_column cycle_columns[] = {
    CYCLE("cycle", 'i', record.cycle),
    CYCLE("simulated", 'b', simulated),
    CYCLE("valid", 'b', valid),
    CYCLE("flags", 't', flags),
    CYCLE("capacity_ah", 'd', record.capacity_ah.value),
    CYCLE("capacity_u_ah", 'd', record.capacity_ah.u),
    CYCLE("energy_wh", 'd', record.energy_wh.value),
    CYCLE("energy_u_wh", 'd', record.energy_wh.u),
    CYCLE("charge_ah", 'd', record.charge_ah),
    CYCLE("charge_wh", 'd', record.charge_wh),
    CYCLE("coulombic_efficiency", 'd', record.coulombic_efficiency),
    CYCLE("coulombic_efficiency_u", 'd', record.coulombic_efficiency_u),
    CYCLE("energy_efficiency", 'd', record.energy_efficiency),
    CYCLE("energy_efficiency_u", 'd', record.energy_efficiency_u),
    CYCLE("mean_voltage_v", 'd', record.mean_voltage_v),
    CYCLE("resistance_ohm", 'd', record.resistance_ohm.value),
    CYCLE("resistance_u_ohm", 'd', record.resistance_ohm.u),
    CYCLE("temperature_max_c", 'd', record.temperature_max_c),
    CYCLE("temperature_rise_k", 'd', record.temperature_rise_k),
    CYCLE("ambient_min_c", 'd', record.ambient_min_c),
    CYCLE("ambient_max_c", 'd', record.ambient_max_c),
    CYCLE("discharge_current_a", 'd', record.discharge_current_a),
    CYCLE("cutoff_v", 'd', record.cutoff_v),
    CYCLE("cutoff_slope_v_per_s", 'd', record.cutoff_slope_v_per_s),
    CYCLE("duration_s", 'd', record.duration_s),
    CYCLE("start_ns", 'i', record.start_ns),
    CYCLE("end_ns", 'i', record.end_ns),
    CYCLE("end_utc", 'z', end_utc),
};
const struct fleet_table fleet_cycle_table = TABLE("cycle", "cycle", cycle_columns);

static const struct fleet_column check_up_columns[] = {
    CHECK_UP("check_up", 'i', record.check_up),
    CHECK_UP("simulated", 'b', simulated),
    CHECK_UP("flags", 't', flags),
    CHECK_UP("after_cycle", 'i', record.after_cycle),
    CHECK_UP("capacity_ah", 'd', record.capacity_ah.value),
    CHECK_UP("capacity_u_ah", 'd', record.capacity_ah.u),
    CHECK_UP("energy_wh", 'd', record.energy_wh.value),
    CHECK_UP("energy_u_wh", 'd', record.energy_wh.u),
    CHECK_UP("resistance_ohm", 'd', record.resistance_ohm.value),
    CHECK_UP("resistance_u_ohm", 'd', record.resistance_ohm.u),
    CHECK_UP("resistance_voltage_v", 'd', record.resistance_voltage_v),
    CHECK_UP("temperature_max_c", 'd', record.temperature_max_c),
    CHECK_UP("start_ns", 'i', record.start_ns),
    CHECK_UP("end_ns", 'i', record.end_ns),
    CHECK_UP("end_utc", 'z', end_utc),
};
const struct fleet_table fleet_check_up_table = TABLE("check_up", "check_up", check_up_columns);

static const struct fleet_column event_columns[] = {
    EVENT("number", 'i', row.number),
    EVENT("simulated", 'b', simulated),
    EVENT("recorded_utc", 'z', row.utc),
    EVENT("time_ns", 'i', row.event.time_ns),
    EVENT("cycle", 'i', row.event.cycle),
    EVENT("severity", 't', severity),
    EVENT("kind", 't', row.event.kind),
    EVENT("text", 't', row.event.text),
    EVENT("acknowledged", 'b', row.acknowledged),
    EVENT("acknowledged_by", 't', row.acknowledged_by),
    EVENT("acknowledged_utc", 'z', row.acknowledged_utc),
};
const struct fleet_table fleet_event_table = TABLE("event", "number", event_columns);

static void flag_words(unsigned flags, char *out, size_t size)
{
    size_t at = 0;
    out[0] = '\0';
    for (unsigned bit = 1; bit != 0 && at < size; bit <<= 1) {
        const char *word = (flags & bit) != 0 ? wn_cycle_flag_word(bit) : NULL;
        if (word != NULL) {
            int n = snprintf(out + at, size - at, "%s%s", at > 0 ? " " : "", word);
            at += n > 0 ? (size_t)n : 0;
        }
    }
}

void fleet_make_cycle(struct fleet_cycle *out, const struct wn_cycle_record *r, wn_utc_us end_utc,
                      bool simulated)
{
    out->record = *r;
    out->end_utc = end_utc;
    out->simulated = simulated;
    out->valid = (r->flags & WN_FLAGS_INVALID) == 0;
    flag_words(r->flags, out->flags, sizeof out->flags);
}

void fleet_make_check_up(struct fleet_check_up *out, const struct wn_check_up_record *r,
                         wn_utc_us end_utc, bool simulated)
{
    out->record = *r;
    out->end_utc = end_utc;
    out->simulated = simulated;
    flag_words(r->flags, out->flags, sizeof out->flags);
}

void fleet_make_event(struct fleet_event *out, const struct wn_event_row *r, bool simulated)
{
    out->row = *r;
    out->simulated = simulated;
    (void)snprintf(out->severity, sizeof out->severity, "%s",
                   r->event.severity == WN_SEVERITY_ALARM     ? "alarm"
                   : r->event.severity == WN_SEVERITY_WARNING ? "warning"
                                                              : "info");
}
