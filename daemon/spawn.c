/* The guard's processes: which there are, starting them, and telling systemd.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "guard.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#define PLAN_SIZE 4096

/* In the child: default signals, only the standard descriptors and perhaps the guard's socket.
 * Never returns. */
static _Noreturn void become(const char *dir, const char *const argv[], int out, int socket)
{
    char path[512];
    sigset_t none;
    (void)sigemptyset(&none);
    (void)sigprocmask(SIG_SETMASK, &none, NULL);
    (void)signal(SIGPIPE, SIG_DFL);
    if (out >= 0) {
        (void)dup2(out, STDOUT_FILENO);
    }
    if (socket >= 0 && dup2(socket, GUARD_FD) <
                           0) { /* the copy is not close-on-exec; never equal: see guard_spawn */
        _exit(127);
    }
    (void)close_range(socket >= 0 ? GUARD_FD + 1 : GUARD_FD, ~0U, 0);
    int n = snprintf(path, sizeof path, "%s/%s", dir, argv[0]);
    if (n > 0 && (size_t)n < sizeof path) {
        (void)execv(path,
                    (char *const *)(uintptr_t)argv); /* execv changes nothing; its type is old */
    }
    guard_log(3, "%s: %s; is the installation complete?", path, strerror(errno));
    _exit(127);
}

static ssize_t read_plan(const char *dir, const char *config, char *buf, size_t size)
{
    int pipe_fd[2];
    if (pipe2(pipe_fd, O_CLOEXEC) != 0) {
        return -1;
    }
    pid_t pid = fork();
    if (pid == 0) {
        const char *argv[] = {"wane-station", "--config", config, "--plan", NULL};
        become(dir, argv, pipe_fd[1], -1);
    }
    (void)close(pipe_fd[1]);
    size_t have = 0;
    ssize_t n = 0;
    while (pid > 0 && have < size &&
           ((n = read(pipe_fd[0], buf + have, size - have)) > 0 || (n < 0 && errno == EINTR))) {
        have += n > 0 ? (size_t)n : 0;
    }
    (void)close(pipe_fd[0]);
    int status = -1;
    while (pid > 0 && waitpid(pid, &status, 0) < 0 && errno == EINTR) {
    }
    return pid > 0 && WIFEXITED(status) && WEXITSTATUS(status) == 0 && have < size ? (ssize_t)have
                                                                                   : -1;
}

/* One line a child: "station NAME BEAT_MS STOP_MS" or "herald". The text comes from our own program
 * and is checked all the same. */
static bool parse_line(const char *line, struct child *c)
{
    memset(c, 0, sizeof *c);
    c->socket = -1;
    for (int i = 0; i < GUARD_SLOTS; i++) {
        c->dup[i].fd = -1;
    }
    if (strcmp(line, "herald") == 0) {
        return true;
    }
    long beat_ms = 0, stop_ms = 0;
    if (sscanf(line, "station %63[A-Za-z0-9_-] %7ld %7ld", c->name, &beat_ms, &stop_ms) != 3 ||
        beat_ms < 100 || stop_ms < 0) {
        return false;
    }
    c->stop_limit_ns = (int64_t)stop_ms * 1000000;
    c->is_station = true;
    c->beat_limit_ns = (int64_t)beat_ms * 1000000;
    return true;
}

int guard_plan(const char *dir, const char *config, struct child *children, int max)
{
    char text[PLAN_SIZE];
    ssize_t len = read_plan(dir, config, text, sizeof text - 1);
    if (len < 0) {
        guard_log(3, "configuration %s is refused, nothing was started: mend what is said above",
                  config);
        return -1;
    }
    text[len] = '\0';
    int n = 0;
    char *rest = text;
    for (char *line = strsep(&rest, "\n"); line != NULL; line = strsep(&rest, "\n")) {
        if (line[0] == '\0') {
            continue;
        }
        if (n == max || !parse_line(line, &children[n])) {
            guard_log(3, "plan of the stations cannot be read at '%s'", line);
            return -1;
        }
        n++;
    }
    return n;
}

int guard_spawn(const char *dir, const char *config, struct child *c)
{
    int pair[2] = {-1, -1};
    if (c->is_station && socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, pair) != 0) {
        guard_log(3, "station %s: no socket: %s", c->name, strerror(errno));
        return -1;
    }
    if (pair[1] == GUARD_FD) { /* dup2 onto itself would keep close-on-exec */
        int moved = fcntl(pair[1], F_DUPFD_CLOEXEC, GUARD_FD + 1);
        (void)close(pair[1]);
        pair[1] = moved;
    }
    pid_t pid = fork();
    if (pid == 0) {
        const char *station[] = {"wane-station", "--config", config, "--station", c->name, NULL};
        const char *herald[] = {"wane-herald", "--config", config, NULL};
        become(dir, c->is_station ? station : herald, -1, pair[1]);
    }
    if (pair[1] >= 0) {
        (void)close(pair[1]);
    }
    if (pid < 0) {
        guard_log(3, "cannot start a process: %s", strerror(errno));
        if (pair[0] >= 0) {
            (void)close(pair[0]);
        }
        return -1;
    }
    c->pid = pid;
    c->socket = pair[0];
    return 0;
}

/* sd_notify(3) without its library: one datagram to the socket systemd names. */
void guard_notify(const char *state)
{
    const char *path = getenv("NOTIFY_SOCKET");
    struct sockaddr_un to = {.sun_family = AF_UNIX};
    if (path == NULL || (path[0] != '/' && path[0] != '@') || strlen(path) >= sizeof to.sun_path) {
        return;
    }
    memcpy(to.sun_path, path, strlen(path));
    if (path[0] == '@') {
        to.sun_path[0] = '\0';
    }
    int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    if (fd >= 0) {
        socklen_t len = (socklen_t)(offsetof(struct sockaddr_un, sun_path) + strlen(path));
        (void)sendto(fd, state, strlen(state), MSG_NOSIGNAL | MSG_DONTWAIT,
                     (const struct sockaddr *)&to, len);
        (void)close(fd);
    }
}
