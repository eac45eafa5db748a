/* Messages on their way to the targets: order, retries, expiry.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "herald/queue.h"

#include <stdio.h>
#include <string.h>

#define SECOND_US        INT64_C(1000000)
#define DAY_US           (86400 * SECOND_US)
#define RETRY_FIRST_US   (10 * SECOND_US)
#define RETRY_MAX_US     (2880 * SECOND_US) /* with the jitter at most an hour */
#define RETRY_JITTER     0.25
#define EXPIRY_US        (7 * DAY_US)
#define DIGEST_EXPIRY_US DAY_US
#define TEMPORARY_ALLOWED                                                                          \
    2 /* in a row, before a target counts as failing: greylisting is normal                        \
       */

static bool meant_for(const struct policy *p, const struct policy_fact *f, int target)
{
    const struct policy_target *t = &p->target[target];
    switch (f->type) {
    case POLICY_HALT:
    case POLICY_RECOVERY:
        return true;
    case POLICY_TARGET:
        return strcmp(f->target, t->name) != 0;
    case POLICY_WARNING:
    case POLICY_DIGEST:
    case POLICY_TEST:
    case POLICY_TYPES:
        break;
    }
    return t->severity <= WN_SEVERITY_WARNING;
}

bool queue_wants(const struct policy *p, const struct policy_message *m, int target)
{
    return m->live && (m->delivered & (1u << target)) == 0 && meant_for(p, &m->fact, target);
}

void queue_settle(struct policy *p, struct policy_message *m)
{
    bool wanted = m->running != 0;
    for (int t = 0; t < p->targets; t++) {
        wanted = wanted || queue_wants(p, m, t);
    }
    m->live = m->live && wanted;
}

static bool may_expire(const struct policy_message *m)
{
    return m->fact.type != POLICY_HALT && m->fact.type != POLICY_RECOVERY;
}

static struct policy_message *older(struct policy_message *a, struct policy_message *b)
{
    return a == NULL || b->serial < a->serial ? b : a;
}

/* A free place; else that of the oldest warning; else of the oldest message that has reached
 * somebody. */
static struct policy_message *find_place(struct policy *p)
{
    struct policy_message *lesser = NULL, *known = NULL;
    for (int i = 0; i < POLICY_MESSAGES_MAX; i++) {
        struct policy_message *m = &p->message[i];
        if (!m->live && m->running == 0) {
            return m;
        }
        if (m->running == 0 && may_expire(m)) {
            lesser = older(lesser, m);
        } else if (m->running == 0 && m->delivered != 0) {
            known = older(known, m);
        }
    }
    return lesser != NULL ? lesser : known;
}

/* A target that still waits for an alarm of the campaign needs no repetition of it. */
static unsigned told_anyway(const struct policy *p, const struct policy_message *fresh)
{
    unsigned bits = 0;
    for (int i = 0; i < POLICY_MESSAGES_MAX; i++) {
        const struct policy_message *m = &p->message[i];
        if (m == fresh || !m->live || m->fact.type != POLICY_HALT ||
            strcmp(m->fact.campaign, fresh->fact.campaign) != 0) {
            continue;
        }
        for (int t = 0; t < p->targets; t++) {
            bits |= queue_wants(p, m, t) ? 1u << t : 0;
        }
    }
    return bits;
}

bool queue_add(struct policy *p, const struct policy_fact *f, int64_t suppressed, int repeat,
               wn_utc_us now)
{
    bool wanted = false;
    for (int t = 0; t < p->targets; t++) {
        wanted = wanted || meant_for(p, f, t);
    }
    if (!wanted) {
        return true;
    }
    struct policy_message *m = find_place(p);
    if (m == NULL) {
        return false;
    }
    memset(m, 0, sizeof *m);
    m->live = true;
    m->fact = *f;
    m->serial = ++p->serial;
    m->suppressed = suppressed;
    m->repeat = repeat;
    m->queued_utc = now;
    for (int t = 0; t < p->targets; t++) {
        m->to[t].due_utc = now;
    }
    if (repeat > 0) {
        m->delivered = told_anyway(p, m);
        queue_settle(p, m);
    }
    p->dirty = true;
    return true;
}

void queue_expire(struct policy *p, wn_utc_us now)
{
    for (int i = 0; i < POLICY_MESSAGES_MAX; i++) {
        struct policy_message *m = &p->message[i];
        wn_utc_us limit = m->fact.type == POLICY_DIGEST ? DIGEST_EXPIRY_US : EXPIRY_US;
        if (m->live && m->running == 0 && may_expire(m) && now - m->queued_utc >= limit) {
            m->live = false;
            p->dirty = true;
        }
    }
}

void queue_drop_digest(struct policy *p)
{
    for (int i = 0; i < POLICY_MESSAGES_MAX; i++) {
        if (p->message[i].live && p->message[i].fact.type == POLICY_DIGEST) {
            p->message[i].live = false;
        }
    }
}

struct policy_message *policy_next(struct policy *p, int target, wn_utc_us now)
{
    struct policy_message *best = NULL;
    for (int i = 0; i < POLICY_MESSAGES_MAX; i++) {
        struct policy_message *m = &p->message[i];
        if (!queue_wants(p, m, target) || m->to[target].due_utc > now) {
            continue;
        }
        if (best == NULL || m->fact.type < best->fact.type ||
            (m->fact.type == best->fact.type && m->serial < best->serial)) {
            best = m;
        }
    }
    if (best != NULL) {
        best->running |= 1u << target;
    }
    return best;
}

static void tell_target(struct policy *p, int target, enum policy_type type, const char *kind,
                        const char *what, const char *why, wn_utc_us now)
{
    struct policy_fact f = {.type = type, .severity = WN_SEVERITY_WARNING, .utc = now};
    f.severity = type == POLICY_RECOVERY ? WN_SEVERITY_INFO : WN_SEVERITY_WARNING;
    f.number = ++p->own_number;
    (void)snprintf(f.target, sizeof f.target, "%s", p->target[target].name);
    (void)snprintf(f.kind, sizeof f.kind, "%s", kind);
    (void)snprintf(f.text, sizeof f.text, "alert target %s %s%.150s", p->target[target].name, what,
                   why);
    (void)policy_take(p, &f, now); /* no room for it: those who wait are many already */
}

static void set_failing(struct policy *p, int target, bool failing, const char *why, wn_utc_us now)
{
    struct policy_target *t = &p->target[target];
    if (t->failing == failing) {
        return;
    }
    t->failing = failing;
    p->dirty = true;
    if (failing) {
        tell_target(p, target, POLICY_TARGET, "alert_target_failed", "fails: ", why, now);
    } else {
        tell_target(p, target, POLICY_RECOVERY, "alert_target_works", "works again", "", now);
    }
}

/* It works again: what had to wait longer and longer goes now. */
static void wake_up(struct policy *p, int target, wn_utc_us now)
{
    for (int i = 0; i < POLICY_MESSAGES_MAX; i++) {
        if (queue_wants(p, &p->message[i], target)) {
            p->message[i].to[target].due_utc = now;
        }
    }
}

void policy_done(struct policy *p, struct policy_message *m, int target,
                 enum policy_outcome outcome, const char *why, wn_utc_us now)
{
    struct policy_target *t = &p->target[target];
    m->running &= ~(1u << target);
    p->dirty = true;
    if (outcome == POLICY_DELIVERED) {
        m->delivered |= 1u << target;
        queue_settle(p, m);
        t->success_utc = now;
        if (t->failures > 0) {
            t->failures = 0;
            wake_up(p, target, now);
        }
        set_failing(p, target, t->missing[0] != '\0', t->missing, now);
        return;
    }
    int tries = m->to[target].tries++;
    int64_t wait = tries < 20 ? RETRY_FIRST_US << tries : RETRY_MAX_US;
    wait = wait < RETRY_MAX_US ? wait : RETRY_MAX_US;
    wait += (int64_t)((double)wait * RETRY_JITTER * wn_prng_uniform(&p->prng));
    m->to[target].due_utc = now + wait;
    t->failures++;
    t->failure_utc = now;
    (void)snprintf(t->failure, sizeof t->failure, "%s", why);
    if (outcome == POLICY_FAILED || t->failures > TEMPORARY_ALLOWED) {
        set_failing(p, target, true, why, now);
    }
}

void policy_check(struct policy *p, int target, const char *missing, wn_utc_us now)
{
    struct policy_target *t = &p->target[target];
    bool before = t->missing[0] != '\0';
    (void)snprintf(t->missing, sizeof t->missing, "%s", missing);
    if (missing[0] != '\0') {
        set_failing(p, target, true, missing, now);
    } else if (before) {
        wake_up(p, target, now);
        set_failing(p, target, t->failures > TEMPORARY_ALLOWED, t->failure, now);
    }
}

int policy_waiting(const struct policy *p, int target)
{
    int n = 0;
    for (int i = 0; i < POLICY_MESSAGES_MAX; i++) {
        n += queue_wants(p, &p->message[i], target) ? 1 : 0;
    }
    return n;
}

bool policy_channel_works(const struct policy *p)
{
    for (int i = 0; i < p->targets; i++) {
        if (!p->target[i].failing) {
            return true;
        }
    }
    return false;
}
