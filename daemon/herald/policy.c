/* Decisions of the herald: what facts become, and when held messages go.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "herald/policy.h"
#include "herald/queue.h"

#include <stdio.h>
#include <string.h>

#define SECOND_US  INT64_C(1000000)
#define HOUR_US    (3600 * SECOND_US)
#define DAY_US     (24 * HOUR_US)
#define WINDOW_US  (900 * SECOND_US)
#define OLD_US     (7 * DAY_US)
#define RECORD_US  (10 * SECOND_US) /* a marker is there before the record is */
#define REPEAT1_US (1 * HOUR_US)
#define REPEAT2_US (4 * HOUR_US)

/* Told whatever else is held back: who was told of the trouble must hear of its end. */
static const char *const recoveries[] = {"acknowledged", "resumed", "finished", "stopped",
                                         "recording_restored"};

const char *policy_type_word(enum policy_type type)
{
    static const char *const words[] = {
#define POLICY_TYPE_WORD(name, word) word,
        POLICY_TYPE_LIST(POLICY_TYPE_WORD)
#undef POLICY_TYPE_WORD
    };
    return words[type];
}

/* "mail you@example.org": unique, and the same as long as the configuration is. */
static void name_target(struct policy *p, int n, const struct wn_hook_config *hook)
{
    const char *slash = strrchr(hook->program, '/');
    char *name = p->target[n].name;
    (void)snprintf(name, POLICY_NAME_SIZE, "%.30s%s%.24s",
                   slash != NULL ? slash + 1 : hook->program, hook->args > 0 ? " " : "",
                   hook->args > 0 ? hook->arg[0] : "");
    for (int i = 0; i < n; i++) {
        if (strcmp(p->target[i].name, name) == 0) {
            size_t len = strlen(name);
            (void)snprintf(name + len, POLICY_NAME_SIZE - len, " #%d", n + 1);
            return;
        }
    }
}

void policy_init(struct policy *p, const struct wn_alert_config *alert, uint64_t seed)
{
    memset(p, 0, sizeof *p);
    p->targets = alert->hooks;
    for (int i = 0; i < alert->hooks; i++) {
        name_target(p, i, &alert->hook[i]);
        p->target[i].severity = alert->hook[i].severity;
    }
    p->digest_minute = alert->digest_minute;
    p->digest_day = -1;
    p->ping_every_us =
        alert->ping.hook.program[0] != '\0' ? (int64_t)(alert->ping.every_s * 1e6) : 0;
    wn_prng_init(&p->prng, seed);
}

struct policy_campaign *policy_campaign(struct policy *p, const char *name, wn_utc_us created_utc)
{
    struct policy_campaign *c = NULL;
    for (int i = 0; i < p->campaigns && c == NULL; i++) {
        c = strcmp(p->campaign[i].name, name) == 0 ? &p->campaign[i] : NULL;
    }
    if (c == NULL && (p->campaigns == POLICY_CAMPAIGNS_MAX || strlen(name) >= sizeof c->name)) {
        return NULL;
    }
    c = c == NULL ? &p->campaign[p->campaigns++] : c;
    if (c->name[0] == '\0' || c->created_utc != created_utc) {
        memset(c, 0, sizeof *c);
        (void)snprintf(c->name, sizeof c->name, "%s", name);
        c->created_utc = created_utc;
    }
    c->there = true;
    return c;
}

void policy_look(struct policy *p, struct policy_campaign *c, const struct policy_view *v,
                 wn_utc_us now)
{
    (void)snprintf(c->station, sizeof c->station, "%s", v->station);
    (void)snprintf(c->status, sizeof c->status, "%s", v->status);
    if (c->state_utc != 0 && c->state_utc != v->state_utc) {
        c->progress_utc = now;
    }
    c->state_utc = v->state_utc;
    c->quiet_max_us = v->quiet_max_us;
    c->simulated = v->simulated;
    c->open_alarms = v->open_alarms;
    if (v->open_alarms == 0 && c->alarm.number != 0) {
        c->alarm.number = 0;
        p->dirty = true;
    }
}

/* The type too: an alarm does not wait because the same was a warning a minute ago; nor because the
 * campaign before it ended with one. */
static bool same_key(const struct policy_fact *a, const struct policy_fact *b)
{
    return a->type == b->type && strcmp(a->kind, b->kind) == 0 &&
           strcmp(a->station, b->station) == 0 && strcmp(a->target, b->target) == 0 &&
           (a->type != POLICY_HALT || strcmp(a->campaign, b->campaign) == 0);
}

/* The key of a fact; a new one takes the place of the one that has been silent longest. NULL: each
 * of them holds something. */
static struct policy_key *key_of(struct policy *p, const struct policy_fact *f)
{
    struct policy_key *place = NULL;
    for (int i = 0; i < POLICY_KEYS_MAX; i++) {
        struct policy_key *k = &p->key[i];
        if (k->used && same_key(&k->fact, f)) {
            return k;
        }
        if (!k->held && (place == NULL || k->sent_utc < place->sent_utc)) {
            place = k; /* one that is not used was sent at 0 */
        }
    }
    if (place != NULL) {
        memset(place, 0, sizeof *place);
        place->fact = *f;
        place->used = true;
    }
    return place;
}

static bool over_the_cap(const struct policy *p, const struct policy_fact *f, wn_utc_us now)
{
    wn_utc_us oldest = p->warned_utc[p->warned_at];
    return f->type == POLICY_WARNING && oldest != 0 && now - oldest < HOUR_US;
}

/* Is a message of this key to wait? */
static bool must_wait(const struct policy *p, const struct policy_key *k, wn_utc_us now)
{
    return (k->sent_utc != 0 && now - k->sent_utc < WINDOW_US) || over_the_cap(p, &k->fact, now);
}

static bool send_now(struct policy *p, struct policy_key *k, const struct policy_fact *f,
                     wn_utc_us now)
{
    if (!queue_add(p, f, k != NULL ? k->suppressed : 0, 0, now)) {
        return false;
    }
    if (f->type == POLICY_WARNING) {
        p->warned_utc[p->warned_at] = now;
        p->warned_at = (p->warned_at + 1) % POLICY_WARNINGS_PER_HOUR;
    }
    if (k != NULL) {
        k->sent_utc = now;
        k->suppressed = 0;
        k->held = false;
    }
    return true;
}

bool policy_take(struct policy *p, const struct policy_fact *f, wn_utc_us now)
{
    struct policy_key *k = key_of(p, f);
    p->dirty = true;
    if (k == NULL || (!k->held && !must_wait(p, k, now))) {
        return send_now(p, k, f, now);
    }
    k->suppressed += k->held ? 1 : 0;
    k->held_utc = k->held ? k->held_utc : now;
    k->held = true;
    k->fact = *f; /* the newest is what is told */
    return true;
}

/* False when it is nothing to be told. */
static bool classify(struct policy_campaign *c, struct policy_fact *f)
{
    f->type = POLICY_WARNING;
    if (f->severity == WN_SEVERITY_ALARM) {
        f->type = POLICY_HALT;
        c->not_off = c->not_off || strcmp(f->kind, "not_off") == 0;
        return true;
    }
    if (f->severity == WN_SEVERITY_WARNING) {
        return true;
    }
    f->type = POLICY_RECOVERY;
    if (c->not_off && strcmp(f->kind, "off_verified") == 0) {
        c->not_off = false;
        return true;
    }
    for (size_t i = 0; i < sizeof recoveries / sizeof recoveries[0]; i++) {
        if (strcmp(f->kind, recoveries[i]) == 0) {
            return true;
        }
    }
    return false;
}

/* Past and done with: warnings of last week; and, in a file never seen before (copied here, or the
 * herald's own file was lost), whatever nobody waits for. */
static bool is_past(const struct policy_campaign *c, const struct policy_fact *f, bool acknowledged,
                    wn_utc_us now)
{
    if (now - f->utc <= OLD_US) {
        return false;
    }
    return f->type == POLICY_WARNING || (!c->met && (f->type == POLICY_RECOVERY || acknowledged));
}

/* A person has been there: what was held back is known, and what comes now is new and told at once.
 */
static void open_windows(struct policy *p, const struct policy_fact *f)
{
    for (int i = 0; i < POLICY_KEYS_MAX; i++) {
        struct policy_key *k = &p->key[i];
        if (k->used && k->fact.type == POLICY_HALT && strcmp(k->fact.station, f->station) == 0) {
            k->sent_utc = 0;
            k->held = false;
            k->suppressed = 0;
        }
    }
}

bool policy_event(struct policy *p, struct policy_campaign *c, const struct policy_fact *fact,
                  bool acknowledged, wn_utc_us now)
{
    struct policy_fact f = *fact;
    bool not_off = c->not_off;
    if (f.number <= c->seen) {
        return true;
    }
    if (classify(c, &f) && !is_past(c, &f, acknowledged, now) && !policy_take(p, &f, now)) {
        c->not_off = not_off;
        return false;
    }
    if (f.type == POLICY_HALT) {
        c->alarm = f;
        c->alarm_utc = now;
        c->repeats = 0;
    } else if (strcmp(f.kind, "acknowledged") == 0) {
        open_windows(p, &f);
    }
    c->seen = f.number;
    p->dirty = true;
    return true;
}

void policy_there(struct policy *p, const char *name)
{
    for (int i = 0; i < p->campaigns; i++) {
        struct policy_campaign *c = &p->campaign[i];
        c->there = c->there || strcmp(c->name, name) == 0;
    }
}

void policy_looked(struct policy *p)
{
    int kept = 0;
    for (int i = 0; i < p->campaigns; i++) {
        if (p->campaign[i].there) {
            p->campaign[kept++] = p->campaign[i];
        }
    }
    p->dirty = p->dirty || kept < p->campaigns;
    memset(&p->campaign[kept], 0, sizeof p->campaign[0] * (size_t)(p->campaigns - kept));
    p->campaigns = kept;
    for (int i = 0; i < kept; i++) {
        struct policy_campaign *c = &p->campaign[i];
        c->newest = c->met = true;
        c->there = false; /* until the next look */
        for (int j = 0; j < kept; j++) {
            const struct policy_campaign *o = &p->campaign[j];
            c->newest = c->newest &&
                        !(strcmp(o->station, c->station) == 0 && o->created_utc > c->created_utc);
        }
    }
}

/* Which repetition is due of what was told first at from and n times since; n: none. What was
 * missed in between is told once. */
static int repetition(wn_utc_us from, int n, wn_utc_us now)
{
    while (now - from >= (n == 0 ? REPEAT1_US : REPEAT2_US + (n - 1) * DAY_US)) {
        n++;
    }
    return n;
}

static void repeat_alarm(struct policy *p, struct policy_campaign *c, wn_utc_us now)
{
    if (!c->newest || c->open_alarms == 0 || c->alarm.number == 0) {
        return;
    }
    int n = repetition(c->alarm_utc, c->repeats, now);
    if (n > c->repeats && queue_add(p, &c->alarm, 0, n, now)) {
        c->repeats = n;
        p->dirty = true;
    }
}

/* The held message that has waited longest and may go now. */
static struct policy_key *next_held(struct policy *p, wn_utc_us now)
{
    struct policy_key *best = NULL;
    for (int i = 0; i < POLICY_KEYS_MAX; i++) {
        struct policy_key *k = &p->key[i];
        if (k->held && !must_wait(p, k, now) && (best == NULL || k->held_utc < best->held_utc)) {
            best = k;
        }
    }
    return best;
}

static struct policy_station *station_of(struct policy *p, const char *name)
{
    for (int i = 0; i < p->stations; i++) {
        if (strcmp(p->station[i].name, name) == 0) {
            return &p->station[i];
        }
    }
    if (p->stations == WN_STATIONS_MAX) {
        return NULL;
    }
    struct policy_station *s = &p->station[p->stations++];
    (void)snprintf(s->name, sizeof s->name, "%s", name);
    return s;
}

static bool tell_marker(struct policy *p, const struct policy_station *s, enum policy_type type,
                        int repeat, wn_utc_us now)
{
    bool halt = type == POLICY_HALT;
    struct policy_fact f = {.type = type, .utc = now, .number = ++p->own_number};
    f.severity = halt ? WN_SEVERITY_ALARM : WN_SEVERITY_INFO;
    for (int i = 0; i < p->campaigns; i++) {
        const struct policy_campaign *c = &p->campaign[i];
        f.simulated =
            f.simulated || (c->newest && c->simulated && strcmp(c->station, s->name) == 0);
    }
    (void)snprintf(f.station, sizeof f.station, "%s", s->name);
    (void)snprintf(f.kind, sizeof f.kind, halt ? "not_recorded" : "recording_restored");
    (void)snprintf(
        f.text, sizeof f.text,
        halt ? "station %s has an alarm that its campaign file does not tell: recording has "
               "failed; look at the bench, at its log, and for space on the disk"
             : "the alarm of station %s is recorded now, or was acknowledged",
        s->name);
    return queue_add(p, &f, 0, repeat, now);
}

void policy_marker(struct policy *p, const char *station, bool marked, wn_utc_us now)
{
    struct policy_station *s = station_of(p, station);
    bool recorded = !marked;
    if (s == NULL) {
        return;
    }
    s->marked = marked;
    for (int i = 0; i < p->campaigns; i++) {
        const struct policy_campaign *c = &p->campaign[i];
        recorded =
            recorded || (c->newest && c->open_alarms > 0 && strcmp(c->station, station) == 0);
    }
    if (recorded) {
        if (s->told_utc != 0 && !tell_marker(p, s, POLICY_RECOVERY, 0, now)) {
            return;
        }
        s->since_utc = s->told_utc = 0;
        s->repeats = 0;
        return;
    }
    s->since_utc = s->since_utc != 0 ? s->since_utc : now;
    int n = s->told_utc != 0 ? repetition(s->told_utc, s->repeats, now) : 0;
    bool first = s->told_utc == 0 && now - s->since_utc >= RECORD_US;
    if ((first || n > s->repeats) && tell_marker(p, s, POLICY_HALT, n, now)) {
        s->told_utc = first ? now : s->told_utc;
        s->repeats = n;
    }
}

void policy_turn(struct policy *p, wn_utc_us now)
{
    queue_expire(p, now);
    for (struct policy_key *k; (k = next_held(p, now)) != NULL && send_now(p, k, &k->fact, now);) {
        p->dirty = true;
    }
    for (int i = 0; i < p->campaigns; i++) {
        repeat_alarm(p, &p->campaign[i], now);
    }
}

const struct policy_campaign *policy_present(const struct policy *p, const struct policy_fact *f)
{
    for (int i = 0; i < p->campaigns; i++) {
        const struct policy_campaign *c = &p->campaign[i];
        if (strcmp(c->name, f->campaign) == 0 && c->created_utc == f->created_utc) {
            return c;
        }
    }
    return NULL;
}

void policy_first_day(struct policy *p, int64_t day, int minute)
{
    p->digest_day = minute >= p->digest_minute ? day : -1;
}

bool policy_digest_due(const struct policy *p, int64_t day, int minute)
{
    return p->digest_minute >= 0 && minute >= p->digest_minute && day != p->digest_day;
}

void policy_digest(struct policy *p, const char *text, int64_t day, wn_utc_us now)
{
    struct policy_fact f = {.type = POLICY_DIGEST, .severity = WN_SEVERITY_INFO, .utc = now};
    (void)snprintf(f.kind, sizeof f.kind, "digest");
    queue_drop_digest(p); /* yesterday's is of no use any more */
    (void)snprintf(p->digest, sizeof p->digest, "%s", text);
    f.number = ++p->own_number;
    (void)queue_add(p, &f, 0, 0, now);
    p->digest_day = day;
    p->dirty = true;
}

static bool is_over(const struct policy_campaign *c)
{
    return strcmp(c->status, "finished") == 0 || strcmp(c->status, "stopped") == 0;
}

bool policy_ping_due(const struct policy *p, wn_utc_us now)
{
    bool fresh = false;
    if (p->ping_every_us == 0 || (p->ping_utc != 0 && now - p->ping_utc < p->ping_every_us)) {
        return false;
    }
    for (int i = 0; i < p->stations; i++) {
        if (p->station[i].marked) {
            return false;
        }
    }
    for (int i = 0; i < p->campaigns; i++) {
        const struct policy_campaign *c = &p->campaign[i];
        if (!c->newest) {
            continue;
        }
        bool well = c->progress_utc != 0 && now - c->progress_utc <= c->quiet_max_us;
        if (c->open_alarms > 0 || (!well && !is_over(c))) {
            return false;
        }
        fresh = fresh || well;
    }
    return fresh;
}

void policy_pinged(struct policy *p, wn_utc_us now)
{
    p->ping_utc = now;
}

static void clamp(wn_utc_us *t, wn_utc_us now)
{
    *t = *t > now ? now : *t;
}

void policy_clamp(struct policy *p, wn_utc_us now)
{
    for (int i = 0; i < p->campaigns; i++) {
        clamp(&p->campaign[i].alarm_utc, now);
    }
    for (int i = 0; i < POLICY_KEYS_MAX; i++) {
        clamp(&p->key[i].sent_utc, now);
        clamp(&p->key[i].held_utc, now);
    }
    for (int i = 0; i < POLICY_WARNINGS_PER_HOUR; i++) {
        clamp(&p->warned_utc[i], now);
    }
    for (int i = 0; i < POLICY_MESSAGES_MAX; i++) {
        struct policy_message *m = &p->message[i];
        clamp(&m->queued_utc, now);
        for (int t = 0; t < p->targets; t++) {
            clamp(&m->to[t].due_utc, now);
        }
    }
}
