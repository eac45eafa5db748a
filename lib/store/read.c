/* Campaign file: reading it, and the small things that are written at once.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "store/internal.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void take_text(char *out, size_t size, sqlite3_stmt *s, int i)
{
    const char *text = (const char *)sqlite3_column_text(s, i);
    (void)snprintf(out, size, "%s", text != NULL ? text : "");
}

/* Calls fn for every row; fn returns non-zero to end. */
static int each(struct wn_campaign *c, sqlite3_stmt *s, int (*fn)(sqlite3_stmt *, void *), void *ctx, struct wn_error *err)
{
    int step, rc = WN_OK;
    while (rc == WN_OK && (step = sqlite3_step(s)) != SQLITE_DONE) {
        rc = step == SQLITE_ROW ? fn(s, ctx) : sql_error(c, "reading", step, err);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

static int read_cell(struct wn_campaign *c, struct wn_cell *l, struct wn_error *err)
{
    char names[900] = "", sql[1100];
    sqlite3_stmt *s = NULL;
    list_names(names, sizeof names, cell_columns, cell_columns_n);
    (void)snprintf(sql, sizeof sql, "SELECT name, title, marking, %s FROM cell", names);
    int rc = sql_prepare(c, sql, &s, err);
    if (rc == WN_OK) {
        int step = sqlite3_step(s);
        rc = step == SQLITE_ROW ? WN_OK : sql_error(c, "reading the cell", step, err);
        take_text(l->name, sizeof l->name, s, 0);
        take_text(l->title, sizeof l->title, s, 1);
        take_text(l->marking, sizeof l->marking, s, 2);
        read_columns(s, 3, cell_columns, cell_columns_n, l);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

int wn_campaign_info(struct wn_campaign *c, struct wn_campaign_info *i, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    memset(i, 0, sizeof *i);
    int rc = sql_prepare(c, "SELECT name, station, procedure, procedure_title, simulated, imported, cycles_planned,"
                            " created_utc_us, program_version, retention_threshold, store_voltage_v, store_current_a,"
                            " store_temperature_c, store_time_s, accuracy_voltage_reading, accuracy_voltage_fixed_v,"
                            " accuracy_current_reading, accuracy_current_fixed_a, accuracy_temperature_c,"
                            " accuracy_time_reading FROM campaign", &s, err);
    if (rc != WN_OK) {
        return rc;
    }
    int step = sqlite3_step(s);
    if (step == SQLITE_ROW) {
        take_text(i->name, sizeof i->name, s, 0);
        take_text(i->station, sizeof i->station, s, 1);
        take_text(i->procedure, sizeof i->procedure, s, 2);
        take_text(i->procedure_title, sizeof i->procedure_title, s, 3);
        i->simulated = sqlite3_column_int(s, 4) != 0;
        i->imported = sqlite3_column_int(s, 5) != 0;
        i->cycles_planned = sqlite3_column_int64(s, 6);
        i->created_utc = sqlite3_column_int64(s, 7);
        take_text(i->program_version, sizeof i->program_version, s, 8);
        i->retention_threshold = column_double(s, 9);
        double *const numbers[] = {&i->store_on_change.voltage_v, &i->store_on_change.current_a,
                                   &i->store_on_change.temperature_c, &i->store_on_change.time_s,
                                   &i->accuracy.voltage_reading, &i->accuracy.voltage_fixed_v,
                                   &i->accuracy.current_reading, &i->accuracy.current_fixed_a,
                                   &i->accuracy.temperature_c, &i->accuracy.time_reading};
        for (int k = 0; k < 10; k++) {
            *numbers[k] = column_double(s, 10 + k);
        }
    } else {
        rc = sql_error(c, "reading the campaign", step, err);
    }
    (void)sqlite3_finalize(s);
    return rc == WN_OK ? read_cell(c, &i->cell, err) : rc;
}

int wn_campaign_frozen_config(struct wn_campaign *c, char **text, char *hash, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    int rc = sql_prepare(c, "SELECT text, sha256 FROM config", &s, err);
    if (rc == WN_OK) {
        int step = sqlite3_step(s);
        const char *found = (const char *)sqlite3_column_text(s, 0);
        rc = step == SQLITE_ROW ? WN_OK : sql_error(c, "reading the configuration", step, err);
        if (rc == WN_OK) {
            take_text(hash, 65, s, 1);
            *text = strdup(found != NULL ? found : "");
            rc = *text != NULL ? WN_OK : wn_error_set(err, WN_ENOMEM, "%s: out of memory", c->path);
        }
    }
    (void)sqlite3_finalize(s);
    return rc;
}

int wn_campaign_state(struct wn_campaign *c, struct wn_state_record *out, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    memset(out, 0, sizeof *out);
    int rc = sql_prepare(c, "SELECT time_ns, engine FROM state", &s, err);
    if (rc == WN_OK && sqlite3_step(s) == SQLITE_ROW) {
        int size = sqlite3_column_bytes(s, 1);
        if (size < 0 || size > WN_STATE_BLOB_MAX) {
            rc = wn_error_set(err, WN_ECORRUPT, "%s: the saved state has %d bytes", c->path, size);
        } else if (size > 0) {
            out->time_ns = sqlite3_column_int64(s, 0);
            out->size = (uint32_t)size;
            memcpy(out->blob, sqlite3_column_blob(s, 1), (size_t)size);
        }
    }
    (void)sqlite3_finalize(s);
    return rc;
}

int wn_campaign_set_status(struct wn_campaign *c, const char *status, wn_utc_us now, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    int rc = sql_prepare(c, "UPDATE campaign SET status = ?, status_utc_us = ?", &s, err);
    if (rc == WN_OK) {
        (void)sqlite3_bind_text(s, 1, status, -1, SQLITE_STATIC);
        (void)sqlite3_bind_int64(s, 2, now);
        rc = sql_run(c, s, "writing the status", err);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

int wn_campaign_status(struct wn_campaign *c, char *status, size_t size, struct wn_error *err)
{
    return sql_text(c, "SELECT status FROM campaign", status, size, err);
}

int wn_campaign_put_instrument(struct wn_campaign *c, const struct wn_instrument_record *r, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    int rc = sql_prepare(c, "INSERT OR IGNORE INTO instrument VALUES(?, ?, ?, ?)", &s, err);
    if (rc == WN_OK) {
        (void)sqlite3_bind_text(s, 1, r->role, -1, SQLITE_STATIC);
        (void)sqlite3_bind_text(s, 2, r->dialect, -1, SQLITE_STATIC);
        (void)sqlite3_bind_text(s, 3, r->port, -1, SQLITE_STATIC);
        (void)sqlite3_bind_text(s, 4, r->identity, -1, SQLITE_STATIC);
        rc = sql_run(c, s, "writing the instrument", err);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

int wn_campaign_begin_session(struct wn_campaign *c, wn_utc_us utc, wn_ns monotonic, wn_ns campaign_ns,
                              const char *boot_id, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    int rc = sql_prepare(c, "INSERT INTO session(start_utc_us, monotonic_ns, time_ns, boot_id) VALUES(?, ?, ?, ?)", &s, err);
    if (rc == WN_OK) {
        (void)sqlite3_bind_int64(s, 1, utc);
        (void)sqlite3_bind_int64(s, 2, monotonic);
        (void)sqlite3_bind_int64(s, 3, campaign_ns);
        (void)sqlite3_bind_text(s, 4, boot_id, -1, SQLITE_STATIC);
        rc = sql_run(c, s, "writing the session", err);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

int wn_campaign_open_alarms(struct wn_campaign *c, int64_t *count, struct wn_error *err)
{
    return sql_int(c, "SELECT count(*) FROM event WHERE severity = 2 AND acknowledged_by IS NULL", count, err);
}

int wn_campaign_acknowledge(struct wn_campaign *c, const char *who, wn_utc_us now, int64_t *count, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    int rc = sql_prepare(c, "UPDATE event SET acknowledged_by = ?, acknowledged_utc_us = ?"
                            " WHERE severity = 2 AND acknowledged_by IS NULL", &s, err);
    if (rc == WN_OK) {
        (void)sqlite3_bind_text(s, 1, who, -1, SQLITE_STATIC);
        (void)sqlite3_bind_int64(s, 2, now);
        rc = sql_run(c, s, "acknowledging", err);
        *count = sqlite3_changes(c->db);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

/* What a row function of ours hands on to the caller's. */
struct relay {
    union {
        wn_cycle_row_fn cycle;
        wn_check_up_row_fn check_up;
        wn_step_row_fn step;
        wn_event_row_fn event;
        wn_reading_row_fn reading;
    } fn;
    void *ctx;
};

static int relay_cycle(sqlite3_stmt *s, void *ctx)
{
    const struct relay *r = ctx;
    struct wn_cycle_record c;
    memset(&c, 0, sizeof c);
    read_columns(s, 0, cycle_columns, cycle_columns_n, &c);
    return r->fn.cycle(&c, sqlite3_column_int64(s, cycle_columns_n), r->ctx);
}

int wn_campaign_each_cycle(struct wn_campaign *c, wn_cycle_row_fn fn, void *ctx, struct wn_error *err)
{
    struct relay r = {.fn.cycle = fn, .ctx = ctx};
    char names[900] = "", sql[1100];
    sqlite3_stmt *s = NULL;
    list_names(names, sizeof names, cycle_columns, cycle_columns_n);
    (void)snprintf(sql, sizeof sql, "SELECT %s, end_utc_us FROM cycle ORDER BY cycle", names);
    int rc = sql_prepare(c, sql, &s, err);
    return rc == WN_OK ? each(c, s, relay_cycle, &r, err) : rc;
}

static int relay_check_up(sqlite3_stmt *s, void *ctx)
{
    const struct relay *r = ctx;
    struct wn_check_up_record c;
    memset(&c, 0, sizeof c);
    read_columns(s, 0, check_up_columns, check_up_columns_n, &c);
    return r->fn.check_up(&c, sqlite3_column_int64(s, check_up_columns_n), r->ctx);
}

int wn_campaign_each_check_up(struct wn_campaign *c, wn_check_up_row_fn fn, void *ctx, struct wn_error *err)
{
    struct relay r = {.fn.check_up = fn, .ctx = ctx};
    char names[900] = "", sql[1100];
    sqlite3_stmt *s = NULL;
    list_names(names, sizeof names, check_up_columns, check_up_columns_n);
    (void)snprintf(sql, sizeof sql, "SELECT %s, end_utc_us FROM check_up ORDER BY check_up", names);
    int rc = sql_prepare(c, sql, &s, err);
    return rc == WN_OK ? each(c, s, relay_check_up, &r, err) : rc;
}

static int relay_step(sqlite3_stmt *s, void *ctx)
{
    const struct relay *r = ctx;
    struct wn_step_record p;
    memset(&p, 0, sizeof p);
    read_columns(s, 0, sums_columns, sums_columns_n, &p.sums);
    int at = sums_columns_n;
    p.step_number = sqlite3_column_int64(s, at);
    p.cycle = sqlite3_column_int64(s, at + 1);
    p.in_check_up = sqlite3_column_int(s, at + 2) != 0;
    p.kind = (enum wn_step_kind)sqlite3_column_int(s, at + 3);
    take_text(p.description, sizeof p.description, s, at + 4);
    p.start_ns = sqlite3_column_int64(s, at + 5);
    p.end_ns = sqlite3_column_int64(s, at + 6);
    take_text(p.ended_by, sizeof p.ended_by, s, at + 7);
    p.sums.crossed = strcmp(p.ended_by, "voltage") == 0 || strcmp(p.ended_by, "current") == 0;
    return r->fn.step(&p, sqlite3_column_int64(s, at + 8), r->ctx);
}

int wn_campaign_each_step(struct wn_campaign *c, wn_step_row_fn fn, void *ctx, struct wn_error *err)
{
    struct relay r = {.fn.step = fn, .ctx = ctx};
    char names[900] = "", sql[1200];
    sqlite3_stmt *s = NULL;
    list_names(names, sizeof names, sums_columns, sums_columns_n);
    (void)snprintf(sql, sizeof sql, "SELECT %s, step, cycle, in_check_up, kind, description, start_ns, end_ns, ended_by,"
                                    " start_utc_us FROM step ORDER BY step", names);
    int rc = sql_prepare(c, sql, &s, err);
    return rc == WN_OK ? each(c, s, relay_step, &r, err) : rc;
}

static int relay_event(sqlite3_stmt *s, void *ctx)
{
    const struct relay *r = ctx;
    struct wn_event_row e;
    memset(&e, 0, sizeof e);
    e.number = sqlite3_column_int64(s, 0);
    e.utc = sqlite3_column_int64(s, 1);
    e.event.time_ns = sqlite3_column_int64(s, 2);
    e.event.cycle = sqlite3_column_int64(s, 3);
    e.event.severity = (enum wn_severity)sqlite3_column_int(s, 4);
    take_text(e.event.kind, sizeof e.event.kind, s, 5);
    take_text(e.event.text, sizeof e.event.text, s, 6);
    take_text(e.acknowledged_by, sizeof e.acknowledged_by, s, 7);
    e.acknowledged = sqlite3_column_type(s, 7) != SQLITE_NULL;
    e.acknowledged_utc = sqlite3_column_int64(s, 8);
    return r->fn.event(&e, r->ctx);
}

int wn_campaign_each_event(struct wn_campaign *c, int64_t after, wn_event_row_fn fn, void *ctx, struct wn_error *err)
{
    struct relay r = {.fn.event = fn, .ctx = ctx};
    sqlite3_stmt *s = NULL;
    int rc = sql_prepare(c, "SELECT number, utc_us, time_ns, cycle, severity, kind, text, acknowledged_by,"
                            " acknowledged_utc_us FROM event WHERE number > ? ORDER BY number", &s, err);
    if (rc != WN_OK) {
        return rc;
    }
    (void)sqlite3_bind_int64(s, 1, after);
    return each(c, s, relay_event, &r, err);
}

static int relay_reading(sqlite3_stmt *s, void *ctx)
{
    const struct relay *r = ctx;
    struct wn_reading v;
    memset(&v, 0, sizeof v);
    v.time_ns = sqlite3_column_int64(s, 1);
    v.voltage_v = sqlite3_column_double(s, 2);
    v.current_a = sqlite3_column_double(s, 3);
    v.temperature_c = column_double(s, 4);
    v.ambient_c = column_double(s, 5);
    v.has = WN_HAS_VOLTAGE | WN_HAS_CURRENT | (isfinite(v.temperature_c) ? WN_HAS_TEMPERATURE : 0u) |
            (isfinite(v.ambient_c) ? WN_HAS_AMBIENT : 0u);
    return r->fn.reading(&v, sqlite3_column_int64(s, 0), sqlite3_column_int64(s, 6), r->ctx);
}

int wn_campaign_each_reading(struct wn_campaign *c, int64_t step_from, int64_t step_to, wn_reading_row_fn fn, void *ctx,
                             struct wn_error *err)
{
    struct relay r = {.fn.reading = fn, .ctx = ctx};
    bool all = step_from == 0 && step_to == 0;
    sqlite3_stmt *s = NULL;
    int rc = sql_prepare(c, all ? "SELECT step, time_ns, voltage_v, current_a, temperature_c, ambient_c, utc_us"
                                  " FROM reading ORDER BY rowid"
                                : "SELECT step, time_ns, voltage_v, current_a, temperature_c, ambient_c, utc_us"
                                  " FROM reading WHERE step BETWEEN ? AND ? ORDER BY step, rowid", &s, err);
    if (rc != WN_OK) {
        return rc;
    }
    if (!all) {
        (void)sqlite3_bind_int64(s, 1, step_from);
        (void)sqlite3_bind_int64(s, 2, step_to);
    }
    return each(c, s, relay_reading, &r, err);
}
