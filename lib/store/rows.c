/* Campaign file: one row for each record.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A step or a cycle that comes a second time replaces the first: after a kill the engine goes on
 * from the last saved state and may end a step that was begun before. Readings, events and intents
 * have the number they were given when they were put, and are written once. */
#include "store/internal.h"

#include <math.h>
#include <string.h>

#include "base/assert.h"

size_t rows_size(enum wn_record_kind kind)
{
    switch (kind) {
    case WN_RECORD_READING:
        return sizeof(struct kept_reading);
    case WN_RECORD_STEP_BEGIN:
    case WN_RECORD_STEP_END:
        return sizeof(struct wn_step_record);
    case WN_RECORD_CYCLE:
        return sizeof(struct wn_cycle_record);
    case WN_RECORD_CHECK_UP:
        return sizeof(struct wn_check_up_record);
    case WN_RECORD_EVENT:
        return sizeof(struct wn_event_record);
    case WN_RECORD_INTENT:
        return sizeof(struct wn_intent_record);
    case WN_RECORD_STATE:
        break; /* kept apart: only the last one counts */
    }
    wn_assert(false && "record without a size");
    return 0;
}

static int write_step_end(struct wn_campaign *c, const struct wn_step_record *r, wn_utc_us utc,
                          struct wn_error *err)
{
    sqlite3_stmt *s = c->stmt[PUT_STEP_END];
    int next = bind_columns(s, 1, step_columns, r);
    (void)sqlite3_bind_int64(s, next++, r->end_ns);
    (void)sqlite3_bind_text(s, next++, r->ended_by, -1, SQLITE_STATIC);
    next = bind_columns(s, next, sums_columns, &r->sums);
    (void)sqlite3_bind_int64(s, next, utc);
    return sql_run(c, s, "writing the end of a step", err);
}

static int write_reading(struct wn_campaign *c, int64_t number, const struct kept_reading *k,
                         wn_utc_us utc, struct wn_error *err)
{
    sqlite3_stmt *s = c->stmt[PUT_READING];
    const struct wn_reading *r = &k->reading;
    (void)sqlite3_bind_int64(s, 1, k->step);
    (void)sqlite3_bind_int64(s, 2, r->time_ns);
    (void)sqlite3_bind_int64(s, 3, utc);
    bind_double(s, 4, (r->has & WN_HAS_VOLTAGE) != 0 ? r->voltage_v : (double)NAN);
    bind_double(s, 5, (r->has & WN_HAS_CURRENT) != 0 ? r->current_a : (double)NAN);
    bind_double(s, 6, (r->has & WN_HAS_TEMPERATURE) != 0 ? r->temperature_c : (double)NAN);
    bind_double(s, 7, (r->has & WN_HAS_AMBIENT) != 0 ? r->ambient_c : (double)NAN);
    if ((r->has & WN_HAS_OUTPUT) != 0) {
        (void)sqlite3_bind_int(s, 8, r->output_on);
    }
    (void)sqlite3_bind_int64(s, 9, number);
    return sql_run(c, s, "writing a reading", err);
}

/* Columns of the record, when it was made durable, and its number where it has one. */
static int write_plain(struct wn_campaign *c, enum statement which, struct columns cs,
                       const void *record, wn_utc_us utc, int64_t number, struct wn_error *err)
{
    sqlite3_stmt *s = c->stmt[which];
    int next = bind_columns(s, 1, cs, record);
    (void)sqlite3_bind_int64(s, next, utc);
    if (number != 0) {
        (void)sqlite3_bind_int64(s, next + 1, number);
    }
    return sql_run(c, s, "writing a record", err);
}

int64_t *rows_counter(struct wn_campaign *c, enum wn_record_kind kind)
{
    return kind == WN_RECORD_READING  ? &c->next_reading
           : kind == WN_RECORD_EVENT  ? &c->next_event
           : kind == WN_RECORD_INTENT ? &c->next_intent
                                      : NULL;
}

int rows_count_on(struct wn_campaign *c, struct wn_error *err)
{
    int rc = sql_int(c, "SELECT coalesce(max(number), 0) + 1 FROM reading", &c->next_reading, err);
    if (rc == WN_OK) {
        rc = sql_int(c, "SELECT coalesce(max(number), 0) + 1 FROM event", &c->next_event, err);
    }
    if (rc == WN_OK) {
        rc = sql_int(c, "SELECT coalesce(max(number), 0) + 1 FROM intent", &c->next_intent, err);
    }
    return rc;
}

int rows_write(struct wn_campaign *c, enum wn_record_kind kind, int64_t number, const void *record,
               wn_utc_us utc, struct wn_error *err)
{
    switch (kind) {
    case WN_RECORD_READING:
        return write_reading(c, number, record, utc, err);
    case WN_RECORD_STEP_BEGIN:
        return write_plain(c, PUT_STEP_BEGIN, step_columns, record, utc, 0, err);
    case WN_RECORD_STEP_END:
        return write_step_end(c, record, utc, err);
    case WN_RECORD_CYCLE:
        return write_plain(c, PUT_CYCLE, cycle_columns, record, utc, 0, err);
    case WN_RECORD_CHECK_UP:
        return write_plain(c, PUT_CHECK_UP, check_up_columns, record, utc, 0, err);
    case WN_RECORD_EVENT:
        return write_plain(c, PUT_EVENT, event_columns, record, utc, number, err);
    case WN_RECORD_INTENT:
        return write_plain(c, PUT_INTENT, intent_columns, record, utc, number, err);
    case WN_RECORD_STATE:
        break;
    }
    wn_assert(false && "record that is not queued");
    return WN_EBUG;
}

int rows_write_state(struct wn_campaign *c, wn_utc_us utc, struct wn_error *err)
{
    sqlite3_stmt *s = c->stmt[PUT_STATE];
    (void)sqlite3_bind_int64(s, 1, c->state.time_ns);
    (void)sqlite3_bind_int64(s, 2, utc);
    (void)sqlite3_bind_blob(s, 3, c->state.blob, (int)c->state.size, SQLITE_STATIC);
    return sql_run(c, s, "writing the state", err);
}

static int prepare_step_end(struct wn_campaign *c, struct wn_error *err)
{
    struct text t = {.len = 0};
    text_add(&t, "INSERT INTO step(");
    text_names(&t, step_columns, "", "");
    text_add(&t, ", end_ns, ended_by, ");
    text_names(&t, sums_columns, "", "");
    text_add(&t, ", end_utc_us, start_utc_us) VALUES(");
    text_marks(&t, step_columns.n + 2 + sums_columns.n + 1);
    /* a step whose begin is not in this file: the label of its end is the best there is */
    char number[16];
    (void)sqlite3_snprintf(sizeof number, number, "%d", step_columns.n + 2 + sums_columns.n + 1);
    text_add(&t, ", ?");
    text_add(&t, number);
    text_add(&t, ") ON CONFLICT(step) DO UPDATE SET end_ns = excluded.end_ns,"
                 " ended_by = excluded.ended_by, end_utc_us = excluded.end_utc_us");
    for (int i = 0; i < sums_columns.n; i++) {
        text_add(&t, ", ");
        text_add(&t, sums_columns.list[i].name);
        text_add(&t, " = excluded.");
        text_add(&t, sums_columns.list[i].name);
    }
    return sql_prepare(c, t.s, &c->stmt[PUT_STEP_END], err);
}

int rows_prepare(struct wn_campaign *c, struct wn_error *err)
{
    static const char once[] = " ON CONFLICT(number) DO NOTHING";
    static const struct {
        enum statement which;
        const char *verb, *table;
        const struct columns *columns;
        const char *more, *tail;
    } plain[] = {
        {PUT_STEP_BEGIN, "INSERT OR REPLACE", "step", &step_columns, "start_utc_us", ""},
        {PUT_CYCLE, "INSERT OR REPLACE", "cycle", &cycle_columns, "end_utc_us", ""},
        {PUT_CHECK_UP, "INSERT OR REPLACE", "check_up", &check_up_columns, "end_utc_us", ""},
        {PUT_EVENT, "INSERT", "event", &event_columns, "utc_us, number", once},
        {PUT_INTENT, "INSERT", "intent", &intent_columns, "utc_us, number", once},
    };
    int rc = sql_prepare(c,
                         "INSERT INTO reading(step, time_ns, utc_us, voltage_v,"
                         " current_a, temperature_c, ambient_c, output_on, number)"
                         " VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT(number) DO NOTHING",
                         &c->stmt[PUT_READING], err);
    if (rc == WN_OK) {
        rc = sql_prepare(c,
                         "INSERT OR REPLACE INTO state(one, time_ns, utc_us, engine)"
                         " VALUES(1, ?, ?, ?)",
                         &c->stmt[PUT_STATE], err);
    }
    for (size_t i = 0; rc == WN_OK && i < sizeof plain / sizeof plain[0]; i++) {
        struct text t = {.len = 0};
        text_insert(&t, plain[i].verb, plain[i].table, *plain[i].columns, plain[i].more);
        text_add(&t, plain[i].tail);
        rc = sql_prepare(c, t.s, &c->stmt[plain[i].which], err);
    }
    return rc == WN_OK ? prepare_step_end(c, err) : rc;
}
