/* Campaign file: making, opening, closing.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "store/internal.h"

#include <stdlib.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#include "base/assert.h"
#include "base/sha256.h"

enum { PENDING_MAX = 64 * 1024 * 1024, MEMORY_MAX = 1024 * 1024 * 1024 };

static wn_store_log_fn log_fn;
static void *log_ctx;

static void log_relay(void *unused, int code, const char *text)
{
    (void)unused;
    log_fn(log_ctx, code, text);
}

int wn_store_log_to(wn_store_log_fn fn, void *ctx, struct wn_error *err)
{
    log_fn = fn;
    log_ctx = ctx;
    if (sqlite3_config(SQLITE_CONFIG_LOG, log_relay, NULL) != SQLITE_OK) {
        return wn_error_set(err, WN_ESTATE,
                            "messages of SQLite can be asked for only before the first file is "
                            "opened");
    }
    return WN_OK;
}

void campaign_disconnect(struct wn_campaign *c)
{
    wn_assert(c != NULL);
    for (int i = 0; i < STATEMENTS; i++) {
        (void)sqlite3_finalize(c->stmt[i]);
        c->stmt[i] = NULL;
    }
    (void)sqlite3_close(c->db);
    c->db = NULL;
}

void campaign_drop(struct wn_campaign *c)
{
    wn_assert(c != NULL);
    campaign_disconnect(c);
    free(c->pending);
    free(c);
}

int campaign_handle(struct wn_campaign **out, const char *path, bool writing, struct wn_error *err)
{
    if (sqlite3_libversion_number() < 3037000) {
        return wn_error_set(err, WN_EBUG, "SQLite %s is too old: 3.37 is needed",
                            sqlite3_libversion());
    }
    struct wn_campaign *c = calloc(1, sizeof *c);
    if (c == NULL) {
        return wn_error_set(err, WN_ENOMEM, "%s: out of memory", path);
    }
    c->store.ops = &campaign_store_ops;
    c->writing = writing;
    c->pending_max = PENDING_MAX;
    c->making = -1;
    int rc = place_resolve(path, c->path, sizeof c->path, err);
    if (rc != WN_OK) {
        free(c);
        return rc;
    }
    *out = c;
    return WN_OK;
}

int campaign_connect(struct wn_campaign *c, const char *path, struct wn_error *err)
{
    wn_assert(c != NULL);
    int flags = c->writing ? SQLITE_OPEN_READWRITE : SQLITE_OPEN_READONLY;
    int rc = sqlite3_open_v2(
        path, &c->db, flags | SQLITE_OPEN_NOFOLLOW | SQLITE_OPEN_NOMUTEX | SQLITE_OPEN_EXRESCODE,
        NULL);
    if (rc != SQLITE_OK) {
        return sql_error(c, "opening", rc, err);
    }
    (void)sqlite3_busy_timeout(c->db, c->writing ? 200 : 3000);
    return sql_exec(c,
                    "PRAGMA trusted_schema = OFF; PRAGMA cell_size_check = ON;"
                    "PRAGMA foreign_keys = ON; PRAGMA mmap_size = 0",
                    "opening", err);
}

/* After each commit SQLite tells how long the log is; a shorter one has begun anew. */
static int count_frames(void *ctx, sqlite3 *db, const char *name, int frames)
{
    struct wn_campaign *c = ctx;
    (void)db;
    (void)name;
    if (frames < c->wal_frames) {
        c->checkpoint_at = 1000;
    }
    c->wal_frames = frames;
    return SQLITE_OK;
}

/* What durability rests on is read back. */
static int set_durable(struct wn_campaign *c, struct wn_error *err)
{
    char mode[16] = "";
    int64_t synchronous = 0;
    int persist = 1; /* readers of the group find -wal and -shm while no service runs */
    (void)sqlite3_file_control(c->db, NULL, SQLITE_FCNTL_PERSIST_WAL, &persist);
    int rc = sql_text(c, "PRAGMA journal_mode = WAL", mode, sizeof mode, err);
    if (rc == WN_OK) {
        rc = sql_exec(c,
                      "PRAGMA synchronous = FULL; PRAGMA wal_autocheckpoint = 0;"
                      "PRAGMA journal_size_limit = 16777216",
                      "opening", err);
    }
    rc = rc == WN_OK ? sql_int(c, "PRAGMA synchronous", &synchronous, err) : rc;
    if (rc == WN_OK && (strcmp(mode, "wal") != 0 || synchronous != 2)) {
        rc =
            wn_error_set(err, WN_EIO,
                         "%s: this disk does not allow a log with full synchronisation (%s, %lld): "
                         "use a local disk",
                         c->path, mode, (long long)synchronous);
    }
    c->wal_frames = 0;
    c->checkpoint_at = 1000;
    (void)sqlite3_wal_hook(c->db, count_frames, c);
    return rc;
}

int campaign_check_kind(struct wn_campaign *c, struct wn_error *err)
{
    int64_t id = 0;
    int rc = sql_int(c, "PRAGMA application_id", &id, err);
    if (rc == WN_OK && id != APPLICATION_ID) {
        rc = wn_error_set(err, WN_EINVAL, "%s is an SQLite file, but no campaign of wane", c->path);
    }
    return rc;
}

static void bind_campaign(sqlite3_stmt *s, const void *ctx)
{
    (void)bind_columns(s, 1, campaign_columns, ctx);
}

static void bind_cell(sqlite3_stmt *s, const void *ctx)
{
    int next = bind_columns(s, 1, cell_columns, ctx);
    (void)sqlite3_bind_int(s, next, 1);
}

static void bind_config(sqlite3_stmt *s, const void *ctx)
{
    const char *text = ctx;
    char hash[65];
    wn_sha256_hex(text, strlen(text), hash);
    (void)sqlite3_bind_text(s, 1, hash, -1, SQLITE_TRANSIENT);
    (void)sqlite3_bind_text(s, 2, text, -1, SQLITE_TRANSIENT);
}

static int insert(struct wn_campaign *c, const char *sql,
                  void (*bind)(sqlite3_stmt *, const void *), const void *ctx, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    int rc = sql_prepare(c, sql, &s, err);
    if (rc == WN_OK) {
        bind(s, ctx);
        rc = sql_run(c, s, "writing what the campaign starts from", err);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

int campaign_fill(struct wn_campaign *c, const struct wn_campaign_info *info, const char *config,
                  struct wn_error *err)
{
    struct text t = {.len = 0};
    text_add(&t, "INSERT INTO campaign(");
    text_names(&t, campaign_columns, "", "");
    text_add(&t, ", one, status, status_utc_us, clean_end) VALUES(");
    text_marks(&t, campaign_columns.n);
    text_add(&t, ", 1, 'new', ?8, 1)"); /* the eighth is created_utc_us */
    wn_assert(strcmp(campaign_columns.list[7].name, "created_utc_us") == 0);
    int rc = insert(c, t.s, bind_campaign, info, err);
    t.len = 0;
    text_insert(&t, "INSERT", "cell", cell_columns, "one");
    rc = rc == WN_OK ? insert(c, t.s, bind_cell, &info->cell, err) : rc;
    return rc == WN_OK ? insert(c, "INSERT INTO config(one, sha256, text) VALUES(1, ?, ?)",
                                bind_config, config, err)
                       : rc;
}

/* The whole file is made under another name: there is no half campaign, whatever happens. */
static int make_file(struct wn_campaign *c, const char *temporary,
                     const struct wn_campaign_info *info, const char *config, struct wn_error *err)
{
    char mode[16] = "";
    int rc = campaign_connect(c, temporary, err);
    rc = rc == WN_OK ? sql_exec(c, "PRAGMA synchronous = FULL", "making", err) : rc;
    rc = rc == WN_OK ? sql_begin(c, err) : rc;
    if (rc == WN_OK) {
        rc = schema_create(c, err);
        rc = rc == WN_OK ? campaign_fill(c, info, config, err) : rc;
        rc = sql_end(c, rc, err);
    }
    rc = rc == WN_OK ? sql_text(c, "PRAGMA journal_mode = WAL", mode, sizeof mode, err) : rc;
    campaign_disconnect(c);
    return rc;
}

void campaign_thresholds(struct wn_campaign *c, const struct wn_campaign_thresholds *t)
{
    c->change = *t;
    /* not finite: this one never moves a reading into the file */
    c->change_ns = t->time_s >= 0.0 && t->time_s < 9e9 ? wn_ns_from_s(t->time_s) : WN_NS_NEVER;
}

static int open_for_writing(struct wn_campaign *c, struct wn_error *err)
{
    struct wn_campaign_info info;
    int64_t version = 0;
    int rc = campaign_connect(c, c->path, err);
    rc = rc == WN_OK ? campaign_check_kind(c, err) : rc;
    rc = rc == WN_OK ? schema_version(c, &version, err) : rc; /* a newer one is left alone */
    rc = rc == WN_OK ? set_durable(c, err) : rc;
    rc = rc == WN_OK ? health_begin(c, err) : rc;
    rc = rc == WN_OK ? schema_migrate(c, err) : rc;
    rc = rc == WN_OK ? rows_prepare(c, err) : rc;
    rc = rc == WN_OK ? rows_count_on(c, err) : rc;
    rc = rc == WN_OK ? wn_campaign_info(c, &info, err) : rc;
    if (rc == WN_OK) {
        campaign_thresholds(c, &info.store_on_change);
    }
    return rc;
}

int wn_campaign_create(struct wn_campaign **out, const char *path,
                       const struct wn_campaign_info *info, const char *frozen_config,
                       struct wn_error *err)
{
    struct wn_campaign *c = NULL;
    char temporary[PATH_SIZE];
    *out = NULL;
    int rc = campaign_handle(&c, path, true, err);
    if (rc != WN_OK) {
        return rc;
    }
    rc = place_make_new(c->path, temporary, sizeof temporary, err);
    if (rc == WN_OK) {
        rc = make_file(c, temporary, info, frozen_config, err);
        rc = rc == WN_OK ? place_publish(temporary, c->path, err) : rc;
        place_remove(temporary);
        if (rc == WN_OK) {
            rc = open_for_writing(c, err);
            if (rc != WN_OK) { /* nobody has used it: leave nothing that blocks its name */
                campaign_disconnect(c);
                place_remove(c->path);
            }
        }
    }
    if (rc != WN_OK) {
        campaign_drop(c);
        return rc;
    }
    *out = c;
    return WN_OK;
}

int wn_campaign_open(struct wn_campaign **out, const char *path, struct wn_error *err)
{
    struct wn_campaign *c = NULL;
    *out = NULL;
    int rc = campaign_handle(&c, path, true, err);
    if (rc != WN_OK) {
        return rc;
    }
    rc = place_check(c->path, true, err);
    rc = rc == WN_OK ? open_for_writing(c, err) : rc;
    if (rc != WN_OK) {
        campaign_drop(c);
        return rc;
    }
    *out = c;
    return WN_OK;
}

/* A file of an older version is copied into memory and brought up to date there. */
static int migrate_in_memory(struct wn_campaign *c, struct wn_error *err)
{
    int64_t pages = 0, page_bytes = 0;
    sqlite3 *file = c->db, *memory = NULL;
    int rc = sql_int(c, "PRAGMA page_count", &pages, err);
    rc = rc == WN_OK ? sql_int(c, "PRAGMA page_size", &page_bytes, err) : rc;
    if (rc != WN_OK) {
        return rc;
    }
    if (pages * page_bytes > MEMORY_MAX) {
        return wn_error_set(err, WN_ESTATE,
                            "%s was made by an older version and is too large to be converted in "
                            "memory: let the service open it once",
                            c->path);
    }
    int code = sqlite3_open_v2(":memory:", &memory,
                               SQLITE_OPEN_READWRITE | SQLITE_OPEN_MEMORY | SQLITE_OPEN_NOMUTEX |
                                   SQLITE_OPEN_EXRESCODE,
                               NULL);
    if (code == SQLITE_OK) {
        sqlite3_backup *copy = sqlite3_backup_init(memory, "main", file, "main");
        code = copy != NULL ? sqlite3_backup_step(copy, -1) : sqlite3_errcode(memory);
        int end = sqlite3_backup_finish(copy);
        code = code == SQLITE_DONE ? end : code;
    }
    if (code != SQLITE_OK) {
        rc = sql_error(c, "copying an older version into memory", code, err);
        (void)sqlite3_close(memory);
        return rc;
    }
    (void)sqlite3_close(file);
    c->db = memory;
    return schema_migrate(c, err);
}

/* "file:PATH?immutable=1" with what a URI would misread escaped. */
static bool immutable_uri(const char *path, char *out, size_t size)
{
    static const char hex[] = "0123456789ABCDEF";
    size_t at = (size_t)snprintf(out, size, "file:");
    for (; *path != '\0' && at + 20 < size; path++) {
        if (strchr("%?# ", *path) != NULL) {
            out[at++] = '%';
            out[at++] = hex[(unsigned char)*path >> 4];
            out[at++] = hex[(unsigned char)*path & 15];
        } else {
            out[at++] = *path;
        }
    }
    (void)snprintf(out + at, size - at, "?immutable=1");
    return *path == '\0';
}

/* A finished file on a medium that cannot be written (an archive), or in somebody else's directory:
 * SQLite cannot make the log's index there and needs none, for there is no log. With one, immutable
 * would silently leave committed rows out: then it is not tried. */
static int connect_immutable(struct wn_campaign *c, struct wn_error *err)
{
    char uri[3 * sizeof c->path + 32];
    if (wn_campaign_log_bytes(c) > 0 || !immutable_uri(c->path, uri, sizeof uri)) {
        return err->code;
    }
    campaign_disconnect(c);
    int rc = sqlite3_open_v2(
        uri, &c->db,
        SQLITE_OPEN_READONLY | SQLITE_OPEN_URI | SQLITE_OPEN_NOMUTEX | SQLITE_OPEN_EXRESCODE, NULL);
    if (rc != SQLITE_OK) {
        return sql_error(c, "opening", rc, err);
    }
    return sql_exec(c, "PRAGMA trusted_schema = OFF; PRAGMA cell_size_check = ON", "opening", err);
}

int campaign_open_as_it_is(struct wn_campaign **out, const char *path, int64_t *version,
                           struct wn_error *err)
{
    struct wn_campaign *c = NULL;
    *out = NULL;
    int rc = campaign_handle(&c, path, false, err);
    if (rc != WN_OK) {
        return rc;
    }
    struct wn_error why = {0};
    rc = place_check(c->path, false, &why);
    bool there = rc == WN_OK;
    rc = rc == WN_OK ? campaign_connect(c, c->path, &why) : rc;
    rc = rc == WN_OK ? campaign_check_kind(c, &why) : rc;
    if (there && rc != WN_OK && connect_immutable(c, &why) == WN_OK) {
        wn_error_clear(&why);
        rc = campaign_check_kind(c, &why);
    }
    rc = rc == WN_OK ? schema_version(c, version, &why) : rc;
    if (rc != WN_OK) {
        campaign_drop(c);
        if (err != NULL) {
            *err = why;
        }
        return rc;
    }
    *out = c;
    return WN_OK;
}

int wn_campaign_open_read(struct wn_campaign **out, const char *path, struct wn_error *err)
{
    struct wn_campaign *c = NULL;
    int64_t version = 0;
    *out = NULL;
    int rc = campaign_open_as_it_is(&c, path, &version, err);
    if (rc == WN_OK && version < WN_CAMPAIGN_SCHEMA) {
        rc = migrate_in_memory(c, err);
    }
    if (rc != WN_OK) {
        wn_campaign_close(c);
        return rc;
    }
    *out = c;
    return WN_OK;
}

/* On Linux a failed sync may have thrown dirty pages away, and the next one says "fine". So the log
 * is not believed any more: what it holds is moved into the file, which is synchronised. */
int campaign_reopen(struct wn_campaign *c, struct wn_error *err)
{
    int left = 0;
    if (c->db != NULL) { /* that checkpoint would swallow its errors */
        (void)sqlite3_db_config(c->db, SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, NULL);
    }
    campaign_disconnect(c);
    int rc = campaign_connect(c, c->path, err);
    rc = rc == WN_OK ? set_durable(c, err) : rc;
    rc = rc == WN_OK ? health_quick_check(c, err) : rc;
    rc = rc == WN_OK ? health_checkpoint(c, &left, err) : rc;
    if (rc == WN_OK && left > 0) {
        rc = wn_error_set(err, WN_EBUSY,
                          "%s: after an I/O error the log must be moved into the file, and a "
                          "reader is in the way: end other programs that read it",
                          c->path);
    }
    rc = rc == WN_OK ? rows_prepare(c, err) : rc;
    c->suspect = rc != WN_OK;
    return rc;
}

void wn_campaign_close(struct wn_campaign *c)
{
    if (c == NULL) {
        return;
    }
    if (c->making >= 0) {
        whole_abandon(c);
    } else if (c->writing && !c->alone && c->db != NULL && !c->suspect) {
        struct wn_error err; /* without the mark the file is looked through when it is opened */
        (void)sql_write_once(c, "UPDATE campaign SET clean_end = 1", NULL, NULL, "closing", &err);
        (void)sqlite3_wal_checkpoint_v2(c->db, NULL, SQLITE_CHECKPOINT_TRUNCATE, NULL, NULL);
    }
    campaign_drop(c);
}

struct wn_store *wn_campaign_store(struct wn_campaign *c)
{
    wn_assert(c->writing);
    return &c->store;
}

int wn_campaign_maintain(struct wn_campaign *c, int64_t space_min_bytes, struct wn_error *err)
{
    int left = 0;
    wn_assert(c->writing);
    int rc = c->suspect ? campaign_reopen(c, err) : health_checkpoint(c, &left, err);
    double room = place_free_bytes(c->path);
    if (rc == WN_OK && room < (double)space_min_bytes) {
        rc = wn_error_set(err, WN_ENOSPACE,
                          "%s: only %.0f MB are free, the station wants %.0f MB: make room on this "
                          "disk",
                          c->path, room / 1e6, (double)space_min_bytes / 1e6);
    }
    return rc;
}

int64_t wn_campaign_log_bytes(const struct wn_campaign *c)
{
    char wal[PATH_SIZE + 8];
    struct stat st;
    (void)snprintf(wal, sizeof wal, "%s-wal", c->path);
    return stat(wal, &st) == 0 ? (int64_t)st.st_size : 0;
}
