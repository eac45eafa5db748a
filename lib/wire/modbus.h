/* MODBUS RTU, the side that asks: requests to bytes, bytes to replies, registers to values.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * After MODBUS Application Protocol V1.1b3 and MODBUS over Serial Line V1.02. Pure, no allocation,
 * no clock.
 *
 * A conversation: wn_modbus_encode(), write; read, with wn_modbus_expect() after every read, until
 * it knows the length and that many bytes are there; wn_modbus_decode(). Then leave
 * wn_modbus_silence_ns() before the next request. After a garbled reply or none: wait until the
 * line has been silent for as long as a reply may take, throw away what came, ask again. Never look
 * for a frame inside garbage.
 *
 * The end of a reply is known from its bytes, so no silence has to be measured behind it: adapters
 * deliver bytes in lumps, and a program may be late. For the same reason gaps inside a frame (t1.5)
 * are no error here; the CRC decides.
 *
 * An adapter that echoes what it sends hands back functions 5 and 6 exactly as a good reply looks.
 * So where a line echoes, take the echo away first; and read back what matters. */
#ifndef WN_WIRE_MODBUS_H
#define WN_WIRE_MODBUS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/err.h"
#include "base/time.h"

enum {
    WN_MODBUS_FRAME_MAX = 256,
    WN_MODBUS_READ_BITS_MAX = 2000,
    WN_MODBUS_READ_REGISTERS_MAX = 125,
    WN_MODBUS_WRITE_BITS_MAX = 1968,
    WN_MODBUS_WRITE_REGISTERS_MAX = 123
};

enum wn_modbus_function {
    WN_MODBUS_READ_COILS = 1,
    WN_MODBUS_READ_INPUTS = 2, /* discrete inputs: bits */
    WN_MODBUS_READ_HOLDING = 3,
    WN_MODBUS_READ_INPUT_REGISTERS = 4,
    WN_MODBUS_WRITE_COIL = 5,
    WN_MODBUS_WRITE_REGISTER = 6,
    WN_MODBUS_WRITE_COILS = 15,
    WN_MODBUS_WRITE_REGISTERS = 16
};

struct wn_modbus_request {
    enum wn_modbus_function function;
    uint8_t unit;           /* 1..247; 0 is everybody, who do not answer: refused */
    uint16_t address;       /* as on the line, from 0 ("register 40001" of a manual is often 0) */
    uint16_t count;         /* of bits or registers; 1 for functions 5 and 6 */
    const uint16_t *values; /* to be written: registers, or 0 and 1 for coils (borrowed) */
};

struct wn_modbus_reply {
    uint8_t exception;   /* 0: none; of the specification's codes otherwise */
    const uint8_t *data; /* of a read: the bytes behind the byte count (borrowed from the frame) */
    size_t size;
};

/** The whole frame with its CRC into frame[0..*len). WN_EINVAL what cannot be asked; WN_ERANGE more
 * than one frame carries, or beyond address 65535; WN_ENOSPACE the buffer is too small. */
int wn_modbus_encode(const struct wn_modbus_request *q, uint8_t *frame, size_t size, size_t *len,
                     struct wn_error *err);

/** A request of ours back from its frame, for those who pass it on; what it writes goes into
 * values[size], to which q then points. WN_EFRAME: it is none that wn_modbus_encode() makes, byte
 * by byte; WN_ENOSPACE: it writes more. */
int wn_modbus_decode_request(const uint8_t *frame, size_t len, uint16_t *values, size_t size,
                             struct wn_modbus_request *q, struct wn_error *err);

/** How long the reply to q will be, from what of it is there: *total is 0 while that cannot be told
 * (fewer than 2 bytes, 3 of a read). WN_EFRAME as soon as the bytes cannot be the beginning of a
 * reply to q. */
int wn_modbus_expect(const struct wn_modbus_request *q, const uint8_t *bytes, size_t len,
                     size_t *total, struct wn_error *err);

/** Reads a whole reply: unit, function, byte count, length, CRC and what a write echoes must all be
 * what q demands. WN_EFRAME it is not; WN_EINSTRUMENT the instrument refuses (out->exception);
 * WN_EREADBACK a good frame that echoes another value than was written. */
int wn_modbus_decode(const struct wn_modbus_request *q, const uint8_t *frame, size_t len,
                     struct wn_modbus_reply *out, struct wn_error *err);

/** The good reply to q, byte by byte, when it reads these registers (bits: 0 or 1), or writes
 * q->values (values is NULL then): for those who can only compare. Errors as
 * wn_modbus_encode(). */
int wn_modbus_encode_reply(const struct wn_modbus_request *q, const uint16_t *values,
                           uint8_t *frame, size_t size, size_t *len, struct wn_error *err);

/** Register or bit i (from 0) of a reply to a read; asserted to be there. */
uint16_t wn_modbus_register(const struct wn_modbus_reply *r, size_t i);
bool wn_modbus_bit(const struct wn_modbus_reply *r, size_t i);

/** "illegal data address (02)"; never NULL. */
const char *wn_modbus_exception_text(uint8_t exception);
/** Busy or still at work: the same request may succeed later. */
bool wn_modbus_exception_passes(uint8_t exception);

/** The silence that must stand before a request (t3.5): 3.5 characters of 11 bits, and 1.75 ms
 * whatever the rate above 19200 baud, as the specification recommends. baud > 0, asserted. */
wn_ns wn_modbus_silence_ns(int baud);

enum wn_modbus_type {
    WN_MODBUS_BIT, /* of functions 1 and 2; not a bit inside a register */
    WN_MODBUS_U16,
    WN_MODBUS_I16,
    WN_MODBUS_U32,
    WN_MODBUS_I32,
    WN_MODBUS_F32
};

/* Where a value stands and what it means: value = number in the registers * scale + offset. */
struct wn_modbus_value {
    enum wn_modbus_function function; /* that reads it: 1 to 4 */
    uint16_t address;
    enum wn_modbus_type type;
    bool low_word_first; /* of two registers; the specification leaves it open */
    bool low_byte_first; /* inside a register; against the specification, but met with */
    uint8_t bits;        /* > 0: only so many bits from first_bit on (U16, U32) */
    uint8_t first_bit;   /* 0 is the least significant */
    double scale;        /* to SI; never 0 */
    double offset;
};

/** scale 1, offset 0, highest word and byte first. */
void wn_modbus_value_init(struct wn_modbus_value *v, enum wn_modbus_function function,
                          uint16_t address, enum wn_modbus_type type);
/** Can there be such a value? WN_EINVAL, WN_ERANGE. */
int wn_modbus_value_check(const struct wn_modbus_value *v, struct wn_error *err);
/** Registers (bits) it takes: 1 or 2. */
uint16_t wn_modbus_value_width(const struct wn_modbus_value *v);

/** The value out of a reply to a read of `count` from `first` on with v's function. WN_ERANGE it is
 * not among them; WN_EFRAME not a finite number. v was found good by wn_modbus_value_check(). */
int wn_modbus_value_read(const struct wn_modbus_value *v, const struct wn_modbus_reply *reply,
                         uint16_t first, double *out, struct wn_error *err);

/** The registers (or coil) that say `value`: the nearest number there is, which *taken tells (NULL
 * when it is of no interest). A bit field changes only its own bits: registers holds what was read.
 * WN_ERANGE it does not fit, or is no finite number. */
int wn_modbus_value_write(const struct wn_modbus_value *v, double value, uint16_t registers[2],
                          double *taken, struct wn_error *err);

/* One read. */
struct wn_modbus_span {
    enum wn_modbus_function function;
    uint16_t address, count;
};

/** Makes few reads of many values: neighbours of one function share one, across at most `gap_max`
 * registers (bits) that nobody wants. 0 is safe: instruments may refuse a read that touches what
 * they do not have. A value is never cut in two, so that its halves are of one instant. Spans come
 * out by function, then address.
 * @return WN_OK, *count spans; WN_ENOSPACE more than max; what wn_modbus_value_check() says. */
int wn_modbus_group(const struct wn_modbus_value *values, size_t n, uint16_t gap_max,
                    struct wn_modbus_span *spans, size_t max, size_t *count, struct wn_error *err);

/** Does this read bring the value? */
bool wn_modbus_span_holds(const struct wn_modbus_span *s, const struct wn_modbus_value *v);

#endif
