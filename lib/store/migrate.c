/* Campaign file: the way from older versions to this one.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Each step brings the tables from version `to` - 1 to `to`. Steps that were shipped are never
 * changed. Views, triggers and texts are made anew at the end, so steps touch tables only. */
#include "store/internal.h"

#include <stddef.h>

static const struct migration {
    int64_t to;
    const char *sql;
} migrations[] = {
    /* Version 0 knew no intents, stored no output state, and left the threshold to the reader. */
    {1, "ALTER TABLE campaign ADD COLUMN retention_threshold REAL;"
        "ALTER TABLE reading ADD COLUMN output_on INTEGER;"
        "CREATE TABLE intent(number INTEGER PRIMARY KEY, time_ns INTEGER NOT NULL,"
        " utc_us INTEGER NOT NULL, step INTEGER NOT NULL, text TEXT NOT NULL) STRICT;"
        "UPDATE campaign SET retention_threshold ="
        " coalesce((SELECT claim_retention FROM cell WHERE claim_cycles > 0), 0.7)"},
    /* Version 1 knew no certificates; what a ratio of its cycles is uncertain by was not kept. */
    {2,
     "ALTER TABLE cycle ADD COLUMN coulombic_efficiency_u REAL;"
     "ALTER TABLE cycle ADD COLUMN energy_efficiency_u REAL;"
     "ALTER TABLE cycle ADD COLUMN cutoff_slope_v_per_s REAL;"
     "CREATE TABLE calibration(role TEXT NOT NULL, identity TEXT NOT NULL, quantity TEXT NOT NULL,"
     " unit TEXT NOT NULL, gain REAL, offset REAL, expanded REAL, coverage_factor REAL, drift REAL,"
     " date_utc_us INTEGER, valid_until_utc_us INTEGER, certificate TEXT NOT NULL,"
     " UNIQUE(role, identity, quantity)) STRICT;"},
    /* Version 2 did not tell at which frequency an impedance was measured, nor what the datasheet
     * says of it. */
    {3, "ALTER TABLE cell ADD COLUMN ac_impedance_hz REAL;"
        "ALTER TABLE cell ADD COLUMN nominal_capacity_ah REAL;"
        "ALTER TABLE cell ADD COLUMN ac_impedance_max_ohm REAL;"
        "ALTER TABLE cell ADD COLUMN dc_resistance_max_ohm REAL"},
};

int schema_version(struct wn_campaign *c, int64_t *version, struct wn_error *err)
{
    int rc = sql_int(c, "PRAGMA user_version", version, err);
    if (rc == WN_OK && *version > WN_CAMPAIGN_SCHEMA) {
        rc = wn_error_set(err, WN_ENEWER,
                          "%s was made by a newer version of wane (file version %lld, this program "
                          "knows %d): update wane",
                          c->path, (long long)*version, WN_CAMPAIGN_SCHEMA);
    }
    return rc;
}

int schema_migrate(struct wn_campaign *c, struct wn_error *err)
{
    int64_t have = 0;
    int rc = schema_version(c, &have, err);
    if (rc != WN_OK || have == WN_CAMPAIGN_SCHEMA) {
        return rc;
    }
    rc = sql_begin(c, err);
    if (rc != WN_OK) {
        return rc;
    }
    rc = schema_version(c, &have, err); /* again: somebody may have been faster than the lock */
    for (size_t i = 0; rc == WN_OK && i < sizeof migrations / sizeof migrations[0]; i++) {
        if (migrations[i].to > have) {
            rc = sql_exec(c, migrations[i].sql, "bringing the file up to date", err);
        }
    }
    if (rc == WN_OK && have < WN_CAMPAIGN_SCHEMA) {
        rc = schema_describe(c, err);
    }
    if (rc == WN_OK && have < WN_CAMPAIGN_SCHEMA) {
        rc = schema_stamp(c, err);
    }
    return sql_end(c, rc, err);
}
