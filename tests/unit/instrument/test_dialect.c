/* Dialects: commands from templates, readings from replies, and what a dialect must have.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "support/near.h"
#include "talk.h"

static void expect_expand(const char *tmpl, const struct wn_setpoints *sp, const char *want)
{
    struct wn_dialect d;
    struct wn_error err = {0};
    char out[WN_COMMAND_MAX];
    size_t len = 0;
    talk_dialect(&d);
    assert_int_equal(wn_dialect_expand(&d, tmpl, sp, out, sizeof out, &len, &err), WN_OK);
    assert_string_equal(out, want);
    assert_int_equal(len, strlen(want));
}

static void templates_become_commands(void **state)
{
    (void)state;
    struct wn_setpoints sp = talk_values();
    expect_expand("OUT 0", NULL, "OUT 0\n");
    expect_expand("", NULL, "\n");
    expect_expand("A {current_a};B {voltage_v};C {power_w}", &sp, "A 4;B 4.2;C 10\n");
    expect_expand("{interval_s}{timeout_s}", &sp, "15\n");
    expect_expand("{voltage_high_v} {voltage_low_v} {current_limit_a} {temperature_limit_c}", &sp,
                  "4.25 2.5 12 60\n");
    sp.current_a = 0.1 + 0.2;
    expect_expand("{current_a}", &sp, "0.3\n"); /* nine digits: no dust of binary fractions */
    sp.current_a = -10;
    expect_expand("{current_a}", &sp, "-10\n");
    sp.current_a = 0.00001;
    expect_expand("{current_a}", &sp, "1e-05\n"); /* <NR3> of IEEE 488.2 */
}

static void refuse_expand(const char *tmpl, const struct wn_setpoints *sp, size_t size, int code,
                          const char *words)
{
    struct wn_dialect d;
    struct wn_error err = {0};
    char out[WN_COMMAND_MAX];
    size_t len = 77;
    talk_dialect(&d);
    assert_int_equal(wn_dialect_expand(&d, tmpl, sp, out, size, &len, &err), code);
    assert_int_equal(err.code, code);
    assert_non_null(strstr(err.text, words));
    assert_non_null(strstr(err.text, "test.conf"));
    assert_int_equal(len, 77);
    assert_int_equal(wn_dialect_expand(&d, tmpl, sp, out, size, &len, NULL), code);
}

static void templates_that_cannot_be_sent(void **state)
{
    (void)state;
    struct wn_setpoints sp = talk_no_values(), all = talk_values();
    refuse_expand("A {current_a}", &sp, WN_COMMAND_MAX, WN_EINVAL, "{current_a}");
    refuse_expand("A {current_a}", NULL, WN_COMMAND_MAX, WN_EINVAL, "{current_a}");
    refuse_expand("A {current}", &all, WN_COMMAND_MAX, WN_EINVAL, "{current}");
    refuse_expand("A {}", &all, WN_COMMAND_MAX, WN_EINVAL, "{}");
    refuse_expand("A {current_a", &all, WN_COMMAND_MAX, WN_EINVAL, "without");
    sp.current_a = INFINITY;
    refuse_expand("A {current_a}", &sp, WN_COMMAND_MAX, WN_EINVAL, "{current_a}");
    refuse_expand("OUT 0", &all, 6, WN_ERANGE, "at most 5");
    expect_expand("OUT 0", &all, "OUT 0\n");
    struct wn_dialect d;
    char out[7];
    size_t len;
    talk_dialect(&d);
    assert_int_equal(wn_dialect_expand(&d, "OUT 0", &all, out, sizeof out, &len, NULL),
                     WN_OK); /* just fits */
}

static int decode(const struct wn_dialect *d, const char *reply, struct wn_reading *r,
                  struct wn_error *err)
{
    struct wn_reading fresh = {0};
    int rc = wn_dialect_decode(d, 0, reply, strlen(reply), &fresh, err);
    *r = rc == WN_OK ? fresh : *r;
    return rc;
}

static void fields_are_decoded(void **state)
{
    (void)state;
    struct wn_dialect d;
    struct wn_reading r;
    talk_dialect(&d);
    assert_int_equal(decode(&d, "0,+3.71234E+00, -1.0,25.,.5,OFF", &r, NULL), WN_OK);
    assert_int_equal(r.time_ns, 0);
    assert_near(r.voltage_v, 3.71234, 0);
    assert_near(r.current_a, -1, 0);
    assert_near(r.temperature_c, 25, 0);
    assert_near(r.ambient_c, 0.5, 0);
    assert_int_equal(r.output_on, 0);
    d.current_sign = -1;
    assert_int_equal(decode(&d, "0,3.7,-1.0,25,23,ON", &r, NULL), WN_OK);
    assert_near(r.current_a, 1, 0);
    assert_int_equal(r.output_on, 1);
    assert_int_equal(decode(&d, "0,3.7,0,25,23,1", &r, NULL), WN_OK);
    assert_false(signbit(r.current_a)); /* no "-0" for people to wonder about */
    d.read[0].field[3].what = WN_FIELD_IGNORE;
    assert_int_equal(decode(&d, "0,3.7,0,what ever,23,1", &r, NULL), WN_OK);
    assert_int_equal(r.has & WN_HAS_TEMPERATURE, 0);
}

/* SCPI-1999, 7.2.1: +/-9.9E37 is infinity, 9.91E37 is "not a number". */
static void overload_is_no_value(void **state)
{
    (void)state;
    static const char *const none[] = {"9.9E37",  "+9.90000E+37", "-9.9E+37",
                                       "9.91E37", "9.91e37",      "1e300"};
    struct wn_dialect d;
    struct wn_reading r;
    talk_dialect(&d);
    for (size_t i = 0; i < sizeof none / sizeof none[0]; i++) {
        char reply[100];
        (void)snprintf(reply, sizeof reply, "%s,%s,%s,%s,%s,1", none[i], none[i], none[i], none[i],
                       none[i]);
        assert_int_equal(decode(&d, reply, &r, NULL), WN_OK);
        assert_int_equal(r.has, WN_HAS_OUTPUT);
        assert_near(r.voltage_v, 0, 0);
    }
    assert_int_equal(decode(&d, "0,9.89E37,9.9E36,25,23,1", &r, NULL), WN_OK);
    assert_int_equal(r.has & (WN_HAS_VOLTAGE | WN_HAS_CURRENT), WN_HAS_VOLTAGE | WN_HAS_CURRENT);
}

static void replies_that_are_refused(void **state)
{
    (void)state;
    static const struct {
        const char *reply, *words;
    } bad[] = {
        {"", "has 1 fields, not 6"},
        {"0,3.7,0,25,23", "has 5 fields, not 6"},
        {"0,3.7,0,25,23,1,", "has 7 fields, not 6"},
        {"0;3.7;0;25;23;1", "has 1 fields"},
        {"0,,0,25,23,1", "is not a number (field 2, voltage)"},
        {"0,3.7 ,0,25,23,1", "field 2, voltage"},
        {"0,3.7V,0,25,23,1", "field 2, voltage"},
        {"0,3.7.1,0,25,23,1", "field 2, voltage"},
        {"0,3,7,0,25,23,1", "has 7 fields"},
        {"0,0x10,0,25,23,1", "field 2, voltage"},
        {"0,nan,0,25,23,1", "field 2, voltage"},
        {"0,inf,0,25,23,1", "field 2, voltage"},
        {"0,3.7,--1,25,23,1", "field 3, current"},
        {"0,3.7,1E,25,23,1", "field 3, current"},
        {"0,3.7,1E+,25,23,1", "field 3, current"},
        {"0,3.7,0,1e999,23,1", "beyond all bounds (field 4, temperature)"},
        {"0,3.7,0,25,-,1", "field 5, ambient temperature"},
        {"0,3.7,0,25,23,2", "neither 0, 1, OFF nor ON (field 6, output)"},
        {"0,3.7,0,25,23,on", "field 6, output"},
        {"0,3.7,0,25,23,", "field 6, output"},
        {"-1,3.7,0,25,23,1", "impossible time (field 1, time)"},
        {"1e10,3.7,0,25,23,1", "impossible time (field 1, time)"},
    };
    struct wn_dialect d;
    talk_dialect(&d);
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct wn_reading r = {.voltage_v = 42, .has = 7};
        struct wn_error err = {0};
        int rc = decode(&d, bad[i].reply, &r, &err);
        if (rc != WN_EFRAME || strstr(err.text, bad[i].words) == NULL ||
            strstr(err.text, "to ALL?") == NULL) {
            fail_msg("'%s': %d, %s", bad[i].reply, rc, err.text);
        }
        assert_near(r.voltage_v, 42, 0); /* untouched */
        assert_int_equal(r.has, 7);
        assert_int_equal(decode(&d, bad[i].reply, &r, NULL), WN_EFRAME);
    }
}

static void a_long_reply_is_cut_in_the_message(void **state)
{
    (void)state;
    struct wn_dialect d;
    struct wn_reading r;
    struct wn_error err = {0};
    char reply[500];
    talk_dialect(&d);
    memset(reply, '\x1b', sizeof reply);
    assert_int_equal(wn_dialect_decode(&d, 0, reply, sizeof reply, &r, &err), WN_EFRAME);
    assert_null(strchr(err.text, '\x1b'));
    assert_non_null(strstr(err.text, "???...'"));
    assert_true(strlen(err.text) < 200);
}

static void a_single_field_needs_no_separator(void **state)
{
    (void)state;
    struct wn_dialect d;
    struct wn_reading r;
    talk_dialect(&d);
    d.read[0].fields = 1;
    d.read[0].field[0].what = WN_FIELD_VOLTAGE_V;
    d.read[0].separator = '\0';
    assert_int_equal(decode(&d, "3.7", &r, NULL), WN_OK);
    assert_int_equal(decode(&d, "3.7,1", &r, NULL), WN_EFRAME);
    assert_int_equal(wn_dialect_decode(&d, 0, "3.7\0", 4, &r, NULL), WN_EFRAME);
}

#define AT(member) offsetof(struct wn_dialect, member)

static const struct {
    size_t at;
    const char *text;
} wrong_texts[] = {
    {AT(terminator), ""},
    {AT(terminator), "\n\n"},
    {AT(identity_query), ""},
    {AT(identity_prefix), ""},
    {AT(setup.line[1]), "HIGH {voltage_v}"},
    {AT(setup.line[1]), "HIGH {voltage_high_v"},
    {AT(setup.line[0]), "CLS\nOUT 1"},
    {AT(setup.line[2]), ""},
    {AT(charge.set.line[1]), "CURR {amps}"},
    {AT(charge.readback[1].query), ""},
    {AT(charge.readback[1].query), "CURR {current_a}?"},
    {AT(charge.readback[1].expect), "power_w"},
    {AT(charge.readback[0].expect), ""},
    {AT(power.set.line[1]), "POW {current_a}"},
    {AT(on.line[0]), "OUT {current_a}"},
    {AT(off.line[0]), "OUT {interval_s}"},
    {AT(output_query), ""},
    {AT(output_off_reply), ""},
    {AT(read[0].query), ""},
    {AT(read[0].query), "ALL? {current_a}"},
    {AT(error_query), "ERR? {timeout_s}"},
};

static const struct {
    size_t at;
    int value;
} wrong_counts[] = {
    {AT(retries), -1},
    {AT(retries), 11},
    {AT(current_sign), 0},
    {AT(setup.n), WN_SEQUENCE_MAX + 1},
    {AT(charge.set.n), 0},
    {AT(charge.readbacks), 0},
    {AT(charge.readbacks), WN_READBACKS_MAX + 1},
    {AT(discharge.set.n), 0},
    {AT(on.n), 0},
    {AT(off.n), 0},
    {AT(read[0].fields), 0},
    {AT(read[0].fields), WN_FIELDS_MAX + 1},
};

static const struct {
    size_t at;
    double value;
} wrong_numbers[] = {
    {AT(reply_timeout_s), 0},
    {AT(reply_timeout_s), NAN},
    {AT(reply_timeout_s), 61},
    {AT(overload), 0},
    {AT(charge.readback[1].tolerance), 0},
    {AT(charge.readback[1].tolerance), INFINITY},
};

static void expect_mistake(const struct wn_dialect *d, const char *which, size_t n)
{
    struct wn_error err = {.code = WN_OK};
    int rc = wn_dialect_validate(d, &err);
    if (rc == WN_OK || rc != err.code || strncmp(err.text, "test.conf: ", 11) != 0) {
        fail_msg("%s %zu: %d, %s", which, n, rc, err.text);
    }
    assert_int_equal(wn_dialect_validate(d, NULL), rc);
}

static void every_mistake_of_a_dialect_is_found(void **state)
{
    (void)state;
    struct wn_dialect d;
    struct wn_error err = {.code = 1};
    talk_dialect(&d);
    assert_int_equal(wn_dialect_validate(&d, &err), WN_OK);
    assert_int_equal(err.code, WN_OK);
    for (size_t i = 0; i < sizeof wrong_texts / sizeof wrong_texts[0]; i++) {
        talk_dialect(&d);
        memcpy((char *)&d + wrong_texts[i].at, wrong_texts[i].text,
               strlen(wrong_texts[i].text) + 1);
        expect_mistake(&d, "text", i);
    }
    for (size_t i = 0; i < sizeof wrong_counts / sizeof wrong_counts[0]; i++) {
        talk_dialect(&d);
        memcpy((char *)&d + wrong_counts[i].at, &wrong_counts[i].value, sizeof(int));
        expect_mistake(&d, "count", i);
    }
    for (size_t i = 0; i < sizeof wrong_numbers / sizeof wrong_numbers[0]; i++) {
        talk_dialect(&d);
        memcpy((char *)&d + wrong_numbers[i].at, &wrong_numbers[i].value, sizeof(double));
        expect_mistake(&d, "number", i);
    }
}

static void mistakes_of_the_fields_and_of_safe_off(void **state)
{
    (void)state;
    for (size_t i = 0; i < 7; i++) {
        struct wn_dialect d;
        talk_dialect(&d);
        d.read[0].separator = i == 0 ? '\0' : d.read[0].separator;
        d.read[0].field[1].what = i == 1 ? WN_FIELD_IGNORE : d.read[0].field[1].what;
        d.read[0].field[2].what = i == 2 ? WN_FIELD_IGNORE : d.read[0].field[2].what;
        d.has_clock = i == 3;
        d.read[0].field[0].what = i == 3 ? WN_FIELD_IGNORE : d.read[0].field[0].what;
        d.read[0].field[3].what = i == 4 ? WN_FIELD_VOLTAGE_V : d.read[0].field[3].what; /* twice */
        d.safe_off_len = i == 5 ? 0 : d.safe_off_len;
        d.safe_off_len -= i == 6;
        expect_mistake(&d, "field", i);
    }
    struct wn_dialect d;
    talk_dialect(&d);
    d.safe_off_len = (size_t)snprintf(d.safe_off, sizeof d.safe_off, "CURR {current_a}\n");
    expect_mistake(&d, "safe_off", 0);
}

static void what_may_be_left_out(void **state)
{
    (void)state;
    struct wn_dialect d;
    talk_dialect(&d);
    d.power.set.n = 0;
    d.power.readbacks = 0;
    d.error_query[0] = '\0';
    d.setup.n = 0;
    assert_int_equal(wn_dialect_validate(&d, NULL), WN_OK);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(templates_become_commands),
        cmocka_unit_test(templates_that_cannot_be_sent),
        cmocka_unit_test(fields_are_decoded),
        cmocka_unit_test(overload_is_no_value),
        cmocka_unit_test(replies_that_are_refused),
        cmocka_unit_test(a_long_reply_is_cut_in_the_message),
        cmocka_unit_test(a_single_field_needs_no_separator),
        cmocka_unit_test(every_mistake_of_a_dialect_is_found),
        cmocka_unit_test(mistakes_of_the_fields_and_of_safe_off),
        cmocka_unit_test(what_may_be_left_out),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
