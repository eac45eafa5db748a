/* Looking into campaign files.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "herald/herald.h"

#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "herald/message.h"
#include "store/campaign.h"

#define SECOND_US    INT64_C(1000000)
#define QUIET_US     (120 * SECOND_US) /* beyond the longest interval between readings */
#define SETTLE_US    SECOND_US
#define AGAIN_US     (5 * SECOND_US)
#define TRY_FIRST_US (10 * SECOND_US)
#define TRY_MAX_US   (3600 * SECOND_US)

/* A file that cannot be read is tried later and later, without holding up the others. */
struct watched {
    char name[POLICY_NAME_SIZE];
    int64_t mtime_ns; /* when it was last read to its end */
    wn_utc_us
        again_utc; /* then once more: two changes may fall into one tick of the file's clock */
    wn_utc_us try_utc;
    int64_t wait_us;
    bool there;
};

static struct watched files[POLICY_CAMPAIGNS_MAX];
static int files_n;

struct intake {
    struct policy *policy;
    struct policy_campaign *campaign;
    const struct wn_campaign_info *info;
    wn_utc_us now;
};

/* Non-zero ends the reading until the next look: there is no room for this event now; or it tells
 * of a change so fresh that the station is still writing how the campaign is since then, which goes
 * with the message. */
static int take_in(const struct wn_event_row *row, void *ctx)
{
    struct intake *in = ctx;
    wn_utc_us age = in->now - row->utc;
    if (row->event.severity == WN_SEVERITY_INFO && age >= 0 && age < SETTLE_US) {
        return 1;
    }
    struct policy_fact f = {.severity = row->event.severity,
                            .simulated = in->info->simulated,
                            .created_utc = in->info->created_utc,
                            .utc = row->utc,
                            .number = row->number,
                            .cycle = row->event.cycle};
    message_clean(in->info->station, false, f.station, sizeof f.station);
    message_clean(in->info->name, false, f.campaign, sizeof f.campaign);
    message_clean(in->info->cell.name, false, f.cell, sizeof f.cell);
    message_clean(row->event.kind, false, f.kind, sizeof f.kind);
    message_clean(row->event.text, false, f.text, sizeof f.text);
    return policy_event(in->policy, in->campaign, &f, row->acknowledged, in->now) ? 0 : 1;
}

static int64_t quiet_max_us(const struct wn_daemon_config *config, const char *station)
{
    const struct wn_station_config *s = wn_config_station(config, station);
    double s_max = s != NULL ? 3 * s->rest_interval_s + s->commit_interval_s : 0;
    return QUIET_US + (int64_t)(s_max * 1e6);
}

static int take_campaign(struct policy *p, const struct wn_daemon_config *config,
                         struct wn_campaign *file, const char *name, wn_utc_us now,
                         struct wn_error *err)
{
    static struct wn_campaign_info info; /* large; one thread */
    char status[16] = "";
    struct policy_view v = {.status = status};
    int rc = wn_campaign_info(file, &info, err);
    if (rc != WN_OK || info.imported || strcmp(info.name, name) != 0) {
        return rc; /* a copy, or a log of the past: nobody waits for it */
    }
    rc = wn_campaign_status(file, status, sizeof status, err);
    rc = rc == WN_OK ? wn_campaign_open_alarms(file, &v.open_alarms, err) : rc;
    rc = rc == WN_OK ? wn_campaign_state_utc(file, &v.state_utc, err) : rc;
    if (rc != WN_OK) {
        return rc;
    }
    struct policy_campaign *c = policy_campaign(p, name, info.created_utc);
    if (c == NULL) {
        return wn_error_set(err, WN_ENOMEM,
                            "more than %d campaigns in the data directory: move finished ones away",
                            POLICY_CAMPAIGNS_MAX);
    }
    struct intake in = {p, c, &info, now};
    v.station = info.station;
    v.simulated = info.simulated;
    v.quiet_max_us = quiet_max_us(config, info.station);
    policy_look(p, c, &v, now);
    return wn_campaign_each_event(file, c->seen, take_in, &in, err);
}

static void look_into(struct policy *p, const struct wn_daemon_config *config, const char *path,
                      struct watched *w, int64_t changed_ns, wn_utc_us now)
{
    struct wn_campaign *file = NULL;
    struct wn_error err = {0};
    int rc = wn_campaign_open_read(&file, path, &err);
    if (rc == WN_OK) {
        rc = take_campaign(p, config, file, w->name, now, &err);
    }
    wn_campaign_close(file);
    if (rc == WN_OK) {
        w->again_utc = w->mtime_ns != changed_ns ? now + AGAIN_US : 0;
        w->mtime_ns = changed_ns;
        w->wait_us = 0;
    } else if (rc < 0) { /* above 0: next turn */
        herald_log(3, "%s", err.text);
        w->wait_us = w->wait_us == 0 ? TRY_FIRST_US : w->wait_us * 2;
        w->wait_us = w->wait_us < TRY_MAX_US ? w->wait_us : TRY_MAX_US;
        w->try_utc = now + w->wait_us;
    }
}

static int64_t mtime_ns(const char *path)
{
    struct stat st;
    return stat(path, &st) == 0 ? (int64_t)st.st_mtim.tv_sec * WN_NS_PER_S + st.st_mtim.tv_nsec : 0;
}

static struct watched *find(const char *name)
{
    for (int i = 0; i < files_n; i++) {
        if (strcmp(files[i].name, name) == 0) {
            return &files[i];
        }
    }
    if (files_n == POLICY_CAMPAIGNS_MAX) {
        return NULL;
    }
    struct watched *w = &files[files_n++];
    memset(w, 0, sizeof *w);
    (void)snprintf(w->name, sizeof w->name, "%s", name);
    return w;
}

/* Looks when the file or its write-ahead log has changed since it was last read to its end. */
static void look_at(struct policy *p, const struct wn_daemon_config *config, const char *name,
                    wn_utc_us now)
{
    char path[WN_PATH_SIZE + 80], wal[WN_PATH_SIZE + 90];
    struct watched *w = find(name);
    if (w == NULL) {
        herald_log(3, "more than %d campaigns in the data directory: move finished ones away",
                   POLICY_CAMPAIGNS_MAX);
        return;
    }
    w->there = true;
    policy_there(p, name);
    (void)snprintf(path, sizeof path, "%s/%s.wane", config->data_dir, name);
    (void)snprintf(wal, sizeof wal, "%s-wal", path);
    int64_t changed = mtime_ns(path), wal_changed = mtime_ns(wal);
    changed = wal_changed > changed ? wal_changed : changed;
    bool again = w->again_utc != 0 && now >= w->again_utc;
    if ((changed != w->mtime_ns || again) && (w->wait_us == 0 || now >= w->try_utc)) {
        look_into(p, config, path, w, changed, now);
    }
}

/* See halt_marker_set() of the station. */
static void look_at_markers(struct policy *p, const struct wn_daemon_config *config, wn_utc_us now)
{
    for (int i = 0; i < config->stations; i++) {
        char path[WN_PATH_SIZE + 80];
        const char *name = config->station[i].name;
        (void)snprintf(path, sizeof path, "%s/%s.halted", config->run_dir, name);
        policy_marker(p, name, access(path, F_OK) == 0, now);
    }
}

static void look_at_campaigns(struct policy *p, const struct wn_daemon_config *config,
                              wn_utc_us now)
{
    DIR *d = opendir(config->data_dir);
    if (d == NULL) {
        return; /* no campaign yet */
    }
    errno = 0;
    for (struct dirent *e = readdir(d); e != NULL; e = readdir(d)) {
        char name[POLICY_NAME_SIZE];
        size_t len = strlen(e->d_name);
        if (len > 5 && strcmp(e->d_name + len - 5, ".wane") == 0 && len - 5 < sizeof name) {
            (void)snprintf(name, sizeof name, "%.*s", (int)(len - 5), e->d_name);
            look_at(p, config, name, now);
        }
        errno = 0;
    }
    bool whole = errno == 0;
    (void)closedir(d);
    if (!whole) {
        return; /* a disk in trouble: nothing is forgotten because of it */
    }
    int kept = 0;
    for (int i = 0; i < files_n; i++) {
        if (files[i].there) {
            files[kept] = files[i];
            files[kept++].there = false;
        }
    }
    files_n = kept;
    policy_looked(p);
}

/* The markers are for a disk in trouble: whatever became of the campaigns, they are looked at. */
void watch_look(struct policy *p, const struct wn_daemon_config *config, wn_utc_us now)
{
    look_at_campaigns(p, config, now);
    look_at_markers(p, config, now);
}

struct last_cycle {
    int64_t cycle;
    double capacity_ah;
};

static int take_cycle(const struct wn_cycle_record *r, wn_utc_us end_utc, void *ctx)
{
    struct last_cycle *l = ctx;
    (void)end_utc;
    l->cycle = r->cycle;
    l->capacity_ah = r->capacity_ah.value;
    return 0;
}

static void digest_line(const struct policy_campaign *c, const struct wn_daemon_config *config,
                        char *out, size_t size)
{
    static struct wn_campaign_info info; /* large; one thread */
    char path[WN_PATH_SIZE + 80];
    struct wn_campaign *file = NULL;
    struct wn_error err = {0};
    struct last_cycle last = {0, 0};
    (void)snprintf(path, sizeof path, "%s/%s.wane", config->data_dir, c->name);
    int rc = wn_campaign_open_read(&file, path, &err);
    rc = rc == WN_OK ? wn_campaign_info(file, &info, &err) : rc;
    rc = rc == WN_OK ? wn_campaign_each_cycle(file, take_cycle, &last, &err) : rc;
    wn_campaign_close(file);
    if (rc != WN_OK) {
        (void)snprintf(out, size, "%s: campaign %s cannot be read", c->station, c->name);
        return;
    }
    int n = snprintf(out, size, "%s: %s%s, campaign %s, cycle %lld of %lld", c->station,
                     info.simulated ? "SIMULATED " : "", c->status, c->name, (long long)last.cycle,
                     (long long)info.cycles_planned);
    if (last.cycle > 0 && n > 0 && (size_t)n < size) {
        n += snprintf(out + n, size - (size_t)n, ", capacity %.3f Ah", last.capacity_ah);
    }
    if (c->open_alarms > 0 && n > 0 && (size_t)n < size) {
        (void)snprintf(out + n, size - (size_t)n, ", %lld alarms NOT ACKNOWLEDGED",
                       (long long)c->open_alarms);
    }
}

void watch_digest(const struct policy *p, const struct wn_daemon_config *config, char *out,
                  size_t size)
{
    size_t used = 0;
    out[0] = '\0';
    for (int s = 0; s < config->stations; s++) {
        const char *station = config->station[s].name;
        char line[240];
        (void)snprintf(line, sizeof line, "%s: no campaign", station);
        for (int i = 0; i < p->campaigns; i++) {
            if (p->campaign[i].newest && strcmp(p->campaign[i].station, station) == 0) {
                digest_line(&p->campaign[i], config, line, sizeof line);
            }
        }
        if (used + strlen(line) + 2 < size) {
            used += (size_t)snprintf(out + used, size - used, "%s%s", used > 0 ? "\n" : "", line);
        }
    }
}
