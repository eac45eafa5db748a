/* The contact between the instruments of a station and its cell, a relay's or a modem line's: when
 * it closes, what opens it, and who remembers. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Beside what a story asserts, several_watch.c looks at every promise all the time. */
#include <string.h>
#include "several_rig.h"
#include "support/near.h"

static void test_a_contact_that_opens_by_itself(void **state)
{
    (void)state;
    several_begin(11);
    several_charge();
    plant_switch_relay(false);
    assert_true(several_await(SUPPLY, false, 3));
    assert_string_equal(frame_alarm(), "instrument_fault");
    assert_true(several_await_state(WN_ENGINE_HALTED, 30));
    several_fault(LOAD, 0, "away-ms=2000"); /* what comes and goes meanwhile closes nothing */
    several_fault(LOAD, 0, "unplug");
    several_run(60);
    assert_null(bench_not_ready(&frame.st));
    assert_false(plant_is_on(RELAY));
    several_go_on();
    assert_true(several_await(RELAY, true, 10));
    several_finishes();
}

static void test_a_lost_relay_halts(void **state)
{
    (void)state;
    several_begin(12);
    several_charge();
    several_fault(RELAY, 1e3, "away-ms=5000");
    several_fault(RELAY, 1e3, "unplug");
    assert_true(several_await(SUPPLY, false, 3));
    several_halts("port_gone", 60);
    several_run(60);
    several_go_on();
    several_finishes();
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
    several_go_on();
    several_finishes();
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
    several_go_on();
    several_finishes();
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
    several_halts("instrument_fault", 30);
    uint64_t before = several_instrument(RELAY)->session.exchanges;
    several_run(60);
    assert_true(several_instrument(RELAY)->session.exchanges - before < 100);
    plant_refuse(false);
    several_run(60);
    assert_false(plant_is_on(RELAY));
    several_go_on();
    several_finishes();
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
    several_go_on();
    assert_true(several_await(RELAY, true, 10));
    several_finishes();
}

/* It opened by itself and everything else confirmed off: no word of an instrument closes it again,
 * also not to a station that was not there. */
static void test_an_opened_contact_is_remembered(void **state)
{
    (void)state;
    several_begin(26);
    several_charge();
    plant_switch_relay(false);
    assert_true(several_await_state(WN_ENGINE_HALTED, 30));
    long closed = several.times_on[RELAY];
    several_kill();
    several_run(60);
    assert_non_null(frame.st.campaign);
    assert_null(bench_not_ready(&frame.st));
    assert_int_equal(several.times_on[RELAY], closed);
    several_go_on();
    assert_true(several_await(RELAY, true, 10));
    several_kill(); /* the operator's word was the last */
    assert_true(several_await(RELAY, true, 60));
    several_finishes();
}

/* The same while nothing runs: paused is not halted, and the policy goes on by itself. */
static void test_a_contact_that_opens_in_a_pause(void **state)
{
    (void)state;
    several_begin(27);
    several_charge();
    station_ask_end(&frame.st, frame_monotonic()); /* to go on after the next start */
    plant_switch_relay(false);
    several_run(10);
    long closed = several.times_on[RELAY];
    several_kill();
    several_run(60);
    assert_non_null(frame.st.campaign);
    assert_int_equal(several.times_on[RELAY], closed);
    assert_int_equal(wn_engine_state(frame.st.engine), WN_ENGINE_PAUSED);
    several_end();
}

/* The contact on a modem line of the supply's port. */
static void test_a_line_opens_what_stays_on(void **state)
{
    (void)state;
    several_begin_line(28);
    several_discharge();
    several_fault(LOAD, 100, "stuck");
    assert_true(several_await(RELAY, false, 1800));
    several_halts("not_off", 60);
    several_kill();
    several_run(60);
    assert_non_null(frame.st.campaign);
    assert_false(plant_is_on(RELAY));
    several_fault(LOAD, 100, "stuck=off");
    several_run(60);
    assert_false(plant_is_on(RELAY));
    several_go_on();
    assert_true(several_await(RELAY, true, 10));
    several_finishes();
}

/* An adapter that comes back raises its lines when it is opened: not before off is confirmed. */
static void test_a_line_comes_back_after_off(void **state)
{
    (void)state;
    several_begin_line(29);
    several_charge();
    several_fault(SUPPLY, 1e3, "away-ms=2000");
    several_fault(SUPPLY, 1e3, "unplug"); /* and goes on charging */
    assert_true(several_await(RELAY, false, 2));
    several_halts("port_gone", 120);
    several_run(60);
    several_go_on();
    several_finishes();
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

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_contact_that_opens_by_itself),
        cmocka_unit_test(test_a_lost_relay_halts),
        cmocka_unit_test(test_a_relay_waits_for_a_slow_supply),
        cmocka_unit_test(test_a_relay_waits_for_a_lost_load),
        cmocka_unit_test(test_a_relay_that_refuses),
        cmocka_unit_test(test_the_relay_stays_open_after_a_restart),
        cmocka_unit_test(test_an_opened_contact_is_remembered),
        cmocka_unit_test(test_a_contact_that_opens_in_a_pause),
        cmocka_unit_test(test_a_line_opens_what_stays_on),
        cmocka_unit_test(test_a_line_comes_back_after_off),
        cmocka_unit_test(test_the_relay_waits_for_the_look_at_the_campaign),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
