/* A TCP serial server as a link: connecting, the end of a peer, reads and writes.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "serial/link_tcp.h"

#include <errno.h>
#include <linux/sockios.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include "port/address.h"
#include "port/clock.h"
#include "serial/rfc2217.h"
#include "serial/tcp_address.h"

enum {
    READY_LIMIT_MS = 3000, /* from opening to the last confirmation */
    REPLY_LIMIT_MS = 2000, /* for a confirmation later on */
    DEAD_LIMIT_MS = 3000,  /* for an acknowledgement of what was sent */
    IDLE_S = 1,            /* silence before the peer is probed, then between probes */
    ROUNDS_MAX = 1000      /* of reading at one go: a peer may send faster than we read */
};

struct tcp_link {
    struct wn_link link; /* first: a wn_link is one of these */
    int fd, lock;
    bool is_rfc2217, connected;
    wn_ns limit_ns; /* what is waited for has come by then */
    struct rfc2217 telnet;
    char path[256];
    char fault[300]; /* empty while it lives */
};

static struct tcp_link *of(const struct wn_link *l)
{
    return (struct tcp_link *)(void *)(uintptr_t)l;
}

static wn_ns now_ns(void)
{
    return wn_clock_monotonic(wn_clock_real());
}

static int gone(struct tcp_link *l, const char *why, struct wn_error *err)
{
    if (l->fault[0] == '\0') {
        (void)snprintf(l->fault, sizeof l->fault, "%s", why);
    }
    return wn_error_set(err, WN_EGONE, "%s: %s%s", l->path, l->fault,
                        !l->connected ? ""
                                      : "; the instrument goes on as it was told last, unless it "
                                        "has a time-out of its own");
}

static const char nobody_listens[] =
    "nobody listens there: is the serial server on, and is this its port?";

static int gone_by_errno(struct tcp_link *l, int errnum, struct wn_error *err)
{
    switch (errnum) {
    case ECONNREFUSED:
        return gone(l, nobody_listens, err);
    case ETIMEDOUT:
    case EHOSTUNREACH:
    case ENETUNREACH:
        return gone(l, "no answer from the serial server: look at its power and the network", err);
    case ECONNRESET:
    case EPIPE:
        return gone(l, "the serial server has broken off the connection", err);
    default:
        return gone(l, strerror(errnum), err);
    }
}

/* Sends what the negotiation has to say; what does not fit waits for the next call. */
static int push(struct tcp_link *l, struct wn_error *err)
{
    struct rfc2217 *t = &l->telnet;
    if (t->out_len > 0) {
        ssize_t n = send(l->fd, t->out, t->out_len, MSG_NOSIGNAL);
        if (n < 0 && errno != EAGAIN && errno != EINTR) {
            return gone_by_errno(l, errno, err);
        }
        if (n > 0) {
            t->out_len -= (size_t)n;
            memmove(t->out, t->out + n, t->out_len);
        }
    }
    if (t->fault[0] != '\0') {
        char why[220];
        (void)snprintf(why, sizeof why, "the serial server: %s", t->fault);
        return gone(l, why, err);
    }
    return WN_OK;
}

/* A question is about to be asked; one that still waits for its answer keeps its own limit. */
static void expect_reply(struct tcp_link *l)
{
    if (rfc2217_ready(&l->telnet) && rfc2217_waits_for(&l->telnet) == NULL) {
        l->limit_ns = now_ns() + REPLY_LIMIT_MS * WN_NS_PER_MS;
    }
}

/* A port of this computer where nobody listens can be connected to itself, by chance: an instrument
 * that echoes everything. */
static bool is_its_own_peer(int fd)
{
    struct sockaddr_in6 a, b;
    socklen_t a_len = sizeof a, b_len = sizeof b;
    memset(&a, 0, sizeof a);
    memset(&b, 0, sizeof b);
    return getsockname(fd, (struct sockaddr *)&a, &a_len) == 0 &&
           getpeername(fd, (struct sockaddr *)&b, &b_len) == 0 && a_len == b_len &&
           memcmp(&a, &b, a_len) == 0;
}

/* Has the connection come about? */
static int connect_further(struct tcp_link *l, struct wn_error *err)
{
    struct pollfd f = {l->fd, POLLOUT, 0};
    int errnum = 0;
    socklen_t len = sizeof errnum;
    if (l->connected || poll(&f, 1, 0) != 1) {
        return WN_OK;
    }
    if (getsockopt(l->fd, SOL_SOCKET, SO_ERROR, &errnum, &len) != 0) {
        errnum = errno;
    }
    if (errnum == 0 && is_its_own_peer(l->fd)) {
        errnum = ECONNREFUSED;
    }
    if (errnum != 0) {
        return gone_by_errno(l, errnum, err);
    }
    l->connected = true;
    if (l->is_rfc2217) {
        struct wn_port_settings want = l->telnet.want; /* with the lines that were set meanwhile */
        rfc2217_begin(&l->telnet, &want);
        return push(l, err);
    }
    return WN_OK;
}

static bool is_ready(const struct tcp_link *l)
{
    return l->connected && (!l->is_rfc2217 || rfc2217_ready(&l->telnet));
}

/* One read; *got of it is the instrument's, *any: there was something. */
static int receive(struct tcp_link *l, void *buf, size_t size, size_t *got, bool *any,
                   struct wn_error *err)
{
    *got = 0;
    ssize_t n = recv(l->fd, buf, size, 0);
    *any = n > 0;
    if (n == 0 && size > 0) {
        return gone(l,
                    "the serial server has closed the connection: it may be restarting, or take "
                    "only one at a time",
                    err);
    }
    if (n <= 0) {
        return size == 0 || errno == EAGAIN || errno == EINTR ? WN_OK
                                                              : gone_by_errno(l, errno, err);
    }
    *got = l->is_rfc2217 ? rfc2217_take(&l->telnet, buf, (size_t)n) : (size_t)n;
    return l->is_rfc2217 ? push(l, err) : WN_OK;
}

/* Is something overdue? */
static int check_limit(struct tcp_link *l, struct wn_error *err)
{
    char why[200];
    const char *what = l->connected && l->is_rfc2217 ? rfc2217_waits_for(&l->telnet) : NULL;
    if ((l->connected && what == NULL) || now_ns() <= l->limit_ns) {
        return WN_OK;
    }
    if (what == NULL) {
        return gone_by_errno(l, ETIMEDOUT, err);
    }
    (void)snprintf(why, sizeof why, "the serial server does not confirm %s", what);
    return gone(l, why, err);
}

static int link_advance(struct wn_link *link, bool *ready, struct wn_error *err)
{
    struct tcp_link *l = of(link);
    bool any = true;
    *ready = false;
    if (l->fault[0] != '\0') {
        return gone(l, l->fault, err);
    }
    int rc = connect_further(l, err);
    if (rc == WN_OK && l->connected && l->is_rfc2217) {
        rc = push(l, err);
    }
    for (int i = 0; i < ROUNDS_MAX && rc == WN_OK && any && l->connected && !is_ready(l); i++) {
        uint8_t buf[256];
        size_t dropped;
        rc = receive(l, buf, sizeof buf, &dropped, &any, err);
    }
    rc = rc == WN_OK ? check_limit(l, err) : rc;
    *ready = rc == WN_OK && is_ready(l);
    return rc;
}

static int link_fd(const struct wn_link *l)
{
    return of(l)->fd;
}

static int link_read(struct wn_link *link, void *buf, size_t size, size_t *got,
                     struct wn_error *err)
{
    struct tcp_link *l = of(link);
    bool ready, any = true;
    *got = 0;
    int rc = link_advance(link, &ready, err);
    /* nothing but telnet: look further */
    for (int i = 0; i < ROUNDS_MAX && rc == WN_OK && ready && any && *got == 0; i++) {
        rc = receive(l, buf, size, got, &any, err);
    }
    return *got > 0 ? WN_OK : rc; /* the instrument's last words first */
}

/* As much as the connection takes. A byte that was cut between its two halves counts as taken: the
 * other half is sent before anything else. */
static int send_escaped(struct tcp_link *l, const uint8_t *data, size_t len, size_t *put,
                        struct wn_error *err)
{
    struct rfc2217 *t = &l->telnet;
    uint8_t bytes[512];
    size_t used, n = rfc2217_escape(data, len, bytes, sizeof bytes, &used);
    ssize_t sent = t->out_len > 0 ? 0 : send(l->fd, bytes, n, MSG_NOSIGNAL);
    if (sent < 0) {
        return errno == EAGAIN || errno == EINTR ? WN_OK : gone_by_errno(l, errno, err);
    }
    size_t at = 0;
    while (at < (size_t)sent) {
        at += data[*put] == 0xff ? 2 : 1;
        (*put)++;
    }
    if (at > (size_t)sent) {
        t->out[t->out_len++] = 0xff;
    }
    return WN_OK;
}

static int link_write(struct wn_link *link, const void *data, size_t len, size_t *put,
                      struct wn_error *err)
{
    struct tcp_link *l = of(link);
    bool ready;
    *put = 0;
    int rc = link_advance(link, &ready, err);
    if (rc != WN_OK || !ready || len == 0) {
        return rc;
    }
    if (l->is_rfc2217) {
        return send_escaped(l, data, len, put, err);
    }
    ssize_t n = send(l->fd, data, len, MSG_NOSIGNAL);
    if (n >= 0) {
        *put = (size_t)n;
        return WN_OK;
    }
    return errno == EAGAIN || errno == EINTR ? WN_OK : gone_by_errno(l, errno, err);
}

/* What the kernel has taken cannot be taken back, so "output that has not left" is only what the
 * server still holds, where it can be told. */
static void link_flush(struct wn_link *link)
{
    struct tcp_link *l = of(link);
    uint8_t buf[1024];
    bool ready, any = true;
    size_t got;
    if (link_advance(link, &ready, NULL) != WN_OK || !ready) {
        return;
    }
    for (int i = 0; any && i < ROUNDS_MAX; i++) {
        if (receive(l, buf, sizeof buf, &got, &any, NULL) != WN_OK) {
            return;
        }
    }
    if (l->is_rfc2217) {
        expect_reply(l);
        rfc2217_purge(&l->telnet);
        (void)push(l, NULL);
    }
}

static int no_modem_lines(const char *path, struct wn_error *err)
{
    return wn_error_set(err, WN_ESTATE,
                        "%s has no modem lines: an interlock needs a real port, or a server that "
                        "speaks RFC 2217 (rfc2217://)",
                        path);
}

static int link_set_line(struct wn_link *link, enum wn_line line, bool on, struct wn_error *err)
{
    struct tcp_link *l = of(link);
    bool ready;
    int rc = link_advance(link, &ready, err);
    if (rc != WN_OK) {
        return rc;
    }
    if (!l->is_rfc2217) {
        return no_modem_lines(l->path, err);
    }
    expect_reply(l);
    rfc2217_set_line(&l->telnet, line, on);
    return l->connected ? push(l, err) : WN_OK;
}

/* What the peer has not acknowledged must not arrive some time later, behind what the next
 * connection says: then the connection is torn, not closed. The lines fall as those of a device do
 * (drop_on_close); a torn connection leaves that to the server. */
static void link_close(struct wn_link *link)
{
    struct tcp_link *l = of(link);
    int unsent = 0;
    bool sure =
        l->fault[0] == '\0' && l->connected && ioctl(l->fd, SIOCOUTQ, &unsent) == 0 && unsent == 0;
    if (!sure) {
        const struct linger tear = {.l_onoff = 1, .l_linger = 0};
        (void)setsockopt(l->fd, SOL_SOCKET, SO_LINGER, &tear, sizeof tear);
    } else if (l->is_rfc2217 && rfc2217_ready(&l->telnet) && l->telnet.want.drop_on_close) {
        uint8_t bytes[2 * RFC2217_LINE_SIZE];
        size_t n = rfc2217_line_bytes(WN_LINE_DTR, false, bytes);
        n += rfc2217_line_bytes(WN_LINE_RTS, false, bytes + n);
        (void)send(l->fd, bytes, n, MSG_NOSIGNAL);
    }
    (void)close(l->fd);
    (void)close(l->lock);
    free(l);
}

static const struct wn_link_ops ops = {.fd = link_fd,
                                       .read = link_read,
                                       .write = link_write,
                                       .flush = link_flush,
                                       .set_line = link_set_line,
                                       .advance = link_advance,
                                       .close = link_close};

static int no_network(const char *path, int errnum, struct wn_error *err)
{
    bool forbidden =
        errnum == EACCES || errnum == EPERM || errnum == EAFNOSUPPORT || errnum == ENETUNREACH;
    return wn_error_set(err, forbidden ? WN_EACCESS : WN_EIO,
                        "%s cannot be reached from here (%s)%s", path, strerror(errnum),
                        forbidden ? ": the service has no network unless its unit is told to allow "
                                    "it; see the comment in waned.service"
                                  : "");
}

/* Small packets at once, and a dead peer noticed both while something is under way (user timeout)
 * and while nothing is (probes). */
static bool prepare(int fd)
{
    const int on = 1, idle_s = IDLE_S, probes = 3;
    const unsigned dead_ms = DEAD_LIMIT_MS;
    return setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on) == 0 &&
           setsockopt(fd, SOL_SOCKET, SO_KEEPALIVE, &on, sizeof on) == 0 &&
           setsockopt(fd, IPPROTO_TCP, TCP_KEEPIDLE, &idle_s, sizeof idle_s) == 0 &&
           setsockopt(fd, IPPROTO_TCP, TCP_KEEPINTVL, &idle_s, sizeof idle_s) == 0 &&
           setsockopt(fd, IPPROTO_TCP, TCP_KEEPCNT, &probes, sizeof probes) == 0 &&
           setsockopt(fd, IPPROTO_TCP, TCP_USER_TIMEOUT, &dead_ms, sizeof dead_ms) == 0;
}

static int begin_to_connect(int *fd, const struct tcp_address *a, const char *path,
                            struct wn_error *err)
{
    *fd = socket(a->any.sa_family, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (*fd < 0 || !prepare(*fd)) {
        return no_network(path, errno, err);
    }
    if (connect(*fd, &a->any, a->len) == 0 || errno == EINPROGRESS) {
        return WN_OK;
    }
    if (errno == ECONNREFUSED) {
        return wn_error_set(err, WN_ENOENT, "%s: %s", path, nobody_listens);
    }
    return no_network(path, errno, err);
}

int link_tcp_open(struct wn_link **out, const struct wn_port_settings *s, struct wn_error *err)
{
    struct tcp_address a;
    int lock = -1, fd = -1;
    bool rfc2217 = wn_address_kind(s->path) == WN_ADDRESS_RFC2217;
    if (!rfc2217 && (s->dtr != WN_LINE_LEAVE || s->rts != WN_LINE_LEAVE)) {
        return no_modem_lines(s->path, err);
    }
    int rc = tcp_address_read(&a, s->path, err);
    if (rc == WN_OK) {
        rc = tcp_address_lock(&a, s->path, &lock, err);
    }
    if (rc == WN_OK) {
        rc = begin_to_connect(&fd, &a, s->path, err);
    }
    struct tcp_link *l = rc == WN_OK ? calloc(1, sizeof *l) : NULL;
    if (l != NULL) {
        l->link.ops = &ops;
        l->fd = fd;
        l->lock = lock;
        l->is_rfc2217 = rfc2217;
        l->limit_ns = now_ns() + READY_LIMIT_MS * WN_NS_PER_MS;
        l->telnet.want = *s;
        l->telnet.want.path = NULL;
        (void)snprintf(l->path, sizeof l->path, "%s", s->path);
        *out = &l->link;
        return WN_OK;
    }
    if (fd >= 0) {
        (void)close(fd);
    }
    if (lock >= 0) {
        (void)close(lock);
    }
    return rc != WN_OK ? rc : wn_error_set(err, WN_ENOMEM, "%s: out of memory", s->path);
}
