/* Pictures in characters: the same picture as gnuplot draws, for a terminal.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure: a picture in, text out. Points and curves are made of the dots of Unicode's braille
 * patterns, two across and four down in each character; bands, limits and single points are signs
 * of their own. Where dots cannot tell series apart, because there is no colour, or no Unicode,
 * each has a letter. Bars of uncertainty are left out: they would be thinner than a dot. */
#ifndef WN_REPORT_TERMINAL_H
#define WN_REPORT_TERMINAL_H

#include "report/picture.h"

struct wn_terminal {
    int columns, rows; /* of the window; taken as at least 40 and 12, at most 500 and 200 */
    bool utf8;         /* else ASCII */
    bool colour;
};

/** The picture as lines that end in \n, each at most `columns` wide, together one less than `rows`
 * where the key leaves the data enough room. malloc'ed; NULL with err filled (as
 * wn_picture_check()). What comes from a file cannot steer the terminal. */
char *wn_picture_text(const struct wn_picture *p, const struct wn_terminal *t,
                      struct wn_error *err);

#endif
