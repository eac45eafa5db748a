/* Pictures: curves over cycles, charge or voltage, drawn by gnuplot as SVG, PNG or PDF.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A picture is one panel or two above each other, with a list of series and one look for all: the
 * eight colours of Okabe and Ito (Color Universal Design, 2008), which people with any colour
 * vision can tell apart; measured values are points or whole lines, projections are bands and
 * dashed lines, limits are dotted lines. Title, conditions and key stand outside of the data. What
 * a picture holds is independent of how it is drawn: report/terminal.h draws the same one in
 * characters. gnuplot is run directly, without a shell; it is a program, so there is nothing to
 * link. */
#ifndef WN_REPORT_PICTURE_H
#define WN_REPORT_PICTURE_H

#include <stdbool.h>
#include <stddef.h>
#include "base/err.h"

enum wn_series_kind {
    WN_SERIES_POINTS, /* x, y: measured and valid */
    WN_SERIES_HOLLOW, /* x, y: measured and flagged */
    WN_SERIES_SQUARE, /* x, y: measured in another way */
    WN_SERIES_CURVE,  /* x, y: measured, so close together that a line is the truth */
    WN_SERIES_MEDIAN, /* x, y: dashed line */
    WN_SERIES_BAND,   /* x, low to high: filled */
    WN_SERIES_ERROR,  /* x, low to high: a light bar behind a point */
    WN_SERIES_LIMIT,  /* one y: dotted line across the picture */
    WN_SERIES_MARK    /* x, y: one conspicuous point */
};

enum {
    WN_SERIES_LABEL_SIZE = 128,
    WN_PICTURE_SERIES_MAX = 96,
    WN_PICTURE_COLOURS = 8,
    WN_PICTURE_TEXT_SIZE = 200,
    WN_PANELS_MAX = 2
};

struct wn_series {
    enum wn_series_kind kind;
    char label[WN_SERIES_LABEL_SIZE]; /* for the key; "" keeps it out of there */
    int colour;                       /* from 0: the same number is the same cell; -1: grey */
    bool general;                     /* its label is true for every cell: grey in the key */
    double shade; /* 0 to 1: a place in the row from new to old, instead of colour; NaN: none */
    int dash;     /* of a curve: 0 whole, 1, 2, 3 broken in different ways */
    int panel;    /* 0 upper, 1 lower */
    size_t n, room;
    double *x, *y, *y2; /* y2: the upper end of a band or a bar */
};

struct wn_axis {
    char label[80];
    double min, max;   /* NaN: from the data */
    double right_full; /* value that is 100 % on the right axis; NaN: none */
    char right_label[80];
};

struct wn_picture {
    char title[WN_PICTURE_TEXT_SIZE], subtitle[WN_PICTURE_TEXT_SIZE];
    char conditions[WN_PICTURE_TEXT_SIZE], note[WN_PICTURE_TEXT_SIZE]; /* further lines; or "" */
    char simulated_label[40]; /* written across the picture; "": measured */
    char x_label[80];
    double x_min, x_max; /* NaN: from 0, and from the data */
    struct wn_axis y[WN_PANELS_MAX];
    int panels; /* 1 or 2 */
    struct wn_series series[WN_PICTURE_SERIES_MAX];
    int n;
    bool failed; /* memory ran out, or there were too many series */
};

/** Empties a picture: one panel. */
void wn_picture_init(struct wn_picture *p);
void wn_picture_fini(struct wn_picture *p);

/** Adds a series to the upper panel; NULL when there are too many (the picture then fails as a
 * whole). */
struct wn_series *wn_picture_add(struct wn_picture *p, enum wn_series_kind kind, int colour,
                                 const char *label);
/** Adds a point; one that is not finite is passed over. s may be NULL. y2 only for a band or a bar.
 */
void wn_series_put(struct wn_picture *p, struct wn_series *s, double x, double y, double y2);
/** A band or a bar: y2 counts. */
bool wn_series_has_two_ends(const struct wn_series *s);

struct wn_range {
    double low, high;
};
/** What the axes show, a little wider than the data, so that nothing sits on the frame. Where there
 * is a limit, what a projection does far below it is of no interest and may leave the picture. */
void wn_picture_ranges(const struct wn_picture *p, int panel, struct wn_range *x,
                       struct wn_range *y);
/** WN_EINVAL: there is nothing to draw; WN_ENOMEM: it has failed before. */
int wn_picture_check(const struct wn_picture *p, struct wn_error *err);

enum wn_look {
    WN_LOOK_LIGHT,
    WN_LOOK_DARK,
    WN_LOOK_TRANSPARENT, /* no paper; a grey that can be read on light and on dark */
    WN_LOOK_INLINE       /* SVG for a page: no paper, text and axes in the page's own colour */
};

enum { WN_PICTURE_SIDE_MIN = 320, WN_PICTURE_SIDE_MAX = 3840 };

struct wn_style {
    enum wn_look look;
    int width_px, height_px; /* within WN_PICTURE_SIDE_MIN and _MAX (asserted); 0: as fits */
};

enum wn_picture_format { WN_FORMAT_SVG, WN_FORMAT_PNG, WN_FORMAT_PDF };
/** By the ending of a file's name; WN_EINVAL when it is none of .svg, .png and .pdf. */
int wn_picture_format_of(const char *file, enum wn_picture_format *out, struct wn_error *err);

/** The text gnuplot gets; it writes the picture to its standard output. malloc'ed; NULL with err
 * filled (as wn_picture_check()). */
char *wn_picture_script(const struct wn_picture *p, enum wn_picture_format format,
                        const struct wn_style *style, struct wn_error *err);

/** Draws into `file`: whole or not at all. WN_EINVAL: the name ends in none of .svg, .png and .pdf,
 * or nothing to draw; WN_ENOENT: no gnuplot on this computer; WN_EIO: gnuplot failed, with its own
 * words; WN_EACCESS, WN_ENOSPACE: the file cannot be written. */
int wn_picture_draw(const struct wn_picture *p, const char *file, const struct wn_style *style,
                    struct wn_error *err);

/** The same as SVG in memory: one <svg> element without prolog, no link and no font of its own; it
 * scales with what is around it. `id`, a name, begins every id in it: give each picture of a page
 * another. malloc'ed; NULL with err filled as above. */
char *wn_picture_svg(const struct wn_picture *p, const struct wn_style *style, const char *id,
                     struct wn_error *err);

/** Runs gnuplot with a script on its standard input; what it writes to its standard output is in
 * *out (malloc'ed, NUL-terminated; `out` may be NULL) with *len bytes. Errors as above, WN_ENOMEM.
 */
int wn_gnuplot_run(const char *script, char **out, size_t *len, struct wn_error *err);

#endif
