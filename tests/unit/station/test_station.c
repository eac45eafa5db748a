/* The station between engine and instrument: how soon off is sent, and what the engine is told.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/resource.h>

#include "rig.h"
#include "support/near.h"

/* No answer can be read any more: off is sent all the same, without waiting for one. */
static void test_an_instrument_that_answers_nonsense_is_told_off(void **state)
{
    (void)state;
    rig_begin();
    rig_charge();
    rig.garbled = true;
    rig_run(1 + 3 * 1 + 0.5); /* a reading, and what is asked again */
    assert_false(rig.on);
    assert_string_not_equal(frame_alarm(), "");
    long offs = rig.offs;
    rig_run(120); /* and again, as long as it lasts */
    assert_true(rig.offs > offs);
    assert_false(rig.on);
    frame_end();
}

/* Three queries of a second each, not the minute after which anything is noticed that keeps
 * readings away. */
static void test_silence_is_told_as_soon_as_it_is_certain(void **state)
{
    (void)state;
    rig_begin();
    rig_charge();
    rig.mute = true;
    rig_run(1 + 3 * 1 + 0.5);
    assert_string_equal(frame_alarm(), "silence");
    assert_false(rig.on);
    frame_end();
}

static void test_a_computer_that_slept_switches_off(void **state)
{
    (void)state;
    rig_begin();
    rig_charge();
    frame.now_ns += 20 * WN_NS_PER_S;
    frame.asleep_ns += 20 * WN_NS_PER_S;
    rig_run(1.5);
    assert_false(rig.on);
    assert_string_equal(frame_alarm(), "silence");
    frame_end();
}

static void test_nothing_is_ready_that_the_guard_does_not_hold(void **state)
{
    struct wn_error err = {0};
    (void)state;
    rig_begin();
    rig.guard_refuses = true;
    for (int i = 0; i < 60; i++) {
        rig_run(1);
        assert_non_null(bench_not_ready(&frame.st));
    }
    assert_int_not_equal(
        campaign_start(&frame.st, "swarm", "swarm-cycles", "test", false, "tester", &err), WN_OK);
    rig.guard_refuses = false;
    rig_run(60);
    rig_charge();
    frame_end();
}

/* No file may grow: what SQLite writes fails. */
static void disk_is_full(bool full)
{
    struct rlimit r;
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &r), 0);
    r.rlim_cur = full ? 0 : r.rlim_max;
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &r), 0);
}

static void test_a_commit_that_fails_is_told_at_once(void **state)
{
    (void)state;
    (void)signal(SIGXFSZ, SIG_IGN);
    rig_begin();
    rig_charge();
    disk_is_full(true);
    station_command(&frame.st, WN_EVENT_PAUSE, "tester"); /* its commit fails, in this very call */
    bool told = frame.st.store_failed;
    const char *alarm = frame_alarm();
    disk_is_full(false);
    assert_true(told);
    assert_string_equal(alarm, "recording_failed");
    rig_run(5);
    assert_int_equal(wn_engine_state(frame.st.engine), WN_ENGINE_HALTED);
    frame_end();
}

/* The file cannot tell of it, the marker does, until it is acknowledged. */
static void test_a_halt_that_cannot_be_recorded_leaves_its_marker(void **state)
{
    (void)state;
    rig_begin();
    rig_charge();
    assert_false(halt_marker_is_set(&frame.st));
    rig.mute = true;
    rig_run(5);
    assert_true(halt_marker_is_set(&frame.st));
    rig.mute = false;
    rig_run(60);
    assert_int_equal(wn_engine_state(frame.st.engine), WN_ENGINE_HALTED);
    assert_true(halt_marker_is_set(&frame.st));
    station_command(&frame.st, WN_EVENT_ACKNOWLEDGE, "tester");
    rig_run(1);
    assert_false(halt_marker_is_set(&frame.st));
    frame_end();
}

/* What a stop leaves on is no halt, and must be told of as well when the file cannot. */
static void test_a_stop_that_leaves_it_on_has_its_marker(void **state)
{
    (void)state;
    rig_begin();
    rig_charge();
    station_command(&frame.st, WN_EVENT_STOP, "tester");
    rig.leak_a = 2;
    rig_run(60);
    assert_true(halt_marker_is_set(&frame.st));
    rig.leak_a = 0;
    rig_run(60);
    assert_int_equal(wn_engine_state(frame.st.engine), WN_ENGINE_STOPPED);
    assert_true(halt_marker_is_set(&frame.st));
    station_command(&frame.st, WN_EVENT_ACKNOWLEDGE, "tester");
    assert_false(halt_marker_is_set(&frame.st));
    frame_end();
}

/* A power cut has spoilt the file: nobody takes the station for an idle one and starts another cell
 * on it; people are told. */
static void test_a_damaged_campaign_is_not_forgotten(void **state)
{
    (void)state;
    for (size_t kind = 0; kind < 2; kind++) {
        struct wn_error err = {0};
        char path[300];
        rig_begin();
        rig_charge();
        rig_run(20);
        (void)snprintf(path, sizeof path, "%s", frame.st.campaign_path);
        rig_kill_and_restart();
        FILE *f = fopen(path, "r+b");
        assert_non_null(f);
        assert_int_equal(fseek(f, kind == 0 ? 0 : 60, SEEK_SET), 0); /* user_version */
        assert_int_equal(
            fwrite(kind == 0 ? "spoilt, and more" : "\0\0\x7f\0", 1, kind == 0 ? 16 : 4, f),
            kind == 0 ? 16 : 4);
        assert_int_equal(fclose(f), 0);
        rig_run(60);
        assert_null(frame.st.campaign);
        assert_string_not_equal(frame.st.broken_text, "");
        assert_non_null(strstr(frame.st.broken_text, "may be the unfinished campaign"));
        assert_true(halt_marker_is_set(&frame.st));
        assert_false(rig.on);
        assert_int_equal(
            campaign_start(&frame.st, "swarm", "swarm-cycles", "next", false, "tester", &err),
            WN_ESTATE);
        assert_int_equal(remove(path), 0);
        frame_boot();
        rig_charge();
        frame_end();
    }
}

/* An operator lets it go on and pauses it again in the same moment, while so many syncs fail
 * behind so many good ones. False: there were no more. */
static bool paused_while_syncs_fail(int good, int bad)
{
    char status[20] = "";
    rig_begin();
    rig_charge();
    station_command(&frame.st, WN_EVENT_PAUSE, "tester");
    rig_run(60);
    assert_int_equal(wn_engine_state(frame.st.engine), WN_ENGINE_PAUSED);
    rig.syncs_good = good;
    rig.syncs_bad = bad;
    station_command(&frame.st, WN_EVENT_RESUME, "tester");
    bool struck = rig.syncs_bad < bad;
    station_command(&frame.st, WN_EVENT_PAUSE, "tester");
    rig_run(60);
    bool halted = wn_engine_state(frame.st.engine) == WN_ENGINE_HALTED; /* for the disk */
    assert_true(halted || wn_engine_state(frame.st.engine) == WN_ENGINE_PAUSED);
    assert_int_equal(wn_campaign_status(frame.st.campaign, status, sizeof status, NULL), WN_OK);
    assert_string_equal(status, halted ? "halted" : "paused");
    frame_end();
    return struck;
}

/* A word that it has failed to write is in the file perhaps: the one before is written anew, or
 * a restart would go on with what an operator has paused. */
static void test_a_pause_behind_a_word_that_may_be_written(void **state)
{
    (void)state;
    frame.quiet = true;
    for (int bad = 1; bad <= 6; bad++) {
        int good = 0;
        while (paused_while_syncs_fail(good, bad)) {
            good++;
        }
        assert_true(good >= 2); /* the event, and the word */
    }
    frame.quiet = false;
}

/* No campaign, and current flows: off three times, then the interlock, which only an operator's
 * start closes again. */
static void test_current_that_nobody_ordered(void **state)
{
    (void)state;
    rig_begin();
    rig_run(5);
    assert_null(bench_not_ready(&frame.st));
    rig.mute = true; /* opened anew, with nothing to go on with: the interlock is closed */
    rig_run(10);
    rig.mute = false;
    rig_run(60);
    assert_true(rig.interlock);
    long offs = rig.offs;
    rig.leak_a = -2;
    rig_run(5);
    assert_true(rig.offs > offs);
    assert_true(rig.interlock);
    rig_run(10);
    assert_true(rig.offs >= offs + 3);
    assert_false(rig.interlock);
    rig.mute = true; /* lost, and found again */
    rig_run(10);
    rig.mute = false;
    rig.leak_a = 0;
    rig_run(60);
    assert_null(bench_not_ready(&frame.st));
    assert_false(rig.interlock);
    rig_charge();
    assert_true(rig.interlock);
    frame_end();
}

static void test_what_goes_on_after_a_crash_is_the_operators_choice(void **state)
{
    (void)state;
    for (int holds = 0; holds < 2; holds++) {
        if (holds) {
            rig_begin_holding();
        } else {
            rig_begin();
        }
        rig_charge();
        rig_run(20); /* a commit by time */
        rig_kill_and_restart();
        rig_run(60);
        assert_non_null(frame.st.campaign);
        assert_int_equal(rig.on, !holds);
        assert_int_equal(wn_engine_state(frame.st.engine),
                         holds ? WN_ENGINE_PAUSED : WN_ENGINE_RUNNING);
        frame_end();
    }
}

/* Three times an hour are allowed. Crashes further apart than that are as little an end: what never
 * gets through a cycle waits for a person, and begins to count anew behind an order. */
static void test_slow_crashes_come_to_an_end(void **state)
{
    (void)state;
    rig_begin();
    rig_charge();
    for (int round = 0; round < 2; round++) {
        int n = 0;
        do {
            rig_run(60);
            assert_string_equal(frame_alarm(), "");
            assert_true(++n < 8);
            rig_kill_and_restart();
            frame.now_ns += INT64_C(1500) * WN_NS_PER_S;
            rig_run(30);
        } while (!wn_engine_latched(frame.st.engine));
        assert_int_equal(n, 7);
        assert_string_equal(frame_alarm(), "too_many_restarts");
        assert_false(rig.on);
        station_command(&frame.st, WN_EVENT_ACKNOWLEDGE, "tester");
        station_command(&frame.st, WN_EVENT_RESUME, "tester");
    }
    frame_end();
}

/* Ordered, and killed before it was done: it is done as soon as the instrument is there. */
static void test_an_ordered_stop_outlives_a_crash(void **state)
{
    (void)state;
    rig_begin();
    rig_charge();
    station_command(&frame.st, WN_EVENT_STOP, "tester");
    assert_int_equal(wn_engine_state(frame.st.engine), WN_ENGINE_SWITCHING_OFF);
    rig_kill_and_restart();
    rig_run(60);
    assert_non_null(frame.st.campaign);
    assert_int_equal(wn_engine_state(frame.st.engine), WN_ENGINE_STOPPED);
    assert_false(rig.on);
    frame_end();
}

/* What a certificate says is put right before anything judges, records or shows the reading. */
static void test_readings_are_corrected(void **state)
{
    (void)state;
    rig_begin();
    rig_run(30);
    double plain_v = frame.st.reading.voltage_v;
    assert_true(frame.st.has_reading && plain_v > 1);
    struct wn_calibration_line *line = &frame.st.config.calibration.line[WN_QUANTITY_VOLTAGE];
    *line = (struct wn_calibration_line){
        .known = true, .gain = 1.01, .offset = 0.02, .coverage_factor = 2, .drift = NAN};
    rig_run(30);
    assert_near(frame.st.reading.voltage_v, 1.01 * plain_v + 0.02, 0.002);
    line->offset = 1.5; /* so far off that a campaign would halt: it judges what is corrected */
    rig_run(30);
    assert_true(frame.st.reading.voltage_v > 1.4 + plain_v);
    frame_end();
}

struct told {
    const char *kind, *text;
    int n;
};

static int count_told(const struct wn_event_row *row, void *ctx)
{
    struct told *t = ctx;
    t->n += strcmp(row->event.kind, t->kind) == 0 && row->event.severity == WN_SEVERITY_WARNING &&
            strstr(row->event.text, t->text) != NULL;
    return 0;
}

static int times_told(const char *kind, const char *text)
{
    struct told t = {kind, text, 0};
    struct wn_error err = {0};
    station_commit(&frame.st);
    assert_int_equal(wn_campaign_each_event(frame.st.campaign, 0, count_told, &t, &err), WN_OK);
    return t.n;
}

/* A bench that is not good enough for the standard says so once, where it is published. */
static void test_tolerances_are_told_at_the_start(void **state)
{
    (void)state;
    rig_begin();
    frame.st.config.accuracy.time_reading = 0.001; /* just what is asked for */
    rig_charge();
    assert_int_equal(times_told("tolerances", ""), 0);
    frame_end();
    rig_begin();
    frame.st.config.accuracy.time_reading = 0.002;
    rig_charge();
    assert_int_equal(times_told("tolerances", "IEC 61960-3 is not met: time +/-0.2 %"), 1);
    rig_kill_and_restart();
    rig_run(200);
    assert_int_equal(times_told("tolerances", ""), 1);
    frame_end();
}

struct clock_sets {
    int n;
    char last[WN_EVENT_TEXT_SIZE];
};

static int count_set(const struct wn_event_row *row, void *ctx)
{
    struct clock_sets *c = ctx;
    if (strcmp(row->event.kind, "clock_set") == 0) {
        c->n++;
        (void)snprintf(c->last, sizeof c->last, "%s", row->event.text);
    }
    return 0;
}

static struct clock_sets clock_sets(void)
{
    struct clock_sets c = {0, ""};
    struct wn_error err = {0};
    station_commit(&frame.st);
    assert_int_equal(wn_campaign_each_event(frame.st.campaign, 0, count_set, &c, &err), WN_OK);
    return c;
}

/* Nothing is measured by it, but the rows say when: the file tells that it was set, and by how
 * much. */
static void test_a_clock_that_is_set(void **state)
{
    (void)state;
    rig_begin();
    rig_charge();
    rig_run(10);
    frame.set_us -= 1500000; /* kept right by leaps */
    rig_run(10);
    frame.now_ns += 20 * WN_NS_PER_S; /* asleep: no clock was set */
    frame.asleep_ns += 20 * WN_NS_PER_S;
    rig_run(10);
    assert_int_equal(clock_sets().n, 0);
    frame.set_us -= INT64_C(3600) * 1000000;
    rig_run(10);
    assert_int_equal(clock_sets().n, 1);
    assert_non_null(strstr(clock_sets().last, "was set by -3600 s"));
    frame.set_us += INT64_C(7200) * 1000000;
    rig_run(10);
    assert_int_equal(clock_sets().n, 2);
    frame_end();
}

/* From the day a certificate runs out the data sheet counts, and whoever watches is told, once. */
static void test_a_certificate_runs_out(void **state)
{
    (void)state;
    rig_begin();
    struct wn_calibration_line *line = &frame.st.config.calibration.line[WN_QUANTITY_CURRENT];
    wn_utc_us now = frame.st.clock->ops->utc(frame.st.clock);
    *line = (struct wn_calibration_line){.known = true,
                                         .gain = 1,
                                         .expanded = 0.0002,
                                         .coverage_factor = 2,
                                         .drift = 0.0001,
                                         .date = now - 1000000,
                                         .valid_until = now + INT64_C(300) * 1000000};
    rig_charge();
    double certified_a = frame.st.setup.accuracy.current_fixed_a;
    assert_near(certified_a, sqrt(0.0001 * 0.0001 * 3 + 0.0001 * 0.0001), 1e-12);
    rig_run(200);
    assert_int_equal(times_told("calibration", ""), 0);
    rig_run(200);
    assert_int_equal(times_told("calibration", "calibration of current ran out on "), 1);
    assert_near(frame.st.setup.accuracy.current_fixed_a, 0.002, 0);
    rig_run(400);
    assert_int_equal(times_told("calibration", ""), 1);
    struct wn_calibration stored;
    struct wn_error err = {0};
    assert_int_equal(wn_campaign_calibration(frame.st.campaign, &stored, &err), WN_OK);
    assert_near(stored.line[WN_QUANTITY_CURRENT].drift, 0.0001, 0);
    assert_false(stored.line[WN_QUANTITY_VOLTAGE].known);
    rig_kill_and_restart(); /* it goes on looking from where the file was left */
    rig_run(1);
    assert_true(frame.st.certificates_utc >= now + INT64_C(700) * 1000000);
    frame_end();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_an_instrument_that_answers_nonsense_is_told_off),
        cmocka_unit_test(test_silence_is_told_as_soon_as_it_is_certain),
        cmocka_unit_test(test_a_computer_that_slept_switches_off),
        cmocka_unit_test(test_nothing_is_ready_that_the_guard_does_not_hold),
        cmocka_unit_test(test_a_commit_that_fails_is_told_at_once),
        cmocka_unit_test(test_a_halt_that_cannot_be_recorded_leaves_its_marker),
        cmocka_unit_test(test_a_stop_that_leaves_it_on_has_its_marker),
        cmocka_unit_test(test_a_damaged_campaign_is_not_forgotten),
        cmocka_unit_test(test_a_pause_behind_a_word_that_may_be_written),
        cmocka_unit_test(test_current_that_nobody_ordered),
        cmocka_unit_test(test_what_goes_on_after_a_crash_is_the_operators_choice),
        cmocka_unit_test(test_slow_crashes_come_to_an_end),
        cmocka_unit_test(test_an_ordered_stop_outlives_a_crash),
        cmocka_unit_test(test_readings_are_corrected),
        cmocka_unit_test(test_tolerances_are_told_at_the_start),
        cmocka_unit_test(test_a_clock_that_is_set),
        cmocka_unit_test(test_a_certificate_runs_out),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
