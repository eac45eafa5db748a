/* The session: each request word by word, deadlines to the nanosecond, repetitions.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdio.h>
#include <string.h>

#include "support/near.h"
#include "talk.h"

#define READING "12.5,3.71234,-10.0,25.5,23.1,1|"

static void identifies(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    assert_string_equal(t.session.identity, "maker,model,17");
    assert_int_equal(wn_session_deadline(&t.session), WN_NS_NEVER);
}

static void reads(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    t.now_ns += 3 * WN_NS_PER_MS;
    talk_hears(&t, READING, WN_SESSION_DONE);
    const struct wn_reading *r = &t.session.reading;
    assert_int_equal(r->has, WN_HAS_TIME | WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE |
                                 WN_HAS_AMBIENT | WN_HAS_OUTPUT);
    assert_int_equal(r->time_ns, 12500 * WN_NS_PER_MS);
    assert_int_equal(r->host_ns, t.now_ns);
    assert_near(r->voltage_v, 3.71234, 0);
    assert_near(r->current_a, -10, 0);
    assert_near(r->temperature_c, 25.5, 0);
    assert_near(r->ambient_c, 23.1, 0);
    assert_int_equal(r->output_on, 1);
}

static void host_time_stands_in_for_an_instrument_without_clock(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    t.dialect.read[0].field[0].what = WN_FIELD_IGNORE;
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    t.now_ns += 7 * WN_NS_PER_MS;
    talk_hears(&t, READING, WN_SESSION_DONE);
    assert_int_equal(t.session.reading.time_ns, t.now_ns);
    assert_int_equal(t.session.reading.has & WN_HAS_TIME, 0);
}

static void the_read_query_follows_its_interval(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    const double interval_s[] = {1, 1, 0.1, 60, 60, 1};
    const char *const want[] = {"ALL? 1|",  "ALL? 1|",  "ALL? 0.1|",
                                "ALL? 60|", "ALL? 60|", "ALL? 1|"};
    for (int i = 0; i < 6; i++) {
        struct wn_setpoints sp = talk_no_values();
        sp.interval_s = interval_s[i];
        wn_session_begin(&t.session, WN_REQUEST_READ, &sp, t.now_ns);
        talk_sends(&t, want[i]);
        talk_hears(&t, READING, WN_SESSION_DONE);
    }
    wn_session_begin(&t.session, WN_REQUEST_READ, NULL, t.now_ns);
    talk_failed(&t, WN_EINVAL, "{interval_s}");
}

static void charge_is_set_and_read_back(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_CHARGE);
    talk_sends(&t, "MODE CHAR|CURR 4|VOLT 4.2|ERR?|");
    talk_hears(&t, "0|", WN_SESSION_PENDING);
    talk_sends(&t, "MODE?|");
    talk_hears(&t, "CHAR|", WN_SESSION_PENDING);
    talk_sends(&t, "CURR?|");
    talk_hears(&t, "4.0010E+00|", WN_SESSION_PENDING); /* exactly the tolerance */
    talk_sends(&t, "VOLT?|");
    talk_hears(&t, " 4.199|", WN_SESSION_DONE);
}

static void on_and_off_are_confirmed(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_ON);
    talk_sends(&t, "OUT 1|ERR?|");
    talk_hears(&t, "0,\"\"|", WN_SESSION_PENDING);
    talk_sends(&t, "OUT?|");
    talk_hears(&t, "1|", WN_SESSION_DONE);
    talk_request(&t, WN_REQUEST_OFF);
    talk_sends(&t, "|OUT 0|OUT?|");
    talk_hears(&t, "0|", WN_SESSION_DONE);
}

static void a_dialect_without_error_query_asks_for_none(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    t.dialect.error_query[0] = '\0';
    talk_request(&t, WN_REQUEST_SETUP);
    talk_sends(&t, "CLS|HIGH 4.25|LIM 12|");
    assert_int_equal(wn_session_result(&t.session), WN_SESSION_DONE);
    t.dialect.setup.n = 0;
    talk_request(&t, WN_REQUEST_SETUP); /* nothing to do at all */
    assert_int_equal(wn_session_result(&t.session), WN_SESSION_DONE);
}

static void any_split_of_the_input_and_of_the_output(void **state)
{
    (void)state;
    static const char reply[] = "12.5,3.7,-10,25,23,1\n";
    for (size_t cut = 0; cut < sizeof reply; cut++) {
        struct talk t;
        size_t len;
        talk_begin(&t);
        talk_request(&t, WN_REQUEST_READ);
        (void)wn_session_output(&t.session, &len);
        size_t first = cut % len;
        wn_session_wrote(&t.session, first, t.now_ns);
        wn_session_wrote(&t.session, 0, t.now_ns);
        (void)wn_session_output(&t.session, &len);
        wn_session_wrote(&t.session, len, t.now_ns);
        (void)wn_session_input(&t.session, reply, cut, t.now_ns);
        assert_int_equal(
            wn_session_input(&t.session, reply + cut, sizeof reply - 1 - cut, t.now_ns),
            WN_SESSION_DONE);
        assert_near(t.session.reading.voltage_v, 3.7, 0);
    }
}

static void a_reply_just_before_the_deadline_is_in_time(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    assert_int_equal(wn_session_deadline(&t.session), t.now_ns + 500 * WN_NS_PER_MS);
    t.now_ns += 500 * WN_NS_PER_MS - 1;
    assert_int_equal(wn_session_tick(&t.session, t.now_ns), WN_SESSION_PENDING);
    assert_int_equal(t.session.timeouts, 0);
    talk_hears(&t, READING, WN_SESSION_DONE);
}

static void a_reply_at_the_deadline_is_late(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    t.now_ns += 500 * WN_NS_PER_MS;
    talk_hears(&t, READING, WN_SESSION_PENDING); /* nobody ticked: the input itself notices */
    assert_int_equal(t.session.timeouts, 1);
    talk_sends(&t, "|ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "ALL? 1|");
    talk_hears(&t, "13.5,3.7,-10,25,23,1|", WN_SESSION_DONE);
    assert_int_equal(t.session.reading.time_ns, 13500 * WN_NS_PER_MS);
}

static void silence_is_declared_after_the_retries(void **state)
{
    (void)state;
    for (int retries = 0; retries <= 3; retries++) {
        struct talk t;
        talk_begin(&t);
        t.dialect.retries = retries;
        wn_ns start = t.now_ns;
        talk_request(&t, WN_REQUEST_READ);
        talk_sends(&t, "ALL? 1|");
        static const char *const want[] = {"|ID?|", "|ID?|ID?|", "|ID?|ID?|ID?|ID?|"};
        for (int i = 0; i < retries; i++) {
            talk_waits(&t, 499.999, WN_SESSION_PENDING);
            talk_waits(&t, 0.001, WN_SESSION_PENDING);
            talk_sends(&t, want[i]);
        }
        talk_waits(&t, 499.999, WN_SESSION_PENDING);
        talk_waits(&t, 0.001, WN_SESSION_FAILED);
        talk_failed(&t, WN_ETIMEOUT,
                    retries == 0 ? "no answer to ALL? 1 within 0.5 s"
                                 : "no answer to ID? within 0.5 s");
        assert_int_equal(t.now_ns - start, (retries + 1) * 500 * WN_NS_PER_MS);
        assert_int_equal(t.session.timeouts, retries + 1);
        assert_int_equal(t.session.consecutive_bad, retries + 1);
    }
}

static void garbled_replies_are_asked_again_and_counted(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    talk_hears(&t, "12.5,3.7x,-10,25,23,1|", WN_SESSION_PENDING);
    assert_int_equal(t.session.bad_replies, 1);
    assert_non_null(strstr(t.session.complaint.text,
                           "tester on /dev/bench: reply '12.5,3.7x,-10,25,23,1' to ALL? is not a "
                           "number (field 2, voltage)"));
    char tally[WN_SESSION_TALLY_SIZE];
    assert_string_equal(wn_session_tally(&t.session, tally, sizeof tally),
                        "1 of the last 5 replies was bad or missing");
    talk_sends(&t, "|ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "ALL? 1|");
    talk_hears(&t, "12.5,3.7,-10,25|", WN_SESSION_PENDING);
    talk_sends(&t, "|ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "ALL? 1|");
    talk_hears(&t, "12.5,,-10,25,23,1|", WN_SESSION_FAILED);
    talk_failed(
        &t, WN_EFRAME,
        "is not a number (field 2, voltage); asked 3 times; 3 of the last 7 replies were bad");
    assert_int_equal(t.session.bad_replies, 3);
    assert_int_equal(t.session.reading.has, 0); /* nothing of it was taken */
}

static void the_window_of_bad_replies_moves_on(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    t.dialect.retries = 0;
    for (int i = 0; i < 250; i++) {
        talk_request(&t, WN_REQUEST_READ);
        if (t.session.stale) {
            talk_sends(&t, "|ID?|");
            talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
        }
        talk_sends(&t, "ALL? 1|");
        talk_hears(&t, i % 50 == 0 ? "?|" : READING,
                   i % 50 == 0 ? WN_SESSION_FAILED : WN_SESSION_DONE);
        assert_int_equal(t.session.consecutive_bad, i % 50 == 0);
    }
    assert_int_equal(t.session.recent_n, 100);
    assert_int_equal(t.session.recent_bad, 2);
    assert_int_equal(t.session.bad_replies, 5);
}

static void an_instrument_error_fails_at_once(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_CHARGE);
    talk_sends(&t, "MODE CHAR|CURR 4|VOLT 4.2|ERR?|");
    talk_hears(&t, "-222,\"Data out of range\"|", WN_SESSION_FAILED);
    talk_failed(&t, WN_EINSTRUMENT, "-222,\"Data out of range\"");
    /* The queue may hold more of them: they are not the fault of the next request. */
    talk_request(&t, WN_REQUEST_DISCHARGE);
    talk_sends(&t, "ERR?|");
    talk_hears(&t, "-113,\"Undefined header\"|", WN_SESSION_PENDING);
    talk_sends(&t, "ERR?|");
    talk_hears(&t, "0,\"No error\"|", WN_SESSION_PENDING);
    talk_sends(&t, "MODE DISC|CURR 4|VOLT 4.2|ERR?|");
}

static void an_error_queue_without_end_is_left_alone(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    t.session.old_errors = true;
    talk_request(&t, WN_REQUEST_ON);
    for (int i = 0; i < 32; i++) {
        talk_sends(&t, "ERR?|");
        talk_hears(&t, "-350,\"Queue overflow\"|", WN_SESSION_PENDING);
    }
    talk_sends(&t, "OUT 1|ERR?|");
    talk_hears(&t, "-350,\"Queue overflow\"|", WN_SESSION_FAILED);
    talk_failed(&t, WN_EINSTRUMENT, "-350");
}

static void a_lost_answer_of_the_error_queue_repeats_the_commands(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_CHARGE);
    talk_sends(&t, "MODE CHAR|CURR 4|VOLT 4.2|ERR?|");
    talk_hears(&t, "-2x2,\"Data out of range\"|",
               WN_SESSION_PENDING); /* reading it has emptied the queue */
    talk_sends(&t, "|ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "ERR?|");
    talk_hears(&t, "0|", WN_SESSION_PENDING);
    talk_sends(&t, "MODE CHAR|CURR 4|VOLT 4.2|ERR?|");
    talk_hears(&t, "-222,\"Data out of range\"|", WN_SESSION_FAILED);
}

static void repeating_the_commands_has_an_end(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_ON);
    for (int i = 0; i < 3; i++) {
        talk_sends(&t, "OUT 1|ERR?|");
        talk_hears(&t, "?|", i < 2 ? WN_SESSION_PENDING : WN_SESSION_FAILED);
        if (i < 2) {
            talk_sends(&t, "|ID?|");
            talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
            talk_sends(&t, "ERR?|");
            talk_hears(&t, "0|", WN_SESSION_PENDING);
        }
    }
    talk_failed(&t, WN_EFRAME, "reply '?' to ERR? is no entry of an error queue; asked 3 times");
}

static void up_to_readback(struct talk *t)
{
    talk_begin(t);
    talk_request(t, WN_REQUEST_CHARGE);
    talk_sends(t, "MODE CHAR|CURR 4|VOLT 4.2|ERR?|");
    talk_hears(t, "0|", WN_SESSION_PENDING);
    talk_sends(t, "MODE?|");
    talk_hears(t, "CHAR|", WN_SESSION_PENDING);
    talk_sends(t, "CURR?|");
}

static void a_readback_that_differs_twice_is_certain(void **state)
{
    (void)state;
    struct talk t;
    up_to_readback(&t);
    talk_hears(&t, "4.00101|", WN_SESSION_PENDING);
    talk_sends(&t, "|ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "CURR?|");
    talk_hears(&t, "4.00101|", WN_SESSION_FAILED);
    talk_failed(&t, WN_EREADBACK, "current_a was set to 4, but CURR? answers '4.00101'");
}

static void a_readback_garbled_once_is_forgiven(void **state)
{
    (void)state;
    struct talk t;
    up_to_readback(&t);
    talk_hears(&t, "6.000|", WN_SESSION_PENDING); /* '4' with one bit flipped */
    talk_sends(&t, "|ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "CURR?|");
    talk_hears(&t, "4.000|", WN_SESSION_PENDING);
    talk_sends(&t, "VOLT?|");
    talk_hears(&t, "4.2|", WN_SESSION_DONE);
}

static void a_literal_readback_is_compared_as_it_is(void **state)
{
    (void)state;
    static const char *const wrong[] = {"DISC|", "CHA|", "CHARG|", "char|", "CHAR |"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct talk t;
        talk_begin(&t);
        t.dialect.retries = 0;
        talk_request(&t, WN_REQUEST_CHARGE);
        talk_sends(&t, "MODE CHAR|CURR 4|VOLT 4.2|ERR?|");
        talk_hears(&t, "0|", WN_SESSION_PENDING);
        talk_sends(&t, "MODE?|");
        talk_hears(&t, wrong[i], WN_SESSION_FAILED);
        talk_failed(&t, WN_EREADBACK, "set to CHAR, but MODE? answers");
    }
}

static void on_that_stays_off_is_told(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    t.dialect.retries = 0;
    talk_request(&t, WN_REQUEST_ON);
    talk_sends(&t, "OUT 1|ERR?|");
    talk_hears(&t, "0|", WN_SESSION_PENDING);
    talk_sends(&t, "OUT?|");
    talk_hears(&t, "0|", WN_SESSION_FAILED);
    talk_failed(&t, WN_EREADBACK, "switched on, but OUT? answers '0'");
}

static void wrong_identities(void **state)
{
    (void)state;
    struct talk t;
    memset(&t, 0, sizeof t);
    talk_dialect(&t.dialect);
    wn_session_init(&t.session, &t.dialect, "tester", "/dev/bench");
    talk_request(&t, WN_REQUEST_IDENTIFY);
    talk_sends(&t, "ID?|");
    talk_hears(&t, "other,model,3|", WN_SESSION_PENDING); /* perhaps the rest of something older */
    talk_sends(&t, "|ID?|");
    talk_hears(&t, "other,model,3|", WN_SESSION_FAILED);
    talk_failed(&t, WN_EIDENTITY, "'other,model,3', which does not begin with 'maker,model,'");
    assert_string_equal(t.session.identity, "");
    /* One line of garbage at the beginning is forgiven. */
    talk_request(&t, WN_REQUEST_IDENTIFY);
    talk_sends(&t, "ID?|");
    talk_hears(&t, "\xff\xfe|", WN_SESSION_PENDING);
    talk_sends(&t, "|ID?|");
    talk_hears(&t, "maker,model,I17|", WN_SESSION_PENDING); /* spoilt, but it begins as it should */
    talk_sends(&t, "ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_DONE);
    assert_string_equal(t.session.identity, "maker,model,17");
}

static void an_identity_that_is_never_the_same(void **state)
{
    (void)state;
    struct talk t;
    memset(&t, 0, sizeof t);
    talk_dialect(&t.dialect);
    t.dialect.retries = 0;
    wn_session_init(&t.session, &t.dialect, "tester", "/dev/bench");
    talk_request(&t, WN_REQUEST_IDENTIFY);
    enum wn_session_result r = WN_SESSION_PENDING;
    int asked = 0;
    for (; r == WN_SESSION_PENDING && asked < 100; asked++) {
        char answer[40];
        talk_sends(&t, "ID?|");
        int n = snprintf(answer, sizeof answer, "maker,model,%d\n", asked);
        r = wn_session_input(&t.session, answer, (size_t)n, t.now_ns);
    }
    assert_true(asked < 20);
    talk_failed(&t, WN_EFRAME, "never gets the same answer twice");
}

static void an_identity_that_changes(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_IDENTIFY);
    talk_sends(&t, "ID?|");
    talk_hears(&t, "maker,model,1#|", WN_SESSION_PENDING); /* damaged */
    talk_sends(&t, "|ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_DONE);
    talk_request(&t, WN_REQUEST_IDENTIFY);
    talk_sends(&t, "ID?|");
    talk_hears(&t, "maker,model,18|", WN_SESSION_PENDING);
    talk_sends(&t, "|ID?|");
    talk_hears(&t, "maker,model,18|", WN_SESSION_FAILED);
    talk_failed(&t, WN_EIDENTITY, "answers 'maker,model,18', but it was 'maker,model,17' before");
}

static void a_port_that_takes_no_bytes_is_silent_too(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_CHARGE);
    wn_session_wrote(&t.session, 12, t.now_ns);
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_sends(&t, "|ID?|"); /* error queue first, and before that: who is there? */
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "ERR?|");
    talk_hears(&t, "-113,\"Undefined header\"|", WN_SESSION_PENDING);
    talk_sends(&t, "ERR?|");
    talk_hears(&t, "0|", WN_SESSION_PENDING);
    talk_sends(&t, "MODE CHAR|CURR 4|VOLT 4.2|ERR?|");
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_READ);
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_waits(&t, 500, WN_SESSION_FAILED);
    talk_failed(&t, WN_ETIMEOUT, "takes no bytes");
}

static void what_the_dialect_cannot_do_is_refused(void **state)
{
    (void)state;
    struct talk t;
    size_t len;
    talk_begin(&t);
    t.dialect.power.set.n = 0;
    talk_request(&t, WN_REQUEST_POWER);
    talk_failed(&t, WN_EINVAL, "no power mode");
    struct wn_setpoints sp = talk_no_values();
    sp.voltage_v = 4.2;
    wn_session_begin(&t.session, WN_REQUEST_CHARGE, &sp, t.now_ns);
    talk_failed(&t, WN_EINVAL, "{current_a}");
    (void)wn_session_output(&t.session, &len);
    assert_int_equal(len, 0); /* not even the first half of it */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(identifies),
        cmocka_unit_test(reads),
        cmocka_unit_test(host_time_stands_in_for_an_instrument_without_clock),
        cmocka_unit_test(the_read_query_follows_its_interval),
        cmocka_unit_test(charge_is_set_and_read_back),
        cmocka_unit_test(on_and_off_are_confirmed),
        cmocka_unit_test(a_dialect_without_error_query_asks_for_none),
        cmocka_unit_test(any_split_of_the_input_and_of_the_output),
        cmocka_unit_test(a_reply_just_before_the_deadline_is_in_time),
        cmocka_unit_test(a_reply_at_the_deadline_is_late),
        cmocka_unit_test(silence_is_declared_after_the_retries),
        cmocka_unit_test(garbled_replies_are_asked_again_and_counted),
        cmocka_unit_test(the_window_of_bad_replies_moves_on),
        cmocka_unit_test(an_instrument_error_fails_at_once),
        cmocka_unit_test(an_error_queue_without_end_is_left_alone),
        cmocka_unit_test(a_lost_answer_of_the_error_queue_repeats_the_commands),
        cmocka_unit_test(repeating_the_commands_has_an_end),
        cmocka_unit_test(a_readback_that_differs_twice_is_certain),
        cmocka_unit_test(a_readback_garbled_once_is_forgiven),
        cmocka_unit_test(a_literal_readback_is_compared_as_it_is),
        cmocka_unit_test(on_that_stays_off_is_told),
        cmocka_unit_test(wrong_identities),
        cmocka_unit_test(an_identity_that_is_never_the_same),
        cmocka_unit_test(an_identity_that_changes),
        cmocka_unit_test(a_port_that_takes_no_bytes_is_silent_too),
        cmocka_unit_test(what_the_dialect_cannot_do_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
