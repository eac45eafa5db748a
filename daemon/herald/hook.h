/* Running a hook: no shell, fixed arguments, clean environment, own process group, a time limit.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANED_HERALD_HOOK_H
#define WANED_HERALD_HOOK_H

#include <poll.h>
#include <stdbool.h>
#include <stddef.h>
#include <sys/types.h>

#include "base/time.h"
#include "config/config.h"

enum { HOOK_OUTPUT_MAX = 4096, HOOK_POLLS = 3, HOOK_EXIT_TEMPORARY = 75 /* sysexits(3) */ };

/** One run of a hook. All zero: none runs. */
struct hook {
    pid_t pid;
    int pidfd, input, output; /* -1: closed */
    const char *text;         /* for its standard input; borrowed until it has ended */
    size_t text_len;
    wn_ns deadline_ns; /* monotonic */
    bool killed;
    char said[HOOK_OUTPUT_MAX + 1]; /* the begin of what it wrote */
    size_t said_len;
};

enum hook_end { HOOK_RUNS, HOOK_DONE, HOOK_TEMPORARY, HOOK_FAILED };

/** Starts it; environment is added to PATH and LANG. WN_EIO when it could not be started. */
int hook_start(struct hook *h, const struct wn_hook_config *config, const char *text,
               const char *const environment[], wn_ns now, struct wn_error *err);
static inline bool hook_runs(const struct hook *h)
{
    return h->pid > 0;
}
/** What to poll for; returns how many of p[HOOK_POLLS] it has filled. */
int hook_polls(const struct hook *h, struct pollfd *p);
/** Feeds, listens, and judges the end; never waits. err tells what was wrong. */
enum hook_end hook_step(struct hook *h, const struct wn_hook_config *config, wn_ns now,
                        struct wn_error *err);
/** Kills its whole group and forgets it. */
void hook_kill(struct hook *h);
/** The same from begin to end, waiting for it. */
enum hook_end hook_run(struct hook *h, const struct wn_hook_config *config, const char *text,
                       const char *const environment[], struct wn_error *err);

/** Is the program there and executable, and what it says it needs? A script tells that in lines
 * "# wane-needs: PATH" near its top. False with what is missing. */
bool hook_check(const struct wn_hook_config *config, struct wn_error *err);

/** Descriptors 0, 1 and 2 must be there: a pipe that took their number would be lost. */
void hook_prepare(void);

#endif
