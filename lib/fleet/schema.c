/* Fleet: the tables in the database, and the way from older versions to this one.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The steps are the files of contrib/fleet, built in. Steps that were shipped are never changed. */
#include "fleet/link.h"

#include <stdio.h>

#include "fleet/sql_files.h"

/* Everybody who makes tables takes this lock first; any number would do that nobody else uses. */
#define PREPARE_LOCK "SELECT pg_advisory_xact_lock(8242714503107297617)"

static const struct wn_fleet_step shipped[] = {
    {1, fleet_sql_tables_1},
};

static int version(struct wn_fleet *f, int64_t *out, struct wn_error *err)
{
    int64_t there = 0;
    *out = 0;
    int rc = fleet_number(f, "SELECT (to_regclass('wane.schema_version') IS NOT NULL)::int::bigint",
                          NULL, &there, err);
    return rc == WN_OK && there != 0
               ? fleet_number(f, "SELECT max(version)::bigint FROM wane.schema_version", NULL, out,
                              err)
               : rc;
}

static int newer(const struct wn_fleet *f, int64_t have, int known, struct wn_error *err)
{
    return wn_error_set(err, WN_ENEWER,
                        "%s: its tables are of version %lld, made by a newer wane; this one knows "
                        "%d: update wane on this bench",
                        f->where, (long long)have, known);
}

int wn_fleet_check(struct wn_fleet *f, struct wn_error *err)
{
    int64_t have = 0;
    int rc = version(f, &have, err);
    if (rc != WN_OK || have == WN_FLEET_SCHEMA) {
        return rc;
    }
    if (have > WN_FLEET_SCHEMA) {
        return newer(f, have, WN_FLEET_SCHEMA, err);
    }
    return have == 0 ? wn_error_set(err, WN_ENOENT,
                                    "%s: there are no tables of wane in it yet: wane publish "
                                    "--prepare makes them",
                                    f->where)
                     : wn_error_set(err, WN_ESTATE,
                                    "%s: its tables are of version %lld, this wane needs %d: wane "
                                    "publish --prepare brings them up to date",
                                    f->where, (long long)have, WN_FLEET_SCHEMA);
}

struct preparing {
    const struct wn_fleet_step *steps;
    int n;
    const char *views;
    int *from;
};

static int prepare(struct wn_fleet *f, void *ctx, struct wn_error *err)
{
    struct preparing *p = ctx;
    int64_t have = 0;
    int rc = fleet_run(f, PREPARE_LOCK, NULL, NULL, err);
    rc = rc == WN_OK ? version(f, &have, err) : rc;
    if (rc == WN_OK && have > p->steps[p->n - 1].to) {
        rc = newer(f, have, p->steps[p->n - 1].to, err);
    }
    *p->from = (int)have;
    for (int i = 0; rc == WN_OK && i < p->n; i++) {
        if (p->steps[i].to > have) {
            rc = fleet_run(f, p->steps[i].sql, NULL, NULL, err);
        }
    }
    return rc == WN_OK ? fleet_run(f, p->views, NULL, NULL, err) : rc;
}

int wn_fleet_prepare_steps(struct wn_fleet *f, const struct wn_fleet_step *steps, int n,
                           const char *views, int *from, struct wn_error *err)
{
    struct preparing p = {steps, n, views, from};
    *from = 0;
    return fleet_transaction(f, true, prepare, &p, err);
}

int wn_fleet_prepare(struct wn_fleet *f, int *from, struct wn_error *err)
{
    return wn_fleet_prepare_steps(f, shipped, (int)(sizeof shipped / sizeof shipped[0]),
                                  fleet_sql_views, from, err);
}
