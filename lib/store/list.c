/* Campaign file: its small tables, row by row.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/internal.h"

#include <string.h>

/* A row into a record, and the record to the caller's function; not 0 ends the reading. */
typedef int hand_out_fn(sqlite3_stmt *s, const void *fn, void *ctx);

static int list(struct wn_campaign *c, const char *sql, hand_out_fn *hand_out, const void *fn,
                void *ctx, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    int rc = sql_prepare(c, sql, &s, err), step = SQLITE_DONE;
    while (rc == WN_OK && (step = sqlite3_step(s)) == SQLITE_ROW) {
        rc = hand_out(s, fn, ctx);
    }
    if (rc == WN_OK && step != SQLITE_DONE) {
        rc = sql_error(c, "reading", step, err);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

static int hand_out_instrument(sqlite3_stmt *s, const void *fn, void *ctx)
{
    struct wn_instrument_record r;
    memset(&r, 0, sizeof r);
    column_text(s, 0, r.role, sizeof r.role);
    column_text(s, 1, r.dialect, sizeof r.dialect);
    column_text(s, 2, r.port, sizeof r.port);
    column_text(s, 3, r.identity, sizeof r.identity);
    return (*(const wn_instrument_row_fn *)fn)(&r, ctx);
}

int wn_campaign_each_instrument(struct wn_campaign *c, wn_instrument_row_fn fn, void *ctx,
                                struct wn_error *err)
{
    return list(c, "SELECT role, dialect, port, identity FROM instrument ORDER BY rowid",
                hand_out_instrument, &fn, ctx, err);
}

static int hand_out_calibration(sqlite3_stmt *s, const void *fn, void *ctx)
{
    struct wn_calibration_record r;
    memset(&r, 0, sizeof r);
    (void)read_columns(s, 0, calibration_columns, &r);
    r.line.known = true;
    return (*(const wn_calibration_row_fn *)fn)(&r, ctx);
}

int wn_campaign_each_calibration(struct wn_campaign *c, wn_calibration_row_fn fn, void *ctx,
                                 struct wn_error *err)
{
    struct text t = {.len = 0};
    text_add(&t, "SELECT ");
    text_names(&t, calibration_columns, "", "");
    text_add(&t, " FROM calibration ORDER BY rowid");
    return list(c, t.s, hand_out_calibration, &fn, ctx, err);
}

static int hand_out_session(sqlite3_stmt *s, const void *fn, void *ctx)
{
    return (*(const wn_session_row_fn *)fn)(sqlite3_column_int64(s, 0), sqlite3_column_int64(s, 1),
                                            ctx);
}

int wn_campaign_each_session(struct wn_campaign *c, wn_session_row_fn fn, void *ctx,
                             struct wn_error *err)
{
    return list(c, "SELECT start_utc_us, time_ns FROM session ORDER BY session", hand_out_session,
                &fn, ctx, err);
}
