/* Replies with a checksum: every form, and what is told when one is wrong.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * "123456789" is the message for which the catalogue of parametrised CRC algorithms by Greg Cook
 * gives check values: 0x4b37 for CRC-16/MODBUS, 0xf4 for CRC-8/SMBUS. Its sum is 0x1dd, its
 * exclusive or 0x31. */
#include <stdio.h>
#include <string.h>

#include "support/near.h"
#include "talk.h"

static void declare(struct wn_dialect *d, const char *kind, enum wn_checksum_form form)
{
    d->checksum.used = true;
    d->checksum.how = *wn_checksum_named(kind);
    d->checksum.form = form;
    (void)snprintf(d->checksum.separator, sizeof d->checksum.separator, "%s", "*");
}

static void forms(void **state)
{
    (void)state;
    static const struct {
        const char *kind, *start, *separator;
        enum wn_checksum_form form;
        bool with_separator;
        const char *line;
    } of[] = {
        {"crc-16/modbus", "", "*", WN_CHECKSUM_HEX_UPPER, false, "123456789*4B37"},
        {"crc-16/modbus", "", "*", WN_CHECKSUM_HEX_LOWER, false, "123456789*4b37"},
        {"crc-16/modbus", "", ",", WN_CHECKSUM_DECIMAL, false, "123456789,19255"},
        {"crc-8/smbus", "$", "*", WN_CHECKSUM_HEX_UPPER, false, "$123456789*F4"},
        {"crc-8/smbus", "", "", WN_CHECKSUM_HEX_UPPER, false, "123456789F4"},
        {"xor8", "", "", WN_CHECKSUM_DECIMAL_PADDED, false, "123456789049"},
        {"xor8", "", " ", WN_CHECKSUM_DECIMAL, false, "123456789 49"},
        {"xor8", "", "*", WN_CHECKSUM_HEX_UPPER, true, "123456789*1B"}, /* 0x31 ^ '*' */
        {"sum16", "", ";", WN_CHECKSUM_DECIMAL_PADDED, false, "123456789;00477"},
    };
    for (size_t i = 0; i < sizeof of / sizeof of[0]; i++) {
        struct wn_dialect d;
        char out[40];
        const char *line = of[i].line;
        size_t len = strlen(line), n = 0;
        talk_dialect(&d);
        declare(&d, of[i].kind, of[i].form);
        (void)snprintf(d.checksum.start, sizeof d.checksum.start, "%s", of[i].start);
        (void)snprintf(d.checksum.separator, sizeof d.checksum.separator, "%s", of[i].separator);
        d.checksum.with_separator = of[i].with_separator;
        assert_int_equal(wn_reply_wrap(&d, "123456789", out, sizeof out, &n, NULL), WN_OK);
        assert_string_equal(out, of[i].line);
        assert_int_equal(wn_reply_strip(&d, &line, &len, NULL), WN_OK);
        assert_int_equal(len, 9);
        assert_memory_equal(line, "123456789", 9);
        /* every other last character is another checksum */
        for (int c = 0x20; c < 0x7f; c++) {
            line = out;
            len = n;
            out[n - 1] = (char)c;
            assert_int_equal(wn_reply_strip(&d, &line, &len, NULL),
                             c == of[i].line[n - 1] ? WN_OK : WN_EFRAME);
        }
        assert_int_equal(wn_reply_wrap(&d, "123456789", out, n, &n, NULL), WN_ENOSPACE);
    }
}

static void without_one_nothing_is_taken_off(void **state)
{
    (void)state;
    struct wn_dialect d;
    const char *line = "3.7*00";
    size_t len = 6;
    talk_dialect(&d);
    assert_int_equal(wn_reply_strip(&d, &line, &len, NULL), WN_OK);
    assert_int_equal(len, 6);
}

static void says(const struct wn_dialect *d, const char *line, const char *want)
{
    struct wn_error err = {0};
    size_t len = strlen(line);
    assert_int_equal(wn_reply_strip(d, &line, &len, &err), WN_EFRAME);
    assert_string_equal(err.text, want);
}

static void what_is_wrong_is_told(void **state)
{
    (void)state;
    struct wn_dialect d;
    talk_dialect(&d);
    declare(&d, "xor8", WN_CHECKSUM_HEX_UPPER);
    (void)snprintf(d.checksum.start, sizeof d.checksum.start, "%s", "$");
    says(&d, "$123456789*32", "has the checksum 32 where 31 belongs");
    says(&d, "$123456789*", "has the checksum  where 31 belongs");
    says(&d, "$123456789*0031", "has the checksum 0031 where 31 belongs");
    says(&d, "$123456789", "ends without its checksum");
    says(&d, "$", "ends without its checksum");
    says(&d, "123456789*31", "does not begin with '$'");
    says(&d, "", "does not begin with '$'");
}

/* The whole conversation: identity, output, errors and readings all carry one. */
static void a_session_checks_every_reply(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    declare(&t.dialect, "xor8", WN_CHECKSUM_HEX_UPPER);
    talk_request(&t, WN_REQUEST_OFF);
    talk_sends(&t, "|OUT 0|OUT?|");
    talk_hears(&t, "0*30|", WN_SESSION_DONE);
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    talk_hears(&t, "12.5,3.7,-10,25,23,1*00|", WN_SESSION_PENDING);
    assert_int_equal(t.session.bad_replies, 1);
    assert_non_null(strstr(t.session.complaint.text,
                           "tester on /dev/bench: reply '12.5,3.7,-10,25,23,1*00' to ALL? 1 has "
                           "the checksum 00 where "));
    talk_sends(&t, "|ID?|");
    talk_hears(&t, "maker,model,17*55|", WN_SESSION_PENDING); /* wrong: passed over */
    char right[80], line[100];
    size_t n;
    assert_int_equal(wn_reply_wrap(&t.dialect, "maker,model,17", right, sizeof right, &n, NULL),
                     WN_OK);
    (void)snprintf(line, sizeof line, "%s|", right);
    talk_hears(&t, line, WN_SESSION_PENDING);
    talk_sends(&t, "ALL? 1|");
    assert_int_equal(
        wn_reply_wrap(&t.dialect, "12.5,3.7,-10,25,23,1", right, sizeof right, &n, NULL), WN_OK);
    (void)snprintf(line, sizeof line, "%s|", right);
    talk_hears(&t, line, WN_SESSION_DONE);
    assert_near(t.session.reading.voltage_v, 3.7, 1e-12);
}

static void a_decimal_one_needs_a_separator(void **state)
{
    (void)state;
    struct wn_dialect d;
    struct wn_error err;
    talk_dialect(&d);
    declare(&d, "xor8", WN_CHECKSUM_DECIMAL);
    assert_int_equal(wn_dialect_validate(&d, &err), WN_OK);
    d.checksum.separator[0] = '\0';
    assert_int_equal(wn_dialect_validate(&d, &err), WN_EINVAL);
    assert_non_null(strstr(err.text, "needs a separator"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(forms),
        cmocka_unit_test(without_one_nothing_is_taken_off),
        cmocka_unit_test(what_is_wrong_is_told),
        cmocka_unit_test(a_session_checks_every_reply),
        cmocka_unit_test(a_decimal_one_needs_a_separator),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
