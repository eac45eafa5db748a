/* Virtual bench: supply, load, thermometers and relay, on one cell.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "insts.h"

static void test_supply(void **state)
{
    struct wn_inst *p;

    (void)state;
    vb_start(1, 0.0);
    p = vb_add(WN_INST_SUPPLY, "");
    vb_expect(p, "*IDN?", "wane project,virtual supply,SIMULATED-1,0");
    vb_expect(p, "*ESR?;*OPC?;*TST?;:SYST:VERS?", "128;1;0;1999.0");
    vb_expect(p, "SOUR:VOLT 4.2;CURR 2500mA;:OUTP ON", "");
    vb_expect(p, "SOUR:VOLT?;CURR?;:OUTP?", "4.2;2.5;1");
    vb_expect(p, "SOUR:VOLT? MAX;CURR? MAX", "6;30");
    assert_near(vb_field(vb_say(p, "MEAS:ALL? 1"), 2), 2.5, 1e-9);
    assert_near(vb_ask(p, "MEAS:VOLT?"), wn_cell_voltage(&vb.world[0].cell, 2.5), 5e-5);
    assert_near(vb_ask(p, "MEAS:POW?"), 2.5 * vb_ask(p, "MEAS:VOLT?"), 2e-3);
    vb_expect(p, "OUTP OFF;OUTP?;:MEAS:CURR?", "0;0.0000");
    vb_expect(p, "SOUR:CURR:PROT 1;:OUTP 1", "");
    (void)vb_say(p, "MEAS:ALL? 1");
    vb_expect(p, "OUTP?;OUTP:PROT:TRIP?", "0;1");
    vb_expect(p, "OUTP 1;:SYST:ERR?;:OUTP?", "-221,\"Settings conflict\";0");
    vb_expect(p, "OUTP:PROT:CLE;:OUTP 1;OUTP?;*RST;OUTP?;:SOUR:VOLT?", "1;0;0");
    /* nothing of a load, of the truth */
    vb_expect(p, "INP ON;*IDN?", "");
    vb_expect(p, "SIM:CELL:SOC?;LOAD:CURR 1", "");
    vb_expect(p, "SYST:ERR:COUN?", "2");
    vb_expect(p, "SYST:ERR?", "-113,\"Undefined header\"");
    vb_expect(p, "*CLS;SOUR:VOLT 7;VOLT;VOLT 1,2;:OUTP 2", "");
    vb_expect(p, "SYST:ERR?;ERR?;ERR?",
              "-222,\"Data out of range\";-109,\"Missing parameter\";"
              "0,\"No error\"");
}

static void test_load(void **state)
{
    struct wn_inst *l;

    (void)state;
    vb_start(1, 0.0);
    l = vb_add(WN_INST_LOAD, "");
    vb_expect(l, "LOAD:CURR 5;VOLT:STOP 3.0;:INP ON", "");
    vb_expect(l, "LOAD:MODE?;CURR?;VOLT:STOP?;:INP?;INP:STOP?", "CURR;5;3;1;0");
    assert_near(vb_field(vb_say(l, "MEAS:ALL? 1"), 2), 5.0, 1e-9); /* drawn: positive */
    vb_expect(l, "LOAD:MODE POW", "");
    vb_expect(l, "SYST:ERR?", "-221,\"Settings conflict\"");
    vb_expect(l, "INP OFF;:LOAD:MODE POW;POW 12;:INP ON", "");
    (void)vb_say(l, "MEAS:ALL? 1");
    assert_near(vb_ask(l, "MEAS:POW?"), 12.0, 0.05);
    for (int n = 0; n < 5000 && vb_ask(l, "INP?") > 0.0; n++) {
        (void)vb_say(l, "MEAS:ALL? 5");
    }
    vb_expect(l, "INP?;INP:STOP?;:MEAS:CURR?", "0;1;0.0000");
    vb_expect(l, "INP ON;INP:STOP?", "0");
}

/* A load that stops by itself is told of when it happens, not when somebody asks. */
static void test_stop_is_told(void **state)
{
    struct wn_tester_truth truth;
    struct wn_bench_event e;
    struct wn_inst *l;

    (void)state;
    vb_start(1, 60.0);
    l = vb_add(WN_INST_LOAD, "");
    vb_expect(l, "LOAD:CURR 5;VOLT:STOP 2.5;:INP ON", "");
    assert_true(wn_bench_take_event(&vb, &e) && e.what == WN_BENCH_CLOSED);
    now_ns += 600 * S; /* even when the host was asleep */
    wn_bench_run(&vb, now_ns);
    assert_true(wn_bench_take_event(&vb, &e) && e.what == WN_BENCH_OPENED);
    assert_true(wn_tester_take_truth(&vb.world[0], &truth));
    assert_true((double)e.time_ns * 1e-9 >= truth.time_s);
    assert_near((double)e.time_ns * 1e-9, truth.time_s, 1.0);
    assert_int_equal(wn_bench_deadline(&vb), INT64_MAX); /* nothing to do any more */
    vb_expect(l, "INP ON", "");
    assert_int_equal(wn_bench_deadline(&vb), now_ns + 50 * MS);
}

/* One cell, one clock; and the fault that must never happen is in the log. */
static void test_both_at_once(void **state)
{
    struct wn_bench_event e;
    struct wn_inst *p;
    struct wn_inst *l;
    struct wn_inst *t;

    (void)state;
    vb_start(1, 0.0);
    t = vb_add(WN_INST_TESTER, "");
    p = vb_add(WN_INST_SUPPLY, "");
    l = vb_add(WN_INST_LOAD, "name=sink");
    vb_expect(p, "SOUR:VOLT 4.2;CURR 2;:OUTP ON", "");
    (void)vb_say(p, "MEAS:ALL? 5");
    vb_expect(l, "MEAS:TIME?", "5.001000"); /* one clock */
    vb_expect(l, "LOAD:CURR 2;:INP ON", "");
    (void)vb_say(l, "MEAS:ALL? 1");
    assert_near(vb_ask(p, "MEAS:CURR?"), 2.0, 1e-9);
    assert_near(vb_ask(l, "MEAS:CURR?"), 2.0, 1e-9);
    vb_expect(t, "SIM:CELL:CURR?;BOTH?", "0;1"); /* all of it into the load */
    vb_expect(p, "OUTP OFF", "");
    vb_expect(l, "INP OFF", "");
    assert_true(wn_bench_take_event(&vb, &e) && e.what == WN_BENCH_CLOSED);
    assert_string_equal(e.text, "supply");
    assert_true(wn_bench_take_event(&vb, &e) && e.what == WN_BENCH_CLOSED);
    assert_string_equal(e.text, "sink");
    assert_true(wn_bench_take_event(&vb, &e) && e.what == WN_BENCH_BOTH);
    assert_string_equal(e.text, "cell 1");
    assert_true(wn_bench_take_event(&vb, &e) && e.what == WN_BENCH_OPENED);
    assert_string_equal(e.text, "supply");
    assert_true(wn_bench_take_event(&vb, &e) && e.what == WN_BENCH_OPENED);
    assert_false(wn_bench_take_event(&vb, &e));
}

static void test_outputs(void **state)
{
    struct wn_inst *p;

    (void)state;
    vb_start(2, 0.0);
    p = vb_add(WN_INST_SUPPLY, "outputs=3");
    vb_expect(p, "INST:COUN?;NSEL?", "3;1");
    vb_expect(p, "SOUR:VOLT 4.2,(@2);CURR 1.5,(@2);:OUTP ON,(@2)", "");
    vb_expect(p, "OUTP?;OUTP? (@2);:SOUR:CURR? (@2);CURR?", "0;1;1.5;0");
    (void)vb_say(p, "MEAS:ALL? 1,(@2)");
    vb_expect(p, "MEAS:CURR? (@1);CURR? (@2)", "0.0000;1.5000");
    assert_near(vb.world[0].flow_a, 0.0, 0.0);
    assert_near(vb.world[1].flow_a, 1.5, 1e-12);
    assert_int_equal(vb.world[0].time_ns, vb.world[1].time_ns);
    vb_expect(p, "INST:NSEL 2;NSEL?;:OUTP?", "2;1");
    vb_expect(p, "INST:NSEL 3;:SOUR:VOLT 5;CURR 1;:OUTP ON;:MEAS:VOLT?;CURR?", "5.0000;0.0000");
    vb_expect(p, "OUTP? (@4);:INST:NSEL 4", "");
    vb_expect(p, "SYST:ERR?;ERR?", "-222,\"Data out of range\";-222,\"Data out of range\"");
    vb_expect(p, "*RST;INST:NSEL?;:OUTP? (@2)", "1;0");
}

/* A tester with several outputs: each has its own settings, its own cell and its own errors. */
static void test_tester_outputs(void **state)
{
    struct wn_inst *t;

    (void)state;
    vb_start(2, 0.0);
    t = vb_add(WN_INST_TESTER, "outputs=2");
    vb_expect(t, "SOUR:FUNC CHAR,(@2)", "");
    vb_expect(t, "SOUR:CURR 1.5,(@2)", "");
    vb_expect(t, "SOUR:VOLT 4.2 (@2)", "");
    vb_expect(t, "OUTP ON,(@2)", "");
    vb_expect(t, "OUTP? (@2)", "1");
    vb_expect(t, "OUTP? (@1)", "0");
    vb_expect(t, "OUTP?", "0");
    vb_expect(t, "SOUR:CURR?", "0");
    (void)vb_say(t, "MEAS:ALL? 1,(@2)");
    assert_near(vb.world[0].flow_a, 0.0, 0.0);
    assert_near(vb.world[1].flow_a, 1.5, 1e-12);
    vb_expect(t, "OUTP? (@3)", "");
    vb_expect(t, "NONSENSE,(@2)", "");
    vb_expect(t, "SYST:ERR? (@1)", "0,\"No error\"");
    assert_true(strncmp(vb_say(t, "SYST:ERR? (@2)"), "-113", 4) == 0);
    vb_expect(t, "SYST:COMM:TIM 5,(@2)", "");
    vb_pass(4 * S);
    vb_expect(t, "OUTP? (@1)", "0"); /* whatever comes, it is not silence */
    vb_pass(4 * S);
    vb_expect(t, "OUTP? (@2)", "1");
    vb_pass(6 * S);
    vb_expect(t, "OUTP? (@2)", "0");
}

/* The faults of the command line are the first cell's. */
static void test_faults_of_the_first_cell(void **state)
{
    static struct wn_tester_setup setup;

    (void)state;
    vb_start(1, 1.0);
    setup = vb.world[0].setup;
    setup.plans = 1;
    setup.plan[0] = (struct wn_tester_plan){.time_ns = 5 * S, .text = "SIM:FAUL:SENS ON"};
    wn_bench_init(&vb, &setup, 2, 1.0);
    wn_bench_run(&vb, now_ns);
    vb_pass(6 * S);
    assert_true(vb.world[0].faults.sense_open);
    assert_false(vb.world[1].faults.sense_open);
    assert_int_not_equal(vb.world[0].setup.seed, vb.world[1].setup.seed);
}

static void test_thermometers(void **state)
{
    struct wn_inst *p;
    struct wn_inst *w;
    struct wn_inst *a;
    char got[400];

    (void)state;
    vb_start(1, 10.0);
    p = vb_add(WN_INST_SUPPLY, "");
    w = vb_add(WN_INST_THERMOMETER, "offset-k=1.5");
    a = vb_add(WN_INST_TALKING_THERMOMETER, "place=ambient terminator=crlf prefix");
    vb_expect(w, "MEAS:TEMP?;TEMP? (@2)", "26.50;26.50");
    vb_expect(p, "SOUR:VOLT 4.2;CURR 10;:OUTP ON", "");
    vb_pass(30 * S); /* 300 s by the bench's clock */
    assert_true(vb_ask(w, "MEAS:TEMP?") > 27.0);
    assert_near(vb_ask(w, "MEAS:TEMP? (@2)"), 26.5, 1e-9);
    assert_near(vb_ask(w, "MEAS:TIME?"), 300.0, 1e-6);
    vb_feed(a, "*IDN?\n", 6); /* it does not listen */
    assert_int_equal(vb_wait(a, 100 * MS, got, sizeof got), 9);
    assert_string_equal(got, "T=25.00\r\n");
}

static void test_thermometer_faults(void **state)
{
    struct wn_inst *p;
    struct wn_inst *w;
    double frozen_c;

    (void)state;
    vb_start(1, 1.0);
    p = vb_add(WN_INST_SUPPLY, "");
    w = vb_add(WN_INST_THERMOMETER, "frozen@10 frozen=off@1000 open@2000");
    vb_expect(p, "SOUR:VOLT 4.2;CURR 8;:OUTP ON", "");
    vb_pass(100 * S);
    frozen_c = vb_ask(w, "MEAS:TEMP?");
    vb_pass(850 * S);
    assert_near(vb_ask(w, "MEAS:TEMP?"), frozen_c, 0.0);
    vb_pass(100 * S);
    assert_true(vb_ask(w, "MEAS:TEMP?") > frozen_c + 1.0);
    vb_pass(1000 * S);
    vb_expect(w, "MEAS:TEMP?", "9.91E37");
}

static void test_relay(void **state)
{
    struct wn_inst *p;
    struct wn_inst *r;

    (void)state;
    vb_start(1, 1.0);
    p = vb_add(WN_INST_SUPPLY, "");
    r = vb_add(WN_INST_RELAY, "");
    vb_expect(r, "REL?;REL:CONT?;WATC?;TRIP?", "0;0;0;0");
    vb_expect(p, "SOUR:VOLT 4.2;CURR 1;:OUTP ON", "");
    vb_pass(S);
    vb_expect(p, "MEAS:CURR?", "0.0000"); /* the contact is open */
    vb_expect(r, "REL:WATC 2;:REL ON;REL?;REL:CONT?", "1;1");
    for (int n = 0; n < 5; n++) {
        vb_pass(1900 * MS);
        vb_expect(r, "REL?", "1");
        vb_expect(p, "MEAS:CURR?", "1.0000");
    }
    vb_pass(1900 * MS);
    vb_expect(r, "WHAT?", ""); /* nonsense is no sign of life */
    vb_pass(99 * MS);
    assert_true(r->relay.closed);
    vb_pass(MS);
    assert_false(r->relay.closed);
    vb_pass(S);
    vb_expect(p, "MEAS:CURR?", "0.0000");
    vb_expect(r, "REL?;REL:TRIP?;CONT?;:REL ON;REL?", "0;1;0;0"); /* latched */
    vb_expect(r, "SYST:ERR?;ERR?", "-113,\"Undefined header\";-221,\"Settings conflict\"");
    vb_expect(r, "REL:CLE;:REL ON;REL:CONT?", "1");
    vb_expect(r, "REL OFF;REL:CONT?", "0");
}

static void test_relay_welds(void **state)
{
    struct wn_inst *p;
    struct wn_inst *r;

    (void)state;
    vb_start(1, 1.0);
    p = vb_add(WN_INST_SUPPLY, "");
    r = vb_add(WN_INST_RELAY, "stuck@10 stuck=off@20");
    vb_expect(p, "SOUR:VOLT 4.2;CURR 1;:OUTP ON", "");
    vb_expect(r, "REL ON", "");
    vb_pass(11 * S);
    vb_expect(r, "REL OFF;REL?;REL:CONT?", "0;1");
    vb_expect(p, "MEAS:CURR?", "1.0000");
    vb_pass(10 * S);
    vb_expect(r, "REL:CONT?", "0");
}

static void test_silence_switches_off(void **state)
{
    struct wn_inst *l;

    (void)state;
    vb_start(1, 1.0);
    l = vb_add(WN_INST_LOAD, "");
    vb_expect(l, "SYST:COMM:TIM 3;:LOAD:CURR 1;:INP ON", "");
    vb_pass(2999 * MS);
    vb_expect(l, "INP?", "1");
    vb_pass(3000 * MS);
    vb_expect(l, "INP?;INP:PROT:TRIP?", "0;1");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_supply),
        cmocka_unit_test(test_load),
        cmocka_unit_test(test_stop_is_told),
        cmocka_unit_test(test_both_at_once),
        cmocka_unit_test(test_outputs),
        cmocka_unit_test(test_tester_outputs),
        cmocka_unit_test(test_faults_of_the_first_cell),
        cmocka_unit_test(test_thermometers),
        cmocka_unit_test(test_thermometer_faults),
        cmocka_unit_test(test_relay),
        cmocka_unit_test(test_relay_welds),
        cmocka_unit_test(test_silence_switches_off),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
