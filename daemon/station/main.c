/* wane-station: one station process; started by waned, never by hand.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "station.h"

#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/signalfd.h>
#include <sys/stat.h>
#include <unistd.h>

#include "guard_protocol.h"

#define LOOK_LATEST_NS                                                                             \
    (60 * WN_NS_PER_S) /* for an instrument, before the campaign is opened without one */
#define SLEEP_LOOK_NS WN_NS_PER_S
#define ASLEEP_NS     (2 * WN_NS_PER_S)
#define WAIT_MAX_MS   100 /* a beat is never later than this */

static struct wn_daemon_config config; /* large */
static struct wn_problems problems;
static struct station station;

static int complain(const char *what)
{
    int shown = problems.n < WN_PROBLEMS_MAX ? problems.n : WN_PROBLEMS_MAX;
    for (int i = 0; i < shown; i++) {
        (void)fprintf(stderr, "<3>%s\n", problems.text[i]);
    }
    if (problems.n > shown) {
        (void)fprintf(stderr, "<3>... and %d more\n", problems.n - shown);
    }
    (void)fprintf(stderr, "<3>%s\n", what);
    return 1;
}

/* To switch off and verify when asked to end: all attempts, then the interlock. */
static double stop_limit_s(const struct wn_station_config *c)
{
    double attempts_s = 4 * c->off_timeout_s + 2;
    return attempts_s > 10 ? attempts_s : 10;
}

/* Tells the guard which processes there are; reads everything that can be read beforehand, so that
 * no error shows up only later. */
static int plan(const char *path)
{
    static struct wn_dialect dialect;
    int rc = wn_config_read_daemon(path, &config, &problems);
    for (int i = 0; rc == WN_OK && i < config.stations; i++) {
        rc =
            wn_config_read_dialect(config.conf_dir, config.station[i].dialect, &dialect, &problems);
    }
    if (rc != WN_OK || problems.n > 0) {
        return complain("the configuration is refused; nothing was started");
    }
    for (int i = 0; i < config.stations; i++) {
        (void)printf("station %s %d %d\n", config.station[i].name,
                     (int)(config.station[i].beat_limit_s * 1000),
                     (int)(stop_limit_s(&config.station[i]) * 1000));
    }
    (void)printf("herald\n");
    return fflush(stdout) == 0 ? 0 : 1;
}

static int open_signals(void)
{
    sigset_t mask;
    (void)sigemptyset(&mask);
    (void)sigaddset(&mask, SIGTERM);
    (void)sigaddset(&mask, SIGINT);
    (void)sigaddset(&mask, SIGHUP);
    (void)sigprocmask(SIG_BLOCK, &mask, NULL);
    (void)signal(SIGPIPE, SIG_IGN);
    return signalfd(-1, &mask, SFD_CLOEXEC | SFD_NONBLOCK);
}

static int set_up(struct station *s, const char *path, const char *name, struct wn_error *err)
{
    char sock[WN_PATH_SIZE + 80];
    if (wn_config_read_daemon(path, &config, &problems) != WN_OK) {
        return wn_error_set(err, WN_EINVAL, "%s", "the configuration is refused");
    }
    const struct wn_station_config *own = wn_config_station(&config, name);
    if (own == NULL) {
        return wn_error_set(err, WN_EUNKNOWN, "%s has no station '%s'", path, name);
    }
    s->clock = wn_clock_real();
    s->daemon = &config;
    s->config = *own;
    if (wn_config_read_dialect(config.conf_dir, own->dialect, &s->bench.dialect, &problems) !=
        WN_OK) {
        return wn_error_set(err, WN_EINVAL, "%s", "the dialect is refused");
    }
    (void)mkdir(config.data_dir, 0750);
    (void)mkdir(config.run_dir, 0750);
    (void)snprintf(sock, sizeof sock, "%s/%s.sock", config.run_dir, s->config.name);
    int rc = wn_control_listen(&s->control, sock, config.command_group, station_answer, s, err);
    if (rc == WN_OK) {
        s->sleep_gap_ns = s->clock->ops->boottime(s->clock) - wn_clock_monotonic(s->clock);
    }
    bench_init(s);
    return rc;
}

/* The computer slept: the instrument went on without us. */
static void look_for_sleep(struct station *s, wn_ns now)
{
    if (now < s->sleep_look_ns) {
        return;
    }
    s->sleep_look_ns = now + SLEEP_LOOK_NS;
    wn_ns gap = s->clock->ops->boottime(s->clock) - now;
    if (gap - s->sleep_gap_ns > ASLEEP_NS && s->campaign != NULL) {
        struct wn_event ev = {.kind = WN_EVENT_FAULT, .time_ns = station_campaign_time(s, now)};
        (void)wn_error_set(&ev.error, WN_ETIMEOUT, "the computer was suspended for %.0f s",
                           wn_ns_to_s(gap - s->sleep_gap_ns));
        station_event(s, &ev);
    }
    s->sleep_gap_ns = gap;
}

static void begin_end(struct station *s, wn_ns now, enum wn_event_kind why, const char *who)
{
    struct wn_error err = {0};
    if (s->stopping) {
        return;
    }
    s->stopping = true;
    s->stop_deadline_ns = now + wn_ns_from_s(stop_limit_s(&s->config));
    if (s->campaign == NULL) {
        return;
    }
    if (why == WN_EVENT_GUARD_LOST || wn_engine_may(s->engine, why, &err) == WN_OK) {
        s->paused_by_end = true;
        station_command(s, why, who);
    }
}

/* Everything off and recorded? Then the loop may end. */
static bool at_rest(const struct station *s)
{
    if (s->bench.stage != BENCH_READY) {
        return s->campaign == NULL;
    }
    return bench_off_confirmed(s) &&
           (s->campaign == NULL || wn_engine_state(s->engine) != WN_ENGINE_SWITCHING_OFF);
}

/* Off first, then the campaign: the instrument is switched off before anything that may take long
 * or fail. */
static void look_for_campaign(struct station *s, wn_ns now)
{
    struct wn_error err = {0};
    if (s->look_at_ns == 0) {
        s->look_at_ns = now + LOOK_LATEST_NS;
    }
    bool opening = s->bench.stage != BENCH_READY && s->bench.stage != BENCH_CLOSED;
    if (s->looked || s->stopping || opening ||
        (s->bench.stage != BENCH_READY && now < s->look_at_ns)) {
        return;
    }
    s->looked = true;
    if (campaign_find_unfinished(s, &err) != WN_OK) {
        s->broken = true;
        (void)snprintf(s->broken_text, sizeof s->broken_text, "%s", err.text);
        station_log(s, 1, "an unfinished campaign cannot be gone on with; the output is off: %s",
                    err.text);
    }
}

static void look_for_end(struct station *s, int signals, wn_ns now)
{
    struct signalfd_siginfo info;
    while (read(signals, &info, sizeof info) == (ssize_t)sizeof info) {
        if (info.ssi_signo == SIGTERM || info.ssi_signo == SIGINT) {
            begin_end(s, now, WN_EVENT_PAUSE, "end of the service");
        }
    }
    if (s->guard_lost) {
        s->exit_code = 1;
        begin_end(s, now, WN_EVENT_GUARD_LOST, "");
    }
    if (s->stopping && (at_rest(s) || now >= s->stop_deadline_ns)) {
        s->ending = true;
    }
}

static void wait_events(struct station *s, int signals, struct pollfd *fds, int *n)
{
    wn_ns now = wn_clock_monotonic(s->clock);
    wn_ns wait = bench_deadline(s, now) - now;
    int ms = wait <= 0 ? 0
                       : (int)((wait < WAIT_MAX_MS * WN_NS_PER_MS ? wait + 999999
                                                                  : WAIT_MAX_MS * WN_NS_PER_MS) /
                               WN_NS_PER_MS);
    short want = bench_has_output(s) ? POLLIN | POLLOUT : POLLIN;
    fds[0] = (struct pollfd){s->bench.link != NULL ? s->bench.link->ops->fd(s->bench.link) : -1,
                             want, 0};
    fds[1] = (struct pollfd){signals, POLLIN, 0};
    fds[2] = (struct pollfd){s->guard_lost ? -1 : s->guard_fd, POLLIN, 0};
    *n = 3 + wn_control_poll_fds(s->control, fds + 3, WN_CONTROL_CLIENTS_MAX + 1);
    (void)poll(fds, (nfds_t)*n, ms);
}

static void loop(struct station *s, int signals)
{
    struct pollfd fds[WN_CONTROL_CLIENTS_MAX + 4];
    int n = 0;
    while (!s->ending) {
        wait_events(s, signals, fds, &n);
        wn_ns now = wn_clock_monotonic(s->clock);
        bench_turn(s, now); /* the instrument first, then everything else */
        guard_beat(s, now);
        bool asked = false;
        for (int i = 3; i < n; i++) {
            asked = asked || fds[i].revents != 0;
        }
        if (asked) {
            wn_control_serve(s->control, fds + 3, n - 3, now);
        }
        if (fds[2].revents != 0) {
            guard_look(s);
        }
        look_for_campaign(s, now);
        campaign_housekeeping(s, now);
        look_for_sleep(s, now);
        if (fds[1].revents != 0 || s->guard_lost || s->stopping) {
            look_for_end(s, signals, now);
        }
    }
}

static int run(const char *path, const char *name)
{
    struct station *s = &station;
    struct wn_error err = {0};
    s->guard_fd = fcntl(GUARD_FD, F_GETFD) >= 0 ? GUARD_FD : -1;
    if (s->guard_fd >= 0) {
        (void)fcntl(GUARD_FD, F_SETFD, FD_CLOEXEC);
    }
    int signals = open_signals();
    if (set_up(s, path, name, &err) != WN_OK) {
        if (problems.n > 0) {
            (void)complain("the configuration is refused");
        }
        (void)fprintf(stderr, "<3>station %s: %s\n", name, err.text);
        s->exit_code = GUARD_EXIT_PERMANENT;
    } else {
        if (s->guard_fd < 0) {
            station_log(s, 3, "no guard: nothing will be switched on; start waned instead");
        }
        loop(s, signals);
        if (s->campaign != NULL) {
            station_commit(s);
        }
        bench_close(s);
    }
    campaign_close(s);
    wn_control_close(s->control);
    return s->exit_code;
}

int main(int argc, char **argv)
{
    static const struct option options[] = {{"config", required_argument, NULL, 'c'},
                                            {"station", required_argument, NULL, 's'},
                                            {"plan", no_argument, NULL, 'p'},
                                            {NULL, 0, NULL, 0}};
    const char *path = NULL, *name = NULL;
    bool planning = false;
    int o;
    while ((o = getopt_long(argc, argv, "", options, NULL)) != -1) {
        switch (o) {
        case 'c':
            path = optarg;
            break;
        case 's':
            name = optarg;
            break;
        case 'p':
            planning = true;
            break;
        default:
            return 2;
        }
    }
    if (path == NULL || planning == (name != NULL)) {
        (void)fprintf(stderr, "wane-station is started by waned; see waned --help\n");
        return 2;
    }
    return planning ? plan(path) : run(path, name);
}
