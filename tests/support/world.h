/* A world for the engine: simulated time, a simple cell, an obedient (or faulty) instrument and a
 * store in memory. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The trace is the readable story of what the engine decided, one line a decision with simulated
 * seconds. */
#ifndef WN_TESTS_WORLD_H
#define WN_TESTS_WORLD_H

#include "engine/engine.h"

enum { WORLD_TRACE_SIZE = 65536, WORLD_KEPT_MAX = 512 };

struct world {
    struct wn_engine *engine;
    struct wn_engine_setup setup;
    wn_ns now_ns;
    /* the cell: open-circuit voltage linear in charge, one resistance, warms up with loss */
    double capacity_ah, charge_ah, resistance_ohm, temperature_c, ambient_c;
    /* the instrument */
    struct wn_output output; /* as commanded */
    bool on;
    bool interlock; /* closed: current can flow */
    /* faults */
    bool stuck_on;          /* off has no effect */
    bool off_fails;         /* off is answered by a fault */
    bool mute;              /* every request ends in silence */
    struct wn_event answer; /* of the instrument, at the next turn */
    bool has_answer;
    double commit_s; /* state is committed so often, as a station does by time; 0: only when the
                        engine asks */
    wn_ns committed_ns;
    bool store_fails;
    double voltage_offset_v, temperature_offset_c; /* of the readings */
    bool one_zero_current;                         /* the next reading says 0 A, whatever flows */
    bool leak;                                     /* current flows although the output is off */
    double hidden_a;     /* flows past the ammeter, on or off, while the interlock is closed */
    bool voltage_frozen; /* the voltmeter says what it said last */
    double shown_v;
    double ammeter_lag_s; /* after off the ammeter still shows the old current for so long */
    wn_ns off_ns;
    double shown_a;
    /* what was remembered */
    struct wn_cycle_record cycle[WORLD_KEPT_MAX];
    int cycles;
    struct wn_check_up_record check_up[32];
    int check_ups;
    struct wn_step_record step[WORLD_KEPT_MAX];
    int steps;
    struct wn_state_record committed_state, pending_state;
    int intents_committed, intents_pending, outputs;
    long readings;
    void (*on_reading)(void *arg, const struct wn_reading *r); /* each one that is recorded */
    void *on_reading_arg;
    double true_out_ah, true_in_ah; /* delivered and taken by the cell itself */
    char trace[WORLD_TRACE_SIZE];
    size_t trace_len;
};

/** A 2.5 Ah cell, 4 A charge / 10 A discharge, `cycles` cycles, a check-up every `check_up_every`
 * (0: none). */
void world_setup(struct world *w, int cycles, int check_up_every);
/** Makes the engine from w->setup (again). */
void world_boot(struct world *w);
void world_shutdown(struct world *w);
void world_command(struct world *w, enum wn_event_kind kind);
/** One reading asked for, taken and answered. */
void world_turn(struct world *w);
/** Turns until the engine is in the state, at most limit_s of simulated time; fails the test when
 * it never is. */
void world_until(struct world *w, enum wn_engine_state state, double limit_s);
/** Turns for so long. */
void world_for(struct world *w, double seconds);
/** Turns until the output is on in the mode. */
void world_until_output(struct world *w, enum wn_output_mode mode);
/** The process dies: the engine is lost, the guard switches off; a new engine is restored from what
 * was committed. */
void world_kill_and_restart(struct world *w);
double world_current_a(const struct world *w); /* what really flows */
/** Compares the trace so far with text, then clears it. */
void expect_trace(struct world *w, const char *want);
void world_clear_trace(struct world *w);
/** Is the text in the trace? */
bool world_told(const struct world *w, const char *text);

#endif
