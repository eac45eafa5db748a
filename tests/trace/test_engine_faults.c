/* Stories of the engine when things go wrong in unpleasant orders.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/near.h"
#include "support/world.h"

#include <stdlib.h>
#include <string.h>

static struct world *new_world(int cycles)
{
    struct world *w = calloc(1, sizeof *w);
    assert_non_null(w);
    world_setup(w, cycles, 0);
    world_command(w, WN_EVENT_START);
    return w;
}

static void end_world(struct world *w)
{
    world_shutdown(w);
    free(w);
}

static void halt_hot(struct world *w)
{
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    world_for(w, 30);
    w->temperature_offset_c = 40;
    world_until(w, WN_ENGINE_HALTED, 60);
    w->temperature_offset_c = 0;
    world_clear_trace(w);
}

static void test_current_that_returns_after_a_halt_is_switched_off_again(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    halt_hot(w);
    world_for(w, 120);
    world_clear_trace(w);
    w->leak = true;
    wn_ns since = w->now_ns;
    while (w->leak && wn_ns_to_s(w->now_ns - since) < 600) {
        world_turn(w);
    }
    assert_false(w->leak);
    assert_true(wn_ns_to_s(w->now_ns - since) <=
                4 * 60); /* three readings of the watch, and the one under way */
    assert_true(world_told(w, "ALARM current_while_off"));
    world_until(w, WN_ENGINE_HALTED, 60);
    end_world(w);
}

static void test_current_after_the_end_is_switched_off_again(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    w->leak = true;
    world_for(w, 600);
    assert_false(w->leak);
    assert_true(world_told(w, "ALARM current_while_off"));
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_FINISHED);
    end_world(w);
}

static void test_a_watched_cell_that_grows_hot_is_told_at_once(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    world_until_output(w, WN_OUTPUT_CHARGE);
    w->mute = true;
    world_turn(w);
    w->mute = false;
    world_until(w, WN_ENGINE_HALTED, 60);
    world_clear_trace(w);
    w->temperature_offset_c = 50;
    world_for(w, 61);
    assert_true(world_told(w, "ALARM over_temperature"));
    world_clear_trace(w);
    w->temperature_offset_c = 60; /* and again when it has grown hotter since */
    world_for(w, 61);
    assert_true(world_told(w, "ALARM over_temperature"));
    end_world(w);
}

static void test_an_ordered_pause_survives_a_kill(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    world_until_output(w, WN_OUTPUT_CHARGE);
    w->ammeter_lag_s = 2; /* the pause is not over when the process dies */
    world_command(w, WN_EVENT_PAUSE);
    world_kill_and_restart(w);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_PAUSED);
    end_world(w);
}

static void test_an_ordered_stop_survives_a_kill(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    struct wn_error err;
    world_until_output(w, WN_OUTPUT_CHARGE);
    w->ammeter_lag_s = 2;
    world_command(w, WN_EVENT_STOP);
    world_kill_and_restart(w);
    assert_true(wn_engine_stop_ordered(w->engine));
    assert_int_not_equal(wn_engine_may(w->engine, WN_EVENT_RESUME, &err), WN_OK);
    world_command(w, WN_EVENT_STOP); /* what the station does with it, off first */
    world_until(w, WN_ENGINE_STOPPED, 60);
    assert_false(wn_engine_stop_ordered(w->engine));
    end_world(w);
}

static void test_stop_neither_erases_a_halt_nor_delays_the_interlock(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    world_until_output(w, WN_OUTPUT_CHARGE);
    w->stuck_on = true;
    w->temperature_offset_c = 60;
    for (int i = 0; i < 400 && w->interlock; i++) {
        world_turn(w);
        world_command(w, WN_EVENT_STOP);
    }
    assert_false(w->interlock);
    world_for(w, 10);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_HALTED);
    end_world(w);
}

static void test_one_wrong_reading_ends_no_charge(void **state)
{
    (void)state;
    struct world *w = new_world(2);
    world_until(w, WN_ENGINE_RUNNING, 60);
    world_until_output(w, WN_OUTPUT_CHARGE);
    while (!(w->on && -world_current_a(w) > -2.0 && w->charge_ah > 1.5)) {
        world_turn(w); /* into the constant-voltage part */
    }
    w->one_zero_current = true;
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_near(w->cycle[0].capacity_ah.value, w->cycle[1].capacity_ah.value, 1e-4);
    assert_int_equal(w->cycle[0].flags, 0);
    end_world(w);
}

static void test_a_clock_that_goes_back_is_switched_off_and_verified(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    world_until_output(w, WN_OUTPUT_CHARGE);
    world_for(w, 100);
    w->stuck_on = true;
    struct wn_actions actions;
    struct wn_event ev = {.kind = WN_EVENT_READING, .time_ns = w->now_ns};
    ev.reading.has = WN_HAS_VOLTAGE | WN_HAS_CURRENT;
    ev.reading.voltage_v = 3.7;
    ev.reading.current_a = 4;
    ev.reading.time_ns = w->now_ns - 50 * WN_NS_PER_S;
    wn_engine_step(w->engine, &ev, &actions);
    assert_int_equal(actions.action[0].kind, WN_ACTION_OFF);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_SWITCHING_OFF);
    end_world(w);
}

static void test_a_slow_ammeter_is_no_fault(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    w->ammeter_lag_s = 1.5; /* limit for going off: 3 s */
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_false(world_told(w, "ALARM"));
    assert_int_equal(w->cycles, 1);
    end_world(w);
}

static void test_a_finished_cycle_is_not_lost_to_a_stop(void **state)
{
    (void)state;
    struct world *w = new_world(2);
    while (w->steps < 3) {
        world_turn(w);
    }
    w->ammeter_lag_s = 1;
    while (w->cycles == 0 && wn_engine_state(w->engine) != WN_ENGINE_STOPPED) {
        world_turn(w);
    }
    assert_int_equal(w->cycles, 1);
    end_world(w);
}

static void test_no_rest_before_a_discharge_gives_no_resistance(void **state)
{
    (void)state;
    struct world *w = calloc(1, sizeof *w);
    assert_non_null(w);
    world_setup(w, 1, 0);
    struct wn_procedure *p = &w->setup.procedure;
    p->step[1] = p->step[2]; /* charge, discharge, rest */
    p->step[2] = p->step[3];
    p->phase[0].steps = p->steps = 3;
    world_shutdown(w);
    world_boot(w);
    world_command(w, WN_EVENT_START);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_true(isnan(w->cycle[0].resistance_ohm.value));
    end_world(w);
}

static void test_a_lasting_silence_while_halted_becomes_an_alarm(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    halt_hot(w);
    world_command(w, WN_EVENT_ACKNOWLEDGE);
    w->mute = true;
    for (int i = 0; i < 8; i++) {
        world_turn(w);
    }
    assert_true(world_told(w, "ALARM silence: nobody watches the cell"));
    end_world(w);
}

static void test_a_lost_guard_pauses_and_the_campaign_goes_on_later(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    world_for(w, 100);
    world_command(w, WN_EVENT_GUARD_LOST);
    assert_false(w->on);
    world_until(w, WN_ENGINE_PAUSED, 60);
    world_command(w, WN_EVENT_RESUME);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_true(w->cycle[0].flags & WN_FLAG_INTERRUPTED);
    end_world(w);
}

static int told(const struct world *w, const char *text)
{
    int n = 0;
    for (const char *at = w->trace; (at = strstr(at, text)) != NULL; at++) {
        n++;
    }
    return n;
}

static void test_a_leak_that_is_over_is_told_once(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    halt_hot(w);
    w->leak = true;
    world_for(w, 600);
    world_clear_trace(w);
    world_for(w, 7200);
    assert_int_equal(told(w, "ALARM current_while_off"), 0);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_HALTED);
    end_world(w);
}

static void test_stop_ends_a_halt_whose_cause_lasts(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    w->temperature_offset_c = 60;
    world_until(w, WN_ENGINE_HALTED, 60);
    world_command(w, WN_EVENT_STOP); /* still hot */
    world_until(w, WN_ENGINE_STOPPED, 60);
    struct wn_engine_view v;
    wn_engine_view(w->engine, &v);
    assert_true(v.alarm);
    assert_false(w->on);
    end_world(w);
}

static void test_a_leak_after_the_stop_does_not_revive_the_campaign(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    world_until_output(w, WN_OUTPUT_CHARGE);
    world_command(w, WN_EVENT_STOP);
    world_until(w, WN_ENGINE_STOPPED, 60);
    w->leak = true;
    world_for(w, 900);
    assert_false(w->leak);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_STOPPED);
    end_world(w);
}

static void test_another_cell_after_an_unplugged_pause_is_held(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    world_for(w, 300);
    world_command(w, WN_EVENT_PAUSE);
    world_until(w, WN_ENGINE_PAUSED, 60);
    w->mute = true;
    world_turn(w);
    w->mute = false;
    w->charge_ah -= 1.2; /* 0.58 V lower: somebody put in another one */
    world_command(w, WN_EVENT_RESUME);
    world_for(w, 60);
    assert_true(world_told(w, "ALARM held"));
    assert_false(w->on);
    end_world(w);
}

static void test_efficiency_compares_like_with_like(void **state)
{
    (void)state;
    struct world *w = calloc(1, sizeof *w);
    assert_non_null(w);
    world_setup(w, 4, 2); /* check-ups before the first, after the second and the last */
    world_command(w, WN_EVENT_START);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_true(isnan(w->cycle[0].coulombic_efficiency)); /* arrived half full */
    assert_near(w->cycle[1].coulombic_efficiency, 1, 1e-3);
    assert_true(isnan(w->cycle[2].coulombic_efficiency)); /* emptied further by the check-up */
    assert_near(w->cycle[3].coulombic_efficiency, 1, 1e-3);
    end_world(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_current_that_returns_after_a_halt_is_switched_off_again),
        cmocka_unit_test(test_current_after_the_end_is_switched_off_again),
        cmocka_unit_test(test_a_watched_cell_that_grows_hot_is_told_at_once),
        cmocka_unit_test(test_an_ordered_pause_survives_a_kill),
        cmocka_unit_test(test_an_ordered_stop_survives_a_kill),
        cmocka_unit_test(test_stop_neither_erases_a_halt_nor_delays_the_interlock),
        cmocka_unit_test(test_one_wrong_reading_ends_no_charge),
        cmocka_unit_test(test_a_clock_that_goes_back_is_switched_off_and_verified),
        cmocka_unit_test(test_a_slow_ammeter_is_no_fault),
        cmocka_unit_test(test_a_finished_cycle_is_not_lost_to_a_stop),
        cmocka_unit_test(test_no_rest_before_a_discharge_gives_no_resistance),
        cmocka_unit_test(test_a_lasting_silence_while_halted_becomes_an_alarm),
        cmocka_unit_test(test_a_leak_that_is_over_is_told_once),
        cmocka_unit_test(test_stop_ends_a_halt_whose_cause_lasts),
        cmocka_unit_test(test_a_leak_after_the_stop_does_not_revive_the_campaign),
        cmocka_unit_test(test_another_cell_after_an_unplugged_pause_is_held),
        cmocka_unit_test(test_efficiency_compares_like_with_like),
        cmocka_unit_test(test_a_lost_guard_pauses_and_the_campaign_goes_on_later),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
