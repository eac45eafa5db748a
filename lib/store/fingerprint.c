/* Campaign file: its hash, log included.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What is hashed is what the pages of the database are for a reader at one moment: those of the
 * file, and where the log holds newer ones, those. That is, byte for byte, the file once the log
 * has been moved into it. One page is in memory at a time.
 *
 * Files are read through the handles SQLite has open: a descriptor of our own would, when it is
 * closed, drop SQLite's locks. How far the log reaches for this reader tells its index, which
 * SQLite shares with us, too. Its form and the log's: https://www.sqlite.org/walformat.html and
 * https://www.sqlite.org/fileformat2.html, section 4. */
#include "store/internal.h"

#include <stdlib.h>
#include <string.h>

#include "base/assert.h"
#include "base/sha256.h"

enum {
    LOG_HEADER = 32,   /* bytes, in front of the frames */
    FRAME_HEADER = 24, /* bytes, in front of each page */
    SALT = 16,         /* where a log's header has it */
    INDEX_REGION = 32768,
    PAGE_MAX = 65536,
    TRIES_MAX = 1000,
    TOLD_EVERY = 4096 /* pages */
};

/* The beginning of the index, twice: a writer changes one after the other. */
struct index_header {
    uint32_t version, unused, change;
    uint8_t is_init, big_endian;
    uint16_t page_bytes;
    uint32_t frames, pages, frame_check[2], salt[2], check[2];
};
_Static_assert(sizeof(struct index_header) == 48, "as the format says");

/* The last frame of each page that the log has. */
struct logged {
    uint32_t page, frame;
};

struct hashing {
    struct wn_campaign *c;
    sqlite3_file *file, *log;
    struct index_header index; /* frames 0: nothing of the log counts */
    struct logged *list;
    size_t n;
    int64_t pages, page_bytes;
    unsigned char page[PAGE_MAX];
};

static uint32_t big_endian(const unsigned char *p)
{
    return (uint32_t)p[0] << 24 | (uint32_t)p[1] << 16 | (uint32_t)p[2] << 8 | p[3];
}

static int read_at(struct hashing *h, sqlite3_file *f, void *to, int64_t bytes, int64_t at,
                   struct wn_error *err)
{
    wn_assert(f != NULL && f->pMethods != NULL);
    int code = f->pMethods->xRead(f, to, (int)bytes, at);
    return code == SQLITE_OK ? WN_OK : sql_error(h->c, "hashing", code, err);
}

/* False: there is no index that can be seen. */
static bool read_index(const struct hashing *h, struct index_header *out)
{
    struct index_header twice[2];
    void volatile *region = NULL;
    const sqlite3_io_methods *m = h->file->pMethods;
    if (m->iVersion < 2 || m->xShmMap == NULL ||
        m->xShmMap(h->file, 0, INDEX_REGION, 0, &region) != SQLITE_OK || region == NULL) {
        return false;
    }
    for (int i = 0; i < TRIES_MAX; i++) {
        const unsigned char volatile *from = region;
        for (size_t k = 0; k < sizeof twice; k++) {
            ((unsigned char *)twice)[k] = from[k];
        }
        if (memcmp(&twice[0], &twice[1], sizeof twice[0]) == 0) {
            *out = twice[0];
            return out->is_init != 0;
        }
        (void)sqlite3_sleep(1);
    }
    return false;
}

/* A read transaction, and what of the log it sees: the same index before and after. */
static int pin(struct hashing *h, struct wn_error *err)
{
    struct index_header before, after;
    int64_t version = 0;
    char mode[16] = "";
    int rc = sql_text(h->c, "PRAGMA journal_mode", mode, sizeof mode, err);
    bool wal = strcmp(mode, "wal") == 0; /* else asking for the index would make one */
    for (int i = 0; rc == WN_OK && i < TRIES_MAX; i++) {
        bool known = wal && read_index(h, &before);
        rc = sql_exec(h->c, "BEGIN", "hashing", err);
        rc = rc == WN_OK ? sql_int(h->c, "PRAGMA user_version", &version, err) : rc;
        if (rc != WN_OK) {
            break;
        }
        if (known && read_index(h, &after) && memcmp(&before, &after, sizeof before) == 0) {
            h->index = after;
            return WN_OK;
        }
        if (!wal || (!known && wn_campaign_log_bytes(h->c) == 0)) {
            return WN_OK; /* no log, or nothing in it */
        }
        rc = sql_exec(h->c, "ROLLBACK", "hashing", err);
    }
    return rc != WN_OK
               ? rc
               : wn_error_set(err, WN_EBUSY,
                              "%s: how far its log reaches cannot be seen: try again while the "
                              "service runs, or hash a backup",
                              h->c->path);
}

static int compare_logged(const void *a, const void *b)
{
    const struct logged *x = a, *y = b;
    return x->page != y->page ? (x->page > y->page) - (x->page < y->page)
                              : (x->frame < y->frame) - (x->frame > y->frame);
}

/* Which pages the log has, the newest frame of each. */
static int read_log(struct hashing *h, struct wn_error *err)
{
    unsigned char header[FRAME_HEADER];
    uint32_t frames = h->index.frames;
    int rc = WN_OK;
    if (frames == 0) {
        return WN_OK;
    }
    h->list = calloc(frames, sizeof *h->list);
    if (h->list == NULL) {
        return wn_error_set(err, WN_ENOMEM, "%s: no memory to hash it", h->c->path);
    }
    for (uint32_t i = 0; rc == WN_OK && i < frames; i++) {
        int64_t at = LOG_HEADER + (int64_t)i * (FRAME_HEADER + h->page_bytes);
        rc = read_at(h, h->log, header, sizeof header, at, err);
        /* begun anew meanwhile: then all of it is in the file, see take_page() */
        if (rc == WN_OK && memcmp(header + 8, h->index.salt, sizeof h->index.salt) == 0) {
            h->list[h->n++] = (struct logged){big_endian(header), i};
        }
    }
    qsort(h->list, h->n, sizeof *h->list, compare_logged);
    size_t kept = 0;
    for (size_t i = 0; i < h->n; i++) {
        if (i == 0 || h->list[i].page != h->list[i - 1].page) {
            h->list[kept++] = h->list[i];
        }
    }
    h->n = kept;
    return rc;
}

/* From the log. A log that was begun anew since has first been moved into the file, all of it, and
 * what it holds now stays out of the file while this transaction lasts. *old: so it was. */
static int take_logged(struct hashing *h, uint32_t frame, bool *old, struct wn_error *err)
{
    unsigned char salt[sizeof h->index.salt];
    int64_t at = LOG_HEADER + (int64_t)frame * (FRAME_HEADER + h->page_bytes) + FRAME_HEADER;
    int rc = read_at(h, h->log, h->page, h->page_bytes, at, err);
    rc = rc == WN_OK ? read_at(h, h->log, salt, sizeof salt, SALT, err) : rc;
    *old = rc == WN_OK && memcmp(salt, h->index.salt, sizeof salt) != 0;
    return rc;
}

static int take_page(struct hashing *h, int64_t number, size_t *next, struct wn_error *err)
{
    bool old = true;
    int rc = WN_OK;
    while (*next < h->n && h->list[*next].page < number) {
        ++*next;
    }
    if (*next < h->n && h->list[*next].page == number) {
        rc = take_logged(h, h->list[*next].frame, &old, err);
    }
    return rc == WN_OK && old
               ? read_at(h, h->file, h->page, h->page_bytes, (number - 1) * h->page_bytes, err)
               : rc;
}

static int begin(struct hashing *h, struct wn_error *err)
{
    int rc = WN_OK;
    if (sqlite3_file_control(h->c->db, "main", SQLITE_FCNTL_FILE_POINTER, &h->file) != SQLITE_OK ||
        h->file == NULL || h->file->pMethods == NULL) {
        return wn_error_set(err, WN_EIO, "%s: it has no file to hash", h->c->path);
    }
    rc = pin(h, err);
    rc = rc == WN_OK ? sql_int(h->c, "PRAGMA page_count", &h->pages, err) : rc;
    rc = rc == WN_OK ? sql_int(h->c, "PRAGMA page_size", &h->page_bytes, err) : rc;
    if (rc == WN_OK && h->index.frames > 0 &&
        (sqlite3_file_control(h->c->db, "main", SQLITE_FCNTL_JOURNAL_POINTER, &h->log) !=
             SQLITE_OK ||
         h->log == NULL || h->log->pMethods == NULL)) {
        rc = wn_error_set(err, WN_EIO, "%s: its log cannot be read", h->c->path);
    }
    return rc == WN_OK ? read_log(h, err) : rc;
}

static int hash(struct hashing *h, struct wn_fingerprint *out, const struct wn_progress *progress,
                struct wn_error *err)
{
    struct wn_sha256 s;
    size_t next = 0;
    int rc = WN_OK;
    wn_sha256_begin(&s);
    for (int64_t i = 1; rc == WN_OK && i <= h->pages; i++) {
        rc = take_page(h, i, &next, err);
        if (rc == WN_OK) {
            wn_sha256_add(&s, h->page, (size_t)h->page_bytes);
        }
        if (progress != NULL && i % TOLD_EVERY == 0) {
            progress->fn(progress->ctx, i, h->pages);
        }
    }
    if (rc == WN_OK) {
        wn_sha256_end(&s, out->sha256);
        out->bytes = h->pages * h->page_bytes;
        out->log_pending = h->n > 0;
    }
    return rc;
}

int wn_campaign_fingerprint(const char *path, struct wn_fingerprint *out,
                            const struct wn_progress *progress, struct wn_error *err)
{
    int64_t version = 0;
    memset(out, 0, sizeof *out);
    struct hashing *h = calloc(1, sizeof *h);
    if (h == NULL) {
        return wn_error_set(err, WN_ENOMEM, "%s: no memory to hash it", path);
    }
    int rc = campaign_open_as_it_is(&h->c, path, &version, err);
    if (rc == WN_OK) {
        rc = begin(h, err);
        rc = rc == WN_OK ? sql_int(h->c, "SELECT coalesce(max(number), 0) FROM reading",
                                   &out->readings, err)
                         : rc;
        rc = rc == WN_OK
                 ? sql_int(h->c, "SELECT coalesce(max(number), 0) FROM event", &out->events, err)
                 : rc;
        rc = rc == WN_OK ? hash(h, out, progress, err) : rc;
        (void)sqlite3_exec(h->c->db, "ROLLBACK", NULL, NULL, NULL); /* nothing was written */
    }
    wn_campaign_close(h->c);
    free(h->list);
    free(h);
    return rc;
}
