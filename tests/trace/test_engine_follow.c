/* Stories of a station that listens: a driven campaign's readings, heard by an engine that drives
 * nothing. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The same cell, procedure and limits; the readings of the driven campaign are what the tester
 * tells. The tester stops when it is told to, unless it is deaf. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/prng.h"
#include "support/near.h"
#include "support/world.h"

enum { CYCLES = 6, READINGS_MAX = 400000 };

static struct world *driven;
static struct wn_reading *heard;
static size_t heards;
static uint64_t seed;

struct ear {
    struct wn_engine_setup setup;
    struct wn_engine *engine;
    bool deaf;          /* the tester does not do what it is told */
    bool stopped, open; /* by its command; the interlock */
    bool answers;       /* the stop command was written: told with the next turn */
    double shift_s;     /* of its clock */
    struct wn_reading last;
    int offs, interlocks, outputs, intents, committed; /* committed: intents */
    struct wn_state_record state, pending;
    struct wn_cycle_record cycle[64];
    int cycles;
    struct wn_check_up_record check_up[16];
    int check_ups;
    long readings, steps_begun, steps_ended;
    char first[4]; /* the first actions of the last turn: Off, Interlock, Record, Commit */
    char story[20000];
    size_t story_len;
};

static void on_reading(void *arg, const struct wn_reading *r)
{
    (void)arg;
    assert_true(heards < READINGS_MAX);
    heard[heards++] = *r;
}

static int drive(void **state)
{
    (void)state;
    driven = calloc(1, sizeof *driven);
    heard = calloc(READINGS_MAX, sizeof *heard);
    assert_true(driven != NULL && heard != NULL);
    world_setup(driven, CYCLES, 3);
    driven->on_reading = on_reading;
    world_command(driven, WN_EVENT_START);
    world_until(driven, WN_ENGINE_FINISHED, 400 * 3600.0);
    return 0;
}

static int forget(void **state)
{
    (void)state;
    world_shutdown(driven);
    free(driven);
    free(heard);
    return 0;
}

static void boot(struct ear *e)
{
    struct wn_error err;
    free(e->engine);
    e->engine = NULL;
    assert_int_equal(wn_engine_init(calloc(1, wn_engine_size()), &e->setup, &e->engine, &err),
                     WN_OK);
}

static struct ear *new_ear(bool stop_command, bool interlock)
{
    struct ear *e = calloc(1, sizeof *e);
    assert_non_null(e);
    e->setup = driven->setup;
    e->setup.listens = true;
    e->setup.stop_command = stop_command;
    e->setup.interlock = interlock;
    e->open = interlock;
    boot(e);
    return e;
}

static void end_ear(struct ear *e)
{
    free(e->engine);
    free(e);
}

static void tell(struct ear *e, const struct wn_event_record *ev)
{
    int n = snprintf(e->story + e->story_len, sizeof e->story - e->story_len, "%s%s: %s\n",
                     ev->severity == WN_SEVERITY_ALARM ? "ALARM " : "", ev->kind, ev->text);
    e->story_len += (size_t)n;
    assert_true(e->story_len < sizeof e->story);
}

static void keep(struct ear *e, const struct wn_record *r)
{
    switch (r->kind) {
    case WN_RECORD_READING:
        e->readings++;
        break;
    case WN_RECORD_STEP_BEGIN:
        e->steps_begun++;
        assert_int_equal(r->u.step.step_number, e->steps_begun);
        break;
    case WN_RECORD_STEP_END:
        e->steps_ended++;
        assert_int_equal(r->u.step.step_number, e->steps_ended);
        break;
    case WN_RECORD_CYCLE:
        e->cycle[e->cycles++ % 64] = r->u.cycle;
        break;
    case WN_RECORD_CHECK_UP:
        e->check_up[e->check_ups++ % 16] = r->u.check_up;
        break;
    case WN_RECORD_EVENT:
        tell(e, &r->u.event);
        break;
    case WN_RECORD_INTENT:
        e->intents++;
        break;
    case WN_RECORD_STATE:
        e->pending = r->u.state;
        break;
    }
}

static void perform(struct ear *e, const struct wn_action *a)
{
    switch (a->kind) {
    case WN_ACTION_RECORD:
        keep(e, a->u.record);
        break;
    case WN_ACTION_COMMIT:
        e->committed = e->intents;
        e->state = e->pending;
        break;
    case WN_ACTION_OUTPUT:
        e->outputs++;
        assert_int_equal(a->u.output.mode, WN_OUTPUT_FOLLOW);
        assert_int_equal(e->committed, e->outputs); /* the intent first, and durable */
        e->open = e->stopped = false;
        break;
    case WN_ACTION_OFF:
        assert_true(e->setup.stop_command);
        e->offs++;
        e->answers = true;
        e->stopped = !e->deaf;
        break;
    case WN_ACTION_INTERLOCK:
        e->interlocks++;
        e->open = e->setup.interlock;
        break;
    }
}

static void step(struct ear *e, const struct wn_event *ev)
{
    struct wn_actions actions;
    wn_engine_step(e->engine, ev, &actions);
    for (int i = 0; i < actions.n; i++) {
        if (i < 4) {
            e->first[i] = "RCXOI"[actions.action[i].kind];
        }
        perform(e, &actions.action[i]);
    }
    for (int i = actions.n; i < 4; i++) {
        e->first[i] = '-';
    }
}

static void command(struct ear *e, enum wn_event_kind kind)
{
    struct wn_event ev = {.kind = kind, .time_ns = wn_engine_now_ns(e->engine), .who = "tester"};
    step(e, &ev);
}

static void fault(struct ear *e, int code)
{
    struct wn_event ev = {.kind = WN_EVENT_FAULT, .time_ns = wn_engine_now_ns(e->engine)};
    (void)wn_error_set(&ev.error, code, "of a story");
    step(e, &ev);
}

/* What the tester tells: of the driven cell, or of one it was taken off. */
static void hear(struct ear *e, const struct wn_reading *r)
{
    struct wn_event ev = {.kind = WN_EVENT_READING, .reading = *r};
    if (e->answers) {
        e->answers = false;
        command(e, WN_EVENT_OFF_DONE);
    }
    if (e->stopped || e->open) {
        ev.reading.current_a = 0;
    }
    ev.reading.time_ns += wn_ns_from_s(e->shift_s);
    ev.reading.host_ns = r->time_ns;
    e->last = *r;
    step(e, &ev);
}

/* Readings [from, to), without those a bad line lost. */
static void hear_all(struct ear *e, size_t from, size_t to, double lost, struct wn_prng *prng)
{
    for (size_t i = from; i < to; i++) {
        if (lost <= 0 || wn_prng_uniform(prng) >= lost) {
            hear(e, &heard[i]);
        }
    }
}

static enum wn_engine_state state_of(const struct ear *e)
{
    return wn_engine_state(e->engine);
}

static bool told(const struct ear *e, const char *text)
{
    return strstr(e->story, text) != NULL;
}

/* The n-th reading (from 0) with the current of such a direction, in the middle of it. */
static size_t amid(int direction, int n)
{
    size_t i = 0;
    for (; n >= 0; n--) {
        while (i < heards && heard[i].current_a * direction <= 1) {
            i++;
        }
        for (int k = 0; k < 100 && heard[i].current_a * direction > 1; k++) {
            i++;
        }
        if (n > 0) {
            while (i < heards && heard[i].current_a * direction > 1) {
                i++;
            }
        }
    }
    assert_true(i < heards);
    return i;
}

/* On from the last reading, a second later each. */
static void go_on(struct ear *e, int n, double volts, double amps, double celsius)
{
    for (int i = 0; i < n; i++) {
        struct wn_reading r = e->last;
        r.time_ns += WN_NS_PER_S;
        r.voltage_v = volts;
        r.current_a = amps;
        r.temperature_c = celsius;
        hear(e, &r);
    }
}

/* -- the same results as driving */

static void compare(const struct ear *e, double capacity_ah, double energy_wh, double ohm,
                    int flagged)
{
    int otherwise = 0;
    assert_int_equal(e->cycles, driven->cycles);
    assert_int_equal(e->check_ups, driven->check_ups);
    for (int i = 0; i < e->cycles; i++) {
        const struct wn_cycle_record *a = &e->cycle[i], *b = &driven->cycle[i];
        assert_int_equal(a->cycle, b->cycle);
        assert_near(a->capacity_ah.value, b->capacity_ah.value, capacity_ah);
        assert_near(a->energy_wh.value, b->energy_wh.value, energy_wh);
        bool unknown = ohm > 1e-3 && isnan(a->resistance_ohm.value); /* the rest was not seen */
        assert_true(unknown || fabs(a->resistance_ohm.value - b->resistance_ohm.value) <= ohm);
        assert_near(a->cutoff_v, b->cutoff_v, 0);
        otherwise += a->flags != b->flags;
    }
    for (int i = 0; i < e->check_ups; i++) {
        const struct wn_check_up_record *a = &e->check_up[i], *b = &driven->check_up[i];
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
    hear_all(e, 0, heards, 0, NULL);
    go_on(e, 4 * 3600, heard[heards - 1].voltage_v, 0, 23); /* the last rest */
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
    wn_prng_init(&prng, seed);
    for (int i = 0; i < 3; i++) {
        struct ear *e = new_ear(true, true);
        command(e, WN_EVENT_START);
        hear_all(e, 0, heards, 0.02, &prng);
        go_on(e, 4 * 3600, heard[heards - 1].voltage_v, 0, 23);
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
    e->shift_s = wn_ns_to_s(e->last.time_ns - heard[at].time_ns) + 1;
    hear_all(e, at, heards, 0, NULL); /* it goes on with its program */
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
    e->shift_s = -wn_ns_to_s(heard[at].time_ns);
    hear_all(e, at, heards, 0, NULL);
    assert_true(told(e, "clock_reset"));
    assert_false(told(e, "ALARM"));
    assert_near(wn_ns_to_s(wn_engine_now_ns(e->engine)), wn_ns_to_s(heard[heards - 1].time_ns), 2);
    assert_near(e->cycle[4].capacity_ah.value, driven->cycle[4].capacity_ah.value, 10e-6);
    end_ear(e);
}

/* -- interruptions of our own */

static void restart(struct ear *e)
{
    struct wn_error err;
    const struct wn_state_record saved = e->state;
    boot(e);
    assert_int_equal(wn_engine_restore(e->engine, &saved, &err), WN_OK);
}

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
    hear_all(e, at + 30, heards, 0, NULL);
    go_on(e, 4 * 3600, heard[heards - 1].voltage_v, 0, 23);
    assert_int_equal(e->cycles, driven->cycles);
    assert_true(e->cycle[before].flags & WN_FLAG_INTERRUPTED);
    for (int i = 0; i < e->cycles; i++) {
        assert_int_equal(e->cycle[i].cycle, i + 1);
        if (i != before) {
            assert_near(e->cycle[i].capacity_ah.value, driven->cycle[i].capacity_ah.value, 10e-6);
            assert_int_equal(e->cycle[i].flags, driven->cycle[i].flags);
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
    const char *given = getenv("WANE_SEED");
    seed = given != NULL ? strtoull(given, NULL, 10) : 20261126;
    (void)printf("WANE_SEED=%llu\n", (unsigned long long)seed);
    return cmocka_run_group_tests(tests, drive, forget) != 0;
}
