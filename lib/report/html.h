/* HTML: a page written element by element, in which no foreign text can become markup.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Texts and values of attributes are escaped on their way in, whatever they are: names out of
 * files, configuration, words of an instrument. Bytes that are no UTF-8, control characters, and
 * the characters that turn the direction of a text around become U+FFFD. Markup enters in two ways
 * only: as a literal of the program, and as a picture that was looked through. The page is held in
 * memory until it is whole; running out of memory is told once, at the end. */
#ifndef WN_REPORT_HTML_H
#define WN_REPORT_HTML_H

#include <stdbool.h>
#include <stddef.h>
#include "base/err.h"

enum { WN_HTML_DEPTH_MAX = 24, WN_HTML_NAME_SIZE = 16 };

struct wn_html {
    char *s; /* malloc'ed; terminated */
    size_t len, room;
    char open[WN_HTML_DEPTH_MAX][WN_HTML_NAME_SIZE]; /* elements that are not closed yet */
    int depth;
    bool failed; /* memory ran out */
};

void wn_html_init(struct wn_html *h);
void wn_html_fini(struct wn_html *h);

/** Markup of the program itself; a literal, or it does not compile. */
#define WN_HTML_LITERAL(h, text) wn_html_markup((h), "" text "", sizeof(text) - 1)
void wn_html_markup(struct wn_html *h, const char *text, size_t len);

/** Opens an element: its name (at most 15 letters), then pairs of attribute and value, then NULL. A
 * pair whose value is NULL is left out. wn_html_end() closes the innermost one. */
void wn_html_begin(struct wn_html *h, const char *name, ...) __attribute__((sentinel));
void wn_html_end(struct wn_html *h);
/** Text, escaped. Line ends and tabs stay. */
void wn_html_text(struct wn_html *h, const char *text);
void wn_html_textf(struct wn_html *h, const char *fmt, ...) __attribute__((format(printf, 2, 3)));
/** An element with a text in it and, when not NULL, a class. */
void wn_html_element(struct wn_html *h, const char *name, const char *class, const char *text);

/** A picture: the SVG element of `svg`, without what stands in front of it. WN_EINVAL, and nothing
 * is written, when there is no such element, or when it holds what a picture has no need of and a
 * page must not have: scripts, handlers of events, foreign objects, addresses of other files. */
int wn_html_svg(struct wn_html *h, const char *svg, struct wn_error *err);

/** Is it whole? WN_ENOMEM when memory ran out on the way. Elements that are still open are a
 * mistake of the program (asserted). */
int wn_html_finish(const struct wn_html *h, struct wn_error *err);

#endif
