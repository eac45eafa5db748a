/* The exact end of a step: cut-off voltage and end current, around and between readings.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wave.h"

static struct wn_integrator started(struct wn_integrator_setup setup)
{
    struct wn_integrator g;
    wn_integrator_init(&g, &setup);
    return g;
}

/* 2.6 -> 2.4 V in 10 s at -2 -> -4 A: 2.5 V at 5 s, where the current is -3 A. Up to there charge
 * 5 (2 + 3) / 2 = 12.5 A s; energy 5 (2 x 2.6 x 2 + 2 x 2.5 x 3 + 2.6 x 3 + 2.5 x 2) / 6 = 31.8333
 * W s. */
static void voltage_is_crossed_between_two_readings(void **state)
{
    (void)state;
    struct wn_integrator g = started(discharge_to(2.5));
    assert_false(add(&g, 100, 2.6, -2));
    assert_true(add(&g, 110, 2.4, -4));
    struct wn_step_sums s = sums_of(&g);
    assert_int_equal(s.crossed, 1);
    assert_exact(s.end_charge_ah * 3600, 12.5);
    assert_exact(s.end_energy_wh * 3600, 191.0 / 6);
    assert_exact(s.end_duration_s, 5);
    assert_exact(s.charge_out_ah * 3600, 30);
    assert_exact(s.duration_s, 10);

    assert_false(add(&g, 120, 2.3, -4)); /* told once; the end stays, the whole step goes on */
    assert_false(add(&g, 121, 2.6, 0));
    assert_false(add(&g, 122, 2.4, 0));
    s = sums_of(&g);
    assert_exact(s.end_charge_ah * 3600, 12.5);
    assert_exact(s.end_duration_s, 5);
    assert_exact(s.charge_out_ah * 3600, 72);
    assert_exact(s.duration_s, 22);
}

static void voltage_at_just_before_and_just_after_a_reading(void **state)
{
    (void)state;
    const struct {
        double voltage_v;
        bool ends;
        double end_s;
    } cases[] = {
        {2.5 + 1e-12, false, 10},
        {2.5, true, 10},
        {2.5 - 1e-12, true, 10 - 10 * 1e-12 / 0.1},
        {2.499, true, 10 - 10 * 0.001 / 0.101},
    };
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        struct wn_integrator g = started(discharge_to(2.5));
        assert_false(add(&g, 0, 2.6, -2));
        assert_true(add(&g, 10, cases[k].voltage_v, -2) == cases[k].ends);
        struct wn_step_sums s = sums_of(&g);
        assert_int_equal(s.crossed, cases[k].ends);
        assert_exact(s.end_duration_s, cases[k].end_s);
        assert_exact(s.end_charge_ah * 3600, 2 * cases[k].end_s);
    }
}

static void crossing_just_after_a_reading(void **state)
{
    (void)state;
    struct wn_integrator g = started(discharge_to(2.5));
    assert_false(add(&g, 0, 2.6, -2));
    assert_false(add(&g, 10, 2.500001, -2));
    assert_true(add(&g, 20, 2.4, -2));
    assert_exact(sums_of(&g).end_duration_s, 10 + 10 * 1e-6 / 0.100001);
}

static void below_at_the_very_first_reading(void **state)
{
    (void)state;
    struct wn_integrator g = started(discharge_to(2.5));
    assert_true(add(&g, 0, 2.4, -2));
    assert_false(add(&g, 10, 2.3, -2));
    struct wn_step_sums s = sums_of(&g);
    assert_true(s.crossed == 1 && s.end_charge_ah == 0 && s.end_energy_wh == 0);
    assert_true(s.end_duration_s == 0);
    assert_exact(s.charge_out_ah * 3600, 20);
}

static void an_edge_ends_at_its_instant(void **state)
{
    (void)state;
    struct wn_integrator g = started(discharge_to(2.5));
    assert_false(add(&g, 0, 2.6, -2));
    assert_false(add(&g, 10, 2.6, -2));
    assert_true(add(&g, 10, 2.4, -8));
    assert_exact(sums_of(&g).end_duration_s, 10);
    assert_exact(sums_of(&g).end_charge_ah * 3600, 20);
}

static void behind_a_gap_the_end_is_the_reading(void **state)
{
    (void)state;
    struct wn_integrator g = started(discharge_to(2.5));
    assert_false(add(&g, 0, 2.7, -2));
    assert_false(add(&g, 10, 2.6, -2));
    assert_true(add(&g, 110, 2.4, -2));
    struct wn_step_sums s = sums_of(&g);
    assert_exact(s.end_charge_ah * 3600, 20);
    assert_exact(s.end_duration_s, 110);
    assert_exact(s.end_missing_s, 100);
    assert_exact(s.missing_s, 100);
    assert_false(add(&g, 300, 2.3, -2)); /* another gap belongs to the whole step, not to the end */
    assert_exact(sums_of(&g).missing_s, 290);
    assert_exact(sums_of(&g).end_missing_s, 100);
}

static void the_end_at_the_reading_itself(void **state)
{
    (void)state;
    struct wn_integrator_setup setup = discharge_to(2.5);
    setup.end_at_reading = true;
    struct wn_integrator g = started(setup);
    assert_false(add(&g, 0, 2.6, -2));
    assert_true(add(&g, 10, 2.4, -4));
    assert_false(add(&g, 20, 2.3, -4));
    struct wn_step_sums s = sums_of(&g);
    assert_exact(s.end_charge_ah * 3600, 30);
    assert_exact(s.end_energy_wh * 3600, 10 * (2 * 2.6 * 2 + 2 * 2.4 * 4 + 2.6 * 4 + 2.4 * 2) / 6);
    assert_exact(s.end_duration_s, 10);
    assert_exact(s.charge_out_ah * 3600, 70);
}

/* In discharge direction only what left the cell counts, also in the part before the crossing. */
static void charge_before_the_crossing_is_kept_apart(void **state)
{
    (void)state;
    struct wn_integrator g = started(discharge_to(2.5));
    assert_false(add(&g, 0, 3.5, 2));
    assert_true(add(&g, 4, 2.3, -6)); /* zero at 1 s; 2.5 V at 10/3 s, current -14/3 A */
    assert_exact(sums_of(&g).end_charge_ah * 3600, (10.0 / 3 - 1) * (14.0 / 3) / 2);
    assert_exact(sums_of(&g).charge_in_ah * 3600, 1);
}

/* 0.3 -> 0.05 A in 10 s at 4.2 V: 0.1 A at 8 s. */
static void current_is_crossed_between_two_readings(void **state)
{
    (void)state;
    struct wn_integrator g = started(charge_until(4.2, 0.1));
    assert_false(add(&g, 0, 4.2, 0.3));
    assert_true(add(&g, 10, 4.2, 0.05));
    struct wn_step_sums s = sums_of(&g);
    assert_exact(s.end_charge_ah * 3600, 1.6);
    assert_exact(s.end_energy_wh * 3600, 1.6 * 4.2);
    assert_exact(s.end_duration_s, 8);
    assert_exact(s.charge_in_ah * 3600, 1.75);
    assert_false(add(&g, 11, 4.2, 0.04));
    assert_exact(sums_of(&g).end_charge_ah * 3600, 1.6);
}

static void current_at_just_before_and_just_after_a_reading(void **state)
{
    (void)state;
    const struct {
        double current_a;
        bool ends;
        double end_s;
    } cases[] = {{0.1 + 1e-12, false, 10},
                 {0.1, true, 10},
                 {0.1 - 1e-12, true, 10 - 10 * 1e-12 / 0.2},
                 {-0.1, true, 5},    /* undershoot on switching off: crossed on the way down */
                 {-0.2, false, 10}}; /* a discharge is no end of a charge */
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        struct wn_integrator g = started(charge_until(4.2, 0.1));
        assert_false(add(&g, 0, 4.2, 0.3));
        assert_true(add(&g, 10, 4.2, cases[k].current_a) == cases[k].ends);
        assert_exact(sums_of(&g).end_duration_s, cases[k].end_s);
    }
}

/* A current that flows the wrong way at first ends the step where it falls below the end value too.
 */
static void an_end_current_from_below(void **state)
{
    (void)state;
    struct wn_integrator g = started(charge_until(4.2, 0.1));
    assert_false(add(&g, 0, 4.2, -0.3));
    assert_true(add(&g, 10, 4.2, -0.05));
    assert_exact(sums_of(&g).end_duration_s, 8);
    assert_exact(sums_of(&g).charge_out_ah * 3600, 1.75);
    assert_true(sums_of(&g).end_charge_ah == 0);
}

/* A small current below the set voltage is a start, a pause or a switched-off output, no end. */
static void the_end_current_is_armed_at_the_set_voltage_only(void **state)
{
    (void)state;
    struct wn_integrator g = started(charge_until(4.2, 0.1));
    assert_false(add(&g, 0, 3.0, 0.05)); /* the output is coming on */
    assert_false(add(&g, 1, 3.5, 4));
    assert_false(add(&g, 2, 4.2 - WN_CV_TOLERANCE_V - 1e-9, 0.05));
    assert_int_equal(sums_of(&g).crossed, 0);
    assert_true(add(&g, 3, 4.2 - WN_CV_TOLERANCE_V + 1e-9, 0.05)); /* small before: ends here */
    assert_exact(sums_of(&g).end_duration_s, 3);

    g = started(charge_until(4.2, 0.1));
    assert_false(add(&g, 0, 4.0, 0.3));
    assert_true(add(&g, 10, 4.205, 0.05)); /* above the set voltage is at it */
    assert_exact(sums_of(&g).end_duration_s, 8);

    g = started(charge_until(4.2, 0.1));
    assert_true(add(&g, 0, 4.2, 0.05)); /* a full cell: at once */
    assert_true(sums_of(&g).end_charge_ah == 0);
}

/* I = 4 exp(-t / 600) at 4.2 V, read every 10 s: 0.1 A at 600 ln 40 = 2213.3 s. The chord lies
 * above the curve, so the crossing is late, by at most h^2 / (8 tau) = 0.021 s. */
static void end_of_a_constant_voltage_tail(void **state)
{
    (void)state;
    struct wn_integrator g = started(charge_until(4.2, 0.1));
    bool ended = false;
    for (int i = 0; i < 300 && !ended; i++) {
        ended = add(&g, 10 * i, 4.2, 4 * exp(-10 * i / 600.0));
    }
    double late_s = sums_of(&g).end_duration_s - 600 * log(40);
    assert_true(ended);
    assert_true(late_s >= 0 && late_s <= 100 / 4800.0);
}

static void time_at_the_set_voltage(void **state)
{
    (void)state;
    struct wn_integrator g = started(charge_until(4.2, 0.1));
    (void)add(&g, 0, 4.14, 4);
    (void)add(&g, 10, 4.19, 4);   /* at it from here: 0 s */
    (void)add(&g, 20, 4.20, 3);   /* 10 s */
    (void)add(&g, 30, 4.18, 3);   /* half of it: 5 s */
    (void)add(&g, 40, 4.17, 3);   /* 0 s */
    (void)add(&g, 50, 4.21, 2);   /* from 4.19 V on, the second half: 5 s */
    (void)add(&g, 60, 4.195, 1);  /* 10 s */
    (void)add(&g, 160, 4.195, 1); /* a gap counts nowhere */
    assert_exact(sums_of(&g).cv_s, 30);

    g = started(plain(-1, 60)); /* without a set voltage there is none */
    (void)add(&g, 0, 4.2, -1);
    (void)add(&g, 10, 4.2, -1);
    assert_true(sums_of(&g).cv_s == 0);
}

/* A discharge of a cell whose voltage is a straight line, read at 1 s: the exact capacity comes out
 * however the readings lie against the cut-off. */
static void capacity_does_not_depend_on_the_phase_of_the_readings(void **state)
{
    (void)state;
    for (int phase = 0; phase < 1000; phase++) {
        struct wn_integrator g = started(discharge_to(2.5));
        double offset_s = phase / 1000.0, t = 0;
        (void)add(&g, 0, 4.1, -10);
        for (int i = 0; t < 801.5; i++) {
            t = offset_s + i;
            if (add(&g, t, 4.1 - 0.002 * t, -10)) {
                break;
            }
        }
        assert_exact(sums_of(&g).end_charge_ah, 10 * 800 / 3600.0);
        assert_exact(sums_of(&g).end_energy_wh, 10 * 800 * 3.3 / 3600);
        assert_exact(sums_of(&g).end_duration_s, 800);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(voltage_is_crossed_between_two_readings),
        cmocka_unit_test(voltage_at_just_before_and_just_after_a_reading),
        cmocka_unit_test(crossing_just_after_a_reading),
        cmocka_unit_test(below_at_the_very_first_reading),
        cmocka_unit_test(an_edge_ends_at_its_instant),
        cmocka_unit_test(behind_a_gap_the_end_is_the_reading),
        cmocka_unit_test(the_end_at_the_reading_itself),
        cmocka_unit_test(charge_before_the_crossing_is_kept_apart),
        cmocka_unit_test(current_is_crossed_between_two_readings),
        cmocka_unit_test(current_at_just_before_and_just_after_a_reading),
        cmocka_unit_test(an_end_current_from_below),
        cmocka_unit_test(the_end_current_is_armed_at_the_set_voltage_only),
        cmocka_unit_test(end_of_a_constant_voltage_tail),
        cmocka_unit_test(time_at_the_set_voltage),
        cmocka_unit_test(capacity_does_not_depend_on_the_phase_of_the_readings),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
