/* Comma-separated values in and out (RFC 4180).
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "report/csv.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"

static const char byte_order_mark[] = "\xef\xbb\xbf";

static bool blank(char c)
{
    return c == ' ' || c == '\t' || c == '\r' || c == '\n';
}

static char *trim(char *text)
{
    while (blank(*text)) {
        text++;
    }
    size_t n = strlen(text);
    while (n > 0 && blank(text[n - 1])) {
        text[--n] = '\0';
    }
    return text;
}

/* Takes the quotes off a field that begins behind a quote; *end is set to what comes after it. */
static bool unquote(char *field, char **end)
{
    char *to = field;
    for (char *from = field; *from != '\0'; from++) {
        if (from[0] == '"' && from[1] == '"') {
            from++;
        } else if (from[0] == '"') {
            *to = '\0';
            *end = from + 1;
            return true;
        }
        *to++ = *from;
    }
    return false;
}

/* Splits a line in place; -1 when a quote is not closed or something follows it, -2 when there are
 * too many fields. */
static int split(char *line, char separator, char **field)
{
    int n = 0;
    for (char *at = line; at != NULL;) {
        if (n == WN_CSV_FIELDS_MAX) {
            return -2;
        }
        while (*at == ' ') {
            at++;
        }
        char *end = NULL;
        if (*at == '"') {
            field[n] = ++at;
            if (!unquote(at, &end)) {
                return -1;
            }
            end += strspn(end, " \r\n");
            if (*end != '\0' && *end != separator) {
                return -1;
            }
        } else {
            field[n] = at;
            end = at + strcspn(at, (char[]){separator, '\0'});
        }
        bool more = *end == separator;
        *end = '\0';
        field[n] = trim(field[n]);
        n++;
        at = more ? end + 1 : NULL;
    }
    return n;
}

/* The next line with content, without its end; end of file: *end. */
static int read_line(struct wn_csv *c, bool *end, struct wn_error *err)
{
    *end = false;
    for (;;) {
        errno = 0;
        ssize_t n = getline(&c->text, &c->room, c->f);
        if (n < 0) {
            *end = feof(c->f) != 0;
            return *end ? WN_OK : wn_error_set(err, WN_EIO, "%s: %s", c->name, strerror(errno));
        }
        c->line++;
        if (n > WN_CSV_LINE_MAX || strlen(c->text) != (size_t)n) {
            return wn_error_set(err, WN_ESYNTAX, "%s:%lld: this is no line of text", c->name,
                                (long long)c->line);
        }
        if (c->line == 1 && strncmp(c->text, byte_order_mark, 3) == 0) {
            memmove(c->text, c->text + 3, (size_t)n - 2);
        }
        if (c->text[strspn(c->text, " \t\r\n")] != '\0' && c->text[0] != '#') {
            return WN_OK;
        }
    }
}

static int explain_split(const struct wn_csv *c, int n, struct wn_error *err)
{
    if (n == -2) {
        return wn_error_set(err, WN_ESYNTAX, "%s:%lld: more than %d fields", c->name,
                            (long long)c->line, WN_CSV_FIELDS_MAX);
    }
    return wn_error_set(err, WN_ESYNTAX, "%s:%lld: a quote is not closed, or followed by text",
                        c->name, (long long)c->line);
}

static void lower(char *text)
{
    for (; *text != '\0'; text++) {
        if (*text >= 'A' && *text <= 'Z') {
            *text = (char)(*text - 'A' + 'a');
        }
    }
}

int wn_csv_open(struct wn_csv *c, FILE *f, const char *name, struct wn_error *err)
{
    bool end = false;
    memset(c, 0, sizeof *c);
    c->f = f;
    c->name = name;
    int rc = read_line(c, &end, err);
    if (rc != WN_OK) {
        return rc;
    }
    if (end) {
        return wn_error_set(err, WN_EMISSING, "%s is empty: its first line must name the columns",
                            name);
    }
    c->header = c->text;
    c->text = NULL;
    c->room = 0;
    c->separator = strchr(c->header, ',') != NULL    ? ','
                   : strchr(c->header, ';') != NULL  ? ';'
                   : strchr(c->header, '\t') != NULL ? '\t'
                                                     : ',';
    c->columns = split(c->header, c->separator, c->column);
    if (c->columns < 0) {
        return explain_split(c, c->columns, err);
    }
    for (int i = 0; i < c->columns; i++) {
        lower(c->column[i]);
    }
    return WN_OK;
}

void wn_csv_close(struct wn_csv *c)
{
    free(c->header);
    free(c->text);
    memset(c, 0, sizeof *c);
}

int wn_csv_column(const struct wn_csv *c, const char *name)
{
    for (int i = 0; i < c->columns; i++) {
        if (strcmp(c->column[i], name) == 0) {
            return i;
        }
    }
    return -1;
}

int wn_csv_next(struct wn_csv *c, bool *end, struct wn_error *err)
{
    c->fields = 0;
    int rc = read_line(c, end, err);
    if (rc != WN_OK || *end) {
        return rc;
    }
    int n = split(c->text, c->separator, c->field);
    if (n < 0) {
        return explain_split(c, n, err);
    }
    if (n != c->columns) {
        return wn_error_set(err, WN_ESYNTAX, "%s:%lld: %d fields, but the header names %d", c->name,
                            (long long)c->line, n, c->columns);
    }
    c->fields = n;
    return WN_OK;
}

int wn_csv_number(const struct wn_csv *c, int column, double *out, struct wn_error *err)
{
    if (column < 0 || column >= c->fields || c->field[column][0] == '\0') {
        *out = NAN;
        return WN_OK;
    }
    const char *text = c->field[column];
    int rc = wn_num_parse(text, strlen(text), out);
    if (rc == WN_OK) {
        return WN_OK;
    }
    return wn_error_set(err, rc, "%s:%lld: %s is '%.40s', which is no number%s", c->name,
                        (long long)c->line, c->column[column], text,
                        strchr(text, ',') != NULL ? ": write a point as decimal mark" : "");
}

static void begin_field(struct wn_csv_out *o)
{
    if (o->begun) {
        (void)fputc(',', o->f);
    }
    o->begun = true;
}

void wn_csv_put_text(struct wn_csv_out *o, const char *text)
{
    begin_field(o);
    if (text[strcspn(text, ",\"\r\n")] == '\0') {
        (void)fputs(text, o->f);
        return;
    }
    (void)fputc('"', o->f);
    for (; *text != '\0'; text++) {
        (void)fputs(*text == '"' ? "\"\"" : (char[]){*text, '\0'}, o->f);
    }
    (void)fputc('"', o->f);
}

void wn_csv_put_number(struct wn_csv_out *o, double value)
{
    char buf[WN_NUM_SIZE];
    begin_field(o);
    if (isfinite(value)) {
        (void)fputs(wn_num_format(value, 10, buf, sizeof buf), o->f);
    }
}

void wn_csv_put_integer(struct wn_csv_out *o, int64_t value)
{
    begin_field(o);
    (void)fprintf(o->f, "%lld", (long long)value);
}

void wn_csv_end_row(struct wn_csv_out *o)
{
    (void)fputs("\r\n", o->f);
    o->begun = false;
}
