/* Pictures: running gnuplot, without a shell.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "report/picture.h"

#include <errno.h>
#include <poll.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

extern char **environ;

/* A socket instead of a pipe: writing to a gnuplot that has ended is then an error, not a signal.
 * One for its standard input, one for the picture, one for what it says. */
struct talk {
    int in[2], out[2], said[2];
    char words[300];
    size_t len;
    char *picture; /* NUL-terminated once it is not NULL */
    size_t size, room;
    bool lost; /* no memory for it */
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
    rc = rc == 0 ? posix_spawn_file_actions_adddup2(&a, t->out[1], STDOUT_FILENO) : rc;
    rc = rc == 0 ? posix_spawn_file_actions_adddup2(&a, t->said[1], STDERR_FILENO) : rc;
    rc = rc == 0 ? posix_spawnp(pid, argv[0], &a, NULL, argv, environ) : rc;
    (void)posix_spawn_file_actions_destroy(&a);
    return rc;
}

/* What gnuplot says is kept up to a length and read to the end all the same. */
static void hear(struct talk *t, const char *buf, size_t n)
{
    for (size_t i = 0; i < n && t->len + 1 < sizeof t->words; i++) {
        t->words[t->len++] = (unsigned char)buf[i] < 0x20 ? ' ' : buf[i];
    }
    t->words[t->len] = '\0';
}

static void keep(struct talk *t, const char *buf, size_t n)
{
    if (t->size + n + 1 > t->room && !t->lost) {
        size_t room = 2 * (t->size + n + 1);
        char *more = realloc(t->picture, room);
        t->lost = more == NULL;
        t->picture = more != NULL ? more : t->picture;
        t->room = more != NULL ? room : t->room;
    }
    if (!t->lost) {
        memcpy(t->picture + t->size, buf, n);
        t->size += n;
        t->picture[t->size] = '\0';
    }
}

/* True until the other side has closed. */
static bool take(struct talk *t, int fd, void (*where)(struct talk *, const char *, size_t))
{
    char buf[16384];
    ssize_t n = read(fd, buf, sizeof buf);
    if (n > 0) {
        where(t, buf, (size_t)n);
    }
    return n > 0 || (n < 0 && errno == EINTR);
}

/* Writes the script and listens at the same time: neither side may wait for the other. */
static void pump(struct talk *t, const char *script)
{
    size_t left = strlen(script);
    bool saying = true, drawing = true;
    while (saying || drawing) {
        struct pollfd p[3] = {{saying ? t->said[0] : -1, POLLIN, 0},
                              {drawing ? t->out[0] : -1, POLLIN, 0},
                              {t->in[1], POLLOUT, 0}}; /* poll passes over one below zero */
        if (poll(p, 3, -1) < 0 && errno != EINTR) {
            return;
        }
        if (t->in[1] >= 0 && p[2].revents != 0) {
            ssize_t n = send(t->in[1], script, left, MSG_NOSIGNAL | MSG_DONTWAIT);
            script += n > 0 ? n : 0;
            left -= n > 0 ? (size_t)n : 0;
            if (left == 0 || (n < 0 && errno != EAGAIN && errno != EINTR)) {
                (void)close(t->in[1]);
                t->in[1] = -1;
            }
        }
        saying = saying && (p[0].revents == 0 || take(t, t->said[0], hear));
        drawing = drawing && (p[1].revents == 0 || take(t, t->out[0], keep));
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

static int begin(struct talk *t, pid_t *pid, struct wn_error *err)
{
    int *const pairs[] = {t->in, t->out, t->said};
    for (int i = 0; i < 3; i++) {
        if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, pairs[i]) != 0) {
            return wn_error_set(err, WN_EIO, "no connection to gnuplot: %s", strerror(errno));
        }
    }
    int failed = spawn(t, pid);
    if (failed == ENOENT) {
        return wn_error_set(err, WN_ENOENT,
                            "there is no gnuplot on this computer: apt install gnuplot-nox");
    }
    return failed == 0 ? WN_OK
                       : wn_error_set(err, WN_EIO, "gnuplot cannot be run: %s", strerror(failed));
}

int wn_gnuplot_run(const char *script, char **out, size_t *len, struct wn_error *err)
{
    struct talk t = {.in = {-1, -1}, .out = {-1, -1}, .said = {-1, -1}};
    pid_t pid = 0;
    int rc = begin(&t, &pid, err);
    if (rc == WN_OK) {
        (void)close(t.in[0]);
        (void)close(t.out[1]);
        (void)close(t.said[1]);
        t.in[0] = t.out[1] = t.said[1] = -1;
        pump(&t, script);
        rc = verdict(pid, &t, err);
    }
    if (rc == WN_OK && t.lost) {
        rc = wn_error_set(err, WN_ENOMEM, "no memory for the picture");
    }
    if (rc == WN_OK && out != NULL && t.size == 0) {
        rc = wn_error_set(err, WN_EIO, "gnuplot drew nothing: %s",
                          t.len > 0 ? t.words : "it gave no reason");
    }
    close_pair(t.in);
    close_pair(t.out);
    close_pair(t.said);
    if (rc == WN_OK && out != NULL) {
        *out = t.picture;
        *len = t.size;
    } else {
        free(t.picture);
    }
    return rc;
}
