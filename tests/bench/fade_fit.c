/* Makes lib/fade/rows.inc: fits the fade shape to every finished life of the training curves.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * usage: fade_fit REFERENCE_DIR > lib/fade/rows.inc
 * Levenberg-Marquardt of GSL from six starts on at most 48 medians per life; weak priors keep
 * parameters that the curve says nothing about at usual values. What ships are these numbers, not
 * the curves. */
#include <gsl/gsl_errno.h>
#include <gsl/gsl_vector.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/num.h"
#include "bench/curves.h"
#include "bench/least_squares.h"
#include "fade/internal.h"

enum { PARAMETERS = 6 };
static const double usual[PARAMETERS] = {0, 0, -0.16, 0.8, -2.3, 0};
static const double spread[PARAMETERS] = {0.1, 4, 0.8, 0.4, 1.2, 0.1};

struct task {
    int bins;
    double u[WN_FADE_BINS], y[WN_FADE_BINS];
};

static struct wn_fade_shape unpack(const gsl_vector *x)
{
    struct wn_fade_shape p = {
        .w = (1 / (1 + exp(-gsl_vector_get(x, 1)))),
        .b = exp(fmin(1.1, fmax(-1.2, gsl_vector_get(x, 2)))),
        .c = fmin(1.1, fmax(0.15, gsl_vector_get(x, 3))),
        .s = exp(fmin(-0.9, fmax(-4.2, gsl_vector_get(x, 4)))),
        .r = fmin(0.4, fmax(-0.1, gsl_vector_get(x, 5))),
    };
    return p;
}

static int residuals(const gsl_vector *x, void *data, gsl_vector *f)
{
    const struct task *t = data;
    struct wn_fade_shape p = unpack(x);
    size_t k = 0;
    for (int i = 0; i < t->bins; i++)
        gsl_vector_set(
            f, k++, (t->y[i] - (1 + gsl_vector_get(x, 0)) * wn_fade_shape_at(&p, t->u[i])) / 0.01);
    for (size_t i = 0; i < PARAMETERS; i++)
        gsl_vector_set(f, k++, 0.3 * (gsl_vector_get(x, i) - usual[i]) / spread[i]);
    return GSL_SUCCESS;
}

static double fit(struct task *t, const double start[PARAMETERS], struct wn_fade_shape *best)
{
    double x[PARAMETERS];
    memcpy(x, start, sizeof x);
    double norm = least_squares(x, PARAMETERS, (size_t)t->bins + PARAMETERS, residuals, t, 100);
    gsl_vector_const_view view = gsl_vector_const_view_array(x, PARAMETERS);
    *best = unpack(&view.vector);
    return norm;
}

static void fit_curve(const struct curve *c)
{
    static const double knees[3] = {0.5, 0.8, 0.97};
    size_t n = 0;
    while (n < c->n && c->points[n].cycle <= c->life * 1.0001)
        n++;
    struct wn_fade_digest d;
    wn_fade_digest(c->points, n, 1e-9, &d); /* a threshold that is never reached */
    struct task t = {.bins = d.bins};
    for (int i = 0; i < d.bins; i++) {
        t.u[i] = d.cycle[i] / c->life;
        t.y[i] = (d.capacity_ah[i] - c->threshold_ah) / (d.start_ah - c->threshold_ah);
    }
    struct wn_fade_shape best = {0}, now;
    double least = INFINITY;
    for (int k = 0; k < 6; k++) {
        double start[PARAMETERS];
        memcpy(start, usual, sizeof start);
        start[1] = k % 2 ? 2 : -1;
        start[3] = knees[k / 2];
        double norm = fit(&t, start, &now);
        if (norm < least) {
            least = norm;
            best = now;
        }
    }
    char text[8][WN_NUM_SIZE];
    const double out[8] = {best.w, best.b,  best.c,     best.s,
                           best.r, c->life, d.start_ah, 1 - c->threshold_ah / d.start_ah};
    for (int i = 0; i < 8; i++)
        wn_num_format(out[i], 4, text[i], sizeof text[i]);
    printf("{%d, %d, {%s, %s, %s, %s, %s}, %s, %s, %s},\n", c->family, c->cell, text[0], text[1],
           text[2], text[3], text[4], text[5], text[6], text[7]);
    fprintf(stderr, "%s %s: residual %.4f of the way\n", curves_family(c->family), c->name,
            0.01 * least / sqrt(d.bins));
}

int main(int argc, char **argv)
{
    static struct curves all;
    const char *dirs[CURVES_DIRS] = {argc >= 2 ? argv[1] : NULL, argc >= 3 ? argv[2] : NULL};
    if (argc < 2 || argc > 3 || !curves_load(&all, dirs, 1)) {
        fputs("usage: fade_fit REFERENCE_DIR [MORE_DIR] (with fade/ in them)\n", stderr);
        return 2;
    }
    puts("/* Made by tests/bench/fade_fit.c from the open curves listed in "
         "conf/fade/PROVENANCE.md: do not edit.\n"
         " * SPDX-License-Identifier: GPL-3.0-or-later\n"
         " * family, cell, {w, b, c, s, r}, life in cycles, initial capacity in Ah, depth of the "
         "threshold */");
    for (int i = 0; i < all.count; i++)
        if (all.at[i].family < wn_fade_family_count)
            fit_curve(&all.at[i]);
    curves_free(&all);
    return 0;
}
