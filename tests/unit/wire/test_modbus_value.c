/* MODBUS values: numbers of every kind and order, scales, bit fields; and reads that are shared.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "base/prng.h"
#include "support/near.h"
#include "wire/modbus.h"

static struct wn_modbus_value value_of(enum wn_modbus_type type)
{
    struct wn_modbus_value v;
    wn_modbus_value_init(&v, type == WN_MODBUS_BIT ? WN_MODBUS_READ_COILS : WN_MODBUS_READ_HOLDING,
                         100, type);
    assert_int_equal(wn_modbus_value_check(&v, NULL), WN_OK);
    return v;
}

static double read_of(const struct wn_modbus_value *v, const char *bytes, size_t n)
{
    double out = NAN;
    struct wn_modbus_reply r = {0, (const uint8_t *)bytes, n};
    struct wn_error err = {0};
    if (wn_modbus_value_read(v, &r, 100, &out, &err) != WN_OK) {
        fail_msg("%s", err.text);
    }
    return out;
}

static void numbers_of_every_kind(void **state)
{
    (void)state;
    struct wn_modbus_value v = value_of(WN_MODBUS_U16);
    assert_true(read_of(&v, "\x80\x01", 2) == 32769);
    v.low_byte_first = true;
    assert_true(read_of(&v, "\x80\x01", 2) == 384);
    v = value_of(WN_MODBUS_I16);
    assert_true(read_of(&v, "\x80\x01", 2) == -32767);
    assert_true(read_of(&v, "\x7f\xff", 2) == 32767);
    v = value_of(WN_MODBUS_U32);
    assert_true(read_of(&v, "\x87\x65\x43\x21", 4) == 2271560481.0);
    v.low_word_first = true;
    assert_true(read_of(&v, "\x43\x21\x87\x65", 4) == 2271560481.0);
    v.low_byte_first = true;
    assert_true(read_of(&v, "\x21\x43\x65\x87", 4) == 2271560481.0);
    v.low_word_first = false;
    assert_true(read_of(&v, "\x65\x87\x21\x43", 4) == 2271560481.0);
    v = value_of(WN_MODBUS_I32);
    assert_true(read_of(&v, "\xff\xff\xff\xfe", 4) == -2);
    assert_true(read_of(&v, "\x80\x00\x00\x00", 4) == -2147483648.0);
    v = value_of(WN_MODBUS_F32); /* IEEE 754: 0x40490fdb is the single nearest to pi */
    assert_true(read_of(&v, "\x40\x49\x0f\xdb", 4) == (double)3.14159274F);
    assert_true(read_of(&v, "\xc0\x00\x00\x00", 4) == -2);
    v = value_of(WN_MODBUS_BIT);
    assert_true(read_of(&v, "\x01", 1) == 1);
    assert_true(read_of(&v, "\xfe", 1) == 0);
}

static void scale_offset_and_place(void **state)
{
    (void)state;
    struct wn_modbus_value v = value_of(WN_MODBUS_I16);
    v.scale = 0.01;
    v.offset = -40;
    v.address = 101;
    assert_near(read_of(&v, "\x00\x00\x19\x64", 4), 25.0, 1e-12);
    double out = 77;
    struct wn_modbus_reply r = {0, (const uint8_t *)"\x19\x64", 2};
    assert_int_equal(wn_modbus_value_read(&v, &r, 100, &out, NULL), WN_ERANGE);
    assert_int_equal(wn_modbus_value_read(&v, &r, 102, &out, NULL), WN_ERANGE);
    v.type = WN_MODBUS_I32;
    assert_int_equal(wn_modbus_value_read(&v, &r, 101, &out, NULL), WN_ERANGE);
    assert_true(out == 77);
}

static void what_is_no_number_is_refused(void **state)
{
    (void)state;
    static const char *const bad[] = {"\x7f\x80\x00\x00", "\xff\x80\x00\x00", "\x7f\xc0\x00\x00",
                                      "\x7f\x80\x00\x01", "\xff\xff\xff\xff"};
    struct wn_modbus_value v = value_of(WN_MODBUS_F32);
    struct wn_error err = {0};
    double out = 77;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct wn_modbus_reply r = {0, (const uint8_t *)bad[i], 4};
        assert_int_equal(wn_modbus_value_read(&v, &r, 100, &out, &err), WN_EFRAME);
        assert_non_null(strstr(err.text, "no number"));
    }
    struct wn_modbus_reply r = {0, (const uint8_t *)"\x7f\x7f\xff\xff", 4};
    v.scale = 1e300; /* too large after scaling */
    assert_int_equal(wn_modbus_value_read(&v, &r, 100, &out, &err), WN_EFRAME);
    assert_true(out == 77);
}

static void bit_fields(void **state)
{
    (void)state;
    struct wn_modbus_value v = value_of(WN_MODBUS_U16);
    v.bits = 3;
    v.first_bit = 4;
    assert_true(read_of(&v, "\xff\xdf", 2) == 5);
    uint16_t registers[2] = {0xff8f, 0x1234};
    double taken;
    assert_int_equal(wn_modbus_value_write(&v, 5, registers, &taken, NULL), WN_OK);
    assert_int_equal(registers[0], 0xffdf);
    assert_int_equal(registers[1], 0x1234);
    assert_true(taken == 5);
    assert_int_equal(wn_modbus_value_write(&v, 8, registers, NULL, NULL), WN_ERANGE);
    v = value_of(WN_MODBUS_U32);
    v.bits = 32;
    assert_true(read_of(&v, "\xff\xff\xff\xff", 4) == 4294967295.0);
    v.bits = 1;
    v.first_bit = 31;
    v.low_word_first = true;
    assert_true(read_of(&v, "\x00\x00\x80\x00", 4) == 1);
    assert_int_equal(wn_modbus_value_check(&v, NULL), WN_OK);
    v.bits = 2;
    assert_int_equal(wn_modbus_value_check(&v, NULL), WN_EINVAL);
    v = value_of(WN_MODBUS_I16);
    v.bits = 1;
    assert_int_equal(wn_modbus_value_check(&v, NULL), WN_EINVAL);
}

static void nonsense_is_no_value(void **state)
{
    (void)state;
    struct wn_modbus_value v = value_of(WN_MODBUS_U16);
    v.scale = 0;
    assert_int_equal(wn_modbus_value_check(&v, NULL), WN_EINVAL);
    v.scale = NAN;
    assert_int_equal(wn_modbus_value_check(&v, NULL), WN_EINVAL);
    v = value_of(WN_MODBUS_U16);
    v.offset = INFINITY;
    assert_int_equal(wn_modbus_value_check(&v, NULL), WN_EINVAL);
    v = value_of(WN_MODBUS_U16);
    v.function = WN_MODBUS_READ_COILS;
    assert_int_equal(wn_modbus_value_check(&v, NULL), WN_EINVAL);
    v.function = WN_MODBUS_WRITE_REGISTER;
    assert_int_equal(wn_modbus_value_check(&v, NULL), WN_EINVAL);
    v = value_of(WN_MODBUS_F32);
    v.address = 65534;
    assert_int_equal(wn_modbus_value_check(&v, NULL), WN_OK);
    v.address = 65535;
    assert_int_equal(wn_modbus_value_check(&v, NULL), WN_ERANGE);
}

/* Just inside and just outside of what fits, with rounding to the nearest. */
static void limits_of_writing(void **state)
{
    (void)state;
    static const struct {
        enum wn_modbus_type type;
        double low, high;
    } rows[] = {{WN_MODBUS_BIT, 0, 1},
                {WN_MODBUS_U16, 0, 65535},
                {WN_MODBUS_I16, -32768, 32767},
                {WN_MODBUS_U32, 0, 4294967295.0},
                {WN_MODBUS_I32, -2147483648.0, 2147483647.0}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct wn_modbus_value v = value_of(rows[i].type);
        uint16_t registers[2] = {7, 7};
        double taken = NAN;
        assert_int_equal(wn_modbus_value_write(&v, rows[i].low, registers, &taken, NULL), WN_OK);
        assert_true(taken == rows[i].low);
        assert_int_equal(wn_modbus_value_write(&v, rows[i].high + 0.4, registers, &taken, NULL),
                         WN_OK);
        assert_true(taken == rows[i].high);
        assert_int_equal(wn_modbus_value_write(&v, rows[i].high + 0.6, registers, NULL, NULL),
                         WN_ERANGE);
        assert_int_equal(wn_modbus_value_write(&v, rows[i].low - 0.6, registers, NULL, NULL),
                         WN_ERANGE);
        assert_int_equal(wn_modbus_value_write(&v, NAN, registers, NULL, NULL), WN_ERANGE);
        assert_int_equal(wn_modbus_value_write(&v, INFINITY, registers, NULL, NULL), WN_ERANGE);
    }
    struct wn_modbus_value v = value_of(WN_MODBUS_F32);
    uint16_t registers[2];
    assert_int_equal(wn_modbus_value_write(&v, 3.4e38, registers, NULL, NULL), WN_OK);
    assert_int_equal(wn_modbus_value_write(&v, 3.5e38, registers, NULL, NULL), WN_ERANGE);
    v = value_of(WN_MODBUS_U16);
    v.scale = 0.01;
    double taken = NAN;
    assert_int_equal(wn_modbus_value_write(&v, 4.204, registers, &taken, NULL), WN_OK);
    assert_int_equal(registers[0], 420);
    assert_near(taken, 4.2, 1e-12);
}

static struct wn_prng seeded(void)
{
    const char *text = getenv("SEED");
    int64_t seed = 20260601;
    struct wn_prng p;
    if (text != NULL) {
        assert_int_equal(wn_num_parse_int(text, strlen(text), &seed), 0);
    }
    print_message("SEED=%lld\n", (long long)seed);
    wn_prng_init(&p, (uint64_t)seed);
    return p;
}

static struct wn_modbus_value any_value(struct wn_prng *p, unsigned room)
{
    struct wn_modbus_value v;
    enum wn_modbus_type type = (enum wn_modbus_type)wn_prng_below(p, 6);
    unsigned bits = type == WN_MODBUS_BIT ? 1 : 3;
    wn_modbus_value_init(&v, (enum wn_modbus_function)(bits + wn_prng_below(p, 2)),
                         (uint16_t)wn_prng_below(p, room), type);
    v.low_word_first = wn_prng_below(p, 2) != 0;
    v.low_byte_first = wn_prng_below(p, 2) != 0;
    return v;
}

/* What was written is read back as what was said to be taken. */
static void written_is_read_back(void **state)
{
    (void)state;
    struct wn_prng p = seeded();
    for (int i = 0; i < 20000; i++) {
        struct wn_modbus_value v = any_value(&p, 65534);
        uint16_t registers[2] = {0, 0};
        uint8_t bytes[4];
        double taken = NAN, back = NAN;
        v.scale = wn_prng_below(&p, 2) != 0 ? 0.001 : -2.5;
        v.offset = wn_prng_normal(&p);
        double number = v.type == WN_MODBUS_BIT ? 1 : floor(wn_prng_uniform(&p) * 32768);
        double value = number * v.scale + v.offset;
        assert_int_equal(wn_modbus_value_write(&v, value, registers, &taken, NULL), WN_OK);
        assert_near(taken, value, fabs(value) * 1e-6 + 1e-6);
        for (int k = 0; k < 2; k++) {
            bytes[2 * k] = (uint8_t)(registers[k] >> 8);
            bytes[2 * k + 1] = (uint8_t)(registers[k] & 0xff);
        }
        if (v.type == WN_MODBUS_BIT) {
            bytes[0] = (uint8_t)registers[0];
        }
        struct wn_modbus_reply r = {0, bytes, v.type == WN_MODBUS_BIT ? 1 : 4};
        assert_int_equal(wn_modbus_value_read(&v, &r, v.address, &back, NULL), WN_OK);
        assert_true(back == taken);
    }
}

static void neighbours_share_a_read(void **state)
{
    (void)state;
    struct wn_modbus_value v[5];
    struct wn_modbus_span s[5];
    size_t n;
    wn_modbus_value_init(&v[0], WN_MODBUS_READ_HOLDING, 12, WN_MODBUS_F32);
    wn_modbus_value_init(&v[1], WN_MODBUS_READ_HOLDING, 10, WN_MODBUS_U32);
    wn_modbus_value_init(&v[2], WN_MODBUS_READ_HOLDING, 15, WN_MODBUS_U16);
    wn_modbus_value_init(&v[3], WN_MODBUS_READ_INPUT_REGISTERS, 14, WN_MODBUS_U16);
    wn_modbus_value_init(&v[4], WN_MODBUS_READ_HOLDING, 10, WN_MODBUS_U16);
    assert_int_equal(wn_modbus_group(v, 5, 0, s, 5, &n, NULL), WN_OK);
    assert_int_equal(n, 3);
    assert_int_equal(s[0].address, 10);
    assert_int_equal(s[0].count, 4);
    assert_int_equal(s[1].address, 15);
    assert_int_equal(s[1].count, 1);
    assert_int_equal(s[2].function, WN_MODBUS_READ_INPUT_REGISTERS);
    assert_int_equal(wn_modbus_group(v, 5, 1, s, 5, &n, NULL), WN_OK);
    assert_int_equal(n, 2);
    assert_int_equal(s[0].count, 6);
    assert_int_equal(wn_modbus_group(v, 5, 1, s, 1, &n, NULL), WN_ENOSPACE);
    assert_int_equal(wn_modbus_group(v, 0, 1, s, 1, &n, NULL), WN_OK);
    assert_int_equal(n, 0);
    v[2].scale = 0;
    assert_int_equal(wn_modbus_group(v, 5, 1, s, 5, &n, NULL), WN_EINVAL);
}

/* A pair of registers that would be cut by the limit of 125 goes into the next read whole. */
static void no_value_is_cut(void **state)
{
    (void)state;
    struct wn_modbus_value v[64];
    struct wn_modbus_span s[4];
    size_t n;
    for (size_t i = 0; i < 64; i++) {
        wn_modbus_value_init(&v[i], WN_MODBUS_READ_HOLDING, (uint16_t)(2 * i), WN_MODBUS_F32);
    }
    assert_int_equal(wn_modbus_group(v, 64, 0, s, 4, &n, NULL), WN_OK);
    assert_int_equal(n, 2);
    assert_int_equal(s[0].count, 124);
    assert_int_equal(s[1].address, 124);
    assert_int_equal(s[1].count, 4);
}

/* Every value is in a read, no read is larger than allowed or holds a longer gap than allowed, and
 * neighbouring reads could not have been one. */
static void any_values_are_grouped_well(void **state)
{
    (void)state;
    struct wn_prng p = seeded();
    for (int round = 0; round < 400; round++) {
        struct wn_modbus_value v[40];
        struct wn_modbus_span s[40];
        size_t n = 1 + wn_prng_below(&p, 40), count;
        uint16_t gap = (uint16_t)wn_prng_below(&p, 4);
        for (size_t i = 0; i < n; i++) {
            v[i] = any_value(&p, round % 2 != 0 ? 60 : 3000);
        }
        assert_int_equal(wn_modbus_group(v, n, gap, s, 40, &count, NULL), WN_OK);
        for (size_t i = 0; i < n; i++) {
            int held = 0;
            for (size_t k = 0; k < count; k++) {
                held += wn_modbus_span_holds(&s[k], &v[i]);
            }
            assert_true(held >= 1);
        }
        for (size_t k = 0; k < count; k++) {
            unsigned end = (unsigned)s[k].address + s[k].count,
                     max = s[k].function < 3 ? 2000 : 125;
            assert_true(s[k].count >= 1 && s[k].count <= max);
            unsigned unwanted = 0;
            for (unsigned a = s[k].address; a < end; a++) {
                bool wanted = false;
                for (size_t i = 0; i < n; i++) {
                    wanted = wanted || (v[i].function == s[k].function && a >= v[i].address &&
                                        a < v[i].address + (unsigned)wn_modbus_value_width(&v[i]));
                }
                unwanted = wanted ? 0 : unwanted + 1;
                assert_true(unwanted <= gap);
            }
            bool joinable = k + 1 < count && s[k + 1].function == s[k].function &&
                            s[k + 1].address <= end + gap &&
                            s[k + 1].address + 2u <= s[k].address + max;
            assert_false(joinable);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(numbers_of_every_kind),
        cmocka_unit_test(scale_offset_and_place),
        cmocka_unit_test(what_is_no_number_is_refused),
        cmocka_unit_test(bit_fields),
        cmocka_unit_test(nonsense_is_no_value),
        cmocka_unit_test(limits_of_writing),
        cmocka_unit_test(written_is_read_back),
        cmocka_unit_test(neighbours_share_a_read),
        cmocka_unit_test(no_value_is_cut),
        cmocka_unit_test(any_values_are_grouped_well),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
