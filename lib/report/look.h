/* Pictures: colours, and where everything stands. Private to lib/report.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A picture is laid out on a sheet of some 960 x 600 units, wider or higher with another shape; a
 * unit is then as many pixels as fit, so that text keeps its size relative to the picture. */
#ifndef WN_REPORT_LOOK_H
#define WN_REPORT_LOOK_H

#include "report/picture.h"

/* What text and lines are for; each has a colour in each look. */
enum look_ink { INK_TITLE, INK_TEXT, INK_SOFT, INK_AXIS, INK_GRID, INK_ACROSS, INKS };

enum { LOOK_COLOUR_SIZE = 8 }; /* "#rrggbb" */

/** Colour of an ink. */
const char *look_ink(enum wn_look look, enum look_ink ink);
/** Colour of a series; written into buf, returned. */
const char *look_colour(enum wn_look look, const struct wn_series *s, char buf[LOOK_COLOUR_SIZE]);
/** NULL: there is no paper. */
const char *look_paper(enum wn_look look);
/** Is this red-green-blue an ink that SVG has to write in another way: faint by *opacity, and
 * *page: in the colour of the page around it? */
bool look_is_special(const int rgb[3], double *opacity, bool *page);

struct look_layout {
    int width_px, height_px;
    double width, height;            /* units */
    double scale;                    /* pixels a unit */
    double left, right, top, bottom; /* of the data, units from the left and from the top */
    double key_top;
    int key_columns, key_rows, key_label_max; /* characters */
    int lines;                                /* of text above the data, without the title */
};

enum {
    LOOK_TITLE_SIZE = 17,
    LOOK_TEXT_SIZE = 12,
    LOOK_SMALL_SIZE = 11,
    LOOK_LINE = 17, /* from one line of text to the next */
    LOOK_KEY_ROW = 19
};

void look_layout(const struct wn_picture *p, const struct wn_style *style, struct look_layout *out);
/** Upper and lower edge of a panel, units from the top. */
void look_panel(const struct wn_picture *p, const struct look_layout *l, int panel, double *top,
                double *bottom);
/** Text cut to what is `room` units wide in this size, with an ellipsis. Returns buf. */
const char *look_shorten(const char *text, double room, double size, char *buf, size_t bytes);
/** Text cut to `columns` characters (at least 2), with an ellipsis. Returns buf. */
const char *look_cut(const char *text, int columns, char *buf, size_t bytes);

#endif
