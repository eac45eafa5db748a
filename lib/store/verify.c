/* Campaign file: what can be wrong in it, one query each.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Each query gives the rows that are wrong: the row's number, and what is wrong with it. Numbers
 * are given without gaps and times never go back while a campaign is recorded, whatever happens to
 * the station; what a log of another program says is taken as it is told. */
#include "store/internal.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/sha256.h"

enum { TOLD_MAX = 20 };

#define DRIVEN "(SELECT imported FROM campaign) = 0"
/* rows of a numbered table whose number does not follow the one before */
#define NUMBERS(table, number)                                                                     \
    "SELECT " number ", CASE WHEN before + 1 = " number " - 1 THEN 'number ' || (before + 1) ||"   \
    " ' is missing' ELSE 'numbers ' || (before + 1) || ' to ' || (" number " - 1) ||"              \
    " ' are missing' END FROM (SELECT " number ", lag(" number ", 1, 0) OVER (ORDER BY " number    \
    ") AS before FROM " table ") WHERE " number " <> before + 1"
/* rows whose column is less than that of the row before */
#define ORDER(table, number, column, what)                                                         \
    "SELECT " number ", '" what "' FROM (SELECT " number ", " column ", lag(" column               \
    ") OVER (ORDER BY " number ") AS before FROM " table ") WHERE " column " < before"
/* names of what the schema has to have */
#define PRESENT(type, list)                                                                        \
    "SELECT NULL, 'there is no " type " ' || value FROM json_each('[" list "]') WHERE NOT EXISTS"  \
    " (SELECT 1 FROM sqlite_master WHERE type = '" type "' AND name = value)"
#define ONE(table) "SELECT NULL, 'has ' || count(*) || ' rows' FROM " table " HAVING count(*) <> 1"

static const struct check {
    const char *check, *table, *sql;
} checks[] = {
    {"integrity", "",
     "SELECT NULL, integrity_check FROM pragma_integrity_check(20)"
     " WHERE integrity_check <> 'ok'"},
    {"foreign_keys", "",
     "SELECT rowid, 'points to nothing in ' || parent FROM"
     " pragma_foreign_key_check"},
    {"schema", "",
     PRESENT("view", "\"about\",\"fade\",\"cycles\",\"check_ups\",\"steps\",\"events\","
                     "\"readings\",\"instruments\",\"sessions\"")},
    {"schema", "event", PRESENT("trigger", "\"event_is_kept\",\"event_is_not_changed\"")},
    {"rows", "campaign", ONE("campaign")},
    {"rows", "cell", ONE("cell")},
    {"rows", "config", ONE("config")},
    {"status", "campaign",
     "SELECT NULL, 'status is ' || status || ', which is none' FROM campaign WHERE status NOT IN"
     " ('new', 'importing', 'running', 'paused', 'halted', 'finished', 'stopped')"},
    {"status", "campaign",
     "SELECT NULL, 'is ' || status || ', and no event tells that it was begun' FROM campaign WHERE"
     " status NOT IN ('new', 'importing') AND NOT EXISTS (SELECT 1 FROM event WHERE kind IN"
     " ('started', 'imported'))"},
    {"status", "campaign",
     "SELECT NULL, 'is finished, and no event tells it' FROM campaign WHERE status = 'finished'"
     " AND imported = 0 AND NOT EXISTS (SELECT 1 FROM event WHERE kind = 'finished')"},
    {"status", "campaign",
     "SELECT NULL, 'is ' || status || ', and an event tells that it is finished' FROM campaign"
     " WHERE status NOT IN ('finished', 'stopped') AND EXISTS (SELECT 1 FROM event WHERE kind ="
     " 'finished')"},
    {"planned", "campaign",
     "SELECT NULL, 'has ' || (SELECT count(*) FROM cycle) || ' cycles, ' || cycles_planned ||"
     " ' were planned' FROM campaign WHERE imported = 0 AND (SELECT count(*) FROM cycle) >"
     " cycles_planned"},
    {"state", "state",
     "SELECT NULL, 'is missing: the campaign cannot go on' FROM campaign WHERE status IN"
     " ('running', 'paused', 'halted') AND NOT EXISTS (SELECT 1 FROM state)"},

    {"numbers", "reading", NUMBERS("reading", "number")},
    {"time", "reading", ORDER("reading", "number", "time_ns", "is earlier than the one before it")},
    {"step", "reading",
     ORDER("reading", "number", "step", "belongs to an earlier step than the one before it")},
    {"step", "reading",
     "SELECT number, 'belongs to step ' || step || ', which is not there' FROM reading r WHERE"
     " step <> 0 AND NOT EXISTS (SELECT 1 FROM step s WHERE s.step = r.step)"},
    {"value", "reading",
     "SELECT number, 'has no voltage or no current' FROM reading WHERE voltage_v IS NULL OR"
     " current_a IS NULL"},
    {"value", "reading",
     "SELECT number, 'output_on is ' || output_on FROM reading WHERE output_on NOT IN (0, 1)"},

    {"numbers", "step", NUMBERS("step", "step")},
    {"time", "step", ORDER("step", "step", "start_ns", "begins before the one before it")},
    {"time", "step", "SELECT step, 'ends before it begins' FROM step WHERE end_ns < start_ns"},
    {"time", "step",
     "SELECT step, 'begins before the one before it has ended' FROM (SELECT step, start_ns,"
     " lag(end_ns) OVER (ORDER BY step) AS before FROM step) WHERE start_ns < before"},
    {"end", "step",
     "SELECT step, 'has no end, and is not the last one' FROM step WHERE (end_ns IS NULL OR"
     " coalesce(ended_by, '') = '') AND step < (SELECT max(step) FROM step)"},
    {"end", "step",
     "SELECT step, 'has no end, and the campaign has one' FROM step, campaign WHERE end_ns IS NULL"
     " AND status = 'finished'"},
    {"kind", "step",
     "SELECT step, 'is of kind ' || kind || ', which is none' FROM step WHERE kind NOT BETWEEN 0"
     " AND 4 OR in_check_up NOT IN (0, 1)"},
    {"cycle", "step",
     "SELECT step, 'belongs to an earlier cycle than the one before it' FROM (SELECT step, cycle,"
     " lag(cycle) OVER (PARTITION BY in_check_up ORDER BY step) AS before FROM step WHERE cycle >"
     " 0) WHERE cycle < before"},

    {"numbers", "cycle", "SELECT * FROM (" NUMBERS("cycle", "cycle") ") WHERE " DRIVEN},
    {"time", "cycle", "SELECT cycle, 'ends before it begins' FROM cycle WHERE end_ns < start_ns"},
    {"time", "cycle",
     "SELECT cycle, 'begins before the one before it has ended' FROM (SELECT cycle, start_ns,"
     " lag(end_ns) OVER (ORDER BY cycle) AS before FROM cycle) WHERE start_ns < before"},
    {"steps", "cycle",
     "SELECT cycle, 'has no steps' FROM cycle c WHERE NOT EXISTS (SELECT 1 FROM step s WHERE"
     " s.cycle = c.cycle AND s.in_check_up = 0)"},
    {"missing", "cycle",
     "SELECT cycle, 'is missing: its steps are there, and all have ended' FROM (SELECT cycle,"
     " max(step) AS last FROM step WHERE in_check_up = 0 AND cycle > 0 GROUP BY cycle) s WHERE NOT"
     " EXISTS (SELECT 1 FROM cycle c WHERE c.cycle = s.cycle) AND (EXISTS (SELECT 1 FROM step WHERE"
     " step > s.last) OR (SELECT status FROM campaign) = 'finished') AND " DRIVEN},

    {"numbers", "check_up", NUMBERS("check_up", "check_up")},
    {"time", "check_up",
     "SELECT check_up, 'ends before it begins' FROM check_up WHERE end_ns < start_ns"},
    {"time", "check_up",
     ORDER("check_up", "check_up", "start_ns", "begins before the one before it")},
    {"order", "check_up",
     ORDER("check_up", "check_up", "after_cycle", "is after an earlier cycle than the one before")},
    {"order", "check_up",
     "SELECT check_up, 'is after cycle ' || after_cycle || ', which is not there' FROM check_up"
     " WHERE after_cycle > (SELECT count(*) FROM cycle) AND " DRIVEN},
    {"steps", "check_up",
     "SELECT check_up, 'has no steps' FROM check_up c WHERE NOT EXISTS (SELECT 1 FROM step s WHERE"
     " s.cycle = c.check_up AND s.in_check_up = 1) AND " DRIVEN},
    {"missing", "check_up",
     "SELECT cycle, 'is missing: its steps are there, and all have ended' FROM (SELECT cycle,"
     " max(step) AS last FROM step WHERE in_check_up = 1 GROUP BY cycle) s WHERE NOT EXISTS (SELECT"
     " 1 FROM check_up c WHERE c.check_up = s.cycle) AND (EXISTS (SELECT 1 FROM step WHERE step >"
     " s.last) OR (SELECT status FROM campaign) = 'finished')"},

    {"numbers", "event", NUMBERS("event", "number")},
    /* a station that starts tells the time of the last state it has */
    {"time", "event",
     "SELECT number, 'is earlier than the one before it' FROM (SELECT number, kind, time_ns,"
     " lag(time_ns) OVER (ORDER BY number) AS before, lag(kind) OVER (ORDER BY number) AS what FROM"
     " event) WHERE time_ns < before AND kind <> 'restarted' AND what <> 'restarted'"},
    {"value", "event",
     "SELECT number, 'severity is ' || severity FROM event WHERE severity NOT IN (0, 1, 2)"},
    {"acknowledged", "event",
     "SELECT number, 'is acknowledged without a name or a time, or is no alarm' FROM event WHERE"
     " (acknowledged_by IS NULL) <> (acknowledged_utc_us IS NULL) OR (acknowledged_by IS NOT NULL"
     " AND severity <> 2)"},
    {"cycle", "event",
     "SELECT number, 'is of cycle ' || cycle || ', which was not begun' FROM event WHERE cycle >"
     " (SELECT coalesce(max(cycle), 0) + 1 FROM cycle) AND " DRIVEN},

    {"numbers", "intent", NUMBERS("intent", "number")},
    {"time", "intent", ORDER("intent", "number", "time_ns", "is earlier than the one before it")},
    {"step", "intent",
     "SELECT number, 'is of step ' || step || ', which is not there' FROM intent i WHERE"
     " step <> 0 AND NOT EXISTS (SELECT 1 FROM step s WHERE s.step = i.step)"},
    {"numbers", "session", NUMBERS("session", "session")},
};

static int run_check(struct wn_campaign *c, const struct check *k, wn_file_finding_fn fn, void *ctx,
                     struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    int n = 0, step = SQLITE_DONE;
    int rc = sql_prepare(c, k->sql, &s, err);
    while (rc == WN_OK && (step = sqlite3_step(s)) == SQLITE_ROW) {
        struct wn_file_finding f = {.check = k->check, .table = k->table};
        f.has_row = sqlite3_column_type(s, 0) != SQLITE_NULL;
        f.row = sqlite3_column_int64(s, 0);
        column_text(s, 1, f.text, sizeof f.text);
        for (char *at = f.text; *at != '\0'; at++) {
            *at = *at == '\n' ? ' ' : *at;
        }
        if (++n > TOLD_MAX) {
            f.has_row = false;
            (void)snprintf(f.text, sizeof f.text, "and more of the same");
            fn(&f, ctx);
            step = SQLITE_DONE;
            break;
        }
        fn(&f, ctx);
    }
    if (rc == WN_OK && step != SQLITE_DONE) {
        rc = sql_error(c, "verifying", step, err);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

static int check_config(struct wn_campaign *c, wn_file_finding_fn fn, void *ctx,
                        struct wn_error *err)
{
    char *text = NULL, stored[65] = "", hash[65];
    int rc = wn_campaign_frozen_config(c, &text, stored, err);
    if (rc == WN_OK) {
        wn_sha256_hex(text, strlen(text), hash);
        if (strcmp(hash, stored) != 0) {
            struct wn_file_finding f = {.check = "sha256", .table = "config"};
            (void)snprintf(
                f.text, sizeof f.text,
                "the frozen configuration was changed: its SHA-256 is %s, recorded is %s", hash,
                stored);
            fn(&f, ctx);
        }
    }
    free(text);
    return rc;
}

enum { CHECKS = (int)(sizeof checks / sizeof checks[0]) };

/* Those that go through the readings take nearly all of the time. */
static int count_stages(int upto)
{
    int n = 0;
    for (int i = 0; i < upto; i++) {
        n += strcmp(checks[i].table, "reading") == 0 || strcmp(checks[i].check, "integrity") == 0;
    }
    return n;
}

/* A query that fails is a finding of its own: the others go on. */
int wn_campaign_verify(struct wn_campaign *c, wn_file_finding_fn fn, void *ctx,
                       const struct wn_progress *progress)
{
    struct wn_error err = {0};
    struct sql_watch watch;
    int64_t pages = 0;
    int failed = WN_OK;
    (void)sql_int(c, "PRAGMA page_count", &pages, &err);
    for (int i = 0; i <= CHECKS; i++) {
        bool last = i == CHECKS;
        sql_watch(&watch, c->db, progress, pages, count_stages(i), count_stages(CHECKS));
        int rc = last ? check_config(c, fn, ctx, &err) : run_check(c, &checks[i], fn, ctx, &err);
        sql_watch_end(&watch);
        if (rc != WN_OK) {
            struct wn_file_finding f = {.check = last ? "sha256" : checks[i].check,
                                        .table = last ? "config" : checks[i].table};
            (void)snprintf(f.text, sizeof f.text, "%.220s", err.text);
            fn(&f, ctx);
            failed = rc;
        }
    }
    return failed;
}
