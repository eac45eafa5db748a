/* wane-station: one station process; started by waned, never by hand.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "station.h"

#include <fcntl.h>
#include <getopt.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <sys/signalfd.h>
#include <sys/stat.h>
#include <unistd.h>

#include "guard/protocol.h"
#include "port/process.h"
#include "safe_off.h"

#define WAIT_MAX_MS 100 /* a beat is never later than this */

/* What is waited for. */
enum { SIGNALS, GUARD, PORTS, CONTROL = PORTS + WN_INSTRUMENTS_MAX };

static struct wn_daemon_config config; /* large */
static struct wn_dialect dialect[WN_INSTRUMENTS_MAX];
static struct wn_problems problems;
static struct station station;

/* What SQLite has to say of itself: failures it lives with, which nobody would see otherwise. */
static void tell_store(void *ctx, int code, const char *text)
{
    station_log(ctx, 4, "SQLite: %s (%d)", text, code);
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
    if (wn_config_read_dialects(config.conf_dir, own, dialect, &problems) != WN_OK) {
        return wn_error_set(err, WN_EINVAL, "%s", "the dialect is refused");
    }
    for (int n = 0; n < own->instruments; n++) {
        s->bench.instrument[n].dialect = dialect[n];
    }
    station_init(s, wn_clock_real(), &config, own);
    (void)wn_store_log_to(tell_store, s, err); /* without it only its messages are lost */
    (void)mkdir(config.data_dir, 0750);
    (void)mkdir(config.run_dir, 0750);
    (void)snprintf(sock, sizeof sock, "%s/%s.sock", config.run_dir, s->config.name);
    const struct wn_control_groups groups = {config.look_group, config.command_group};
    return wn_control_listen(&s->control, sock, &groups, station_answer, s, err);
}

static void wait_events(struct station *s, int signals, struct pollfd *fds, int *n)
{
    wn_ns now = wn_clock_monotonic(s->clock);
    wn_ns wait = bench_deadline(s, now) - now;
    int ms = wait <= 0 ? 0
                       : (int)((wait < WAIT_MAX_MS * WN_NS_PER_MS ? wait + 999999
                                                                  : WAIT_MAX_MS * WN_NS_PER_MS) /
                               WN_NS_PER_MS);
    fds[SIGNALS] = (struct pollfd){signals, POLLIN, 0};
    fds[GUARD] = (struct pollfd){s->guard.lost ? -1 : s->guard.fd, POLLIN, 0};
    for (int i = 0; i < WN_INSTRUMENTS_MAX; i++) {
        const struct instrument *one = &s->bench.instrument[i];
        bool open = one->link != NULL;
        short want = open && instrument_has_output(one) ? POLLIN | POLLOUT : POLLIN;
        fds[PORTS + i] = (struct pollfd){open ? one->link->ops->fd(one->link) : -1, want, 0};
    }
    *n = CONTROL + wn_control_poll_fds(s->control, fds + CONTROL, WN_CONTROL_CLIENTS_MAX + 1);
    (void)poll(fds, (nfds_t)*n, ms);
}

/* Asked to end by a signal? */
static void read_signals(struct station *s, int signals, wn_ns now)
{
    struct signalfd_siginfo info;
    while (read(signals, &info, sizeof info) == (ssize_t)sizeof info) {
        if (info.ssi_signo == SIGTERM || info.ssi_signo == SIGINT) {
            station_ask_end(s, now);
        }
    }
}

static void loop(struct station *s, int signals)
{
    struct pollfd fds[CONTROL + WN_CONTROL_CLIENTS_MAX + 1];
    int n = 0;
    while (!s->ending) {
        wait_events(s, signals, fds, &n);
        wn_ns now = wn_clock_monotonic(s->clock);
        station_turn_instrument(s, now); /* the instrument first, then everything else */
        bool asked = false;
        for (int i = CONTROL; i < n; i++) {
            asked = asked || fds[i].revents != 0;
        }
        if (asked) {
            wn_control_serve(s->control, fds + CONTROL, n - CONTROL, now);
        }
        if (fds[GUARD].revents != 0) {
            guard_look(s);
        }
        if (fds[SIGNALS].revents != 0) {
            read_signals(s, signals, now);
        }
        station_turn_rest(s, now);
    }
}

static int run(const char *path, const char *name)
{
    struct station *s = &station;
    struct wn_error err = {0};
    guard_open(s);
    (void)signal(SIGPIPE, SIG_IGN);
    int signals = wn_signals_open(SFD_NONBLOCK);
    if (set_up(s, path, name, &err) != WN_OK) {
        wn_problems_print(&problems, stderr, "<3>");
        (void)fprintf(stderr, "<3>station %s: %s\n", name, err.text);
        bool for_good = err.code == WN_EINVAL || err.code == WN_EUNKNOWN || err.code == WN_EBUSY ||
                        err.code == WN_ERANGE; /* else it may come right: tried again */
        s->exit_code = for_good ? GUARD_EXIT_PERMANENT : 1;
    } else {
        if (s->guard.fd < 0) {
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
                                            {"safe-off", no_argument, NULL, 'o'},
                                            {NULL, 0, NULL, 0}};
    const char *path = NULL, *name = NULL;
    bool safe_off = false;
    int o;
    while ((o = getopt_long(argc, argv, "", options, NULL)) != -1) {
        switch (o) {
        case 'c':
            path = optarg;
            break;
        case 's':
            name = optarg;
            break;
        case 'o':
            safe_off = true;
            break;
        default:
            return 2;
        }
    }
    if (path == NULL || (name != NULL) == safe_off) {
        (void)fprintf(stderr, "wane-station is started by waned; see waned --help\n");
        return 2;
    }
    return safe_off ? safe_off_all(path) : run(path, name);
}
