/* Virtual bench: the server's side of MODBUS, against the standard's worked examples.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <inttypes.h>
#include <string.h>

#include "support/near.h"
#include "base/prng.h"
#include "seed.h"
#include "virtual_bench/modbus_server.h"

enum { REGISTERS = 2100 };

static uint16_t registers[4][REGISTERS];
static int writes;
static struct wn_mbs server;
static uint8_t reply[WN_MBS_FRAME_MAX];

static int read_map(void *context, enum wn_mbs_table table, unsigned at, unsigned count,
                    uint16_t *out)
{
    (void)context;
    if (at + count > REGISTERS) {
        return WN_MBS_ADDRESS;
    }
    memcpy(out, &registers[table][at], count * sizeof *out);
    return 0;
}

static int write_map(void *context, enum wn_mbs_table table, unsigned at, unsigned count,
                     const uint16_t *in)
{
    (void)context;
    writes++;
    if (at + count > REGISTERS) {
        return WN_MBS_ADDRESS;
    }
    memcpy(&registers[table][at], in, count * sizeof *in);
    return 0;
}

static const struct wn_mbs_map map = {NULL, read_map, write_map};

static void start(uint8_t address)
{
    memset(registers, 0, sizeof registers);
    writes = 0;
    server = (struct wn_mbs){.address = address};
}

/* Sends "address and PDU in hex" with its CRC. */
static size_t ask(const uint8_t *adu, size_t len)
{
    uint8_t frame[WN_MBS_FRAME_MAX + 2];
    uint16_t crc = wn_mbs_crc(adu, len);

    memcpy(frame, adu, len);
    frame[len] = (uint8_t)crc;
    frame[len + 1] = (uint8_t)(crc >> 8);
    return wn_mbs_frame(&server, &map, frame, len + 2, reply);
}

static void check(const uint8_t *adu, size_t len, const uint8_t *want, size_t want_len)
{
    size_t n = ask(adu, len);

    if (want_len == 0) {
        assert_int_equal(n, 0);
        return;
    }
    assert_int_equal(n, want_len + 2);
    assert_memory_equal(reply, want, want_len);
    assert_int_equal(wn_mbs_crc(reply, n), 0); /* a frame with its CRC leaves nothing */
}

#define B(...) (const uint8_t[]){__VA_ARGS__}, sizeof((const uint8_t[]){__VA_ARGS__})

static void test_crc(void **state)
{
    (void)state;
    /* worked example of MODBUS over serial line 1.02, appendix B: 02 07 gives the bytes 41 12 */
    assert_int_equal(wn_mbs_crc(B(0x02, 0x07)), 0x1241);
    /* check value of CRC-16/MODBUS in the usual catalogues */
    assert_int_equal(wn_mbs_crc((const uint8_t *)"123456789", 9), 0x4b37);
    assert_int_equal(wn_mbs_silence_ns(9600), 4010416);
    assert_int_equal(wn_mbs_silence_ns(19200), 2005208);
    assert_int_equal(wn_mbs_silence_ns(115200), 1750000);
}

/* The examples of the application protocol, chapter 6. */
static void test_worked_examples(void **state)
{
    (void)state;
    start(0x11);
    for (unsigned i = 0; i < 19; i++) { /* coils 20 to 38: CD 6B 05 */
        registers[WN_MBS_COILS][19 + i] = (uint16_t)((0x056bcdu >> i) & 1u);
    }
    check(B(0x11, 1, 0, 0x13, 0, 0x13), B(0x11, 1, 3, 0xcd, 0x6b, 0x05));
    for (unsigned i = 0; i < 22; i++) { /* discrete inputs 197 to 218: AC DB 35 */
        registers[WN_MBS_DISCRETES][196 + i] = (uint16_t)((0x35dbacu >> i) & 1u);
    }
    check(B(0x11, 2, 0, 0xc4, 0, 0x16), B(0x11, 2, 3, 0xac, 0xdb, 0x35));
    registers[WN_MBS_HOLDING][107] = 0x022b;
    registers[WN_MBS_HOLDING][109] = 0x0064;
    check(B(0x11, 3, 0, 0x6b, 0, 3), B(0x11, 3, 6, 2, 0x2b, 0, 0, 0, 0x64));
    registers[WN_MBS_INPUT][8] = 0x000a;
    check(B(0x11, 4, 0, 8, 0, 1), B(0x11, 4, 2, 0, 0x0a));
    check(B(0x11, 5, 0, 0xac, 0xff, 0), B(0x11, 5, 0, 0xac, 0xff, 0));
    assert_int_equal(registers[WN_MBS_COILS][172], 1);
    check(B(0x11, 6, 0, 1, 0, 3), B(0x11, 6, 0, 1, 0, 3));
    assert_int_equal(registers[WN_MBS_HOLDING][1], 3);
    check(B(0x11, 15, 0, 0x13, 0, 0x0a, 2, 0xcd, 0x01), B(0x11, 15, 0, 0x13, 0, 0x0a));
    for (unsigned i = 0; i < 10; i++) {
        assert_int_equal(registers[WN_MBS_COILS][19 + i], 0x01cdu >> i & 1u);
    }
    check(B(0x11, 16, 0, 1, 0, 2, 4, 0, 0x0a, 1, 2), B(0x11, 16, 0, 1, 0, 2));
    assert_int_equal(registers[WN_MBS_HOLDING][1], 0x000a);
    assert_int_equal(registers[WN_MBS_HOLDING][2], 0x0102);
    assert_int_equal(server.good, 8);
}

static void test_exceptions(void **state)
{
    (void)state;
    start(1);
    check(B(1, 7), B(1, 0x87, 1)); /* a function there is not */
    check(B(1, 43, 14, 1, 0), B(1, 0xab, 1));
    check(B(1, 3, 0xff, 0xff, 0, 2), B(1, 0x83, 2)); /* beyond the last address */
    check(B(1, 3, 0x10, 0, 0, 1), B(1, 0x83, 2));
    check(B(1, 3, 0, 0, 0, 0), B(1, 0x83, 3));
    check(B(1, 3, 0, 0, 0, 126), B(1, 0x83, 3));
    check(B(1, 1, 0, 0, 0x07, 0xd1), B(1, 0x81, 3)); /* 2001 coils */
    check(B(1, 3, 0, 0, 0), B(1, 0x83, 3));          /* cut short, with a good CRC */
    check(B(1, 5, 0, 0, 0x12, 0x34), B(1, 0x85, 3)); /* neither on nor off */
    check(B(1, 16, 0, 0, 0, 2, 3, 1, 2, 3), B(1, 0x90, 3));
    check(B(1, 16, 0, 0, 0, 2, 3, 1, 2, 3, 4), B(1, 0x90, 3));
    check(B(1, 15, 0, 0, 0, 9, 1, 0xff), B(1, 0x8f, 3));
    check(B(1, 16, 0, 0, 0, 0, 0), B(1, 0x90, 3));
    assert_int_equal(writes, 0);
    server.busy = 1;
    check(B(1, 6, 0, 0, 0, 9), B(1, 0x86, 6));
    check(B(1, 6, 0, 0, 0, 9), B(1, 6, 0, 0, 0, 9));
    assert_int_equal(writes, 1);
    assert_int_equal(ask(B(1, 3, 0, 0, 0, 125)), 255); /* the longest that fits */
    assert_int_equal(ask(B(1, 1, 0, 0, 0x07, 0xd0)), 255);
}

static void test_addresses(void **state)
{
    (void)state;
    start(1);
    check(B(2, 6, 0, 0, 0, 9), NULL, 0); /* somebody else's */
    assert_int_equal(writes, 0);
    check(B(0, 6, 0, 0, 0, 9), NULL, 0); /* everybody's */
    assert_int_equal(registers[WN_MBS_HOLDING][0], 9);
}

/* No single changed bit, lost byte or added byte passes. */
static void test_damage(void **state)
{
    const uint8_t good[] = {0x11, 0x06, 0x00, 0x01, 0x00, 0x03, 0x9a, 0x9b};
    uint8_t bad[9];

    (void)state;
    start(0x11);
    assert_int_equal(wn_mbs_frame(&server, &map, good, 8, reply), 8);
    assert_memory_equal(reply, good, 8);
    for (unsigned bit = 0; bit < 64; bit++) {
        memcpy(bad, good, 8);
        bad[bit / 8] = (uint8_t)(bad[bit / 8] ^ 1u << bit % 8);
        assert_int_equal(wn_mbs_frame(&server, &map, bad, 8, reply), 0);
    }
    for (size_t at = 0; at < 8; at++) {
        memcpy(bad, good, at);
        memcpy(&bad[at], &good[at + 1], 7 - at);
        assert_int_equal(wn_mbs_frame(&server, &map, bad, 7, reply), 0);
    }
    memcpy(bad, good, 8);
    bad[8] = 1;
    assert_int_equal(wn_mbs_frame(&server, &map, bad, 9, reply), 0);
    assert_int_equal(server.bad, 64 + 8 + 1);
    bad[8] = 0; /* the one addition that the CRC cannot see: only the length tells */
    assert_int_equal(wn_mbs_frame(&server, &map, bad, 9, reply), 5);
    assert_int_equal(reply[1], 0x86);
    assert_int_equal(reply[2], WN_MBS_VALUE);
    assert_int_equal(writes, 1);
}

static void test_random_frames(void **state)
{
    const uint64_t seed = seed_or(21);
    struct wn_prng r;
    uint8_t adu[WN_MBS_FRAME_MAX];

    (void)state;
    print_message("WANE_SEED=%" PRIu64 "\n", seed);
    wn_prng_init(&r, seed);
    start(1);
    for (int i = 0; i < 100000; i++) {
        size_t len = 2 + wn_prng_below(&r, 60);
        size_t n;
        for (size_t k = 0; k < len; k++) {
            adu[k] = (uint8_t)(wn_prng_below(&r, 3) == 0 ? wn_prng_below(&r, 256)
                                                         : wn_prng_below(&r, 4));
        }
        adu[0] = 1;
        n = ask(adu, len);
        assert_true(n >= 5 && n <= WN_MBS_FRAME_MAX);
        assert_int_equal(reply[1] & 0x7f, adu[1] & 0x7f);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_crc),        cmocka_unit_test(test_worked_examples),
        cmocka_unit_test(test_exceptions), cmocka_unit_test(test_addresses),
        cmocka_unit_test(test_damage),     cmocka_unit_test(test_random_frames),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
