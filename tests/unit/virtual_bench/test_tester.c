/* Virtual bench: its commands, clock, protections and faults.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench.h"

static void test_common_commands(void **state)
{
    (void)state;
    bench_start();
    expect("*IDN?", "wane project,virtual bench,SIMULATED-1,0");
    expect("*ESR?", "128"); /* power on */
    expect("*ESR?", "0");
    expect("*OPC?", "1");
    expect("*TST?", "0");
    expect("*WAI;*OPC;*ESR?", "1");
    expect("*ESE 36;*ESE?", "36");
    expect("*SRE 255;*SRE?", "191");
    expect("*SRE 32;*STB?", "0");
    expect("NONSENSE", "");
    expect("*STB?", "100"); /* error queue, event summary, request */
    expect("*CLS;*STB?;*ESR?", "0;0");
    expect("SYST:VERS?", "1999.0");
    expect("*ESE 256", "");
    expect("*ESE", "");
    expect("*CLS 1", "");
    expect("SYST:ERR:COUN?", "3");
    expect("SYST:ERR?;ERR?;ERR?;ERR?", "-222,\"Data out of range\";-109,\"Missing parameter\";"
                                       "-108,\"Parameter not allowed\";0,\"No error\"");
}

static void test_chains(void **state)
{
    (void)state;
    bench_start();
    expect("SOUR:VOLT:PROT:HIGH 4.25;LOW 2200mV", "");
    expect("SOUR:VOLT:PROT:HIGH?;LOW?;*OPC?;HIGH?", "4.25;2.2;1;4.25");
    expect("source:function discharge;current 10;voltage 2.2", "");
    expect("SOUR:FUNC?;CURR?;VOLT?;POW?", "DISC;10;2.2;0");
    /* a header that starts at the root of another */
    expect("SOUR:CURR 4;OUTP?", "");
    expect("SYST:ERR?;:SOUR:CURR?", "-113,\"Undefined header\";4");
    /* nothing behind a command error is done; a refused value does not stop the line */
    expect("SOUR:CURR 5;BAD;:SOUR:CURR 6", "");
    expect("SOUR:CURR?;CURR 99;CURR?", "5;5");
    expect("*CLS;SOUR:CURR? MAX;CURR? MIN;CURR? DEF;CURR? 3", "30;0;0");
    expect("SYST:ERR?", "-104,\"Data type error\"");
    expect("SOUR:CURR MAX;CURR?", "30");
    expect("OUTP?;:MEAS:CURR?;TIME?", "0;0.0000;0.002000");
}

static void test_queue_overflows(void **state)
{
    (void)state;
    bench_start();
    for (int i = 0; i < 40; i++) {
        expect("WHAT", "");
    }
    for (int i = 0; i < WN_SCPI_QUEUE_MAX - 1; i++) {
        expect("SYST:ERR?", "-113,\"Undefined header\"");
    }
    expect("SYST:ERR?", "-350,\"Queue overflow\"");
    expect("SYST:ERR?", "0,\"No error\"");
    wn_tester_overrun(&bench);
    expect("SYST:ERR?;*ESR?", "-363,\"Input buffer overrun\";168");
}

static void test_reply_too_long(void **state)
{
    char line[WN_SCPI_LINE_MAX] = "";

    (void)state;
    bench_start();
    for (size_t n = 0; n + 6 < sizeof line; n += 6) {
        memcpy(&line[n], "*IDN?;", 7);
    }
    expect(line, "");
    expect("SYST:ERR?", "-430,\"Query DEADLOCKED\"");
}

static void test_clock(void **state)
{
    (void)state;
    bench_start();
    expect("SOUR:CURR?;:OUTP?;:SYST:ERR?", "0;0;0,\"No error\""); /* takes no time */
    assert_near(ask("MEAS:TIME?"), 0.001, 1e-9);
    assert_near(ask("MEAS:VOLT?;TIME?"), ask("SIM:CELL:VOLT?"), 5e-5);
    assert_near(ask("MEAS:ALL? 7"), 7.003, 1e-9);
    assert_near(ask("MEAS:ALL?"), 67.003, 1e-9);
    assert_near(ask("MEAS:ALL? 1000"), 667.003, 1e-9); /* at most 600 s at rest */
    assert_near(ask("MEAS:ALL? 100 ms"), 667.103, 1e-9);
    expect("SOUR:FUNC CHAR;CURR 1;VOLT 4.2;:OUTP ON", "");
    assert_near(ask("MEAS:ALL?"), 668.103, 1e-9);
    assert_near(ask("MEAS:ALL? 60"), 673.103, 1e-9); /* at most 5 s with current */
    expect("MEAS:ALL? -1", "");
    expect("SYST:ERR?", "-222,\"Data out of range\"");
}

static void test_currents(void **state)
{
    const char *reply;

    (void)state;
    bench_start();
    assert_near(field(say("MEAS:ALL? 60"), 2), 0.0, 0.0);
    expect("SOUR:FUNC CHAR;CURR 2;VOLT 4.2;:OUTP ON;OUTP?", "1");
    reply = say("MEAS:ALL? 1");
    assert_near(field(reply, 2), 2.0, 1e-9);
    assert_near(field(reply, 5), 1.0, 0.0);
    expect("SOUR:FUNC DISC", ""); /* not under load */
    expect("SYST:ERR?;:SOUR:FUNC?", "-221,\"Settings conflict\";CHAR");
    expect("OUTP 0;:SOUR:FUNC DISC;CURR 10;VOLT 2.2;:OUTP 1", "");
    assert_near(ask("MEAS:CURR?"), -10.0, 1e-9);
    expect("SOUR:CURR 2.5", ""); /* the next level of a pulse */
    assert_near(ask("MEAS:CURR?"), -2.5, 1e-9);
    expect("OUTP OFF;:SOUR:FUNC POW;POW 20;:OUTP ON", "");
    reply = say("MEAS:ALL? 1");
    assert_near(field(reply, 1) * field(reply, 2), -20.0, 2e-3);
    expect("*RST", "");
    expect("OUTP?;:SOUR:FUNC?;CURR?", "0;CHAR;0");
    assert_near(ask("MEAS:CURR?"), 0.0, 0.0);
}

/* Runs until the output goes off; fails after limit_s. */
static void run_until_off(double limit_s)
{
    for (double s = 0.0; s < limit_s; s += 1.0) {
        if (field(say("MEAS:ALL? 1"), 5) < 0.5) {
            return;
        }
    }
    fail_msg("output is still on");
}

static void expect_trip(const char *set_up, const char *sum)
{
    bench_start();
    expect(set_up, "");
    expect("SYST:ERR?", "0,\"No error\"");
    run_until_off(20000.0);
    expect("OUTP:PROT:TRIP?", sum);
    assert_near(ask("MEAS:CURR?"), 0.0, 0.0);
    expect("OUTP ON", ""); /* latched */
    expect("SYST:ERR?;:OUTP?", "-221,\"Settings conflict\";0");
    expect("OUTP:PROT:CLE;TRIP?", "0");
    expect("OUTP ON;OUTP?", "1");
}

static void test_protections(void **state)
{
    (void)state;
    expect_trip("SOUR:FUNC CHAR;CURR 4;VOLT 5;:SOUR:VOLT:PROT:HIGH 4.25;:OUTP ON", "1");
    expect_trip("SOUR:FUNC DISC;CURR 5;:SOUR:VOLT:PROT:LOW 2.8;:OUTP ON", "2");
    expect_trip("SOUR:FUNC DISC;CURR 5;:SOUR:CURR:PROT 4;:OUTP ON", "4");
    expect_trip("SOUR:FUNC DISC;CURR 20;:SOUR:TEMP:PROT 27;:OUTP ON", "8");
    expect_trip("SOUR:FUNC DISC;CURR 5;VOLT 2.9;:OUTP ON", "32");
    expect_trip("SOUR:FUNC POW;POW 30;VOLT 2.9;:OUTP ON", "32");
}

static void test_abuse_is_physical(void **state)
{
    double before_c;

    (void)state;
    bench_start(); /* over-discharge: voltage collapses, current cannot be held, never below zero */
    expect("SOUR:FUNC DISC;CURR 10;:OUTP ON", "");
    for (int i = 0; i < 600; i++) {
        (void)say("MEAS:ALL? 1");
    }
    assert_near(ask("MEAS:VOLT?"), 0.05, 1e-3);
    assert_true(fabs(ask("MEAS:CURR?")) < 5.0);
    bench_start(); /* overcharge: voltage rises without end, the cell gets hot */
    expect("SOUR:FUNC CHAR;CURR 4;VOLT 6;VOLT:PROT:HIGH 6.5;:OUTP ON", "");
    before_c = ask("SIM:CELL:TEMP?");
    for (int i = 0; i < 2000; i++) {
        (void)say("MEAS:ALL? 1");
    }
    assert_true(ask("SIM:CELL:SOC?") > 1.05);
    assert_true(ask("MEAS:VOLT?") > 4.4);
    assert_true(ask("SIM:CELL:TEMP?") > before_c + 5.0);
}

static void test_silence_of_the_controller(void **state)
{
    const int64_t s = INT64_C(1000000000);

    (void)state;
    bench_start();
    wn_tester_heard(&bench, 100 * s);
    assert_true(wn_tester_silence_deadline(&bench) == INT64_MAX);
    expect("SYST:COMM:TIM 5;:SOUR:FUNC DISC;CURR 5;:OUTP ON", "");
    assert_true(wn_tester_silence_deadline(&bench) == 105 * s);
    wn_tester_watch(&bench, 105 * s - 1);
    expect("OUTP?", "1");
    wn_tester_heard(&bench, 104 * s);
    wn_tester_watch(&bench, 108 * s);
    expect("OUTP?", "1");
    wn_tester_watch(&bench, 109 * s);
    expect("OUTP?", "0");
    expect("OUTP:PROT:TRIP?", "16");
    assert_true(wn_tester_silence_deadline(&bench) == INT64_MAX);
}

static void test_faults(void **state)
{
    double frozen_c;

    (void)state;
    bench_start();
    expect("SIM:FAUL:THER:OFFS 10", "");
    assert_near(ask("MEAS:TEMP?"), 35.0, 0.011);
    expect("SIM:FAUL:THER OPEN", "");
    expect("MEAS:TEMP?", "9.91E37");
    expect("SIM:FAUL:THER FRE", "");
    frozen_c = ask("MEAS:TEMP?");
    expect("SOUR:FUNC DISC;CURR 10;:OUTP ON", "");
    for (int i = 0; i < 100; i++) {
        (void)say("MEAS:ALL? 1");
    }
    assert_near(ask("MEAS:TEMP?"), frozen_c, 0.0);
    assert_true(ask("SIM:CELL:TEMP?") > 27.0);
    expect("SIM:FAUL:CLE;SENS ON", "");
    expect("MEAS:VOLT?", "9.91E37");
    expect("SIM:FAUL:SENS OFF;OUTP ON;:OUTP OFF;OUTP?", "0");
    assert_near(ask("MEAS:CURR?"), -10.0, 1e-9); /* stuck: told off, flows on */
    expect("*RST", "");
    assert_true(ask("SIM:CELL:CURR?") <= 0.0);
    expect("SIM:FAUL:OUTP OFF", "");
    assert_near(ask("MEAS:CURR?"), 0.0, 0.0);
    expect("SIM:FAUL:SIL 2", "");
    expect("*IDN?", "");
    expect("*CLS", "");
    expect("*IDN?", "");
    expect("*OPC?", "1");
    expect("SIM:FAUL:GARB 1", "");
    assert_string_not_equal(say("*IDN?"), bench_setup.identity);
    expect("*IDN?", bench_setup.identity);
    expect("SOUR:CURR 4;:OUTP ON;:SIM:FAUL:RES", "");
    expect("OUTP?;*ESR?;:SOUR:CURR?", "0;128;0");
}

static void test_planned_faults(void **state)
{
    (void)state;
    bench_prepare();
    bench_setup.plans = 2;
    bench_setup.plan[0] = (struct wn_tester_plan){INT64_C(90000000000), "SIM:FAUL:THER NONE"};
    bench_setup.plan[1] = (struct wn_tester_plan){INT64_C(30500000000), "SIM:FAUL:THER OPEN"};
    wn_tester_init(&bench, &bench_setup);
    assert_true(field(say("MEAS:ALL? 30"), 3) < 100.0);
    assert_true(field(say("MEAS:ALL? 1"), 3) > 9e37);
    assert_true(field(say("MEAS:ALL? 58"), 3) > 9e37);
    assert_true(field(say("MEAS:ALL? 1"), 3) < 100.0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_common_commands),
        cmocka_unit_test(test_chains),
        cmocka_unit_test(test_queue_overflows),
        cmocka_unit_test(test_reply_too_long),
        cmocka_unit_test(test_clock),
        cmocka_unit_test(test_currents),
        cmocka_unit_test(test_protections),
        cmocka_unit_test(test_abuse_is_physical),
        cmocka_unit_test(test_silence_of_the_controller),
        cmocka_unit_test(test_faults),
        cmocka_unit_test(test_planned_faults),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
