/* The noise model of the projection, and the tails of a life, against a table of Student's t.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * With its size integrated out, noise about a shape that is worth one point has Student's t: the
 * share of it below each quantile of the table (standards/student_t.tsv of the reference directory,
 * which rounds to the printed NIST/SEMATECH e-Handbook of Statistical Methods, table 1.3.6.7.2)
 * must be the share the table says. Skipped without. */
#include <math.h>
#include <string.h>

#include "base/num.h"
#include "fade/internal.h"
#include "support/near.h"
#include "support/reference.h"

enum { SHARES = 6, STEPS = 4000, TAIL_DOF = 3 };
#define TABLE     "standards/student_t.tsv"
#define SIGMA     0.02 /* in shares of the way to the threshold, as the method has it */
#define TOLERANCE 5e-7 /* of a share; the densities are of single precision */

/** Area under the density from the middle to t, in units of the scale; Simpson over atan(t). */
static double area(const struct wn_fade_noise *noise, double t)
{
    double end = atan(t), step = end / STEPS, sum = 0;
    double top = (double)wn_fade_noise_log(noise, 0);
    for (int i = 0; i <= STEPS; i++) {
        double at = fmin(tan(i * step), 1e9), off = at * SIGMA;
        double density = exp((double)wn_fade_noise_log(noise, (float)(off * off)) - top);
        double weight = i == 0 || i == STEPS ? 1 : i % 2 ? 4 : 2;
        sum += weight * density * (1 + at * at);
    }
    return sum * step / 3;
}

static void check_row(double dof, const double share[SHARES], const double t[SHARES])
{
    struct wn_fade_noise noise;
    wn_fade_noise_init(&noise, dof, SIGMA, 1);
    double half = area(&noise, tan(acos(-1) / 2 - 1e-6));
    for (int k = 0; k < SHARES; k++) {
        assert_near(0.5 + 0.5 * area(&noise, t[k]) / half, share[k], TOLERANCE);
    }
}

/* The tails of a projected life are those of three degrees of freedom. */
static void check_tails(const double share[SHARES], const double t[SHARES])
{
    struct wn_fade_result r = {.eol_p10_cycle = 400, .eol_median_cycle = 500, .eol_p90_cycle = 800};
    double late = log(r.eol_p90_cycle / r.eol_median_cycle);
    double early = log(r.eol_median_cycle / r.eol_p10_cycle);
    for (int k = 0; k < SHARES; k++) {
        double far = t[k] / t[0]; /* of the way to the quantile of 0.9 */
        double after = r.eol_median_cycle * exp(far * late);
        double before = r.eol_median_cycle * exp(-far * early);
        assert_near(wn_fade_longer(&r, after), 1 - share[k], TOLERANCE);
        assert_near(wn_fade_longer(&r, before), share[k], TOLERANCE);
    }
}

static void noise_is_as_wide_as_students_t(void **state)
{
    (void)state;
    FILE *f = reference_open(TABLE);
    char line[256];
    double share[SHARES], row[SHARES + 1];
    int rows = 0;
    bool tails = false;
    while (fgets(line, sizeof line, f) != NULL) {
        for (char *tab = line; (tab = strchr(tab, '\t')) != NULL;) {
            *tab = ',';
        }
        if (reference_row(line, row, SHARES + 1) != SHARES + 1) {
            continue; /* the remark */
        }
        if (isnan(row[0]) && rows == 0) {
            memcpy(share, row + 1, sizeof share);
        } else if (isfinite(row[0])) {
            check_row(row[0], share, row + 1);
            if ((int)row[0] == TAIL_DOF) {
                assert_near(share[0], 0.9, 0);
                check_tails(share, row + 1);
                tails = true;
            }
            rows++;
        }
    }
    (void)fclose(f);
    assert_true(rows > 30 && tails);
}

int main(void)
{
    if (reference_is_missing(TABLE)) {
        return REFERENCE_SKIPPED;
    }
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(noise_is_as_wide_as_students_t),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
