/* Virtual bench: what it says about its cell is so, and the same seed gives the same bytes.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench.h"

/* A 10 A discharge by 1 s readings to below 2.5 V; the charge by trapezoid up to the crossing, as a
 * client would count it. */
static double discharge_and_count(void)
{
    double ah = 0.0;
    double before_s = ask("MEAS:TIME?"); /* output off: the onset is the next command */
    double before_v = 5.0;

    expect("SOUR:FUNC DISC;CURR 10;VOLT 2.2;:OUTP ON", "");
    for (int i = 0; i < 3600; i++) {
        const char *reply = say("MEAS:ALL? 1");
        double s = field(reply, 0);
        double v = field(reply, 1);
        double part = v <= 2.5 ? (before_v - 2.5) / (before_v - v) : 1.0;
        ah += -field(reply, 2) * (s - before_s) * part / 3600.0;
        if (v <= 2.5) {
            break;
        }
        before_s = s;
        before_v = v;
    }
    expect("OUTP OFF", "");
    return ah;
}

static void test_truth_of_cycles(void **state)
{
    struct wn_tester_truth truth;

    (void)state;
    bench_start();
    bench_charge();
    assert_false(wn_tester_take_truth(&bench, &truth));
    expect("SIM:CELL:DEL?", "9.91E37");
    for (int n = 1; n <= 3; n++) {
        double foretold_ah = ask("SIM:CELL:CAP? 10,2.5");
        double counted_ah = discharge_and_count();
        assert_true(wn_tester_take_truth(&bench, &truth));
        assert_false(wn_tester_take_truth(&bench, &truth));
        assert_int_equal(truth.discharge, n);
        assert_near(counted_ah, truth.capacity_ah, 1e-4 * truth.capacity_ah);
        assert_near(ask("SIM:CELL:DEL?"), truth.capacity_ah, 1e-8);
        assert_near(foretold_ah, truth.capacity_ah, 3e-4 * truth.capacity_ah);
        assert_near(truth.cutoff_v, 2.5, 1e-12);
        assert_near(truth.current_a, 10.0, 1e-12);
        assert_true(truth.delivered_ah > truth.capacity_ah);
        assert_true(truth.delivered_ah < truth.capacity_ah + 10.0 / 3600.0);
        assert_true(truth.temperature_max_c > 40.0);
        if (n > 1) { /* what went in covers what came out, with a small loss */
            assert_near(truth.charge_in_ah, truth.capacity_ah, 0.005 * truth.capacity_ah);
            assert_true(truth.charge_in_ah > truth.capacity_ah);
        }
        bench_charge();
    }
}

/* Stopped by the client a moment before the true crossing: the same truth. Stopped far from it:
 * none. */
static void test_truth_of_stopped_discharges(void **state)
{
    struct wn_tester_truth truth;
    struct wn_tester full;
    double whole_ah;

    (void)state;
    bench_start();
    bench_charge();
    full = bench; /* its cell points to bench.model, which stays */
    (void)discharge_and_count();
    assert_true(wn_tester_take_truth(&bench, &truth));
    whole_ah = truth.capacity_ah;

    bench = full;
    expect("SOUR:FUNC DISC;CURR 10;VOLT 2.2;:OUTP ON", "");
    while (field(say("MEAS:ALL? 1"), 1) > 2.7) {
    }
    expect("OUTP OFF", "");
    assert_true(wn_tester_take_truth(&bench, &truth));
    assert_near(truth.capacity_ah, whole_ah, 1e-6 * whole_ah);
    assert_true(truth.delivered_ah < whole_ah);

    bench = full;
    expect("SOUR:FUNC DISC;CURR 2.5;VOLT 2.2;:OUTP ON", "");
    (void)say("MEAS:ALL? 1");
    expect("OUTP OFF", "");
    assert_false(wn_tester_take_truth(&bench, &truth));
}

/* The tester's own stop is exact: what it lets through is the capacity. */
static void test_stop_is_exact(void **state)
{
    struct wn_tester_truth truth;

    (void)state;
    bench_start();
    bench_charge();
    expect("SOUR:FUNC DISC;CURR 10;VOLT 2.8;:OUTP ON", "");
    while (field(say("MEAS:ALL? 1"), 5) > 0.5) {
    }
    assert_true(wn_tester_take_truth(&bench, &truth));
    assert_near(truth.cutoff_v, 2.8, 1e-12); /* higher than the datasheet's */
    assert_near(truth.delivered_ah, truth.capacity_ah, 1e-8);
}

static void test_chosen_cutoff(void **state)
{
    struct wn_tester_truth truth;

    (void)state;
    bench_start();
    bench_charge();
    expect("SIM:CELL:CUT 3.0;:SOUR:FUNC DISC;CURR 5;VOLT 2.5;:OUTP ON", "");
    while (field(say("MEAS:ALL? 1"), 5) > 0.5) {
    }
    assert_true(wn_tester_take_truth(&bench, &truth));
    assert_near(truth.cutoff_v, 3.0, 1e-12);
    assert_true(truth.capacity_ah < truth.delivered_ah - 0.02);
}

/* Noise and resolution are what they say; the errors of the instrument come on top. */
static void test_measurement(void **state)
{
    const int n = 20000;
    double v_sum = 0.0;
    double v_sum2 = 0.0;
    double i_sum2 = 0.0;

    (void)state;
    bench_prepare();
    bench_setup.accuracy.voltage_noise_v = 1e-4;
    bench_setup.accuracy.current_noise_a = 5e-4;
    bench_setup.seed = 12;
    print_message("SEED=12\n");
    wn_tester_init(&bench, &bench_setup);
    for (int i = 0; i < n; i++) {
        const char *reply = say("MEAS:ALL? 0");
        double off_v = field(reply, 1) - wn_cell_voltage(&bench.cell, 0.0);
        v_sum += off_v;
        v_sum2 += off_v * off_v;
        i_sum2 += field(reply, 2) * field(reply, 2);
    }
    /* rounding adds 1/12 of its step squared; five standard errors */
    assert_near(v_sum / n, 0.0, 5.0 * 1.05e-4 / sqrt(n));
    assert_near(v_sum2 / n, 1e-8 + 1e-8 / 12.0, 5.0 * 1.1e-8 * sqrt(2.0 / n));
    assert_near(i_sum2 / n, 25e-8 + 1e-8 / 12.0, 5.0 * 25.1e-8 * sqrt(2.0 / n));
    bench_setup.accuracy = (struct wn_tester_accuracy){.voltage_gain = 0.01,
                                                       .voltage_offset_v = 0.1,
                                                       .current_gain = -0.01,
                                                       .current_offset_a = 0.2};
    wn_tester_init(&bench, &bench_setup);
    assert_near(ask("MEAS:VOLT?"), wn_cell_voltage(&bench.cell, 0.0) * 1.01 + 0.1, 6e-5);
    expect("SOUR:FUNC DISC;CURR 10;:OUTP ON", "");
    assert_near(ask("MEAS:CURR?"), -9.7, 1e-9);
}

static void test_ambient(void **state)
{
    double lowest = 100.0;
    double highest = 0.0;

    (void)state;
    bench_prepare();
    bench_setup.ambient_c = 23.0;
    bench_setup.ambient_swing_c = 1.0;
    wn_tester_init(&bench, &bench_setup);
    for (int i = 0; i < 3000; i++) {
        double c = field(say("MEAS:ALL? 600"), 4);
        lowest = fmin(lowest, c);
        highest = fmax(highest, c);
    }
    assert_true(lowest >= 21.99 && lowest < 22.4);
    assert_true(highest <= 24.01 && highest > 23.6);
    assert_near(ask("SIM:CELL:TEMP?"), bench.cell.ambient_c, 0.3);
}

static uint64_t conversation(uint64_t seed)
{
    uint64_t hash = 14695981039346656037u; /* FNV-1a */

    assert_true(wn_tester_setup_init(&bench_setup, "weak"));
    bench_setup.seed = seed;
    wn_tester_init(&bench, &bench_setup);
    for (int k = 0; k < 2; k++) {
        (void)say("SOUR:FUNC CHAR;CURR 4;VOLT 4.2;:OUTP ON");
        for (int i = 0; i < 3000; i++) {
            for (const char *c = say(i % 1500 < 500 ? "MEAS:ALL? 1" : "MEAS:ALL? 5"); *c != '\0';
                 c++) {
                hash = (hash ^ (unsigned char)*c) * 1099511628211u;
            }
            if (i == 1500) {
                (void)say("OUTP OFF;:SOUR:FUNC DISC;CURR 10;VOLT 2.5;:OUTP ON");
            }
        }
        (void)say("OUTP OFF;OUTP:PROT:CLE");
    }
    return hash;
}

static void test_seed_decides_every_byte(void **state)
{
    uint64_t first = conversation(42);

    (void)state;
    assert_true(conversation(42) == first);
    assert_true(conversation(43) != first);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_truth_of_cycles),
        cmocka_unit_test(test_truth_of_stopped_discharges),
        cmocka_unit_test(test_stop_is_exact),
        cmocka_unit_test(test_chosen_cutoff),
        cmocka_unit_test(test_measurement),
        cmocka_unit_test(test_ambient),
        cmocka_unit_test(test_seed_decides_every_byte),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
