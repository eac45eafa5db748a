/* What a station of several instruments promises, looked at whenever something could have changed.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_STATION_SEVERAL_WATCH_H
#define WN_TESTS_STATION_SEVERAL_WATCH_H

#include "several_rig.h"

void watch_begin(void);
/** Contacts, the guard's duplicates, and what flows. */
void watch_now(void);
/** Behind a turn: what the station made of its instruments' replies. */
void watch_station(void);
/** These bytes go to it; true: it is to measure. */
bool watch_asked(enum who who, const char *bytes, size_t len);
/** The guard was given its duplicate back. */
void watch_released(enum who who);

#endif
