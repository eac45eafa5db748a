/* The station's end of the guard: beats, duplicates, and noticing that the guard is gone.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "station.h"

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>

#include "base/assert.h"
#include "guard_protocol.h"

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
    const struct wn_dialect *d = &s->bench.dialect;
    struct guard_message m = {.magic = GUARD_MAGIC, .type = GUARD_REGISTER, .slot = 0};
    size_t query_len = strlen(d->output_query), end_len = strlen(d->terminator);
    size_t expect_len = strlen(d->output_off_reply);
    if (s->guard_fd < 0) {
        return wn_error_set(err, WN_EGUARD, "no guard: run waned, not wane-station by hand");
    }
    if (d->safe_off_len > GUARD_OFF_SIZE || query_len + end_len > GUARD_QUERY_SIZE ||
        expect_len > GUARD_EXPECT_SIZE) {
        return wn_error_set(err, WN_ERANGE,
                            "%s: safe_off or output query is too long for the guard", d->file);
    }
    memcpy(m.off, d->safe_off, d->safe_off_len);
    m.off_len = (uint32_t)d->safe_off_len;
    if (query_len > 0) {
        memcpy(m.query, d->output_query, query_len);
        memcpy(m.query + query_len, d->terminator, end_len);
        m.query_len = (uint32_t)(query_len + end_len);
    }
    m.interlock = GUARD_LINE_DTR; /* the same line the station drops */
    memcpy(m.expect, d->output_off_reply, expect_len);
    m.expect_len = (uint32_t)expect_len;
    (void)snprintf(m.port, sizeof m.port, "%.127s", s->config.port);
    struct pollfd p = {s->guard_fd, POLLIN, 0};
    struct guard_message ack;
    if (!send_message(s, &m, s->bench.link->ops->fd(s->bench.link)) || poll(&p, 1, 1000) != 1 ||
        recv(s->guard_fd, &ack, sizeof ack, MSG_DONTWAIT) != (ssize_t)sizeof ack ||
        ack.magic != GUARD_MAGIC || ack.type != GUARD_ACK) {
        return wn_error_set(err, WN_EGUARD, "guard does not acknowledge the port %s",
                            s->config.port);
    }
    return WN_OK;
}

void guard_release(struct station *s)
{
    const struct guard_message m = {.magic = GUARD_MAGIC, .type = GUARD_RELEASE, .slot = 0};
    if (s->guard_fd >= 0 && !s->guard_lost) {
        (void)send_message(s, &m, -1);
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
