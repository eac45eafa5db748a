/* Findings: discharges by their rate, resistances, fade.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "findings.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"

#define SAME_VOLTAGE_V 0.001

enum { SCATTER_CYCLES = 10 };

const char *findings_place(struct finding_place at, char *buf, size_t size)
{
    (void)snprintf(buf, size, "%s %lld", at.in_check_up ? "check-up" : "cycle",
                   (long long)at.number);
    if (at.number == 0) {
        buf[0] = '\0';
    }
    return buf;
}

const char *findings_set(bool power, double set, char *buf, size_t size)
{
    char x[WN_NUM_SIZE];
    (void)snprintf(buf, size, "%s %s", wn_num_format(set, 3, x, sizeof x), power ? "W" : "A");
    return buf;
}

const char *findings_method_word(enum finding_method method)
{
    switch (method) {
    case FINDING_ONSET:
        return "onset";
    case FINDING_TWO_LEVEL:
        return "two_level";
    case FINDING_AC:
        break;
    }
    return "ac";
}

/* The last discharge that began within [start, end]; NULL when there is none. Steps are in the
 * order of their time. */
static const struct wn_step_record *discharge_within(const struct findings *f, wn_ns start,
                                                     wn_ns end)
{
    const struct wn_step_record *found = NULL;
    size_t low = 0, high = f->steps;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (f->step[middle].start_ns < start) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    for (size_t i = low; i < f->steps && f->step[i].start_ns <= end; i++) {
        enum wn_step_kind kind = f->step[i].kind;
        found = kind == WN_STEP_DISCHARGE || kind == WN_STEP_DISCHARGE_POWER ? &f->step[i] : found;
    }
    return found;
}

bool findings_discharge_of_cycle(const struct findings *f, size_t i, struct finding_discharge *out)
{
    const struct wn_cycle_record *r = &f->cycle.row[i];
    const struct wn_step_record *s = discharge_within(f, r->start_ns, r->end_ns);
    memset(out, 0, sizeof *out);
    out->at.number = r->cycle;
    out->power = s != NULL && s->kind == WN_STEP_DISCHARGE_POWER;
    out->capacity_ah = r->capacity_ah;
    out->energy_wh = r->energy_wh;
    out->resistance_ohm = r->resistance_ohm;
    out->mean_voltage_v = r->energy_wh.value / r->capacity_ah.value;
    out->current_a = r->discharge_current_a;
    out->power_w = out->current_a * out->mean_voltage_v;
    out->cutoff_v = r->cutoff_v;
    out->temperature_max_c = r->temperature_max_c;
    out->temperature_rise_k = r->temperature_rise_k;
    out->slope_v_per_s = r->cutoff_slope_v_per_s;
    out->flags = r->flags;
    return isfinite(r->capacity_ah.value) && r->capacity_ah.value > 0 &&
           isfinite(r->discharge_current_a);
}

/* What the check-ups of the plan discharge to; else what the datasheet says. */
static double check_up_cutoff_v(const struct findings *f)
{
    const struct wn_procedure *p = f->plan;
    for (int i = 0; p != NULL && i < p->check_up_steps; i++) {
        const struct wn_step *s = &p->step[p->check_up_first_step + i];
        if (s->kind == WN_STEP_DISCHARGE || s->kind == WN_STEP_DISCHARGE_POWER) {
            return s->until_voltage_v;
        }
    }
    return f->info.cell.discharge_cutoff_v;
}

bool findings_discharge_of_check_up(const struct findings *f, size_t i,
                                    struct finding_discharge *out)
{
    const struct wn_check_up_record *r = &f->check_up[i];
    const struct wn_step_record *s = discharge_within(f, r->start_ns, r->end_ns);
    memset(out, 0, sizeof *out);
    out->at = (struct finding_place){r->check_up, true};
    if (s == NULL || !isfinite(r->capacity_ah.value) || !(r->capacity_ah.value > 0)) {
        return false;
    }
    double seen_h = (s->sums.end_duration_s - s->sums.end_missing_s) / 3600;
    out->power = s->kind == WN_STEP_DISCHARGE_POWER;
    out->capacity_ah = r->capacity_ah;
    out->energy_wh = r->energy_wh;
    out->resistance_ohm = (struct wn_measured){NAN, NAN}; /* its pulse is another method */
    out->mean_voltage_v = r->energy_wh.value / r->capacity_ah.value;
    out->current_a = r->capacity_ah.value / seen_h;
    out->power_w = r->energy_wh.value / seen_h;
    out->cutoff_v = check_up_cutoff_v(f);
    out->temperature_max_c = s->sums.temperature_max_c;
    out->temperature_rise_k = s->sums.temperature_max_c - s->sums.temperature_start_c;
    out->slope_v_per_s = NAN;
    out->flags = r->flags;
    return seen_h > 0;
}

static double set_of(const struct finding_discharge *d)
{
    return d->power ? d->power_w : d->current_a;
}

static bool same_set(double a, double b)
{
    return fabs(a - b) <= FINDINGS_SAME_RATE * fmax(a, b);
}

static bool same_cutoff(double a, double b)
{
    return (isnan(a) && isnan(b)) || fabs(a - b) <= SAME_VOLTAGE_V;
}

bool findings_same_rate(const struct finding_discharge *a, const struct finding_discharge *b)
{
    return a->power == b->power && same_cutoff(a->cutoff_v, b->cutoff_v) &&
           same_set(set_of(a), set_of(b));
}

static bool belongs(const struct finding_rate *r, const struct finding_discharge *d)
{
    return r->power == d->power && same_cutoff(r->cutoff_v, d->cutoff_v) &&
           same_set(r->centre, set_of(d));
}

static bool is_valid(const struct finding_discharge *d)
{
    return (d->flags & WN_FLAGS_INVALID) == 0;
}

static void take(struct finding_rate *r, const struct finding_discharge *d)
{
    bool valid = is_valid(d);
    if (r->n == 0 || (valid && r->valid == 0)) {
        r->first = r->last = *d;
    } else if (valid || r->valid == 0) {
        r->last = *d;
    }
    r->n++;
    r->valid += valid;
    r->temperature_max_c = fmax(r->temperature_max_c, d->temperature_max_c); /* ignores a NaN */
}

static void sort_in(struct findings *f, const struct finding_discharge *d)
{
    for (size_t i = 0; i < f->rates; i++) {
        if (belongs(&f->rate[i], d)) {
            take(&f->rate[i], d);
            return;
        }
    }
    if (f->rates == FINDINGS_RATES_MAX) {
        f->rates_left_out++;
        return;
    }
    struct finding_rate *r = &f->rate[f->rates++];
    memset(r, 0, sizeof *r);
    r->power = d->power;
    r->set = r->centre = set_of(d);
    r->cutoff_v = d->cutoff_v;
    r->until_temperature_c = r->temperature_max_c = NAN;
    take(r, d);
}

/* The value that was asked for, where it is known, instead of the mean of what flowed. */
static void name_as_planned(const struct findings *f, struct finding_rate *r)
{
    for (int i = 0; f->plan != NULL && i < f->plan->steps; i++) {
        const struct wn_step *s = &f->plan->step[i];
        double planned = s->kind == WN_STEP_DISCHARGE_POWER ? s->power_w : s->current_a;
        bool kind = s->kind == (r->power ? WN_STEP_DISCHARGE_POWER : WN_STEP_DISCHARGE);
        if (kind && same_set(planned, r->set) && same_cutoff(s->until_voltage_v, r->cutoff_v)) {
            r->set = planned;
            r->until_temperature_c = s->until_temperature_c > 0 ? s->until_temperature_c : NAN;
            return;
        }
    }
}

static int by_set(const void *a, const void *b)
{
    const struct finding_rate *x = a, *y = b;
    if (x->power != y->power) {
        return x->power ? 1 : -1;
    }
    if (x->set != y->set) {
        return x->set < y->set ? -1 : 1;
    }
    return x->cutoff_v > y->cutoff_v ? -1 : x->cutoff_v < y->cutoff_v;
}

void findings_sort_rates(struct findings *f)
{
    struct finding_discharge d;
    size_t c = 0, u = 0;
    f->rates = f->rates_left_out = 0;
    while (c < f->cycle.n || u < f->check_ups) { /* in the order of their time */
        bool check_up = c == f->cycle.n ||
                        (u < f->check_ups && f->check_up[u].start_ns < f->cycle.row[c].start_ns);
        bool measured = check_up ? findings_discharge_of_check_up(f, u, &d)
                                 : findings_discharge_of_cycle(f, c, &d);
        if (measured) {
            sort_in(f, &d);
        }
        u += check_up;
        c += !check_up;
    }
    for (size_t i = 0; i < f->rates; i++) {
        name_as_planned(f, &f->rate[i]);
    }
    qsort(f->rate, f->rates, sizeof f->rate[0], by_set);
}

static void take_resistance(struct finding_resistance *r, struct finding_place at,
                            struct wn_measured x)
{
    if (r->n++ == 0) {
        r->first_at = at;
        r->first_ohm = x;
    }
    r->last_at = at;
    r->last_ohm = x;
}

static struct finding_resistance *new_resistance(struct findings *f, enum finding_method method)
{
    struct finding_resistance *r = &f->resistance[f->resistances];
    memset(r, 0, sizeof *r);
    r->method = method;
    r->set_a = r->delay_s = r->hz = r->voltage_v = NAN;
    r->first_ohm = r->last_ohm = (struct wn_measured){NAN, NAN};
    return r;
}

static void find_onset(struct findings *f, const struct finding_rate *rate)
{
    struct finding_resistance *r = new_resistance(f, FINDING_ONSET);
    struct finding_discharge d;
    r->set_a = rate->power ? rate->first.current_a : rate->set;
    r->delay_s =
        f->plan != NULL && f->plan->resistance_delay_s > 0 ? f->plan->resistance_delay_s : NAN;
    for (size_t i = 0; i < f->cycle.n; i++) {
        if (findings_discharge_of_cycle(f, i, &d) && isfinite(d.resistance_ohm.value) &&
            (d.flags & WN_FLAG_INTERRUPTED) == 0 && belongs(rate, &d)) {
            take_resistance(r, d.at, d.resistance_ohm);
        }
    }
    f->resistances += r->n > 0;
}

void findings_find_resistances(struct findings *f)
{
    f->resistances = 0;
    struct finding_resistance *r = new_resistance(f, FINDING_AC);
    r->hz = f->info.cell.ac_impedance_hz;
    if (f->info.cell.ac_impedance_ohm > 0) {
        r->n = 1;
        r->first_ohm.value = r->last_ohm.value = f->info.cell.ac_impedance_ohm;
        f->resistances++;
    }
    r = new_resistance(f, FINDING_TWO_LEVEL);
    for (size_t i = 0; i < f->check_ups; i++) {
        const struct wn_check_up_record *u = &f->check_up[i];
        if (isfinite(u->resistance_ohm.value)) {
            r->voltage_v = r->n == 0 ? u->resistance_voltage_v : r->voltage_v;
            take_resistance(r, (struct finding_place){u->check_up, true}, u->resistance_ohm);
        }
    }
    f->resistances += r->n > 0;
    for (size_t i = 0; i < f->rates; i++) {
        find_onset(f, &f->rate[i]);
    }
}

static struct wn_discharge_facts facts_of(const struct finding_discharge *d)
{
    return (struct wn_discharge_facts){.capacity_ah = d->capacity_ah.value,
                                       .energy_wh = d->energy_wh.value,
                                       .current_a = d->current_a,
                                       .duration_s = d->capacity_ah.value / d->current_a * 3600,
                                       .cutoff_v = d->cutoff_v,
                                       .slope_v_per_s = d->slope_v_per_s};
}

struct wn_measured findings_retention(const struct findings *f,
                                      const struct finding_discharge *first,
                                      const struct finding_discharge *now)
{
    struct wn_measured out = {now->capacity_ah.value / first->capacity_ah.value, NAN};
    struct wn_discharge_facts a = facts_of(first), b = facts_of(now);
    struct wn_budget budget;
    if (first->at.number == now->at.number && first->at.in_check_up == now->at.in_check_up) {
        out.u = isfinite(first->capacity_ah.u) ? 0 : NAN;
    } else if (measuring_told(&f->measuring)) {
        wn_retention_budget(&a, &b, &f->measuring.accuracy, &f->measuring.drift, &budget);
        out.u = budget.u;
    }
    return out;
}

/* The rate most valid cycles were made at; f->rates when none has two. */
static size_t ageing_rate(const struct findings *f)
{
    size_t best = f->rates;
    int64_t most = 1;
    for (size_t k = 0; k < f->rates; k++) {
        struct finding_discharge d;
        int64_t n = 0;
        for (size_t i = 0; i < f->cycle.n; i++) {
            n += findings_discharge_of_cycle(f, i, &d) && is_valid(&d) && belongs(&f->rate[k], &d);
        }
        if (n > most) {
            most = n;
            best = k;
        }
    }
    return best;
}

/* Projection from the cycles of one rate: others would be steps in the curve, not fade. */
static void project(struct findings *f, const struct wn_fade_point *point, size_t n)
{
    struct finding_fade *a = &f->fade;
    double threshold_ah = f->info.retention_threshold * f->info.cell.rated_capacity_ah;
    a->initial_ah = wn_fade_initial_capacity_ah(point, n);
    a->projected =
        threshold_ah > 0 && wn_fade_project(point, n, threshold_ah, &a->projection, NULL) == WN_OK;
}

size_t findings_points(const struct findings *f, const struct finding_rate *rate,
                       struct wn_fade_point *point)
{
    size_t n = 0;
    for (size_t i = 0; i < f->cycle.n; i++) {
        const struct wn_cycle_record *r = &f->cycle.row[i];
        struct finding_discharge d;
        if (findings_discharge_of_cycle(f, i, &d) && belongs(rate, &d)) {
            point[n++] = (struct wn_fade_point){.cycle = (double)r->cycle,
                                                .capacity_ah = r->capacity_ah.value,
                                                .resistance_ohm = r->resistance_ohm.value,
                                                .temperature_c = r->temperature_max_c,
                                                .flags = r->flags,
                                                .capacity_u_ah = r->capacity_ah.u};
        }
    }
    return n;
}

static void find_ends(struct findings *f)
{
    struct finding_fade *a = &f->fade;
    struct finding_discharge d;
    for (size_t i = 0; i < f->cycle.n; i++) {
        if (findings_discharge_of_cycle(f, i, &d) && is_valid(&d) &&
            belongs(&f->rate[a->rate], &d)) {
            a->first = a->known ? a->first : d;
            a->last = d;
            a->known = true;
        }
    }
}

double findings_scatter(const struct findings *f, int64_t number, bool resistance)
{
    struct finding_discharge d;
    double n = 0, sx = 0, sy = 0, sxx = 0, sxy = 0, syy = 0;
    for (size_t i = 0; i < f->cycle.n; i++) {
        int64_t by = f->cycle.row[i].cycle - number;
        if (by < -SCATTER_CYCLES || by > SCATTER_CYCLES || !findings_discharge_of_cycle(f, i, &d) ||
            (d.flags & WN_FLAGS_INVALID) != 0 || !findings_same_rate(&d, &f->fade.first)) {
            continue;
        }
        double x = (double)by, y = resistance ? d.resistance_ohm.value : d.capacity_ah.value;
        if (isfinite(y)) {
            n++;
            sx += x;
            sy += y;
            sxx += x * x;
            sxy += x * y;
            syy += y * y;
        }
    }
    double xx = sxx - sx * sx / n, xy = sxy - sx * sy / n, yy = syy - sy * sy / n;
    return n < 5 ? 0 : sqrt(fmax(0, yy - xy * xy / xx) / (n - 2));
}

void findings_find_fade(struct findings *f)
{
    struct finding_fade *a = &f->fade;
    memset(a, 0, sizeof *a);
    a->initial_ah = a->retention_of_rated = NAN;
    a->retention_of_first = (struct wn_measured){NAN, NAN};
    a->rate = ageing_rate(f);
    struct wn_fade_point *point = calloc(f->cycle.n + 1, sizeof *point);
    if (a->rate < f->rates && point != NULL) {
        find_ends(f);
        a->retention_of_first = findings_retention(f, &a->first, &a->last);
        a->scatter = hypot(findings_scatter(f, a->first.at.number, false),
                           findings_scatter(f, a->last.at.number, false)) /
                     a->first.capacity_ah.value;
        a->retention_of_rated = f->info.cell.rated_capacity_ah > 0
                                    ? a->last.capacity_ah.value / f->info.cell.rated_capacity_ah
                                    : NAN;
        project(f, point, findings_points(f, &f->rate[a->rate], point));
    }
    free(point);
}
