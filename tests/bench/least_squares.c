/* Least squares as the fitting script uses it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/least_squares.h"

#include <gsl/gsl_blas.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit_nlinear.h>
#include <math.h>

double least_squares(double x[], size_t p, size_t n, least_squares_residuals f, void *data,
                     size_t rounds)
{
    const gsl_multifit_nlinear_trs *const steps[] = {gsl_multifit_nlinear_trs_lm,
                                                     gsl_multifit_nlinear_trs_lmaccel};
    const gsl_multifit_nlinear_scale *const scales[] = {gsl_multifit_nlinear_scale_more,
                                                        gsl_multifit_nlinear_scale_marquardt,
                                                        gsl_multifit_nlinear_scale_levenberg};
    gsl_vector *start = gsl_vector_alloc(p);
    double least = INFINITY;
    gsl_error_handler_t *kept = gsl_set_error_handler_off();
    for (size_t i = 0; i < p; i++)
        gsl_vector_set(start, i, x[i]);
    for (size_t way = 0; way < 6; way++) {
        gsl_multifit_nlinear_parameters options = gsl_multifit_nlinear_default_parameters();
        options.trs = steps[way / 3];
        options.scale = scales[way % 3];
        options.fdtype = GSL_MULTIFIT_NLINEAR_CTRDIFF;
        options.h_df = 1e-6;
        gsl_multifit_nlinear_workspace *work =
            gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &options, n, p);
        gsl_multifit_nlinear_fdf fdf = {.f = f, .n = n, .p = p, .params = data};
        int info;
        if (gsl_multifit_nlinear_init(start, &fdf, work) == GSL_SUCCESS) {
            gsl_multifit_nlinear_driver(rounds, 1e-12, 1e-14, 0, NULL, NULL, &info, work);
            double norm = gsl_blas_dnrm2(gsl_multifit_nlinear_residual(work));
            if (norm < least) {
                least = norm;
                for (size_t i = 0; i < p; i++)
                    x[i] = gsl_vector_get(gsl_multifit_nlinear_position(work), i);
            }
        }
        gsl_multifit_nlinear_free(work);
    }
    gsl_set_error_handler(kept);
    gsl_vector_free(start);
    return least;
}
