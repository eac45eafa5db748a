/* Stories of a station that listens: a driven campaign's readings, heard by an engine that drives
 * nothing. SPDX-License-Identifier: GPL-3.0-or-later */
#include "ear.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* -- the same results as driving */

static void compare(const struct ear *e, double capacity_ah, double energy_wh, double ohm,
                    int flagged)
{
    int otherwise = 0;
    assert_int_equal(e->cycles, ear_driven->cycles);
    assert_int_equal(e->check_ups, ear_driven->check_ups);
    for (int i = 0; i < e->cycles; i++) {
        const struct wn_cycle_record *a = &e->cycle[i], *b = &ear_driven->cycle[i];
        assert_int_equal(a->cycle, b->cycle);
        assert_near(a->capacity_ah.value, b->capacity_ah.value, capacity_ah);
        assert_near(a->energy_wh.value, b->energy_wh.value, energy_wh);
        bool unknown = ohm > 1e-3 && isnan(a->resistance_ohm.value); /* the rest was not seen */
        assert_true(unknown || fabs(a->resistance_ohm.value - b->resistance_ohm.value) <= ohm);
        assert_near(a->cutoff_v, b->cutoff_v, 0);
        otherwise += a->flags != b->flags;
    }
    for (int i = 0; i < e->check_ups; i++) {
        const struct wn_check_up_record *a = &e->check_up[i], *b = &ear_driven->check_up[i];
        assert_int_equal(a->after_cycle, b->after_cycle);
        assert_near(a->capacity_ah.value, b->capacity_ah.value, capacity_ah);
        assert_near(a->resistance_ohm.value, b->resistance_ohm.value, ohm);
    }
    assert_true(otherwise <= flagged);
}

/* A load comes on within the millisecond between two readings, half of which is unknown: 10 A x 0.5
 * ms is 1.4 uAh; as in tests/unit/listen. */
static void test_the_same_results(void **state)
{
    (void)state;
    struct ear *e = new_ear(true, true);
    command(e, WN_EVENT_START);
    assert_int_equal(state_of(e), WN_ENGINE_RUNNING);
    assert_true(told(e, "halting tells the tester to stop and opens the interlock"));
    hear_all(e, 0, ear_heards, 0, NULL);
    go_on(e, 4 * 3600, ear_heard[ear_heards - 1].voltage_v, 0, 23); /* the last rest */
    assert_int_equal(state_of(e), WN_ENGINE_FINISHED);
    compare(e, 10e-6, 40e-6, 1e-6, 0);
    assert_int_equal(e->outputs, 1);
    assert_int_equal(e->offs, 1); /* at the end the tester is stopped */
    assert_int_equal(e->interlocks, 1);
    assert_int_equal(e->steps_begun, e->steps_ended);
    assert_false(told(e, "ALARM"));
    end_ear(e);
}

/* 10 A for a second are 2.8 mAh: what readings lost beside a crossing or an onset may cost. */
static void test_lost_records(void **state)
{
    struct wn_prng prng;
    (void)state;
    wn_prng_init(&prng, ear_seed);
    for (int i = 0; i < 3; i++) {
        struct ear *e = new_ear(true, true);
        command(e, WN_EVENT_START);
        hear_all(e, 0, ear_heards, 0.02, &prng);
        go_on(e, 4 * 3600, ear_heard[ear_heards - 1].voltage_v, 0, 23);
        compare(e, 10e-3, 40e-3, 5e-3, 6);
        assert_false(told(e, "ALARM"));
        end_ear(e);
    }
}

/* -- halting */

static void test_a_halt_stops_and_opens(void **state)
{
    (void)state;
    struct ear *e = new_ear(true, true);
    e->setup.limits.debounce[WN_RULE_OVER_TEMPERATURE] = 2; /* as for text without a checksum */
    boot(e);
    size_t at = amid(-1, 1);
    command(e, WN_EVENT_START);
    hear_all(e, 0, at, 0, NULL);
    double volts = e->last.voltage_v;
    go_on(e, 1, volts, -10, 70);
    assert_int_equal(e->offs, 0); /* one reading alone may be garbled */
    go_on(e, 1, volts, -10, 70);
    for (int i = 0; i < 3 && e->offs == 0; i++) {
        go_on(e, 1, volts, -10, 70);
    }
    assert_int_equal(e->offs, 1);
    assert_int_equal(e->interlocks, 1);
    assert_int_equal(state_of(e), WN_ENGINE_SWITCHING_OFF);
    assert_true(told(e, "ALARM over_temperature: halted"));
    go_on(e, 2, volts, 0, 60);
    assert_int_equal(state_of(e), WN_ENGINE_HALTED);
    assert_true(wn_engine_latched(e->engine));
    command(e, WN_EVENT_RESUME); /* refused: not acknowledged */
    assert_true(e->open);
    command(e, WN_EVENT_ACKNOWLEDGE);
    assert_true(e->open);
    go_on(e, 600, 3.6, 0, 23);
    assert_int_equal(e->outputs, 1);
    command(e, WN_EVENT_RESUME);
    assert_int_equal(e->outputs, 2);
    assert_false(e->open);
    go_on(e, 60, 3.6, -10, 23);
    assert_int_equal(state_of(e), WN_ENGINE_RUNNING);
    e->shift_s = wn_ns_to_s(e->last.time_ns - ear_heard[at].time_ns) + 1;
    hear_all(e, at, ear_heards, 0, NULL); /* it goes on with its program */
    assert_true(e->cycles >= 4);
    assert_true(e->cycle[0].flags & WN_FLAG_INTERRUPTED);
    assert_int_equal(e->cycle[3].flags, 0);
    end_ear(e);
}

/* The order is sent first; what is told of it stands behind. */
static void test_off_comes_first(void **state)
{
    (void)state;
    struct ear *e = new_ear(true, true);
    command(e, WN_EVENT_START);
    hear_all(e, 0, amid(1, 0), 0, NULL);
    fault(e, WN_ETIMEOUT);
    assert_memory_equal(e->first, "OIRR", 4);
    assert_true(told(e, "ALARM silence: halted"));
    end_ear(e);
    e = new_ear(false, true);
    command(e, WN_EVENT_START);
    hear_all(e, 0, amid(1, 0), 0, NULL);
    command(e, WN_EVENT_STOP);
    assert_memory_equal(e->first, "IRRC", 4);
    assert_int_equal(e->offs, 0); /* there is no such command */
    go_on(e, 3, 3.6, 4, 23);
    assert_int_equal(state_of(e), WN_ENGINE_STOPPED);
    end_ear(e);
}

/* A tester that does not listen: told again, and again, then a person is called. */
static void test_a_deaf_tester(void **state)
{
    (void)state;
    struct ear *e = new_ear(true, false);
    e->deaf = true;
    command(e, WN_EVENT_START);
    hear_all(e, 0, amid(-1, 0), 0, NULL);
    fault(e, WN_ETIMEOUT);
    go_on(e, 30, 3.6, -10, 23);
    assert_true(e->offs >= 3);
    assert_int_equal(state_of(e), WN_ENGINE_SWITCHING_OFF);
    assert_true(told(e, "ALARM not_off: output could not be verified off after 3 attempts"));
    e->deaf = false;
    go_on(e, 30, 3.6, -10, 23);
    assert_int_equal(state_of(e), WN_ENGINE_HALTED);
    end_ear(e);
}

/* Off, and then current all the same: stopped again, and told. */
static void test_current_after_a_halt(void **state)
{
    (void)state;
    struct ear *e = new_ear(true, false);
    command(e, WN_EVENT_START);
    hear_all(e, 0, amid(-1, 0), 0, NULL);
    fault(e, WN_ETIMEOUT);
    go_on(e, 10, 3.6, 0, 23);
    assert_int_equal(state_of(e), WN_ENGINE_HALTED);
    e->stopped = false; /* somebody starts its program, before acknowledging */
    int offs = e->offs;
    go_on(e, 10, 3.6, -10, 23);
    assert_true(e->offs > offs);
    end_ear(e);
}

/* Neither command nor interlock: all that can be done is to call. */
static void test_nothing_stops_it(void **state)
{
    struct wn_error err;
    (void)state;
    struct ear *e = new_ear(false, false);
    command(e, WN_EVENT_START);
    assert_true(told(e, "halting can do nothing but call a person"));
    hear_all(e, 0, amid(-1, 0), 0, NULL);
    assert_int_equal(wn_engine_may(e->engine, WN_EVENT_PAUSE, &err), WN_ESTATE);
    assert_non_null(strstr(err.text, "pause it there"));
    fault(e, WN_ETIMEOUT);
    go_on(e, 30, 3.6, -10, 23);
    assert_true(told(e, "ALARM not_off"));
    assert_true(told(e, "go to the bench"));
    assert_int_equal(e->offs, 0);
    command(e, WN_EVENT_STOP);
    assert_int_equal(state_of(e), WN_ENGINE_STOPPED);
    assert_true(told(e, "nothing here stops the tester"));
    size_t len = e->story_len;
    go_on(e, 30, 3.6, -10, 23); /* that it runs on is no news */
    assert_int_equal(e->story_len, len);
    end_ear(e);
}

/* -- what a tester does by itself */

static void test_pause_and_resume(void **state)
{
    (void)state;
    struct ear *e = new_ear(false, true);
    command(e, WN_EVENT_START);
    hear_all(e, 0, amid(1, 0), 0, NULL);
    command(e, WN_EVENT_PAUSE);
    go_on(e, 3, 3.6, 4, 23);
    assert_int_equal(state_of(e), WN_ENGINE_PAUSED);
    assert_true(e->open);
    command(e, WN_EVENT_RESUME);
    assert_false(e->open);
    assert_true(told(e, "start the tester's program again if it has ended"));
    end_ear(e);
}

static void test_another_cell(void **state)
{
    (void)state;
    struct ear *e = new_ear(true, true);
    size_t at = amid(1, 0);
    e->setup.limits.rest_sag_v = 0;
    boot(e);
    command(e, WN_EVENT_START);
    hear_all(e, 0, at, 0, NULL);
    go_on(e, 1000, 3.9, 0, 23);
    go_on(e, 5, 3.65, 0, 23); /* less than a loose sense lead */
    assert_true(told(e, "ALARM held: halted: cell voltage went from 3.900 V to 3.650 V at rest"));
    assert_int_equal(e->offs, 1);
    end_ear(e);
}

static void test_an_idle_tester(void **state)
{
    (void)state;
    struct ear *e = new_ear(true, true);
    command(e, WN_EVENT_START);
    hear_all(e, 0, amid(1, 0), 0, NULL);
    go_on(e, 12 * 3600 - 10, 3.9, 0, 23);
    assert_false(told(e, "tester_idle"));
    go_on(e, 40, 3.9, 0, 23);
    assert_true(told(e, "tester_idle: no current for 12 h"));
    size_t len = e->story_len;
    go_on(e, 12 * 3600, 3.9, 0, 23);
    assert_int_equal(e->story_len, len); /* once in each rest */
    end_ear(e);
}

/* Its clock begins anew in mid-charge: no halt, and campaign time goes on. */
static void test_its_clock_is_reset(void **state)
{
    (void)state;
    struct ear *e = new_ear(true, true);
    size_t at = amid(1, 2);
    command(e, WN_EVENT_START);
    hear_all(e, 0, at, 0, NULL);
    e->shift_s = -wn_ns_to_s(ear_heard[at].time_ns);
    hear_all(e, at, ear_heards, 0, NULL);
    assert_true(told(e, "clock_reset"));
    assert_false(told(e, "ALARM"));
    assert_near(wn_ns_to_s(wn_engine_now_ns(e->engine)),
                wn_ns_to_s(ear_heard[ear_heards - 1].time_ns), 2);
    assert_near(e->cycle[4].capacity_ah.value, ear_driven->cycle[4].capacity_ah.value, 10e-6);
    end_ear(e);
}

/* -- interruptions of our own */

static void test_restart(void **state)
{
    struct wn_error err;
    (void)state;
    struct ear *e = new_ear(true, true);
    size_t at = amid(-1, 2); /* of the check-up before the first cycle, and two more */
    command(e, WN_EVENT_START);
    hear_all(e, 0, at, 0, NULL);
    int before = e->cycles;
    wn_engine_save(e->engine, &e->state);
    e->steps_begun = e->steps_ended + 1;
    restart(e);
    assert_int_equal(state_of(e), WN_ENGINE_PAUSED);
    command(e, WN_EVENT_RESUME);
    hear_all(e, at + 30, ear_heards, 0, NULL);
    go_on(e, 4 * 3600, ear_heard[ear_heards - 1].voltage_v, 0, 23);
    assert_int_equal(e->cycles, ear_driven->cycles);
    assert_true(e->cycle[before].flags & WN_FLAG_INTERRUPTED);
    for (int i = 0; i < e->cycles; i++) {
        assert_int_equal(e->cycle[i].cycle, i + 1);
        if (i != before) {
            assert_near(e->cycle[i].capacity_ah.value, ear_driven->cycle[i].capacity_ah.value,
                        10e-6);
            assert_int_equal(e->cycle[i].flags, ear_driven->cycle[i].flags);
        }
    }
    /* neither takes the other's state */
    const struct wn_state_record saved = e->state;
    e->setup.listens = false;
    boot(e);
    assert_int_equal(wn_engine_restore(e->engine, &saved, &err), WN_ENEWER);
    end_ear(e);
}

static void test_restart_while_halting(void **state)
{
    (void)state;
    struct ear *e = new_ear(true, true);
    e->deaf = true;
    command(e, WN_EVENT_START);
    hear_all(e, 0, amid(-1, 0), 0, NULL);
    fault(e, WN_ETIMEOUT);
    restart(e);
    assert_int_equal(state_of(e), WN_ENGINE_HALTED);
    assert_true(wn_engine_latched(e->engine));
    command(e, WN_EVENT_RESUME);
    assert_int_equal(e->outputs, 1);
    end_ear(e);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_same_results),       cmocka_unit_test(test_lost_records),
        cmocka_unit_test(test_a_halt_stops_and_opens), cmocka_unit_test(test_off_comes_first),
        cmocka_unit_test(test_a_deaf_tester),          cmocka_unit_test(test_current_after_a_halt),
        cmocka_unit_test(test_nothing_stops_it),       cmocka_unit_test(test_pause_and_resume),
        cmocka_unit_test(test_another_cell),           cmocka_unit_test(test_an_idle_tester),
        cmocka_unit_test(test_its_clock_is_reset),     cmocka_unit_test(test_restart),
        cmocka_unit_test(test_restart_while_halting),
    };
    return cmocka_run_group_tests(tests, ear_drive, ear_forget) != 0;
}
