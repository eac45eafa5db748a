/* Framing of line-based replies.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wire/line.h"

#include "base/assert.h"

void wn_line_init(struct wn_line_reader *r, char end)
{
    wn_assert(end == '\n' || end == '\r');
    r->end = end;
    r->len = 0;
    r->spoiled = false;
    r->discarded = 0;
}

void wn_line_reset(struct wn_line_reader *r)
{
    r->len = 0;
    r->spoiled = false;
}

/* One byte that is no line end. */
static void put(struct wn_line_reader *r, char c)
{
    bool printable = (c >= 0x20 && c <= 0x7e) || c == '\t';
    if (r->spoiled) {
        return;
    }
    bool after_cr = r->len > 0 && r->buf[r->len - 1] == '\r';
    if (after_cr || !(printable || c == '\r') || r->len == sizeof r->buf) {
        r->spoiled = true;
        r->len = 0;
        return;
    }
    r->buf[r->len++] = c;
}

bool wn_line_take(struct wn_line_reader *r, const char *data, size_t len, size_t *used,
                  const char **line, size_t *line_len)
{
    wn_assert(*used <= len);
    wn_assert(r->len <= sizeof r->buf);
    while (*used < len) {
        char c = data[(*used)++];
        if (c == '\n' && r->end == '\r' && r->len == 0 && !r->spoiled) {
            continue; /* behind the CR that ended the line before */
        }
        if (c != r->end) {
            put(r, c);
            continue;
        }
        size_t n = r->len;
        bool spoiled = r->spoiled;
        wn_line_reset(r);
        if (spoiled) {
            r->discarded++;
            continue;
        }
        if (n > 0 && r->buf[n - 1] == '\r') {
            n--;
        }
        *line = r->buf; /* the bytes stay until the next call writes over them */
        *line_len = n;
        return true;
    }
    return false;
}
