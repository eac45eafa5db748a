/* Listening: charge, rest and discharge by the sign of the current.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "listen/core.h"

/* At the end of a charge the current has fallen to less than this part of its largest value, and
 * the voltage is no further below its largest: it was held (common practice, no source). */
#define TAPER_PART 0.5
#define TAPER_V    0.1

/* A jump so many times larger tells of another cell even before the voltage has settled. */
#define UNSETTLED 3.0

static bool in_time(const struct wn_listen *l, double load_s)
{
    return load_s <= l->setup.pulse_max_s;
}

bool listen_steps_is_pulse(const struct wn_listen *l, double load_s, bool crossed)
{
    return !l->setup.as_told && in_time(l, load_s) && !crossed;
}

static void begin_step(struct wn_listen *l, int kind, wn_ns start_ns, struct wn_listen_found *found)
{
    const struct wn_listen_setup *u = &l->setup;
    struct wn_integrator_setup s = {
        .direction = kind, .end_kind = WN_END_NONE, .end_value = NAN, .cv_voltage_v = NAN};
    s.gap_max_s = kind < 0 ? u->discharge_gap_s : kind > 0 ? u->charge_gap_s : INFINITY;
    if (kind < 0 && isfinite(u->cutoff_v)) {
        s.end_kind = WN_END_VOLTAGE_BELOW;
        s.end_value = u->cutoff_v;
    } else if (kind > 0 && isfinite(u->charge_voltage_v) && isfinite(u->end_current_a)) {
        s.end_kind = WN_END_CURRENT_BELOW;
        s.end_value = u->end_current_a;
        s.cv_voltage_v = u->charge_voltage_v;
    }
    s.end_at_reading = u->end_at_reading;
    wn_integrator_init(&l->g, &s);
    l->in_step = true;
    l->kind = kind;
    l->step_start_ns = start_ns;
    l->current_max_a = 0;
    l->voltage_max_v = -INFINITY;
    l->loaded = 0;
    l->steps++;
    struct wn_listen_step *p = &listen_tell(found, WN_LISTEN_STEP_BEGUN, start_ns)->u.step;
    memset(p, 0, sizeof *p);
    p->number = l->steps;
    p->kind = kind < 0 ? WN_STEP_DISCHARGE : kind > 0 ? WN_STEP_CHARGE : WN_STEP_REST;
    p->start_ns = p->end_ns = start_ns;
    p->mean_current_a = NAN;
}

static void integrate(struct wn_listen *l, const struct wn_reading *r, bool closing)
{
    (void)wn_integrator_add(&l->g, r);
    listen_run_integrate(l, r, closing);
    if (!closing) {
        l->loaded++;
        l->current_max_a = fmax(l->current_max_a, fabs(r->current_a));
        l->voltage_max_v = fmax(l->voltage_max_v, r->voltage_v);
    }
}

static bool is_tapered(const struct wn_listen *l)
{
    const struct wn_reading *last = &l->before.reading;
    return l->kind > 0 && fabs(last->current_a) <= TAPER_PART * l->current_max_a &&
           last->voltage_v >= l->voltage_max_v - TAPER_V;
}

static double mean_current_a(const struct wn_listen *l, const struct wn_step_sums *s)
{
    double active_s = s->duration_s - s->missing_s;
    double moved_ah = l->kind < 0 ? -s->charge_out_ah : s->charge_in_ah;
    return l->kind != 0 && active_s > 0 ? moved_ah * 3600 / active_s : NAN;
}

/* The two levels of a pulse give a resistance: the last reading of each. */
static void judge_pulse(struct wn_listen *l, bool pulse, bool level)
{
    const struct wn_reading *last = &l->before.reading;
    bool whole = pulse && l->kind < 0;
    if (whole && l->has_level) {
        l->round.pulse_ohm = wn_resistance_two_level(l->level_v, l->level_a, last->voltage_v,
                                                     -last->current_a, &l->setup.accuracy);
        l->round.pulse_v = l->before_pulse_v;
    }
    l->has_level = whole && level;
    l->level_v = last->voltage_v;
    l->level_a = -last->current_a;
}

static void end_step(struct wn_listen *l, bool level, struct wn_listen_found *found)
{
    struct wn_step_sums s;
    if (!l->in_step) {
        return;
    }
    wn_integrator_sums(&l->g, &s);
    bool pulse = l->kind != 0 &&
                 listen_steps_is_pulse(l, wn_ns_to_s(l->before.reading.time_ns - l->load_start_ns),
                                       s.crossed);
    bool tapered = is_tapered(l) || (l->kind > 0 && s.crossed && s.cv_s > 0);
    judge_pulse(l, pulse, level);
    l->in_step = false;
    l->load_kind = l->kind != 0 ? l->kind : l->load_kind;
    struct wn_listen_event *e = listen_tell(found, WN_LISTEN_STEP_ENDED, l->g.last.time_ns);
    struct wn_listen_step *p = &e->u.step;
    memset(p, 0, sizeof *p);
    p->number = l->steps;
    p->kind = l->kind > 0   ? WN_STEP_CHARGE
              : l->kind < 0 ? (pulse ? WN_STEP_PULSE : WN_STEP_DISCHARGE)
                            : WN_STEP_REST;
    p->start_ns = l->step_start_ns;
    p->end_ns = l->g.last.time_ns;
    p->sums = s;
    p->mean_current_a = mean_current_a(l, &s);
    (void)snprintf(p->ended_by, sizeof p->ended_by, "%s",
                   l->kind < 0 && s.crossed ? "voltage"
                   : tapered                ? "current"
                   : level                  ? "level"
                                            : "other");
    listen_round_step_over(l, &s, tapered, pulse);
    p->cycle = l->round.open ? l->round.cycle : 0;
}

/* Does the interval before this reading tell anything? Not across a jump of the log's time, nor
 * across cycles that were left out. */
static bool connected(const struct wn_listen *l, const struct wn_listen_row *row)
{
    bool skipped = l->setup.has_cycles && row->cycle > l->before.cycle + 1;
    return l->has_before && !row->segment && !row->broken && !skipped;
}

static bool new_round(const struct wn_listen *l, const struct wn_listen_row *row, int kind)
{
    if (!l->round.open) {
        return l->setup.as_told || kind != 0;
    }
    if (l->setup.has_cycles) {
        return row->cycle != l->round.cycle;
    }
    /* A listened charge may be a pulse: see promote(). */
    return l->setup.as_told && listen_round_had_discharge(l) && (row->segment || kind > 0);
}

/* A current that stays at another level is a step of its own. */
static bool new_level(const struct wn_listen *l, const struct wn_listen_row *row, int kind,
                      const struct wn_listen_row *next)
{
    double a = l->before.reading.current_a, b = row->reading.current_a;
    if (l->setup.as_told || !(l->setup.level_step > 0) || !l->in_step || kind >= 0 ||
        l->kind != kind || l->loaded < 2 || next == NULL) {
        return false;
    }
    double c = next->reading.current_a;
    return fabs(b - a) > l->setup.level_step * fmax(fabs(a), fabs(b)) &&
           fabs(c - b) < fabs(b - a) / 2;
}

/* How a discharge begins: what the resistance at its onset is measured from. */
static void begin_load(struct wn_listen *l, const struct wn_listen_row *row, int kind, bool joined)
{
    const struct wn_reading *a = &l->before.reading;
    l->load_start_ns = row->reading.time_ns;
    if (kind >= 0) {
        return;
    }
    listen_run_step_begins(l, &row->reading, joined);
    bool seen = joined && l->before_kind == 0 &&
                wn_ns_to_s(row->reading.time_ns - a->time_ns) <= ONSET_MAX_S;
    if (seen && isnan(l->run.onset_ohm.value)) {
        bool before = wn_ns_to_s(row->reading.time_ns - a->time_ns) <= l->setup.resistance_delay_s;
        l->run.onset_pending = true;
        l->run.onset_ns = before ? a->time_ns : row->reading.time_ns;
        l->run.rest_v = a->voltage_v;
        l->run.rest_a = a->current_a;
    }
    if (seen) {
        l->before_pulse_v = a->voltage_v;
    }
}

static void change(struct wn_listen *l, const struct wn_listen_row *row, int kind, bool round,
                   bool level, struct wn_listen_found *found)
{
    bool joined = connected(l, row), closing = joined && l->in_step && l->kind != 0 && kind == 0;
    wn_ns from_ns = joined ? l->before.reading.time_ns : row->reading.time_ns;
    double rest_s =
        l->in_step && l->kind == 0 ? wn_ns_to_s(l->before.reading.time_ns - l->step_start_ns) : 0;
    if (closing) {
        integrate(l, &row->reading, true);
    }
    end_step(l, level, found);
    listen_round_rest_over(l, rest_s, kind);
    if (l->setup.as_told) {
        listen_run_close(l); /* rests are not looked through */
    }
    if (round) {
        bool skipped = l->round.open && l->setup.has_cycles && row->cycle > l->round.cycle + 1;
        listen_run_close(l);
        l->charge.any = l->charge.any && !skipped;
        listen_round_end(l, from_ns, found);
        listen_round_begin(l, l->setup.has_cycles ? row->cycle : l->cycles + 1, from_ns);
    }
    begin_step(l, kind, closing ? row->reading.time_ns : from_ns, found);
    if (kind != 0) {
        begin_load(l, row, kind, joined);
    }
    if (joined && !closing) {
        integrate(l, &l->before.reading, false);
        l->loaded = 0;
        l->current_max_a = 0;
    }
}

static void measure_onset(struct wn_listen *l, const struct wn_reading *r)
{
    struct wn_listen_run *run = &l->run;
    const double slack_s = 1e-3; /* a delay met within a millisecond is met */
    double since_s = wn_ns_to_s(r->time_ns - run->onset_ns);
    if (!run->open || !run->onset_pending || since_s + slack_s < l->setup.resistance_delay_s) {
        return;
    }
    run->onset_pending = false;
    if (since_s <= ONSET_MAX_S) {
        run->onset_ohm = wn_resistance_one_step(run->rest_v, run->rest_a, r->voltage_v,
                                                r->current_a, &l->setup.accuracy);
    }
}

/* A charge that has outlived every pulse begins the next cycle, where it began itself. */
static void promote(struct wn_listen *l, const struct wn_reading *r, struct wn_listen_found *found)
{
    if (l->setup.as_told || l->kind <= 0 || in_time(l, wn_ns_to_s(r->time_ns - l->load_start_ns))) {
        return;
    }
    if (listen_round_had_discharge(l)) {
        listen_run_close(l);
        listen_round_end(l, l->step_start_ns, found);
        listen_round_begin(l, l->cycles + 1, l->step_start_ns);
    }
    listen_run_close(l); /* what is left of a pulse is none of the next discharge */
}

/* Long at rest the voltage of a cell does not jump; soon after a load it may, but not so far. The
 * reading behind must be at rest, too: else the current of a load's first reading was garbled. */
static bool swapped(const struct wn_listen *l, const struct wn_listen_row *row, int kind,
                    const struct wn_listen_row *next)
{
    const struct wn_reading *a = &l->before.reading;
    if (l->setup.as_told || !l->has_before || !l->in_step || l->kind != 0 || kind != 0 ||
        l->loaded < 2 || next == NULL || kind_of(&l->setup, &next->reading) != 0) {
        return false;
    }
    bool settled = wn_ns_to_s(a->time_ns - l->step_start_ns) >= l->setup.settle_s;
    double most_v = settled ? l->setup.swap_v : UNSETTLED * l->setup.swap_v;
    return fabs(row->reading.voltage_v - a->voltage_v) > most_v;
}

static void swap(struct wn_listen *l, const struct wn_listen_row *row,
                 struct wn_listen_found *found)
{
    wn_ns at_ns = l->before.reading.time_ns;
    end_step(l, false, found);
    listen_run_close(l);
    listen_round_end(l, at_ns, found);
    l->charge.any = false;
    l->emptied_a = l->emptied_v = NAN;
    l->load_kind = 0;
    l->next_flags = 0;
    l->has_level = false;
    struct wn_listen_event *e = listen_tell(found, WN_LISTEN_SWAPPED, row->reading.time_ns);
    e->u.swapped.from_v = l->before.reading.voltage_v;
    e->u.swapped.to_v = row->reading.voltage_v;
    begin_step(l, 0, row->reading.time_ns, found);
}

/* Nobody knows how long ago the reading before was. A load that is found under way may be that of a
 * round which begins with it. */
static void break_off(struct wn_listen *l, int kind)
{
    bool next = !l->round.open || (kind > 0 && listen_round_had_discharge(l));
    wn_integrator_break(&l->g);
    wn_integrator_break(&l->run.whole);
    wn_integrator_break(&l->run.exact);
    l->round.flags |= l->kind != 0 || kind != 0 ? WN_FLAG_GAP : 0u;
    l->next_flags |= next && kind != 0 ? WN_FLAG_GAP | l->torn : 0u;
    l->torn = 0;
}

void listen_steps_take(struct wn_listen *l, const struct wn_listen_row *row, int kind,
                       const struct wn_listen_row *next, struct wn_listen_found *found)
{
    bool round = new_round(l, row, kind), level = new_level(l, row, kind, next);
    if (row->broken) {
        break_off(l, kind);
    }
    if (swapped(l, row, kind, next)) {
        swap(l, row, found);
    } else if (!l->in_step || kind != l->kind || row->segment || round || level) {
        change(l, row, kind, round, level, found);
    }
    integrate(l, &row->reading, false);
    if (kind < 0) {
        measure_onset(l, &row->reading);
    }
    promote(l, &row->reading, found);
    l->before = *row;
    l->before_kind = kind;
    l->has_before = true;
    struct wn_listen_event *e = listen_tell(found, WN_LISTEN_READING, row->reading.time_ns);
    e->u.reading.reading = row->reading;
    e->u.reading.step_number = l->steps;
}

void listen_steps_end(struct wn_listen *l, struct wn_listen_found *found)
{
    end_step(l, false, found);
    listen_run_close(l);
    if (l->has_before) {
        listen_round_end(l, l->before.reading.time_ns, found);
    }
}
