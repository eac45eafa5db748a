/* A station of several instruments in simulated time, on the virtual bench: a port for each, a
 * guard, and a watch over what truly flows. SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_STATION_SEVERAL_RIG_H
#define WN_TESTS_STATION_SEVERAL_RIG_H

#include "frame.h"
#include "several_plant.h"

/* The longest that may pass from a halt to the relay's opening: three attempts at off, each with a
 * time-out of the configuration and queries that are asked again. */
#define SEVERAL_OFF_S 25.0

struct several {
    bool held[WHOS]; /* the guard has a duplicate */
    bool guard_refuses;
    bool untold[WHOS];      /* it does not hear that it is to measure, and all else */
    bool alive;             /* the station's process */
    bool remote;            /* what opening begins ends later */
    bool line;              /* the contact hangs on the supply's DTR */
    wn_ns woke_ns;          /* the computer */
    wn_ns start_ns;         /* when the guard starts it again */
    wn_ns trouble_ns[WHOS]; /* frame time: a fault explains what it does until then */
    char wrong[300]; /* the first promise that was broken; "": none. Stories end with it empty */
    /* what has happened, by the truth */
    long times_on[WHOS]; /* a contact closed */
    long asked[WHOS];    /* to measure */
    wn_ns closed_ns[WHOS], opened_ns[WHOS];
    long both;
};

extern struct several several;

/** Supply, load, relay, thermometers of cell and air; nothing opened yet. */
void several_begin(uint64_t seed);
/** A tester with thermometers of its own, and the relay and thermometers of cell and air. */
void several_begin_tester(uint64_t seed);
/** As several_begin(), and read ten times a second. */
void several_begin_fast(uint64_t seed);
/** As the first, or the second, and everything speaks MODBUS; remote: over TCP, each behind a
 * serial server of its own. */
void several_begin_modbus(uint64_t seed, bool tester, bool remote);
/** As several_begin(), with certificates: the supply's ammeter reads 2 % too much, the load's too
 * little. */
void several_begin_corrected(uint64_t seed);
/** Supply, load and thermometers, and the contact on the supply's modem line. */
void several_begin_line(uint64_t seed);
/** Ends the run; fails the test when a promise was broken. */
void several_end(void);
void several_run(double seconds);
/** Runs until it is ready, then starts two cycles of some minutes. */
void several_start(void);
/** The same, and runs until it charges. */
void several_charge(void);
/** The same, until it discharges. */
void several_discharge(void);
/** Runs until the contact is as told, at most so long; false: it is not. */
bool several_await(enum who who, bool closed, double within_s);
bool several_await_state(enum wn_engine_state state, double within_s);
/** A switch of an instrument (inst.h), now; it explains what happens for so long. */
void several_fault(enum who who, double trouble_s, const char *text);
/** The process dies where it stands; the guard switches off, and starts it again in a second. */
void several_kill(void);
/** The computer sleeps, not the bench. */
void several_sleep(double seconds);
/** What an operator gives, as far as the engine takes it; false: it does not. */
bool several_order(enum wn_event_kind kind);
/** Fails unless the engine is halted by this rule, and nothing flows any more. */
void several_halts(const char *rule, double within_s);
/** An operator has looked at it. */
void several_go_on(void);
/** Fails unless the campaign ends well; ends the run. */
void several_finishes(void);
struct instrument *several_instrument(enum who who);

#endif
