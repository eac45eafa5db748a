/* The virtual bench of a station that listens. Apart from the station: both have a cell of their
 * own, under the same name. SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_STATION_LISTEN_PLANT_H
#define WN_TESTS_STATION_LISTEN_PLANT_H

#include <stdbool.h>
#include <stddef.h>

#include "base/time.h"

enum listen_who { TALKER, RELAY, LISTEN_WHOS };

/** A small cell at a tester, whose program begins in a minute: two cycles of minutes. wired: there
 * is no contact between them. */
void listen_plant_begin(bool wired, wn_ns now_ns);
void listen_plant_run(wn_ns now_ns);
wn_ns listen_plant_deadline(void); /* WN_NS_NEVER: nothing to do */
void listen_plant_feed(enum listen_who who, wn_ns now_ns, const void *bytes, size_t len);
size_t listen_plant_take(enum listen_who who, wn_ns now_ns, void *buf, size_t size);
/** A switch (inst.h), now. */
void listen_plant_fault(enum listen_who who, wn_ns now_ns, const char *text);
/** The contact, by a line. */
void listen_plant_contact(bool closed);
bool listen_plant_is_closed(void);
double listen_plant_flow_a(void);

#endif
