/* Fleet: one campaign from its file into the database.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The server is asked first and the file is read then: what the file has more is new. The other
 * way round a publisher that runs at the same time could make an up-to-date file look old. */
#include "fleet/compare.h"

#include <libpq-fe.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"

/* STATEMENT_ROWS: a server's log may keep the whole statement when it fails. */
enum { TABLES = 3, ROUNDS_MAX = 3, STATEMENT_ROWS = 32 };

#define IN_BLOCK " / 256 ="
_Static_assert(FLEET_BLOCK == 256, "IN_BLOCK says so");

static const struct fleet_table *const tables[TABLES] = {&fleet_cycle_table, &fleet_check_up_table,
                                                         &fleet_event_table};

struct job {
    struct wn_fleet *f;
    struct wn_campaign *c;
    const struct wn_fleet_order *order;
    struct wn_fleet_outcome *out;
    unsigned char id[16];
    struct fleet_campaign *campaign; /* the row, and that of its cell */
    struct fleet_rows head[2];       /* campaign, cell */
    bool head_differs, known;        /* known: the server has it from us */
    char owner[64];                  /* whose it is there; "" when it is new */
    struct fleet_blocks file[TABLES], server[TABLES];
    int64_t to_delete;
};

static int text_of(struct job *j, const char *sql, char *out, size_t size, struct wn_error *err)
{
    const Oid type = FLEET_OID_UUID;
    const char *value = (const char *)j->id;
    const int length = 16;
    const struct fleet_params p = {1, &type, &value, &length};
    PGresult *res = NULL;
    int rc = fleet_run(j->f, sql, &p, &res, err);
    out[0] = '\0';
    if (rc == WN_OK && PQntuples(res) > 0) {
        (void)snprintf(out, size, "%.*s", PQgetlength(res, 0, 0), PQgetvalue(res, 0, 0));
    }
    PQclear(res);
    return rc;
}

static int count_with_texts(struct job *j, const char *sql, const char *a, const char *b,
                            int64_t *out, struct wn_error *err)
{
    const Oid type[] = {FLEET_OID_UUID, FLEET_OID_TEXT, FLEET_OID_TEXT};
    const char *value[] = {(const char *)j->id, a, b != NULL ? b : ""};
    const int length[] = {16, (int)strlen(a), b != NULL ? (int)strlen(b) : 0};
    const struct fleet_params p = {b != NULL ? 3 : 2, type, value, length};
    return fleet_number(j->f, sql, &p, out, err);
}

/* What the server has of it; in one transaction, so that all of it is of one moment. */
static int ask(struct wn_fleet *f, void *ctx, struct wn_error *err)
{
    struct job *j = ctx;
    int64_t published = 0;
    int rc = text_of(j, "SELECT bench FROM wane.campaign WHERE campaign_id = $1", j->owner,
                     sizeof j->owner, err);
    for (int i = 0; rc == WN_OK && i < TABLES; i++) {
        fleet_blocks_free(&j->server[i]);
        rc = fleet_ask_blocks(f, tables[i], j->id, &j->server[i], err);
    }
    if (rc == WN_OK) {
        rc = count_with_texts(
            j, "SELECT count(*) FROM wane.bench WHERE campaign_id = $1 AND bench = $2",
            j->order->bench, NULL, &published, err);
    }
    j->known = published > 0;
    if (rc == WN_OK) {
        rc = count_with_texts(j,
                              "SELECT count(*) FROM wane.campaign WHERE campaign_id <> $1 AND "
                              "bench = $2 AND name = $3",
                              j->order->bench, j->campaign->info.name, &j->out->namesakes, err);
    }
    return rc;
}

/* The rows of campaign and cell: the same there? */
static int ask_head(struct wn_fleet *f, void *ctx, struct wn_error *err)
{
    struct job *j = ctx;
    int rc = WN_OK;
    j->head_differs = false;
    for (int i = 0; rc == WN_OK && i < 2; i++) {
        struct fleet_blocks there;
        char digest[65];
        fleet_rows_digest(&j->head[i], digest);
        rc = fleet_ask_blocks(f, j->head[i].table, j->id, &there, err);
        if (rc == WN_OK && (there.n != 1 || strcmp(there.block[0].digest, digest) != 0)) {
            j->head_differs = true;
        }
        fleet_blocks_free(&there);
    }
    return rc;
}

static int read_file(struct job *j, struct wn_error *err)
{
    static const struct fleet_table *const heads[] = {&fleet_campaign_table, &fleet_cell_table};
    struct fleet_campaign *m = j->campaign;
    int rc = wn_campaign_status(j->c, m->status, sizeof m->status, err);
    for (int i = 0; rc == WN_OK && i < TABLES; i++) {
        fleet_blocks_free(&j->file[i]);
        rc = fleet_read_blocks(j->c, tables[i], m->info.simulated, &j->file[i], err);
    }
    m->cycles = j->out->cycles = j->file[0].rows;
    m->check_ups = j->out->check_ups = j->file[1].rows;
    m->events = j->out->events = j->file[2].rows;
    for (int i = 0; rc == WN_OK && i < 2; i++) {
        fleet_rows_free(&j->head[i]);
        fleet_rows_init(&j->head[i], heads[i]);
        if (fleet_rows_add(&j->head[i], m) != WN_OK) {
            rc = wn_error_set(err, WN_ENOMEM, "out of memory");
        }
    }
    return rc;
}

static int begin_job(struct job *j, struct wn_error *err)
{
    struct fleet_campaign *m = j->campaign;
    char *frozen = NULL;
    (void)snprintf(m->bench, sizeof m->bench, "%s", j->order->bench);
    int rc = wn_campaign_info(j->c, &m->info, err);
    rc = rc == WN_OK ? wn_campaign_frozen_config(j->c, &frozen, m->config_sha256, err) : rc;
    free(frozen);
    if (rc == WN_OK) {
        rc = wn_campaign_first_identity(j->c, "tester", m->tester, sizeof m->tester, err);
    }
    if (rc == WN_OK) {
        rc = wn_campaign_status(j->c, m->status, sizeof m->status, err);
    }
    if (rc != WN_OK) {
        return rc;
    }
    j->out->info = m->info;
    fleet_campaign_id(&m->info, m->config_sha256, j->id, j->out->id);
    return strcmp(m->status, "importing") != 0
               ? WN_OK
               : wn_error_set(err, WN_ESTATE,
                              "%s was not imported to its end: delete it and import again",
                              m->info.name);
}

/* A statement with rows, as parameters behind the campaign_id. */
static int upsert_some(struct job *j, const struct fleet_rows *rows, int first, int n,
                       struct wn_error *err)
{
    size_t columns = (size_t)rows->table->columns, params = (size_t)n * columns + 1;
    Oid *type = calloc(params, sizeof *type);
    const char **value = calloc(params, sizeof *value);
    int *length = calloc(params, sizeof *length);
    char *sql = fleet_sql_upsert(rows->table, n);
    PGresult *res = NULL;
    int rc = WN_ENOMEM;
    if (type == NULL || value == NULL || length == NULL || sql == NULL) {
        (void)wn_error_set(err, WN_ENOMEM, "out of memory");
        goto done;
    }
    type[0] = FLEET_OID_UUID;
    value[0] = (const char *)j->id;
    length[0] = 16;
    for (size_t i = 1; i < params; i++) {
        const struct fleet_value *v = &rows->value[(size_t)first * columns + i - 1];
        type[i] = fleet_oid(rows->table->column[(i - 1) % columns].type);
        value[i] = v->len >= 0 ? (const char *)rows->bytes + v->at : NULL;
        length[i] = v->len >= 0 ? v->len : 0;
    }
    const struct fleet_params p = {(int)params, type, value, length};
    rc = fleet_run(j->f, sql, &p, &res, err);
    if (rc == WN_OK) {
        const char *changed = PQcmdTuples(res);
        int64_t count = 0;
        (void)wn_num_parse_int(changed, strlen(changed), &count);
        j->out->changed += count;
    }
done:
    PQclear(res);
    free(sql);
    free(type);
    free(value);
    free(length);
    return rc;
}

static int upsert(struct job *j, const struct fleet_rows *rows, struct wn_error *err)
{
    int rc = WN_OK;
    for (int i = 0; rc == WN_OK && i < rows->rows; i += STATEMENT_ROWS) {
        int left = rows->rows - i;
        rc = upsert_some(j, rows, i, left < STATEMENT_ROWS ? left : STATEMENT_ROWS, err);
    }
    return rc;
}

static int put_bench(struct job *j, struct wn_error *err)
{
    static const char sql[] =
        "INSERT INTO wane.bench AS t (campaign_id, bench, simulated, program_version, "
        "published_utc, changed_utc) VALUES ($1, $2, $3, $4, now(), now()) ON CONFLICT "
        "(campaign_id, bench) DO UPDATE SET simulated = excluded.simulated, program_version = "
        "excluded.program_version, changed_utc = excluded.changed_utc";
    const Oid type[] = {FLEET_OID_UUID, FLEET_OID_TEXT, FLEET_OID_BOOL, FLEET_OID_TEXT};
    const char simulated = j->campaign->info.simulated ? 1 : 0;
    const char *version = j->campaign->info.program_version;
    const char *value[] = {(const char *)j->id, j->order->bench, &simulated, version};
    const int length[] = {16, (int)strlen(j->order->bench), 1, (int)strlen(version)};
    const struct fleet_params p = {4, type, value, length};
    return fleet_run(j->f, sql, &p, NULL, err);
}

static int put_head(struct wn_fleet *f, void *ctx, struct wn_error *err)
{
    struct job *j = ctx;
    int64_t before = j->out->changed;
    (void)f;
    int rc = upsert(j, &j->head[0], err);
    rc = rc == WN_OK ? upsert(j, &j->head[1], err) : rc;
    rc = rc == WN_OK ? put_bench(j, err) : rc;
    if (rc != WN_OK) {
        j->out->changed = before;
    }
    return rc;
}

static int delete_by(struct job *j, const char *sql, const struct fleet_params *p,
                     struct wn_error *err)
{
    PGresult *res = NULL;
    int64_t count = 0;
    int rc = fleet_run(j->f, sql, p, &res, err);
    if (rc == WN_OK) {
        const char *text = PQcmdTuples(res);
        (void)wn_num_parse_int(text, strlen(text), &count);
        j->out->deleted += count;
    }
    PQclear(res);
    return rc;
}

/* Rows of the server in one block, or behind the file's last. */
static int delete_rows(struct job *j, const struct fleet_table *t, const char *condition,
                       int64_t number, struct wn_error *err)
{
    char sql[160];
    unsigned char bytes[8];
    const Oid type[] = {FLEET_OID_UUID, FLEET_OID_INT};
    const char *value[] = {(const char *)j->id, (const char *)bytes};
    const int length[] = {16, 8};
    const struct fleet_params p = {2, type, value, length};
    fleet_put_int64(bytes, number);
    (void)snprintf(sql, sizeof sql, "DELETE FROM wane.%s WHERE campaign_id = $1 AND %s%s $2",
                   t->name, t->key, condition);
    return delete_by(j, sql, &p, err);
}

/* Rows of the server in the block of these, but for these. */
static int delete_others(struct job *j, const struct fleet_rows *rows, int64_t number,
                         struct wn_error *err)
{
    char sql[200];
    unsigned char bytes[8], keys[FLEET_KEYS_SIZE];
    const Oid type[] = {FLEET_OID_UUID, FLEET_OID_INT, FLEET_OID_INTS};
    const char *value[] = {(const char *)j->id, (const char *)bytes, (const char *)keys};
    const int length[] = {16, 8, (int)fleet_put_keys(rows, keys)};
    const struct fleet_params p = {3, type, value, length};
    fleet_put_int64(bytes, number);
    (void)snprintf(sql, sizeof sql,
                   "DELETE FROM wane.%s WHERE campaign_id = $1 AND %s" IN_BLOCK
                   " $2 AND %s <> ALL ($3)",
                   rows->table->name, rows->table->key, rows->table->key);
    return delete_by(j, sql, &p, err);
}

struct sending {
    struct job *j;
    struct fleet_blocks *file;
    const struct fleet_rows *rows;
    int64_t number;
    int at; /* in file */
};

static int put_block(struct wn_fleet *f, void *ctx, struct wn_error *err)
{
    struct sending *s = ctx;
    int64_t changed = s->j->out->changed, deleted = s->j->out->deleted;
    (void)f;
    int rc = WN_OK;
    if (s->j->order->replace) {
        rc = delete_others(s->j, s->rows, s->number, err);
    }
    rc = rc == WN_OK ? upsert(s->j, s->rows, err) : rc;
    if (rc != WN_OK) {
        s->j->out->changed = changed;
        s->j->out->deleted = deleted;
    }
    return rc;
}

/* Read once more: an acknowledgement may have come meanwhile, and what was sent is what counts. */
static int send_block(const struct fleet_rows *rows, int64_t number, void *ctx,
                      struct wn_error *err)
{
    struct sending *s = ctx;
    while (s->at < s->file->n && s->file->block[s->at].number < number) {
        s->at++;
    }
    if (s->at == s->file->n || s->file->block[s->at].number != number ||
        !s->file->block[s->at].differs) {
        return WN_OK;
    }
    struct fleet_block *b = &s->file->block[s->at];
    fleet_rows_digest(rows, b->digest);
    b->rows = rows->rows;
    s->rows = rows;
    s->number = number;
    return fleet_transaction(s->j->f, true, put_block, s, err);
}

/* What lies behind the file's last row, and blocks the file has none of. */
static int delete_beyond(struct wn_fleet *f, void *ctx, struct wn_error *err)
{
    struct job *j = ctx;
    int64_t before = j->out->deleted;
    int rc = WN_OK;
    (void)f;
    for (int i = 0; rc == WN_OK && i < TABLES; i++) {
        rc = delete_rows(j, tables[i], " >", j->file[i].last_key, err);
        for (int k = 0; rc == WN_OK && k < j->server[i].n; k++) {
            int64_t number = j->server[i].block[k].number;
            if (fleet_blocks_find(&j->file[i], number) == NULL) {
                rc = delete_rows(j, tables[i], IN_BLOCK, number, err);
            }
        }
    }
    if (rc != WN_OK) {
        j->out->deleted = before;
    }
    return rc;
}

static int transfer(struct job *j, struct wn_error *err)
{
    int rc = fleet_transaction(j->f, true, put_head, j, err);
    if (rc == WN_OK && j->order->replace) {
        rc = fleet_transaction(j->f, true, delete_beyond, j, err);
    }
    for (int i = 0; rc == WN_OK && i < TABLES; i++) {
        struct sending s = {.j = j, .file = &j->file[i]};
        rc = fleet_each_block(j->c, tables[i], j->campaign->info.simulated, j->file[i].last_key,
                              send_block, &s, err);
    }
    return rc;
}

/* Rows in blocks that differ; *same when all that the server holds is what we have read or sent. */
static int64_t compare(struct job *j, bool *more, bool *same)
{
    int64_t differing = 0;
    *more = false;
    for (int i = 0; i < TABLES; i++) {
        differing += fleet_mark_differing(&j->file[i], &j->server[i]);
        *more = *more || fleet_holds_more(&j->file[i], &j->server[i]);
    }
    *same = differing == 0 && !*more && !j->head_differs && j->known;
    return differing;
}

static bool is_anothers(const struct job *j)
{
    return j->owner[0] != '\0' && strcmp(j->owner, j->order->bench) != 0;
}

static int refuse(const struct job *j, bool more, struct wn_error *err)
{
    const char *name = j->campaign->info.name;
    if (is_anothers(j) && !j->order->take_over) {
        return wn_error_set(err, WN_ESTATE,
                            "%s: bench %s has published it: is this a copy? One bench publishes a "
                            "campaign; --take-over makes it %s",
                            name, j->owner, j->order->bench);
    }
    if (more && !j->order->replace) {
        return wn_error_set(err, WN_ESTATE,
                            "%s: the server holds more of it than this file (%lld cycles and %lld "
                            "events here, %lld and %lld there): is this an old copy, or a restored "
                            "backup? --replace makes the server the same as this file",
                            name, (long long)j->file[0].rows, (long long)j->file[2].rows,
                            (long long)j->server[0].rows, (long long)j->server[2].rows);
    }
    return WN_OK;
}

/* Compares, sends what differs, and compares again with what was sent: the file may have gone on
 * meanwhile. *done when there is nothing left to do. */
static int round_of(struct job *j, bool *done, struct wn_error *err)
{
    bool more = false;
    int rc = fleet_transaction(j->f, false, ask, j, err);
    rc = rc == WN_OK ? read_file(j, err) : rc;
    rc = rc == WN_OK ? fleet_transaction(j->f, false, ask_head, j, err) : rc;
    if (rc != WN_OK) {
        return rc;
    }
    int64_t differing = compare(j, &more, done);
    rc = *done ? WN_OK : refuse(j, more, err);
    if (rc != WN_OK || *done) {
        return rc;
    }
    if (j->out->differing == 0) { /* else: a further round */
        j->out->differing = differing + (j->head_differs ? 2 : 0);
    }
    if (is_anothers(j)) {
        (void)snprintf(j->out->taken_from, sizeof j->out->taken_from, "%s", j->owner);
    }
    *done = j->order->dry_run;
    rc = *done ? WN_OK : transfer(j, err);
    if (rc == WN_OK && !*done) {
        rc = fleet_transaction(j->f, false, ask, j, err);
        rc = rc == WN_OK ? fleet_transaction(j->f, false, ask_head, j, err) : rc;
        (void)compare(j, &more, done);
    }
    return rc;
}

static void end_job(struct job *j)
{
    for (int i = 0; i < TABLES; i++) {
        fleet_blocks_free(&j->file[i]);
        fleet_blocks_free(&j->server[i]);
    }
    fleet_rows_free(&j->head[0]);
    fleet_rows_free(&j->head[1]);
    free(j->campaign);
}

int wn_fleet_publish(struct wn_fleet *f, struct wn_campaign *c, const struct wn_fleet_order *order,
                     struct wn_fleet_outcome *out, struct wn_error *err)
{
    struct job j = {.f = f, .c = c, .order = order, .out = out};
    bool done = false;
    memset(out, 0, sizeof *out);
    j.campaign = calloc(1, sizeof *j.campaign);
    if (j.campaign == NULL) {
        return wn_error_set(err, WN_ENOMEM, "out of memory");
    }
    for (int i = 0; i < TABLES; i++) {
        fleet_blocks_init(&j.file[i]);
        fleet_blocks_init(&j.server[i]);
    }
    int rc = begin_job(&j, err);
    for (int i = 0; rc == WN_OK && !done && i < ROUNDS_MAX; i++) {
        rc = round_of(&j, &done, err);
    }
    if (rc == WN_OK && !done) {
        rc = wn_error_set(err, WN_EIO,
                          "%s: %s: the server does not hold what was sent, after %d times: does "
                          "somebody else change its rows, or a trigger of the database?",
                          f->where, out->info.name, ROUNDS_MAX);
    }
    end_job(&j);
    return rc;
}
