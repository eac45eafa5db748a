/* Times: rounding and saturation of seconds, UTC labels, spans for people.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _DEFAULT_SOURCE
#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "support/near.h"
#include "base/prng.h"
#include "base/time.h"

static void test_from_seconds(void **state)
{
    (void)state;
    assert_true(wn_ns_from_s(0.0) == 0);
    assert_true(wn_ns_from_s(-0.0) == 0);
    assert_true(wn_ns_from_s(1.0) == WN_NS_PER_S);
    assert_true(wn_ns_from_s(0.1) == 100 * WN_NS_PER_MS);
    assert_true(wn_ns_from_s(0.3) == 300 * WN_NS_PER_MS);
    assert_true(wn_ns_from_s(1e-9) == 1);
    assert_true(wn_ns_from_s(0.4e-9) == 0);
    assert_true(wn_ns_from_s(0.6e-9) == 1);
    assert_true(wn_ns_from_s(1.4e-9) == 1);
    assert_true(wn_ns_from_s(-0.6e-9) == -1);
    assert_true(wn_ns_from_s(-2.0) == -2 * WN_NS_PER_S);
    assert_true(wn_ns_from_s(86400.0 * 400) == INT64_C(34560000) * WN_NS_PER_S);
}

static void test_saturation(void **state)
{
    (void)state;
    assert_true(wn_ns_from_s(9223372036.0) == INT64_C(9223372036000000000));
    assert_true(wn_ns_from_s(9223372036.8547) < WN_NS_NEVER);
    assert_true(wn_ns_from_s(9223372036.8547) > INT64_C(9223372036854000000));
    assert_true(wn_ns_from_s(9223372036.8548) == WN_NS_NEVER);
    assert_true(wn_ns_from_s(1e300) == WN_NS_NEVER);
    assert_true(wn_ns_from_s(INFINITY) == WN_NS_NEVER);
    assert_true(wn_ns_from_s(-9223372036.8548) == INT64_MIN);
    assert_true(wn_ns_from_s(-1e300) == INT64_MIN);
    assert_true(wn_ns_from_s(-INFINITY) == INT64_MIN);
}

/* Up to 2^51 ns (26 days) nothing is lost on the way to seconds and back. */
static void test_seconds_and_back(void **state)
{
    const uint64_t seed = 11;
    struct wn_prng r;

    (void)state;
    print_message("SEED=%" PRIu64 "\n", seed);
    wn_prng_init(&r, seed);
    for (int i = 0; i < 100000; i++) {
        wn_ns ns = (wn_ns)wn_prng_below(&r, UINT64_C(1) << (1 + i % 51));
        if (wn_ns_from_s(wn_ns_to_s(ns)) != ns || wn_ns_from_s(wn_ns_to_s(-ns)) != -ns) {
            fail_msg("%" PRId64 " ns became %" PRId64 " ns", ns, wn_ns_from_s(wn_ns_to_s(ns)));
        }
    }
    assert_near(wn_ns_to_s(3 * WN_NS_PER_S), 3.0, 0.0);
    assert_near(wn_ns_to_s(1), 1e-9, 0.0);
}

static void test_utc(void **state)
{
    static const struct {
        int64_t us;
        const char *want;
    } table[] = {
        {0, "1970-01-01T00:00:00Z"},
        {999999, "1970-01-01T00:00:00Z"},
        {1000000, "1970-01-01T00:00:01Z"},
        {-1, "1969-12-31T23:59:59Z"},
        {-1000000, "1969-12-31T23:59:59Z"},
        {-1000001, "1969-12-31T23:59:58Z"},
        {INT64_C(951782400000000), "2000-02-29T00:00:00Z"}, /* leap: divisible by 400 */
        {INT64_C(1709251199000000), "2024-02-29T23:59:59Z"},
        {INT64_C(1709251200000000), "2024-03-01T00:00:00Z"},
        {INT64_C(1777638896123456), "2026-05-01T12:34:56Z"},
        {INT64_C(2147483648000000), "2038-01-19T03:14:08Z"},
        {INT64_C(4107542399000000), "2100-02-28T23:59:59Z"}, /* not leap: divisible by 100 */
        {INT64_C(4107542400000000), "2100-03-01T00:00:00Z"},
        {INT64_C(253402300799000000), "9999-12-31T23:59:59Z"},
        {INT64_C(253402300800000000), "+10000-01-01T00:00:00Z"},
        {INT64_C(-62135596800000000), "0001-01-01T00:00:00Z"},
        {INT64_C(-62135596801000000), "0000-12-31T23:59:59Z"},
        {INT64_C(-62167219200000001), "-0001-12-31T23:59:59Z"},
        {INT64_MAX, "+294247-01-10T04:00:54Z"},
        {INT64_MIN, "-290308-12-21T19:59:05Z"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        char buf[WN_UTC_SIZE];
        assert_string_equal(wn_utc_format(table[i].us, buf, sizeof buf), table[i].want);
    }
}

/* Each day of 1600 to 2500 against a calendar that only counts up. */
static void test_every_day(void **state)
{
    static const int lengths[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    int64_t day = -135140; /* 1600-01-01 */
    int count = 0;

    (void)state;
    for (int year = 1600; year <= 2500; year++) {
        int leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
        for (int month = 0; month < 12; month++) {
            for (int d = 1; d <= lengths[month] + (month == 1 && leap); d++, day++, count++) {
                char want[80];
                char got[WN_UTC_SIZE];
                (void)snprintf(want, sizeof want, "%04d-%02d-%02dT13:00:07Z", year, month + 1, d);
                (void)wn_utc_format((day * 86400 + 13 * 3600 + 7) * 1000000 + 500000, got,
                                    sizeof got);
                assert_string_equal(got, want);
            }
        }
    }
    assert_int_equal(count, 329084); /* 901 years, 219 of them leap */
}

static void test_utc_against_the_c_library(void **state)
{
    const uint64_t seed = 12;
    struct wn_prng r;

    (void)state;
    print_message("SEED=%" PRIu64 "\n", seed);
    wn_prng_init(&r, seed);
    for (int i = 0; i < 20000; i++) {
        time_t s = (time_t)wn_prng_below(&r, UINT64_C(253402300800));
        char want[40];
        char got[WN_UTC_SIZE];
        struct tm tm;
        assert_non_null(gmtime_r(&s, &tm));
        assert_true(strftime(want, sizeof want, "%Y-%m-%dT%H:%M:%SZ", &tm) > 0);
        (void)wn_utc_format((int64_t)s * 1000000, got, sizeof got);
        assert_string_equal(got, want);
    }
}

static void test_span(void **state)
{
    static const struct {
        double seconds;
        const char *want;
    } table[] = {
        {0.0, "0.0 s"},
        {-0.0, "0.0 s"},
        {0.04, "0.0 s"},
        {-0.04, "0.0 s"},
        {12.34, "12.3 s"},
        {-12.34, "-12.3 s"},
        {59.94, "59.9 s"},
        {59.96, "1 min 00 s"},
        {60.0, "1 min 00 s"},
        {250.4, "4 min 10 s"},
        {-250.4, "-4 min 10 s"},
        {3599.4, "59 min 59 s"},
        {3599.6, "1 h 00 min"},
        {3600.0, "1 h 00 min"},
        {7500.0, "2 h 05 min"},
        {7499.0, "2 h 05 min"},
        {86369.0, "23 h 59 min"},
        {86371.0, "1 d 0 h"},
        {86400.0, "1 d 0 h"},
        {41 * 86400.0 + 3 * 3600.0, "41 d 3 h"},
        {41 * 86400.0 + 86399.0, "42 d 0 h"},
        {-90000.0, "-1 d 1 h"},
        {999999999999.0, "11574074 d 2 h"},
        {1e12, "unlimited"},
        {INFINITY, "unlimited"},
        {-INFINITY, "-unlimited"},
        {NAN, "unknown"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        char buf[WN_SPAN_SIZE];
        assert_string_equal(wn_span_format(table[i].seconds, buf, sizeof buf), table[i].want);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_from_seconds),
        cmocka_unit_test(test_saturation),
        cmocka_unit_test(test_seconds_and_back),
        cmocka_unit_test(test_utc),
        cmocka_unit_test(test_every_day),
        cmocka_unit_test(test_utc_against_the_c_library),
        cmocka_unit_test(test_span),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
