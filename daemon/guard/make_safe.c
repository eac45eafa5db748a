/* The guard's one deed: making an instrument safe over its duplicate descriptor.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "guard/guard.h"

#include <poll.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

enum { REPLY_MS = 250 };

/* Asks whether it is off. Lines that are none of that reply are passed over: answers to the dead
 * station, an echo. */
static bool is_off(int fd, const struct guard_message *how)
{
    char line[GUARD_EXPECT_SIZE], c;
    size_t len = 0;
    int64_t deadline = guard_now_ns() + (int64_t)REPLY_MS * 1000000, left;
    if (how->query_len == 0 || write(fd, how->query, how->query_len) != (ssize_t)how->query_len) {
        return false; /* nothing confirms it */
    }
    while ((left = deadline - guard_now_ns()) > 0) {
        struct pollfd p = {fd, POLLIN, 0};
        if (poll(&p, 1, (int)(left / 1000000) + 1) != 1 || read(fd, &c, 1) != 1) {
            return false;
        }
        if (c != '\n' && c != '\r') {
            len += len <= sizeof line ? 1 : 0; /* longer than any: never equal */
            line[len <= sizeof line ? len - 1 : 0] = c;
        } else if (len == how->expect_len && len > 0 && memcmp(line, how->expect, len) == 0) {
            return true;
        } else {
            len = 0;
        }
    }
    return false;
}

/* What the dead station still had on its way must not get through, so the queues are emptied; then
 * they take so few bytes at once. */
static bool send_off(int fd, const struct guard_message *how)
{
    (void)tcflush(fd, TCIOFLUSH);
    return write(fd, how->off, how->off_len) == (ssize_t)how->off_len;
}

void guard_send_off(struct child *c)
{
    for (int i = 0; i < GUARD_SLOTS; i++) {
        (void)(c->dup[i].fd >= 0 && send_off(c->dup[i].fd, &c->dup[i].how));
    }
}

void guard_share(struct child *c)
{
    for (int i = 0; i < GUARD_SLOTS; i++) {
        if (c->dup[i].fd >= 0) {
            (void)flock(c->dup[i].fd, LOCK_UN);
            (void)ioctl(c->dup[i].fd, TIOCNXCL);
        }
    }
}

/* Unplugged: nothing can be said to it any more, and its name is needed when it comes back. */
static bool is_gone(int fd)
{
    struct pollfd p = {fd, 0, 0};
    return poll(&p, 1, 0) == 1 && (p.revents & (POLLHUP | POLLERR | POLLNVAL)) != 0;
}

static void drop_interlock(int fd, const struct guard_message *how)
{
    int bit = how->interlock == GUARD_LINE_DTR ? TIOCM_DTR : TIOCM_RTS;
    bool dropped =
        how->interlock != GUARD_LINE_NONE &&
        (how->drop_len > 0 ? write(fd, how->drop, how->drop_len) == (ssize_t)how->drop_len
                           : ioctl(fd, TIOCMBIC, &bit) == 0);
    guard_log(2, "%s: told off, not confirmed; %s", how->port,
              dropped ? "interlock dropped" : "no interlock dropped: disconnect the cell by hand");
}

void guard_let_go(struct duplicate *d)
{
    if (d->fd >= 0) {
        (void)tcflush(d->fd, TCOFLUSH); /* or close() waits for a stuck port */
        (void)close(d->fd);
        d->fd = -1;
    }
}

bool guard_make_safe(struct child *c)
{
    bool safe = true;
    for (int i = 0; i < GUARD_SLOTS; i++) {
        struct duplicate *d = &c->dup[i];
        if (d->fd < 0) {
            continue;
        }
        /* asked twice: one matching line could be a late reply */
        bool off = send_off(d->fd, &d->how) && is_off(d->fd, &d->how) && is_off(d->fd, &d->how);
        if (off || is_gone(d->fd)) {
            guard_let_go(d);
            guard_log(off ? 4 : 2, "%s: %s", d->how.port,
                      off ? "output is off, confirmed by the instrument"
                          : "the port is gone, off cannot be told: go to the bench");
        } else if (c->tries + 1 >= GUARD_ATTEMPTS) {
            drop_interlock(d->fd, &d->how);
        }
        safe = safe && d->fd < 0;
    }
    c->tries = safe ? 0 : c->tries + 1;
    return safe;
}
