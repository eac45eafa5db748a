/* wane import: from rows to steps and cycles.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A row is charge, rest or discharge by the sign of its current; a single row that differs from its
 * two equal neighbours is taken for one of them. Every interval between two rows belongs to one
 * step: the one before a load to the load, the one behind it too.
 *
 * A cycle is what the log's cycle column says; without one a cycle begins with the charge after a
 * discharge, and where the log's time begins anew after a discharge. Its capacity is that of the
 * discharge that moved the most charge. */
#include "import.h"

#include <math.h>
#include <string.h>

#include "base/num.h"

#define ONSET_MAX_S                                                                                \
    60.0 /* a resistance is told when rest and load are read at most so far apart                  \
          */

void rounds_init(struct rounds *r, const struct rounds_setup *setup, struct wn_store *store)
{
    memset(r, 0, sizeof *r);
    r->setup = *setup;
    r->store = store;
}

static int kind_of(const struct rounds *r, const struct log_row *row)
{
    double i = row->reading.current_a;
    return fabs(i) < r->setup.rest_below_a ? 0 : i > 0 ? 1 : -1;
}

static void begin_step(struct rounds *r, int kind, wn_ns start_ns)
{
    struct wn_integrator_setup s = {
        .direction = kind, .end_kind = WN_END_NONE, .end_value = NAN, .cv_voltage_v = NAN};
    s.gap_max_s = kind < 0 ? r->setup.discharge_gap_s : kind > 0 ? r->setup.charge_gap_s : INFINITY;
    if (kind < 0 && isfinite(r->setup.cutoff_v)) {
        s.end_kind = WN_END_VOLTAGE_BELOW;
        s.end_value = r->setup.cutoff_v;
    }
    wn_integrator_init(&r->crossing, &s);
    s.end_at_reading = !r->setup.end_at_crossing;
    wn_integrator_init(&r->g, &s);
    r->in_step = true;
    r->kind = kind;
    r->step_start_ns = start_ns;
    r->onset_ohm = (struct wn_measured){NAN, NAN};
    r->steps++;
}

static void integrate(struct rounds *r, const struct wn_reading *reading)
{
    (void)wn_integrator_add(&r->g, reading);
    if (r->kind < 0) {
        (void)wn_integrator_add(&r->crossing, reading);
    }
}

static int put_reading(struct rounds *r, const struct wn_reading *reading, struct wn_error *err)
{
    struct wn_record rec;
    rec.kind = WN_RECORD_READING;
    rec.u.reading.reading = *reading;
    rec.u.reading.step_number = r->steps;
    return wn_store_put(r->store, &rec, err);
}

static int put_step(struct rounds *r, const struct wn_step_sums *s, struct wn_error *err)
{
    static const char *const word[] = {"discharge", "rest", "charge"};
    char amps[WN_NUM_SIZE];
    struct wn_record rec;
    memset(&rec, 0, sizeof rec);
    struct wn_step_record *p = &rec.u.step;
    double active_s = s->duration_s - s->missing_s,
           moved_ah = r->kind < 0 ? s->charge_out_ah : s->charge_in_ah;
    p->step_number = r->steps;
    p->cycle = r->cycle;
    p->kind = r->kind < 0 ? WN_STEP_DISCHARGE : r->kind > 0 ? WN_STEP_CHARGE : WN_STEP_REST;
    p->start_ns = r->step_start_ns;
    p->end_ns = r->g.last.time_ns;
    p->sums = *s;
    if (r->kind != 0 && active_s > 0) {
        (void)snprintf(p->description, sizeof p->description, "%s, mean %s A", word[r->kind + 1],
                       wn_num_format(moved_ah * 3600 / active_s, 4, amps, sizeof amps));
    } else {
        (void)snprintf(p->description, sizeof p->description, "%s", word[r->kind + 1]);
    }
    (void)snprintf(p->ended_by, sizeof p->ended_by, "%s", s->crossed ? "voltage" : "log");
    rec.kind = WN_RECORD_STEP_BEGIN;
    int rc = wn_store_put(r->store, &rec, err);
    rec.kind = WN_RECORD_STEP_END;
    return rc == WN_OK ? wn_store_put(r->store, &rec, err) : rc;
}

static void add_charge(struct charge_sums *c, const struct wn_step_sums *s)
{
    if (!c->any) {
        c->sums = *s;
        c->any = true;
        return;
    }
    c->sums.charge_in_ah += s->charge_in_ah;
    c->sums.charge_out_ah += s->charge_out_ah;
    c->sums.energy_in_wh += s->energy_in_wh;
    c->sums.energy_out_wh += s->energy_out_wh;
    c->sums.duration_s += s->duration_s;
    c->sums.missing_s += s->missing_s;
    c->sums.temperature_max_c = fmax(c->sums.temperature_max_c, s->temperature_max_c);
}

static void take_discharge(struct rounds *r, const struct wn_step_sums *s)
{
    struct wn_step_sums exact;
    if (r->has_discharge && s->charge_out_ah <= r->discharge.charge_out_ah) {
        return;
    }
    wn_integrator_sums(&r->crossing, &exact);
    r->has_discharge = true;
    r->discharge = *s;
    r->overshoot_ah = s->crossed ? s->end_charge_ah - exact.end_charge_ah : 0;
    r->resistance_ohm = r->onset_ohm;
    r->charge_before = r->charge;
    r->charge.any = false; /* what is charged from now on belongs to the next discharge */
}

static int end_step(struct rounds *r, struct wn_error *err)
{
    struct wn_step_sums s;
    if (!r->in_step) {
        return WN_OK;
    }
    wn_integrator_sums(&r->g, &s);
    r->in_step = false;
    r->temperature_max_c = fmax(r->temperature_max_c, s.temperature_max_c); /* ignores a NaN */
    r->ambient_min_c = fmin(r->ambient_min_c, s.ambient_min_c);
    r->ambient_max_c = fmax(r->ambient_max_c, s.ambient_max_c);
    if (r->kind > 0) {
        add_charge(&r->charge, &s);
    } else if (r->kind < 0) {
        take_discharge(r, &s);
    }
    return put_step(r, &s, err);
}

static void begin_round(struct rounds *r, int64_t cycle, wn_ns start_ns)
{
    r->in_round = true;
    r->cycle = cycle;
    r->round_start_ns = start_ns;
    r->temperature_max_c = r->ambient_min_c = r->ambient_max_c = NAN;
    r->has_discharge = false;
    r->charge_before.any = false;
}

static unsigned flags_of(const struct rounds *r)
{
    unsigned flags = 0;
    if (r->discharge.end_missing_s > 0) {
        flags |= WN_FLAG_GAP;
    }
    if (isfinite(r->setup.cutoff_v) && !r->discharge.crossed) {
        flags |= WN_FLAG_NOT_TO_CUTOFF;
    }
    return flags;
}

static void derive(const struct rounds *r, struct wn_cycle_record *c)
{
    struct wn_accuracy
        unknown; /* of an instrument nobody told about: no uncertainty can be stated */
    memset(&unknown, 0, sizeof unknown);
    c->cutoff_v = r->setup.cutoff_v;
    wn_cycle_derive(c, r->charge_before.any ? &r->charge_before.sums : NULL, &r->discharge, NAN,
                    &unknown);
    c->capacity_ah.u = c->energy_wh.u = NAN;
    c->resistance_ohm = (struct wn_measured){r->resistance_ohm.value, NAN};
    c->flags = flags_of(r);
}

/* A round without a discharge is a cycle only where the log says so. */
static int end_round(struct rounds *r, wn_ns end_ns, struct wn_error *err)
{
    struct wn_record rec;
    memset(&rec, 0, sizeof rec);
    struct wn_cycle_record *c = &rec.u.cycle;
    if (!r->in_round) {
        return WN_OK;
    }
    r->in_round = false;
    r->without_discharge += !r->has_discharge;
    if (!r->has_discharge && !r->setup.has_cycles) {
        return WN_OK;
    }
    const struct wn_measured none = {NAN, NAN};
    c->capacity_ah = c->energy_wh = c->resistance_ohm = none;
    c->charge_ah = c->charge_wh = c->coulombic_efficiency = c->energy_efficiency =
        c->mean_voltage_v = NAN;
    c->temperature_rise_k = c->discharge_current_a = c->cutoff_v = NAN;
    if (r->has_discharge) {
        derive(r, c);
        r->overshoots += r->discharge.crossed;
        r->sum_overshoot_ah += r->overshoot_ah;
        r->worst_overshoot_ah = fmax(r->worst_overshoot_ah, r->overshoot_ah);
    }
    c->cycle = r->cycle;
    c->temperature_max_c = r->temperature_max_c;
    c->ambient_min_c = r->ambient_min_c;
    c->ambient_max_c = r->ambient_max_c;
    c->start_ns = r->round_start_ns;
    c->end_ns = end_ns;
    c->duration_s = wn_ns_to_s(end_ns - r->round_start_ns);
    r->cycles++;
    rec.kind = WN_RECORD_CYCLE;
    return wn_store_put(r->store, &rec, err);
}

static bool new_round(const struct rounds *r, const struct log_row *row, int kind)
{
    if (!r->in_round) {
        return true;
    }
    if (r->setup.has_cycles) {
        return row->cycle != r->cycle;
    }
    bool had = r->has_discharge || (r->in_step && r->kind < 0);
    return had && (row->segment || kind > 0);
}

/* Does the interval before this row tell anything? Not across a jump of the log's time, nor across
 * cycles that were left out. */
static bool connected(const struct rounds *r, const struct log_row *row)
{
    return r->has_before && !row->segment && row->cycle <= r->before.cycle + 1;
}

static void measure_onset(struct rounds *r, const struct log_row *row)
{
    const struct wn_reading *a = &r->before.reading, *b = &row->reading;
    struct wn_accuracy unknown;
    memset(&unknown, 0, sizeof unknown);
    if (r->before_kind == 0 && wn_ns_to_s(b->time_ns - a->time_ns) <= ONSET_MAX_S) {
        r->onset_ohm = wn_resistance_one_step(a->voltage_v, a->current_a, b->voltage_v,
                                              b->current_a, &unknown);
    }
}

static int64_t next_cycle(const struct rounds *r, const struct log_row *row)
{
    return r->setup.has_cycles ? row->cycle : r->cycles + 1;
}

static int change(struct rounds *r, const struct log_row *row, int kind, bool round,
                  struct wn_error *err)
{
    bool joined = connected(r, row), closing = joined && r->in_step && r->kind != 0 && kind == 0;
    wn_ns from_ns = joined ? r->before.reading.time_ns : row->reading.time_ns;
    int rc = WN_OK;
    if (closing) {
        integrate(r, &row->reading);
    }
    rc = end_step(r, err);
    if (rc == WN_OK && round) {
        bool skipped = r->in_round && r->setup.has_cycles && row->cycle > r->cycle + 1;
        r->charge.any = r->charge.any && !skipped;
        rc = end_round(r, from_ns, err);
        begin_round(r, next_cycle(r, row), from_ns);
    }
    begin_step(r, kind, closing ? row->reading.time_ns : from_ns);
    if (joined && !closing) {
        integrate(r, &r->before.reading);
        if (kind < 0) {
            measure_onset(r, row);
        }
    }
    return rc;
}

static int take(struct rounds *r, const struct log_row *row, int kind, struct wn_error *err)
{
    bool round = new_round(r, row, kind);
    int rc = WN_OK;
    if (!r->in_step || kind != r->kind || row->segment || round) {
        rc = change(r, row, kind, round, err);
    }
    integrate(r, &row->reading);
    r->before = *row;
    r->before_kind = kind;
    r->has_before = true;
    return rc == WN_OK ? put_reading(r, &row->reading, err) : rc;
}

/* Rows are judged one late: between their neighbours. */
int rounds_add(struct rounds *r, const struct log_row *row, struct wn_error *err)
{
    int kind = kind_of(r, row), rc = WN_OK;
    if (r->has_waiting) {
        bool same =
            r->has_before && !r->waiting.segment && !row->segment && r->before.cycle == row->cycle;
        int judged = same && r->before_kind == kind ? kind : r->waiting_kind;
        rc = take(r, &r->waiting, judged, err);
    }
    r->waiting = *row;
    r->waiting_kind = kind;
    r->has_waiting = true;
    return rc;
}

int rounds_end(struct rounds *r, struct wn_error *err)
{
    int rc = r->has_waiting ? take(r, &r->waiting, r->waiting_kind, err) : WN_OK;
    r->has_waiting = false;
    rc = rc == WN_OK ? end_step(r, err) : rc;
    return rc == WN_OK ? end_round(r, r->before.reading.time_ns, err) : rc;
}
