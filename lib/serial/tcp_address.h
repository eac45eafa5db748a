/* Addresses of TCP serial servers. Not for other modules.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_SERIAL_TCP_ADDRESS_H
#define WN_SERIAL_TCP_ADDRESS_H

#include <netinet/in.h>
#include <sys/socket.h>

#include "base/err.h"

struct tcp_address {
    union {
        struct sockaddr any;
        struct sockaddr_in v4;
        struct sockaddr_in6 v6;
    };
    socklen_t len;
};

/** "KIND://HOST:PORT": without a look-up, which could block for long. WN_EINVAL, WN_ENOENT. */
int tcp_address_read(struct tcp_address *a, const char *path, struct wn_error *err);

enum { TCP_LOCK_SIZE = 80 };
/** What the lock of a server's port is called, behind the zero of the abstract namespace. */
void tcp_address_lock_name(const struct tcp_address *a, char name[TCP_LOCK_SIZE]);
/** Takes the server's port for this process: *lock, to be closed. WN_EBUSY. */
int tcp_address_lock(const struct tcp_address *a, const char *path, int *lock,
                     struct wn_error *err);

#endif
