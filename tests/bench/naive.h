/* Naive laws that the projection is measured against: they only serve the bench.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_BENCH_NAIVE_H
#define WN_TESTS_BENCH_NAIVE_H

#include "fade/fade.h"

enum { NAIVE_COUNT = 4 };
#define NAIVE_NAMES "linear_all", "linear_last30", "power", "quadratic"

/** End of life by law k: straight line over all points, over the last 30 %, a - b n^p with p from a
 * grid, a parabola. INFINITY when the law never gets there; never before the last point. */
double naive_life(int k, const struct wn_fade_point *points, size_t n, double threshold_ah);

#endif
