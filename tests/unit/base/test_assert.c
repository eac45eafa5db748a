/* A broken contract says where and ends the program.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include "support/near.h"
#include "base/assert.h"

static int line_of_assert;

/* Runs wn_assert(value == 3) in a child; what it wrote to standard error goes into text. */
static int run_child(int value, char *text, size_t size)
{
    int fds[2];
    int status = -1;
    size_t used = 0;
    ssize_t n;
    pid_t pid;

    assert_int_equal(pipe(fds), 0);
    line_of_assert = __LINE__ + 9;
    pid = fork();
    assert_true(pid >= 0);
    if (pid == 0) {
        struct rlimit none = {0, 0};
        (void)setrlimit(RLIMIT_CORE, &none);
        if (dup2(fds[1], STDERR_FILENO) < 0 || signal(SIGABRT, SIG_DFL) == SIG_ERR) {
            _exit(99);
        }
        wn_assert(value == 3);
        _exit(42);
    }
    (void)close(fds[1]);
    while (used + 1 < size && (n = read(fds[0], &text[used], size - 1 - used)) > 0) {
        used += (size_t)n;
    }
    text[used] = '\0';
    (void)close(fds[0]);
    assert_int_equal(waitpid(pid, &status, 0), pid);
    return status;
}

static void test_broken_contract_aborts(void **state)
{
    char text[500];
    int status = run_child(4, text, sizeof text);
    char want[100];

    (void)state;
    assert_true(WIFSIGNALED(status));
    assert_int_equal(WTERMSIG(status), SIGABRT);
    (void)snprintf(want, sizeof want,
                   "test_assert.c:%d: internal error: broken contract: value == 3\n",
                   line_of_assert);
    assert_non_null(strstr(text, want));
}

static void test_kept_contract_is_silent(void **state)
{
    char text[500];
    int status = run_child(3, text, sizeof text);

    (void)state;
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 42);
    assert_string_equal(text, "");
}

/* An assert inside an expression must evaluate its argument once. */
static void test_evaluates_once(void **state)
{
    int count = 0;

    (void)state;
    wn_assert(++count > 0);
    assert_int_equal(count, 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_broken_contract_aborts),
        cmocka_unit_test(test_kept_contract_is_silent),
        cmocka_unit_test(test_evaluates_once),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
