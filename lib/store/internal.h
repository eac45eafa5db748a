/* Campaign file, inside: shared by the files of lib/store. Not for other modules.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_STORE_INTERNAL_H
#define WN_STORE_INTERNAL_H

#include <sqlite3.h>

#include "store/campaign.h"

enum { APPLICATION_ID = 0x77616e65 }; /* "wane" */

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

struct wn_campaign {
    struct wn_store store; /* first: the store port */
    sqlite3 *db;
    char path[512];
    bool writing;
    sqlite3_stmt *stmt[STATEMENTS];
    /* what has been put and is not durable yet; kept when a commit fails, and tried again with the next */
    unsigned char *pending;
    size_t pending_len, pending_cap;
    struct wn_state_record state; /* only the last one counts */
    bool has_state;
    /* readings are stored on change */
    struct wn_campaign_thresholds change;
    struct wn_reading stored, last;
    bool has_stored, has_last, force;
    int64_t last_step;
};

/* A column of doubles or integers of a record, for inserting and selecting by one list. */
struct column {
    const char *name;
    char type; /* 'd' double (NaN is NULL), 'i' int64_t, 'u' unsigned */
    size_t offset;
};

extern const struct column cell_columns[], cycle_columns[], check_up_columns[], sums_columns[];
extern const int cell_columns_n, cycle_columns_n, check_up_columns_n, sums_columns_n;

/* sql.c */
/** Fills err from the database's last error, with path, meaning and remedy; returns our code. */
int sql_error(struct wn_campaign *c, const char *doing, int rc, struct wn_error *err);
int sql_exec(struct wn_campaign *c, const char *sql, struct wn_error *err);
int sql_prepare(struct wn_campaign *c, const char *sql, sqlite3_stmt **out, struct wn_error *err);
/** Runs a statement to its end and resets it. */
int sql_run(struct wn_campaign *c, sqlite3_stmt *s, const char *doing, struct wn_error *err);
int sql_int(struct wn_campaign *c, const char *sql, int64_t *out, struct wn_error *err);
int sql_text(struct wn_campaign *c, const char *sql, char *out, size_t size, struct wn_error *err);
void bind_double(sqlite3_stmt *s, int i, double x);
double column_double(sqlite3_stmt *s, int i);
/** Binds / reads the columns of a list from or into a record, beginning at parameter or column `from`. */
void bind_columns(sqlite3_stmt *s, int from, const struct column *list, int n, const void *record);
void read_columns(sqlite3_stmt *s, int from, const struct column *list, int n, void *record);
/** Appends "a, b, c" to a text. */
void list_names(char *buf, size_t size, const struct column *list, int n);

/* schema.c */
int schema_create(struct wn_campaign *c, struct wn_error *err);
int schema_migrate(struct wn_campaign *c, struct wn_error *err);

/* write.c */
int write_prepare(struct wn_campaign *c, struct wn_error *err);
extern const struct wn_store_ops campaign_store_ops;

#endif
