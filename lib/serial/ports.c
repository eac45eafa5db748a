/* The serial ports of the computer, listed without opening any: opening one raises its lines.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "serial/adapter.h"

#include <libserialport.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>

#include "serial/serial.h"

static void tell(const struct sp_port *port, wn_port_fn fn, void *ctx)
{
    char by_id[PATH_MAX], by_path[PATH_MAX], driver[64], holder[128];
    struct wn_port_info i = {.usb_vid = -1, .usb_pid = -1};
    i.path = sp_get_port_name(port);
    const char *slash = strrchr(i.path, '/'), *name = slash != NULL ? slash + 1 : i.path;
    i.driver = adapter_driver("/sys", name, driver, sizeof driver);
    i.latency_ms = adapter_latency_ms("/sys", name);
    i.description = sp_get_port_description(port);
    i.serial_number = sp_get_port_usb_serial(port);
    i.by_id = adapter_link("/dev/serial/by-id", i.path, by_id, sizeof by_id);
    i.by_path = adapter_link("/dev/serial/by-path", i.path, by_path, sizeof by_path);
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
