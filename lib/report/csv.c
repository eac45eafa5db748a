/* Comma-separated values in and out (RFC 4180).
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "report/csv.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "base/num.h"

static const char byte_order_mark[] = "\xef\xbb\xbf";

static bool blank(char c)
{
    return c == ' ' || c == '\t' || c == '\r' || c == '\n';
}

/* Takes the blanks off both ends; end is where the text ends. */
static char *trim(char *text, char *end)
{
    while (blank(*text)) {
        text++;
    }
    while (end > text && blank(end[-1])) {
        end--;
    }
    *end = '\0';
    return text;
}

/* Takes the quotes off a field that begins behind a quote; *end is set to what comes after it, and
 * the field's own end is returned. NULL: it is not closed. */
static char *unquote(char *field, char **end)
{
    char *to = field;
    for (char *from = field; *from != '\0'; from++) {
        if (from[0] == '"' && from[1] == '"') {
            from++;
        } else if (from[0] == '"') {
            *end = from + 1;
            return to;
        }
        *to++ = *from;
    }
    return NULL;
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
        char *end = at, *stop = NULL;
        if (*at == '"') {
            stop = unquote(++at, &end);
            if (stop == NULL) {
                return -1;
            }
            end += strspn(end, " \r\n");
            if (*end != '\0' && *end != separator) {
                return -1;
            }
        } else {
            while (*end != '\0' && *end != separator) {
                end++;
            }
            stop = end;
        }
        bool more = *end == separator && *end != '\0';
        field[n++] = trim(at, stop);
        at = more ? end + 1 : NULL;
    }
    return n;
}

/* Which one stands in the header outside of quotes: a tab is hardly ever part of a name, a
 * semicolon seldom, and a comma may well be. */
static char find_separator(const char *header)
{
    static const char order[] = "\t;,";
    bool quoted = false, found[3] = {false, false, false};
    for (; *header != '\0'; header++) {
        quoted ^= *header == '"';
        const char *one = quoted ? NULL : strchr(order, *header);
        if (one != NULL) {
            found[one - order] = true;
        }
    }
    return found[0] ? '\t' : found[1] ? ';' : ',';
}

enum quoting { CLOSED, OPEN, BROKEN };

/* Does a quoted field go on behind the end of this text? BROKEN: text follows a closing quote.
 * Before the header is known, each of the three separators is one. */
static enum quoting quoting_of(const char *text, char separator)
{
    const char known[] = {separator, '\0'}, *separators = separator != '\0' ? known : "\t;,";
    while (*text != '\0') {
        text += strspn(text, " ");
        if (*text == '"') {
            for (text++; text[0] != '\0' && (text[0] != '"' || text[1] == '"'); text++) {
                text += text[0] == '"';
            }
            if (*text == '\0') {
                return OPEN;
            }
            text++;
            text += strspn(text, " \r\n");
            if (*text != '\0' && strchr(separators, *text) == NULL) {
                return BROKEN;
            }
        }
        text += strcspn(text, separators);
        text += *text != '\0';
    }
    return CLOSED;
}

/* Appends the next line; false: there is none, or it would be too long. */
static bool append_line(struct wn_csv *c, size_t *len)
{
    char *next = NULL;
    size_t room = 0;
    ssize_t n = getline(&next, &room, c->f);
    bool good =
        n > 0 && *len + (size_t)n <= WN_CSV_LINE_MAX && memchr(next, '\0', (size_t)n) == NULL;
    if (good && *len + (size_t)n + 1 > c->room) {
        char *more = realloc(c->text, *len + (size_t)n + 1);
        good = more != NULL;
        c->text = good ? more : c->text;
        c->room = good ? *len + (size_t)n + 1 : c->room;
    }
    if (good) {
        memcpy(c->text + *len, next, (size_t)n + 1);
        *len += (size_t)n;
        c->bytes += n;
        c->joined++;
    }
    free(next);
    return good;
}

/* Takes in the lines a quoted field goes on over. When nothing closes it, only the first line is
 * bad: the others are read as lines of their own. */
static void join_lines(struct wn_csv *c)
{
    size_t first = strlen(c->text), len = first;
    int64_t bytes = c->bytes;
    off_t at = ftello(c->f);
    enum quoting q = quoting_of(c->text, c->separator);
    if (q != OPEN) {
        return;
    }
    while (q == OPEN && c->joined < WN_CSV_JOINED_MAX && append_line(c, &len)) {
        q = quoting_of(c->text, c->separator);
    }
    if (q != CLOSED && at >= 0 && fseeko(c->f, at, SEEK_SET) == 0) {
        c->text[first] = '\0';
        c->bytes = bytes;
        c->joined = 0;
    }
}

/* The next line with content, without its end; end of file: *end. */
static int read_line(struct wn_csv *c, bool *end, struct wn_error *err)
{
    *end = false;
    c->line += c->joined;
    c->joined = 0;
    for (;;) {
        errno = 0;
        ssize_t n = getline(&c->text, &c->room, c->f);
        if (n < 0) {
            *end = feof(c->f) != 0;
            return *end ? WN_OK : wn_error_set(err, WN_EIO, "%s: %s", c->name, strerror(errno));
        }
        c->line++;
        c->bytes += n;
        if (n > WN_CSV_LINE_MAX || memchr(c->text, '\0', (size_t)n) != NULL) {
            return wn_error_set(err, WN_ESYNTAX, "%s:%lld: this is no line of text", c->name,
                                (long long)c->line);
        }
        if (c->line == 1 && strncmp(c->text, byte_order_mark, 3) == 0) {
            memmove(c->text, c->text + 3, (size_t)n - 2);
        }
        bool empty = blank(c->text[0]) && c->text[strspn(c->text, " \t\r\n")] == '\0';
        if (!empty && c->text[0] != '#') {
            if (memchr(c->text, '"', strlen(c->text)) != NULL) {
                join_lines(c);
            }
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

/* Lines in front of the header are not even split. */
static int pass_over(struct wn_csv *c, int64_t lines, struct wn_error *err)
{
    while (c->line < lines) {
        errno = 0;
        ssize_t n = getline(&c->text, &c->room, c->f);
        if (n < 0) {
            return feof(c->f) == 0
                       ? wn_error_set(err, WN_EIO, "%s: %s", c->name, strerror(errno))
                       : wn_error_set(err, WN_EMISSING, "%s ends at line %lld, above its header",
                                      c->name, (long long)c->line);
        }
        c->line++;
        c->bytes += n;
    }
    return WN_OK;
}

int wn_csv_open_as(struct wn_csv *c, FILE *f, const char *name, const struct wn_csv_form *form,
                   struct wn_error *err)
{
    bool end = false;
    memset(c, 0, sizeof *c);
    c->f = f;
    c->name = name;
    c->decimal_comma = form->decimal_comma;
    int rc = pass_over(c, form->lines_above, err);
    rc = rc == WN_OK ? read_line(c, &end, err) : rc;
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
    c->separator = form->separator != '\0' ? form->separator : find_separator(c->header);
    c->columns = split(c->header, c->separator, c->column);
    if (c->columns < 0) {
        return explain_split(c, c->columns, err);
    }
    if (c->decimal_comma && c->separator == ',') {
        return wn_error_set(err, WN_ESYNTAX,
                            "%s:%lld: fields are separated by commas, so no comma can be a decimal "
                            "mark",
                            name, (long long)c->line);
    }
    return WN_OK;
}

int wn_csv_open(struct wn_csv *c, FILE *f, const char *name, struct wn_error *err)
{
    const struct wn_csv_form plain = {'\0', false, 0};
    return wn_csv_open_as(c, f, name, &plain, err);
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
        if (strcasecmp(c->column[i], name) == 0) {
            return i;
        }
    }
    return -1;
}

int wn_csv_twin(const struct wn_csv *c, int column)
{
    for (int i = 0; i < c->columns && column >= 0; i++) {
        if (i != column && strcasecmp(c->column[i], c->column[column]) == 0) {
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
    if (n == c->columns + 1 && c->field[c->columns][0] == '\0') {
        n--; /* each line ends with a separator, the header does not */
    }
    if (n != c->columns) {
        return wn_error_set(err, WN_ESYNTAX, "%s:%lld: %d fields, but the header names %d", c->name,
                            (long long)c->line, n, c->columns);
    }
    c->fields = n;
    return WN_OK;
}

const char *wn_csv_shown(const char *text, char *buf, size_t size)
{
    size_t n = 0;
    for (; n + 1 < size && text[n] != '\0'; n++) {
        unsigned char c = (unsigned char)text[n];
        /* the second kind of control characters is C2 80 to C2 9F in UTF-8 */
        bool control = c < 0x20 || c == 0x7f ||
                       (c >= 0x80 && c < 0xa0 && n > 0 && (unsigned char)text[n - 1] == 0xc2);
        buf[n] = control ? '?' : text[n];
    }
    buf[n] = '\0';
    return buf;
}

static int no_number(const struct wn_csv *c, int column, const char *text, int rc,
                     struct wn_error *err)
{
    char what[41], name[41];
    const char *why = rc == WN_ERANGE             ? ", which is too large"
                      : c->decimal_comma          ? ", which is no number with a decimal comma"
                      : strchr(text, ',') == NULL ? ", which is no number"
                                                  : ", which is no number: write a point as "
                                                    "decimal mark";
    return wn_error_set(err, rc, "%s:%lld: %s is '%s'%s", c->name, (long long)c->line,
                        wn_csv_shown(c->column[column], name, sizeof name),
                        wn_csv_shown(text, what, sizeof what), why);
}

int wn_csv_number(const struct wn_csv *c, int column, double *out, struct wn_error *err)
{
    char plain[WN_NUM_LEN_MAX + 2];
    if (column < 0 || column >= c->fields || c->field[column][0] == '\0') {
        *out = NAN;
        return WN_OK;
    }
    const char *text = c->field[column];
    size_t len = strlen(text);
    int rc = WN_ESYNTAX;
    if (!c->decimal_comma) {
        rc = wn_num_parse(text, len, out);
    } else if (len < sizeof plain && memchr(text, '.', len) == NULL) {
        memcpy(plain, text, len + 1);
        char *comma = strchr(plain, ',');
        if (comma != NULL) {
            *comma = '.';
        }
        rc = wn_num_parse(plain, len, out);
    }
    return rc == WN_OK ? WN_OK : no_number(c, column, text, rc, err);
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
