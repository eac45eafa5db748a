/* Swarm: the port and the line between the computer and the instrument.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Bytes keep their order, arrive late, and not always all of them. The interlock is on DTR, or
 * between DTR and RTS: both rise when the port is opened, and fall when they are told to, when the
 * last holder closes, and when the adapter goes. The guard's duplicate holds the port as the
 * station does. */
#ifndef WN_TESTS_SWARM_WIRE_H
#define WN_TESTS_SWARM_WIRE_H

#include "swarm/sim.h"

void wire_begin(void);
/** Brings to both ends what is due; the next time something is. */
wn_ns wire_run(void);
/** Has something arrived that the computer has not read? */
bool wire_readable(void);
/** The station's process is gone, and with it its end. */
void wire_station_gone(void);
/** Adapter unplugged, or there again. */
void wire_plug(bool there);
bool wire_there(void);

/* The guard's duplicate. False: the descriptor is dead. */
void wire_guard_takes(void);
void wire_guard_lets_go(void);
bool wire_guard_holds(void);
bool wire_guard_write(const char *data, size_t len);
bool wire_guard_read(char *c); /* false: nothing there */
void wire_guard_flush(void);
void wire_guard_drops_interlock(void);

#endif
