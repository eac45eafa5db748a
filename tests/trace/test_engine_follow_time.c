/* Stories of a station that listens: when the tester's own time is wrong, and what lasts too long.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "ear.h"

#include <math.h>
#include <string.h>

/* Records a second apart by the host, n of them, the tester's time a step further each. */
static void tick(struct ear *e, int n, double step_s, double amps)
{
    double shift_s = e->shift_s;
    for (int i = 0; i < n; i++) {
        struct wn_reading r = e->last;
        r.time_ns += WN_NS_PER_S;
        r.current_a = amps;
        e->shift_s += step_s - 1;
        hear(e, &r);
    }
    e->shift_s = step_s > 0 ? shift_s : e->shift_s;
}

static double now_s(const struct ear *e)
{
    return wn_ns_to_s(wn_engine_now_ns(e->engine));
}

static struct ear *begun(bool stop_command, bool interlock, int direction)
{
    struct ear *e = new_ear(stop_command, interlock);
    command(e, WN_EVENT_START);
    hear_all(e, 0, amid(direction, 0), 0, NULL);
    return e;
}

/* Nothing could be counted: with current that is no measurement, and no limit of charge would hold.
 * At rest it is told, once. */
static void test_time_stands_still(void **state)
{
    (void)state;
    struct ear *e = begun(true, true, 1);
    tick(e, 178, 0, 4);
    assert_int_equal(state_of(e), WN_ENGINE_RUNNING);
    tick(e, 4, 0, 4);
    assert_true(told(e, "ALARM clock_back: halted: no record could be believed for 18"));
    assert_int_equal(e->offs, 1);
    assert_int_equal(e->interlocks, 1);
    end_ear(e);
    e = begun(true, true, 1);
    go_on(e, 1000, 3.9, 0, 23);
    tick(e, 250, 0, 0);
    assert_true(told(e, "clock_back: no record could be believed for 18"));
    assert_false(told(e, "ALARM"));
    size_t len = e->story_len;
    tick(e, 250, 0, 0);
    assert_int_equal(e->story_len, len);
    assert_int_equal(state_of(e), WN_ENGINE_RUNNING);
    end_ear(e);
}

/* Off goes on being told and judged although the records' time stands, or the campaign is over. */
static void test_off_does_not_wait_for_the_tester(void **state)
{
    (void)state;
    struct ear *e = begun(true, false, -1);
    e->deaf = true;
    command(e, WN_EVENT_PAUSE);
    tick(e, 60, 0, -10);
    assert_true(told(e, "ALARM not_off"));
    int offs = e->offs;
    tick(e, 30, 0, -10);
    assert_true(e->offs > offs);
    end_ear(e);
    e = begun(true, false, -1);
    command(e, WN_EVENT_STOP);
    tick(e, 3, 1, 0);
    assert_int_equal(state_of(e), WN_ENGINE_STOPPED);
    double from_s = now_s(e);
    tick(e, 30, 1, 0);
    assert_near(now_s(e) - from_s, 30, 1.5);
    e->deaf = true;
    e->stopped = false;
    offs = e->offs;
    tick(e, 60, 1, -10);
    assert_true(told(e, "ALARM current_while_off"));
    assert_true(told(e, "ALARM not_off"));
    assert_true(e->offs > offs + 3);
    end_ear(e);
}

/* Back by less than a late record may be late: a reset like any other, and no time is lost. */
static void test_time_jumps_back_a_little(void **state)
{
    (void)state;
    struct ear *e = begun(true, true, 1);
    double from_s = now_s(e);
    tick(e, 20, 1, 4);
    e->shift_s -= 60;
    tick(e, 100, 1, 4);
    assert_true(told(e, "clock_reset"));
    assert_false(told(e, "ALARM"));
    assert_near(now_s(e) - from_s, 120, 8);
    end_ear(e);
}

/* A time that is anything: no clock at all. What would be recorded cannot be; the limits hold. */
static void test_time_is_anything(void **state)
{
    struct wn_prng prng;
    (void)state;
    wn_prng_init(&prng, ear_seed);
    struct ear *e = begun(true, true, -1);
    for (int i = 0; i < 100; i++) {
        e->shift_s = 1e8 * wn_prng_uniform(&prng);
        go_on(e, 1, 3.6 - 1e-4 * i, -10, i < 90 ? 30 : 90);
    }
    assert_true(told(e, "ALARM over_temperature: halted"));
    end_ear(e);
    e = begun(true, true, -1);
    for (int i = 0; i < 400; i++) {
        e->shift_s = 1e8 * wn_prng_uniform(&prng);
        go_on(e, 1, 3.6 - 1e-4 * i, -10, 30);
    }
    assert_true(told(e, "ALARM clock_back: halted"));
    end_ear(e);
}

/* The procedure says how long a charge may last: one that hangs is ended, whatever it holds. */
static void test_a_charge_without_end(void **state)
{
    (void)state;
    struct ear *e = begun(true, true, 1);
    e->setup.limits.frozen_s = NAN;
    double limit_s = 0;
    for (int i = 0; i < e->setup.procedure.steps; i++) {
        const struct wn_step *s = &e->setup.procedure.step[i];
        limit_s = s->kind == WN_STEP_CHARGE ? fmax(limit_s, s->time_limit_s) : limit_s;
    }
    assert_true(limit_s > 3600);
    limit_s = limit_s * WN_STEP_TIMEOUT_FACTOR + WN_STEP_TIMEOUT_S;
    for (int i = 0; i < (int)limit_s + 60 && state_of(e) == WN_ENGINE_RUNNING; i++) {
        go_on(e, 1, 4.19 + 0.001 * (i % 2), 0.05, 23 + 0.01 * (i % 2));
    }
    assert_true(told(e, "ALARM step_timeout: halted"));
    assert_int_equal(e->interlocks, 1);
    end_ear(e);
}

/* The tester says off, the contact does not: an alarm of its own, and no haste. */
static void test_a_contact_that_hangs(void **state)
{
    (void)state;
    struct ear *e = begun(true, true, -1);
    command(e, WN_EVENT_PAUSE);
    for (int i = 0; i < 50; i++) {
        fault(e, WN_EREADBACK);
    }
    assert_int_equal(e->offs, 1);
    assert_true(told(e, "ALARM read_back: while switching off: of a story"));
    size_t len = e->story_len;
    fault(e, WN_EREADBACK);
    assert_int_equal(e->story_len, len);
    go_on(e, 3, 3.6, 0, 23);
    assert_int_equal(state_of(e), WN_ENGINE_HALTED);
    end_ear(e);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_time_stands_still),
        cmocka_unit_test(test_off_does_not_wait_for_the_tester),
        cmocka_unit_test(test_time_jumps_back_a_little),
        cmocka_unit_test(test_time_is_anything),
        cmocka_unit_test(test_a_charge_without_end),
        cmocka_unit_test(test_a_contact_that_hangs),
    };
    return cmocka_run_group_tests(tests, ear_drive, ear_forget) != 0;
}
