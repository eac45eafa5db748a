/* An engine that listens to the readings of a driven campaign.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "ear.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { READINGS_MAX = 400000 };

struct world *ear_driven;
struct wn_reading *ear_heard;
size_t ear_heards;
uint64_t ear_seed;

static void on_reading(void *arg, const struct wn_reading *r)
{
    (void)arg;
    assert_true(ear_heards < READINGS_MAX);
    ear_heard[ear_heards++] = *r;
}

int ear_drive(void **state)
{
    const char *given = getenv("WANE_SEED");
    (void)state;
    ear_seed = given != NULL ? strtoull(given, NULL, 10) : 20261126;
    print_message("WANE_SEED=%llu\n", (unsigned long long)ear_seed);
    ear_driven = calloc(1, sizeof *ear_driven);
    ear_heard = calloc(READINGS_MAX, sizeof *ear_heard);
    assert_true(ear_driven != NULL && ear_heard != NULL);
    world_setup(ear_driven, EAR_CYCLES, 3);
    ear_driven->on_reading = on_reading;
    world_command(ear_driven, WN_EVENT_START);
    world_until(ear_driven, WN_ENGINE_FINISHED, 400 * 3600.0);
    return 0;
}

int ear_forget(void **state)
{
    (void)state;
    world_shutdown(ear_driven);
    free(ear_driven);
    free(ear_heard);
    return 0;
}

void boot(struct ear *e)
{
    struct wn_error err;
    free(e->engine);
    e->engine = NULL;
    assert_int_equal(wn_engine_init(calloc(1, wn_engine_size()), &e->setup, &e->engine, &err),
                     WN_OK);
}

struct ear *new_ear(bool stop_command, bool interlock)
{
    struct ear *e = calloc(1, sizeof *e);
    assert_non_null(e);
    e->setup = ear_driven->setup;
    e->setup.listens = true;
    e->setup.stop_command = stop_command;
    e->setup.interlock = interlock;
    e->open = interlock;
    boot(e);
    return e;
}

void end_ear(struct ear *e)
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

void command(struct ear *e, enum wn_event_kind kind)
{
    struct wn_event ev = {.kind = kind, .time_ns = wn_engine_now_ns(e->engine), .who = "tester"};
    step(e, &ev);
}

void fault(struct ear *e, int code)
{
    struct wn_event ev = {.kind = WN_EVENT_FAULT, .time_ns = wn_engine_now_ns(e->engine)};
    (void)wn_error_set(&ev.error, code, "of a story");
    step(e, &ev);
}

/* What the tester tells: of the driven cell, or of one it was taken off. */
void hear(struct ear *e, const struct wn_reading *r)
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
void hear_all(struct ear *e, size_t from, size_t to, double lost, struct wn_prng *prng)
{
    for (size_t i = from; i < to; i++) {
        if (lost <= 0 || wn_prng_uniform(prng) >= lost) {
            hear(e, &ear_heard[i]);
        }
    }
}

enum wn_engine_state state_of(const struct ear *e)
{
    return wn_engine_state(e->engine);
}

bool told(const struct ear *e, const char *text)
{
    return strstr(e->story, text) != NULL;
}

/* The n-th reading (from 0) with the current of such a direction, in the middle of it. */
size_t amid(int direction, int n)
{
    size_t i = 0;
    for (; n >= 0; n--) {
        while (i < ear_heards && ear_heard[i].current_a * direction <= 1) {
            i++;
        }
        for (int k = 0; k < 100 && ear_heard[i].current_a * direction > 1; k++) {
            i++;
        }
        if (n > 0) {
            while (i < ear_heards && ear_heard[i].current_a * direction > 1) {
                i++;
            }
        }
    }
    assert_true(i < ear_heards);
    return i;
}

/* On from the last reading, a second later each. */
void go_on(struct ear *e, int n, double volts, double amps, double celsius)
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

void restart(struct ear *e)
{
    struct wn_error err;
    const struct wn_state_record saved = e->state;
    boot(e);
    assert_int_equal(wn_engine_restore(e->engine, &saved, &err), WN_OK);
}
