/* Calibration and budgets: worked by hand, and against Monte Carlo through the integrator.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Monte Carlo after JCGM 101:2008, propagation after JCGM 100:2008, both from memory. */
#include "wave.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/prng.h"
#include "metrology/calibration.h"

static uint64_t seed;

/* 0.05 % + 1 mV, 0.1 % + 5 mA, 1 K, 50 ppm. */
static const struct wn_accuracy tester = {.voltage_reading = 0.0005,
                                          .voltage_fixed_v = 0.001,
                                          .current_reading = 0.001,
                                          .current_fixed_a = 0.005,
                                          .temperature_c = 1,
                                          .time_reading = 50e-6};

#define DAY (INT64_C(86400) * 1000000)
enum { JAN = 20454, MAY = 20574 }; /* 2026-01-01 and 2026-05-01, days since 1970 */

static struct wn_calibration calibration(void)
{
    struct wn_calibration c;
    wn_calibration_init(&c);
    c.line[WN_QUANTITY_VOLTAGE] = (struct wn_calibration_line){.known = true,
                                                               .gain = 1.0002,
                                                               .offset = -0.003,
                                                               .expanded = 0.0004,
                                                               .coverage_factor = 2,
                                                               .drift = 0.0005,
                                                               .date = JAN * DAY,
                                                               .valid_until = MAY * DAY};
    c.line[WN_QUANTITY_CURRENT] = c.line[WN_QUANTITY_VOLTAGE];
    c.line[WN_QUANTITY_CURRENT].gain = 0.999;
    c.line[WN_QUANTITY_CURRENT].offset = 0.01;
    return c;
}

/* 4.0 V x 1.0002 - 3 mV = 3.9978 V; -10 A x 0.999 + 10 mA = -9.98 A, 10 A = 10.0 A. */
static void applied(void **state)
{
    (void)state;
    struct wn_calibration c = calibration();
    struct wn_reading r = reading(7, 4.0, -10);
    r.temperature_c = 25;
    r.has |= WN_HAS_TEMPERATURE;
    wn_calibration_apply(&c, &r);
    assert_near(r.voltage_v, 3.9978, 1e-12);
    assert_near(r.current_a, -9.98, 1e-12);
    assert_near(r.temperature_c, 25, 0); /* its line is not known */
    assert_true(isnan(r.ambient_c));
    assert_int_equal(r.time_ns, 7 * WN_NS_PER_S);
    r.current_a = 10;
    r.has = WN_HAS_CURRENT;
    r.voltage_v = -1; /* not told by this instrument */
    wn_calibration_apply(&c, &r);
    assert_near(r.current_a, 10.0, 1e-12);
    assert_near(r.voltage_v, -1, 0);
    c.line[WN_QUANTITY_TEMPERATURE] = c.line[WN_QUANTITY_AMBIENT] = c.line[WN_QUANTITY_VOLTAGE];
    c.line[WN_QUANTITY_TEMPERATURE].offset = -0.5;
    c.line[WN_QUANTITY_AMBIENT].offset = 0.5;
    r.temperature_c = r.ambient_c = 20;
    r.has = WN_HAS_TEMPERATURE | WN_HAS_AMBIENT;
    wn_calibration_apply(&c, &r);
    assert_near(r.temperature_c, 19.504, 1e-12);
    assert_near(r.ambient_c, 20.504, 1e-12);
}

/* u^2 = 0.2^2 + 0.5^2 / 3 mV^2; half-width x sqrt 3: sqrt(0.12 + 0.25) = 0.608 276 mV */
static void accuracy_left(void **state)
{
    (void)state;
    struct wn_calibration c = calibration();
    struct wn_accuracy a;
    wn_calibration_accuracy(&c, &tester, (JAN + 30) * DAY, &a);
    assert_near(a.voltage_reading, 0, 0);
    assert_near(a.voltage_fixed_v, 0.608276253e-3, 1e-12);
    assert_near(a.current_reading, 0, 0);
    assert_near(a.current_fixed_a, 0.608276253e-3, 1e-12);
    assert_near(a.temperature_c, 1, 0);
    assert_near(a.time_reading, 50e-6, 0);
    c.line[WN_QUANTITY_VOLTAGE].drift = NAN; /* nobody knows what it did since: the data sheet */
    wn_calibration_accuracy(&c, &tester, (JAN + 30) * DAY, &a);
    assert_near(a.voltage_reading, 0.0005, 0);
    assert_near(a.voltage_fixed_v, 0.001, 0);
    assert_near(a.current_reading, 0, 0);
    wn_calibration_accuracy(&c, &tester, (MAY + 1) * DAY, &a);
    assert_memory_equal(&a, &tester, sizeof a);
}

static void dates(void **state)
{
    (void)state;
    char text[256];
    struct wn_calibration c = calibration();
    const struct wn_calibration_line *v = &c.line[WN_QUANTITY_VOLTAGE];
    assert_false(wn_calibration_valid(v, JAN * DAY - 1));
    assert_true(wn_calibration_valid(v, JAN * DAY));
    assert_true(wn_calibration_valid(v, MAY * DAY));
    assert_false(wn_calibration_valid(v, MAY * DAY + 1));
    assert_false(wn_calibration_valid(&c.line[WN_QUANTITY_AMBIENT], JAN * DAY));
    assert_int_equal(wn_calibration_out_of_date(&c, MAY * DAY, text, sizeof text), 0);
    assert_string_equal(text, "");
    c.line[WN_QUANTITY_CURRENT].date = (MAY + 1) * DAY;
    c.line[WN_QUANTITY_CURRENT].valid_until = 0;
    assert_int_equal(wn_calibration_out_of_date(&c, MAY * DAY + 1, text, sizeof text), 2);
    assert_string_equal(text, "calibration of voltage ran out on 2026-05-01; calibration of "
                              "current begins on 2026-05-02");
    assert_int_equal(wn_calibration_out_of_date(&c, MAY * DAY + 1, text, 20), 2); /* cut, counted */
    assert_string_equal(text, "calibration of volt");
    /* told once: by the look that comes first after it, and not for what was over before */
    assert_int_equal(wn_calibration_ran_out(&c, JAN * DAY, MAY * DAY, text, sizeof text), 0);
    assert_int_equal(wn_calibration_ran_out(&c, MAY * DAY, MAY * DAY + 1, text, sizeof text), 1);
    assert_string_equal(text, "calibration of voltage ran out on 2026-05-01");
    assert_int_equal(wn_calibration_ran_out(&c, MAY * DAY + 1, MAY * DAY + 2, text, sizeof text),
                     0);
    c.line[WN_QUANTITY_CURRENT].date = 0;
    assert_true(wn_calibration_valid(&c.line[WN_QUANTITY_CURRENT], 0));
}

static void validated(void **state)
{
    (void)state;
    struct wn_error err = {0};
    struct wn_calibration c = calibration();
    assert_int_equal(wn_calibration_validate(&c, &err), WN_OK);
    static const struct {
        double gain, offset, expanded, k, drift;
        int rc;
        const char *word;
    } cases[] = {
        {0.9, 0, 0, 1, 0, WN_OK, ""},
        {1.1, 0, 0, 4, NAN, WN_OK, ""},
        {0.8999, 0, 0, 2, 0, WN_ERANGE, "gain"},
        {1.1001, 0, 0, 2, 0, WN_ERANGE, "gain"},
        {NAN, 0, 0, 2, 0, WN_ERANGE, "gain"},
        {1, INFINITY, 0, 2, 0, WN_ERANGE, "offset"},
        {1, 0, -1e-9, 2, 0, WN_ERANGE, "expanded"},
        {1, 0, NAN, 2, 0, WN_ERANGE, "expanded"},
        {1, 0, 0, 0.999, 0, WN_ERANGE, "coverage"},
        {1, 0, 0, 4.001, 0, WN_ERANGE, "coverage"},
        {1, 0, 0, 2, -1e-9, WN_ERANGE, "drift"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct wn_calibration_line *l = &c.line[WN_QUANTITY_CURRENT];
        l->gain = cases[i].gain;
        l->offset = cases[i].offset;
        l->expanded = cases[i].expanded;
        l->coverage_factor = cases[i].k;
        l->drift = cases[i].drift;
        assert_int_equal(wn_calibration_validate(&c, &err), cases[i].rc);
        if (cases[i].rc != WN_OK) {
            assert_non_null(strstr(err.text, "calibration of current"));
            assert_non_null(strstr(err.text, cases[i].word));
        }
        l->known = false; /* what is not known cannot be wrong */
        assert_int_equal(wn_calibration_validate(&c, &err), WN_OK);
        l->known = true;
    }
    c = calibration();
    c.line[WN_QUANTITY_VOLTAGE].valid_until = JAN * DAY;
    assert_int_equal(wn_calibration_validate(&c, &err), WN_EINVAL);
}

/* 2.5 Ah, 8.25 Wh at 10 A in 900 s to 2.5 V, falling 2 mV/s, in 900 readings with 2 mA and 1 mV of
 * noise:
 *   noise of the current   2 mA x 900 s / 30 / 3600             = 16.667 uAh
 *   noise at the cut-off   1 mV x 10 A / 2 mV/s / 3600           = 1.388 889 mAh
 *   correlated: see test_uncertainty.c                             2.819 205 mAh
 *   noise of the energy    sqrt((2 mA x 3.3 V)^2 + (1 mV x 10 A)^2) x 30 s / 3600 = 99.8471 uWh */
static void budgets_by_hand(void **state)
{
    (void)state;
    const struct wn_discharge_facts d = {.capacity_ah = 2.5,
                                         .energy_wh = 8.25,
                                         .current_a = 10,
                                         .duration_s = 900,
                                         .cutoff_v = 2.5,
                                         .slope_v_per_s = -0.002,
                                         .readings = 900};
    const struct wn_noise noise = {.voltage_v = 0.001, .current_a = 0.002};
    struct wn_budget b;
    wn_capacity_budget(&d, &tester, &noise, &b);
    assert_int_equal(b.n, 5);
    assert_near(b.line[3].u, 16.6667e-6, 1e-9);
    assert_near(b.line[4].u, 1.388889e-3, 1e-9);
    assert_true(b.line[0].correlated && b.line[1].correlated && b.line[2].correlated);
    assert_false(b.line[3].correlated || b.line[4].correlated);
    assert_near(
        b.u, sqrt(2.819205e-3 * 2.819205e-3 + 16.6667e-6 * 16.6667e-6 + 1.388889e-3 * 1.388889e-3),
        1e-8);
    wn_energy_budget(&d, &tester, &noise, &b);
    assert_int_equal(b.n, 5);
    assert_near(b.line[3].u, 99.8471e-6, 1e-9);
    assert_near(b.line[2].u, 0.0144375 / sqrt(3.0), 1e-9);
    assert_near(b.line[4].u, 1.388889e-3 * 2.5, 1e-8);
    /* 25 mohm at 10 A: gains 0.05 % and 0.1 %, sqrt 2 x 1 mV / 10 A, sqrt 2 x 2 mA x 25 mohm / 10 A
     */
    wn_resistance_budget(0.025, -10, &tester, &noise, &b);
    assert_int_equal(b.n, 4);
    assert_near(b.line[0].u, 0.025 * 0.0005 / sqrt(3.0), 1e-12);
    assert_near(b.line[1].u, 0.025 * 0.001 / sqrt(3.0), 1e-12);
    assert_near(b.line[2].u, 1.4142136e-4, 1e-10);
    assert_near(b.line[3].u, 7.0710678e-6, 1e-12);
    struct wn_accuracy unknown = {NAN, NAN, NAN, NAN, NAN, NAN, false};
    wn_capacity_budget(&d, &unknown, &noise, &b);
    assert_true(isnan(b.u));
}

/* -- Monte Carlo
 * -------------------------------------------------------------------------------- */

/* An instrument of this run: errors that stay, and those of one reading. */
struct instrument {
    double gain_v, offset_v, gain_a, offset_a, gain_t;
    struct wn_noise noise;
};

static double rectangular(struct wn_prng *p, double half)
{
    return half * (2 * wn_prng_uniform(p) - 1);
}

/* A data sheet's "part of reading + fixed part" is one bound: both parts with the same draw. */
static struct instrument draw(struct wn_prng *p, const struct wn_noise *noise)
{
    double v = rectangular(p, 1), i = rectangular(p, 1);
    return (struct instrument){v * tester.voltage_reading,          v * tester.voltage_fixed_v,
                               i * tester.current_reading,          i * tester.current_fixed_a,
                               rectangular(p, tester.time_reading), *noise};
}

static struct wn_reading measured(const struct instrument *m, struct wn_prng *p, double time_s,
                                  double voltage_v, double current_a)
{
    double v = voltage_v * (1 + m->gain_v) + m->offset_v + m->noise.voltage_v * wn_prng_normal(p);
    double i = current_a * (1 + m->gain_a) - m->offset_a + m->noise.current_a * wn_prng_normal(p);
    return reading(time_s * (1 + m->gain_t), v, i);
}

enum { RUNS = 3000, READINGS = 180 };

/* 3.4 V falling 5 mV/s to 2.5 V under 10 A: 180 s, 0.5 Ah, 1.475 Wh; read every second. */
static struct wn_step_sums discharge(const struct instrument *m, struct wn_prng *p)
{
    struct wn_integrator_setup s = discharge_to(2.5);
    struct wn_integrator g;
    wn_integrator_init(&g, &s);
    for (int t = 0; t <= READINGS + 20 && !g.crossed; t++) {
        struct wn_reading r = measured(m, p, t, 3.4 - 0.005 * t, -10);
        (void)wn_integrator_add(&g, &r);
    }
    assert_true(g.crossed);
    return sums_of(&g);
}

struct spread {
    double n, sum, squares;
};

static void count(struct spread *s, double x)
{
    s->n++;
    s->sum += x;
    s->squares += x * x;
}

static double deviation(const struct spread *s)
{
    double mean = s->sum / s->n;
    return sqrt((s->squares - s->n * mean * mean) / (s->n - 1));
}

/* With 3000 runs a standard deviation is itself known to about 1.3 %. */
static void budgets_by_monte_carlo(void **state)
{
    (void)state;
    static const struct wn_noise noises[] = {{0, 0}, {0.001, 0.05}};
    const struct wn_discharge_facts d = {.capacity_ah = 0.5,
                                         .energy_wh = 1.475,
                                         .current_a = 10,
                                         .duration_s = 180,
                                         .cutoff_v = 2.5,
                                         .slope_v_per_s = -0.005,
                                         .readings = READINGS};
    struct wn_prng prng;
    wn_prng_init(&prng, seed);
    for (size_t k = 0; k < 2; k++) {
        struct spread ah = {0, 0, 0}, wh = {0, 0, 0};
        for (int run = 0; run < RUNS; run++) {
            struct instrument m = draw(&prng, &noises[k]);
            struct wn_step_sums s = discharge(&m, &prng);
            count(&ah, s.end_charge_ah);
            count(&wh, s.end_energy_wh);
        }
        struct wn_budget b, e;
        wn_capacity_budget(&d, &tester, &noises[k], &b);
        wn_energy_budget(&d, &tester, &noises[k], &e);
        print_message("u(capacity) %.4f mAh, in %d runs %.4f; u(energy) %.4f mWh, %.4f\n",
                      b.u * 1e3, RUNS, deviation(&ah) * 1e3, e.u * 1e3, deviation(&wh) * 1e3);
        double less =
            noises[k].voltage_v > 0 ? 0.9 : 0.95; /* the noise at the cut-off is a bound */
        assert_true(deviation(&ah) > less * b.u && deviation(&ah) < 1.05 * b.u);
        assert_true(deviation(&wh) > less * e.u && deviation(&wh) < 1.05 * e.u);
    }
}

/* Noise alone averages out with the number of readings; an offset alone does not. */
static void what_averages_out(void **state)
{
    (void)state;
    struct wn_prng prng;
    wn_prng_init(&prng, seed + 1);
    for (int coarse = 0; coarse < 2; coarse++) {
        int step = coarse ? 16 : 1;
        struct spread noise = {0, 0, 0}, offset = {0, 0, 0};
        struct wn_discharge_facts d = {.capacity_ah = 1,
                                       .energy_wh = 3.6,
                                       .current_a = 10,
                                       .duration_s = 320,
                                       .cutoff_v = NAN,
                                       .slope_v_per_s = NAN,
                                       .readings = 320 / step};
        for (int run = 0; run < RUNS; run++) {
            struct instrument noisy = {.noise = {0, 0.05}};
            struct instrument off = {.offset_a = rectangular(&prng, 0.05)};
            struct wn_integrator a, b;
            struct wn_integrator_setup s = plain(-1, 60);
            wn_integrator_init(&a, &s);
            wn_integrator_init(&b, &s);
            for (int t = 0; t <= 320; t += step) {
                struct wn_reading r = measured(&noisy, &prng, t, 3.6, -10);
                (void)wn_integrator_add(&a, &r);
                r = measured(&off, &prng, t, 3.6, -10);
                (void)wn_integrator_add(&b, &r);
            }
            count(&noise, sums_of(&a).charge_out_ah);
            count(&offset, sums_of(&b).charge_out_ah);
        }
        const struct wn_noise n = {0, 0.05};
        const struct wn_accuracy none = {0}, fixed = {.current_fixed_a = 0.05};
        struct wn_budget b;
        wn_capacity_budget(&d, &none, &n, &b);
        assert_near(deviation(&noise), b.u, 0.06 * b.u);
        wn_capacity_budget(&d, &fixed, &(struct wn_noise){0, 0}, &b);
        assert_near(deviation(&offset), b.u, 0.05 * b.u);
        assert_near(b.u, 0.05 / sqrt(3.0) * 320 / 3600, 1e-12); /* whatever the step */
    }
}

/* The offset cancels in a resistance, the gains and the noise do not. */
static void resistance_by_monte_carlo(void **state)
{
    (void)state;
    const struct wn_noise noise = {0.0001, 0.002};
    struct wn_prng prng;
    struct spread ohm = {0, 0, 0};
    wn_prng_init(&prng, seed + 2);
    for (int run = 0; run < RUNS; run++) {
        struct instrument m = draw(&prng, &noise);
        struct wn_reading a = measured(&m, &prng, 0, 4.1, 0), b = measured(&m, &prng, 1, 3.6, -10);
        count(&ohm,
              wn_resistance_one_step(a.voltage_v, a.current_a, b.voltage_v, b.current_a, &tester)
                  .value);
    }
    struct wn_budget b;
    wn_resistance_budget(0.05, 10, &tester, &noise, &b);
    double independent = wn_resistance_one_step(4.1, 0, 3.6, -10, &tester).u;
    print_message("u(resistance) %.4f mohm, in %d runs %.4f; four independent readings %.4f\n",
                  b.u * 1e3, RUNS, deviation(&ohm) * 1e3, independent * 1e3);
    assert_near(deviation(&ohm), b.u, 0.05 * b.u);
    assert_true(independent > b.u); /* the safe side */
}

/* -- standard
 * ----------------------------------------------------------------------------------- */

static void tolerances(void **state)
{
    (void)state;
    char text[400];
    struct wn_tolerance_use use = {.voltage_v = 2.5,
                                   .current_a = 0.5,
                                   .has_temperature = true,
                                   .capacity_ah = 2.5,
                                   .capacity_expanded_ah = 0.025};
    struct wn_accuracy a = {.voltage_reading = 0.004,
                            .voltage_fixed_v = 0.015,
                            .current_reading = 0.0,
                            .current_fixed_a = 0.005,
                            .temperature_c = 2,
                            .time_reading = 0.001};
    /* 0.4 % + 15 mV of 2.5 V are 1 %, 5 mA of 0.5 A are 1 %: all just met */
    assert_int_equal(wn_tolerances_unmet(&a, &use, text, sizeof text), 0);
    assert_string_equal(text, "");
    a.voltage_fixed_v = 0.025;
    a.current_fixed_a = 0.007;
    a.temperature_c = 2.5;
    a.time_reading = 0.002;
    use.capacity_expanded_ah = 0.03;
    assert_int_equal(wn_tolerances_unmet(&a, &use, text, sizeof text), 5);
    assert_string_equal(text, "voltage +/-1.4 % at 2.5 V, and 1 % is asked for; "
                              "current +/-1.4 % at 0.5 A, and 1 % is asked for; "
                              "temperature +/-2.5 degC, and 2 degC is asked for; "
                              "time +/-0.2 %, and 0.1 % is asked for; "
                              "capacity +/-1.2 % at 2.5 Ah, and 1 % is asked for");
    use.capacity_ah = NAN;
    use.has_temperature = false;
    a = tester;
    assert_int_equal(wn_tolerances_unmet(&a, &use, text, sizeof text), 2);
    assert_string_equal(text, "current +/-1.1 % at 0.5 A, and 1 % is asked for; "
                              "temperature: no thermometer at the cell, and 2 degC is asked for");
    use.has_temperature = true;
    a = (struct wn_accuracy){NAN, NAN, NAN, NAN, NAN, NAN, false};
    assert_int_equal(wn_tolerances_unmet(&a, &use, text, sizeof text), 4);
    assert_non_null(strstr(text, "voltage: accuracy is not told, and 1 % is asked for"));
    assert_int_equal(wn_tolerances_unmet(&a, &use, text, 0), 4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(applied),
        cmocka_unit_test(accuracy_left),
        cmocka_unit_test(dates),
        cmocka_unit_test(validated),
        cmocka_unit_test(budgets_by_hand),
        cmocka_unit_test(budgets_by_monte_carlo),
        cmocka_unit_test(what_averages_out),
        cmocka_unit_test(resistance_by_monte_carlo),
        cmocka_unit_test(tolerances),
    };
    const char *text = getenv("WANE_SEED");
    seed = text != NULL ? strtoull(text, NULL, 10) : 20260501;
    (void)printf("WANE_SEED=%llu\n", (unsigned long long)seed);
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
