/* Uncertainty and resistance: worked by hand, and against Monte Carlo through the integrator.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The method is the law of propagation of JCGM 100:2008 (GUM) 5.1.2 with rectangular inputs
 * (4.3.7), from memory; JCGM 101:2008 is the Monte-Carlo method it is checked with, from memory. */
#include "wave.h"

#include <stdio.h>
#include <stdlib.h>

#include "base/prng.h"

static uint64_t seed;

/* 0.05 % + 1 mV, 0.1 % + 5 mA, 50 ppm. */
static const struct wn_accuracy tester = {.voltage_reading = 0.0005,
                                          .voltage_fixed_v = 0.001,
                                          .current_reading = 0.001,
                                          .current_fixed_a = 0.005,
                                          .temperature_c = 1,
                                          .time_reading = 50e-6};

/* 2.5 Ah at 10 A in 900 s to 2.5 V, falling 2 mV/s at the end. Half-widths in Ah:
 *   current  0.001 x 2.5 + 0.005 x 900 / 3600   = 0.003 75
 *   time     50e-6 x 2.5                        = 0.000 125
 *   cut-off  (0.0005 x 2.5 + 0.001) V x 10 A / 0.002 V/s / 3600 = 0.003 125
 * u = sqrt((0.00375^2 + 0.000125^2 + 0.003125^2) / 3) = sqrt(23.84375e-6 / 3) = 0.002 819 205 Ah */
static void capacity_by_hand(void **state)
{
    (void)state;
    assert_near(wn_capacity_uncertainty_ah(2.5, 10, 900, 2.5, 0.002, &tester), 0.002819205, 5e-10);
    assert_near(wn_capacity_uncertainty_ah(2.5, -10, 900, 2.5, -0.002, &tester), 0.002819205,
                5e-10);
    /* without a slope: sqrt((0.00375^2 + 0.000125^2) / 3) */
    const double no_cutoff = 0.002166266;
    assert_near(wn_capacity_uncertainty_ah(2.5, 10, 900, 2.5, 0, &tester), no_cutoff, 5e-10);
    assert_near(wn_capacity_uncertainty_ah(2.5, 10, 900, 2.5, NAN, &tester), no_cutoff, 5e-10);
    assert_near(wn_capacity_uncertainty_ah(2.5, 10, 900, NAN, 0.002, &tester), no_cutoff, 5e-10);
    assert_true(isnan(wn_capacity_uncertainty_ah(NAN, 10, 900, 2.5, 0.002, &tester)));
}

/* The same discharge at a mean of 3.3 V: 8.25 Wh. Half-widths in Wh:
 *   current  3.3 x 0.00375                               = 0.012 375
 *   time     50e-6 x 8.25                                = 0.000 412 5
 *   voltage  2.5 x (0.0005 x 3.3 + 0.001)                = 0.006 625
 *   cut-off  2.5 V x 0.003125 Ah = 0.007 812 5, added to the voltage: 0.014 437 5 */
static void energy_by_hand(void **state)
{
    (void)state;
    assert_near(wn_energy_uncertainty_wh(8.25, 3.3, 10, 900, &tester),
                sqrt((0.012375 * 0.012375 + 0.0004125 * 0.0004125 + 0.006625 * 0.006625) / 3),
                1e-12);
    assert_near(wn_energy_uncertainty_to_cutoff_wh(8.25, 3.3, -10, 900, 2.5, -0.002, &tester),
                sqrt((0.012375 * 0.012375 + 0.0004125 * 0.0004125 + 0.0144375 * 0.0144375) / 3),
                1e-12);
    assert_near(wn_energy_uncertainty_to_cutoff_wh(8.25, 3.3, 10, 900, NAN, 0.002, &tester),
                wn_energy_uncertainty_wh(8.25, 3.3, 10, 900, &tester), 1e-15);
}

/* Rated 2.5 Ah: 0.2 It = 0.5 A gives 4.100 V, 1 It = 2.5 A gives 4.040 V: 60 mV / 2 A = 30 mohm.
 * Half-widths: 3.05 and 3.02 mV, 5.5 and 7.5 mA.
 *   u(dU) = sqrt((3.05^2 + 3.02^2) / 3) = 2.478 097 mV;  u(dI) = sqrt((5.5^2 + 7.5^2) / 3) = 5.369
 * 668 mA u(R) = sqrt(u(dU)^2 + (R u(dI))^2) / dI = sqrt(2.478097^2 + 0.161090^2) / 2 = 1.241 664
 * mohm */
static void two_level_by_hand(void **state)
{
    (void)state;
    struct wn_measured r = wn_resistance_two_level(4.1, 0.5, 4.04, 2.5, &tester);
    assert_near(r.value, 0.03, 1e-15);
    assert_near(r.u, 1.241664e-3, 1e-9);
    const double bad[][4] = {{4.1, 2.5, 4.04, 2.5},     {4.1, 2.5, 4.04, 0.5},
                             {NAN, 0.5, 4.04, 2.5},     {4.1, NAN, 4.04, 2.5},
                             {4.1, 0.5, INFINITY, 2.5}, {4.1, 0.5, 4.04, NAN}};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        r = wn_resistance_two_level(bad[i][0], bad[i][1], bad[i][2], bad[i][3], &tester);
        assert_true(isnan(r.value) && isnan(r.u));
    }
}

/* From rest at 4.15 V to 3.95 V at -10 A: 20 mohm; half-widths 3.075, 2.975 mV, 5, 15 mA. */
static void one_step_by_hand(void **state)
{
    (void)state;
    struct wn_measured r = wn_resistance_one_step(4.15, 0, 3.95, -10, &tester);
    double want = sqrt((3.075e-3 * 3.075e-3 + 2.975e-3 * 2.975e-3) / 3 +
                       0.02 * 0.02 * (0.005 * 0.005 + 0.015 * 0.015) / 3) /
                  10;
    assert_near(r.value, 0.02, 1e-15);
    assert_near(r.u, want, 1e-12);
    r = wn_resistance_one_step(3.5, 0, 3.58, 4, &tester); /* the other way round: charging */
    assert_near(r.value, 0.02, 1e-15);
    r = wn_resistance_one_step(4.15, 0, 4.15, 0, &tester);
    assert_true(isnan(r.value) && isnan(r.u));
    r = wn_resistance_one_step(NAN, 0, 3.95, -10, &tester);
    assert_true(isnan(r.value) && isnan(r.u));
}

static void slope_of_a_line(void **state)
{
    (void)state;
    struct wn_reading r[8];
    const wn_ns start = 400 * 86400 * WN_NS_PER_S; /* late in a long campaign */
    for (int i = 0; i < 8; i++) {
        r[i] = reading_ns(start + i * i * WN_NS_PER_MS, 3 - 0.0025 * i * i * 1e-3, -2);
    }
    assert_near(wn_slope_v_per_s(r, 8), -0.0025, 1e-11);
    assert_near(wn_slope_v_per_s(r, 2), -0.0025, 1e-9);
    assert_true(isnan(wn_slope_v_per_s(r, 1)) && isnan(wn_slope_v_per_s(r, 0)));
    r[1].time_ns = r[0].time_ns;
    assert_true(isnan(wn_slope_v_per_s(r, 2)));
    /* least squares of (0, 0) (1, 2) (2, 1): slope 1/2 */
    r[0] = reading(0, 0, 0);
    r[1] = reading(1, 2, 0);
    r[2] = reading(2, 1, 0);
    assert_near(wn_slope_v_per_s(r, 3), 0.5, 1e-12);
}

/* One unknown but constant error of an instrument: rectangular, of half-width g x + f. */
static double error_of(double unit, double g, double f, double x)
{
    return unit * (g * x + f);
}

static double rectangular(struct wn_prng *p)
{
    return 2 * wn_prng_uniform(p) - 1;
}

/* Standard deviation of a sample around zero mean error. */
struct spread {
    double sum, squares;
    int n;
};

static void spread_add(struct spread *s, double x)
{
    s->sum += x;
    s->squares += x * x;
    s->n++;
}

static double spread_value(const struct spread *s)
{
    double mean = s->sum / s->n;
    return sqrt(s->squares / s->n - mean * mean);
}

/* A true discharge at 10 A, 4.1 V falling 2 mV/s, seen through instruments with an error
 * each, integrated to where the voltmeter shows 2.5 V. */
static void monte_carlo_of_a_discharge(void **state)
{
    (void)state;
    enum { DRAWS = 40000 };
    struct wn_prng prng;
    struct spread capacity = {0, 0, 0}, energy = {0, 0, 0};
    wn_prng_init(&prng, seed);
    for (int k = 0; k < DRAWS; k++) {
        double ev = rectangular(&prng), ei = rectangular(&prng), et = rectangular(&prng);
        struct wn_integrator_setup setup = discharge_to(2.5);
        struct wn_integrator g;
        setup.gap_max_s = INFINITY;
        wn_integrator_init(&g, &setup);
        for (int i = 0; i < 10; i++) {
            double t = 100 * i, v = 4.1 - 0.002 * t;
            (void)add(&g, t * (1 + et * tester.time_reading),
                      v + error_of(ev, tester.voltage_reading, tester.voltage_fixed_v, v),
                      -(10 + error_of(ei, tester.current_reading, tester.current_fixed_a, 10)));
        }
        struct wn_step_sums s = sums_of(&g);
        assert_int_equal(s.crossed, 1);
        spread_add(&capacity, s.end_charge_ah - 10 * 800 / 3600.0);
        spread_add(&energy, s.end_energy_wh - 10 * 800 * 3.3 / 3600);
    }
    double u_q = wn_capacity_uncertainty_ah(10 * 800 / 3600.0, 10, 800, 2.5, 0.002, &tester);
    double u_e = wn_energy_uncertainty_to_cutoff_wh(10 * 800 * 3.3 / 3600, 3.3, 10, 800, 2.5, 0.002,
                                                    &tester);
    print_message("capacity u %.6f Ah, Monte Carlo %.6f; energy u %.6f Wh, Monte Carlo %.6f\n", u_q,
                  spread_value(&capacity), u_e, spread_value(&energy));
    assert_near(spread_value(&capacity), u_q, 0.015 * u_q); /* 0.35 % is one sigma of the spread */
    assert_near(spread_value(&energy), u_e, 0.015 * u_e);
}

static void monte_carlo_of_a_resistance(void **state)
{
    (void)state;
    enum { DRAWS = 200000 };
    struct wn_prng prng;
    struct spread two = {0, 0, 0};
    wn_prng_init(&prng, seed + 1);
    for (int k = 0; k < DRAWS; k++) {
        double v[2] = {4.1, 4.04}, i[2] = {0.5, 2.5};
        for (int j = 0; j < 2; j++) {
            v[j] +=
                error_of(rectangular(&prng), tester.voltage_reading, tester.voltage_fixed_v, v[j]);
            i[j] +=
                error_of(rectangular(&prng), tester.current_reading, tester.current_fixed_a, i[j]);
        }
        spread_add(&two, wn_resistance_two_level(v[0], i[0], v[1], i[1], &tester).value);
    }
    double u = wn_resistance_two_level(4.1, 0.5, 4.04, 2.5, &tester).u;
    print_message("two-level u %.4f mohm, Monte Carlo %.4f\n", u * 1e3, spread_value(&two) * 1e3);
    assert_near(spread_value(&two), u, 0.01 * u);
}

int main(void)
{
    const char *text = getenv("SEED");
    seed = text != NULL ? strtoull(text, NULL, 10) : 20260501;
    (void)printf("SEED=%llu\n", (unsigned long long)seed);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(capacity_by_hand),
        cmocka_unit_test(energy_by_hand),
        cmocka_unit_test(two_level_by_hand),
        cmocka_unit_test(one_step_by_hand),
        cmocka_unit_test(slope_of_a_line),
        cmocka_unit_test(monte_carlo_of_a_discharge),
        cmocka_unit_test(monte_carlo_of_a_resistance),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
