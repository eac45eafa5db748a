/* Stories in which one thing that is not known must not be taken for good: another cell after two
 * restarts, a temperature that is missing, a word that is not believed.
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
    return w;
}

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

/* What a station does by time: the state as it is now becomes the one a restart finds. */
static void save_now(struct world *w)
{
    wn_engine_save(w->engine, &w->committed_state);
}

/* One reading from outside, as the station gives it to the engine. */
static void hear(struct world *w, const struct wn_reading *r, struct wn_actions *out)
{
    struct wn_event ev = {.kind = WN_EVENT_READING, .time_ns = r->time_ns, .reading = *r};
    wn_engine_step(w->engine, &ev, out);
}

static bool wants(const struct wn_actions *a, enum wn_action_kind kind)
{
    for (int i = 0; i < a->n; i++) {
        if (a->action[i].kind == kind) {
            return true;
        }
    }
    return false;
}

static struct wn_reading calm(const struct world *w, double time_s)
{
    struct wn_reading r = {.voltage_v = 3.6, .temperature_c = 23, .ambient_c = 23};
    r.time_ns = w->now_ns + wn_ns_from_s(time_s);
    r.has = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE | WN_HAS_AMBIENT;
    return r;
}

/* The cell is exchanged while the service is down. However often it is killed or disturbed before
 * the resume, the comparison with the cell it had stays. */
static void test_another_cell_after_two_restarts(void **state)
{
    (void)state;
    for (int disturbed = 0; disturbed < 3; disturbed++) {
        struct world *w = new_world(2);
        begin(w);
        world_until_output(w, WN_OUTPUT_CHARGE);
        world_for(w, 1200);
        save_now(w);
        world_kill_and_restart(w);
        w->charge_ah = 0.05; /* another cell, and an empty one */
        world_for(w, 120);
        if (disturbed == 1) {
            save_now(w);
            world_kill_and_restart(w);
        } else if (disturbed == 2) {
            w->mute = true;
            world_turn(w);
            w->mute = false;
        }
        int outputs = w->outputs;
        world_command(w, WN_EVENT_RESUME);
        world_for(w, 60);
        assert_true(world_told(w, "ALARM held"));
        assert_int_equal(w->outputs, outputs);
        end_world(w);
    }
}

/* Exchanged in a pause, under the eyes of the instrument; taken out and put back; one wild reading.
 */
static void test_another_cell_in_a_pause(void **state)
{
    (void)state;
    for (int kind = 0; kind < 3; kind++) {
        struct world *w = new_world(1);
        begin(w);
        world_until_output(w, WN_OUTPUT_CHARGE);
        world_for(w, 600);
        world_command(w, WN_EVENT_PAUSE);
        world_for(w, 300);
        double was_ah = w->charge_ah;
        w->voltage_offset_v = -3.3;
        for (int n = 0; n < (kind == 2 ? 1 : 5); n++) {
            world_turn(w);
        }
        w->voltage_offset_v = 0;
        w->charge_ah = kind == 0 ? was_ah - 1.2 : was_ah; /* 0.58 V */
        world_for(w, 600);
        world_command(w, WN_EVENT_ACKNOWLEDGE); /* that it was gone */
        world_command(w, WN_EVENT_RESUME);
        world_for(w, 60);
        assert_int_equal(world_told(w, "ALARM held"), kind == 0);
        assert_int_equal(w->on, kind != 0);
        end_world(w);
    }
}

static void test_a_fault_while_preparing_keeps_the_question(void **state)
{
    (void)state;
    struct world *w = new_world(2);
    begin(w);
    world_until_output(w, WN_OUTPUT_CHARGE);
    world_for(w, 1200);
    save_now(w);
    world_kill_and_restart(w);
    w->charge_ah = 0.05;
    world_command(w, WN_EVENT_RESUME);
    world_turn(w); /* one reading of the other cell */
    w->mute = true;
    world_until(w, WN_ENGINE_SWITCHING_OFF, 60);
    w->mute = false;
    world_until(w, WN_ENGINE_HALTED, 60);
    world_command(w, WN_EVENT_ACKNOWLEDGE);
    int outputs = w->outputs;
    world_command(w, WN_EVENT_RESUME);
    world_for(w, 60);
    assert_true(world_told(w, "ALARM held"));
    assert_int_equal(w->outputs, outputs);
    end_world(w);
}

/* -10 degC, and then one reading without a temperature: not known is not inside. */
static void test_a_missing_temperature_opens_no_window(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    struct wn_actions a;
    w->setup.limits.below_ambient_k = 0;
    w->temperature_offset_c = -33;
    begin(w);
    world_for(w, 600);
    assert_true(world_told(w, "waiting"));
    struct wn_reading r = calm(w, 60);
    r.has &= ~(unsigned)WN_HAS_TEMPERATURE;
    hear(w, &r, &a);
    assert_false(wants(&a, WN_ACTION_OUTPUT));
    r = calm(w, 120);
    r.temperature_c = 20;
    hear(w, &r, &a); /* and known is */
    assert_true(wants(&a, WN_ACTION_OUTPUT));
    end_world(w);
}

/* Something that holds is looked at again at once, however rarely a rest is read. */
static void test_doubt_is_read_again_soon(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    w->setup.rest_interval_s = 600;
    begin(w);
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    while (w->on) {
        world_turn(w);
    }
    world_for(w, 1);
    w->leak = true;
    wn_ns from = w->now_ns;
    world_until(w, WN_ENGINE_HALTED, 3600);
    assert_true(world_told(w, "ALARM current_while_off"));
    assert_true(wn_ns_to_s(w->now_ns - from) < 600 + 5); /* one interval, not three */
    end_world(w);
}

/* With the voltmeter's lead off the ammeter is still believed. */
static void test_current_is_judged_without_voltage(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    struct wn_actions a;
    begin(w);
    world_until_output(w, WN_OUTPUT_CHARGE);
    world_command(w, WN_EVENT_PAUSE);
    world_until(w, WN_ENGINE_PAUSED, 60);
    bool off_again = false;
    for (int n = 1; n < 10 && !off_again; n++) {
        struct wn_reading r = calm(w, 60.0 * n);
        r.has &= ~(unsigned)WN_HAS_VOLTAGE;
        r.current_a = 5;
        hear(w, &r, &a);
        off_again = wants(&a, WN_ACTION_OFF);
    }
    assert_true(off_again);
    end_world(w);
}

/* The campaign is over, and the instrument says that it is on although it was told off. */
static void test_on_after_the_end_is_an_alarm(void **state)
{
    (void)state;
    for (int stopped = 0; stopped < 2; stopped++) {
        struct world *w = new_world(1);
        struct wn_actions a;
        begin(w);
        if (stopped) {
            world_until_output(w, WN_OUTPUT_CHARGE);
            world_command(w, WN_EVENT_STOP);
        }
        world_until(w, stopped ? WN_ENGINE_STOPPED : WN_ENGINE_FINISHED, 1e6);
        struct wn_event ev = {.kind = WN_EVENT_FAULT, .time_ns = w->now_ns};
        (void)wn_error_set(&ev.error, WN_EREADBACK, "output is still on");
        wn_engine_step(w->engine, &ev, &a);
        assert_true(wants(&a, WN_ACTION_OFF));
        struct wn_engine_view v;
        wn_engine_view(w->engine, &v);
        assert_true(v.alarm);
        world_until(w, stopped ? WN_ENGINE_STOPPED : WN_ENGINE_FINISHED, 60);
        end_world(w);
    }
}

/* A stop that comes while a halt is made safe waits for the acknowledgement, and is then carried
 * out. */
static void test_a_stop_waits_for_the_acknowledgement(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    begin(w);
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    w->ammeter_lag_s = 2;
    w->temperature_offset_c = 60;
    world_until(w, WN_ENGINE_SWITCHING_OFF, 600);
    w->temperature_offset_c = 0;
    world_command(w, WN_EVENT_STOP);
    world_until(w, WN_ENGINE_HALTED, 60);
    world_command(w, WN_EVENT_ACKNOWLEDGE);
    world_until(w, WN_ENGINE_STOPPED, 60);
    end_world(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_another_cell_after_two_restarts),
        cmocka_unit_test(test_another_cell_in_a_pause),
        cmocka_unit_test(test_a_fault_while_preparing_keeps_the_question),
        cmocka_unit_test(test_a_missing_temperature_opens_no_window),
        cmocka_unit_test(test_doubt_is_read_again_soon),
        cmocka_unit_test(test_current_is_judged_without_voltage),
        cmocka_unit_test(test_on_after_the_end_is_an_alarm),
        cmocka_unit_test(test_a_stop_waits_for_the_acknowledgement),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
