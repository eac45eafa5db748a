/* The rise of resistance, and which end comes first.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The way of a resistance from its start to the threshold is mapped to a capacity that falls from
 * FULL to EMPTY, a depth of fade of 20 % as the library knows it, and projected by the same method.
 *
 * Temperature: over a few tens of kelvin the resistance of a cell follows Arrhenius' law (1889), ln
 * R linear in 1/T. How steeply depends on the cell, so no value from elsewhere is used: ageing
 * hardly moves from one cycle to the next, so the slope is the median, over neighbouring cycles
 * whose temperature differs, of d ln R / d (1/T). */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "fade/fade.h"
#include "fade/internal.h"
#include "metrology/cycle.h"

#define FULL          5.0
#define EMPTY         4.0
#define ZERO_C_K      273.15
#define STEP_MIN_K    1.0  /* between neighbours, to learn from them */
#define COEFFICIENT_K 9000 /* most that is believed: an activation energy of 75 kJ/mol */
enum { PAIRS_MIN = 8, PAIRS_MAX = 512 };

static int rising(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double median(double *v, size_t n)
{
    qsort(v, n, sizeof v[0], rising);
    return n % 2 ? v[n / 2] : (v[n / 2 - 1] + v[n / 2]) / 2;
}

static bool measured(const struct wn_fade_point *p)
{
    return (p->flags & WN_FLAGS_INVALID) == 0 && p->resistance_ohm > 0 &&
           isfinite(p->resistance_ohm);
}

static double inverse_k(const struct wn_fade_point *p)
{
    return 1 / (p->temperature_c + ZERO_C_K);
}

/** Slope of ln R over 1/T, and the temperature that lies in the middle; 0 when there is nothing to
 * learn. At most PAIRS_MAX pairs, the latest of a long campaign. */
static double learn(const struct wn_fade_point *points, size_t n, double *reference_c)
{
    double slope[PAIRS_MAX], temperature_c[PAIRS_MAX];
    size_t pairs = 0;
    const struct wn_fade_point *last = NULL;
    for (size_t i = n; i-- > 0 && pairs < PAIRS_MAX;) {
        const struct wn_fade_point *p = &points[i];
        if (!measured(p) || !isfinite(p->temperature_c))
            continue;
        if (last != NULL && fabs(p->temperature_c - last->temperature_c) >= STEP_MIN_K) {
            slope[pairs] =
                log(p->resistance_ohm / last->resistance_ohm) / (inverse_k(p) - inverse_k(last));
            temperature_c[pairs++] = p->temperature_c;
        }
        last = p;
    }
    if (pairs < PAIRS_MIN)
        return 0;
    *reference_c = median(temperature_c, pairs);
    return fmin(COEFFICIENT_K, fmax(0, median(slope, pairs)));
}

static void correct(const struct wn_fade_point *points, size_t n, struct wn_fade_resistance *out,
                    struct wn_fade_point *to, size_t *kept)
{
    double reference_c = NAN;
    out->coefficient_k = learn(points, n, &reference_c);
    out->reference_c = out->coefficient_k > 0 ? reference_c : NAN;
    *kept = 0;
    for (size_t i = 0; i < n; i++) {
        struct wn_fade_point p = points[i];
        if (!measured(&p) || (out->coefficient_k > 0 && !isfinite(p.temperature_c)))
            continue;
        p.capacity_ah = p.resistance_ohm;
        if (out->coefficient_k > 0)
            p.capacity_ah *=
                exp(-out->coefficient_k * (inverse_k(&p) - 1 / (reference_c + ZERO_C_K)));
        to[(*kept)++] = p;
    }
}

/** From the falling scale of the method back to ohm. */
static double to_ohm(const struct wn_fade_resistance *r, double scaled)
{
    return r->threshold_ohm -
           (scaled - EMPTY) / (FULL - EMPTY) * (r->threshold_ohm - r->initial_ohm);
}

static void curve_to_ohm(struct wn_fade_resistance *r)
{
    for (size_t i = 0; i < r->life.curve_len; i++) {
        struct wn_fade_curve_point *c = &r->life.curve[i];
        double low = to_ohm(r, c->p90_ah);
        c->p90_ah = to_ohm(r, c->p10_ah);
        c->p10_ah = low;
        c->median_ah = to_ohm(r, c->median_ah);
    }
    r->life.threshold_ah = NAN;
}

/** No row of the library is a resistance, and it is measured coarsely: rough lines and rough lives
 * are leaned on more, precise lives hardly at all. */
static struct wn_fade_tuning coarse(void)
{
    struct wn_fade_tuning t = wn_fade_tuning;
    t.group[WN_FADE_REAL].mass = 0.02;
    t.group[WN_FADE_REAL_ROUGH].mass = 0.1;
    t.group[WN_FADE_LINE_ROUGH].mass = 0.3;
    t.group[WN_FADE_LINE_ROUGH].slope = 2.2;
    t.risen = 0.5; /* many fall at first */
    return t;
}

int wn_fade_project_resistance(const struct wn_fade_point *points, size_t n, double rise,
                               struct wn_fade_point *scratch, struct wn_fade_resistance *out,
                               struct wn_error *err)
{
    size_t kept = 0;
    if (!(rise > 0) || !isfinite(rise))
        return wn_error_set(err, WN_EINVAL, "the rise of resistance must be positive");
    int rc = wn_fade_check(points, n, EMPTY, err);
    if (rc != WN_OK)
        return rc;
    *out = (struct wn_fade_resistance){.initial_ohm = NAN, .threshold_ohm = NAN};
    correct(points, n, out, scratch, &kept);
    if (kept == 0) {
        out->life = (struct wn_fade_result){.eol_median_cycle = NAN,
                                            .eol_p10_cycle = NAN,
                                            .eol_p90_cycle = NAN,
                                            .crossed_at_cycle = NAN,
                                            .threshold_ah = NAN,
                                            .cycles_left_out = n};
        snprintf(out->life.reason, sizeof out->life.reason, "no resistance was measured");
        return WN_OK;
    }
    out->initial_ohm = wn_fade_initial_capacity_ah(scratch, kept); /* ohm for now */
    out->threshold_ohm = (1 + rise) * out->initial_ohm;
    for (size_t i = 0; i < kept; i++)
        scratch[i].capacity_ah = FULL - (FULL - EMPTY) *
                                            (scratch[i].capacity_ah - out->initial_ohm) /
                                            (out->threshold_ohm - out->initial_ohm);
    const struct wn_fade_tuning tuning = coarse();
    const struct wn_fade_use use = wn_fade_use_of(NULL);
    rc = wn_fade_project_tuned(scratch, kept, EMPTY, &tuning, &use, true, &out->life, err);
    out->life.cycles_left_out += n - kept;
    curve_to_ohm(out);
    return rc;
}

void wn_fade_first_of(const struct wn_fade_result *a, const struct wn_fade_result *b,
                      struct wn_fade_result *out, bool *second)
{
    bool has_a = a->state != WN_FADE_NOT_YET_PREDICTABLE;
    bool has_b = b->state != WN_FADE_NOT_YET_PREDICTABLE;
    *second = has_b && (!has_a || b->eol_median_cycle < a->eol_median_cycle);
    *out = *second ? *b : *a;
    if (has_a && has_b) {
        out->eol_p10_cycle = fmin(a->eol_p10_cycle, b->eol_p10_cycle);
        out->eol_p90_cycle = fmin(a->eol_p90_cycle, b->eol_p90_cycle);
    }
}
