/* waned: the guard. Parent of the stations and the herald; tiny; can only make things safe.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * It reads no configuration and no instrument, and allocates nothing after the start. A station
 * that closes its socket, beats late, sends anything unexpected or dies is killed first (never two
 * writers on a port), then its instruments are switched off over the duplicates it had handed over,
 * then it is started again with back-off. */
#define _GNU_SOURCE
#include "guard.h"

#include <errno.h>
#include <getopt.h>
#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include "port/clock.h"

#define SECOND_NS       INT64_C(1000000000)
#define FIRST_BEAT_NS   (30 * SECOND_NS) /* a station opens its port before it beats */
#define STOP_LIMIT_NS   (5 * SECOND_NS)  /* beyond what a station itself needs to switch off */
#define GRACE_MAX_MS    60000            /* longest grace a station may ask for */
#define SAFE_AGAIN_NS   (5 * SECOND_NS)  /* between tries to confirm off */
#define HEALTHY_NS      (600 * SECOND_NS)
#define BACK_OFF_MAX_NS (60 * SECOND_NS)

static struct child children[CHILDREN_MAX];
static int children_n;
static bool gave_up; /* no station can run with this configuration */
static char program_dir[400];
static const char *config_path;

int64_t guard_now_ns(void)
{
    return wn_clock_monotonic(wn_clock_real());
}

void guard_log(int priority, const char *fmt, ...)
{
    char line[512];
    int n = snprintf(line, sizeof line, "<%d>guard: ", priority);
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(line + n, sizeof line - (size_t)n - 1, fmt, args);
    va_end(args);
    size_t len = strlen(line);
    struct pollfd p = {STDERR_FILENO, POLLOUT, 0};
    line[len++] = '\n';
    if (poll(&p, 1, 0) == 1 &&
        (p.revents & POLLOUT)) { /* a log nobody reads must not stop the guard */
        (void)!write(STDERR_FILENO, line, len);
    }
}

/* The station is dead or must be: kill, make safe, plan the restart. Not waited for: one that hangs
 * in the kernel (a stalled disk) dies when it comes back, and cannot write to its port before. */
static void put_down(struct child *c, const char *why, bool restart)
{
    bool killed = c->pid > 0;
    int status = 0;
    if (killed) {
        (void)kill(c->pid, SIGKILL);
    }
    if (c->socket >= 0) {
        (void)close(c->socket);
        c->socket = -1;
    }
    guard_make_safe(c);
    if (killed) {
        c->dying = true;
        for (int n = 0; n < 10 && c->dying;
             n++) { /* most are gone at once; never longer than 50 ms */
            c->dying = waitpid(c->pid, &status, WNOHANG) != c->pid;
            (void)poll(NULL, 0, c->dying ? 5 : 0);
        }
        c->pid = c->dying ? c->pid : 0;
        bool by_itself = !c->dying && WIFEXITED(status);
        restart = restart && !(by_itself && WEXITSTATUS(status) == GUARD_EXIT_PERMANENT);
        guard_log(by_itself ? 5 : 3, "%s %s: %s: %s", c->is_station ? "station" : "herald", c->name,
                  why, by_itself ? "ended by itself" : "killed");
    }
    int64_t now = guard_now_ns();
    if (now - c->started_ns > HEALTHY_NS) {
        c->failures = 0;
    }
    int64_t wait = SECOND_NS << (c->failures < 6 ? c->failures : 6);
    c->failures++;
    c->restart_ns = restart ? now + (wait < BACK_OFF_MAX_NS ? wait : BACK_OFF_MAX_NS) : INT64_MAX;
}

static void start(struct child *c)
{
    guard_let_go(c);
    c->started_ns = guard_now_ns();
    c->beat_deadline_ns = c->started_ns + FIRST_BEAT_NS;
    c->restart_ns = INT64_MAX;
    if (guard_spawn(program_dir, config_path, c) != 0) {
        put_down(c, "not started", true);
    }
}

static bool accept_register(struct child *c, const struct guard_message *m, int fd)
{
    if (fd < 0 || m->slot >= GUARD_SLOTS || m->off_len == 0 || m->interlock > GUARD_LINE_RTS ||
        m->off_len > GUARD_OFF_SIZE || m->query_len > GUARD_QUERY_SIZE ||
        m->expect_len > GUARD_EXPECT_SIZE || memchr(m->port, 0, sizeof m->port) == NULL) {
        return false;
    }
    struct duplicate *d = &c->dup[m->slot];
    if (d->fd >= 0) {
        (void)close(d->fd);
    }
    d->fd = fd;
    d->how = *m;
    struct guard_message ack = {.magic = GUARD_MAGIC, .type = GUARD_ACK, .slot = m->slot};
    return send(c->socket, &ack, sizeof ack, MSG_NOSIGNAL | MSG_DONTWAIT) == (ssize_t)sizeof ack;
}

static bool obey(struct child *c, const struct guard_message *m, int fd)
{
    bool ok = m->magic == GUARD_MAGIC && m->grace_ms <= GRACE_MAX_MS;
    int64_t grace_ns = (int64_t)m->grace_ms * 1000000;
    c->beat_deadline_ns =
        guard_now_ns() + (grace_ns > c->beat_limit_ns ? grace_ns : c->beat_limit_ns);
    if (ok && m->type == GUARD_REGISTER) {
        if (accept_register(c, m, fd)) {
            return true; /* fd is kept */
        }
        ok = false;
    } else if (ok && m->type == GUARD_RELEASE && m->slot < GUARD_SLOTS && fd < 0) {
        if (c->dup[m->slot].fd >= 0) {
            (void)close(c->dup[m->slot].fd);
            c->dup[m->slot].fd = -1;
        }
    } else {
        ok = ok && m->type == GUARD_BEAT && fd < 0;
    }
    if (!ok && fd >= 0 && (m->slot >= GUARD_SLOTS || c->dup[m->slot].fd != fd)) {
        (void)close(fd);
    }
    return ok;
}

/* Takes one message. False: nothing more is there. The child may have been put down. */
static bool receive(struct child *c)
{
    union {
        struct cmsghdr align;
        char space[CMSG_SPACE(sizeof(int))];
    } control;
    struct guard_message m;
    struct iovec iov = {&m, sizeof m};
    struct msghdr h = {.msg_iov = &iov,
                       .msg_iovlen = 1,
                       .msg_control = &control,
                       .msg_controllen = sizeof control};
    ssize_t n = recvmsg(c->socket, &h, MSG_DONTWAIT | MSG_CMSG_CLOEXEC);
    if (n < 0) {
        if (errno == EAGAIN || errno == EINTR) {
            return false;
        }
        put_down(c, "socket failed", true);
        return false;
    }
    int fd = -1;
    struct cmsghdr *cm = CMSG_FIRSTHDR(&h);
    if (cm != NULL && cm->cmsg_level == SOL_SOCKET && cm->cmsg_type == SCM_RIGHTS) {
        memcpy(&fd, CMSG_DATA(cm), sizeof fd);
    }
    if (n == 0) {
        put_down(c, "closed its socket", true);
        return false;
    }
    if (n != (ssize_t)sizeof m || (h.msg_flags & (MSG_TRUNC | MSG_CTRUNC)) != 0) {
        if (fd >= 0) {
            (void)close(fd);
        }
        put_down(c, "sent a message of the wrong size", true);
        return false;
    }
    if (!obey(c, &m, fd)) {
        put_down(c, "sent a message that makes no sense", true);
        return false;
    }
    return true;
}

static void drain(struct child *c)
{
    for (int i = 0; i < 64 && c->socket >= 0 && receive(c); i++) {
    }
}

static void reap_dead(void)
{
    for (int i = 0; i < children_n; i++) {
        struct child *c = &children[i];
        int status = 0;
        if (c->pid > 0 && waitpid(c->pid, &status, WNOHANG) == c->pid) {
            if (c->dying) { /* put down before, made safe then */
                c->dying = false;
                c->pid = 0;
                continue;
            }
            bool by_signal = WIFSIGNALED(status);
            guard_log(4, "%s %s ended by %s %d", c->is_station ? "station" : "herald", c->name,
                      by_signal ? "signal" : "exit code",
                      by_signal ? WTERMSIG(status) : WEXITSTATUS(status));
            c->pid = 0;
            drain(c); /* what it had still said: a release, perhaps */
            put_down(c, "ended", by_signal || WEXITSTATUS(status) != GUARD_EXIT_PERMANENT);
        }
    }
}

static int64_t judge_deadlines(void)
{
    int64_t next = guard_now_ns() + SECOND_NS;
    for (int i = 0; i < children_n; i++) {
        struct child *c = &children[i];
        bool watched = c->pid > 0 && c->is_station && !c->dying;
        if (watched && guard_now_ns() >= c->beat_deadline_ns) {
            drain(c); /* we may have been busy with another station ourselves */
            if (c->pid > 0 && !c->dying && guard_now_ns() >= c->beat_deadline_ns) {
                put_down(c, "beat is late", true);
            }
        }
        if (c->socket < 0 && c->is_station && guard_holds(c) &&
            guard_now_ns() >=
                c->safe_again_ns) { /* not confirmed off yet: again, until the restart */
            guard_make_safe(c);
            c->safe_again_ns = guard_now_ns() + SAFE_AGAIN_NS;
        }
        if (c->pid == 0 && guard_now_ns() >= c->restart_ns) {
            start(c);
        }
        if (c->pid > 0 && c->is_station && !c->dying && c->beat_deadline_ns < next) {
            next = c->beat_deadline_ns;
        }
        if (c->pid == 0 && c->restart_ns < next) {
            next = c->restart_ns;
        }
    }
    return next;
}

static void wait_events(int signals, int64_t until_ns)
{
    struct pollfd p[CHILDREN_MAX + 1];
    int64_t left_ms = (until_ns - guard_now_ns() + 999999) / 1000000;
    p[0] = (struct pollfd){signals, POLLIN, 0};
    for (int i = 0; i < children_n; i++) {
        p[i + 1] = (struct pollfd){children[i].socket, POLLIN, 0}; /* -1 is passed over */
    }
    if (poll(p, (nfds_t)children_n + 1, left_ms > 0 ? (int)left_ms : 0) <= 0) {
        return;
    }
    for (int i = 0; i < children_n; i++) {
        if (p[i + 1].revents != 0) {
            drain(&children[i]);
        }
    }
}

/* Reads the pending signals; true when the service is to stop. */
static bool stop_asked(int signals)
{
    struct signalfd_siginfo info;
    bool stop = false;
    while (read(signals, &info, sizeof info) == (ssize_t)sizeof info) {
        stop = stop || info.ssi_signo == SIGTERM || info.ssi_signo == SIGINT;
    }
    return stop;
}

static void shut_down(int signals)
{
    int64_t deadline = guard_now_ns() + STOP_LIMIT_NS;
    for (int i = 0; i < children_n; i++) {
        deadline = children[i].stop_limit_ns + STOP_LIMIT_NS > deadline - guard_now_ns()
                       ? guard_now_ns() + children[i].stop_limit_ns + STOP_LIMIT_NS
                       : deadline;
    }
    guard_notify("STOPPING=1");
    for (int i = 0; i < children_n; i++) {
        children[i].restart_ns = INT64_MAX;
        if (children[i].pid > 0) {
            (void)kill(children[i].pid, SIGTERM);
        }
    }
    bool alive = true;
    while (alive && guard_now_ns() < deadline) {
        alive = false;
        wait_events(signals, guard_now_ns() + SECOND_NS / 10);
        (void)stop_asked(signals);
        reap_dead();
        for (int i = 0; i < children_n; i++) {
            children[i].restart_ns = INT64_MAX;
            alive = alive || children[i].pid > 0;
        }
    }
    for (int i = 0; i < children_n; i++) {
        put_down(&children[i], "did not end when asked", false);
    }
}

/* No station is running or will be: there is nothing to guard. */
static bool nothing_left(void)
{
    for (int i = 0; i < children_n; i++) {
        const struct child *c = &children[i];
        if (c->is_station && (c->pid > 0 || c->restart_ns != INT64_MAX)) {
            return false;
        }
    }
    return true;
}

static void run(int signals)
{
    int64_t notify_ns = 0;
    for (int i = 0; i < children_n; i++) {
        start(&children[i]);
    }
    guard_notify("READY=1");
    for (;;) {
        wait_events(signals, judge_deadlines());
        reap_dead();
        gave_up = nothing_left();
        if (stop_asked(signals) || gave_up) {
            break;
        }
        if (guard_now_ns() >= notify_ns) {
            guard_notify("WATCHDOG=1");
            notify_ns = guard_now_ns() + SECOND_NS;
        }
    }
    shut_down(signals);
}

static int take_options(int argc, char **argv, bool *check)
{
    static const struct option options[] = {{"config", required_argument, NULL, 'c'},
                                            {"check", no_argument, NULL, 'n'},
                                            {"help", no_argument, NULL, 'h'},
                                            {"version", no_argument, NULL, 'V'},
                                            {NULL, 0, NULL, 0}};
    int o;
    while ((o = getopt_long(argc, argv, "c:nhV", options, NULL)) != -1) {
        switch (o) {
        case 'c':
            config_path = optarg;
            break;
        case 'n':
            *check = true;
            break;
        case 'h':
            (void)printf(
                "waned: keeps the stations of a cycle-life bench running and safe\n\n"
                "  waned --config FILE          run in the foreground; log on stderr\n"
                "  waned --config FILE --check  read the configuration, say what is wrong, end\n\n"
                "Without --config: %s\n",
                WANE_DEFAULT_CONFIG);
            return 0;
        case 'V':
            (void)printf("waned %s\n", WANE_VERSION);
            return 0;
        default:
            return 2;
        }
    }
    return optind == argc ? -1 : 2;
}

int main(int argc, char **argv)
{
    bool check = false;
    config_path = WANE_DEFAULT_CONFIG;
    int rc = take_options(argc, argv, &check);
    if (rc >= 0) {
        return rc;
    }
    ssize_t n = readlink("/proc/self/exe", program_dir, sizeof program_dir - 1);
    char *slash = n > 0 ? strrchr(program_dir, '/') : NULL;
    if (slash == NULL) {
        guard_log(3, "cannot tell where the program lies");
        return 1;
    }
    *slash = '\0';
    if (strcmp(program_dir, WANE_SBINDIR) == 0) {
        (void)snprintf(program_dir, sizeof program_dir, "%s", WANE_LIBEXECDIR);
    }
    children_n = guard_plan(program_dir, config_path, children, CHILDREN_MAX);
    if (children_n < 0 || check) {
        return children_n < 0 ? 1 : 0;
    }
    sigset_t mask;
    (void)sigemptyset(&mask);
    (void)sigaddset(&mask, SIGCHLD);
    (void)sigaddset(&mask, SIGTERM);
    (void)sigaddset(&mask, SIGINT);
    (void)sigaddset(&mask, SIGHUP);
    (void)sigaddset(&mask, SIGABRT); /* systemd's watchdog must not take the guard along */
    (void)sigprocmask(SIG_BLOCK, &mask, NULL);
    (void)signal(SIGPIPE, SIG_IGN);
    int signals = signalfd(-1, &mask, SFD_CLOEXEC | SFD_NONBLOCK);
    if (signals < 0) {
        guard_log(3, "no signal descriptor: %s", strerror(errno));
        return 1;
    }
    if (mlockall(MCL_CURRENT | MCL_FUTURE) != 0) {
        guard_log(6, "memory is not locked (%s); it works all the same", strerror(errno));
    }
    run(signals);
    return gave_up ? 1 : 0;
}
