/* Tables.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "report/table.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <cmocka.h>

#include <math.h>
#include <stdlib.h>

static void prints(const struct wn_table *t, bool bold, const char *want)
{
    struct wn_error err = {0};
    char *text = NULL;
    size_t len = 0;
    FILE *f = open_memstream(&text, &len);
    assert_int_equal(wn_table_print(t, f, bold, &err), WN_OK);
    (void)fclose(f);
    assert_string_equal(text, want);
    free(text);
}

static void lines_up(void **state)
{
    static const char *const headings[] = {"name", "Ah", "note"};
    (void)state;
    struct wn_table *t = wn_table_create("lrl", headings);
    wn_table_text(t, "a long name");
    wn_table_number(t, 2.5, 3);
    wn_table_text(t, "first");
    wn_table_text(t, "b");
    wn_table_number(t, NAN, 3);
    wn_table_text(t, "");
    wn_table_text(t, NULL);
    wn_table_integer(t, -12345678);
    wn_table_text(t, "x");
    prints(t, false,
           "name                Ah  note\n"
           "a long name      2.500  first\n"
           "b                    -  -\n"
           "-            -12345678  x\n");
    wn_table_destroy(t);
}

static void empty_and_bold(void **state)
{
    static const char *const headings[] = {"one", "two"};
    (void)state;
    struct wn_table *t = wn_table_create("rl", headings);
    prints(t, false, "one  two\n");
    prints(t, true, "\033[1mone  two\n\033[0m");
    wn_table_destroy(t);
}

/* Characters, not bytes; and nothing that steers a terminal. */
static void foreign_text(void **state)
{
    static const char *const headings[] = {"temperature", "x"};
    (void)state;
    struct wn_table *t = wn_table_create("ll", headings);
    wn_table_text(t, "20 °C");
    wn_table_text(t, "\033[2Jboo\n");
    prints(t, false, "temperature  x\n20 °C        ?[2Jboo?\n");
    assert_int_equal(wn_text_width("20 °C"), 5);
    wn_table_destroy(t);
}

static void many_rows(void **state)
{
    static const char *const headings[] = {"n"};
    struct wn_error err = {0};
    char *text = NULL;
    size_t len = 0;
    (void)state;
    struct wn_table *t = wn_table_create("r", headings);
    for (int i = 0; i < 1000; i++) {
        wn_table_integer(t, i);
    }
    FILE *f = open_memstream(&text, &len);
    assert_int_equal(wn_table_print(t, f, false, &err), WN_OK);
    (void)fclose(f);
    assert_int_equal(len, 1001 * 4);
    free(text);
    wn_table_destroy(t);
}

static void no_table(void **state)
{
    struct wn_error err = {0};
    (void)state;
    wn_table_text(NULL, "x");
    wn_table_destroy(NULL);
    assert_int_equal(wn_table_print(NULL, stdout, false, &err), WN_ENOMEM);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lines_up),     cmocka_unit_test(empty_and_bold),
        cmocka_unit_test(foreign_text), cmocka_unit_test(many_rows),
        cmocka_unit_test(no_table),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
