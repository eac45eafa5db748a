/* Targets that fail: retries, expiry, telling the others, a full queue; in simulated time.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench.h"

static void test_retries_back_off_from_10_s_to_1_h(void **state)
{
    (void)state;
    set_up(1);
    outcome[0] = POLICY_TEMPORARY;
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    serve();
    pass(2 * DAY, SECOND);
    int64_t wait = 10 * SECOND;
    for (int i = 1; i < mails; i++) {
        int64_t waited = mail[i].utc - mail[i - 1].utc;
        int64_t least = wait < 2880 * SECOND ? wait : 2880 * SECOND;
        assert_true(waited >= least && waited <= least + least / 4 + SECOND && waited <= HOUR);
        wait = wait < HOUR ? wait * 2 : wait;
    }
    assert_true(mails > 50);
    outcome[0] = POLICY_DELIVERED;
    pass(HOUR + SECOND, SECOND);
    int n = mails;
    pass(5 * DAY, MINUTE);
    assert_int_equal(mails, n); /* delivered is delivered */
    assert_int_equal(policy_waiting(&p, 0), 0);
}

/* Equal retries of many heralds, or of many messages, must not come together. */
static void test_retries_are_jittered(void **state)
{
    (void)state;
    set_up(1);
    outcome[0] = POLICY_TEMPORARY;
    for (int i = 0; i < 10; i++) {
        char kind[32];
        (void)snprintf(kind, sizeof kind, "halt_%d", i);
        assert_true(event(WN_SEVERITY_ALARM, kind));
    }
    serve();
    int different = 0;
    for (int i = 0; i < 10; i++) {
        different += p.message[i].to[0].due_utc != p.message[0].to[0].due_utc ? 1 : 0;
    }
    assert_int_equal(different, 9);
}

static void test_warnings_expire_after_7_days_and_alarms_never(void **state)
{
    (void)state;
    set_up(1);
    silent[0] = true;
    assert_true(event(WN_SEVERITY_WARNING, "silence"));
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    assert_true(event(WN_SEVERITY_INFO, "finished"));
    pass(7 * DAY - 1, HOUR);
    assert_int_equal(policy_waiting(&p, 0), 3);
    pass(1, 1);
    assert_int_equal(policy_waiting(&p, 0), 2);
    pass(400 * DAY, DAY);
    silent[0] = false;
    serve();
    assert_int_equal(mails, 2);
    assert_int_equal(mail[0].m.fact.type, POLICY_HALT); /* the most important first */
}

static void test_a_target_for_alarms_gets_no_warnings(void **state)
{
    (void)state;
    set_up(2);
    alert.hook[1].severity = WN_SEVERITY_ALARM;
    policy_init(&p, &alert, 1);
    assert_true(event(WN_SEVERITY_WARNING, "silence"));
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    assert_true(event(WN_SEVERITY_INFO, "acknowledged"));
    serve();
    assert_int_equal(count("silence", 0), 1);
    assert_int_equal(count("silence", 1), 0);
    assert_int_equal(count("over_voltage", 1), 1);
    assert_int_equal(count("acknowledged", 1), 1);
}

static void test_a_failing_target_is_told_through_the_others(void **state)
{
    (void)state;
    set_up(3);
    alert.hook[2].severity = WN_SEVERITY_ALARM;
    policy_init(&p, &alert, 1);
    outcome[0] = POLICY_FAILED;
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    serve();
    assert_int_equal(count("over_voltage", 1), 1); /* not held up by the first */
    pass(HOUR, SECOND);
    assert_int_equal(count("alert_target_failed", 0), 0);
    assert_int_equal(count("alert_target_failed", 1), 1); /* once, not at every failure */
    assert_int_equal(count("alert_target_failed", 2), 1);
    assert_string_equal(last("alert_target_failed")->m.fact.target, "h0");
    assert_non_null(strstr(last("alert_target_failed")->m.fact.text, "broken"));
    assert_true(policy_channel_works(&p));
    outcome[0] = POLICY_DELIVERED;
    pass(2 * HOUR, SECOND);
    assert_int_equal(count("alert_target_works", 1), 1);
    assert_false(p.target[0].failing);
}

static void test_a_temporary_failure_counts_from_the_third_on(void **state)
{
    (void)state;
    set_up(2);
    outcome[0] = POLICY_TEMPORARY;
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    serve();
    pass(14 * SECOND, SECOND);
    assert_int_equal(count("over_voltage", 0), 2);
    assert_int_equal(count("alert_target_failed", 1), 0);
    pass(30 * SECOND, SECOND);
    assert_int_equal(count("over_voltage", 0), 3);
    assert_int_equal(count("alert_target_failed", 1), 1);
}

static void test_no_channel_works_when_each_one_fails(void **state)
{
    (void)state;
    set_up(0);
    assert_false(policy_channel_works(&p));
    set_up(2);
    assert_true(policy_channel_works(&p));
    policy_check(&p, 0, "/hooks/h0 is not there", now);
    assert_true(policy_channel_works(&p));
    outcome[1] = POLICY_FAILED;
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    silent[0] = true;
    serve();
    assert_false(policy_channel_works(&p));
    policy_check(&p, 0, "", now); /* installed */
    assert_true(policy_channel_works(&p));
}

/* What waited for an hour goes when the target is known to work again. */
static void test_a_success_wakes_up_what_waits(void **state)
{
    (void)state;
    set_up(1);
    outcome[0] = POLICY_TEMPORARY;
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    serve();
    pass(10 * HOUR, SECOND);
    outcome[0] = POLICY_DELIVERED;
    assert_true(event(WN_SEVERITY_ALARM, "over_temperature"));
    serve();
    assert_int_equal(policy_waiting(&p, 0), 0);
}

/* A message of which a hook always dies must not hold up the others. */
static void test_one_message_that_fails_does_not_hold_up_another(void **state)
{
    (void)state;
    set_up(1);
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    policy_turn(&p, now);
    struct policy_message *m = policy_next(&p, 0, now);
    policy_done(&p, m, 0, POLICY_FAILED, "dies of it", now);
    assert_null(policy_next(&p, 0, now));
    assert_true(event(WN_SEVERITY_ALARM, "over_temperature"));
    m = policy_next(&p, 0, now);
    assert_string_equal(m->fact.kind, "over_temperature");
}

static void test_a_message_is_given_to_a_target_once_at_a_time(void **state)
{
    (void)state;
    set_up(2);
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    struct policy_message *a = policy_next(&p, 0, now), *b = policy_next(&p, 1, now);
    assert_ptr_equal(a, b);
    policy_done(&p, a, 0, POLICY_DELIVERED, "", now);
    assert_true(a->live); /* the other hook still runs with it */
    policy_done(&p, a, 1, POLICY_DELIVERED, "", now);
    assert_false(a->live);
}

static void test_a_full_queue_gives_up_the_least(void **state)
{
    (void)state;
    set_up(1);
    silent[0] = true;
    for (int i = 0; i < POLICY_MESSAGES_MAX; i++) { /* 20 an hour: they come in over 13 hours */
        char kind[32];
        (void)snprintf(kind, sizeof kind, "warning_%d", i);
        assert_true(event(WN_SEVERITY_WARNING, kind));
        pass(4 * MINUTE, 4 * MINUTE);
    }
    assert_int_equal(policy_waiting(&p, 0), POLICY_MESSAGES_MAX);
    for (int i = 0; i < POLICY_MESSAGES_MAX; i++) { /* an alarm takes the place of a warning */
        char kind[32];
        (void)snprintf(kind, sizeof kind, "halt_%d", i);
        assert_true(event(WN_SEVERITY_ALARM, kind));
        now += HOUR;
    }
    for (int i = 0; i < POLICY_MESSAGES_MAX; i++) {
        assert_int_equal(p.message[i].fact.type, POLICY_HALT);
    }
    int64_t seen = campaign("c")->seen;
    assert_false(
        event(WN_SEVERITY_ALARM, "one_more")); /* no alarm is given up: it waits in the file */
    assert_int_equal(campaign("c")->seen, seen);
    silent[0] = false;
    serve();
    next_number = seen + 1;
    assert_true(event(WN_SEVERITY_ALARM, "one_more"));
    serve();
    assert_int_equal(count("one_more", 0), 1);
}

/* One target that is dead for ever must not fill the queue for the others. */
static void test_a_dead_target_does_not_stop_the_others(void **state)
{
    (void)state;
    set_up(2);
    silent[0] = true;
    for (int i = 0; i < 3 * POLICY_MESSAGES_MAX; i++) {
        char kind[32];
        (void)snprintf(kind, sizeof kind, "halt_%d", i);
        assert_true(event(WN_SEVERITY_ALARM, kind));
        serve();
        now += HOUR;
    }
    assert_int_equal(mails, 3 * POLICY_MESSAGES_MAX);
}

static void test_no_repetition_for_a_target_that_waits_for_the_first(void **state)
{
    (void)state;
    set_up(2);
    silent[0] = true;
    look("c", "halted", 1, START);
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    serve();
    pass(30 * DAY, HOUR);
    assert_int_equal(policy_waiting(&p, 0), 1);
    assert_true(count("over_voltage", 1) > 25);
    silent[0] = false;
    serve();
    assert_int_equal(count("over_voltage", 0), 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_retries_back_off_from_10_s_to_1_h),
        cmocka_unit_test(test_retries_are_jittered),
        cmocka_unit_test(test_warnings_expire_after_7_days_and_alarms_never),
        cmocka_unit_test(test_a_target_for_alarms_gets_no_warnings),
        cmocka_unit_test(test_a_failing_target_is_told_through_the_others),
        cmocka_unit_test(test_a_temporary_failure_counts_from_the_third_on),
        cmocka_unit_test(test_no_channel_works_when_each_one_fails),
        cmocka_unit_test(test_a_success_wakes_up_what_waits),
        cmocka_unit_test(test_one_message_that_fails_does_not_hold_up_another),
        cmocka_unit_test(test_a_message_is_given_to_a_target_once_at_a_time),
        cmocka_unit_test(test_a_full_queue_gives_up_the_least),
        cmocka_unit_test(test_a_dead_target_does_not_stop_the_others),
        cmocka_unit_test(test_no_repetition_for_a_target_that_waits_for_the_first),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
