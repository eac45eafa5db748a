/* HTML: writing a page.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE /* strcasestr */
#include "report/html.h"

#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "base/assert.h"

#define REPLACEMENT "\357\277\275" /* U+FFFD */

void wn_html_init(struct wn_html *h)
{
    memset(h, 0, sizeof *h);
}

void wn_html_fini(struct wn_html *h)
{
    free(h->s);
    memset(h, 0, sizeof *h);
}

void wn_html_markup(struct wn_html *h, const char *text, size_t len)
{
    if (!h->failed && h->room - h->len <= len) {
        size_t room = 2 * h->room + len + 4096;
        char *more = realloc(h->s, room);
        h->failed = more == NULL;
        h->s = more != NULL ? more : h->s;
        h->room = more != NULL ? room : h->room;
    }
    if (!h->failed) {
        memcpy(h->s + h->len, text, len);
        h->len += len;
        h->s[h->len] = '\0';
    }
}

static void add(struct wn_html *h, const char *text)
{
    wn_html_markup(h, text, strlen(text));
}

/* Bytes of the character that begins at s, and its number; 0 when it is none. */
static size_t decode(const unsigned char *s, uint32_t *out)
{
    static const uint32_t least[] = {0, 0, 0x80, 0x800, 0x10000};
    size_t n = s[0] < 0x80                   ? 1
               : s[0] >= 0xc2 && s[0] < 0xe0 ? 2
               : s[0] >= 0xe0 && s[0] < 0xf0 ? 3
               : s[0] >= 0xf0 && s[0] < 0xf5 ? 4
                                             : 0;
    uint32_t c = n == 1 ? s[0] : n > 1 ? s[0] & (0xffu >> (n + 1)) : 0;
    for (size_t i = 1; i < n; i++) {
        if ((s[i] & 0xc0) != 0x80) { /* also the end of the text */
            return 0;
        }
        c = c << 6 | (s[i] & 0x3f);
    }
    if (n > 1 && (c < least[n] || c > 0x10ffff || (c >= 0xd800 && c < 0xe000))) {
        return 0;
    }
    *out = c;
    return n;
}

static bool is_harmless(uint32_t c)
{
    bool control = (c < 0x20 && c != '\n' && c != '\t') || (c >= 0x7f && c < 0xa0);
    bool turns = c == 0x61c || c == 0x200e || c == 0x200f || (c >= 0x202a && c <= 0x202e) ||
                 (c >= 0x2066 && c <= 0x2069);
    bool none = c == 0xfeff || (c & 0xfffe) == 0xfffe || (c >= 0xfdd0 && c <= 0xfdef);
    return !control && !turns && !none;
}

void wn_html_text(struct wn_html *h, const char *text)
{
    const unsigned char *s = (const unsigned char *)text;
    while (s != NULL && *s != '\0') {
        uint32_t c = 0;
        size_t n = decode(s, &c);
        if (n == 0 || !is_harmless(c)) {
            add(h, REPLACEMENT);
        } else if (c == '&') {
            add(h, "&amp;");
        } else if (c == '<') {
            add(h, "&lt;");
        } else if (c == '>') {
            add(h, "&gt;");
        } else if (c == '"') {
            add(h, "&quot;");
        } else if (c == '\'') {
            add(h, "&#39;");
        } else {
            wn_html_markup(h, (const char *)s, n);
        }
        s += n > 0 ? n : 1;
    }
}

void wn_html_textf(struct wn_html *h, const char *fmt, ...)
{
    char buf[2048];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(buf, sizeof buf, fmt, args);
    va_end(args);
    wn_html_text(h, buf);
}

static bool is_name(const char *name)
{
    size_t n = strspn(name, "abcdefghijklmnopqrstuvwxyz0123456789-");
    return n > 0 && name[n] == '\0';
}

/* Elements that have no end. */
static bool is_void(const char *name)
{
    return strcmp(name, "meta") == 0 || strcmp(name, "br") == 0 || strcmp(name, "col") == 0;
}

void wn_html_begin(struct wn_html *h, const char *name, ...)
{
    va_list args;
    wn_assert(is_name(name) && strlen(name) < WN_HTML_NAME_SIZE && h->depth < WN_HTML_DEPTH_MAX);
    add(h, "<");
    add(h, name);
    va_start(args, name);
    for (const char *key = va_arg(args, const char *); key != NULL;
         key = va_arg(args, const char *)) {
        const char *value = va_arg(args, const char *);
        wn_assert(is_name(key));
        if (value != NULL) {
            add(h, " ");
            add(h, key);
            add(h, "=\"");
            wn_html_text(h, value);
            add(h, "\"");
        }
    }
    va_end(args);
    add(h, ">");
    if (!is_void(name)) {
        (void)snprintf(h->open[h->depth++], WN_HTML_NAME_SIZE, "%s", name);
    }
}

void wn_html_end(struct wn_html *h)
{
    wn_assert(h->depth > 0);
    add(h, "</");
    add(h, h->open[--h->depth]);
    add(h, ">");
}

void wn_html_element(struct wn_html *h, const char *name, const char *class, const char *text)
{
    wn_html_begin(h, name, "class", class, (const char *)NULL);
    wn_html_text(h, text);
    wn_html_end(h);
}

static const char blanks[] = " \t\r\n\f";

/* The value of an attribute that begins with `name` (letters may follow when `more`) at `at`; NULL
 * when there is none. */
static const char *value_at(const char *at, const char *name, bool more)
{
    static const char letters[] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ";
    if (strncasecmp(at, name, strlen(name)) != 0) {
        return NULL;
    }
    at += strlen(name);
    at += more ? strspn(at, letters) : 0;
    at += strspn(at, blanks);
    return *at == '=' ? at + 1 + strspn(at + 1, blanks) : NULL;
}

/* Inside of its tags: an attribute whose name begins with "on" runs a script, and an address may
 * only name a part of the picture itself. What looks so in its texts is a text. */
static bool has_active_tag(const char *svg)
{
    for (const char *tag = svg; (tag = strchr(tag, '<')) != NULL;) {
        size_t len = strcspn(tag, ">");
        for (size_t i = 1; i < len; i++) {
            bool begins = strchr(" \t\r\n\f\"'/:", tag[i - 1]) != NULL;
            const char *handler = begins ? value_at(tag + i, "on", true) : NULL;
            const char *address = begins ? value_at(tag + i, "href", false) : NULL;
            if (handler != NULL || (address != NULL && address[strspn(address, "\"'")] != '#')) {
                return true;
            }
        }
        tag += len;
    }
    return false;
}

/* Of a style: url(#...) alone. */
static bool has_foreign_url(const char *svg)
{
    for (const char *at = svg; (at = strcasestr(at, "url(")) != NULL; at += 4) {
        const char *v = at + 4;
        v += strspn(v, " \t\r\n\"'");
        if (*v != '#') {
            return true;
        }
    }
    return strcasestr(svg, "@import") != NULL;
}

int wn_html_svg(struct wn_html *h, const char *svg, struct wn_error *err)
{
    static const char *const unwanted[] = {"<script", "<foreignobject", "<iframe",
                                           "<image",  "<!entity",       "javascript:"};
    const char *at = strstr(svg, "<svg"), *end = NULL;
    for (const char *last = at; last != NULL && (last = strstr(last, "</svg>")) != NULL;
         last += 6) {
        end = last + 6;
    }
    if (at == NULL || end == NULL || end[strspn(end, " \t\r\n")] != '\0') {
        return wn_error_set(err, WN_EINVAL, "the picture is no SVG");
    }
    for (size_t i = 0; i < sizeof unwanted / sizeof unwanted[0]; i++) {
        if (strcasestr(at, unwanted[i]) != NULL) {
            return wn_error_set(err, WN_EINVAL, "the picture holds %s: it is left out",
                                unwanted[i]);
        }
    }
    if (has_active_tag(at) || has_foreign_url(at)) {
        return wn_error_set(err, WN_EINVAL,
                            "the picture holds a handler or an address of another file: it is "
                            "left out");
    }
    wn_html_markup(h, at, (size_t)(end - at));
    return WN_OK;
}

int wn_html_finish(const struct wn_html *h, struct wn_error *err)
{
    wn_assert(h->depth == 0);
    return h->failed || h->s == NULL
               ? wn_error_set(err, WN_ENOMEM, "there is no memory for the page")
               : WN_OK;
}
