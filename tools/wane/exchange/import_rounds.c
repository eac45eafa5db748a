/* wane import: from rows to steps and cycles.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What a row is told to be, and which discharge a cycle is measured by, is recognised by
 * lib/listen, taking the log as it is told. Here its findings become records. */
#include "import.h"

#include <math.h>
#include <string.h>

#include "base/num.h"

void rounds_init(struct rounds *r, const struct rounds_setup *setup, struct wn_store *store)
{
    struct wn_listen_setup s;
    memset(r, 0, sizeof *r);
    r->store = store;
    wn_listen_defaults(&s);
    s.as_told = true;
    s.cutoff_v = setup->cutoff_v;
    s.end_at_reading = !setup->end_at_crossing;
    s.rest_below_a = setup->rest_below_a;
    s.discharge_gap_s = setup->discharge_gap_s;
    s.charge_gap_s = setup->charge_gap_s;
    s.has_cycles = setup->has_cycles;
    wn_listen_init(&r->listen, &s);
}

static int put_reading(struct rounds *r, const struct wn_listen_event *e, struct wn_error *err)
{
    struct wn_record rec;
    rec.kind = WN_RECORD_READING;
    rec.u.reading.reading = e->u.reading.reading;
    rec.u.reading.step_number = e->u.reading.step_number;
    r->last_ns = e->time_ns;
    return wn_store_put(r->store, &rec, err);
}

static int put_step(struct rounds *r, const struct wn_listen_step *s, struct wn_error *err)
{
    char amps[WN_NUM_SIZE];
    struct wn_record rec;
    memset(&rec, 0, sizeof rec);
    struct wn_step_record *p = &rec.u.step;
    p->step_number = s->number;
    p->cycle = s->cycle;
    p->kind = s->kind;
    p->start_ns = s->start_ns;
    p->end_ns = s->end_ns;
    p->sums = s->sums;
    const char *word = wn_step_kind_name(s->kind);
    if (isfinite(s->mean_current_a)) {
        (void)snprintf(p->description, sizeof p->description, "%s, mean %s A", word,
                       wn_num_format(fabs(s->mean_current_a), 4, amps, sizeof amps));
    } else {
        (void)snprintf(p->description, sizeof p->description, "%s", word);
    }
    (void)snprintf(p->ended_by, sizeof p->ended_by, "%s", s->sums.crossed ? "voltage" : "log");
    r->steps++;
    rec.kind = WN_RECORD_STEP_BEGIN;
    int rc = wn_store_put(r->store, &rec, err);
    rec.kind = WN_RECORD_STEP_END;
    return rc == WN_OK ? wn_store_put(r->store, &rec, err) : rc;
}

static int put_cycle(struct rounds *r, const struct wn_listen_cycle *c, struct wn_error *err)
{
    struct wn_record rec;
    rec.kind = WN_RECORD_CYCLE;
    rec.u.cycle = c->record;
    r->cycles++;
    r->overshoots += c->crossed;
    r->capacity_max_ah = fmax(r->capacity_max_ah, c->record.capacity_ah.value);
    r->sum_overshoot_ah += c->beyond_crossing_ah;
    r->worst_overshoot_ah = fmax(r->worst_overshoot_ah, c->beyond_crossing_ah);
    return wn_store_put(r->store, &rec, err);
}

static int put(struct rounds *r, const struct wn_listen_event *e, struct wn_error *err)
{
    switch (e->kind) {
    case WN_LISTEN_READING:
        return put_reading(r, e, err);
    case WN_LISTEN_STEP_ENDED:
        return put_step(r, &e->u.step, err);
    case WN_LISTEN_CYCLE:
        return put_cycle(r, &e->u.cycle, err);
    case WN_LISTEN_STEP_BEGUN: /* recorded with its end */
    case WN_LISTEN_CHECK_UP:   /* these three are not told of a log taken as it is */
    case WN_LISTEN_SWAPPED:
    case WN_LISTEN_CLOCK_RESET:
        break;
    }
    return WN_OK;
}

static int put_all(struct rounds *r, struct wn_error *err)
{
    int rc = WN_OK;
    for (int i = 0; i < r->found.n && rc == WN_OK; i++) {
        rc = put(r, &r->found.event[i], err);
    }
    r->without_discharge = r->listen.without_discharge;
    return rc;
}

int rounds_add(struct rounds *r, const struct log_row *row, struct wn_error *err)
{
    const struct wn_listen_row in = {
        .reading = row->reading, .cycle = row->cycle, .segment = row->segment};
    wn_listen_row(&r->listen, &in, &r->found);
    return put_all(r, err);
}

int rounds_end(struct rounds *r, struct wn_error *err)
{
    wn_listen_end(&r->listen, &r->found);
    return put_all(r, err);
}
