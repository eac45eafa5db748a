/* Virtual bench: syntax of IEEE 488.2 and SCPI-1999.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "support/near.h"
#include "support/reference.h"
#include "base/num.h"
#include "virtual_bench/scpi.h"

static bool fits(const char *pattern, const char *text)
{
    return wn_scpi_matches(pattern, text, strlen(text));
}

static void test_short_and_long_forms(void **state)
{
    const char *volt = "MEASure[:SCALar]:VOLTage";

    (void)state;
    assert_true(fits(volt, "MEAS:VOLT"));
    assert_true(fits(volt, "measure:voltage"));
    assert_true(fits(volt, "MeAs:ScAl:Voltage"));
    assert_true(fits(volt, "MEASURE:SCALAR:VOLT"));
    assert_false(fits(volt, "MEASU:VOLT"));
    assert_false(fits(volt, "MEA:VOLT"));
    assert_false(fits(volt, "MEAS:VOLTA"));
    assert_false(fits(volt, "MEAS"));
    assert_false(fits(volt, "MEAS:SCAL"));
    assert_false(fits(volt, "MEAS:VOLT:DC"));
    assert_false(fits(volt, "MEASVOLT"));
    assert_false(fits(volt, ""));
    assert_true(fits("OUTPut[:STATe]", "OUTP"));
    assert_true(fits("OUTPut[:STATe]", "OUTPUT:STAT"));
    assert_false(fits("OUTPut[:STATe]", "OUTP:"));
    assert_true(fits("*IDN", "*idn"));
    assert_false(fits("*IDN", "IDN"));
}

/* The headers of a line with their parameters, "?" behind queries, then the error if there is one.
 */
static void expect_units(const char *line, const char *want)
{
    struct wn_scpi_reader r;
    struct wn_scpi_unit u;
    char got[600] = "";
    size_t at = 0;
    int rc;

    wn_scpi_reader_init(&r, line, strlen(line));
    while ((rc = wn_scpi_reader_next(&r, &u)) > 0) {
        at += (size_t)snprintf(&got[at], sizeof got - at, "%s%s", u.header, u.query ? "?" : "");
        for (int i = 0; i < u.params; i++) {
            at += (size_t)snprintf(&got[at], sizeof got - at, "<%.*s>", (int)u.param[i].len,
                                   u.param[i].at);
        }
        at += (size_t)snprintf(&got[at], sizeof got - at, " ");
    }
    (void)snprintf(&got[at], sizeof got - at, "%d", rc);
    assert_string_equal(got, want);
}

static void test_chains_and_path(void **state)
{
    (void)state;
    expect_units("A:B 1;C 2", "A:B<1> A:C<2> 0");
    expect_units("A:B 1;:C 2;D", "A:B<1> C<2> D 0");
    expect_units("A:B:C?;D?;E:F?;G?", "A:B:C? A:B:D? A:B:E:F? A:B:E:G? 0");
    expect_units("A:B 1;*CLS;C 2", "A:B<1> *CLS A:C<2> 0");
    expect_units(":A:B?", "A:B? 0");
    expect_units("A?;B?", "A? B? 0");
    expect_units("  A  \t 1 , 2 ,x y ; B  \r", "A<1><2><x y> B 0");
    expect_units(";;A;;", "A 0");
    expect_units("", "0");
    expect_units("A \"x;y,z\",2;B", "A<\"x;y,z\"><2> B 0");
}

static void test_syntax_errors(void **state)
{
    (void)state;
    expect_units("A::B", "-102");
    expect_units("A:", "-102");
    expect_units(":", "-102");
    expect_units("*", "-102");
    expect_units("?", "-102");
    expect_units("1A", "-102");
    expect_units("A&B", "-101");
    expect_units("&", "-101");
    expect_units("A??", "-101");
    expect_units("A\"x\"", "-111");
    expect_units("A?1", "-101");
    expect_units("A #H1", "A<#H1> 0");
    expect_units("A\xe4", "-101");
    expect_units("A 1,,2", "-103");
    expect_units("A 1,", "-103");
    expect_units("A 1,2,3,4,5", "-108");
    expect_units("A \"x", "-151");
    expect_units("ABCDEFGHIJKL", "ABCDEFGHIJKL 0");
    expect_units("ABCDEFGHIJKLM", "-112");
    expect_units("B;A&", "B -101");
}

static void test_long_header(void **state)
{
    char line[400] = "A";
    struct wn_scpi_reader r;
    struct wn_scpi_unit u;

    (void)state;
    for (int i = 0; i < 60; i++) {
        memcpy(&line[1 + 2 * i], ":A", 3);
    }
    wn_scpi_reader_init(&r, line, strlen(line));
    assert_int_equal(wn_scpi_reader_next(&r, &u), -113);
    /* a path may not grow without end either */
    for (int i = 0; i < 80; i++) {
        memcpy(&line[4 * i], "A:B;", 5);
    }
    wn_scpi_reader_init(&r, line, strlen(line));
    int rc = 1;
    while (rc > 0) {
        rc = wn_scpi_reader_next(&r, &u);
    }
    assert_int_equal(rc, -113);
}

static int number(const char *text, enum wn_scpi_unit_kind unit, double *out)
{
    struct wn_scpi_range range = {unit, -10.0, 1e7, 3.0};
    return wn_scpi_number((struct wn_scpi_view){text, strlen(text)}, &range, out);
}

static void expect_number(const char *text, enum wn_scpi_unit_kind unit, double want)
{
    double got = -1.0;
    assert_int_equal(number(text, unit, &got), 0);
    assert_near(got, want, 1e-12 * fmax(1.0, fabs(want)));
}

static void test_numbers(void **state)
{
    double x = 77.0;

    (void)state;
    expect_number("4.2", WN_SCPI_VOLT, 4.2);
    expect_number("4200mV", WN_SCPI_VOLT, 4.2);
    expect_number("4200 mV", WN_SCPI_VOLT, 4.2);
    expect_number("+1.5E0 A", WN_SCPI_AMPERE, 1.5);
    expect_number("250 ma", WN_SCPI_AMPERE, 0.25);
    expect_number("2 ms", WN_SCPI_SECOND, 0.002);
    expect_number("3 W", WN_SCPI_WATT, 3.0);
    expect_number("3 OHM", WN_SCPI_OHM, 3.0);
    expect_number("3 MOHM", WN_SCPI_OHM, 3e6);
    expect_number("30 CEL", WN_SCPI_CELSIUS, 30.0);
    expect_number("MIN", WN_SCPI_VOLT, -10.0);
    expect_number("maximum", WN_SCPI_VOLT, 1e7);
    expect_number("DEF", WN_SCPI_VOLT, 3.0);
    assert_int_equal(number("4 A", WN_SCPI_VOLT, &x), -131);
    assert_int_equal(number("4 V", WN_SCPI_PLAIN, &x), -138);
    assert_int_equal(number("4 VVVVVVVVVVVVVVV", WN_SCPI_VOLT, &x), -134);
    assert_int_equal(number("4,2", WN_SCPI_VOLT, &x), -131);
    assert_int_equal(number("-", WN_SCPI_VOLT, &x), -121);
    assert_int_equal(number("ON", WN_SCPI_VOLT, &x), -148);
    assert_int_equal(number("\"4\"", WN_SCPI_VOLT, &x), -158);
    assert_int_equal(number("#H4", WN_SCPI_VOLT, &x), -168);
    assert_int_equal(number("(4)", WN_SCPI_VOLT, &x), -178);
    assert_int_equal(number("1e999", WN_SCPI_VOLT, &x), -123);
    assert_int_equal(number("0.0000000000000000000000000000000000000000000000000000000000000001",
                            WN_SCPI_VOLT, &x),
                     -124);
    assert_int_equal(number("-10.0001", WN_SCPI_VOLT, &x), -222);
    assert_int_equal(number("NAN", WN_SCPI_VOLT, &x), -148);
    assert_near(x, 77.0, 0.0);
}

static int boolean(const char *text, bool *out)
{
    return wn_scpi_bool((struct wn_scpi_view){text, strlen(text)}, out);
}

static void test_booleans(void **state)
{
    bool on = false;

    (void)state;
    assert_int_equal(boolean("on", &on), 0);
    assert_true(on);
    assert_int_equal(boolean("0", &on), 0);
    assert_false(on);
    assert_int_equal(boolean("1", &on), 0);
    assert_true(on);
    assert_int_equal(boolean("OFF", &on), 0);
    assert_false(on);
    assert_int_equal(boolean("2", &on), -222);
    assert_int_equal(boolean("0.5", &on), -224);
    assert_int_equal(boolean("O", &on), -224);
    assert_int_equal(boolean("MAX", &on), -224);
    assert_false(on);
}

static void test_queue(void **state)
{
    struct wn_scpi_queue q = {.count = 0};

    (void)state;
    assert_true(WN_SCPI_QUEUE_MAX >= 16);
    for (int round = 0; round < 3; round++) { /* it is a ring */
        for (int i = 0; i < WN_SCPI_QUEUE_MAX + 5; i++) {
            wn_scpi_queue_put(&q, -100 - i);
        }
        for (int i = 0; i < WN_SCPI_QUEUE_MAX - 1; i++) {
            assert_int_equal(wn_scpi_queue_take(&q), -100 - i);
        }
        assert_int_equal(wn_scpi_queue_take(&q), -350);
        assert_int_equal(wn_scpi_queue_take(&q), 0);
    }
}

static void test_input(void **state)
{
    static char big[3 * WN_SCPI_LINE_MAX];
    struct wn_scpi_input in = {.len = 0};
    const char *bytes = "MEAS:VO";
    bool ready;
    bool overrun;

    (void)state;
    assert_int_equal(wn_scpi_input_take(&in, bytes, 7, &ready, &overrun), 7);
    assert_false(ready);
    bytes = "LT?\r\n*CLS\n";
    assert_int_equal(wn_scpi_input_take(&in, bytes, 10, &ready, &overrun), 5);
    assert_true(ready);
    assert_int_equal(in.len, 11);
    assert_memory_equal(in.text, "MEAS:VOLT?\r", 11);
    wn_scpi_input_done(&in);

    memset(big, 'A', sizeof big);
    big[WN_SCPI_LINE_MAX] = '\n'; /* the longest line */
    assert_int_equal(wn_scpi_input_take(&in, big, sizeof big, &ready, &overrun),
                     WN_SCPI_LINE_MAX + 1);
    assert_true(ready);
    wn_scpi_input_done(&in);
    memset(big, 'A', sizeof big);
    big[WN_SCPI_LINE_MAX + 1] = '\n'; /* one more */
    assert_int_equal(wn_scpi_input_take(&in, big, sizeof big, &ready, &overrun),
                     WN_SCPI_LINE_MAX + 2);
    assert_false(ready);
    assert_true(overrun);
    assert_int_equal(wn_scpi_input_take(&in, "B\n", 2, &ready, &overrun), 2);
    assert_true(ready);
    assert_int_equal(in.len, 1);
}

/* Every text we emit is the standard's. The list is reference data that may be absent. */
static void test_texts_against_the_standard(void **state)
{
    static const int numbers[] = {
#define NUMBER(name, value, text) value,
        WN_SCPI_ERROR_LIST(NUMBER)
#undef NUMBER
    };
    static char list[16384];
    size_t len;
    FILE *f;

    (void)state;
    if (reference_is_missing("standards/scpi_errors.tsv")) {
        skip();
    }
    f = reference_open("standards/scpi_errors.tsv");
    len = fread(list, 1, sizeof list - 1, f);
    (void)fclose(f);
    list[len] = '\0';
    for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++) {
        char want[100];
        (void)snprintf(want, sizeof want, "\n%d\t%s\n", numbers[i],
                       wn_scpi_text_of_error(numbers[i]));
        if (strstr(list, want) == NULL) {
            print_error("not in the list: %d \"%s\"\n", numbers[i],
                        wn_scpi_text_of_error(numbers[i]));
            fail();
        }
    }
    assert_null(wn_scpi_text_of_error(-999));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_short_and_long_forms),
        cmocka_unit_test(test_chains_and_path),
        cmocka_unit_test(test_syntax_errors),
        cmocka_unit_test(test_long_header),
        cmocka_unit_test(test_numbers),
        cmocka_unit_test(test_booleans),
        cmocka_unit_test(test_queue),
        cmocka_unit_test(test_input),
        cmocka_unit_test(test_texts_against_the_standard),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
