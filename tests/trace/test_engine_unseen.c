/* Stories in which an instrument does not show what happens to the cell: a current past the
 * ammeter, a voltmeter that stands still, a thermometer that has come off. SPDX-License-Identifier:
 * GPL-3.0-or-later */
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

static void pause(struct world *w)
{
    world_until_output(w, WN_OUTPUT_CHARGE);
    world_for(w, 100);
    world_command(w, WN_EVENT_PAUSE);
    world_until(w, WN_ENGINE_PAUSED, 60);
}

/* The supply says off, and its ammeter 0 A; the cell's voltage says otherwise. */
static void test_a_supply_that_lies(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    pause(w);
    w->hidden_a = 2;
    world_for(w, 3 * 3600);
    assert_false(w->interlock);
    assert_true(world_told(w, "ALARM over_voltage: with the output off"));
    assert_true(world_told(w, "and it goes on: interlock told to open"));
    assert_true(w->charge_ah < 1.08 * w->capacity_ah);
    end_world(w);
}

static void test_a_load_that_lies(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    pause(w);
    w->charge_ah = -0.4 * w->capacity_ah; /* weeks later */
    w->hidden_a = -0.01;                  /* less than is taken for a current */
    world_for(w, 20 * 3600.0);
    assert_false(w->interlock);
    assert_true(world_told(w, "ALARM under_voltage: with the output off"));
    assert_true(w->charge_ah > -0.46 * w->capacity_ah); /* 2.45 V */
    end_world(w);
}

static void test_after_the_end(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    world_until(w, WN_ENGINE_FINISHED, 1e6);
    w->hidden_a = 1;
    world_for(w, 6 * 3600);
    assert_false(w->interlock);
    assert_int_equal(wn_engine_state(w->engine), WN_ENGINE_FINISHED);
    end_world(w);
}

/* Its ammeter and its thermometer work, its voltmeter stands still: the end value never comes. */
static void test_a_voltmeter_that_stands_still(void **state)
{
    (void)state;
    for (int charges = 0; charges < 2; charges++) {
        struct world *w = new_world(1);
        world_until_output(w, charges ? WN_OUTPUT_CHARGE : WN_OUTPUT_DISCHARGE);
        world_for(w, 60);
        w->voltage_frozen = true;
        double before_ah = w->charge_ah;
        world_until(w, WN_ENGINE_HALTED, 3600);
        assert_true(world_told(w, "ALARM voltage_frozen"));
        assert_near(fabs(w->charge_ah - before_ah), 0.1 * 3.2 / 1.25, 0.01);
        end_world(w);
    }
}

/* In the air it is where the air is within two minutes, and the cell grows hot behind it. */
static void test_a_thermometer_that_comes_off(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    w->resistance_ohm = 0.05;
    world_until_output(w, WN_OUTPUT_DISCHARGE);
    world_for(w, 500);
    assert_false(world_told(w, "ALARM"));
    double above_k = w->temperature_c - w->ambient_c;
    assert_true(above_k > 12);
    for (wn_ns off_ns = w->now_ns; wn_engine_state(w->engine) == WN_ENGINE_RUNNING;) {
        double since_s = wn_ns_to_s(w->now_ns - off_ns);
        w->temperature_offset_c = w->ambient_c + above_k * exp(-since_s / 40) - w->temperature_c;
        assert_true(since_s < 60);
        world_turn(w);
    }
    assert_true(world_told(w, "ALARM temperature_fall: halted"));
    end_world(w);
}

/* A cell that recovers from too deep a discharge, one that is taken out, one reading that is
 * garbled: told, and no reason to let go of the cell, whose voltage would not be seen any more. */
static void test_what_does_not_go_on(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    pause(w);
    w->voltage_offset_v = -1.5;
    world_turn(w);
    w->voltage_offset_v = 0;
    world_for(w, 7200);
    assert_true(world_told(w, "ALARM under_voltage: with the output off"));
    assert_true(w->interlock);
    w->voltage_offset_v = -3.3; /* gone, and stays so */
    world_for(w, 7200);
    w->voltage_offset_v = -1.5; /* comes back slowly */
    for (int i = 0; i < 10; i++) {
        world_for(w, 600);
        w->voltage_offset_v += 0.05;
    }
    assert_true(w->interlock);
    end_world(w);
}

/* Too low in a pause, too high after the next halt: the one says nothing of the other. */
static void test_each_time_anew(void **state)
{
    (void)state;
    struct world *w = new_world(1);
    pause(w);
    w->voltage_offset_v = -1.5;
    world_turn(w);
    world_command(w, WN_EVENT_ACKNOWLEDGE);
    w->voltage_offset_v = 0;
    world_command(w, WN_EVENT_RESUME);
    world_until_output(w, WN_OUTPUT_CHARGE);
    w->voltage_offset_v = 1;
    world_until(w, WN_ENGINE_HALTED, 60);
    world_for(w, 600);
    assert_true(world_told(w, "ALARM over_voltage: with the output off"));
    assert_true(w->interlock);
    end_world(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_supply_that_lies),
        cmocka_unit_test(test_a_load_that_lies),
        cmocka_unit_test(test_after_the_end),
        cmocka_unit_test(test_a_voltmeter_that_stands_still),
        cmocka_unit_test(test_a_thermometer_that_comes_off),
        cmocka_unit_test(test_what_does_not_go_on),
        cmocka_unit_test(test_each_time_anew),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
