/* Pictures in characters: a field of them. Private to lib/report.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_REPORT_CANVAS_H
#define WN_REPORT_CANVAS_H

#include "report/picture.h"

/* What stands in a character; a higher one hides a lower one. */
enum canvas_rank {
    RANK_NOTHING,
    RANK_BAND,
    RANK_LIMIT,
    RANK_MEDIAN,
    RANK_DATA,
    RANK_HOLLOW,
    RANK_SQUARE,
    RANK_MARK
};

struct canvas_cell {
    unsigned char rank; /* enum canvas_rank */
    unsigned char dots; /* of a braille pattern; 0: the sign of the rank */
    short owner;        /* series */
};

struct canvas {
    int columns, rows;
    bool braille; /* dots: twice as many across, four times down */
    struct wn_range x, y;
    struct canvas_cell *cell; /* columns x rows */
};

/** Memory for a canvas; false when there is none. Freed by free(c->cell). */
bool canvas_make(struct canvas *c, int columns, int rows, bool braille);
/** Draws the series of a panel whose ranges are c->x and c->y. */
void canvas_draw(struct canvas *c, const struct wn_picture *p, int panel);
const struct canvas_cell *canvas_at(const struct canvas *c, int column, int row);
/** Row in which a value is drawn, and column; may lie outside. */
long canvas_row(const struct canvas *c, double y);
long canvas_column(const struct canvas *c, double x);
enum canvas_rank canvas_rank_of(enum wn_series_kind kind);

#endif
