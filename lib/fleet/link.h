/* Fleet: one connection, statement by statement, with a limit for each. Internal to lib/fleet.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_FLEET_LINK_H
#define WN_FLEET_LINK_H

#include "fleet/fleet.h"

enum { FLEET_CONNECT_LIMIT_S = 10, FLEET_STATEMENT_LIMIT_S = 60, FLEET_TRIES_MAX = 5 };

/* libpq's own names of a connection and a result, and its number of a type: only the sources that
 * use them include it. */
struct pg_conn;
struct pg_result;

struct wn_fleet {
    struct pg_conn *conn;
    char where[300];
    wn_ns end_ns;
};

/** Parameters of a statement, all binary. */
struct fleet_params {
    int n;
    const unsigned *type;
    const char *const *value;
    const int *length;
};

/** Runs a statement (several, separated by semicolons, when p is NULL; their last result is
 * given). *out may be NULL; else PQclear() it. On failure nothing is given. */
int fleet_run(struct wn_fleet *f, const char *sql, const struct fleet_params *p,
              struct pg_result **out, struct wn_error *err);

/** Runs work() in a transaction with its limits set; again, up to FLEET_TRIES_MAX times, when the
 * server says that may help. work() must do the same each time. */
typedef int (*fleet_work_fn)(struct wn_fleet *f, void *ctx, struct wn_error *err);
int fleet_transaction(struct wn_fleet *f, bool write, fleet_work_fn work, void *ctx,
                      struct wn_error *err);

/** A single integer that a statement gives; 0 when it gives no row or NULL. */
int fleet_number(struct wn_fleet *f, const char *sql, const struct fleet_params *p, int64_t *out,
                 struct wn_error *err);

#endif
