/* Every shipped file cut off at every byte, and with every byte spoilt: never a crash, never a
 * half-read file taken for a whole one. SPDX-License-Identifier: GPL-3.0-or-later */
#include "config_case.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "base/prng.h"

static struct wn_problems problems;

static const struct {
    enum case_kind kind;
    const char *name;
} files[] = {
    {CASE_DAEMON, "waned.conf"},
    {CASE_DAEMON, "demo.conf"},
    {CASE_CELL, "cells/demo-18650.conf"},
    {CASE_CELL, "cells/demo-21700.conf"},
    {CASE_CELL, "cells/demo-18650-lfp.conf"},
    {CASE_PROCEDURE, "procedures/datasheet-claim.conf"},
    {CASE_PROCEDURE, "procedures/rated-capacity.conf"},
    {CASE_PROCEDURE, "procedures/endurance.conf"},
    {CASE_PROCEDURE, "procedures/endurance-accelerated.conf"},
    {CASE_PROCEDURE, "procedures/rate-survey.conf"},
    {CASE_PROCEDURE, "procedures/dc-resistance.conf"},
    {CASE_DIALECT, "dialects/virtual-bench.conf"},
    {CASE_DIALECT, "dialects/generic-scpi.conf"},
    {CASE_DIALECT, "dialects/generic-modbus.conf"},
    {CASE_DIALECT, "dialects/virtual-modbus.conf"},
    {CASE_DIALECT, "dialects/generic-modbus-load.conf"},
};
enum { FILES = sizeof files / sizeof files[0] };

/* Problem or not must agree with the return code, and every text is there and whole. */
static void check_outcome(int rc)
{
    assert_int_equal(rc == WN_OK, problems.n == 0);
    for (int i = 0; i < problems.n && i < WN_PROBLEMS_MAX; i++) {
        assert_true(strncmp(problems.text[i], "F", 1) == 0);
        assert_true(strlen(problems.text[i]) < sizeof problems.text[i]);
    }
}

/* Files as they are read: exactly the memory they need, so that a sanitizer sees a read beyond it.
 */
static int parse_exact(enum case_kind kind, const char *text, size_t len)
{
    char *copy = malloc(len + 1);
    assert_non_null(copy);
    memcpy(copy, text, len);
    copy[len] = '\0';
    int rc = case_parse(kind, copy, &problems);
    free(copy);
    return rc;
}

static void test_cut(void **state)
{
    (void)state;
    for (int f = 0; f < FILES; f++) {
        char *text = case_shipped(files[f].name);
        size_t n = strlen(text),
               last = n; /* end of the last setting: what follows is closing comments */
        while (last > 0 && text[last - 1] != ';') {
            last--;
        }
        for (size_t cut = 0; cut < n; cut++) {
            int rc = parse_exact(files[f].kind, text, cut);
            check_outcome(rc);
            if (rc == WN_OK && cut < last) {
                /* only an optional group at the end may be cut off unseen: at a line's end between
                 * two settings */
                assert_int_equal(text[cut - 1], '\n');
            }
        }
        free(text);
    }
}

/* The same every time, unless SEED says otherwise. */
static uint64_t seed_of(void)
{
    const char *given = getenv("SEED");
    int64_t seed = 1;
    if (given != NULL) {
        assert_int_equal(wn_num_parse_int(given, strlen(given), &seed), WN_OK);
    }
    print_message("SEED=%lld\n", (long long)seed);
    return (uint64_t)seed;
}

static void test_spoilt(void **state)
{
    (void)state;
    static const char spoil[] = "\"\\{}()[];=,:#/*@ \n\t\rLe.-+0xIt\x80\xff\x01";
    struct wn_prng r;
    wn_prng_init(&r, seed_of());
    for (int f = 0; f < FILES; f++) {
        char *text = case_shipped(files[f].name);
        size_t n = strlen(text);
        for (int round = 0; round < 1500; round++) {
            char saved[4];
            size_t at[4];
            int changes = 1 + (int)wn_prng_below(&r, 4);
            for (int i = 0; i < changes; i++) {
                at[i] = wn_prng_below(&r, n);
                saved[i] = text[at[i]];
                text[at[i]] = spoil[wn_prng_below(&r, sizeof spoil - 1)];
            }
            check_outcome(parse_exact(files[f].kind, text, n));
            while (--changes >= 0) {
                text[at[changes]] = saved[changes];
            }
        }
        free(text);
    }
}

/* Deep nesting must end in an error, not in an exhausted stack. */
static void test_deep(void **state)
{
    (void)state;
    enum { DEEP = 60000 };
    static const char *const open[] = {"a={", "a=(", "a=(("};
    for (size_t k = 0; k < sizeof open / sizeof open[0]; k++) {
        size_t n = strlen(open[k]);
        char *text = malloc(n * DEEP + 2);
        assert_non_null(text);
        for (size_t i = 0; i < DEEP; i++) {
            memcpy(text + i * n, open[k], n);
        }
        memcpy(text + n * DEEP, "\n", 2);
        int rc = parse_exact(CASE_CELL, text, n * DEEP + 1);
        assert_int_not_equal(rc, WN_OK);
        check_outcome(rc);
        free(text);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_cut),
        cmocka_unit_test(test_spoilt),
        cmocka_unit_test(test_deep),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
