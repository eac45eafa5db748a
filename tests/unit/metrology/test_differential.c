/* Differential capacity, against a cell whose curve is known in closed form.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "metrology/differential.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/prng.h"
#include "support/near.h"

/* Charge above a voltage: two phases that change over at 3.45 and 3.85 V, and a little in between.
 * Each is a logistic function, whose derivative is known. */
static const struct phase {
    double ah, at_v, width_v;
} phases[] = {{1.2, 3.45, 0.04}, {0.9, 3.85, 0.06}, {0.4, 3.65, 0.12}};

static double charge_above(double v)
{
    double q = 0;
    for (size_t i = 0; i < sizeof phases / sizeof phases[0]; i++) {
        q += phases[i].ah / (1 + exp((v - phases[i].at_v) / phases[i].width_v));
    }
    return q;
}

static double slope_at(double v)
{
    double sum = 0;
    for (size_t i = 0; i < sizeof phases / sizeof phases[0]; i++) {
        double half = cosh((v - phases[i].at_v) / phases[i].width_v / 2);
        sum += phases[i].ah / (4 * phases[i].width_v * half * half);
    }
    return sum;
}

enum { ROOM = 4000 };
static double charge_ah[ROOM], voltage_v[ROOM];
static struct wn_differential d;

/* A discharge from 4.2 to 2.8 V, a reading each step_v. */
static size_t discharge(double step_v, double noise_v)
{
    struct wn_prng g;
    size_t n = 0;
    wn_prng_init(&g, 5);
    for (double v = 4.2; v >= 2.8 - 1e-9; v -= step_v, n++) {
        voltage_v[n] = v + noise_v * (2 * wn_prng_uniform(&g) - 1);
        charge_ah[n] = charge_above(v) - charge_above(4.2);
    }
    return n;
}

static double area_ah(void)
{
    double sum = 0;
    for (size_t i = 0; i < d.n; i++) {
        sum += d.ah_per_v[i] * WN_DIFFERENTIAL_BIN_V;
    }
    return sum;
}

static double greatest_error(void)
{
    double worst = 0;
    for (size_t i = 0; i < d.n; i++) {
        if (d.voltage_v[i] > 2.85 && d.voltage_v[i] < 4.15) {
            worst = fmax(worst, fabs(d.ah_per_v[i] - slope_at(d.voltage_v[i])));
        }
    }
    return worst;
}

/* The highest peak is 7.9 Ah/V. A parabola's window of 25 mV lowers it by window^2 / 40 times its
 * curvature, 0.04 Ah/V. */
static void follows_the_curve(void **state)
{
    struct wn_error err = {0};
    (void)state;
    size_t n = discharge(0.002, 0);
    assert_int_equal(wn_differential(charge_ah, voltage_v, n, 0, &d, &err), WN_OK);
    assert_near(d.step_v, 0.002, 1e-9);
    assert_near(d.window_v, 0.025, 1e-9);
    assert_true(greatest_error() < 0.08);
    assert_near(area_ah(), charge_ah[n - 1], 0.001 * charge_ah[n - 1]);
}

/* As a station stores them: each 5 mV, with the noise of a good instrument. */
static void follows_it_through_noise(void **state)
{
    struct wn_error err = {0};
    (void)state;
    size_t n = discharge(0.005, 0.0003);
    assert_int_equal(wn_differential(charge_ah, voltage_v, n, 0, &d, &err), WN_OK);
    assert_true(greatest_error() < 0.2);
    assert_near(area_ah(), charge_ah[n - 1], 0.002 * charge_ah[n - 1]);
    /* voltage that turns back: noise larger than the step. What counts is the charge. */
    n = discharge(0.001, 0.002);
    assert_int_equal(wn_differential(charge_ah, voltage_v, n, 0.05, &d, &err), WN_OK);
    assert_near(area_ah(), charge_ah[n - 1], 0.002 * charge_ah[n - 1]);
    for (size_t i = 0; i < d.n; i++) {
        assert_true(d.ah_per_v[i] >= 0);
    }
    assert_true(greatest_error() < 0.4);
}

/* The same cell charged: the same curve from the other side. */
static void direction_does_not_matter(void **state)
{
    static double back_ah[ROOM], back_v[ROOM];
    static struct wn_differential other;
    struct wn_error err = {0};
    (void)state;
    size_t n = discharge(0.004, 0);
    for (size_t i = 0; i < n; i++) {
        back_ah[i] = charge_ah[n - 1] - charge_ah[n - 1 - i];
        back_v[i] = voltage_v[n - 1 - i];
    }
    assert_int_equal(wn_differential(charge_ah, voltage_v, n, 0, &d, &err), WN_OK);
    assert_int_equal(wn_differential(back_ah, back_v, n, 0, &other, &err), WN_OK);
    assert_int_equal(d.n, other.n);
    for (size_t i = 0; i < d.n; i++) {
        assert_near(d.ah_per_v[i], other.ah_per_v[i], 1e-9);
        assert_near(d.voltage_v[i], other.voltage_v[i], 1e-12);
    }
}

/* A line 1 Ah over 1 V has the slope 1 in every bin, at the ends as well. */
static void line_is_level(void **state)
{
    struct wn_error err = {0};
    (void)state;
    for (size_t i = 0; i <= 200; i++) {
        voltage_v[i] = 4 - 0.005 * (double)i;
        charge_ah[i] = 0.005 * (double)i;
    }
    assert_int_equal(wn_differential(charge_ah, voltage_v, 201, 0, &d, &err), WN_OK);
    for (size_t i = 1; i + 1 < d.n; i++) {
        assert_near(d.ah_per_v[i], 1, 1e-6);
    }
}

static void refused(size_t n, double window_v, int code, const char *text)
{
    struct wn_error err = {0};
    assert_int_equal(wn_differential(charge_ah, voltage_v, n, window_v, &d, &err), code);
    assert_string_equal(err.text, text);
}

static void sparse_readings_are_refused(void **state)
{
    (void)state;
    size_t n = discharge(0.03, 0);
    refused(n, 0, WN_EINVAL,
            "readings that lie 30.0 mV apart are too sparse for dQ/dV: at most 20 mV (store_change "
            "of the station tells which are kept)");
    refused(29, 0, WN_EINVAL, "29 readings are too few for dQ/dV: at least 30");
    refused(0, 0, WN_EINVAL, "0 readings are too few for dQ/dV: at least 30");
    n = discharge(0.01, 0);
    refused(n, 0.03, WN_EINVAL, "readings lie 10.0 mV apart: smooth over at least 50 mV");
    refused(n, 0.11, WN_ERANGE, "smooth over 5 to 100 mV");
    charge_ah[7] = charge_ah[5];
    refused(n, 0, WN_EINVAL, "reading 8 has no value, or its charge falls");
    voltage_v[3] = NAN;
    refused(n, 0, WN_EINVAL, "reading 4 has no value, or its charge falls");
    for (size_t i = 0; i < 40; i++) {
        voltage_v[i] = 3.7;
        charge_ah[i] = (double)i;
    }
    refused(40, 0, WN_EINVAL, "no charge passed, or its voltage never changed");
    for (size_t i = 0; i < 4000; i++) {
        voltage_v[i] = 0.002 * (double)i;
        charge_ah[i] = (double)i;
    }
    refused(4000, 0, WN_ERANGE, "voltages from 0 to 8 V are no curve of one cell");
}

/* Where it must widen the window by itself, it says so. */
static void window_widens(void **state)
{
    struct wn_error err = {0};
    (void)state;
    size_t n = discharge(0.01, 0);
    assert_int_equal(wn_differential(charge_ah, voltage_v, n, 0, &d, &err), WN_OK);
    assert_near(d.window_v, 0.05, 1e-9);
    assert_int_equal(wn_differential(charge_ah, voltage_v, n, 0.06, &d, &err), WN_OK);
    assert_near(d.window_v, 0.06, 1e-9);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(follows_the_curve),           cmocka_unit_test(follows_it_through_noise),
        cmocka_unit_test(direction_does_not_matter),   cmocka_unit_test(line_is_level),
        cmocka_unit_test(sparse_readings_are_refused), cmocka_unit_test(window_widens),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
