/* Fleet: what a record is as a row of the database. Internal to lib/fleet; pure.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A value is made into the bytes PostgreSQL sends and takes it as (its binary format: numbers in
 * network order, times as microseconds since 2000). The same bytes, with a mark in front, are what
 * both sides hash: the server computes the digest of the rows it really holds, so that a
 * correction by hand or half a transfer is seen, and no number is ever turned into text. */
#ifndef WN_FLEET_TABLE_H
#define WN_FLEET_TABLE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include "store/campaign.h"

/* Rows that are compared, and sent, together: those whose key divided by this is the same. */
enum { FLEET_BLOCK = 256 };
/* PostgreSQL's own numbers of its types (catalogue pg_type; the tests send each of them). */
enum {
    FLEET_OID_BOOL = 16,
    FLEET_OID_INT = 20,
    FLEET_OID_TEXT = 25,
    FLEET_OID_REAL = 701,
    FLEET_OID_INTS = 1016, /* an array of them */
    FLEET_OID_UTC = 1184,
    FLEET_OID_UUID = 2950
};

struct fleet_column {
    const char *name;
    char type; /* 'b' bool, 'i' int64_t, 'd' double (NaN: NULL), 't' char[], 'z' wn_utc_us (0: NULL)
                */
    size_t offset, size;
};

struct fleet_table {
    const char *name;
    const char *key; /* second column of the primary key; NULL: one row a campaign */
    const struct fleet_column *column; /* campaign_id stands in front of them */
    int columns;
};

/* The records behind the tables. */
struct fleet_campaign {
    struct wn_campaign_info info;
    char bench[64], status[32], config_sha256[65], tester[256];
    int64_t cycles, check_ups, events;
};
struct fleet_cycle {
    struct wn_cycle_record record;
    char flags[200];
    bool valid, simulated;
    wn_utc_us end_utc;
};
struct fleet_check_up {
    struct wn_check_up_record record;
    char flags[200];
    bool simulated;
    wn_utc_us end_utc;
};
struct fleet_event {
    struct wn_event_row row;
    char severity[8];
    bool simulated;
};

extern const struct fleet_table fleet_campaign_table; /* struct fleet_campaign */
extern const struct fleet_table fleet_cell_table;     /* struct fleet_campaign */
extern const struct fleet_table fleet_cycle_table;
extern const struct fleet_table fleet_check_up_table;
extern const struct fleet_table fleet_event_table;

void fleet_make_cycle(struct fleet_cycle *out, const struct wn_cycle_record *r, wn_utc_us end_utc,
                      bool simulated);
void fleet_make_check_up(struct fleet_check_up *out, const struct wn_check_up_record *r,
                         wn_utc_us end_utc, bool simulated);
void fleet_make_event(struct fleet_event *out, const struct wn_event_row *r, bool simulated);

/* Rows, encoded one behind the other. */
struct fleet_rows {
    const struct fleet_table *table;
    int rows;
    unsigned char *bytes; /* of each value: 0 for NULL; else 1, of a text its length, its bytes */
    size_t len, room;
    struct fleet_value {
        size_t at; /* of its bytes */
        int len;   /* -1: NULL */
    } * value;
    size_t values, values_room;
};

void fleet_rows_init(struct fleet_rows *r, const struct fleet_table *table);
void fleet_rows_clear(struct fleet_rows *r);
void fleet_rows_free(struct fleet_rows *r);
/** WN_OK or WN_ENOMEM. */
int fleet_rows_add(struct fleet_rows *r, const void *record);
/** What fleet_sql_blocks() gives for the same rows. */
void fleet_rows_digest(const struct fleet_rows *r, char hex[65]);

enum { FLEET_KEYS_SIZE = 20 + 12 * FLEET_BLOCK };
/** The first column of each row, which is the key, as an array of the database; returns its bytes.
 */
size_t fleet_put_keys(const struct fleet_rows *r, unsigned char out[FLEET_KEYS_SIZE]);

/** Type number of a column. */
unsigned fleet_oid(char type);
/** Makes a text UTF-8: a byte that belongs to no character becomes '?'. */
void fleet_clean_text(char *text);

/* Statements; malloc'ed, NULL without memory. $1 is the campaign_id. */
/** Inserts rows, or changes those that differ; it affects as many rows as were changed. */
char *fleet_sql_upsert(const struct fleet_table *t, int rows);
/** For each block: its number, its rows, their digest, the highest key. */
char *fleet_sql_blocks(const struct fleet_table *t);

/** The id of a campaign, as 16 bytes and as text (37 bytes). See contrib/fleet/tables-1.sql. */
void fleet_campaign_id(const struct wn_campaign_info *info, const char *config_sha256,
                       unsigned char id[16], char text[37]);

/* Numbers as the database wants them. */
void fleet_put_int64(unsigned char out[8], int64_t v);
int64_t fleet_get_int64(const unsigned char in[8]);

/** What an SQLSTATE means to us; WN_EBUSY: the transaction may be tried again at once. */
struct fleet_fault {
    int code;
    const char *advice; /* what to do; never NULL */
};
struct fleet_fault fleet_fault_of(const char *sqlstate);
/** Finds the SQLSTATE in the text of a refused connection, as libpq writes it with verbosity
 * VERBOSE ("FATAL:  28P01: ..."), and makes the text one line without it; state "" when there is
 * none. */
void fleet_split_refusal(const char *text, char state[6], char *out, size_t size);

#endif
