/* SHA-256 (FIPS 180-4), for the hash of a frozen configuration or of a whole file.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_BASE_SHA256_H
#define WN_BASE_SHA256_H

#include <stddef.h>
#include <stdint.h>

/** Lower-case hex of the hash of data[0..len) into hex (65 bytes, terminated). */
void wn_sha256_hex(const void *data, size_t len, char hex[65]);

/** The same, piece by piece. Treat as opaque. */
struct wn_sha256 {
    uint32_t h[8];
    unsigned char block[64]; /* begun */
    uint64_t len;
};
void wn_sha256_begin(struct wn_sha256 *s);
/** data may be NULL when len is 0. */
void wn_sha256_add(struct wn_sha256 *s, const void *data, size_t len);
void wn_sha256_end(struct wn_sha256 *s, char hex[65]);

#endif
