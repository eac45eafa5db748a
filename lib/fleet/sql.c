/* Fleet: statements from the tables of columns.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "fleet/table.h"

#include <stdio.h>
#include <stdlib.h>

static void names(FILE *f, const struct fleet_table *t, const char *before)
{
    for (int i = 0; i < t->columns; i++) {
        (void)fprintf(f, "%s%s%s", i > 0 ? ", " : "", before, t->column[i].name);
    }
}

/* Closes what open_memstream() made; NULL when something did not fit into memory. */
static char *finish(FILE *f, char **text)
{
    bool bad = ferror(f) != 0;
    if (fclose(f) != 0 || bad) {
        free(*text);
        *text = NULL;
    }
    return *text;
}

char *fleet_sql_upsert(const struct fleet_table *t, int rows)
{
    char *text = NULL;
    size_t size = 0;
    FILE *f = open_memstream(&text, &size);
    if (f == NULL) {
        return NULL;
    }
    (void)fprintf(f, "INSERT INTO wane.%s AS t (campaign_id, ", t->name);
    names(f, t, "");
    (void)fputs(") VALUES ", f);
    for (int row = 0, n = 2; row < rows; row++) {
        (void)fputs(row > 0 ? ", ($1" : "($1", f);
        for (int i = 0; i < t->columns; i++) {
            (void)fprintf(f, ", $%d", n++);
        }
        (void)fputc(')', f);
    }
    (void)fprintf(f, " ON CONFLICT (campaign_id%s%s) DO UPDATE SET ", t->key != NULL ? ", " : "",
                  t->key != NULL ? t->key : "");
    for (int i = 0; i < t->columns; i++) {
        (void)fprintf(f, "%s%s = excluded.%s", i > 0 ? ", " : "", t->column[i].name,
                      t->column[i].name);
    }
    (void)fputs(" WHERE (", f);
    names(f, t, "t.");
    (void)fputs(") IS DISTINCT FROM (", f);
    names(f, t, "excluded.");
    (void)fputc(')', f);
    return finish(f, &text);
}

/* The bytes of a column as fleet_rows_add() makes them. */
static void bytes_of(FILE *f, const struct fleet_column *c)
{
    const char *send = c->type == 'b'   ? "boolsend"
                       : c->type == 'i' ? "int8send"
                       : c->type == 'd' ? "float8send"
                       : c->type == 'z' ? "timestamptz_send"
                                        : NULL;
    if (send != NULL) {
        (void)fprintf(f, "coalesce('\\x01'::bytea || %s(%s), '\\x00'::bytea)", send, c->name);
    } else {
        (void)fprintf(f,
                      "coalesce('\\x01'::bytea || int4send(octet_length(%s)) || textsend(%s), "
                      "'\\x00'::bytea)",
                      c->name, c->name);
    }
}

char *fleet_sql_blocks(const struct fleet_table *t)
{
    char *text = NULL;
    size_t size = 0;
    FILE *f = open_memstream(&text, &size);
    const char *key = t->key != NULL ? t->key : "0::bigint";
    if (f == NULL) {
        return NULL;
    }
    (void)fprintf(f, "SELECT %s / %d, count(*), encode(sha256(string_agg(", key, FLEET_BLOCK);
    for (int i = 0; i < t->columns; i++) {
        (void)fputs(i > 0 ? " || " : "", f);
        bytes_of(f, &t->column[i]);
    }
    (void)fprintf(f,
                  ", ''::bytea ORDER BY %s)), 'hex'), max(%s) FROM wane.%s WHERE campaign_id = $1 "
                  "GROUP BY 1 ORDER BY 1",
                  key, key, t->name);
    return finish(f, &text);
}
