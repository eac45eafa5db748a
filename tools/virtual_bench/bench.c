/* Virtual bench: a bench of several instruments with one clock, and what they are connected to.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/bench.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "virtual_bench/tester_internal.h"

#define LOOK_NS                                                                                    \
    INT64_C(1000000000)           /* bench time: how late a contact that opens by itself is told */
#define WAKE_NS INT64_C(50000000) /* host time: the same, when the clock runs and nobody asks */

static void measure_hook(void *context, int64_t ns)
{
    wn_bench_measure(context, ns);
}

void wn_bench_init(struct wn_bench *b, const struct wn_tester_setup *setup, int cells, double speed)
{
    wn_assert(cells >= 1 && cells <= WN_BENCH_CELLS_MAX && speed >= 0.0);
    memset(b, 0, sizeof *b);
    b->cells = cells;
    b->speed = speed;
    for (int i = 0; i < cells; i++) {
        struct wn_tester_setup s = *setup;
        s.seed += (uint64_t)i;
        s.plans = i == 0 ? s.plans : 0; /* the faults of the command line are the first cell's */
        wn_tester_init(&b->world[i], &s);
        b->world[i].measure = measure_hook;
        b->world[i].measure_context = b;
    }
}

struct wn_inst *wn_bench_add(struct wn_bench *b, const struct wn_inst_setup *setup)
{
    int first = (int)lround(setup->cell) - 1;
    struct wn_inst *i = &b->inst[b->insts];
    bool loads = setup->kind == WN_INST_LOAD || setup->kind == WN_INST_MODBUS_LOAD;
    bool stages = loads || setup->kind == WN_INST_SUPPLY || setup->kind == WN_INST_MODBUS_SUPPLY;
    bool several = stages || setup->kind == WN_INST_TESTER || setup->kind == WN_INST_MODBUS_TESTER;
    int outputs = several ? (int)lround(setup->outputs) : 1;

    if (b->insts == WN_BENCH_INSTS_MAX || first < 0 || first >= b->cells) {
        return NULL;
    }
    i->setup = *setup;
    i->setup.outputs = outputs;
    i->bench = b;
    wn_prng_init(&i->noise, b->world[0].setup.seed + 1000 + (uint64_t)b->insts);
    for (int k = 0; k < outputs && first + k < b->cells; k++) {
        struct wn_tester *world = &b->world[first + k];
        if (stages && world->stages == WN_TESTER_STAGES_MAX) {
            return NULL;
        }
        i->world[k] = world;
        if (stages) {
            i->stage[k].load = loads;
            wn_stage_attach(world, &i->stage[k]);
        }
    }
    b->insts++;
    wn_inst_power_on(i, true);
    return i;
}

int64_t wn_bench_time(const struct wn_bench *b)
{
    return b->world[0].time_ns;
}

void wn_bench_tell(struct wn_bench *b, enum wn_bench_what what, const char *name, const char *more)
{
    struct wn_bench_event *e;

    if (b->events_count == WN_BENCH_EVENTS_MAX) {
        b->events_first = (b->events_first + 1) % WN_BENCH_EVENTS_MAX;
        b->events_count--;
    }
    e = &b->event[(b->events_first + b->events_count++) % WN_BENCH_EVENTS_MAX];
    *e = (struct wn_bench_event){.what = what, .time_ns = wn_bench_time(b)};
    (void)snprintf(e->text, sizeof e->text, "%s%s%s", name, more[0] != '\0' ? ":" : "", more);
}

bool wn_bench_take_event(struct wn_bench *b, struct wn_bench_event *e)
{
    if (b->events_count == 0) {
        return false;
    }
    *e = b->event[b->events_first];
    b->events_first = (b->events_first + 1) % WN_BENCH_EVENTS_MAX;
    b->events_count--;
    return true;
}

static bool output_on(const struct wn_inst *i, int k)
{
    bool relay = i->setup.kind == WN_INST_RELAY || i->setup.kind == WN_INST_MODBUS_RELAY;
    return i->stage[k].closed || (relay && k == 0 && i->relay.closed);
}

/* Tells of a contact, with its number when there are several. */
static void tell_contact(struct wn_bench *b, bool closed, const char *name, int number, int count)
{
    char more[16] = "";

    if (count > 1) {
        (void)snprintf(more, sizeof more, "%d", number);
    }
    wn_bench_tell(b, closed ? WN_BENCH_CLOSED : WN_BENCH_OPENED, name, more);
}

void wn_bench_look(struct wn_bench *b)
{
    for (int n = 0; n < b->insts; n++) {
        struct wn_inst *i = &b->inst[n];
        for (int k = 0; k < (int)i->setup.outputs; k++) {
            if (output_on(i, k) != b->was_on[n][k]) {
                b->was_on[n][k] = output_on(i, k);
                tell_contact(b, b->was_on[n][k], i->setup.name, k + 1, (int)i->setup.outputs);
            }
        }
    }
    for (int k = 0; k < b->cells; k++) {
        if (b->world[k].relay != b->world_on[k]) {
            b->world_on[k] = b->world[k].relay;
            tell_contact(b, b->world_on[k], "tester", k + 1, b->cells);
        }
        for (; b->was_both[k] < b->world[k].both_count; b->was_both[k]++) {
            char cell[16];
            (void)snprintf(cell, sizeof cell, "cell %d", k + 1);
            wn_bench_tell(b, WN_BENCH_BOTH, cell, "");
        }
    }
}

/* Can anything change by itself? */
static bool connected(const struct wn_bench *b)
{
    for (int k = 0; k < b->cells; k++) {
        if (b->world[k].relay || stages_closed(&b->world[k])) {
            return true;
        }
    }
    return false;
}

/* Lets bench time pass; instruments do at their times what they do by themselves. */
static void advance_to(struct wn_bench *b, int64_t until_ns)
{
    for (;;) {
        int64_t look_ns = wn_bench_time(b) + LOOK_NS;
        int64_t next_ns = connected(b) && look_ns < until_ns ? look_ns : until_ns;
        for (int n = 0; n < b->insts; n++) {
            int64_t due_ns = wn_inst_bench_deadline(&b->inst[n]);
            next_ns = due_ns < next_ns ? due_ns : next_ns;
        }
        for (int k = 0; k < b->cells; k++) {
            if (b->world[k].time_ns < next_ns) {
                wn_tester_advance(&b->world[k], next_ns - b->world[k].time_ns);
            }
        }
        wn_bench_look(b);
        for (int n = 0; n < b->insts; n++) {
            wn_inst_run(&b->inst[n], b->host_ns);
        }
        if (next_ns >= until_ns) {
            return;
        }
    }
}

void wn_bench_measure(struct wn_bench *b, int64_t ns)
{
    if (!(b->speed > 0.0)) {
        advance_to(b, wn_bench_time(b) + ns);
    }
}

/* When the host is at bench time t; the reverse of bench_time_at(), never too early. */
static int64_t host_time_of(const struct wn_bench *b, int64_t bench_ns)
{
    double host_ns;

    if (bench_ns == INT64_MAX || !(b->speed > 0.0)) {
        return INT64_MAX;
    }
    host_ns = ceil((double)bench_ns / b->speed);
    return host_ns < 4e18 ? b->host_zero_ns + (int64_t)host_ns : INT64_MAX;
}

void wn_bench_run(struct wn_bench *b, int64_t host_ns)
{
    if (!b->started) {
        b->started = true;
        b->host_zero_ns = host_ns;
        for (int n = 0; n < b->insts; n++) {
            b->inst[n].heard_ns = host_ns;
        }
    }
    b->host_ns = host_ns > b->host_ns ? host_ns : b->host_ns;
    if (b->speed > 0.0) {
        advance_to(b, (int64_t)((double)(b->host_ns - b->host_zero_ns) * b->speed));
    }
    for (int n = 0; n < b->insts; n++) {
        wn_inst_run(&b->inst[n], b->host_ns);
    }
    for (int k = 0; k < b->cells; k++) {
        wn_tester_watch(&b->world[k], b->host_ns);
    }
    wn_bench_look(b);
}

int64_t wn_bench_deadline(const struct wn_bench *b)
{
    int64_t next_ns = b->speed > 0.0 && connected(b) ? b->host_ns + WAKE_NS : INT64_MAX;

    for (int n = 0; n < b->insts; n++) {
        int64_t line_ns = wn_inst_host_deadline(&b->inst[n]);
        int64_t due_ns = host_time_of(b, wn_inst_bench_deadline(&b->inst[n]));
        next_ns = line_ns < next_ns ? line_ns : next_ns;
        next_ns = due_ns < next_ns ? due_ns : next_ns;
    }
    for (int k = 0; k < b->cells; k++) {
        int64_t silent_ns = wn_tester_silence_deadline(&b->world[k]);
        next_ns = silent_ns < next_ns ? silent_ns : next_ns;
    }
    return next_ns;
}
