/* The guard's parts.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANED_GUARD_H
#define WANED_GUARD_H

#include <stdbool.h>
#include <stdint.h>
#include <sys/types.h>

#include "guard/protocol.h"

struct duplicate {
    int fd; /* -1: free slot */
    struct guard_message how;
};

struct child {
    char name[64];
    bool is_station; /* else the herald, which need not beat and holds no port */
    pid_t pid;       /* 0: not running */
    bool killed;     /* by us, made safe then, not reaped yet */
    int socket;      /* -1: none */
    int64_t beat_limit_ns, beat_deadline_ns, stop_limit_ns; /* stop: what it needs to end */
    int64_t started_ns, restart_ns, safe_again_ns;
    int failures;
    struct duplicate dup[GUARD_SLOTS];
};

int64_t guard_now_ns(void);
void guard_log(int priority, const char *fmt, ...) __attribute__((format(printf, 2, 3)));

/** Writes the safe-off bytes on every duplicate, reads back, tries again; closes those that are
 * confirmed off. Where off is not confirmed the interlock is dropped and the duplicate kept for the
 * next try: false then. */
bool guard_make_safe(struct child *c);
/** Closes one: given back by its station, or about to be opened by a new one, off first. */
void guard_let_go(struct duplicate *d);

#endif
