/* wane-herald: delivers alarms from the campaign files; started by waned.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "herald.h"

#include <dirent.h>
#include <getopt.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/signalfd.h>
#include <sys/stat.h>
#include <unistd.h>

#include <jansson.h>

#include "base/time.h"
#include "config/config.h"
#include "port/clock.h"
#include "store/campaign.h"

enum { LOOK_MS = 2000, RETRY_FIRST_MS = 10000, RETRY_MAX_MS = 3600000 };

static struct wn_daemon_config config; /* large */
static struct wn_problems problems;
static struct cursors cursors;

static void say(int priority, const char *text)
{
    (void)fprintf(stderr, "<%d>herald: %s\n", priority, text);
}

struct delivery {
    const struct wn_campaign_info *info;
    struct cursor *cursor;
    bool moved;
};

static char *to_json(const struct wn_campaign_info *info, const struct wn_event_row *row)
{
    static const char *const severity[] = {"info", "warning", "alarm"};
    char utc[32];
    json_t *o =
        json_pack("{s:s,s:s,s:s,s:b,s:I,s:s,s:s,s:s,s:I,s:s}", "station", info->station, "campaign",
                  info->name, "cell", info->cell.name, "simulated", info->simulated, "number",
                  (json_int_t)row->number, "utc", wn_utc_format(row->utc, utc, sizeof utc),
                  "severity", severity[row->event.severity], "kind", row->event.kind, "cycle",
                  (json_int_t)row->event.cycle, "text", row->event.text);
    char *text = o != NULL ? json_dumps(o, JSON_COMPACT) : NULL;
    json_decref(o);
    return text;
}

/* Warnings are told too: each of them is rate-limited where it is made. Returns non-zero to stop at
 * this event: it is tried again later. */
static int deliver(const struct wn_event_row *row, void *ctx)
{
    struct delivery *d = ctx;
    struct wn_error err = {0};
    if (row->event.severity != WN_SEVERITY_INFO && wn_alert_has_target(&config.alert)) {
        char *text = to_json(d->info, row);
        int rc = text == NULL
                     ? wn_error_set(&err, WN_ENOMEM, "an alarm could not be written as JSON")
                     : hook_run(config.alert.hook[0].program, text, config.alert.hook[0].timeout_s,
                                &err);
        free(text);
        if (rc != WN_OK) {
            say(3, err.text);
            return 1;
        }
    }
    d->cursor->delivered = row->number;
    d->moved = true;
    return 0;
}

static bool look_into(const char *path, struct cursor *at)
{
    static struct wn_campaign_info info;
    struct wn_campaign *c = NULL;
    struct wn_error err = {0};
    struct delivery d = {&info, at, false};
    int rc = wn_campaign_open_read(&c, path, &err);
    if (rc == WN_OK) {
        rc = wn_campaign_info(c, &info, &err);
    }
    if (rc == WN_OK && at->created_utc_us != info.created_utc) {
        at->created_utc_us = info.created_utc;
        at->delivered = 0;
    }
    if (rc == WN_OK) {
        rc = wn_campaign_each_event(c, at->delivered, deliver, &d, &err);
    }
    wn_campaign_close(c);
    if (rc != WN_OK && err.text[0] != '\0') {
        say(3, err.text);
    }
    if (d.moved && cursors_write(&cursors, &err) != WN_OK) {
        say(3, err.text);
    }
    return rc == WN_OK;
}

static int64_t mtime_ns(const char *path)
{
    struct stat st;
    return stat(path, &st) == 0 ? (int64_t)st.st_mtim.tv_sec * WN_NS_PER_S + st.st_mtim.tv_nsec : 0;
}

static wn_ns now_ns(void)
{
    return wn_clock_monotonic(wn_clock_real());
}

/* Looks into a file when it or its write-ahead log has changed since it was last read to its end.
 * One that fails is tried again later and later, without holding up the others. */
static void look_at(const char *name)
{
    char path[WN_PATH_SIZE + 300], wal[WN_PATH_SIZE + 310];
    struct cursor *at = cursors_find(&cursors, name);
    if (at == NULL) {
        say(3, "too many campaigns in the data directory: move finished ones away");
        return;
    }
    at->seen = true;
    (void)snprintf(path, sizeof path, "%s/%s", config.data_dir, name);
    (void)snprintf(wal, sizeof wal, "%s-wal", path);
    int64_t changed = mtime_ns(path), wal_changed = mtime_ns(wal);
    changed = wal_changed > changed ? wal_changed : changed;
    if (changed == at->seen_mtime_ns || now_ns() < at->retry_at_ns) {
        return;
    }
    if (look_into(path, at)) {
        at->seen_mtime_ns = changed;
        at->retry_ms = 0;
    } else {
        at->retry_ms = at->retry_ms == 0 ? RETRY_FIRST_MS : at->retry_ms * 2;
        at->retry_ms = at->retry_ms < RETRY_MAX_MS ? at->retry_ms : RETRY_MAX_MS;
        at->retry_at_ns = now_ns() + at->retry_ms * WN_NS_PER_MS;
    }
}

static void look(void)
{
    DIR *d = opendir(config.data_dir);
    if (d == NULL) {
        return; /* no campaign yet */
    }
    for (int i = 0; i < cursors.n; i++) {
        cursors.at[i].seen = false;
    }
    for (struct dirent *e = readdir(d); e != NULL; e = readdir(d)) {
        size_t len = strlen(e->d_name);
        if (len > 5 && strcmp(e->d_name + len - 5, ".wane") == 0) {
            look_at(e->d_name);
        }
    }
    (void)closedir(d);
    cursors_prune(&cursors);
}

static void loop(void)
{
    sigset_t mask;
    (void)sigemptyset(&mask);
    (void)sigaddset(&mask, SIGTERM);
    (void)sigaddset(&mask, SIGINT);
    (void)sigprocmask(SIG_BLOCK, &mask, NULL);
    (void)signal(SIGPIPE, SIG_IGN);
    int signals = signalfd(-1, &mask, SFD_CLOEXEC);
    struct pollfd p = {signals, POLLIN, 0};
    (void)prctl(PR_SET_PDEATHSIG, SIGTERM); /* two heralds would tell everything twice */
    if (getppid() == 1) {
        return;
    }
    while (poll(&p, 1, LOOK_MS) == 0) {
        look();
    }
}

int main(int argc, char **argv)
{
    static const struct option options[] = {{"config", required_argument, NULL, 'c'},
                                            {NULL, 0, NULL, 0}};
    struct wn_error err = {0};
    char path[WN_PATH_SIZE + 32];
    const char *file = NULL;
    int o;
    while ((o = getopt_long(argc, argv, "", options, NULL)) != -1) {
        if (o != 'c') {
            return 2;
        }
        file = optarg;
    }
    if (file == NULL || wn_config_read_daemon(file, &config, &problems) != WN_OK) {
        say(3, "no usable configuration; the herald is started by waned");
        return 1;
    }
    (void)snprintf(path, sizeof path, "%s/herald.cursor", config.data_dir);
    if (cursors_read(&cursors, path, &err) != WN_OK) {
        say(3, err.text);
        return 1;
    }
    if (!wn_alert_has_target(&config.alert)) {
        say(4, "NO ALERT TARGET: nobody will be told of an alarm");
    }
    loop();
    return 0;
}
