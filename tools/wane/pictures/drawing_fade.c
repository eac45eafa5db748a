/* Pictures of campaigns: capacity, retention and resistance over the cycles.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "drawing_parts.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "projection/fade_source.h"

/* One quantity over the cycles; scale[i] makes of the file's unit that of the picture. */
struct quantity {
    struct wn_measured (*of_cycle)(const struct wn_cycle_record *r);
    struct wn_measured (*of_check_up)(const struct wn_check_up_record *r);
    unsigned bad; /* flags that make it no valid measurement */
    const char *check_up;
    double scale[DRAWING_SUBJECTS_MAX];
};

static struct wn_measured capacity(const struct wn_cycle_record *r)
{
    return r->capacity_ah;
}

static struct wn_measured resistance(const struct wn_cycle_record *r)
{
    return r->resistance_ohm;
}

static struct wn_measured check_up_capacity(const struct wn_check_up_record *r)
{
    return r->capacity_ah;
}

static struct wn_measured check_up_resistance(const struct wn_check_up_record *r)
{
    return r->resistance_ohm;
}

static void add_bars(const struct drawing_job *j, int i, const struct quantity *q)
{
    struct wn_series *bar = drawing_general(j, WN_SERIES_ERROR, i, "expanded uncertainty (k = 2)");
    for (size_t k = 0; k < j->s[i].cycles.n; k++) {
        const struct wn_cycle_record *r = &j->s[i].cycles.row[k];
        struct wn_measured x = q->of_cycle(r);
        if (isfinite(x.u)) {
            double half = WN_COVERAGE_FACTOR * x.u;
            wn_series_put(j->p, bar, (double)r->cycle, q->scale[i] * (x.value - half),
                          q->scale[i] * (x.value + half));
        }
    }
}

static void add_points(const struct drawing_job *j, int i, const struct quantity *q)
{
    char label[WN_SERIES_LABEL_SIZE];
    struct wn_series *valid = wn_picture_add(
        j->p, WN_SERIES_POINTS, i, drawing_label(j, i, "valid cycle", label, sizeof label));
    struct wn_series *flagged = drawing_general(j, WN_SERIES_HOLLOW, i, "flagged cycle");
    for (size_t k = 0; k < j->s[i].cycles.n; k++) {
        const struct wn_cycle_record *r = &j->s[i].cycles.row[k];
        wn_series_put(j->p, (r->flags & q->bad) ? flagged : valid, (double)r->cycle,
                      q->scale[i] * q->of_cycle(r).value, NAN);
    }
    struct wn_series *square = drawing_general(j, WN_SERIES_SQUARE, i, q->check_up);
    for (size_t k = 0; k < j->s[i].check_ups; k++) {
        const struct wn_check_up_record *r = &j->s[i].check_up[k];
        wn_series_put(j->p, square, (double)r->after_cycle, q->scale[i] * q->of_check_up(r).value,
                      NAN);
    }
}

/* Far below the threshold a projection ends and only repeats its last level: what comes below it is
 * not known, and a level line would be a lie. Within a twentieth of the way from the threshold to
 * its lowest value it is taken as ended; a projection that ends nearer has nothing to hide. */
static double last_level_ah(const struct wn_fade_result *f)
{
    double low_ah = f->threshold_ah;
    for (size_t k = 0; k < f->curve_len; k++) {
        low_ah = fmin(low_ah, f->curve[k].p10_ah);
    }
    return low_ah + 0.05 * (f->threshold_ah - low_ah);
}

/* Many bands over each other hide what is behind them, and the widest one shrinks the rest. */
enum { BANDS_MAX = 3 };

static void say_no_bands(const struct drawing_job *j)
{
    size_t n = strlen(j->p->note);
    bool any = false;
    for (int i = 0; i < j->n; i++) {
        any = any || (j->s[i].projected && j->s[i].fade.curve_len > 0);
    }
    if (any && j->n > BANDS_MAX) {
        (void)snprintf(j->p->note + n, sizeof j->p->note - n,
                       "%smedians only: the bands of more than %d projections cannot be told apart",
                       n > 0 ? "; " : "", BANDS_MAX);
    }
}

static void add_projection(const struct drawing_job *j, int i, double scale)
{
    const struct drawing_subject *s = &j->s[i];
    if (!s->projected || s->fade.curve_len == 0 || s->fade.state == WN_FADE_REACHED) {
        return;
    }
    double end_ah = last_level_ah(&s->fade);
    bool banded = j->n <= BANDS_MAX;
    struct wn_series *band =
        banded ? drawing_general(j, WN_SERIES_BAND, i, "projection, 10 to 90 %") : NULL;
    struct wn_series *median = drawing_general(j, WN_SERIES_MEDIAN, i, "projection, median");
    for (size_t k = 0; k < s->fade.curve_len; k++) {
        const struct wn_fade_curve_point *c = &s->fade.curve[k];
        double low_ah = c->p10_ah > end_ah ? c->p10_ah : 0; /* below the picture */
        wn_series_put(j->p, band, c->cycle, scale * low_ah, scale * c->p90_ah);
        if (c->median_ah > end_ah) {
            wn_series_put(j->p, median, c->cycle, scale * c->median_ah, NAN);
        }
    }
}

/* Limits of the same value are drawn once. */
static bool is_limited(const struct wn_picture *p, double y)
{
    bool drawn = false;
    for (int k = 0; k < p->n && !drawn; k++) {
        drawn = p->series[k].kind == WN_SERIES_LIMIT && p->series[k].n > 0 &&
                fabs(p->series[k].y[0] - y) < 1e-9 * fabs(y);
    }
    return drawn;
}

static void add_limits(const struct drawing_job *j, int i, double scale, const char *unit,
                       int decimals)
{
    char label[WN_SERIES_LABEL_SIZE], x[WN_NUM_SIZE];
    const struct wn_campaign_info *info = &j->s[i].c.info;
    double threshold = scale * info->retention_threshold * info->cell.rated_capacity_ah;
    if (threshold > 0 && !is_limited(j->p, threshold)) {
        (void)snprintf(label, sizeof label, "threshold %s %s",
                       wn_num_fixed(threshold, decimals, x, sizeof x), unit);
        wn_series_put(j->p, wn_picture_add(j->p, WN_SERIES_LIMIT, i, label), 0, threshold, NAN);
    }
    if (info->cell.claim.cycles > 0) {
        double claim = scale * info->cell.claim.min_ah;
        (void)snprintf(label, sizeof label, "claim: %s %s after %lld cycles",
                       wn_num_fixed(claim, decimals, x, sizeof x), unit,
                       (long long)info->cell.claim.cycles);
        wn_series_put(j->p, drawing_general(j, WN_SERIES_MARK, j->n == 1 ? 1 : i, label),
                      (double)info->cell.claim.cycles, claim, NAN);
    }
}

/* A threshold that is everybody's has nobody's colour. */
static void add_all_limits(const struct drawing_job *j, const struct quantity *q, const char *unit,
                           int decimals)
{
    struct wn_series *only = NULL;
    int limits = 0;
    for (int i = 0; i < j->n; i++) {
        add_limits(j, i, q->scale[i], unit, decimals);
    }
    for (int k = 0; k < j->p->n; k++) {
        only = j->p->series[k].kind == WN_SERIES_LIMIT ? &j->p->series[k] : only;
        limits += j->p->series[k].kind == WN_SERIES_LIMIT;
    }
    if (limits == 1) {
        only->colour = -1;
    }
}

/* What is large and light lies behind what is small. */
static void add_all(const struct drawing_job *j, const struct quantity *q, bool projected)
{
    for (int i = 0; i < j->n && projected; i++) {
        add_projection(j, i, q->scale[i]);
    }
    for (int i = 0; i < j->n; i++) {
        add_bars(j, i, q);
    }
    for (int i = 0; i < j->n; i++) {
        add_points(j, i, q);
    }
}

static const struct quantity capacity_quantity = {
    .of_cycle = capacity,
    .of_check_up = check_up_capacity,
    .bad = WN_FLAGS_INVALID,
    .check_up = "check-up, low rate",
};

int drawing_fade(struct drawing_job *j, struct wn_error *err)
{
    struct quantity q = capacity_quantity;
    struct wn_axis *axis = &j->p->y[0];
    double rated_ah = j->s[0].c.info.cell.rated_capacity_ah;
    bool same = rated_ah > 0;
    (void)err;
    for (int i = 0; i < j->n; i++) {
        q.scale[i] = 1;
        same = same && fabs(j->s[i].c.info.cell.rated_capacity_ah - rated_ah) < 1e-9;
    }
    add_all(j, &q, true);
    add_all_limits(j, &q, "Ah", 3);
    (void)snprintf(j->p->x_label, sizeof j->p->x_label, "cycle");
    (void)snprintf(axis->label, sizeof axis->label, "discharged capacity, Ah");
    if (same) {
        axis->right_full = rated_ah;
        (void)snprintf(axis->right_label, sizeof axis->right_label, "of rated capacity");
    }
    say_no_bands(j);
    return WN_OK;
}

/* Capacity that is 100 %; NaN when there is none. */
static double reference_ah(const struct drawing_subject *s, bool of_initial)
{
    struct fade_source points = {.n = 0};
    struct wn_error ignored = {0};
    double rated_ah = s->c.info.cell.rated_capacity_ah;
    if (!of_initial) {
        return rated_ah > 0 ? rated_ah : NAN;
    }
    int rc = fade_points_of(&s->cycles, &points, &ignored);
    double initial_ah = rc == WN_OK ? wn_fade_initial_capacity_ah(points.point, points.n) : NAN;
    free(points.point);
    return initial_ah;
}

int drawing_retention(struct drawing_job *j, struct wn_error *err)
{
    struct quantity q = capacity_quantity;
    bool of_initial = j->choice->of_initial;
    const char *of = of_initial ? "% of initial capacity" : "% of rated capacity";
    for (int i = 0; i < j->n; i++) {
        double full_ah = reference_ah(&j->s[i], of_initial);
        if (!(full_ah > 0)) {
            return of_initial
                       ? wn_error_set(err, WN_EINVAL,
                                      "%s: there is nothing to draw yet: no valid cycle, so no "
                                      "initial capacity is known",
                                      j->s[i].c.info.name)
                       : wn_error_set(err, WN_EINVAL,
                                      "%s: the rated capacity of its cell is not known: draw it "
                                      "with --of initial",
                                      j->s[i].c.info.name);
        }
        q.scale[i] = 100 / full_ah;
    }
    add_all(j, &q, true);
    add_all_limits(j, &q, "%", 1);
    (void)snprintf(j->p->x_label, sizeof j->p->x_label, "cycle");
    (void)snprintf(j->p->y[0].label, sizeof j->p->y[0].label, "discharged capacity, %s", of);
    if (of_initial) {
        (void)snprintf(j->p->note, sizeof j->p->note,
                       "initial: the median of the first five valid cycles");
    }
    say_no_bands(j);
    return WN_OK;
}

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* As the initial capacity: median of the first five that are valid; NaN without any. */
static double initial_resistance_ohm(const struct drawing_subject *s)
{
    double first[5];
    size_t n = 0;
    for (size_t k = 0; k < s->cycles.n && n < 5; k++) {
        const struct wn_cycle_record *r = &s->cycles.row[k];
        if (isfinite(r->resistance_ohm.value) && (r->flags & WN_FLAG_INTERRUPTED) == 0) {
            first[n++] = r->resistance_ohm.value;
        }
    }
    qsort(first, n, sizeof first[0], compare);
    return n > 0 ? first[n / 2] : NAN;
}

int drawing_resistance(struct drawing_job *j, struct wn_error *err)
{
    struct quantity q = {
        .of_cycle = resistance,
        .of_check_up = check_up_resistance,
        .bad = WN_FLAG_INTERRUPTED,
        .check_up = "check-up, two-level pulse",
    };
    struct wn_axis *axis = &j->p->y[0];
    (void)err;
    for (int i = 0; i < j->n; i++) {
        q.scale[i] = 1e3;
    }
    add_all(j, &q, false);
    (void)snprintf(j->p->x_label, sizeof j->p->x_label, "cycle");
    (void)snprintf(axis->label, sizeof axis->label, "DC resistance, mΩ");
    if (j->n == 1) {
        axis->right_full = 1e3 * initial_resistance_ohm(&j->s[0]);
        (void)snprintf(axis->right_label, sizeof axis->right_label, "of the first five cycles");
    }
    return WN_OK;
}
