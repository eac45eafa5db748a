/* Control socket, server side: non-blocking, bounded, the instrument always comes first.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "sock/control.h"

#include <endian.h>
#include <errno.h>
#include <fcntl.h>
#include <grp.h>
#include <pwd.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/xattr.h>
#include <unistd.h>

/* For a whole request: who sends a byte now and then is as idle as who sends none. */
#define IDLE_NS (60 * WN_NS_PER_S)

enum { BACKLOG = 32, GROUPS_FIRST = 64, GROUPS_MOST = 65536 /* NGROUPS_MAX of Linux */ };

struct client {
    int fd; /* -1: free */
    struct wn_peer peer;
    char in[WN_CONTROL_LINE_MAX];
    size_t in_len;
    char *out; /* malloc'ed, what is still to be sent */
    size_t out_len, out_pos;
    wn_ns last_ns; /* connected, or the last whole request */
};

/* Of a group named in the configuration. */
struct group_right {
    gid_t gid;
    bool given;
};

struct wn_control_server {
    int fd, lock_fd;
    char path[108];
    struct group_right look, command;
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

/* An access list in the form the kernel keeps (linux/posix_acl_xattr.h). The owner of a file may
 * set one for any group; giving the file to a group would need membership in it. */
struct acl {
    uint32_t version;
    struct {
        uint16_t tag, perm;
        uint32_t id;
    } entry[6];
};

enum { ACL_VERSION = 2, ACL_RW = 6, ACL_NONE = 0, ACL_ENTRY = 8 };
enum { ACL_OWNER = 0x01, ACL_OWN_GROUP = 0x04, ACL_GROUP = 0x08, ACL_MASK = 0x10, ACL_REST = 0x20 };

static void acl_add(struct acl *a, size_t *n, unsigned tag, unsigned perm, uint32_t id)
{
    a->entry[*n].tag = htole16((uint16_t)tag);
    a->entry[*n].perm = htole16((uint16_t)perm);
    a->entry[*n].id = htole32(id);
    (*n)++;
}

/* Both groups may connect, and nobody else: who does what is told by their credentials then. */
static bool set_acl(const struct wn_control_server *s, gid_t first, gid_t second)
{
    struct acl a = {.version = htole32(ACL_VERSION)};
    size_t n = 0;
    gid_t low = first < second ? first : second, high = first < second ? second : first;
    acl_add(&a, &n, ACL_OWNER, ACL_RW, UINT32_MAX);
    acl_add(&a, &n, ACL_OWN_GROUP, ACL_NONE, UINT32_MAX);
    acl_add(&a, &n, ACL_GROUP, ACL_RW, low); /* the kernel wants them sorted and single */
    if (high != low) {
        acl_add(&a, &n, ACL_GROUP, ACL_RW, high);
    }
    acl_add(&a, &n, ACL_MASK, ACL_RW, UINT32_MAX);
    acl_add(&a, &n, ACL_REST, ACL_NONE, UINT32_MAX);
    return setxattr(s->path, "system.posix_acl_access", &a, sizeof a.version + n * ACL_ENTRY, 0) ==
           0;
}

/* The kernel keeps strangers out: they cannot take up a place among the clients. */
static int open_to_groups(const struct wn_control_server *s, struct wn_error *err)
{
    if (!s->look.given && !s->command.given) {
        return WN_OK; /* owner, and the group of the service */
    }
    gid_t first = s->look.given ? s->look.gid : s->command.gid;
    gid_t second = s->command.given ? s->command.gid : first;
    if (first == second && chown(s->path, (uid_t)-1, first) == 0) {
        return WN_OK;
    }
    if (set_acl(s, first, second)) {
        return WN_OK;
    }
    return wn_error_set(err, WN_EACCESS,
                        "%s cannot be opened to look_group and command_group (%s): put run_dir on "
                        "a file system with access lists, such as /run, or make the service a "
                        "member of one group and name it for both",
                        s->path, strerror(errno));
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
    if (!bound) {
        return wn_error_set(err, WN_EACCESS, "%s: %s", s->path, strerror(errnum));
    }
    int rc = open_to_groups(s, err); /* before anybody is let in */
    if (rc == WN_OK && listen(s->fd, BACKLOG) != 0) {
        rc = wn_error_set(err, WN_EACCESS, "%s: %s", s->path, strerror(errno));
    }
    return rc;
}

static int find_group(const char *key, const char *name, struct group_right *out,
                      struct wn_error *err)
{
    if (name == NULL || name[0] == '\0') {
        return WN_OK;
    }
    const struct group *g = getgrnam(name);
    if (g == NULL) {
        return wn_error_set(err, WN_EUNKNOWN, "%s '%s' is no group of this computer: addgroup %s",
                            key, name, name);
    }
    *out = (struct group_right){g->gr_gid, true};
    return WN_OK;
}

int wn_control_listen(struct wn_control_server **out, const char *path,
                      const struct wn_control_groups *groups, wn_control_handler handler, void *ctx,
                      struct wn_error *err)
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
    rc = groups == NULL ? WN_OK : find_group("look_group", groups->look, &s->look, err);
    if (rc == WN_OK && groups != NULL) {
        rc = find_group("command_group", groups->command, &s->command, err);
    }
    rc = rc == WN_OK ? take_lock(s, err) : rc;
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

static bool has_line(const struct client *c)
{
    return memchr(c->in, '\n', c->in_len) != NULL;
}

int wn_control_poll_fds(struct wn_control_server *s, struct pollfd *fds, int max)
{
    int n = 0;
    if (n < max) {
        fds[n++] = (struct pollfd){s->fd, POLLIN, 0};
    }
    for (int i = 0; i < WN_CONTROL_CLIENTS_MAX && n < max; i++) {
        const struct client *c = &s->client[i];
        if (c->fd >= 0) { /* room to write wakes the loop at once when a request is waiting */
            bool busy = c->out_pos < c->out_len || has_line(c);
            fds[n++] = (struct pollfd){c->fd, busy ? POLLIN | POLLOUT : POLLIN, 0};
        }
    }
    return n;
}

/* The supplementary groups a client had when it connected; malloc'ed, NULL when they are not told.
 */
static gid_t *groups_of(int fd, size_t *n)
{
    socklen_t len = GROUPS_FIRST * sizeof(gid_t);
    gid_t *groups = malloc(len);
    if (groups != NULL && getsockopt(fd, SOL_SOCKET, SO_PEERGROUPS, groups, &len) != 0) {
        free(groups); /* ERANGE: len is what is needed */
        groups = errno == ERANGE && len <= GROUPS_MOST * sizeof(gid_t) ? malloc(len) : NULL;
        if (groups != NULL && getsockopt(fd, SOL_SOCKET, SO_PEERGROUPS, groups, &len) != 0) {
            free(groups);
            groups = NULL;
        }
    }
    *n = groups != NULL ? len / sizeof *groups : 0;
    return groups;
}

static bool in_group(const struct group_right *g, gid_t primary, const gid_t *groups, size_t n)
{
    bool in = g->given && primary == g->gid;
    for (size_t i = 0; g->given && !in && i < n; i++) {
        in = groups[i] == g->gid;
    }
    return in;
}

/* Only the file: a directory service that does not answer would hold up the instrument. */
static void name_user(uid_t uid, char *name, size_t size)
{
    FILE *f = fopen("/etc/passwd", "re");
    struct passwd pw, *found = NULL;
    char buf[1024];
    (void)snprintf(name, size, "unknown");
    while (f != NULL && fgetpwent_r(f, &pw, buf, sizeof buf, &found) == 0) {
        if (pw.pw_uid == uid) {
            (void)snprintf(name, size, "%s", pw.pw_name);
            break;
        }
    }
    if (f != NULL) {
        (void)fclose(f);
    }
}

static bool know_peer(const struct wn_control_server *s, int fd, struct wn_peer *p)
{
    struct ucred u;
    socklen_t len = sizeof u;
    char name[41];
    if (getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &u, &len) != 0) {
        return false;
    }
    size_t n = 0;
    gid_t *groups = groups_of(fd, &n);
    bool owner = u.uid == 0 || u.uid == geteuid();
    name_user(u.uid, name, sizeof name);
    p->uid = u.uid;
    p->pid = u.pid;
    (void)snprintf(p->who, sizeof p->who, "%s (uid %u)", name, (unsigned)u.uid);
    p->may_command = owner || in_group(&s->command, u.gid, groups, n);
    p->may_look = p->may_command || !s->look.given || in_group(&s->look, u.gid, groups, n);
    free(groups);
    return true;
}

/* A free place, or that of the client which has asked for nothing longest: whoever fills all places
 * keeps nobody from saying stop. */
static struct client *find_place(struct wn_control_server *s)
{
    struct client *oldest = &s->client[0];
    for (int i = 0; i < WN_CONTROL_CLIENTS_MAX; i++) {
        struct client *c = &s->client[i];
        if (c->fd < 0) {
            return c;
        }
        if (c->last_ns < oldest->last_ns) {
            oldest = c;
        }
    }
    drop(oldest);
    return oldest;
}

static void accept_one(struct wn_control_server *s, wn_ns now)
{
    int fd = accept4(s->fd, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
    struct wn_peer peer = {0};
    if (fd < 0) {
        return;
    }
    if (!know_peer(s, fd, &peer)) {
        (void)close(fd);
        return;
    }
    struct client *c = find_place(s);
    c->peer = peer;
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

static void receive(struct client *c)
{
    ssize_t n = recv(c->fd, c->in + c->in_len, sizeof c->in - c->in_len, MSG_DONTWAIT);
    if (n == 0 || (n < 0 && errno != EAGAIN && errno != EINTR)) {
        drop(c);
        return;
    }
    c->in_len += n > 0 ? (size_t)n : 0;
}

/* At most one request of each client in a turn: between them the instrument has its turn. */
static void take_line(struct wn_control_server *s, struct client *c, wn_ns now)
{
    char line[WN_CONTROL_LINE_MAX];
    const char *end = memchr(c->in, '\n', c->in_len);
    if (end != NULL) {
        size_t len = (size_t)(end - c->in);
        memcpy(line, c->in, len);
        c->in_len -= len + 1;
        memmove(c->in, end + 1, c->in_len);
        c->last_ns = now;
        handle_line(s, c, line, len);
    } else if (c->in_len == sizeof c->in) {
        reply(c, json_pack("{s:b,s:s}", "ok", 0, "error", "request is too long"));
        drop(c);
    }
}

static void serve_client(struct wn_control_server *s, struct client *c, short revents, wn_ns now)
{
    if (c->out_pos < c->out_len && (revents & POLLOUT)) {
        send_some(c);
    }
    bool full = c->in_len == sizeof c->in;
    if (c->fd >= 0 && !full && (revents & (POLLIN | POLLHUP | POLLERR))) {
        receive(c);
    }
    if (c->fd >= 0) {
        take_line(s, c, now);
    }
}

void wn_control_serve(struct wn_control_server *s, const struct pollfd *fds, int n, wn_ns now_ns)
{
    bool knock = false;
    for (int k = 0; k < n; k++) {
        if (fds[k].revents == 0) {
            continue;
        }
        knock = knock || fds[k].fd == s->fd;
        for (int i = 0; i < WN_CONTROL_CLIENTS_MAX; i++) {
            if (s->client[i].fd >= 0 && s->client[i].fd == fds[k].fd) {
                serve_client(s, &s->client[i], fds[k].revents, now_ns);
                break;
            }
        }
    }
    for (int i = 0; i < WN_CONTROL_CLIENTS_MAX; i++) {
        if (s->client[i].fd >= 0 && now_ns - s->client[i].last_ns > IDLE_NS) {
            drop(&s->client[i]);
        }
    }
    if (knock) { /* last: who has already asked is not let go for somebody new */
        accept_one(s, now_ns);
    }
}
