/* The guard's one deed: making an instrument safe over its duplicate descriptor.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "guard.h"

#include <errno.h>
#include <poll.h>
#include <string.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

enum { ATTEMPTS = 3, REPLY_MS = 250, WRITE_MS = 100 };

static bool wait_for(int fd, short what, int64_t deadline_ns)
{
    for (;;) {
        int64_t left_ms = (deadline_ns - guard_now_ns()) / 1000000;
        struct pollfd p = {fd, what, 0};
        int n = poll(&p, 1, left_ms > 0 ? (int)left_ms : 0);
        if (n > 0) {
            return (p.revents & what) != 0;
        }
        if (n == 0 || errno != EINTR) {
            return false;
        }
    }
}

static bool write_all(int fd, const char *data, size_t len)
{
    int64_t deadline = guard_now_ns() + (int64_t)WRITE_MS * 1000000;
    while (len > 0) {
        ssize_t n = write(fd, data, len);
        if (n > 0) {
            data += n;
            len -= (size_t)n;
        } else if (n < 0 && errno != EAGAIN && errno != EINTR) {
            return false;
        } else if (!wait_for(fd, POLLOUT, deadline)) {
            return false;
        }
    }
    return true;
}

/* Reads lines until one is the expected one or the time is over; replies to older questions are
 * passed over. */
static bool reply_matches(int fd, const struct guard_message *how)
{
    char line[128];
    size_t len = 0;
    int64_t deadline = guard_now_ns() + (int64_t)REPLY_MS * 1000000;
    while (wait_for(fd, POLLIN, deadline)) {
        char c;
        ssize_t n = read(fd, &c, 1);
        if (n <= 0) {
            if (n < 0 && (errno == EAGAIN || errno == EINTR)) {
                continue;
            }
            return false;
        }
        if (c == '\n' || c == '\r') {
            if (len == how->expect_len && memcmp(line, how->expect, len) == 0) {
                return true;
            }
            len = 0;
        } else if (len < sizeof line) {
            line[len++] = c;
        }
    }
    return false;
}

static bool switch_off(int fd, const struct guard_message *how)
{
    (void)tcflush(fd,
                  TCIOFLUSH); /* what the dead station still had on its way must not get through */
    if (!write_all(fd, how->off, how->off_len)) {
        return false;
    }
    if (how->query_len == 0) {
        return false; /* sent, but nothing confirms it */
    }
    for (int n = 0; n < 2;
         n++) { /* twice: one matching line could be a late reply to the dead station */
        if (!write_all(fd, how->query, how->query_len) || !reply_matches(fd, how)) {
            return false;
        }
    }
    return true;
}

static void drop_interlock(int fd, const struct guard_message *how)
{
    int bit = how->interlock == GUARD_LINE_DTR ? TIOCM_DTR : TIOCM_RTS;
    if (how->interlock == GUARD_LINE_NONE) {
        guard_log(2, "%s: no interlock to drop; go to the bench and disconnect the cell",
                  how->port);
    } else if (ioctl(fd, TIOCMBIC, &bit) == 0) {
        guard_log(2, "%s: interlock dropped", how->port);
    } else {
        guard_log(2, "%s: interlock could not be dropped; go to the bench", how->port);
    }
}

void guard_make_safe(struct child *c)
{
    for (int i = 0; i < GUARD_SLOTS; i++) {
        struct duplicate *d = &c->dup[i];
        if (d->fd < 0) {
            continue;
        }
        bool off = false;
        for (int n = 0; n < ATTEMPTS && !off; n++) {
            off = switch_off(d->fd, &d->how);
        }
        if (off) {
            (void)tcflush(d->fd, TCOFLUSH);
            (void)close(d->fd);
            d->fd = -1;
            guard_log(4, "station %s: output on %s is off, confirmed by the instrument", c->name,
                      d->how.port);
        } else {
            drop_interlock(d->fd, &d->how);
            guard_log(2, "station %s: output on %s was told off, not confirmed", c->name,
                      d->how.port);
        }
    }
}

bool guard_holds(const struct child *c)
{
    for (int i = 0; i < GUARD_SLOTS; i++) {
        if (c->dup[i].fd >= 0) {
            return true;
        }
    }
    return false;
}

void guard_let_go(struct child *c)
{
    for (int i = 0; i < GUARD_SLOTS; i++) {
        if (c->dup[i].fd >= 0) {
            (void)tcflush(c->dup[i].fd, TCOFLUSH);
            (void)close(c->dup[i].fd);
            c->dup[i].fd = -1;
        }
    }
}
