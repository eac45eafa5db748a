/* A station that listens, in simulated time: a tester that runs its own program and a relay, or a
 * modem line, of the virtual bench, each on a port, and a guard.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_STATION_LISTEN_RIG_H
#define WN_TESTS_STATION_LISTEN_RIG_H

#include "frame.h"
#include "listen_plant.h"

/* How the tester is stopped; bits. */
enum { STOP_COMMAND = 1, STOP_RELAY = 2, STOP_LINE = 4 };

struct listening {
    bool held[LISTEN_WHOS]; /* the guard has a duplicate */
    bool guard_refuses;
    bool alive;     /* the station's process */
    wn_ns start_ns; /* when the guard starts it again */
    double out_ah,
        run_ah;  /* truly taken out of the cell: in the discharge now, and the one before */
    long closed; /* so often the contact has closed */
    long unheld; /* so often it was closed, and the guard held nothing that opens it */
    long heard;  /* bytes the tester was sent */
};

extern struct listening listening;

/** Two cycles of minutes by the tester's own program, which begins in a minute. silence: how long
 * its records may stay away. */
void listening_begin(int stops, const char *silence);
void listening_end(void);
void listening_run(double seconds);
/** Runs until it is ready, then starts the campaign. */
void listening_start(void);
/** The same, until it charges (+1), rests (0) or discharges (-1), really. */
void listening_until(int direction, double within_s);
bool listening_await(enum wn_engine_state state, double within_s);
/** A switch of an instrument (inst.h), now. */
void listening_fault(enum listen_who who, const char *text);
/** The contact closes by itself, and hangs. */
void listening_weld(void);
/** The port goes away, and comes back after so long. */
void listening_unplug(enum listen_who who, double seconds);
/** The process dies where it stands; the guard does what it does, and starts it again. */
void listening_kill(double away_s);
void listening_order(enum wn_event_kind kind);
/** Has the campaign an event whose text or kind has this in it? */
bool listening_told(const char *text);
/** Flags of a cycle in the campaign's file; fails when it is not there. */
unsigned listening_flags(int64_t cycle);
double listening_capacity_ah(int64_t cycle);

#endif
