/* Stories of a station that listens: a tester with a program of its own, and what makes it stop.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * In all of them: the contact is never closed while the guard could not open it. */
#include "listen_rig.h"

#include <math.h>
#include <string.h>

#include "support/near.h"

#define AWAY_S 3.0

static enum wn_engine_state state_now(void)
{
    return wn_engine_state(frame.st.engine);
}

/* Halted by this, nothing flows, and it stays so. */
static void halts(const char *rule, double within_s)
{
    assert_true(listening_await(WN_ENGINE_HALTED, within_s));
    assert_string_equal(frame_alarm(), rule);
    assert_near(listen_plant_flow_a(), 0, 1e-6);
    listening_run(120);
    assert_near(listen_plant_flow_a(), 0, 1e-6);
}

static void go_on(void)
{
    listening_order(WN_EVENT_ACKNOWLEDGE);
    listening_order(WN_EVENT_RESUME);
}

/* -- how it goes when all is well */

/* The contact is open until a campaign lets the tester run, closed all the while, open again behind
 * it. The capacities are the true ones: 1 A for a second about a crossing is 0.3 mAh. */
static void whole(int stops)
{
    listening_begin(stops, "10 s");
    listening_run(30);
    assert_int_equal(listening.closed, 0);
    assert_int_equal(listening.heard, 0);
    listening_start();
    listening_until(-1, 3600);
    assert_true(listen_plant_is_closed());
    listening_until(0, 3600);
    double true_ah = listening.run_ah;
    assert_true(listening_await(WN_ENGINE_FINISHED, 7200));
    listening_run(5);
    assert_int_equal(listening.closed, 1);
    assert_false(listen_plant_is_closed());
    assert_false(listening.held[TALKER]);
    assert_string_equal(frame_alarm(), "");
    assert_int_equal(listening_flags(1), 0);
    assert_int_equal(listening_flags(2), 0);
    assert_near(listening_capacity_ah(1), true_ah, 0.5e-3);
    assert_true(true_ah > 0.02);
    listening_end();
}

static void test_a_relay_and_a_command(void **state)
{
    (void)state;
    whole(STOP_COMMAND | STOP_RELAY);
}

static void test_a_relay_alone(void **state)
{
    (void)state;
    whole(STOP_RELAY);
}

static void test_a_line_alone(void **state)
{
    (void)state;
    whole(STOP_LINE);
}

/* -- what makes it stop */

static void test_records_stop(void **state)
{
    (void)state;
    listening_begin(STOP_RELAY, "10 s");
    listening_start();
    listening_until(1, 600);
    listening_fault(TALKER, "silence=15");
    wn_ns from_ns = frame.now_ns;
    while (listen_plant_is_closed() && frame.now_ns < from_ns + 30 * WN_NS_PER_S) {
        listening_run(0.1);
    }
    assert_near(wn_ns_to_s(frame.now_ns - from_ns), 10, 1.5);
    halts("silence", 60);
    assert_false(listen_plant_is_closed());
    go_on();
    listening_run(30);
    assert_true(listen_plant_is_closed());
    listening_end();
}

/* It does not obey: the contact opens all the same. */
static void test_a_deaf_tester(void **state)
{
    (void)state;
    listening_begin(STOP_COMMAND | STOP_LINE, "10 s");
    listening_start();
    listening_until(-1, 3600);
    listening_fault(TALKER, "in-lose=1");
    listening_order(WN_EVENT_PAUSE);
    listening_run(0.5);
    assert_false(listen_plant_is_closed());
    assert_near(listen_plant_flow_a(), 0, 1e-6);
    assert_true(listening_await(WN_ENGINE_PAUSED, 10));
    listening_end();
}

/* Nor does the contact open: told again and again, and a person is called. */
static void test_a_welded_contact(void **state)
{
    (void)state;
    listening_begin(STOP_COMMAND | STOP_RELAY, "10 s");
    listening_start();
    listening_until(-1, 3600);
    listening_fault(TALKER, "in-lose=1");
    listening_fault(RELAY, "stuck");
    listening_order(WN_EVENT_PAUSE);
    listening_run(7);
    assert_string_equal(frame_alarm(), "read_back");
    listening_run(33);
    assert_true(listening.heard <= 5 * 40 / 3); /* not more often than it may take to obey */
    assert_true(listen_plant_flow_a() < -0.9);
    assert_int_equal(state_now(), WN_ENGINE_SWITCHING_OFF);
    assert_string_equal(frame_alarm(), "not_off");
    long heard = listening.heard;
    listening_run(20);
    assert_true(listening.heard > heard); /* it goes on being told */
    listening_fault(TALKER, "in-lose=0");
    halts("not_off", 20);
    listening_end();
}

/* The tester stops, so nothing flows; that the contact hangs has to be seen to all the same. */
static void test_a_welded_contact_and_a_good_tester(void **state)
{
    (void)state;
    listening_begin(STOP_COMMAND | STOP_RELAY, "10 s");
    listening_start();
    listening_until(-1, 3600);
    listening_fault(RELAY, "stuck");
    listening_order(WN_EVENT_PAUSE);
    halts("read_back", 20);
    listening_end();
}

/* Off and verified, and then somebody starts the tester's program, behind a contact that hangs. */
static void test_current_behind_an_open_contact(void **state)
{
    (void)state;
    listening_begin(STOP_RELAY, "10 s");
    listening_start();
    listening_until(1, 600);
    listening_order(WN_EVENT_PAUSE);
    assert_true(listening_await(WN_ENGINE_PAUSED, 20));
    listening_weld();
    listening_fault(TALKER, "reset");
    listening_run(50);
    assert_int_equal(state_now(), WN_ENGINE_PAUSED);
    listening_run(60);
    assert_true(listen_plant_flow_a() > 0.1);
    assert_true(wn_engine_latched(frame.st.engine));
    assert_true(listening_told("current_while_off"));
    assert_string_equal(frame_alarm(), "not_off"); /* the last word: go to the bench */
    listening_end();
}

/* Without a campaign too: an open contact lets nothing through. A wire may. */
static void test_current_without_a_campaign(void **state)
{
    (void)state;
    listening_begin(STOP_LINE, "10 s");
    listening_weld();
    listening_run(150);
    assert_true(listen_plant_flow_a() > 0.1);
    assert_non_null(strstr(frame.st.bench.fault, "A flow although nothing runs"));
    listening_end();
    listening_begin(STOP_COMMAND, "10 s");
    listening_run(150);
    assert_true(listen_plant_flow_a() > 0.1);
    assert_string_equal(frame.st.bench.fault, "");
    assert_int_equal(listening.heard, 0); /* it is not stopped either */
    listening_end();
}

static void test_nothing_stops_it(void **state)
{
    struct wn_error err = {0};
    (void)state;
    listening_begin(0, "10 s");
    listening_run(10);
    assert_int_equal(
        campaign_start(&frame.st, "small", "small-cycles", "test", false, "tester", &err),
        WN_ESTATE);
    assert_non_null(strstr(err.text, "nothing on station A stops the tester"));
    assert_non_null(strstr(err.text, "--nothing-stops-it"));
    assert_int_equal(
        campaign_start(&frame.st, "small", "small-cycles", "test", true, "tester", &err), WN_OK);
    listening_until(-1, 3600);
    station_ask_end(&frame.st, frame_monotonic());
    listening_run(1);
    assert_true(frame.st.ending); /* what nothing stops is not waited for */
    listening_end();
}

static void test_a_guard_that_refuses(void **state)
{
    (void)state;
    listening_begin(STOP_COMMAND | STOP_RELAY, "10 s");
    for (int i = 0; i < 100 && bench_not_ready(&frame.st) != NULL; i++) {
        listening_run(0.1);
    }
    listening_run(2);
    listening.guard_refuses = true;
    frame_start("small", "small-cycles");
    listening_run(30);
    assert_int_equal(listening.closed, 0);
    assert_true(wn_engine_latched(frame.st.engine));
    listening_end();
}

/* -- interruptions */

/* Killed in mid-discharge: the guard stops the tester and opens the contact; what comes back goes
 * on listening, and the cycle is no measurement. */
static void killed(int stops, int direction, double away_s)
{
    listening_begin(stops, "10 s");
    listening_start();
    listening_until(direction, 3600);
    listening_run(30);
    listening_kill(away_s);
    listening_run(1);
    assert_near(listen_plant_flow_a(), 0, 1e-6);
    listening_run(away_s + 15);
    assert_non_null(frame.st.campaign);
    assert_int_equal(state_now(), WN_ENGINE_RUNNING); /* by the restart policy */
    assert_true(listening_told("the service was started again"));
    listening_fault(TALKER, "reset"); /* somebody starts its program again */
    listening_until(-1, 7200);
    listening_until(0, 3600);
    assert_true(listening_await(WN_ENGINE_FINISHED, 14400));
    assert_true((listening_flags(1) & WN_FLAG_INTERRUPTED) != 0);
    assert_int_equal(listening_flags(2), 0);
    listening_end();
}

static void test_killed_in_a_discharge(void **state)
{
    (void)state;
    killed(STOP_COMMAND | STOP_RELAY, -1, AWAY_S);
    killed(STOP_LINE, -1, AWAY_S);
}

static void test_killed_in_a_charge(void **state)
{
    (void)state;
    killed(STOP_COMMAND | STOP_RELAY, 1, AWAY_S);
}

/* Nothing stopped it, and nobody listened when the next charge began: that cycle is none either. */
static void test_a_charge_nobody_heard_begin(void **state)
{
    (void)state;
    listening_begin(STOP_COMMAND, "10 s");
    listening_start();
    listening_until(-1, 3600);
    listening_until(0, 3600);
    listening_run(60);
    listening_fault(TALKER, "in-lose=1"); /* what the guard says is lost on it */
    listening_kill(200);
    listening_run(230);
    assert_true(listen_plant_flow_a() > 0.1);
    assert_int_equal(state_now(), WN_ENGINE_RUNNING);
    listening_fault(TALKER, "in-lose=0");
    assert_true(listening_await(WN_ENGINE_FINISHED, 7200));
    assert_true((listening_flags(1) & WN_FLAG_INTERRUPTED) != 0);
    assert_true((listening_flags(2) & WN_FLAG_INTERRUPTED) != 0);
    listening_end();
}

/* Its mains fails in mid-discharge: its clock and its program begin anew. No halt, but no cycle. */
static void test_its_program_begins_anew(void **state)
{
    (void)state;
    listening_begin(STOP_COMMAND | STOP_RELAY, "10 s");
    listening_start();
    listening_until(-1, 3600);
    listening_run(60);
    listening_fault(TALKER, "reset");
    listening_run(60);
    assert_true(listening_told("clock_reset"));
    assert_int_equal(state_now(), WN_ENGINE_RUNNING);
    listening_until(-1, 7200);
    listening_until(0, 7200);
    assert_true(listening_await(WN_ENGINE_FINISHED, 14400));
    assert_true((listening_flags(1) & WN_FLAG_NOT_TO_CUTOFF) != 0);
    assert_int_equal(listening_flags(2), 0);
    assert_string_equal(frame_alarm(), "");
    listening_end();
}

/* The port is lost with the tester running, and comes back before it is stopped: the guard is told
 * anew. */
static void test_a_port_that_comes_back(void **state)
{
    (void)state;
    listening_begin(STOP_COMMAND, "10 s");
    listening_start();
    listening_until(-1, 3600);
    listening_fault(TALKER, "in-lose=1");
    listening_unplug(TALKER, 5);
    listening_run(2);
    assert_false(listening.held[TALKER]);
    listening_run(18);
    assert_true(listen_plant_flow_a() < -0.9);
    assert_int_equal(state_now(), WN_ENGINE_SWITCHING_OFF);
    assert_true(listening.held[TALKER]);
    listening_fault(TALKER, "in-lose=0");
    listening_run(30);
    assert_near(listen_plant_flow_a(), 0, 1e-6);
    assert_true(listening_await(WN_ENGINE_HALTED, 10));
    listening_end();
}

/* The service ends: the tester is stopped, the contact opens, and there is nothing to wait for. */
static void test_the_end_of_the_service(void **state)
{
    static const int all[] = {STOP_COMMAND, STOP_RELAY, STOP_LINE, STOP_COMMAND | STOP_LINE};
    (void)state;
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        listening_begin(all[i], "10 s");
        listening_start();
        listening_until(1, 600);
        station_ask_end(&frame.st, frame_monotonic());
        listening_run(4);
        assert_true(frame.st.ending);
        assert_int_equal(state_now(), WN_ENGINE_PAUSED);
        assert_near(listen_plant_flow_a(), 0, 1e-6);
        listening_end();
    }
}

/* What a pause opened, the restart policy may close: it was no emergency. */
static void test_it_goes_on_after_the_service(void **state)
{
    (void)state;
    listening_begin(STOP_RELAY, "10 s");
    listening_start();
    listening_until(1, 600);
    station_ask_end(&frame.st, frame_monotonic());
    listening_run(4);
    (void)station_settle(&frame.st);
    for (int n = 0; n < frame.st.config.instruments; n++) {
        instrument_close(&frame.st, &frame.st.bench.instrument[n]);
    }
    campaign_close(&frame.st);
    frame_boot();
    listening_run(20);
    assert_non_null(frame.st.campaign);
    assert_int_equal(state_now(), WN_ENGINE_RUNNING);
    assert_true(listen_plant_is_closed());
    listening_end();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_relay_and_a_command),
        cmocka_unit_test(test_a_relay_alone),
        cmocka_unit_test(test_a_line_alone),
        cmocka_unit_test(test_records_stop),
        cmocka_unit_test(test_a_deaf_tester),
        cmocka_unit_test(test_a_welded_contact),
        cmocka_unit_test(test_a_welded_contact_and_a_good_tester),
        cmocka_unit_test(test_current_behind_an_open_contact),
        cmocka_unit_test(test_current_without_a_campaign),
        cmocka_unit_test(test_nothing_stops_it),
        cmocka_unit_test(test_a_guard_that_refuses),
        cmocka_unit_test(test_killed_in_a_discharge),
        cmocka_unit_test(test_killed_in_a_charge),
        cmocka_unit_test(test_a_charge_nobody_heard_begin),
        cmocka_unit_test(test_its_program_begins_anew),
        cmocka_unit_test(test_a_port_that_comes_back),
        cmocka_unit_test(test_the_end_of_the_service),
        cmocka_unit_test(test_it_goes_on_after_the_service),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
