/* A link to a shared port: packets to and from the process that has it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "serial/link_socket.h"

#include <errno.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "port/process.h"

struct socket_link {
    struct wn_link link; /* first: a wn_link is one of these */
    int fd;
    char port[256];
    bool gone;
    char answer[4096]; /* one packet, read out in pieces */
    size_t len, pos;
};

static struct socket_link *of(const struct wn_link *l)
{
    return (struct socket_link *)(void *)(uintptr_t)l;
}

static int link_fd(const struct wn_link *l)
{
    return of(l)->fd;
}

static int gone(struct socket_link *l, const char *how, struct wn_error *err)
{
    l->gone = true;
    return wn_error_set(err, WN_EGONE,
                        "%s is gone (%s): it is shared, and the process that has it has ended or "
                        "lost it; it is asked again by itself",
                        l->port, how);
}

static int link_read(struct wn_link *link, void *buf, size_t size, size_t *got,
                     struct wn_error *err)
{
    struct socket_link *l = of(link);
    *got = 0;
    if (l->gone) {
        return gone(l, "earlier", err);
    }
    if (l->pos == l->len) {
        ssize_t n = recv(l->fd, l->answer, sizeof l->answer, MSG_DONTWAIT);
        if (n < 0 && (errno == EAGAIN || errno == EINTR)) {
            return WN_OK;
        }
        if (n <= 0) {
            return gone(l, n == 0 ? "hung up" : strerror(errno), err);
        }
        l->len = (size_t)n;
        l->pos = 0;
    }
    *got = l->len - l->pos < size ? l->len - l->pos : size;
    memcpy(buf, l->answer + l->pos, *got);
    l->pos += *got;
    return WN_OK;
}

/* All of it is one packet: what belongs together is never parted. */
static int link_write(struct wn_link *link, const void *data, size_t len, size_t *put,
                      struct wn_error *err)
{
    struct socket_link *l = of(link);
    *put = 0;
    if (l->gone) {
        return gone(l, "earlier", err);
    }
    ssize_t n = len > 0 ? send(l->fd, data, len, MSG_DONTWAIT | MSG_NOSIGNAL) : 0;
    if (n >= 0) {
        *put = (size_t)n;
        return WN_OK;
    }
    bool later = errno == EAGAIN || errno == EINTR || errno == ENOBUFS;
    return later ? WN_OK : gone(l, strerror(errno), err);
}

/* What has been asked is asked: only answers can be thrown away. */
static void link_flush(struct wn_link *link)
{
    struct socket_link *l = of(link);
    l->pos = l->len = 0;
    for (int i = 0; i < 64 && recv(l->fd, l->answer, sizeof l->answer, MSG_DONTWAIT) > 0; i++) {
    }
}

static int link_set_line(struct wn_link *link, enum wn_line line, bool on, struct wn_error *err)
{
    (void)line;
    (void)on;
    return wn_error_set(err, WN_ESTATE,
                        "%s is shared: its modem lines are no interlock of one station",
                        of(link)->port);
}

static void link_close(struct wn_link *link)
{
    (void)close(of(link)->fd);
    free(of(link));
}

static int connect_to(const struct wn_port_settings *s, int *out, struct wn_error *err)
{
    struct sockaddr_un to = {.sun_family = AF_UNIX};
    if (strlen(s->share) >= sizeof to.sun_path) {
        return wn_error_set(err, WN_EINVAL, "%s: too long for a socket", s->share);
    }
    memcpy(to.sun_path, s->share, strlen(s->share) + 1);
    int fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd >= 0 && connect(fd, (const struct sockaddr *)&to, sizeof to) == 0 &&
        wn_peer_is_ours(fd)) { /* nobody else may stand between a station and its instrument */
        *out = fd;
        return WN_OK;
    }
    int reason = errno;
    bool connected = fd >= 0 && reason == 0;
    if (fd >= 0) {
        (void)close(fd);
    }
    bool denied = connected || reason == EACCES || reason == EPERM;
    return wn_error_set(err, denied ? WN_EACCESS : WN_ENOENT, "port %s is shared, and %s (%s, %s)",
                        s->path,
                        denied ? "its share belongs to another user" : "its share is not there yet",
                        s->share, connected ? "not ours" : strerror(reason));
}

int link_socket_open(struct wn_link **out, const struct wn_port_settings *s, struct wn_error *err)
{
    static const struct wn_link_ops ops = {.fd = link_fd,
                                           .read = link_read,
                                           .write = link_write,
                                           .flush = link_flush,
                                           .set_line = link_set_line,
                                           .close = link_close};
    int fd = -1;
    if (s->dtr != WN_LINE_LEAVE || s->rts != WN_LINE_LEAVE) {
        return wn_error_set(err, WN_ESTATE,
                            "%s is shared: its modem lines are no interlock of one station",
                            s->path);
    }
    errno = 0;
    int rc = connect_to(s, &fd, err);
    if (rc != WN_OK) {
        return rc;
    }
    struct socket_link *l = calloc(1, sizeof *l);
    if (l == NULL) {
        (void)close(fd);
        return wn_error_set(err, WN_ENOMEM, "%s: out of memory", s->path);
    }
    l->link.ops = &ops;
    l->fd = fd;
    (void)snprintf(l->port, sizeof l->port, "%s", s->path);
    *out = &l->link;
    return WN_OK;
}
