/* Which kind of link a path is.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "serial/link_fd.h"

#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

void wn_port_settings_init(struct wn_port_settings *s, const char *path, int baud)
{
    memset(s, 0, sizeof *s);
    s->path = path;
    s->baud = baud;
    s->bits = 8;
    s->parity = 'N';
    s->stop_bits = 1;
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
    (void)unsetenv("LIBSERIALPORT_DEBUG"); /* set, even empty, it prints every call */
    if (realpath(s->path, real) == NULL) {
        return open_error(s->path, NULL, errno, err);
    }
    return is_real_port(real) ? link_sp_open(out, real, s, err) : link_tty_open(out, real, s, err);
}
