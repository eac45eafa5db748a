/* Stories of the engine: scripted events, and what it decides with simulated time.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/near.h"
#include "support/world.h"

#include <stdlib.h>
#include <string.h>

static struct world *new_world(int cycles, int check_up_every)
{
    struct world *w = calloc(1, sizeof *w);
    assert_non_null(w);
    world_setup(w, cycles, check_up_every);
    return w;
}

static void end_world(struct world *w)
{
    world_shutdown(w);
    free(w);
}

static void test_one_cycle_from_start_to_end(void **state)
{
    (void)state;
    struct world *w = new_world(1, 0);
    world_command(w, WN_EVENT_START);
    world_until(w, WN_ENGINE_FINISHED, 1e5);
    assert_int_equal(w->cycles, 1);
    const struct wn_cycle_record *c = &w->cycle[0];
    /* from 4.2 V rest down to 2.9 V under 10 A: ocv 3.15 V, so (4.2 - 3.15) / 1.2 of 2.5 Ah, less
     * what the charge left out */
    double left_v = 0.1 * w->resistance_ohm;
    assert_near(c->capacity_ah.value, (4.2 - left_v - 3.15) / 1.2 * 2.5, 1e-4);
    assert_near(c->resistance_ohm.value, w->resistance_ohm, 2e-4);
    assert_int_equal(c->flags, 0);
    assert_near(c->cutoff_v, 2.9, 0);
    assert_false(w->on);
    end_world(w);
}

static void test_charge_counted_is_charge_moved(void **state)
{
    (void)state;
    struct world *w = new_world(5, 2);
    double before = w->charge_ah, in = 0, out = 0;
    world_command(w, WN_EVENT_START);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    for (int i = 0; i < w->steps; i++) {
        in += w->step[i].sums.charge_in_ah;
        out += w->step[i].sums.charge_out_ah;
    }
    assert_int_equal(w->cycles, 5);
    assert_int_equal(w->check_ups, 4); /* before, after 2, after 4, at the end */
    assert_near(in, w->true_in_ah, w->true_in_ah * 2e-5);
    assert_near(out, w->true_out_ah, w->true_out_ah * 2e-5);
    assert_near(w->charge_ah, before + w->true_in_ah - w->true_out_ah, 1e-9);
    end_world(w);
}

static void test_check_up_measures_resistance_and_capacity(void **state)
{
    (void)state;
    struct world *w = new_world(1, 1);
    world_command(w, WN_EVENT_START);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_int_equal(w->check_ups, 2);
    for (int i = 0; i < 2; i++) {
        const struct wn_check_up_record *c = &w->check_up[i];
        assert_int_equal(c->check_up, i + 1);
        assert_int_equal(c->after_cycle, i);
        /* the world's cell loses open-circuit voltage during the pulse: 2.5 A for 1 s are 0.33 mV
         * of 50 mV */
        assert_near(c->resistance_ohm.value, w->resistance_ohm, 3e-4);
        double moved_ah = 0.5 * 10 / 3600 + 2.5 * 1 / 3600; /* by the pulse before */
        assert_near(c->capacity_ah.value, (4.2 - 0.0025 - 2.9 - 0.0125) / 1.2 * 2.5 - moved_ah,
                    2e-3);
    }
    end_world(w);
}

static void test_over_temperature_halts_at_once_and_latches(void **state)
{
    (void)state;
    struct world *w = new_world(3, 0);
    struct wn_error err;
    world_command(w, WN_EVENT_START);
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    world_for(w, 60);
    world_clear_trace(w);
    w->temperature_offset_c = 40;
    world_turn(w); /* the very first hot reading */
    assert_false(w->on);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_SWITCHING_OFF);
    assert_true(world_told(w, "off\n"));
    assert_true(world_told(w, "ALARM over_temperature: halted"));
    assert_true(strstr(w->trace, "off\n") < strstr(w->trace, "ALARM") || world_told(w, "ALARM"));
    world_until(w, WN_ENGINE_HALTED, 60);
    w->temperature_offset_c = 0;
    world_for(w, 7200);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_HALTED);
    assert_int_not_equal(wn_engine_may(w->engine, WN_EVENT_RESUME, &err), WN_OK);
    world_command(w, WN_EVENT_RESUME); /* refused, and nothing happens */
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_HALTED);
    assert_false(w->on);
    world_command(w, WN_EVENT_ACKNOWLEDGE);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_PAUSED);
    world_command(w, WN_EVENT_RESUME);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_int_equal(w->cycles, 3);
    assert_true(w->cycle[0].flags & WN_FLAG_INTERRUPTED);
    assert_true(w->cycle[1].flags & WN_FLAG_AFTER_PAUSE);
    assert_int_equal(w->cycle[2].flags, 0);
    end_world(w);
}

static void test_over_and_under_voltage_halt(void **state)
{
    (void)state;
    for (int low = 0; low < 2; low++) {
        struct world *w = new_world(1, 0);
        world_command(w, WN_EVENT_START);
        world_until_output(w, low ? WN_OUTPUT_DISCHARGE : WN_OUTPUT_CHARGE);
        world_for(w, 30);
        w->voltage_offset_v = low ? -1.5 : 1.5;
        world_turn(w);
        assert_false(w->on);
        assert_true(world_told(w, low ? "ALARM under_voltage" : "ALARM over_voltage"));
        end_world(w);
    }
}

static void test_silence_halts(void **state)
{
    (void)state;
    struct world *w = new_world(1, 0);
    world_command(w, WN_EVENT_START);
    world_until_output(w, WN_OUTPUT_CHARGE);
    world_for(w, 10);
    w->mute = true;
    world_turn(w);
    assert_true(world_told(w, "ALARM silence: halted: tester is silent"));
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_SWITCHING_OFF);
    w->mute = false; /* it answers again */
    world_for(w, 10);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_HALTED);
    assert_false(w->on);
    end_world(w);
}

static void test_output_stuck_on_drops_the_interlock(void **state)
{
    (void)state;
    struct world *w = new_world(1, 0);
    struct wn_error err;
    world_command(w, WN_EVENT_START);
    world_until_output(w, WN_OUTPUT_CHARGE);
    w->stuck_on = true;
    world_for(w, 5);
    w->temperature_offset_c = 60;
    world_turn(w);
    assert_true(world_current_a(w) > 0);
    for (int i = 0; i < 200 && w->interlock; i++) {
        world_turn(w);
    }
    assert_false(w->interlock);
    assert_near(world_current_a(w), 0, 0);
    assert_true(world_told(w, "ALARM not_off"));
    world_for(w, 10);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_HALTED);
    assert_int_not_equal(wn_engine_may(w->engine, WN_EVENT_RESUME, &err), WN_OK);
    end_world(w);
}

static void test_nothing_goes_on_when_recording_fails(void **state)
{
    (void)state;
    struct world *w = new_world(1, 0);
    w->store_fails = true;
    world_command(w, WN_EVENT_START);
    world_for(w, 100);
    assert_false(w->on);
    assert_int_equal(w->outputs, 0);
    end_world(w);

    w = new_world(1, 0);
    world_command(w, WN_EVENT_START);
    world_until_output(w, WN_OUTPUT_CHARGE);
    int outputs = w->outputs;
    w->store_fails = true; /* noticed at the next commit: the end of the charge */
    world_for(w, 10000);
    assert_false(w->on);
    assert_int_equal(w->outputs, outputs);
    end_world(w);
}

static void test_killed_in_a_discharge_goes_on_and_is_marked(void **state)
{
    (void)state;
    struct world *w = new_world(2, 0);
    world_command(w, WN_EVENT_START);
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    world_for(w, 300);
    wn_engine_save(w->engine, &w->committed_state); /* the station's commit by time */
    world_for(w, 3);
    world_kill_and_restart(w);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_PAUSED);
    world_for(w, 300);
    assert_false(w->on);
    world_command(w, WN_EVENT_RESUME);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_int_equal(w->cycles, 2);
    assert_true(w->cycle[0].flags & WN_FLAG_INTERRUPTED);
    assert_int_equal(w->cycle[1].flags & WN_FLAGS_INVALID, 0);
    /* both halves are counted; only what flowed after the last commit is lost */
    assert_near(w->cycle[0].capacity_ah.value, w->cycle[1].capacity_ah.value, 10.0 * 4 / 3600);
    end_world(w);
}

static void test_another_cell_after_a_restart_is_held(void **state)
{
    (void)state;
    struct world *w = new_world(2, 0);
    world_command(w, WN_EVENT_START);
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    world_for(w, 600);
    wn_engine_save(w->engine, &w->committed_state);
    world_kill_and_restart(w);
    w->charge_ah = 2.45; /* somebody put in a full one */
    world_command(w, WN_EVENT_RESUME);
    world_for(w, 60);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_PAUSED);
    assert_true(world_told(w, "ALARM held"));
    assert_false(w->on);
    end_world(w);
}

static void test_every_place_to_be_killed_at(void **state)
{
    (void)state;
    struct world *reference = new_world(2, 1);
    world_command(reference, WN_EVENT_START);
    world_until(reference, WN_ENGINE_FINISHED, 1e6);
    int last = reference->steps;
    double whole_s = wn_ns_to_s(reference->now_ns);
    end_world(reference);
    for (int k = 1; k < 60; k++) {
        struct world *w = new_world(2, 1);
        w->commit_s = 120;
        world_command(w, WN_EVENT_START);
        world_for(w, whole_s * k / 60);
        world_kill_and_restart(w);
        if (wn_engine_state(w->engine) != WN_ENGINE_FINISHED) {
            world_command(w, WN_EVENT_RESUME);
            world_until(w, WN_ENGINE_FINISHED, 1e6);
        }
        assert_int_equal(w->cycles, 2);
        assert_int_equal(w->check_ups, 3);
        assert_int_equal(w->steps, last);
        end_world(w);
    }
}

static void test_pause_and_stop(void **state)
{
    (void)state;
    struct world *w = new_world(2, 0);
    struct wn_error err;
    world_command(w, WN_EVENT_START);
    world_until_output(w, WN_OUTPUT_CHARGE);
    world_for(w, 100);
    world_command(w, WN_EVENT_PAUSE);
    assert_false(w->on);
    world_until(w, WN_ENGINE_PAUSED, 60);
    world_for(w, 1000);
    assert_false(w->on);
    world_command(w, WN_EVENT_RESUME);
    world_until_output(w, WN_OUTPUT_CHARGE);
    world_command(w, WN_EVENT_STOP);
    assert_false(w->on);
    world_until(w, WN_ENGINE_STOPPED, 60);
    assert_int_not_equal(wn_engine_may(w->engine, WN_EVENT_RESUME, &err), WN_OK);
    assert_int_not_equal(wn_engine_may(w->engine, WN_EVENT_STOP, &err), WN_OK);
    end_world(w);
}

static void test_warm_room_is_flagged(void **state)
{
    (void)state;
    struct world *w = new_world(1, 0);
    w->ambient_c = 25.5; /* window of the procedure: 15 to 25 */
    world_command(w, WN_EVENT_START);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    assert_int_equal(w->cycle[0].flags, WN_FLAG_TEMPERATURE);
    end_world(w);
}

static void test_three_weak_cycles_end_it(void **state)
{
    (void)state;
    struct world *w = new_world(50, 0);
    w->setup.procedure.end_below_ah = 1.8;
    world_shutdown(w);
    world_boot(w);
    world_command(w, WN_EVENT_START);
    while (wn_engine_state(w->engine) != WN_ENGINE_FINISHED) {
        world_turn(w);
        w->capacity_ah = 2.5 - 0.03 * w->cycles;
    }
    assert_true(w->cycles < 50);
    for (int k = 1; k <= 3; k++) {
        assert_true(w->cycle[w->cycles - k].capacity_ah.value < 1.8);
    }
    assert_true(w->cycle[w->cycles - 4].capacity_ah.value >= 1.8);
    end_world(w);
}

static void test_time_that_goes_back_halts(void **state)
{
    (void)state;
    struct world *w = new_world(1, 0);
    world_command(w, WN_EVENT_START);
    world_until_output(w, WN_OUTPUT_CHARGE);
    world_for(w, 100);
    w->now_ns -= 50 * WN_NS_PER_S; /* the instrument was reset */
    struct wn_event ev = {.kind = WN_EVENT_READING, .time_ns = w->now_ns};
    ev.reading.time_ns = w->now_ns;
    struct wn_actions actions;
    wn_engine_step(w->engine, &ev, &actions);
    assert_int_equal(actions.action[0].kind, WN_ACTION_OFF);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_SWITCHING_OFF);
    end_world(w);
}

static void test_damaged_state_is_refused(void **state)
{
    (void)state;
    struct world *w = new_world(1, 0);
    struct wn_error err;
    struct wn_state_record s;
    wn_engine_save(w->engine, &s);
    struct wn_state_record bad = s;
    bad.size = 4;
    assert_int_equal(wn_engine_restore(w->engine, &bad, &err), WN_ECORRUPT);
    bad = s;
    bad.blob[0] ^= 1;
    assert_int_equal(wn_engine_restore(w->engine, &bad, &err), WN_ECORRUPT);
    bad = s;
    bad.blob[4] ^= 1; /* version */
    assert_int_equal(wn_engine_restore(w->engine, &bad, &err), WN_ENEWER);
    end_world(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_one_cycle_from_start_to_end),
        cmocka_unit_test(test_charge_counted_is_charge_moved),
        cmocka_unit_test(test_check_up_measures_resistance_and_capacity),
        cmocka_unit_test(test_over_temperature_halts_at_once_and_latches),
        cmocka_unit_test(test_over_and_under_voltage_halt),
        cmocka_unit_test(test_silence_halts),
        cmocka_unit_test(test_output_stuck_on_drops_the_interlock),
        cmocka_unit_test(test_nothing_goes_on_when_recording_fails),
        cmocka_unit_test(test_killed_in_a_discharge_goes_on_and_is_marked),
        cmocka_unit_test(test_another_cell_after_a_restart_is_held),
        cmocka_unit_test(test_every_place_to_be_killed_at),
        cmocka_unit_test(test_pause_and_stop),
        cmocka_unit_test(test_warm_room_is_flagged),
        cmocka_unit_test(test_three_weak_cycles_end_it),
        cmocka_unit_test(test_time_that_goes_back_halts),
        cmocka_unit_test(test_damaged_state_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
