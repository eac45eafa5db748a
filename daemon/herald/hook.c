/* Running a hook: no shell, the event as JSON on its standard input, a time limit.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "herald.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <string.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include "base/time.h"
#include "port/clock.h"

static _Noreturn void become_hook(const char *program, int input)
{
    static const char *const environment[] = {"PATH=/usr/local/bin:/usr/bin:/bin", "LANG=C.UTF-8",
                                              NULL};
    const char *const argv[] = {program, NULL};
    sigset_t none;
    (void)setpgid(0, 0);
    (void)sigemptyset(&none);
    (void)sigprocmask(SIG_SETMASK, &none, NULL);
    (void)signal(SIGPIPE, SIG_DFL);
    (void)dup2(input, STDIN_FILENO);
    (void)dup2(STDERR_FILENO, STDOUT_FILENO);
    (void)close_range(3, ~0U, 0);
    /* execve changes nothing; its type is old */
    (void)execve(program, (char *const *)(uintptr_t)argv, (char *const *)(uintptr_t)environment);
    _exit(127);
}

/* Writes what fits; a hook that does not read its input may still succeed. */
static void feed(int fd, const char *text)
{
    size_t len = strlen(text);
    while (len > 0) {
        ssize_t n = write(fd, text, len);
        if (n < 0 && errno == EINTR) {
            continue;
        }
        if (n <= 0) {
            break;
        }
        text += n;
        len -= (size_t)n;
    }
}

static int wait_end(pid_t pid, double limit_s, const char *program, struct wn_error *err)
{
    int pidfd = (int)syscall(SYS_pidfd_open, pid, 0);
    struct pollfd p = {pidfd, POLLIN, 0};
    wn_ns deadline = wn_clock_monotonic(wn_clock_real()) + wn_ns_from_s(limit_s);
    int ready = 0;
    while (pidfd >= 0 && ready == 0) {
        wn_ns left = deadline - wn_clock_monotonic(wn_clock_real());
        if (left <= 0) {
            break;
        }
        ready = poll(&p, 1, (int)(left / WN_NS_PER_MS) + 1);
        ready = ready < 0 && errno == EINTR ? 0 : ready;
    }
    if (ready <= 0) {
        (void)kill(-pid, SIGKILL);
    }
    int status = 0;
    while (waitpid(pid, &status, 0) < 0 && errno == EINTR) {
    }
    if (pidfd >= 0) {
        (void)close(pidfd);
    }
    if (ready <= 0) {
        return wn_error_set(err, WN_ETIMEOUT, "hook %s did not end within %.0f s and was killed",
                            program, limit_s);
    }
    if (WIFEXITED(status) && WEXITSTATUS(status) == 0) {
        return WN_OK;
    }
    return wn_error_set(
        err, WN_EIO, "hook %s ended with %s %d%s", program,
        WIFEXITED(status) ? "exit code" : "signal",
        WIFEXITED(status) ? WEXITSTATUS(status) : WTERMSIG(status),
        WIFEXITED(status) && WEXITSTATUS(status) == 127 ? ": is it there, and executable?" : "");
}

int hook_run(const char *program, const char *text, double limit_s, struct wn_error *err)
{
    int pipe_fd[2];
    if (pipe2(pipe_fd, O_CLOEXEC) != 0) {
        return wn_error_set(err, WN_EIO, "no pipe for hook %s: %s", program, strerror(errno));
    }
    (void)fcntl(pipe_fd[1], F_SETFL, O_NONBLOCK); /* an event is far smaller than a pipe */
    pid_t pid = fork();
    if (pid == 0) {
        become_hook(program, pipe_fd[0]);
    }
    (void)close(pipe_fd[0]);
    if (pid > 0) {
        feed(pipe_fd[1], text);
    }
    (void)close(pipe_fd[1]);
    return pid > 0 ? wait_end(pid, limit_s, program, err)
                   : wn_error_set(err, WN_EIO, "hook %s not started: %s", program, strerror(errno));
}
