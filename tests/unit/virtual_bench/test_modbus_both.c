/* Virtual bench: its server of MODBUS and the client of lib/wire, written apart, check each other.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <inttypes.h>
#include <string.h>

#include "insts.h"
#include "seed.h"
#include "base/prng.h"
#include "wire/modbus.h"

enum { REGISTERS = 3000 };

static uint16_t table[4][REGISTERS];

static int read_map(void *context, enum wn_mbs_table which, unsigned at, unsigned count,
                    uint16_t *out)
{
    (void)context;
    if (at + count > REGISTERS) {
        return WN_MBS_ADDRESS;
    }
    memcpy(out, &table[which][at], count * sizeof *out);
    return 0;
}

static int write_map(void *context, enum wn_mbs_table which, unsigned at, unsigned count,
                     const uint16_t *in)
{
    (void)context;
    if (at + count > REGISTERS) {
        return WN_MBS_ADDRESS;
    }
    memcpy(&table[which][at], in, count * sizeof *in);
    return 0;
}

static const struct wn_mbs_map map = {NULL, read_map, write_map};

static enum wn_mbs_table table_of(enum wn_modbus_function function)
{
    switch (function) {
    case WN_MODBUS_READ_COILS:
    case WN_MODBUS_WRITE_COIL:
    case WN_MODBUS_WRITE_COILS:
        return WN_MBS_COILS;
    case WN_MODBUS_READ_INPUTS:
        return WN_MBS_DISCRETES;
    case WN_MODBUS_READ_INPUT_REGISTERS:
        return WN_MBS_INPUT;
    case WN_MODBUS_READ_HOLDING:
    case WN_MODBUS_WRITE_REGISTER:
    case WN_MODBUS_WRITE_REGISTERS:
        break;
    }
    return WN_MBS_HOLDING;
}

static bool is_bits(enum wn_modbus_function function)
{
    return table_of(function) == WN_MBS_COILS || table_of(function) == WN_MBS_DISCRETES;
}

static void random_request(struct wn_prng *r, struct wn_modbus_request *q, uint16_t *values)
{
    static const enum wn_modbus_function functions[] = {1, 2, 3, 4, 5, 6, 15, 16};
    static const unsigned most[] = {2000, 2000, 125, 125, 1, 1, 1968, 123};
    size_t which = wn_prng_below(r, 8);

    *q = (struct wn_modbus_request){
        .function = functions[which],
        .unit = (uint8_t)(1 + wn_prng_below(r, 247)),
        .count = (uint16_t)(1 + wn_prng_below(r, wn_prng_below(r, 4) == 0 ? most[which]
                                                 : most[which] < 8        ? most[which]
                                                                          : 8)),
        .values = values,
    };
    q->address = (uint16_t)wn_prng_below(r, (uint64_t)(REGISTERS - q->count));
    for (int k = 0; k < q->count; k++) {
        values[k] = (uint16_t)wn_prng_below(r, is_bits(q->function) ? 2 : 65536);
    }
}

/* The reply to q, by way of the server. */
static size_t serve(const struct wn_modbus_request *q, uint8_t *reply)
{
    struct wn_mbs server = {.address = q->unit};
    struct wn_error err = {0};
    uint8_t frame[WN_MODBUS_FRAME_MAX];
    size_t len;

    assert_int_equal(wn_modbus_encode(q, frame, sizeof frame, &len, &err), WN_OK);
    len = wn_mbs_frame(&server, &map, frame, len, reply);
    assert_int_equal(server.good, 1);
    return len;
}

/* Does the client read out of the reply what the server has? */
static void compare(const struct wn_modbus_request *q, const struct wn_modbus_reply *got)
{
    enum wn_mbs_table which = table_of(q->function);

    for (size_t k = 0; k < q->count; k++) {
        uint16_t truth = table[which][q->address + k];
        if (q->function > WN_MODBUS_READ_INPUT_REGISTERS) {
            assert_int_equal(truth, q->values[k]); /* was written */
        } else if (is_bits(q->function)) {
            assert_int_equal(wn_modbus_bit(got, k), truth);
        } else {
            assert_int_equal(wn_modbus_register(got, k), truth);
        }
    }
}

static uint64_t start(struct wn_prng *r, uint64_t usual)
{
    uint64_t seed = seed_or(usual);

    print_message("WANE_SEED=%" PRIu64 "\n", seed);
    wn_prng_init(r, seed);
    for (int k = 0; k < REGISTERS; k++) {
        table[WN_MBS_COILS][k] = (uint16_t)wn_prng_below(r, 2);
        table[WN_MBS_DISCRETES][k] = (uint16_t)wn_prng_below(r, 2);
        table[WN_MBS_HOLDING][k] = (uint16_t)wn_prng_below(r, 65536);
        table[WN_MBS_INPUT][k] = (uint16_t)wn_prng_below(r, 65536);
    }
    return seed;
}

static void test_requests(void **state)
{
    struct wn_prng r;
    struct wn_modbus_request q;
    struct wn_modbus_reply got;
    struct wn_error err = {0};
    uint16_t values[2000];
    uint8_t reply[WN_MBS_FRAME_MAX];

    (void)state;
    (void)start(&r, 41);
    for (int n = 0; n < 20000; n++) {
        size_t total;
        size_t len;
        random_request(&r, &q, values);
        len = serve(&q, reply);
        for (size_t k = 0; k <= len; k++) { /* however little of it is there */
            assert_int_equal(wn_modbus_expect(&q, reply, k, &total, &err), WN_OK);
            assert_true(total == len || (total == 0 && k < 3));
        }
        assert_int_equal(wn_modbus_decode(&q, reply, len, &got, &err), WN_OK);
        compare(&q, &got);
    }
}

static void test_exceptions(void **state)
{
    struct wn_modbus_request q = {WN_MODBUS_READ_HOLDING, 1, REGISTERS, 1, NULL};
    struct wn_modbus_reply got;
    struct wn_error err = {0};
    uint8_t reply[WN_MBS_FRAME_MAX];
    size_t len;

    (void)state;
    len = serve(&q, reply);
    assert_int_equal(wn_modbus_decode(&q, reply, len, &got, &err), WN_EINSTRUMENT);
    assert_int_equal(got.exception, WN_MBS_ADDRESS);
    for (int baud = 300; baud <= 115200; baud += 300) {
        assert_near((double)wn_mbs_silence_ns(baud), (double)wn_modbus_silence_ns(baud), 1.0);
    }
}

/* One bit turned, one byte lost, one byte too many: how often does another value come out? */
static void test_damaged_replies(void **state)
{
    struct wn_prng r;
    struct wn_modbus_request q;
    struct wn_modbus_reply got;
    struct wn_error err = {0};
    uint16_t values[2000];
    uint8_t reply[WN_MBS_FRAME_MAX];
    uint8_t bad[WN_MBS_FRAME_MAX + 1];
    long tried[3] = {0};
    long taken[3] = {0};

    (void)state;
    (void)start(&r, 42);
    for (int n = 0; n < 60000; n++) {
        int how = n % 3;
        size_t len;
        size_t at;
        random_request(&r, &q, values);
        len = serve(&q, reply);
        at = wn_prng_below(&r, len);
        memcpy(bad, reply, at);
        if (how == 0) {
            memcpy(&bad[at], &reply[at], len - at);
            bad[at] = (uint8_t)(bad[at] ^ 1u << wn_prng_below(&r, 8));
        } else if (how == 1) {
            memcpy(&bad[at], &reply[at + 1], len - at - 1);
            len--;
        } else {
            bad[at] = (uint8_t)wn_prng_below(&r, 256);
            memcpy(&bad[at + 1], &reply[at], len - at);
            len++;
        }
        tried[how]++;
        taken[how] += wn_modbus_decode(&q, bad, len, &got, &err) == WN_OK;
    }
    for (int how = 0; how < 3; how++) {
        static const char *const what[] = {"a bit turned", "a byte lost", "a byte too many"};
        print_message("   %s: %ld of %ld taken\n", what[how], taken[how], tried[how]);
        assert_int_equal(taken[how], 0); /* the whole length is known: nothing is left to chance */
    }
}

/* The instruments of the bench, asked by the client, with values out of double registers. */
static void test_instruments(void **state)
{
    struct wn_modbus_request q = {WN_MODBUS_READ_INPUT_REGISTERS, 9, 6, 4, NULL};
    struct wn_modbus_value v;
    struct wn_modbus_reply got;
    struct wn_error err = {0};
    uint8_t frame[WN_MODBUS_FRAME_MAX];
    char reply[300];
    struct wn_inst *i;
    double value = 0.0;
    size_t len;

    (void)state;
    for (int low = 0; low < 2; low++) {
        vb_start(1, 1.0);
        i = vb_add(WN_INST_MODBUS_TESTER, low ? "address=9 low-word-first" : "address=9");
        vb.world[0].set.function = WN_TESTER_DISCHARGE;
        vb.world[0].set.current_a = 7.5;
        assert_true(wn_tester_switch(&vb.world[0], true));
        vb_pass(S);
        assert_int_equal(wn_modbus_encode(&q, frame, sizeof frame, &len, &err), WN_OK);
        vb_feed(i, frame, len);
        len = vb_wait(i, 5 * MS, reply, sizeof reply);
        assert_int_equal(wn_modbus_decode(&q, (uint8_t *)reply, len, &got, &err), WN_OK);
        wn_modbus_value_init(&v, q.function, 8, WN_MODBUS_I32);
        v.low_word_first = low == 1;
        v.scale = 1e-4;
        assert_int_equal(wn_modbus_value_read(&v, &got, 6, &value, &err), WN_OK);
        assert_near(value, -7.5, 1e-9);
        wn_modbus_value_init(&v, q.function, 6, WN_MODBUS_I32);
        v.low_word_first = low == 1;
        v.scale = 1e-4;
        assert_int_equal(wn_modbus_value_read(&v, &got, 6, &value, &err), WN_OK);
        assert_near(value, wn_cell_voltage(&vb.world[0].cell, -7.5), 1e-3);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_requests),
        cmocka_unit_test(test_exceptions),
        cmocka_unit_test(test_damaged_replies),
        cmocka_unit_test(test_instruments),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
