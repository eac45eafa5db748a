/* What sysfs and udev say of a port's adapter. Not for other modules.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Read only: the latency timer is shown, and changed by the udev rules alone. The roots ("/sys",
 * "/dev/serial/by-id") are given, so that a test can have its own. */
#ifndef WN_SERIAL_ADAPTER_H
#define WN_SERIAL_ADAPTER_H

#include <stddef.h>

/** Name of the kernel's driver of the tty `name` ("ttyUSB0"), in buf; NULL not known. */
const char *adapter_driver(const char *sys, const char *name, char *buf, size_t size);
/** How long an FTDI adapter keeps a short reply back, in ms; -1: it has no such timer. */
int adapter_latency_ms(const char *sys, const char *name);
/** The link in a directory of udev's that leads to the device `path`, in buf; NULL none. */
const char *adapter_link(const char *dir, const char *path, char *buf, size_t size);

#endif
