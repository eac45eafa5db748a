/* Campaign file: its tables, its views, and the text that explains them.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/internal.h"

#include <stdio.h>
#include <string.h>

#include "base/assert.h"

/* Columns that came with a later version stand last: a migration can only add them there. */
static const char tables_sql[] =
    "CREATE TABLE about_text(number INTEGER PRIMARY KEY, topic TEXT NOT NULL,"
    " text TEXT NOT NULL) STRICT;"

    "CREATE TABLE campaign(one INTEGER PRIMARY KEY CHECK(one = 1), name TEXT NOT NULL,"
    " station TEXT NOT NULL, procedure TEXT NOT NULL, procedure_title TEXT NOT NULL,"
    " status TEXT NOT NULL, status_utc_us INTEGER NOT NULL, simulated INTEGER NOT NULL,"
    " imported INTEGER NOT NULL, cycles_planned INTEGER NOT NULL, created_utc_us INTEGER NOT NULL,"
    " program_version TEXT NOT NULL, clean_end INTEGER NOT NULL, store_voltage_v REAL,"
    " store_current_a REAL, store_temperature_c REAL, store_time_s REAL,"
    " accuracy_voltage_of_reading REAL, accuracy_voltage_fixed_v REAL,"
    " accuracy_current_of_reading REAL, accuracy_current_fixed_a REAL, accuracy_temperature_c REAL,"
    " accuracy_time_of_reading REAL, retention_threshold REAL) STRICT;"

    "CREATE TABLE cell(one INTEGER PRIMARY KEY CHECK(one = 1), name TEXT NOT NULL,"
    " title TEXT NOT NULL, marking TEXT NOT NULL, rated_capacity_ah REAL, nominal_voltage_v REAL,"
    " charge_voltage_v REAL, discharge_cutoff_v REAL, charge_current_max_a REAL,"
    " discharge_current_max_a REAL, standard_charge_current_a REAL, standard_charge_until_a REAL,"
    " charge_temperature_min_c REAL, charge_temperature_max_c REAL,"
    " discharge_temperature_min_c REAL, discharge_temperature_max_c REAL, voltage_max_v REAL,"
    " voltage_min_v REAL, mass_g REAL, diameter_mm REAL, length_mm REAL, arrival_voltage_v REAL,"
    " ac_impedance_ohm REAL, claim_cycles INTEGER, claim_charge_current_a REAL,"
    " claim_charge_until_current_a REAL, claim_discharge_current_a REAL,"
    " claim_discharge_until_voltage_v REAL, claim_retention REAL, claim_min_ah REAL,"
    " ac_impedance_hz REAL, nominal_capacity_ah REAL, ac_impedance_max_ohm REAL,"
    " dc_resistance_max_ohm REAL) STRICT;"

    "CREATE TABLE config(one INTEGER PRIMARY KEY CHECK(one = 1), sha256 TEXT NOT NULL,"
    " text TEXT NOT NULL) STRICT;"

    "CREATE TABLE instrument(role TEXT NOT NULL, dialect TEXT NOT NULL, port TEXT NOT NULL,"
    " identity TEXT NOT NULL, first_session INTEGER, UNIQUE(role, dialect, port, identity)) STRICT;"

    "CREATE TABLE calibration(role TEXT NOT NULL, identity TEXT NOT NULL, quantity TEXT NOT NULL,"
    " unit TEXT NOT NULL, gain REAL, offset REAL, expanded REAL, coverage_factor REAL, drift REAL,"
    " date_utc_us INTEGER, valid_until_utc_us INTEGER, certificate TEXT NOT NULL,"
    " UNIQUE(role, identity, quantity)) STRICT;"

    "CREATE TABLE session(session INTEGER PRIMARY KEY, start_utc_us INTEGER NOT NULL,"
    " monotonic_ns INTEGER NOT NULL, time_ns INTEGER NOT NULL, boot_id TEXT NOT NULL) STRICT;"

    "CREATE TABLE step(step INTEGER PRIMARY KEY, cycle INTEGER NOT NULL,"
    " in_check_up INTEGER NOT NULL, kind INTEGER NOT NULL, description TEXT NOT NULL,"
    " start_ns INTEGER NOT NULL, start_utc_us INTEGER NOT NULL, end_ns INTEGER,"
    " end_utc_us INTEGER, ended_by TEXT, charge_in_ah REAL, charge_out_ah REAL, energy_in_wh REAL,"
    " energy_out_wh REAL, duration_s REAL, missing_s REAL, temperature_max_c REAL,"
    " temperature_min_c REAL, temperature_start_c REAL, ambient_max_c REAL, ambient_min_c REAL,"
    " voltage_start_v REAL, voltage_end_v REAL, current_end_a REAL, cv_s REAL, readings INTEGER,"
    " end_charge_ah REAL, end_energy_wh REAL, end_duration_s REAL, end_missing_s REAL,"
    " crossed INTEGER) STRICT;"

    "CREATE TABLE reading(number INTEGER PRIMARY KEY, step INTEGER NOT NULL,"
    " time_ns INTEGER NOT NULL, utc_us INTEGER NOT NULL, voltage_v REAL, current_a REAL,"
    " temperature_c REAL, ambient_c REAL, output_on INTEGER) STRICT;"
    "CREATE INDEX reading_of_step ON reading(step);"

    "CREATE TABLE cycle(cycle INTEGER PRIMARY KEY, capacity_ah REAL, capacity_u_ah REAL,"
    " energy_wh REAL, energy_u_wh REAL, charge_ah REAL, charge_wh REAL, coulombic_efficiency REAL,"
    " energy_efficiency REAL, mean_voltage_v REAL, resistance_ohm REAL, resistance_u_ohm REAL,"
    " temperature_max_c REAL, temperature_rise_k REAL, ambient_min_c REAL, ambient_max_c REAL,"
    " discharge_current_a REAL, cutoff_v REAL, duration_s REAL, start_ns INTEGER NOT NULL,"
    " end_ns INTEGER NOT NULL, flags INTEGER NOT NULL, end_utc_us INTEGER NOT NULL,"
    " coulombic_efficiency_u REAL, energy_efficiency_u REAL, cutoff_slope_v_per_s REAL) STRICT;"

    "CREATE TABLE check_up(check_up INTEGER PRIMARY KEY, after_cycle INTEGER NOT NULL,"
    " capacity_ah REAL, capacity_u_ah REAL, energy_wh REAL, energy_u_wh REAL, resistance_ohm REAL,"
    " resistance_u_ohm REAL, resistance_voltage_v REAL, temperature_max_c REAL,"
    " start_ns INTEGER NOT NULL, end_ns INTEGER NOT NULL, flags INTEGER NOT NULL,"
    " end_utc_us INTEGER NOT NULL) STRICT;"

    "CREATE TABLE event(number INTEGER PRIMARY KEY AUTOINCREMENT, time_ns INTEGER NOT NULL,"
    " utc_us INTEGER NOT NULL, cycle INTEGER NOT NULL, severity INTEGER NOT NULL,"
    " kind TEXT NOT NULL, text TEXT NOT NULL, acknowledged_by TEXT,"
    " acknowledged_utc_us INTEGER) STRICT;"

    "CREATE TABLE intent(number INTEGER PRIMARY KEY, time_ns INTEGER NOT NULL,"
    " utc_us INTEGER NOT NULL, step INTEGER NOT NULL, text TEXT NOT NULL) STRICT;"

    "CREATE TABLE state(one INTEGER PRIMARY KEY CHECK(one = 1), time_ns INTEGER NOT NULL,"
    " utc_us INTEGER NOT NULL, engine BLOB NOT NULL) STRICT;";

/* {label} {flags} {valid} {kind} stand for expressions; {utc x} for x as readable text. */
static const char views_sql[] =
    "CREATE VIEW fade AS SELECT c.cycle, round(c.capacity_ah, 5) AS capacity_ah,"
    " round(c.capacity_ah / l.rated_capacity_ah, 5) AS retention_of_rated,"
    " round(c.energy_wh, 4) AS energy_wh, round(c.coulombic_efficiency, 5) AS coulombic_efficiency,"
    " round(c.resistance_ohm * 1000, 3) AS resistance_mohm,"
    " round(c.temperature_max_c, 2) AS temperature_max_c, round(c.end_ns / 3.6e12, 3) AS end_h,"
    " {valid} AS valid, {flags} AS flags, {label} AS label"
    " FROM cycle c, cell l, campaign m ORDER BY c.cycle;"

    "CREATE VIEW cycles AS SELECT c.cycle, round(c.start_ns / 3.6e12, 4) AS start_h,"
    " round(c.end_ns / 3.6e12, 4) AS end_h, {utc c.end_utc_us} AS end_utc, c.capacity_ah,"
    " c.capacity_u_ah, 2 * c.capacity_u_ah AS capacity_expanded_ah,"
    " round(c.capacity_ah / l.rated_capacity_ah, 6) AS retention_of_rated, c.energy_wh,"
    " c.energy_u_wh, 2 * c.energy_u_wh AS energy_expanded_wh, c.charge_ah, c.charge_wh,"
    " c.coulombic_efficiency, c.coulombic_efficiency_u, c.energy_efficiency,"
    " c.energy_efficiency_u, c.mean_voltage_v, c.discharge_current_a, c.cutoff_v,"
    " c.cutoff_slope_v_per_s, c.resistance_ohm, c.resistance_u_ohm,"
    " 2 * c.resistance_u_ohm AS resistance_expanded_ohm, c.temperature_max_c, "
    "c.temperature_rise_k, c.ambient_min_c,"
    " c.ambient_max_c, c.duration_s, {valid} AS valid, {flags} AS flags, {label} AS label"
    " FROM cycle c, cell l, campaign m ORDER BY c.cycle;"

    "CREATE VIEW check_ups AS SELECT c.check_up, c.after_cycle,"
    " round(c.start_ns / 3.6e12, 4) AS start_h, round(c.end_ns / 3.6e12, 4) AS end_h,"
    " {utc c.end_utc_us} AS end_utc, c.capacity_ah, c.capacity_u_ah,"
    " 2 * c.capacity_u_ah AS capacity_expanded_ah,"
    " round(c.capacity_ah / l.rated_capacity_ah, 6) AS retention_of_rated, c.energy_wh,"
    " c.energy_u_wh, 2 * c.energy_u_wh AS energy_expanded_wh, c.resistance_ohm,"
    " c.resistance_u_ohm, 2 * c.resistance_u_ohm AS resistance_expanded_ohm,"
    " c.resistance_voltage_v,"
    " c.temperature_max_c, {flags} AS flags, {label} AS label"
    " FROM check_up c, cell l, campaign m ORDER BY c.check_up;"

    "CREATE VIEW steps AS SELECT s.step, s.cycle,"
    " CASE s.in_check_up WHEN 1 THEN 'check-up' ELSE 'cycle' END AS part_of, {kind} AS kind,"
    " s.description, round(s.start_ns / 3.6e12, 4) AS start_h, {utc s.start_utc_us} AS start_utc,"
    " round(s.end_ns / 3.6e12, 4) AS end_h, {utc s.end_utc_us} AS end_utc,"
    " round(s.duration_s, 3) AS duration_s, round(s.missing_s, 3) AS missing_s,"
    " round(s.charge_in_ah, 6) AS charge_in_ah, round(s.charge_out_ah, 6) AS charge_out_ah,"
    " round(s.energy_in_wh, 5) AS energy_in_wh, round(s.energy_out_wh, 5) AS energy_out_wh,"
    " round(s.voltage_start_v, 4) AS voltage_start_v, round(s.voltage_end_v, 4) AS voltage_end_v,"
    " round(s.current_end_a, 4) AS current_end_a, round(s.temperature_max_c, 2)"
    " AS temperature_max_c, s.readings, coalesce(s.ended_by, '(running)') AS ended_by,"
    " {label} AS label FROM step s, campaign m ORDER BY s.step;"

    "CREATE VIEW events AS SELECT e.number, {utc e.utc_us} AS recorded_utc,"
    " round(e.time_ns / 3.6e12, 4) AS time_h, e.cycle,"
    " CASE e.severity WHEN 0 THEN 'info' WHEN 1 THEN 'warning' ELSE 'ALARM' END AS severity,"
    " e.kind, e.text, e.acknowledged_by, {utc e.acknowledged_utc_us} AS acknowledged_utc,"
    " {label} AS label FROM event e, campaign m ORDER BY e.number;"

    "CREATE VIEW readings AS SELECT r.number, r.step, s.cycle, round(r.time_ns / 1e9, 6) AS time_s,"
    " round(r.time_ns / 3.6e12, 6) AS time_h, {utc r.utc_us} AS recorded_utc, r.voltage_v,"
    " r.current_a, r.temperature_c, r.ambient_c, r.output_on, {label} AS label"
    " FROM reading r CROSS JOIN campaign m LEFT JOIN step s ON s.step = r.step ORDER BY r.number;"

    "CREATE VIEW instruments AS SELECT i.role, i.dialect, i.identity, i.first_session, k.quantity,"
    " k.unit, k.gain, k.offset, k.expanded, k.coverage_factor, k.drift,"
    " date(nullif(k.date_utc_us, 0) / 1000000, 'unixepoch') AS calibrated_on,"
    " date(nullif(k.valid_until_utc_us, 0) / 1000000, 'unixepoch') AS valid_until, k.certificate"
    " FROM instrument i LEFT JOIN calibration k ON k.role = i.role AND k.identity = i.identity"
    " ORDER BY i.rowid, k.rowid;"

    "CREATE VIEW sessions AS SELECT session, {utc start_utc_us} AS start_utc,"
    " round(monotonic_ns / 1e9, 3) AS monotonic_s, round(time_ns / 3.6e12, 4) AS campaign_time_h,"
    " boot_id FROM session ORDER BY session;";

static const char about_view_sql[] =
    "CREATE VIEW about AS SELECT topic, text FROM about_text WHERE number = 1"
    " UNION ALL SELECT CASE m.simulated WHEN 1 THEN 'SIMULATED' ELSE 'origin' END,"
    " CASE m.simulated WHEN 1 THEN"
    " 'SIMULATED: these results come from a virtual bench; no cell was measured.' ELSE"
    " CASE m.imported WHEN 1 THEN 'computed from a recorded log, not measured by a station' ELSE"
    " 'measured by station ' || m.station END END FROM campaign m"
    " UNION ALL SELECT 'campaign', m.name || ': procedure ' || m.procedure || ' (' ||"
    " m.procedure_title || '), station ' || m.station || ', begun ' || {utc m.created_utc_us} ||"
    " ', wane ' || m.program_version FROM campaign m"
    " UNION ALL SELECT 'cell', l.name || ': ' || l.title || ', marked \"' || l.marking ||"
    " '\", rated ' || coalesce(l.rated_capacity_ah, '?') || ' Ah, ' ||"
    " coalesce(l.nominal_voltage_v, '?') || ' V' FROM cell l"
    " UNION ALL SELECT 'claim', 'after ' || l.claim_cycles || ' cycles at least ' ||"
    " round(l.claim_min_ah, 4) || ' Ah (' || round(l.claim_retention * 100, 1) ||"
    " ' % of rated), charged with ' || l.claim_charge_current_a || ' A to ' ||"
    " l.claim_charge_until_current_a || ' A, discharged with ' || l.claim_discharge_current_a ||"
    " ' A to ' || l.claim_discharge_until_voltage_v || ' V' FROM cell l WHERE l.claim_cycles > 0"
    " UNION ALL SELECT 'status', m.status || ' since ' || {utc m.status_utc_us} FROM campaign m"
    " UNION ALL SELECT 'so far', (SELECT count(*) FROM cycle) || ' of ' || m.cycles_planned ||"
    " ' cycles in ' || round(coalesce((SELECT max(end_ns) FROM cycle), 0) / 3.6e12, 1) ||"
    " ' h of campaign time; capacity of the first ' || coalesce(round("
    "(SELECT capacity_ah FROM cycle ORDER BY cycle LIMIT 1), 4), '?') || ' Ah, of the last ' ||"
    " coalesce(round((SELECT capacity_ah FROM cycle ORDER BY cycle DESC LIMIT 1), 4), '?') ||"
    " ' Ah' || coalesce(' = ' || round((SELECT capacity_ah FROM cycle ORDER BY cycle DESC LIMIT 1)"
    " / (SELECT rated_capacity_ah FROM cell) * 100, 1) || ' % of rated', '') FROM campaign m"
    " UNION ALL SELECT 'alarms', (SELECT count(*) FROM event WHERE severity = 2) || ', of them ' ||"
    " (SELECT count(*) FROM event WHERE severity = 2 AND acknowledged_by IS NULL) ||"
    " ' not acknowledged'"
    " UNION ALL SELECT topic, text FROM (SELECT * FROM about_text WHERE number > 1 ORDER BY number)"
    ";"
    /* What was reported stays as it was reported. */
    "CREATE TRIGGER event_is_kept BEFORE DELETE ON event BEGIN"
    " SELECT RAISE(ABORT, 'events are never deleted'); END;"
    "CREATE TRIGGER event_is_not_changed BEFORE UPDATE OF number, time_ns, utc_us, cycle, severity,"
    " kind, text ON event BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;";

static const char about_rows_sql[] =
    "DELETE FROM about_text;"
    "INSERT INTO about_text(topic, text) VALUES"
    "('what this is', 'A campaign of wane: one lithium-ion cell taken through one procedure, cycle"
    " by cycle, to see how it ages. Read it with any SQLite; only its station writes to it. While"
    " the service runs, the newest records are in the files ending in -wal and -shm beside it."
    "'),"
    "('units', 'The end of a column''s name is its unit: _v volt, _a ampere, _ah ampere hour, _wh"
    " watt hour, _ohm ohm, _mohm milliohm, _c degree Celsius, _k kelvin, _g gram, _mm millimetre,"
    " _s second, _h hour, _ns nanosecond. No unit: a number, a ratio, or a word.'),"
    "('sign', 'current_a is positive when it charges the cell. Charge and energy in and out are"
    " never negative.'),"
    "('time', 'start_ns, end_ns, time_ns, _h and time_s are campaign time, from 0 at the start;"
    " everything is computed from it. _utc_us (microseconds since 1970 UTC) and _utc label when"
    " something was recorded. A simulated campaign''s time may run faster than the clock.'),"
    "('NULL', 'Not measured, not known, or not over yet.'),"
    "('uncertainty', 'Columns with _u are standard uncertainties (k = 1) after the GUM, those with"
    " _expanded are twice that (k = 2), from the accuracy of the instrument that table campaign"
    " holds: _of_reading is a part of the reading, _fixed is added to it, both half-widths.'),"
    "('view fade', 'Start here: one line a cycle with capacity, retention and resistance.'),"
    "('view cycles', 'All figures of a cycle; valid = 1 when its capacity counts for fade.'),"
    "('view check_ups', 'Reference measurements: low-rate capacity and DC resistance.'),"
    "('view steps', 'Every charge, rest, discharge and pulse with what moved in it.'),"
    "('view readings', 'The curves. A reading is stored when voltage, current, temperature or time"
    " moved by the thresholds of table campaign (store_...), and at the ends of a step. Charge and"
    " energy were integrated over every reading, stored or not.'),"
    "('view events', 'What happened: alarms, who acknowledged them, starts, pauses, results.'),"
    "('view instruments', 'What was measured with: identity, and for each quantity what its"
    " calibration certificate says. corrected = gain x reading + offset, and readings are stored"
    " corrected; expanded belongs to coverage_factor; drift is a half-width; unit is that of"
    " offset, expanded and drift.'),"
    "('view sessions', 'Each run of the service on this file.'),"
    "('flags', 'A cycle with a flag: {words}. In tables, flags is a sum of these bits.'),"
    "('table campaign', 'What was asked for: one row.'),"
    "('table cell', 'The cell with its datasheet, its claim and its intake record: one row.'),"
    "('table config', 'The frozen configuration the campaign was begun with; its SHA-256.'),"
    "('table instrument', 'What was measured with, and in which session it was first seen.'),"
    "('table calibration', 'The certificates of these instruments.'),"
    "('tables step reading cycle check_up event session', 'What the views show, unrounded. Kinds"
    " of steps: 0 charge, 1 rest, 2 discharge, 3 discharge at constant power, 4 pulse. Severity: 0"
    " info, 1 warning, 2 alarm.'),"
    "('table intent', 'What was about to be switched on: durable before the output went on.'),"
    "('table state', 'From where the campaign goes on after an interruption; opaque.');";

/* Appends what {key} stands for. */
static void add_meaning(struct text *t, const char *key, size_t len)
{
    char part[120];
    if (strncmp(key, "utc ", 4) == 0) {
        (void)snprintf(part, sizeof part,
                       "strftime('%%Y-%%m-%%dT%%H:%%M:%%SZ', %.*s / 1000000, 'unixepoch')",
                       (int)len - 4, key + 4);
        text_add(t, part);
    } else if (strncmp(key, "label", len) == 0) {
        text_add(t, "CASE WHEN m.simulated THEN 'SIMULATED' WHEN m.imported THEN 'imported' ELSE "
                    "'measured' END");
    } else if (strncmp(key, "valid", len) == 0) {
        (void)snprintf(part, sizeof part, "(c.flags & %u) = 0", (unsigned)WN_FLAGS_INVALID);
        text_add(t, part);
    } else if (strncmp(key, "kind", len) == 0) {
        text_add(t, "CASE s.kind WHEN 0 THEN 'charge' WHEN 1 THEN 'rest' WHEN 2 THEN 'discharge' "
                    "WHEN 3 THEN 'discharge at constant power' ELSE 'pulse' END");
    } else {
        bool words = strncmp(key, "words", len) == 0;
        bool first = true;
        text_add(t, words ? "" : "trim(''");
        for (unsigned bit = 1; bit != 0; bit <<= 1) {
            const char *word = wn_cycle_flag_word(bit), *why = wn_cycle_flag_text(bit);
            if (word == NULL) {
                continue;
            }
            if (words) {
                (void)snprintf(part, sizeof part, "%s%u %s (", first ? "" : "; ", bit, word);
                text_add(t, part);
                text_add(t, why);
                text_add(t, ")");
            } else {
                (void)snprintf(part, sizeof part,
                               " || CASE WHEN c.flags & %u THEN '%s ' ELSE '' END", bit, word);
                text_add(t, part);
            }
            first = false;
        }
        text_add(t, words ? "" : ")");
    }
}

/* Runs SQL statement by statement, with {key} replaced. */
static int run_expanded(struct wn_campaign *c, const char *sql, struct wn_error *err)
{
    int rc = WN_OK;
    while (rc == WN_OK && *sql != '\0') {
        struct text t = {.len = 0};
        const char *end = strstr(sql, ";CREATE "); /* between the statements of a list */
        size_t len = end != NULL ? (size_t)(end - sql) + 1 : strlen(sql);
        for (size_t at = 0; at < len;) {
            size_t plain = strcspn(sql + at, "{");
            plain = plain < len - at ? plain : len - at;
            char piece[sizeof t.s];
            wn_assert(plain < sizeof piece);
            memcpy(piece, sql + at, plain);
            piece[plain] = '\0';
            text_add(&t, piece);
            at += plain;
            if (at < len) {
                size_t key = strcspn(sql + at + 1, "}");
                add_meaning(&t, sql + at + 1, key);
                at += key + 2;
            }
        }
        rc = sql_exec(c, t.s, "describing the file", err);
        sql += len;
    }
    return rc;
}

int schema_describe(struct wn_campaign *c, struct wn_error *err)
{
    int rc = sql_exec(c,
                      "DROP TRIGGER IF EXISTS event_is_kept;"
                      "DROP TRIGGER IF EXISTS event_is_not_changed;"
                      "DROP VIEW IF EXISTS fade; DROP VIEW IF EXISTS cycles;"
                      "DROP VIEW IF EXISTS check_ups; DROP VIEW IF EXISTS steps;"
                      "DROP VIEW IF EXISTS events; DROP VIEW IF EXISTS readings;"
                      "DROP VIEW IF EXISTS sessions; DROP VIEW IF EXISTS instruments;"
                      "DROP VIEW IF EXISTS about",
                      "describing the file", err);
    rc = rc == WN_OK ? run_expanded(c, views_sql, err) : rc;
    rc = rc == WN_OK ? run_expanded(c, about_view_sql, err) : rc;
    return rc == WN_OK ? run_expanded(c, about_rows_sql, err) : rc;
}

int schema_stamp(struct wn_campaign *c, struct wn_error *err)
{
    char sql[100];
    (void)snprintf(sql, sizeof sql, "PRAGMA application_id = %d; PRAGMA user_version = %d",
                   APPLICATION_ID, WN_CAMPAIGN_SCHEMA);
    return sql_exec(c, sql, "stamping", err);
}

int schema_create(struct wn_campaign *c, struct wn_error *err)
{
    int rc = sql_exec(c, tables_sql, "making the tables", err);
    rc = rc == WN_OK ? schema_describe(c, err) : rc;
    return rc == WN_OK ? schema_stamp(c, err) : rc;
}
