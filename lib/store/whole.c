/* Campaign file: made in one go, and named when it is whole.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Nobody waits for single records of it, so nothing is synchronised and no journal is kept until
 * the end: a crash costs the whole file, which has no name yet. The lock tells a file in the making
 * from the remains of an attempt that was killed. */
#define _GNU_SOURCE
#include "store/internal.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/assert.h"

static void temporary_name(const struct wn_campaign *c, char *out, size_t size)
{
    (void)snprintf(out, size, "%.*s.new", PATH_SIZE - 1, c->path);
}

/* Is the file we have locked still the one of this name? */
static bool is_ours(int fd, const char *name)
{
    struct stat a, b;
    return fstat(fd, &a) == 0 && lstat(name, &b) == 0 && a.st_dev == b.st_dev &&
           a.st_ino == b.st_ino;
}

static int lock_new(struct wn_campaign *c, const char *temporary, struct wn_error *err)
{
    struct stat st;
    if (lstat(c->path, &st) == 0) {
        return wn_error_set(err, WN_EEXIST,
                            "%s exists already: choose another name, nothing is overwritten",
                            c->path);
    }
    for (;;) {
        int fd = open(temporary, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0640);
        if (fd < 0) {
            int why = errno;
            return wn_error_set(err, why == ENOENT ? WN_ENOENT : WN_EACCESS,
                                "%s cannot be made: %s", c->path, strerror(why));
        }
        if (flock(fd, LOCK_EX | LOCK_NB) != 0) {
            (void)close(fd);
            return wn_error_set(err, WN_EBUSY,
                                "%s is being made by another program: wait for it, or choose "
                                "another name",
                                c->path);
        }
        if (is_ours(fd, temporary)) {
            c->making = fd;
            return ftruncate(fd, 0) == 0 ? WN_OK
                                         : wn_error_set(err, WN_EIO, "%s cannot be made: %s",
                                                        c->path, strerror(errno));
        }
        (void)close(fd); /* whoever had it has just given it its name, or removed it */
    }
}

/* Nothing is written twice here, so nothing need be looked for before it is written; and an index
 * of sorted rows is made faster than it is kept. */
static int hasten(struct wn_campaign *c, struct wn_error *err)
{
    (void)sqlite3_finalize(c->stmt[PUT_READING]);
    c->stmt[PUT_READING] = NULL;
    int rc = sql_text(c, "SELECT sql FROM sqlite_schema WHERE name = 'reading_of_step'", c->index,
                      sizeof c->index, err);
    rc = rc == WN_OK ? sql_exec(c, "DROP INDEX reading_of_step", "making", err) : rc;
    return rc == WN_OK ? sql_prepare(c,
                                     "INSERT INTO reading(step, time_ns, utc_us, voltage_v,"
                                     " current_a, temperature_c, ambient_c, output_on, number)"
                                     " VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?)",
                                     &c->stmt[PUT_READING], err)
                       : rc;
}

static int begin(struct wn_campaign *c, const char *temporary, const struct wn_campaign_info *info,
                 const char *config, struct wn_error *err)
{
    int rc = campaign_connect(c, temporary, err);
    rc = rc == WN_OK
             ? sql_exec(c, "PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF", "making", err)
             : rc;
    if (rc == WN_OK && (rc = sql_begin(c, err)) == WN_OK) {
        rc = schema_create(c, err);
        rc = rc == WN_OK ? campaign_fill(c, info, config, err) : rc;
        rc = sql_end(c, rc, err);
    }
    rc = rc == WN_OK ? rows_prepare(c, err) : rc;
    rc = rc == WN_OK ? rows_count_on(c, err) : rc;
    rc = rc == WN_OK ? hasten(c, err) : rc;
    campaign_thresholds(c, &info->store_on_change);
    c->checkpoint_at = INT_MAX; /* there is no log */
    return rc;
}

int wn_campaign_create_whole(struct wn_campaign **out, const char *path,
                             const struct wn_campaign_info *info, const char *frozen_config,
                             struct wn_error *err)
{
    struct wn_campaign *c = NULL;
    char temporary[PATH_SIZE + 8];
    *out = NULL;
    int rc = campaign_handle(&c, path, true, err);
    if (rc != WN_OK) {
        return rc;
    }
    temporary_name(c, temporary, sizeof temporary);
    rc = lock_new(c, temporary, err);
    rc = rc == WN_OK ? begin(c, temporary, info, frozen_config, err) : rc;
    if (rc != WN_OK) {
        wn_campaign_close(c);
        return rc;
    }
    *out = c;
    return WN_OK;
}

void whole_abandon(struct wn_campaign *c)
{
    char temporary[PATH_SIZE + 8];
    temporary_name(c, temporary, sizeof temporary);
    campaign_disconnect(c);
    if (is_ours(c->making, temporary)) {
        place_remove(temporary);
    }
    (void)close(c->making);
    c->making = -1;
}

int wn_campaign_publish(struct wn_campaign *c, const char *status, wn_utc_us now,
                        struct wn_error *err)
{
    char temporary[PATH_SIZE + 8], mode[16] = "";
    wn_assert(c->making >= 0);
    temporary_name(c, temporary, sizeof temporary);
    int rc = sql_exec(c, c->index, "making the index", err);
    rc = rc == WN_OK ? wn_campaign_set_status(c, status, now, err) : rc;
    rc = rc == WN_OK ? sql_exec(c, "UPDATE campaign SET clean_end = 1", "finishing", err) : rc;
    rc = rc == WN_OK ? sql_text(c, "PRAGMA journal_mode = WAL", mode, sizeof mode, err) : rc;
    if (rc != WN_OK) {
        return rc;
    }
    campaign_disconnect(c);
    if (fsync(c->making) != 0) {
        return wn_error_set(err, WN_EIO, "%s cannot be written: %s", c->path, strerror(errno));
    }
    if (!is_ours(c->making, temporary)) {
        return wn_error_set(err, WN_EBUSY, "%s was removed while it was being made", temporary);
    }
    rc = place_publish(temporary, c->path, err);
    if (rc == WN_OK) {
        (void)close(c->making);
        c->making = -1;
    }
    return rc;
}
