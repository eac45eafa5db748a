/* The station's end of the guard: beats, duplicates, and noticing that the guard is gone.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "station.h"

#include <errno.h>
#include <poll.h>
#include <string.h>
#include <sys/socket.h>

#include "base/assert.h"
#include "guard/protocol.h"
#include "safe_off.h"

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

void guard_beat(struct station *s, wn_ns now)
{
    if (s->guard_fd < 0 || s->guard_lost || now < s->beat_ns) {
        return;
    }
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

int guard_register(struct station *s, struct wn_error *err)
{
    struct guard_message m;
    if (s->guard_fd < 0) {
        return wn_error_set(err, WN_EGUARD, "no guard: run waned, not wane-station by hand");
    }
    int rc = safe_off_describe(&s->bench.dialect, s->config.port, s->config.interlock, &m, err);
    if (rc != WN_OK) {
        return rc;
    }
    struct pollfd p = {s->guard_fd, POLLIN, 0};
    struct guard_message ack;
    if (!send_message(s, &m, s->bench.link->ops->fd(s->bench.link)) || poll(&p, 1, 1000) != 1 ||
        recv(s->guard_fd, &ack, sizeof ack, MSG_DONTWAIT) != (ssize_t)sizeof ack ||
        ack.magic != GUARD_MAGIC || ack.type != GUARD_ACK) {
        return wn_error_set(err, WN_EGUARD, "guard does not acknowledge the port %s",
                            s->config.port);
    }
    safe_off_remember(s);
    return WN_OK;
}

void guard_release(struct station *s)
{
    const struct guard_message m = {.magic = GUARD_MAGIC, .type = GUARD_RELEASE, .slot = 0};
    if (s->guard_fd >= 0 && !s->guard_lost) {
        (void)send_message(s, &m, -1);
        safe_off_forget(s);
    }
}

void guard_look(struct station *s)
{
    struct guard_message m;
    if (s->guard_fd < 0 || s->guard_lost) {
        return;
    }
    ssize_t n = recv(s->guard_fd, &m, sizeof m, MSG_DONTWAIT);
    if (n == 0 || (n < 0 && errno != EAGAIN && errno != EINTR)) {
        lost(s, n == 0 ? "end of file" : strerror(errno));
    }
}
