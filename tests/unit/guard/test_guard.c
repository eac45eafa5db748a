/* The real guard against stations that misbehave: the safe-off bytes arrive in time, the station is
 * started again, the others are not disturbed, and the guard loses neither descriptors nor time.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "support/near.h"

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "stage.h"

#define BEAT_MS 1600
#define PROMISE 1.0 /* s, from the misdeed to the safe-off bytes */

static struct stage stage;
static int descriptors_alone; /* of a guard without stations */

static int begin(void **state)
{
    *state = &stage;
    return stage_open(&stage) ? 0 : -1;
}

static int end(void **state)
{
    stage_close(*state);
    return 0;
}

#define check(s, what)                                                                             \
    do {                                                                                           \
        if (!(what)) {                                                                             \
            stage_show_log(s);                                                                     \
            assert_true(what);                                                                     \
        }                                                                                          \
    } while (0)

static bool all_registered(struct stage *s, void *ctx)
{
    (void)ctx;
    for (int i = 0; i < s->stations; i++) {
        if (stage_told(s, s->station[i].name, "registered", NULL, NULL) == 0) {
            return false;
        }
    }
    return true;
}

static bool one_off(struct stage *s, void *ctx)
{
    struct stage_station *a = ctx;
    (void)s;
    return a->offs > 0;
}

/* Each that misbehaved was switched off and registered again. */
static bool all_back(struct stage *s, void *ctx)
{
    (void)ctx;
    for (int i = 0; i < s->stations; i++) {
        const struct stage_station *a = &s->station[i];
        bool good = strcmp(a->first, "good") == 0;
        if (!good && (a->offs == 0 || stage_told(s, a->name, "registered", NULL, NULL) < 2)) {
            return false;
        }
    }
    return true;
}

static bool never(struct stage *s, void *ctx)
{
    (void)s;
    (void)ctx;
    return false;
}

static int expected_descriptors(const struct stage *s)
{
    return descriptors_alone + 2 * s->stations; /* socket and duplicate */
}

/* The good station has noticed nothing. */
static void judge_good(struct stage *s)
{
    for (int i = 0; i < s->stations; i++) {
        const struct stage_station *a = &s->station[i];
        if (strcmp(a->first, "good") == 0) {
            check(s, stage_told(s, a->name, "started", NULL, NULL) == 1);
            check(s, a->offs == 0 && stage_told(s, a->name, "alone", NULL, NULL) == 0);
        }
    }
}

/* Nothing is left over: descriptors as at the start, no processor time with nothing to do. */
static void judge_guard(struct stage *s)
{
    check(s, !stage_guard_ended(s));
    double before_s = stage_cpu_s(s);
    (void)stage_until(s, 1.0, never, NULL);
    double idle_s = stage_cpu_s(s) - before_s;
    print_message("%d descriptors, %.2f s of processor time, %.2f s more in 1 s of rest\n",
                  stage_descriptors(s), before_s, idle_s);
    check(s, idle_s <= 0.1);
    check(s, stage_descriptors(s) == expected_descriptors(s));
}

static void judge_times(struct stage *s)
{
    for (int i = 0; i < s->stations; i++) {
        const struct stage_station *a = &s->station[i];
        int64_t misdeed_ns = 0;
        if (strcmp(a->first, "good") == 0) {
            continue;
        }
        check(s, stage_told(s, a->name, a->first, NULL, &misdeed_ns) == 1);
        double after_s = 1e-9 * (double)(a->off_ns - misdeed_ns);
        bool silent = strcmp(a->first, "late") == 0 || strcmp(a->first, "stopped") == 0;
        print_message("%-20s off after %6.1f ms\n", a->first, after_s * 1e3);
        check(s, after_s >= 0 && after_s < PROMISE + (silent ? BEAT_MS * 1e-3 : 0));
    }
}

static void run_batch(struct stage *s, const char *const *misdeeds, int n)
{
    for (int i = 0; i < n; i++) {
        (void)stage_add(s, misdeeds[i], "good", BEAT_MS);
    }
    (void)stage_add(s, "good", "good", BEAT_MS);
    assert_true(stage_start(s));
    check(s, stage_until(s, 30, all_back, NULL));
    judge_times(s);
    judge_good(s);
    judge_guard(s);
    judge_good(s);
}
#define RUN(...)                                                                                   \
    do {                                                                                           \
        const char *const list[] = {__VA_ARGS__};                                                  \
        run_batch(*state, list, (int)(sizeof list / sizeof list[0]));                              \
    } while (0)

/* First of all: what a guard with nothing to complain of needs. */
static void test_good(void **state)
{
    struct stage *s = *state;
    for (int i = 0; i < 2; i++) {
        (void)stage_add(s, "good", "good", BEAT_MS);
    }
    assert_true(stage_start(s));
    check(s, stage_until(s, 20, all_registered, NULL));
    (void)stage_until(s, 0.3, never, NULL);
    descriptors_alone = stage_descriptors(s) - 4;
    assert_in_range(descriptors_alone, 3, 8);
    judge_guard(s);
    judge_good(s);
}

static void test_ends(void **state)
{
    RUN("eof", "exit", "exit-0", "killed", "stopped", "late", "grandchild");
}

static void test_sizes(void **state)
{
    RUN("short", "empty", "cut", "long", "huge");
}

static void test_contents(void **state)
{
    RUN("magic", "type", "ack", "noise", "grace", "port-name", "interlock", "drop-len");
}

static void test_lengths(void **state)
{
    RUN("off-len", "off-len-0", "query-len", "expect-len", "gap", "slot", "slot-max",
        "release-slot");
}

static void test_descriptors(void **state)
{
    RUN("no-descriptor", "beat-descriptor", "release-descriptor");
}

/* More than one: refused, and all of them closed. */
static void test_many_descriptors(void **state)
{
    RUN("two-descriptors", "four-descriptors");
}

/* Ten thousand times the same: the old duplicate is closed each time. */
static void test_registers_often(void **state)
{
    struct stage *s = *state;
    struct stage_station *a = stage_add(s, "registers", "good", BEAT_MS);
    (void)stage_add(s, "registers-deaf", "good", BEAT_MS);
    (void)stage_add(s, "good", "good", BEAT_MS);
    assert_true(stage_start(s));
    check(s, stage_until(s, 60, all_back, NULL));
    check(s, stage_told(s, a->name, "refused", NULL, NULL) == 0);
    judge_good(s);
    judge_guard(s);
}

static bool told_released(struct stage *s, void *ctx)
{
    (void)ctx;
    return stage_told(s, NULL, "released", NULL, NULL) > 0;
}

/* Giving back what was never taken is no crime, and costs nothing. */
static void test_releases_nothing(void **state)
{
    struct stage *s = *state;
    (void)stage_add(s, "releases-nothing", "good", BEAT_MS);
    (void)stage_add(s, "good", "good", BEAT_MS);
    assert_true(stage_start(s));
    check(s, stage_until(s, 20, told_released, NULL));
    judge_guard(s);
    assert_int_equal(stage_told(s, "S0", "started", NULL, NULL), 1);
    assert_int_equal(s->station[0].offs, 0);
    judge_good(s);
}

static bool is_told(struct stage *s, void *ctx)
{
    return stage_told(s, NULL, ctx, NULL, NULL) > 0;
}

/* One shouts without end; another one dies meanwhile and is switched off in time all the same. */
static void test_flood(void **state)
{
    struct stage *s = *state;
    pid_t pid = 0;
    (void)stage_add(s, "floods", "good", BEAT_MS);
    struct stage_station *a = stage_add(s, "good", "good", BEAT_MS);
    (void)stage_add(s, "good", "good", BEAT_MS);
    assert_true(stage_start(s));
    check(s, stage_until(s, 20, all_registered, NULL));
    check(s, stage_until(s, 20, is_told, (void *)(uintptr_t) "floods"));
    check(s, stage_told(s, a->name, "registered", &pid, NULL) == 1);
    int64_t at = stage_now_ns();
    assert_int_equal(kill(pid, SIGKILL), 0);
    check(s, stage_until(s, 5, one_off, a));
    print_message("in a flood of beats: off after %.1f ms\n", 1e-6 * (double)(a->off_ns - at));
    check(s, a->off_ns - at < (int64_t)(PROMISE * 1e9));
    check(s, stage_until(s, 10, is_told, (void *)(uintptr_t) "flooded"));
    (void)stage_until(s, 1.5, never, NULL); /* and calm again */
    assert_int_equal(stage_told(s, "S0", "started", NULL, NULL), 1);
    assert_int_equal(stage_told(s, "S2", "started", NULL, NULL), 1);
    assert_int_equal(s->station[2].offs, 0);
    check(s, stage_descriptors(s) == expected_descriptors(s));
}

/* Instruments that answer nothing: told off again and again, while the others are looked after. */
static void test_mute_instrument(void **state)
{
    struct stage *s = *state;
    struct stage_station *a = stage_add(s, "killed", "dies", BEAT_MS);
    a->mute = true;
    (void)stage_add(s, "good", "good", BEAT_MS);
    assert_true(stage_start(s));
    check(s, stage_until(s, 20, one_off, a));
    (void)stage_until(s, 1.0, never, NULL);
    assert_true(a->offs >= 2); /* tried again at once */
    check(s, stage_logged(s, "not confirmed"));
    judge_good(s);
    check(s, !stage_guard_ended(s));
}

static int offs_before;

static bool told_again(struct stage *s, void *ctx)
{
    const struct stage_station *a = ctx;
    (void)s;
    return a->offs > offs_before;
}

static bool confirmed(struct stage *s, void *ctx)
{
    (void)ctx;
    return stage_logged(s, "confirmed by the instrument");
}

/* Nobody starts the station again and the instrument does not answer: told off every few seconds,
 * until it says that it is. */
static void test_never_given_up(void **state)
{
    struct stage *s = *state;
    struct stage_station *a = stage_add(s, "permanent", "good", BEAT_MS);
    a->mute = true;
    (void)stage_add(s, "good", "good", BEAT_MS);
    assert_true(stage_start(s));
    check(s, stage_until(s, 20, one_off, a));
    (void)stage_until(s, 2.0, never, NULL); /* the tries in a row are over */
    offs_before = a->offs;
    check(s, stage_until(s, 10, told_again, a));
    check(s, !confirmed(s, NULL));
    a->mute = false;
    check(s, stage_until(s, 15, confirmed, NULL));
    judge_good(s);
}

/* An echo, another answer, one answer that could be a late one: none of them says that it is off.
 */
static void test_no_confirmation(void **state)
{
    static const char *const answers[][2] = {
        {"OFF?", "OFF?"}, {"1", "1"}, {"0", "1"}, {"00", "00"}};
    struct stage *s = *state;
    for (size_t i = 0; i < 4; i++) {
        struct stage_station *a = stage_add(s, "permanent", "good", BEAT_MS);
        a->first_answer = answers[i][0];
        a->answer = answers[i][1];
    }
    (void)stage_add(s, "good", "good", BEAT_MS);
    assert_true(stage_start(s));
    for (int i = 0; i < 4; i++) {
        check(s, stage_until(s, 20, one_off, &s->station[i]));
    }
    (void)stage_until(s, 6.0, never, NULL); /* four instruments, three tries each, in turn */
    check(s, stage_logged(s, "not confirmed"));
    check(s, !confirmed(s, NULL));
    judge_good(s);
}

static int count_starts(struct stage *s, const char *name)
{
    return stage_told(s, name, "started", NULL, NULL);
}

/* Dies at once, for ever: started at 0, 1, 3 and 7 s, not more often. */
static void test_restarts_back_off(void **state)
{
    struct stage *s = *state;
    for (int i = 0; i < 5; i++) {
        (void)stage_add(s, "dies", "dies", BEAT_MS);
    }
    (void)stage_add(s, "good", "good", BEAT_MS);
    assert_true(stage_start(s));
    (void)stage_until(s, 8, never, NULL); /* so long, to count: nothing is waited for */
    for (int i = 0; i < 5; i++) {
        print_message("%s was started %d times in 8 s\n", s->station[i].name,
                      count_starts(s, s->station[i].name));
        check(s, count_starts(s, s->station[i].name) >= 3);
        check(s, count_starts(s, s->station[i].name) <= 4);
    }
    check(s, stage_cpu_s(s) < 0.5);
    check(s, stage_descriptors(s) <= expected_descriptors(s) - 10);
    judge_good(s);
}

static bool guard_ended(struct stage *s, void *ctx)
{
    (void)ctx;
    return stage_guard_ended(s);
}

static void test_permanent(void **state)
{
    struct stage *s = *state;
    struct stage_station *a = stage_add(s, "permanent", "good", BEAT_MS);
    (void)stage_add(s, "good", "good", BEAT_MS);
    assert_true(stage_start(s));
    check(s, stage_until(s, 20, one_off, a)); /* it had registered: off all the same */
    (void)stage_until(s, 2.5, never, NULL);
    assert_int_equal(count_starts(s, a->name), 1);
    judge_good(s);
}

static void test_all_permanent(void **state)
{
    struct stage *s = *state;
    (void)stage_add(s, "permanent", "good", BEAT_MS);
    (void)stage_add(s, "permanent", "good", BEAT_MS);
    assert_true(stage_start(s));
    check(s, stage_until(s, 20, guard_ended, NULL)); /* nothing is left to guard */
    assert_true(WIFEXITED(s->status) && WEXITSTATUS(s->status) == 1);
}

/* Does not end when it is asked to: killed, and switched off. */
static void test_stubborn(void **state)
{
    struct stage *s = *state;
    struct stage_station *a = stage_add(s, "stubborn", "good", BEAT_MS);
    assert_true(stage_start(s));
    check(s, stage_until(s, 20, is_told, (void *)(uintptr_t) "stubborn"));
    (void)stage_until(s, 0.2, never, NULL);
    assert_int_equal(kill(s->guard, SIGTERM), 0);
    check(s, stage_until(s, 15, guard_ended, NULL));
    (void)stage_until(s, 0.2, one_off, a);
    assert_true(a->offs > 0);
    assert_true(WIFEXITED(s->status) && WEXITSTATUS(s->status) == 0);
}

static void send_to_guard(struct stage *s, int number, bool survives)
{
    pid_t pid = 0;
    (void)stage_add(s, "good", "good", BEAT_MS);
    (void)stage_add(s, "good", "good", BEAT_MS);
    assert_true(stage_start(s));
    check(s, stage_until(s, 20, all_registered, NULL));
    assert_int_equal(kill(s->guard, number), 0);
    if (survives) {
        (void)stage_until(s, 1.0, never, NULL);
        judge_guard(s);
        judge_good(s);
    } else { /* the stations see it at once, and a real one switches off */
        check(s, stage_until(s, 10, guard_ended, NULL));
        (void)stage_until(s, 0.5, never, NULL);
        assert_int_equal(stage_told(s, NULL, "alone", &pid, NULL), 2);
    }
}

static void test_hangup(void **state)
{
    send_to_guard(*state, SIGHUP, true);
}

static void test_abort(void **state)
{
    send_to_guard(*state, SIGABRT, true);
}

static void test_pipe(void **state)
{
    send_to_guard(*state, SIGPIPE, true);
}

static void test_user_signal(void **state)
{
    send_to_guard(*state, SIGUSR1, true);
}

static void test_killed(void **state)
{
    send_to_guard(*state, SIGKILL, false);
}

/* One that dies, or hangs, with a port of three channels: each of them is off in time, and nobody
 * else is. */
static void test_share_ends(void **state)
{
    struct stage *s = *state;
    static const char *const misdeeds[] = {"killed", "stopped", "late", "exit"};
    for (size_t i = 0; i < 4; i++) {
        stage_add(s, misdeeds[i], "good", BEAT_MS)->channels = 3;
    }
    (void)stage_add(s, "good", "good", BEAT_MS);
    assert_true(stage_start(s));
    check(s, stage_until(s, 30, all_back, NULL));
    judge_times(s);
    judge_good(s);
    for (int i = 0; i < 4; i++) {
        for (int k = 1; k <= 3; k++) {
            check(s, s->station[i].channel_offs[k] > 0);
        }
    }
}

static bool confirmed_channels(struct stage *s, void *ctx)
{
    const char *const *texts = ctx;
    return stage_logged(s, texts[0]) && stage_logged(s, texts[1]);
}

/* A bus on which one does not answer: the others are confirmed all the same. */
static void test_share_one_is_deaf(void **state)
{
    struct stage *s = *state;
    struct stage_station *a = stage_add(s, "permanent", "good", BEAT_MS);
    const char *texts[] = {"channel 2: output is off, confirmed",
                           "channel 3: output is off, confirmed"};
    a->channels = 3;
    a->deaf[1] = true;
    (void)stage_add(s, "good", "good", BEAT_MS);
    assert_true(stage_start(s));
    check(s, stage_until(s, 20, confirmed_channels, (void *)(uintptr_t)texts));
    offs_before = a->offs;
    check(s, stage_until(s, 10, told_again, a)); /* and the deaf one is not given up */
    check(s, !stage_logged(s, "channel 1: output is off, confirmed"));
    judge_good(s);
}

/* The answer of one channel comes late: it says nothing of another one, which stays on. */
static void test_share_late_answer(void **state)
{
    struct stage *s = *state;
    struct stage_station *a = stage_add(s, "permanent", "good", BEAT_MS);
    a->channels = 2;
    a->late = 1;
    a->stays_on[2] = true;
    (void)stage_add(s, "good", "good", BEAT_MS);
    assert_true(stage_start(s));
    check(s, stage_until(s, 20, one_off, a));
    (void)stage_until(s, 7.0, never, NULL); /* the tries in a row, and one more */
    check(s, stage_logged(s, "channel 2: told off, not confirmed"));
    check(s, !stage_logged(s, "channel 2: output is off, confirmed"));
    judge_good(s);
}

static void refuse(const char *const *children, int n)
{
    struct stage s;
    assert_true(stage_open(&s));
    assert_true(stage_start_with(&s, children, n));
    bool over = stage_until(&s, 3, guard_ended, NULL);
    int status = s.status;
    assert_int_equal(stage_told(&s, NULL, NULL, NULL, NULL), 0);
    stage_close(&s);
    if (!over || !WIFEXITED(status) || WEXITSTATUS(status) != 2) {
        fail_msg("not refused: %s (%d words)", n > 0 ? children[0] : "nothing", n);
    }
}

/* A plan that makes no sense starts nothing. */
static void test_plans(void **state)
{
    static const char *const wrong[] = {"garbage",  "",          "station",  ":1000:1000",
                                        "A:x:y",    "A:1000",    "A:50:100", /* not to be watched */
                                        "A:-1:100", "A:1000:-5", "Herald",   "A:1000:1000:sharp"};
    const char *many[60];
    (void)state;
    refuse(NULL, 0);
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        refuse(&wrong[i], 1);
        const char *second[] = {"A:1000:1000", wrong[i]};
        refuse(second, 2);
    }
    for (int i = 0; i < 60; i++) {
        many[i] = "A:1000:1000";
    }
    refuse(many, 60);
}

int main(int argc, char **argv)
{
#define T(name) cmocka_unit_test_setup_teardown(name, begin, end)
    const struct CMUnitTest tests[] = {T(test_good),
                                       T(test_ends),
                                       T(test_sizes),
                                       T(test_contents),
                                       T(test_lengths),
                                       T(test_descriptors),
                                       T(test_registers_often),
                                       T(test_releases_nothing),
                                       T(test_flood),
                                       T(test_mute_instrument),
                                       T(test_never_given_up),
                                       T(test_no_confirmation),
                                       T(test_restarts_back_off),
                                       T(test_permanent),
                                       T(test_all_permanent),
                                       T(test_stubborn),
                                       T(test_hangup),
                                       T(test_abort),
                                       T(test_pipe),
                                       T(test_user_signal),
                                       T(test_killed),
                                       T(test_share_ends),
                                       T(test_share_one_is_deaf),
                                       T(test_share_late_answer),
                                       cmocka_unit_test(test_plans)};

    const struct CMUnitTest many[] = {T(test_good), T(test_many_descriptors)};
    if (argc > 1 && strcmp(argv[1], "descriptors") == 0) {
        return cmocka_run_group_tests(many, NULL, NULL) != 0;
    }
    for (size_t i = 1; argc > 1 && i < sizeof tests / sizeof tests[0]; i++) { /* one by its name */
        if (strcmp(argv[1], tests[i].name + strlen("test_")) == 0) {
            const struct CMUnitTest one[] = {tests[0], tests[i]};
            return cmocka_run_group_tests(one, NULL, NULL) != 0;
        }
    }
    if (argc > 1) {
        print_error("no test is called %s\n", argv[1]);
        return 2;
    }
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
