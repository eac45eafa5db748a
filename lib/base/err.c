/* Errors: texts, classes and the context that travels upward.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/err.h"

#include <stdio.h>
#include <string.h>

#include "base/assert.h"

/* Marks a text that did not fit, without leaving half a UTF-8 character behind. */
static void mark_cut(char *text, size_t size)
{
    size_t at = size - sizeof "...";
    while (at > 0 && ((unsigned char)text[at] & 0xc0u) == 0x80u) {
        at--;
    }
    memcpy(&text[at], "...", sizeof "...");
}

static void fill(char *text, size_t size, const char *fmt, va_list args)
    __attribute__((format(printf, 3, 0)));

static void fill(char *text, size_t size, const char *fmt, va_list args)
{
    int n = vsnprintf(text, size, fmt, args);
    if (n < 0) {
        text[0] = '\0'; /* an encoding error: the code still says what happened */
    } else if ((size_t)n >= size) {
        mark_cut(text, size);
    }
}

int wn_error_set(struct wn_error *e, int code, const char *fmt, ...)
{
    char text[sizeof e->text]; /* the arguments may point into e->text */
    va_list args;

    if (code == WN_OK) {
        code = WN_EBUG;
    }
    if (e == NULL) {
        return code;
    }
    va_start(args, fmt);
    fill(text, sizeof text, fmt, args);
    va_end(args);
    e->code = code;
    memcpy(e->text, text, sizeof text);
    return code;
}

int wn_error_prefix(struct wn_error *e, const char *fmt, ...)
{
    char text[sizeof e->text];
    size_t used;
    va_list args;
    int n;

    if (e == NULL) {
        return WN_EBUG;
    }
    if (e->code == WN_OK) {
        e->code = WN_EBUG;
        e->text[0] = '\0';
    }
    va_start(args, fmt);
    fill(text, sizeof text, fmt, args);
    va_end(args);
    used = strlen(text);
    n = snprintf(&text[used], sizeof text - used, ": %s",
                 e->text[0] != '\0' ? e->text : wn_err_text(e->code));
    wn_assert(n >= 0);
    if ((size_t)n >= sizeof text - used) {
        mark_cut(text, sizeof text);
    }
    memcpy(e->text, text, sizeof text);
    return e->code;
}

void wn_error_clear(struct wn_error *e)
{
    if (e != NULL) {
        e->code = WN_OK;
        e->text[0] = '\0';
    }
}

const char *wn_err_text(int code)
{
    switch (code) {
    case WN_OK:
        return "ok";
#define WN_ERR_TEXT(name, value, class, text)                                                      \
    case (value):                                                                                  \
        return text;
        WN_ERR_LIST(WN_ERR_TEXT)
#undef WN_ERR_TEXT
    default:
        return "unknown error";
    }
}

enum wn_err_class wn_err_class(int code)
{
    switch (code) {
#define WN_ERR_CLASS(name, value, class, text)                                                     \
    case (value):                                                                                  \
        return WN_CLASS_##class;
        WN_ERR_LIST(WN_ERR_CLASS)
#undef WN_ERR_CLASS
    default:
        return WN_CLASS_FATAL;
    }
}
