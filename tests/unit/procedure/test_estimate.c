/* What a procedure costs: worked by hand.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "make.h"

static struct wn_procedure p;

/* 2.5 Ah at 4 A: 0.625 h and a third, 0.8333 h; at 10 A 0.25 h; two hours of rest: 3.0833 h, 300
 * times: 925 h, 38.5 days. */
static void the_claim(void **state)
{
    (void)state;
    struct wn_estimate e;
    make_claim(&p);
    wn_procedure_estimate(&p, 2.5, 3.6, &e);
    assert_int_equal(e.cycles, 300);
    assert_int_equal(e.check_ups, 0);
    assert_int_equal(e.steps, 1200);
    assert_near(e.duration_s, 925 * 3600, 1e-6);
    assert_near(e.charge_in_ah, 750, 1e-9);
    assert_near(e.energy_in_wh, 2700, 1e-9);
    assert_near(e.energy_out_wh, 2700, 1e-9);
}

/* A check-up: 2.5 Ah at 1.25 A, 2 h and a third; the pulse takes 0.5 x 10 + 2.5 x 1 = 7.5 A s out
 * in 11 s; these go in again in 6 s and a third, 8 s; 0.2 It takes 5 h. */
static void check_ups_cost_too(void **state)
{
    (void)state;
    struct wn_estimate claim, e;
    make_claim(&p);
    wn_procedure_estimate(&p, 2.5, 3.6, &claim);
    add_check_up(&p, 50);
    wn_procedure_estimate(&p, 2.5, 3.6, &e);
    assert_int_equal(e.check_ups, 7);
    assert_int_equal(e.steps, 1200 + 7 * 4);
    assert_near(e.duration_s - claim.duration_s, 7 * (9600 + 11 + 8 + 18000), 1e-3);
    assert_near(e.charge_in_ah - claim.charge_in_ah, 7 * (2.5 + 7.5 / 3600), 1e-9);
    assert_near(e.energy_out_wh - claim.energy_out_wh, 7 * 3.6 * (2.5 + 7.5 / 3600), 1e-9);
}

static void constant_power_and_time_limits(void **state)
{
    (void)state;
    struct wn_estimate e;
    clear(&p);
    (void)begin_phase(&p, "power", 1, true);
    (void)append(&p, charge(4, 4.2, 0.1));
    (void)append(&p, discharge_power(18, 2.5)); /* 5 A at 3.6 V: half an hour */
    end_phase(&p);
    wn_procedure_estimate(&p, 2.5, 3.6, &e);
    assert_near(e.duration_s, 3000 + 1800, 1e-6);
    assert_near(e.energy_out_wh, 9, 1e-9);

    p.step[1].time_limit_s = 600; /* a third of it comes out */
    wn_procedure_estimate(&p, 2.5, 3.6, &e);
    assert_near(e.duration_s, 3000 + 600, 1e-6);
    assert_near(e.energy_out_wh, 3, 1e-9);

    p.step[0].time_limit_s = 900; /* 1 Ah goes in, and 0.8333 Ah out */
    wn_procedure_estimate(&p, 2.5, 3.6, &e);
    assert_near(e.duration_s, 900 + 600, 1e-6);
    assert_near(e.charge_in_ah, 1, 1e-9);
    assert_near(e.energy_out_wh, 3, 1e-9);
}

static void a_cell_that_comes_empty_gives_nothing(void **state)
{
    (void)state;
    struct wn_estimate e;
    clear(&p);
    (void)begin_phase(&p, "empty", 1, false);
    (void)append(&p, discharge(0.5, 2.5));
    end_phase(&p);
    wn_procedure_estimate(&p, 2.5, 3.6, &e);
    assert_true(e.duration_s == 0 && e.energy_out_wh == 0 && e.cycles == 0 && e.steps == 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_claim),
        cmocka_unit_test(check_ups_cost_too),
        cmocka_unit_test(constant_power_and_time_limits),
        cmocka_unit_test(a_cell_that_comes_empty_gives_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
