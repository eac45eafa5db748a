/* Running a hook.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "herald/hook.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdint.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include "port/clock.h"

enum { ENVIRONMENT_MAX = 64, NEEDS_SIZE = 2048 };

static const char path_variable[] =
    "PATH=/usr/local/bin:/usr/bin:/bin:/usr/local/sbin:/usr/sbin:/sbin";

void hook_prepare(void)
{
    int fd = open("/dev/null", O_RDWR); /* not close-on-exec: it may become one of the three */
    while (fd >= 0 && fd < 3) {
        fd = dup(fd);
    }
    if (fd >= 3) {
        (void)close(fd);
    }
    (void)signal(SIGPIPE, SIG_IGN); /* a hook need not read what it is given */
}

static _Noreturn void become_hook(const struct wn_hook_config *config, int input, int output,
                                  const char *const environment[], pid_t parent)
{
    const char *argv[WN_HOOK_ARGS_MAX + 2] = {config->program};
    const char *envp[ENVIRONMENT_MAX + 3] = {path_variable, "LANG=C.UTF-8"};
    sigset_t none;
    for (int i = 0; i < config->args; i++) {
        argv[i + 1] = config->arg[i];
    }
    for (int i = 0; environment[i] != NULL && i < ENVIRONMENT_MAX; i++) {
        envp[i + 2] = environment[i];
    }
    (void)setpgid(0, 0);
    (void)prctl(PR_SET_PDEATHSIG, SIGKILL); /* nobody would end it in time */
    if (getppid() != parent) {
        _exit(127);
    }
    for (int s = 1; s < NSIG; s++) {
        (void)signal(s, SIG_DFL);
    }
    (void)sigemptyset(&none);
    (void)sigprocmask(SIG_SETMASK, &none, NULL);
    (void)umask(077);
    if (dup2(input, STDIN_FILENO) < 0 || dup2(output, STDOUT_FILENO) < 0 ||
        dup2(output, STDERR_FILENO) < 0 || chdir("/") != 0 || close_range(3, ~0U, 0) != 0) {
        _exit(127);
    }
    /* execve changes nothing; its type is old */
    (void)execve(config->program, (char *const *)(uintptr_t)argv, (char *const *)(uintptr_t)envp);
    (void)!write(STDERR_FILENO, "it cannot be run\n", 17);
    _exit(127);
}

static void close_fd(int *fd)
{
    if (*fd >= 0) {
        (void)close(*fd);
    }
    *fd = -1;
}

int hook_start(struct hook *h, const struct wn_hook_config *config, const char *text,
               const char *const environment[], wn_ns now, struct wn_error *err)
{
    int in[2] = {-1, -1}, out[2] = {-1, -1};
    memset(h, 0, sizeof *h);
    h->pidfd = h->input = h->output = -1;
    if (pipe2(in, O_CLOEXEC) != 0 || pipe2(out, O_CLOEXEC) != 0 ||
        fcntl(in[1], F_SETFL, O_NONBLOCK) != 0 || fcntl(out[0], F_SETFL, O_NONBLOCK) != 0) {
        (void)wn_error_set(err, WN_EIO, "%s: no pipe: %s", config->program, strerror(errno));
        goto failed;
    }
    pid_t parent = getpid();
    h->pid = fork();
    if (h->pid == 0) {
        become_hook(config, in[0], out[1], environment, parent);
    }
    if (h->pid < 0) {
        (void)wn_error_set(err, WN_EIO, "%s: not started: %s", config->program, strerror(errno));
        goto failed;
    }
    (void)setpgid(h->pid, h->pid); /* also here: it may have to be killed before it has run */
    h->pidfd = (int)syscall(SYS_pidfd_open, h->pid, 0);
    h->input = in[1];
    h->output = out[0];
    h->text = text;
    h->text_len = strlen(text);
    h->deadline_ns = now + wn_ns_from_s(config->timeout_s);
    close_fd(&in[0]);
    close_fd(&out[1]);
    return WN_OK;
failed:
    for (int i = 0; i < 2; i++) {
        close_fd(&in[i]);
        close_fd(&out[i]);
    }
    h->pid = 0;
    return WN_EIO;
}

int hook_polls(const struct hook *h, struct pollfd *p)
{
    int n = 0;
    if (!hook_runs(h)) {
        return 0;
    }
    p[n++] = (struct pollfd){h->pidfd, POLLIN, 0};
    if (h->input >= 0) {
        p[n++] = (struct pollfd){h->input, POLLOUT, 0};
    }
    if (h->output >= 0) {
        p[n++] = (struct pollfd){h->output, POLLIN, 0};
    }
    return n;
}

/* A hook that does not read its input may still succeed. */
static void feed(struct hook *h)
{
    while (h->input >= 0) {
        ssize_t n = h->text_len > 0 ? write(h->input, h->text, h->text_len) : 0;
        if (n < 0 && errno == EAGAIN) {
            return;
        }
        if (n < 0 && errno == EINTR) {
            continue;
        }
        if (n <= 0) {
            close_fd(&h->input);
            return;
        }
        h->text += n;
        h->text_len -= (size_t)n;
    }
}

/* Keeps the begin; the rest is read, so that the hook is not held up, and forgotten. At most so
 * much in a turn: one that never stops writing must not hold up the herald. */
static void listen_to(struct hook *h)
{
    char rest[4096];
    for (int turns = 0; h->output >= 0 && turns < 64; turns++) {
        size_t room = HOOK_OUTPUT_MAX - h->said_len;
        ssize_t n = room > 0 ? read(h->output, h->said + h->said_len, room)
                             : read(h->output, rest, sizeof rest);
        if (n < 0 && errno == EINTR) {
            continue;
        }
        if (n < 0 && errno == EAGAIN) {
            return;
        }
        if (n <= 0) {
            close_fd(&h->output);
            return;
        }
        h->said_len += room > 0 ? (size_t)n : 0;
    }
}

static void forget(struct hook *h)
{
    close_fd(&h->pidfd);
    close_fd(&h->input);
    close_fd(&h->output);
    h->said[h->said_len] = '\0';
    h->pid = 0;
}

static enum hook_end judge(const struct hook *h, const struct wn_hook_config *config, int status,
                           struct wn_error *err)
{
    if (h->killed) {
        (void)wn_error_set(err, WN_ETIMEOUT, "%s did not end within %.0f s and was killed",
                           config->program, config->timeout_s);
        return HOOK_TEMPORARY;
    }
    if (WIFSIGNALED(status)) {
        (void)wn_error_set(err, WN_EIO, "%s ended by signal %d", config->program, WTERMSIG(status));
        return HOOK_FAILED;
    }
    int code = WEXITSTATUS(status);
    if (code == 0) {
        return HOOK_DONE;
    }
    (void)wn_error_set(err, WN_EIO, "%s ended with exit code %d%s", config->program, code,
                       code == HOOK_EXIT_TEMPORARY ? ": not now, to be tried again"
                       : code == 127               ? ": is it there, and executable?"
                                                   : "");
    return code == HOOK_EXIT_TEMPORARY ? HOOK_TEMPORARY : HOOK_FAILED;
}

enum hook_end hook_step(struct hook *h, const struct wn_hook_config *config, wn_ns now,
                        struct wn_error *err)
{
    int status = 0;
    feed(h);
    listen_to(h);
    if (now >= h->deadline_ns && !h->killed) {
        h->killed = true;
        (void)kill(-h->pid, SIGKILL);
    }
    pid_t ended = waitpid(h->pid, &status, WNOHANG);
    if (ended == 0 || (ended < 0 && errno == EINTR)) {
        return HOOK_RUNS;
    }
    listen_to(h); /* what it said last; what its children have yet to say is not waited for */
    forget(h);
    return judge(h, config, status, err);
}

void hook_kill(struct hook *h)
{
    if (!hook_runs(h)) {
        return;
    }
    (void)kill(-h->pid, SIGKILL);
    while (waitpid(h->pid, NULL, 0) < 0 && errno == EINTR) {
    }
    forget(h);
}

enum hook_end hook_run(struct hook *h, const struct wn_hook_config *config, const char *text,
                       const char *const environment[], struct wn_error *err)
{
    wn_ns now = wn_clock_monotonic(wn_clock_real());
    if (hook_start(h, config, text, environment, now, err) != WN_OK) {
        return HOOK_FAILED;
    }
    for (;;) {
        struct pollfd p[HOOK_POLLS];
        enum hook_end end = hook_step(h, config, now, err);
        if (end != HOOK_RUNS) {
            return end;
        }
        wn_ns left_ms = (h->deadline_ns - now) / WN_NS_PER_MS + 1;
        bool look_often = h->pidfd < 0 || h->killed; /* a kernel without pidfd */
        (void)poll(p, (nfds_t)hook_polls(h, p), look_often ? 20 : left_ms > 0 ? (int)left_ms : 0);
        now = wn_clock_monotonic(wn_clock_real());
    }
}

/* The next "# wane-needs: PATH" of a script's top; NULL when there is no further one. */
static char *next_need(char **rest)
{
    static const char mark[] = "# wane-needs: ";
    char *at = strstr(*rest, mark);
    if (at == NULL) {
        return NULL;
    }
    at += sizeof mark - 1;
    size_t len = strcspn(at, "\n");
    *rest = at + len + (at[len] == '\n' ? 1 : 0);
    at[len] = '\0';
    return at;
}

bool hook_check(const struct wn_hook_config *config, struct wn_error *err)
{
    char top[NEEDS_SIZE] = "", *rest = top;
    struct stat st;
    if (stat(config->program, &st) != 0 || !S_ISREG(st.st_mode) ||
        access(config->program, X_OK) != 0) {
        (void)wn_error_set(err, WN_ENOENT,
                           "%s is not there or not executable: mend alerts in the daemon file",
                           config->program);
        return false;
    }
    int fd = open(config->program, O_RDONLY | O_CLOEXEC | O_NOCTTY);
    ssize_t n = fd >= 0 ? read(fd, top, sizeof top - 1) : 0;
    close_fd(&fd);
    top[n > 0 ? n : 0] = '\0';
    if (strncmp(top, "#!", 2) != 0) {
        return true;
    }
    for (char *need; (need = next_need(&rest)) != NULL;) {
        if (access(need, X_OK) != 0) {
            (void)wn_error_set(err, WN_ENOENT, "%s needs %s, which is not there: install it",
                               config->program, need);
            return false;
        }
    }
    return true;
}
