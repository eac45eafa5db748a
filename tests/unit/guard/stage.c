/* The real guard with fake stations.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "stage.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

#include "fake_station.h"
#include "port/clock.h"

int64_t stage_now_ns(void)
{
    return wn_clock_monotonic(wn_clock_real());
}

static bool copy_program(const char *from, const char *to)
{
    char buf[65536];
    ssize_t n = -1;
    int in = open(from, O_RDONLY | O_CLOEXEC);
    int out = open(to, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0755);
    while (in >= 0 && out >= 0 && (n = read(in, buf, sizeof buf)) > 0) {
        if (write(out, buf, (size_t)n) != n) {
            n = -1;
            break;
        }
    }
    if (n != 0) {
        (void)fprintf(stderr, "%s cannot be copied to %s: %s\n", from, to, strerror(errno));
    }
    (void)close(in);
    (void)close(out);
    return n == 0;
}

bool stage_open(struct stage *s)
{
    const char *bin = getenv("WANE_BIN_DIR"), *tmp = getenv("TMPDIR");
    char from[500], to[300], share[300];
    memset(s, 0, sizeof *s);
    (void)snprintf(s->dir, sizeof s->dir, "%s/wane-guard.XXXXXX", tmp != NULL ? tmp : "/tmp");
    if (bin == NULL || mkdtemp(s->dir) == NULL) {
        (void)fprintf(stderr, "WANE_BIN_DIR is not set, or no directory can be made\n");
        return false;
    }
    (void)snprintf(from, sizeof from, "%s/guard_fake_station", bin);
    (void)snprintf(to, sizeof to, "%s/wane-station", s->dir);
    (void)snprintf(share, sizeof share, "%s/wane-share", s->dir);
    return copy_program(from, to) && copy_program(from, share);
}

struct stage_station *stage_add(struct stage *s, const char *first, const char *then, long beat_ms)
{
    struct stage_station *a = &s->station[s->stations];
    struct termios tio;
    (void)snprintf(a->name, sizeof a->name, "S%d", s->stations);
    (void)snprintf(a->first, sizeof a->first, "%s", first);
    (void)snprintf(a->then, sizeof a->then, "%s", then);
    a->beat_ms = beat_ms;
    a->master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (a->master < 0 || grantpt(a->master) != 0 || unlockpt(a->master) != 0 ||
        ptsname_r(a->master, a->path, sizeof a->path) != 0) {
        perror("no pseudo-terminal");
        exit(1);
    }
    a->slave = open(a->path, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (a->slave < 0 || tcgetattr(a->slave, &tio) != 0) {
        perror(a->path);
        exit(1);
    }
    cfmakeraw(&tio);
    (void)tcsetattr(a->slave, TCSANOW, &tio);
    s->stations++;
    return a;
}

static bool write_file(const struct stage *s, const char *name, const char *text, size_t len)
{
    char path[300];
    (void)snprintf(path, sizeof path, "%s/%s", s->dir, name);
    FILE *f = fopen(path, "we");
    return f != NULL && fwrite(text, 1, len, f) == len && fclose(f) == 0;
}

bool stage_start_with(struct stage *s, const char *const *children, int n)
{
    char config[300], log[300], program[500];
    const char *argv[STAGE_CHILDREN_MAX + 6] = {program, s->dir, config, "-1"};
    (void)snprintf(config, sizeof config, "%s/table", s->dir);
    (void)snprintf(log, sizeof log, "%s/guard.log", s->dir);
    (void)snprintf(program, sizeof program, "%s/wane-guard", getenv("WANE_BIN_DIR"));
    for (int i = 0; i < n && i < STAGE_CHILDREN_MAX; i++) {
        argv[4 + i] = children[i];
    }
    s->guard = fork();
    if (s->guard == 0) {
        int fd = open(log, O_WRONLY | O_CREAT | O_APPEND, 0600);
        (void)dup2(fd, STDERR_FILENO);
        (void)close_range(STDERR_FILENO + 1, ~0U, 0);
        (void)execv(program, (char *const *)(uintptr_t)argv);
        _exit(127);
    }
    return s->guard > 0;
}

bool stage_start(struct stage *s)
{
    char table[STAGE_STATIONS * 300] = "", child[STAGE_STATIONS][80];
    const char *children[STAGE_STATIONS];
    size_t len = 0;
    for (int i = 0; i < s->stations; i++) {
        const struct stage_station *a = &s->station[i];
        len += (size_t)snprintf(table + len, sizeof table - len, "%s %ld %s %s %s %d\n", a->name,
                                a->beat_ms, a->path, a->first, a->then, a->channels);
        (void)snprintf(child[i], sizeof child[i], "%s:%ld:%ld%s", a->name, a->beat_ms, a->stop_ms,
                       a->channels > 0 ? ":share" : "");
        children[i] = child[i];
    }
    return write_file(s, "table", table, len) && stage_start_with(s, children, s->stations);
}

/* An instrument with several outputs. */
static bool take_channel(struct stage_station *a)
{
    int k = 0;
    bool query = sscanf(a->line, "OFF? %d", &k) == 1;
    if (a->channels == 0 || (!query && sscanf(a->line, "OFF %d", &k) != 1) || k < 1 ||
        k > a->channels) {
        return false;
    }
    if (!query) {
        a->off_ns = a->offs++ == 0 ? stage_now_ns() : a->off_ns;
        a->channel_offs[k]++;
    } else if (a->late == k) {
        a->owed = true;
    } else if (!a->deaf[k]) {
        (void)dprintf(a->master, "%s%s\n", a->owed ? FAKE_EXPECT "\n" : "",
                      a->stays_on[k] ? "1" : FAKE_EXPECT);
        a->owed = false;
    }
    return true;
}

static void take_line(struct stage_station *a)
{
    a->line[a->len] = '\0';
    if (take_channel(a)) {
        a->len = 0;
        return;
    }
    size_t off_len = strlen(FAKE_OFF) - 1, query_len = strlen(FAKE_QUERY) - 1;
    if (a->len == off_len && memcmp(a->line, FAKE_OFF, off_len) == 0) {
        if (a->offs++ == 0) {
            a->off_ns = stage_now_ns();
        }
    } else if (a->len == query_len && memcmp(a->line, FAKE_QUERY, query_len) == 0 && !a->mute) {
        const char *text = a->asked++ == 0 ? a->first_answer : a->answer;
        (void)dprintf(a->master, "%s\n", text != NULL ? text : FAKE_EXPECT);
    }
    a->len = 0;
}

static void pump(struct stage *s, int wait_ms)
{
    struct pollfd p[STAGE_STATIONS];
    for (int i = 0; i < s->stations; i++) {
        p[i] = (struct pollfd){s->station[i].master, POLLIN, 0};
    }
    if (poll(p, (nfds_t)s->stations, wait_ms) <= 0) {
        return;
    }
    for (int i = 0; i < s->stations; i++) {
        struct stage_station *a = &s->station[i];
        char buf[256];
        ssize_t n = (p[i].revents & POLLIN) != 0 ? read(a->master, buf, sizeof buf) : 0;
        for (ssize_t k = 0; k < n; k++) {
            if (buf[k] == '\n' || a->len + 1 == sizeof a->line) {
                take_line(a);
            } else {
                a->line[a->len++] = buf[k];
            }
        }
    }
}

bool stage_until(struct stage *s, double seconds, bool (*done)(struct stage *, void *), void *ctx)
{
    int64_t end = stage_now_ns() + (int64_t)(seconds * 1e9);
    while (done == NULL || !done(s, ctx)) {
        if (stage_now_ns() >= end) {
            return false;
        }
        pump(s, done != NULL ? 5 : 50);
    }
    return true;
}

void stage_forget(struct stage *s)
{
    for (int i = 0; i < s->stations; i++) {
        s->station[i].offs = 0;
        s->station[i].off_ns = 0;
    }
}

int stage_told(const struct stage *s, const char *name, const char *word, pid_t *pid,
               int64_t *time_ns)
{
    char path[300], line[300], who[64], what[64];
    int n = 0;
    long p;
    long long t;
    (void)snprintf(path, sizeof path, "%s/log", s->dir);
    FILE *f = fopen(path, "re");
    while (f != NULL && fgets(line, sizeof line, f) != NULL) {
        if (sscanf(line, "%lld %63s %ld %63s", &t, who, &p, what) == 4 &&
            (word == NULL || strcmp(what, word) == 0) && (name == NULL || strcmp(who, name) == 0)) {
            n++;
            if (pid != NULL) {
                *pid = (pid_t)p;
            }
            if (time_ns != NULL) {
                *time_ns = t;
            }
        }
    }
    if (f != NULL) {
        (void)fclose(f);
    }
    return n;
}

int stage_descriptors(const struct stage *s)
{
    char path[60];
    int n = 0;
    (void)snprintf(path, sizeof path, "/proc/%ld/fd", (long)s->guard);
    DIR *d = opendir(path);
    while (d != NULL && readdir(d) != NULL) {
        n++;
    }
    if (d != NULL) {
        (void)closedir(d);
    }
    return n - 2; /* . and .. */
}

double stage_cpu_s(const struct stage *s)
{
    char path[60], text[1000] = "";
    unsigned long user = 0, kernel = 0;
    (void)snprintf(path, sizeof path, "/proc/%ld/stat", (long)s->guard);
    FILE *f = fopen(path, "re");
    size_t n = f != NULL ? fread(text, 1, sizeof text - 1, f) : 0;
    text[n] = '\0';
    if (f != NULL) {
        (void)fclose(f);
    }
    const char *after = strrchr(text, ')');
    if (after != NULL) {
        (void)sscanf(after, ") %*c %*d %*d %*d %*d %*d %*u %*u %*u %*u %*u %lu %lu", &user,
                     &kernel);
    }
    return (double)(user + kernel) / (double)sysconf(_SC_CLK_TCK);
}

static bool each_log_line(const struct stage *s, const char *text)
{
    char path[300], line[600];
    bool found = false;
    (void)snprintf(path, sizeof path, "%s/guard.log", s->dir);
    FILE *f = fopen(path, "re");
    while (f != NULL && fgets(line, sizeof line, f) != NULL) {
        if (text == NULL) {
            (void)fputs(line, stderr);
        }
        found = found || (text != NULL && strstr(line, text) != NULL);
    }
    if (f != NULL) {
        (void)fclose(f);
    }
    return found;
}

bool stage_logged(const struct stage *s, const char *text)
{
    return each_log_line(s, text);
}

void stage_show_log(const struct stage *s)
{
    (void)each_log_line(s, NULL);
}

bool stage_guard_ended(struct stage *s)
{
    if (s->guard > 0 && waitpid(s->guard, &s->status, WNOHANG) == s->guard) {
        s->guard = 0;
    }
    return s->guard == 0;
}

static bool ended(struct stage *s, void *ctx)
{
    (void)ctx;
    return stage_guard_ended(s);
}

static void end_strays(const struct stage *s)
{
    char path[300], line[300];
    long p;
    (void)snprintf(path, sizeof path, "%s/log", s->dir);
    FILE *f = fopen(path, "re");
    while (f != NULL && fgets(line, sizeof line, f) != NULL) {
        char exe[60], target[300] = "", own[300], share[300];
        if (sscanf(line, "%*d %*s %ld", &p) != 1) {
            continue;
        }
        (void)snprintf(exe, sizeof exe, "/proc/%ld/exe", p);
        (void)snprintf(own, sizeof own, "%s/wane-station", s->dir);
        (void)snprintf(share, sizeof share, "%s/wane-share", s->dir);
        if (readlink(exe, target, sizeof target - 1) > 0 &&
            (strcmp(target, own) == 0 || strcmp(target, share) == 0)) {
            (void)kill((pid_t)p, SIGKILL); /* one of ours, and of this directory */
        }
    }
    if (f != NULL) {
        (void)fclose(f);
    }
}

void stage_close(struct stage *s)
{
    if (s->guard > 0) {
        (void)kill(s->guard, SIGTERM);
        if (!stage_until(s, 12, ended, NULL)) {
            (void)kill(s->guard, SIGKILL);
            (void)waitpid(s->guard, &s->status, 0);
            s->guard = 0;
        }
    }
    end_strays(s);
    for (int i = 0; i < s->stations; i++) {
        (void)close(s->station[i].master);
        (void)close(s->station[i].slave);
    }
    DIR *d = opendir(s->dir);
    for (struct dirent *e = d != NULL ? readdir(d) : NULL; e != NULL; e = readdir(d)) {
        if (e->d_name[0] != '.') {
            (void)unlinkat(dirfd(d), e->d_name, 0);
        }
    }
    if (d != NULL) {
        (void)closedir(d);
    }
    (void)rmdir(s->dir);
}
