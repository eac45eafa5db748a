/* Safe-off: every output off when nobody is left who watches it.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The talking itself is the guard's own, daemon/guard/make_safe.c. Each instrument is spoken to by
 * a process of its own: one that hangs in the kernel holds up no other. */
#define _GNU_SOURCE
#include "safe_off.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "guard/client.h"
#include "guard/guard.h"
#include "port/address.h"
#include "port/say.h"
#include "serial/serial.h"

#define MEMORY_MAGIC UINT32_C(0x77616f67)
#define MEMORY_END   ".in-use"

#define OPEN_NS           (3 * WN_NS_PER_S) /* a process that is just dying may still hold the port */
#define SETTLE_NS         (5 * WN_NS_PER_S) /* a board that restarts when its port is opened */
#define LIMIT_NS          (20 * WN_NS_PER_S)
#define OFF_CURRENT_A     0.05 /* where the station's own limits cannot be read */
#define OFF_TIMEOUT_MAX_S 5.0
#define LOOK_MS           20
#define CONNECT_MS        4000 /* more than a link to a serial server gives itself */

enum { TARGETS_MAX = 2 * WN_STATIONS_MAX * WN_INSTRUMENTS_MAX };

/* The file that remembers; only read by the program that wrote it. */
struct memory {
    uint32_t magic, size;
    int unit, channel;
    enum wn_interlock interlock;
    double off_current_a, off_timeout_s;
    char port[WN_PATH_SIZE];
    struct wn_dialect dialect;
};

struct target {
    char name[64];
    struct memory use;
    struct guard_message how;
    pid_t pid; /* 0: not running */
    bool off;
};

static struct wn_daemon_config config; /* large */
static struct wn_problems problems;
static struct target targets[TARGETS_MAX];
static int targets_n;
static bool untold; /* a station of which not even the port is known */
static int alone;   /* testers that run their own program, and that no campaign let run */

int64_t guard_now_ns(void)
{
    return wn_clock_monotonic(wn_clock_real());
}

void guard_log(int priority, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    wn_say(priority, "safe-off", fmt, args);
    va_end(args);
}

/* STATION.0.in-use for its first instrument, and so on. */
static void memory_path(const struct station *s, const struct instrument *i, char *path,
                        size_t size)
{
    (void)snprintf(path, size, "%s/%s.%d" MEMORY_END, s->daemon->run_dir, s->config.name, i->n);
}

static void describe_use(struct memory *m, const struct wn_station_config *c, int n,
                         const struct wn_dialect *d, const char *port)
{
    const struct wn_instrument_config *i = &c->instrument[n];
    memset(m, 0, sizeof *m);
    m->magic = MEMORY_MAGIC;
    m->size = sizeof *m;
    m->unit = i->unit;
    m->channel = i->channel;
    m->interlock = n == 0 ? c->interlock : WN_INTERLOCK_NONE;
    m->off_current_a = c->limits.off_current_a;
    m->off_timeout_s = c->off_timeout_s;
    m->dialect = *d;
    m->dialect.baud = i->baud > 0 ? i->baud : d->baud;
    (void)snprintf(m->port, sizeof m->port, "%s", port);
}

void safe_off_remember(const struct station *s, const struct instrument *i)
{
    static struct memory m; /* large; one thread */
    char path[WN_PATH_SIZE + 80], fresh[WN_PATH_SIZE + 90];
    memory_path(s, i, path, sizeof path);
    (void)snprintf(fresh, sizeof fresh, "%s.new", path);
    describe_use(&m, &s->config, i->n, &i->dialect, instrument_config(s, i)->port);
    int fd = open(fresh, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0600);
    bool good = fd >= 0 && write(fd, &m, sizeof m) == (ssize_t)sizeof m;
    if (fd >= 0) {
        (void)close(fd);
    }
    if (!good || rename(fresh, path) != 0) {
        station_log(s, 4, "%s cannot be written (%s): safe-off will rely on the configuration",
                    fresh, strerror(errno));
    }
}

void safe_off_forget(const struct station *s, const struct instrument *i)
{
    char path[WN_PATH_SIZE + 80];
    memory_path(s, i, path, sizeof path);
    (void)unlink(path);
}

static bool known(const char *port, const struct wn_instrument_config *c)
{
    for (int i = 0; i < targets_n; i++) {
        const struct memory *use = &targets[i].use;
        if (strcmp(use->port, port) == 0 && use->unit == c->unit && use->channel == c->channel) {
            return true;
        }
    }
    return false;
}

static bool add_target(const char *name, const struct memory *use)
{
    struct wn_error err = {0};
    struct target *t = &targets[targets_n];
    char port[sizeof use->port + WN_PLACE_SIZE], place[WN_PLACE_SIZE];
    const struct wn_instrument_config at = {.unit = use->unit, .channel = use->channel};
    bool several = wn_config_place(&at, place)[0] != '\0';
    (void)snprintf(port, sizeof port, several ? "%.90s %s" : "%s%s", use->port, place);
    if (targets_n == TARGETS_MAX ||
        guard_describe(&use->dialect, port, use->interlock, &t->how, &err) != WN_OK) {
        return false;
    }
    (void)snprintf(t->name, sizeof t->name, "%s", name);
    t->use = *use;
    targets_n++;
    return true;
}

static bool sound(const struct memory *m)
{
    struct wn_error err = {0};
    return m->magic == MEMORY_MAGIC && m->size == sizeof *m &&
           memchr(m->port, 0, sizeof m->port) != NULL && m->interlock <= WN_INTERLOCK_NONE &&
           wn_dialect_validate(&m->dialect, &err) == WN_OK;
}

static void recall_one(const char *dir, const char *file)
{
    static struct memory m; /* large */
    char path[WN_PATH_SIZE + 300], name[64];
    (void)snprintf(path, sizeof path, "%s/%s", dir, file);
    (void)snprintf(name, sizeof name, "%.*s", (int)(strlen(file) - strlen(MEMORY_END)), file);
    char *number = strrchr(name, '.');
    if (number != NULL) {
        *number = '\0';
    }
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    bool good = fd >= 0 && read(fd, &m, sizeof m) == (ssize_t)sizeof m && sound(&m);
    if (fd >= 0) {
        (void)close(fd);
    }
    if (!good || !add_target(name, &m)) {
        guard_log(4, "%s is not of this version; the configuration must do", path);
    }
}

/* What was in use when it ended comes first: the configuration may have been edited since. */
static void recall_all(const char *dir)
{
    DIR *d = opendir(dir);
    for (struct dirent *e = d != NULL ? readdir(d) : NULL; e != NULL; e = readdir(d)) {
        size_t len = strlen(e->d_name), end = strlen(MEMORY_END);
        if (len > end && strcmp(e->d_name + len - end, MEMORY_END) == 0) {
            recall_one(dir, e->d_name);
        }
    }
    if (d != NULL) {
        (void)closedir(d);
    }
}

/* A station with mistakes elsewhere has its ports and its dialects all the same. */
static void add_configured(const struct wn_station_config *c, int n)
{
    static struct wn_dialect dialect; /* large */
    static struct memory use;
    const struct wn_instrument_config *i = &c->instrument[n];
    char port[2 * WN_PATH_SIZE];
    const char *name = c->name[0] != '\0' ? c->name : "without a name";
    bool whole = i->port[0] == '/' || wn_address_is_remote(i->port);
    struct wn_error err;
    (void)snprintf(port, sizeof port, "%s%s%s", whole ? "" : config.run_dir, whole ? "" : "/",
                   i->port);
    if (i->port[0] == '\0' || strlen(port) >= WN_PATH_SIZE) {
        guard_log(2, "station %s: its port is not known: go to the bench", name);
        untold = true;
    } else if (!known(port, i)) {
        if (wn_config_read_dialect(config.conf_dir, i->dialect, &dialect, &problems) == WN_OK &&
            wn_dialect_place(&dialect, i->unit, i->channel, &err) == WN_OK) {
            if (dialect.protocol == WN_PROTOCOL_RECORDS) { /* else it would be remembered */
                guard_log(5,
                          "station %s: no campaign let the program of its tester run that could be "
                          "stopped: left alone",
                          name);
                alone++;
                return;
            }
            describe_use(&use, c, n, &dialect, port);
            if (add_target(name, &use)) {
                return;
            }
        }
        guard_log(2, "station %s: how %s is switched off is not known: go to the bench", name,
                  port);
        untold = true;
    }
}

static void add_station(const struct wn_station_config *c)
{
    for (int k = 0; k < c->instruments; k++) {
        if (wn_role_switches(c->instrument[k].role)) {
            add_configured(c, k);
        }
    }
}

static void find_targets(const char *config_path)
{
    const char *run_dir = getenv("RUNTIME_DIRECTORY"); /* systemd tells where */
    (void)wn_config_read_daemon(config_path, &config, &problems);
    if (config.run_dir[0] != '\0') {
        run_dir = config.run_dir;
    }
    if (run_dir != NULL) {
        recall_all(run_dir);
    }
    for (int i = 0; i < config.stations; i++) {
        add_station(&config.station[i]);
    }
    for (int i = 0; i < problems.n && i < WN_PROBLEMS_MAX; i++) {
        guard_log(4, "%s", problems.text[i]);
    }
    if (config.stations == 0) { /* there may be more than those remembered */
        guard_log(2, "%s does not tell which stations there are", config_path);
        untold = true;
    }
}

static struct wn_link *open_port(const struct target *t)
{
    struct wn_port_settings settings;
    struct wn_link *link = NULL;
    struct wn_error err = {0};
    int64_t deadline = guard_now_ns() + OPEN_NS;
    const struct wn_dialect *d = &t->use.dialect;
    wn_port_settings_init(&settings, t->use.port, d->baud, d->parity, d->stop_bits);
    while (wn_link_open(&link, &settings, &err) == WN_EBUSY && guard_now_ns() < deadline) {
        (void)poll(NULL, 0, LOOK_MS);
    }
    if (link != NULL && wn_link_wait(link, CONNECT_MS, &err) != WN_OK) {
        link->ops->close(link);
        link = NULL;
    }
    if (link == NULL) {
        guard_log(2, "station %s: %s: nothing was switched off", t->name, err.text);
    }
    return link;
}

/* Those on one port are told by one process: it is opened once. The first of them stands for all.
 */
static struct target *first_on_port(const struct target *t)
{
    struct target *first = targets;
    while (strcmp(first->use.port, t->use.port) != 0) {
        first++;
    }
    return first;
}

/* At once, and, where that was not heard, again when the instrument has had time to start. */
static bool tell_off(const struct target *first, struct wn_link *link)
{
    struct child c = {0};
    int64_t deadline = guard_now_ns() + SETTLE_NS;
    int n = 0;
    for (int i = 0; i < GUARD_SLOTS; i++) {
        c.dup[i].fd = -1;
    }
    for (const struct target *t = first; t < targets + targets_n && n < GUARD_SLOTS; t++) {
        if (first_on_port(t) == first) {
            c.dup[n].how = t->how;
            c.dup[n++].fd = fcntl(link->ops->fd(link), F_DUPFD_CLOEXEC, 0);
        }
    }
    bool off = guard_make_safe(&c);
    while (!off && guard_now_ns() < deadline) {
        (void)poll(NULL, 0, LOOK_MS);
        off = guard_make_safe(&c);
    }
    for (int i = 0; i < n; i++) {
        guard_let_go(&c.dup[i]);
    }
    return off;
}

/* One reading; false with the reason when none came. */
static bool read_once(struct wn_session *talk, struct wn_link *link, struct wn_error *err)
{
    struct wn_setpoints sp = wn_setpoints_none();
    enum wn_session_result r = WN_SESSION_PENDING;
    sp.interval_s = 1.0;
    wn_session_begin(talk, WN_REQUEST_READ, &sp, guard_now_ns());
    while ((r = wn_session_result(talk)) == WN_SESSION_PENDING) {
        char buf[256];
        size_t len = 0, n = 0;
        const char *out = wn_session_output(talk, &len);
        if (len > 0 && link->ops->write(link, out, len, &n, err) != WN_OK) {
            return false;
        }
        wn_session_wrote(talk, n, guard_now_ns());
        (void)wn_session_output(talk, &len);
        struct pollfd p = {link->ops->fd(link), len > 0 ? POLLIN | POLLOUT : POLLIN, 0};
        wn_ns left = wn_session_deadline(talk) - guard_now_ns();
        (void)poll(&p, 1, left > 0 ? (int)(left / WN_NS_PER_MS) + 1 : 0);
        if (link->ops->read(link, buf, sizeof buf, &n, err) != WN_OK) {
            return false;
        }
        (void)wn_session_input(talk, buf, n, guard_now_ns());
        if (guard_now_ns() >= wn_session_deadline(talk)) {
            (void)wn_session_tick(talk, guard_now_ns());
        }
    }
    *err = talk->error;
    return r == WN_SESSION_DONE;
}

/* The instrument's word is not enough: a contact may be welded. */
static bool no_current(const struct target *t, struct wn_link *link)
{
    static struct wn_session talk; /* large */
    struct wn_error err = {0};
    double limit_a = t->use.off_current_a > 0 ? t->use.off_current_a : OFF_CURRENT_A;
    int64_t deadline = guard_now_ns() + wn_ns_from_s(fmin(t->use.off_timeout_s, OFF_TIMEOUT_MAX_S));
    double current_a = NAN;
    do {
        wn_session_init(&talk, &t->use.dialect, "tester", t->use.port);
        bool have = read_once(&talk, link, &err) && (talk.reading.has & WN_HAS_CURRENT);
        current_a = have ? talk.reading.current_a : NAN;
    } while (!(fabs(current_a) <= limit_a) && guard_now_ns() < deadline);
    if (fabs(current_a) <= limit_a) {
        guard_log(5, "station %s: %s is off, and no current flows (%.3f A)", t->name, t->use.port,
                  current_a);
        return true;
    }
    if (isnan(current_a)) {
        guard_log(2, "station %s: whether current still flows cannot be measured: %s", t->name,
                  err.text);
    } else {
        guard_log(1, "station %s: it says off, but %.3f A flow: DISCONNECT THE CELL", t->name,
                  current_a);
    }
    if (t->how.interlock != GUARD_LINE_NONE) {
        enum wn_line line = t->how.interlock == GUARD_LINE_RTS ? WN_LINE_RTS : WN_LINE_DTR;
        (void)link->ops->set_line(link, line, false, NULL);
    }
    return false;
}

/* Everything on the port of this one. */
static bool switch_off(const struct target *first)
{
    struct wn_link *link = open_port(first);
    bool off = link != NULL && tell_off(first, link);
    for (const struct target *t = first; off && t < targets + targets_n; t++) {
        bool measures = wn_dialect_reports(&t->use.dialect, WN_FIELD_CURRENT_A);
        off = first_on_port(t) != first || !measures || no_current(t, link);
    }
    if (link != NULL) {
        link->ops->close(link); /* the modem lines fall */
    }
    return off;
}

static void begin(struct target *t)
{
    if (first_on_port(t) != t) {
        return;
    }
    t->pid = fork();
    if (t->pid == 0) {
        _exit(switch_off(t) ? 0 : 1);
    }
    if (t->pid < 0) { /* one after the other, then */
        t->pid = 0;
        t->off = switch_off(t);
    }
}

/* True when none is running any more. */
static bool collect(void)
{
    bool all = true;
    for (int i = 0; i < targets_n; i++) {
        struct target *t = &targets[i];
        int status = 0;
        if (t->pid > 0 && waitpid(t->pid, &status, WNOHANG) == t->pid) {
            t->pid = 0;
            t->off = WIFEXITED(status) && WEXITSTATUS(status) == 0;
        }
        all = all && t->pid == 0;
    }
    return all;
}

int safe_off_all(const char *config_path)
{
    int64_t deadline = guard_now_ns() + LIMIT_NS;
    bool all_off = true;
    (void)signal(SIGPIPE, SIG_IGN);
    find_targets(config_path);
    for (int i = 0; i < targets_n; i++) {
        begin(&targets[i]);
    }
    while (!collect() && guard_now_ns() < deadline) {
        (void)poll(NULL, 0, LOOK_MS);
    }
    for (int i = 0; i < targets_n; i++) {
        const struct target *t = &targets[i];
        if (t->pid > 0) { /* not waited for: it may hang in the kernel */
            (void)kill(t->pid, SIGKILL);
            guard_log(2, "station %s: %s hangs: go to the bench", t->name, t->use.port);
        }
        all_off = all_off && first_on_port(t)->off;
    }
    all_off = all_off && !untold && targets_n + alone > 0;
    guard_log(all_off ? 5 : 1, "%s",
              all_off && alone == 0 ? "every output is off"
              : all_off
                  ? "every output that is switched from here is off"
                  : "NOT every output is confirmed off: go to the bench, disconnect the cell");
    return all_off ? 0 : 1;
}
