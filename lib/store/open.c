/* Campaign file: making, opening, closing.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "store/internal.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include "base/assert.h"
#include "base/sha256.h"

#define WAL_TRUNCATE_FRAMES 16000

static void drop_handle(struct wn_campaign *c)
{
    for (int i = 0; i < STATEMENTS; i++) {
        (void)sqlite3_finalize(c->stmt[i]);
    }
    (void)sqlite3_close(c->db);
    free(c->pending);
    free(c);
}

static int new_handle(struct wn_campaign **out, const char *path, bool writing, int flags, struct wn_error *err)
{
    if (sqlite3_libversion_number() < 3037000) {
        return wn_error_set(err, WN_EBUG, "SQLite %s is too old: 3.37 is needed", sqlite3_libversion());
    }
    struct wn_campaign *c = calloc(1, sizeof *c);
    if (c == NULL) {
        return wn_error_set(err, WN_ENOMEM, "%s: out of memory", path);
    }
    c->store.ops = &campaign_store_ops;
    c->writing = writing;
    (void)snprintf(c->path, sizeof c->path, "%s", path);
    int rc = sqlite3_open_v2(path, &c->db, flags | SQLITE_OPEN_NOFOLLOW | SQLITE_OPEN_EXRESCODE, NULL);
    if (rc != SQLITE_OK) {
        int code = sql_error(c, "opening", rc, err);
        drop_handle(c);
        return code;
    }
    (void)sqlite3_busy_timeout(c->db, writing ? 200 : 3000);
    *out = c;
    return WN_OK;
}

/* Settings of a connection; what durability rests on is read back. */
static int set_pragmas(struct wn_campaign *c, struct wn_error *err)
{
    char mode[16] = "";
    int64_t synchronous = 0;
    int persist = 1;
    int rc = sql_exec(c,
                      "PRAGMA foreign_keys = ON; PRAGMA trusted_schema = OFF; PRAGMA cell_size_check = ON;"
                      "PRAGMA mmap_size = 0",
                      err);
    if (rc != WN_OK || !c->writing) {
        return rc;
    }
    (void)sqlite3_file_control(c->db, NULL, SQLITE_FCNTL_PERSIST_WAL, &persist);
    rc = sql_text(c, "PRAGMA journal_mode = WAL", mode, sizeof mode, err);
    if (rc == WN_OK) {
        rc = sql_exec(c,
                      "PRAGMA synchronous = FULL; PRAGMA wal_autocheckpoint = 0;"
                      "PRAGMA journal_size_limit = 16777216",
                      err);
    }
    rc = rc == WN_OK ? sql_int(c, "PRAGMA synchronous", &synchronous, err) : rc;
    if (rc == WN_OK && (strcmp(mode, "wal") != 0 || synchronous != 2)) {
        rc = wn_error_set(err, WN_EIO, "%s: this disk does not allow write-ahead logging with full synchronisation"
                          " (%s, %lld): use a local disk", c->path, mode, (long long)synchronous);
    }
    return rc;
}

static int check_file(struct wn_campaign *c, struct wn_error *err)
{
    int64_t id = 0, version = 0;
    int rc = sql_int(c, "PRAGMA application_id", &id, err);
    rc = rc == WN_OK ? sql_int(c, "PRAGMA user_version", &version, err) : rc;
    if (rc == WN_OK && id != APPLICATION_ID) {
        return wn_error_set(err, WN_EINVAL, "%s is an SQLite file, but no campaign of wane", c->path);
    }
    if (rc == WN_OK && version > WN_CAMPAIGN_SCHEMA) {
        return wn_error_set(err, WN_ENEWER, "%s was made by a newer version of wane (file version %lld, mine %d): update wane",
                            c->path, (long long)version, WN_CAMPAIGN_SCHEMA);
    }
    if (rc == WN_OK && version < WN_CAMPAIGN_SCHEMA && !c->writing) {
        return wn_error_set(err, WN_ESTATE, "%s is of an older version: its service brings it up to date when it opens it",
                            c->path);
    }
    return rc;
}

/* A new name in a directory is durable only when the directory is. */
static void sync_directory(const char *path)
{
    char dir[512];
    (void)snprintf(dir, sizeof dir, "%s", path);
    char *slash = strrchr(dir, '/');
    if (slash != NULL) {
        slash[slash == dir ? 1 : 0] = '\0';
    }
    int fd = open(slash != NULL ? dir : ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd >= 0) {
        (void)fsync(fd);
        (void)close(fd);
    }
}

static int insert_campaign(struct wn_campaign *c, const struct wn_campaign_info *i, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    int rc = sql_prepare(c,
                         "INSERT INTO campaign VALUES(1, ?, ?, ?, ?, 'new', ?, ?, ?, ?, ?, ?, ?, 1, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                         &s, err);
    if (rc != WN_OK) {
        return rc;
    }
    const char *texts[] = {i->name, i->station, i->procedure, i->procedure_title};
    for (int k = 0; k < 4; k++) {
        (void)sqlite3_bind_text(s, k + 1, texts[k], -1, SQLITE_STATIC);
    }
    (void)sqlite3_bind_int64(s, 5, i->created_utc);
    (void)sqlite3_bind_int(s, 6, i->simulated);
    (void)sqlite3_bind_int(s, 7, i->imported);
    (void)sqlite3_bind_int64(s, 8, i->cycles_planned);
    (void)sqlite3_bind_int64(s, 9, i->created_utc);
    bind_double(s, 10, i->retention_threshold);
    (void)sqlite3_bind_text(s, 11, i->program_version, -1, SQLITE_STATIC);
    const double numbers[] = {i->store_on_change.voltage_v, i->store_on_change.current_a,
                              i->store_on_change.temperature_c, i->store_on_change.time_s,
                              i->accuracy.voltage_reading, i->accuracy.voltage_fixed_v,
                              i->accuracy.current_reading, i->accuracy.current_fixed_a,
                              i->accuracy.temperature_c, i->accuracy.time_reading};
    for (int k = 0; k < 10; k++) {
        bind_double(s, 12 + k, numbers[k]);
    }
    rc = sql_run(c, s, "writing the campaign", err);
    (void)sqlite3_finalize(s);
    return rc;
}

static int insert_cell(struct wn_campaign *c, const struct wn_cell *l, struct wn_error *err)
{
    char names[900] = "", marks[160] = "?, ?, ?", sql[1200];
    sqlite3_stmt *s = NULL;
    list_names(names, sizeof names, cell_columns, cell_columns_n);
    for (int i = 0; i < cell_columns_n; i++) {
        size_t at = strlen(marks);
        (void)snprintf(marks + at, sizeof marks - at, ", ?");
    }
    (void)snprintf(sql, sizeof sql, "INSERT INTO cell(one, name, title, marking, %s) VALUES(1, %s)", names, marks);
    int rc = sql_prepare(c, sql, &s, err);
    if (rc == WN_OK) {
        (void)sqlite3_bind_text(s, 1, l->name, -1, SQLITE_STATIC);
        (void)sqlite3_bind_text(s, 2, l->title, -1, SQLITE_STATIC);
        (void)sqlite3_bind_text(s, 3, l->marking, -1, SQLITE_STATIC);
        bind_columns(s, 4, cell_columns, cell_columns_n, l);
        rc = sql_run(c, s, "writing the cell", err);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

static int insert_config(struct wn_campaign *c, const char *text, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    char hash[65];
    int rc = sql_prepare(c, "INSERT INTO config VALUES(1, ?, ?)", &s, err);
    if (rc == WN_OK) {
        wn_sha256_hex(text, strlen(text), hash);
        (void)sqlite3_bind_text(s, 1, hash, -1, SQLITE_STATIC);
        (void)sqlite3_bind_text(s, 2, text, -1, SQLITE_STATIC);
        rc = sql_run(c, s, "writing the configuration", err);
    }
    (void)sqlite3_finalize(s);
    return rc;
}

static void take_thresholds(struct wn_campaign *c, const struct wn_campaign_info *i)
{
    c->change = i->store_on_change;
}

int wn_campaign_create(struct wn_campaign **out, const char *path, const struct wn_campaign_info *info,
                       const char *frozen_config, struct wn_error *err)
{
    struct wn_campaign *c = NULL;
    int fd = open(path, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0640);
    if (fd < 0) {
        return wn_error_set(err, errno == EEXIST ? WN_EEXIST : errno == ENOSPC ? WN_ENOSPACE : WN_EACCESS,
                            errno == EEXIST ? "%s exists already (%s): choose another name, nothing is overwritten"
                                            : "%s cannot be made: %s",
                            path, strerror(errno));
    }
    (void)close(fd); /* before SQLite opens it: closing it later would drop SQLite's locks */
    int rc = new_handle(&c, path, true, SQLITE_OPEN_READWRITE, err);
    if (rc != WN_OK) {
        (void)unlink(path);
        return rc;
    }
    rc = set_pragmas(c, err);
    rc = rc == WN_OK ? sql_exec(c, "BEGIN IMMEDIATE", err) : rc;
    rc = rc == WN_OK ? schema_create(c, err) : rc;
    rc = rc == WN_OK ? insert_campaign(c, info, err) : rc;
    rc = rc == WN_OK ? insert_cell(c, &info->cell, err) : rc;
    rc = rc == WN_OK ? insert_config(c, frozen_config, err) : rc;
    rc = rc == WN_OK ? sql_exec(c, "COMMIT", err) : rc;
    rc = rc == WN_OK ? write_prepare(c, err) : rc;
    rc = rc == WN_OK ? sql_exec(c, "UPDATE campaign SET clean_end = 0", err) : rc;
    if (rc != WN_OK) {
        drop_handle(c);
        (void)unlink(path);
        return rc;
    }
    sync_directory(path);
    take_thresholds(c, info);
    *out = c;
    return WN_OK;
}

/* After an unclean end the file is looked through before anything is built on it. */
static int check_health(struct wn_campaign *c, struct wn_error *err)
{
    int64_t clean = 1;
    char word[64] = "";
    int rc = sql_int(c, "SELECT clean_end FROM campaign", &clean, err);
    if (rc == WN_OK && clean == 0) {
        rc = sql_text(c, "PRAGMA quick_check(1)", word, sizeof word, err);
        if (rc == WN_OK && strcmp(word, "ok") != 0) {
            rc = wn_error_set(err, WN_ECORRUPT, "%s is damaged (%s): keep it as it is and go on from a backup", c->path, word);
        }
    }
    return rc == WN_OK ? sql_exec(c, "UPDATE campaign SET clean_end = 0", err) : rc;
}

int wn_campaign_open(struct wn_campaign **out, const char *path, struct wn_error *err)
{
    struct wn_campaign *c = NULL;
    struct wn_campaign_info info;
    int rc = new_handle(&c, path, true, SQLITE_OPEN_READWRITE, err);
    if (rc != WN_OK) {
        return rc;
    }
    rc = check_file(c, err);
    rc = rc == WN_OK ? set_pragmas(c, err) : rc;
    rc = rc == WN_OK ? schema_migrate(c, err) : rc;
    rc = rc == WN_OK ? check_health(c, err) : rc;
    rc = rc == WN_OK ? write_prepare(c, err) : rc;
    rc = rc == WN_OK ? wn_campaign_info(c, &info, err) : rc;
    if (rc != WN_OK) {
        drop_handle(c);
        return rc;
    }
    take_thresholds(c, &info);
    c->force = true;
    *out = c;
    return WN_OK;
}

int wn_campaign_open_read(struct wn_campaign **out, const char *path, struct wn_error *err)
{
    struct wn_campaign *c = NULL;
    int rc = new_handle(&c, path, false, SQLITE_OPEN_READONLY, err);
    if (rc != WN_OK) {
        return rc;
    }
    rc = check_file(c, err);
    rc = rc == WN_OK ? set_pragmas(c, err) : rc;
    if (rc != WN_OK) {
        drop_handle(c);
        return rc;
    }
    *out = c;
    return WN_OK;
}

void wn_campaign_close(struct wn_campaign *c)
{
    if (c == NULL) {
        return;
    }
    if (c->writing) {
        (void)sql_exec(c, "UPDATE campaign SET clean_end = 1", NULL); /* not said: looked through at the next opening */
        (void)sqlite3_wal_checkpoint_v2(c->db, NULL, SQLITE_CHECKPOINT_TRUNCATE, NULL, NULL);
    }
    drop_handle(c);
}

struct wn_store *wn_campaign_store(struct wn_campaign *c)
{
    wn_assert(c->writing);
    return &c->store;
}

/* The automatic checkpoint swallows errors, so it is off and this is the one that is done. */
int wn_campaign_maintain(struct wn_campaign *c, int64_t space_min_bytes, struct wn_error *err)
{
    int log = 0, moved = 0;
    struct statvfs v;
    int rc = sqlite3_wal_checkpoint_v2(c->db, NULL, SQLITE_CHECKPOINT_PASSIVE, &log, &moved);
    if (rc == SQLITE_OK && log > WAL_TRUNCATE_FRAMES && moved == log) {
        rc = sqlite3_wal_checkpoint_v2(c->db, NULL, SQLITE_CHECKPOINT_TRUNCATE, &log, &moved);
    }
    if (rc != SQLITE_OK && rc != SQLITE_BUSY && rc != SQLITE_LOCKED) {
        return sql_error(c, "checkpoint", rc, err);
    }
    if (statvfs(c->path, &v) == 0 && (double)v.f_bavail * (double)v.f_frsize < (double)space_min_bytes) {
        return wn_error_set(err, WN_ENOSPACE, "%s: only %.0f MB are free, the station wants %.0f MB: make room on this disk",
                            c->path, (double)v.f_bavail * (double)v.f_frsize / 1e6, (double)space_min_bytes / 1e6);
    }
    return WN_OK;
}
