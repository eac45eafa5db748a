/* Campaign file: the small change of SQLite.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "store/internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/statvfs.h>

static double free_mb(const char *path)
{
    struct statvfs v;
    return statvfs(path, &v) == 0 ? (double)v.f_bavail * (double)v.f_frsize / 1e6 : NAN;
}

int sql_error(struct wn_campaign *c, const char *doing, int rc, struct wn_error *err)
{
    const char *text = c->db != NULL ? sqlite3_errmsg(c->db) : sqlite3_errstr(rc);
    switch (rc & 0xff) {
    case SQLITE_FULL:
        return wn_error_set(err, WN_ENOSPACE, "%s: %s: no space left (%.1f MB free): make room on this disk",
                            c->path, doing, free_mb(c->path));
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
        return wn_error_set(err, WN_ECORRUPT,
                            "%s: %s: %s: keep the file as it is and go on from a backup", c->path, doing, text);
    case SQLITE_CANTOPEN:
        return wn_error_set(err, WN_ENOENT,
                            "%s: cannot be opened: is the name right? After a power cut a campaign is "
                            "readable once its service has run again",
                            c->path);
    case SQLITE_READONLY:
    case SQLITE_PERM:
    case SQLITE_AUTH:
        return wn_error_set(err, WN_EACCESS,
                            "%s: %s: not permitted: read it as the service's user or a member of its group, "
                            "with the service running",
                            c->path, doing);
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return wn_error_set(err, WN_EBUSY, "%s: %s: another program is writing to it", c->path, doing);
    case SQLITE_NOMEM:
        return wn_error_set(err, WN_ENOMEM, "%s: %s: out of memory", c->path, doing);
    default:
        return wn_error_set(err, WN_EIO, "%s: %s: %s (%d)", c->path, doing, text, rc);
    }
}

int sql_exec(struct wn_campaign *c, const char *sql, struct wn_error *err)
{
    int rc = sqlite3_exec(c->db, sql, NULL, NULL, NULL);
    return rc == SQLITE_OK ? WN_OK : sql_error(c, "writing", rc, err);
}

int sql_prepare(struct wn_campaign *c, const char *sql, sqlite3_stmt **out, struct wn_error *err)
{
    int rc = sqlite3_prepare_v2(c->db, sql, -1, out, NULL);
    return rc == SQLITE_OK ? WN_OK : sql_error(c, "preparing", rc, err);
}

int sql_run(struct wn_campaign *c, sqlite3_stmt *s, const char *doing, struct wn_error *err)
{
    int rc = sqlite3_step(s);
    int result = rc == SQLITE_DONE || rc == SQLITE_ROW ? WN_OK : sql_error(c, doing, rc, err);
    (void)sqlite3_reset(s);
    return result;
}

int sql_int(struct wn_campaign *c, const char *sql, int64_t *out, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    int rc = sql_prepare(c, sql, &s, err);
    if (rc == WN_OK) {
        int step = sqlite3_step(s);
        rc = step == SQLITE_ROW ? WN_OK : sql_error(c, "reading", step, err);
        *out = sqlite3_column_int64(s, 0);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

int sql_text(struct wn_campaign *c, const char *sql, char *out, size_t size, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    int rc = sql_prepare(c, sql, &s, err);
    if (rc == WN_OK) {
        int step = sqlite3_step(s);
        const char *text = (const char *)sqlite3_column_text(s, 0);
        rc = step == SQLITE_ROW ? WN_OK : sql_error(c, "reading", step, err);
        (void)snprintf(out, size, "%s", text != NULL ? text : "");
    }
    (void)sqlite3_finalize(s);
    return rc;
}

void bind_double(sqlite3_stmt *s, int i, double x)
{
    if (isfinite(x)) {
        (void)sqlite3_bind_double(s, i, x);
    } else {
        (void)sqlite3_bind_null(s, i);
    }
}

double column_double(sqlite3_stmt *s, int i)
{
    return sqlite3_column_type(s, i) == SQLITE_NULL ? NAN : sqlite3_column_double(s, i);
}

void bind_columns(sqlite3_stmt *s, int from, const struct column *list, int n, const void *record)
{
    for (int i = 0; i < n; i++) {
        const void *at = (const char *)record + list[i].offset;
        if (list[i].type == 'd') {
            double x;
            memcpy(&x, at, sizeof x);
            bind_double(s, from + i, x);
        } else if (list[i].type == 'i') {
            int64_t x;
            memcpy(&x, at, sizeof x);
            (void)sqlite3_bind_int64(s, from + i, x);
        } else {
            unsigned x;
            memcpy(&x, at, sizeof x);
            (void)sqlite3_bind_int64(s, from + i, x);
        }
    }
}

void read_columns(sqlite3_stmt *s, int from, const struct column *list, int n, void *record)
{
    for (int i = 0; i < n; i++) {
        void *at = (char *)record + list[i].offset;
        if (list[i].type == 'd') {
            double x = column_double(s, from + i);
            memcpy(at, &x, sizeof x);
        } else if (list[i].type == 'i') {
            int64_t x = sqlite3_column_int64(s, from + i);
            memcpy(at, &x, sizeof x);
        } else {
            unsigned x = (unsigned)sqlite3_column_int64(s, from + i);
            memcpy(at, &x, sizeof x);
        }
    }
}

void list_names(char *buf, size_t size, const struct column *list, int n)
{
    size_t at = strlen(buf);
    for (int i = 0; i < n && at < size; i++) {
        int wrote = snprintf(buf + at, size - at, "%s%s", at > 0 ? ", " : "", list[i].name);
        at += wrote > 0 ? (size_t)wrote : 0;
    }
}
