/* The guard's parts.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANED_GUARD_H
#define WANED_GUARD_H

#include <stdbool.h>
#include <stdint.h>
#include <sys/types.h>

#include "guard/protocol.h"

enum { GUARD_ATTEMPTS = 3 }; /* to confirm off, before the interlock is dropped */

struct duplicate {
    int fd;    /* -1: free slot */
    bool sent; /* off has been written this time */
    struct guard_message how;
};

enum guard_kind {
    GUARD_HERALD, /* need not beat, and holds no port */
    GUARD_SHARE,  /* holds a port for several stations */
    GUARD_STATION
};

struct child {
    char name[64];
    enum guard_kind kind;
    pid_t pid;   /* 0: not running */
    bool killed; /* by us, made safe then, not reaped yet */
    int socket;  /* -1: none */
    int64_t beat_limit_ns, beat_deadline_ns, stop_limit_ns; /* stop: what it needs to end */
    int64_t started_ns, restart_ns, safe_again_ns;
    int failures, tries; /* starts in vain; tries to confirm off */
    struct duplicate dup[GUARD_SLOTS];
};

int64_t guard_now_ns(void);
void guard_log(int priority, const char *fmt, ...) __attribute__((format(printf, 2, 3)));

/** Writes the safe-off bytes on every duplicate and waits for nothing. */
void guard_send_off(struct child *c);
/** Writes them and asks whether it is off, each until one does not answer; closes those that are
 * confirmed off, or whose port is gone. Where GUARD_ATTEMPTS were in vain the interlock is dropped;
 * the duplicate is kept for the next try: false then. */
bool guard_make_safe(struct child *c);
/** Gives up the exclusive use of what is kept, so that the next station can open its port. */
void guard_share(struct child *c);
/** Closes one: given back by its station, or about to be opened by a new one, off first. */
void guard_let_go(struct duplicate *d);

#endif
