/* The guard as seen from a process it guards: beats, duplicates, and noticing that it is gone.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANED_GUARD_CLIENT_H
#define WANED_GUARD_CLIENT_H

#include <stdbool.h>

#include "config/config.h"
#include "guard/protocol.h"
#include "port/clock.h"

struct guard_client {
    int fd; /* -1: run without a guard */
    const struct wn_clock *clock;
    wn_ns heard_ns; /* its last answer */
    wn_ns beat_ns;  /* next beat */
    bool lost;
    void (*tell_lost)(void *ctx, const char *why); /* called once */
    void *ctx;
};

/** Finds the guard's socket, where there is one. */
void guard_client_open(struct guard_client *g, const struct wn_clock *clock,
                       void (*tell_lost)(void *, const char *), void *ctx);
/** A beat when one is due; notices a guard that hangs. */
void guard_client_beat(struct guard_client *g, double beat_limit_s, wn_ns now);
/** A beat after which the next one may take up to grace_s. */
void guard_client_grace(struct guard_client *g, double grace_s);
/** Hands over a duplicate of fd and waits for the acknowledgement, at most one second. */
bool guard_client_register(struct guard_client *g, const struct guard_message *m, int fd);
void guard_client_release(struct guard_client *g, int slot);
/** Reads what the guard's socket has: end of file is the guard's death. */
void guard_client_look(struct guard_client *g);

/** What the guard, or safe-off, must know of an instrument at a port, which may have more words
 * behind it for messages. WN_ERANGE: it does not fit. */
int guard_describe(const struct wn_dialect *d, const char *port, enum wn_interlock interlock,
                   struct guard_message *m, struct wn_error *err);

#endif
