/* Links through TCP serial servers. Not for other modules.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_SERIAL_LINK_TCP_H
#define WN_SERIAL_LINK_TCP_H

#include "serial/serial.h"

/** Begins to connect. WN_EINVAL the address cannot be read; WN_ENOENT the name is not known, or
 * nobody listens there; WN_EACCESS this service may use no network; WN_EBUSY another program of
 * ours has it; WN_ESTATE a modem line is to be set that it has not. */
int link_tcp_open(struct wn_link **out, const struct wn_port_settings *s, struct wn_error *err);

#endif
