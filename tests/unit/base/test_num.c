/* Numbers: the grammar, correct rounding, round trips, and every locale the same.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include <float.h>
#include <inttypes.h>
#include <locale.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "support/near.h"
#include "base/err.h"
#include "base/num.h"
#include "base/prng.h"

#define UNTOUCHED (-77.25)

static int parse(const char *text, double *out)
{
    *out = UNTOUCHED;
    return wn_num_parse(text, strlen(text), out);
}

static int same_bits(double a, double b)
{
    return memcmp(&a, &b, sizeof a) == 0;
}

static uint64_t seed_of_run(void)
{
    const char *from_env = getenv("SEED");
    int64_t seed = 20260501;
    if (from_env != NULL) {
        assert_int_equal(wn_num_parse_int(from_env, strlen(from_env), &seed), WN_OK);
    }
    print_message("SEED=%" PRId64 "\n", seed);
    return (uint64_t)seed;
}

static void check_values(void)
{
    static const struct {
        const char *text;
        double want;
    } table[] = {
        {"0", 0.0},
        {"-0", -0.0},
        {"+0", 0.0},
        {"00012", 12.0},
        {"4.2", 4.2},
        {"-4.2", -4.2},
        {"+4.2", 4.2},
        {".5", 0.5},
        {"5.", 5.0},
        {"-.5e1", -5.0},
        {"1e3", 1000.0},
        {"1E3", 1000.0},
        {"1e+3", 1000.0},
        {"1e-3", 1e-3},
        {"1.e2", 100.0},
        {"0e999999", 0.0},
        {"9.9E37", 9.9e37},
        /* ties to even around 2^53, and the hard cases at both ends of the range */
        {"9007199254740993", 9007199254740992.0},
        {"9007199254740995", 9007199254740996.0},
        {"9007199254740993.0000000000000000000000000000000001", 9007199254740994.0},
        {"1.7976931348623157e308", DBL_MAX},
        {"1.7976931348623158e308", DBL_MAX},
        {"2.2250738585072014e-308", DBL_MIN},
        {"2.2250738585072011e-308", 0x0.fffffffffffffp-1022},
        {"4.9e-324", 0x1p-1074},
        {"2.4703282292062328e-324", 0x1p-1074},
        {"2.4703282292062327e-324", 0.0},
        {"1e-999", 0.0},
        {"-1e-999", -0.0},
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        double got;
        if (parse(table[i].text, &got) != WN_OK || !same_bits(got, table[i].want)) {
            fail_msg("\"%s\": got %a, want %a", table[i].text, got, table[i].want);
        }
    }
}

static void check_garbage(void)
{
    static const char *const table[] = {
        "",      " ",     "4 ",       " 4",       "4,2",      "4.2.1",      "1,000",
        "1 000", "1'000", "1_000",    "+",        "-",        "+-4",        "--4",
        ".",     "-.",    "e5",       ".e5",      "1e",       "1e+",        "1e-",
        "1e5.",  "1e5e5", "1e5.5",    "0x10",     "0x1p3",    "1p3",        "inf",
        "-inf",  "INF",   "infinity", "nan",      "NAN",      "nan(1)",     "4V",
        "4 V",   "4f",    "4L",       "4e3f",     "OVER",     "OL",         "\t4",
        "4\n",   "\n",    "4\r",      "\xc2\xbd", "\xd9\xa4", "4\331\2532", "\xef\xbc\x94",
        "%d",    "1e5 ",  "1 e5",     "(4)",      "$4",       "4%",         "1/2",
        "4-",    "4+",
    };
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        double got;
        if (parse(table[i], &got) != WN_ESYNTAX || !same_bits(got, UNTOUCHED)) {
            fail_msg("\"%s\" was accepted as %g, or touched the result", table[i], got);
        }
    }
}

static void test_values(void **state)
{
    (void)state;
    check_values();
}

static void test_garbage(void **state)
{
    (void)state;
    check_garbage();
}

static void test_every_single_byte(void **state)
{
    (void)state;
    for (int c = 0; c < 256; c++) {
        char text[3] = {'4', (char)c, '2'};
        double got = UNTOUCHED;
        int is_digit = c >= '0' && c <= '9';
        int want = is_digit || c == '.' || c == 'e' || c == 'E' ? WN_OK : WN_ESYNTAX;
        assert_int_equal(wn_num_parse(text, 3, &got), want);
        assert_int_equal(wn_num_parse(&text[1], 1, &got), is_digit ? WN_OK : WN_ESYNTAX);
    }
}

static void test_too_large(void **state)
{
    static const char *const table[] = {"1.7976931348623159e308", "-1.7976931348623159e308",
                                        "1e309", "1e99999999999999999999"};
    double got;

    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        assert_int_equal(parse(table[i], &got), WN_ERANGE);
        assert_true(same_bits(got, UNTOUCHED));
    }
}

static void test_length(void **state)
{
    char text[WN_NUM_LEN_MAX + 2];
    double got;

    (void)state;
    memset(text, '0', sizeof text);
    text[0] = '1';
    text[1] = '.';
    got = UNTOUCHED;
    assert_int_equal(wn_num_parse(text, WN_NUM_LEN_MAX, &got), WN_OK);
    assert_true(same_bits(got, 1.0));
    got = UNTOUCHED;
    assert_int_equal(wn_num_parse(text, WN_NUM_LEN_MAX + 1, &got), WN_ESYNTAX);
    assert_true(same_bits(got, UNTOUCHED));
    /* Only the given length is read; what follows belongs to somebody else. */
    assert_int_equal(wn_num_parse("4.25", 3, &got), WN_OK);
    assert_true(same_bits(got, 4.2));
    assert_int_equal(wn_num_parse("4\0002", 3, &got), WN_ESYNTAX);
}

static void test_scan(void **state)
{
    static const struct {
        const char *text;
        size_t want;
    } table[] = {
        {"", 0},       {"A", 0},  {"4", 1},   {"4 A", 1},   {"4A", 1},
        {"-4.2mV", 4}, {"1e", 1}, {"1e3", 3}, {"1e3A", 3},  {"1e+A", 1},
        {"5.V", 2},    {".V", 0}, {"-V", 0},  {"1.2.3", 3}, {"1,5", 1},
    };
    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        assert_int_equal(wn_num_scan(table[i].text, strlen(table[i].text)), table[i].want);
    }
}

static void test_integers(void **state)
{
    static const struct {
        const char *text;
        int rc;
        int64_t want;
    } table[] = {
        {"0", WN_OK, 0},
        {"-0", WN_OK, 0},
        {"+7", WN_OK, 7},
        {"007", WN_OK, 7},
        {"-42", WN_OK, -42},
        {"9223372036854775807", WN_OK, INT64_MAX},
        {"9223372036854775808", WN_ERANGE, 5},
        {"-9223372036854775808", WN_OK, INT64_MIN},
        {"-9223372036854775809", WN_ERANGE, 5},
        {"-9223372036854775807", WN_OK, -INT64_MAX},
        {"18446744073709551616", WN_ERANGE, 5},
        {"99999999999999999999999", WN_ERANGE, 5},
        {"00000000000000000000000000000000000009", WN_OK, 9},
        {"", WN_ESYNTAX, 5},
        {"-", WN_ESYNTAX, 5},
        {"+", WN_ESYNTAX, 5},
        {"4.0", WN_ESYNTAX, 5},
        {"1e3", WN_ESYNTAX, 5},
        {" 4", WN_ESYNTAX, 5},
        {"4 ", WN_ESYNTAX, 5},
        {"0x10", WN_ESYNTAX, 5},
        {"--4", WN_ESYNTAX, 5},
        {"4-", WN_ESYNTAX, 5},
        {"1000000000000000000000000000000000000000000000000000000000000000", WN_ESYNTAX, 5},
    };
    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        int64_t got = 5;
        int rc = wn_num_parse_int(table[i].text, strlen(table[i].text), &got);
        if (rc != table[i].rc || got != table[i].want) {
            fail_msg("\"%s\": %d, %" PRId64, table[i].text, rc, got);
        }
    }
}

/* Up to 15 digits and a power of ten up to 1e22 are exact doubles, so one IEEE division or product
 * is the correctly rounded value: a reference that needs no conversion routine (Clinger 1990, "How
 * to read floating point numbers accurately"). */
static void check_against_exact_arithmetic(uint64_t seed)
{
    struct wn_prng r;
    double power[23] = {1.0};

    for (int i = 1; i <= 22; i++) {
        power[i] = power[i - 1] * 10.0;
    }
    wn_prng_init(&r, seed);
    for (int i = 0; i < 50000; i++) {
        uint64_t digits = wn_prng_below(&r, UINT64_C(1000000000000000));
        int k = (int)wn_prng_below(&r, 45) - 22;
        double want = k < 0 ? (double)digits / power[-k] : (double)digits * power[k];
        char text[64];
        double got;
        (void)snprintf(text, sizeof text, "%" PRIu64 "e%d", digits, k);
        if (parse(text, &got) != WN_OK || !same_bits(got, want)) {
            fail_msg("\"%s\": got %a, want %a", text, got, want);
        }
        if (k < 0 && k > -15) { /* the same with a point */
            (void)snprintf(text, sizeof text, "%016" PRIu64, digits);
            memmove(&text[16 + k + 1], &text[16 + k], (size_t)-k + 1);
            text[16 + k] = '.';
            if (parse(text, &got) != WN_OK || !same_bits(got, want)) {
                fail_msg("\"%s\": got %a, want %a", text, got, want);
            }
        }
    }
}

/* 17 digits in the C locale are the reference for writing; reading them must give the same bits
 * again. */
static void check_round_trip(uint64_t seed)
{
    locale_t c = newlocale(LC_ALL_MASK, "C", (locale_t)0);
    struct wn_prng r;
    int count = 0;

    assert_true(c != (locale_t)0);
    wn_prng_init(&r, seed);
    while (count < 50000) {
        uint64_t bits = wn_prng_next(&r);
        char want[64];
        char got[25];
        double value;
        double back;
        locale_t before;
        memcpy(&value, &bits, sizeof value);
        if (count % 2 == 1) { /* every second one of a magnitude that instruments report */
            value = wn_prng_normal(&r) * (count % 4 == 1 ? 5.0 : 1e-3);
        }
        if (!isfinite(value)) {
            continue;
        }
        before = uselocale(c);
        (void)snprintf(want, sizeof want, "%.17g", value);
        (void)uselocale(before);
        assert_string_equal(wn_num_format(value, 17, got, sizeof got), want);
        assert_int_equal(parse(got, &back), WN_OK);
        assert_true(same_bits(back, value));
        count++;
    }
    freelocale(c);
}

static void test_exact_arithmetic(void **state)
{
    (void)state;
    check_against_exact_arithmetic(seed_of_run());
}

static void test_round_trip(void **state)
{
    (void)state;
    check_round_trip(seed_of_run());
}

static void check_written(void)
{
    char buf[32];

    assert_string_equal(wn_num_format(4.2, 17, buf, sizeof buf), "4.2000000000000002");
    assert_string_equal(wn_num_format(4.2, 6, buf, sizeof buf), "4.2");
    assert_string_equal(wn_num_format(100.0, 3, buf, sizeof buf), "100");
    assert_string_equal(wn_num_format(-0.00025, 2, buf, sizeof buf), "-0.00025");
    assert_string_equal(wn_num_format(1234567.0, 3, buf, sizeof buf), "1.23e+06");
    assert_string_equal(wn_num_format(0.0, 17, buf, sizeof buf), "0");
    assert_string_equal(wn_num_format(-0.0, 17, buf, sizeof buf), "-0");
    assert_string_equal(wn_num_format(NAN, 6, buf, sizeof buf), "nan");
    assert_string_equal(wn_num_format(-NAN, 6, buf, sizeof buf), "nan");
    assert_string_equal(wn_num_format(INFINITY, 6, buf, sizeof buf), "inf");
    assert_string_equal(wn_num_format(-INFINITY, 6, buf, sizeof buf), "-inf");
    assert_string_equal(wn_num_fixed(4.2, 3, buf, sizeof buf), "4.200");
    assert_string_equal(wn_num_fixed(-4.25, 1, buf, sizeof buf), "-4.2"); /* ties to even */
    assert_string_equal(wn_num_fixed(2.5, 0, buf, sizeof buf), "2");
    assert_string_equal(wn_num_fixed(-0.0004, 3, buf, sizeof buf), "0.000");
    assert_string_equal(wn_num_fixed(-0.0006, 3, buf, sizeof buf), "-0.001");
    assert_string_equal(wn_num_fixed(-0.2, 0, buf, sizeof buf), "0");
    assert_string_equal(wn_num_fixed(-10.0, 0, buf, sizeof buf), "-10");
    /* 12 digits, the point and 17 decimals need 31 bytes */
    assert_string_equal(wn_num_fixed(999999999999.875, 17, buf, sizeof buf),
                        "999999999999.87500000000000000");
    assert_string_equal(wn_num_fixed(NAN, 3, buf, sizeof buf), "nan");
    assert_string_equal(wn_num_fixed(-INFINITY, 3, buf, sizeof buf), "-inf");
    assert_string_equal(wn_num_fixed(1e15, 3, buf, sizeof buf), "1000000000000000");
    assert_string_equal(wn_num_fixed(-1e300, 3, buf, sizeof buf), "-1.0000000000000001e+300");
}

static void test_written(void **state)
{
    (void)state;
    check_written();
}

/* A number cut at its end is another number. */
static void test_small_buffers(void **state)
{
    const double value = -0x1.fffffffffffffp-1022;

    (void)state;
    for (size_t size = WN_NUM_SIZE_MIN; size <= 40; size++) {
        char buf[48];
        double back;
        memset(buf, 'z', sizeof buf);
        (void)wn_num_format(value, 17, buf, size);
        assert_true(strlen(buf) < size);
        for (size_t i = size; i < sizeof buf; i++) {
            assert_int_equal(buf[i], 'z');
        }
        assert_int_equal(parse(buf, &back), WN_OK);
        assert_near(back / value, 1.0, size >= 25 ? 0.0 : size == 9 ? 0.2 : 0.06);
        (void)wn_num_fixed(-123456789.5, 9, buf, size);
        assert_true(strlen(buf) < size);
        assert_int_equal(parse(buf, &back), WN_OK);
        assert_near(back / -123456789.5, 1.0, 0.2);
    }
}

static void check_locale(const char *const *names, const char *mark)
{
    for (; *names != NULL; names++) {
        if (setlocale(LC_ALL, *names) != NULL && strcmp(localeconv()->decimal_point, mark) == 0) {
            char probe[16];
            uint64_t seed = seed_of_run();
            (void)snprintf(probe, sizeof probe, "%.1f", 4.2); /* prove that the locale is at work */
            assert_memory_equal(&probe[1], mark, strlen(mark));
            print_message("locale %s writes %s\n", *names, probe);
            check_values();
            check_garbage();
            check_written();
            check_against_exact_arithmetic(seed);
            check_round_trip(seed);
            assert_non_null(setlocale(LC_ALL, "C"));
            return;
        }
    }
    (void)setlocale(LC_ALL, "C");
    print_message("no locale with the decimal mark \"%s\" on this system (nor localedef with its "
                  "sources): skipped\n",
                  mark);
    skip();
}

static void test_decimal_comma(void **state)
{
    static const char *const names[] = {"de_DE.UTF-8", "de_DE.utf8",  "de_DE",       "de_AT.UTF-8",
                                        "fr_FR.UTF-8", "it_IT.UTF-8", "nl_NL.UTF-8", NULL};
    (void)state;
    check_locale(names, ",");
}

static void test_decimal_mark_of_two_bytes(void **state)
{
    static const char *const names[] = {"ps_AF.UTF-8", "ps_AF.utf8", "ps_AF", "fa_IR.UTF-8", NULL};
    (void)state;
    check_locale(names, "\xd9\xab");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_values),
        cmocka_unit_test(test_garbage),
        cmocka_unit_test(test_every_single_byte),
        cmocka_unit_test(test_too_large),
        cmocka_unit_test(test_length),
        cmocka_unit_test(test_scan),
        cmocka_unit_test(test_integers),
        cmocka_unit_test(test_exact_arithmetic),
        cmocka_unit_test(test_round_trip),
        cmocka_unit_test(test_written),
        cmocka_unit_test(test_small_buffers),
        cmocka_unit_test(test_decimal_comma),
        cmocka_unit_test(test_decimal_mark_of_two_bytes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
