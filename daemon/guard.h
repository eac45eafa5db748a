/* The guard's parts: making a station's instruments safe, starting processes, telling systemd.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANED_GUARD_H
#define WANED_GUARD_H

#include <stdbool.h>
#include <stdint.h>
#include <sys/types.h>

#include "guard_protocol.h"

enum { CHILDREN_MAX = 17, CHILD_NAME_SIZE = 64 };

struct duplicate {
    int fd; /* -1: free slot */
    struct guard_message how;
};

struct child {
    char name[CHILD_NAME_SIZE]; /* of the station; "" is the herald */
    bool is_station;
    pid_t pid;  /* 0: not running */
    bool dying; /* killed and made safe, not reaped yet */
    int socket; /* -1: none */
    int64_t beat_limit_ns, beat_deadline_ns;
    int64_t stop_limit_ns; /* what it needs to switch off by itself */
    int64_t restart_ns, started_ns;
    int failures;
    int64_t safe_again_ns; /* next try where off was not confirmed */
    struct duplicate dup[GUARD_SLOTS];
};

/* guard.c */
int64_t guard_now_ns(void);
void guard_log(int priority, const char *fmt, ...) __attribute__((format(printf, 2, 3)));

/* make_safe.c */
/** Writes the safe-off bytes on every duplicate, reads back, retries; closes those that are
 * confirmed off. Where off is not confirmed the interlock is dropped and the duplicate kept for the
 * next try. */
void guard_make_safe(struct child *c);
/** Is there a duplicate that was not confirmed off? */
bool guard_holds(const struct child *c);
/** Closes what is left: a new station opens the ports itself, off first. */
void guard_let_go(struct child *c);

/* spawn.c */
/** Runs `wane-station --plan` and fills the table of children; -1 with a message when the
 * configuration is refused. */
int guard_plan(const char *dir, const char *config, struct child *children, int max);
int guard_spawn(const char *dir, const char *config, struct child *c);
void guard_notify(const char *state);

#endif
