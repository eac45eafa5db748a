/* Pictures: curves over cycles, drawn by gnuplot as SVG or PNG.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A picture is a list of series with one look for all: the eight colours of Okabe and Ito (Color
 * Universal Design, 2008), which people with any colour vision can tell apart; measured values are
 * points, projections are bands and dashed lines, limits are dotted lines. gnuplot is run directly,
 * without a shell; it is a program, so there is nothing to link. */
#ifndef WN_REPORT_PICTURE_H
#define WN_REPORT_PICTURE_H

#include <stdbool.h>
#include <stddef.h>
#include "base/err.h"

enum wn_series_kind {
    WN_SERIES_POINTS, /* x, y: measured and valid */
    WN_SERIES_HOLLOW, /* x, y: measured and flagged */
    WN_SERIES_SQUARE, /* x, y: measured in another way */
    WN_SERIES_MEDIAN, /* x, y: dashed line */
    WN_SERIES_BAND,   /* x, low to high: filled */
    WN_SERIES_ERROR,  /* x, low to high: a light bar behind a point */
    WN_SERIES_LIMIT,  /* one y: dotted line across the picture */
    WN_SERIES_MARK    /* x, y: one conspicuous point */
};

enum { WN_SERIES_LABEL_SIZE = 128, WN_PICTURE_SERIES_MAX = 64, WN_PICTURE_COLOURS = 8 };

struct wn_series {
    enum wn_series_kind kind;
    char label[WN_SERIES_LABEL_SIZE]; /* for the key; "" keeps it out of there */
    int colour;                       /* from 0: the same number is the same cell; -1: grey */
    size_t n, room;
    double *x, *y, *y2; /* y2: the upper end of a band or a bar */
};

struct wn_picture {
    char title[200], subtitle[160], conditions[160], x_label[80], y_label[80];
    char simulated_label[40]; /* written across the picture; "": measured */
    double right_axis_full;   /* y that is 100 % on the right axis; NaN: none */
    char right_axis_label[80];
    double y_min, y_max; /* NaN: from the data */
    struct wn_series series[WN_PICTURE_SERIES_MAX];
    int n;
    bool failed; /* memory ran out, or there were too many series */
};

/** Empties a picture. */
void wn_picture_init(struct wn_picture *p);
void wn_picture_fini(struct wn_picture *p);

/** Adds a series; NULL when there are too many (the picture then fails as a whole). */
struct wn_series *wn_picture_add(struct wn_picture *p, enum wn_series_kind kind, int colour,
                                 const char *label);
/** Adds a point; one that is not finite is passed over. s may be NULL. y2 only for a band or a bar.
 */
void wn_series_put(struct wn_picture *p, struct wn_series *s, double x, double y, double y2);

/** The text gnuplot gets. malloc'ed; NULL with err filled (WN_EINVAL: nothing to draw; WN_ENOMEM).
 * `file` ends in .svg or .png. */
char *wn_picture_script(const struct wn_picture *p, const char *file, struct wn_error *err);

/** Draws into `file`: whole or not at all. WN_EINVAL: the name ends in neither .svg nor .png, or
 * nothing to draw; WN_ENOENT: no gnuplot on this computer; WN_EIO: gnuplot failed, with its own
 * words; WN_EACCESS: the file cannot be written. */
int wn_picture_draw(const struct wn_picture *p, const char *file, struct wn_error *err);

/** Runs gnuplot with a script on its standard input. Errors as above. */
int wn_gnuplot_run(const char *script, struct wn_error *err);

#endif
