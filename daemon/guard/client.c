/* The guard as seen from a process it guards.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "guard/client.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>

#include "serial/serial.h"

#define GUARD_HANGS_S 5.0
#define GAP_MS        20 /* silence an adapter makes inside a frame: lumps of 16 ms */

static void lost(struct guard_client *g, const char *what)
{
    if (!g->lost) {
        g->lost = true;
        g->tell_lost(g->ctx, what);
    }
}

static bool send_message(struct guard_client *g, const struct guard_message *m, int fd)
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
        n = sendmsg(g->fd, &h, MSG_NOSIGNAL | MSG_DONTWAIT);
    } while (n < 0 && errno == EINTR);
    if (n < 0 &&
        errno != EAGAIN) { /* a full socket: the guard is alive but busy, the next beat will do */
        lost(g, strerror(errno));
    }
    return n == (ssize_t)sizeof *m;
}

/* Takes one message of the guard; false: there is none, or the guard is gone. */
static bool hear(struct guard_client *g, struct guard_message *m)
{
    ssize_t n = recv(g->fd, m, sizeof *m, MSG_DONTWAIT);
    if (n == (ssize_t)sizeof *m && m->magic == GUARD_MAGIC) {
        g->heard_ns = wn_clock_monotonic(g->clock);
        return true;
    }
    if (n >= 0 || (errno != EAGAIN && errno != EINTR)) {
        lost(g, n == 0 ? "end of file" : n > 0 ? "it talks nonsense" : strerror(errno));
    }
    return false;
}

static bool await_ack(struct guard_client *g)
{
    wn_ns deadline = wn_clock_monotonic(g->clock) + WN_NS_PER_S;
    struct pollfd p = {g->fd, POLLIN, 0};
    struct guard_message m;
    for (wn_ns left = WN_NS_PER_S; left > 0 && !g->lost;
         left = deadline - wn_clock_monotonic(g->clock)) {
        (void)poll(&p, 1, (int)(left / WN_NS_PER_MS) + 1);
        if (hear(g, &m) && m.type == GUARD_ACK) {
            return true;
        }
    }
    return false;
}

void guard_client_look(struct guard_client *g)
{
    struct guard_message m;
    while (g->fd >= 0 && !g->lost && hear(g, &m)) {
    }
}

/* The guard answers each beat. One that lives but does not turn any more guards nothing. */
static void look_for_hang(struct guard_client *g, double beat_limit_s, wn_ns now)
{
    double limit_s = fmax(GUARD_HANGS_S, 2 * beat_limit_s);
    guard_client_look(g);
    if (g->heard_ns == 0 || g->beat_ns == 0) {
        g->heard_ns = now;
    }
    if (now - g->beat_ns > wn_ns_from_s(beat_limit_s)) {
        g->heard_ns = now; /* we were away ourselves: its answers have still to come */
    }
    if (wn_ns_to_s(now - g->heard_ns) > limit_s) {
        lost(g, "it does not answer");
    }
}

void guard_client_beat(struct guard_client *g, double beat_limit_s, wn_ns now)
{
    if (g->fd < 0 || g->lost || now < g->beat_ns) {
        return;
    }
    look_for_hang(g, beat_limit_s, now);
    const struct guard_message m = {.magic = GUARD_MAGIC, .type = GUARD_BEAT};
    (void)send_message(g, &m, -1);
    g->beat_ns = now + wn_ns_from_s(beat_limit_s / 8);
}

void guard_client_grace(struct guard_client *g, double grace_s)
{
    if (g->fd >= 0 && !g->lost) {
        const struct guard_message m = {
            .magic = GUARD_MAGIC, .type = GUARD_BEAT, .grace_ms = (uint32_t)(grace_s * 1000)};
        (void)send_message(g, &m, -1);
    }
}

bool guard_client_register(struct guard_client *g, const struct guard_message *m, int fd)
{
    guard_client_look(g); /* answers to beats that lie there */
    return g->fd >= 0 && send_message(g, m, fd) && await_ack(g);
}

void guard_client_release(struct guard_client *g, int slot)
{
    const struct guard_message m = {
        .magic = GUARD_MAGIC, .type = GUARD_RELEASE, .slot = (uint32_t)slot};
    if (g->fd >= 0 && !g->lost) {
        (void)send_message(g, &m, -1);
    }
}

void guard_client_open(struct guard_client *g, const struct wn_clock *clock,
                       void (*tell_lost)(void *, const char *), void *ctx)
{
    *g = (struct guard_client){.fd = -1, .clock = clock, .tell_lost = tell_lost, .ctx = ctx};
    if (fcntl(GUARD_FD, F_GETFD) >= 0) {
        g->fd = GUARD_FD;
        (void)fcntl(GUARD_FD, F_SETFD, FD_CLOEXEC);
    }
}

/* As they stand on the port's descriptor; false when they do not fit. */
static bool put_bytes(const char *port, const void *data, size_t len, char *out, size_t size,
                      uint32_t *n)
{
    size_t used = 0;
    bool fits = wn_link_wire_bytes(port, data, len, out, size, &used, NULL) == WN_OK;
    *n = (uint32_t)used;
    return fits;
}

/* Off, the question whether it is, and the answer that says so, in frames. */
static bool describe_frames(const struct wn_dialect *d, const char *port, struct guard_message *m)
{
    uint8_t query[GUARD_QUERY_SIZE], expect[GUARD_EXPECT_SIZE];
    size_t at = 0, len = 0, query_len = 0, expect_len = 0;
    uint32_t n = 0;
    bool fits = wn_map_off_query(d, query, sizeof query, &query_len, expect, sizeof expect,
                                 &expect_len, NULL) == WN_OK;
    for (const char *off; fits && (off = wn_dialect_safe_off(d, &at, &len)) != NULL;) {
        fits = m->off_len + 1 < sizeof m->off && put_bytes(port, off, len, m->off + m->off_len + 1,
                                                           sizeof m->off - m->off_len - 1, &n);
        m->off[m->off_len] = (char)n;
        m->off_len += 1 + n;
    }
    m->gap_ms = (uint32_t)(wn_modbus_silence_ns(d->baud) / WN_NS_PER_MS) + GAP_MS;
    return fits && put_bytes(port, query, query_len, m->query, sizeof m->query, &m->query_len) &&
           put_bytes(port, expect, expect_len, m->expect, sizeof m->expect, &m->expect_len);
}

static bool describe_lines(const struct wn_dialect *d, const char *port, struct guard_message *m)
{
    char query[WN_TEMPLATE_SIZE + sizeof d->terminator] = "";
    char expect[GUARD_EXPECT_SIZE + 1];
    size_t expect_len = 0;
    if (d->output_query[0] != '\0') {
        (void)snprintf(query, sizeof query, "%s%s", d->output_query, d->terminator);
    }
    return wn_reply_wrap(d, d->output_off_reply, expect, sizeof expect, &expect_len, NULL) ==
               WN_OK &&
           put_bytes(port, d->safe_off, d->safe_off_len, m->off, sizeof m->off, &m->off_len) &&
           put_bytes(port, query, strlen(query), m->query, sizeof m->query, &m->query_len) &&
           put_bytes(port, expect, expect_len, m->expect, sizeof m->expect, &m->expect_len);
}

int guard_describe(const struct wn_dialect *d, const char *port, enum wn_interlock interlock,
                   struct guard_message *m, struct wn_error *err)
{
    bool framed = d->protocol == WN_PROTOCOL_MODBUS;
    size_t drop_len = 0;
    *m = (struct guard_message){.magic = GUARD_MAGIC, .type = GUARD_REGISTER, .slot = 0};
    bool listened = d->protocol == WN_PROTOCOL_RECORDS; /* it need not have a stop command */
    if ((d->safe_off_len == 0 && !listened) ||
        !(framed ? describe_frames(d, port, m) : describe_lines(d, port, m))) {
        return wn_error_set(err, WN_ERANGE,
                            "%s: safe_off or output query is too long for the guard", d->file);
    }
    m->interlock = interlock == WN_INTERLOCK_NONE  ? GUARD_LINE_NONE
                   : interlock == WN_INTERLOCK_RTS ? GUARD_LINE_RTS
                                                   : GUARD_LINE_DTR;
    if (m->interlock != GUARD_LINE_NONE) { /* bytes only where a serial server takes them */
        enum wn_line line = m->interlock == GUARD_LINE_RTS ? WN_LINE_RTS : WN_LINE_DTR;
        (void)wn_link_line_bytes(port, line, false, m->drop, sizeof m->drop, &drop_len, NULL);
        m->drop_len = (uint32_t)drop_len;
    }
    (void)snprintf(m->port, sizeof m->port, "%.127s", port);
    return WN_OK;
}
