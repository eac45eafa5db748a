/* Least squares as the fitting script uses it: GSL's trust-region solver, restarted in several
 * ways. SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_BENCH_LEAST_SQUARES_H
#define WN_TESTS_BENCH_LEAST_SQUARES_H

#include <gsl/gsl_vector.h>
#include <stddef.h>

typedef int (*least_squares_residuals)(const gsl_vector *x, void *data, gsl_vector *residuals);

/** Minimises the sum of squares of n residuals over p parameters, from x[] to x[].
 * Levenberg-Marquardt with geodesic acceleration off and on and three ways of scaling, central
 * differences, QR; the best end is kept. Returns the norm of its residuals, INFINITY when no way
 * led anywhere. */
double least_squares(double x[], size_t p, size_t n, least_squares_residuals f, void *data,
                     size_t rounds);

#endif
