/* Links to a port that wane-share has. Not for other modules.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_SERIAL_LINK_SOCKET_H
#define WN_SERIAL_LINK_SOCKET_H

#include "serial/serial.h"

/** Connects to s->share. WN_ENOENT no share is there; WN_EACCESS it is another user's; WN_ESTATE a
 * modem line is to be set. */
int link_socket_open(struct wn_link **out, const struct wn_port_settings *s, struct wn_error *err);

#endif
