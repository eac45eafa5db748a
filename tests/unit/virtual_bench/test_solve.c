/* Virtual bench: constant voltage, constant power, exact crossings, and the claim of each cell.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include "support/near.h"
#include "virtual_bench/cell.h"

static struct wn_cell_model model;

static struct wn_cell make(const char *name, double soc)
{
    struct wn_cell c;
    wn_cell_model_init(&model, wn_cell_preset_named(name));
    wn_cell_init(&c, &model, soc, 0.0, 23.0);
    return c;
}

static void test_constant_voltage_holds(void **state)
{
    struct wn_cell c = make("strong", 0.7);
    double before_a = 4.0;
    int held = 0;

    (void)state;
    for (int i = 0; i < 20000 && before_a > 0.05; i++) {
        double i_a = wn_cell_solve_voltage(&c, 0.25, 4.2, 0.0, 4.0);
        wn_cell_step(&c, 0.25, i_a);
        assert_true(i_a >= 0.0 && i_a <= 4.0);
        assert_true(i_a <= before_a + 1e-9);
        if (i_a < 4.0) {
            assert_near(wn_cell_voltage(&c, i_a), 4.2, 1e-9);
            held++;
        } else {
            assert_true(wn_cell_voltage(&c, i_a) <= 4.2 + 1e-9);
        }
        before_a = i_a;
    }
    assert_true(held > 1000);
    assert_true(before_a <= 0.05);
    /* already above: no current, and none backwards */
    assert_near(wn_cell_solve_voltage(&c, 0.25, 3.0, 0.0, 4.0), 0.0, 0.0);
}

static void test_constant_power(void **state)
{
    struct wn_cell c = make("strong", 0.8);

    (void)state;
    for (int i = 0; i < 200; i++) {
        double i_a = wn_cell_solve_power(&c, 0.25, 30.0, 40.0);
        wn_cell_step(&c, 0.25, i_a);
        assert_near(-i_a * wn_cell_voltage(&c, i_a), 30.0, 1e-8);
    }
    c = make("strong", 0.005);
    assert_near(wn_cell_solve_power(&c, 0.25, 110.0, 30.0), -30.0, 0.0); /* it cannot */
}

/* Charge from full to the cut-off by steps of dt_s. */
static double delivered(double dt_s, double current_a, double cutoff_v)
{
    struct wn_cell c = make("strong", 1.0);
    double after_s;

    for (long n = 0; n < 10000000L; n++) {
        if (wn_cell_crosses(&c, dt_s, -current_a, cutoff_v, &after_s)) {
            struct wn_cell there = c;
            if (after_s > 0.0) {
                wn_cell_step(&there, after_s, -current_a);
            }
            assert_near(wn_cell_voltage(&there, -current_a), cutoff_v, 1e-8);
            return there.discharged_ah;
        }
        wn_cell_step(&c, dt_s, -current_a);
    }
    return NAN;
}

/* The only error of the steps is that of resistances held constant within one, of first order:
 * halving the step must halve it, and at the bench's own step it must be far below 0.1 %. */
static void test_crossing_against_halved_steps(void **state)
{
    (void)state;
    for (int k = 0; k < 3; k++) {
        static const double current_a[3] = {0.5, 10.0, 20.0};
        double whole = delivered(0.25, current_a[k], 2.5);
        double half = delivered(0.125, current_a[k], 2.5);
        double quarter = delivered(0.0625, current_a[k], 2.5);
        print_message("%g A: %.9f, %.9f, %.9f Ah\n", current_a[k], whole, half, quarter);
        assert_near(whole, 2.0 * half - whole, 1e-4 * whole);
        assert_near((half - quarter) / (whole - half), 0.5, 0.1);
    }
}

static void test_crossing_edges(void **state)
{
    struct wn_cell c = make("strong", 0.5);
    double after_s = -1.0;
    double now_v = wn_cell_voltage(&c, -1.0);

    (void)state;
    assert_false(wn_cell_crosses(&c, 1.0, -1.0, now_v - 1.0, &after_s));
    assert_near(after_s, -1.0, 0.0);
    assert_true(wn_cell_crosses(&c, 1.0, -1.0, now_v, &after_s));
    assert_near(after_s, 0.0, 0.0);
    assert_true(wn_cell_crosses(&c, 1.0, -1.0, now_v + 1.0, &after_s));
    assert_near(after_s, 0.0, 0.0);
    assert_true(wn_cell_crosses(&c, 1.0, -1.0, now_v - 1e-4, &after_s));
    assert_true(after_s > 0.0 && after_s < 1.0);
}

/* The claim's charge, 4 A to 100 mA, and an hour of rest. */
static void charge(struct wn_cell *c)
{
    for (;;) {
        double i_a = wn_cell_solve_voltage(c, 1.0, 4.2, 0.0, 4.0);
        if (i_a <= 0.1) {
            break;
        }
        wn_cell_step(c, 1.0, i_a);
    }
    for (int i = 0; i < 60; i++) {
        wn_cell_step(c, 60.0, 0.0);
    }
}

/* Its discharge, 10 A to 2.5 V, and an hour of rest. */
static double discharge(struct wn_cell *c)
{
    double from_ah = c->discharged_ah;
    double after_s;

    while (!wn_cell_crosses(c, 0.25, -10.0, 2.5, &after_s)) {
        wn_cell_step(c, 0.25, -10.0);
    }
    wn_cell_step(c, fmax(after_s, 1e-9), -10.0);
    from_ah = c->discharged_ah - from_ah;
    for (int i = 0; i < 60; i++) {
        wn_cell_step(c, 60.0, 0.0);
    }
    return from_ah;
}

static double cycle(struct wn_cell *c)
{
    charge(c);
    return discharge(c);
}

static void test_claims(void **state)
{
    static const char *const names[] = {"strong", "weak", "steady", "tired"};
    double first_ah[4];
    double last_ah[4];
    double rise = 0.0;

    (void)state;
    for (int k = 0; k < 4; k++) {
        struct wn_cell c = make(names[k], 0.3);
        double before_ah = 1e9;
        double slope[301] = {0};
        for (int n = 1; n <= 300; n++) {
            double ah = cycle(&c);
            assert_true(ah < before_ah);
            slope[n] = before_ah - ah;
            before_ah = ah;
            first_ah[k] = n == 1 ? ah : first_ah[k];
        }
        last_ah[k] = before_ah;
        if (k == 0) {
            struct wn_cell old;
            struct wn_cell fresh;
            wn_cell_init(&old, &model, 0.5, c.wear, 25.0);
            wn_cell_init(&fresh, &model, 0.5, 0.0, 25.0);
            rise = wn_cell_resistance(&old, 1.0) / wn_cell_resistance(&fresh, 1.0) - 1.0;
        }
        if (k == 1) { /* the knee: the fade per cycle has become several times as fast around 220 */
            assert_true(slope[190] < 2.0 * slope[150]);
            assert_true(slope[250] > 4.0 * slope[150]);
        }
        print_message("%s: %.4f Ah, after 300 cycles %.4f Ah\n", names[k], first_ah[k], last_ah[k]);
    }
    assert_true(first_ah[0] >= 2.45 && first_ah[0] <= 2.50);
    assert_true(last_ah[0] >= 0.78 * 2.5 && last_ah[0] <= 0.83 * 2.5);
    assert_near(rise, 0.35, 0.03);
    assert_true(first_ah[1] >= 2.45 && last_ah[1] < 0.70 * 2.5);
    assert_true(last_ah[2] > 0.90 * 2.5);
    assert_true(first_ah[3] < 0.90 * 2.5);
}

static void test_deliverable_is_what_a_cycle_gives(void **state)
{
    struct wn_cell c = make("strong", 0.3);

    (void)state;
    for (int n = 0; n < 3; n++) {
        struct wn_cell before;
        double foretold_ah;
        charge(&c);
        before = c;
        foretold_ah = wn_cell_deliverable(&c, 4.0, 4.2, 0.1, 10.0, 2.5);
        assert_memory_equal(&c, &before, sizeof c); /* the cell is left alone */
        /* no more than it ages in half a cycle */
        assert_near(discharge(&c), foretold_ah, 3e-4 * foretold_ah);
    }
    assert_true(isnan(wn_cell_deliverable(&c, 0.0, 4.2, 0.1, 10.0, 2.5)));
    assert_true(isnan(wn_cell_deliverable(&c, 4.0, 4.2, 0.1, 0.0, 2.5)));
    assert_true(wn_cell_deliverable(&c, 4.0, 4.2, 0.1, 0.5, 2.5) >
                wn_cell_deliverable(&c, 4.0, 4.2, 0.1, 10.0, 2.5));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_constant_voltage_holds),
        cmocka_unit_test(test_constant_power),
        cmocka_unit_test(test_crossing_against_halved_steps),
        cmocka_unit_test(test_crossing_edges),
        cmocka_unit_test(test_claims),
        cmocka_unit_test(test_deliverable_is_what_a_cycle_gives),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
