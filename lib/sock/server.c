/* Control socket, server side: non-blocking, bounded, the instrument always comes first.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "sock/control.h"

#include <errno.h>
#include <fcntl.h>
#include <grp.h>
#include <pwd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#define IDLE_NS (60 * WN_NS_PER_S)

enum { GROUPS_MAX = 256 };

struct client {
    int fd; /* -1: free */
    struct wn_peer peer;
    char in[WN_CONTROL_LINE_MAX];
    size_t in_len;
    char *out; /* malloc'ed, what is still to be sent */
    size_t out_len, out_pos;
    wn_ns last_ns;
};

struct wn_control_server {
    int fd, lock_fd;
    char path[108];
    gid_t group;
    bool has_group;
    wn_control_handler handler;
    void *ctx;
    struct client client[WN_CONTROL_CLIENTS_MAX];
};

static int take_lock(struct wn_control_server *s, struct wn_error *err)
{
    char lock[sizeof s->path + 8];
    (void)snprintf(lock, sizeof lock, "%s.lock", s->path);
    s->lock_fd = open(lock, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (s->lock_fd < 0) {
        return wn_error_set(err, errno == ENOENT ? WN_ENOENT : WN_EACCESS,
                            "%s: %s: does the directory exist, and may the service write there?",
                            lock, strerror(errno));
    }
    if (flock(s->lock_fd, LOCK_EX | LOCK_NB) != 0) {
        return wn_error_set(err, WN_EBUSY, "%s is held: another service already runs this station",
                            lock);
    }
    return WN_OK;
}

/* The lock's holder alone may remove a stale socket. The mode comes from the umask at bind. */
static int bind_socket(struct wn_control_server *s, struct wn_error *err)
{
    struct sockaddr_un a = {.sun_family = AF_UNIX};
    struct stat st;
    if (lstat(s->path, &st) == 0 && !S_ISSOCK(st.st_mode)) {
        return wn_error_set(err, WN_EEXIST,
                            "%s is there already and is no socket: is run_dir right?", s->path);
    }
    memcpy(a.sun_path, s->path, strlen(s->path));
    s->fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    (void)unlink(s->path);
    mode_t old = umask(0117);
    bool bound = s->fd >= 0 && bind(s->fd, (const struct sockaddr *)&a, sizeof a) == 0;
    int errnum = errno;
    (void)umask(old);
    if (!bound || listen(s->fd, 8) != 0) {
        return wn_error_set(err, WN_EACCESS, "%s: %s", s->path, strerror(errnum));
    }
    if (s->has_group && chown(s->path, (uid_t)-1, s->group) != 0) {
        return wn_error_set(err, WN_EACCESS, "%s cannot be given to the command group: %s", s->path,
                            strerror(errno));
    }
    return WN_OK;
}

int wn_control_listen(struct wn_control_server **out, const char *path, const char *command_group,
                      wn_control_handler handler, void *ctx, struct wn_error *err)
{
    struct wn_control_server *s = calloc(1, sizeof *s);
    int rc = WN_OK;
    if (s == NULL) {
        return wn_error_set(err, WN_ENOMEM, "no memory for the control socket");
    }
    s->fd = s->lock_fd = -1;
    s->handler = handler;
    s->ctx = ctx;
    for (int i = 0; i < WN_CONTROL_CLIENTS_MAX; i++) {
        s->client[i].fd = -1;
    }
    if (strlen(path) >= sizeof s->path - 8) {
        rc = wn_error_set(err, WN_ERANGE, "%s is too long for a socket: choose a shorter run_dir",
                          path);
        goto fail;
    }
    (void)snprintf(s->path, sizeof s->path, "%s", path);
    if (command_group != NULL && command_group[0] != '\0') {
        struct group *g = getgrnam(command_group);
        if (g == NULL) {
            rc = wn_error_set(err, WN_EUNKNOWN,
                              "command_group '%s' is no group of this computer: addgroup %s",
                              command_group, command_group);
            goto fail;
        }
        s->group = g->gr_gid;
        s->has_group = true;
    }
    rc = take_lock(s, err);
    rc = rc == WN_OK ? bind_socket(s, err) : rc;
    if (rc == WN_OK) {
        *out = s;
        return WN_OK;
    }
fail:
    wn_control_close(s);
    return rc;
}

static void drop(struct client *c)
{
    if (c->fd >= 0) {
        (void)close(c->fd);
    }
    free(c->out);
    memset(c, 0, sizeof *c);
    c->fd = -1;
}

void wn_control_close(struct wn_control_server *s)
{
    if (s == NULL) {
        return;
    }
    for (int i = 0; i < WN_CONTROL_CLIENTS_MAX; i++) {
        drop(&s->client[i]);
    }
    if (s->fd >= 0) {
        (void)unlink(s->path);
        (void)close(s->fd);
    }
    if (s->lock_fd >= 0) {
        (void)close(s->lock_fd);
    }
    free(s);
}

int wn_control_poll_fds(struct wn_control_server *s, struct pollfd *fds, int max)
{
    int n = 0;
    if (n < max) {
        fds[n++] = (struct pollfd){s->fd, POLLIN, 0};
    }
    for (int i = 0; i < WN_CONTROL_CLIENTS_MAX && n < max; i++) {
        const struct client *c = &s->client[i];
        if (c->fd >= 0) {
            fds[n++] =
                (struct pollfd){c->fd, c->out_pos < c->out_len ? POLLIN | POLLOUT : POLLIN, 0};
        }
    }
    return n;
}

static bool in_group(const struct wn_control_server *s, int fd, gid_t primary)
{
    gid_t groups[GROUPS_MAX];
    socklen_t len = sizeof groups;
    if (!s->has_group) {
        return false;
    }
    if (primary == s->group) {
        return true;
    }
    if (getsockopt(fd, SOL_SOCKET, SO_PEERGROUPS, groups, &len) != 0) {
        return false;
    }
    for (size_t i = 0; i < len / sizeof groups[0]; i++) {
        if (groups[i] == s->group) {
            return true;
        }
    }
    return false;
}

static bool know_peer(const struct wn_control_server *s, int fd, struct wn_peer *p)
{
    struct ucred u;
    socklen_t len = sizeof u;
    if (getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &u, &len) != 0) {
        return false;
    }
    const struct passwd *pw = getpwuid(u.uid);
    p->uid = u.uid;
    p->pid = u.pid;
    (void)snprintf(p->who, sizeof p->who, "%.40s (uid %u)", pw != NULL ? pw->pw_name : "unknown",
                   (unsigned)u.uid);
    p->may_command = u.uid == 0 || u.uid == geteuid() || in_group(s, fd, u.gid);
    return true;
}

static void accept_one(struct wn_control_server *s, wn_ns now)
{
    int fd = accept4(s->fd, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
    struct client *c = NULL;
    for (int i = 0; i < WN_CONTROL_CLIENTS_MAX && c == NULL; i++) {
        c = s->client[i].fd < 0 ? &s->client[i] : NULL;
    }
    if (fd < 0) {
        return;
    }
    if (c == NULL || !know_peer(s, fd, &c->peer)) {
        (void)close(fd);
        return;
    }
    c->fd = fd;
    c->last_ns = now;
}

static void send_some(struct client *c)
{
    ssize_t n =
        send(c->fd, c->out + c->out_pos, c->out_len - c->out_pos, MSG_NOSIGNAL | MSG_DONTWAIT);
    if (n < 0 && errno != EAGAIN && errno != EINTR) {
        drop(c);
        return;
    }
    c->out_pos += n > 0 ? (size_t)n : 0;
    if (c->out_pos == c->out_len) {
        free(c->out);
        c->out = NULL;
        c->out_len = c->out_pos = 0;
    }
}

static void reply(struct client *c, json_t *o)
{
    char *text = json_dumps(o, JSON_COMPACT | JSON_REAL_PRECISION(10));
    json_decref(o);
    size_t len = text != NULL ? strlen(text) : 0;
    size_t left = c->out_len - c->out_pos;
    char *all =
        text != NULL && left + len + 1 <= WN_CONTROL_BACKLOG_BYTES ? malloc(left + len + 1) : NULL;
    if (all == NULL) { /* does not read what it asks for */
        free(text);
        drop(c);
        return;
    }
    if (left > 0) {
        memcpy(all, c->out + c->out_pos, left);
    }
    memcpy(all + left, text, len);
    all[left + len] = '\n';
    free(text);
    free(c->out);
    c->out = all;
    c->out_len = left + len + 1;
    c->out_pos = 0;
    send_some(c);
}

static void handle_line(struct wn_control_server *s, struct client *c, const char *line, size_t len)
{
    json_error_t e;
    json_t *request = json_loadb(line, len, JSON_REJECT_DUPLICATES, &e);
    if (!json_is_object(request)) {
        reply(c,
              json_pack("{s:b,s:s}", "ok", 0, "error", "a request is one JSON object on one line"));
    } else {
        reply(c, s->handler(s->ctx, request, &c->peer));
    }
    json_decref(request);
}

static void receive(struct wn_control_server *s, struct client *c, wn_ns now)
{
    ssize_t n = recv(c->fd, c->in + c->in_len, sizeof c->in - c->in_len, MSG_DONTWAIT);
    if (n == 0 || (n < 0 && errno != EAGAIN && errno != EINTR)) {
        drop(c);
        return;
    }
    c->in_len += n > 0 ? (size_t)n : 0;
    c->last_ns = now;
    for (char *end; c->fd >= 0 && (end = memchr(c->in, '\n', c->in_len)) != NULL;) {
        size_t len = (size_t)(end - c->in);
        char line[WN_CONTROL_LINE_MAX];
        memcpy(line, c->in, len);
        c->in_len -= len + 1;
        memmove(c->in, end + 1, c->in_len);
        handle_line(s, c, line, len);
    }
    if (c->fd >= 0 && c->in_len == sizeof c->in) {
        reply(c, json_pack("{s:b,s:s}", "ok", 0, "error", "request is too long"));
        drop(c);
    }
}

void wn_control_serve(struct wn_control_server *s, const struct pollfd *fds, int n, wn_ns now_ns)
{
    for (int k = 0; k < n; k++) {
        if (fds[k].revents == 0) {
            continue;
        }
        if (fds[k].fd == s->fd) {
            accept_one(s, now_ns);
            continue;
        }
        for (int i = 0; i < WN_CONTROL_CLIENTS_MAX; i++) {
            struct client *c = &s->client[i];
            if (c->fd != fds[k].fd) {
                continue;
            }
            if (fds[k].revents & POLLOUT) {
                send_some(c);
            }
            if (c->fd >= 0 && (fds[k].revents & (POLLIN | POLLHUP | POLLERR))) {
                receive(s, c, now_ns);
            }
            break;
        }
    }
    for (int i = 0; i < WN_CONTROL_CLIENTS_MAX; i++) {
        if (s->client[i].fd >= 0 && now_ns - s->client[i].last_ns > IDLE_NS) {
            drop(&s->client[i]);
        }
    }
}
