/* The herald: tells people what the campaign files say.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The events table is the outbox: an alert is delivered when the hook ended with 0, and only then
 * does the cursor move on. The herald reads campaign files and writes nothing but its own cursor
 * file, so it can neither lose an alert nor hold up a station. */
#ifndef WANED_HERALD_H
#define WANED_HERALD_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"

enum { CURSORS_MAX = 256, CURSOR_NAME_SIZE = 256 };

struct cursors {
    char path[300];
    int n;
    struct cursor {
        char name[CURSOR_NAME_SIZE];
        int64_t created_utc_us; /* of the campaign: a new one under an old name begins afresh */
        int64_t delivered;      /* number of the last event dealt with */
        int64_t seen_mtime_ns;
        int64_t retry_at_ns; /* monotonic; each file waits for itself alone */
        int retry_ms;
        bool seen; /* its file was there at the last look */
    } at[CURSORS_MAX];
};

/** Reads the cursor file; a missing one is an empty one. */
int cursors_read(struct cursors *c, const char *path, struct wn_error *err);
/** Writes it whole: new file, fsync, rename. */
int cursors_write(const struct cursors *c, struct wn_error *err);
/** Forgets campaigns whose files are gone. */
void cursors_prune(struct cursors *c);
/** The cursor of a campaign, made on demand; NULL when the table is full. */
struct cursor *cursors_find(struct cursors *c, const char *name);

/** Runs program with text on its standard input: no shell, clean environment, own process group,
 * killed after limit_s. WN_OK when it ended with 0; else WN_ETIMEOUT or WN_EIO with what happened.
 */
int hook_run(const char *program, const char *text, double limit_s, struct wn_error *err);

#endif
