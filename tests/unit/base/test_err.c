/* Errors: every code, the context that travels upward, texts that do not fit.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <limits.h>
#include <string.h>

#include "support/near.h"
#include "base/err.h"

static const int codes[] = {
#define ROW(name, value, class, text) WN_##name,
    WN_ERR_LIST(ROW)
#undef ROW
};
#define CODE_COUNT (sizeof codes / sizeof codes[0])

static void test_codes_are_negative_and_distinct(void **state)
{
    (void)state;
    for (size_t i = 0; i < CODE_COUNT; i++) {
        assert_true(codes[i] < 0);
        for (size_t k = 0; k < i; k++) {
            assert_int_not_equal(codes[i], codes[k]);
            assert_string_not_equal(wn_err_text(codes[i]), wn_err_text(codes[k]));
        }
    }
}

static void test_texts(void **state)
{
    (void)state;
    assert_string_equal(wn_err_text(WN_OK), "ok");
    assert_string_equal(wn_err_text(WN_EUNIT), "wrong or missing unit");
    assert_string_equal(wn_err_text(WN_EBUG), "internal error");
    assert_string_equal(wn_err_text(1), "unknown error");
    assert_string_equal(wn_err_text(INT_MIN), "unknown error");
    for (size_t i = 0; i < CODE_COUNT; i++) {
        assert_true(strlen(wn_err_text(codes[i])) > 0);
        assert_string_not_equal(wn_err_text(codes[i]), "unknown error");
    }
}

/* The reaction decides over the output of a cell: the table is repeated here by hand, so that a
 * changed class is seen. */
static void test_classes(void **state)
{
    static const struct {
        int code;
        enum wn_err_class want;
    } table[] = {
        {WN_EINVAL, WN_CLASS_REJECT},      {WN_ERANGE, WN_CLASS_REJECT},
        {WN_EUNIT, WN_CLASS_REJECT},       {WN_ESYNTAX, WN_CLASS_REJECT},
        {WN_EUNKNOWN, WN_CLASS_REJECT},    {WN_EMISSING, WN_CLASS_REJECT},
        {WN_EEXIST, WN_CLASS_REJECT},      {WN_ENOENT, WN_CLASS_REJECT},
        {WN_EACCESS, WN_CLASS_REJECT},     {WN_EBUSY, WN_CLASS_REJECT},
        {WN_ESTATE, WN_CLASS_REJECT},      {WN_ENOSPACE, WN_CLASS_FAULT},
        {WN_EIO, WN_CLASS_FAULT},          {WN_EGONE, WN_CLASS_FAULT},
        {WN_ETIMEOUT, WN_CLASS_TRANSIENT}, {WN_EFRAME, WN_CLASS_TRANSIENT},
        {WN_EIDENTITY, WN_CLASS_FAULT},    {WN_EREADBACK, WN_CLASS_FAULT},
        {WN_EINSTRUMENT, WN_CLASS_FAULT},  {WN_ENEWER, WN_CLASS_REJECT},
        {WN_ECORRUPT, WN_CLASS_FAULT},     {WN_ENOMEM, WN_CLASS_FATAL},
        {WN_EGUARD, WN_CLASS_FATAL},       {WN_EUNREACHABLE, WN_CLASS_REJECT},
        {WN_EBUG, WN_CLASS_FATAL},
    };

    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        assert_int_equal(wn_err_class(table[i].code), table[i].want);
    }
    assert_true(sizeof table / sizeof table[0] >= CODE_COUNT);
}

static void test_unknown_code_is_fatal(void **state)
{
    (void)state;
    assert_int_equal(wn_err_class(WN_OK), WN_CLASS_FATAL);
    assert_int_equal(wn_err_class(1), WN_CLASS_FATAL);
    assert_int_equal(wn_err_class(-9999), WN_CLASS_FATAL);
    assert_int_equal(wn_err_class(INT_MIN), WN_CLASS_FATAL);
    assert_int_equal(wn_err_class(INT_MAX), WN_CLASS_FATAL);
}

static void test_set_and_prefix(void **state)
{
    struct wn_error e = {0};

    (void)state;
    assert_int_equal(wn_error_set(&e, WN_ERANGE, "limit %d degC is above %d degC", 80, 60),
                     WN_ERANGE);
    assert_int_equal(e.code, WN_ERANGE);
    assert_string_equal(e.text, "limit 80 degC is above 60 degC");
    assert_int_equal(wn_error_prefix(&e, "%s:%d", "bench.conf", 12), WN_ERANGE);
    assert_string_equal(e.text, "bench.conf:12: limit 80 degC is above 60 degC");
    assert_int_equal(wn_error_prefix(&e, "station A"), WN_ERANGE);
    assert_string_equal(e.text, "station A: bench.conf:12: limit 80 degC is above 60 degC");
    wn_error_clear(&e);
    assert_int_equal(e.code, WN_OK);
    assert_string_equal(e.text, "");
    wn_error_clear(NULL);
}

static void test_own_text_as_argument(void **state)
{
    struct wn_error e = {0};

    (void)state;
    (void)wn_error_set(&e, WN_EIO, "read failed");
    (void)wn_error_set(&e, WN_EGONE, "unplugged (%s)", e.text);
    assert_string_equal(e.text, "unplugged (read failed)");
    (void)wn_error_prefix(&e, "[%s]", e.text);
    assert_string_equal(e.text, "[unplugged (read failed)]: unplugged (read failed)");
}

static void test_without_a_place_to_write(void **state)
{
    (void)state;
    assert_int_equal(wn_error_set(NULL, WN_EFRAME, "x"), WN_EFRAME);
    assert_int_equal(wn_error_prefix(NULL, "x"), WN_EBUG);
}

/* `return wn_error_set(...)` must never report success. */
static void test_failure_without_a_code_is_a_bug(void **state)
{
    struct wn_error e = {0};

    (void)state;
    assert_int_equal(wn_error_set(&e, WN_OK, "boo"), WN_EBUG);
    assert_int_equal(e.code, WN_EBUG);
    assert_int_equal(wn_error_set(NULL, WN_OK, "boo"), WN_EBUG);
    wn_error_clear(&e);
    assert_int_equal(wn_error_prefix(&e, "port"), WN_EBUG);
    assert_int_equal(e.code, WN_EBUG);
    assert_string_equal(e.text, "port: internal error");
}

static void test_exactly_full_and_one_more(void **state)
{
    struct wn_error e = {0};
    char want[sizeof e.text];
    const int full = (int)sizeof e.text - 1;

    (void)state;
    (void)wn_error_set(&e, WN_EIO, "%0*d", full, 7);
    assert_int_equal(strlen(e.text), full);
    assert_string_equal(&e.text[full - 3], "007");
    (void)wn_error_set(&e, WN_EIO, "%0*d", full + 1, 7);
    memset(want, '0', sizeof want);
    memcpy(&want[full - 3], "...", 4);
    assert_string_equal(e.text, want);
}

static void test_prefix_that_does_not_fit(void **state)
{
    struct wn_error e = {0};
    const int full = (int)sizeof e.text - 1;

    (void)state;
    (void)wn_error_set(&e, WN_EIO, "cause");
    (void)wn_error_prefix(&e, "%0*d", full - 7, 0); /* "000...0: cause" fits exactly */
    assert_int_equal(strlen(e.text), full);
    assert_string_equal(&e.text[full - 8], "0: cause");
    (void)wn_error_prefix(&e, "p");
    assert_int_equal(strlen(e.text), full);
    assert_memory_equal(e.text, "p: 000", 6);
    assert_string_equal(&e.text[full - 5], "0:...");
    (void)wn_error_prefix(&e, "%01000d", 0);
    assert_string_equal(&e.text[full - 4], "0...");
    assert_int_equal(wn_error_prefix(&e, "q"), WN_EIO);
}

/* Texts travel in JSON: no half characters. */
static void test_cut_between_characters(void **state)
{
    struct wn_error e = {0};

    (void)state;
    for (int lead = 0; lead < 4; lead++) {
        char lot[600];
        size_t n;
        memset(lot, 'x', (size_t)lead);
        for (n = (size_t)lead; n + 4 < sizeof lot; n += 3) {
            memcpy(&lot[n], "\342\204\246", 3); /* the ohm sign: three bytes */
        }
        lot[n] = '\0';
        (void)wn_error_set(&e, WN_EIO, "%s", lot);
        n = strlen(e.text);
        assert_string_equal(&e.text[n - 3], "...");
        assert_int_equal((n - 3 - (size_t)lead) % 3, 0);
        assert_true(n > sizeof e.text - 4);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_codes_are_negative_and_distinct),
        cmocka_unit_test(test_texts),
        cmocka_unit_test(test_classes),
        cmocka_unit_test(test_unknown_code_is_fatal),
        cmocka_unit_test(test_set_and_prefix),
        cmocka_unit_test(test_own_text_as_argument),
        cmocka_unit_test(test_without_a_place_to_write),
        cmocka_unit_test(test_failure_without_a_code_is_a_bug),
        cmocka_unit_test(test_exactly_full_and_one_more),
        cmocka_unit_test(test_prefix_that_does_not_fit),
        cmocka_unit_test(test_cut_between_characters),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
