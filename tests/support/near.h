/* Comparison of doubles for tests; cmocka's own compares in single precision.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_NEAR_H
#define WN_TESTS_NEAR_H

#include <math.h>
#include <stdarg.h>
#include <stddef.h>
#include <setjmp.h>
#include <stdint.h>
#include <cmocka.h>

static inline void wn_assert_near(double got, double want, double tol, const char *what,
                                  const char *file, int line)
{
    if (!(isfinite(got) && fabs(got - want) <= tol)) {
        print_error("%s: got %.17g, want %.17g within %g\n", what, got, want, tol);
        _fail(file, line);
    }
}

/** Fails the test unless got is finite and |got - want| <= tol. */
#define assert_near(got, want, tol) wn_assert_near((got), (want), (tol), #got, __FILE__, __LINE__)

#endif
