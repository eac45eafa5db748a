/* Campaign file, inside: shared by the files of lib/store and its tests. Not for other modules.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_STORE_INTERNAL_H
#define WN_STORE_INTERNAL_H

#include <sqlite3.h>

#include "store/campaign.h"

enum { APPLICATION_ID = 0x77616e65 }; /* "wane" */
enum { PATH_SIZE = 4096 };

enum statement {
    PUT_READING,
    PUT_STEP_BEGIN,
    PUT_STEP_END,
    PUT_CYCLE,
    PUT_CHECK_UP,
    PUT_EVENT,
    PUT_INTENT,
    PUT_STATE,
    STATEMENTS
};

/* A reading that waits for its commit. */
struct kept_reading {
    struct wn_reading reading;
    int64_t step;
};

struct wn_campaign {
    struct wn_store store; /* first: the store port */
    sqlite3 *db;
    char path[PATH_SIZE]; /* directory resolved */
    bool writing;
    bool alone;     /* amend.c: opened for one correction, not recorded into */
    int making;     /* whole.c: descriptor that locks PATH.new; -1: the file has its name */
    char index[80]; /* whole.c: what makes the index of the readings */
    sqlite3_stmt *stmt[STATEMENTS];
    /* Put and not durable yet; kept when a commit fails, and tried again with the next. */
    unsigned char *pending;
    size_t pending_len, pending_cap, pending_max;
    /* Numbers of the next rows. They are given when a record is put: a batch that a failed commit
     * has left in the log after all, and that comes to light when the file is opened again, is
     * written over itself and not doubled. */
    int64_t next_reading, next_event, next_intent;
    struct wn_state_record state; /* only the last one counts */
    bool has_state;
    /* After an I/O error nothing the connection says is believed until it was made anew. */
    bool suspect;
    int wal_frames, checkpoint_at;
    /* readings are stored on change */
    struct wn_campaign_thresholds change;
    wn_ns change_ns;
    struct wn_reading stored, last;
    bool has_stored, has_last, last_is_stored, force;
    int64_t last_step;
};

/* A column and the member of a record it holds: inserting and selecting go by one list. */
struct column {
    const char *name;
    char type; /* 'd' double (NaN is NULL), 'i' int64_t, 'n' int, 'u' unsigned or enum, 'b' bool,
                  't' char[] */
    size_t offset, size;
};

struct columns {
    const struct column *list;
    int n;
};

extern const struct columns campaign_columns, cell_columns, step_columns, sums_columns,
    cycle_columns, check_up_columns, event_columns, intent_columns, calibration_columns;

/* sql.c */
/** Fills err from a code of SQLite, with path, meaning and remedy; returns our code. */
int sql_error(struct wn_campaign *c, const char *doing, int rc, struct wn_error *err);
int sql_exec(struct wn_campaign *c, const char *sql, const char *doing, struct wn_error *err);
int sql_prepare(struct wn_campaign *c, const char *sql, sqlite3_stmt **out, struct wn_error *err);
/** Runs a statement to its end, resets it and forgets what was bound. */
int sql_run(struct wn_campaign *c, sqlite3_stmt *s, const char *doing, struct wn_error *err);
int sql_int(struct wn_campaign *c, const char *sql, int64_t *out, struct wn_error *err);
int sql_text(struct wn_campaign *c, const char *sql, char *out, size_t size, struct wn_error *err);
/** The one way to begin a transaction that writes. */
int sql_begin(struct wn_campaign *c, struct wn_error *err);
/** Commits when rc is WN_OK; rolls back what is left of the transaction otherwise. Returns rc, or
 * the commit's error. */
int sql_end(struct wn_campaign *c, int rc, struct wn_error *err);
/** Prepares, lets bind (which may be NULL) bind, runs, in a transaction of its own. */
int sql_write_once(struct wn_campaign *c, const char *sql,
                   void (*bind)(sqlite3_stmt *, const void *), const void *ctx, const char *doing,
                   struct wn_error *err);
void bind_double(sqlite3_stmt *s, int i, double x);
double column_double(sqlite3_stmt *s, int i);
void column_text(sqlite3_stmt *s, int i, char *out, size_t size);
/** Binds / reads a list from or into a record, beginning at parameter or column `from`; returns the
 * next one. */
int bind_columns(sqlite3_stmt *s, int from, struct columns cs, const void *record);
int read_columns(sqlite3_stmt *s, int from, struct columns cs, void *record);

/* SQL put together from lists. What does not fit is a mistake of this program (asserted). */
struct text {
    char s[8192];
    size_t len;
};
void text_add(struct text *t, const char *s);
/** "a, b, c" with before in front of each and after behind each. */
void text_names(struct text *t, struct columns cs, const char *before, const char *after);
/** "?, ?, ?" */
void text_marks(struct text *t, int n);
/** "INSERT[ OR REPLACE] INTO table(columns..., extra) VALUES(?, ...)"; extra is one more column,
 * or several. */
void text_insert(struct text *t, const char *verb, const char *table, struct columns cs,
                 const char *extra);

/* progress.c: a query that takes its time, as one of several stages */
struct sql_watch {
    sqlite3 *db;
    const struct wn_progress *progress;
    int64_t pages; /* of the file: each stage goes through it once */
    int stage, stages;
    int64_t read_before;
};
/** progress may be NULL. w stays where it is until sql_watch_end(), before db is closed. */
void sql_watch(struct sql_watch *w, sqlite3 *db, const struct wn_progress *progress, int64_t pages,
               int stage, int stages);
void sql_watch_end(struct sql_watch *w);

/* schema.c */
int schema_create(struct wn_campaign *c, struct wn_error *err);
/** Views, triggers and the text about the file: made anew by every migration. */
int schema_describe(struct wn_campaign *c, struct wn_error *err);
int schema_stamp(struct wn_campaign *c, struct wn_error *err);

/* migrate.c */
/** Brings the file to WN_CAMPAIGN_SCHEMA in one transaction, or leaves it as it was. */
int schema_migrate(struct wn_campaign *c, struct wn_error *err);
int schema_version(struct wn_campaign *c, int64_t *version, struct wn_error *err);

/* place.c: names and directories, nothing of which opens a database */
/** Resolves the directory of path, so that no link is followed later. */
int place_resolve(const char *path, char *out, size_t size, struct wn_error *err);
/** Is it a regular file with one name? Says what it is otherwise. */
int place_check(const char *path, bool writing, struct wn_error *err);
/** Makes an empty file that only we know; the remains of an interrupted attempt are removed. */
int place_make_new(const char *path, char *temporary, size_t size, struct wn_error *err);
/** Gives the finished file its name, never over another one, durably. */
int place_publish(const char *temporary, const char *path, struct wn_error *err);
/** Begins a file that only we know, empty, and leaves it open: the remains of an interrupted
 * attempt are taken over. WN_EEXIST when `path` is there already. */
int place_begin(const char *path, const char *temporary, int *fd, struct wn_error *err);
/** Makes what place_begin() began durable and gives it its name and mode, never over another one;
 * WN_EBUSY when somebody else has begun the same meanwhile. fd stays open. */
int place_finish(int fd, const char *temporary, const char *path, unsigned mode,
                 struct wn_error *err);
/** Removes a file that was never used, with what SQLite put beside it. */
void place_remove(const char *path);
/** Free bytes on the disk of path; NaN when unknown. */
double place_free_bytes(const char *path);

/* health.c */
/** Looks a file through after an unclean end, and marks it as being written. */
int health_begin(struct wn_campaign *c, struct wn_error *err);
int health_quick_check(struct wn_campaign *c, struct wn_error *err);
/** Explicit checkpoint: the automatic one swallows errors. */
int health_checkpoint(struct wn_campaign *c, int *frames_left, struct wn_error *err);

/* open.c */
int campaign_handle(struct wn_campaign **out, const char *path, bool writing, struct wn_error *err);
void campaign_drop(struct wn_campaign *c);
int campaign_connect(struct wn_campaign *c, const char *path, struct wn_error *err);
/** Is it a campaign at all? */
int campaign_check_kind(struct wn_campaign *c, struct wn_error *err);
void campaign_disconnect(struct wn_campaign *c);
/** What a new file starts from. */
int campaign_fill(struct wn_campaign *c, const struct wn_campaign_info *info, const char *config,
                  struct wn_error *err);
void campaign_thresholds(struct wn_campaign *c, const struct wn_campaign_thresholds *t);
/** Opens read-only whatever the version of the file, which is left as it is; *version tells. */
int campaign_open_as_it_is(struct wn_campaign **out, const char *path, int64_t *version,
                           struct wn_error *err);
/** Connection made anew after an I/O error: closed, opened, looked through, checkpointed. */
int campaign_reopen(struct wn_campaign *c, struct wn_error *err);

/* whole.c */
/** Removes PATH.new: nothing of it was worth a name. */
void whole_abandon(struct wn_campaign *c);

/* rows.c */
int rows_prepare(struct wn_campaign *c, struct wn_error *err);
/** Bytes of a record of this kind in the queue. */
size_t rows_size(enum wn_record_kind kind);
/** The counter of a kind of record that is numbered; NULL for the others. */
int64_t *rows_counter(struct wn_campaign *c, enum wn_record_kind kind);
/** Sets the counters behind what is in the file. */
int rows_count_on(struct wn_campaign *c, struct wn_error *err);
/** Writes one record of the queue. Doing it twice is the same as once. */
int rows_write(struct wn_campaign *c, enum wn_record_kind kind, int64_t number, const void *record,
               wn_utc_us utc, struct wn_error *err);
int rows_write_state(struct wn_campaign *c, wn_utc_us utc, struct wn_error *err);

/* write.c */
/** Writes all that waits, inside of the caller's transaction; it keeps waiting. */
int rows_write_pending(struct wn_campaign *c, wn_utc_us utc, struct wn_error *err);
extern const struct wn_store_ops campaign_store_ops;

#endif
