/* wane-share: the process that has a port of several instruments, or outputs; its parts.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Whose turn it is, and whose reply a line is, is decided in instrument/share.h. Here are the port,
 * the sockets of those who ask, and the guard, which has a duplicate of the port with the off of
 * each channel. */
#ifndef WANED_SHARE_H
#define WANED_SHARE_H

#include "config/config.h"
#include "guard/client.h"
#include "instrument/share.h"
#include "port/link.h"

enum share_stage {
    SHARE_CLOSED,   /* waiting to open the port again */
    SHARE_SETTLING, /* open, and with the guard; the instrument may still be starting */
    SHARE_OPEN      /* everybody may ask */
};

struct share {
    const struct wn_clock *clock;
    const struct wn_daemon_config *daemon;
    struct wn_share_config config; /* large */
    char name[WN_SHARE_NAME_SIZE];
    struct wn_share core; /* large; channel k is that of user k */
    struct guard_client guard;
    struct wn_link *link; /* NULL: closed */
    enum share_stage stage;
    wn_ns stage_until_ns, back_off_ns;
    int told_code;                   /* of the last failure logged since it was open; 0: none */
    int listener[WN_PORT_USERS_MAX]; /* by channel; -1 */
    int asker[WN_SHARE_ASKERS_MAX];  /* their sockets, by their number in core; -1 */
    uint64_t told_bad;               /* missing and garbled replies logged so far */
    wn_ns tell_bad_ns;               /* not before */
    bool ending;
    wn_ns end_by_ns;
};

void share_log(const struct share *s, int priority, const char *fmt, ...)
    __attribute__((format(printf, 3, 4)));

/* port.c */
/** What time brings: opens, hands over to the guard, lets askers in. */
void share_turn_port(struct share *s, wn_ns now);
/** Reads what has come, writes what is to go. */
void share_talk(struct share *s, wn_ns now);
wn_ns share_deadline(const struct share *s);
/** The last word to every channel, waiting for the port no longer than a moment. */
void share_close_port(struct share *s);

/* desk.c */
/** One socket for each channel. WN_EIO. */
int share_listen(struct share *s, struct wn_error *err);
void share_accept(struct share *s, int channel);
/** Takes what an asker has sent; false: it has gone. */
bool share_hear(struct share *s, int asker, wn_ns now);
/** Hands out the answers that are there. */
void share_deliver(struct share *s);
/** Sends everybody away, who then finds the port gone. */
void share_hang_up(struct share *s);
bool share_is_alone(const struct share *s);

#endif
