/* An engine that listens: the readings of a driven campaign, and a tester that tells them.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The same cell, procedure and limits; the readings of the driven campaign are what the tester
 * tells. The tester stops when it is told to, unless it is deaf. */
#ifndef WN_TESTS_TRACE_EAR_H
#define WN_TESTS_TRACE_EAR_H

#include "base/prng.h"
#include "support/near.h"
#include "support/world.h"

enum { EAR_CYCLES = 6 };

extern struct world *ear_driven;
extern struct wn_reading *ear_heard; /* what was read in it, ear_heards of them */
extern size_t ear_heards;
extern uint64_t ear_seed; /* of the environment, printed */

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

/** Group setup and teardown: the driven campaign. */
int ear_drive(void **state);
int ear_forget(void **state);
struct ear *new_ear(bool stop_command, bool interlock);
void end_ear(struct ear *e);
/** The engine anew, after a change of the set-up. */
void boot(struct ear *e);
/** The same, from the state that was committed last. */
void restart(struct ear *e);
void command(struct ear *e, enum wn_event_kind kind);
void fault(struct ear *e, int code);
/** What the tester tells: of the driven cell, or of one it was taken off. */
void hear(struct ear *e, const struct wn_reading *r);
/** Readings [from, to), without those a bad line lost. */
void hear_all(struct ear *e, size_t from, size_t to, double lost, struct wn_prng *prng);
/** On from the last reading, a second later each. */
void go_on(struct ear *e, int n, double volts, double amps, double celsius);
enum wn_engine_state state_of(const struct ear *e);
bool told(const struct ear *e, const char *text);
/** The n-th reading (from 0) with the current of such a direction, in the middle of it. */
size_t amid(int direction, int n);

#endif
