/* Stories of the engine for what the other stories would not see when it breaks: each of them was
 * written for a deliberate mutation that survived (tests/mutate). Some speak to the engine without
 * the world in between, where the order of its actions or a single answer matters.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/near.h"
#include "support/world.h"

#include <stdlib.h>
#include <string.h>

static const unsigned whole = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE | WN_HAS_AMBIENT;

static struct world *new_world(int cycles)
{
    struct world *w = calloc(1, sizeof *w);
    assert_non_null(w);
    world_setup(w, cycles, 0);
    return w;
}

/* The set-up was changed: the engine takes it over, then the campaign begins. */
static struct world *begin(struct world *w)
{
    world_shutdown(w);
    world_boot(w);
    world_command(w, WN_EVENT_START);
    return w;
}

static void end_world(struct world *w)
{
    world_shutdown(w);
    free(w);
}

/* --- events without the world: nothing is carried out, and nothing answers by itself --- */

static struct wn_actions event(struct world *w, enum wn_event_kind kind)
{
    struct wn_actions actions;
    struct wn_event ev = {.kind = kind, .time_ns = w->now_ns, .who = "tester"};
    wn_engine_step(w->engine, &ev, &actions);
    return actions;
}

static struct wn_actions fault(struct world *w, int code)
{
    struct wn_actions actions;
    struct wn_event ev = {.kind = WN_EVENT_FAULT, .time_ns = w->now_ns};
    (void)wn_error_set(&ev.error, code, "tester fails");
    wn_engine_step(w->engine, &ev, &actions);
    return actions;
}

static struct wn_actions reading(struct world *w, double current_a, unsigned has)
{
    struct wn_actions actions;
    w->now_ns += WN_NS_PER_S / 10;
    struct wn_event ev = {.kind = WN_EVENT_READING, .time_ns = w->now_ns};
    ev.reading.time_ns = w->now_ns;
    ev.reading.voltage_v = 3.48;
    ev.reading.current_a = current_a;
    ev.reading.temperature_c = ev.reading.ambient_c = 23;
    ev.reading.has = has;
    wn_engine_step(w->engine, &ev, &actions);
    return actions;
}

/* Place of the first action of a kind in the list; -1: none. */
static int place(const struct wn_actions *a, enum wn_action_kind kind)
{
    for (int i = 0; i < a->n; i++) {
        if (a->action[i].kind == kind) {
            return i;
        }
    }
    return -1;
}

static bool has(struct wn_actions a, enum wn_action_kind kind)
{
    return place(&a, kind) >= 0;
}

static bool alarm(const struct world *w)
{
    struct wn_engine_view v;
    wn_engine_view(w->engine, &v);
    return v.alarm;
}

static struct world *charging(void)
{
    struct world *w = begin(new_world(1));
    world_until_output(w, WN_OUTPUT_CHARGE);
    world_for(w, 30);
    return w;
}

/* --- going on --- */

static void test_three_looks_at_a_cell_that_is_off(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    assert_true(has(event(w, WN_EVENT_START), WN_ACTION_OFF));
    for (int i = 0; i < 5; i++) { /* off was sent, not answered */
        assert_false(has(reading(w, 0, whole), WN_ACTION_OUTPUT));
    }
    (void)event(w, WN_EVENT_OFF_DONE);
    assert_false(has(reading(w, 0, whole), WN_ACTION_OUTPUT));
    assert_false(has(reading(w, 0, whole), WN_ACTION_OUTPUT));
    assert_true(has(reading(w, 0, whole), WN_ACTION_OUTPUT));
    end_world(w);
}

static void test_nothing_goes_on_while_current_flows(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    (void)event(w, WN_EVENT_START);
    (void)event(w, WN_EVENT_OFF_DONE);
    wn_ns since = w->now_ns;
    while (wn_engine_state(w->engine) == WN_ENGINE_PREPARING) {
        assert_false(has(reading(w, 1, whole), WN_ACTION_OUTPUT));
        assert_true(wn_ns_to_s(w->now_ns - since) < 4);
    }
    assert_true(alarm(w));
    end_world(w);
}

/* Intent, commit, output, in this order and with nothing behind: a caller that cannot commit drops
 * the rest. */
static void test_the_output_stands_behind_the_commit_of_its_intent(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    (void)event(w, WN_EVENT_START);
    (void)event(w, WN_EVENT_OFF_DONE);
    struct wn_actions a = {.n = 0};
    for (int i = 0; i < 3; i++) {
        a = reading(w, 0, whole);
    }
    int intent = -1, output = place(&a, WN_ACTION_OUTPUT);
    for (int i = 0; i < a.n; i++) {
        bool is =
            a.action[i].kind == WN_ACTION_RECORD && a.action[i].u.record->kind == WN_RECORD_INTENT;
        intent = is ? i : intent;
    }
    assert_int_equal(output, a.n - 1);
    assert_int_equal(a.action[output - 1].kind, WN_ACTION_COMMIT);
    assert_true(intent >= 0 && intent < output - 1);
    end_world(w);
}

/* --- going off --- */

static void test_off_needs_the_word_and_the_current(void **state)
{
    (void)state;
    struct world *w = charging();
    assert_true(has(event(w, WN_EVENT_PAUSE), WN_ACTION_OFF));
    (void)reading(w, 0, whole); /* no current, but not confirmed */
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_SWITCHING_OFF);
    (void)event(w, WN_EVENT_OFF_DONE);
    (void)reading(w, 0, whole & ~(unsigned)WN_HAS_CURRENT); /* confirmed, but current not known */
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_SWITCHING_OFF);
    (void)reading(w, -1, whole); /* a discharge is a current too */
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_SWITCHING_OFF);
    (void)reading(w, 0, whole);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_PAUSED);
    end_world(w);
}

static void test_each_failure_is_an_attempt_and_the_third_drops_the_interlock(void **state)
{
    (void)state;
    struct world *w = charging();
    (void)event(w, WN_EVENT_PAUSE);
    for (int attempt = 1; attempt <= 3; attempt++) {
        struct wn_actions a = fault(w, WN_EREADBACK);
        assert_int_equal(place(&a, WN_ACTION_OFF), 0); /* again, before anything else */
        assert_int_equal(has(a, WN_ACTION_INTERLOCK), attempt == 3);
    }
    end_world(w);
}

static void test_an_alarm_of_an_output_that_is_on_cannot_be_acknowledged(void **state)
{
    (void)state;
    struct world *w = charging();
    struct wn_error err;
    w->stuck_on = true;
    w->temperature_offset_c = 60;
    world_turn(w);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_SWITCHING_OFF);
    assert_int_equal(wn_engine_may(w->engine, WN_EVENT_ACKNOWLEDGE, &err), WN_ESTATE);
    world_command(w, WN_EVENT_ACKNOWLEDGE);
    assert_true(alarm(w));
    end_world(w);
}

static void test_a_halt_says_what_to_do_before_it_goes_on(void **state)
{
    (void)state;
    struct world *w = charging();
    struct wn_error err;
    w->temperature_offset_c = 60;
    world_until(w, WN_ENGINE_HALTED, 60);
    assert_int_equal(wn_engine_may(w->engine, WN_EVENT_RESUME, &err), WN_ESTATE);
    assert_non_null(strstr(err.text, "acknowledge it first"));
    end_world(w);
}

static void test_a_failed_recording_switches_off_at_once(void **state)
{
    (void)state;
    struct world *w = charging();
    struct wn_actions a = event(w, WN_EVENT_STORE_FAILED);
    assert_int_equal(place(&a, WN_ACTION_OFF), 0);
    assert_true(alarm(w));
    (void)event(w, WN_EVENT_OFF_DONE);
    (void)reading(w, 0, whole);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_HALTED);
    end_world(w);
}

static void test_a_halt_on_its_way_survives_a_kill(void **state)
{
    (void)state;
    struct world *w = charging();
    w->ammeter_lag_s = 2;
    w->temperature_offset_c = 60;
    world_turn(w);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_SWITCHING_OFF);
    world_kill_and_restart(w);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_HALTED);
    assert_true(wn_engine_latched(w->engine));
    end_world(w);
}

static void test_a_stop_during_a_halt_is_carried_out_after_it(void **state)
{
    (void)state;
    struct world *w = charging();
    w->ammeter_lag_s = 2;
    w->temperature_offset_c = 60;
    world_turn(w);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_SWITCHING_OFF);
    world_command(w, WN_EVENT_STOP);
    world_until(w, WN_ENGINE_HALTED, 60); /* a halt stays one until somebody has seen it */
    world_command(w, WN_EVENT_ACKNOWLEDGE);
    world_until(w, WN_ENGINE_STOPPED, 60);
    end_world(w);
}

/* --- watching --- */

static void test_an_instrument_that_is_on_while_paused_is_switched_off(void **state)
{
    (void)state;
    struct world *w = charging();
    world_command(w, WN_EVENT_PAUSE);
    world_until(w, WN_ENGINE_PAUSED, 60);
    assert_true(has(fault(w, WN_EREADBACK), WN_ACTION_OFF));
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_SWITCHING_OFF);
    assert_true(alarm(w));
    end_world(w);
}

static void test_single_lost_replies_do_not_add_up(void **state)
{
    (void)state;
    struct world *w = charging();
    world_command(w, WN_EVENT_PAUSE);
    world_until(w, WN_ENGINE_PAUSED, 60);
    for (int i = 0; i < 30; i++) {
        (void)fault(w, WN_ETIMEOUT);
        (void)reading(w, 0, whole);
    }
    assert_false(alarm(w));
    end_world(w);
}

static void test_a_leak_after_the_stop_that_stays_drops_the_interlock(void **state)
{
    (void)state;
    struct world *w = charging();
    world_command(w, WN_EVENT_STOP);
    world_until(w, WN_ENGINE_STOPPED, 60);
    w->leak = w->stuck_on = true;
    world_for(w, 900);
    assert_false(w->interlock);
    assert_true(world_told(w, "ALARM not_off"));
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_STOPPED);
    end_world(w);
}

/* --- limits of a step --- */

static void test_a_current_that_is_not_the_set_one_halts(void **state)
{
    (void)state;
    struct world *w = charging();
    for (int i = 0; i < 3; i++) {
        w->one_zero_current = true; /* nothing flows where 4 A were set */
        world_turn(w);
    }
    assert_true(world_told(w, "ALARM off_set_point"));
    assert_false(w->on);
    end_world(w);
}

static void test_a_step_ends_at_its_time_limit(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    w->setup.procedure.step[0].time_limit_s = 600;
    begin(w);
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    assert_string_equal(w->step[0].ended_by, "time_limit");
    assert_near(w->step[0].sums.duration_s, 600, 1);
    end_world(w);
}

static void test_one_hot_reading_ends_no_discharge(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    w->setup.procedure.step[2].until_temperature_c = 50;
    begin(w);
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    world_for(w, 60);
    w->temperature_offset_c = 28;
    world_turn(w);
    w->temperature_offset_c = 0;
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_string_equal(w->step[2].ended_by, "voltage");
    end_world(w);
}

static void test_a_discharge_has_the_instruments_own_stop(void **state)
{
    (void)state;
    struct world *w = begin(new_world(1));
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    assert_near(w->output.voltage_v, w->setup.limits.voltage_min_v, 0);
    end_world(w);
}

/* --- what was not seen is not counted, and nothing is judged by it --- */

static void test_an_outage_is_missing_however_short(void **state)
{
    (void)state;
    struct world *w = begin(new_world(1));
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    world_for(w, 100);
    wn_engine_save(w->engine, &w->committed_state);
    world_kill_and_restart(w);
    world_command(w, WN_EVENT_RESUME); /* back within a second, far less than the longest gap */
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_true(w->step[2].sums.missing_s > 0.1);
    assert_near(w->step[2].sums.charge_out_ah, w->true_out_ah, 2e-5 * w->true_out_ah);
    end_world(w);
}

/* Somebody used the cell while nobody looked: it takes more than was taken out of it here. */
static void use_elsewhere(struct world *w, double ah)
{
    w->charge_ah -= ah;
}

static void test_after_a_restart_nothing_is_known_of_what_was_taken_out(void **state)
{
    (void)state;
    struct world *w = begin(new_world(2));
    while (w->steps < 3) {
        world_turn(w); /* into the rest after the discharge */
    }
    world_for(w, 600);
    world_kill_and_restart(w);
    use_elsewhere(w, 0.42);
    world_command(w, WN_EVENT_RESUME);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_false(world_told(w, "ALARM"));
    end_world(w);
}

static void test_an_interrupted_charge_is_not_judged_by_the_discharge_before(void **state)
{
    (void)state;
    struct world *w = begin(new_world(2));
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    world_until_output(w, WN_OUTPUT_CHARGE);
    world_for(w, 900);
    world_command(w, WN_EVENT_PAUSE);
    world_until(w, WN_ENGINE_PAUSED, 60);
    use_elsewhere(w, 0.5);
    world_command(w, WN_EVENT_RESUME);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_false(world_told(w, "ALARM"));
    end_world(w);
}

static void test_a_discharge_with_gaps_is_no_measure_of_the_next_charge(void **state)
{
    (void)state;
    struct world *w = begin(new_world(2));
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    for (int i = 0; i < 4; i++) {
        world_for(w, 60);
        w->now_ns += 50 * WN_NS_PER_S; /* no reading for 50 s, current flows */
        use_elsewhere(w, 10 * 50 / 3600.0);
    }
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_true(w->step[2].sums.missing_s > 190);
    assert_false(world_told(w, "ALARM"));
    end_world(w);
}

/* A day that nobody saw is no running time of the charge, whose limit is 8 h. */
static void test_unseen_time_ends_no_step(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    w->setup.limits.unwatched_s = NAN;
    begin(w);
    world_until_output(w, WN_OUTPUT_CHARGE);
    world_for(w, 60);
    w->now_ns += 86400 * WN_NS_PER_S; /* the clock jumped: nothing flowed meanwhile */
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_string_equal(w->step[0].ended_by, "current");
    assert_false(world_told(w, "ALARM"));
    end_world(w);
}

static void test_invalid_cycles_do_not_end_the_campaign(void **state)
{
    (void)state;
    struct world *w = new_world(5);
    w->setup.procedure.step[2].until_temperature_c = 26;
    w->setup.procedure.end_below_ah = 1.8;
    begin(w);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_int_equal(w->cycles, 5);
    for (int i = 0; i < 5; i++) {
        assert_true((w->cycle[i].flags & WN_FLAGS_INVALID) != 0);
    }
    end_world(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_three_looks_at_a_cell_that_is_off),
        cmocka_unit_test(test_nothing_goes_on_while_current_flows),
        cmocka_unit_test(test_the_output_stands_behind_the_commit_of_its_intent),
        cmocka_unit_test(test_off_needs_the_word_and_the_current),
        cmocka_unit_test(test_each_failure_is_an_attempt_and_the_third_drops_the_interlock),
        cmocka_unit_test(test_an_alarm_of_an_output_that_is_on_cannot_be_acknowledged),
        cmocka_unit_test(test_a_halt_says_what_to_do_before_it_goes_on),
        cmocka_unit_test(test_a_failed_recording_switches_off_at_once),
        cmocka_unit_test(test_a_halt_on_its_way_survives_a_kill),
        cmocka_unit_test(test_a_stop_during_a_halt_is_carried_out_after_it),
        cmocka_unit_test(test_an_instrument_that_is_on_while_paused_is_switched_off),
        cmocka_unit_test(test_single_lost_replies_do_not_add_up),
        cmocka_unit_test(test_a_leak_after_the_stop_that_stays_drops_the_interlock),
        cmocka_unit_test(test_a_current_that_is_not_the_set_one_halts),
        cmocka_unit_test(test_a_step_ends_at_its_time_limit),
        cmocka_unit_test(test_one_hot_reading_ends_no_discharge),
        cmocka_unit_test(test_a_discharge_has_the_instruments_own_stop),
        cmocka_unit_test(test_an_outage_is_missing_however_short),
        cmocka_unit_test(test_after_a_restart_nothing_is_known_of_what_was_taken_out),
        cmocka_unit_test(test_an_interrupted_charge_is_not_judged_by_the_discharge_before),
        cmocka_unit_test(test_a_discharge_with_gaps_is_no_measure_of_the_next_charge),
        cmocka_unit_test(test_unseen_time_ends_no_step),
        cmocka_unit_test(test_invalid_cycles_do_not_end_the_campaign),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
