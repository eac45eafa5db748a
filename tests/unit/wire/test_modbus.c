/* MODBUS RTU frames: the specification's examples, what may be asked, what is no reply.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The examples of MODBUS Application Protocol V1.1b3, sections 6.1 to 6.6, 6.11, 6.12 and 7, and
 * the CRC example of MODBUS over Serial Line V1.02, from memory. Section 6 has no unit and no CRC:
 * here the unit is 17, and the CRC is of crc_of() below, which is written after the other way of
 * doing it (least significant bit first, 0xa001), and checked with two frames that are printed in
 * many manuals. */
#include <string.h>

#include "support/near.h"
#include "wire/modbus.h"

enum { UNIT = 17 };

static unsigned crc_of(const uint8_t *data, size_t len)
{
    unsigned sum = 0xffff;
    for (size_t i = 0; i < len; i++) {
        sum ^= data[i];
        for (int k = 0; k < 8; k++) {
            sum = (sum & 1) != 0 ? sum >> 1 ^ 0xa001 : sum >> 1;
        }
    }
    return sum;
}

/* unit + PDU + CRC */
static size_t frame_of(const char *pdu, size_t len, uint8_t *frame)
{
    frame[0] = UNIT;
    memcpy(frame + 1, pdu, len);
    unsigned sum = crc_of(frame, len + 1);
    frame[len + 1] = (uint8_t)(sum & 0xff);
    frame[len + 2] = (uint8_t)(sum >> 8);
    return len + 3;
}

static void the_crc_is_that_of_the_manuals(void **state)
{
    (void)state;
    static const uint8_t asked[] = {0x01, 0x03, 0x00, 0x00, 0x00, 0x0a, 0xc5, 0xcd};
    static const uint8_t other[] = {0x11, 0x03, 0x00, 0x6b, 0x00, 0x03, 0x76, 0x87};
    uint8_t frame[8];
    size_t len;
    assert_int_equal(crc_of((const uint8_t *)"\x02\x07", 2), 0x1241); /* serial line, 6.2.2 */
    struct wn_modbus_request q = {WN_MODBUS_READ_HOLDING, 1, 0, 10, NULL};
    assert_int_equal(wn_modbus_encode(&q, frame, sizeof frame, &len, NULL), WN_OK);
    assert_int_equal(len, sizeof asked);
    assert_memory_equal(frame, asked, sizeof asked);
    q = (struct wn_modbus_request){WN_MODBUS_READ_HOLDING, 17, 0x6b, 3, NULL};
    assert_int_equal(wn_modbus_encode(&q, frame, sizeof frame, &len, NULL), WN_OK);
    assert_memory_equal(frame, other, sizeof other);
}

static const uint16_t coil_on[] = {1}, three[] = {3}, ten_coils[] = {1, 0, 1, 1, 0, 0, 1, 1, 1, 0},
                      two[] = {0x000a, 0x0102};

static const struct example {
    struct wn_modbus_request q;
    const char *asked, *answered;
    size_t asked_len, answered_len;
} examples[] = {
#define BYTES(asked, answered) asked, answered, sizeof asked - 1, sizeof answered - 1
    {{WN_MODBUS_READ_COILS, UNIT, 0x13, 0x13, NULL},
     BYTES("\x01\x00\x13\x00\x13", "\x01\x03\xcd\x6b\x05")},
    {{WN_MODBUS_READ_INPUTS, UNIT, 0xc4, 0x16, NULL},
     BYTES("\x02\x00\xc4\x00\x16", "\x02\x03\xac\xdb\x35")},
    {{WN_MODBUS_READ_HOLDING, UNIT, 0x6b, 3, NULL},
     BYTES("\x03\x00\x6b\x00\x03", "\x03\x06\x02\x2b\x00\x00\x00\x64")},
    {{WN_MODBUS_READ_INPUT_REGISTERS, UNIT, 8, 1, NULL},
     BYTES("\x04\x00\x08\x00\x01", "\x04\x02\x00\x0a")},
    {{WN_MODBUS_WRITE_COIL, UNIT, 0xac, 1, coil_on},
     BYTES("\x05\x00\xac\xff\x00", "\x05\x00\xac\xff\x00")},
    {{WN_MODBUS_WRITE_REGISTER, UNIT, 1, 1, three},
     BYTES("\x06\x00\x01\x00\x03", "\x06\x00\x01\x00\x03")},
    {{WN_MODBUS_WRITE_COILS, UNIT, 0x13, 10, ten_coils},
     BYTES("\x0f\x00\x13\x00\x0a\x02\xcd\x01", "\x0f\x00\x13\x00\x0a")},
    {{WN_MODBUS_WRITE_REGISTERS, UNIT, 1, 2, two},
     BYTES("\x10\x00\x01\x00\x02\x04\x00\x0a\x01\x02", "\x10\x00\x01\x00\x02")},
};
enum { EXAMPLES = sizeof examples / sizeof examples[0] };

static void examples_are_asked_so(void **state)
{
    (void)state;
    for (size_t i = 0; i < EXAMPLES; i++) {
        uint8_t want[32], got[32];
        size_t n = frame_of(examples[i].asked, examples[i].asked_len, want), len = 0;
        assert_int_equal(wn_modbus_encode(&examples[i].q, got, n, &len, NULL), WN_OK);
        assert_int_equal(len, n);
        assert_memory_equal(got, want, n);
        assert_int_equal(wn_modbus_encode(&examples[i].q, got, n - 1, &len, NULL), WN_ENOSPACE);
        assert_int_equal(len, 0);
    }
}

static struct wn_modbus_reply answer(size_t i, uint8_t *frame)
{
    struct wn_modbus_reply r;
    struct wn_error err = {0};
    size_t n = frame_of(examples[i].answered, examples[i].answered_len, frame);
    if (wn_modbus_decode(&examples[i].q, frame, n, &r, &err) != WN_OK) {
        fail_msg("example %zu: %s", i, err.text);
    }
    assert_int_equal(r.exception, 0);
    return r;
}

static void examples_are_understood(void **state)
{
    (void)state;
    uint8_t frame[32];
    /* coils 20 to 38, from the example's table: CD, 6B, 05 */
    static const char coils[] = "1011001111010110101", inputs[] = "0011010111011011101011";
    struct wn_modbus_reply r = answer(0, frame);
    for (size_t k = 0; coils[k] != '\0'; k++) {
        assert_int_equal(wn_modbus_bit(&r, k), coils[k] - '0');
    }
    r = answer(1, frame);
    for (size_t k = 0; inputs[k] != '\0'; k++) {
        assert_int_equal(wn_modbus_bit(&r, k), inputs[k] - '0');
    }
    r = answer(2, frame);
    assert_int_equal(r.size, 6);
    assert_int_equal(wn_modbus_register(&r, 0), 555);
    assert_int_equal(wn_modbus_register(&r, 1), 0);
    assert_int_equal(wn_modbus_register(&r, 2), 100);
    r = answer(3, frame);
    assert_int_equal(wn_modbus_register(&r, 0), 10);
    for (size_t i = 4; i < EXAMPLES; i++) {
        r = answer(i, frame);
        assert_int_equal(r.size, 0);
    }
}

/* The length is known after 2 bytes, 3 of a read, and never said to be another one. */
static void the_end_is_known_in_time(void **state)
{
    (void)state;
    for (size_t i = 0; i < EXAMPLES; i++) {
        uint8_t frame[32];
        size_t n = frame_of(examples[i].answered, examples[i].answered_len, frame), total;
        size_t known = i < 4 ? 3 : 2;
        for (size_t k = 0; k <= n; k++) {
            assert_int_equal(wn_modbus_expect(&examples[i].q, frame, k, &total, NULL), WN_OK);
            assert_int_equal(total, k < known ? 0 : n);
        }
        frame[1] |= 0x80;
        assert_int_equal(wn_modbus_expect(&examples[i].q, frame, 2, &total, NULL), WN_OK);
        assert_int_equal(total, 5);
    }
}

static void refuse(const struct wn_modbus_request *q, const char *pdu, size_t len, int code,
                   const char *words)
{
    uint8_t frame[32];
    struct wn_modbus_reply r;
    struct wn_error err = {0};
    size_t n = frame_of(pdu, len, frame);
    int rc = wn_modbus_decode(q, frame, n, &r, &err);
    if (rc != code || strstr(err.text, words) == NULL) {
        fail_msg("%d instead of %d: %s", rc, code, err.text);
    }
    assert_null(r.data);
}

/* Frames with a good CRC that answer something else. */
static void good_frames_that_are_no_reply(void **state)
{
    (void)state;
    struct wn_modbus_request q = examples[2].q;
    refuse(&q, "\x04\x06\x02\x2b\x00\x00\x00\x64", 8, WN_EFRAME, "function 4");
    refuse(&q, "\x84\x02", 2, WN_EFRAME, "function 132");
    refuse(&q, "\x03\x04\x02\x2b\x00\x00", 6, WN_EFRAME, "announces 4");
    refuse(&q, "\x03\x06\x02\x2b\x00\x00\x00\x64\x00", 9, WN_EFRAME, "12 bytes instead of 11");
    refuse(&q, "\x03\x00\x6b\x00\x03", 5, WN_EFRAME, "announces 0"); /* its own echo */
    refuse(&q, "\x83\x02\x00", 3, WN_EFRAME, "6 bytes instead of 5");
    q.unit = 18;
    refuse(&q, "\x03\x06\x02\x2b\x00\x00\x00\x64", 8, WN_EFRAME, "unit 17 seems to answer");
    q = examples[5].q;
    refuse(&q, "\x06\x00\x02\x00\x03", 5, WN_EFRAME, "confirms address 2");
    refuse(&q, "\x06\x00\x01\x00\x04", 5, WN_EREADBACK, "3 was written and 4 is confirmed");
    q = examples[4].q;
    refuse(&q, "\x05\x00\xac\x00\x00", 5, WN_EREADBACK, "65280 was written and 0 is confirmed");
    q = examples[7].q;
    refuse(&q, "\x10\x00\x01\x00\x01", 5, WN_EFRAME, "2 was written and 1 is confirmed");
}

static void exceptions_say_what_to_do(void **state)
{
    (void)state;
    static const struct {
        uint8_t code;
        const char *text;
    } rows[] = {
        {1, "illegal function (01)"},
        {2, "illegal data address (02)"},
        {3, "illegal data value (03)"},
        {4, "server device failure (04)"},
        {5, "acknowledge (05)"},
        {6, "server device busy (06)"},
        {8, "memory parity error (08)"},
        {10, "gateway path unavailable (0A)"},
        {11, "gateway target device failed to respond (0B)"},
    };
    struct wn_modbus_request q = {WN_MODBUS_READ_COILS, UNIT, 0x04a1, 1, NULL}; /* section 7 */
    for (unsigned code = 0; code < 256; code++) {
        uint8_t frame[8];
        char pdu[2] = {(char)0x81, (char)code};
        struct wn_modbus_reply r;
        struct wn_error err = {0};
        size_t n = frame_of(pdu, 2, frame);
        assert_int_equal(wn_modbus_decode(&q, frame, n, &r, &err), WN_EINSTRUMENT);
        assert_int_equal(r.exception, code == 0 ? 255 : code);
        assert_non_null(strstr(err.text, "unit 17 refuses function 1 at address 1185"));
        const char *want = "which the specification does not have";
        for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
            want = rows[i].code == code ? rows[i].text : want;
        }
        assert_non_null(strstr(err.text, want));
        assert_true(strstr(want, "(0") == NULL ||
                    strcmp(wn_modbus_exception_text((uint8_t)code), want) == 0);
        assert_int_equal(wn_modbus_exception_passes((uint8_t)code), code == 5 || code == 6);
    }
}

static void try_count(enum wn_modbus_function f, uint16_t address, uint16_t count, int code)
{
    static uint16_t zero[2000];
    uint8_t frame[WN_MODBUS_FRAME_MAX];
    size_t len;
    struct wn_modbus_request q = {f, UNIT, address, count, zero};
    if (wn_modbus_encode(&q, frame, sizeof frame, &len, NULL) != code) {
        fail_msg("function %d, %u from %u on", (int)f, count, address);
    }
    assert_true(code == WN_OK ? len >= 8 : len == 0);
}

static void what_cannot_be_asked(void **state)
{
    (void)state;
    static const struct {
        enum wn_modbus_function f;
        uint16_t max;
    } rows[] = {{WN_MODBUS_READ_COILS, 2000},  {WN_MODBUS_READ_INPUTS, 2000},
                {WN_MODBUS_READ_HOLDING, 125}, {WN_MODBUS_READ_INPUT_REGISTERS, 125},
                {WN_MODBUS_WRITE_COIL, 1},     {WN_MODBUS_WRITE_REGISTER, 1},
                {WN_MODBUS_WRITE_COILS, 1968}, {WN_MODBUS_WRITE_REGISTERS, 123}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        uint16_t max = rows[i].max;
        try_count(rows[i].f, 0, 0, WN_ERANGE);
        try_count(rows[i].f, 0, 1, WN_OK);
        try_count(rows[i].f, 0, max, WN_OK);
        try_count(rows[i].f, 0, (uint16_t)(max + 1), WN_ERANGE);
        try_count(rows[i].f, (uint16_t)(65536 - max), max, WN_OK);
        try_count(rows[i].f, (uint16_t)(65537 - max), max, max == 1 ? WN_OK : WN_ERANGE);
    }
    uint8_t frame[16];
    uint16_t two_is_no_coil = 2;
    size_t len;
    struct wn_modbus_request q = {WN_MODBUS_WRITE_COIL, UNIT, 0, 1, &two_is_no_coil};
    assert_int_equal(wn_modbus_encode(&q, frame, sizeof frame, &len, NULL), WN_EINVAL);
    q.values = NULL;
    assert_int_equal(wn_modbus_encode(&q, frame, sizeof frame, &len, NULL), WN_EINVAL);
    for (int unit = 0; unit < 256; unit++) {
        q = (struct wn_modbus_request){WN_MODBUS_READ_COILS, (uint8_t)unit, 0, 1, NULL};
        assert_int_equal(wn_modbus_encode(&q, frame, sizeof frame, &len, NULL),
                         unit >= 1 && unit <= 247 ? WN_OK : WN_EINVAL);
    }
    for (int f = 0; f < 256; f++) {
        q = (struct wn_modbus_request){(enum wn_modbus_function)f, UNIT, 0, 1, three};
        bool ours = (f >= 1 && f <= 6) || f == 15 || f == 16;
        q.values = f == 5 || f == 15 ? coil_on : three;
        assert_int_equal(wn_modbus_encode(&q, frame, sizeof frame, &len, NULL),
                         ours ? WN_OK : WN_EINVAL);
    }
}

/* 3.5 characters of 11 bits: 4.01 ms at 9600 baud, and no less than 1.75 ms. */
/* Back from its frame, and none but whole ones of ours. */
static void requests_are_read_back(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof examples / sizeof examples[0]; i++) {
        const struct wn_modbus_request *q = &examples[i].q;
        uint8_t frame[WN_MODBUS_FRAME_MAX + 1], again[WN_MODBUS_FRAME_MAX];
        uint16_t values[10];
        size_t len, again_len;
        struct wn_modbus_request got;
        assert_int_equal(wn_modbus_encode(q, frame, sizeof frame, &len, NULL), WN_OK);
        assert_int_equal(wn_modbus_decode_request(frame, len, values, 10, &got, NULL), WN_OK);
        assert_true(got.function == q->function && got.unit == q->unit &&
                    got.address == q->address && got.count == q->count);
        assert_int_equal(wn_modbus_encode(&got, again, sizeof again, &again_len, NULL), WN_OK);
        assert_int_equal(again_len, len);
        assert_memory_equal(again, frame, len);
        for (size_t n = 0; n < len; n++) { /* cut, longer, a bit turned */
            assert_int_equal(wn_modbus_decode_request(frame, n, values, 10, &got, NULL), WN_EFRAME);
            frame[n] ^= 0x10;
            assert_int_not_equal(wn_modbus_decode_request(frame, len, values, 10, &got, NULL),
                                 WN_OK);
            frame[n] ^= 0x10;
        }
        frame[len] = 0;
        assert_int_equal(wn_modbus_decode_request(frame, len + 1, values, 10, &got, NULL),
                         WN_EFRAME);
        if (q->function == WN_MODBUS_WRITE_COILS) {
            assert_int_equal(wn_modbus_decode_request(frame, len, values, 9, &got, NULL),
                             WN_ENOSPACE);
        }
    }
}

static void the_silence(void **state)
{
    (void)state;
    assert_int_equal(wn_modbus_silence_ns(9600), 4010417);
    assert_int_equal(wn_modbus_silence_ns(1200), 32083334);
    assert_int_equal(wn_modbus_silence_ns(19200), 2005209);
    assert_int_equal(wn_modbus_silence_ns(19201), 1750000);
    assert_int_equal(wn_modbus_silence_ns(115200), 1750000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_crc_is_that_of_the_manuals),
        cmocka_unit_test(examples_are_asked_so),
        cmocka_unit_test(examples_are_understood),
        cmocka_unit_test(the_end_is_known_in_time),
        cmocka_unit_test(good_frames_that_are_no_reply),
        cmocka_unit_test(exceptions_say_what_to_do),
        cmocka_unit_test(what_cannot_be_asked),
        cmocka_unit_test(requests_are_read_back),
        cmocka_unit_test(the_silence),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
