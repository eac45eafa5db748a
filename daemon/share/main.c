/* wane-share: has a shared port; started by waned, never by hand.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * It ends when its askers have: a station that is asked to end still has to switch off through it.
 * Without a guard it opens nothing, and when the guard dies it ends behind its stations. */
#define _GNU_SOURCE
#include "share.h"

#include <getopt.h>
#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/signalfd.h>
#include <unistd.h>

#include "port/process.h"
#include "port/say.h"

enum { WAIT_MAX_MS = 100, SIGNALS = 0, GUARD, PORT, LISTENERS };
enum { ASKERS = LISTENERS + WN_PORT_USERS_MAX, ALL = ASKERS + WN_SHARE_ASKERS_MAX };

static struct wn_daemon_config config; /* large */
static struct wn_problems problems;
static struct share share;

void share_log(const struct share *s, int priority, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    wn_say(priority, s->name, fmt, args);
    va_end(args);
}

static void begin_end(struct share *s)
{
    if (!s->ending) {
        s->ending = true;
        s->end_by_ns = wn_clock_monotonic(s->clock) + wn_ns_from_s(s->config.stop_limit_s);
    }
}

static void guard_is_lost(void *ctx, const char *why)
{
    share_log(ctx, 2, "guard is gone (%s): ending behind the stations", why);
    begin_end(ctx);
}

static bool find_port(struct share *s, const char *name)
{
    const char *port = NULL;
    for (int n = 0; (port = wn_config_shared_port(&config, n)) != NULL; n++) {
        wn_config_share_name(port, s->name);
        if (strcmp(s->name, name) == 0) {
            return wn_config_read_share(&config, port, &s->config, &problems) == WN_OK;
        }
    }
    (void)fprintf(stderr, "<3>%s: no port of the configuration is shared under this name\n", name);
    return false;
}

static bool set_up(struct share *s, const char *path, const char *name)
{
    s->clock = wn_clock_real();
    s->daemon = &config;
    memset(s->listener, -1, sizeof s->listener);
    memset(s->asker, -1, sizeof s->asker);
    if (wn_config_read_daemon(path, &config, &problems) != WN_OK || !find_port(s, name)) {
        wn_problems_print(&problems, stderr, "<3>");
        return false;
    }
    guard_client_open(&s->guard, s->clock, guard_is_lost, s);
    return true;
}

static void wait_events(const struct share *s, int signals, struct pollfd *fds)
{
    size_t len = 0;
    wn_ns wait = share_deadline(s) - wn_clock_monotonic(s->clock);
    wn_ns most = WAIT_MAX_MS * WN_NS_PER_MS;
    bool writes = s->stage == SHARE_OPEN && wn_share_output(&s->core, &len) != NULL && len > 0;
    short want = writes ? POLLIN | POLLOUT : POLLIN;
    fds[SIGNALS] = (struct pollfd){signals, POLLIN, 0};
    fds[GUARD] = (struct pollfd){s->guard.lost ? -1 : s->guard.fd, POLLIN, 0};
    fds[PORT] = (struct pollfd){s->link != NULL ? s->link->ops->fd(s->link) : -1, want, 0};
    for (int k = 0; k < WN_PORT_USERS_MAX; k++) {
        fds[LISTENERS + k] = (struct pollfd){s->listener[k], POLLIN, 0};
    }
    for (int i = 0; i < WN_SHARE_ASKERS_MAX; i++) {
        fds[ASKERS + i] = (struct pollfd){s->asker[i], POLLIN, 0};
    }
    wait = wait < 0 ? 0 : wait < most ? wait : most;
    (void)poll(fds, ALL, (int)((wait + WN_NS_PER_MS - 1) / WN_NS_PER_MS));
}

static void turn(struct share *s, int signals)
{
    struct pollfd fds[ALL];
    struct signalfd_siginfo info;
    wait_events(s, signals, fds);
    wn_ns now = wn_clock_monotonic(s->clock);
    for (int i = 0; i < WN_SHARE_ASKERS_MAX;
         i++) { /* before the port: an off among them is first */
        if (fds[ASKERS + i].revents != 0 && s->asker[i] >= 0) {
            (void)share_hear(s, i, now);
        }
    }
    share_talk(s, now);
    for (int k = 0; k < WN_PORT_USERS_MAX; k++) {
        if (fds[LISTENERS + k].revents != 0 && s->listener[k] >= 0) {
            share_accept(s, k);
        }
    }
    share_turn_port(s, now);
    guard_client_beat(&s->guard, s->config.beat_limit_s, now);
    guard_client_look(&s->guard);
    while (read(signals, &info, sizeof info) == (ssize_t)sizeof info) {
        if (info.ssi_signo != SIGHUP) {
            begin_end(s);
        }
    }
}

static int run(const char *path, const char *name)
{
    struct share *s = &share;
    (void)signal(SIGPIPE, SIG_IGN);
    int signals = wn_signals_open(SFD_NONBLOCK);
    if (!set_up(s, path, name)) {
        return GUARD_EXIT_PERMANENT;
    }
    if (s->guard.fd < 0) {
        share_log(s, 3, "no guard: the port is not opened; start waned instead");
        return GUARD_EXIT_PERMANENT;
    }
    while (!s->ending || (!share_is_alone(s) && wn_clock_monotonic(s->clock) < s->end_by_ns)) {
        turn(s, signals);
    }
    share_close_port(s);
    return 0;
}

int main(int argc, char **argv)
{
    static const struct option options[] = {{"config", required_argument, NULL, 'c'},
                                            {"share", required_argument, NULL, 's'},
                                            {NULL, 0, NULL, 0}};
    const char *path = NULL, *name = NULL;
    int o;
    while ((o = getopt_long(argc, argv, "", options, NULL)) != -1) {
        if (o == 'c') {
            path = optarg;
        } else if (o == 's') {
            name = optarg;
        } else {
            return 2;
        }
    }
    if (path == NULL || name == NULL) {
        (void)fprintf(stderr, "wane-share is started by waned; see waned --help\n");
        return 2;
    }
    return run(path, name);
}
