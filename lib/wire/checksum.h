/* Checksums of instrument protocols: sums, exclusive or, CRCs of 8 and 16 bits by parameters.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. How a checksum is written on the line (binary or hexadecimal, which byte first, over which
 * part of a frame) is the caller's affair. */
#ifndef WN_WIRE_CHECKSUM_H
#define WN_WIRE_CHECKSUM_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum wn_checksum_kind {
    WN_CHECKSUM_SUM8,      /* bytes added, 8 bits kept */
    WN_CHECKSUM_SUM16,     /* bytes added, 16 bits kept */
    WN_CHECKSUM_NEGATED8,  /* two's complement of the 8-bit sum: all bytes and it add up to 0 */
    WN_CHECKSUM_NEGATED16, /* the same of the 16-bit sum */
    WN_CHECKSUM_XOR8,      /* bytes exclusive-or'ed */
    WN_CHECKSUM_CRC8,
    WN_CHECKSUM_CRC16
};

/* The parameters of a CRC as its catalogues state them: poly without its highest term, highest
 * power first; not used by the other kinds. */
struct wn_checksum {
    enum wn_checksum_kind kind;
    uint16_t poly, init, xor_out;
    bool reflect_in, reflect_out;
};

/** Bytes that a checksum of this kind is wide: 1 or 2. */
size_t wn_checksum_width(enum wn_checksum_kind kind);

/** The checksum of data[0..len); one of one byte is below 256. Parameters beyond the width of a
 * CRC-8 are cut to it. */
uint16_t wn_checksum(const struct wn_checksum *c, const void *data, size_t len);

/** Parameters by name: "sum8", "sum16", "negated8", "negated16", "xor8", or a CRC under its name in
 * the catalogue of parametrised CRC algorithms by Greg Cook, in lower case: "crc-16/modbus",
 * "crc-8/smbus". NULL when it is not known. Static. */
const struct wn_checksum *wn_checksum_named(const char *name);

/** The name of the i-th one known, for messages; NULL behind the last. */
const char *wn_checksum_name(size_t i);

#endif
