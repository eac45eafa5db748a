/* Listening: readings put in order, and what cannot be one left out.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "base/assert.h"
#include "listen/core.h"

enum { BEHIND_MAX = 2 * WN_LISTEN_DEPTH };

void wn_listen_defaults(struct wn_listen_setup *out)
{
    memset(out, 0, sizeof *out);
    out->cutoff_v = out->charge_voltage_v = out->end_current_a = out->cycle_current_a = NAN;
    out->ambient_min_c = out->ambient_max_c = out->rest_min_s = out->pause_recovery_s = NAN;
    out->voltage_max_v = out->current_max_a = NAN;
    out->rest_below_a = 0.02;
    out->discharge_gap_s = out->charge_gap_s = 60;
    out->pause_max_s = 120;
    out->pulse_max_s = 60;
    out->level_step = 0.1;
    out->late_max_s = 90;
    out->jump_max_s = 600;
    out->wild_v = 0.05;
    out->wild_part = 0.1;
    out->swap_v = 0.15;
    out->settle_s = 300;
}

void wn_listen_init(struct wn_listen *l, const struct wn_listen_setup *setup)
{
    wn_assert(setup->rest_below_a >= 0);
    wn_assert(setup->discharge_gap_s > 0 && setup->charge_gap_s > 0);
    memset(l, 0, sizeof *l);
    l->setup = *setup;
    l->depth = setup->as_told ? 1 : WN_LISTEN_DEPTH;
    l->emptied_a = l->emptied_v = l->before_pulse_v = NAN;
}

struct wn_listen_event *listen_tell(struct wn_listen_found *found, enum wn_listen_kind kind,
                                    wn_ns time_ns)
{
    wn_assert(found->n < WN_LISTEN_FOUND_MAX);
    struct wn_listen_event *e = &found->event[found->n++];
    e->kind = kind;
    e->time_ns = time_ns;
    return e;
}

/* -- values
 * ------------------------------------------------------------------------------------ */

static bool possible(const struct wn_listen_setup *s, const struct wn_reading *r)
{
    const unsigned whole = WN_HAS_VOLTAGE | WN_HAS_CURRENT;
    return (r->has & whole) == whole && isfinite(r->voltage_v) && isfinite(r->current_a) &&
           !(fabs(r->voltage_v) > s->voltage_max_v) && !(fabs(r->current_a) > s->current_max_a);
}

static bool outside(double b, double a, double c, double margin)
{
    return b > fmax(a, c) + margin || b < fmin(a, c) - margin;
}

static double margin_a(const struct wn_listen *l, const struct wn_reading *c)
{
    const struct wn_listen_setup *s = &l->setup;
    double amps = fmax(fabs(l->before.reading.current_a), fabs(c->current_a));
    return fmax(s->rest_below_a, s->wild_part * amps);
}

/* Do the reading before and the one behind tell the same? */
static bool agree(const struct wn_listen *l, const struct wn_reading *c)
{
    return l->has_before && l->before_kind == kind_of(&l->setup, c) &&
           fabs(l->before.reading.current_a - c->current_a) <= 2 * margin_a(l, c);
}

/* No step is one reading long: a load unlike the readings before and behind it, by its direction or
 * by far. (A rest of one reading may lie between two loads.) */
static bool is_stray_load(const struct wn_listen *l, const struct wn_reading *b,
                          const struct wn_reading *c)
{
    const struct wn_reading *a = &l->before.reading;
    int kind = kind_of(&l->setup, b);
    double amps = fmax(fabs(a->current_a), fabs(c->current_a));
    bool alone = kind != 0 && kind != l->before_kind && kind != kind_of(&l->setup, c);
    double far_a = 2 * l->setup.rest_below_a; /* less is a rest that wavers */
    return l->has_before && fabs(b->current_a) > far_a && (alone || fabs(b->current_a) > 3 * amps);
}

/* At the cut-off, and the next one under the same load is not: as little as a digit can do that,
 * and one reading ends no discharge. */
static bool is_false_end(const struct wn_listen *l, const struct wn_reading *b,
                         const struct wn_reading *c)
{
    double cutoff_v = l->setup.cutoff_v; /* NaN: false */
    return b->voltage_v <= cutoff_v && c->voltage_v > cutoff_v &&
           l->before.reading.voltage_v > cutoff_v && kind_of(&l->setup, c) < 0 && agree(l, c);
}

/* Not judged is the voltage of the last reading of a load, which may well be the lowest, nor that
 * of a single one at rest, which may be the highest. Where two in a row are garbled alike, the
 * first passes. */
static bool is_wild(const struct wn_listen *l, const struct wn_reading *b,
                    const struct wn_reading *c)
{
    const struct wn_listen_setup *s = &l->setup;
    const struct wn_reading *a = &l->before.reading;
    bool equal = agree(l, c);
    int kind = kind_of(s, b);
    bool resting = kind == 0 && l->before_kind == 0;
    bool judge_v = equal || (l->has_before && (kind == kind_of(s, c) || resting));
    return is_stray_load(l, b, c) || is_false_end(l, b, c) ||
           (judge_v && outside(b->voltage_v, a->voltage_v, c->voltage_v, s->wild_v)) ||
           (equal && outside(b->current_a, a->current_a, c->current_a, margin_a(l, c)));
}

/* A kind that only this reading has, between two equal ones, is taken for theirs. */
static int judged_kind(const struct wn_listen *l, const struct wn_listen_row *b,
                       const struct wn_listen_row *c)
{
    int kind = kind_of(&l->setup, &b->reading);
    if (c == NULL || !l->has_before || b->segment || c->segment) {
        return kind;
    }
    bool same_cycle = !l->setup.has_cycles || l->before.cycle == c->cycle;
    bool equal = l->setup.as_told ? kind_of(&l->setup, &c->reading) == l->before_kind
                                  : agree(l, &c->reading);
    return same_cycle && equal ? l->before_kind : kind;
}

/* The oldest of the inbox; it does not go on before there is one behind it to be judged with. */
static void pop(struct wn_listen *l, struct wn_listen_found *found)
{
    const struct wn_listen_row row = l->inbox[0];
    l->waiting--;
    memmove(&l->inbox[0], &l->inbox[1], sizeof l->inbox[0] * (size_t)l->waiting);
    const struct wn_listen_row *next = l->waiting > 0 ? &l->inbox[0] : NULL;
    if (!l->setup.as_told && next != NULL && is_wild(l, &row.reading, &next->reading)) {
        l->counts.wild++;
        l->inbox[0].broken = next->broken || row.broken;
        return;
    }
    listen_steps_take(l, &row, judged_kind(l, &row, next), next, found);
}

/* -- order
 * ------------------------------------------------------------------------------------- */

/* Where it belongs by its time; -1 when it cannot be put there any more. */
static int place(struct wn_listen *l, const struct wn_listen_row *row)
{
    wn_ns t = row->reading.time_ns;
    int at = l->waiting;
    while (at > 0 && l->inbox[at - 1].reading.time_ns > t) {
        at--;
    }
    bool taken = l->has_before && l->before.reading.time_ns == t;
    if (taken || (at > 0 && l->inbox[at - 1].reading.time_ns == t)) {
        l->counts.repeated++;
        return -1;
    }
    if (l->has_before && t < l->before.reading.time_ns) {
        l->counts.late++;
        return -1;
    }
    return at;
}

static void put(struct wn_listen *l, const struct wn_listen_row *row, int at,
                struct wn_listen_found *found)
{
    memmove(&l->inbox[at + 1], &l->inbox[at], sizeof l->inbox[0] * (size_t)(l->waiting - at));
    l->inbox[at] = *row;
    l->waiting++;
    if (l->waiting > l->depth) {
        pop(l, found);
    }
}

/* -- the tester's clock
 * ------------------------------------------------------------------------ */

/* Campaign time goes on by what host time says; without it not at all, and what happened meanwhile
 * is missing. */
static void reset_clock(struct wn_listen *l, const struct wn_listen_row *first,
                        struct wn_listen_found *found)
{
    wn_ns host_ns = first->reading.host_ns, went_on_ns = host_ns - l->newest_host_ns;
    bool known = host_ns > 0 && l->newest_host_ns > 0 && went_on_ns > 0;
    wn_ns at_ns = l->newest_ns + (known ? went_on_ns : 1);
    l->offset_ns = at_ns - first->reading.time_ns;
    l->next_broken = !known;
    l->counts.clock_resets++;
    (void)listen_tell(found, WN_LISTEN_CLOCK_RESET, at_ns);
}

static void accept(struct wn_listen *l, const struct wn_listen_row *row,
                   struct wn_listen_found *found);

/* Readings overtake each other by few places. So many in order, and all too late: a clock that was
 * set back a little. */
static void look_behind(struct wn_listen *l, const struct wn_listen_row *row,
                        struct wn_listen_found *found)
{
    l->behind = l->behind > 0 && row->reading.time_ns > l->behind_ns ? l->behind + 1 : 1;
    l->behind_ns = row->reading.time_ns;
    if (l->behind > BEHIND_MAX) {
        l->behind = 0;
        reset_clock(l, row, found);
        accept(l, row, found);
    }
}

static void accept(struct wn_listen *l, const struct wn_listen_row *row,
                   struct wn_listen_found *found)
{
    struct wn_listen_row in = *row;
    in.reading.time_ns += l->offset_ns;
    in.segment = false;
    in.broken = l->next_broken;
    int64_t late = l->counts.late;
    int at = place(l, &in);
    if (at < 0 && l->counts.late > late) {
        look_behind(l, row, found);
    }
    if (at < 0) {
        return;
    }
    l->behind = 0;
    l->next_broken = false;
    if (!l->has_newest || in.reading.time_ns >= l->newest_ns) {
        l->newest_ns = in.reading.time_ns;
        l->newest_host_ns = in.reading.host_ns;
        l->has_newest = true;
    }
    put(l, &in, at, found);
}

/* Nothing is near before there is a first one: its time may be garbled too. */
static bool is_near(const struct wn_listen *l, wn_ns t)
{
    wn_ns window_ns = wn_ns_from_s(l->setup.late_max_s);
    return l->has_newest && t >= l->newest_ns - window_ns && t <= l->newest_ns + window_ns;
}

static bool steps_back(const struct wn_listen *l, const struct wn_listen_row *row)
{
    return l->has_newest && row->reading.time_ns + l->offset_ns < l->newest_ns;
}

/* Does the reading behind it bear the suspect out? A clock that was reset does not go on where it
 * was before. */
static bool borne_out(const struct wn_listen *l, const struct wn_listen_row *row)
{
    wn_ns behind = row->reading.time_ns - l->suspect.reading.time_ns;
    bool back = steps_back(l, &l->suspect);
    return behind > 0 && behind <= wn_ns_from_s(l->setup.jump_max_s) &&
           !(back && row->reading.time_ns + l->offset_ns > l->newest_ns);
}

/* A time far from all others may be a garbled one: the reading behind it decides. */
static void hear(struct wn_listen *l, const struct wn_listen_row *row,
                 struct wn_listen_found *found)
{
    bool near_newest = is_near(l, row->reading.time_ns + l->offset_ns);
    if (l->has_suspect) {
        l->has_suspect = false;
        if (!near_newest && borne_out(l, row)) {
            if (steps_back(l, &l->suspect)) {
                reset_clock(l, &l->suspect, found);
            }
            accept(l, &l->suspect, found);
            accept(l, row, found);
            return;
        }
        l->counts.wrong_time++;
    }
    if (near_newest) {
        accept(l, row, found);
    } else {
        l->suspect = *row;
        l->has_suspect = true;
    }
}

void wn_listen_row(struct wn_listen *l, const struct wn_listen_row *row,
                   struct wn_listen_found *found)
{
    found->n = 0;
    l->counts.heard++;
    if (!possible(&l->setup, &row->reading)) {
        l->counts.impossible++;
    } else if (l->setup.as_told) {
        put(l, row, l->waiting, found);
    } else {
        hear(l, row, found);
    }
}

void wn_listen_reading(struct wn_listen *l, const struct wn_reading *reading,
                       struct wn_listen_found *found)
{
    struct wn_listen_row row = {.reading = *reading, .cycle = -1};
    wn_listen_row(l, &row, found);
}

void wn_listen_torn(struct wn_listen *l, unsigned flag)
{
    l->offset_ns = 0;
    l->newest_host_ns = 0;
    l->has_suspect = false;
    l->next_broken = true;
    l->torn = flag;
    l->round.flags |= l->round.open ? flag : 0u;
}

void wn_listen_end(struct wn_listen *l, struct wn_listen_found *found)
{
    found->n = 0;
    l->counts.wrong_time += l->has_suspect;
    l->has_suspect = false;
    while (l->waiting > 0) {
        pop(l, found);
    }
    listen_steps_end(l, found);
}
