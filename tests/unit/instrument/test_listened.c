/* The conversation with a tester that runs its own program.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdio.h>
#include <string.h>

#include "listening.h"
#include "support/near.h"
#include "talk.h"

static void begin(struct talk *t)
{
    memset(t, 0, sizeof *t);
    listening_dialect("virtual-talker", &t->dialect);
    wn_session_init(&t->session, &t->dialect, "tester", "/dev/bench");
}

#define RECORD(time, amps) "9;" time ";1;C;3.7000;" amps ";25.00;0.00000|"

static void test_identify(void **state)
{
    struct talk t;
    (void)state;
    begin(&t);
    talk_request(&t, WN_REQUEST_IDENTIFY);
    talk_sends(&t, "");
    talk_hears(&t, "7000;1.0000;25.00;0.00000|", WN_SESSION_PENDING);
    talk_hears(&t, RECORD("1.000", "1.0000"), WN_SESSION_PENDING);
    talk_hears(&t, RECORD("2.000", "1.0000"), WN_SESSION_DONE);
    talk_request(&t, WN_REQUEST_SETUP); /* nothing is set */
    assert_int_equal(wn_session_result(&t.session), WN_SESSION_DONE);
    talk_sends(&t, "");
    begin(&t);
    talk_request(&t, WN_REQUEST_IDENTIFY);
    talk_waits(&t, 10000, WN_SESSION_FAILED);
    talk_failed(&t, WN_ETIMEOUT, "no record for 10 s");
    talk_request(&t, WN_REQUEST_IDENTIFY);
    talk_hears(&t, "x|hello|hello|", WN_SESSION_PENDING);
    talk_waits(&t, 10000, WN_SESSION_FAILED);
    talk_failed(&t, WN_EFRAME, "only garbled ones (record 'hello' has 1 fields, not 8)");
    assert_int_equal(t.session.bad_replies, 2);
}

static void test_identity_line(void **state)
{
    struct talk t;
    (void)state;
    begin(&t);
    (void)snprintf(t.dialect.identity_prefix, sizeof t.dialect.identity_prefix, "maker,");
    t.dialect.records.identity_within_s = 60;
    talk_request(&t, WN_REQUEST_IDENTIFY);
    talk_hears(&t, "|" RECORD("1.000", "0.0000") RECORD("2.000", "0.0000"), WN_SESSION_PENDING);
    talk_waits(&t, 59999, WN_SESSION_PENDING);
    talk_hears(&t, "maker,model,17|", WN_SESSION_DONE);
    assert_string_equal(t.session.identity, "maker,model,17");
    t.session.identity[0] = '\0';
    talk_request(&t, WN_REQUEST_IDENTIFY);
    talk_hears(&t, "|" RECORD("1.000", "0.0000") RECORD("2.000", "0.0000"), WN_SESSION_PENDING);
    talk_waits(&t, 60000, WN_SESSION_FAILED);
    talk_failed(&t, WN_EIDENTITY, "no line that begins with 'maker,'");
}

/* None is lost, whether it was waited for or not; what comes late is there at once. */
static void test_read(void **state)
{
    struct talk t;
    char text[100];
    (void)state;
    begin(&t);
    talk_request(&t, WN_REQUEST_IDENTIFY);
    talk_hears(&t, "|" RECORD("1.000", "1.0000") RECORD("2.000", "2.0000"), WN_SESSION_DONE);
    for (int n = 1; n <= 2; n++) {
        talk_request(&t, WN_REQUEST_READ);
        assert_int_equal(wn_session_result(&t.session), WN_SESSION_DONE);
        assert_near(t.session.reading.current_a, n, 0);
        assert_int_equal(t.session.reading.time_ns, n * WN_NS_PER_S);
    }
    talk_request(&t, WN_REQUEST_READ);
    talk_waits(&t, 9999, WN_SESSION_PENDING);
    talk_hears(&t, "garbled|", WN_SESSION_PENDING);
    talk_hears(&t, RECORD("3.000", "3.0000"), WN_SESSION_DONE);
    talk_request(&t, WN_REQUEST_READ);
    talk_waits(&t, 10000, WN_SESSION_FAILED);
    talk_failed(&t, WN_ETIMEOUT, "no record for 10 s");
    for (int n = 0; n < WN_SESSION_HEARD_MAX + 3; n++) {
        (void)snprintf(text, sizeof text, "9;%d.000;1;C;3.7000;1.0000;25.00;0.00000|", n);
        talk_hears(&t, text, WN_SESSION_FAILED);
    }
    assert_int_equal(t.session.unheard, 3);
    talk_request(&t, WN_REQUEST_READ);
    assert_int_equal(t.session.reading.time_ns, 3 * WN_NS_PER_S);
}

static void test_off(void **state)
{
    struct talk t;
    (void)state;
    begin(&t);
    talk_request(&t, WN_REQUEST_READ);
    talk_request(&t, WN_REQUEST_OFF); /* does not wait for a record */
    talk_sends(&t, "HALT|");
    assert_int_equal(wn_session_result(&t.session), WN_SESSION_DONE);
    t.dialect.safe_off_len = 0;
    talk_request(&t, WN_REQUEST_OFF);
    talk_failed(&t, WN_EINVAL, "no stop command");
    t.dialect.safe_off_len = 5;
    talk_request(&t, WN_REQUEST_OFF);
    talk_waits(&t, 1000, WN_SESSION_FAILED);
    talk_failed(&t, WN_ETIMEOUT, "does not take the stop command");
}

static void test_never_driven(void **state)
{
    static const enum wn_request driven[] = {WN_REQUEST_CHARGE, WN_REQUEST_DISCHARGE,
                                             WN_REQUEST_POWER, WN_REQUEST_ON};
    struct talk t;
    (void)state;
    begin(&t);
    for (size_t i = 0; i < sizeof driven / sizeof driven[0]; i++) {
        talk_request(&t, driven[i]);
        talk_sends(&t, "");
        talk_failed(&t, WN_EINVAL, "never told what to do");
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_identify),     cmocka_unit_test(test_identity_line),
        cmocka_unit_test(test_read),         cmocka_unit_test(test_off),
        cmocka_unit_test(test_never_driven),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
