/* Pictures: running gnuplot, without a shell.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "report/picture.h"

#include <errno.h>
#include <poll.h>
#include <spawn.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

extern char **environ;

/* A socket instead of a pipe: writing to a gnuplot that has ended is then an error, not a signal.
 * One for its standard input, one for what it says. */
struct talk {
    int in[2], said[2];
    char words[300];
    size_t len;
};

static void close_pair(int *pair)
{
    for (int i = 0; i < 2; i++) {
        if (pair[i] >= 0) {
            (void)close(pair[i]);
        }
        pair[i] = -1;
    }
}

static int spawn(struct talk *t, pid_t *pid)
{
    char *const argv[] = {(char[]){"gnuplot"}, (char[]){"--default-settings"}, (char[]){"-"}, NULL};
    posix_spawn_file_actions_t a;
    int rc = posix_spawn_file_actions_init(&a);
    if (rc != 0) {
        return rc;
    }
    rc = posix_spawn_file_actions_adddup2(&a, t->in[0], STDIN_FILENO);
    rc = rc == 0 ? posix_spawn_file_actions_adddup2(&a, t->said[1], STDOUT_FILENO) : rc;
    rc = rc == 0 ? posix_spawn_file_actions_adddup2(&a, t->said[1], STDERR_FILENO) : rc;
    rc = rc == 0 ? posix_spawnp(pid, argv[0], &a, NULL, argv, environ) : rc;
    (void)posix_spawn_file_actions_destroy(&a);
    return rc;
}

/* What gnuplot says is kept up to a length and read to the end all the same. */
static bool hear(struct talk *t)
{
    char buf[512];
    ssize_t n = read(t->said[0], buf, sizeof buf);
    if (n <= 0) {
        return n < 0 && errno == EINTR;
    }
    for (ssize_t i = 0; i < n && t->len + 1 < sizeof t->words; i++) {
        t->words[t->len++] = (unsigned char)buf[i] < 0x20 ? ' ' : buf[i];
    }
    t->words[t->len] = '\0';
    return true;
}

/* Writes the script and listens at the same time: neither side may wait for the other. */
static void pump(struct talk *t, const char *script)
{
    size_t left = strlen(script);
    bool open = true;
    while (open) {
        struct pollfd p[2] = {{t->said[0], POLLIN, 0}, {t->in[1], POLLOUT, 0}};
        if (poll(p, t->in[1] >= 0 ? 2 : 1, -1) < 0 && errno != EINTR) {
            return;
        }
        if (t->in[1] >= 0 && p[1].revents != 0) {
            ssize_t n = send(t->in[1], script, left, MSG_NOSIGNAL | MSG_DONTWAIT);
            script += n > 0 ? n : 0;
            left -= n > 0 ? (size_t)n : 0;
            if (left == 0 || (n < 0 && errno != EAGAIN && errno != EINTR)) {
                (void)close(t->in[1]);
                t->in[1] = -1;
            }
        }
        if (p[0].revents != 0) {
            open = hear(t);
        }
    }
}

static int verdict(pid_t pid, const struct talk *t, struct wn_error *err)
{
    int status = 0;
    while (waitpid(pid, &status, 0) < 0) {
        if (errno != EINTR) {
            return wn_error_set(err, WN_EIO, "gnuplot is lost: %s", strerror(errno));
        }
    }
    if (WIFEXITED(status) && WEXITSTATUS(status) == 127) {
        return wn_error_set(err, WN_ENOENT, "gnuplot cannot be run: apt install gnuplot-nox");
    }
    if (!WIFEXITED(status) || WEXITSTATUS(status) != 0) {
        return wn_error_set(err, WN_EIO, "gnuplot failed: %s",
                            t->len > 0 ? t->words : "it gave no reason");
    }
    return WN_OK;
}

int wn_gnuplot_run(const char *script, struct wn_error *err)
{
    struct talk t = {.in = {-1, -1}, .said = {-1, -1}};
    pid_t pid = 0;
    int rc = WN_OK;
    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, t.in) != 0 ||
        socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, t.said) != 0) {
        rc = wn_error_set(err, WN_EIO, "no connection to gnuplot: %s", strerror(errno));
        goto done;
    }
    int failed = spawn(&t, &pid);
    if (failed != 0) {
        rc = failed == ENOENT
                 ? wn_error_set(err, WN_ENOENT,
                                "there is no gnuplot on this computer: apt install gnuplot-nox")
                 : wn_error_set(err, WN_EIO, "gnuplot cannot be run: %s", strerror(failed));
        goto done;
    }
    (void)close(t.in[0]);
    (void)close(t.said[1]);
    t.in[0] = t.said[1] = -1;
    pump(&t, script);
    rc = verdict(pid, &t, err);
done:
    close_pair(t.in);
    close_pair(t.said);
    return rc;
}
