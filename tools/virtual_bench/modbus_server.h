/* Virtual bench: the server's side of MODBUS RTU: frames in, frames out.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. Functions 1, 2, 3, 4, 5, 6, 15 and 16, exceptions 1 to 4 and 6, address 0 as broadcast. It
 * shares nothing with the client of lib/wire, so that the two check each other. What the registers
 * mean is up to the callbacks. From memory of the MODBUS application protocol 1.1b3 and MODBUS over
 * serial line 1.02; the tests check it against their worked examples. */
#ifndef WN_VIRTUAL_BENCH_MODBUS_SERVER_H
#define WN_VIRTUAL_BENCH_MODBUS_SERVER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum {
    WN_MBS_FRAME_MAX = 256, /* of the standard */
    WN_MBS_FUNCTION = 1,    /* exceptions */
    WN_MBS_ADDRESS = 2,
    WN_MBS_VALUE = 3,
    WN_MBS_FAILURE = 4,
    WN_MBS_BUSY = 6
};

enum wn_mbs_table { WN_MBS_COILS, WN_MBS_DISCRETES, WN_MBS_HOLDING, WN_MBS_INPUT };

/* Both return 0 or an exception. Bits are 0 or 1. A write that is refused must change nothing. */
struct wn_mbs_map {
    void *context;
    int (*read)(void *context, enum wn_mbs_table table, unsigned at, unsigned count, uint16_t *out);
    int (*write)(void *context, enum wn_mbs_table table, unsigned at, unsigned count,
                 const uint16_t *in);
};

struct wn_mbs {
    uint8_t address; /* 1..247 */
    int busy;        /* so many requests to come are answered with exception 6 */
    long good, bad;  /* frames for us, and frames with a wrong length or CRC */
};

/** CRC-16 of MODBUS; the frame carries its low byte first. */
uint16_t wn_mbs_crc(const uint8_t *bytes, size_t len);

/** Handles what has arrived between two silences of t3.5. reply has WN_MBS_FRAME_MAX bytes; returns
 * its length, 0 when nothing is to be said: another address, a broadcast, a damaged frame. */
size_t wn_mbs_frame(struct wn_mbs *s, const struct wn_mbs_map *map, const uint8_t *frame,
                    size_t len, uint8_t *reply);

/** The silence that ends a frame, for 11 bits a character; fixed above 19200 baud. */
int64_t wn_mbs_silence_ns(long baud);

#endif
