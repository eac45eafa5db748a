/* Uncertainty of ratios: worked by hand, and against Monte Carlo through the integrator.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Correlated inputs after JCGM 100:2008 5.2.2, Monte Carlo after JCGM 101:2008, both from memory.
 */
#include "wave.h"

#include <stdio.h>
#include <stdlib.h>

#include "base/prng.h"
#include "metrology/ratio.h"

static uint64_t seed;

/* 0.05 % + 1 mV, 0.1 % + 5 mA, 50 ppm. */
static const struct wn_accuracy tester = {.voltage_reading = 0.0005,
                                          .voltage_fixed_v = 0.001,
                                          .current_reading = 0.001,
                                          .current_fixed_a = 0.005,
                                          .temperature_c = 1,
                                          .time_reading = 50e-6};
static const struct wn_drift still = {0, 0};

/* At 10 A to 2.5 V: fresh 2.5 Ah falling 2 mV/s at the end, aged 2.0 Ah falling 4 mV/s. */
static const struct wn_discharge_facts fresh = {.capacity_ah = 2.5,
                                                .energy_wh = 8.25,
                                                .current_a = 10,
                                                .duration_s = 900,
                                                .cutoff_v = 2.5,
                                                .slope_v_per_s = -0.002},
                                       aged = {.capacity_ah = 2.0,
                                               .energy_wh = 6.4,
                                               .current_a = 10,
                                               .duration_s = 720,
                                               .cutoff_v = 2.5,
                                               .slope_v_per_s = -0.004};

/* Part of the charge per volt at the cut-off: 10 A / 2 mV/s / 3600 / 2.5 Ah = 0.555 556 and
 * 10 / 0.004 / 3600 / 2.0 = 0.347 222, apart by 0.208 333; the half-width at 2.5 V is 2.25 mV:
 *   cut-off   2.25 mV x 0.208 333 x 0.8                = 0.000 375
 *   offset    0.1 per ampere in both                   = 0
 *   drift     1 mA x 0.1 x 0.8 = 0.000 08, and 1 mV x 0.347 222 x 0.8 = 0.000 277 778 */
static void retention_by_hand(void **state)
{
    (void)state;
    struct wn_budget b;
    wn_retention_budget(&fresh, &aged, &tester, &still, &b);
    assert_int_equal(b.n, 1);
    assert_string_equal(b.line[0].what, "cut-off");
    assert_near(b.u, 0.000375 / sqrt(3.0), 1e-12);
    const struct wn_drift moved = {.voltage_v = 0.001, .current_a = 0.001};
    wn_retention_budget(&fresh, &aged, &tester, &moved, &b);
    assert_int_equal(b.n, 3);
    assert_near(b.u, sqrt((0.375 * 0.375 + 0.08 * 0.08 + 0.2777778 * 0.2777778) / 3) * 1e-3, 1e-9);
    wn_retention_budget(&fresh, &fresh, &tester, &still, &b); /* with itself: nothing is left */
    assert_int_equal(b.n, 0);
    assert_near(b.u, 0, 0);
    struct wn_discharge_facts d = aged;
    d.slope_v_per_s = NAN; /* to a cut-off, and nobody knows how steeply */
    wn_retention_budget(&fresh, &d, &tester, &still, &b);
    assert_true(isnan(b.u));
    wn_retention_budget(&d, &aged, &tester, &still, &b);
    assert_true(isnan(b.u));
    struct wn_discharge_facts whole = fresh; /* by time: 1000 s for 2.5 Ah less the offset's */
    whole.cutoff_v = whole.slope_v_per_s = d.cutoff_v = NAN;
    d.duration_s = 900;
    wn_retention_budget(&whole, &d, &tester, &still, &b);
    /* 900 / 3600 / 2.0 = 0.125 against 0.1 per ampere: 5 mA x 0.025 x 0.8 */
    assert_near(b.u, 0.0001 / sqrt(3.0), 1e-12);
}

/* 2.52 Ah at a mean of 3.9 V in 2400 s, then 2.5 Ah at 3.3 V in 900 s:
 *   offset of the current   5 mA x (0.1 + 2400 / 3600 / 2.52) per ampere = 0.001 822 751 in parts
 *   of the voltage          1 mV x (1 / 3.3 - 1 / 3.9) per volt          = 0.000 046 620 in parts
 */
static void efficiency_by_hand(void **state)
{
    (void)state;
    struct wn_budget b;
    const struct wn_discharge_facts in = {
        .capacity_ah = 2.52, .energy_wh = 2.52 * 3.9, .duration_s = 2400};
    wn_coulombic_budget(&in, &fresh, &tester, &b);
    assert_int_equal(b.n, 1);
    assert_near(b.u, 0.001822751 * 2.5 / 2.52 / sqrt(3.0), 1e-9);
    wn_energy_efficiency_budget(&in, &fresh, &tester, &b);
    assert_int_equal(b.n, 2);
    assert_near(b.u, hypot(0.001822751, 0.000046620) * 8.25 / (2.52 * 3.9) / sqrt(3.0), 1e-9);
}

/* A supply charges, a load discharges: 0.1 % + 5 mA x 0.1 per ampere are 0.0015 of the discharge,
 * 0.1 % + 5 mA x 0.264 550 are 0.002 322 751 of the charge; 0.05 % + 1 mV are 0.000 803 030 of 3.3
 * V and 0.000 756 410 of 3.9 V. */
static void two_instruments(void **state)
{
    (void)state;
    struct wn_budget b;
    struct wn_accuracy pair = tester;
    const struct wn_discharge_facts in = {
        .capacity_ah = 2.52, .energy_wh = 2.52 * 3.9, .duration_s = 2400};
    pair.apart = true;
    wn_coulombic_budget(&in, &fresh, &pair, &b);
    assert_near(b.u, hypot(0.0015, 0.002322751) * 2.5 / 2.52 / sqrt(3.0), 1e-9);
    wn_energy_efficiency_budget(&in, &fresh, &pair, &b);
    assert_int_equal(b.n, 4);
    assert_near(b.u,
                hypot(hypot(0.0015, 0.002322751), hypot(0.000803030, 0.000756410)) * 8.25 /
                    (2.52 * 3.9) / sqrt(3.0),
                1e-9);
}

/* -- Monte Carlo
 * -------------------------------------------------------------------------------- */

struct instrument {
    double gain_v, offset_v, gain_a, offset_a, gain_t;
};

static double rectangular(struct wn_prng *p, double half)
{
    return half * (2 * wn_prng_uniform(p) - 1);
}

/* Both parts of a data sheet's accuracy are one bound: one draw for each quantity. */
static struct instrument draw(struct wn_prng *p)
{
    double v = rectangular(p, 1), i = rectangular(p, 1);
    return (struct instrument){v * tester.voltage_reading, v * tester.voltage_fixed_v,
                               i * tester.current_reading, i * tester.current_fixed_a,
                               rectangular(p, tester.time_reading)};
}

static bool add_read(struct wn_integrator *g, const struct instrument *m, double time_s, double v,
                     double i)
{
    return add(g, time_s * (1 + m->gain_t), v * (1 + m->gain_v) + m->offset_v,
               i * (1 + m->gain_a) + m->offset_a);
}

/* From start_v falling slope_v_per_s to 2.5 V under 10 A, read every second. */
static struct wn_step_sums discharge(const struct instrument *m, double start_v, double slope)
{
    struct wn_integrator_setup s = discharge_to(2.5);
    struct wn_integrator g;
    wn_integrator_init(&g, &s);
    for (int t = 0; !g.crossed; t++) {
        (void)add_read(&g, m, t, start_v - slope * t, -10);
    }
    return sums_of(&g);
}

/* A whole step of a given time, read every 10 s: its ends lie where they lie. */
static struct wn_step_sums whole(const struct instrument *m, double seconds, double v, double i)
{
    struct wn_integrator_setup s = plain(i > 0 ? 1 : -1, 60);
    struct wn_integrator g;
    wn_integrator_init(&g, &s);
    for (int t = 0; t <= (int)seconds; t += 10) {
        (void)add_read(&g, m, t, v + 0.4 * t / seconds * (i > 0 ? 1 : -1), i);
    }
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

static struct wn_discharge_facts facts(const struct wn_step_sums *s, double slope)
{
    return (struct wn_discharge_facts){.capacity_ah = s->end_charge_ah,
                                       .energy_wh = s->end_energy_wh,
                                       .current_a = 10,
                                       .duration_s = s->end_duration_s,
                                       .cutoff_v = 2.5,
                                       .slope_v_per_s = -slope};
}

enum { RUNS = 20000 }; /* a standard deviation is then known to 0.5 % */

static void by_monte_carlo(void **state)
{
    (void)state;
    const struct instrument exact = {0};
    const struct wn_drift moved = {.voltage_v = 0.0005, .current_a = 0.004};
    struct wn_prng prng;
    struct spread kept = {0}, drifted = {0}, coulombs = {0}, watts = {0};
    wn_prng_init(&prng, seed);
    for (int run = 0; run < RUNS; run++) {
        struct instrument m = draw(&prng), later = m;
        struct wn_step_sums in = whole(&m, 450, 3.7, 4), out = whole(&m, 180, 3.6, -10);
        struct wn_step_sums a = discharge(&m, 3.4, 0.005), b = discharge(&m, 3.3, 0.008);
        count(&kept, b.end_charge_ah / a.end_charge_ah);
        count(&coulombs, out.end_charge_ah / in.end_charge_ah);
        count(&watts, out.end_energy_wh / in.end_energy_wh);
        later.offset_v += rectangular(&prng, moved.voltage_v);
        later.offset_a += rectangular(&prng, moved.current_a);
        b = discharge(&later, 3.3, 0.008);
        count(&drifted, b.end_charge_ah / a.end_charge_ah);
    }
    struct wn_step_sums in = whole(&exact, 450, 3.7, 4), out = whole(&exact, 180, 3.6, -10);
    struct wn_step_sums a = discharge(&exact, 3.4, 0.005), b = discharge(&exact, 3.3, 0.008);
    struct wn_discharge_facts first = facts(&a, 0.005), now = facts(&b, 0.008),
                              put_in = facts(&in, NAN), taken = facts(&out, NAN);
    struct wn_budget r, d, c, e;
    wn_retention_budget(&first, &now, &tester, &still, &r);
    wn_retention_budget(&first, &now, &tester, &moved, &d);
    wn_coulombic_budget(&put_in, &taken, &tester, &c);
    wn_energy_efficiency_budget(&put_in, &taken, &tester, &e);
    double u1 = wn_capacity_uncertainty_ah(first.capacity_ah, 10, first.duration_s, 2.5, 0.005,
                                           &tester),
           u2 =
               wn_capacity_uncertainty_ah(now.capacity_ah, 10, now.duration_s, 2.5, 0.008, &tester);
    double apart =
        now.capacity_ah / first.capacity_ah * hypot(u1 / first.capacity_ah, u2 / now.capacity_ah);
    print_message("retention %.6f, in %d runs %.6f; as if of two instruments %.6f\n", r.u, RUNS,
                  deviation(&kept), apart);
    print_message("with drift %.6f, %.6f; coulombic %.6f, %.6f; energy %.6f, %.6f\n", d.u,
                  deviation(&drifted), c.u, deviation(&coulombs), e.u, deviation(&watts));
    assert_near(deviation(&kept), r.u, 0.02 * r.u);
    assert_near(deviation(&drifted), d.u, 0.02 * d.u);
    assert_near(deviation(&coulombs), c.u, 0.02 * c.u);
    assert_near(deviation(&watts), e.u, 0.02 * e.u);
    assert_true(apart > 3 * r.u);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(retention_by_hand),
        cmocka_unit_test(efficiency_by_hand),
        cmocka_unit_test(two_instruments),
        cmocka_unit_test(by_monte_carlo),
    };
    const char *text = getenv("WANE_SEED");
    seed = text != NULL ? strtoull(text, NULL, 10) : 20260501;
    (void)printf("WANE_SEED=%llu\n", (unsigned long long)seed);
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
