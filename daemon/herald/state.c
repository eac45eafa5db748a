/* The herald's file: what must outlive a restart.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "herald/herald.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <jansson.h>

enum { STATE_VERSION = 1, REPEATS_MAX = 100000 /* centuries of days */ };

static void copy(char *to, size_t size, const char *from)
{
    (void)snprintf(to, size, "%s", from);
}

static json_t *fact_json(const struct policy_fact *f)
{
    return json_pack("{s:s,s:i,s:b,s:s,s:s,s:s,s:s,s:I,s:I,s:I,s:I,s:s,s:s}", "type",
                     policy_type_word(f->type), "severity", (int)f->severity, "simulated",
                     (int)f->simulated, "station", f->station, "campaign", f->campaign, "cell",
                     f->cell, "target", f->target, "created", (json_int_t)f->created_utc, "utc",
                     (json_int_t)f->utc, "number", (json_int_t)f->number, "cycle",
                     (json_int_t)f->cycle, "kind", f->kind, "text", f->text);
}

static bool fact_read(json_t *o, struct policy_fact *f)
{
    const char *type, *station, *campaign, *cell, *target, *kind, *text;
    json_int_t created, utc, number, cycle;
    int severity, simulated;
    memset(f, 0, sizeof *f);
    if (json_unpack(o, "{s:s,s:i,s:b,s:s,s:s,s:s,s:s,s:I,s:I,s:I,s:I,s:s,s:s}", "type", &type,
                    "severity", &severity, "simulated", &simulated, "station", &station, "campaign",
                    &campaign, "cell", &cell, "target", &target, "created", &created, "utc", &utc,
                    "number", &number, "cycle", &cycle, "kind", &kind, "text", &text) != 0 ||
        severity < WN_SEVERITY_INFO || severity > WN_SEVERITY_ALARM) {
        return false;
    }
    while (f->type < POLICY_TYPES && strcmp(policy_type_word(f->type), type) != 0) {
        f->type++;
    }
    f->severity = (enum wn_severity)severity;
    f->simulated = simulated != 0;
    f->created_utc = created;
    f->utc = utc;
    f->number = number;
    f->cycle = cycle;
    copy(f->station, sizeof f->station, station);
    copy(f->campaign, sizeof f->campaign, campaign);
    copy(f->cell, sizeof f->cell, cell);
    copy(f->target, sizeof f->target, target);
    copy(f->kind, sizeof f->kind, kind);
    copy(f->text, sizeof f->text, text);
    return f->type < POLICY_TYPES;
}

static void add(json_t *list, json_t *o)
{
    (void)json_array_append_new(list, o); /* NULL is refused: the list is counted afterwards */
}

static json_t *campaigns_json(const struct policy *p)
{
    json_t *list = json_array();
    for (int i = 0; i < p->campaigns; i++) {
        const struct policy_campaign *c = &p->campaign[i];
        add(list, json_pack("{s:s,s:I,s:I,s:b,s:b,s:o,s:I,s:i}", "name", c->name, "created",
                            (json_int_t)c->created_utc, "seen", (json_int_t)c->seen, "met",
                            (int)c->met, "not_off", (int)c->not_off, "alarm",
                            c->alarm.number != 0 ? fact_json(&c->alarm) : json_null(), "alarm_utc",
                            (json_int_t)c->alarm_utc, "repeats", c->repeats));
    }
    return list;
}

static void campaigns_read(struct policy *p, json_t *list)
{
    size_t i;
    json_t *o, *alarm;
    json_array_foreach(list, i, o)
    {
        const char *name;
        json_int_t created, seen, alarm_utc;
        int met, not_off, repeats;
        if (json_unpack(o, "{s:s,s:I,s:I,s:b,s:b,s:o,s:I,s:i}", "name", &name, "created", &created,
                        "seen", &seen, "met", &met, "not_off", &not_off, "alarm", &alarm,
                        "alarm_utc", &alarm_utc, "repeats", &repeats) != 0) {
            continue; /* a spoiled entry: that campaign is told again rather than never */
        }
        struct policy_campaign *c = policy_campaign(p, name, created);
        if (c != NULL) {
            c->there = false;
            c->seen = seen;
            c->met = met != 0;
            c->not_off = not_off != 0;
            c->alarm_utc = alarm_utc;
            c->repeats = repeats < 0 || repeats > REPEATS_MAX ? 0 : repeats;
            if (json_is_object(alarm) && !fact_read(alarm, &c->alarm)) {
                c->alarm.number = 0;
            }
        }
    }
}

static json_t *keys_json(const struct policy *p)
{
    json_t *list = json_array();
    for (int i = 0; i < POLICY_KEYS_MAX; i++) {
        const struct policy_key *k = &p->key[i];
        if (k->used) {
            add(list, json_pack("{s:o,s:b,s:I,s:I,s:I}", "fact", fact_json(&k->fact), "held",
                                (int)k->held, "sent_utc", (json_int_t)k->sent_utc, "held_utc",
                                (json_int_t)k->held_utc, "suppressed", (json_int_t)k->suppressed));
        }
    }
    return list;
}

static void keys_read(struct policy *p, json_t *list)
{
    size_t i;
    json_t *o, *fact;
    int n = 0;
    json_array_foreach(list, i, o)
    {
        json_int_t sent, held_utc, suppressed;
        int held;
        struct policy_key *k = &p->key[n];
        if (n < POLICY_KEYS_MAX &&
            json_unpack(o, "{s:o,s:b,s:I,s:I,s:I}", "fact", &fact, "held", &held, "sent_utc", &sent,
                        "held_utc", &held_utc, "suppressed", &suppressed) == 0 &&
            fact_read(fact, &k->fact)) {
            k->used = true;
            k->held = held != 0;
            k->sent_utc = sent;
            k->held_utc = held_utc;
            k->suppressed = suppressed;
            n++;
        }
    }
}

/* The targets that have it, by name: their order may change with the configuration. */
static json_t *messages_json(const struct policy *p)
{
    json_t *list = json_array();
    for (int i = 0; i < POLICY_MESSAGES_MAX; i++) {
        const struct policy_message *m = &p->message[i];
        if (!m->live) {
            continue;
        }
        json_t *delivered = json_array();
        for (int t = 0; t < p->targets; t++) {
            if ((m->delivered & (1u << t)) != 0) {
                add(delivered, json_string(p->target[t].name));
            }
        }
        add(list,
            json_pack("{s:o,s:I,s:I,s:i,s:I,s:o}", "fact", fact_json(&m->fact), "serial",
                      (json_int_t)m->serial, "suppressed", (json_int_t)m->suppressed, "repeat",
                      m->repeat, "queued_utc", (json_int_t)m->queued_utc, "delivered", delivered));
    }
    return list;
}

static void messages_read(struct policy *p, json_t *list)
{
    size_t i, j;
    json_t *o, *fact, *delivered, *name;
    int n = 0;
    json_array_foreach(list, i, o)
    {
        json_int_t serial, suppressed, queued;
        struct policy_message *m = &p->message[n];
        if (n == POLICY_MESSAGES_MAX ||
            json_unpack(o, "{s:o,s:I,s:I,s:i,s:I,s:o}", "fact", &fact, "serial", &serial,
                        "suppressed", &suppressed, "repeat", &m->repeat, "queued_utc", &queued,
                        "delivered", &delivered) != 0 ||
            !fact_read(fact, &m->fact)) {
            continue;
        }
        m->live = true;
        m->serial = serial;
        m->suppressed = suppressed;
        m->queued_utc = queued;
        json_array_foreach(delivered, j, name)
        {
            for (int t = 0; t < p->targets && json_is_string(name); t++) {
                bool same = strcmp(p->target[t].name, json_string_value(name)) == 0;
                m->delivered |= same ? 1u << t : 0;
            }
        }
        n++;
    }
}

static json_t *targets_json(const struct policy *p)
{
    json_t *list = json_array();
    for (int i = 0; i < p->targets; i++) {
        const struct policy_target *t = &p->target[i];
        add(list, json_pack("{s:s,s:i,s:b,s:I,s:I,s:s}", "name", t->name, "failures", t->failures,
                            "failing", (int)t->failing, "success_utc", (json_int_t)t->success_utc,
                            "failure_utc", (json_int_t)t->failure_utc, "failure", t->failure));
    }
    return list;
}

static void targets_read(struct policy *p, json_t *list)
{
    size_t i;
    json_t *o;
    json_array_foreach(list, i, o)
    {
        const char *name, *failure;
        json_int_t success, failed;
        int failures, failing;
        if (json_unpack(o, "{s:s,s:i,s:b,s:I,s:I,s:s}", "name", &name, "failures", &failures,
                        "failing", &failing, "success_utc", &success, "failure_utc", &failed,
                        "failure", &failure) != 0) {
            continue;
        }
        for (int t = 0; t < p->targets; t++) {
            struct policy_target *to = &p->target[t];
            if (strcmp(to->name, name) == 0) {
                to->failures = failures;
                to->failing = failing != 0;
                to->success_utc = success;
                to->failure_utc = failed;
                copy(to->failure, sizeof to->failure, failure);
            }
        }
    }
}

static json_t *state_json(const struct policy *p)
{
    json_t *warned = json_array();
    for (int i = 0; i < POLICY_WARNINGS_PER_HOUR; i++) { /* oldest first */
        add(warned, json_integer(p->warned_utc[(p->warned_at + i) % POLICY_WARNINGS_PER_HOUR]));
    }
    return json_pack("{s:i,s:I,s:I,s:I,s:s,s:o,s:o,s:o,s:o,s:o}", "version", STATE_VERSION,
                     "serial", (json_int_t)p->serial, "own_number", (json_int_t)p->own_number,
                     "digest_day", (json_int_t)p->digest_day, "digest", p->digest, "warned_utc",
                     warned, "targets", targets_json(p), "campaigns", campaigns_json(p), "keys",
                     keys_json(p), "messages", messages_json(p));
}

int state_read(struct policy *p, const char *path, bool *found, struct wn_error *err)
{
    json_error_t why;
    json_int_t serial, own, day;
    const char *digest;
    json_t *warned, *targets, *campaigns, *keys, *messages;
    int version = 0;
    *found = access(path, F_OK) == 0;
    if (!*found) {
        return errno == ENOENT ? WN_OK : wn_error_set(err, WN_EIO, "%s: %s", path, strerror(errno));
    }
    json_t *o = json_load_file(path, JSON_REJECT_DUPLICATES, &why);
    if (o == NULL ||
        json_unpack_ex(o, &why, 0, "{s:i,s:I,s:I,s:I,s:s,s:o,s:o,s:o,s:o,s:o}", "version", &version,
                       "serial", &serial, "own_number", &own, "digest_day", &day, "digest", &digest,
                       "warned_utc", &warned, "targets", &targets, "campaigns", &campaigns, "keys",
                       &keys, "messages", &messages) != 0) {
        json_decref(o);
        return wn_error_set(err, WN_ECORRUPT, "%s cannot be read (%.100s)", path, why.text);
    }
    if (version != STATE_VERSION) {
        json_decref(o);
        return wn_error_set(err, WN_ENEWER, "%s is of version %d, not %d", path, version,
                            STATE_VERSION);
    }
    p->serial = serial;
    p->own_number = own;
    p->digest_day = day;
    copy(p->digest, sizeof p->digest, digest);
    for (size_t i = 0; i < POLICY_WARNINGS_PER_HOUR; i++) {
        p->warned_utc[i] = json_integer_value(json_array_get(warned, i));
    }
    targets_read(p, targets);
    campaigns_read(p, campaigns);
    keys_read(p, keys);
    messages_read(p, messages);
    json_decref(o);
    return WN_OK;
}

static bool write_whole(int fd, const char *text, size_t len)
{
    while (len > 0) {
        ssize_t n = write(fd, text, len);
        if (n < 0 && errno == EINTR) {
            continue;
        }
        if (n <= 0) {
            return false;
        }
        text += n;
        len -= (size_t)n;
    }
    return true;
}

/* The directory entry as well: a power cut must not bring the old file back. */
static void sync_directory(const char *path)
{
    char dir[HERALD_PATH_SIZE];
    copy(dir, sizeof dir, path);
    char *slash = strrchr(dir, '/');
    if (slash != NULL) {
        *slash = '\0';
        int fd = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
        if (fd >= 0) {
            (void)fsync(fd);
            (void)close(fd);
        }
    }
}

int state_write(const struct policy *p, const char *path, struct wn_error *err)
{
    char fresh[HERALD_PATH_SIZE + 8];
    json_t *o = state_json(p);
    char *text = o != NULL ? json_dumps(o, JSON_INDENT(1)) : NULL;
    json_decref(o);
    if (text == NULL) {
        return wn_error_set(err, WN_ENOMEM, "%s: what is to be kept could not be written as JSON",
                            path);
    }
    (void)snprintf(fresh, sizeof fresh, "%s.new", path);
    int fd = open(fresh, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0640);
    bool ok = fd >= 0 && write_whole(fd, text, strlen(text)) && fsync(fd) == 0;
    ok = (fd < 0 || close(fd) == 0) && ok && rename(fresh, path) == 0;
    free(text);
    if (!ok) {
        return wn_error_set(err, WN_EIO, "%s: %s", fresh, strerror(errno));
    }
    sync_directory(path);
    return WN_OK;
}

static json_t *utc_json(wn_utc_us utc)
{
    char text[WN_UTC_SIZE];
    return utc != 0 ? json_string(wn_utc_format(utc, text, sizeof text)) : json_null();
}

int status_write(const struct policy *p, const struct wn_daemon_config *config, const char *ping,
                 wn_utc_us utc, const char *path, struct wn_error *err)
{
    json_t *list = json_array();
    for (int i = 0; i < p->targets; i++) {
        const struct policy_target *t = &p->target[i];
        const char *failure = t->missing[0] != '\0' ? t->missing : t->failure;
        add(list, json_pack("{s:s,s:s,s:b,s:o,s:o,s:s,s:i}", "target", t->name, "severity",
                            t->severity == WN_SEVERITY_ALARM ? "alarm" : "warning", "failing",
                            (int)t->failing, "last_success_utc", utc_json(t->success_utc),
                            "last_failure_utc", utc_json(t->failure_utc), "last_failure", failure,
                            "waiting", policy_waiting(p, i)));
    }
    bool none = !policy_channel_works(p) && !config->alert.none_on_purpose;
    json_t *o = json_pack("{s:i,s:I,s:b,s:b,s:o,s:s}", "version", 1, "utc_us", (json_int_t)utc,
                          "none_on_purpose", (int)config->alert.none_on_purpose,
                          "no_working_alert_channel", (int)none, "targets", list, "ping", ping);
    char *text = o != NULL ? json_dumps(o, JSON_COMPACT) : NULL;
    json_decref(o);
    if (text == NULL) {
        return wn_error_set(err, WN_ENOMEM, "%s: not written as JSON", path);
    }
    /* In place: the directory may belong to the stations' user. Whoever reads half of it takes it
     * for none. */
    int fd = open(path, O_WRONLY | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0644);
    size_t len = strlen(text);
    bool ok = fd >= 0 && write_whole(fd, text, len) && ftruncate(fd, (off_t)len) == 0;
    ok = (fd < 0 || close(fd) == 0) && ok;
    free(text);
    return ok ? WN_OK : wn_error_set(err, WN_EIO, "%s: %s", path, strerror(errno));
}
