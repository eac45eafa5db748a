/* Drifting errors of the projection: their independent parts against the inverse of the covariance
 * they stand for, by GSL's Cholesky decomposition. SPDX-License-Identifier: GPL-3.0-or-later */
#include <gsl/gsl_linalg.h>
#include <math.h>

#include "base/prng.h"
#include "fade/internal.h"
#include "support/near.h"

enum { DRAWS = 20, SEED = 31 };
#define TOLERANCE 2e-5 /* single precision, 48 terms */

/** Sum of squares of the independent parts. */
static double of_parts(const struct wn_fade_digest *d, double correlation, const double *error)
{
    struct wn_fade_drift drift;
    double sum = 0;
    wn_fade_drift_init(&drift, d, correlation);
    for (int i = 0; i < d->bins; i++) {
        double before = i > 0 ? error[i - 1] : 0;
        double part = (double)drift.gain[i] * (error[i] - (double)drift.carry[i] * before);
        sum += part * part;
    }
    return sum;
}

/** error' K^-1 error, K the correlation of any two errors. */
static double of_covariance(const struct wn_fade_digest *d, double correlation, const double *error)
{
    size_t n = (size_t)d->bins;
    double k[WN_FADE_BINS * WN_FADE_BINS], solved[WN_FADE_BINS], sum = 0;
    for (size_t i = 0; i < n; i++)
        for (size_t j = 0; j < n; j++)
            k[i * n + j] =
                pow(correlation, WN_FADE_BINS * fabs(d->cycle[i] - d->cycle[j]) / d->last_cycle);
    gsl_matrix_view matrix = gsl_matrix_view_array(k, n, n);
    gsl_vector_const_view right = gsl_vector_const_view_array(error, n);
    gsl_vector_view out = gsl_vector_view_array(solved, n);
    assert_int_equal(gsl_linalg_cholesky_decomp1(&matrix.matrix), 0);
    assert_int_equal(gsl_linalg_cholesky_solve(&matrix.matrix, &right.vector, &out.vector), 0);
    for (size_t i = 0; i < n; i++)
        sum += error[i] * solved[i];
    return sum;
}

static void check(struct wn_prng *r, double correlation)
{
    struct wn_fade_digest d = {.bins = 2 + (int)wn_prng_below(r, WN_FADE_BINS - 1)};
    double error[WN_FADE_BINS];
    for (int i = 0; i < d.bins; i++) { /* uneven, as check-ups are */
        d.cycle[i] = (i > 0 ? d.cycle[i - 1] : 0) + 15 + 16 * wn_prng_uniform(r);
        error[i] = wn_prng_normal(r);
    }
    d.last_cycle = d.cycle[d.bins - 1];
    double parts = of_parts(&d, correlation, error), all = of_covariance(&d, correlation, error);
    assert_near(parts, all, TOLERANCE * all);
}

static void parts_are_those_of_the_covariance(void **state)
{
    static const double correlations[] = {0.3, 0.8, 0.95, 0.99};
    struct wn_prng r;
    (void)state;
    wn_prng_init(&r, SEED);
    for (int i = 0; i < DRAWS; i++)
        check(&r, correlations[i % 4]);
}

/* Two check-ups on two days differ by their scatter: that must not look like a leap of the drift.
 */
static void neighbours_may_scatter(void **state)
{
    struct wn_fade_digest d = {.bins = 3, .last_cycle = 1001, .cycle = {500, 1000, 1001}};
    struct wn_fade_drift drift;
    (void)state;
    wn_fade_drift_init(&drift, &d, 0.95);
    assert_true(drift.gain[2] < 5);
    assert_near(drift.carry[2], sqrt(0.95), 1e-6);
}

static void without_correlation_errors_stand_alone(void **state)
{
    struct wn_fade_digest d = {.bins = 3, .last_cycle = 30, .cycle = {10, 20, 30}};
    const double error[] = {1, 2, 3};
    (void)state;
    assert_near(of_parts(&d, 0, error), 14, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(parts_are_those_of_the_covariance),
        cmocka_unit_test(neighbours_may_scatter),
        cmocka_unit_test(without_correlation_errors_stand_alone),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
