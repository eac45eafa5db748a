/* Campaign file: what may be corrected after its begin, with a trace.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The row of the cell and the events that tell of it are written in one transaction: there is no
 * change without its trace. */
#include "store/internal.h"

#include <stdio.h>
#include <string.h>

static int write_cell(struct wn_campaign *c, const struct wn_cell *cell, struct wn_error *err)
{
    struct text t = {.len = 0};
    sqlite3_stmt *s = NULL;
    text_insert(&t, "INSERT OR REPLACE", "cell", cell_columns, "one");
    int rc = sql_prepare(c, t.s, &s, err);
    if (rc == WN_OK) {
        int next = bind_columns(s, 1, cell_columns, cell);
        (void)sqlite3_bind_int(s, next, 1);
        rc = sql_run(c, s, "writing the cell", err);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

/* Events never go back in time: not before that of the last one. */
static int last_event(struct wn_campaign *c, int64_t *time_ns, int64_t *cycle, struct wn_error *err)
{
    int rc = sql_int(c, "SELECT coalesce(max(time_ns), 0) FROM event", time_ns, err);
    return rc == WN_OK ? sql_int(c,
                                 "SELECT coalesce((SELECT cycle FROM event ORDER BY number DESC "
                                 "LIMIT 1), 0)",
                                 cycle, err)
                       : rc;
}

static int put_events(struct wn_campaign *c, const struct wn_amendment *a, struct wn_error *err)
{
    struct wn_record r;
    int64_t time_ns = 0, cycle = 0;
    int rc = last_event(c, &time_ns, &cycle, err);
    memset(&r, 0, sizeof r);
    r.kind = WN_RECORD_EVENT;
    struct wn_event_record *e = &r.u.event;
    e->severity = WN_SEVERITY_INFO;
    e->time_ns = a->time_ns > time_ns ? a->time_ns : time_ns;
    e->cycle = a->cycle >= 0 ? a->cycle : cycle;
    (void)snprintf(e->kind, sizeof e->kind, "%s", a->kind);
    for (int i = 0; rc == WN_OK && i < a->words->n; i++) {
        (void)snprintf(e->text, sizeof e->text, "%s, by %.30s", a->words->text[i], a->who);
        rc = wn_store_put(&c->store, &r, err);
    }
    return rc;
}

int wn_campaign_amend(struct wn_campaign *c, const struct wn_cell *cell,
                      const struct wn_amendment *a, wn_utc_us now, struct wn_error *err)
{
    /* what waits already is made durable first: what fails below is then ours alone */
    int rc = wn_store_commit(&c->store, now, err);
    if (rc != WN_OK) {
        return rc;
    }
    int64_t next_event = c->next_event;
    rc = put_events(c, a, err);
    rc = rc == WN_OK ? sql_begin(c, err) : rc;
    if (rc == WN_OK) {
        rc = write_cell(c, cell, err);
        rc = rc == WN_OK ? rows_write_pending(c, now, err) : rc;
        rc = sql_end(c, rc, err);
    }
    c->pending_len = 0; /* written, or not to be */
    if (rc != WN_OK) {
        c->next_event = next_event;
    }
    return rc;
}

/* While another connection has the file open, be it only for reading, it is not ours. */
int wn_campaign_open_alone(struct wn_campaign **out, const char *path, struct wn_error *err)
{
    struct wn_campaign *c = NULL;
    int64_t version = 0;
    *out = NULL;
    int rc = campaign_handle(&c, path, true, err);
    if (rc != WN_OK) {
        return rc;
    }
    rc = place_check(c->path, true, err);
    rc = rc == WN_OK ? campaign_connect(c, c->path, err) : rc;
    rc = rc == WN_OK ? sql_exec(c, "PRAGMA locking_mode = EXCLUSIVE; PRAGMA synchronous = FULL",
                                "opening", err)
                     : rc;
    if (rc == WN_OK) {
        int persist = 1; /* as open.c has it */
        (void)sqlite3_file_control(c->db, NULL, SQLITE_FCNTL_PERSIST_WAL, &persist);
        rc = sql_begin(c, err);
    }
    rc = rc == WN_OK ? sql_end(c, campaign_check_kind(c, err), err) : rc;
    if (rc == WN_EBUSY) {
        (void)wn_error_set(err, rc,
                           "%s: another program has it open: if that is its station, ask the "
                           "station (--config FILE of its service); else end that program",
                           c->path);
    }
    rc = rc == WN_OK ? schema_version(c, &version, err) : rc;
    rc = rc == WN_OK ? schema_migrate(c, err) : rc;
    rc = rc == WN_OK ? rows_prepare(c, err) : rc;
    rc = rc == WN_OK ? rows_count_on(c, err) : rc;
    if (rc != WN_OK) {
        campaign_drop(c);
        return rc;
    }
    c->alone = true;
    *out = c;
    return WN_OK;
}
