/* Addresses of ports, taken apart.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "port/address.h"

#include <string.h>

#include "base/num.h"

enum wn_address_kind wn_address_kind(const char *port)
{
    static const char raw[] = "tcp://", telnet[] = "rfc2217://";
    if (strncmp(port, raw, sizeof raw - 1) == 0) {
        return WN_ADDRESS_RAW;
    }
    return strncmp(port, telnet, sizeof telnet - 1) == 0 ? WN_ADDRESS_RFC2217 : WN_ADDRESS_PATH;
}

bool wn_address_is_remote(const char *port)
{
    return strstr(port, "://") != NULL;
}

static bool take_apart(const char *address, char host[WN_ADDRESS_HOST_SIZE], int64_t *number)
{
    const char *from = strstr(address, "://");
    const char *colon = strrchr(address, ':');
    if (from == NULL || colon <= from + 3 ||
        wn_num_parse_int(colon + 1, strlen(colon + 1), number) != WN_OK || colon[1] == '+') {
        return false;
    }
    from += 3;
    size_t len = (size_t)(colon - from);
    bool bracketed = from[0] == '[' && colon[-1] == ']';
    if (bracketed) {
        from++;
        len -= 2;
    }
    if (len == 0 || len >= WN_ADDRESS_HOST_SIZE || *number < 1 || *number > 65535 ||
        bracketed != (memchr(from, ':', len) != NULL)) {
        return false;
    }
    memcpy(host, from, len);
    host[len] = '\0';
    return strpbrk(host, "[]/ @") == NULL;
}

int wn_address_split(const char *port, char host[WN_ADDRESS_HOST_SIZE], int64_t *number,
                     struct wn_error *err)
{
    if (wn_address_kind(port) != WN_ADDRESS_PATH && take_apart(port, host, number)) {
        return WN_OK;
    }
    return wn_error_set(err, WN_EINVAL,
                        "port %s cannot be read: write tcp://192.168.1.20:4001, "
                        "rfc2217://192.168.1.20:4001 or, for IPv6, tcp://[fd00::20]:4001",
                        port);
}
