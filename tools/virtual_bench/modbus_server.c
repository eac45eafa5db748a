/* Virtual bench: the server's side of MODBUS RTU: frames in, frames out.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/modbus_server.h"

#include <string.h>

#define READ_BITS_MAX  2000
#define READ_WORDS_MAX 125
#define WRITE_BITS_MAX 1968
#define WRITE_MAX      123

/* Bit by bit, no table: slow, short, and not what the client does. */
uint16_t wn_mbs_crc(const uint8_t *bytes, size_t len)
{
    unsigned crc = 0xffff;

    for (size_t i = 0; i < len; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++) {
            crc = (crc & 1u) != 0 ? crc >> 1 ^ 0xa001u : crc >> 1;
        }
    }
    return (uint16_t)crc;
}

int64_t wn_mbs_silence_ns(long baud)
{
    return baud > 19200 || baud <= 0 ? INT64_C(1750000) : INT64_C(38500000000) / baud;
}

static unsigned word(const uint8_t *at)
{
    return (unsigned)at[0] << 8 | at[1];
}

/* A request's protocol data unit and the reply in the making. */
struct talk {
    const struct wn_mbs_map *map;
    const uint8_t *pdu;
    size_t len;
    uint8_t *out; /* behind the function code */
    size_t out_len;
};

static int reads(struct talk *t, enum wn_mbs_table table, unsigned most)
{
    uint16_t value[READ_BITS_MAX];
    unsigned at = word(&t->pdu[1]);
    unsigned count = word(&t->pdu[3]);
    bool bits = table == WN_MBS_COILS || table == WN_MBS_DISCRETES;
    int rc;

    if (t->len != 5 || count == 0 || count > most) {
        return WN_MBS_VALUE;
    }
    if (at + count > 65536) {
        return WN_MBS_ADDRESS;
    }
    rc = t->map->read(t->map->context, table, at, count, value);
    if (rc != 0) {
        return rc;
    }
    t->out_len = 1 + (bits ? (count + 7) / 8 : 2 * (size_t)count);
    memset(t->out, 0, t->out_len);
    t->out[0] = (uint8_t)(t->out_len - 1);
    for (unsigned i = 0; i < count; i++) {
        if (bits) {
            t->out[1 + i / 8] = (uint8_t)(t->out[1 + i / 8] | (value[i] != 0 ? 1u << i % 8 : 0u));
        } else {
            t->out[1 + 2 * i] = (uint8_t)(value[i] >> 8);
            t->out[2 + 2 * i] = (uint8_t)value[i];
        }
    }
    return 0;
}

static int writes_one(struct talk *t, enum wn_mbs_table table)
{
    uint16_t value = (uint16_t)word(&t->pdu[3]);
    int rc;

    if (t->len != 5 || (table == WN_MBS_COILS && value != 0xff00 && value != 0)) {
        return WN_MBS_VALUE;
    }
    memcpy(t->out, &t->pdu[1], 4); /* before the write: the reply is an echo */
    t->out_len = 4;
    value = table == WN_MBS_COILS && value != 0 ? 1 : value;
    rc = t->map->write(t->map->context, table, word(&t->pdu[1]), 1, &value);
    return rc;
}

static int writes_many(struct talk *t, enum wn_mbs_table table)
{
    uint16_t value[WRITE_BITS_MAX];
    bool bits = table == WN_MBS_COILS;
    unsigned at = word(&t->pdu[1]);
    unsigned count = word(&t->pdu[3]);
    size_t bytes = bits ? (count + 7) / 8 : 2 * (size_t)count;

    if (t->len < 6 || count == 0 || count > (bits ? WRITE_BITS_MAX : WRITE_MAX) ||
        t->pdu[5] != bytes || t->len != 6 + bytes) {
        return WN_MBS_VALUE;
    }
    if (at + count > 65536) {
        return WN_MBS_ADDRESS;
    }
    for (unsigned i = 0; i < count; i++) {
        value[i] = (uint16_t)(bits ? t->pdu[6 + i / 8] >> i % 8 & 1
                                   : (int)word(&t->pdu[6 + 2 * (size_t)i]));
    }
    memcpy(t->out, &t->pdu[1], 4);
    t->out_len = 4;
    return t->map->write(t->map->context, table, at, count, value);
}

static int run(struct talk *t)
{
    switch (t->pdu[0]) {
    case 1:
        return reads(t, WN_MBS_COILS, READ_BITS_MAX);
    case 2:
        return reads(t, WN_MBS_DISCRETES, READ_BITS_MAX);
    case 3:
        return reads(t, WN_MBS_HOLDING, READ_WORDS_MAX);
    case 4:
        return reads(t, WN_MBS_INPUT, READ_WORDS_MAX);
    case 5:
        return writes_one(t, WN_MBS_COILS);
    case 6:
        return writes_one(t, WN_MBS_HOLDING);
    case 15:
        return writes_many(t, WN_MBS_COILS);
    case 16:
        return writes_many(t, WN_MBS_HOLDING);
    default:
        return WN_MBS_FUNCTION;
    }
}

static bool known(uint8_t function)
{
    return (function >= 1 && function <= 6) || function == 15 || function == 16;
}

size_t wn_mbs_frame(struct wn_mbs *s, const struct wn_mbs_map *map, const uint8_t *frame,
                    size_t len, uint8_t *reply)
{
    struct talk t = {.map = map, .out = &reply[2]};
    uint16_t crc;
    int rc;

    if (len < 4 || len > WN_MBS_FRAME_MAX ||
        wn_mbs_crc(frame, len - 2) != (uint16_t)(frame[len - 2] | frame[len - 1] << 8)) {
        s->bad++;
        return 0;
    }
    if (frame[0] != s->address && frame[0] != 0) {
        return 0;
    }
    s->good++;
    t.pdu = &frame[1];
    t.len = len - 3;
    if (s->busy > 0) {
        s->busy--;
        rc = WN_MBS_BUSY;
    } else if (known(t.pdu[0]) && t.len < 5) {
        rc = WN_MBS_VALUE;
    } else {
        rc = run(&t);
    }
    if (frame[0] == 0) {
        return 0; /* everybody has heard it, nobody answers */
    }
    reply[0] = s->address;
    reply[1] = (uint8_t)(t.pdu[0] | (rc != 0 ? 0x80 : 0));
    if (rc != 0) {
        t.out[0] = (uint8_t)rc;
        t.out_len = 1;
    }
    crc = wn_mbs_crc(reply, 2 + t.out_len);
    reply[2 + t.out_len] = (uint8_t)crc;
    reply[3 + t.out_len] = (uint8_t)(crc >> 8);
    return 4 + t.out_len;
}
