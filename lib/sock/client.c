/* Control socket, client side: one request, one reply.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "sock/control.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "port/clock.h"

static int unreachable(const char *path, int errnum, struct wn_error *err)
{
    if (errnum == EACCES) {
        return wn_error_set(err, WN_EACCESS,
                            "%s: not permitted: you are no member of a group that may look at this "
                            "station; ask for look_group or command_group of the configuration, "
                            "and log in again",
                            path);
    }
    return wn_error_set(
        err, WN_EUNREACHABLE,
        "no service answers at %s (%s): is waned running? systemctl status waned, or waned "
        "--config FILE",
        path, strerror(errnum));
}

static int wait_for(int fd, short what, wn_ns deadline, const char *path, struct wn_error *err)
{
    for (;;) {
        wn_ns left = deadline - wn_clock_monotonic(wn_clock_real());
        struct pollfd p = {fd, what, 0};
        int n = left > 0 ? poll(&p, 1, (int)(left / WN_NS_PER_MS) + 1) : 0;
        if (n > 0) {
            return WN_OK;
        }
        if (n == 0 || errno != EINTR) {
            return wn_error_set(err, WN_ETIMEOUT, "%s: the station does not answer in time", path);
        }
    }
}

static int send_all(int fd, const char *text, size_t len, wn_ns deadline, const char *path,
                    struct wn_error *err)
{
    int rc = WN_OK;
    while (len > 0 && rc == WN_OK) {
        ssize_t n = send(fd, text, len, MSG_NOSIGNAL | MSG_DONTWAIT);
        if (n > 0) {
            text += n;
            len -= (size_t)n;
        } else if (errno == EAGAIN || errno == EINTR) {
            rc = wait_for(fd, POLLOUT, deadline, path, err);
        } else {
            rc = unreachable(path, errno, err);
        }
    }
    return rc;
}

static int receive_line(int fd, char *buf, size_t size, size_t *len, wn_ns deadline,
                        const char *path, struct wn_error *err)
{
    int rc = WN_OK;
    *len = 0;
    while (rc == WN_OK) {
        ssize_t n = recv(fd, buf + *len, size - *len, MSG_DONTWAIT);
        if (n > 0) {
            *len += (size_t)n;
            char *end = memchr(buf, '\n', *len);
            if (end != NULL) {
                *len = (size_t)(end - buf);
                return WN_OK;
            }
            rc = *len < size ? WN_OK : wn_error_set(err, WN_ESYNTAX, "%s: reply is too long", path);
        } else if (n < 0 && (errno == EAGAIN || errno == EINTR)) {
            rc = wait_for(fd, POLLIN, deadline, path, err);
        } else {
            rc = wn_error_set(err, WN_EUNREACHABLE, "%s: the station closed the connection", path);
        }
    }
    return rc;
}

static int exchange(int fd, const char *path, const char *text, wn_ns deadline, json_t **reply,
                    struct wn_error *err)
{
    char *buf = malloc(WN_CONTROL_BACKLOG_BYTES);
    size_t len = 0;
    int rc = buf != NULL ? WN_OK : wn_error_set(err, WN_ENOMEM, "out of memory");
    rc = rc == WN_OK ? send_all(fd, text, strlen(text), deadline, path, err) : rc;
    rc = rc == WN_OK ? send_all(fd, "\n", 1, deadline, path, err) : rc;
    rc = rc == WN_OK ? receive_line(fd, buf, WN_CONTROL_BACKLOG_BYTES, &len, deadline, path, err)
                     : rc;
    if (rc == WN_OK) {
        json_error_t e;
        *reply = json_loadb(buf, len, 0, &e);
        rc = json_is_object(*reply)
                 ? WN_OK
                 : wn_error_set(err, WN_ESYNTAX, "%s: reply is no JSON object", path);
        if (rc != WN_OK) {
            json_decref(*reply);
            *reply = NULL;
        }
    }
    free(buf);
    return rc;
}

/* A full queue (EAGAIN) empties within a turn of the station's loop. */
static int connect_until(int fd, const struct sockaddr_un *a, wn_ns deadline, struct wn_error *err)
{
    while (connect(fd, (const struct sockaddr *)a, sizeof *a) != 0) {
        if (errno != EAGAIN && errno != EINTR) {
            return unreachable(a->sun_path, errno, err);
        }
        if (wn_clock_monotonic(wn_clock_real()) >= deadline) {
            return wn_error_set(err, WN_ETIMEOUT,
                                "%s: too many want to talk to this station, or it hangs",
                                a->sun_path);
        }
        (void)poll(NULL, 0, 5);
    }
    return WN_OK;
}

int wn_control_ask(const char *path, const json_t *request, int timeout_ms, json_t **reply,
                   struct wn_error *err)
{
    struct sockaddr_un a = {.sun_family = AF_UNIX};
    wn_ns deadline = wn_clock_monotonic(wn_clock_real()) + timeout_ms * WN_NS_PER_MS;
    *reply = NULL;
    if (strlen(path) >= sizeof a.sun_path) {
        return wn_error_set(err, WN_ERANGE, "%s is too long for a socket", path);
    }
    memcpy(a.sun_path, path, strlen(path));
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0) {
        return wn_error_set(err, WN_EIO, "no socket: %s", strerror(errno));
    }
    int rc = connect_until(fd, &a, deadline, err);
    char *text = rc == WN_OK ? json_dumps(request, JSON_COMPACT) : NULL;
    if (rc == WN_OK) {
        rc = text != NULL ? exchange(fd, path, text, deadline, reply, err)
                          : wn_error_set(err, WN_ENOMEM, "out of memory");
    }
    free(text);
    (void)close(fd);
    return rc;
}
