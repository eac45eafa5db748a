/* A station of a supply, a load, a relay and thermometers: who switches when, and what ends it.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Beside what a story asserts, several_watch.c looks at every promise all the time. */
#include <math.h>
#include <string.h>

#include "several_rig.h"
#include "support/near.h"

static void test_two_cycles(void **state)
{
    (void)state;
    several_begin(1);
    several_charge();
    assert_true(several_await_state(WN_ENGINE_FINISHED, 7200));
    assert_int_equal(several.times_on[SUPPLY], 2);
    assert_int_equal(several.times_on[LOAD], 2);
    assert_int_equal(several.both, 0);
    several_end();
}

/* ---- the order of switching ---- */

/* Somebody switches the supply on at its panel in the very moment when the load is to be: it is
 * told off before the load is set, however long it takes. */
static void test_the_other_one_is_told_off_first(void **state)
{
    (void)state;
    for (int slow = 0; slow < 2; slow++) {
        several_begin(2);
        several_charge();
        assert_true(several_await(SUPPLY, false, 1800));
        several_run(5);
        for (int i = 0; i < 100000 && !frame.st.bench.output_wanted; i++) {
            several_run(0.001);
        }
        assert_true(frame.st.bench.output_wanted);
        assert_false(plant_is_on(LOAD));
        plant_charge(0.1);
        assert_true(plant_is_on(SUPPLY));
        several_fault(SUPPLY, 60, slow ? "delay-ms=300" : "delay-ms=2");
        assert_true(several_await(LOAD, true, 10));
        assert_true(several.opened_ns[SUPPLY] < several.closed_ns[LOAD]);
        assert_int_equal(several.both, 0);
        several_end();
    }
}

static void test_a_supply_that_stays_on_keeps_the_load_off(void **state)
{
    (void)state;
    several_begin(3);
    several_charge();
    several_fault(SUPPLY, 1e6, "stuck"); /* its contact: it says itself that it is off */
    assert_true(several_await_state(WN_ENGINE_SWITCHING_OFF, 1800));
    assert_true(several_await(RELAY, false, SEVERAL_OFF_S));
    several_halts("not_off", 60);
    assert_int_equal(several.times_on[LOAD], 0);
    several_end();
}

static void test_off_goes_to_both_at_once(void **state)
{
    (void)state;
    several_begin(4);
    several_discharge();
    several_fault(LOAD, 1e6, "in-lose=1"); /* it hears nothing */
    assert_true(several_order(WN_EVENT_PAUSE));
    assert_true(several_instrument(SUPPLY)->session.request == WN_REQUEST_OFF);
    assert_true(several_instrument(LOAD)->session.request == WN_REQUEST_OFF);
    assert_true(several_await(RELAY, false, SEVERAL_OFF_S));
    assert_near(plant_flow_a(), 0, 1e-6);
    several_end();
}

/* Each ammeter by its own certificate: they are told 0.5 A and -1 A. */
static void test_each_is_corrected_by_its_own(void **state)
{
    (void)state;
    several_begin_corrected(31);
    several_charge();
    assert_near(frame.st.reading.current_a, 0.98 * plant_flow_a(), 0.002);
    assert_true(several_await(LOAD, true, 1800));
    several_run(5);
    assert_near(frame.st.reading.current_a, 1.02 * plant_flow_a(), 0.002);
    several_end();
}

/* ---- one of the pair is lost ---- */

static void test_a_lost_supply_halts(void **state)
{
    (void)state;
    several_begin(5);
    several_charge();
    several_fault(SUPPLY, 1e3, "away-ms=20000");
    several_fault(SUPPLY, 1e3, "unplug"); /* and goes on charging */
    several_run(2);
    assert_true(wn_engine_latched(frame.st.engine));
    assert_string_equal(frame_alarm(), "port_gone");
    for (int i = 0; i < 10; i++) { /* a reading without it has no current */
        several_run(1);
        assert_false(frame.st.reading.has & WN_HAS_CURRENT);
    }
    assert_true(several_await(RELAY, false, SEVERAL_OFF_S));
    assert_true(several_await_state(WN_ENGINE_HALTED, 120));
    assert_false(plant_is_on(SUPPLY));
    several_run(60);
    several_go_on();
    several_finishes();
}

static void test_a_lost_load_halts(void **state)
{
    (void)state;
    several_begin(6);
    several_discharge();
    several_fault(LOAD, 1e3, "silence=40");
    assert_true(several_await(RELAY, false, SEVERAL_OFF_S) || !plant_is_on(LOAD));
    assert_true(several_await_state(WN_ENGINE_HALTED, 300));
    assert_near(plant_flow_a(), 0, 1e-6);
    several_run(120);
    assert_null(bench_not_ready(&frame.st));
    several_go_on();
    several_finishes();
}

/* The one that is off now is as much needed: it could begin at any moment. */
static void test_a_lost_load_halts_a_charge(void **state)
{
    (void)state;
    several_begin(7);
    several_charge();
    several_fault(LOAD, 1e3, "away-ms=1000");
    several_fault(LOAD, 1e3, "unplug");
    assert_true(several_await(SUPPLY, false, 3));
    several_halts("port_gone", 60);
    several_run(60);
    several_go_on();
    several_finishes();
}

static void test_another_load_of_the_same_kind(void **state)
{
    (void)state;
    several_begin(8);
    several_charge();
    several_fault(LOAD, 1e3, "identity-after=wane project,virtual load,SIMULATED-2,0");
    several_fault(LOAD, 1e3, "unplug");
    assert_true(several_await(SUPPLY, false, 3));
    several_run(30);
    assert_non_null(bench_not_ready(&frame.st));
    assert_non_null(strstr(bench_fault(&frame.st), "SIMULATED-2"));
    (void)several_order(WN_EVENT_ACKNOWLEDGE);
    (void)several_order(WN_EVENT_RESUME);
    several_run(120);
    assert_false(plant_is_on(SUPPLY) || plant_is_on(LOAD));
    several_fault(LOAD, 1e3, "identity-after=wane project,virtual load,SIMULATED-1,0");
    several_fault(LOAD, 1e3, "unplug");
    several_run(120);
    assert_null(bench_not_ready(&frame.st));
    several_go_on();
    several_finishes();
}

/* Changed while it was silent for a moment, behind a port that stayed: after a missing answer it is
 * asked who it is. */
static void test_another_supply_behind_the_same_port(void **state)
{
    (void)state;
    several_begin(23);
    several_charge();
    several_fault(SUPPLY, 1e3, "identity=wane project,virtual supply,SIMULATED-2,0");
    several_fault(SUPPLY, 1e3, "silence=1");
    assert_true(several_await(SUPPLY, false, 5));
    several_run(60);
    assert_non_null(bench_not_ready(&frame.st));
    assert_non_null(strstr(bench_fault(&frame.st), "SIMULATED-2"));
    (void)several_order(WN_EVENT_ACKNOWLEDGE);
    (void)several_order(WN_EVENT_RESUME);
    several_run(60);
    assert_int_equal(several.times_on[SUPPLY], 1);
    several_end();
}

/* ---- both connected ---- */

static void test_a_load_that_draws_while_the_supply_charges(void **state)
{
    (void)state;
    several_begin(9);
    several_discharge();
    several_fault(LOAD, 1e6, "stuck");
    assert_true(several_await(RELAY, false, 1800));
    several_halts("not_off", 60);
    assert_int_equal(several.times_on[SUPPLY], 1);
    several_end();
}

/* Its contact closes by itself in mid-charge: the cell sees a charge still, a smaller one. */
static void test_a_load_that_begins_by_itself(void **state)
{
    (void)state;
    several_begin(10);
    several_discharge();
    assert_true(several_await(SUPPLY, true, 1800));
    several_run(5);
    plant_flow(LOAD, 0.1);
    assert_true(plant_is_on(LOAD));
    assert_true(several_await(SUPPLY, false, 3));
    assert_true(several_await(RELAY, false, SEVERAL_OFF_S));
    assert_string_equal(frame_alarm(), "not_off");
    several_end();
}

/* Both say that they are off: one feeds what the other draws, and the sum of the currents is
 * nothing. */
static void test_what_feeds_each_other_at_rest(void **state)
{
    (void)state;
    several_begin(25);
    several_charge();
    assert_true(several_order(WN_EVENT_PAUSE));
    assert_true(several_await_state(WN_ENGINE_PAUSED, 30));
    several_fault(SUPPLY, 1e6, "echo=off"); /* in trouble from now on */
    plant_flow(SUPPLY, 0.5);
    plant_flow(LOAD, 0.5);
    several_run(0.01);
    assert_near(plant_flow_a(), 0, 1e-3);
    assert_true(several_await(RELAY, false, SEVERAL_OFF_S));
    assert_true(wn_engine_latched(frame.st.engine));
    assert_string_equal(frame_alarm(), "not_off");
    several_end();
}

/* ---- thermometers ---- */

static void test_a_cell_without_a_thermometer_is_not_charged(void **state)
{
    static const char *const faults[][3] = {{"away-ms=600000", "unplug", "not_plausible"},
                                            {"silence=1000", "echo=off", "not_plausible"},
                                            {"open", "echo=off", "not_plausible"}};
    (void)state;
    for (size_t i = 0; i < sizeof faults / sizeof faults[0]; i++) {
        several_begin(17);
        several_charge();
        several_fault(CELL, 0, faults[i][0]);
        several_fault(CELL, 0, faults[i][1]);
        assert_true(several_await(SUPPLY, false, 10));
        several_halts(faults[i][2], 30);
        assert_false(frame.st.reading.has & WN_HAS_TEMPERATURE);
        several_end();
    }
}

/* A thermometer switches nothing: the end of the service does not wait for it. */
static void test_the_service_ends_without_a_thermometer(void **state)
{
    (void)state;
    several_begin(30);
    several_charge();
    several_fault(AIR, 1e6, "away-ms=600000");
    several_fault(AIR, 1e6, "unplug");
    several_run(1);
    station_ask_end(&frame.st, frame_monotonic());
    wn_ns asked_ns = frame.now_ns;
    while (!frame.st.ending && frame.now_ns < asked_ns + 60 * WN_NS_PER_S) {
        several_run(0.1);
    }
    assert_true(frame.now_ns - asked_ns < 3 * WN_NS_PER_S);
    assert_false(plant_is_on(SUPPLY));
    several_end();
}

static void test_a_frozen_thermometer_halts(void **state)
{
    (void)state;
    several_begin(18);
    several_discharge();
    several_fault(CELL, 0, "frozen");
    assert_true(several_await(LOAD, false, 65));
    several_halts("thermometer_frozen", 30);
    several_end();
}

/* The tester has a thermometer too: it must not stand in for the one at the cell. */
static void test_the_testers_own_thermometer_does_not_stand_in(void **state)
{
    (void)state;
    several_begin_tester(19);
    several_charge();
    several_fault(CELL, 0, "offset-k=3"); /* tells whose it is */
    several_run(5);
    double true_c = plant_temperature_c(CELL);
    assert_near(frame.st.reading.temperature_c, true_c + 3, 1);
    several_fault(CELL, 0, "away-ms=600000");
    several_fault(CELL, 0, "unplug");
    assert_true(several_await(SUPPLY, false, 10));
    several_halts("not_plausible", 30);
    assert_false(frame.st.reading.has & WN_HAS_TEMPERATURE);
    several_end();
}

static const char *sought;

static int count_one(const struct wn_event_row *row, void *ctx)
{
    *(long *)ctx += strcmp(row->event.kind, sought) == 0;
    return 0;
}

static long count_events(const char *kind)
{
    struct wn_error err = {0};
    long n = 0;
    sought = kind;
    assert_int_equal(wn_campaign_each_event(frame.st.campaign, 0, count_one, &n, &err), WN_OK);
    return n;
}

/* Nothing needs it: told, once, and the campaign goes on. */
static void test_the_air_without_a_thermometer_is_a_warning(void **state)
{
    (void)state;
    several_begin(20);
    several_charge();
    several_fault(AIR, 0, "away-ms=3600000");
    several_fault(AIR, 0, "unplug");
    several_run(60);
    assert_true(plant_is_on(SUPPLY) || wn_engine_state(frame.st.engine) == WN_ENGINE_RUNNING);
    assert_false(frame.st.reading.has & WN_HAS_AMBIENT);
    assert_true(frame.st.reading.has & WN_HAS_TEMPERATURE);
    assert_true(several_await_state(WN_ENGINE_FINISHED, 3000));
    assert_int_equal(count_events("thermometer_lost"), 1);
    several_end();
}

/* ---- the process ---- */

static void test_killed_in_mid_discharge(void **state)
{
    (void)state;
    several_begin(21);
    several_discharge();
    several_run(20);
    several_kill();
    assert_false(plant_is_on(LOAD) || plant_is_on(SUPPLY) || plant_is_on(RELAY));
    assert_true(several_await(LOAD, true, 120));
    assert_true(plant_is_on(RELAY));
    several_finishes();
}

/* After an operator's resume the supply is there at once, the load takes its time: what the load
 * told before is no reading. */
static void test_a_reading_is_of_one_moment(void **state)
{
    (void)state;
    several_begin(22);
    several_charge();
    assert_true(several_order(WN_EVENT_PAUSE));
    assert_true(several_await_state(WN_ENGINE_PAUSED, 30));
    several_fault(LOAD, 60, "delay-ms=450");
    several_run(10);
    assert_true(several_order(WN_EVENT_RESUME));
    several_run(20);
    several_fault(LOAD, 60, "delay-ms=2");
    several_run(30);
    assert_true(plant_is_on(SUPPLY));
    several_end();
}

/* It goes on as it was told, and answers no more: every frame of off goes out, the one that does it
 * last. */
static void test_a_mute_load_of_frames(void **state)
{
    (void)state;
    several_begin_modbus(23, false, false);
    several_discharge();
    assert_true(plant_is_on(LOAD));
    several_fault(LOAD, 60, "silence=1000");
    assert_true(several_await(LOAD, false, 6));
    assert_true(plant_is_on(RELAY)); /* so it was not this */
    several_fault(LOAD, 0, "silence=0");
    several_halts("silence", 60);
    several_run(60);
    several_go_on();
    several_finishes();
}

/* Its first reading takes longer than that of the tester: waited for, as long as nothing is on. */
static void test_a_slow_thermometer(void **state)
{
    (void)state;
    several_begin_fast(24);
    several_fault(CELL, 0, "delay-ms=400");
    several_charge();
    several_kill();
    several_run(30);
    assert_string_equal(frame_alarm(), "");
    assert_true(plant_is_on(SUPPLY));
    several_finishes();
}

/* It is there and says who it is, but never measures: neither waited for until it does, nor asked
 * all the time. */
static void test_a_thermometer_that_never_tells(void **state)
{
    (void)state;
    several_begin_fast(25);
    several_charge();
    several.untold[CELL] = true;
    several_kill();
    several.asked[CELL] = 0;
    several_halts("not_plausible", 30);
    several_run(60);
    assert_true(several.asked[CELL] > 10 && several.asked[CELL] < 120);
    several.untold[CELL] = false;
    several_run(5);
    several_go_on();
    several_finishes();
}

/* Nothing is on in a rest either, but its readings do not wait for what only warns. */
static void test_a_rest_does_not_wait_for_a_thermometer(void **state)
{
    (void)state;
    wn_ns told_ns = 0, gap_ns = 0;
    several_begin_fast(26);
    several_charge();
    assert_true(several_await(SUPPLY, false, 1800));
    several.untold[AIR] = true;
    several_run(1);
    for (int i = 0; i < 800; i++) {
        several_run(0.01);
        wn_ns now_ns = frame.st.reading.host_ns;
        gap_ns = told_ns > 0 && now_ns - told_ns > gap_ns ? now_ns - told_ns : gap_ns;
        told_ns = now_ns;
    }
    assert_false(plant_is_on(LOAD) || plant_is_on(SUPPLY));
    assert_true(several.asked[AIR] > 3);
    assert_true(gap_ns < WN_NS_PER_S / 2);
    several_end();
}

/* By our clock it is a moment ago, by the cell's a minute. */
static void test_a_temperature_from_before_a_sleep(void **state)
{
    (void)state;
    long readings = 0;
    several_begin_fast(27);
    several_charge();
    several.untold[CELL] = true;
    several_sleep(60);
    while (!wn_engine_latched(frame.st.engine)) {
        several_run(0.001);
    }
    assert_string_equal(frame_alarm(), "silence");
    for (wn_ns woke_ns = frame_monotonic(), told_ns = woke_ns; told_ns < woke_ns + WN_NS_PER_S;) {
        several_run(0.01);
        bool news = frame.st.reading.host_ns > told_ns;
        told_ns = news ? frame.st.reading.host_ns : told_ns;
        assert_false(news && (frame.st.reading.has & WN_HAS_TEMPERATURE) != 0);
        readings += news;
    }
    assert_true(readings > 0);
    several.untold[CELL] = false;
    several_run(10);
    several_go_on();
    several_finishes();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_two_cycles),
        cmocka_unit_test(test_the_other_one_is_told_off_first),
        cmocka_unit_test(test_a_supply_that_stays_on_keeps_the_load_off),
        cmocka_unit_test(test_off_goes_to_both_at_once),
        cmocka_unit_test(test_each_is_corrected_by_its_own),
        cmocka_unit_test(test_a_lost_supply_halts),
        cmocka_unit_test(test_a_lost_load_halts),
        cmocka_unit_test(test_a_lost_load_halts_a_charge),
        cmocka_unit_test(test_another_load_of_the_same_kind),
        cmocka_unit_test(test_another_supply_behind_the_same_port),
        cmocka_unit_test(test_a_load_that_draws_while_the_supply_charges),
        cmocka_unit_test(test_a_load_that_begins_by_itself),
        cmocka_unit_test(test_what_feeds_each_other_at_rest),
        cmocka_unit_test(test_the_service_ends_without_a_thermometer),
        cmocka_unit_test(test_a_cell_without_a_thermometer_is_not_charged),
        cmocka_unit_test(test_a_frozen_thermometer_halts),
        cmocka_unit_test(test_the_testers_own_thermometer_does_not_stand_in),
        cmocka_unit_test(test_the_air_without_a_thermometer_is_a_warning),
        cmocka_unit_test(test_killed_in_mid_discharge),
        cmocka_unit_test(test_a_reading_is_of_one_moment),
        cmocka_unit_test(test_a_mute_load_of_frames),
        cmocka_unit_test(test_a_slow_thermometer),
        cmocka_unit_test(test_a_thermometer_that_never_tells),
        cmocka_unit_test(test_a_rest_does_not_wait_for_a_thermometer),
        cmocka_unit_test(test_a_temperature_from_before_a_sleep),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
