/* Those who ask: their sockets.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE /* accept4 */
#include "share.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include "port/process.h"

enum { BACKLOG = 4, PACKETS_A_TURN = 16 };

static void path_of(const struct share *s, int channel, char *path, size_t size)
{
    wn_config_share_socket(s->daemon, s->config.user[channel].instrument, path, size);
}

/* Only this user may connect: whoever can write here can switch on. */
static int listen_at(const char *path)
{
    struct sockaddr_un at = {.sun_family = AF_UNIX};
    if (strlen(path) >= sizeof at.sun_path) {
        errno = ENAMETOOLONG;
        return -1;
    }
    memcpy(at.sun_path, path, strlen(path) + 1);
    int fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0) {
        return -1;
    }
    (void)unlink(path); /* of one that died; the port's lock says that it is none that lives */
    mode_t mask = umask(0177);
    int rc = bind(fd, (const struct sockaddr *)&at, sizeof at);
    (void)umask(mask);
    if (rc != 0 || listen(fd, BACKLOG) != 0) {
        (void)close(fd);
        return -1;
    }
    return fd;
}

int share_listen(struct share *s, struct wn_error *err)
{
    for (int k = 0; k < s->config.users; k++) {
        char path[2 * WN_PATH_SIZE];
        path_of(s, k, path, sizeof path);
        s->listener[k] = listen_at(path);
        if (s->listener[k] < 0) {
            return wn_error_set(err, WN_EIO, "%s cannot be made (%s): look at the directory", path,
                                strerror(errno));
        }
    }
    return WN_OK;
}

void share_accept(struct share *s, int channel)
{
    int fd = accept4(s->listener[channel], NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
    if (fd < 0) {
        return;
    }
    bool ours = wn_peer_is_ours(fd);
    int asker = ours ? wn_share_join(&s->core, channel) : -1;
    if (asker < 0) {
        char place[WN_PLACE_SIZE];
        share_log(s, 4, "%s for %s: sent away", ours ? "too many connections" : "another user",
                  wn_config_place(s->config.user[channel].instrument, place));
        (void)close(fd);
        return;
    }
    s->asker[asker] = fd;
}

bool share_hear(struct share *s, int asker, wn_ns now)
{
    char packet[WN_SESSION_OUT_MAX];
    for (int i = 0; i < PACKETS_A_TURN; i++) {
        ssize_t n = recv(s->asker[asker], packet, sizeof packet, MSG_DONTWAIT | MSG_TRUNC);
        if (n < 0 && (errno == EAGAIN || errno == EINTR)) {
            return true;
        }
        if (n <= 0) {
            (void)close(s->asker[asker]);
            s->asker[asker] = -1;
            wn_share_leave(&s->core, asker, now);
            return false;
        }
        if ((size_t)n <= sizeof packet) { /* one that was cut is dropped whole */
            (void)wn_share_ask(&s->core, asker, packet, (size_t)n, now);
        }
    }
    return true;
}

void share_deliver(struct share *s)
{
    const char *data = NULL;
    size_t len = 0;
    int asker = -1;
    while (wn_share_take(&s->core, &asker, &data, &len)) {
        if (s->asker[asker] >= 0) { /* one that does not read finds its time-out */
            (void)send(s->asker[asker], data, len, MSG_DONTWAIT | MSG_NOSIGNAL);
        }
    }
}

void share_hang_up(struct share *s)
{
    for (int k = 0; k < s->config.users; k++) { /* first: by this they know that we have not died */
        if (s->listener[k] >= 0) {
            char path[2 * WN_PATH_SIZE];
            path_of(s, k, path, sizeof path);
            (void)unlink(path);
            (void)close(s->listener[k]);
            s->listener[k] = -1;
        }
    }
    for (int i = 0; i < WN_SHARE_ASKERS_MAX; i++) {
        if (s->asker[i] >= 0) {
            (void)close(s->asker[i]);
            s->asker[i] = -1;
        }
    }
}

bool share_is_alone(const struct share *s)
{
    for (int i = 0; i < WN_SHARE_ASKERS_MAX; i++) {
        if (s->asker[i] >= 0) {
            return false;
        }
    }
    return true;
}
