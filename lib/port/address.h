/* What a configured port is: a device's path, or the address of a TCP serial server.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure: nothing is looked up. "tcp://HOST:PORT" hands bytes through; "rfc2217://HOST:PORT" speaks
 * telnet with the COM port option. HOST is an IPv4 address, an IPv6 address in brackets or a name.
 * Anything without "://" is a path. */
#ifndef WN_PORT_ADDRESS_H
#define WN_PORT_ADDRESS_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"

enum wn_address_kind { WN_ADDRESS_PATH, WN_ADDRESS_RAW, WN_ADDRESS_RFC2217 };
enum { WN_ADDRESS_HOST_SIZE = 128 };

enum wn_address_kind wn_address_kind(const char *port);
/** Does it name another computer, rightly or not? Then it is no path and never made one. */
bool wn_address_is_remote(const char *port);
/** Host, without brackets, and port number of an address. WN_EINVAL when it is none; the text says
 * how to write one. */
int wn_address_split(const char *port, char host[WN_ADDRESS_HOST_SIZE], int64_t *number,
                     struct wn_error *err);

#endif
