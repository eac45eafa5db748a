/* Figures of a cycle, flags, and check values that testers use.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wave.h"

#include <string.h>

#include "base/qty.h"

static const struct wn_accuracy tester = {0.0005, 0.001, 0.001, 0.005, 1, 50e-6, false};

static void flags_have_words(void **state)
{
    (void)state;
    int known = 0;
    for (int bit = 0; bit < 32; bit++) {
        const char *word = wn_cycle_flag_word(1u << bit), *text = wn_cycle_flag_text(1u << bit);
        assert_true((word == NULL) == (text == NULL));
        known += word != NULL;
    }
    assert_int_equal(known, 8);
    assert_string_equal(wn_cycle_flag_word(WN_FLAG_GAP), "gap");
    assert_string_equal(wn_cycle_flag_word(WN_FLAG_CV_MISSING), "cv_missing");
    assert_non_null(strstr(wn_cycle_flag_text(WN_FLAG_NOT_TO_CUTOFF), "cut-off"));
    assert_null(wn_cycle_flag_word(0));
    assert_null(wn_cycle_flag_word(WN_FLAG_GAP | WN_FLAG_INTERRUPTED));
    assert_true((WN_FLAGS_INVALID & WN_FLAG_AFTER_PAUSE) == 0);
    assert_true((WN_FLAGS_INVALID & WN_FLAG_GAP) != 0);
}

/* A whole cycle through the integrator: 4 A in for 2000 s at 4 V, 10 A out for 750 s at 3.4 V. */
static void a_cycle_from_its_steps(void **state)
{
    (void)state;
    struct wn_integrator_setup in = plain(1, 5000), out = discharge_to(2.5);
    struct wn_integrator c, d;
    struct wn_cycle_record r;
    out.gap_max_s = 5000;
    wn_integrator_init(&c, &in);
    wn_integrator_init(&d, &out);
    (void)add(&c, 0, 4, 4);
    (void)add(&c, 2000, 4, 4);
    struct wn_reading a = reading(3000, 3.4, -10), b = reading(3750, 3.4, -10);
    a.has = b.has = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE | WN_HAS_AMBIENT;
    a.temperature_c = 23;
    b.temperature_c = 51.5;
    a.ambient_c = 22;
    b.ambient_c = 23;
    (void)wn_integrator_add(&d, &a);
    (void)wn_integrator_add(&d, &b);
    (void)add(&d, 3750, 2.5, -10); /* an edge down to the cut-off */
    (void)add(&d, 3752, 2.3, -10); /* discharged beyond it: no part of the capacity */
    struct wn_step_sums charge = sums_of(&c), discharge = sums_of(&d);

    memset(&r, 0, sizeof r);
    r.cycle = 7;
    r.cutoff_v = 2.5;
    r.flags = WN_FLAG_AFTER_PAUSE;
    r.resistance_ohm = (struct wn_measured){0.02, 0.001};
    wn_cycle_derive(&r, &charge, &discharge, -0.002, &tester);
    assert_exact(r.capacity_ah.value, 7500 / 3600.0);
    assert_exact(r.energy_wh.value, 7500 * 3.4 / 3600);
    assert_exact(r.charge_ah, 8000 / 3600.0);
    assert_exact(r.charge_wh, 32000 / 3600.0);
    assert_exact(r.coulombic_efficiency, 7500.0 / 8000);
    assert_exact(r.energy_efficiency, 7500 * 3.4 / 32000);
    assert_exact(r.mean_voltage_v, 3.4);
    assert_exact(r.discharge_current_a, 10);
    assert_exact(r.temperature_max_c, 51.5);
    assert_exact(r.temperature_rise_k, 28.5);
    assert_exact(r.ambient_min_c, 22);
    assert_exact(r.ambient_max_c, 23);
    assert_exact(r.capacity_ah.u,
                 wn_capacity_uncertainty_ah(7500 / 3600.0, 10, 750, 2.5, 0.002, &tester));
    assert_exact(r.energy_wh.u, wn_energy_uncertainty_to_cutoff_wh(7500 * 3.4 / 3600, 3.4, 10, 750,
                                                                   2.5, 0.002, &tester));
    assert_exact(r.cutoff_slope_v_per_s, -0.002);
    /* its offset of 5 mA counts with 750 s in 7500 A s out, and with 2000 s in 8000 A s in */
    assert_exact(r.coulombic_efficiency_u, 0.005 * (0.1 + 0.25) * 7500 / 8000 / sqrt(3.0));
    assert_true(r.energy_efficiency_u > r.coulombic_efficiency_u * 3.4 / 4);
    assert_true(r.cycle == 7 && r.flags == WN_FLAG_AFTER_PAUSE && r.resistance_ohm.value == 0.02);
}

static void what_was_not_seen_is_not_known(void **state)
{
    (void)state;
    struct wn_step_sums discharge = {.charge_out_ah = 2,
                                     .end_charge_ah = 2,
                                     .end_energy_wh = 7,
                                     .duration_s = 3700,
                                     .end_duration_s = 3700,
                                     .end_missing_s = 100,
                                     .missing_s = 100,
                                     .temperature_max_c = NAN,
                                     .temperature_start_c = NAN,
                                     .ambient_min_c = NAN,
                                     .ambient_max_c = NAN};
    struct wn_step_sums charge = discharge;
    struct wn_cycle_record r;
    memset(&r, 0, sizeof r);
    r.cutoff_v = 2.5; /* which this discharge did not reach: no part of its uncertainty */
    wn_cycle_derive(&r, NULL, &discharge, -0.002, &tester);
    assert_true(isnan(r.charge_ah) && isnan(r.charge_wh) && isnan(r.coulombic_efficiency));
    assert_true(isnan(r.energy_efficiency) && isnan(r.temperature_max_c));
    assert_true(isnan(r.coulombic_efficiency_u) && isnan(r.energy_efficiency_u));
    assert_true(isnan(r.cutoff_slope_v_per_s));
    assert_true(isnan(r.temperature_rise_k) && isnan(r.ambient_min_c) && isnan(r.ambient_max_c));
    assert_exact(r.discharge_current_a, 2); /* over the time that was seen */
    assert_exact(r.capacity_ah.u, wn_capacity_uncertainty_ah(2, 2, 3600, NAN, NAN, &tester));

    charge.charge_in_ah = 0; /* a charge step in which nothing flowed */
    charge.temperature_max_c = 40;
    charge.ambient_min_c = charge.ambient_max_c = 21;
    wn_cycle_derive(&r, &charge, &discharge, NAN, &tester);
    assert_true(isnan(r.coulombic_efficiency) && isnan(r.energy_efficiency));
    assert_exact(r.temperature_max_c, 40);
    assert_exact(r.ambient_min_c, 21);

    discharge.end_charge_ah = discharge.end_energy_wh = 0;
    discharge.end_duration_s = discharge.end_missing_s = 0;
    wn_cycle_derive(&r, &charge, &discharge, NAN, &tester);
    assert_true(isnan(r.mean_voltage_v) && isnan(r.discharge_current_a));
    assert_true(r.capacity_ah.value == 0);
}

/* Common practice, no source: a cell rated 2500 mAh, discharged at five currents. */
static void mean_voltage_as_testers_tell_it(void **state)
{
    (void)state;
    const struct {
        double current_a, energy_mwh, capacity_mah, mean_v;
    } rows[] = {{0.5, 9740, 2665, 3.655},
                {5, 8647, 2479, 3.488},
                {10, 8493, 2528, 3.360},
                {15, 8286, 2544, 3.257},
                {20, 8056, 2542, 3.169}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct wn_integrator_setup setup = plain(-1, INFINITY);
        struct wn_integrator g;
        struct wn_cycle_record r;
        double mean_v = rows[i].energy_mwh / rows[i].capacity_mah;
        double duration_s = rows[i].capacity_mah / 1000 / rows[i].current_a * 3600;
        wn_integrator_init(&g, &setup); /* a straight voltage around the mean carries the energy */
        (void)add(&g, 0, mean_v + 0.5, -rows[i].current_a);
        (void)add(&g, duration_s, mean_v - 0.5, -rows[i].current_a);
        struct wn_step_sums s = sums_of(&g);
        memset(&r, 0, sizeof r);
        r.cutoff_v = 2.5;
        wn_cycle_derive(&r, NULL, &s, NAN, &tester);
        assert_exact(r.capacity_ah.value * 1000, rows[i].capacity_mah);
        assert_exact(r.energy_wh.value * 1000, rows[i].energy_mwh);
        assert_near(r.mean_voltage_v, rows[i].mean_v, 0.0005);
        assert_exact(r.discharge_current_a, rows[i].current_a);
    }
}

/* Common practice, no source: 70 % of 2500 mAh is 1750 mAh, 0.2 It is 0.5 A. */
static void shares_and_rates_of_a_rated_capacity(void **state)
{
    (void)state;
    const double rated_ah = 2.5;
    struct wn_qty share, rate;
    assert_int_equal(wn_qty_parse("70 %", WN_DIM_RATIO, &share, NULL), WN_OK);
    assert_int_equal(wn_qty_parse("0.2 It", WN_DIM_CURRENT, &rate, NULL), WN_OK);
    assert_int_equal(rate.is_it, 1);
    assert_exact(share.value * rated_ah, 1.75);
    assert_exact(rate.value * rated_ah, 0.5);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(flags_have_words),
        cmocka_unit_test(a_cycle_from_its_steps),
        cmocka_unit_test(what_was_not_seen_is_not_known),
        cmocka_unit_test(mean_voltage_as_testers_tell_it),
        cmocka_unit_test(shares_and_rates_of_a_rated_capacity),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
