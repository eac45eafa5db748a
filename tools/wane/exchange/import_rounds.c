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
    r->setup = s;
    wn_listen_init(&r->listen, &s);
}

static int put_reading(struct rounds *r, const struct wn_listen_event *e, struct wn_error *err)
{
    struct wn_record rec;
    rec.kind = WN_RECORD_READING;
    rec.u.reading.reading = e->u.reading.reading;
    rec.u.reading.step_number = e->u.reading.step_number + r->step_base;
    r->last_ns = e->time_ns;
    return wn_store_put(r->store, &rec, err);
}

static int put_step(struct rounds *r, const struct wn_listen_step *s, struct wn_error *err)
{
    char amps[WN_NUM_SIZE];
    struct wn_record rec;
    memset(&rec, 0, sizeof rec);
    struct wn_step_record *p = &rec.u.step;
    p->step_number = s->number + r->step_base;
    p->in_check_up = r->in_check_up;
    p->cycle = r->in_check_up ? r->check_up.check_up : s->cycle > 0 ? s->cycle + r->cycle_base : 0;
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

/* Of a check-up the largest discharge counts. */
static void take_check_up(struct rounds *r, const struct wn_cycle_record *c)
{
    struct wn_check_up_record *u = &r->check_up;
    u->temperature_max_c = fmax(u->temperature_max_c, c->temperature_max_c);
    if (c->capacity_ah.value > 0 && !(u->capacity_ah.value >= c->capacity_ah.value)) {
        u->capacity_ah = c->capacity_ah;
        u->energy_wh = c->energy_wh;
        u->flags = c->flags;
    }
}

static int put_cycle(struct rounds *r, const struct wn_listen_cycle *c, struct wn_error *err)
{
    struct wn_record rec;
    if (r->in_check_up) {
        take_check_up(r, &c->record);
        return WN_OK;
    }
    rec.kind = WN_RECORD_CYCLE;
    rec.u.cycle = c->record;
    rec.u.cycle.cycle += r->cycle_base;
    r->last_cycle = rec.u.cycle.cycle;
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
    r->without_discharge = r->without_base + r->listen.without_discharge;
    return rc;
}

static void begin_stretch(struct rounds *r, const struct log_row *row)
{
    const struct wn_measured not_measured = {NAN, NAN};
    struct wn_listen_setup setup = r->setup;
    struct wn_check_up_record *u = &r->check_up;
    r->step_base += r->listen.steps;
    r->without_base += r->in_check_up ? 0 : r->listen.without_discharge;
    r->cycle_base = setup.has_cycles ? 0 : r->cycles;
    r->in_check_up = row->check_up;
    setup.has_cycles = setup.has_cycles && !row->check_up;
    wn_listen_init(&r->listen, &setup);
    if (row->check_up) {
        memset(u, 0, sizeof *u);
        u->check_up = ++r->check_ups;
        u->after_cycle = r->last_cycle;
        u->capacity_ah = u->energy_wh = u->resistance_ohm = not_measured;
        u->resistance_voltage_v = u->temperature_max_c = NAN;
        u->start_ns = row->reading.time_ns;
    }
}

static int end_stretch(struct rounds *r, struct wn_error *err)
{
    struct wn_record rec;
    wn_listen_end(&r->listen, &r->found);
    int rc = put_all(r, err);
    if (rc == WN_OK && r->in_check_up) {
        rec.kind = WN_RECORD_CHECK_UP;
        rec.u.check_up = r->check_up;
        rec.u.check_up.end_ns = r->last_ns;
        rc = wn_store_put(r->store, &rec, err);
    }
    return rc;
}

int rounds_add(struct rounds *r, const struct log_row *row, struct wn_error *err)
{
    const struct wn_listen_row in = {
        .reading = row->reading, .cycle = row->cycle, .segment = row->segment};
    int rc = WN_OK;
    if (row->check_up != r->in_check_up || (row->check_up && row->begins)) {
        rc = end_stretch(r, err);
        begin_stretch(r, row);
    }
    if (rc == WN_OK) {
        wn_listen_row(&r->listen, &in, &r->found);
        rc = put_all(r, err);
    }
    return rc;
}

int rounds_end(struct rounds *r, struct wn_error *err)
{
    return end_stretch(r, err);
}
