/* Campaign file: how far a long query is.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A query that goes through a table reads each of its pages once, and far more than fit into the
 * cache: what was read so far, over what there is, is how far it is. */
#include "store/internal.h"

#include <string.h>

enum { OPERATIONS = 200000 }; /* of SQLite's machine: some milliseconds */

static int64_t pages_read(sqlite3 *db)
{
    int now = 0, highest = 0;
    (void)sqlite3_db_status(db, SQLITE_DBSTATUS_CACHE_MISS, &now, &highest, 0);
    return now;
}

static int tick(void *ctx)
{
    struct sql_watch *w = ctx;
    int64_t read = (pages_read(w->db) - w->read_before) & INT32_MAX;
    read = read < w->pages ? read : w->pages;
    w->progress->fn(w->progress->ctx, w->pages * w->stage + read, w->pages * w->stages);
    return 0; /* go on */
}

void sql_watch(struct sql_watch *w, sqlite3 *db, const struct wn_progress *progress, int64_t pages,
               int stage, int stages)
{
    *w = (struct sql_watch){db, progress, pages, stage, stages, pages_read(db)};
    if (progress != NULL) {
        sqlite3_progress_handler(db, OPERATIONS, tick, w);
    }
}

void sql_watch_end(struct sql_watch *w)
{
    if (w->db != NULL && w->progress != NULL) {
        sqlite3_progress_handler(w->db, 0, NULL, NULL);
    }
    w->progress = NULL;
}
