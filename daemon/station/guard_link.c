/* The station's end of the guard: beats, duplicates, and noticing that the guard is gone.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "station.h"

#include <errno.h>
#include <math.h>
#include <poll.h>
#include <string.h>
#include <sys/socket.h>

#include "guard/protocol.h"
#include "safe_off.h"

#define GUARD_HANGS_S 5.0

static void lost(struct station *s, const char *what)
{
    if (!s->guard_lost) {
        s->guard_lost = true;
        station_log(s, 2, "guard is gone (%s): switching off and ending", what);
    }
}

static bool send_message(struct station *s, const struct guard_message *m, int fd)
{
    union {
        struct cmsghdr align;
        char space[CMSG_SPACE(sizeof(int))];
    } control;
    struct iovec iov = {(void *)m, sizeof *m};
    struct msghdr h = {.msg_iov = &iov, .msg_iovlen = 1};
    if (fd >= 0) {
        memset(&control, 0, sizeof control);
        h.msg_control = &control;
        h.msg_controllen = sizeof control;
        struct cmsghdr *c = CMSG_FIRSTHDR(&h);
        c->cmsg_level = SOL_SOCKET;
        c->cmsg_type = SCM_RIGHTS;
        c->cmsg_len = CMSG_LEN(sizeof(int));
        memcpy(CMSG_DATA(c), &fd, sizeof fd);
    }
    ssize_t n;
    do {
        n = sendmsg(s->guard_fd, &h, MSG_NOSIGNAL | MSG_DONTWAIT);
    } while (n < 0 && errno == EINTR);
    if (n < 0 &&
        errno != EAGAIN) { /* a full socket: the guard is alive but busy, the next beat will do */
        lost(s, strerror(errno));
    }
    return n == (ssize_t)sizeof *m;
}

/* Takes one message of the guard; false: there is none, or the guard is gone. */
static bool hear(struct station *s, struct guard_message *m)
{
    ssize_t n = recv(s->guard_fd, m, sizeof *m, MSG_DONTWAIT);
    if (n == (ssize_t)sizeof *m && m->magic == GUARD_MAGIC) {
        s->guard_heard_ns = wn_clock_monotonic(s->clock);
        return true;
    }
    if (n >= 0 || (errno != EAGAIN && errno != EINTR)) {
        lost(s, n == 0 ? "end of file" : n > 0 ? "it talks nonsense" : strerror(errno));
    }
    return false;
}

static bool await_ack(struct station *s)
{
    wn_ns deadline = wn_clock_monotonic(s->clock) + WN_NS_PER_S;
    struct pollfd p = {s->guard_fd, POLLIN, 0};
    struct guard_message m;
    for (wn_ns left = WN_NS_PER_S; left > 0 && !s->guard_lost;
         left = deadline - wn_clock_monotonic(s->clock)) {
        (void)poll(&p, 1, (int)(left / WN_NS_PER_MS) + 1);
        if (hear(s, &m) && m.type == GUARD_ACK) {
            return true;
        }
    }
    return false;
}

/* The guard answers each beat. One that lives but does not turn any more guards nothing. */
static void look_for_hang(struct station *s, wn_ns now)
{
    double limit_s = fmax(GUARD_HANGS_S, 2 * s->config.beat_limit_s);
    guard_look(s);
    if (s->guard_heard_ns == 0 || s->beat_ns == 0) {
        s->guard_heard_ns = now;
    }
    if (now - s->beat_ns > wn_ns_from_s(s->config.beat_limit_s)) {
        s->guard_heard_ns = now; /* we were away ourselves: its answers have still to come */
    }
    if (wn_ns_to_s(now - s->guard_heard_ns) > limit_s) {
        lost(s, "it does not answer");
    }
}

void guard_beat(struct station *s, wn_ns now)
{
    if (s->guard_fd < 0 || s->guard_lost || now < s->beat_ns) {
        return;
    }
    look_for_hang(s, now);
    const struct guard_message m = {.magic = GUARD_MAGIC, .type = GUARD_BEAT};
    (void)send_message(s, &m, -1);
    s->beat_ns = now + wn_ns_from_s(s->config.beat_limit_s / 8);
}

void guard_beat_grace(struct station *s, double grace_s)
{
    if (s->guard_fd >= 0 && !s->guard_lost) {
        const struct guard_message m = {
            .magic = GUARD_MAGIC, .type = GUARD_BEAT, .grace_ms = (uint32_t)(grace_s * 1000)};
        (void)send_message(s, &m, -1);
    }
}

int guard_register(struct station *s, const struct instrument *i, struct wn_error *err)
{
    const char *port = instrument_config(s, i)->port;
    enum wn_interlock interlock = i->n == 0 ? s->config.interlock : WN_INTERLOCK_NONE;
    struct guard_message m;
    if (s->guard_fd < 0) {
        return wn_error_set(err, WN_EGUARD, "no guard: run waned, not wane-station by hand");
    }
    int rc = safe_off_describe(&i->dialect, port, interlock, &m, err);
    if (rc != WN_OK) {
        return rc;
    }
    m.slot = (uint32_t)i->n;
    guard_look(s); /* answers to beats that lie there */
    if (!send_message(s, &m, i->link->ops->fd(i->link)) || !await_ack(s)) {
        return wn_error_set(err, WN_EGUARD, "guard does not acknowledge the port %s", port);
    }
    safe_off_remember(s, i);
    return WN_OK;
}

void guard_release(struct station *s, const struct instrument *i)
{
    const struct guard_message m = {
        .magic = GUARD_MAGIC, .type = GUARD_RELEASE, .slot = (uint32_t)i->n};
    if (s->guard_fd >= 0 && !s->guard_lost) {
        (void)send_message(s, &m, -1);
        safe_off_forget(s, i);
    }
}

void guard_look(struct station *s)
{
    struct guard_message m;
    while (s->guard_fd >= 0 && !s->guard_lost && hear(s, &m)) {
    }
}
