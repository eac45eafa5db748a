/* Swarm: the computer: its clock, the station's process and the service around it.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A process that dies in the middle of a call runs on as a ghost until the call returns: nothing it
 * does reaches the port, the disk, the guard or the names of files any more. Then it is buried. */
#ifndef WN_TESTS_SWARM_HOST_H
#define WN_TESTS_SWARM_HOST_H

#include <jansson.h>

#include "swarm/sim.h"
#include "station/station.h"

void host_begin(void);
void host_end(void);
/** The service (guard and station) is started. */
void host_service_start(void);
/** The station's process is started by the guard. */
void host_station_start(void);
bool host_runs(void); /* is there a station's process? */
bool host_hangs(void);
/** The station and what it knows; NULL when there is none. */
struct station *host_station(void);
/** A place at which the process may be killed, if that was planned. */
void host_boundary(void);
/** Plans that at the n-th boundary from now. */
void host_plan_kill(long n, bool power);
bool host_is_dead(void); /* a ghost is running */
void host_kill(const char *why);
void host_cut_power(void);
void host_ask_end(void); /* as systemctl stop does; the service starts again after a while */
void host_hang(wn_ns until_ns);
void host_suspend(wn_ns for_ns);
bool host_was_suspended(wn_ns within_ns);
/** Has a turn if there is something to do; the next time there is. */
wn_ns host_run(void);
/** An operator's command; NULL when nobody is there to answer. A new reference. */
json_t *host_command(const json_t *request);
/** Since when (world time) the station, or the guard, is not there; WN_NS_NEVER: it is. */
wn_ns host_station_gone_ns(void);

/* guard.c */
void guard_begin(void);
void guard_start(void);
void guard_kill(void);
void guard_vanish(void); /* with the computer */
void guard_station_started(void);
void guard_station_ended(bool killed, bool permanent);
bool guard_alive(void);
bool guard_acts(void);
wn_ns guard_gone_ns(void);
wn_ns guard_run(void);

/* ledger.c */
void ledger_begin(void);
/** After something may have been committed, or the station was started. */
void ledger_look(void);
/** The instrument was just switched on: is the intent on the disk? */
void ledger_switched_on(void);
void ledger_after_crash(void);
void ledger_status(const struct station *s); /* of the live campaign */
void ledger_acknowledged(void);
bool ledger_halted(void);      /* halted, written down, and not acknowledged */
bool ledger_needs_other(void); /* the live campaign was begun with the other instrument */
void ledger_end(void);
long ledger_cycles(void);

/* disk.c */
void disk_begin(void);
void disk_end(void);
void disk_cut_power(void);
/** Copies what is durable of a campaign file under another name. */
bool disk_copy_durable(const char *path, const char *to);
/** Monotonic time of the last sync that truly brought everything of a log to the disk. */
wn_ns disk_synced_ns(void);
long disk_syncs(void);
void disk_bypass(bool on); /* for the eyes of the test only */

#endif
