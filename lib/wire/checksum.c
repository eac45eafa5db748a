/* Checksums of instrument protocols.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wire/checksum.h"

#include <string.h>

struct named {
    const char *name;
    struct wn_checksum how;
};

#define CRC8(poly, init, reflect, xor_out)                                                         \
    {                                                                                              \
        WN_CHECKSUM_CRC8, poly, init, xor_out, reflect, reflect                                    \
    }
#define CRC16(poly, init, reflect, xor_out)                                                        \
    {                                                                                              \
        WN_CHECKSUM_CRC16, poly, init, xor_out, reflect, reflect                                   \
    }
#define PLAIN(kind)                                                                                \
    {                                                                                              \
        kind, 0, 0, 0, false, false                                                                \
    }

/* Only what instruments use; any other can be given by its parameters. */
static const struct named known[] = {
    {"sum8", PLAIN(WN_CHECKSUM_SUM8)},
    {"sum16", PLAIN(WN_CHECKSUM_SUM16)},
    {"negated8", PLAIN(WN_CHECKSUM_NEGATED8)},
    {"negated16", PLAIN(WN_CHECKSUM_NEGATED16)},
    {"xor8", PLAIN(WN_CHECKSUM_XOR8)},
    {"crc-8/smbus", CRC8(0x07, 0x00, false, 0x00)},
    {"crc-8/i-432-1", CRC8(0x07, 0x00, false, 0x55)},
    {"crc-8/rohc", CRC8(0x07, 0xff, true, 0x00)},
    {"crc-8/maxim-dow", CRC8(0x31, 0x00, true, 0x00)},
    {"crc-8/nrsc-5", CRC8(0x31, 0xff, false, 0x00)},
    {"crc-16/arc", CRC16(0x8005, 0x0000, true, 0x0000)},
    {"crc-16/modbus", CRC16(0x8005, 0xffff, true, 0x0000)},
    {"crc-16/usb", CRC16(0x8005, 0xffff, true, 0xffff)},
    {"crc-16/maxim-dow", CRC16(0x8005, 0x0000, true, 0xffff)},
    {"crc-16/umts", CRC16(0x8005, 0x0000, false, 0x0000)},
    {"crc-16/xmodem", CRC16(0x1021, 0x0000, false, 0x0000)},
    {"crc-16/ibm-3740", CRC16(0x1021, 0xffff, false, 0x0000)},
    {"crc-16/genibus", CRC16(0x1021, 0xffff, false, 0xffff)},
    {"crc-16/kermit", CRC16(0x1021, 0x0000, true, 0x0000)},
    {"crc-16/mcrf4xx", CRC16(0x1021, 0xffff, true, 0x0000)},
    {"crc-16/ibm-sdlc", CRC16(0x1021, 0xffff, true, 0xffff)},
};

size_t wn_checksum_width(enum wn_checksum_kind kind)
{
    bool wide =
        kind == WN_CHECKSUM_SUM16 || kind == WN_CHECKSUM_NEGATED16 || kind == WN_CHECKSUM_CRC16;
    return wide ? 2 : 1;
}

static unsigned reflect(unsigned value, int bits)
{
    unsigned out = 0;
    for (int i = 0; i < bits; i++) {
        out |= (value >> i & 1u) << (bits - 1 - i);
    }
    return out;
}

/* Bit by bit: frames are short and lines are slow, so a table would only be more to get wrong. */
static unsigned crc(const struct wn_checksum *c, const uint8_t *data, size_t len, int bits)
{
    unsigned top = 1u << (bits - 1), mask = (top - 1u) | top, sum = c->init & mask;
    for (size_t i = 0; i < len; i++) {
        unsigned byte = c->reflect_in ? reflect(data[i], 8) : data[i];
        sum ^= byte << (bits - 8);
        for (int k = 0; k < 8; k++) {
            sum = (sum & top) != 0 ? sum << 1 ^ c->poly : sum << 1;
            sum &= mask;
        }
    }
    return ((c->reflect_out ? reflect(sum, bits) : sum) ^ c->xor_out) & mask;
}

uint16_t wn_checksum(const struct wn_checksum *c, const void *data, size_t len)
{
    const uint8_t *bytes = data;
    unsigned sum = 0, all = 0;
    for (size_t i = 0; i < len; i++) {
        sum = (sum + bytes[i]) & 0xffffu;
        all ^= bytes[i];
    }
    switch (c->kind) {
    case WN_CHECKSUM_SUM8:
        return (uint16_t)(sum & 0xffu);
    case WN_CHECKSUM_SUM16:
        return (uint16_t)sum;
    case WN_CHECKSUM_NEGATED8:
        return (uint16_t)((0x100u - (sum & 0xffu)) & 0xffu);
    case WN_CHECKSUM_NEGATED16:
        return (uint16_t)((0x10000u - sum) & 0xffffu);
    case WN_CHECKSUM_XOR8:
        return (uint16_t)all;
    case WN_CHECKSUM_CRC8:
        return (uint16_t)crc(c, bytes, len, 8);
    case WN_CHECKSUM_CRC16:
        break;
    }
    return (uint16_t)crc(c, bytes, len, 16);
}

const struct wn_checksum *wn_checksum_named(const char *name)
{
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        if (strcmp(name, known[i].name) == 0) {
            return &known[i].how;
        }
    }
    return NULL;
}

const char *wn_checksum_name(size_t i)
{
    return i < sizeof known / sizeof known[0] ? known[i].name : NULL;
}
