/* Stories of the engine about temperatures, about what goes in and comes out, and about orders that
 * a restart interrupts. SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/near.h"
#include "support/world.h"

#include <stdlib.h>
#include <string.h>

static struct world *new_world(int cycles)
{
    struct world *w = calloc(1, sizeof *w);
    assert_non_null(w);
    world_setup(w, cycles, 0);
    return w;
}

/* The set-up was changed: the engine takes it over, then the campaign begins. */
static void begin(struct world *w)
{
    world_shutdown(w);
    world_boot(w);
    world_command(w, WN_EVENT_START);
}

static void end_world(struct world *w)
{
    world_shutdown(w);
    free(w);
}

static void test_a_step_waits_for_its_window(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    begin(w);
    w->temperature_offset_c = -23.5; /* just too cold to be charged; the air is as cold */
    w->setup.limits.below_ambient_k = 0;
    begin(w);
    world_for(w, 3600);
    assert_true(world_told(w, "waiting: cell is at -0.5 degC"));
    assert_false(w->on);
    w->temperature_offset_c = -22; /* inside, but not yet by the margin */
    world_for(w, 600);
    assert_false(w->on);
    w->temperature_offset_c = 0;
    world_until_output(w, WN_OUTPUT_CHARGE);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_int_equal(w->cycles, 1);
    end_world(w);
}

static void test_a_window_that_never_opens_is_an_alarm(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    w->temperature_offset_c = 30; /* 53 degC: too warm to be charged, not for a rest */
    w->setup.limits.above_ambient_k = NAN;
    begin(w);
    world_until(w, WN_ENGINE_HALTED, 7 * 3600);
    assert_true(w->now_ns > wn_ns_from_s(6 * 3600.0));
    assert_true(world_told(w, "ALARM waited_too_long"));
    assert_int_equal(w->outputs, 0);
    end_world(w);
}

static void test_a_pause_while_waiting(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    w->temperature_offset_c = 30;
    w->setup.limits.above_ambient_k = NAN;
    begin(w);
    world_for(w, 4 * 3600);
    world_command(w, WN_EVENT_PAUSE);
    world_until(w, WN_ENGINE_PAUSED, 60);
    world_for(w, 4 * 3600); /* the wait does not go on meanwhile */
    world_command(w, WN_EVENT_RESUME);
    world_for(w, 600);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_RUNNING);
    world_kill_and_restart(w);
    world_command(w, WN_EVENT_RESUME);
    w->temperature_offset_c = 0;
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    end_world(w);
}

static void test_a_cool_cell_is_charged_to_less(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    w->setup.cell.reduced_charge_voltage_v = 4.15;
    w->setup.cell.reduced_charge_below_c = 10;
    w->setup.cell.reduced_charge_above_c = 45;
    w->temperature_offset_c = -15; /* 8 degC */
    w->setup.limits.below_ambient_k = 0;
    begin(w);
    world_until_output(w, WN_OUTPUT_CHARGE);
    assert_near(w->output.voltage_v, 4.15, 1e-9);
    assert_true(world_told(w, "reduced_charge: cell is at 8.0 degC"));
    w->temperature_offset_c = 0; /* stays as it was begun */
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    assert_string_equal(w->step[0].ended_by, "current");
    assert_near(w->charge_ah, w->capacity_ah * (4.15 - 3.0) / 1.2, 0.03);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_true((w->cycle[0].flags & WN_FLAG_TEMPERATURE) != 0);
    assert_true((w->cycle[0].flags & WN_FLAG_CV_MISSING) == 0);
    end_world(w);
}

static void test_a_discharge_ends_by_temperature(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    w->setup.procedure.step[2].until_temperature_c = 30;
    begin(w);
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_string_equal(w->step[2].ended_by, "temperature");
    assert_true((w->cycle[0].flags & WN_FLAG_NOT_TO_CUTOFF) != 0);
    assert_true(w->charge_ah > 0.5); /* long before it was empty */
    end_world(w);
}

static void test_more_charge_than_was_taken_out(void **state)
{
    (void)state;
    struct world *w = new_world(3);
    begin(w);
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    world_until_output(w, WN_OUTPUT_CHARGE);
    double taken_ah = w->true_out_ah;
    double before_ah = w->true_in_ah;
    while (wn_engine_state(w->engine) != WN_ENGINE_HALTED) {
        w->capacity_ah += 0.0005; /* it swallows and does not fill up */
        world_turn(w);
        assert_true(w->true_in_ah - before_ah < taken_ah + 0.4);
    }
    assert_true(world_told(w, "ALARM charge_excess"));
    assert_true(w->true_in_ah - before_ah > taken_ah + 0.375);
    end_world(w);
}

static void test_a_capacity_that_collapses(void **state)
{
    (void)state;
    struct world *w = new_world(6);
    begin(w);
    while (w->cycles < 3) {
        world_turn(w);
    }
    w->capacity_ah *= 0.9; /* fades faster than any cell, but does not collapse */
    while (w->cycles < 4) {
        world_turn(w);
    }
    assert_int_not_equal(wn_engine_state(w->engine), WN_ENGINE_HALTED);
    w->capacity_ah *= 0.7;
    world_until(w, WN_ENGINE_HALTED, 1e6);
    assert_true(world_told(w, "ALARM capacity_collapse"));
    assert_int_equal(w->cycles, 5); /* the one that shows it is kept */
    world_command(w, WN_EVENT_ACKNOWLEDGE);
    world_command(w, WN_EVENT_RESUME);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_int_equal(w->cycles, 6);
    end_world(w);
}

/* The step has ended, the stop comes while its off is on the way, the process dies: the finished
 * discharge is recorded all the same. */
static void test_a_stop_loses_no_finished_step(void **state)
{
    (void)state;
    struct world *w = new_world(2);
    begin(w);
    w->ammeter_lag_s = 2;
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    while (wn_engine_state(w->engine) != WN_ENGINE_SWITCHING_OFF) {
        world_turn(w);
    }
    int steps = w->steps;
    world_command(w, WN_EVENT_STOP);
    world_kill_and_restart(w);
    assert_true(wn_engine_stop_ordered(w->engine));
    world_command(w, WN_EVENT_STOP);
    world_until(w, WN_ENGINE_STOPPED, 60);
    assert_int_equal(w->steps, steps + 1);
    assert_string_equal(w->step[steps].ended_by, "voltage");
    end_world(w);
}

static void test_held_until_acknowledged(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    struct wn_error err;
    begin(w);
    world_until_output(w, WN_OUTPUT_CHARGE);
    world_kill_and_restart(w);
    struct wn_event ev = {.kind = WN_EVENT_HOLD,
                          .time_ns = w->now_ns,
                          .fault = WN_FAULT_TOO_MANY_RESTARTS,
                          .error = {.text = "too often"}};
    struct wn_actions actions;
    wn_engine_step(w->engine, &ev, &actions);
    assert_true(wn_engine_latched(w->engine));
    assert_int_equal(wn_engine_may(w->engine, WN_EVENT_RESUME, &err), WN_ESTATE);
    world_command(w, WN_EVENT_ACKNOWLEDGE);
    assert_false(wn_engine_latched(w->engine));
    world_command(w, WN_EVENT_RESUME);
    world_until_output(w, WN_OUTPUT_CHARGE);
    end_world(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_step_waits_for_its_window),
        cmocka_unit_test(test_a_window_that_never_opens_is_an_alarm),
        cmocka_unit_test(test_a_pause_while_waiting),
        cmocka_unit_test(test_a_cool_cell_is_charged_to_less),
        cmocka_unit_test(test_a_discharge_ends_by_temperature),
        cmocka_unit_test(test_more_charge_than_was_taken_out),
        cmocka_unit_test(test_a_capacity_that_collapses),
        cmocka_unit_test(test_a_stop_loses_no_finished_step),
        cmocka_unit_test(test_held_until_acknowledged),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
