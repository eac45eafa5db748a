/* The guard's one deed: making an instrument safe over its duplicate descriptor.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "guard/guard.h"

#include <poll.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

/* TELL_MS, ASK_MS: nobody waits for answers to off, or is asked, later than so; a station that is
 * not answered itself for five seconds takes the guard for dead. */
enum { REPLY_MS = 250, TELL_MS = 1000, ASK_MS = 1500, BLOCK_SIZE = 512 };
enum { SHARED_MS = 1000 }; /* a share lets another one's reply come first */

static int64_t in_ns(int ms)
{
    return guard_now_ns() + (int64_t)ms * 1000000;
}

static bool is_expected(const char *reply, size_t len, const struct guard_message *how)
{
    return len == how->expect_len && len > 0 && memcmp(reply, how->expect, len) == 0;
}

/* How many bytes come within so many milliseconds; not above 0: none, or the port is gone. */
static ssize_t hear(int fd, char block[BLOCK_SIZE], int64_t within_ms)
{
    struct pollfd p = {fd, POLLIN, 0};
    return poll(&p, 1, (int)within_ms) == 1 ? read(fd, block, BLOCK_SIZE) : 0;
}

/* Frames: waits for something, at most so long, then until the line is silent; what comes is
 * dropped. */
static void hush(int fd, const struct guard_message *how, int64_t wait_ms)
{
    char block[BLOCK_SIZE];
    int64_t deadline = in_ns(REPLY_MS);
    while (how->gap_ms > 0 && guard_now_ns() < deadline && hear(fd, block, wait_ms) > 0) {
        wait_ms = how->gap_ms;
    }
}

/* Asks whether it is off. Replies that are none of that are passed over: answers to the dead
 * station, or to off, an echo. Read in blocks: the rest of a packet (a shared port's) is lost. */
static bool is_off(int fd, const struct guard_message *how)
{
    char block[BLOCK_SIZE];
    char reply[GUARD_EXPECT_SIZE + 1]; /* a full one is longer than any: never equal */
    size_t len = 0, max = how->gap_ms > 0 ? how->expect_len : sizeof reply;
    hush(fd, how, how->gap_ms);
    if (how->query_len == 0 || how->expect_len == 0 ||
        write(fd, how->query, how->query_len) != (ssize_t)how->query_len) {
        return false; /* nothing confirms it */
    }
    int64_t deadline = in_ns(how->shared ? SHARED_MS : REPLY_MS), left;
    while ((left = deadline - guard_now_ns()) > 0) {
        bool in_frame = how->gap_ms > 0 && len > 0;
        ssize_t n = hear(fd, block, in_frame ? how->gap_ms : left / 1000000 + 1);
        if (n <= 0 && (!in_frame || is_expected(reply, len, how))) { /* silence ends a frame */
            return in_frame;
        }
        len = n > 0 ? len : 0;
        for (ssize_t k = 0; k < n; k++) {
            bool end = how->gap_ms == 0 && (block[k] == '\n' || block[k] == '\r');
            if (end && is_expected(reply, len, how)) {
                return true;
            }
            if (end) {
                len = 0;
                continue;
            }
            if (len == max) {
                memmove(reply, reply + 1, --len);
            }
            reply[len++] = block[k];
        }
    }
    return false;
}

static bool is_off_often(int fd, const struct guard_message *how, int times, int64_t until_ns)
{
    while (times > 0 && guard_now_ns() < until_ns && is_off(fd, how)) {
        times--;
    }
    return times == 0;
}

/* What is on its way in either direction. */
static void throw_away(int fd)
{
    char block[BLOCK_SIZE];
    (void)tcflush(fd, TCIOFLUSH);
    for (int i = 0; i < 64 && recv(fd, block, BLOCK_SIZE, MSG_DONTWAIT) > 0; i++) {
    }
}

/* A frame behind another on the same line waits for the answer to that, but not later than
 * until_ns: the rest goes out blindly. */
static bool write_off(int fd, const struct guard_message *how, bool behind, int64_t until_ns)
{
    size_t n = how->off_len;
    for (size_t at = 1; how->gap_ms > 0 && at < how->off_len; at += n + 1) {
        n = (unsigned char)how->off[at - 1];
        bool waits = (behind || at > 1) && guard_now_ns() < until_ns;
        hush(fd, how, waits ? REPLY_MS : how->gap_ms);
        if (n > how->off_len - at || write(fd, how->off + at, n) != (ssize_t)n) {
            return false;
        }
    }
    return how->gap_ms > 0 || write(fd, how->off, n) == (ssize_t)n;
}

/* Has one of the slots before it the same line? */
static bool is_behind(const struct child *c, int slot)
{
    struct stat own, other;
    bool found = false;
    for (int i = 0; i < slot && fstat(c->dup[slot].fd, &own) == 0; i++) {
        found = found || (c->dup[i].fd >= 0 && fstat(c->dup[i].fd, &other) == 0 &&
                          own.st_dev == other.st_dev && own.st_ino == other.st_ino);
    }
    return found;
}

/* What the dead station still had on its way must not get through, so the queues are emptied; all
 * of them first, as several may be the same port. Then they take so few bytes at once. */
static void send_off(struct child *c, int64_t until_ns)
{
    for (int i = 0; i < GUARD_SLOTS; i++) {
        if (c->dup[i].fd >= 0) {
            throw_away(c->dup[i].fd);
        }
    }
    for (int i = 0; i < GUARD_SLOTS; i++) {
        struct duplicate *d = &c->dup[i];
        d->sent = d->fd >= 0 && write_off(d->fd, &d->how, is_behind(c, i), until_ns);
    }
}

void guard_send_off(struct child *c)
{
    send_off(c, in_ns(TELL_MS));
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

/* On each line, what was written last is still being answered: a frame would spoil that. */
static void hear_out(const struct child *c, int64_t until_ns)
{
    for (int i = 0; i < GUARD_SLOTS && guard_now_ns() < until_ns; i++) {
        if (c->dup[i].sent && !is_behind(c, i)) {
            hush(c->dup[i].fd, &c->dup[i].how, REPLY_MS);
        }
    }
}

static void tell_gone(const struct guard_message *how)
{
    guard_log(how->shared ? 4 : 2, "%s: %s", how->port,
              how->shared ? "its share is gone, and is switched off itself"
                          : "the port is gone, off cannot be told: go to the bench");
}

bool guard_make_safe(struct child *c)
{
    bool safe = true, in_vain = false, first_asked = true;
    int64_t told_ns = in_ns(TELL_MS);
    /* Asked twice: one matching line could be a late reply to the dead station; and each try that
     * was in vain left one more. */
    int first = c->tries % GUARD_SLOTS;
    int times = 2 + (c->tries < GUARD_ATTEMPTS ? c->tries : 0);
    send_off(c, told_ns);
    hear_out(c, told_ns);
    int64_t asked_ns = in_ns(ASK_MS);
    for (int k = 0; k < GUARD_SLOTS; k++) {
        int i = (first + k) % GUARD_SLOTS;
        struct duplicate *d = &c->dup[i];
        if (d->fd < 0) {
            continue;
        }
        /* behind one that did not answer none is asked: its reply could come instead. The next try
         * begins with another one; that there was no time for all is none in vain, but for the
         * first: each try gets somewhere, or was one. */
        bool off = safe && d->sent && is_off_often(d->fd, &d->how, times, asked_ns);
        in_vain = in_vain || (safe && !off && (first_asked || guard_now_ns() < asked_ns));
        first_asked = false;
        if (off) {
            guard_log(4, "%s: output is off, confirmed by the instrument", d->how.port);
            guard_let_go(d);
        } else if (is_gone(d->fd)) {
            tell_gone(&d->how);
            guard_let_go(d);
        } else if (c->tries + 1 >= GUARD_ATTEMPTS || d->how.query_len == 0) {
            drop_interlock(d->fd, &d->how);
        }
        if (d->how.query_len == 0 && c->tries + 1 >= GUARD_ATTEMPTS) {
            guard_let_go(d); /* it confirms nothing, however often it is told */
        }
        safe = safe && d->fd < 0;
    }
    c->tries = safe ? 0 : c->tries + in_vain;
    return safe;
}
