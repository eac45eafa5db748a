/* Virtual bench: lines and program messages of IEEE 488.2 and SCPI-1999.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/scpi.h"

#include <string.h>

/* Own classification: that of the C library depends on the locale. */
static bool is_alpha(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
}

static bool is_capital(char c)
{
    return (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '*' || c == '_';
}

static bool is_name(char c)
{
    return is_alpha(c) || (c >= '0' && c <= '9') || c == '_';
}

static bool is_blank(char c)
{
    return (unsigned char)c <= ' '; /* IEEE 488.2 counts all control characters in */
}

static char upper(char c)
{
    return c >= 'a' && c <= 'z' ? (char)(c - 'a' + 'A') : c;
}

const char *wn_scpi_text_of_error(int number)
{
    switch (number) {
#define TEXT(name, value, text)                                                                    \
    case value:                                                                                    \
        return text;
        WN_SCPI_ERROR_LIST(TEXT)
#undef TEXT
    default:
        return NULL;
    }
}

void wn_scpi_queue_put(struct wn_scpi_queue *q, int number)
{
    if (q->count == WN_SCPI_QUEUE_MAX) {
        q->number[(q->first + q->count - 1) % WN_SCPI_QUEUE_MAX] = WN_SCPI_QUEUE_OVERFLOW;
        return;
    }
    q->number[(q->first + q->count) % WN_SCPI_QUEUE_MAX] = number;
    q->count++;
}

int wn_scpi_queue_take(struct wn_scpi_queue *q)
{
    int number;

    if (q->count == 0) {
        return WN_SCPI_NO_ERROR;
    }
    number = q->number[q->first];
    q->first = (q->first + 1) % WN_SCPI_QUEUE_MAX;
    q->count--;
    return number;
}

size_t wn_scpi_input_take(struct wn_scpi_input *in, const char *bytes, size_t len, bool *line_ready,
                          bool *overrun)
{
    const char *end = memchr(bytes, '\n', len);
    size_t part = end != NULL ? (size_t)(end - bytes) : len;

    *line_ready = false;
    *overrun = false;
    if (in->overrun || part > sizeof in->text - in->len) {
        in->overrun = true;
        in->len = 0;
    } else {
        memcpy(&in->text[in->len], bytes, part);
        in->len += part;
    }
    if (end == NULL) {
        return part;
    }
    *overrun = in->overrun;
    *line_ready = !in->overrun;
    in->overrun = false;
    return part + 1;
}

void wn_scpi_input_done(struct wn_scpi_input *in)
{
    in->len = 0;
}

void wn_scpi_reader_init(struct wn_scpi_reader *r, const char *line, size_t len)
{
    r->rest = line;
    r->len = len;
    r->path[0] = '\0';
}

static void skip(struct wn_scpi_reader *r, size_t n)
{
    r->rest += n;
    r->len -= n;
}

static void skip_blanks(struct wn_scpi_reader *r)
{
    while (r->len > 0 && is_blank(*r->rest)) {
        skip(r, 1);
    }
}

/* Length of the unit that begins here: up to a ';' outside quotes. */
static int unit_length(const struct wn_scpi_reader *r, size_t *len)
{
    char quote = '\0';

    for (size_t i = 0; i < r->len; i++) {
        char c = r->rest[i];
        if ((unsigned char)c > '~') {
            return WN_SCPI_INVALID_CHARACTER;
        }
        if (quote != '\0') {
            quote = c == quote ? '\0' : quote;
        } else if (c == '"' || c == '\'') {
            quote = c;
        } else if (c == ';') {
            *len = i;
            return 0;
        }
    }
    *len = r->len;
    return quote != '\0' ? WN_SCPI_INVALID_STRING : 0;
}

/* Appends names and colons at text[*at..len) to the header. */
static int take_mnemonics(const char *text, size_t len, size_t *at, struct wn_scpi_unit *u)
{
    size_t used = strlen(u->header);
    size_t name = 0;

    for (; *at < len && (is_name(text[*at]) || text[*at] == ':'); (*at)++) {
        char c = text[*at];
        if (c == ':') {
            if (name == 0) {
                return WN_SCPI_SYNTAX;
            }
            name = 0;
        } else {
            if (name == 0 && !is_alpha(c)) {
                return WN_SCPI_SYNTAX;
            }
            if (++name > WN_SCPI_MNEMONIC_MAX) {
                return WN_SCPI_MNEMONIC_TOO_LONG;
            }
        }
        if (used == WN_SCPI_HEADER_MAX) {
            return WN_SCPI_UNDEFINED_HEADER;
        }
        u->header[used++] = c;
    }
    u->header[used] = '\0';
    return name == 0 ? WN_SCPI_SYNTAX : 0;
}

static void remember_path(struct wn_scpi_reader *r, const struct wn_scpi_unit *u)
{
    const char *last = strrchr(u->header, ':');
    size_t len = last != NULL ? (size_t)(last - u->header) + 1 : 0;

    memcpy(r->path, u->header, len);
    r->path[len] = '\0';
}

/* The complaint about a character at which a header cannot go on. */
static int stray(char c)
{
    return c != '\0' && strchr("\"'#(,+-.", c) != NULL ? WN_SCPI_HEADER_SEPARATOR
                                                       : WN_SCPI_INVALID_CHARACTER;
}

/* "[*|:]NAME[:NAME...][?]", then a blank or the end. text is not empty. */
static int take_header(struct wn_scpi_reader *r, const char *text, size_t len, size_t *at,
                       struct wn_scpi_unit *u)
{
    bool common = text[0] == '*';
    int rc;

    *at = common || text[0] == ':' ? 1 : 0;
    u->header[0] = '\0';
    if (common) {
        memcpy(u->header, "*", 2);
    } else if (text[0] != ':') {
        memcpy(u->header, r->path, strlen(r->path) + 1);
    }
    if (*at < len && !is_name(text[*at]) && strchr(":? ", text[*at]) == NULL) {
        return stray(text[*at]);
    }
    rc = take_mnemonics(text, len, at, u);
    if (rc != 0) {
        return rc;
    }
    if (!common) {
        remember_path(r, u);
    }
    u->query = *at < len && text[*at] == '?';
    *at += u->query ? 1 : 0;
    return *at == len || is_blank(text[*at]) ? 0 : stray(text[*at]);
}

static struct wn_scpi_view trimmed(const char *text, size_t len)
{
    while (len > 0 && is_blank(text[0])) {
        text++;
        len--;
    }
    while (len > 0 && is_blank(text[len - 1])) {
        len--;
    }
    return (struct wn_scpi_view){text, len};
}

/* What stands between the commas outside quotes. */
static int take_params(const char *text, size_t len, struct wn_scpi_unit *u)
{
    size_t from = 0;
    char quote = '\0';

    u->params = 0;
    if (trimmed(text, len).len == 0) {
        return 0;
    }
    for (size_t i = 0; i <= len; i++) {
        if (i < len && quote != '\0') {
            quote = text[i] == quote ? '\0' : quote;
            continue;
        }
        if (i < len && (text[i] == '"' || text[i] == '\'')) {
            quote = text[i];
            continue;
        }
        if (i < len && text[i] != ',') {
            continue;
        }
        if (u->params == WN_SCPI_PARAMS_MAX) {
            return WN_SCPI_PARAMETER_NOT_ALLOWED;
        }
        u->param[u->params] = trimmed(&text[from], i - from);
        if (u->param[u->params++].len == 0) {
            return WN_SCPI_SEPARATOR;
        }
        from = i + 1;
    }
    return 0;
}

int wn_scpi_reader_next(struct wn_scpi_reader *r, struct wn_scpi_unit *u)
{
    const char *text;
    size_t len;
    size_t at;
    int rc;

    for (;;) { /* an empty unit means nothing */
        skip_blanks(r);
        if (r->len == 0) {
            return 0;
        }
        if (*r->rest != ';') {
            break;
        }
        skip(r, 1);
    }
    rc = unit_length(r, &len);
    if (rc != 0) {
        return rc;
    }
    text = r->rest;
    skip(r, len);
    rc = take_header(r, text, len, &at, u);
    if (rc == 0) {
        rc = take_params(&text[at], len - at, u);
    }
    return rc != 0 ? rc : 1;
}

/* One node of pattern and text: both pointers move behind it when it fits. */
static bool node_matches(const char **pattern, const char **text, const char *end)
{
    const char *p = *pattern;
    const char *t = *text;
    size_t name = 0;
    size_t capitals = 0;
    size_t all = 0;

    while (is_capital(p[all]) || is_name(p[all])) {
        capitals += all == capitals && is_capital(p[all]) ? 1 : 0;
        all++;
    }
    while (t + name < end && t[name] != ':') {
        name++;
    }
    if (name == 0 || (name != all && name != capitals)) {
        return false;
    }
    for (size_t i = 0; i < name; i++) {
        if (upper(t[i]) != upper(p[i])) {
            return false;
        }
    }
    *pattern = p + all;
    *text = t + name;
    return true;
}

bool wn_scpi_matches(const char *pattern, const char *text, size_t len)
{
    const char *end = text + len;

    while (*pattern != '\0') {
        if (*pattern == '[') { /* first without, then with what the brackets hold */
            const char *behind = strchr(pattern, ']') + 1;
            if (wn_scpi_matches(behind, text, (size_t)(end - text))) {
                return true;
            }
            pattern++;
        }
        if (*pattern == ':') {
            if (text == end || *text != ':') {
                return false;
            }
            pattern++;
            text++;
        }
        if (!node_matches(&pattern, &text, end)) {
            return false;
        }
        if (*pattern == ']') {
            pattern++;
        }
    }
    return text == end;
}
