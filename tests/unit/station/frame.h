/* A station in simulated time: clocks, log, directories and configuration, around its real code.
 * The test adds ports, instruments and the guard: wn_link_open() and the functions of guard_link.c.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_STATION_FRAME_H
#define WN_TESTS_STATION_FRAME_H

#include "station/station.h"

struct frame {
    struct station st;
    char dir[200];
    wn_ns now_ns, asleep_ns; /* the computer has slept so long: its monotonic clock stood still */
    bool reads_fast;         /* ten times a second; to be set before it is configured */
    wn_utc_us set_us;        /* somebody set the computer's clock by so much */
    bool quiet;              /* nothing of what the station logs is shown */
};

extern struct frame frame;

/** Directories, empty but for links: cells and procedures of conf, a path below the sources. */
void frame_begin(const char *conf);
/** A link in the directory of the configuration to a file or directory below the sources. */
void frame_link(const char *source);
/** A further directory, by its path below the directory. */
void frame_directory(const char *name);
/** A further file, by its path below the directory. */
void frame_write(const char *name, const char *text);
/** The station's configuration: what it has of instruments, its on_restart, and further limits. */
void frame_configure(const char *instruments, const char *on_restart, const char *limits);
/** A process begins. */
void frame_boot(void);
void frame_end(void);
/** By the station's clock. */
wn_ns frame_monotonic(void);
/** Starts a campaign. */
void frame_start(const char *cell, const char *procedure);
/** The alarm that is open; "" for none. */
const char *frame_alarm(void);

#endif
