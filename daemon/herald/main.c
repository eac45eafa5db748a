/* wane-herald: delivers alerts from the campaign files; started by waned, or by a unit of its own.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "herald/herald.h"

#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/prctl.h>
#include <sys/random.h>
#include <sys/signalfd.h>
#include <time.h>
#include <unistd.h>

#include "guard/protocol.h"
#include "herald/hook.h"
#include "herald/message.h"
#include "herald/metrics.h"
#include "port/clock.h"
#include "port/process.h"
#include "port/say.h"

enum { LOOK_MS = 2000, CHECK_EVERY_S = 600, LINES_MAX = 20, LOCK_TRIES = 50, LOCK_TRY_MS = 100 };

#define SECOND_US INT64_C(1000000)

struct run {
    struct hook hook;
    struct policy_message *of;
    struct message text;
};

static struct wn_daemon_config config; /* large */
static struct wn_problems problems;
static struct policy policy;
static struct run runs[WN_HOOKS_MAX];
static struct hook ping;
static char ping_said[POLICY_WHY_SIZE]; /* what became of the last one */
static char state_path[HERALD_PATH_SIZE], status_path[HERALD_PATH_SIZE];
static wn_utc_us started_utc, check_utc, status_utc;
static wn_ns started_ns;
static bool state_failed, status_failed, status_stale = true;

void herald_log(int priority, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    wn_say(priority, "herald", fmt, args);
    va_end(args);
}

static wn_ns now_ns(void)
{
    return wn_clock_monotonic(wn_clock_real());
}

/* UTC at the start, and what has passed since, with suspend: see policy.h. */
static wn_utc_us now_utc(void)
{
    const struct wn_clock *c = wn_clock_real();
    return started_utc + (c->ops->boottime(c) - started_ns) / 1000;
}

/* What a hook wrote, line by line and printable. */
static void log_output(const char *name, const struct hook *h, int priority)
{
    const char *at = h->said;
    for (int n = 0; *at != '\0' && n < LINES_MAX; n++) {
        char raw[400], line[400];
        size_t len = strcspn(at, "\n");
        (void)snprintf(raw, sizeof raw, "%.*s", (int)(len < 399 ? len : 399), at);
        message_clean(raw, false, line, sizeof line);
        herald_log(priority, "%s says: %s", name, line);
        at += len + (at[len] == '\n' ? 1 : 0);
    }
}

static void save(void)
{
    struct wn_error err = {0};
    if (!policy.dirty) {
        return;
    }
    status_stale = true;
    if (state_write(&policy, state_path, &err) == WN_OK) {
        policy.dirty = state_failed = false;
    } else if (!state_failed) { /* goes on from memory: a full disk is when it is needed */
        state_failed = true;
        herald_log(3, "%s; alerts go on, but after a restart some are told twice", err.text);
    }
}

static void finish(int i, enum hook_end end, const struct wn_error *err)
{
    struct run *r = &runs[i];
    const struct policy_target *t = &policy.target[i];
    enum policy_outcome outcome = end == HOOK_DONE        ? POLICY_DELIVERED
                                  : end == HOOK_TEMPORARY ? POLICY_TEMPORARY
                                                          : POLICY_FAILED;
    log_output(t->name, &r->hook, end == HOOK_DONE ? 6 : 4);
    policy_done(&policy, r->of, i, outcome, err->text, now_utc());
    if (end != HOOK_DONE) {
        herald_log(3, "%s: %s", t->name, err->text);
    } else {
        const struct policy_fact *f = &r->of->fact;
        herald_log(6, "%s was told: %s %s%s%s", t->name, policy_type_word(f->type), f->station,
                   f->station[0] != '\0' ? " " : "", f->kind);
    }
    r->of = NULL;
}

static void begin(int i)
{
    struct run *r = &runs[i];
    struct wn_error err = {0};
    r->of = policy_next(&policy, i, now_utc());
    if (r->of == NULL) {
        return;
    }
    const struct policy_campaign *c = policy_present(&policy, &r->of->fact);
    if (message_make(r->of, c, policy.digest, &r->text, &err) != WN_OK ||
        hook_start(&r->hook, &config.alert.hook[i], r->text.json, r->text.environment, now_ns(),
                   &err) != WN_OK) {
        finish(i, HOOK_FAILED, &err);
    }
}

static void step_targets(void)
{
    for (int i = 0; i < policy.targets; i++) {
        struct wn_error err = {0};
        if (hook_runs(&runs[i].hook)) {
            enum hook_end end = hook_step(&runs[i].hook, &config.alert.hook[i], now_ns(), &err);
            if (end != HOOK_RUNS) {
                finish(i, end, &err);
            }
        }
        if (!hook_runs(&runs[i].hook)) {
            begin(i);
        }
    }
}

/* A failed ping is told in the log and the status, and stops nothing. */
static void step_ping(void)
{
    static const char *const nothing[] = {NULL};
    const struct wn_hook_config *how = &config.alert.ping.hook;
    struct wn_error err = {0};
    enum hook_end end = HOOK_RUNS;
    if (hook_runs(&ping)) {
        end = hook_step(&ping, how, now_ns(), &err);
    } else if (policy_ping_due(&policy, now_utc())) {
        policy_pinged(&policy, now_utc());
        end =
            hook_start(&ping, how, "", nothing, now_ns(), &err) == WN_OK ? HOOK_RUNS : HOOK_FAILED;
    }
    if (end != HOOK_RUNS) {
        log_output("ping", &ping, end == HOOK_DONE ? 6 : 4);
        (void)snprintf(ping_said, sizeof ping_said, "%.199s", end == HOOK_DONE ? "sent" : err.text);
        status_stale = true;
        if (end != HOOK_DONE) {
            herald_log(4, "ping: %s", err.text);
        }
    }
}

static void local_now(int64_t *day, int *minute)
{
    const struct wn_clock *c = wn_clock_real();
    time_t t = (time_t)(c->ops->utc(c) / SECOND_US);
    struct tm tm = {0};
    (void)localtime_r(&t, &tm);
    *day = (int64_t)(tm.tm_year + 1900) * 1000 + tm.tm_yday;
    *minute = tm.tm_hour * 60 + tm.tm_min;
}

static void digest(void)
{
    static char text[POLICY_DIGEST_SIZE];
    int64_t day = 0;
    int minute = 0;
    local_now(&day, &minute);
    if (policy.targets > 0 && policy_digest_due(&policy, day, minute)) {
        watch_digest(&policy, &config, text, sizeof text);
        policy_digest(&policy, text, day, now_utc());
    }
}

static void check_targets(void)
{
    for (int i = 0; i < policy.targets; i++) {
        struct wn_error err = {0};
        if (!hook_check(&config.alert.hook[i], &err) && policy.target[i].missing[0] == '\0') {
            herald_log(3, "%s", err.text);
        }
        policy_check(&policy, i, err.text, now_utc());
    }
    struct wn_error err = {0};
    if (policy.ping_every_us > 0 && !hook_check(&config.alert.ping.hook, &err)) {
        herald_log(3, "ping: %s", err.text);
    }
    if (!policy_channel_works(&policy) && !config.alert.none_on_purpose) {
        herald_log(1, "NO WORKING ALERT CHANNEL: nobody will be told of an alarm");
    }
}

static void write_status(void)
{
    struct wn_error err = {0};
    const struct wn_clock *c = wn_clock_real();
    if (!status_stale && now_utc() - status_utc < HERALD_STATUS_EVERY_S * SECOND_US) {
        return;
    }
    status_stale = false;
    status_utc = now_utc();
    if (status_write(&policy, &config, ping_said, c->ops->utc(c), status_path, &err) == WN_OK) {
        status_failed = false;
    } else if (!status_failed) {
        status_failed = true;
        herald_log(4, "%s; wane status cannot tell how the alert targets are", err.text);
    }
}

static void turn(void)
{
    static wn_ns look_ns;
    if (now_ns() >= look_ns) {
        look_ns = now_ns() + LOOK_MS * WN_NS_PER_MS;
        watch_look(&policy, &config, now_utc());
    }
    if (now_utc() >= check_utc) {
        check_utc = now_utc() + CHECK_EVERY_S * SECOND_US;
        check_targets();
    }
    digest();
    policy_turn(&policy, now_utc());
    save(); /* before anything is sent: what is told has a number that lasts */
    step_targets();
    step_ping();
    save();
    write_status();
    metrics_step(&policy, &config, now_ns());
}

static wn_ns until(const struct hook *h, wn_ns deadline)
{
    return hook_runs(h) && !h->killed && h->deadline_ns < deadline ? h->deadline_ns : deadline;
}

static void loop(int signals)
{
    for (;;) {
        struct pollfd p[1 + (WN_HOOKS_MAX + 1) * HOOK_POLLS];
        turn();
        int n = 1;
        wn_ns wake = now_ns() + LOOK_MS * WN_NS_PER_MS;
        p[0] = (struct pollfd){signals, POLLIN, 0};
        for (int i = 0; i < policy.targets; i++) {
            n += hook_polls(&runs[i].hook, &p[n]);
            wake = until(&runs[i].hook, wake);
        }
        n += hook_polls(&ping, &p[n]);
        wake = until(&ping, wake);
        wn_ns left_ms = (wake - now_ns()) / WN_NS_PER_MS + 1;
        (void)poll(p, (nfds_t)n, left_ms > 0 ? (int)left_ms : 0);
        if (p[0].revents != 0) {
            return;
        }
    }
}

/* 0, or the exit code. Another herald must not tell everything a second time, not even one of
 * another user: the lock is on the directory of the campaigns itself, which each of them can read.
 * When that one is gone there are still the markers to be told of: then it is on run_dir. */
static int take_lock(void)
{
    int fd = open(config.data_dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0) {
        herald_log(2, "%s: %s; alarms of stations are told, campaigns cannot be read",
                   config.data_dir, strerror(errno));
        fd = open(config.run_dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    }
    if (fd < 0) {
        herald_log(3, "%s: %s", config.run_dir, strerror(errno));
        return 1;
    }
    bool held = true; /* the herald of a guard that was killed needs a moment to end */
    for (int n = 0; held && n < LOCK_TRIES; n++) {
        held = flock(fd, LOCK_EX | LOCK_NB) != 0;
        (void)poll(NULL, 0, held ? LOCK_TRY_MS : 0);
    }
    if (held) {
        herald_log(5, "another herald delivers the alerts of %s: this one ends", config.data_dir);
        return GUARD_EXIT_PERMANENT;
    }
    return 0; /* held until the process ends */
}

static void recall(void)
{
    char bad[HERALD_PATH_SIZE + 8];
    struct wn_error err = {0};
    bool found = false;
    if (state_read(&policy, state_path, &found, &err) != WN_OK) {
        (void)snprintf(bad, sizeof bad, "%s.bad", state_path);
        herald_log(3, "%s; it is kept as %s, and alarms are told again", err.text, bad);
        (void)rename(state_path, bad);
        found = false;
    }
    if (!found) {
        int64_t day = 0;
        int minute = 0;
        local_now(&day, &minute);
        policy_first_day(&policy, day, minute);
    }
    policy_clamp(&policy, now_utc());
}

static void set_clock(void)
{
    const struct wn_clock *c = wn_clock_real();
    started_ns = c->ops->boottime(c);
    started_utc = c->ops->utc(c);
}

/* *unit: of which it is to be told that it has failed; NULL: none. *metrics: write them, and no
 * more. Neither: be a herald. */
static const char *take_options(int argc, char **argv, const char **unit, bool *metrics)
{
    static const struct option options[] = {{"config", required_argument, NULL, 'c'},
                                            {"unit-failed", required_argument, NULL, 'u'},
                                            {"metrics", no_argument, NULL, 'm'},
                                            {NULL, 0, NULL, 0}};
    const char *file = NULL;
    int o;
    while ((o = getopt_long(argc, argv, "", options, NULL)) != -1) {
        switch (o) {
        case 'c':
            file = optarg;
            break;
        case 'u':
            *unit = optarg;
            break;
        case 'm':
            *metrics = true;
            break;
        default:
            return NULL;
        }
    }
    return file;
}

/* Once, by hand or by a timer of somebody's own. */
static int write_metrics(void)
{
    struct wn_error err = {0};
    const struct wn_clock *c = wn_clock_real();
    if (config.metrics_file[0] == '\0') {
        herald_log(3, "%s names no metrics_file", config.file);
        return 1;
    }
    policy_init(&policy, &config.alert, 1);
    watch_look(&policy, &config, c->ops->utc(c));
    int rc = metrics_write(&policy, &config, c->ops->utc(c), &err);
    if (rc != WN_OK) {
        herald_log(3, "%s", err.text);
    }
    return rc == WN_OK ? 0 : 1;
}

int main(int argc, char **argv)
{
    uint64_t seed = 0;
    hook_prepare();
    const char *unit = NULL;
    bool metrics = false;
    const char *file = take_options(argc, argv, &unit, &metrics);
    if (file == NULL || wn_config_read_daemon(file, &config, &problems) != WN_OK) {
        herald_log(3, "no usable configuration; give it as wane-herald --config FILE");
        return 1;
    }
    if (unit != NULL) {
        return unit_failed(&config, unit);
    }
    if (metrics) {
        return write_metrics();
    }
    set_clock();
    int signals = wn_signals_open(0);
    (void)prctl(PR_SET_PDEATHSIG, SIGTERM); /* the next guard starts a herald of its own */
    int rc = take_lock();
    if (rc != 0) {
        return rc;
    }
    (void)!getrandom(&seed, sizeof seed, 0);
    policy_init(&policy, &config.alert, seed);
    const char *own = getenv("STATE_DIRECTORY");
    (void)snprintf(state_path, sizeof state_path, "%.300s/" HERALD_STATE,
                   own != NULL && own[0] == '/' ? own : config.data_dir);
    (void)snprintf(status_path, sizeof status_path, "%s/" HERALD_STATUS, config.run_dir);
    recall();
    if (!wn_alert_has_target(&config.alert)) {
        herald_log(4, "NO ALERT TARGET: nobody will be told of an alarm");
    }
    loop(signals);
    for (int i = 0; i < policy.targets; i++) {
        hook_kill(&runs[i].hook); /* not delivered: told after the next start */
    }
    hook_kill(&ping);
    save();
    if (unlink(status_path) != 0) { /* nothing is said by who has ended */
        (void)!truncate(status_path, 0);
    }
    return 0;
}
