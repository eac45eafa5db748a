/* Running hooks, real ones: time limit for the whole group, output, input, descriptors.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <sys/stat.h>
#include <unistd.h>

#include "herald/hook.h"
#include "port/clock.h"

static char dir[] = "/tmp/herald-hook.XXXXXX";
static struct wn_hook_config config;
static struct hook hook;
static struct wn_error err;
static const char *const nothing[] = {NULL};

static int make_dir(void **state)
{
    (void)state;
    hook_prepare();
    return mkdtemp(dir) == NULL;
}

static int remove_dir(void **state)
{
    (void)state;
    char command_path[100];
    (void)snprintf(command_path, sizeof command_path, "%s/hook", dir);
    (void)unlink(command_path);
    (void)snprintf(command_path, sizeof command_path, "%s/out", dir);
    (void)unlink(command_path);
    return rmdir(dir);
}

static void script(const char *body, double timeout_s)
{
    memset(&config, 0, sizeof config);
    memset(&err, 0, sizeof err);
    config.timeout_s = timeout_s;
    (void)snprintf(config.program, sizeof config.program, "%s/hook", dir);
    (void)unlink(config.program);
    int fd = open(config.program, O_WRONLY | O_CREAT | O_CLOEXEC, 0755);
    assert_true(fd >= 0);
    assert_int_equal(dprintf(fd, "#!/bin/sh\n%s\n", body), (int)strlen(body) + 11);
    assert_int_equal(close(fd), 0);
}

static int descriptors(void)
{
    int n = 0;
    DIR *d = opendir("/proc/self/fd");
    assert_non_null(d);
    while (readdir(d) != NULL) {
        n++;
    }
    (void)closedir(d);
    return n;
}

static void test_what_it_is_given(void **state)
{
    (void)state;
    static const char *const environment[] = {"WANE_KIND=x y", "WANE_TEXT=$(id) `id`", NULL};
    assert_int_equal(setenv("SECRET_OF_THE_HERALD", "1", 1), 0);
    script(
        "cat; echo \"$#:$1:$2\"; echo \"$WANE_KIND|$WANE_TEXT|$SECRET_OF_THE_HERALD|$LANG\"; pwd",
        10);
    (void)snprintf(config.arg[0], sizeof config.arg[0], "one; two");
    (void)snprintf(config.arg[1], sizeof config.arg[1], "$HOME");
    config.args = 2;
    assert_int_equal(hook_run(&hook, &config, "{\"a\":1}\n", environment, &err), HOOK_DONE);
    assert_string_equal(hook.said, "{\"a\":1}\n2:one; two:$HOME\nx y|$(id) `id`||C.UTF-8\n/\n");
}

static void test_it_is_in_a_group_of_its_own_with_default_signals(void **state)
{
    (void)state;
    script("ps -o pgid= -p $$ | tr -d ' '; echo $$; grep -E '^Sig(Blk|Ign)' /proc/self/status", 10);
    assert_int_equal(hook_run(&hook, &config, "", nothing, &err), HOOK_DONE);
    long group = 0, pid = -1;
    unsigned long long blocked = 1, ignored = 1;
    assert_int_equal(
        sscanf(hook.said, "%ld %ld SigBlk: %llx SigIgn: %llx", &group, &pid, &blocked, &ignored),
        4);
    assert_int_equal(group, pid);
    assert_true(blocked == 0 && ignored == 0);
}

static void test_exit_codes(void **state)
{
    (void)state;
    script("exit 75", 10);
    assert_int_equal(hook_run(&hook, &config, "", nothing, &err), HOOK_TEMPORARY);
    script("exit 1", 10);
    assert_int_equal(hook_run(&hook, &config, "", nothing, &err), HOOK_FAILED);
    assert_non_null(strstr(err.text, "exit code 1"));
    script("kill -9 $$", 10);
    assert_int_equal(hook_run(&hook, &config, "", nothing, &err), HOOK_FAILED);
    assert_non_null(strstr(err.text, "signal 9"));
}

static bool is_alive(pid_t pid)
{
    char path[64], state = 'X';
    (void)snprintf(path, sizeof path, "/proc/%d/stat", (int)pid);
    FILE *f = fopen(path, "r");
    if (f == NULL) {
        return false;
    }
    (void)!fscanf(f, "%*d %*s %c", &state);
    (void)fclose(f);
    return state != 'Z' && state != 'X';
}

static void test_a_time_out_kills_the_whole_group(void **state)
{
    (void)state;
    script("trap '' TERM; (trap '' TERM; while :; do sleep 60; done) & echo $! ; wait", 1);
    wn_ns begin = wn_clock_monotonic(wn_clock_real());
    assert_int_equal(hook_run(&hook, &config, "", nothing, &err), HOOK_TEMPORARY);
    assert_true(wn_clock_monotonic(wn_clock_real()) - begin >= wn_ns_from_s(1));
    assert_non_null(strstr(err.text, "did not end within 1 s"));
    int child = 0;
    assert_int_equal(sscanf(hook.said, "%d", &child), 1);
    bool alive = true;
    for (int i = 0; i < 500 && alive; i++) {
        alive = is_alive(child);
        (void)poll(NULL, 0, alive ? 10 : 0);
    }
    assert_false(alive);
}

/* A daemon that holds the hook's output open must not make it a time-out. */
static void test_a_child_left_behind_does_not_hold_it_up(void **state)
{
    (void)state;
    script("sleep 600 & echo $!", 60);
    wn_ns begin = wn_clock_monotonic(wn_clock_real());
    assert_int_equal(hook_run(&hook, &config, "", nothing, &err), HOOK_DONE);
    assert_true(wn_clock_monotonic(wn_clock_real()) - begin < wn_ns_from_s(30));
    int child = 0;
    assert_int_equal(sscanf(hook.said, "%d", &child), 1);
    assert_int_equal(kill(child, SIGKILL), 0);
}

static void test_huge_output_is_kept_to_4_kib(void **state)
{
    (void)state;
    script("head -c 20000000 /dev/zero | tr '\\0' x; echo end >&2", 60);
    assert_int_equal(hook_run(&hook, &config, "", nothing, &err), HOOK_DONE);
    assert_int_equal(hook.said_len, HOOK_OUTPUT_MAX);
    assert_int_equal(strspn(hook.said, "x"), HOOK_OUTPUT_MAX);
    script("yes", 1); /* without end */
    assert_int_equal(hook_run(&hook, &config, "", nothing, &err), HOOK_TEMPORARY);
}

static void test_input_need_not_be_read(void **state)
{
    (void)state;
    static char text[300000]; /* more than a pipe holds */
    memset(text, 'j', sizeof text - 1);
    script("exec <&-; exit 0", 30);
    assert_int_equal(hook_run(&hook, &config, text, nothing, &err), HOOK_DONE);
    script("exit 0", 30);
    assert_int_equal(hook_run(&hook, &config, text, nothing, &err), HOOK_DONE);
    script("wc -c", 30);
    assert_int_equal(hook_run(&hook, &config, text, nothing, &err), HOOK_DONE);
    assert_int_equal(strtol(hook.said, NULL, 10), sizeof text - 1);
}

static void test_a_missing_program(void **state)
{
    (void)state;
    script("exit 0", 10);
    (void)snprintf(config.program, sizeof config.program, "%s/none", dir);
    assert_int_equal(hook_run(&hook, &config, "", nothing, &err), HOOK_FAILED);
    assert_non_null(strstr(err.text, "is it there, and executable?"));
    assert_false(hook_check(&config, &err));
    assert_non_null(strstr(err.text, "none is not there or not executable"));
    (void)snprintf(config.program, sizeof config.program, "%s", dir);
    assert_false(hook_check(&config, &err)); /* a directory */
}

static void test_what_a_script_says_it_needs(void **state)
{
    (void)state;
    script("# wane-needs: /bin/sh\n# wane-needs: /usr/sbin/no-such-mailer\nexit 0", 10);
    assert_false(hook_check(&config, &err));
    assert_non_null(strstr(err.text, "needs /usr/sbin/no-such-mailer, which is not there"));
    script("# wane-needs: /bin/sh\nexit 0", 10);
    assert_true(hook_check(&config, &err));
    assert_int_equal(chmod(config.program, 0644), 0);
    assert_false(hook_check(&config, &err));
}

/* Nothing of ours is open in a hook, and nothing of a hook stays open here. */
static void test_descriptors_do_not_leak(void **state)
{
    (void)state;
    int ours = open("/dev/null", O_RDONLY); /* not close-on-exec, on purpose */
    int before = descriptors();
    assert_true(ours >= 3 && ours <= 9);
    /* the shell itself has its script open as 10 */
    script("for f in 3 4 5 6 7 8 9; do [ ! -e /proc/$$/fd/$f ] || echo $f is open; done", 10);
    assert_int_equal(hook_run(&hook, &config, "x", nothing, &err), HOOK_DONE);
    assert_string_equal(hook.said, "");
    for (int i = 0; i < 50; i++) {
        assert_int_not_equal(hook_run(&hook, &config, "x", nothing, &err), HOOK_RUNS);
    }
    assert_int_equal(hook_start(&hook, &config, "x", nothing, 0, &err), WN_OK);
    hook_kill(&hook);
    (void)snprintf(config.program, sizeof config.program, "%s/none", dir);
    assert_int_equal(hook_run(&hook, &config, "", nothing, &err), HOOK_FAILED);
    assert_int_equal(descriptors(), before);
    assert_int_equal(close(ours), 0);
}

/* Several at once, and one that hangs holds up none of the others. */
static void test_they_run_side_by_side(void **state)
{
    (void)state;
    static struct hook many[4];
    static struct wn_hook_config each[4];
    wn_ns now = wn_clock_monotonic(wn_clock_real());
    script("read -r x; [ \"$x\" != hang ] || sleep 600", 30);
    for (int i = 0; i < 4; i++) {
        each[i] = config;
        assert_int_equal(
            hook_start(&many[i], &each[i], i == 0 ? "hang\n" : "go\n", nothing, now, &err), WN_OK);
    }
    int done = 0;
    for (int turns = 0; turns < 3000 && done < 3; turns++) {
        for (int i = 1; i < 4; i++) {
            done += hook_runs(&many[i]) && hook_step(&many[i], &each[i], now, &err) == HOOK_DONE;
        }
        (void)hook_step(&many[0], &each[0], now, &err);
        (void)poll(NULL, 0, 10);
    }
    assert_int_equal(done, 3);
    assert_true(hook_runs(&many[0]));
    assert_int_equal(hook_step(&many[0], &each[0], now + wn_ns_from_s(29.9), &err), HOOK_RUNS);
    enum hook_end end = HOOK_RUNS;
    for (int turns = 0; turns < 3000 && end == HOOK_RUNS; turns++) {
        end = hook_step(&many[0], &each[0], now + wn_ns_from_s(30), &err);
        (void)poll(NULL, 0, end == HOOK_RUNS ? 10 : 0);
    }
    assert_int_equal(end, HOOK_TEMPORARY);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_what_it_is_given),
        cmocka_unit_test(test_it_is_in_a_group_of_its_own_with_default_signals),
        cmocka_unit_test(test_exit_codes),
        cmocka_unit_test(test_a_time_out_kills_the_whole_group),
        cmocka_unit_test(test_a_child_left_behind_does_not_hold_it_up),
        cmocka_unit_test(test_huge_output_is_kept_to_4_kib),
        cmocka_unit_test(test_input_need_not_be_read),
        cmocka_unit_test(test_a_missing_program),
        cmocka_unit_test(test_what_a_script_says_it_needs),
        cmocka_unit_test(test_descriptors_do_not_leak),
        cmocka_unit_test(test_they_run_side_by_side),
    };
    return cmocka_run_group_tests(tests, make_dir, remove_dir);
}
