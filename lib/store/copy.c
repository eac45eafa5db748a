/* Campaign file: copying one while its station writes.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One read transaction is held while the pages are copied: the copy is of one instant, the backup
 * never has to begin anew when the station commits, and in WAL mode a reader is in no writer's way.
 * Only the log cannot be emptied before it ends. */
#define _POSIX_C_SOURCE 200809L
#include "store/internal.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/sha256.h"

enum { PAGES_AT_ONCE = 256, BUSY_TRIES = 200, BUSY_MS = 25 };
enum { COPYING, LOOKING_THROUGH, HASHING, STAGES };

/* Rows are only ever added: what a copy holds lies between what the original held before and after.
 */
struct counts {
    int64_t steps, cycles, readings, events;
};

struct job {
    struct wn_campaign *from;
    struct wn_campaign to; /* a handle for its messages; its path is the final one */
    char temporary[PATH_SIZE];
    int64_t version; /* of the schema */
    int fd;          /* of the temporary file; SQLite is done with it when it is used */
    bool anew;       /* not copied in the transaction that counted */
    struct counts counts;
    const struct wn_progress *progress; /* NULL: nobody asks */
    int64_t pages;
};

static int count(struct wn_campaign *c, struct counts *n, struct wn_error *err)
{
    int rc = sql_int(c, "SELECT count(*) FROM step", &n->steps, err);
    rc = rc == WN_OK ? sql_int(c, "SELECT count(*) FROM cycle", &n->cycles, err) : rc;
    rc = rc == WN_OK ? sql_int(c, "SELECT count(*) FROM reading", &n->readings, err) : rc;
    return rc == WN_OK ? sql_int(c, "SELECT count(*) FROM event", &n->events, err) : rc;
}

/* Told before a disk is filled for nothing. */
static int check_room(struct job *j, struct wn_error *err)
{
    int64_t pages = 0, page_bytes = 0;
    int rc = sql_int(j->from, "PRAGMA page_count", &pages, err);
    rc = rc == WN_OK ? sql_int(j->from, "PRAGMA page_size", &page_bytes, err) : rc;
    j->pages = pages;
    double need = (double)pages * (double)page_bytes, room = place_free_bytes(j->temporary);
    if (rc == WN_OK && room < need) {
        rc = wn_error_set(err, WN_ENOSPACE,
                          "%s: no space: %.1f MB are needed, %.1f MB are free: make room on this "
                          "disk, or copy to another one",
                          j->to.path, need / 1e6, room / 1e6);
    }
    return rc;
}

static int open_temporary(struct job *j, struct wn_error *err)
{
    int rc = sqlite3_open_v2(j->temporary, &j->to.db,
                             SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOFOLLOW | SQLITE_OPEN_NOMUTEX |
                                 SQLITE_OPEN_EXRESCODE,
                             NULL);
    if (rc != SQLITE_OK) {
        return sql_error(&j->to, "making the copy", rc, err);
    }
    return sql_exec(&j->to,
                    "PRAGMA locking_mode = EXCLUSIVE; PRAGMA trusted_schema = OFF;"
                    "PRAGMA cell_size_check = ON; PRAGMA mmap_size = 0",
                    "making the copy", err);
}

/* What SQLite could not finish it leaves in a journal: without that the file alone may be worth
 * nothing. */
static int close_temporary(struct job *j, int rc, struct wn_error *err)
{
    static const char *const ends[] = {"-journal", "-wal"};
    int code = sqlite3_close(j->to.db);
    j->to.db = NULL;
    if (rc == WN_OK && code != SQLITE_OK) {
        return sql_error(&j->to, "closing the copy", code, err);
    }
    for (size_t i = 0; rc == WN_OK && i < sizeof ends / sizeof ends[0]; i++) {
        char name[sizeof j->temporary + 16];
        struct stat st;
        (void)snprintf(name, sizeof name, "%s%s", j->temporary, ends[i]);
        if (lstat(name, &st) == 0) {
            rc = wn_error_set(err, WN_EIO, "%s: the copy could not be closed: look at this disk",
                              j->to.path);
        }
    }
    return rc;
}

/* Of the stage at hand. */
static void tell(const struct job *j, int stage, int64_t pages)
{
    if (j->progress != NULL) {
        j->progress->fn(j->progress->ctx, stage * j->pages + pages, STAGES * j->pages);
    }
}

/* The error may be that of either file: damage and locks are the original's. */
static int copy_error(struct job *j, int code, struct wn_error *err)
{
    int kind = code & 0xff;
    bool original = kind == SQLITE_CORRUPT || kind == SQLITE_NOTADB || kind == SQLITE_BUSY;
    return sql_error(original ? j->from : &j->to, "copying", code, err);
}

static int copy_pages(struct job *j, struct wn_error *err)
{
    sqlite3_backup *b = sqlite3_backup_init(j->to.db, "main", j->from->db, "main");
    int tries = 0;
    int code = b != NULL ? SQLITE_OK : sqlite3_errcode(j->to.db);
    while (code == SQLITE_OK) {
        code = sqlite3_backup_step(b, PAGES_AT_ONCE);
        tell(j, COPYING, j->pages - sqlite3_backup_remaining(b));
        int kind = code & 0xff;
        if ((kind == SQLITE_BUSY || kind == SQLITE_LOCKED) && tries++ < BUSY_TRIES) {
            (void)sqlite3_sleep(BUSY_MS);
            code = SQLITE_OK;
        }
    }
    int end = sqlite3_backup_finish(b);
    code = code == SQLITE_DONE ? end : code;
    return code == SQLITE_OK ? WN_OK : copy_error(j, code, err);
}

static int copy_snapshot(struct job *j, struct wn_error *err)
{
    int rc = sql_exec(j->from, "BEGIN", "reading", err);
    if (rc != WN_OK) {
        return rc;
    }
    rc = count(j->from, &j->counts, err); /* begins the read transaction */
    rc = rc == WN_OK ? check_room(j, err) : rc;
    rc = rc == WN_OK ? open_temporary(j, err) : rc;
    rc = rc == WN_OK ? copy_pages(j, err) : rc;
    (void)sqlite3_exec(j->from->db, "ROLLBACK", NULL, NULL, NULL); /* nothing was written */
    return rc;
}

/* Written anew without gaps, in one read transaction of its own; `temporary` is empty, which SQLite
 * takes for not there. It is not synchronised: place_finish() does that. */
static int copy_anew(struct job *j, struct wn_error *err)
{
    sqlite3_stmt *s = NULL;
    j->anew = true;
    int rc = count(j->from, &j->counts, err);
    rc = rc == WN_OK ? check_room(j, err) : rc;
    rc = rc == WN_OK ? sql_prepare(j->from, "VACUUM INTO ?", &s, err) : rc;
    if (rc == WN_OK) {
        struct sql_watch watch;
        (void)sqlite3_bind_text(s, 1, j->temporary, -1, SQLITE_STATIC);
        sql_watch(&watch, j->from->db, j->progress, j->pages, COPYING, STAGES);
        int code = sqlite3_step(s);
        sql_watch_end(&watch);
        rc = code == SQLITE_DONE ? WN_OK : copy_error(j, code, err);
    }
    (void)sqlite3_finalize(s);
    return rc == WN_OK ? open_temporary(j, err) : rc;
}

/* No log beside the copy: one file can be sent, and read where nothing may be written. */
static int leave_no_log(struct job *j, struct wn_error *err)
{
    char mode[16] = "";
    int rc = sql_text(&j->to, "PRAGMA journal_mode = DELETE", mode, sizeof mode, err);
    if (rc == WN_OK && strcmp(mode, "delete") != 0) {
        rc = wn_error_set(err, WN_EIO, "%s: the copy keeps a log (%s)", j->to.path, mode);
    }
    return rc;
}

static bool within(const struct counts *least, const struct counts *n, const struct counts *most)
{
    return n->steps >= least->steps && n->steps <= most->steps && n->cycles >= least->cycles &&
           n->cycles <= most->cycles && n->readings >= least->readings &&
           n->readings <= most->readings && n->events >= least->events && n->events <= most->events;
}

static int look_through(struct job *j, struct wn_error *err)
{
    struct counts n = {0, 0, 0, 0};
    char word[200] = "";
    int64_t id = 0, version = 0;
    struct sql_watch watch;
    sql_watch(&watch, j->to.db, j->progress, j->pages, LOOKING_THROUGH, STAGES);
    int rc = sql_text(&j->to, "PRAGMA integrity_check(1)", word, sizeof word, err);
    sql_watch_end(&watch);
    rc = rc == WN_OK ? sql_int(&j->to, "PRAGMA application_id", &id, err) : rc;
    rc = rc == WN_OK ? sql_int(&j->to, "PRAGMA user_version", &version, err) : rc;
    rc = rc == WN_OK ? count(&j->to, &n, err) : rc;
    if (rc != WN_OK) {
        return rc;
    }
    for (char *at = strchr(word, '\n'); at != NULL; at = strchr(at, '\n')) {
        *at = ' '; /* an error is one line */
    }
    if (strcmp(word, "ok") != 0) {
        return wn_error_set(err, WN_ECORRUPT,
                            "%s: the copy is damaged (%s), so the original or this disk is: wane "
                            "verify looks at the original",
                            j->to.path, word);
    }
    struct counts after = j->counts;
    rc = j->anew ? count(j->from, &after, err) : WN_OK;
    if (rc != WN_OK) {
        return rc;
    }
    if (id != APPLICATION_ID || version != j->version || !within(&j->counts, &n, &after)) {
        return wn_error_set(err, WN_ECORRUPT,
                            "%s: the copy does not hold what the original does: copy again, to "
                            "another disk",
                            j->to.path);
    }
    j->counts = n;
    return WN_OK;
}

static int hash(struct job *j, struct wn_copy_facts *facts, struct wn_error *err)
{
    static unsigned char block[65536];
    struct wn_sha256 s;
    ssize_t n = 0;
    const int64_t page_bytes = 4096; /* near enough, for who waits */
    wn_sha256_begin(&s);
    facts->bytes = 0;
    while ((n = pread(j->fd, block, sizeof block, (off_t)facts->bytes)) > 0) {
        wn_sha256_add(&s, block, (size_t)n);
        facts->bytes += n;
        tell(j, HASHING, facts->bytes / page_bytes);
    }
    wn_sha256_end(&s, facts->sha256);
    return n == 0 ? WN_OK
                  : wn_error_set(err, WN_EIO, "%s: the copy cannot be read again: %s", j->to.path,
                                 strerror(errno));
}

static int begin(struct job *j, const char *path, const char *to, const char *temporary,
                 const struct wn_progress *progress, struct wn_error *err)
{
    memset(j, 0, sizeof *j);
    j->fd = -1;
    j->to.writing = true;
    j->progress = progress;
    int rc = campaign_open_as_it_is(&j->from, path, &j->version, err);
    rc = rc == WN_OK ? place_resolve(to, j->to.path, sizeof j->to.path, err) : rc;
    rc = rc == WN_OK ? place_resolve(temporary, j->temporary, sizeof j->temporary, err) : rc;
    return rc == WN_OK ? place_begin(j->to.path, j->temporary, &j->fd, err) : rc;
}

static void end(struct job *j)
{
    if (j->fd >= 0) {
        struct stat ours, named; /* gone when it was given its name */
        if (fstat(j->fd, &ours) == 0 && lstat(j->temporary, &named) == 0 &&
            ours.st_ino == named.st_ino) {
            place_remove(j->temporary);
        }
        (void)close(j->fd);
    }
    wn_campaign_close(j->from);
}

static int make(struct job *j, int (*copy)(struct job *, struct wn_error *),
                struct wn_copy_facts *facts, struct wn_error *err)
{
    int rc = copy(j, err);
    rc = rc == WN_OK ? leave_no_log(j, err) : rc;
    rc = rc == WN_OK ? look_through(j, err) : rc;
    rc = close_temporary(j, rc, err);
    rc = rc == WN_OK ? hash(j, facts, err) : rc;
    (void)snprintf(facts->file, sizeof facts->file, "%s", j->to.path);
    facts->steps = j->counts.steps;
    facts->cycles = j->counts.cycles;
    facts->readings = j->counts.readings;
    facts->events = j->counts.events;
    return rc;
}

int wn_campaign_copy(const char *path, const char *to, const char *temporary,
                     const struct wn_progress *progress, struct wn_copy_facts *facts,
                     struct wn_error *err)
{
    struct job j;
    int rc = begin(&j, path, to, temporary, progress, err);
    rc = rc == WN_OK ? make(&j, copy_snapshot, facts, err) : rc;
    rc = rc == WN_OK ? place_finish(j.fd, j.temporary, j.to.path, 0640, err) : rc;
    end(&j);
    return rc;
}

static int check_over(struct wn_campaign *c, struct wn_error *err)
{
    char status[32] = "";
    int rc = sql_text(c, "SELECT status FROM campaign", status, sizeof status, err);
    if (rc == WN_OK && strcmp(status, "finished") != 0 && strcmp(status, "stopped") != 0) {
        rc = wn_error_set(err, WN_ESTATE, "%s is not over yet: it is %s", c->path, status);
    }
    return rc;
}

/* "HASH  NAME": as sha256sum --check reads it. Its bytes are few: they fit where the archive did.
 */
static int write_sum(const struct job *j, const struct wn_copy_facts *facts, char *path,
                     size_t size, struct wn_error *err)
{
    char temporary[PATH_SIZE + 16], line[PATH_SIZE + 80];
    int fd = -1;
    const char *base = strrchr(j->to.path, '/') + 1;
    int n = snprintf(line, sizeof line, "%s  %s\n", facts->sha256, base);
    if (snprintf(path, size, "%s.sha256", j->to.path) >= (int)size) {
        return wn_error_set(err, WN_ERANGE, "%s: the path is too long: shorten it", j->to.path);
    }
    (void)snprintf(temporary, sizeof temporary, "%s.new", path);
    int rc = place_begin(path, temporary, &fd, err);
    if (rc != WN_OK) {
        return rc;
    }
    ssize_t written = write(fd, line, (size_t)n);
    if (written != n) {
        rc = wn_error_set(err, written < 0 && errno != ENOSPC ? WN_EIO : WN_ENOSPACE,
                          "%s cannot be written: %s", path,
                          written < 0 ? strerror(errno) : "no space left");
    }
    rc = rc == WN_OK ? place_finish(fd, temporary, path, 0444, err) : rc;
    if (rc != WN_OK) {
        (void)unlink(temporary);
    }
    (void)close(fd);
    return rc;
}

int wn_campaign_archive(const char *path, const char *to, const char *temporary, bool unfinished,
                        const struct wn_progress *progress, struct wn_copy_facts *facts,
                        struct wn_error *err)
{
    struct job j;
    char sum[PATH_SIZE];
    int rc = begin(&j, path, to, temporary, progress, err);
    rc = rc == WN_OK && !unfinished ? check_over(j.from, err) : rc;
    rc = rc == WN_OK ? make(&j, copy_anew, facts, err) : rc;
    if (rc == WN_OK) {
        rc = write_sum(&j, facts, sum, sizeof sum, err);
        if (rc == WN_OK) {
            rc = place_finish(j.fd, j.temporary, j.to.path, 0444, err);
            if (rc != WN_OK) { /* both or none */
                (void)unlink(sum);
            }
        }
    }
    end(&j);
    return rc;
}
