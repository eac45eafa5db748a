/* wane-guard: parent of the stations, the shares and the herald; tiny; can only make things safe.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * waned reads the configuration and becomes this program, which reads none and no instrument, and
 * allocates nothing. A station that closes its socket, beats late, sends anything unexpected or
 * dies is killed first (never two writers on a port), then its instruments are switched off over
 * the duplicates it had handed over, then it is started again with back-off.
 *
 *   wane-guard DIRECTORY CONFIG NOTIFY_FD CHILD...
 *   CHILD: NAME:BEAT_MS:STOP_MS of a station, NAME:BEAT_MS:STOP_MS:share of a shared port, or
 *          "herald" */
#define _GNU_SOURCE
#include "guard/guard.h"

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include "port/clock.h"
#include "port/say.h"

#define SECOND_NS     INT64_C(1000000000)
#define NEVER         INT64_MAX
#define FIRST_BEAT_NS (30 * SECOND_NS) /* a station opens its port before it beats */
#define STOP_LIMIT_NS (5 * SECOND_NS)  /* beyond what a station needs to switch off by itself */
#define SAFE_AGAIN_NS (5 * SECOND_NS)  /* between tries to confirm off */
#define HEALTHY_NS    (600 * SECOND_NS)

/* BACK_OFF_DOUBLINGS: from one second to about a minute */
enum { CHILDREN_MAX = 49, GRACE_MAX_MS = 60000, TURN_MS = 50, PLAN_AT = 4, BACK_OFF_DOUBLINGS = 6 };

static struct child children[CHILDREN_MAX];
static int children_n, notify_fd;
static const char *program_dir, *config_path;
static int64_t end_by_ns = NEVER; /* the service is ending, at the latest then */
static bool gave_up;              /* no station can run like this */

int64_t guard_now_ns(void)
{
    return wn_clock_monotonic(wn_clock_real());
}

void guard_log(int priority, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    wn_say(priority, "guard", fmt, args);
    va_end(args);
}

static void notify(const char *state)
{
    (void)send(notify_fd, state, strlen(state), MSG_NOSIGNAL | MSG_DONTWAIT);
}

/* Takes everything from it: its life, its socket, its instruments. Off is sent at once, whether it
 * is off is asked afterwards: others may be dying too. */
static void put_down(struct child *c, const char *why)
{
    if (c->pid > 0) {
        (void)kill(c->pid, SIGKILL);
    }
    (void)close(c->socket);
    c->socket = -1;
    c->killed = c->pid > 0;
    guard_send_off(c);
    c->safe_again_ns = c->tries = 0;
    guard_log(4, "%s %s", c->name, why);
}

/* In the child: default signals, only the standard descriptors and the guard's socket. */
static _Noreturn void become(const struct child *c, int socket)
{
    static const char *const programs[] = {"wane-herald", "wane-share", "wane-station"};
    static const char *const options[] = {NULL, "--share", "--station"};
    const char *program = programs[c->kind];
    const char *argv[] = {program, "--config", config_path, options[c->kind], c->name, NULL};
    char path[512];
    sigset_t none;
    (void)sigemptyset(&none);
    (void)sigprocmask(SIG_SETMASK, &none, NULL);
    if (socket == GUARD_FD) {
        socket = dup(socket); /* dup2 onto itself would keep close-on-exec */
    }
    if (dup2(socket, GUARD_FD) < 0) {
        _exit(127);
    }
    (void)close_range(GUARD_FD + 1, ~0U, 0);
    int n = snprintf(path, sizeof path, "%s/%s", program_dir, program);
    if (n > 0 && (size_t)n < sizeof path) { /* execv changes nothing; its type is old */
        (void)execv(path, (char *const *)(uintptr_t)argv);
    }
    guard_log(3, "%s: %s; is the installation complete?", path, strerror(errno));
    _exit(127);
}

static void back_off(struct child *c)
{
    int64_t now = guard_now_ns();
    c->failures = now - c->started_ns > HEALTHY_NS ? 0 : c->failures;
    c->restart_ns = now + (SECOND_NS << c->failures);
    c->failures += c->failures < BACK_OFF_DOUBLINGS ? 1 : 0;
}

static void start(struct child *c)
{
    int pair[2] = {-1, -1};
    guard_share(c); /* what is not confirmed off is kept until the new one hands over its own */
    c->started_ns = guard_now_ns();
    c->beat_deadline_ns = c->started_ns + FIRST_BEAT_NS;
    c->restart_ns = NEVER;
    bool ok = socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, pair) == 0;
    c->pid = ok ? fork() : -1;
    if (c->pid == 0) {
        become(c, pair[1]);
    }
    (void)close(pair[1]);
    c->socket = pair[0];
    if (c->pid < 0) {
        guard_log(3, "cannot start a process: %s", strerror(errno));
        (void)close(c->socket);
        c->socket = -1;
        c->pid = 0;
        back_off(c);
    }
}

static bool accept_register(struct child *c, const struct guard_message *m, int fd)
{
    bool deedless = m->off_len == 0 && m->interlock == GUARD_LINE_NONE;
    if (fd < 0 || deedless || m->interlock > GUARD_LINE_RTS || m->off_len > GUARD_OFF_SIZE ||
        m->query_len > GUARD_QUERY_SIZE || m->expect_len > GUARD_EXPECT_SIZE ||
        m->drop_len > GUARD_DROP_SIZE || m->gap_ms > GUARD_GAP_MAX_MS ||
        memchr(m->port, 0, sizeof m->port) == NULL) {
        return false;
    }
    guard_let_go(&c->dup[m->slot]);
    c->dup[m->slot].fd = fd;
    c->dup[m->slot].how = *m;
    struct guard_message ack = {.magic = GUARD_MAGIC, .type = GUARD_ACK, .slot = m->slot};
    return send(c->socket, &ack, sizeof ack, MSG_NOSIGNAL | MSG_DONTWAIT) == (ssize_t)sizeof ack;
}

static bool obey(struct child *c, const struct guard_message *m, int fd)
{
    if (m->magic != GUARD_MAGIC || m->grace_ms > GRACE_MAX_MS || m->slot >= GUARD_SLOTS) {
        return false;
    }
    int64_t grace_ns = (int64_t)m->grace_ms * 1000000;
    c->beat_deadline_ns =
        guard_now_ns() + (grace_ns > c->beat_limit_ns ? grace_ns : c->beat_limit_ns);
    if (m->type == GUARD_REGISTER) {
        return accept_register(c, m, fd);
    }
    if (m->type == GUARD_RELEASE && fd < 0) {
        guard_let_go(&c->dup[m->slot]);
    } else if (m->type == GUARD_BEAT) { /* so that it notices when we hang; lost when it is full */
        struct guard_message here = {.magic = GUARD_MAGIC, .type = GUARD_BEAT};
        (void)send(c->socket, &here, sizeof here, MSG_NOSIGNAL | MSG_DONTWAIT);
    }
    return fd < 0 && (m->type == GUARD_BEAT || m->type == GUARD_RELEASE);
}

/* Takes one message; false: nothing more is to be read. The room for one descriptor holds two, by
 * its alignment; what is beyond these the kernel closes and tells by MSG_CTRUNC. */
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
    if (n < 0 && (errno == EAGAIN || errno == EINTR)) {
        return false;
    }
    int fd[2] = {-1, -1};
    struct cmsghdr *cm = n >= 0 ? CMSG_FIRSTHDR(&h) : NULL;
    if (cm != NULL && cm->cmsg_level == SOL_SOCKET && cm->cmsg_type == SCM_RIGHTS) {
        size_t len = cm->cmsg_len - CMSG_LEN(0);
        memcpy(fd, CMSG_DATA(cm), len < sizeof fd ? len : sizeof fd);
    }
    bool whole = n == (ssize_t)sizeof m && (h.msg_flags & (MSG_TRUNC | MSG_CTRUNC)) == 0;
    if (whole && fd[1] < 0 && obey(c, &m, fd[0])) {
        return true; /* a descriptor was taken into a slot */
    }
    bool taken = whole && m.slot < GUARD_SLOTS && fd[0] >= 0 && c->dup[m.slot].fd == fd[0];
    (void)close(taken ? -1 : fd[0]);
    (void)close(fd[1]);
    put_down(c, n <= 0 ? "closed its socket" : "sent what makes no sense");
    return false;
}

static void drain(struct child *c)
{
    for (int i = 0; i < 64 && c->socket >= 0 && receive(c); i++) {
    }
}

static void drain_all(void)
{
    for (int i = 0; i < children_n; i++) {
        drain(&children[i]);
    }
}

static void reap(void)
{
    int status = 0;
    pid_t pid;
    while ((pid = waitpid(-1, &status, WNOHANG)) > 0) {
        struct child *c = children;
        while (c < children + children_n && c->pid != pid) {
            c++;
        }
        if (c == children + children_n) {
            continue; /* a stranger: an orphan of a child */
        }
        c->pid = 0;
        c->killed = false;
        drain(c); /* what it had still said: a release, perhaps */
        if (c->socket >= 0) {
            put_down(c, "has ended");
        }
        bool by_itself = WIFEXITED(status);
        int code = by_itself ? WEXITSTATUS(status) : WTERMSIG(status);
        guard_log(5, "%s: %s %d", c->name, by_itself ? "exit code" : "signal", code);
        back_off(c);
        if (by_itself && code == GUARD_EXIT_PERMANENT) {
            c->restart_ns = NEVER;
        }
    }
}

/* What time brings: late beats, further tries, restarts. False: nothing is left to be guarded. */
static bool look_at(struct child *c)
{
    bool ending = end_by_ns != NEVER, running = c->pid > 0 && !c->killed;
    if (running && c->kind != GUARD_HERALD && guard_now_ns() >= c->beat_deadline_ns) {
        drain(c); /* we may have been busy with another station ourselves */
        if (c->socket >= 0 && guard_now_ns() >= c->beat_deadline_ns) {
            put_down(c, "beat is late");
        }
    } else if (running && guard_now_ns() >= end_by_ns) {
        put_down(c, "did not end when asked");
    } else if (c->socket < 0 && guard_now_ns() >= c->safe_again_ns) {
        bool later = !guard_make_safe(c) && c->tries >= GUARD_ATTEMPTS;
        c->safe_again_ns = later ? guard_now_ns() + SAFE_AGAIN_NS : 0;
    }
    if (c->pid == 0 && !ending && guard_now_ns() >= c->restart_ns) {
        start(c);
    }
    return c->pid > 0 || (!ending && c->kind == GUARD_STATION && c->restart_ns != NEVER);
}

static void begin_end(void)
{
    end_by_ns = guard_now_ns();
    for (struct child *c = children; c < children + children_n; c++) {
        int64_t by_ns = guard_now_ns() + c->stop_limit_ns + STOP_LIMIT_NS;
        end_by_ns = by_ns > end_by_ns ? by_ns : end_by_ns;
        if (c->pid > 0) {
            (void)kill(c->pid, SIGTERM);
        }
    }
    notify("STOPPING=1");
}

/* True: nothing runs any more, or can; the herald alone is nothing to be guarded. */
static bool turn(int signals)
{
    struct pollfd p[CHILDREN_MAX + 1] = {{signals, POLLIN, 0}};
    struct signalfd_siginfo info;
    for (int i = 0; i < children_n; i++) {
        p[i + 1] = (struct pollfd){children[i].socket, POLLIN, 0}; /* -1 is passed over */
    }
    (void)poll(p, (nfds_t)children_n + 1, TURN_MS);
    drain_all();
    while (read(signals, &info, sizeof info) == (ssize_t)sizeof info) {
        if (info.ssi_signo != SIGCHLD && end_by_ns == NEVER) {
            begin_end();
        }
    }
    reap();
    bool stations = false, any = false;
    for (int i = 0; i < children_n; i++) {
        bool left = look_at(&children[i]);
        drain_all(); /* asking one instrument may have taken a quarter of a second */
        any = any || left;
        stations = stations || (left && children[i].kind == GUARD_STATION);
    }
    if (!stations && end_by_ns == NEVER) {
        gave_up = true;
        begin_end();
    }
    return !any;
}

static bool read_plan(int n, char **plan)
{
    for (int i = 0; i < n && i < CHILDREN_MAX; i++, children_n++) {
        struct child *c = &children[i];
        long beat_ms = 0, stop_ms = 0;
        char word[8] = "";
        int words = sscanf(plan[i], "%63[^:]:%9ld:%9ld:%7s", c->name, &beat_ms, &stop_ms, word);
        bool good = words >= 3 && beat_ms >= 100 && stop_ms >= 0;
        c->beat_limit_ns = beat_ms * 1000000;
        c->stop_limit_ns = stop_ms * 1000000;
        c->socket = -1;
        for (int k = 0; k < GUARD_SLOTS; k++) {
            c->dup[k].fd = -1;
        }
        if (good && words == 3) {
            c->kind = GUARD_STATION;
        } else if (good && strcmp(word, "share") == 0) {
            c->kind = GUARD_SHARE;
        } else if (strcmp(plan[i], "herald") != 0) {
            return false;
        }
    }
    return children_n > 0 && children_n == n;
}

int main(int argc, char **argv)
{
    if (argc <= PLAN_AT || !read_plan(argc - PLAN_AT, argv + PLAN_AT)) {
        guard_log(3, "wane-guard is started by waned; see waned --help");
        return 2;
    }
    program_dir = argv[1];
    config_path = argv[2];
    notify_fd = -1;
    (void)sscanf(argv[3], "%9d", &notify_fd);
    sigset_t all, wanted;
    (void)sigfillset(&all); /* nothing but the three that are read below does anything at all */
    (void)sigprocmask(SIG_BLOCK, &all, NULL);
    (void)sigemptyset(&wanted);
    (void)sigaddset(&wanted, SIGCHLD);
    (void)sigaddset(&wanted, SIGTERM);
    (void)sigaddset(&wanted, SIGINT);
    int signals = signalfd(-1, &wanted, SFD_CLOEXEC | SFD_NONBLOCK);
    if (signals < 0 || mlockall(MCL_CURRENT | MCL_FUTURE) != 0) {
        guard_log(signals < 0 ? 3 : 6, "%s: %s", signals < 0 ? "no signals" : "memory not locked",
                  strerror(errno));
    }
    for (int i = 0; i < children_n; i++) {
        start(&children[i]);
    }
    notify("READY=1");
    for (int64_t due = 0; signals >= 0 && !turn(signals);) {
        if (guard_now_ns() >= due) {
            notify("WATCHDOG=1");
            due = guard_now_ns() + SECOND_NS;
        }
    }
    for (int i = 0; i < children_n; i++) {
        children[i].tries = 0;
        while (!guard_make_safe(&children[i]) && children[i].tries < GUARD_ATTEMPTS) {
        }
    }
    return gave_up ? 1 : 0;
}
