/* Which kind of link a path is.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "serial/link_fd.h"

#include <errno.h>
#include <limits.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "port/address.h"
#include "port/clock.h"
#include "serial/link_socket.h"
#include "serial/link_tcp.h"
#include "serial/rfc2217.h"

enum { LOOK_MS = 100 };

void wn_port_settings_init(struct wn_port_settings *s, const char *path, int baud, int parity,
                           int stop_bits)
{
    memset(s, 0, sizeof *s);
    s->path = path;
    s->baud = baud;
    s->bits = 8;
    s->parity = (char)parity;
    s->stop_bits = stop_bits;
    s->drop_on_close = true;
}

/* A real port has a device behind it in sysfs; a pty has no entry there at all. */
static bool is_real_port(const char *real)
{
    char entry[PATH_MAX + 32];
    if (strncmp(real, "/dev/", 5) != 0 || strchr(real + 5, '/') != NULL) {
        return false;
    }
    (void)snprintf(entry, sizeof entry, "/sys/class/tty/%s/device", real + 5);
    return access(entry, F_OK) == 0;
}

static int check(const struct wn_port_settings *s, struct wn_error *err)
{
    bool good = s->baud > 0 && (s->bits == 7 || s->bits == 8) && s->parity != '\0' &&
                strchr("NEO", s->parity) != NULL && (s->stop_bits == 1 || s->stop_bits == 2);
    return good ? WN_OK
                : wn_error_set(err, WN_EINVAL,
                               "port %s: %d baud %d%c%d is not possible: 7 or 8 bits, parity N, E "
                               "or O, 1 or 2 stop bits",
                               s->path, s->baud, s->bits, s->parity != '\0' ? s->parity : '?',
                               s->stop_bits);
}

int wn_link_open(struct wn_link **out, const struct wn_port_settings *s, struct wn_error *err)
{
    char real[PATH_MAX];
    int rc = check(s, err);
    if (rc != WN_OK) {
        return rc;
    }
    if (s->share != NULL) {
        return link_socket_open(out, s, err);
    }
    if (wn_address_kind(s->path) != WN_ADDRESS_PATH) {
        return link_tcp_open(out, s, err);
    }
    (void)unsetenv("LIBSERIALPORT_DEBUG"); /* set, even empty, it prints every call */
    if (realpath(s->path, real) == NULL) {
        return open_error(s->path, NULL, errno, err);
    }
    return is_real_port(real) ? link_sp_open(out, real, s, err) : link_tty_open(out, real, s, err);
}

int wn_link_wait(struct wn_link *l, int limit_ms, struct wn_error *err)
{
    const struct wn_clock *clock = wn_clock_real();
    wn_ns limit = wn_clock_monotonic(clock) + limit_ms * WN_NS_PER_MS, left;
    bool ready = l->ops->advance == NULL, connected = false;
    int rc = ready ? WN_OK : l->ops->advance(l, &ready, err);
    while (rc == WN_OK && !ready && (left = limit - wn_clock_monotonic(clock)) > 0) {
        /* until it is connected it tells of that by being writable, behind that by input */
        struct pollfd f = {l->ops->fd(l), connected ? POLLIN : POLLIN | POLLOUT, 0};
        /* the link's own limit may come first, and has no event */
        (void)poll(&f, 1, left < LOOK_MS * WN_NS_PER_MS ? (int)(left / WN_NS_PER_MS) + 1 : LOOK_MS);
        connected = connected || (f.revents & POLLOUT) != 0;
        rc = l->ops->advance(l, &ready, err);
    }
    return rc != WN_OK || ready
               ? rc
               : wn_error_set(err, WN_ETIMEOUT,
                              "the serial server is not ready after %d ms: look at its power and "
                              "the network",
                              limit_ms);
}

int wn_link_wire_bytes(const char *path, const void *data, size_t len, void *out, size_t size,
                       size_t *n, struct wn_error *err)
{
    size_t used = len <= size ? len : 0;
    *n = 0;
    if (wn_address_kind(path) == WN_ADDRESS_RFC2217) {
        *n = rfc2217_escape(data, len, out, size, &used);
    } else if (len <= size) {
        memcpy(out, data, len);
        *n = len;
    }
    if (used == len) {
        return WN_OK;
    }
    *n = 0;
    return wn_error_set(err, WN_ENOSPACE, "port %s: %zu bytes do not fit into %zu on the line",
                        path, len, size);
}

int wn_link_line_bytes(const char *path, enum wn_line line, bool on, void *out, size_t size,
                       size_t *n, struct wn_error *err)
{
    uint8_t bytes[RFC2217_LINE_SIZE];
    *n = 0;
    if (wn_address_kind(path) != WN_ADDRESS_RFC2217) {
        return wn_error_set(err, WN_ESTATE, "port %s: its modem lines are not set by bytes", path);
    }
    size_t len = rfc2217_line_bytes(line, on, bytes);
    if (len > size) {
        return wn_error_set(err, WN_ENOSPACE, "port %s: %zu bytes do not fit into %zu", path, len,
                            size);
    }
    memcpy(out, bytes, len);
    *n = len;
    return WN_OK;
}
