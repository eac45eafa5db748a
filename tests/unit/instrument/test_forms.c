/* Instruments with habits: values between a prefix and a suffix, in other units, with a decimal
 * comma; readings in several replies; echoes, prompts, lines that end with CR, pauses between
 * characters. SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdio.h>
#include <string.h>

#include "support/near.h"
#include "talk.h"

static struct wn_field_form *form(struct wn_dialect *d, int field)
{
    return &d->read[0].field[field];
}

static void text(char *to, size_t size, const char *from)
{
    (void)snprintf(to, size, "%s", from);
}
#define TEXT(member, from) text(member, sizeof(member), from)

/* "V=3.7 V" of the first field only. */
static int decode_one(const struct wn_dialect *d, const char *reply, double *voltage_v)
{
    struct wn_reading r = {0};
    int rc = wn_dialect_decode(d, 0, reply, strlen(reply), &r, NULL);
    *voltage_v = rc == WN_OK ? r.voltage_v : NAN;
    return rc;
}

static void one_field(struct wn_dialect *d)
{
    talk_dialect(d);
    d->read[0].fields = 1;
    form(d, 0)->what = WN_FIELD_VOLTAGE_V;
}

static void prefix_and_suffix(void **state)
{
    (void)state;
    static const struct {
        const char *reply;
        int rc;
    } rows[] = {
        {"V=3.7 V", WN_OK},       {" V=3.7 V", WN_OK},   {"V= 3.7 V", WN_OK},
        {"V=3.7", WN_EFRAME},     {"3.7 V", WN_EFRAME},  {"v=3.7 V", WN_EFRAME},
        {"V=3.7 mV", WN_EFRAME},  {"V=3.7V", WN_EFRAME}, {"V=3.7  V", WN_EFRAME},
        {"V=3.7 V ", WN_EFRAME},  {"V= V", WN_EFRAME},   {"V=V=3.7 V", WN_EFRAME},
        {"V=3.7 V V", WN_EFRAME}, {"V", WN_EFRAME},      {"", WN_EFRAME},
    };
    struct wn_dialect d;
    double v;
    one_field(&d);
    TEXT(form(&d, 0)->prefix, "V=");
    TEXT(form(&d, 0)->suffix, " V");
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if (decode_one(&d, rows[i].reply, &v) != rows[i].rc || (rows[i].rc == WN_OK && v != 3.7)) {
            fail_msg("'%s': %g", rows[i].reply, v);
        }
    }
}

static void other_units(void **state)
{
    (void)state;
    struct wn_dialect d;
    double v;
    one_field(&d);
    form(&d, 0)->scale = 0.001;
    assert_int_equal(decode_one(&d, "3712.5", &v), WN_OK);
    assert_near(v, 3.7125, 1e-15);
    d.overload = 99999; /* as sent, before it is scaled */
    struct wn_reading r = {0};
    assert_int_equal(wn_dialect_decode(&d, 0, "99999", 5, &r, NULL), WN_OK);
    assert_int_equal(r.has & WN_HAS_VOLTAGE, 0);
}

/* A digit that is lost or too much shows when their number is known. */
static void declared_places(void **state)
{
    (void)state;
    static const struct {
        const char *reply;
        int rc;
    } rows[] = {{"3.712", WN_OK},    {"+3.712E+00", WN_OK}, {"13.712", WN_OK},
                {"-0.000", WN_OK},   {"3.71", WN_EFRAME},   {"3.7121", WN_EFRAME},
                {"3712", WN_EFRAME}, {"3.", WN_EFRAME},     {"3.71E+00", WN_EFRAME}};
    struct wn_dialect d;
    double v;
    one_field(&d);
    form(&d, 0)->places = 3;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if (decode_one(&d, rows[i].reply, &v) != rows[i].rc) {
            fail_msg("'%s'", rows[i].reply);
        }
    }
    form(&d, 0)->decimal_comma = true;
    assert_int_equal(decode_one(&d, "3,712", &v), WN_OK);
    assert_int_equal(decode_one(&d, "3,71", &v), WN_EFRAME);
    struct wn_reading r = {0}; /* that there is no value is said in another form */
    assert_int_equal(wn_dialect_decode(&d, 0, "9,91E37", 7, &r, NULL), WN_OK);
    assert_int_equal(r.has & WN_HAS_VOLTAGE, 0);
}

/* A decimal comma is read only where it is declared, and then no point: 1.234 from an instrument
 * that writes thousands so would be a thousand times wrong. */
static void decimal_comma(void **state)
{
    (void)state;
    static const struct {
        bool comma;
        const char *reply;
        double v; /* NaN: refused */
    } rows[] = {
        {false, "3.7", 3.7},    {false, "3,7", NAN}, {true, "3,7", 3.7},
        {true, "3.7", NAN},     {true, "37", 37},    {true, "1.234,5", NAN},
        {true, "1,234,5", NAN}, {true, ",5", 0.5},   {true, "-3,7E-1", -0.37},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct wn_dialect d;
        double v;
        one_field(&d);
        form(&d, 0)->decimal_comma = rows[i].comma;
        int rc = decode_one(&d, rows[i].reply, &v);
        bool good = isnan(rows[i].v) ? rc == WN_EFRAME : rc == WN_OK && fabs(v - rows[i].v) < 1e-12;
        if (!good) {
            fail_msg("row %zu: %d, %g", i, rc, v);
        }
    }
}

static void what_cannot_be_declared(void **state)
{
    (void)state;
    for (int i = 0; i < 5; i++) {
        struct wn_dialect d;
        struct wn_error err = {0};
        talk_dialect(&d);
        assert_int_equal(wn_dialect_validate(&d, &err), WN_OK);
        form(&d, 1)->decimal_comma = i == 0; /* the fields are separated by commas */
        form(&d, 1)->scale = i == 1 ? -1 : i == 2 ? NAN : 0;
        TEXT(form(&d, 2)->suffix, i == 3 ? " A," : "");
        d.reads = i == 4 ? WN_READS_MAX + 1 : 1;
        assert_int_not_equal(wn_dialect_validate(&d, &err), WN_OK);
    }
}

/* Voltage, current and temperature asked for one after the other. */
static void three_reads(struct talk *t)
{
    static const struct {
        const char *query;
        enum wn_field what;
    } rows[] = {
        {"V?", WN_FIELD_VOLTAGE_V}, {"I?", WN_FIELD_CURRENT_A}, {"T?", WN_FIELD_TEMPERATURE_C}};
    talk_begin(t);
    t->dialect.reads = 3;
    for (int i = 0; i < 3; i++) {
        struct wn_read *read = &t->dialect.read[i];
        memset(read, 0, sizeof *read);
        TEXT(read->query, rows[i].query);
        read->fields = 1;
        read->field[0].what = rows[i].what;
    }
}

static void a_reading_of_several_replies(void **state)
{
    (void)state;
    struct talk t;
    three_reads(&t);
    for (int n = 0; n < 3; n++) {
        talk_request(&t, WN_REQUEST_READ);
        talk_sends(&t, "V?|");
        talk_hears(&t, "3.7|", WN_SESSION_PENDING);
        talk_sends(&t, "I?|");
        talk_hears(&t, n == 1 ? "1E|" : "-2.5|", WN_SESSION_PENDING);
        if (n == 1) { /* only the one that was spoilt is asked again, once we are in step */
            talk_sends(&t, "|ID?|");
            talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
            talk_sends(&t, "I?|");
            talk_hears(&t, "-2.5|", WN_SESSION_PENDING);
        }
        talk_sends(&t, "T?|");
        t.now_ns += WN_NS_PER_MS;
        talk_hears(&t, n == 2 ? "9.9E37|" : "25|", WN_SESSION_DONE);
        const struct wn_reading *r = &t.session.reading;
        assert_near(r->voltage_v, 3.7, 0);
        assert_near(r->current_a, -2.5, 0);
        /* the temperature of the reading before must not stand in for one that is missing */
        assert_int_equal((r->has & WN_HAS_TEMPERATURE) != 0, n != 2);
        assert_int_equal(r->host_ns, t.now_ns);
    }
}

static void echoes_are_passed_over(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    t.dialect.echo = true;
    talk_request(&t, WN_REQUEST_CHARGE);
    talk_sends(&t, "MODE CHAR|CURR 4|VOLT 4.2|ERR?|");
    talk_hears(&t, "MODE CHAR|CURR 4|VOLT 4.2|ERR?|0|", WN_SESSION_PENDING);
    talk_sends(&t, "MODE?|");
    talk_hears(&t, "MODE?|CHAR|", WN_SESSION_PENDING);
    talk_sends(&t, "CURR?|");
    talk_hears(&t, "CURR?|4|", WN_SESSION_PENDING);
    talk_sends(&t, "VOLT?|");
    talk_hears(&t, "VOLT?|4.2|", WN_SESSION_DONE);
    t.dialect.error_query[0] = '\0';
    t.dialect.setup.n = 1;
    talk_request(&t, WN_REQUEST_SETUP); /* no reply at all: the echo comes behind its end */
    talk_sends(&t, "CLS|");
    assert_int_equal(wn_session_result(&t.session), WN_SESSION_DONE);
    talk_hears(&t, "CLS|", WN_SESSION_DONE);
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|"); /* not out of step */
}

static void an_echo_that_was_not_declared_is_no_answer(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    talk_hears(&t, "ALL? 1|", WN_SESSION_PENDING);
    assert_int_equal(t.session.bad_replies, 1);
}

static void prompts_are_passed_over(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    TEXT(t.dialect.prompt, "> ");
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    talk_hears(&t, "> 12.5,3.7,-10,25,23,1|> ", WN_SESSION_DONE);
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|"); /* the prompt alone is nothing that came unasked */
    talk_hears(&t, "> 12.5,3.7,-10,25,23,1|>", WN_SESSION_DONE);
    talk_request(&t, WN_REQUEST_OFF);
    talk_sends(&t, "|OUT 0|OUT?|");
    talk_hears(&t, " > > 0|", WN_SESSION_DONE);
}

static void lines_that_end_with_cr(void **state)
{
    (void)state;
    struct wn_line_reader r;
    const char *line;
    size_t n, used = 0;
    const char *bytes = "3.7\r4.1\r\n\r5\n6\r7\r";
    const char *const want[] = {"3.7", "4.1", "", "7"}; /* "5 LF 6" is spoilt */
    wn_line_init(&r, '\r');
    for (int i = 0; i < 4; i++) {
        assert_true(wn_line_take(&r, bytes, strlen(bytes), &used, &line, &n));
        assert_int_equal(n, strlen(want[i]));
        assert_memory_equal(line, want[i], n);
    }
    assert_int_equal(r.discarded, 1);
}

static void pauses_between_characters(void **state)
{
    (void)state;
    struct talk t;
    size_t len;
    talk_begin(&t);
    t.dialect.character_delay_s = 0.01;
    talk_request(&t, WN_REQUEST_OFF);
    const char *want = "\nOUT 0\nOUT?\n";
    wn_ns from = t.now_ns;
    for (size_t i = 0; i < strlen(want); i++) {
        const char *out = wn_session_output(&t.session, &len);
        assert_int_equal(len, 1);
        assert_int_equal(out[0], want[i]);
        wn_session_wrote(&t.session, 1, t.now_ns);
        (void)wn_session_output(&t.session, &len);
        assert_int_equal(len, 0);
        if (i + 1 < strlen(want)) {
            assert_int_equal(wn_session_deadline(&t.session), t.now_ns + 10 * WN_NS_PER_MS);
            talk_waits(&t, 10, WN_SESSION_PENDING);
        }
    }
    assert_int_equal(t.now_ns - from, 110 * WN_NS_PER_MS);
    talk_hears(&t, "0|", WN_SESSION_DONE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(prefix_and_suffix),
        cmocka_unit_test(other_units),
        cmocka_unit_test(declared_places),
        cmocka_unit_test(decimal_comma),
        cmocka_unit_test(what_cannot_be_declared),
        cmocka_unit_test(a_reading_of_several_replies),
        cmocka_unit_test(echoes_are_passed_over),
        cmocka_unit_test(an_echo_that_was_not_declared_is_no_answer),
        cmocka_unit_test(prompts_are_passed_over),
        cmocka_unit_test(lines_that_end_with_cr),
        cmocka_unit_test(pauses_between_characters),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
