/* What text is put on: so many columns, and letters that may be shown.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "paper.h"

#include <langinfo.h>
#include <locale.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>
#include <wchar.h>

enum { VALUE_AT = 15, VALUE_COLUMNS_MIN = 40, HANG_NARROW = 4 };

static locale_t letters; /* those of the environment, for as long as the process lives */

void paper_open(struct paper *p)
{
    if (letters == (locale_t)0) {
        letters = newlocale(LC_CTYPE_MASK, "", (locale_t)0);
    }
    p->utf8 = letters != (locale_t)0 && strcmp(nl_langinfo_l(CODESET, letters), "UTF-8") == 0;
    (void)paper_measure(p);
}

int paper_measure(struct paper *p)
{
    struct winsize size;
    memset(&size, 0, sizeof size);
    p->tty = isatty(STDOUT_FILENO) != 0;
    if (!p->tty || ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) != 0 || size.ws_col == 0) {
        p->columns = PAPER_PLAIN_COLUMNS; /* also of a terminal that does not know */
        return 0;
    }
    p->columns = size.ws_col < PAPER_COLUMNS_MIN ? PAPER_COLUMNS_MIN : size.ws_col;
    return size.ws_row;
}

/* A letter, or an escape sequence of ours: its bytes, its columns, and what is written for it. */
struct glyph {
    const char *text;
    size_t len;  /* of text */
    size_t from; /* bytes it was made of */
    int width;
};

/* Of wane_red(), wane_bold() and wane_plain(): whoever else sends some must not steer. */
static size_t escape_length(const char *at)
{
    static const char *const ours[] = {"\033[1;31m", "\033[1m", "\033[0m"};
    for (size_t i = 0; i < sizeof ours / sizeof ours[0] && *at == '\033'; i++) {
        if (strncmp(at, ours[i], strlen(ours[i])) == 0) {
            return strlen(ours[i]);
        }
    }
    return 0;
}

/* Bytes of a letter of UTF-8, also where it may not be shown. */
static size_t letter_length(const char *at)
{
    size_t n = 1;
    while ((unsigned char)at[0] >= 0xc0 && n < 4 && ((unsigned char)at[n] & 0xc0) == 0x80) {
        n++;
    }
    return n;
}

static struct glyph glyph_at(const struct paper *p, const char *at)
{
    size_t escape = escape_length(at);
    if (escape > 0) {
        return (struct glyph){at, escape, escape, 0};
    }
    if ((unsigned char)*at >= 0x20 && (unsigned char)*at < 0x7f) {
        return (struct glyph){at, 1, 1, 1};
    }
    size_t from = letter_length(at);
    if ((unsigned char)*at >= 0x80 && p->utf8) {
        wchar_t letter = 0;
        mbstate_t state;
        memset(&state, 0, sizeof state);
        locale_t before = uselocale(letters);
        bool whole = mbrtowc(&letter, at, from, &state) == from;
        int width = whole ? wcwidth(letter) : -1;
        (void)uselocale(before);
        if (width >= 0) {
            return (struct glyph){at, from, from, width};
        }
    }
    return (struct glyph){"?", 1, from, 1};
}

int paper_width(const struct paper *p, const char *text)
{
    int width = 0;
    while (*text != '\0') {
        struct glyph g = glyph_at(p, text);
        width += g.width;
        text += g.from;
    }
    return width;
}

void paper_cut(const struct paper *p, const char *text, int columns, FILE *f)
{
    bool whole = paper_width(p, text) <= columns, full = false;
    int room = whole ? columns : columns - 1;
    while (*text != '\0') {
        struct glyph g = glyph_at(p, text);
        if (!whole && !full && g.width > room) {
            (void)fputs(p->utf8 ? "\xe2\x80\xa6" : "~", f);
            full = true;
        }
        if (!full || escape_length(text) > 0) { /* what was begun in red must end */
            (void)fwrite(g.text, 1, g.len, f);
            room -= g.width;
        }
        text += g.from;
    }
}

/* Where further lines of this one begin. */
static int hang_of(const struct paper *p, const char *line, size_t len)
{
    size_t blanks = strspn(line, " ");
    bool value = blanks == 2 && len > VALUE_AT && memchr(line, '\033', VALUE_AT) == NULL &&
                 line[VALUE_AT - 1] == ' ' && line[VALUE_AT] != ' ';
    int hang = value ? VALUE_AT : (int)blanks;
    return p->columns - hang >= VALUE_COLUMNS_MIN ? hang : hang > HANG_NARROW ? HANG_NARROW : hang;
}

/* How many bytes of line go into `room` columns; at the last gap of two blanks in its second half,
 * else between words, else wherever it is full. */
static size_t break_at(const struct paper *p, const char *line, size_t len, int room, size_t least)
{
    size_t gap = 0, word = 0, at = 0;
    int width = 0;
    while (at < len) {
        struct glyph g = glyph_at(p, line + at);
        if (width + g.width > room) {
            break;
        }
        if (line[at] == ' ' && at > least && line[at - 1] != ' ') {
            word = at;
            gap = line[at + 1] == ' ' && width > room / 2 ? at : gap;
        }
        width += g.width;
        at += g.from;
    }
    if (at >= len) {
        return at;
    }
    if (at > 0 && line[at] == ' ' && line[at - 1] != ' ') {
        word = at;
        gap = line[at + 1] == ' ' ? at : gap;
    }
    return gap > 0 ? gap : word > 0 ? word : at > 0 ? at : len;
}

static void put(const struct paper *p, const char *text, size_t len, FILE *f)
{
    for (const char *at = text; at < text + len;) {
        struct glyph g = glyph_at(p, at);
        (void)fwrite(g.text, 1, g.len, f);
        at += g.from;
    }
}

static void wrap_line(const struct paper *p, const char *line, size_t len, FILE *f)
{
    int hang = hang_of(p, line, len);
    size_t least = strspn(line, " ");
    if (least == 2 && len > VALUE_AT && line[VALUE_AT - 1] == ' ') {
        least = VALUE_AT;
    }
    size_t n = break_at(p, line, len, p->columns, least);
    put(p, line, n, f);
    (void)fputc('\n', f);
    for (line += n, len -= n; len > 0; line += n, len -= n) {
        size_t blanks = strspn(line, " ");
        blanks = blanks < len ? blanks : len;
        line += blanks;
        len -= blanks;
        n = len > 0 ? break_at(p, line, len, p->columns - hang, 0) : 0;
        if (n > 0) {
            (void)fprintf(f, "%*s", hang, "");
            put(p, line, n, f);
            (void)fputc('\n', f);
        }
    }
}

void paper_wrap(const struct paper *p, const char *text, FILE *f)
{
    while (*text != '\0') {
        size_t n = strcspn(text, "\n");
        wrap_line(p, text, n, f);
        text += n + (text[n] == '\n');
    }
}
