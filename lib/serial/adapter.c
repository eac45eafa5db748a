/* What sysfs and udev say of a port's adapter.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "serial/adapter.h"

#include <dirent.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "base/num.h"
#include "serial/serial.h"

const char *adapter_driver(const char *sys, const char *name, char *buf, size_t size)
{
    char link[PATH_MAX], target[PATH_MAX];
    (void)snprintf(link, sizeof link, "%s/class/tty/%s/device/driver", sys, name);
    ssize_t n = readlink(link, target, sizeof target - 1);
    if (n <= 0) {
        return NULL;
    }
    target[n] = '\0';
    const char *slash = strrchr(target, '/');
    (void)snprintf(buf, size, "%s", slash != NULL ? slash + 1 : target);
    return buf;
}

int adapter_latency_ms(const char *sys, const char *name)
{
    char path[PATH_MAX], text[24] = "";
    int64_t ms = -1;
    (void)snprintf(path, sizeof path, "%s/class/tty/%s/device/latency_timer", sys, name);
    FILE *f = fopen(path, "re");
    if (f == NULL) {
        return -1;
    }
    bool read = fgets(text, sizeof text, f) != NULL;
    (void)fclose(f);
    text[strcspn(text, "\n")] = '\0';
    bool good = read && wn_num_parse_int(text, strlen(text), &ms) == WN_OK && ms >= 0 && ms <= 255;
    return good ? (int)ms : -1;
}

const char *adapter_link(const char *dir, const char *path, char *buf, size_t size)
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

const char *wn_port_stable_name(const struct wn_port_info *i)
{
    return i->by_id != NULL && (!wn_port_is_nameless(i) || i->by_path == NULL) ? i->by_id
                                                                               : i->by_path;
}

bool wn_port_is_nameless(const struct wn_port_info *i)
{
    return i->usb_vid >= 0 && (i->serial_number == NULL || i->serial_number[0] == '\0');
}

bool wn_port_is_slow(const struct wn_port_info *i, int replies, double interval_s)
{
    return i->latency_ms > 1 && i->latency_ms * replies > 0.1 * interval_s * 1e3;
}
