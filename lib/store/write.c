/* Campaign file: putting records and making them durable.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A put only remembers; a commit writes everything in one transaction and returns when the disk has it. When it fails the records stay in
 * memory and the next commit tries them again: nothing is lost, nothing is written twice. */
#include "store/internal.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/assert.h"

enum { PENDING_MAX = 64 * 1024 * 1024 };

struct kept_reading {
    struct wn_reading reading;
    int64_t step;
};

static size_t payload_size(enum wn_record_kind kind)
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
    wn_assert(!"record without a size");
    return 0;
}

static int keep(struct wn_campaign *c, enum wn_record_kind kind, const void *payload, struct wn_error *err)
{
    size_t size = payload_size(kind), need = c->pending_len + sizeof kind + size;
    if (need > c->pending_cap) {
        size_t cap = c->pending_cap > 0 ? 2 * c->pending_cap : 65536;
        unsigned char *more = cap <= PENDING_MAX ? realloc(c->pending, cap) : NULL;
        if (more == NULL) {
            return wn_error_set(err, WN_ENOSPACE, "%s: no more room in memory for what cannot be written", c->path);
        }
        c->pending = more;
        c->pending_cap = cap;
    }
    memcpy(c->pending + c->pending_len, &kind, sizeof kind);
    memcpy(c->pending + c->pending_len + sizeof kind, payload, size);
    c->pending_len = need;
    return WN_OK;
}

static int keep_reading(struct wn_campaign *c, const struct wn_reading *r, int64_t step, struct wn_error *err)
{
    struct kept_reading k;
    memset(&k, 0, sizeof k);
    k.reading = *r;
    k.step = step;
    c->stored = *r;
    c->has_stored = true;
    c->force = false;
    return keep(c, WN_RECORD_READING, &k, err);
}

static bool moved(const struct wn_campaign *c, const struct wn_reading *r)
{
    const struct wn_reading *s = &c->stored;
    bool warm = (r->has & s->has & WN_HAS_TEMPERATURE) != 0;
    return fabs(r->voltage_v - s->voltage_v) >= c->change.voltage_v ||
           fabs(r->current_a - s->current_a) >= c->change.current_a ||
           wn_ns_to_s(r->time_ns - s->time_ns) >= c->change.time_s ||
           (warm && fabs(r->temperature_c - s->temperature_c) >= c->change.temperature_c);
}

static int put_reading(struct wn_campaign *c, const struct wn_reading *r, int64_t step, struct wn_error *err)
{
    c->last = *r;
    c->has_last = true;
    c->last_step = step;
    if (c->force || !c->has_stored || moved(c, r)) {
        return keep_reading(c, r, step, err);
    }
    return WN_OK;
}

/* The last reading of a step closes its curve. */
static int put_last_reading(struct wn_campaign *c, struct wn_error *err)
{
    if (!c->has_last || (c->has_stored && c->stored.time_ns == c->last.time_ns)) {
        return WN_OK;
    }
    return keep_reading(c, &c->last, c->last_step, err);
}

static int campaign_put(struct wn_store *store, const struct wn_record *r, struct wn_error *err)
{
    struct wn_campaign *c = (struct wn_campaign *)store;
    int rc = WN_OK;
    switch (r->kind) {
    case WN_RECORD_READING:
        return put_reading(c, &r->u.reading.reading, r->u.reading.step_number, err);
    case WN_RECORD_STATE:
        c->state.time_ns = r->u.state.time_ns;
        c->state.size = r->u.state.size;
        memcpy(c->state.blob, r->u.state.blob, r->u.state.size);
        c->has_state = true;
        return WN_OK;
    case WN_RECORD_STEP_BEGIN:
        c->force = true;
        break;
    case WN_RECORD_STEP_END:
        rc = put_last_reading(c, err);
        break;
    case WN_RECORD_CYCLE:
    case WN_RECORD_CHECK_UP:
    case WN_RECORD_EVENT:
    case WN_RECORD_INTENT:
        break;
    }
    return rc == WN_OK ? keep(c, r->kind, &r->u, err) : rc;
}

static int write_step_begin(struct wn_campaign *c, const struct wn_step_record *r, wn_utc_us utc, struct wn_error *err)
{
    sqlite3_stmt *s = c->stmt[PUT_STEP_BEGIN];
    (void)sqlite3_bind_int64(s, 1, r->step_number);
    (void)sqlite3_bind_int64(s, 2, r->cycle);
    (void)sqlite3_bind_int(s, 3, r->in_check_up);
    (void)sqlite3_bind_int(s, 4, (int)r->kind);
    (void)sqlite3_bind_text(s, 5, r->description, -1, SQLITE_STATIC);
    (void)sqlite3_bind_int64(s, 6, r->start_ns);
    (void)sqlite3_bind_int64(s, 7, utc);
    return sql_run(c, s, "writing a step", err);
}

static int write_step_end(struct wn_campaign *c, const struct wn_step_record *r, struct wn_error *err)
{
    sqlite3_stmt *s = c->stmt[PUT_STEP_END];
    (void)sqlite3_bind_int64(s, 1, r->end_ns);
    (void)sqlite3_bind_text(s, 2, r->ended_by, -1, SQLITE_STATIC);
    bind_columns(s, 3, sums_columns, sums_columns_n, &r->sums);
    (void)sqlite3_bind_int64(s, 3 + sums_columns_n, r->step_number);
    return sql_run(c, s, "writing a step", err);
}

static int write_event(struct wn_campaign *c, const struct wn_event_record *r, wn_utc_us utc, struct wn_error *err)
{
    sqlite3_stmt *s = c->stmt[PUT_EVENT];
    (void)sqlite3_bind_int64(s, 1, r->time_ns);
    (void)sqlite3_bind_int64(s, 2, utc);
    (void)sqlite3_bind_int64(s, 3, r->cycle);
    (void)sqlite3_bind_int(s, 4, (int)r->severity);
    (void)sqlite3_bind_text(s, 5, r->kind, -1, SQLITE_STATIC);
    (void)sqlite3_bind_text(s, 6, r->text, -1, SQLITE_STATIC);
    return sql_run(c, s, "writing an event", err);
}

static int write_reading(struct wn_campaign *c, const struct kept_reading *k, wn_utc_us utc, struct wn_error *err)
{
    sqlite3_stmt *s = c->stmt[PUT_READING];
    const struct wn_reading *r = &k->reading;
    (void)sqlite3_bind_int64(s, 1, k->step);
    (void)sqlite3_bind_int64(s, 2, r->time_ns);
    bind_double(s, 3, r->voltage_v);
    bind_double(s, 4, r->current_a);
    bind_double(s, 5, (r->has & WN_HAS_TEMPERATURE) ? r->temperature_c : NAN);
    bind_double(s, 6, (r->has & WN_HAS_AMBIENT) ? r->ambient_c : NAN);
    (void)sqlite3_bind_int64(s, 7, utc);
    return sql_run(c, s, "writing a reading", err);
}

static int write_intent(struct wn_campaign *c, const struct wn_intent_record *r, wn_utc_us utc, struct wn_error *err)
{
    sqlite3_stmt *s = c->stmt[PUT_INTENT];
    (void)sqlite3_bind_int64(s, 1, r->time_ns);
    (void)sqlite3_bind_int64(s, 2, utc);
    (void)sqlite3_bind_int64(s, 3, r->step_number);
    (void)sqlite3_bind_text(s, 4, r->text, -1, SQLITE_STATIC);
    return sql_run(c, s, "writing an intent", err);
}

static int write_row(struct wn_campaign *c, enum statement which, const struct column *list, int n, const void *record,
                     wn_utc_us utc, struct wn_error *err)
{
    sqlite3_stmt *s = c->stmt[which];
    bind_columns(s, 1, list, n, record);
    (void)sqlite3_bind_int64(s, n + 1, utc);
    return sql_run(c, s, "writing a cycle", err);
}

static int write_one(struct wn_campaign *c, enum wn_record_kind kind, const unsigned char *at, wn_utc_us utc,
                     struct wn_error *err)
{
    union {
        struct wn_step_record step;
        struct wn_cycle_record cycle;
        struct wn_check_up_record check_up;
        struct wn_event_record event;
        struct wn_intent_record intent;
        struct kept_reading reading;
    } u;
    memcpy(&u, at, payload_size(kind));
    switch (kind) {
    case WN_RECORD_READING:
        return write_reading(c, &u.reading, utc, err);
    case WN_RECORD_STEP_BEGIN:
        return write_step_begin(c, &u.step, utc, err);
    case WN_RECORD_STEP_END:
        return write_step_end(c, &u.step, err);
    case WN_RECORD_CYCLE:
        return write_row(c, PUT_CYCLE, cycle_columns, cycle_columns_n, &u.cycle, utc, err);
    case WN_RECORD_CHECK_UP:
        return write_row(c, PUT_CHECK_UP, check_up_columns, check_up_columns_n, &u.check_up, utc, err);
    case WN_RECORD_EVENT:
        return write_event(c, &u.event, utc, err);
    case WN_RECORD_INTENT:
        return write_intent(c, &u.intent, utc, err);
    case WN_RECORD_STATE:
        break;
    }
    wn_assert(!"record that is not kept");
    return WN_EBUG;
}

static int write_state(struct wn_campaign *c, wn_utc_us utc, struct wn_error *err)
{
    sqlite3_stmt *s = c->stmt[PUT_STATE];
    (void)sqlite3_bind_int64(s, 1, c->state.time_ns);
    (void)sqlite3_bind_int64(s, 2, utc);
    (void)sqlite3_bind_blob(s, 3, c->state.blob, (int)c->state.size, SQLITE_STATIC);
    return sql_run(c, s, "writing the state", err);
}

static int write_all(struct wn_campaign *c, wn_utc_us utc, struct wn_error *err)
{
    int rc = WN_OK;
    for (size_t at = 0; rc == WN_OK && at < c->pending_len;) {
        enum wn_record_kind kind;
        memcpy(&kind, c->pending + at, sizeof kind);
        at += sizeof kind;
        rc = write_one(c, kind, c->pending + at, utc, err);
        at += payload_size(kind);
    }
    return rc == WN_OK && c->has_state ? write_state(c, utc, err) : rc;
}

static int campaign_commit(struct wn_store *store, wn_utc_us now_utc, struct wn_error *err)
{
    struct wn_campaign *c = (struct wn_campaign *)store;
    wn_assert(c->writing);
    if (c->pending_len == 0 && !c->has_state) {
        return WN_OK;
    }
    int rc = sql_exec(c, "BEGIN IMMEDIATE", err);
    rc = rc == WN_OK ? write_all(c, now_utc, err) : rc;
    rc = rc == WN_OK ? sql_exec(c, "COMMIT", err) : rc;
    if (rc != WN_OK) {
        if (!sqlite3_get_autocommit(c->db)) {
            (void)sql_exec(c, "ROLLBACK", NULL); /* already failing: the first error is the news */
        }
        return rc;
    }
    c->pending_len = 0;
    c->has_state = false;
    return WN_OK;
}

const struct wn_store_ops campaign_store_ops = {.put = campaign_put, .commit = campaign_commit};

static int prepare_rows(struct wn_campaign *c, enum statement which, const char *table, const struct column *list, int n,
                        struct wn_error *err)
{
    char names[900] = "", sql[1400];
    size_t marks = 0;
    char question[160] = "?";
    list_names(names, sizeof names, list, n);
    for (int i = 0; i < n; i++) {
        marks = strlen(question);
        (void)snprintf(question + marks, sizeof question - marks, ", ?");
    }
    (void)snprintf(sql, sizeof sql, "INSERT OR REPLACE INTO %s(%s, end_utc_us) VALUES(%s)", table, names, question);
    return sql_prepare(c, sql, &c->stmt[which], err);
}

static int prepare_step_end(struct wn_campaign *c, struct wn_error *err)
{
    char sql[1400] = "UPDATE step SET end_ns = ?, ended_by = ?";
    for (int i = 0; i < sums_columns_n; i++) {
        size_t at = strlen(sql);
        (void)snprintf(sql + at, sizeof sql - at, ", %s = ?", sums_columns[i].name);
    }
    size_t at = strlen(sql);
    (void)snprintf(sql + at, sizeof sql - at, " WHERE step = ?");
    return sql_prepare(c, sql, &c->stmt[PUT_STEP_END], err);
}

int write_prepare(struct wn_campaign *c, struct wn_error *err)
{
    static const struct {
        enum statement which;
        const char *sql;
    } simple[] = {
        {PUT_READING, "INSERT INTO reading(step, time_ns, voltage_v, current_a, temperature_c, ambient_c, utc_us)"
                      " VALUES(?, ?, ?, ?, ?, ?, ?)"},
        {PUT_STEP_BEGIN, "INSERT OR REPLACE INTO step(step, cycle, in_check_up, kind, description, start_ns, start_utc_us)"
                         " VALUES(?, ?, ?, ?, ?, ?, ?)"},
        {PUT_EVENT, "INSERT INTO event(time_ns, utc_us, cycle, severity, kind, text) VALUES(?, ?, ?, ?, ?, ?)"},
        {PUT_INTENT, "INSERT INTO intent(time_ns, utc_us, step, text) VALUES(?, ?, ?, ?)"},
        {PUT_STATE, "INSERT OR REPLACE INTO state(one, time_ns, utc_us, engine) VALUES(1, ?, ?, ?)"},
    };
    int rc = WN_OK;
    for (size_t i = 0; rc == WN_OK && i < sizeof simple / sizeof simple[0]; i++) {
        rc = sql_prepare(c, simple[i].sql, &c->stmt[simple[i].which], err);
    }
    rc = rc == WN_OK ? prepare_rows(c, PUT_CYCLE, "cycle", cycle_columns, cycle_columns_n, err) : rc;
    rc = rc == WN_OK ? prepare_rows(c, PUT_CHECK_UP, "check_up", check_up_columns, check_up_columns_n, err) : rc;
    return rc == WN_OK ? prepare_step_end(c, err) : rc;
}
