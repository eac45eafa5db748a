/* Pictures of campaigns: the discharges of one, and their curves from the stored readings.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "drawing_discharges.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const struct wn_cycle_record *cycle_of(const struct drawing_subject *s, int64_t cycle)
{
    for (size_t i = 0; i < s->cycles.n; i++) {
        if (s->cycles.row[i].cycle == cycle) {
            return &s->cycles.row[i];
        }
    }
    return NULL;
}

static const struct wn_check_up_record *check_up_of(const struct drawing_subject *s, int64_t number)
{
    for (size_t i = 0; i < s->check_ups; i++) {
        if (s->check_up[i].check_up == number) {
            return &s->check_up[i];
        }
    }
    return NULL;
}

struct gathering {
    const struct drawing_subject *s;
    struct drawing_discharges *d;
    size_t next; /* cycle: both come in order of time */
};

/* A discharge to begin with; false when its cycle or check-up is not over. */
static bool describe(struct gathering *g, const struct wn_step_record *r,
                     struct drawing_discharge *out)
{
    *out = (struct drawing_discharge){.check_up = r->in_check_up,
                                      .number = r->cycle,
                                      .power = r->kind == WN_STEP_DISCHARGE_POWER,
                                      .step_from = r->step_number,
                                      .start_ns = r->start_ns,
                                      .cutoff_v = NAN,
                                      .temperature_max_c = NAN,
                                      .ambient_min_c = NAN,
                                      .ambient_max_c = NAN};
    if (r->in_check_up) {
        const struct wn_check_up_record *c = check_up_of(g->s, r->cycle);
        out->after_cycle = c != NULL ? c->after_cycle : 0;
        out->flags = c != NULL ? c->flags : 0;
        out->cutoff_v = g->s->c.info.cell.discharge_cutoff_v;
        return c != NULL;
    }
    const struct wane_cycles *cycles = &g->s->cycles;
    while (g->next < cycles->n && cycles->row[g->next].cycle < r->cycle) {
        g->next++;
    }
    const struct wn_cycle_record *c = g->next < cycles->n && cycles->row[g->next].cycle == r->cycle
                                          ? &cycles->row[g->next]
                                          : NULL;
    out->flags = c != NULL ? c->flags : 0;
    out->cutoff_v = c != NULL ? c->cutoff_v : NAN;
    return c != NULL;
}

/* Room for one more; NULL without memory. */
static struct drawing_discharge *add_row(struct drawing_discharges *d)
{
    if (d->n == d->room) {
        size_t room = d->room > 0 ? 2 * d->room : 64;
        struct drawing_discharge *more = realloc(d->row, room * sizeof *more);
        if (more == NULL) {
            return NULL;
        }
        d->row = more;
        d->room = room;
    }
    return &d->row[d->n++];
}

static int take_step(const struct wn_step_record *r, wn_utc_us start_utc, void *ctx)
{
    struct gathering *g = ctx;
    struct drawing_discharges *d = g->d;
    struct drawing_discharge *at = d->n > 0 ? &d->row[d->n - 1] : NULL, begun;
    (void)start_utc;
    bool discharge = r->kind == WN_STEP_DISCHARGE || r->kind == WN_STEP_DISCHARGE_POWER;
    if (!discharge || r->cycle < 1 || r->ended_by[0] == '\0') {
        return 0;
    }
    if (at == NULL || at->check_up != r->in_check_up || at->number != r->cycle) {
        if (!describe(g, r, &begun)) {
            return 0;
        }
        at = add_row(d);
        if (at == NULL) {
            return WN_ENOMEM;
        }
        *at = begun;
    }
    at->step_to = r->step_number;
    at->end_ns = r->end_ns;
    at->charge_ah += r->sums.charge_out_ah;
    at->energy_wh += r->sums.energy_out_wh;
    at->duration_s += r->sums.duration_s - r->sums.missing_s;
    at->temperature_max_c = fmax(at->temperature_max_c, r->sums.temperature_max_c);
    at->ambient_min_c = fmin(at->ambient_min_c, r->sums.ambient_min_c);
    at->ambient_max_c = fmax(at->ambient_max_c, r->sums.ambient_max_c);
    return 0;
}

int drawing_read_discharges(struct drawing_subject *s, struct drawing_discharges *out,
                            struct wn_error *err)
{
    struct gathering g = {s, out, 0};
    memset(out, 0, sizeof *out);
    int rc = wn_campaign_each_step(s->c.file, take_step, &g, err);
    return rc == WN_ENOMEM ? wn_error_set(err, rc, "out of memory") : rc;
}

void drawing_free_discharges(struct drawing_discharges *d)
{
    free(d->row);
    memset(d, 0, sizeof *d);
}

void drawing_free_curve(struct drawing_curve *c)
{
    free(c->charge_ah);
    free(c->energy_wh);
    free(c->voltage_v);
    free(c->temperature_c);
    memset(c, 0, sizeof *c);
}

static bool grow(struct drawing_curve *c)
{
    size_t room = c->room > 0 ? 2 * c->room : 512;
    double **list[] = {&c->charge_ah, &c->energy_wh, &c->voltage_v, &c->temperature_c};
    for (int i = 0; i < 4; i++) {
        double *more = realloc(*list[i], room * sizeof *more);
        if (more == NULL) {
            return false;
        }
        *list[i] = more;
    }
    c->room = room;
    return true;
}

struct tracing {
    struct drawing_curve *c;
    double least_a; /* a reading with less is not under load */
    bool has_last;
    int64_t step;
    struct wn_reading first, last;
    double charge_ah, energy_wh;
};

/* Between two stored readings both are taken as straight lines. */
static int take_reading(const struct wn_reading *r, int64_t step, wn_utc_us utc, void *ctx)
{
    struct tracing *t = ctx;
    struct drawing_curve *c = t->c;
    (void)utc;
    bool whole = (r->has & WN_HAS_VOLTAGE) != 0 && (r->has & WN_HAS_CURRENT) != 0;
    if (!whole || -r->current_a < t->least_a) {
        t->has_last = false;
        return 0;
    }
    if (t->has_last && t->step == step) {
        double hours = (double)(r->time_ns - t->last.time_ns) / 3.6e12;
        t->charge_ah += -(r->current_a + t->last.current_a) / 2 * hours;
        t->energy_wh +=
            -(r->current_a * r->voltage_v + t->last.current_a * t->last.voltage_v) / 2 * hours;
    }
    t->first = c->n == 0 ? *r : t->first;
    t->last = *r;
    t->step = step;
    t->has_last = true;
    if (c->n == c->room && !grow(c)) {
        return WN_ENOMEM;
    }
    c->charge_ah[c->n] = t->charge_ah;
    c->energy_wh[c->n] = t->energy_wh;
    c->temperature_c[c->n] = (r->has & WN_HAS_TEMPERATURE) != 0 ? r->temperature_c : NAN;
    c->voltage_v[c->n++] = r->voltage_v;
    return 0;
}

/* Charge up to the step's begin or end, which lies between this reading and the next. */
static double edge_ah(const struct wn_reading *r, wn_ns interval_ns)
{
    return interval_ns > 0 ? -r->current_a * (double)interval_ns / 3.6e12 : 0;
}

int drawing_read_curve(struct drawing_subject *s, const struct drawing_discharge *d,
                       struct drawing_curve *out, struct wn_error *err)
{
    double mean_a = d->duration_s > 0 ? d->charge_ah / d->duration_s * 3600 : 0;
    struct tracing t = {.c = out, .least_a = mean_a / 3};
    memset(out, 0, sizeof *out);
    int rc = wn_campaign_each_reading(s->c.file, d->step_from, d->step_to, take_reading, &t, err);
    if (out->n > 0) {
        out->edge_ah = edge_ah(&t.first, t.first.time_ns - d->start_ns) +
                       edge_ah(&t.last, d->end_ns - t.last.time_ns);
    }
    return rc == WN_ENOMEM ? wn_error_set(err, rc, "out of memory") : rc;
}

/* What lies beyond is missing. */
#define EDGES_MAX 0.02

bool drawing_lacks(const struct drawing_curve *c, const struct drawing_discharge *d)
{
    double found_ah = c->n > 0 ? c->charge_ah[c->n - 1] : 0;
    double edges_ah = fmin(c->edge_ah, EDGES_MAX * d->charge_ah);
    return !(fabs(found_ah - d->charge_ah) <= 0.01 * d->charge_ah + edges_ah);
}

/* Cycles chosen by number. */
static int pick_chosen(const struct drawing_subject *s, const struct drawing_discharges *d,
                       const struct drawing_choice *choice, struct drawing_picks *out,
                       struct wn_error *err)
{
    const char *name = s->c.info.name;
    for (int i = 0; i < choice->cycles; i++) {
        long long cycle = choice->cycle[i];
        size_t k = 0;
        while (k < d->n && (d->row[k].check_up || d->row[k].number != cycle)) {
            k++;
        }
        if (k < d->n) {
            out->of[out->n++] = d->row[k];
        } else if (cycle_of(s, cycle) != NULL) {
            return wn_error_set(err, WN_EINVAL, "%s: cycle %lld has no finished discharge", name,
                                cycle);
        } else if (s->cycles.n == 0) {
            return wn_error_set(err, WN_EINVAL, "%s: no cycle is over yet", name);
        } else {
            return wn_error_set(err, WN_EINVAL,
                                "%s: there is no cycle %lld: the last that is over is %lld", name,
                                cycle, (long long)s->cycles.row[s->cycles.n - 1].cycle);
        }
    }
    return WN_OK;
}

static double rate_of(const struct drawing_discharge *d)
{
    double of = d->power ? d->energy_wh : d->charge_ah;
    return d->duration_s > 0 ? of / d->duration_s * 3600 : 0;
}

static int compare_rates(const void *a, const void *b)
{
    const struct drawing_discharge *x = a, *y = b;
    double p = rate_of(x), q = rate_of(y);
    return x->power != y->power ? x->power - y->power : (p > q) - (p < q);
}

/* Discharges that come into question. */
struct list {
    const struct drawing_discharges *d;
    size_t *row; /* of d */
    size_t n;
};

static const struct drawing_discharge *in_list(const struct list *l, size_t i)
{
    return &l->d->row[l->row[i]];
}

/* The first of each rate; two rates within 3 % are one. */
static void pick_rates(const struct list *l, struct drawing_picks *out)
{
    for (size_t i = 0; i < l->n && out->n < DRAWING_PICKS_MAX; i++) {
        const struct drawing_discharge *d = in_list(l, i);
        bool known = false;
        for (int k = 0; k < out->n; k++) {
            double apart = fabs(rate_of(&out->of[k]) - rate_of(d));
            known = known || (out->of[k].power == d->power && apart <= 0.03 * rate_of(d));
        }
        if (!known) {
            out->of[out->n++] = *d;
        }
    }
    qsort(out->of, (size_t)out->n, sizeof out->of[0], compare_rates);
}

static int64_t place_of(const struct drawing_discharge *d)
{
    return d->check_up ? d->after_cycle : d->number;
}

/* 1, 2, 5, 10, 20, 25, 50, 100, ...: round numbers of cycles for at most `most` curves. */
static int64_t round_step(int64_t last, int most)
{
    static const int64_t steps[] = {10, 20, 25, 50};
    for (int64_t ten = 1; ten <= INT64_MAX / 100; ten *= 10) {
        for (size_t i = 0; i < sizeof steps / sizeof steps[0]; i++) {
            int64_t step = steps[i] * ten / 10;
            if (step >= 1 && steps[i] * ten % 10 == 0 && last / step + 1 <= most) {
                return step;
            }
        }
    }
    return last;
}

static const struct drawing_discharge *nearest(const struct list *l, int64_t place)
{
    const struct drawing_discharge *best = in_list(l, 0);
    for (size_t i = 1; i < l->n; i++) {
        const struct drawing_discharge *d = in_list(l, i);
        best = llabs(place_of(d) - place) < llabs(place_of(best) - place) ? d : best;
    }
    return best;
}

/* The first, the last and those next to round numbers between. */
static void pick_spread(const struct list *l, int most, struct drawing_picks *out)
{
    const struct drawing_discharge *first = in_list(l, 0), *last = in_list(l, l->n - 1);
    int64_t end = place_of(last), step = most > 2 ? round_step(end, most) : end;
    out->of[out->n++] = *first;
    for (int64_t at = step; most > 2 && at < end && out->n < DRAWING_PICKS_MAX - 1; at += step) {
        const struct drawing_discharge *d = nearest(l, at);
        int64_t place = place_of(d);
        if (place > place_of(&out->of[out->n - 1]) && place < end && end - place >= step / 2) {
            out->of[out->n++] = *d;
        }
    }
    if (end > place_of(first)) {
        out->of[out->n++] = *last;
    }
}

static int refuse(const struct drawing_subject *s, bool check_ups, struct wn_error *err)
{
    const char *name = s->c.info.name;
    if (check_ups) {
        return wn_error_set(err, WN_EINVAL, "%s: no check-up with a discharge is over", name);
    }
    if (s->cycles.n == 0) {
        return wn_error_set(err, WN_EINVAL, "%s: there is nothing to draw yet: no cycle is over",
                            name);
    }
    return wn_error_set(err, WN_EINVAL,
                        "%s: none of its %zu cycles is valid: choose a flagged one with --cycles, "
                        "wane cycles tells why",
                        name, s->cycles.n);
}

int drawing_pick(const struct drawing_subject *s, const struct drawing_discharges *d,
                 const struct drawing_choice *choice, bool check_ups, int most,
                 struct drawing_picks *out, struct wn_error *err)
{
    memset(out, 0, sizeof *out);
    if (choice->cycles > 0) {
        return pick_chosen(s, d, choice, out, err);
    }
    struct list l = {d, calloc(d->n + 1, sizeof *l.row), 0};
    if (l.row == NULL) {
        return wn_error_set(err, WN_ENOMEM, "out of memory");
    }
    for (size_t i = 0; i < d->n; i++) {
        bool valid = (d->row[i].flags & WN_FLAGS_INVALID) == 0;
        if (d->row[i].check_up == check_ups && valid) {
            l.row[l.n++] = i;
        }
    }
    if (l.n > 0 && !check_ups) {
        pick_rates(&l, out);
        out->rates = out->n > 1;
    }
    if (l.n > 0 && !out->rates) {
        out->n = 0;
        pick_spread(&l, most, out);
    }
    free(l.row);
    return l.n > 0 ? WN_OK : refuse(s, check_ups, err);
}
