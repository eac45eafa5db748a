/* SHA-256 (FIPS 180-4), for the hash of a frozen configuration.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_BASE_SHA256_H
#define WN_BASE_SHA256_H

#include <stddef.h>

/** Lower-case hex of the hash of data[0..len) into hex (65 bytes, terminated). */
void wn_sha256_hex(const void *data, size_t len, char hex[65]);

#endif
