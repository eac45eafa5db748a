-- A campaign file of version 2, as its program made it: three cycles, then a kill (clean_end is 0).
-- SPDX-License-Identifier: GPL-3.0-or-later
-- Never change this file: it stands for files that exist. A new version of the schema adds a new one.
PRAGMA application_id = 2002873957;
PRAGMA user_version = 2;
CREATE TABLE about_text(number INTEGER PRIMARY KEY, topic TEXT NOT NULL, text TEXT NOT NULL) STRICT;
CREATE TABLE campaign(one INTEGER PRIMARY KEY CHECK(one = 1), name TEXT NOT NULL, station TEXT NOT NULL, procedure
 TEXT NOT NULL, procedure_title TEXT NOT NULL, status TEXT NOT NULL, status_utc_us INTEGER NOT NULL, simulated
 INTEGER NOT NULL, imported INTEGER NOT NULL, cycles_planned INTEGER NOT NULL, created_utc_us INTEGER NOT NULL,
 program_version TEXT NOT NULL, clean_end INTEGER NOT NULL, store_voltage_v REAL, store_current_a REAL,
 store_temperature_c REAL, store_time_s REAL, accuracy_voltage_of_reading REAL, accuracy_voltage_fixed_v REAL,
 accuracy_current_of_reading REAL, accuracy_current_fixed_a REAL, accuracy_temperature_c REAL,
 accuracy_time_of_reading REAL, retention_threshold REAL) STRICT;
CREATE TABLE cell(one INTEGER PRIMARY KEY CHECK(one = 1), name TEXT NOT NULL, title TEXT NOT NULL, marking TEXT NOT
 NULL, rated_capacity_ah REAL, nominal_voltage_v REAL, charge_voltage_v REAL, discharge_cutoff_v REAL,
 charge_current_max_a REAL, discharge_current_max_a REAL, standard_charge_current_a REAL, standard_charge_until_a
 REAL, charge_temperature_min_c REAL, charge_temperature_max_c REAL, discharge_temperature_min_c REAL,
 discharge_temperature_max_c REAL, voltage_max_v REAL, voltage_min_v REAL, mass_g REAL, diameter_mm REAL, length_mm
 REAL, arrival_voltage_v REAL, ac_impedance_ohm REAL, claim_cycles INTEGER, claim_charge_current_a REAL,
 claim_charge_until_current_a REAL, claim_discharge_current_a REAL, claim_discharge_until_voltage_v REAL,
 claim_retention REAL, claim_min_ah REAL) STRICT;
CREATE TABLE config(one INTEGER PRIMARY KEY CHECK(one = 1), sha256 TEXT NOT NULL, text TEXT NOT NULL) STRICT;
CREATE TABLE instrument(role TEXT NOT NULL, dialect TEXT NOT NULL, port TEXT NOT NULL, identity TEXT NOT NULL,
 first_session INTEGER, UNIQUE(role, dialect, port, identity)) STRICT;
CREATE TABLE calibration(role TEXT NOT NULL, identity TEXT NOT NULL, quantity TEXT NOT NULL, unit TEXT NOT NULL, gain
 REAL, offset REAL, expanded REAL, coverage_factor REAL, drift REAL, date_utc_us INTEGER, valid_until_utc_us INTEGER,
 certificate TEXT NOT NULL, UNIQUE(role, identity, quantity)) STRICT;
CREATE TABLE session(session INTEGER PRIMARY KEY, start_utc_us INTEGER NOT NULL, monotonic_ns INTEGER NOT NULL,
 time_ns INTEGER NOT NULL, boot_id TEXT NOT NULL) STRICT;
CREATE TABLE step(step INTEGER PRIMARY KEY, cycle INTEGER NOT NULL, in_check_up INTEGER NOT NULL, kind INTEGER NOT
 NULL, description TEXT NOT NULL, start_ns INTEGER NOT NULL, start_utc_us INTEGER NOT NULL, end_ns INTEGER,
 end_utc_us INTEGER, ended_by TEXT, charge_in_ah REAL, charge_out_ah REAL, energy_in_wh REAL, energy_out_wh REAL,
 duration_s REAL, missing_s REAL, temperature_max_c REAL, temperature_min_c REAL, temperature_start_c REAL,
 ambient_max_c REAL, ambient_min_c REAL, voltage_start_v REAL, voltage_end_v REAL, current_end_a REAL, cv_s REAL,
 readings INTEGER, end_charge_ah REAL, end_energy_wh REAL, end_duration_s REAL, end_missing_s REAL, crossed INTEGER)
 STRICT;
CREATE TABLE reading(number INTEGER PRIMARY KEY, step INTEGER NOT NULL, time_ns INTEGER NOT NULL, utc_us INTEGER
 NOT NULL, voltage_v REAL, current_a REAL, temperature_c REAL, ambient_c REAL, output_on INTEGER) STRICT;
CREATE INDEX reading_of_step ON reading(step);
CREATE TABLE cycle(cycle INTEGER PRIMARY KEY, capacity_ah REAL, capacity_u_ah REAL, energy_wh REAL, energy_u_wh
 REAL, charge_ah REAL, charge_wh REAL, coulombic_efficiency REAL, energy_efficiency REAL, mean_voltage_v REAL,
 resistance_ohm REAL, resistance_u_ohm REAL, temperature_max_c REAL, temperature_rise_k REAL, ambient_min_c REAL,
 ambient_max_c REAL, discharge_current_a REAL, cutoff_v REAL, duration_s REAL, start_ns INTEGER NOT NULL, end_ns
 INTEGER NOT NULL, flags INTEGER NOT NULL, end_utc_us INTEGER NOT NULL, coulombic_efficiency_u REAL,
 energy_efficiency_u REAL, cutoff_slope_v_per_s REAL) STRICT;
CREATE TABLE check_up(check_up INTEGER PRIMARY KEY, after_cycle INTEGER NOT NULL, capacity_ah REAL, capacity_u_ah
 REAL, energy_wh REAL, energy_u_wh REAL, resistance_ohm REAL, resistance_u_ohm REAL, resistance_voltage_v REAL,
 temperature_max_c REAL, start_ns INTEGER NOT NULL, end_ns INTEGER NOT NULL, flags INTEGER NOT NULL, end_utc_us
 INTEGER NOT NULL) STRICT;
CREATE TABLE event(number INTEGER PRIMARY KEY AUTOINCREMENT, time_ns INTEGER NOT NULL, utc_us INTEGER NOT NULL,
 cycle INTEGER NOT NULL, severity INTEGER NOT NULL, kind TEXT NOT NULL, text TEXT NOT NULL, acknowledged_by TEXT,
 acknowledged_utc_us INTEGER) STRICT;
CREATE TABLE intent(number INTEGER PRIMARY KEY, time_ns INTEGER NOT NULL, utc_us INTEGER NOT NULL, step INTEGER NOT
 NULL, text TEXT NOT NULL) STRICT;
CREATE TABLE state(one INTEGER PRIMARY KEY CHECK(one = 1), time_ns INTEGER NOT NULL, utc_us INTEGER NOT NULL,
 engine BLOB NOT NULL) STRICT;
CREATE VIEW fade AS SELECT c.cycle, c.capacity_ah FROM cycle c ORDER BY c.cycle;
CREATE VIEW about AS SELECT topic, text FROM about_text;

INSERT INTO about_text(topic, text) VALUES('what this is', 'A campaign file of version 2.');
INSERT INTO campaign VALUES(1, 'example-1', 'A', 'claim', 'Datasheet claim', 'running', 1790000100000000, 1, 0, 300,
 1790000000000000, '0.0', 0, 0.005, 0.05, 0.5, 60.0, 0.0002, 0.001, 0.0005, 0.002, 0.5, 0.00002, 0.6);
INSERT INTO cell VALUES(1, 'example', 'Example 21700', 'EX-21700', 2.5, 3.6, 4.2, 2.5, 4.0, 20.0, 4.0, 0.1, 0.0, 45.0,
 -20.0, 75.0, 4.25, 2.4, 69.5, 21.1, 70.2, 3.52, 0.0131, 300, 4.0, 0.1, 10.0, 2.5, 0.6, 1.5);
INSERT INTO config VALUES(1, '00', 'cell = "example"');
INSERT INTO session VALUES(1, 1790000000000000, 5000000000, 0, 'boot-1');
INSERT INTO step(step, cycle, in_check_up, kind, description, start_ns, start_utc_us, end_ns, end_utc_us, ended_by,
 charge_out_ah, readings) VALUES(1, 1, 0, 2, 'discharge 10 A to 2.5 V', 0, 1790000000000000, 900000000000,
 1790000001000000, 'voltage', 2.45, 900), (2, 1, 0, 1, 'rest 1 h', 900000000000, 1790000001000000, NULL, NULL, NULL,
 NULL, NULL);
INSERT INTO reading(step, time_ns, utc_us, voltage_v, current_a, temperature_c, ambient_c, output_on) VALUES
 (1, 0, 1790000000000000, 4.1, -10.0, 25.0, 22.0, 1), (1, 450000000000, 1790000000500000, 3.5, -10.0, 35.0, NULL, 1),
 (1, 900000000000, 1790000001000000, 2.5, -10.0, 41.5, 22.5, 1);
INSERT INTO cycle(cycle, capacity_ah, capacity_u_ah, start_ns, end_ns, flags, end_utc_us) VALUES
 (1, 2.45, 0.001, 0, 900000000000, 0, 1790000001000000), (2, 2.44, 0.001, 900000000000, 1800000000000, 1,
 1790000002000000), (3, 2.43, 0.001, 1800000000000, 2700000000000, 0, 1790000003000000);
INSERT INTO event(time_ns, utc_us, cycle, severity, kind, text) VALUES(0, 1790000000000000, 0, 0, 'started',
 'by tester'), (10, 1790000000000001, 1, 2, 'halted', 'over-temperature');
INSERT INTO state VALUES(1, 2700000000000, 1790000003000000, x'00010203');
INSERT INTO instrument VALUES('tester', 'example-tester', '/dev/example', 'EXAMPLE,T1,4711,1.0', 1);
INSERT INTO intent(time_ns, utc_us, step, text) VALUES(0, 1790000000000000, 1, 'discharge 10 A to 2.5 V');
