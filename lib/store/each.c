/* Campaign file: reading row by row.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Rows are fetched by the page and handed out between pages: however slow the caller is, no read
 * transaction stays open, and the writer's log can be moved into the file. */
#include "store/internal.h"

#include <math.h>
#include <stdlib.h>

enum { PAGE = 256 };

struct row {
    int64_t key; /* what the rows are ordered by; unique */
    wn_utc_us utc;
    union {
        struct wn_cycle_record cycle;
        struct wn_check_up_record check_up;
        struct wn_step_record step;
        struct wn_event_row event;
        struct kept_reading reading;
    } u;
};

struct query {
    const char *table, *key, *utc, *more; /* more: columns that follow those of the list; or NULL */
    struct columns columns;
    const char *where; /* further condition, with parameters from 3 on; or NULL */
    int64_t after;
    int64_t step_from, step_to, last; /* parameters 3, 4, 5 of `where` */
    void (*decode)(sqlite3_stmt *s, int at, struct row *row);
    int (*hand_out)(const struct row *row, const struct query *q);
    union {
        wn_cycle_row_fn cycle;
        wn_check_up_row_fn check_up;
        wn_step_row_fn step;
        wn_event_row_fn event;
        wn_reading_row_fn reading;
    } fn;
    void *ctx;
};

static int prepare(struct wn_campaign *c, const struct query *q, sqlite3_stmt **s,
                   struct wn_error *err)
{
    struct text t = {.len = 0};
    text_add(&t, "SELECT ");
    text_add(&t, q->key);
    text_add(&t, ", ");
    text_add(&t, q->utc);
    text_add(&t, ", ");
    text_names(&t, q->columns, "", "");
    text_add(&t, q->more != NULL ? q->more : "");
    text_add(&t, " FROM ");
    text_add(&t, q->table);
    text_add(&t, " WHERE ");
    text_add(&t, q->key);
    text_add(&t, " > ?1");
    text_add(&t, q->where != NULL ? q->where : "");
    text_add(&t, " ORDER BY ");
    text_add(&t, q->key);
    text_add(&t, " LIMIT ?2");
    int rc = sql_prepare(c, t.s, s, err);
    if (rc == WN_OK && q->where != NULL) {
        (void)sqlite3_bind_int64(*s, 3, q->step_from);
        (void)sqlite3_bind_int64(*s, 4, q->step_to);
        (void)sqlite3_bind_int64(*s, 5, q->last);
    }
    return rc;
}

static int fetch(struct wn_campaign *c, sqlite3_stmt *s, const struct query *q, struct row *rows,
                 int *n, struct wn_error *err)
{
    int step, rc = WN_OK;
    *n = 0;
    while ((step = sqlite3_step(s)) == SQLITE_ROW && *n < PAGE) {
        struct row *row = &rows[(*n)++];
        row->key = sqlite3_column_int64(s, 0);
        row->utc = sqlite3_column_int64(s, 1);
        q->decode(s, 2, row);
    }
    if (step != SQLITE_DONE && step != SQLITE_ROW) {
        rc = sql_error(c, "reading", step, err);
    }
    (void)sqlite3_reset(s);
    return rc;
}

static int each(struct wn_campaign *c, const struct query *q, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    int64_t after = q->after;
    int n = 0;
    struct row *rows = calloc(PAGE, sizeof *rows);
    if (rows == NULL) {
        return wn_error_set(err, WN_ENOMEM, "%s: out of memory", c->path);
    }
    int rc = prepare(c, q, &s, err);
    while (rc == WN_OK) {
        (void)sqlite3_bind_int64(s, 1, after);
        (void)sqlite3_bind_int(s, 2, PAGE);
        rc = fetch(c, s, q, rows, &n, err);
        for (int i = 0; rc == WN_OK && i < n; i++) {
            after = rows[i].key;
            rc = q->hand_out(&rows[i], q);
        }
        if (n < PAGE) {
            break;
        }
    }
    (void)sqlite3_finalize(s);
    free(rows);
    return rc;
}

static void decode_cycle(sqlite3_stmt *s, int at, struct row *row)
{
    (void)read_columns(s, at, cycle_columns, &row->u.cycle);
}

static int hand_out_cycle(const struct row *row, const struct query *q)
{
    return q->fn.cycle(&row->u.cycle, row->utc, q->ctx);
}

int wn_campaign_each_cycle(struct wn_campaign *c, wn_cycle_row_fn fn, void *ctx,
                           struct wn_error *err)
{
    struct query q = {.table = "cycle",
                      .key = "cycle",
                      .utc = "end_utc_us",
                      .columns = cycle_columns,
                      .after = INT64_MIN,
                      .decode = decode_cycle,
                      .hand_out = hand_out_cycle,
                      .fn.cycle = fn,
                      .ctx = ctx};
    return each(c, &q, err);
}

static void decode_check_up(sqlite3_stmt *s, int at, struct row *row)
{
    (void)read_columns(s, at, check_up_columns, &row->u.check_up);
}

static int hand_out_check_up(const struct row *row, const struct query *q)
{
    return q->fn.check_up(&row->u.check_up, row->utc, q->ctx);
}

int wn_campaign_each_check_up(struct wn_campaign *c, wn_check_up_row_fn fn, void *ctx,
                              struct wn_error *err)
{
    struct query q = {.table = "check_up",
                      .key = "check_up",
                      .utc = "end_utc_us",
                      .columns = check_up_columns,
                      .after = INT64_MIN,
                      .decode = decode_check_up,
                      .hand_out = hand_out_check_up,
                      .fn.check_up = fn,
                      .ctx = ctx};
    return each(c, &q, err);
}

static void decode_step(sqlite3_stmt *s, int at, struct row *row)
{
    struct wn_step_record *p = &row->u.step;
    at = read_columns(s, at, step_columns, p);
    p->end_ns = sqlite3_column_int64(s, at);
    column_text(s, at + 1, p->ended_by, sizeof p->ended_by);
    (void)read_columns(s, at + 2, sums_columns, &p->sums);
}

static int hand_out_step(const struct row *row, const struct query *q)
{
    return q->fn.step(&row->u.step, row->utc, q->ctx);
}

int wn_campaign_each_step(struct wn_campaign *c, wn_step_row_fn fn, void *ctx, struct wn_error *err)
{
    struct text more = {.len = 0};
    text_add(&more, ", end_ns, ended_by, ");
    text_names(&more, sums_columns, "", "");
    struct query q = {.table = "step",
                      .key = "step",
                      .utc = "start_utc_us",
                      .more = more.s,
                      .columns = step_columns,
                      .after = INT64_MIN,
                      .decode = decode_step,
                      .hand_out = hand_out_step,
                      .fn.step = fn,
                      .ctx = ctx};
    return each(c, &q, err);
}

static void decode_event(sqlite3_stmt *s, int at, struct row *row)
{
    struct wn_event_row *e = &row->u.event;
    e->number = row->key;
    e->utc = row->utc;
    at = read_columns(s, at, event_columns, &e->event);
    e->acknowledged = sqlite3_column_type(s, at) != SQLITE_NULL;
    column_text(s, at, e->acknowledged_by, sizeof e->acknowledged_by);
    e->acknowledged_utc = sqlite3_column_int64(s, at + 1);
}

static int hand_out_event(const struct row *row, const struct query *q)
{
    return q->fn.event(&row->u.event, q->ctx);
}

int wn_campaign_each_event(struct wn_campaign *c, int64_t after, wn_event_row_fn fn, void *ctx,
                           struct wn_error *err)
{
    struct query q = {.table = "event",
                      .key = "number",
                      .utc = "utc_us",
                      .more = ", acknowledged_by, acknowledged_utc_us",
                      .columns = event_columns,
                      .after = after,
                      .decode = decode_event,
                      .hand_out = hand_out_event,
                      .fn.event = fn,
                      .ctx = ctx};
    return each(c, &q, err);
}

static const struct column reading_list[] = {
    {"step", 'i', offsetof(struct kept_reading, step), sizeof(int64_t)},
    {"time_ns", 'i', offsetof(struct kept_reading, reading.time_ns), sizeof(wn_ns)},
    {"voltage_v", 'd', offsetof(struct kept_reading, reading.voltage_v), sizeof(double)},
    {"current_a", 'd', offsetof(struct kept_reading, reading.current_a), sizeof(double)},
    {"temperature_c", 'd', offsetof(struct kept_reading, reading.temperature_c), sizeof(double)},
    {"ambient_c", 'd', offsetof(struct kept_reading, reading.ambient_c), sizeof(double)},
    {"output_on", 'n', offsetof(struct kept_reading, reading.output_on), sizeof(int)},
};
static const struct columns reading_columns = {reading_list,
                                               sizeof reading_list / sizeof reading_list[0]};

/* What was not measured is NULL in the file: that tells what the reading has. */
static void decode_reading(sqlite3_stmt *s, int at, struct row *row)
{
    struct wn_reading *r = &row->u.reading.reading;
    int next = read_columns(s, at, reading_columns, &row->u.reading);
    r->host_ns = 0;
    r->has = (isfinite(r->voltage_v) ? WN_HAS_VOLTAGE : 0u) |
             (isfinite(r->current_a) ? WN_HAS_CURRENT : 0u) |
             (isfinite(r->temperature_c) ? WN_HAS_TEMPERATURE : 0u) |
             (isfinite(r->ambient_c) ? WN_HAS_AMBIENT : 0u) |
             (sqlite3_column_type(s, next - 1) != SQLITE_NULL ? WN_HAS_OUTPUT : 0u);
}

static int hand_out_reading(const struct row *row, const struct query *q)
{
    return q->fn.reading(&row->u.reading.reading, row->u.reading.step, row->utc, q->ctx);
}

/* Readings of neighbouring steps are neighbours in the file: the index finds the stretch, then the
 * table is read in its own order. */
static int find_stretch(struct wn_campaign *c, struct query *q, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    int rc = sql_prepare(
        c, "SELECT min(number), max(number) FROM reading WHERE step BETWEEN ? AND ?", &s, err);
    if (rc == WN_OK) {
        (void)sqlite3_bind_int64(s, 1, q->step_from);
        (void)sqlite3_bind_int64(s, 2, q->step_to);
        int step = sqlite3_step(s);
        if (step != SQLITE_ROW) {
            rc = sql_error(c, "reading", step, err);
        } else if (sqlite3_column_type(s, 0) == SQLITE_NULL) {
            q->after = q->last = INT64_MAX; /* none */
        } else {
            q->after = sqlite3_column_int64(s, 0) - 1;
            q->last = sqlite3_column_int64(s, 1);
        }
    }
    (void)sqlite3_finalize(s);
    return rc;
}

int wn_campaign_each_reading(struct wn_campaign *c, int64_t step_from, int64_t step_to,
                             wn_reading_row_fn fn, void *ctx, struct wn_error *err)
{
    bool all = step_from == 0 && step_to == 0;
    struct query q = {.table = "reading",
                      .key = "number",
                      .utc = "utc_us",
                      .columns = reading_columns,
                      .where = all ? NULL : " AND +step BETWEEN ?3 AND ?4 AND number <= ?5",
                      .after = INT64_MIN,
                      .step_from = step_from,
                      .step_to = step_to,
                      .decode = decode_reading,
                      .hand_out = hand_out_reading,
                      .fn.reading = fn,
                      .ctx = ctx};
    int rc = all ? WN_OK : find_stretch(c, &q, err);
    return rc == WN_OK ? each(c, &q, err) : rc;
}

int wn_campaign_readings(struct wn_campaign *c, int64_t *out, struct wn_error *err)
{
    return sql_int(c, "SELECT coalesce(max(number), 0) FROM reading", out, err);
}

int wn_campaign_last_reading(struct wn_campaign *c, struct wn_reading *out, wn_utc_us *utc,
                             bool *found, struct wn_error *err)
{
    struct text t = {.len = 0};
    sqlite3_stmt *s = NULL;
    struct row row = {.key = 0};
    *found = false;
    text_add(&t, "SELECT utc_us, ");
    text_names(&t, reading_columns, "", "");
    text_add(&t, " FROM reading ORDER BY number DESC LIMIT 1");
    int rc = sql_prepare(c, t.s, &s, err);
    int step = rc == WN_OK ? sqlite3_step(s) : SQLITE_DONE;
    if (step == SQLITE_ROW) {
        *utc = sqlite3_column_int64(s, 0);
        decode_reading(s, 1, &row);
        *out = row.u.reading.reading;
        *found = true;
    } else if (step != SQLITE_DONE) {
        rc = sql_error(c, "reading", step, err);
    }
    (void)sqlite3_finalize(s);
    return rc;
}
