/* CSV in and out.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "report/csv.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <cmocka.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "support/near.h"

static struct wn_csv csv;
static FILE *file;

static int open_text(const char *text, size_t len, struct wn_error *err)
{
    file = fmemopen((void *)(uintptr_t)text, len, "r");
    assert_non_null(file);
    return wn_csv_open(&csv, file, "t.csv", err);
}

static int teardown(void **state)
{
    (void)state;
    wn_csv_close(&csv);
    if (file != NULL) {
        (void)fclose(file);
    }
    file = NULL;
    return 0;
}

static void good(const char *text)
{
    struct wn_error err = {0};
    assert_int_equal(open_text(text, strlen(text), &err), WN_OK);
}

/* The next row must be these fields. */
static void row(const char *joined)
{
    struct wn_error err = {0};
    char got[256] = "";
    bool end = true;
    assert_int_equal(wn_csv_next(&csv, &end, &err), WN_OK);
    assert_false(end);
    for (int i = 0; i < csv.fields; i++) {
        size_t n = strlen(got);
        (void)snprintf(got + n, sizeof got - n, "%s%s", i > 0 ? "|" : "", csv.field[i]);
    }
    assert_string_equal(got, joined);
}

static void no_more(void)
{
    struct wn_error err = {0};
    bool end = false;
    assert_int_equal(wn_csv_next(&csv, &end, &err), WN_OK);
    assert_true(end);
}

static void bad(int code, const char *text)
{
    struct wn_error err = {0};
    bool end = false;
    assert_int_equal(wn_csv_next(&csv, &end, &err), code);
    assert_string_equal(err.text, text);
}

static void columns_in_any_order(void **state)
{
    (void)state;
    good("b,A , c\r\n1,2,3\r\n\r\n# remark\r\n4, 5 ,6");
    assert_int_equal(csv.columns, 3);
    assert_int_equal(wn_csv_column(&csv, "a"), 1);
    assert_int_equal(wn_csv_column(&csv, "b"), 0);
    assert_int_equal(wn_csv_column(&csv, "d"), -1);
    row("1|2|3");
    assert_int_equal(csv.line, 2);
    row("4|5|6");
    assert_int_equal(csv.line, 5);
    no_more();
    no_more();
}

static void separators_and_byte_order_mark(void **state)
{
    (void)state;
    good("\xef\xbb\xbf"
         "a;b\n1;2\n");
    assert_int_equal(wn_csv_column(&csv, "a"), 0);
    row("1|2");
    no_more();
    (void)teardown(NULL);
    good("a\tb\n1\t\n");
    row("1|");
    (void)teardown(NULL);
    good("alone\n1\n");
    row("1");
}

static void quotes(void **state)
{
    (void)state;
    good("\"a\",\"b,c\"\n\"x \"\"y\"\"\",\"1,2\"\n \"p\" ,q\n\"\",\"\"\n");
    assert_int_equal(wn_csv_column(&csv, "b,c"), 1);
    row("x \"y\"|1,2");
    row("p|q");
    row("|");
    no_more();
}

static void line_ends_in_quotes(void **state)
{
    (void)state;
    good("a,\"b\r\nc\"\r\n1,\"two\nlines, \"\"x\"\"\n\"\r\n3,4\n5\n");
    assert_int_equal(wn_csv_column(&csv, "b\r\nc"), 1);
    row("1|two\nlines, \"x\"");
    row("3|4");
    bad(WN_ESYNTAX, "t.csv:7: 1 fields, but the header names 2"); /* lines are counted on */
    no_more();
    (void)teardown(NULL);
    /* nothing closes it: one line is bad, those behind it are not */
    good("a,b\n\"1,2\n3,4\n\"5\n\",6\n");
    bad(WN_ESYNTAX, "t.csv:2: a quote is not closed, or followed by text");
    row("3|4");
    row("5|6");
    no_more();
    (void)teardown(NULL);
    char many[600] = "a,b\n\"", *at = many + strlen(many);
    for (int i = 0; i <= WN_CSV_JOINED_MAX; i++) { /* one line end too many */
        at += snprintf(at, 8, "x\n");
    }
    (void)snprintf(at, 16, "\",6\n");
    good(many);
    bad(WN_ESYNTAX, "t.csv:2: a quote is not closed, or followed by text");
    (void)teardown(NULL);
    at[-2] = '"', at[-1] = ',', at[0] = '6', at[1] = '\n', at[2] = '\0';
    good(many);
    struct wn_error err = {0};
    bool end = true;
    assert_int_equal(wn_csv_next(&csv, &end, &err), WN_OK);
    assert_string_equal(csv.field[1], "6");
}

static void bad_lines_are_told_and_passed(void **state)
{
    (void)state;
    good("a,b\n1\n1,2,3\n\"1,2\n\"1\"x,2\n1,2\n");
    bad(WN_ESYNTAX, "t.csv:2: 1 fields, but the header names 2");
    bad(WN_ESYNTAX, "t.csv:3: 3 fields, but the header names 2");
    bad(WN_ESYNTAX, "t.csv:4: a quote is not closed, or followed by text");
    bad(WN_ESYNTAX, "t.csv:5: a quote is not closed, or followed by text");
    row("1|2");
    no_more();
}

static void bytes_that_are_no_text(void **state)
{
    static const char nul[] = "a,b\n1,\0002\n3,4\n";
    struct wn_error err = {0};
    (void)state;
    assert_int_equal(open_text(nul, sizeof nul - 1, &err), WN_OK);
    bad(WN_ESYNTAX, "t.csv:2: this is no line of text");
    row("3|4");
    (void)teardown(NULL);
    char *longest = malloc(WN_CSV_LINE_MAX + 10);
    assert_non_null(longest);
    (void)snprintf(longest, 8, "a\n");
    memset(longest + 2, '1', WN_CSV_LINE_MAX);
    longest[WN_CSV_LINE_MAX + 2] = '\n';
    assert_int_equal(open_text(longest, WN_CSV_LINE_MAX + 3, &err), WN_OK);
    bad(WN_ESYNTAX, "t.csv:2: this is no line of text");
    free(longest);
}

static void headers_that_will_not_do(void **state)
{
    struct wn_error err = {0};
    char many[3 * WN_CSV_FIELDS_MAX] = "";
    (void)state;
    assert_int_equal(open_text("\n\n", 2, &err), WN_EMISSING);
    assert_non_null(strstr(err.text, "t.csv is empty"));
    (void)teardown(NULL);
    assert_int_equal(open_text("a,\"b\n", 5, &err), WN_ESYNTAX);
    (void)teardown(NULL);
    for (int i = 0; i < WN_CSV_FIELDS_MAX; i++) {
        many[2 * i] = 'x';
        many[2 * i + 1] = i + 1 < WN_CSV_FIELDS_MAX ? ',' : '\n';
    }
    assert_int_equal(open_text(many, strlen(many), &err), WN_OK);
    assert_int_equal(csv.columns, WN_CSV_FIELDS_MAX);
    (void)teardown(NULL);
    (void)snprintf(many + strlen(many) - 1, 4, ",x\n");
    assert_int_equal(open_text(many, strlen(many), &err), WN_ESYNTAX);
}

static void numbers(void **state)
{
    struct wn_error err = {0};
    double x = 0;
    (void)state;
    good("a;b;c\n-1.5e-3;;1,5\n");
    row("-1.5e-3||1,5");
    assert_int_equal(wn_csv_number(&csv, 0, &x, &err), WN_OK);
    assert_near(x, -0.0015, 1e-15);
    assert_int_equal(wn_csv_number(&csv, 1, &x, &err), WN_OK);
    assert_true(isnan(x));
    assert_int_equal(wn_csv_number(&csv, -1, &x, &err), WN_OK);
    assert_true(isnan(x));
    assert_int_equal(wn_csv_number(&csv, 2, &x, &err), WN_ESYNTAX);
    assert_string_equal(err.text,
                        "t.csv:2: c is '1,5', which is no number: write a point as decimal mark");
}

static int open_as(const char *text, struct wn_csv_form form, struct wn_error *err)
{
    wn_csv_close(&csv);
    if (file != NULL) {
        (void)fclose(file);
    }
    file = fmemopen((void *)(uintptr_t)text, strlen(text), "r");
    assert_non_null(file);
    return wn_csv_open_as(&csv, file, "t.csv", &form, err);
}

static void forms_that_are_told(void **state)
{
    struct wn_error err = {0};
    double x = 0;
    (void)state;
    /* a decimal comma, and then no point */
    assert_int_equal(
        open_as("a;b\n3,75;-1,5e3\n3.75;1,2,3\n", (struct wn_csv_form){0, true, 0}, &err), WN_OK);
    row("3,75|-1,5e3");
    assert_int_equal(wn_csv_number(&csv, 0, &x, &err), WN_OK);
    assert_true(x == 3.75);
    assert_int_equal(wn_csv_number(&csv, 1, &x, &err), WN_OK);
    assert_true(x == -1500);
    row("3.75|1,2,3");
    for (int i = 0; i < 2; i++) {
        assert_int_equal(wn_csv_number(&csv, i, &x, &err), WN_ESYNTAX);
        assert_non_null(strstr(err.text, "no number with a decimal comma"));
    }
    assert_int_equal(open_as("a,b\n1,2\n", (struct wn_csv_form){0, true, 0}, &err), WN_ESYNTAX);
    assert_non_null(strstr(err.text, "no comma can be a decimal mark"));
    /* lines above the header, whatever they are, and counted */
    assert_int_equal(open_as("\"x\n,,\n\na;b,c\n1;2\n", (struct wn_csv_form){0, false, 3}, &err),
                     WN_OK);
    assert_int_equal(wn_csv_column(&csv, "B,C"), 1);
    row("1|2");
    assert_int_equal(csv.line, 5);
    assert_int_equal(csv.bytes, 17);
    assert_int_equal(open_as("a\n", (struct wn_csv_form){0, false, 3}, &err), WN_EMISSING);
    assert_non_null(strstr(err.text, "ends at line 1"));
    /* the separator: a semicolon is taken before commas in names, unless told otherwise */
    assert_int_equal(open_as("\"p\tq\";a;b,c;d,e\n", (struct wn_csv_form){0}, &err), WN_OK);
    assert_int_equal(csv.columns, 4);
    assert_int_equal(open_as("a;b,c;d,e\n", (struct wn_csv_form){',', false, 0}, &err), WN_OK);
    assert_int_equal(csv.columns, 3);
    /* an empty field behind the last column is none; anything else there is */
    assert_int_equal(open_as("a,b\n1,2,\n1,2,3\n1,2,,\n", (struct wn_csv_form){0}, &err), WN_OK);
    row("1|2");
    bad(WN_ESYNTAX, "t.csv:3: 3 fields, but the header names 2");
    bad(WN_ESYNTAX, "t.csv:4: 4 fields, but the header names 2");
}

static void shown_without_control_characters(void **state)
{
    char buf[12];
    (void)state;
    assert_string_equal(wn_csv_shown("a\033[1m\x7f\t", buf, sizeof buf), "a?[1m??");
    assert_string_equal(wn_csv_shown("\xc2\xb0"
                                     "C \xc2\x9b"
                                     "1m",
                                     buf, sizeof buf),
                        "\xc2\xb0"
                        "C \xc2?1m");
    assert_string_equal(wn_csv_shown("0123456789abcdef", buf, sizeof buf), "0123456789a");
}

static void written_after_rfc_4180(void **state)
{
    char *text = NULL;
    size_t len = 0;
    (void)state;
    FILE *f = open_memstream(&text, &len);
    struct wn_csv_out o = {f, false};
    wn_csv_put_text(&o, "plain");
    wn_csv_put_text(&o, "a,b");
    wn_csv_put_text(&o, "say \"x\"");
    wn_csv_put_text(&o, "two\nlines");
    wn_csv_put_text(&o, "");
    wn_csv_end_row(&o);
    wn_csv_put_number(&o, 0.1);
    wn_csv_put_number(&o, NAN);
    wn_csv_put_number(&o, INFINITY);
    wn_csv_put_number(&o, -1.23456789012);
    wn_csv_put_integer(&o, INT64_MIN);
    wn_csv_end_row(&o);
    (void)fclose(f);
    assert_string_equal(text, "plain,\"a,b\",\"say \"\"x\"\"\",\"two\nlines\",\r\n"
                              "0.1,,,-1.23456789,-9223372036854775808\r\n");
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_teardown(columns_in_any_order, teardown),
        cmocka_unit_test_teardown(separators_and_byte_order_mark, teardown),
        cmocka_unit_test_teardown(quotes, teardown),
        cmocka_unit_test_teardown(line_ends_in_quotes, teardown),
        cmocka_unit_test_teardown(bad_lines_are_told_and_passed, teardown),
        cmocka_unit_test_teardown(bytes_that_are_no_text, teardown),
        cmocka_unit_test_teardown(headers_that_will_not_do, teardown),
        cmocka_unit_test_teardown(numbers, teardown),
        cmocka_unit_test_teardown(forms_that_are_told, teardown),
        cmocka_unit_test(shown_without_control_characters),
        cmocka_unit_test(written_after_rfc_4180),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
