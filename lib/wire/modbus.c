/* MODBUS RTU: frames.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wire/modbus.h"

#include <string.h>

#include "base/assert.h"
#include "wire/checksum.h"

enum { EXCEPTION_BIT = 0x80, EXCEPTION_LEN = 5, WRITE_REPLY_LEN = 8, COIL_ON = 0xff00 };

static uint16_t crc(const uint8_t *data, size_t len)
{
    static const struct wn_checksum how = {WN_CHECKSUM_CRC16, 0x8005, 0xffff, 0, true, true};
    return wn_checksum(&how, data, len);
}

static bool is_read(enum wn_modbus_function f)
{
    return f <= WN_MODBUS_READ_INPUT_REGISTERS;
}

static bool is_single(enum wn_modbus_function f)
{
    return f == WN_MODBUS_WRITE_COIL || f == WN_MODBUS_WRITE_REGISTER;
}

static bool is_of_bits(enum wn_modbus_function f)
{
    return f == WN_MODBUS_READ_COILS || f == WN_MODBUS_READ_INPUTS || f == WN_MODBUS_WRITE_COIL ||
           f == WN_MODBUS_WRITE_COILS;
}

/* How many one frame carries; 0 for a function that is not ours. */
static unsigned count_max(enum wn_modbus_function f)
{
    switch (f) {
    case WN_MODBUS_READ_COILS:
    case WN_MODBUS_READ_INPUTS:
        return WN_MODBUS_READ_BITS_MAX;
    case WN_MODBUS_READ_HOLDING:
    case WN_MODBUS_READ_INPUT_REGISTERS:
        return WN_MODBUS_READ_REGISTERS_MAX;
    case WN_MODBUS_WRITE_COIL:
    case WN_MODBUS_WRITE_REGISTER:
        return 1;
    case WN_MODBUS_WRITE_COILS:
        return WN_MODBUS_WRITE_BITS_MAX;
    case WN_MODBUS_WRITE_REGISTERS:
        return WN_MODBUS_WRITE_REGISTERS_MAX;
    }
    return 0;
}

/* Bytes that `count` bits or registers take. */
static size_t data_size(const struct wn_modbus_request *q)
{
    return is_of_bits(q->function) ? ((size_t)q->count + 7) / 8 : (size_t)q->count * 2;
}

static int check(const struct wn_modbus_request *q, struct wn_error *err)
{
    unsigned max = count_max(q->function);
    if (max == 0) {
        return wn_error_set(err, WN_EINVAL,
                            "MODBUS function %d is not known here: 1 to 6, 15 and 16 are",
                            (int)q->function);
    }
    if (q->unit < 1 || q->unit > 247) {
        return wn_error_set(err, WN_EINVAL,
                            "MODBUS unit %u cannot be asked: units are 1 to 247, and to 0 "
                            "(everybody) nobody answers",
                            q->unit);
    }
    if (q->count < 1 || q->count > max) {
        return wn_error_set(err, WN_ERANGE, "MODBUS function %d takes 1 to %u at once, not %u",
                            (int)q->function, max, q->count);
    }
    if ((unsigned)q->address + q->count > 0x10000u) {
        return wn_error_set(err, WN_ERANGE,
                            "MODBUS address %u and %u more goes beyond 65535, the last there is",
                            q->address, q->count - 1u);
    }
    if (is_read(q->function)) {
        return WN_OK;
    }
    if (q->values == NULL) {
        return wn_error_set(err, WN_EINVAL, "MODBUS function %d needs values to write",
                            (int)q->function);
    }
    for (size_t i = 0; is_of_bits(q->function) && i < q->count; i++) {
        if (q->values[i] > 1) {
            return wn_error_set(err, WN_EINVAL, "MODBUS coil %u is to be 0 or 1, not %u",
                                q->address + (unsigned)i, q->values[i]);
        }
    }
    return WN_OK;
}

static uint8_t *put16(uint8_t *to, unsigned value)
{
    to[0] = (uint8_t)(value >> 8 & 0xffu);
    to[1] = (uint8_t)(value & 0xffu);
    return to + 2;
}

static uint16_t get16(const uint8_t *from)
{
    return (uint16_t)((unsigned)from[0] << 8 | from[1]);
}

/* The four bytes that functions 5, 6, 15 and 16 send and get back, and reads send. */
static void put_fields(const struct wn_modbus_request *q, uint8_t fields[4])
{
    unsigned second = q->count;
    if (q->function == WN_MODBUS_WRITE_COIL) {
        second = q->values[0] != 0 ? COIL_ON : 0;
    } else if (q->function == WN_MODBUS_WRITE_REGISTER) {
        second = q->values[0];
    }
    (void)put16(put16(fields, q->address), second);
}

static uint8_t *put_values(const struct wn_modbus_request *q, uint8_t *to)
{
    size_t size = data_size(q);
    *to++ = (uint8_t)size;
    if (!is_of_bits(q->function)) {
        for (size_t i = 0; i < q->count; i++) {
            to = put16(to, q->values[i]);
        }
        return to;
    }
    for (size_t i = 0; i < size; i++) {
        to[i] = 0;
    }
    for (size_t i = 0; i < q->count; i++) {
        to[i / 8] = (uint8_t)(to[i / 8] | (unsigned)q->values[i] << i % 8);
    }
    return to + size;
}

/* The CRC behind what is there; the whole length. */
static size_t seal(uint8_t *frame, uint8_t *end)
{
    unsigned sum = crc(frame, (size_t)(end - frame));
    *end++ = (uint8_t)(sum & 0xffu); /* the CRC alone goes low byte first */
    *end++ = (uint8_t)(sum >> 8);
    return (size_t)(end - frame);
}

static int too_long(size_t need, size_t size, struct wn_error *err)
{
    return wn_error_set(err, WN_ENOSPACE, "a MODBUS frame of %zu bytes in a buffer of %zu", need,
                        size);
}

int wn_modbus_encode(const struct wn_modbus_request *q, uint8_t *frame, size_t size, size_t *len,
                     struct wn_error *err)
{
    bool has_data = !is_read(q->function) && !is_single(q->function);
    *len = 0;
    int rc = check(q, err);
    if (rc != WN_OK) {
        return rc;
    }
    size_t need = 6 + (has_data ? 1 + data_size(q) : 0) + 2;
    if (need > size) {
        return too_long(need, size, err);
    }
    frame[0] = q->unit;
    frame[1] = (uint8_t)q->function;
    put_fields(q, frame + 2);
    *len = seal(frame, has_data ? put_values(q, frame + 6) : frame + 6);
    wn_assert(*len == need);
    return WN_OK;
}

static void get_values(struct wn_modbus_request *q, const uint8_t *frame, uint16_t *values)
{
    unsigned second = get16(frame + 4);
    for (size_t i = 0; i < q->count; i++) {
        values[i] = q->function == WN_MODBUS_WRITE_COIL       ? second == COIL_ON
                    : q->function == WN_MODBUS_WRITE_REGISTER ? (uint16_t)second
                    : q->function == WN_MODBUS_WRITE_COILS    ? frame[7 + i / 8] >> i % 8 & 1
                                                              : get16(frame + 7 + 2 * i);
    }
    q->values = values;
}

int wn_modbus_decode_request(const uint8_t *frame, size_t len, uint16_t *values, size_t size,
                             struct wn_modbus_request *q, struct wn_error *err)
{
    uint8_t again[WN_MODBUS_FRAME_MAX];
    size_t again_len = 0;
    if (len < 8 || len > sizeof again) {
        return wn_error_set(err, WN_EFRAME, "%zu bytes are no MODBUS request", len);
    }
    *q = (struct wn_modbus_request){.function = (enum wn_modbus_function)frame[1],
                                    .unit = frame[0],
                                    .address = get16(frame + 2),
                                    .count = get16(frame + 4)};
    q->count = is_single(q->function) ? 1 : q->count;
    bool many = !is_read(q->function) && !is_single(q->function);
    if (many && (q->count > WN_MODBUS_WRITE_BITS_MAX || 9 + data_size(q) != len)) {
        return wn_error_set(err, WN_EFRAME, "a MODBUS request of %zu bytes for %u values", len,
                            q->count);
    }
    if (!is_read(q->function)) {
        if (q->count > size) {
            return wn_error_set(err, WN_ENOSPACE, "a MODBUS request that writes %u values",
                                q->count);
        }
        get_values(q, frame, values);
    }
    int rc = wn_modbus_encode(q, again, sizeof again, &again_len, err);
    if (rc == WN_OK && again_len == len && memcmp(again, frame, len) == 0) {
        return WN_OK;
    }
    return wn_error_set(err, WN_EFRAME, "these %zu bytes are no MODBUS request of ours", len);
}

int wn_modbus_encode_reply(const struct wn_modbus_request *q, const uint16_t *values,
                           uint8_t *frame, size_t size, size_t *len, struct wn_error *err)
{
    struct wn_modbus_request filled = *q;
    *len = 0;
    int rc = check(q, err);
    if (rc != WN_OK) {
        return rc;
    }
    size_t need = is_read(q->function) ? 3 + data_size(q) + 2 : WRITE_REPLY_LEN;
    if (need > size) {
        return too_long(need, size, err);
    }
    filled.values = is_read(q->function) ? values : q->values;
    frame[0] = q->unit;
    frame[1] = (uint8_t)q->function;
    put_fields(q, frame + 2);
    *len = seal(frame, is_read(q->function) ? put_values(&filled, frame + 2) : frame + 6);
    wn_assert(*len == need);
    return WN_OK;
}

int wn_modbus_expect(const struct wn_modbus_request *q, const uint8_t *bytes, size_t len,
                     size_t *total, struct wn_error *err)
{
    *total = 0;
    if (len >= 1 && bytes[0] != q->unit) {
        return wn_error_set(err, WN_EFRAME, "MODBUS unit %u was asked, unit %u seems to answer",
                            q->unit, bytes[0]);
    }
    if (len < 2) {
        return WN_OK;
    }
    if (bytes[1] == ((unsigned)q->function | EXCEPTION_BIT)) {
        *total = EXCEPTION_LEN;
        return WN_OK;
    }
    if (bytes[1] != (unsigned)q->function) {
        return wn_error_set(err, WN_EFRAME,
                            "MODBUS unit %u was asked for function %d and answers function %u",
                            q->unit, (int)q->function, bytes[1]);
    }
    if (!is_read(q->function)) {
        *total = WRITE_REPLY_LEN;
        return WN_OK;
    }
    if (len < 3) {
        return WN_OK;
    }
    if (bytes[2] != data_size(q)) {
        return wn_error_set(err, WN_EFRAME,
                            "MODBUS unit %u was asked for %zu bytes of data and announces %u",
                            q->unit, data_size(q), bytes[2]);
    }
    *total = 3 + (size_t)bytes[2] + 2;
    return WN_OK;
}

static int check_echo(const struct wn_modbus_request *q, const uint8_t *fields,
                      struct wn_error *err)
{
    uint8_t want[4];
    put_fields(q, want);
    if (get16(fields) != get16(want)) {
        return wn_error_set(err, WN_EFRAME,
                            "MODBUS unit %u was told to write address %u and confirms address %u",
                            q->unit, q->address, get16(fields));
    }
    if (get16(fields + 2) == get16(want + 2)) {
        return WN_OK;
    }
    return wn_error_set(err, is_single(q->function) ? WN_EREADBACK : WN_EFRAME,
                        "MODBUS unit %u, address %u: %u was written and %u is confirmed", q->unit,
                        q->address, get16(want + 2), get16(fields + 2));
}

static int refuse(const struct wn_modbus_request *q, uint8_t code, struct wn_error *err)
{
    const char *remedy = "see the instrument's manual";
    switch (code) {
    case 1:
        remedy = "it does not know this function: another of the same effect may do (3 for 4, 16 "
                 "for 6)";
        break;
    case 2:
        remedy = "compare address and count with its manual; many manuals count from 1, the line "
                 "from 0";
        break;
    case 3:
        remedy = "the value is outside its range, or too many are asked for at once";
        break;
    case 4:
    case 8:
        remedy = "switch it off and on; if that does not help, it needs repair";
        break;
    case 5:
    case 6:
        remedy = "ask again later";
        break;
    case 10:
    case 11:
        remedy = "check the gateway's settings, and whether the instrument behind it is on";
        break;
    default:
        return wn_error_set(err, WN_EINSTRUMENT,
                            "MODBUS unit %u refuses function %d at address %u with exception %02X, "
                            "which the specification does not have: %s",
                            q->unit, (int)q->function, q->address, code, remedy);
    }
    return wn_error_set(err, WN_EINSTRUMENT,
                        "MODBUS unit %u refuses function %d at address %u: %s: %s", q->unit,
                        (int)q->function, q->address, wn_modbus_exception_text(code), remedy);
}

int wn_modbus_decode(const struct wn_modbus_request *q, const uint8_t *frame, size_t len,
                     struct wn_modbus_reply *out, struct wn_error *err)
{
    size_t total;
    out->exception = 0;
    out->data = NULL;
    out->size = 0;
    int rc = check(q, err);
    if (rc == WN_OK) {
        rc = wn_modbus_expect(q, frame, len, &total, err);
    }
    if (rc != WN_OK) {
        return rc;
    }
    if (total == 0 || len != total) {
        return wn_error_set(err, WN_EFRAME,
                            "the reply of MODBUS unit %u has %zu bytes instead of %zu", q->unit,
                            len, total == 0 ? (size_t)EXCEPTION_LEN : total);
    }
    unsigned sum = (unsigned)frame[len - 1] << 8 | frame[len - 2];
    if (sum != crc(frame, len - 2)) {
        return wn_error_set(err, WN_EFRAME,
                            "the reply of MODBUS unit %u has a wrong CRC (%04X instead of %04X): "
                            "look at cable, termination and baud rate",
                            q->unit, sum, crc(frame, len - 2));
    }
    if ((frame[1] & EXCEPTION_BIT) != 0) {
        out->exception = frame[2] != 0 ? frame[2] : 0xff; /* 0 is none of the specification's */
        return refuse(q, frame[2], err);
    }
    if (!is_read(q->function)) {
        return check_echo(q, frame + 2, err);
    }
    out->data = frame + 3;
    out->size = frame[2];
    return WN_OK;
}

uint16_t wn_modbus_register(const struct wn_modbus_reply *r, size_t i)
{
    wn_assert(i < r->size / 2);
    return get16(r->data + 2 * i);
}

bool wn_modbus_bit(const struct wn_modbus_reply *r, size_t i)
{
    wn_assert(i < r->size * 8);
    return (r->data[i / 8] >> i % 8 & 1) != 0;
}

const char *wn_modbus_exception_text(uint8_t exception)
{
    switch (exception) {
    case 1:
        return "illegal function (01)";
    case 2:
        return "illegal data address (02)";
    case 3:
        return "illegal data value (03)";
    case 4:
        return "server device failure (04)";
    case 5:
        return "acknowledge (05)";
    case 6:
        return "server device busy (06)";
    case 8:
        return "memory parity error (08)";
    case 10:
        return "gateway path unavailable (0A)";
    case 11:
        return "gateway target device failed to respond (0B)";
    default:
        return "an exception that the specification does not have";
    }
}

bool wn_modbus_exception_passes(uint8_t exception)
{
    return exception == 5 || exception == 6;
}

wn_ns wn_modbus_silence_ns(int baud)
{
    wn_assert(baud > 0);
    if (baud > 19200) {
        return 1750 * (WN_NS_PER_MS / 1000);
    }
    int64_t half_bits = 2 * (int64_t)baud; /* 3.5 * 11 bits are 77 of them; rounded up */
    return (WN_NS_PER_S * 77 + half_bits - 1) / half_bits;
}
