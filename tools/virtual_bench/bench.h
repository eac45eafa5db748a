/* Virtual bench: a bench of several instruments with one clock, and what they are connected to.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure: host time comes in as an argument. The clock runs by itself, `speed` bench seconds per host
 * second, or (speed 0) only with measurements: MEASure:ALL? S by S seconds, any other by 1 ms. */
#ifndef WN_VIRTUAL_BENCH_BENCH_H
#define WN_VIRTUAL_BENCH_BENCH_H

#include "virtual_bench/inst.h"

enum { WN_BENCH_INSTS_MAX = 10, WN_BENCH_EVENTS_MAX = 64 };

enum wn_bench_what {
    WN_BENCH_OPENED, /* an output, or the interlock's contact, really */
    WN_BENCH_CLOSED,
    WN_BENCH_BOTH, /* something feeds and something draws */
    WN_BENCH_FAULT /* a switch with a time has changed */
};

struct wn_bench_event {
    enum wn_bench_what what;
    int64_t time_ns;
    char text[WN_INST_PLAN_TEXT + 32]; /* who; for a fault also what */
};

struct wn_bench {
    struct wn_tester world[WN_BENCH_CELLS_MAX];
    int cells;
    struct wn_inst inst[WN_BENCH_INSTS_MAX];
    int insts;
    double speed;
    int64_t host_ns, host_zero_ns; /* now; and when the clock began */
    bool started;
    struct wn_bench_event event[WN_BENCH_EVENTS_MAX]; /* the oldest are lost */
    int events_first, events_count;
    bool was_on[WN_BENCH_INSTS_MAX][WN_INST_OUTPUTS_MAX], world_on[WN_BENCH_CELLS_MAX];
    long was_both[WN_BENCH_CELLS_MAX];
};

/** setup is copied for each cell; further cells get other seeds. Large: keep it static. Do not move
 * it afterwards. */
void wn_bench_init(struct wn_bench *b, const struct wn_tester_setup *setup, int cells,
                   double speed);

/** A further instrument; NULL when there is no room, or no such cell. A relay opens its contact. */
struct wn_inst *wn_bench_add(struct wn_bench *b, const struct wn_inst_setup *setup);

/** Lets the clocks run to host_ns and does what is due. Before each wn_inst_feed() and
 * wn_inst_take(), and when wn_bench_deadline() has come. */
void wn_bench_run(struct wn_bench *b, int64_t host_ns);
/** Host time of the next thing to do; INT64_MAX: none. */
int64_t wn_bench_deadline(const struct wn_bench *b);

int64_t wn_bench_time(const struct wn_bench *b);

/** What has happened since; false when there is nothing more. */
bool wn_bench_take_event(struct wn_bench *b, struct wn_bench_event *e);

/* for its instruments */
void wn_bench_look(struct wn_bench *b); /* after a command: what is connected now? */
void wn_bench_measure(struct wn_bench *b, int64_t ns);
/* The text is name, or name:more. */
void wn_bench_tell(struct wn_bench *b, enum wn_bench_what what, const char *name, const char *more);

#endif
