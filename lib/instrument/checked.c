/* Checksums at the end of a reply.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdio.h>
#include <string.h>

#include "instrument/dialect.h"

enum { SUM_SIZE = 8 }; /* five digits at most */

/* As the instrument writes it; returns its length. */
static size_t write_sum(const struct wn_reply_checksum *c, const char *summed, size_t len,
                        char text[SUM_SIZE])
{
    bool wide = wn_checksum_width(c->how.kind) == 2;
    unsigned sum = wn_checksum(&c->how, summed, len);
    int n = 0;
    switch (c->form) {
    case WN_CHECKSUM_HEX_UPPER:
        n = snprintf(text, SUM_SIZE, "%0*X", wide ? 4 : 2, sum);
        break;
    case WN_CHECKSUM_HEX_LOWER:
        n = snprintf(text, SUM_SIZE, "%0*x", wide ? 4 : 2, sum);
        break;
    case WN_CHECKSUM_DECIMAL:
        n = snprintf(text, SUM_SIZE, "%u", sum);
        break;
    case WN_CHECKSUM_DECIMAL_PADDED:
        n = snprintf(text, SUM_SIZE, "%0*u", wide ? 5 : 3, sum);
        break;
    }
    return (size_t)n;
}

/* Where the separator begins that stands in front of the checksum; len when there is none. */
static size_t find_separator(const struct wn_reply_checksum *c, const char *line, size_t len)
{
    size_t n = strlen(c->separator);
    if (n == 0) { /* then its width is fixed: validated */
        char any[SUM_SIZE];
        size_t width = write_sum(c, "", 0, any);
        return len >= width ? len - width : len;
    }
    for (size_t at = len; at-- > 0;) {
        if (len - at >= n && memcmp(line + at, c->separator, n) == 0) {
            return at;
        }
    }
    return len;
}

void wn_reply_skip_prompts(const struct wn_dialect *d, const char **line, size_t *len)
{
    size_t n = strlen(d->prompt);
    while (n > 0 && *len >= n && memcmp(*line, d->prompt, n) == 0) {
        *line += n;
        *len -= n;
    }
}

int wn_reply_strip(const struct wn_dialect *d, const char **line, size_t *len, struct wn_error *err)
{
    const struct wn_reply_checksum *c = &d->checksum;
    size_t before = strlen(c->start), n = strlen(c->separator);
    char sum[SUM_SIZE];
    if (!c->used) {
        return WN_OK;
    }
    if (*len < before || memcmp(*line, c->start, before) != 0) {
        return wn_error_set(err, WN_EFRAME, "does not begin with '%s'", c->start);
    }
    const char *text = *line + before;
    size_t rest = *len - before, at = find_separator(c, text, rest);
    if (at == rest) {
        return wn_error_set(err, WN_EFRAME, "ends without its checksum");
    }
    size_t width = write_sum(c, text, at + (c->with_separator ? n : 0), sum);
    const char *has = text + at + n;
    size_t has_len = rest - at - n;
    if (has_len != width || memcmp(has, sum, width) != 0) {
        char shown[16];
        return wn_error_set(err, WN_EFRAME, "has the checksum %s where %s belongs",
                            wn_reply_text(has, has_len, shown, sizeof shown), sum);
    }
    *line = text;
    *len = at;
    return WN_OK;
}

int wn_reply_wrap(const struct wn_dialect *d, const char *text, char *out, size_t size, size_t *len,
                  struct wn_error *err)
{
    const struct wn_reply_checksum *c = &d->checksum;
    char sum[SUM_SIZE] = "";
    int n = snprintf(out, size, "%s%s%s", c->start, text, c->separator);
    size_t before = strlen(c->start);
    size_t summed = strlen(text) + (c->with_separator ? strlen(c->separator) : 0);
    bool fits = n >= 0 && (size_t)n < size;
    if (fits && c->used) {
        (void)write_sum(c, out + before, summed, sum);
        n = snprintf(out, size, "%s%s%s%s", c->start, text, c->separator, sum);
        fits = n >= 0 && (size_t)n < size;
    }
    *len = fits ? (size_t)n : 0;
    return fits ? WN_OK
                : wn_error_set(err, WN_ENOSPACE,
                               "%s: the reply \"%s\" with its checksum is longer "
                               "than %zu characters",
                               d->file, text, size - 1);
}
