/* The session in doubt: late, doubled and unasked lines, and OFF in every phase of every request.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdio.h>
#include <string.h>

#include "support/near.h"
#include "talk.h"

#define READING(t) t ",3.7,-10,25,23,1|"

static void a_late_reply_is_never_the_answer_of_the_next_query(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_sends(&t, "|ID?|");
    talk_hears(&t, READING("1"), WN_SESSION_PENDING); /* the late one */
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "ALL? 1|");
    talk_hears(&t, READING("2"), WN_SESSION_DONE);
    assert_int_equal(t.session.reading.time_ns, 2 * WN_NS_PER_S);
}

static void half_a_late_reply_is_thrown_away(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    talk_hears(&t, "1,3.7,-1", WN_SESSION_PENDING);
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_sends(&t, "|ID?|");
    talk_hears(&t, "0,25,23,1|maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "ALL? 1|");
    talk_hears(&t, READING("2"), WN_SESSION_DONE);
    assert_int_equal(t.session.reading.time_ns, 2 * WN_NS_PER_S);
}

static void a_late_reply_after_the_failure_meets_the_next_request(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    t.dialect.retries = 0;
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    talk_waits(&t, 500, WN_SESSION_FAILED);
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "|ID?|");
    talk_hears(&t, READING("1"), WN_SESSION_PENDING);
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "ALL? 1|");
    talk_hears(&t, READING("2"), WN_SESSION_DONE);
    assert_int_equal(t.session.reading.time_ns, 2 * WN_NS_PER_S);
}

static void late_identities_are_known_by_their_text(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_OFF);
    talk_sends(&t, "|OUT 0|OUT?|");
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_sends(&t, "|OUT 0|ID?|");
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_sends(&t, "|OUT 0|ID?|ID?|");
    talk_hears(&t, "0|maker,model,17|", WN_SESSION_PENDING); /* this one may answer the first ID? */
    talk_hears(&t, "maker,model,17|",
               WN_SESSION_PENDING); /* but this one certainly is of the second lot */
    talk_sends(&t, "OUT?|");
    talk_hears(&t, "maker,model,17|",
               WN_SESSION_PENDING); /* its other half: not an answer to OUT? */
    talk_hears(&t, "0|", WN_SESSION_DONE);
    assert_false(t.session.stale);
    assert_int_equal(t.session.ids_due, 0);
}

/* Late twice in a row: the late identity of the first doubt must not end the second one. */
static void an_old_identity_does_not_end_a_new_doubt(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    t.dialect.retries = 3;
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_sends(&t, "|ID?|");
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_sends(&t, "|ID?|ID?|");
    talk_hears(&t, READING("1"), WN_SESSION_PENDING);
    talk_hears(&t, "maker,model,17|maker,model,17|",
               WN_SESSION_PENDING); /* the third is still to come */
    talk_sends(&t, "ALL? 1|");
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_sends(&t, "|ID?|ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING); /* here it is */
    talk_hears(&t, READING("2"), WN_SESSION_PENDING);      /* and the late reading behind it */
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "ALL? 1|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_hears(&t, READING("3"), WN_SESSION_DONE);
    assert_int_equal(t.session.reading.time_ns, 3 * WN_NS_PER_S);
}

static void identities_that_were_lost_are_not_waited_for_for_ever(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_sends(&t, "|ID?|");
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_sends(&t, "|ID?|ID?|");
    talk_waits(&t, 500, WN_SESSION_FAILED);
    t.now_ns += 9500 * WN_NS_PER_MS; /* 20 time-outs after they were asked: perhaps still late */
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "|ID?|ID?|ID?|ID?|");
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_sends(&t, "|ID?|ID?|ID?|ID?|ID?|ID?|ID?|ID?|");
    talk_waits(&t, 500, WN_SESSION_PENDING);
    t.now_ns += 10000 * WN_NS_PER_MS; /* more than that: lost */
    talk_request(&t, WN_REQUEST_OFF);
    talk_sends(
        &t, "|OUT 0|ID?|ID?|"); /* but the last one, when its line end was lost, is ended by ours */
    talk_hears(&t, "maker,model,17|maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "OUT?|");
    talk_hears(&t, "0|", WN_SESSION_DONE);
}

static void an_identity_of_another_instrument_does_not_put_in_step(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_sends(&t, "|ID?|");
    talk_hears(&t, "maker,model,18|", WN_SESSION_PENDING);
    talk_hears(&t, "maker,model,175|", WN_SESSION_PENDING);
    talk_hears(&t, "maker,model,1|", WN_SESSION_PENDING);
    talk_sends(&t, ""); /* still waiting */
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_waits(&t, 500, WN_SESSION_FAILED);
}

static void a_doubled_reply_is_not_taken_twice(void **state)
{
    (void)state;
    /* in the same block, in the idle time after, and before the next query has gone out */
    for (int when = 0; when < 3; when++) {
        struct talk t;
        talk_begin(&t);
        talk_request(&t, WN_REQUEST_READ);
        talk_sends(&t, "ALL? 1|");
        talk_hears(&t, when == 0 ? READING("1") READING("1") : READING("1"), WN_SESSION_DONE);
        if (when == 1) {
            talk_hears(&t, READING("1"), WN_SESSION_DONE);
        }
        talk_request(&t, WN_REQUEST_READ);
        if (when == 2) {
            talk_hears(&t, READING("1"), WN_SESSION_PENDING);
        }
        talk_sends(&t, "ID?|");
        talk_hears(&t, READING("1"), WN_SESSION_PENDING); /* and a third one */
        talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
        talk_sends(&t, "ALL? 1|");
        talk_hears(&t, READING("2"), WN_SESSION_DONE);
        assert_int_equal(t.session.reading.time_ns, 2 * WN_NS_PER_S);
    }
}

static void a_doubled_reply_in_the_middle_of_a_request(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_CHARGE);
    talk_sends(&t, "MODE CHAR|CURR 4|VOLT 4.2|ERR?|");
    talk_hears(&t, "0|0|", WN_SESSION_PENDING);
    talk_sends(&t, "ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "MODE?|");
    talk_hears(&t, "CHAR|CH", WN_SESSION_PENDING); /* the second one comes in two pieces */
    talk_sends(&t, "ID?|");
    talk_hears(&t, "AR|maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "CURR?|");
    talk_hears(&t, "4|", WN_SESSION_PENDING);
    /* Unasked before the query is handed out: the query waits, and the commands are not lost. */
    talk_hears(&t, "4|", WN_SESSION_PENDING);
    talk_sends(&t, "ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "VOLT?|");
    talk_hears(&t, "4.2|", WN_SESSION_DONE);
}

static void commands_survive_an_unasked_line(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_ON);
    talk_hears(&t, "READY|", WN_SESSION_PENDING);
    talk_sends(&t, "OUT 1|ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "ERR?|");
    talk_hears(&t, "0|", WN_SESSION_PENDING);
    talk_sends(&t, "OUT?|");
    talk_hears(&t, "1|", WN_SESSION_DONE);
}

static void noise_while_idle_is_met_with_a_question(void **state)
{
    (void)state;
    static const char *const noise[] = {"\xff", "x", "1.5|", "\xff|"};
    for (size_t i = 0; i < sizeof noise / sizeof noise[0]; i++) {
        struct talk t;
        talk_begin(&t);
        talk_hears(&t, noise[i], WN_SESSION_DONE);
        talk_request(&t, WN_REQUEST_READ);
        talk_sends(&t, "ID?|");
        talk_hears(&t, "|maker,model,17|", WN_SESSION_PENDING);
        talk_sends(&t, "ALL? 1|");
        talk_hears(&t, READING("2"), WN_SESSION_DONE);
    }
    struct talk t;
    talk_begin(&t);
    talk_hears(&t, "||maker,model,17|",
               WN_SESSION_DONE); /* empty lines and a late identity mean nothing */
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    talk_hears(&t, "|" READING("2"), WN_SESSION_DONE);
}

static void bytes_that_are_no_text_are_asked_again_at_once(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    talk_hears(&t, "1,3.\x80,-10,25,23,1|", WN_SESSION_PENDING);
    talk_sends(&t, "|ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "ALL? 1|");
    talk_hears(&t, "1,3.\x80,-10,25,23,1|" READING("9"),
               WN_SESSION_PENDING); /* what follows is not believed either */
    talk_sends(&t, "|ID?|");
    assert_int_equal(t.session.reading.has, 0);
    assert_non_null(strstr(t.session.complaint.text, "is no text"));
}

static void an_instrument_that_talks_by_itself_is_found_out(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_READ);
    talk_hears(&t, "hello|", WN_SESSION_PENDING);
    for (int i = 0; i < 3; i++) {
        talk_sends(&t, "ID?|");
        talk_hears(&t, "maker,model,17|hello|", WN_SESSION_PENDING);
    }
    talk_sends(&t, "ID?|");
    talk_hears(&t, "maker,model,17|hello|", WN_SESSION_FAILED);
    talk_failed(&t, WN_EFRAME, "lines nobody asked for");
}

/* Takes the request through its exchanges with right answers; stops before the n-th line of answers
 * (n counted from 0), with its query written (or half written). Returns false when the request was
 * over before. */
static bool walk(struct talk *t, enum wn_request request, int stop, size_t half)
{
    static const struct {
        const char *query, *reply;
    } answers[] = {{"ERR?", "0\n"},
                   {"MODE?", NULL},
                   {"CURR?", "4\n"},
                   {"VOLT?", "4.2\n"},
                   {"POW?", "10\n"},
                   {"OUT?", NULL},
                   {"ID?", "maker,model,17\n"},
                   {"ALL? 1", "1,3.7,0,25,23,0\n"}};
    talk_request(t, request);
    for (int n = 0; wn_session_result(&t->session) == WN_SESSION_PENDING; n++) {
        size_t len;
        (void)wn_session_output(&t->session, &len);
        if (n == stop && half > 0) {
            wn_session_wrote(&t->session, half < len ? half : len - 1, t->now_ns);
            return true;
        }
        wn_session_wrote(&t->session, len, t->now_ns);
        if (n == stop) {
            return true;
        }
        for (size_t i = 0; i < sizeof answers / sizeof answers[0]; i++) {
            if (strcmp(t->session.query, answers[i].query) == 0) {
                const char *reply = answers[i].reply;
                if (reply == NULL) {
                    reply = strcmp(t->session.query, "OUT?") == 0
                                ? (request == WN_REQUEST_ON ? "1\n" : "0\n")
                                : (request == WN_REQUEST_CHARGE ? "CHAR\n" : "DISC\n");
                }
                (void)wn_session_input(&t->session, reply, strlen(reply), t->now_ns);
                break;
            }
        }
    }
    assert_int_equal(wn_session_result(&t->session), WN_SESSION_DONE);
    return false;
}

static const enum wn_request all[] = {WN_REQUEST_IDENTIFY,  WN_REQUEST_SETUP, WN_REQUEST_CHARGE,
                                      WN_REQUEST_DISCHARGE, WN_REQUEST_POWER, WN_REQUEST_ON,
                                      WN_REQUEST_OFF,       WN_REQUEST_READ};
enum { REQUESTS = sizeof all / sizeof all[0] };

static void off_preempts_in_every_phase(void **state)
{
    (void)state;
    int places = 0;
    for (size_t i = 0; i < REQUESTS; i++) {
        struct talk t;
        for (int stop = 0; talk_begin(&t), walk(&t, all[i], stop, 0); stop++) {
            places++;
            talk_request(&t, WN_REQUEST_OFF);
            /* off at once, then find out where we are */
            talk_sends(&t, all[i] == WN_REQUEST_IDENTIFY ? "|OUT 0|ID?|ID?|" : "|OUT 0|ID?|");
            talk_hears(&t, "0|",
                       WN_SESSION_PENDING); /* the answer to what was pre-empted looks like "off" */
            if (all[i] == WN_REQUEST_IDENTIFY) {
                talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
            }
            talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
            talk_sends(&t, "OUT?|");
            talk_hears(&t, "0|", WN_SESSION_DONE);
        }
    }
    assert_int_equal(places, 1 + 1 + 4 + 3 + 2 + 2 + 1 + 1); /* every query of every request */
}

static void off_ends_half_a_command_first(void **state)
{
    (void)state;
    for (size_t i = 0; i < REQUESTS; i++) {
        struct talk t;
        for (int stop = 0; talk_begin(&t), walk(&t, all[i], stop, 3); stop++) {
            talk_request(&t, WN_REQUEST_OFF);
            talk_sends(&t, all[i] == WN_REQUEST_IDENTIFY ? "|OUT 0|ID?|ID?|" : "|OUT 0|ID?|");
            talk_hears(&t, "maker,model,17|maker,model,17|", WN_SESSION_PENDING);
            talk_sends(&t, "OUT?|");
            talk_hears(&t, "0|", WN_SESSION_DONE);
        }
    }
}

static void off_needs_no_question_when_nothing_was_sent(void **state)
{
    (void)state;
    for (size_t i = 0; i < REQUESTS; i++) {
        struct talk t;
        talk_begin(&t);
        talk_request(&t, all[i]);
        talk_request(&t, WN_REQUEST_OFF);
        talk_sends(&t, "|OUT 0|OUT?|");
        talk_hears(&t, "0|", WN_SESSION_DONE);
    }
}

static void off_while_out_of_step(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_READ);
    talk_sends(&t, "ALL? 1|");
    talk_waits(&t, 500, WN_SESSION_PENDING);
    talk_request(&t, WN_REQUEST_OFF);
    talk_sends(&t, "|OUT 0|ID?|");
    talk_hears(&t, "0|maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "OUT?|");
    talk_hears(&t, "0|", WN_SESSION_DONE);
}

static void off_is_sent_again_until_it_is_confirmed(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_OFF);
    talk_sends(&t, "|OUT 0|OUT?|");
    talk_hears(&t, "1|", WN_SESSION_PENDING); /* the command was lost */
    talk_sends(&t, "|OUT 0|ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "OUT?|");
    talk_hears(&t, "1|", WN_SESSION_PENDING);
    talk_sends(&t, "|OUT 0|ID?|");
    talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(&t, "OUT?|");
    talk_hears(&t, "1|", WN_SESSION_FAILED);
    talk_failed(&t, WN_EREADBACK, "switched off, but OUT? answers '1'; asked 3 times");
}

static void only_the_exact_answer_means_off(void **state)
{
    (void)state;
    static const char *const answers[] = {"00|", "0.|", "0,\"No error\"|", "OFF|", "O|",
                                          "-0|", "0 |"};
    for (size_t i = 0; i < sizeof answers / sizeof answers[0]; i++) {
        struct talk t;
        talk_begin(&t);
        t.dialect.retries = 0;
        talk_request(&t, WN_REQUEST_OFF);
        talk_sends(&t, "|OUT 0|OUT?|");
        talk_hears(&t, answers[i], WN_SESSION_FAILED);
    }
}

static void words_of_its_own_for_on_and_off(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    (void)snprintf(t.dialect.output_off_reply, sizeof t.dialect.output_off_reply, "STANDBY");
    talk_request(&t, WN_REQUEST_ON);
    talk_sends(&t, "OUT 1|ERR?|");
    talk_hears(&t, "0|", WN_SESSION_PENDING);
    talk_sends(&t, "OUT?|");
    talk_hears(&t, "OPERATE|", WN_SESSION_DONE);
    talk_request(&t, WN_REQUEST_OFF);
    talk_sends(&t, "|OUT 0|OUT?|");
    talk_hears(&t, "STANDBY|", WN_SESSION_DONE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_late_reply_is_never_the_answer_of_the_next_query),
        cmocka_unit_test(half_a_late_reply_is_thrown_away),
        cmocka_unit_test(a_late_reply_after_the_failure_meets_the_next_request),
        cmocka_unit_test(late_identities_are_known_by_their_text),
        cmocka_unit_test(an_old_identity_does_not_end_a_new_doubt),
        cmocka_unit_test(identities_that_were_lost_are_not_waited_for_for_ever),
        cmocka_unit_test(an_identity_of_another_instrument_does_not_put_in_step),
        cmocka_unit_test(a_doubled_reply_is_not_taken_twice),
        cmocka_unit_test(a_doubled_reply_in_the_middle_of_a_request),
        cmocka_unit_test(commands_survive_an_unasked_line),
        cmocka_unit_test(noise_while_idle_is_met_with_a_question),
        cmocka_unit_test(bytes_that_are_no_text_are_asked_again_at_once),
        cmocka_unit_test(an_instrument_that_talks_by_itself_is_found_out),
        cmocka_unit_test(off_preempts_in_every_phase),
        cmocka_unit_test(off_ends_half_a_command_first),
        cmocka_unit_test(off_needs_no_question_when_nothing_was_sent),
        cmocka_unit_test(off_while_out_of_step),
        cmocka_unit_test(off_is_sent_again_until_it_is_confirmed),
        cmocka_unit_test(only_the_exact_answer_means_off),
        cmocka_unit_test(words_of_its_own_for_on_and_off),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
