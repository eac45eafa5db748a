/* What is told and when: damping, repetitions, caps, recoveries, digest, ping; in simulated time.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench.h"

#include <stdlib.h>

static void test_an_alarm_is_told_at_once_and_once(void **state)
{
    (void)state;
    set_up(2);
    assert_true(event(WN_SEVERITY_ALARM, "over_temperature"));
    serve();
    assert_int_equal(mails, 2);
    assert_int_equal(mail[0].m.fact.type, POLICY_HALT);
    assert_int_equal(mail[0].utc, now);
    struct policy_fact same = mail[0].m.fact; /* told again by the file after a restart */
    assert_true(policy_event(&p, campaign("c"), &same, false, now));
    pass(20 * MINUTE, MINUTE);
    assert_int_equal(mails, 2);
}

static void test_what_nobody_needs_is_not_told(void **state)
{
    (void)state;
    static const char *const kinds[] = {"started", "check_up", "pausing", "paused", "off_verified"};
    set_up(1);
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        assert_true(event(WN_SEVERITY_INFO, kinds[i]));
    }
    pass(HOUR, MINUTE);
    assert_int_equal(mails, 0);
    assert_int_equal(campaign("c")->seen, 5);
}

static void test_off_is_told_to_who_was_told_not_off(void **state)
{
    (void)state;
    set_up(1);
    assert_true(event(WN_SEVERITY_ALARM, "not_off"));
    serve();
    assert_true(event(WN_SEVERITY_INFO, "off_verified"));
    assert_true(event(WN_SEVERITY_INFO, "off_verified")); /* of a later halt */
    pass(HOUR, MINUTE);
    assert_int_equal(count("off_verified", 0), 1);
}

/* A warning that comes and goes all day, each few seconds. */
static void test_flapping_is_one_message_in_15_minutes_with_a_count(void **state)
{
    (void)state;
    int64_t told = 0;
    set_up(1);
    for (int i = 0; i < 4 * 60 * 6; i++) { /* 4 h, each 10 s */
        assert_true(event(WN_SEVERITY_WARNING, "silence"));
        serve();
        now += 10 * SECOND;
    }
    pass(HOUR, 10 * SECOND);
    for (int i = 0; i < mails; i++) {
        told += 1 + mail[i].m.suppressed;
        assert_true(i == 0 || mail[i].utc - mail[i - 1].utc >= 15 * MINUTE);
    }
    assert_int_equal(told, 4 * 60 * 6);
    assert_int_equal(mails, 17);                                 /* at 0, 15, 30, ... 240 minutes */
    assert_int_equal(mail[mails - 1].m.fact.number, 4 * 60 * 6); /* the newest is told last */
}

/* Silence is a warning first and an alarm when it lasts. */
static void test_an_alarm_does_not_wait_for_its_warning(void **state)
{
    (void)state;
    set_up(1);
    assert_true(event(WN_SEVERITY_WARNING, "silence"));
    serve();
    now += SECOND;
    assert_true(event(WN_SEVERITY_ALARM, "silence"));
    serve();
    assert_int_equal(mails, 2);
    assert_int_equal(mail[1].m.fact.type, POLICY_HALT);
}

/* Stopped without an acknowledgement, the next one begun: its first alarm is news. */
static void test_an_alarm_does_not_wait_for_the_campaign_before(void **state)
{
    (void)state;
    set_up(1);
    assert_true(event(WN_SEVERITY_ALARM, "silence"));
    serve();
    now += MINUTE;
    struct policy_fact f = fact(WN_SEVERITY_ALARM, "silence");
    (void)snprintf(f.campaign, sizeof f.campaign, "d");
    assert_true(policy_event(&p, policy_campaign(&p, "d", START), &f, false, now));
    serve();
    assert_int_equal(mails, 2);
}

static void test_the_window_ends_exactly(void **state)
{
    (void)state;
    set_up(1);
    assert_true(event(WN_SEVERITY_WARNING, "silence"));
    serve();
    now += 15 * MINUTE - 1;
    assert_true(event(WN_SEVERITY_WARNING, "silence"));
    serve();
    assert_int_equal(mails, 1);
    now += 1;
    serve();
    assert_int_equal(mails, 2);
}

/* Recoveries in the middle of flapping: the last word is always the present one. */
static void test_a_recovery_is_never_dropped(void **state)
{
    (void)state;
    static const char *const kinds[] = {"acknowledged", "resumed", "finished", "stopped",
                                        "recording_restored"};
    for (size_t k = 0; k < sizeof kinds / sizeof kinds[0]; k++) {
        set_up(1);
        for (int i = 0; i < 25; i++) { /* the cap of warnings is used up */
            char kind[32];
            (void)snprintf(kind, sizeof kind, "warning_%d", i);
            assert_true(event(WN_SEVERITY_WARNING, kind));
        }
        for (int i = 0; i < 7; i++) {
            assert_true(event(WN_SEVERITY_INFO, kinds[k]));
            serve();
            now += MINUTE;
        }
        pass(15 * MINUTE, MINUTE);
        assert_int_equal(count(kinds[k], 0), 2); /* the first at once, the last after the damping */
        assert_int_equal(last(kinds[k])->m.suppressed, 5);
        assert_int_equal(last(kinds[k])->m.fact.number, 32);
        assert_int_equal(mail[0].m.fact.type == POLICY_RECOVERY, true); /* before the warnings */
    }
}

static void test_warnings_are_capped_and_halts_are_not(void **state)
{
    (void)state;
    set_up(1);
    for (int i = 0; i < 50; i++) {
        char kind[32];
        (void)snprintf(kind, sizeof kind, "warning_%d", i);
        assert_true(event(WN_SEVERITY_WARNING, kind));
        (void)snprintf(kind, sizeof kind, "halt_%d", i);
        assert_true(event(WN_SEVERITY_ALARM, kind));
    }
    serve();
    int warnings = 0;
    for (int i = 0; i < mails; i++) {
        warnings += mail[i].m.fact.type == POLICY_WARNING ? 1 : 0;
    }
    assert_int_equal(warnings, 20);
    assert_int_equal(mails - warnings, 50);
    pass(HOUR - SECOND, MINUTE);
    for (int i = 0; i < 20; i++) {
        assert_true(mail[mails - 1].m.fact.type == POLICY_HALT || mails == 70);
    }
    pass(2 * HOUR, SECOND * 30);
    warnings = 0;
    for (int i = 0; i < mails; i++) {
        if (mail[i].m.fact.type != POLICY_WARNING) {
            continue;
        }
        int within = 0; /* any hour, not only whole ones */
        for (int j = 0; j <= i; j++) {
            within += mail[j].m.fact.type == POLICY_WARNING && mail[i].utc - mail[j].utc < HOUR;
        }
        assert_true(within <= 20);
        warnings++;
    }
    assert_int_equal(warnings, 50); /* the rest waited, nothing was lost */
}

static void test_a_halt_is_repeated_until_it_is_acknowledged(void **state)
{
    (void)state;
    static const int64_t due[] = {0, HOUR, 4 * HOUR, 28 * HOUR, 52 * HOUR, 76 * HOUR};
    set_up(1);
    look("c", "halted", 1, START);
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    wn_utc_us begin = now;
    serve();
    pass(80 * HOUR, MINUTE);
    assert_int_equal(mails, 6);
    for (int i = 0; i < 6; i++) {
        assert_int_equal(mail[i].utc - begin, due[i]);
        assert_int_equal(mail[i].m.repeat, i);
    }
    look("c", "paused", 0, START);
    assert_true(event(WN_SEVERITY_INFO, "acknowledged"));
    pass(10 * DAY, HOUR);
    assert_int_equal(mails, 7);
    assert_string_equal(mail[6].m.fact.kind, "acknowledged");
}

static void test_a_campaign_that_was_followed_by_another_is_not_repeated(void **state)
{
    (void)state;
    set_up(1);
    look("c", "halted", 1, START);
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    serve();
    const struct policy_view v = {"A", "running", false, 0, START, 2 * MINUTE};
    struct policy_campaign *next = policy_campaign(&p, "d", START);
    policy_look(&p, next, &v, now);
    policy_there(&p, "c");
    policy_looked(&p);
    pass(3 * DAY, HOUR);
    assert_int_equal(mails, 1);
}

/* The same halt again after a person has been there is news; before, it is damped. */
static void test_an_acknowledgement_ends_the_damping_of_halts(void **state)
{
    (void)state;
    set_up(1);
    assert_true(event(WN_SEVERITY_ALARM, "not_off"));
    serve();
    now += 5 * MINUTE;
    assert_true(event(WN_SEVERITY_ALARM, "not_off"));
    serve();
    assert_int_equal(count("not_off", 0), 1);
    assert_true(event(WN_SEVERITY_INFO, "acknowledged"));
    serve();
    assert_int_equal(count("not_off", 0), 1); /* what was held is acknowledged with the rest */
    assert_int_equal(count("acknowledged", 0), 1);
    now += MINUTE;
    assert_true(event(WN_SEVERITY_ALARM, "not_off"));
    serve();
    assert_int_equal(count("not_off", 0), 2);
    assert_int_equal(last("not_off")->m.suppressed, 0);
    assert_int_equal(last("not_off")->utc, now);
}

static void test_old_news_of_a_file_never_seen(void **state)
{
    (void)state;
    set_up(1);
    struct policy_fact f = fact(WN_SEVERITY_WARNING, "silence");
    f.utc = now - 8 * DAY;
    assert_true(policy_event(&p, campaign("c"), &f, false, now));
    f = fact(WN_SEVERITY_ALARM, "over_voltage");
    f.utc = now - 8 * DAY;
    assert_true(policy_event(&p, campaign("c"), &f, true, now));
    f = fact(WN_SEVERITY_INFO, "finished");
    f.utc = now - 8 * DAY;
    assert_true(policy_event(&p, campaign("c"), &f, false, now));
    serve();
    assert_int_equal(mails, 0);
    f = fact(WN_SEVERITY_ALARM,
             "over_voltage"); /* one nobody has acknowledged is told at any age */
    f.utc = now - 800 * DAY;
    assert_true(policy_event(&p, campaign("c"), &f, false, now));
    serve();
    assert_int_equal(mails, 1);
    policy_looked(&p); /* from now on the file is known: what ends a trouble is told at any age */
    f = fact(WN_SEVERITY_INFO, "finished");
    f.utc = now - 8 * DAY;
    assert_true(policy_event(&p, campaign("c"), &f, false, now));
    serve();
    assert_int_equal(mails, 2);
}

static void test_the_digest_comes_once_a_day(void **state)
{
    (void)state;
    set_up(2);
    alert.digest_minute = 7 * 60 + 30;
    alert.hook[1].severity = WN_SEVERITY_ALARM;
    policy_init(&p, &alert, 1);
    policy_first_day(&p, 100, 8 * 60); /* first started after its time: not today */
    assert_false(policy_digest_due(&p, 100, 23 * 60));
    assert_false(policy_digest_due(&p, 101, 7 * 60 + 29));
    assert_true(policy_digest_due(&p, 101, 7 * 60 + 30));
    policy_digest(&p, "A: running", 101, now);
    assert_false(policy_digest_due(&p, 101, 23 * 60));
    assert_true(policy_digest_due(&p, 102, 12 * 60)); /* the computer was off at its time */
    serve();
    assert_int_equal(count("digest", 0), 1);
    assert_int_equal(count("digest", 1), 0); /* wants alarms only */
    silent[0] = true;
    policy_digest(&p, "A: running", 102, now);
    policy_digest(&p, "A: halted", 103, now); /* the older one is of no use any more */
    assert_int_equal(policy_waiting(&p, 0), 1);
    policy_init(&p, &alert, 1);
    policy_first_day(&p, 100, 7 * 60);
    assert_true(policy_digest_due(&p, 100, 8 * 60));
}

/* The disk is full, or gone: the alarm is in no file. */
static void test_an_alarm_that_is_not_recorded_is_told_by_its_marker(void **state)
{
    (void)state;
    set_up(1);
    look("c", "running", 0, START);
    policy_marker(&p, "A", true, now); /* just before the record is there */
    now += 10 * SECOND - 1;
    policy_marker(&p, "A", true, now);
    serve();
    assert_int_equal(mails, 0);
    now += 1;
    policy_marker(&p, "A", true, now);
    serve();
    assert_int_equal(mails, 1);
    assert_int_equal(mail[0].m.fact.type, POLICY_HALT);
    assert_string_equal(mail[0].m.fact.kind, "not_recorded");
    assert_string_equal(mail[0].m.fact.station, "A");
    for (int i = 0; i < 5 * 60; i++) { /* 5 h */
        now += MINUTE;
        policy_marker(&p, "A", true, now);
        serve();
    }
    assert_int_equal(mails, 3); /* repeated after 1 h and 4 h */
    assert_int_equal(mail[2].m.repeat, 2);
    look("c", "halted", 1, START); /* there is space again: what was kept is recorded */
    policy_marker(&p, "A", true, now);
    assert_true(event(WN_SEVERITY_ALARM, "recording"));
    serve();
    assert_int_equal(count("recording_restored", 0), 1);
    assert_int_equal(count("recording", 0), 1);
    now += MINUTE;
    policy_marker(&p, "A", true, now);
    serve();
    assert_int_equal(mails, 5);
}

static void test_an_alarm_that_is_recorded_needs_no_marker(void **state)
{
    (void)state;
    set_up(1);
    look("c", "halted", 1, START);
    for (int i = 0; i < 100; i++) {
        now += SECOND;
        policy_marker(&p, "A", true, now);
        policy_marker(&p, "B", false, now);
        serve();
    }
    assert_int_equal(mails, 0);
}

static bool ping(void)
{
    bool due = policy_ping_due(&p, now);
    if (due) {
        policy_pinged(&p, now);
    }
    return due;
}

static void test_the_ping_needs_fresh_readings_and_no_alarm(void **state)
{
    (void)state;
    set_up(1);
    (void)snprintf(alert.ping.hook.program, sizeof alert.ping.hook.program, "/hooks/ping");
    alert.ping.every_s = 300;
    policy_init(&p, &alert, 1);
    assert_false(ping()); /* no campaign at all */
    look("c", "running", 0, START);
    assert_false(ping()); /* nothing was seen to change yet */
    now += SECOND;
    look("c", "running", 0, START + SECOND);
    assert_true(ping());
    now += 5 * MINUTE - 1;
    look("c", "running", 0, START + 2 * SECOND);
    assert_false(ping()); /* not yet */
    now += 1;
    assert_true(ping());
    now += 5 * MINUTE;
    assert_false(ping()); /* nothing was committed for more than 2 min */
    look("c", "halted", 1, START + 3 * SECOND);
    assert_false(ping()); /* an alarm is latched */
    look("c", "running", 0, START + 4 * SECOND);
    policy_marker(&p, "A", true, now);
    assert_false(ping()); /* one is latched, although it could not be recorded */
    policy_marker(&p, "A", false, now);
    look("c", "halted", 1, START + 3 * SECOND);
    look("c", "paused", 0, START + 3 * SECOND);
    assert_true(ping());
    now += 5 * MINUTE;
    look("c", "finished", 0, START + 3 * SECOND);
    assert_false(ping()); /* over: nothing is committed */
}

/* A second station that hangs must not hide behind the first one. */
static void test_every_station_must_be_well_for_a_ping(void **state)
{
    (void)state;
    set_up(1);
    (void)snprintf(alert.ping.hook.program, sizeof alert.ping.hook.program, "/hooks/ping");
    alert.ping.every_s = 60;
    policy_init(&p, &alert, 1);
    for (int i = 0; i < 4; i++) {
        now += MINUTE;
        const struct policy_view a = {"A", "running", false, 0, now, 2 * MINUTE};
        const struct policy_view b = {"B", "running", false, 0, i < 2 ? now : START, 2 * MINUTE};
        policy_look(&p, policy_campaign(&p, "c", START), &a, now);
        policy_look(&p, policy_campaign(&p, "d", START), &b, now);
        policy_looked(&p);
    }
    assert_true(policy_ping_due(&p, now)); /* B was seen to change 1 min ago: the step back */
    now += 2 * MINUTE + 1;
    const struct policy_view a = {"A", "running", false, 0, now, 2 * MINUTE};
    policy_look(&p, policy_campaign(&p, "c", START), &a, now);
    policy_there(&p, "d");
    policy_looked(&p);
    assert_false(policy_ping_due(&p, now));
}

/* Random days of warnings, alarms and acknowledgements: whatever happens, the rules hold. */
static void test_a_random_year(void **state)
{
    (void)state;
    const char *text = getenv("WANE_SEED");
    uint64_t seed = 20260401;
    for (const char *c = text; c != NULL && *c >= '0' && *c <= '9'; c++) {
        seed = (c == text ? 0 : seed * 10) + (uint64_t)(*c - '0');
    }
    print_message("seed %llu (WANE_SEED)\n", (unsigned long long)seed);
    struct wn_prng r;
    wn_prng_init(&r, seed);
    set_up(1);
    int64_t recoveries = 0, told = 0, halts = 0, halts_told = 0;
    wn_utc_us last_recovery = 0;
    for (int i = 0; i < 3000; i++) {
        static const char *const kinds[] = {"silence", "frozen", "refused", "guard_lost"};
        uint64_t what = wn_prng_below(&r, 10);
        if (what < 6) {
            assert_true(event(WN_SEVERITY_WARNING, kinds[wn_prng_below(&r, 4)]));
        } else if (what < 7) {
            assert_true(event(WN_SEVERITY_ALARM, kinds[wn_prng_below(&r, 4)]));
            halts++;
        } else {
            assert_true(event(WN_SEVERITY_INFO, "resumed"));
            recoveries++;
        }
        serve();
        now += (int64_t)wn_prng_below(&r, 20 * MINUTE);
    }
    pass(HOUR, MINUTE);
    for (int i = 0; i < mails; i++) {
        if (mail[i].m.fact.type == POLICY_RECOVERY) {
            told += 1 + mail[i].m.suppressed;
            assert_true(last_recovery == 0 || mail[i].utc - last_recovery >= 15 * MINUTE);
            last_recovery = mail[i].utc;
        } else if (mail[i].m.fact.type == POLICY_HALT) {
            halts_told += 1 + mail[i].m.suppressed;
        }
    }
    assert_int_equal(told, recoveries);
    assert_int_equal(halts_told, halts);
    assert_int_equal(policy_waiting(&p, 0), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_an_alarm_is_told_at_once_and_once),
        cmocka_unit_test(test_what_nobody_needs_is_not_told),
        cmocka_unit_test(test_off_is_told_to_who_was_told_not_off),
        cmocka_unit_test(test_flapping_is_one_message_in_15_minutes_with_a_count),
        cmocka_unit_test(test_an_alarm_does_not_wait_for_its_warning),
        cmocka_unit_test(test_an_alarm_does_not_wait_for_the_campaign_before),
        cmocka_unit_test(test_the_window_ends_exactly),
        cmocka_unit_test(test_a_recovery_is_never_dropped),
        cmocka_unit_test(test_warnings_are_capped_and_halts_are_not),
        cmocka_unit_test(test_a_halt_is_repeated_until_it_is_acknowledged),
        cmocka_unit_test(test_a_campaign_that_was_followed_by_another_is_not_repeated),
        cmocka_unit_test(test_an_acknowledgement_ends_the_damping_of_halts),
        cmocka_unit_test(test_old_news_of_a_file_never_seen),
        cmocka_unit_test(test_the_digest_comes_once_a_day),
        cmocka_unit_test(test_an_alarm_that_is_not_recorded_is_told_by_its_marker),
        cmocka_unit_test(test_an_alarm_that_is_recorded_needs_no_marker),
        cmocka_unit_test(test_the_ping_needs_fresh_readings_and_no_alarm),
        cmocka_unit_test(test_every_station_must_be_well_for_a_ping),
        cmocka_unit_test(test_a_random_year),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
