/* A station in simulated time with one tester: a port, an instrument and a guard made here.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_STATION_RIG_H
#define WN_TESTS_STATION_RIG_H

#include "frame.h"

struct rig {
    /* the instrument */
    bool on;
    double volts, amperes; /* as set */
    bool garbled;          /* what it answers is no text */
    bool mute;
    long offs;      /* how often it was told off */
    double leak_a;  /* flows although it is off */
    bool interlock; /* closed: current can flow; DTR holds it */
    /* the guard */
    bool guard_refuses;
    bool registered;
    /* the disk */
    int syncs_good, syncs_bad; /* behind so many so many report a failure, though they are done */
};

extern struct rig rig;

/** Directories and configuration; the instrument is there, nothing was opened. */
void rig_begin(void);
/** The same with on_restart = "hold". */
void rig_begin_holding(void);
/** The process dies where it stands, the guard switches off, another one begins. */
void rig_kill_and_restart(void);
/** Turns of the daemon's loop for so long. */
void rig_run(double seconds);
/** Runs until the instrument is ready, then starts a campaign and runs until it charges. */
void rig_charge(void);
#endif
