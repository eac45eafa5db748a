/* Times of recorded logs that are no plain numbers.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "exchange/import.h"

#include <setjmp.h>
#include <stdarg.h>
#include <cmocka.h>

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "base/num.h"
#include "base/prng.h"

static void reads(const char *text, enum log_time form, double want)
{
    const char *why = NULL;
    double got = NAN;
    if (log_time_form(text) != form || log_time_read(text, form, &got, &why) != WN_OK ||
        fabs(got - want) > 1e-6) {
        fail_msg("\"%s\" is of form %d and read as %.6f, not %.6f", text, (int)log_time_form(text),
                 got, want);
    }
}

static void refused(const char *text, const char *because)
{
    const char *why = NULL;
    double got = NAN;
    enum log_time form = log_time_form(text);
    if (form == LOG_TIME_NUMBER || log_time_read(text, form, &got, &why) == WN_OK ||
        strstr(why, because) == NULL) {
        fail_msg("\"%s\" was not refused because \"%s\"", text, because);
    }
}

static void test_spans(void **state)
{
    (void)state;
    reads("0:00:00", LOG_TIME_SPAN, 0);
    reads("12:34:56", LOG_TIME_SPAN, 45296);
    reads("12:34:56.789", LOG_TIME_SPAN, 45296.789);
    reads("12:34:56,789", LOG_TIME_SPAN, 45296.789);
    reads("1234:00:01", LOG_TIME_SPAN, 4442401);
    reads("3 d 00:00:01", LOG_TIME_SPAN, 259201);
    reads("3d12:00:00.5", LOG_TIME_SPAN, 302400.5);
    static const char *const no[] = {"1:2:3",     "12:60:00", "12:00:61",    "12:34", "-1:00:00",
                                     "12:34:56x", "1:00:00.", "x d 1:00:00", ":"};
    for (size_t i = 0; i < sizeof no / sizeof no[0]; i++) {
        refused(no[i], "no span");
    }
}

static void test_stamps(void **state)
{
    (void)state;
    reads("1970-01-01 00:00", LOG_TIME_STAMP, 0);
    reads("2026-05-01T12:34:56Z", LOG_TIME_STAMP, 1777638896);
    reads("2026-05-01 12:34:56.250", LOG_TIME_STAMP, 1777638896.25);
    reads("2026/5/1 12:34:56 UTC", LOG_TIME_STAMP, 1777638896);
    reads("01.05.2026 12:34:56", LOG_TIME_STAMP, 1777638896);
    reads("2026-05-01T14:34:56+02:00", LOG_TIME_STAMP, 1777638896);
    reads("2026-05-01T07:04:56-0530", LOG_TIME_STAMP, 1777638896);
    reads("2026-05-01 14:34:56 +02", LOG_TIME_STAMP, 1777638896);
    reads("2000-02-29 23:59:60", LOG_TIME_STAMP, 951868800);
    static const char *const no[] = {
        "2026-05-01",          "2026-02-29 00:00:00",   "2026-13-01 00:00:00",
        "2026-00-01 00:00:00", "2026-05-01 24:00:01",   "2026-05-01 12:34:56 CET",
        "2026-05-01x12:34",    "26-05-01 12:00:00",     "2026-05-01 12:34:56+15:00",
        "1969-12-31 23:59:59", "2026-05-01 12:34:56Zz", "2100-02-29 00:00:00"};
    for (size_t i = 0; i < sizeof no / sizeof no[0]; i++) {
        refused(no[i], i == 7 ? "year first" : "no time");
    }
    refused("03/01/2026 00:00:00", "year first");
    assert_int_equal(log_time_form("1.5"), LOG_TIME_NUMBER);
    assert_int_equal(log_time_form("1e-5"), LOG_TIME_NUMBER);
    assert_int_equal(log_time_form("-3"), LOG_TIME_NUMBER);
    assert_int_equal(log_time_form(""), LOG_TIME_NUMBER);
    assert_int_equal(log_time_form("3,5"), LOG_TIME_NUMBER);
}

/* The C library's calendar is the reference. */
static void test_every_kind_of_day(void **state)
{
    struct wn_prng r;
    const char *from_env = getenv("SEED");
    int64_t seed = 20260501;
    (void)state;
    if (from_env != NULL) {
        assert_int_equal(wn_num_parse_int(from_env, strlen(from_env), &seed), WN_OK);
    }
    print_message("SEED=%" PRId64 "\n", seed);
    wn_prng_init(&r, (uint64_t)seed);
    for (int i = 0; i < 20000; i++) {
        time_t t = (time_t)wn_prng_below(&r, UINT64_C(7258118400)); /* up to 2199 */
        struct tm tm;
        char text[40];
        (void)gmtime_r(&t, &tm);
        (void)strftime(text, sizeof text, "%Y-%m-%d %H:%M:%S", &tm);
        reads(text, LOG_TIME_STAMP, (double)t);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_spans),
        cmocka_unit_test(test_stamps),
        cmocka_unit_test(test_every_kind_of_day),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
