/* Fleet: blocks of rows in the file and on the server, and where they differ.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fleet/compare.h"

#include <libpq-fe.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void fleet_blocks_init(struct fleet_blocks *b)
{
    memset(b, 0, sizeof *b);
    b->last_key = INT64_MIN;
}

void fleet_blocks_free(struct fleet_blocks *b)
{
    free(b->block);
    fleet_blocks_init(b);
}

int fleet_blocks_add(struct fleet_blocks *b, int64_t number, int64_t rows, const char *digest)
{
    if (b->n == b->room) {
        int room = b->room > 0 ? 2 * b->room : 16;
        struct fleet_block *more = realloc(b->block, (size_t)room * sizeof *more);
        if (more == NULL) {
            return WN_ENOMEM;
        }
        b->block = more;
        b->room = room;
    }
    struct fleet_block *new = &b->block[b->n++];
    *new = (struct fleet_block){.number = number, .rows = rows};
    (void)snprintf(new->digest, sizeof new->digest, "%s", digest);
    b->rows += rows;
    return WN_OK;
}

const struct fleet_block *fleet_blocks_find(const struct fleet_blocks *b, int64_t number)
{
    for (int low = 0, high = b->n; low < high;) {
        int middle = low + (high - low) / 2;
        if (b->block[middle].number == number) {
            return &b->block[middle];
        }
        if (b->block[middle].number < number) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    return NULL;
}

int64_t fleet_mark_differing(struct fleet_blocks *file, const struct fleet_blocks *server)
{
    int64_t rows = 0;
    for (int i = 0; i < file->n; i++) {
        struct fleet_block *b = &file->block[i];
        const struct fleet_block *there = fleet_blocks_find(server, b->number);
        b->differs =
            there == NULL || there->rows != b->rows || strcmp(there->digest, b->digest) != 0;
        rows += b->differs ? b->rows : 0;
    }
    return rows;
}

bool fleet_holds_more(const struct fleet_blocks *file, const struct fleet_blocks *server)
{
    if (server->n > 0 && server->last_key > file->last_key) {
        return true;
    }
    for (int i = 0; i < server->n; i++) {
        const struct fleet_block *here = fleet_blocks_find(file, server->block[i].number);
        if (here == NULL || server->block[i].rows > here->rows) {
            return true;
        }
    }
    return false;
}

static int64_t number_at(const PGresult *res, int row, int column)
{
    return PQgetlength(res, row, column) == 8
               ? fleet_get_int64((const unsigned char *)PQgetvalue(res, row, column))
               : 0;
}

int fleet_ask_blocks(struct wn_fleet *f, const struct fleet_table *t, const unsigned char id[16],
                     struct fleet_blocks *out, struct wn_error *err)
{
    const Oid type = FLEET_OID_UUID;
    const char *value = (const char *)id;
    const int length = 16;
    const struct fleet_params p = {1, &type, &value, &length};
    PGresult *res = NULL;
    char *sql = fleet_sql_blocks(t);
    int rc = fleet_run(f, sql, &p, &res, err);
    fleet_blocks_init(out);
    for (int i = 0; rc == WN_OK && i < PQntuples(res); i++) {
        rc = fleet_blocks_add(out, number_at(res, i, 0), number_at(res, i, 1),
                              PQgetvalue(res, i, 2));
        out->last_key = number_at(res, i, 3);
    }
    PQclear(res);
    free(sql);
    return rc;
}

/* Reading the file: rows are gathered until a key belongs to another block. */
struct gathering {
    struct fleet_rows rows;
    bool simulated;
    int64_t last_key, number;
    fleet_block_fn fn;
    void *ctx;
    struct wn_error *err;
};

enum { AT_THE_END = 1 };

static int hand_out(struct gathering *g)
{
    int rc = g->rows.rows > 0 ? g->fn(&g->rows, g->number, g->ctx, g->err) : WN_OK;
    fleet_rows_clear(&g->rows);
    return rc;
}

static int take(struct gathering *g, int64_t key, const void *record)
{
    if (key > g->last_key) {
        return AT_THE_END;
    }
    int rc = key / FLEET_BLOCK != g->number ? hand_out(g) : WN_OK;
    g->number = key / FLEET_BLOCK;
    if (rc == WN_OK && fleet_rows_add(&g->rows, record) != WN_OK) {
        rc = wn_error_set(g->err, WN_ENOMEM, "out of memory");
    }
    return rc;
}

static int take_cycle(const struct wn_cycle_record *r, wn_utc_us end_utc, void *ctx)
{
    struct gathering *g = ctx;
    struct fleet_cycle c;
    fleet_make_cycle(&c, r, end_utc, g->simulated);
    return take(g, r->cycle, &c);
}

static int take_check_up(const struct wn_check_up_record *r, wn_utc_us end_utc, void *ctx)
{
    struct gathering *g = ctx;
    struct fleet_check_up c;
    fleet_make_check_up(&c, r, end_utc, g->simulated);
    return take(g, r->check_up, &c);
}

static int take_event(const struct wn_event_row *r, void *ctx)
{
    struct gathering *g = ctx;
    struct fleet_event e;
    fleet_make_event(&e, r, g->simulated);
    return take(g, r->number, &e);
}

int fleet_each_block(struct wn_campaign *c, const struct fleet_table *t, bool simulated,
                     int64_t last_key, fleet_block_fn fn, void *ctx, struct wn_error *err)
{
    struct gathering g = {
        .simulated = simulated, .last_key = last_key, .fn = fn, .ctx = ctx, .err = err};
    fleet_rows_init(&g.rows, t);
    int rc = t == &fleet_cycle_table      ? wn_campaign_each_cycle(c, take_cycle, &g, err)
             : t == &fleet_check_up_table ? wn_campaign_each_check_up(c, take_check_up, &g, err)
                                          : wn_campaign_each_event(c, 0, take_event, &g, err);
    if (rc == WN_OK || rc == AT_THE_END) {
        rc = hand_out(&g);
    }
    fleet_rows_free(&g.rows);
    return rc;
}

static int note_block(const struct fleet_rows *rows, int64_t number, void *ctx,
                      struct wn_error *err)
{
    struct fleet_blocks *b = ctx;
    char digest[65];
    fleet_rows_digest(rows, digest);
    /* the key is the first column of these tables */
    const struct fleet_value *key =
        &rows->value[(size_t)(rows->rows - 1) * (size_t)rows->table->columns];
    b->last_key = fleet_get_int64(rows->bytes + key->at);
    return fleet_blocks_add(b, number, rows->rows, digest) == WN_OK
               ? WN_OK
               : wn_error_set(err, WN_ENOMEM, "out of memory");
}

int fleet_read_blocks(struct wn_campaign *c, const struct fleet_table *t, bool simulated,
                      struct fleet_blocks *out, struct wn_error *err)
{
    fleet_blocks_init(out);
    return fleet_each_block(c, t, simulated, INT64_MAX, note_block, out, err);
}
