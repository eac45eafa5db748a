/* A herald's policy in simulated time, and the mailbox of each target.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef TESTS_HERALD_BENCH_H
#define TESTS_HERALD_BENCH_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <cmocka.h>

#include "herald/policy.h"

#define SECOND INT64_C(1000000)
#define MINUTE (60 * SECOND)
#define HOUR   (60 * MINUTE)
#define DAY    (24 * HOUR)
#define START  (INT64_C(1767225600) * SECOND) /* 2026-01-01 */

enum { MAIL_MAX = 4000 };

struct mail {
    wn_utc_us utc;
    int target;
    struct policy_message m;
};

static struct policy p;
static struct wn_alert_config alert;
static wn_utc_us now;
static struct mail mail[MAIL_MAX];
static int mails;
static enum policy_outcome outcome[WN_HOOKS_MAX]; /* of every delivery to that target */
static int64_t next_number;
static bool silent[WN_HOOKS_MAX]; /* that target is not served */

static inline void set_up(int targets)
{
    memset(&alert, 0, sizeof alert);
    memset(outcome, 0, sizeof outcome);
    memset(silent, 0, sizeof silent);
    alert.digest_minute = -1;
    alert.hooks = targets;
    for (int i = 0; i < targets; i++) {
        (void)snprintf(alert.hook[i].program, sizeof alert.hook[i].program, "/hooks/h%d", i);
        alert.hook[i].severity = WN_SEVERITY_WARNING;
    }
    now = START;
    mails = 0;
    next_number = 1;
    policy_init(&p, &alert, 1);
}

static inline struct policy_campaign *campaign(const char *name)
{
    struct policy_campaign *c = policy_campaign(&p, name, START - HOUR);
    assert_non_null(c);
    return c;
}

/* How the campaign is, as its file tells it; the look is over after that. */
static inline void look(const char *name, const char *status, int64_t open, wn_utc_us state)
{
    const struct policy_view v = {"A", status, false, open, state, 2 * MINUTE};
    policy_look(&p, campaign(name), &v, now);
    policy_looked(&p);
}

static inline struct policy_fact fact(enum wn_severity severity, const char *kind)
{
    struct policy_fact f = {.severity = severity,
                            .station = "A",
                            .campaign = "c",
                            .cell = "cell",
                            .created_utc = START - HOUR,
                            .utc = now,
                            .number = next_number++};
    (void)snprintf(f.kind, sizeof f.kind, "%s", kind);
    (void)snprintf(f.text, sizeof f.text, "text %lld", (long long)f.number);
    return f;
}

static inline bool event(enum wn_severity severity, const char *kind)
{
    struct policy_fact f = fact(severity, kind);
    return policy_event(&p, campaign("c"), &f, false, now);
}

/* Everything that may be sent now, with what comes of it at once. */
static inline void serve(void)
{
    policy_turn(&p, now);
    for (int t = 0; t < p.targets; t++) {
        for (struct policy_message *m; !silent[t] && (m = policy_next(&p, t, now)) != NULL;) {
            assert_true(mails < MAIL_MAX);
            mail[mails++] = (struct mail){now, t, *m};
            policy_done(&p, m, t, outcome[t], outcome[t] == POLICY_DELIVERED ? "" : "broken", now);
        }
    }
}

/* Time passes, in steps no longer than the herald's own looks and no more than needed. */
static inline void pass(int64_t us, int64_t step)
{
    for (wn_utc_us end = now + us; now < end;) {
        now += end - now < step ? end - now : step;
        serve();
    }
}

static inline int count(const char *kind, int target)
{
    int n = 0;
    for (int i = 0; i < mails; i++) {
        n += strcmp(mail[i].m.fact.kind, kind) == 0 && mail[i].target == target ? 1 : 0;
    }
    return n;
}

static inline const struct mail *last(const char *kind)
{
    for (int i = mails - 1; i >= 0; i--) {
        if (strcmp(mail[i].m.fact.kind, kind) == 0) {
            return &mail[i];
        }
    }
    fail_msg("nothing of kind %s was sent", kind);
    return NULL;
}

#endif
