/* The intake record: what is changed, what is told of it, what is refused.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <math.h>
#include <string.h>

#include "procedure/intake.h"

static struct wn_cell cell;
static struct wn_intake_words words;
static struct wn_error err;

static void begin(void)
{
    memset(&cell, 0, sizeof cell);
    memset(&err, 0, sizeof err);
    cell.mass_g = 46.9;
    cell.diameter_mm = cell.length_mm = cell.arrival_voltage_v = NAN;
    cell.ac_impedance_ohm = cell.ac_impedance_hz = NAN;
    (void)strcpy(cell.marking, "OLD");
}

static int change(enum wn_intake q, double value)
{
    struct wn_intake_change c;
    memset(&c, 0, sizeof c);
    c.given[q] = true;
    c.value[q] = value;
    return wn_intake_change(&cell, &c, &words, &err);
}

static void expect(const char *text)
{
    assert_int_equal(words.n, 1);
    assert_string_equal(words.text[0], text);
}

static void test_words(void **state)
{
    (void)state;
    begin();
    assert_int_equal(change(WN_INTAKE_MASS, 47.05), WN_OK);
    expect("mass_g is 47.05, was 46.9");
    assert_true(cell.mass_g == 47.05);
    assert_int_equal(change(WN_INTAKE_MASS, 47.05), WN_OK);
    assert_int_equal(words.n, 0); /* it is so already */
    assert_int_equal(change(WN_INTAKE_LENGTH, NAN), WN_OK);
    assert_int_equal(words.n, 0);
    assert_int_equal(change(WN_INTAKE_LENGTH, 65), WN_OK);
    expect("length_mm is 65, was not recorded");
    assert_int_equal(change(WN_INTAKE_MASS, NAN), WN_OK);
    expect("mass_g is not recorded, was 47.05");
    assert_true(isnan(cell.mass_g));
}

static void test_several(void **state)
{
    (void)state;
    struct wn_intake_change c = {.marking_given = true, .marking = "NEW \xc2\xb5"};
    begin();
    c.given[WN_INTAKE_AC_IMPEDANCE] = c.given[WN_INTAKE_AC_IMPEDANCE_HZ] = true;
    c.value[WN_INTAKE_AC_IMPEDANCE] = 0.0128;
    c.value[WN_INTAKE_AC_IMPEDANCE_HZ] = 1000;
    assert_int_equal(wn_intake_change(&cell, &c, &words, &err), WN_OK);
    assert_int_equal(words.n, 3);
    assert_string_equal(words.text[0], "ac_impedance_ohm is 0.0128, was not recorded");
    assert_string_equal(words.text[1], "ac_impedance_hz is 1000, was not recorded");
    assert_string_equal(words.text[2], "marking is \"NEW \xc2\xb5\", was \"OLD\"");
    assert_string_equal(cell.marking, "NEW \xc2\xb5");
    begin();
    cell.marking[0] = '\0';
    assert_int_equal(wn_intake_change(&cell, &c, &words, &err), WN_OK);
    assert_string_equal(words.text[2], "marking is \"NEW \xc2\xb5\", was not recorded");
    /* the impedance alone may not go */
    assert_int_equal(change(WN_INTAKE_AC_IMPEDANCE, NAN), WN_EINVAL);
    assert_true(cell.ac_impedance_ohm == 0.0128);
    assert_int_equal(words.n, 0);
}

static void test_refused(void **state)
{
    (void)state;
    static const struct {
        enum wn_intake q;
        double low, high;
    } ranges[] = {{WN_INTAKE_MASS, 0.1, 10000},
                  {WN_INTAKE_DIAMETER, 1, 1000},
                  {WN_INTAKE_LENGTH, 1, 1000},
                  {WN_INTAKE_ARRIVAL_VOLTAGE, 0, 10},
                  {WN_INTAKE_AC_IMPEDANCE, 1e-5, 10}};
    for (size_t i = 0; i < sizeof ranges / sizeof ranges[0]; i++) {
        begin();
        assert_int_equal(change(ranges[i].q, nextafter(ranges[i].low, -1)), WN_ERANGE);
        assert_int_equal(change(ranges[i].q, nextafter(ranges[i].high, INFINITY)), WN_ERANGE);
        assert_true(cell.mass_g == 46.9);
        assert_int_equal(change(ranges[i].q, ranges[i].low), WN_OK);
        assert_int_equal(change(ranges[i].q, ranges[i].high), WN_OK);
    }
    begin();
    assert_int_equal(change(WN_INTAKE_MASS, INFINITY), WN_ERANGE);
    assert_int_equal(change(WN_INTAKE_AC_IMPEDANCE_HZ, 1000), WN_EINVAL);
    struct wn_intake_change c = {.marking_given = true, .marking = "two\nlines"};
    assert_int_equal(wn_intake_change(&cell, &c, &words, &err), WN_EINVAL);
    assert_string_equal(cell.marking, "OLD");
}

static void test_names(void **state)
{
    (void)state;
    for (int q = 0; q < WN_INTAKE_NUMBERS; q++) {
        assert_int_equal(wn_intake_find(wn_intake_name((enum wn_intake)q)), q);
    }
    assert_int_equal(wn_intake_find("mass"), WN_INTAKE_NUMBERS);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_words), cmocka_unit_test(test_several),
                                       cmocka_unit_test(test_refused),
                                       cmocka_unit_test(test_names)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
