/* The herald's file: a restart in the middle changes nothing, a damaged file is told.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "bench.h"

#include <stdlib.h>
#include <sys/stat.h>
#include <unistd.h>

#include "herald/herald.h"

static char dir[] = "/tmp/herald-state.XXXXXX";
static char path[64];

static int make_dir(void **state)
{
    (void)state;
    assert_non_null(mkdtemp(dir));
    (void)snprintf(path, sizeof path, "%s/state.json", dir);
    return 0;
}

static int remove_dir(void **state)
{
    (void)state;
    (void)unlink(path);
    return rmdir(dir);
}

/* As a herald that is killed and started again. */
static void restart(void)
{
    struct wn_error err = {0};
    bool found = false;
    assert_int_equal(state_write(&p, path, &err), WN_OK);
    policy_init(&p, &alert, 1);
    assert_int_equal(state_read(&p, path, &found, &err), WN_OK);
    assert_true(found);
    policy_clamp(&p, now);
    look("c", "halted", p.campaigns > 0 && p.campaign[0].alarm.number != 0, START);
}

static void feed_events(bool restarts)
{
    struct wn_prng r;
    wn_prng_init(&r, 7);
    set_up(2);
    alert.hook[1].severity = WN_SEVERITY_ALARM;
    policy_init(&p, &alert, 1);
    look("c", "running", 0, START);
    for (int i = 0; i < 300; i++) {
        static const char *const kinds[] = {"silence", "frozen", "refused"};
        uint64_t what = wn_prng_below(&r, 8);
        enum wn_severity s = what < 5   ? WN_SEVERITY_WARNING
                             : what < 6 ? WN_SEVERITY_ALARM
                                        : WN_SEVERITY_INFO;
        assert_true(event(s, s == WN_SEVERITY_INFO ? "resumed" : kinds[wn_prng_below(&r, 3)]));
        if (restarts && i % 3 == 0) {
            restart(); /* between taking in and telling */
        }
        look("c", "halted", campaign("c")->alarm.number != 0, START);
        serve();
        if (restarts && i % 2 == 0) {
            restart();
        }
        pass((int64_t)wn_prng_below(&r, 90 * MINUTE), 5 * MINUTE);
    }
}

static void same_fact(const struct policy_fact *a, const struct policy_fact *b)
{
    assert_int_equal(a->type, b->type);
    assert_int_equal(a->severity, b->severity);
    assert_int_equal(a->simulated, b->simulated);
    assert_string_equal(a->station, b->station);
    assert_string_equal(a->campaign, b->campaign);
    assert_string_equal(a->cell, b->cell);
    assert_string_equal(a->target, b->target);
    assert_int_equal(a->created_utc, b->created_utc);
    assert_int_equal(a->utc, b->utc);
    assert_int_equal(a->number, b->number);
    assert_int_equal(a->cycle, b->cycle);
    assert_string_equal(a->kind, b->kind);
    assert_string_equal(a->text, b->text);
}

static void test_restarts_change_nothing(void **state)
{
    (void)state;
    static struct mail whole[MAIL_MAX];
    feed_events(false);
    int n = mails;
    memcpy(whole, mail, sizeof mail);
    assert_true(n > 300);
    feed_events(true);
    assert_int_equal(mails, n);
    for (int i = 0; i < n; i++) {
        assert_int_equal(mail[i].utc, whole[i].utc);
        assert_int_equal(mail[i].target, whole[i].target);
        assert_int_equal(mail[i].m.repeat, whole[i].m.repeat);
        assert_int_equal(mail[i].m.suppressed, whole[i].m.suppressed);
        same_fact(&mail[i].m.fact, &whole[i].m.fact);
    }
}

static void test_who_was_told_is_known_by_name(void **state)
{
    (void)state;
    set_up(2);
    silent[1] = true;
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    serve();
    assert_int_equal(mails, 1);
    struct wn_hook_config first = alert.hook[0];
    alert.hook[0] = alert.hook[1]; /* the order changes, and there is a new one */
    alert.hook[1] = first;
    alert.hook[2] = first;
    (void)snprintf(alert.hook[2].program, sizeof alert.hook[2].program, "/hooks/new");
    alert.hooks = 3;
    silent[1] = false;
    restart();
    serve();
    assert_int_equal(mails, 3);
    assert_int_equal(count("over_voltage", 0),
                     2); /* the one at the start, and the one that waited */
    assert_int_equal(count("over_voltage", 1), 0);
    assert_int_equal(count("over_voltage", 2), 1);
}

static void test_a_failing_target_is_not_told_again_after_a_restart(void **state)
{
    (void)state;
    set_up(2);
    outcome[0] = POLICY_FAILED;
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    serve();
    restart();
    serve();
    pass(HOUR, MINUTE);
    assert_int_equal(count("alert_target_failed", 1), 1);
    assert_true(p.target[0].failing);
    assert_string_equal(p.target[0].failure, "broken");
}

/* The clock was a year ahead, or ran back: neither silence for a year nor a flood. */
static void test_a_clock_that_was_ahead_does_not_silence(void **state)
{
    (void)state;
    set_up(1);
    look("c", "running", 0, START);
    now += 365 * DAY;
    assert_true(event(WN_SEVERITY_WARNING, "silence"));
    serve();
    now = START + HOUR;
    restart();
    assert_true(event(WN_SEVERITY_WARNING, "silence"));
    pass(16 * MINUTE, MINUTE);
    assert_int_equal(count("silence", 0), 2);
}

static void test_a_new_campaign_under_an_old_name_begins_afresh(void **state)
{
    (void)state;
    set_up(1);
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    serve();
    restart();
    assert_int_equal(campaign("c")->seen, 1);
    assert_int_equal(policy_campaign(&p, "c", START)->seen, 0);
}

static void write_text(const char *text)
{
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    assert_true(fputs(text, f) >= 0);
    assert_int_equal(fclose(f), 0);
}

/* Cut at every length, as after a power cut on a careless disk: told, never taken for whole. */
static void test_a_damaged_file_is_told(void **state)
{
    (void)state;
    static char text[65536];
    struct wn_error err = {0};
    bool found = false;
    set_up(1);
    assert_true(event(WN_SEVERITY_ALARM, "over_voltage"));
    silent[0] = true;
    serve();
    assert_int_equal(state_write(&p, path, &err), WN_OK);
    FILE *f = fopen(path, "r");
    size_t len = fread(text, 1, sizeof text - 1, f);
    assert_int_equal(fclose(f), 0);
    assert_true(len > 500 && len < sizeof text - 1);
    for (size_t n = 0; n < len; n += 7) {
        char kept = text[n];
        text[n] = '\0';
        write_text(text);
        text[n] = kept;
        policy_init(&p, &alert, 1);
        assert_int_equal(state_read(&p, path, &found, &err), WN_ECORRUPT);
        assert_true(found);
        assert_int_equal(p.campaigns, 0);
    }
    write_text("{\"version\":2}");
    assert_int_not_equal(state_read(&p, path, &found, &err), WN_OK);
    assert_int_equal(unlink(path), 0);
    assert_int_equal(state_read(&p, path, &found, &err), WN_OK);
    assert_false(found);
}

static void test_a_file_that_cannot_be_written_is_told(void **state)
{
    (void)state;
    struct wn_error err = {0};
    set_up(1);
    assert_int_equal(state_write(&p, "/nowhere/at/all/state.json", &err), WN_EIO);
    assert_non_null(strstr(err.text, "/nowhere/at/all"));
}

/* What `wane status` reads. */
static void test_the_status_tells_when_nothing_works(void **state)
{
    (void)state;
    static struct wn_daemon_config config;
    struct wn_error err = {0};
    char text[2000];
    set_up(1);
    for (int fails = 0; fails < 2; fails++) {
        policy_check(&p, 0, fails ? "/hooks/h0 is not there" : "", now);
        assert_int_equal(status_write(&p, &config, "", now, path, &err), WN_OK);
        FILE *f = fopen(path, "r");
        text[fread(text, 1, sizeof text - 1, f)] = '\0';
        assert_int_equal(fclose(f), 0);
        assert_non_null(strstr(text, fails ? "\"no_working_alert_channel\":true"
                                           : "\"no_working_alert_channel\":false"));
        assert_true((strstr(text, "/hooks/h0 is not there") != NULL) == (fails != 0));
    }
    config.alert.none_on_purpose = true; /* then it is no trouble */
    set_up(0);
    assert_int_equal(status_write(&p, &config, "", now, path, &err), WN_OK);
    FILE *f = fopen(path, "r");
    text[fread(text, 1, sizeof text - 1, f)] = '\0';
    assert_int_equal(fclose(f), 0);
    assert_non_null(strstr(text, "\"no_working_alert_channel\":false"));
    assert_int_equal(text[strlen(text) - 1], '}'); /* a shorter text over a longer one */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_restarts_change_nothing),
        cmocka_unit_test(test_who_was_told_is_known_by_name),
        cmocka_unit_test(test_a_failing_target_is_not_told_again_after_a_restart),
        cmocka_unit_test(test_a_clock_that_was_ahead_does_not_silence),
        cmocka_unit_test(test_a_new_campaign_under_an_old_name_begins_afresh),
        cmocka_unit_test(test_a_damaged_file_is_told),
        cmocka_unit_test(test_a_file_that_cannot_be_written_is_told),
        cmocka_unit_test(test_the_status_tells_when_nothing_works),
    };
    return cmocka_run_group_tests(tests, make_dir, remove_dir);
}
