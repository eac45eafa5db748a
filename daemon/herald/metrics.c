/* Gathering metrics from the campaign files, in a process of its own.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "herald/metrics.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "herald/herald.h"
#include "herald/message.h"
#include "port/clock.h"
#include "store/campaign.h"

enum { EVERY_S = 30, LIMIT_S = 120 };

/* -- one campaign
 * ------------------------------------------------------------------------------------------ */

struct points {
    struct metrics_station *station;
    struct wn_fade_point *point;
    size_t n, room;
};

static int take_cycle(const struct wn_cycle_record *r, wn_utc_us end_utc, void *ctx)
{
    struct points *a = ctx;
    (void)end_utc;
    a->station->cycles = r->cycle;
    if (!isfinite(r->capacity_ah.value)) {
        return WN_OK;
    }
    a->station->last = *r;
    if (a->n == a->room) {
        size_t room = a->room > 0 ? 2 * a->room : 256;
        struct wn_fade_point *more = realloc(a->point, room * sizeof *more);
        if (more == NULL) {
            return WN_ENOMEM;
        }
        a->point = more;
        a->room = room;
    }
    a->point[a->n++] = (struct wn_fade_point){.cycle = (double)r->cycle,
                                              .capacity_ah = r->capacity_ah.value,
                                              .resistance_ohm = r->resistance_ohm.value,
                                              .temperature_c = r->temperature_max_c,
                                              .flags = r->flags,
                                              .capacity_u_ah = r->capacity_ah.u};
    return WN_OK;
}

static int read_campaign(struct wn_campaign *file, struct metrics_station *s, struct wn_error *err)
{
    static struct wn_campaign_info info; /* large; one thread */
    struct points a = {.station = s};
    bool found = false;
    int rc = wn_campaign_info(file, &info, err);
    rc = rc == WN_OK ? wn_campaign_each_cycle(file, take_cycle, &a, err) : rc;
    rc = rc == WN_OK ? wn_campaign_last_reading(file, &s->reading, &s->reading_utc, &found, err)
                     : rc;
    if (rc == WN_OK) {
        double threshold_ah = info.retention_threshold * info.cell.rated_capacity_ah;
        message_clean(info.cell.name, false, s->cell, sizeof s->cell);
        s->cycles_planned = info.cycles_planned;
        s->rated_ah = info.cell.rated_capacity_ah;
        s->readable = true;
        s->projected = threshold_ah > 0 && a.n > 0 &&
                       wn_fade_project(a.point, a.n, threshold_ah, &s->fade, NULL) == WN_OK;
    }
    free(a.point);
    return rc;
}

static void gather(const struct policy *p, const struct wn_daemon_config *config, int station,
                   struct metrics_station *s)
{
    const char *name = config->station[station].name;
    char path[WN_PATH_SIZE + 80];
    struct wn_campaign *file = NULL;
    struct wn_error err = {0};
    memset(s, 0, sizeof *s);
    (void)snprintf(s->station, sizeof s->station, "%s", name);
    for (int i = 0; i < p->stations; i++) {
        s->marked = s->marked || (p->station[i].marked && strcmp(p->station[i].name, name) == 0);
    }
    for (int i = 0; i < p->campaigns; i++) {
        const struct policy_campaign *c = &p->campaign[i];
        if (!c->newest || strcmp(c->station, name) != 0) {
            continue;
        }
        (void)snprintf(s->campaign, sizeof s->campaign, "%s", c->name);
        (void)snprintf(s->status, sizeof s->status, "%s", c->status);
        s->simulated = c->simulated;
        s->open_alarms = c->open_alarms;
    }
    if (s->campaign[0] == '\0') {
        return;
    }
    (void)snprintf(path, sizeof path, "%s/%s.wane", config->data_dir, s->campaign);
    if (wn_campaign_open_read(&file, path, &err) != WN_OK ||
        read_campaign(file, s, &err) != WN_OK) {
        herald_log(4, "metrics: %s", err.text);
    }
    wn_campaign_close(file);
}

/* -- all of them
 * ------------------------------------------------------------------------------------------ */

/* Whoever reads it finds the old one or the new one, never a part. */
static int replace(const char *path, const char *text, size_t len, struct wn_error *err)
{
    char fresh[WN_PATH_SIZE + 8];
    (void)snprintf(fresh, sizeof fresh, "%s.new", path);
    int fd = open(fresh, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0644);
    FILE *f = fd >= 0 ? fdopen(fd, "w") : NULL;
    bool ok = f != NULL && fchmod(fd, 0644) == 0 && fwrite(text, 1, len, f) == len;
    ok = (f == NULL || fclose(f) == 0) && ok && rename(fresh, path) == 0;
    if (!ok) {
        int why = errno;
        (void)unlink(fresh);
        return wn_error_set(err, WN_EIO, "%s cannot be written: %s", path, strerror(why));
    }
    return WN_OK;
}

int metrics_write(const struct policy *p, const struct wn_daemon_config *config, wn_utc_us utc,
                  struct wn_error *err)
{
    char *text = NULL;
    size_t len = 0;
    struct metrics *m = calloc(1, sizeof *m);
    FILE *f = m != NULL ? open_memstream(&text, &len) : NULL;
    if (f == NULL) {
        free(m);
        return wn_error_set(err, WN_ENOMEM, "no memory for the metrics");
    }
    m->utc = utc;
    m->stations = config->stations;
    m->has_targets = p->targets > 0;
    m->channel_works = policy_channel_works(p);
    for (int i = 0; i < m->stations; i++) {
        gather(p, config, i, &m->station[i]);
    }
    metrics_print(m, f);
    bool whole = fclose(f) == 0;
    int rc = whole ? replace(config->metrics_file, text, len, err)
                   : wn_error_set(err, WN_ENOMEM, "no memory for the metrics");
    free(text);
    free(m);
    return rc;
}

static _Noreturn void be_child(const struct policy *p, const struct wn_daemon_config *config,
                               pid_t parent)
{
    struct wn_error err = {0};
    const struct wn_clock *c = wn_clock_real();
    (void)prctl(PR_SET_PDEATHSIG, SIGKILL);
    (void)close_range(3, ~0U, 0); /* the pipes of hooks, and the lock */
    if (getppid() != parent) {
        _exit(1);
    }
    int rc = metrics_write(p, config, c->ops->utc(c), &err);
    if (rc != WN_OK) {
        herald_log(4, "metrics: %s", err.text);
    }
    _exit(rc == WN_OK ? 0 : 1);
}

void metrics_step(const struct policy *p, const struct wn_daemon_config *config, wn_ns now)
{
    static pid_t child;
    static wn_ns begun, due;
    pid_t self = getpid();
    if (child > 0 && waitpid(child, NULL, WNOHANG) != 0) {
        child = 0;
    }
    if (child > 0 && now - begun > LIMIT_S * WN_NS_PER_S) {
        herald_log(4, "metrics: not written within %d s, given up", LIMIT_S);
        begun = now;
        (void)kill(child, SIGKILL);
    }
    if (config->metrics_file[0] == '\0' || child > 0 || now < due) {
        return;
    }
    begun = now;
    due = now + EVERY_S * WN_NS_PER_S;
    child = fork();
    if (child == 0) {
        be_child(p, config, self);
    }
}
