/* The herald: tells people what the campaign files say.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The events table is the outbox: an alert is done with when its hook ended with 0. The herald
 * reads campaign files and writes nothing but its own files, so it can neither lose an alert nor
 * hold up a station. What it decides is in policy.h; what a hook is given, in message.h. */
#ifndef WANED_HERALD_H
#define WANED_HERALD_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "herald/policy.h"

/* In the service manager's $STATE_DIRECTORY, else in data_dir. */
#define HERALD_STATE "herald-state.json"
/* In run_dir, for wane status. */
#define HERALD_STATUS "herald.json"

enum { HERALD_PATH_SIZE = WN_PATH_SIZE + 64, HERALD_STATUS_EVERY_S = 60 };

/** Reads what an earlier herald has left; *found false when there is nothing. Targets are known by
 * their names: one that is new gets whatever is still on its way. WN_ECORRUPT: p is as it was. */
int state_read(struct policy *p, const char *path, bool *found, struct wn_error *err);
/** Writes it whole: new file, fsync, rename. */
int state_write(const struct policy *p, const char *path, struct wn_error *err);

/** Writes how the targets are, for wane status. */
int status_write(const struct policy *p, const struct wn_daemon_config *config, const char *ping,
                 wn_utc_us utc, const char *path, struct wn_error *err);

/** Looks into every campaign file that has changed, and takes its events in. */
void watch_look(struct policy *p, const struct wn_daemon_config *config, wn_utc_us now);
/** One line a station, for the digest. */
void watch_digest(const struct policy *p, const struct wn_daemon_config *config, char *out,
                  size_t size);

/** Tells once through every target that a service has failed for good; 0 when all have it. */
int unit_failed(const struct wn_daemon_config *config, const char *unit);

/** One line to the log, <priority> in front. Never waits: a log nobody reads must not hold up an
 * alarm. */
void herald_log(int priority, const char *fmt, ...) __attribute__((format(printf, 2, 3)));

#endif
