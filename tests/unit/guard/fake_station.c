/* A station, or a share, that misbehaves: put in the place of wane-station and of wane-share.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The configuration is a table of the test, one line a station:
 *   NAME BEAT_MS PORT FIRST THEN CHANNELS
 * FIRST is what it does after it has registered when it is started for the first time, THEN at
 * every later start. CHANNELS: of a share, each in a slot of its own; 0: a station. A file "plan"
 * beside the configuration is printed instead of the plan that follows from the table. What happens
 * is told in the file "log" beside it: time in ns, name, pid, word. */
#define _GNU_SOURCE
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "fake_station.h"
#include "guard/protocol.h"
#include "port/clock.h"

static char dir[400];
static const char *name = "-";
static int port = -1;
static long beat_ms = 1000;
static struct guard_message registration;

static void say(const char *word)
{
    char path[500], line[200];
    (void)snprintf(path, sizeof path, "%s/log", dir);
    int n = snprintf(line, sizeof line, "%lld %s %ld %s\n",
                     (long long)wn_clock_monotonic(wn_clock_real()), name, (long)getpid(), word);
    int fd = open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    if (fd >= 0) {
        (void)!write(fd, line, (size_t)n);
        (void)close(fd);
    }
}

static bool send_with(const void *m, size_t len, const int *fds, int n, int flags)
{
    union {
        struct cmsghdr align;
        char space[CMSG_SPACE(8 * sizeof(int))];
    } control;
    struct iovec iov = {(void *)(uintptr_t)m, len};
    struct msghdr h = {.msg_iov = &iov, .msg_iovlen = 1};
    if (n > 0) {
        memset(&control, 0, sizeof control);
        h.msg_control = &control;
        h.msg_controllen = CMSG_SPACE((size_t)n * sizeof(int));
        struct cmsghdr *c = CMSG_FIRSTHDR(&h);
        c->cmsg_level = SOL_SOCKET;
        c->cmsg_type = SCM_RIGHTS;
        c->cmsg_len = CMSG_LEN((size_t)n * sizeof(int));
        memcpy(CMSG_DATA(c), fds, (size_t)n * sizeof(int));
    }
    return sendmsg(GUARD_FD, &h, MSG_NOSIGNAL | flags) == (ssize_t)len;
}

static bool send_message(const struct guard_message *m, int fd)
{
    return send_with(m, sizeof *m, &fd, fd >= 0 ? 1 : 0, 0);
}

static bool acknowledged(void)
{
    struct guard_message m = {.type = GUARD_BEAT}; /* answers to beats may lie in front */
    struct pollfd p = {GUARD_FD, POLLIN, 0};
    while (m.type == GUARD_BEAT && poll(&p, 1, 5000) == 1) {
        if (recv(GUARD_FD, &m, sizeof m, 0) != (ssize_t)sizeof m) {
            return false;
        }
    }
    return m.magic == GUARD_MAGIC && m.type == GUARD_ACK;
}

static uint32_t text_of(char *to, size_t size, const char *what, int channel)
{
    int n = channel > 0 ? snprintf(to, size, "%.*s %d\n", (int)strlen(what) - 1, what, channel)
                        : snprintf(to, size, "%s", what);
    return (uint32_t)n;
}

static bool enlist_one(const char *path, int channel)
{
    struct guard_message *m = &registration;
    *m = (struct guard_message){.magic = GUARD_MAGIC, .type = GUARD_REGISTER};
    m->slot = channel > 0 ? (uint32_t)channel - 1 : 0;
    m->off_len = text_of(m->off, sizeof m->off, FAKE_OFF, channel);
    m->query_len = text_of(m->query, sizeof m->query, FAKE_QUERY, channel);
    m->expect_len = (uint32_t)strlen(FAKE_EXPECT);
    memcpy(m->expect, FAKE_EXPECT, m->expect_len);
    (void)snprintf(m->port, sizeof m->port, channel > 0 ? "%.100s channel %d" : "%.100s", path,
                   channel);
    return send_message(m, port) && acknowledged();
}

static bool enlist(const char *path, int channels)
{
    port = open(path, O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
    bool good = port >= 0 && (channels > 0 || enlist_one(path, 0));
    for (int k = 1; k <= channels && good; k++) {
        good = enlist_one(path, k);
    }
    return good;
}

/* Beats until the guard's end of the socket is gone. */
_Noreturn static void behave(void)
{
    const struct guard_message m = {.magic = GUARD_MAGIC, .type = GUARD_BEAT};
    struct pollfd p = {GUARD_FD, POLLIN, 0};
    char some[sizeof m];
    bool there = true;
    while (there && send_message(&m, -1)) {
        wn_ns due = wn_clock_monotonic(wn_clock_real()) + beat_ms / 8 * WN_NS_PER_MS, left;
        while (there && (left = due - wn_clock_monotonic(wn_clock_real())) > 0) {
            there = poll(&p, 1, (int)(left / WN_NS_PER_MS) + 1) < 1 ||
                    recv(GUARD_FD, some, sizeof some, 0) > 0;
        }
    }
    say("alone");
    _exit(0);
}

_Noreturn static void hang(void)
{
    for (;;) {
        (void)pause();
    }
}

static void send_odd_size(const char *how)
{
    static char large[65536];
    size_t size = strcmp(how, "short") == 0   ? 3
                  : strcmp(how, "empty") == 0 ? 0
                  : strcmp(how, "cut") == 0   ? sizeof registration - 1
                  : strcmp(how, "long") == 0  ? sizeof registration + 1
                                              : sizeof large;
    memcpy(large, &registration, sizeof registration);
    (void)send_with(large, size, &port, strcmp(how, "long") == 0 || strcmp(how, "cut") == 0, 0);
}

/* A message with one thing wrong in it; false: no such thing. */
static bool send_wrong(const char *how)
{
    struct guard_message m = registration;
    int fds[4] = {port, port, port, port}, n = 1;
    if (strcmp(how, "magic") == 0) {
        m.magic = 1;
    } else if (strcmp(how, "type") == 0) {
        m.type = 99;
    } else if (strcmp(how, "ack") == 0) {
        m.type = GUARD_ACK;
    } else if (strcmp(how, "no-descriptor") == 0) {
        n = 0;
    } else if (strcmp(how, "two-descriptors") == 0) {
        n = 2;
    } else if (strcmp(how, "four-descriptors") == 0) {
        n = 4;
    } else if (strcmp(how, "slot") == 0) {
        m.slot = GUARD_SLOTS;
    } else if (strcmp(how, "slot-max") == 0) {
        m.slot = UINT32_MAX;
    } else if (strcmp(how, "off-len") == 0) {
        m.off_len = GUARD_OFF_SIZE + 1;
    } else if (strcmp(how, "off-len-0") == 0) {
        m.off_len = 0;
    } else if (strcmp(how, "query-len") == 0) {
        m.query_len = UINT32_MAX;
    } else if (strcmp(how, "expect-len") == 0) {
        m.expect_len = GUARD_EXPECT_SIZE + 1;
    } else if (strcmp(how, "drop-len") == 0) {
        m.drop_len = GUARD_DROP_SIZE + 1;
    } else if (strcmp(how, "gap") == 0) {
        m.gap_ms = GUARD_GAP_MAX_MS + 1;
    } else if (strcmp(how, "interlock") == 0) {
        m.interlock = 9;
    } else if (strcmp(how, "port-name") == 0) {
        memset(m.port, 'x', sizeof m.port);
    } else if (strcmp(how, "grace") == 0) {
        m = (struct guard_message){
            .magic = GUARD_MAGIC, .type = GUARD_BEAT, .grace_ms = UINT32_MAX};
        n = 0;
    } else if (strcmp(how, "beat-descriptor") == 0) {
        m.type = GUARD_BEAT;
    } else if (strcmp(how, "release-descriptor") == 0) {
        m.type = GUARD_RELEASE;
    } else if (strcmp(how, "release-slot") == 0) {
        m = (struct guard_message){
            .magic = GUARD_MAGIC, .type = GUARD_RELEASE, .slot = GUARD_SLOTS};
        n = 0;
    } else if (strcmp(how, "noise") == 0) {
        memset(&m, 0xa5, sizeof m);
    } else {
        return false;
    }
    (void)send_with(&m, sizeof m, fds, n, 0);
    return true;
}

static void register_often(bool read_answers)
{
    for (int i = 0; i < 10000; i++) {
        registration.slot = (uint32_t)(i % GUARD_SLOTS);
        if (!send_message(&registration, port) || (read_answers && !acknowledged())) {
            say("refused");
            break;
        }
    }
}

static void flood(double seconds)
{
    const struct guard_message m = {.magic = GUARD_MAGIC, .type = GUARD_BEAT};
    wn_ns end_ns = wn_clock_monotonic(wn_clock_real()) + wn_ns_from_s(seconds);
    while (wn_clock_monotonic(wn_clock_real()) < end_ns) {
        for (int i = 0; i < 100; i++) {
            (void)send_with(&m, sizeof m, NULL, 0, MSG_DONTWAIT);
        }
    }
    say("flooded");
}

/* The grandchild keeps the socket and goes on beating. */
static void leave_grandchild(void)
{
    if (fork() == 0) {
        behave();
    }
    _exit(1);
}

static void release_nothing(void)
{
    struct guard_message m = {.magic = GUARD_MAGIC, .type = GUARD_RELEASE};
    for (int i = 0; i < 1000; i++) {
        m.slot = 1 + (uint32_t)i % (GUARD_SLOTS - 1);
        (void)send_message(&m, -1);
    }
    say("released");
}

static void misbehave(const char *how)
{
    static const char *const odd[] = {"short", "empty", "cut", "long", "huge"};
    say(how);
    for (size_t i = 0; i < sizeof odd / sizeof odd[0]; i++) {
        if (strcmp(how, odd[i]) == 0) {
            send_odd_size(how);
            hang();
        }
    }
    if (send_wrong(how) || strcmp(how, "late") == 0) {
        hang();
    } else if (strcmp(how, "eof") == 0) {
        (void)close(GUARD_FD);
        hang();
    } else if (strcmp(how, "exit") == 0 || strcmp(how, "dies") == 0) {
        _exit(1);
    } else if (strcmp(how, "exit-0") == 0) {
        _exit(0);
    } else if (strcmp(how, "permanent") == 0) {
        _exit(GUARD_EXIT_PERMANENT);
    } else if (strcmp(how, "killed") == 0) {
        (void)raise(SIGKILL);
    } else if (strcmp(how, "stopped") == 0) {
        (void)raise(SIGSTOP);
    } else if (strcmp(how, "registers") == 0 || strcmp(how, "registers-deaf") == 0) {
        register_often(strcmp(how, "registers") == 0);
        _exit(1);
    } else if (strcmp(how, "floods") == 0) {
        flood(2);
    } else if (strcmp(how, "grandchild") == 0) {
        leave_grandchild();
    } else if (strcmp(how, "releases-nothing") == 0) {
        release_nothing();
    } else if (strcmp(how, "stubborn") == 0) {
        (void)signal(SIGTERM, SIG_IGN);
    } else if (strcmp(how, "good") != 0) {
        say("unknown-behaviour");
        _exit(1);
    }
}

/* How often it was started, this time included. */
static int starts(void)
{
    char path[500];
    (void)snprintf(path, sizeof path, "%s/%s.starts", dir, name);
    int fd = open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    (void)!write(fd, ".", 1);
    int n = (int)lseek(fd, 0, SEEK_CUR);
    (void)close(fd);
    return n;
}

int main(int argc, char **argv)
{
    char line[600], who[64], path[100], first[40], then[40];
    const char *config = argc > 2 ? argv[2] : "";
    (void)snprintf(dir, sizeof dir, "%.*s", (int)(strrchr(config, '/') - config), config);
    FILE *table = fopen(config, "re");
    if (table == NULL || argc < 5) {
        return 1;
    }
    name = argv[4];
    int channels = 0;
    while (fgets(line, sizeof line, table) != NULL) {
        if (sscanf(line, "%63s %ld %99s %39s %39s %d", who, &beat_ms, path, first, then,
                   &channels) == 6 &&
            strcmp(who, name) == 0) {
            bool again = starts() > 1;
            say("started");
            if (strcmp(first, "dies") == 0) {
                return 1; /* before it has a port */
            }
            if (!enlist(path, channels)) {
                say("not-acknowledged");
                return 1;
            }
            say("registered");
            misbehave(again ? then : first);
            behave();
        }
    }
    return GUARD_EXIT_PERMANENT;
}
