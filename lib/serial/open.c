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
    const char *name = strrchr(real, '/');
    (void)snprintf(entry, sizeof entry, "/sys/class/tty/%s/device", name != NULL ? name + 1 : real);
    return strncmp(real, "/dev/pts/", 9) != 0 && access(entry, F_OK) == 0;
}

int wn_link_open(struct wn_link **out, const struct wn_port_settings *s, struct wn_error *err)
{
    char real[PATH_MAX];
    (void)unsetenv("LIBSERIALPORT_DEBUG"); /* set, even empty, it prints every call */
    if (realpath(s->path, real) == NULL) {
        return open_error(s->path, errno, err);
    }
    return is_real_port(real) ? link_sp_open(out, real, s, err) : link_tty_open(out, real, s, err);
}
