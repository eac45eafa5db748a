/* Links through TCP serial servers. Not for other modules.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_SERIAL_LINK_TCP_H
#define WN_SERIAL_LINK_TCP_H

#include "serial/serial.h"

enum tcp_kind { TCP_NOT, TCP_RAW, TCP_RFC2217 };

/** Which kind of link a configured path asks for. */
enum tcp_kind tcp_kind_of(const char *path);

/** Begins to connect. WN_EINVAL the address cannot be read; WN_ENOENT the name is not known, or
 * nobody listens there; WN_EACCESS this service may use no network; WN_EBUSY another program of
 * ours has it; WN_ESTATE a modem line is to be set that it has not. */
int link_tcp_open(struct wn_link **out, const struct wn_port_settings *s, struct wn_error *err);

/** Is it one of ours? */
bool link_is_tcp(const struct wn_link *l);
/** Goes on with connecting and agreeing as far as that is possible now. *ready: it can be used.
 * WN_EGONE. */
int link_tcp_advance(struct wn_link *l, bool *ready, struct wn_error *err);

#endif
