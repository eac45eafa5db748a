/* Virtual bench: supplies and loads at the cell, the interlock's contact, and how numbers are
 * written. SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench.h"

#define S INT64_C(1000000000)

static struct wn_stage supply, load;

static void prepare(void)
{
    bench_start();
    supply = (struct wn_stage){.current_a = 2.0, .voltage_v = 4.2};
    load = (struct wn_stage){.load = true, .current_a = 5.0, .voltage_v = 2.5};
    wn_stage_attach(&bench, &supply);
    wn_stage_attach(&bench, &load);
}

static void test_one_at_a_time(void **state)
{
    double charge_ah;

    (void)state;
    prepare();
    charge_ah = bench.cell.charge_ah;
    wn_stage_switch(&bench, &supply, true);
    wn_tester_advance(&bench, 100 * S);
    assert_near(supply.flow_a, 2.0, 1e-12);
    assert_near(bench.flow_a, 2.0, 1e-12);
    assert_near(bench.cell.charge_ah - charge_ah, 200.0 / 3600.0, 1e-4); /* some is lost */
    assert_near(ask("MEAS:CURR?"), 0.0, 1e-12); /* of the tester, which is off */
    wn_stage_switch(&bench, &supply, false);
    assert_near(bench.flow_a, 0.0, 0.0);
    wn_stage_switch(&bench, &load, true);
    wn_tester_advance(&bench, 10 * S);
    assert_near(load.flow_a, -5.0, 1e-12);
    load.power = true;
    load.power_w = 10.0;
    wn_tester_advance(&bench, 10 * S);
    assert_near(load.flow_a * load.terminal_v, -10.0, 1e-3);
    assert_int_equal(bench.both_count, 0);
}

/* Constant current, then constant voltage; then the load empties it down to its own stop. */
static void test_round(void **state)
{
    struct wn_tester_truth truth;

    (void)state;
    prepare();
    supply.current_a = 4.0;
    wn_stage_switch(&bench, &supply, true);
    for (int i = 0; i < 20000 && (i < 10 || supply.flow_a > 0.1); i++) {
        wn_tester_advance(&bench, S);
        assert_true(supply.terminal_v < 4.2 + 1e-6);
    }
    assert_near(supply.terminal_v, 4.2, 1e-6);
    wn_stage_switch(&bench, &supply, false);
    wn_tester_advance(&bench, 3600 * S);
    wn_stage_switch(&bench, &load, true);
    for (int i = 0; i < 4000 && load.on; i++) {
        wn_tester_advance(&bench, S);
    }
    assert_false(load.on);
    assert_true(load.stopped);
    assert_near(load.flow_a, 0.0, 0.0);
    assert_true(wn_tester_take_truth(&bench, &truth));
    assert_near(truth.cutoff_v, 2.5, 1e-12);
    assert_near(truth.current_a, 5.0, 1e-12);
    assert_near(truth.capacity_ah, truth.delivered_ah, 1e-6);
    assert_near(truth.capacity_ah, ask("SIM:CELL:CAP? 5,2.5"), 0.02);
    wn_stage_switch(&bench, &load, true); /* a second time it stops at once */
    wn_tester_advance(&bench, 60 * S);
    assert_true(load.stopped || wn_cell_voltage(&bench.cell, 0.0) > 2.5);
}

/* The worst mistake: the supply feeds the load, and the cell's limits notice nothing. */
static void test_both(void **state)
{
    double soc;

    (void)state;
    prepare();
    supply.current_a = 8.0;
    wn_stage_switch(&bench, &load, true);
    assert_int_equal(bench.both_count, 0);
    wn_stage_switch(&bench, &supply, true);
    assert_int_equal(bench.both_count, 1);
    wn_tester_advance(&bench, S);
    assert_near(load.flow_a, -5.0, 1e-12);
    assert_near(supply.flow_a, 8.0, 1e-9);
    assert_near(bench.flow_a, 3.0, 1e-9);
    supply.current_a = 5.0; /* all of it into the load */
    soc = wn_cell_soc(&bench.cell);
    wn_tester_advance(&bench, 100 * S);
    assert_near(wn_cell_soc(&bench.cell), soc, 1e-9);
    assert_int_equal(bench.both_count, 1); /* still the same time */
    wn_stage_switch(&bench, &load, false);
    wn_stage_switch(&bench, &load, true);
    assert_int_equal(bench.both_count, 2);
    wn_stage_switch(&bench, &supply, false);
    assert_false(bench.both);
    expect("SIM:CELL:BOTH?", "2");
    /* the tester counts as well */
    expect("SOUR:FUNC CHAR;CURR 1;VOLT 4.2;:OUTP ON", "");
    expect("SIM:CELL:BOTH?", "3");
    assert_near(ask("MEAS:CURR?"), 1.0, 1e-9);
    assert_near(bench.flow_a, -4.0, 1e-9);
    /* one more does not make it a new time */
    wn_stage_switch(&bench, &supply, true);
    expect("SIM:CELL:BOTH?;:OUTP OFF", "3");
    /* a supply set below the cell's voltage feeds nothing, and sinks nothing */
    supply.voltage_v = 3.0;
    wn_tester_advance(&bench, S);
    assert_near(supply.flow_a, 0.0, 1e-9);
    assert_near(bench.flow_a, -5.0, 1e-9);
}

static void test_interlock(void **state)
{
    double soc;

    (void)state;
    prepare();
    soc = wn_cell_soc(&bench.cell);
    wn_stage_interlock(&bench, true);
    wn_stage_switch(&bench, &supply, true);
    wn_tester_advance(&bench, 60 * S);
    assert_near(supply.flow_a, 0.0, 0.0);
    assert_near(supply.terminal_v, 4.2, 0.0);
    expect("SOUR:FUNC CHAR;CURR 1;VOLT 4.2;:OUTP ON", "");
    assert_near(ask("MEAS:CURR?"), 0.0, 0.0);
    expect("OUTP OFF", "");
    wn_stage_switch(&bench, &supply, false);
    wn_stage_switch(&bench, &load, true);
    wn_tester_advance(&bench, S);
    assert_true(load.stopped); /* there is nothing to draw from */
    wn_stage_switch(&bench, &supply, true);
    load.voltage_v = 0.0;
    wn_stage_switch(&bench, &load, true);
    wn_tester_advance(&bench, S);
    assert_near(load.flow_a, -2.0, 1e-12);  /* one instrument heats the other */
    assert_near(load.terminal_v, 0.0, 0.0); /* it wants more than there is */
    load.current_a = 2.0;
    wn_tester_advance(&bench, S);
    assert_near(load.terminal_v, 4.2, 0.0);
    assert_near(wn_cell_soc(&bench.cell), soc, 1e-12);
    wn_stage_switch(&bench, &load, false);
    wn_stage_interlock(&bench, false);
    wn_tester_advance(&bench, S);
    assert_near(bench.flow_a, 2.0, 1e-12);
    wn_stage_interlock(&bench, true);
    assert_near(bench.flow_a, 0.0, 0.0);
}

static void test_stuck_and_protections(void **state)
{
    (void)state;
    prepare();
    supply.stuck = true;
    wn_stage_switch(&bench, &supply, true);
    wn_stage_switch(&bench, &supply, false);
    assert_true(!supply.on && supply.closed);
    wn_tester_advance(&bench, S);
    assert_near(bench.flow_a, 2.0, 1e-12); /* it says off, and charges */
    supply.stuck = false;
    wn_stage_switch(&bench, &supply, false);
    wn_tester_advance(&bench, S);
    assert_near(bench.flow_a, 0.0, 0.0);
    supply.protect_a = 1.5;
    wn_stage_switch(&bench, &supply, true);
    wn_tester_advance(&bench, S);
    assert_true(supply.tripped && !supply.on);
    load.protect_v = 3.0; /* below what the cell has */
    wn_stage_switch(&bench, &load, true);
    wn_tester_advance(&bench, S);
    assert_true(load.tripped && !load.on);
}

static const char *written(bool comma, bool unit, bool prefix, bool exponent, double value,
                           const char *what)
{
    static char buf[WN_STYLE_SIZE];
    const struct wn_number_style s = {comma, unit, prefix, exponent};
    return wn_style_write(&s, value, 4, what, buf);
}

static void test_styles(void **state)
{
    (void)state;
    assert_string_equal(written(0, 0, 0, 0, 3.712, "V"), "3.7120");
    assert_string_equal(written(1, 0, 0, 0, 3.712, "V"), "3,7120");
    assert_string_equal(written(0, 1, 0, 0, 3.712, "V"), "3.7120 V");
    assert_string_equal(written(0, 0, 1, 0, 3.712, "V"), "V=3.7120");
    assert_string_equal(written(0, 0, 1, 0, -1.5, "A"), "I=-1.5000");
    assert_string_equal(written(0, 1, 1, 0, 23.5, "C"), "T=23.5000 C");
    assert_string_equal(written(0, 1, 1, 0, 2.0, ""), "2.0000");
    assert_string_equal(written(0, 0, 0, 1, 3.712, "V"), "+3.712000E+00");
    assert_string_equal(written(1, 0, 0, 1, -0.00025, "A"), "-2,500000E-04");
    assert_string_equal(written(0, 0, 0, 1, 0.0, "A"), "+0.000000E+00");
    assert_string_equal(written(0, 0, 0, 1, 9.99999999, "V"), "+1.000000E+01");
    assert_string_equal(written(0, 0, 0, 1, 12345.0, "V"), "+1.234500E+04");
    assert_string_equal(written(1, 0, 0, 0, NAN, "V"), "9,91E37");
}

static void test_styles_of_the_tester(void **state)
{
    const char *reply;

    (void)state;
    bench_start();
    bench.style = (struct wn_number_style){.comma = true, .unit = true};
    reply = say("MEAS:ALL? 60");
    assert_string_equal(strchr(reply, ';'), strstr(reply, ";3,")); /* lists need another mark */
    assert_non_null(strstr(reply, " V;0,0000 A;25,00 C;25,00 C;0"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_one_at_a_time),
        cmocka_unit_test(test_round),
        cmocka_unit_test(test_both),
        cmocka_unit_test(test_interlock),
        cmocka_unit_test(test_stuck_and_protections),
        cmocka_unit_test(test_styles),
        cmocka_unit_test(test_styles_of_the_tester),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
