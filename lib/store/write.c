/* Campaign file: putting records and making them durable.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A put only remembers; a commit writes everything in one transaction and returns when the disk has
 * it. When it fails the records stay in memory and the next commit tries them again: nothing is
 * lost, nothing is written twice. */
#include "store/internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/assert.h"

/* What stands in front of each record in the queue; keeps them aligned. */
struct head {
    int64_t number; /* of the row, where rows are numbered */
    enum wn_record_kind kind;
};

static size_t room_for(enum wn_record_kind kind)
{
    size_t unit = sizeof(struct head);
    return unit + (rows_size(kind) + unit - 1) / unit * unit;
}

static int keep(struct wn_campaign *c, enum wn_record_kind kind, const void *record,
                struct wn_error *err)
{
    size_t need = c->pending_len + room_for(kind);
    if (need > c->pending_cap) {
        size_t cap = c->pending_cap > 0 ? 2 * c->pending_cap : 65536;
        unsigned char *more = cap <= c->pending_max ? realloc(c->pending, cap) : NULL;
        if (more == NULL) {
            return wn_error_set(err, WN_ENOMEM,
                                "%s: %zu MB wait for a disk that takes nothing; this record is "
                                "lost: make the disk work",
                                c->path, c->pending_len >> 20);
        }
        c->pending = more;
        c->pending_cap = cap;
    }
    int64_t *counter = rows_counter(c, kind);
    struct head head = {.kind = kind, .number = counter != NULL ? (*counter)++ : 0};
    memcpy(c->pending + c->pending_len, &head, sizeof head);
    memcpy(c->pending + c->pending_len + sizeof head, record, rows_size(kind));
    c->pending_len = need;
    return WN_OK;
}

static int keep_reading(struct wn_campaign *c, const struct wn_reading *r, int64_t step,
                        struct wn_error *err)
{
    struct kept_reading k = {.reading = *r, .step = step};
    int rc = keep(c, WN_RECORD_READING, &k, err);
    if (rc == WN_OK) {
        c->stored = *r;
        c->has_stored = c->last_is_stored = true;
        c->force = false;
    }
    return rc;
}

/* Appearing and disappearing is a change; not a number to not a number is none. */
static bool moved_by(double now, double before, double threshold)
{
    return fabs(now - before) >= threshold || isfinite(now) != isfinite(before);
}

static bool moved(const struct wn_campaign *c, const struct wn_reading *r)
{
    const struct wn_reading *s = &c->stored;
    unsigned both = r->has & s->has;
    return r->has != s->has || r->time_ns - s->time_ns >= c->change_ns ||
           moved_by(r->voltage_v, s->voltage_v, c->change.voltage_v) ||
           moved_by(r->current_a, s->current_a, c->change.current_a) ||
           ((both & WN_HAS_TEMPERATURE) != 0 &&
            moved_by(r->temperature_c, s->temperature_c, c->change.temperature_c)) ||
           ((both & WN_HAS_AMBIENT) != 0 &&
            moved_by(r->ambient_c, s->ambient_c, c->change.temperature_c)) ||
           ((both & WN_HAS_OUTPUT) != 0 && r->output_on != s->output_on);
}

static int put_reading(struct wn_campaign *c, const struct wn_reading *r, int64_t step,
                       struct wn_error *err)
{
    c->last = *r;
    c->has_last = true;
    c->last_is_stored = false;
    c->last_step = step;
    return c->force || !c->has_stored || moved(c, r) ? keep_reading(c, r, step, err) : WN_OK;
}

/* The last reading of a step closes its curve. */
static int put_last_reading(struct wn_campaign *c, int64_t step, struct wn_error *err)
{
    if (!c->has_last || c->last_is_stored || c->last_step != step) {
        return WN_OK;
    }
    return keep_reading(c, &c->last, c->last_step, err);
}

static void put_state(struct wn_campaign *c, const struct wn_state_record *r)
{
    wn_assert(r->size <= WN_STATE_BLOB_MAX);
    c->state.time_ns = r->time_ns;
    c->state.size = r->size;
    memcpy(c->state.blob, r->blob, r->size);
    c->has_state = true;
}

static int campaign_put(struct wn_store *store, const struct wn_record *r, struct wn_error *err)
{
    struct wn_campaign *c = (struct wn_campaign *)store;
    int rc = WN_OK;
    switch (r->kind) {
    case WN_RECORD_READING:
        return put_reading(c, &r->u.reading.reading, r->u.reading.step_number, err);
    case WN_RECORD_STATE:
        put_state(c, &r->u.state);
        return WN_OK;
    case WN_RECORD_STEP_BEGIN:
        c->force = true;
        break;
    case WN_RECORD_STEP_END:
        rc = put_last_reading(c, r->u.step.step_number, err);
        break;
    case WN_RECORD_CYCLE:
    case WN_RECORD_CHECK_UP:
    case WN_RECORD_EVENT:
    case WN_RECORD_INTENT:
        break;
    }
    int kept = keep(c, r->kind, &r->u, err);
    return rc == WN_OK ? kept : rc;
}

int rows_write_pending(struct wn_campaign *c, wn_utc_us utc, struct wn_error *err)
{
    int rc = WN_OK;
    for (size_t at = 0; rc == WN_OK && at < c->pending_len;) {
        struct head head;
        memcpy(&head, c->pending + at, sizeof head);
        rc = rows_write(c, head.kind, head.number, c->pending + at + sizeof head, utc, err);
        at += room_for(head.kind);
    }
    return rc == WN_OK && c->has_state ? rows_write_state(c, utc, err) : rc;
}

static int campaign_commit(struct wn_store *store, wn_utc_us now_utc, struct wn_error *err)
{
    struct wn_campaign *c = (struct wn_campaign *)store;
    int left = 0;
    wn_assert(c->writing);
    int rc = c->suspect ? campaign_reopen(c, err) : WN_OK;
    if (rc != WN_OK || (c->pending_len == 0 && !c->has_state)) {
        return rc;
    }
    rc = sql_begin(c, err);
    if (rc == WN_OK) {
        rc = sql_end(c, rows_write_pending(c, now_utc, err), err);
    }
    if (rc != WN_OK) {
        return rc;
    }
    c->pending_len = 0;
    c->has_state = false;
    /* The log grows until it is moved into the file. A failure of that is a failure of the disk,
     * though what was committed is durable. */
    return c->wal_frames >= c->checkpoint_at ? health_checkpoint(c, &left, err) : WN_OK;
}

const struct wn_store_ops campaign_store_ops = {.put = campaign_put, .commit = campaign_commit};
