-- wane, tables of a fleet: version 1. `wane publish --prepare` runs this and then views.sql; so does
--     psql -1 -f tables-1.sql -f views.sql DATABASE
-- SPDX-License-Identifier: GPL-3.0-or-later
--
-- Steps that were shipped are never changed: a later version adds tables-2.sql.
--
-- Every table but schema_version holds rows of campaigns, and campaign_id is the first column of its primary key, of
-- every foreign key and of every unique constraint. A campaign's rows can so lie together on one node: the tables can be
-- partitioned, or distributed over machines, by campaign_id as they stand, whoever does it and without any extension
-- (a partitioned table takes no key without its partition column). All that `wane publish` sends and asks names one
-- campaign_id, but for one look for campaigns of the same name. Views go over all campaigns.
--
-- The end of a column's name is its unit, as in a campaign file: _v volt, _a ampere, _ah ampere hour, _wh watt hour, _ohm ohm,
-- _c degree Celsius, _k kelvin, _g gram, _mm millimetre, _s second, _ns nanosecond, _utc a time of day. Current is positive when it charges. NULL:
-- not measured or not known. _u: standard uncertainty (k = 1) after the GUM. simulated: from a virtual bench, no cell was measured.
CREATE SCHEMA wane;
COMMENT ON SCHEMA wane IS 'Ageing tests of lithium-ion cells, published by wane from the campaign files of many benches';

CREATE TABLE wane.schema_version (
    version integer PRIMARY KEY,
    installed_utc timestamptz NOT NULL DEFAULT now()
);

-- campaign_id: the first 128 bits of the SHA-256 of what a campaign is: hash of its frozen configuration, the moment
-- it was begun, station, name. It stays when the file or the bench gets another name or another place.
CREATE TABLE wane.campaign (
    campaign_id uuid PRIMARY KEY,
    bench text NOT NULL,
    name text NOT NULL,
    station text NOT NULL,
    procedure text NOT NULL,
    procedure_title text NOT NULL,
    status text NOT NULL,
    simulated boolean NOT NULL,
    imported boolean NOT NULL,
    cycles_planned bigint NOT NULL,
    created_utc timestamptz NOT NULL,
    config_sha256 text NOT NULL,
    program_version text NOT NULL,
    tester text NOT NULL,
    retention_threshold double precision,
    accuracy_voltage_of_reading double precision,
    accuracy_voltage_fixed_v double precision,
    accuracy_current_of_reading double precision,
    accuracy_current_fixed_a double precision,
    accuracy_temperature_c double precision,
    accuracy_time_of_reading double precision,
    cycles bigint NOT NULL,
    check_ups bigint NOT NULL,
    events bigint NOT NULL
);
COMMENT ON COLUMN wane.campaign.bench IS 'Who publishes it; nobody else may, unless it is taken over';
COMMENT ON COLUMN wane.campaign.tester IS 'Identity of the instrument it was begun with';
COMMENT ON COLUMN wane.campaign.cycles IS 'In its file when it was last published: fewer rows in wane.cycle tell of a transfer that was cut off';

-- Which benches have published a campaign, and when something changed by it for the last time.
CREATE TABLE wane.bench (
    campaign_id uuid NOT NULL REFERENCES wane.campaign (campaign_id) ON DELETE CASCADE,
    bench text NOT NULL,
    simulated boolean NOT NULL,
    program_version text NOT NULL,
    published_utc timestamptz NOT NULL,
    changed_utc timestamptz NOT NULL,
    PRIMARY KEY (campaign_id, bench)
);

CREATE TABLE wane.cell (
    campaign_id uuid PRIMARY KEY REFERENCES wane.campaign (campaign_id) ON DELETE CASCADE,
    simulated boolean NOT NULL,
    name text NOT NULL,
    title text NOT NULL,
    marking text NOT NULL,
    rated_capacity_ah double precision,
    nominal_voltage_v double precision,
    charge_voltage_v double precision,
    discharge_cutoff_v double precision,
    charge_current_max_a double precision,
    discharge_current_max_a double precision,
    standard_charge_current_a double precision,
    standard_charge_until_a double precision,
    charge_temperature_min_c double precision,
    charge_temperature_max_c double precision,
    discharge_temperature_min_c double precision,
    discharge_temperature_max_c double precision,
    voltage_max_v double precision,
    voltage_min_v double precision,
    mass_g double precision,
    diameter_mm double precision,
    length_mm double precision,
    arrival_voltage_v double precision,
    ac_impedance_ohm double precision,
    ac_impedance_hz double precision,
    nominal_capacity_ah double precision,
    ac_impedance_max_ohm double precision,
    dc_resistance_max_ohm double precision,
    claim_cycles bigint NOT NULL,
    claim_charge_current_a double precision,
    claim_charge_until_current_a double precision,
    claim_discharge_current_a double precision,
    claim_discharge_until_voltage_v double precision,
    claim_retention double precision,
    claim_min_ah double precision
);
COMMENT ON COLUMN wane.cell.name IS 'The type: what its file is called in the configuration, so call it the same on every bench';

CREATE TABLE wane.cycle (
    campaign_id uuid NOT NULL REFERENCES wane.campaign (campaign_id) ON DELETE CASCADE,
    cycle bigint NOT NULL,
    simulated boolean NOT NULL,
    valid boolean NOT NULL,
    flags text NOT NULL,
    capacity_ah double precision,
    capacity_u_ah double precision,
    energy_wh double precision,
    energy_u_wh double precision,
    charge_ah double precision,
    charge_wh double precision,
    coulombic_efficiency double precision,
    coulombic_efficiency_u double precision,
    energy_efficiency double precision,
    energy_efficiency_u double precision,
    mean_voltage_v double precision,
    resistance_ohm double precision,
    resistance_u_ohm double precision,
    temperature_max_c double precision,
    temperature_rise_k double precision,
    ambient_min_c double precision,
    ambient_max_c double precision,
    discharge_current_a double precision,
    cutoff_v double precision,
    cutoff_slope_v_per_s double precision,
    duration_s double precision,
    start_ns bigint NOT NULL,
    end_ns bigint NOT NULL,
    end_utc timestamptz,
    PRIMARY KEY (campaign_id, cycle)
);
COMMENT ON COLUMN wane.cycle.valid IS 'Its capacity counts for fade';
COMMENT ON COLUMN wane.cycle.end_ns IS 'Campaign time, from 0 at its start';

CREATE TABLE wane.check_up (
    campaign_id uuid NOT NULL REFERENCES wane.campaign (campaign_id) ON DELETE CASCADE,
    check_up bigint NOT NULL,
    simulated boolean NOT NULL,
    flags text NOT NULL,
    after_cycle bigint NOT NULL,
    capacity_ah double precision,
    capacity_u_ah double precision,
    energy_wh double precision,
    energy_u_wh double precision,
    resistance_ohm double precision,
    resistance_u_ohm double precision,
    resistance_voltage_v double precision,
    temperature_max_c double precision,
    start_ns bigint NOT NULL,
    end_ns bigint NOT NULL,
    end_utc timestamptz,
    PRIMARY KEY (campaign_id, check_up)
);

CREATE TABLE wane.event (
    campaign_id uuid NOT NULL REFERENCES wane.campaign (campaign_id) ON DELETE CASCADE,
    number bigint NOT NULL,
    simulated boolean NOT NULL,
    recorded_utc timestamptz,
    time_ns bigint NOT NULL,
    cycle bigint NOT NULL,
    severity text NOT NULL CHECK (severity IN ('info', 'warning', 'alarm')),
    kind text NOT NULL,
    text text NOT NULL,
    acknowledged boolean NOT NULL,
    acknowledged_by text NOT NULL,
    acknowledged_utc timestamptz,
    PRIMARY KEY (campaign_id, number)
);

INSERT INTO wane.schema_version (version) VALUES (1);
