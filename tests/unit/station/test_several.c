/* A station of a supply, a load, a relay and thermometers: who switches when, and what ends it.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Beside what a story asserts, several_watch.c looks at every promise all the time. */
#include <math.h>
#include <string.h>

#include "several_rig.h"
#include "support/near.h"

/* The engine is halted by this rule, and nothing flows any more. */
static void assert_halts(const char *rule, double within_s)
{
    assert_true(several_await_state(WN_ENGINE_HALTED, within_s));
    assert_string_equal(frame_alarm(), rule);
    assert_near(plant_flow_a(), 0, 1e-6);
}

/* An operator has looked at it. */
static void go_on(void)
{
    assert_true(several_order(WN_EVENT_ACKNOWLEDGE));
    assert_true(several_order(WN_EVENT_RESUME));
}

static void assert_finishes(void)
{
    assert_true(several_await_state(WN_ENGINE_FINISHED, 7200));
    assert_string_equal(frame_alarm(), "");
    assert_near(plant_flow_a(), 0, 1e-6);
    several_end();
}

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
    assert_halts("not_off", 60);
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
    go_on();
    assert_finishes();
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
    go_on();
    assert_finishes();
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
    assert_halts("port_gone", 60);
    several_run(60);
    go_on();
    assert_finishes();
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
    go_on();
    assert_finishes();
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
    assert_halts("not_off", 60);
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
    plant_draw(0.1);
    assert_true(plant_is_on(LOAD));
    assert_true(several_await(SUPPLY, false, 3));
    assert_true(several_await(RELAY, false, SEVERAL_OFF_S));
    assert_string_equal(frame_alarm(), "not_off");
    several_end();
}

/* ---- the relay ---- */

static void test_a_contact_that_opens_by_itself(void **state)
{
    (void)state;
    several_begin(11);
    several_charge();
    plant_open_relay();
    assert_true(several_await(SUPPLY, false, 3));
    assert_string_equal(frame_alarm(), "instrument_fault");
    assert_true(several_await_state(WN_ENGINE_HALTED, 30));
    several_fault(LOAD, 0, "away-ms=2000"); /* what comes and goes meanwhile closes nothing */
    several_fault(LOAD, 0, "unplug");
    several_run(60);
    assert_null(bench_not_ready(&frame.st));
    assert_false(plant_is_on(RELAY));
    go_on();
    assert_true(several_await(RELAY, true, 10));
    assert_finishes();
}

static void test_a_lost_relay_halts(void **state)
{
    (void)state;
    several_begin(12);
    several_charge();
    several_fault(RELAY, 1e3, "away-ms=5000");
    several_fault(RELAY, 1e3, "unplug");
    assert_true(several_await(SUPPLY, false, 3));
    assert_halts("port_gone", 60);
    several_run(60);
    go_on();
    assert_finishes();
}

/* It comes back before the supply has confirmed off: it stays open until then. */
static void test_a_relay_waits_for_a_slow_supply(void **state)
{
    (void)state;
    several_begin(13);
    several_charge();
    several_fault(SUPPLY, 20, "in-lose=1");
    several_fault(RELAY, 0, "away-ms=100");
    several_fault(RELAY, 0, "unplug");
    several_run(0.5);
    several_fault(RELAY, 0, "reset"); /* its contact opens with its power */
    assert_false(plant_is_on(RELAY));
    several_run(15);
    assert_true(plant_is_told_on(SUPPLY));
    several_fault(SUPPLY, 20, "in-lose=0");
    several_run(120);
    assert_false(plant_is_on(SUPPLY));
    go_on();
    assert_finishes();
}

/* What a load does that nobody can ask is not known: the relay that comes back stays open. */
static void test_a_relay_waits_for_a_lost_load(void **state)
{
    (void)state;
    several_begin(24);
    several_discharge();
    several_fault(LOAD, 1e3, "away-ms=60000");
    several_fault(LOAD, 1e3, "unplug"); /* and goes on drawing */
    several_fault(RELAY, 0, "away-ms=100");
    several_fault(RELAY, 0, "unplug");
    several_fault(RELAY, 0, "reset");
    long closed = several.times_on[RELAY];
    several_run(2.5); /* less than it takes to give the load up */
    assert_string_equal(frame_alarm(), "port_gone");
    assert_true(several_instrument(RELAY)->stage == STAGE_READY);
    assert_int_equal(several.times_on[RELAY], closed);
    several_run(120);
    go_on();
    assert_finishes();
}

/* A relay that does not close: told once, and not tried again before an operator has seen to it. */
static void test_a_relay_that_refuses(void **state)
{
    (void)state;
    several_begin(14);
    several_charge();
    assert_true(several_order(WN_EVENT_PAUSE));
    assert_true(several_await_state(WN_ENGINE_PAUSED, 30));
    plant_refuse(true);
    assert_true(several_order(WN_EVENT_RESUME));
    assert_halts("instrument_fault", 30);
    uint64_t before = several_instrument(RELAY)->session.exchanges;
    several_run(60);
    assert_true(several_instrument(RELAY)->session.exchanges - before < 100);
    plant_refuse(false);
    several_run(60);
    assert_false(plant_is_on(RELAY));
    go_on();
    assert_finishes();
}

static void test_the_relay_stays_open_after_a_restart(void **state)
{
    (void)state;
    several_begin(15);
    several_discharge();
    several_fault(LOAD, 100, "stuck");
    assert_true(several_await(RELAY, false, 1800));
    several_run(30);
    assert_string_equal(frame_alarm(), "not_off");
    long closed = several.times_on[RELAY];
    several_kill();
    several_run(60);
    assert_non_null(frame.st.campaign);
    assert_int_equal(several.times_on[RELAY], closed);
    several_fault(LOAD, 100, "stuck=off");
    several_run(60);
    assert_false(plant_is_on(RELAY)); /* an operator's word closes it, not time */
    go_on();
    assert_true(several_await(RELAY, true, 10));
    assert_finishes();
}

static void test_the_relay_waits_for_the_look_at_the_campaign(void **state)
{
    (void)state;
    several_begin(16);
    several_fault(AIR, 1e3, "away-ms=30000"); /* so that it takes long */
    several_fault(AIR, 1e3, "unplug");
    several_run(20);
    assert_false(frame.st.looked);
    assert_false(plant_is_on(RELAY));
    several_run(60);
    assert_true(frame.st.looked);
    assert_true(plant_is_on(RELAY));
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
        assert_halts(faults[i][2], 30);
        assert_false(frame.st.reading.has & WN_HAS_TEMPERATURE);
        several_end();
    }
}

static void test_a_frozen_thermometer_halts(void **state)
{
    (void)state;
    several_begin(18);
    several_discharge();
    several_fault(CELL, 0, "frozen");
    assert_true(several_await(LOAD, false, 65));
    assert_halts("thermometer_frozen", 30);
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
    assert_halts("not_plausible", 30);
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
    assert_finishes();
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

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_two_cycles),
        cmocka_unit_test(test_the_other_one_is_told_off_first),
        cmocka_unit_test(test_a_supply_that_stays_on_keeps_the_load_off),
        cmocka_unit_test(test_off_goes_to_both_at_once),
        cmocka_unit_test(test_a_lost_supply_halts),
        cmocka_unit_test(test_a_lost_load_halts),
        cmocka_unit_test(test_a_lost_load_halts_a_charge),
        cmocka_unit_test(test_another_load_of_the_same_kind),
        cmocka_unit_test(test_another_supply_behind_the_same_port),
        cmocka_unit_test(test_a_load_that_draws_while_the_supply_charges),
        cmocka_unit_test(test_a_load_that_begins_by_itself),
        cmocka_unit_test(test_a_contact_that_opens_by_itself),
        cmocka_unit_test(test_a_lost_relay_halts),
        cmocka_unit_test(test_a_relay_waits_for_a_slow_supply),
        cmocka_unit_test(test_a_relay_waits_for_a_lost_load),
        cmocka_unit_test(test_a_relay_that_refuses),
        cmocka_unit_test(test_the_relay_stays_open_after_a_restart),
        cmocka_unit_test(test_the_relay_waits_for_the_look_at_the_campaign),
        cmocka_unit_test(test_a_cell_without_a_thermometer_is_not_charged),
        cmocka_unit_test(test_a_frozen_thermometer_halts),
        cmocka_unit_test(test_the_testers_own_thermometer_does_not_stand_in),
        cmocka_unit_test(test_the_air_without_a_thermometer_is_a_warning),
        cmocka_unit_test(test_killed_in_mid_discharge),
        cmocka_unit_test(test_a_reading_is_of_one_moment),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
