/* Campaign file: the small change of SQLite.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "store/internal.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"

/* A reader without the right to write needs the -shm file that a running service keeps. */
static int cannot_open(struct wn_campaign *c, const char *doing, int rc, struct wn_error *err)
{
    int why = c->db != NULL ? sqlite3_system_errno(c->db) : 0;
    if (why == EMFILE || why == ENFILE) {
        return wn_error_set(err, WN_EIO, "%s: %s: too many files are open", c->path, doing);
    }
    if (rc == SQLITE_CANTOPEN_SYMLINK) {
        return wn_error_set(err, WN_EINVAL, "%s is a symbolic link: give the file's own name",
                            c->path);
    }
    if (c->writing) {
        return wn_error_set(err, why == ENOSPC ? WN_ENOSPACE : WN_EACCESS,
                            "%s: %s: cannot be opened (%s): the file and its directory must belong "
                            "to the service's user, on a disk with room",
                            c->path, doing, why != 0 ? strerror(why) : sqlite3_errstr(rc));
    }
    return wn_error_set(
        err, WN_EACCESS,
        "%s: cannot be opened (%s): read it as the service's user or as a member of its group; "
        "after a power cut it can be read again once its service has run",
        c->path, why != 0 ? strerror(why) : sqlite3_errstr(rc));
}

static int read_only(struct wn_campaign *c, const char *doing, struct wn_error *err)
{
    if (c->writing) {
        return wn_error_set(err, WN_EACCESS,
                            "%s: %s: the file, its -wal or its -shm cannot be written: all three "
                            "must belong to the service's user, on a disk mounted for writing",
                            c->path, doing);
    }
    return wn_error_set(err, WN_EACCESS,
                        "%s: %s: with its service not running this file can be read only by who "
                        "may write in its directory: start the service, or read as its user or a "
                        "member of its group",
                        c->path, doing);
}

int sql_error(struct wn_campaign *c, const char *doing, int rc, struct wn_error *err)
{
    const char *text = c->db != NULL ? sqlite3_errmsg(c->db) : sqlite3_errstr(rc);
    double free_mb = place_free_bytes(c->path) / 1e6;
    int why = c->db != NULL ? sqlite3_system_errno(c->db) : 0;
    switch (rc & 0xff) {
    case SQLITE_FULL:
        return wn_error_set(err, WN_ENOSPACE,
                            "%s: %s: no space left (%.1f MB free): make room on this disk", c->path,
                            doing, free_mb);
    case SQLITE_CORRUPT:
        c->suspect = true;
        return wn_error_set(err, WN_ECORRUPT,
                            "%s: %s: %s: keep the file as it is and go on from a backup", c->path,
                            doing, text);
    case SQLITE_NOTADB:
        return wn_error_set(err, WN_ECORRUPT,
                            "%s is no campaign file, or its beginning is damaged: give another "
                            "file, or go on from a backup",
                            c->path);
    case SQLITE_CANTOPEN:
        return cannot_open(c, doing, rc, err);
    case SQLITE_READONLY:
    case SQLITE_PERM:
        return read_only(c, doing, err);
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return wn_error_set(err, WN_EBUSY,
                            "%s: %s: another program is writing to it: only its station may",
                            c->path, doing);
    case SQLITE_NOMEM:
        return wn_error_set(err, WN_ENOMEM, "%s: %s: out of memory", c->path, doing);
    case SQLITE_IOERR:
        c->suspect = true;
        return wn_error_set(err, WN_EIO,
                            "%s: %s: %s (%d%s%s, %.1f MB free): look at this disk and its log "
                            "before anything else is recorded on it",
                            c->path, doing, text, rc, why != 0 ? ", " : "",
                            why != 0 ? strerror(why) : "", free_mb);
    default:
        return wn_error_set(err, WN_EIO, "%s: %s: %s (%d)", c->path, doing, text, rc);
    }
}

int sql_exec(struct wn_campaign *c, const char *sql, const char *doing, struct wn_error *err)
{
    int rc = sqlite3_exec(c->db, sql, NULL, NULL, NULL);
    return rc == SQLITE_OK ? WN_OK : sql_error(c, doing, rc, err);
}

int sql_prepare(struct wn_campaign *c, const char *sql, sqlite3_stmt **out, struct wn_error *err)
{
    int rc = sqlite3_prepare_v3(c->db, sql, -1, SQLITE_PREPARE_PERSISTENT, out, NULL);
    return rc == SQLITE_OK ? WN_OK : sql_error(c, "preparing", rc, err);
}

int sql_run(struct wn_campaign *c, sqlite3_stmt *s, const char *doing, struct wn_error *err)
{
    int rc = sqlite3_step(s);
    int result = rc == SQLITE_DONE || rc == SQLITE_ROW ? WN_OK : sql_error(c, doing, rc, err);
    (void)sqlite3_reset(s); /* repeats the error that was just told */
    (void)sqlite3_clear_bindings(s);
    return result;
}

int sql_int(struct wn_campaign *c, const char *sql, int64_t *out, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    int rc = sql_prepare(c, sql, &s, err);
    if (rc == WN_OK) {
        int step = sqlite3_step(s);
        rc = step == SQLITE_ROW    ? WN_OK
             : step == SQLITE_DONE ? wn_error_set(err, WN_ECORRUPT, "%s: a row is missing", c->path)
                                   : sql_error(c, "reading", step, err);
        *out = rc == WN_OK ? sqlite3_column_int64(s, 0) : 0;
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
        rc = step == SQLITE_ROW    ? WN_OK
             : step == SQLITE_DONE ? wn_error_set(err, WN_ECORRUPT, "%s: a row is missing", c->path)
                                   : sql_error(c, "reading", step, err);
        out[0] = '\0';
        if (rc == WN_OK) {
            column_text(s, 0, out, size);
        }
    }
    (void)sqlite3_finalize(s);
    return rc;
}

int sql_begin(struct wn_campaign *c, struct wn_error *err)
{
    return sql_exec(c, "BEGIN IMMEDIATE", "locking", err);
}

int sql_end(struct wn_campaign *c, int rc, struct wn_error *err)
{
    if (rc == WN_OK) {
        rc = sql_exec(c, "COMMIT", "making durable", err);
    }
    /* Many errors have rolled back already, then ROLLBACK would be one itself. */
    if (rc != WN_OK && c->db != NULL && sqlite3_get_autocommit(c->db) == 0) {
        (void)sqlite3_exec(c->db, "ROLLBACK", NULL, NULL, NULL); /* the first error is the news */
    }
    return rc;
}

int sql_write_once(struct wn_campaign *c, const char *sql,
                   void (*bind)(sqlite3_stmt *, const void *), const void *ctx, const char *doing,
                   struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    int rc =
        c->suspect ? campaign_reopen(c, err) : WN_OK; /* nothing is written on a doubtful one */
    rc = rc == WN_OK ? sql_begin(c, err) : rc;
    if (rc != WN_OK) {
        return rc;
    }
    rc = sql_prepare(c, sql, &s, err);
    if (rc == WN_OK) {
        if (bind != NULL) {
            bind(s, ctx);
        }
        rc = sql_run(c, s, doing, err);
    }
    (void)sqlite3_finalize(s);
    return sql_end(c, rc, err);
}

/* Infinity is no measurement either. */
void bind_double(sqlite3_stmt *s, int i, double x)
{
    (void)(isfinite(x) ? sqlite3_bind_double(s, i, x) : sqlite3_bind_null(s, i));
}

double column_double(sqlite3_stmt *s, int i)
{
    return sqlite3_column_type(s, i) == SQLITE_NULL ? (double)NAN : sqlite3_column_double(s, i);
}

void column_text(sqlite3_stmt *s, int i, char *out, size_t size)
{
    const char *text = (const char *)sqlite3_column_text(s, i);
    (void)snprintf(out, size, "%s", text != NULL ? text : "");
}

static void bind_one(sqlite3_stmt *s, int i, const struct column *col, const void *at)
{
    union {
        double d;
        int64_t i;
        int n;
        unsigned u;
        bool b;
    } x;
    if (col->type == 't') {
        int len = (int)strnlen(at, col->size);
        (void)sqlite3_bind_text(s, i, at, len, SQLITE_TRANSIENT);
        return;
    }
    wn_assert(col->size <= sizeof x);
    memcpy(&x, at, col->size);
    switch (col->type) {
    case 'd':
        bind_double(s, i, x.d);
        break;
    case 'i':
        (void)sqlite3_bind_int64(s, i, x.i);
        break;
    case 'n':
        (void)sqlite3_bind_int64(s, i, x.n);
        break;
    case 'u':
        (void)sqlite3_bind_int64(s, i, x.u);
        break;
    case 'b':
        (void)sqlite3_bind_int(s, i, x.b ? 1 : 0);
        break;
    default:
        wn_assert(false && "unknown type of column");
    }
}

int bind_columns(sqlite3_stmt *s, int from, struct columns cs, const void *record)
{
    for (int i = 0; i < cs.n; i++) {
        bind_one(s, from + i, &cs.list[i], (const char *)record + cs.list[i].offset);
    }
    return from + cs.n;
}

int read_columns(sqlite3_stmt *s, int from, struct columns cs, void *record)
{
    for (int i = 0; i < cs.n; i++) {
        const struct column *col = &cs.list[i];
        void *at = (char *)record + col->offset;
        double d = col->type == 'd' ? column_double(s, from + i) : 0.0;
        int64_t whole = sqlite3_column_int64(s, from + i);
        int n = (int)whole;
        unsigned u = (unsigned)whole;
        bool b = whole != 0;
        const void *value = col->type == 'd'   ? (const void *)&d
                            : col->type == 'i' ? (const void *)&whole
                            : col->type == 'n' ? (const void *)&n
                            : col->type == 'u' ? (const void *)&u
                                               : (const void *)&b;
        if (col->type == 't') {
            column_text(s, from + i, at, col->size);
        } else {
            memcpy(at, value, col->size);
        }
    }
    return from + cs.n;
}

void text_add(struct text *t, const char *s)
{
    size_t n = strlen(s);
    wn_assert(t->len + n < sizeof t->s);
    memcpy(t->s + t->len, s, n + 1);
    t->len += n;
}

void text_names(struct text *t, struct columns cs, const char *before, const char *after)
{
    for (int i = 0; i < cs.n; i++) {
        text_add(t, i > 0 ? ", " : "");
        text_add(t, before);
        text_add(t, cs.list[i].name);
        text_add(t, after);
    }
}

void text_marks(struct text *t, int n)
{
    for (int i = 0; i < n; i++) {
        text_add(t, i > 0 ? ", ?" : "?");
    }
}

void text_insert(struct text *t, const char *verb, const char *table, struct columns cs,
                 const char *extra)
{
    text_add(t, verb);
    text_add(t, " INTO ");
    text_add(t, table);
    text_add(t, "(");
    text_names(t, cs, "", "");
    text_add(t, ", ");
    text_add(t, extra);
    text_add(t, ") VALUES(");
    text_marks(t, cs.n + 1);
    for (const char *more = strchr(extra, ','); more != NULL; more = strchr(more + 1, ',')) {
        text_add(t, ", ?");
    }
    text_add(t, ")");
}
