/* Campaign file: reading its single rows, and the small things that are written at once.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "store/internal.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* One row into a record; WN_ECORRUPT when there is none. */
static int read_one(struct wn_campaign *c, struct columns cs, const char *table, void *record,
                    struct wn_error *err)
{
    struct text t = {.len = 0};
    sqlite3_stmt *s = NULL;
    text_add(&t, "SELECT ");
    text_names(&t, cs, "", "");
    text_add(&t, " FROM ");
    text_add(&t, table);
    int rc = sql_prepare(c, t.s, &s, err);
    if (rc == WN_OK) {
        int step = sqlite3_step(s);
        if (step == SQLITE_ROW) {
            (void)read_columns(s, 0, cs, record);
        } else if (step == SQLITE_DONE) {
            rc = wn_error_set(err, WN_ECORRUPT, "%s: table %s is empty", c->path, table);
        } else {
            rc = sql_error(c, "reading", step, err);
        }
    }
    (void)sqlite3_finalize(s);
    return rc;
}

int wn_campaign_info(struct wn_campaign *c, struct wn_campaign_info *out, struct wn_error *err)
{
    memset(out, 0, sizeof *out);
    int rc = read_one(c, campaign_columns, "campaign", out, err);
    return rc == WN_OK ? read_one(c, cell_columns, "cell", &out->cell, err) : rc;
}

int wn_campaign_frozen_config(struct wn_campaign *c, char **text, char *hash, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    *text = NULL;
    int rc = sql_prepare(c, "SELECT text, sha256 FROM config", &s, err);
    if (rc == WN_OK) {
        int step = sqlite3_step(s);
        const char *found = (const char *)sqlite3_column_text(s, 0);
        if (step == SQLITE_ROW && found != NULL) {
            column_text(s, 1, hash, 65);
            *text = strdup(found);
            rc = *text != NULL ? WN_OK : wn_error_set(err, WN_ENOMEM, "%s: out of memory", c->path);
        } else {
            rc = step == SQLITE_ROW || step == SQLITE_DONE
                     ? wn_error_set(err, WN_ECORRUPT, "%s: its configuration is missing", c->path)
                     : sql_error(c, "reading the configuration", step, err);
        }
    }
    (void)sqlite3_finalize(s);
    return rc;
}

int wn_campaign_first_identity(struct wn_campaign *c, const char *role, char *identity, size_t size,
                               struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    identity[0] = '\0';
    int rc = sql_prepare(c,
                         "SELECT identity FROM instrument WHERE role = ? AND identity <> ''"
                         " ORDER BY rowid LIMIT 1",
                         &s, err);
    if (rc != WN_OK) {
        return rc;
    }
    (void)sqlite3_bind_text(s, 1, role, -1, SQLITE_STATIC);
    int step = sqlite3_step(s);
    if (step == SQLITE_ROW) {
        (void)snprintf(identity, size, "%s", (const char *)sqlite3_column_text(s, 0));
    } else if (step != SQLITE_DONE) {
        rc = sql_error(c, "reading the instruments", step, err);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

int wn_campaign_state_utc(struct wn_campaign *c, wn_utc_us *out, struct wn_error *err)
{
    return sql_int(c, "SELECT coalesce(max(utc_us), 0) FROM state", out, err);
}

int wn_campaign_state(struct wn_campaign *c, struct wn_state_record *out, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    out->time_ns = 0;
    out->size = 0;
    int rc = sql_prepare(c, "SELECT time_ns, engine FROM state", &s, err);
    int step = rc == WN_OK ? sqlite3_step(s) : SQLITE_DONE;
    if (step == SQLITE_ROW) {
        const void *blob = sqlite3_column_blob(s, 1);
        int size = sqlite3_column_bytes(s, 1);
        if (size < 0 || size > WN_STATE_BLOB_MAX) {
            rc = wn_error_set(err, WN_ECORRUPT, "%s: the saved state has %d bytes, at most %d",
                              c->path, size, WN_STATE_BLOB_MAX);
        } else if (size > 0) {
            out->time_ns = sqlite3_column_int64(s, 0);
            out->size = (uint32_t)size;
            memcpy(out->blob, blob, (size_t)size);
        }
    } else if (step != SQLITE_DONE) {
        rc = sql_error(c, "reading the saved state", step, err);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

struct word_and_time {
    const char *word;
    wn_utc_us utc;
};

static void bind_word_and_time(sqlite3_stmt *s, const void *ctx)
{
    const struct word_and_time *w = ctx;
    (void)sqlite3_bind_text(s, 1, w->word, -1, SQLITE_STATIC);
    (void)sqlite3_bind_int64(s, 2, w->utc);
}

int wn_campaign_set_status(struct wn_campaign *c, const char *status, wn_utc_us now,
                           struct wn_error *err)
{
    struct word_and_time w = {status, now};
    return sql_write_once(c, "UPDATE campaign SET status = ?, status_utc_us = ?",
                          bind_word_and_time, &w, "writing the status", err);
}

int wn_campaign_status(struct wn_campaign *c, char *status, size_t size, struct wn_error *err)
{
    return sql_text(c, "SELECT status FROM campaign", status, size, err);
}

static void bind_instrument(sqlite3_stmt *s, const void *ctx)
{
    const struct wn_instrument_record *r = ctx;
    (void)sqlite3_bind_text(s, 1, r->role, -1, SQLITE_STATIC);
    (void)sqlite3_bind_text(s, 2, r->dialect, -1, SQLITE_STATIC);
    (void)sqlite3_bind_text(s, 3, r->port, -1, SQLITE_STATIC);
    (void)sqlite3_bind_text(s, 4, r->identity, -1, SQLITE_STATIC);
}

int wn_campaign_put_instrument(struct wn_campaign *c, const struct wn_instrument_record *r,
                               struct wn_error *err)
{
    return sql_write_once(c,
                          "INSERT OR IGNORE INTO instrument(role, dialect, port, identity,"
                          " first_session) VALUES(?, ?, ?, ?, (SELECT max(session) FROM session))",
                          bind_instrument, r, "writing the instrument", err);
}

static void bind_calibration(sqlite3_stmt *s, const void *ctx)
{
    (void)bind_columns(s, 1, calibration_columns, ctx);
}

int wn_campaign_put_calibration(struct wn_campaign *c, const struct wn_instrument_record *r,
                                const struct wn_calibration *calibration, struct wn_error *err)
{
    int rc = WN_OK;
    for (int q = 0; q < WN_QUANTITY_COUNT && rc == WN_OK; q++) {
        const struct wn_calibration_line *line = &calibration->line[q];
        struct wn_calibration_record row = {.line = *line};
        struct text t = {.len = 0};
        if (!line->known) {
            continue;
        }
        (void)snprintf(row.role, sizeof row.role, "%s", r->role);
        (void)snprintf(row.identity, sizeof row.identity, "%s", r->identity);
        (void)snprintf(row.quantity, sizeof row.quantity, "%s",
                       wn_quantity_name((enum wn_quantity)q));
        (void)snprintf(row.unit, sizeof row.unit, "%s", wn_quantity_unit((enum wn_quantity)q));
        text_add(&t, "INSERT OR IGNORE INTO calibration(");
        text_names(&t, calibration_columns, "", "");
        text_add(&t, ") VALUES(");
        text_marks(&t, calibration_columns.n);
        text_add(&t, ")");
        rc = sql_write_once(c, t.s, bind_calibration, &row, "writing the calibration", err);
    }
    return rc;
}

int wn_campaign_calibration(struct wn_campaign *c, struct wn_calibration *out, struct wn_error *err)
{
    struct text t = {.len = 0};
    sqlite3_stmt *s = NULL;
    wn_calibration_init(out);
    text_add(&t, "SELECT ");
    text_names(&t, calibration_columns, "", "");
    text_add(&t, " FROM calibration ORDER BY rowid");
    int rc = sql_prepare(c, t.s, &s, err), step = SQLITE_DONE;
    while (rc == WN_OK && (step = sqlite3_step(s)) == SQLITE_ROW) {
        struct wn_calibration_record row;
        memset(&row, 0, sizeof row);
        (void)read_columns(s, 0, calibration_columns, &row);
        for (int q = 0; q < WN_QUANTITY_COUNT; q++) {
            if (strcmp(row.quantity, wn_quantity_name((enum wn_quantity)q)) == 0) {
                out->line[q] = row.line;
                out->line[q].known = true;
            }
        }
    }
    if (rc == WN_OK && step != SQLITE_DONE) {
        rc = sql_error(c, "reading the calibration", step, err);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

struct session {
    wn_utc_us utc;
    wn_ns monotonic, campaign_ns;
    const char *boot_id;
};

static void bind_session(sqlite3_stmt *s, const void *ctx)
{
    const struct session *n = ctx;
    (void)sqlite3_bind_int64(s, 1, n->utc);
    (void)sqlite3_bind_int64(s, 2, n->monotonic);
    (void)sqlite3_bind_int64(s, 3, n->campaign_ns);
    (void)sqlite3_bind_text(s, 4, n->boot_id, -1, SQLITE_STATIC);
}

int wn_campaign_begin_session(struct wn_campaign *c, wn_utc_us utc, wn_ns monotonic,
                              wn_ns campaign_ns, const char *boot_id, struct wn_error *err)
{
    struct session n = {utc, monotonic, campaign_ns, boot_id};
    return sql_write_once(c,
                          "INSERT INTO session(start_utc_us, monotonic_ns, time_ns, boot_id)"
                          " VALUES(?, ?, ?, ?)",
                          bind_session, &n, "writing the session", err);
}

int wn_campaign_open_alarms(struct wn_campaign *c, int64_t *count, struct wn_error *err)
{
    return sql_int(c, "SELECT count(*) FROM event WHERE severity = 2 AND acknowledged_by IS NULL",
                   count, err);
}

int wn_campaign_acknowledge(struct wn_campaign *c, const char *who, wn_utc_us now, int64_t *count,
                            struct wn_error *err)
{
    struct word_and_time w = {who, now};
    *count = 0;
    int rc = sql_write_once(c,
                            "UPDATE event SET acknowledged_by = ?, acknowledged_utc_us = ?"
                            " WHERE severity = 2 AND acknowledged_by IS NULL",
                            bind_word_and_time, &w, "acknowledging", err);
    if (rc == WN_OK) {
        *count = sqlite3_changes64(c->db);
    }
    return rc;
}
