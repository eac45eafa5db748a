/* The serial ports of the computer, listed without opening any: opening one raises its lines.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "serial/serial.h"

#include <dirent.h>
#include <libserialport.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* The link in a directory of /dev/serial that leads to path. */
static const char *find_link(const char *dir, const char *path, char *buf, size_t size)
{
    char real[PATH_MAX], want[PATH_MAX];
    const char *found = NULL;
    DIR *d = realpath(path, want) != NULL ? opendir(dir) : NULL;
    if (d == NULL) {
        return NULL;
    }
    for (struct dirent *e = readdir(d); e != NULL && found == NULL; e = readdir(d)) {
        int n = snprintf(buf, size, "%s/%s", dir, e->d_name);
        if (e->d_name[0] != '.' && n > 0 && (size_t)n < size && realpath(buf, real) != NULL &&
            strcmp(real, want) == 0) {
            found = buf;
        }
    }
    (void)closedir(d);
    return found;
}

static void tell(const struct sp_port *port, wn_port_fn fn, void *ctx)
{
    char by_id[PATH_MAX], by_path[PATH_MAX], holder[128];
    struct wn_port_info i = {.usb_vid = -1, .usb_pid = -1};
    i.path = sp_get_port_name(port);
    i.description = sp_get_port_description(port);
    i.serial_number = sp_get_port_usb_serial(port);
    i.by_id = find_link("/dev/serial/by-id", i.path, by_id, sizeof by_id);
    i.by_path = find_link("/dev/serial/by-path", i.path, by_path, sizeof by_path);
    i.holder = wn_port_holder(i.path, holder, sizeof holder);
    if (sp_get_port_usb_vid_pid(port, &i.usb_vid, &i.usb_pid) != SP_OK) {
        i.usb_vid = i.usb_pid = -1;
    }
    fn(&i, ctx);
}

int wn_ports_list(wn_port_fn fn, void *ctx, int *count, struct wn_error *err)
{
    struct sp_port **ports = NULL;
    *count = 0;
    (void)unsetenv("LIBSERIALPORT_DEBUG");
    if (sp_list_ports(&ports) != SP_OK) {
        return wn_error_set(err, WN_EIO, "the serial ports cannot be listed: is /sys mounted?");
    }
    for (int i = 0; ports[i] != NULL; i++) {
        tell(ports[i], fn, ctx);
        (*count)++;
    }
    sp_free_port_list(ports);
    return WN_OK;
}
