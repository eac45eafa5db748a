/* Campaign file: its tables and views, and the way from older versions to this one.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/internal.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char tables_sql[] =
    "CREATE TABLE about_text(number INTEGER PRIMARY KEY, topic TEXT NOT NULL, text TEXT NOT NULL) STRICT;"
    "CREATE TABLE campaign(one INTEGER PRIMARY KEY CHECK(one = 1), name TEXT NOT NULL, station TEXT NOT NULL,"
    " procedure TEXT NOT NULL, procedure_title TEXT NOT NULL, status TEXT NOT NULL, status_utc_us INTEGER NOT NULL,"
    " simulated INTEGER NOT NULL, imported INTEGER NOT NULL, cycles_planned INTEGER NOT NULL,"
    " created_utc_us INTEGER NOT NULL, retention_threshold REAL, program_version TEXT NOT NULL,"
    " clean_end INTEGER NOT NULL, store_voltage_v REAL, store_current_a REAL, store_temperature_c REAL,"
    " store_time_s REAL, accuracy_voltage_reading REAL, accuracy_voltage_fixed_v REAL,"
    " accuracy_current_reading REAL, accuracy_current_fixed_a REAL, accuracy_temperature_c REAL,"
    " accuracy_time_reading REAL) STRICT;"
    "CREATE TABLE cell(one INTEGER PRIMARY KEY CHECK(one = 1), name TEXT NOT NULL, title TEXT NOT NULL,"
    " marking TEXT NOT NULL, rated_capacity_ah REAL, nominal_voltage_v REAL, charge_voltage_v REAL,"
    " discharge_cutoff_v REAL, charge_current_max_a REAL, discharge_current_max_a REAL,"
    " standard_charge_current_a REAL, standard_charge_until_a REAL, charge_temperature_min_c REAL,"
    " charge_temperature_max_c REAL, discharge_temperature_min_c REAL,"
    " discharge_temperature_max_c REAL, voltage_max_v REAL, voltage_min_v REAL, mass_g REAL,"
    " diameter_mm REAL, length_mm REAL, arrival_voltage_v REAL, ac_impedance_ohm REAL,"
    " claim_cycles INTEGER, claim_charge_current_a REAL, claim_charge_until_current_a REAL,"
    " claim_discharge_current_a REAL, claim_discharge_until_voltage_v REAL, claim_retention REAL,"
    " claim_min_ah REAL) STRICT;"
    "CREATE TABLE config(one INTEGER PRIMARY KEY CHECK(one = 1), sha256 TEXT NOT NULL, text TEXT NOT NULL) STRICT;"
    "CREATE TABLE instrument(role TEXT NOT NULL, dialect TEXT NOT NULL, port TEXT NOT NULL, identity TEXT NOT NULL,"
    " UNIQUE(role, dialect, port, identity)) STRICT;"
    "CREATE TABLE session(session INTEGER PRIMARY KEY, start_utc_us INTEGER NOT NULL, monotonic_ns INTEGER NOT NULL,"
    " time_ns INTEGER NOT NULL, boot_id TEXT NOT NULL) STRICT;"
    "CREATE TABLE reading(step INTEGER NOT NULL, time_ns INTEGER NOT NULL, voltage_v REAL NOT NULL,"
    " current_a REAL NOT NULL, temperature_c REAL, ambient_c REAL, utc_us INTEGER NOT NULL) STRICT;"
    "CREATE INDEX reading_of_step ON reading(step);"
    "CREATE TABLE step(step INTEGER PRIMARY KEY, cycle INTEGER NOT NULL, in_check_up INTEGER NOT NULL,"
    " kind INTEGER NOT NULL, description TEXT NOT NULL, start_ns INTEGER NOT NULL, start_utc_us INTEGER NOT NULL,"
    " end_ns INTEGER, ended_by TEXT, charge_in_ah REAL, charge_out_ah REAL, energy_in_wh REAL, energy_out_wh REAL,"
    " duration_s REAL, missing_s REAL, temperature_max_c REAL, temperature_min_c REAL, temperature_start_c REAL,"
    " ambient_max_c REAL, ambient_min_c REAL, voltage_start_v REAL, voltage_end_v REAL, current_end_a REAL,"
    " cv_s REAL, end_charge_ah REAL, end_energy_wh REAL, end_duration_s REAL, readings INTEGER) STRICT;"
    "CREATE TABLE cycle(cycle INTEGER PRIMARY KEY, capacity_ah REAL, capacity_u_ah REAL, energy_wh REAL,"
    " energy_u_wh REAL, charge_ah REAL, charge_wh REAL, coulombic_efficiency REAL, energy_efficiency REAL,"
    " mean_voltage_v REAL, resistance_ohm REAL, resistance_u_ohm REAL, temperature_max_c REAL,"
    " temperature_rise_k REAL, ambient_min_c REAL, ambient_max_c REAL, discharge_current_a REAL, cutoff_v REAL,"
    " duration_s REAL, start_ns INTEGER NOT NULL, end_ns INTEGER NOT NULL, flags INTEGER NOT NULL,"
    " end_utc_us INTEGER NOT NULL) STRICT;"
    "CREATE TABLE check_up(check_up INTEGER PRIMARY KEY, after_cycle INTEGER NOT NULL, capacity_ah REAL,"
    " capacity_u_ah REAL, energy_wh REAL, energy_u_wh REAL, resistance_ohm REAL, resistance_u_ohm REAL,"
    " resistance_voltage_v REAL, temperature_max_c REAL, start_ns INTEGER NOT NULL, end_ns INTEGER NOT NULL,"
    " flags INTEGER NOT NULL, end_utc_us INTEGER NOT NULL) STRICT;"
    "CREATE TABLE event(number INTEGER PRIMARY KEY AUTOINCREMENT, time_ns INTEGER NOT NULL, utc_us INTEGER NOT NULL,"
    " cycle INTEGER NOT NULL, severity INTEGER NOT NULL, kind TEXT NOT NULL, text TEXT NOT NULL,"
    " acknowledged_by TEXT, acknowledged_utc_us INTEGER) STRICT;"
    "CREATE TABLE intent(number INTEGER PRIMARY KEY, time_ns INTEGER NOT NULL, utc_us INTEGER NOT NULL,"
    " step INTEGER NOT NULL, text TEXT NOT NULL) STRICT;"
    "CREATE TABLE state(one INTEGER PRIMARY KEY CHECK(one = 1), time_ns INTEGER NOT NULL, utc_us INTEGER NOT NULL,"
    " engine BLOB NOT NULL) STRICT;";

/* %s: an expression that spells the flags */
static const char views_sql[] =
    "CREATE VIEW fade AS SELECT c.cycle, round(c.capacity_ah, 5) AS capacity_ah, round(c.capacity_u_ah, 5) AS"
    " capacity_u_ah, round(c.capacity_ah / l.rated_capacity_ah, 5) AS retention_of_rated,"
    " round(c.energy_wh, 4) AS energy_wh, round(c.coulombic_efficiency, 5) AS coulombic_efficiency,"
    " round(c.resistance_ohm * 1000, 3) AS resistance_mohm, round(c.temperature_max_c, 2) AS temperature_max_c,"
    " round(c.end_ns / 3.6e12, 3) AS end_h, %s AS flags, CASE m.simulated WHEN 1 THEN 'SIMULATED' ELSE '' END AS"
    " label FROM cycle c, cell l, campaign m ORDER BY c.cycle;"
    "CREATE VIEW story AS SELECT number, datetime(utc_us / 1e6, 'unixepoch') AS utc, round(time_ns / 3.6e12, 3) AS"
    " time_h, cycle, CASE severity WHEN 0 THEN 'info' WHEN 1 THEN 'warning' ELSE 'ALARM' END AS severity, kind,"
    " text, acknowledged_by FROM event ORDER BY number;"
    "CREATE VIEW steps AS SELECT step, cycle, CASE in_check_up WHEN 1 THEN 'check-up' ELSE 'cycle' END AS round,"
    " description, round(start_ns / 3.6e12, 3) AS start_h, round(duration_s / 60, 2) AS duration_min,"
    " round(charge_in_ah, 5) AS charge_in_ah, round(charge_out_ah, 5) AS charge_out_ah,"
    " round(voltage_end_v, 4) AS voltage_end_v, round(temperature_max_c, 2) AS temperature_max_c, ended_by"
    " FROM step ORDER BY step;"
    "CREATE VIEW readings AS SELECT r.step, s.cycle, round(r.time_ns / 1e9, 3) AS time_s, r.voltage_v, r.current_a,"
    " r.temperature_c, r.ambient_c FROM reading r LEFT JOIN step s ON s.step = r.step ORDER BY r.time_ns;"
    "CREATE VIEW about AS SELECT topic, text FROM about_text UNION ALL"
    " SELECT 'campaign', name || ': cell ' || (SELECT title FROM cell) || ', procedure ' || procedure_title ||"
    " ', station ' || station || ', ' || status FROM campaign UNION ALL"
    " SELECT 'SIMULATED', 'These results come from a virtual bench. No cell was measured.' FROM campaign"
    " WHERE simulated = 1 UNION ALL"
    " SELECT 'imported', 'These results were computed from a recorded log.' FROM campaign WHERE imported = 1 UNION ALL"
    " SELECT 'so far', count(*) || ' of ' || (SELECT cycles_planned FROM campaign) || ' cycles; capacity of the last ' ||"
    " coalesce(round((SELECT capacity_ah FROM cycle ORDER BY cycle DESC LIMIT 1), 4), 'unknown') || ' Ah, of the first ' ||"
    " coalesce(round((SELECT capacity_ah FROM cycle ORDER BY cycle LIMIT 1), 4), 'unknown') || ' Ah' FROM cycle;";

static const char about_rows_sql[] =
    "INSERT INTO about_text(topic, text) VALUES"
    "('what this is', 'A campaign of wane: one lithium-ion cell taken through one procedure, cycle by cycle. Read it with"
    " any SQLite; only its station writes to it.'),"
    "('units', 'The unit is the end of a column''s name: _v volt, _a ampere, _ah ampere hour, _wh watt hour, _ohm ohm, _c"
    " degree Celsius, _k kelvin, _s second, _h hour, _ns nanosecond of campaign time (from 0 at the start), _utc_us"
    " microsecond since 1970 UTC when it was recorded.'),"
    "('sign', 'current_a is positive when it charges the cell.'),"
    "('uncertainty', 'Columns with _u_ are standard uncertainties (k = 1) after the GUM, from the accuracy stated for the"
    " instrument.'),"
    "('view fade', 'Start here: one line a cycle with capacity, retention, resistance and flags in words.'),"
    "('view story', 'Everything that happened, alarms and who acknowledged them.'),"
    "('view steps', 'Every charge, rest, discharge and pulse with what moved in it.'),"
    "('view readings', 'The curve: readings stored when voltage, current, temperature or time moved by the thresholds in"
    " table campaign. Charge and energy were integrated over every reading, not only the stored ones.'),"
    "('table cycle', 'All figures of a cycle. flags is a sum of bits: %s.'),"
    "('table check_up', 'Reference measurements: low-rate capacity and DC resistance.'),"
    "('table config', 'The frozen configuration the campaign was begun with, and its SHA-256.'),"
    "('table instrument', 'What was measured with.'),"
    "('table session', 'Each run of the service on this file.'),"
    "('table intent', 'What was about to be switched on: written before the output went on.'),"
    "('table state', 'From where the campaign goes on after an interruption; opaque.');";

/* Spells flags: an SQL expression, or for people "1 interrupted, 2 gap, ...". */
static void spell_flags(char *buf, size_t size, bool sql)
{
    size_t at = 0;
    buf[0] = '\0';
    for (unsigned bit = 1; bit != 0 && at < size; bit <<= 1) {
        const char *word = wn_cycle_flag_word(bit);
        if (word == NULL) {
            continue;
        }
        int n = sql ? snprintf(buf + at, size - at, "%s CASE WHEN c.flags & %u THEN '%s ' ELSE '' END",
                               at > 0 ? " ||" : "trim(", bit, word)
                    : snprintf(buf + at, size - at, "%s%u %s", at > 0 ? ", " : "", bit, word);
        at += n > 0 ? (size_t)n : 0;
    }
    if (sql && at < size) {
        (void)snprintf(buf + at, size - at, ")");
    }
}

static int create_views(struct wn_campaign *c, struct wn_error *err)
{
    char flags[1200], sql[6000];
    spell_flags(flags, sizeof flags, true);
    int n = snprintf(sql, sizeof sql, views_sql, flags);
    if (n < 0 || (size_t)n >= sizeof sql) {
        return wn_error_set(err, WN_EBUG, "the views of the campaign file do not fit their buffer");
    }
    return sql_exec(c, sql, err);
}

static int stamp(struct wn_campaign *c, struct wn_error *err)
{
    char sql[100];
    (void)snprintf(sql, sizeof sql, "PRAGMA application_id = %d; PRAGMA user_version = %d", APPLICATION_ID,
                   WN_CAMPAIGN_SCHEMA);
    return sql_exec(c, sql, err);
}

int schema_create(struct wn_campaign *c, struct wn_error *err)
{
    char flags[400], sql[4000];
    spell_flags(flags, sizeof flags, false);
    int n = snprintf(sql, sizeof sql, about_rows_sql, flags);
    if (n < 0 || (size_t)n >= sizeof sql) {
        return wn_error_set(err, WN_EBUG, "the text about the campaign file does not fit its buffer");
    }
    int rc = sql_exec(c, tables_sql, err);
    rc = rc == WN_OK ? create_views(c, err) : rc;
    rc = rc == WN_OK ? sql_exec(c, sql, err) : rc;
    return rc == WN_OK ? stamp(c, err) : rc;
}

/* Version 0 had no column for the retention threshold and none for the ambient of a reading. Views are made anew. */
static const struct migration {
    int64_t to;
    const char *sql;
} migrations[] = {
    {1,
     "DROP VIEW IF EXISTS fade; DROP VIEW IF EXISTS story; DROP VIEW IF EXISTS steps; DROP VIEW IF EXISTS readings;"
     "DROP VIEW IF EXISTS about;"
     "ALTER TABLE campaign ADD COLUMN retention_threshold REAL;"
     "ALTER TABLE reading ADD COLUMN ambient_c REAL;"},
};

int schema_migrate(struct wn_campaign *c, struct wn_error *err)
{
    int64_t have = 0;
    int rc = sql_exec(c, "BEGIN IMMEDIATE", err); /* lock first, then look */
    if (rc != WN_OK) {
        return rc;
    }
    rc = sql_int(c, "PRAGMA user_version", &have, err);
    if (rc == WN_OK && have > WN_CAMPAIGN_SCHEMA) {
        rc = wn_error_set(err, WN_ENEWER, "%s was made by a newer version of wane (file version %lld, mine %d): update wane",
                          c->path, (long long)have, WN_CAMPAIGN_SCHEMA);
    }
    for (size_t i = 0; rc == WN_OK && i < sizeof migrations / sizeof migrations[0]; i++) {
        if (migrations[i].to > have) {
            rc = sql_exec(c, migrations[i].sql, err);
        }
    }
    if (rc == WN_OK && have < WN_CAMPAIGN_SCHEMA) {
        rc = create_views(c, err);
        rc = rc == WN_OK ? stamp(c, err) : rc;
    }
    if (rc == WN_OK) {
        rc = sql_exec(c, "COMMIT", err);
    }
    if (rc != WN_OK && !sqlite3_get_autocommit(c->db)) {
        (void)sql_exec(c, "ROLLBACK", NULL); /* already failing: the first error is the news */
    }
    return rc;
}
