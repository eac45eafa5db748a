/* Tables for people: columns that line up, in plain text.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "report/table.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/assert.h"
#include "base/num.h"

struct wn_table {
    char *align;
    const char *const *heading;
    int columns;
    char **cell;
    size_t cells, room;
    bool failed; /* memory ran out: the table is not whole */
};

struct wn_table *wn_table_create(const char *align, const char *const *headings)
{
    wn_assert(align[0] != '\0' && strlen(align) <= WN_TABLE_COLUMNS_MAX);
    struct wn_table *t = calloc(1, sizeof *t);
    if (t == NULL) {
        return NULL;
    }
    t->align = strdup(align);
    t->heading = headings;
    t->columns = (int)strlen(align);
    if (t->align == NULL) {
        free(t);
        return NULL;
    }
    return t;
}

void wn_table_destroy(struct wn_table *t)
{
    if (t == NULL) {
        return;
    }
    for (size_t i = 0; i < t->cells; i++) {
        free(t->cell[i]);
    }
    free(t->cell);
    free(t->align);
    free(t);
}

void wn_text_make_printable(char *text)
{
    for (unsigned char *c = (unsigned char *)text; *c != '\0'; c++) {
        if (*c < 0x20 || *c == 0x7f) {
            *c = '?';
        }
    }
}

void wn_table_text(struct wn_table *t, const char *text)
{
    if (t == NULL || t->failed) {
        return;
    }
    if (t->cells == t->room) {
        size_t room = t->room > 0 ? 2 * t->room : 64;
        char **more = realloc(t->cell, room * sizeof *more);
        if (more == NULL) {
            t->failed = true;
            return;
        }
        t->cell = more;
        t->room = room;
    }
    char *copy = strdup(text != NULL && text[0] != '\0' ? text : "-");
    if (copy == NULL) {
        t->failed = true;
        return;
    }
    wn_text_make_printable(copy);
    t->cell[t->cells++] = copy;
}

void wn_table_number(struct wn_table *t, double value, int decimals)
{
    char buf[WN_NUM_SIZE];
    wn_table_text(t, isfinite(value) ? wn_num_fixed(value, decimals, buf, sizeof buf) : NULL);
}

void wn_table_integer(struct wn_table *t, int64_t value)
{
    char buf[WN_NUM_SIZE];
    (void)snprintf(buf, sizeof buf, "%lld", (long long)value);
    wn_table_text(t, buf);
}

int wn_text_width(const char *text)
{
    int n = 0;
    for (; *text != '\0'; text++) {
        n += ((unsigned char)*text & 0xc0) != 0x80; /* continuation bytes take no column */
    }
    return n;
}

static int width_of(const struct wn_table *t, int column)
{
    int width = wn_text_width(t->heading[column]);
    for (size_t i = (size_t)column; i < t->cells; i += (size_t)t->columns) {
        int w = wn_text_width(t->cell[i]);
        width = w > width ? w : width;
    }
    return width;
}

static void print_cell(const struct wn_table *t, FILE *f, int column, int width, const char *text)
{
    int pad = width - wn_text_width(text);
    bool right = t->align[column] == 'r', last = column == t->columns - 1;
    (void)fprintf(f, "%*s%s%*s", right ? pad : 0, "", text, right || last ? 0 : pad, "");
    (void)fputs(last ? "\n" : "  ", f);
}

int wn_table_print(const struct wn_table *t, FILE *f, bool bold, struct wn_error *err)
{
    if (t == NULL || t->failed) {
        return wn_error_set(err, WN_ENOMEM, "no memory for a table");
    }
    int width[WN_TABLE_COLUMNS_MAX] = {0};
    for (int c = 0; c < t->columns; c++) {
        width[c] = width_of(t, c);
    }
    (void)fputs(bold ? "\033[1m" : "", f);
    for (int c = 0; c < t->columns; c++) {
        print_cell(t, f, c, width[c], t->heading[c]);
    }
    (void)fputs(bold ? "\033[0m" : "", f);
    for (size_t i = 0; i < t->cells; i++) {
        int c = (int)(i % (size_t)t->columns);
        print_cell(t, f, c, width[c], t->cell[i]);
    }
    return WN_OK;
}
