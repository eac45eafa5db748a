/* Campaign file: looking it through, and moving its log into it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/internal.h"

#include <stdio.h>
#include <string.h>

/* Up to here everything is looked through (a second on a slow card); beyond, all but the curves. */
static const int64_t whole_check_bytes = INT64_C(128) * 1024 * 1024;

static int check_with(struct wn_campaign *c, const char *sql, struct wn_error *err)
{
    char word[120] = "";
    int rc = sql_text(c, sql, word, sizeof word, err);
    if (rc == WN_OK && strcmp(word, "ok") != 0) {
        for (char *at = strchr(word, '\n'); at != NULL; at = strchr(at, '\n')) {
            *at = ' '; /* an error is one line */
        }
        rc = wn_error_set(err, WN_ECORRUPT,
                          "%s is damaged (%s): keep it as it is and go on from a backup", c->path,
                          word);
    }
    return rc;
}

int health_quick_check(struct wn_campaign *c, struct wn_error *err)
{
    static const char *const small[] = {"campaign", "cell",     "config", "step",
                                        "cycle",    "check_up", "event",  "state"};
    int64_t pages = 0, page_bytes = 0;
    int rc = sql_int(c, "PRAGMA page_count", &pages, err);
    rc = rc == WN_OK ? sql_int(c, "PRAGMA page_size", &page_bytes, err) : rc;
    if (rc != WN_OK) {
        return rc;
    }
    if (pages * page_bytes <= whole_check_bytes) {
        return check_with(c, "PRAGMA quick_check(1)", err);
    }
    for (size_t i = 0; rc == WN_OK && i < sizeof small / sizeof small[0]; i++) {
        char sql[60];
        (void)snprintf(sql, sizeof sql, "PRAGMA quick_check(%s)", small[i]);
        rc = check_with(c, sql, err);
    }
    return rc;
}

int health_begin(struct wn_campaign *c, struct wn_error *err)
{
    int64_t clean = 1;
    int rc = sql_int(c, "SELECT clean_end FROM campaign", &clean, err);
    if (rc == WN_OK && clean == 0) {
        rc = health_quick_check(c, err);
    }
    return rc == WN_OK ? sql_write_once(c, "UPDATE campaign SET clean_end = 0", NULL, NULL,
                                        "marking the file as in use", err)
                       : rc;
}

/* PASSIVE waits for nobody. A reader in the way is no error: the rest is moved later. */
int health_checkpoint(struct wn_campaign *c, int *frames_left, struct wn_error *err)
{
    int log = 0, moved = 0;
    int rc = sqlite3_wal_checkpoint_v2(c->db, NULL, SQLITE_CHECKPOINT_PASSIVE, &log, &moved);
    c->checkpoint_at = c->wal_frames + 1000;
    *frames_left = log - moved;
    if (rc == SQLITE_OK || rc == SQLITE_BUSY || rc == SQLITE_LOCKED) {
        *frames_left = rc == SQLITE_OK ? *frames_left : 1;
        return WN_OK;
    }
    return sql_error(c, "moving the log into the file", rc, err);
}
