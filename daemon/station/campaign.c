/* Campaigns of a station: starting one, going on with one after a restart, ending one.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "station.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define LOOK_GRACE_S  60.0
#define OUTAGE_MAX_US (INT64_C(90) * 86400 * 1000000)

static void copy(char *to, size_t size, const char *from)
{
    (void)snprintf(to, size, "%s", from);
}

static int first_problem(const struct wn_problems *p, struct wn_error *err)
{
    return wn_error_set(err, WN_EINVAL, "%s%s",
                        p->n > 0 ? p->text[0] : "configuration cannot be used",
                        p->n > 1 ? " (and more: wane check tells all)" : "");
}

static void read_boot_id(char *buf, size_t size)
{
    int fd = open("/proc/sys/kernel/random/boot_id", O_RDONLY | O_CLOEXEC);
    ssize_t n = fd >= 0 ? read(fd, buf, size - 1) : 0;
    if (fd >= 0) {
        (void)close(fd);
    }
    buf[n > 0 ? n : 0] = '\0';
    buf[strcspn(buf, "\n")] = '\0';
}

static int begin_session(struct station *s, struct wn_error *err)
{
    char boot_id[64];
    read_boot_id(boot_id, sizeof boot_id);
    int rc = wn_campaign_begin_session(s->campaign, s->clock->ops->utc(s->clock),
                                       wn_clock_monotonic(s->clock), s->resume_at_ns, boot_id, err);
    for (int n = 0; n < s->config.instruments && rc == WN_OK; n++) {
        const struct wn_instrument_config *c = &s->config.instrument[n];
        struct wn_instrument_record i;
        struct wn_calibration k;
        memset(&i, 0, sizeof i);
        copy(i.role, sizeof i.role, wn_instrument_name(c));
        copy(i.dialect, sizeof i.dialect, s->bench.instrument[n].dialect.name);
        copy(i.port, sizeof i.port, c->port);
        copy(i.identity, sizeof i.identity, s->bench.instrument[n].session.identity);
        rc = wn_campaign_put_instrument(s->campaign, &i, err);
        wn_config_calibration_of(&s->config, n, &k);
        rc = rc == WN_OK ? wn_campaign_put_calibration(s->campaign, &i, &k, err) : rc;
    }
    return rc;
}

static int make_engine(struct station *s, struct wn_error *err)
{
    certificates_apply(s);
    void *memory = calloc(1, wn_engine_size());
    if (memory == NULL) {
        return wn_error_set(err, WN_ENOMEM, "no memory for the engine");
    }
    int rc = wn_engine_init(memory, &s->setup, &s->engine, err);
    if (rc != WN_OK) {
        free(memory);
        s->engine = NULL;
    }
    return rc;
}

bool campaign_is_live(const struct station *s)
{
    return s->campaign != NULL && wn_engine_state(s->engine) != WN_ENGINE_FINISHED &&
           wn_engine_state(s->engine) != WN_ENGINE_STOPPED;
}

void campaign_close(struct station *s)
{
    wn_campaign_close(s->campaign);
    free(s->engine);
    s->campaign = NULL;
    s->engine = NULL;
    s->status_written = NULL;
    s->store_failed = s->uncommitted = false;
}

static void reset_clock(struct station *s, wn_ns from_ns)
{
    s->offset_known = false;
    s->resume_at_ns = from_ns;
    s->campaign_now_ns = from_ns;
    s->commit_ns = s->maintain_ns = s->commit_campaign_ns = 0;
}

static void fill_info(struct station *s, const char *name, const struct wn_cell *cell,
                      const struct wn_procedure *p)
{
    struct wn_campaign_info *i = &s->info;
    const struct wn_accuracy *a = &s->setup.accuracy;
    memset(i, 0, sizeof *i);
    copy(i->name, sizeof i->name, name);
    copy(i->station, sizeof i->station, s->config.name);
    copy(i->procedure, sizeof i->procedure, p->name);
    copy(i->procedure_title, sizeof i->procedure_title, p->title);
    i->simulated = bench_is_simulated(s);
    i->cycles_planned = wn_procedure_cycles(p);
    i->created_utc = s->clock->ops->utc(s->clock);
    i->cell = *cell;
    i->store_on_change.voltage_v = s->config.store.voltage_v;
    i->store_on_change.current_a = s->config.store.current_a;
    i->store_on_change.temperature_c = s->config.store.temperature_c;
    i->store_on_change.time_s = s->config.store.time_s;
    i->accuracy =
        (struct wn_accuracy_record){a->voltage_reading, a->voltage_fixed_v, a->current_reading,
                                    a->current_fixed_a, a->temperature_c,   a->time_reading};
    i->retention_threshold = cell->claim.cycles > 0 ? cell->claim.retention : 0.7;
    copy(i->program_version, sizeof i->program_version, WANE_VERSION);
}

static bool name_ok(const char *name)
{
    size_t n = strspn(name, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-");
    return n > 0 && n < 60 && name[n] == '\0' && name[0] != '.';
}

/* The first free CELL-1, CELL-2, ... */
static void make_name(const struct station *s, const char *cell, char *name, size_t size)
{
    const char *base = strrchr(cell, '/') != NULL ? strrchr(cell, '/') + 1 : cell;
    for (int n = 1; n < 10000; n++) {
        char path[WN_PATH_SIZE + 80];
        (void)snprintf(name, size, "%.40s-%d", base, n);
        (void)snprintf(path, sizeof path, "%s/%s.wane", s->daemon->data_dir, name);
        if (access(path, F_OK) != 0) {
            return;
        }
    }
}

static int set_up_engine(struct station *s, const struct wn_station_config *config,
                         const struct wn_cell *cell, const struct wn_procedure *procedure,
                         struct wn_problems *problems)
{
    static struct wn_dialect dialect[WN_INSTRUMENTS_MAX]; /* large; one thread */
    for (int n = 0; n < config->instruments; n++) {
        dialect[n] = s->bench.instrument[n].dialect;
    }
    return wn_config_engine_setup(config, cell, procedure, dialect, &s->setup, problems);
}

static int read_parts(struct station *s, const char *cell_name, const char *procedure_name,
                      struct wn_cell *cell, struct wn_procedure *procedure, char **frozen,
                      struct wn_error *err)
{
    static struct wn_problems problems; /* large; one thread */
    const char *dir = s->daemon->conf_dir;
    memset(&problems, 0, sizeof problems);
    if (wn_config_read_cell(dir, cell_name, cell, &problems) != WN_OK ||
        wn_config_read_procedure(dir, procedure_name, cell, procedure, &problems) != WN_OK ||
        set_up_engine(s, &s->config, cell, procedure, &problems) != WN_OK) {
        return first_problem(&problems, err);
    }
    *frozen = wn_config_freeze(s->daemon, &s->config, cell_name, procedure_name, &problems);
    return *frozen != NULL ? WN_OK : first_problem(&problems, err);
}

static int may_start(const struct station *s, const char *name, struct wn_error *err)
{
    if (s->broken_text[0] != '\0') {
        return wn_error_set(err, WN_ESTATE, "%s: %s", s->broken_text,
                            s->looked ? "put that file elsewhere, or go on with the program that "
                                        "began it, and start the service again"
                                      : "it is tried again every ten seconds");
    }
    if (campaign_is_live(s)) {
        return wn_error_set(
            err, WN_EBUSY, "campaign %s is %s on this station: stop it first (wane stop %s)",
            s->info.name, wn_engine_state_name(wn_engine_state(s->engine)), s->config.name);
    }
    const struct instrument *late = bench_not_ready(s);
    if (late != NULL || !s->looked) {
        late = late != NULL ? late : &s->bench.instrument[0];
        return wn_error_set(
            err, WN_ESTATE, "instrument on %s is not ready: %s", instrument_config(s, late)->port,
            late->fault[0] != '\0' ? late->fault : "it is being opened; try again in a moment");
    }
    if (name != NULL && !name_ok(name)) {
        return wn_error_set(err, WN_EINVAL,
                            "campaign name '%.60s': use letters, digits, '.', '_' and '-'", name);
    }
    if (!wn_alert_has_target(&s->daemon->alert) && !s->daemon->alert.none_on_purpose) {
        return wn_error_set(
            err, WN_EMISSING,
            "%s: nobody would be told of an alarm: set alerts, or alerts = \"none\" on purpose",
            s->daemon->file);
    }
    return WN_OK;
}

static int may_go_unstopped(const struct station *s, bool confirmed, struct wn_error *err)
{
    if (!s->setup.listens || s->setup.stop_command || s->setup.interlock || confirmed) {
        return WN_OK;
    }
    return wn_error_set(err, WN_ESTATE,
                        "nothing on station %s stops the tester: wire an interlock, or give its "
                        "dialect a stop command, or say that this is known: --nothing-stops-it",
                        s->config.name);
}

int campaign_start(struct station *s, const char *cell_name, const char *procedure_name,
                   const char *name, bool unstopped, const char *who, struct wn_error *err)
{
    static struct wn_procedure procedure; /* large; one thread */
    struct wn_cell cell;
    char made[64], *frozen = NULL;
    int rc = may_start(s, name, err);
    if (rc != WN_OK) {
        return rc;
    }
    if (s->campaign != NULL && !station_settle(s)) {
        return wn_error_set(err, WN_EIO,
                            "the end of campaign %s cannot be recorded: mend the disk first, or "
                            "it would come back",
                            s->info.name);
    }
    guard_beat_grace(s, LOOK_GRACE_S); /* nothing is on, and the disk may take its time */
    campaign_close(s);
    rc = read_parts(s, cell_name, procedure_name, &cell, &procedure, &frozen, err);
    if (rc == WN_OK) {
        rc = may_go_unstopped(s, unstopped, err);
    }
    if (rc != WN_OK) {
        free(frozen);
        return rc;
    }
    if (name == NULL) {
        make_name(s, cell_name, made, sizeof made);
        name = made;
    }
    int n = snprintf(s->campaign_path, sizeof s->campaign_path, "%s/%s.wane", s->daemon->data_dir,
                     name);
    if (n < 0 || (size_t)n >= sizeof s->campaign_path) {
        rc =
            wn_error_set(err, WN_ERANGE, "path of the campaign file is too long; shorten data_dir");
        goto done;
    }
    reset_clock(s, 0);
    rc = make_engine(s, err);
    fill_info(s, name, &cell, &procedure);
    if (rc == WN_OK) {
        rc = wn_campaign_create(&s->campaign, s->campaign_path, &s->info, frozen, err);
    }
    if (rc == WN_OK) {
        rc = wn_campaign_maintain(s->campaign, (int64_t)(s->config.space_min_mb * 1e6), err);
        rc = rc == WN_OK ? begin_session(s, err) : rc;
        if (rc != WN_OK) { /* nothing has been recorded yet: no file is left behind */
            campaign_close(s);
            (void)unlink(s->campaign_path);
        }
    }
    if (rc == WN_OK) {
        for (int i = 0; i < s->config.instruments; i++) {
            struct instrument *one = &s->bench.instrument[i];
            copy(one->first_identity, sizeof one->first_identity, one->session.identity);
        }
        s->marked = halt_marker_is_set(s); /* of an earlier campaign: taken away now */
        station_command(s, WN_EVENT_START, who);
        certificates_begin(s);
    }
done:
    if (rc != WN_OK) {
        campaign_close(s);
    }
    free(frozen);
    return rc;
}

/* Is the file an unfinished campaign of this station? A copy under another name is none. A file
 * that cannot be read just now may be it: rc tells, and nothing is decided before it was read. */
static bool is_ours(struct station *s, const char *path, const char *stem, wn_utc_us *created,
                    int *rc)
{
    struct wn_campaign *c = NULL;
    struct wn_campaign_info info;
    struct wn_error err = {0};
    char status[32] = "";
    bool ours = false;
    *rc = wn_campaign_open_read(&c, path, &err);
    if (*rc == WN_OK) {
        *rc = wn_campaign_info(c, &info, &err);
    }
    if (*rc == WN_OK) {
        *rc = wn_campaign_status(c, status, sizeof status, &err);
    }
    if (*rc == WN_OK) {
        ours = strcmp(info.station, s->config.name) == 0 && !info.imported &&
               (strcmp(status, "running") == 0 || strcmp(status, "paused") == 0 ||
                strcmp(status, "halted") == 0) &&
               strcmp(info.name, stem) == 0;
        *created = info.created_utc;
    } else {
        station_log(s, 3, "%s cannot be read%s: %s", path,
                    campaign_may_come_right(*rc) ? "" : " and is passed over", err.text);
    }
    wn_campaign_close(c);
    return ours;
}

bool campaign_may_come_right(int code)
{
    return code == WN_EIO || code == WN_EBUSY || code == WN_EACCESS || code == WN_ENOSPACE ||
           code == WN_ENOMEM || code == WN_ENOENT;
}

/* Not a file that is none, but one that was a campaign, or is one for a later program. */
static bool may_be_ours(int code)
{
    return code == WN_ECORRUPT || code == WN_ENEWER;
}

/* The newest unfinished campaign of this station; *found how many there are. Without one, a file
 * that nobody can read may be it: that is no idle station. */
static int find_file(struct station *s, char *path, size_t size, int *found, struct wn_error *err)
{
    int unread = WN_OK, damaged = WN_OK;
    char which[256] = "";
    DIR *d = opendir(s->daemon->data_dir);
    wn_utc_us newest = 0;
    *found = 0;
    if (d == NULL && errno != ENOENT) {
        return wn_error_set(err, WN_EIO, "%s: %s", s->daemon->data_dir, strerror(errno));
    }
    errno = 0;
    for (struct dirent *e = d != NULL ? readdir(d) : NULL; e != NULL; errno = 0, e = readdir(d)) {
        char candidate[WN_PATH_SIZE + 280], stem[256];
        size_t len = strlen(e->d_name);
        wn_utc_us created = 0;
        if (len <= 5 || strcmp(e->d_name + len - 5, ".wane") != 0) {
            continue;
        }
        guard_beat_grace(s, LOOK_GRACE_S);
        (void)snprintf(candidate, sizeof candidate, "%s/%s", s->daemon->data_dir, e->d_name);
        (void)snprintf(stem, sizeof stem, "%.*s", (int)(len - 5), e->d_name);
        int rc = WN_OK;
        bool ours = is_ours(s, candidate, stem, &created, &rc);
        unread = campaign_may_come_right(rc) ? rc : unread;
        if (may_be_ours(rc)) {
            damaged = rc;
            copy(which, sizeof which, e->d_name);
        }
        if (ours) {
            (*found)++;
            if (created >= newest && strlen(candidate) < size) {
                newest = created;
                copy(path, size, candidate);
            }
        }
    }
    unread = errno != 0 ? WN_EIO : unread;
    if (d != NULL) {
        (void)closedir(d);
    }
    if (unread != WN_OK) {
        return wn_error_set(err, unread, "a campaign file in %s cannot be read",
                            s->daemon->data_dir);
    }
    return damaged == WN_OK || *found > 0
               ? WN_OK
               : wn_error_set(err, damaged,
                              "%s/%s cannot be read, and may be the unfinished campaign of this "
                              "station",
                              s->daemon->data_dir, which);
}

/* Ports may have moved since; everything else stays as it was begun. */
static bool take_ports(struct wn_station_config *begun, const struct wn_station_config *now)
{
    bool same = begun->instruments == now->instruments;
    for (int n = 0; n < begun->instruments && same; n++) {
        struct wn_instrument_config *i = &begun->instrument[n];
        same = strcmp(wn_instrument_name(i), wn_instrument_name(&now->instrument[n])) == 0 &&
               i->channel == now->instrument[n].channel && i->unit == now->instrument[n].unit;
        memcpy(i->port, now->instrument[n].port, sizeof i->port);
    }
    return same;
}

static int thaw(struct station *s, struct wn_error *err)
{
    static struct wn_problems problems;
    static struct wn_procedure procedure;
    static struct wn_dialect dialect[WN_INSTRUMENTS_MAX]; /* large */
    struct wn_cell cell;
    struct wn_station_config config = s->config;
    char *frozen = NULL, hash[65];
    memset(&problems, 0, sizeof problems);
    int rc = wn_campaign_frozen_config(s->campaign, &frozen, hash, err);
    if (rc == WN_OK && wn_config_thaw(frozen, s->config.name, &config, &cell, &procedure, dialect,
                                      &problems) != WN_OK) {
        rc = first_problem(&problems, err);
    }
    if (rc == WN_OK && !take_ports(&config, &s->config)) {
        rc = wn_error_set(err, WN_EINVAL,
                          "station %s now has other instruments than the campaign was begun with: "
                          "put those back into the configuration, or put the file elsewhere",
                          s->config.name);
    }
    if (rc == WN_OK) {
        for (int n = 0; n < config.instruments; n++) {
            s->bench.instrument[n].dialect = dialect[n];
        }
        rc = set_up_engine(s, &config, &cell, &procedure, &problems) == WN_OK
                 ? WN_OK
                 : first_problem(&problems, err);
    }
    if (rc == WN_OK) {
        config.beat_limit_s = s->config.beat_limit_s; /* the one the guard knows */
        s->config = config;
    }
    free(frozen);
    return rc;
}

/* How long nobody looked at the cell: an outage is a pause, and capacity recovers in it. A bench
 * with a clock of its own tells the time itself; a step of the wall clock must not become a year.
 */
static wn_ns outage_ns(const struct station *s, wn_utc_us last_utc)
{
    wn_utc_us us = s->clock->ops->utc(s->clock) - last_utc;
    bool believable = last_utc > 0 && us > 0 && us < OUTAGE_MAX_US;
    return s->bench.instrument[0].dialect.has_clock || !believable ? 0 : us * 1000;
}

static int restore(struct station *s, struct wn_error *err)
{
    static struct wn_state_record state; /* large; one thread */
    wn_utc_us last_utc = 0;
    int rc = wn_campaign_state(s->campaign, &state, err);
    if (rc == WN_OK && state.size == 0) {
        return wn_error_set(err, WN_ECORRUPT, "campaign has no saved state");
    }
    if (rc == WN_OK) {
        rc = wn_engine_restore(s->engine, &state, err);
    }
    if (rc == WN_OK) {
        rc = wn_campaign_state_utc(s->campaign, &last_utc, err);
    }
    if (rc == WN_OK) {
        s->certificates_utc = last_utc; /* what ran out meanwhile is told now */
        s->outage_s = last_utc > 0 ? (double)(s->clock->ops->utc(s->clock) - last_utc) / 1e6 : 0;
        reset_clock(s, state.time_ns + outage_ns(s, last_utc));
    }
    return rc;
}

/* A restart is a warning of its own: a crash that repairs itself must not go unnoticed. */
static void tell_restart(struct station *s, const char *status, int found, const char *how)
{
    char text[WN_EVENT_TEXT_SIZE];
    (void)snprintf(text, sizeof text, "the service was started again; the campaign was %s%s: %s",
                   status, found > 1 ? ", and there is more than one unfinished campaign" : "",
                   how);
    station_warn(s, "restarted", text);
}

static void hold(struct station *s, enum wn_fault fault, const char *why)
{
    struct wn_event ev = {
        .kind = WN_EVENT_HOLD, .time_ns = s->campaign_now_ns, .fault = (int)fault};
    (void)wn_error_set(&ev.error, WN_ESTATE, "%s", why);
    station_event(s, &ev);
}

/* How a campaign that was found goes on: by itself, by an order given before, or by the operator.
 */
static void go_on(struct station *s, const char *status, int found)
{
    bool paused = wn_engine_state(s->engine) == WN_ENGINE_PAUSED && !wn_engine_latched(s->engine);
    bool stop = wn_engine_stop_ordered(s->engine) &&
                wn_engine_state(s->engine) == WN_ENGINE_PAUSED; /* a halt is acknowledged first */
    bool marked = paused && (s->marked || strcmp(status, "halted") == 0);
    bool wanted = paused && !stop && !marked && strcmp(status, "running") == 0 &&
                  s->config.on_restart == WN_RESTART_RESUME && found == 1;
    bool long_ago = wanted && !(s->outage_s >= 0 && s->outage_s <= s->config.resume_within_s);
    wanted = wanted && !long_ago && !s->bench.interlock_latched;
    bool often = wanted && campaign_resumed_too_often(s);
    const char *how =
        stop       ? "ending, as was ordered before"
        : long_ago ? "waiting for the operator: nobody looked for too long, or the clock is wrong"
        : wanted && !often ? "going on, once the cell has been looked at"
                           : "waiting for the operator";
    tell_restart(s, status, found, how);
    station_log(s, 5, "campaign %s was %s: %s", s->info.name, status, how);
    if (stop) {
        station_command(s, WN_EVENT_STOP, "an order given before the restart");
    } else if (marked) {
        hold(s, WN_FAULT_HELD, "it was halted before the restart, which could not be recorded");
    } else if (often) {
        hold(s, WN_FAULT_TOO_MANY_RESTARTS,
             "the service was started again too often within an hour, or within a cycle: see its "
             "log for the reason, "
             "then acknowledge and resume");
    } else if (wanted) {
        station_command(s, WN_EVENT_RESUME, RESTART_POLICY);
    } else {
        s->uncommitted = true;
        (void)station_settle(s); /* its word may still be the one before its end */
    }
}

static int read_identities(struct station *s, struct wn_error *err)
{
    int rc = WN_OK;
    for (int n = 0; n < s->config.instruments && rc == WN_OK; n++) {
        struct instrument *i = &s->bench.instrument[n];
        rc = wn_campaign_first_identity(s->campaign, wn_instrument_name(&s->config.instrument[n]),
                                        i->first_identity, sizeof i->first_identity, err);
    }
    return rc;
}

int campaign_find_unfinished(struct station *s, struct wn_error *err)
{
    char status[32] = "";
    int found = 0;
    int rc = find_file(s, s->campaign_path, sizeof s->campaign_path, &found, err);
    if (rc != WN_OK || found == 0) {
        return rc;
    }
    guard_beat_grace(s, LOOK_GRACE_S);
    rc = wn_campaign_open(&s->campaign, s->campaign_path, err);
    if (rc == WN_OK) {
        rc = wn_campaign_info(s->campaign, &s->info, err);
    }
    if (rc == WN_OK) {
        rc = wn_campaign_status(s->campaign, status, sizeof status, err);
    }
    if (rc == WN_OK) {
        rc = thaw(s, err);
    }
    if (rc == WN_OK) {
        rc = make_engine(s, err);
    }
    if (rc == WN_OK) {
        rc = restore(s, err);
    }
    if (rc == WN_OK) {
        rc = read_identities(s, err);
    }
    if (rc == WN_OK) {
        rc = begin_session(s, err);
    }
    if (rc != WN_OK) {
        campaign_close(s);
        return wn_error_prefix(err, "%s", s->campaign_path);
    }
    bench_identify_again(s); /* against the identity it was begun with, and with its limits */
    s->marked = halt_marker_is_set(s);
    interlock_remember(s);
    go_on(s, status, found);
    return WN_OK;
}
