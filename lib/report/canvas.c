/* Pictures in characters: a field of them.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "report/canvas.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

bool canvas_make(struct canvas *c, int columns, int rows, bool braille)
{
    memset(c, 0, sizeof *c);
    c->cell = calloc((size_t)columns * (size_t)rows, sizeof *c->cell);
    c->columns = columns;
    c->rows = rows;
    c->braille = braille;
    return c->cell != NULL;
}

const struct canvas_cell *canvas_at(const struct canvas *c, int column, int row)
{
    return &c->cell[(size_t)row * (size_t)c->columns + (size_t)column];
}

enum canvas_rank canvas_rank_of(enum wn_series_kind kind)
{
    switch (kind) {
    case WN_SERIES_POINTS:
    case WN_SERIES_CURVE:
        return RANK_DATA;
    case WN_SERIES_HOLLOW:
        return RANK_HOLLOW;
    case WN_SERIES_SQUARE:
        return RANK_SQUARE;
    case WN_SERIES_MEDIAN:
        return RANK_MEDIAN;
    case WN_SERIES_BAND:
        return RANK_BAND;
    case WN_SERIES_LIMIT:
        return RANK_LIMIT;
    case WN_SERIES_MARK:
        return RANK_MARK;
    case WN_SERIES_ERROR:
        break;
    }
    return RANK_NOTHING;
}

static int dots_across(const struct canvas *c)
{
    return c->braille ? 2 : 1;
}

static int dots_down(const struct canvas *c)
{
    return c->braille ? 4 : 1;
}

/* Far outside is as good as further outside: whole numbers stay small. */
static double place(double v, const struct wn_range *r, double length)
{
    double at = (v - r->low) / (r->high - r->low) * length;
    return fmin(fmax(at, -4 * length), 5 * length);
}

/* In dots, from the left and from the top. */
static double dot_x(const struct canvas *c, double v)
{
    return place(v, &c->x, c->columns * dots_across(c) - 1);
}

static double dot_y(const struct canvas *c, double v)
{
    double height = c->rows * dots_down(c) - 1;
    return height - place(v, &c->y, height);
}

long canvas_row(const struct canvas *c, double y)
{
    return lround(floor(round(dot_y(c, y)) / dots_down(c)));
}

long canvas_column(const struct canvas *c, double x)
{
    return lround(floor(round(dot_x(c, x)) / dots_across(c)));
}

/* A series while it is drawn. */
struct pen {
    struct canvas *c;
    const struct wn_series *s;
    enum canvas_rank rank;
    int owner;
};

static void put(const struct pen *pen, long column, long row, unsigned char dots)
{
    struct canvas *c = pen->c;
    if (column < 0 || column >= c->columns || row < 0 || row >= c->rows) {
        return;
    }
    struct canvas_cell *cell = &c->cell[row * c->columns + column];
    if (cell->rank > (unsigned char)pen->rank) { /* dots may share a character with better ones */
        cell->dots |= cell->dots != 0 ? dots : 0;
        return;
    }
    bool shared = cell->dots != 0 && dots != 0;
    cell->dots = shared ? cell->dots | dots : dots;
    cell->rank = (unsigned char)pen->rank;
    cell->owner = (short)pen->owner;
}

/* A dot, counted from the left and from the top. */
static void put_dot(const struct pen *pen, long x, long y)
{
    static const unsigned char bits[4][2] = {
        {0x01, 0x08}, {0x02, 0x10}, {0x04, 0x20}, {0x40, 0x80}};
    int across = dots_across(pen->c), down = dots_down(pen->c);
    if (x < 0 || y < 0) {
        return;
    }
    put(pen, x / across, y / down, pen->c->braille ? bits[y % down][x % across] : 0);
}

static void draw_line(const struct pen *pen, bool broken)
{
    const struct wn_series *s = pen->s;
    long walked = 0;
    for (size_t i = 0; i < s->n; i++) {
        double x = dot_x(pen->c, s->x[i]), y = dot_y(pen->c, s->y[i]);
        double from_x = i > 0 ? dot_x(pen->c, s->x[i - 1]) : x;
        double from_y = i > 0 ? dot_y(pen->c, s->y[i - 1]) : y;
        long steps = lround(ceil(fmax(fabs(x - from_x), fabs(y - from_y))));
        steps = steps > 0 ? steps : 1;
        for (long k = 1; k <= steps; k++, walked++) {
            double part = (double)k / (double)steps;
            if (!broken || walked % 6 < 3) {
                put_dot(pen, lround(from_x + part * (x - from_x)),
                        lround(from_y + part * (y - from_y)));
            }
        }
    }
}

static void draw_signs(const struct pen *pen, bool dots)
{
    for (size_t i = 0; i < pen->s->n; i++) {
        double x = pen->s->x[i], y = pen->s->y[i];
        if (dots) {
            put_dot(pen, lround(dot_x(pen->c, x)), lround(dot_y(pen->c, y)));
        } else {
            put(pen, canvas_column(pen->c, x), canvas_row(pen->c, y), 0);
        }
    }
}

/* Column by column; between two points of a band its edges are straight. */
static void draw_band(const struct pen *pen)
{
    const struct wn_series *s = pen->s;
    struct canvas *c = pen->c;
    size_t at = 0;
    for (int column = 0; column < c->columns && s->n > 0; column++) {
        double x = c->x.low + (column + 0.5) / c->columns * (c->x.high - c->x.low);
        while (at + 2 < s->n && s->x[at + 1] < x) {
            at++;
        }
        size_t next = at + 1 < s->n ? at + 1 : at;
        double width = s->x[next] - s->x[at];
        double half = (c->x.high - c->x.low) / c->columns / 2;
        if (x < s->x[0] - half || x > s->x[s->n - 1] + half) {
            continue;
        }
        double part = width > 0 ? fmin(fmax((x - s->x[at]) / width, 0), 1) : 0;
        long low = canvas_row(c, s->y[at] + part * (s->y[next] - s->y[at]));
        long high = canvas_row(c, s->y2[at] + part * (s->y2[next] - s->y2[at]));
        for (long row = high > 0 ? high : 0; row <= low && row < c->rows; row++) {
            put(pen, column, row, 0);
        }
    }
}

static void draw_limit(const struct pen *pen)
{
    for (int column = 0; column < pen->c->columns; column++) {
        put(pen, column, canvas_row(pen->c, pen->s->y[0]), 0);
    }
}

static void draw_series(struct canvas *c, const struct wn_series *s, int owner)
{
    struct pen pen = {c, s, canvas_rank_of(s->kind), owner};
    switch (s->kind) {
    case WN_SERIES_POINTS:
        draw_signs(&pen, true);
        break;
    case WN_SERIES_CURVE:
        draw_line(&pen, false);
        break;
    case WN_SERIES_MEDIAN:
        draw_line(&pen, true);
        break;
    case WN_SERIES_BAND:
        draw_band(&pen);
        break;
    case WN_SERIES_LIMIT:
        draw_limit(&pen);
        break;
    case WN_SERIES_HOLLOW:
    case WN_SERIES_SQUARE:
    case WN_SERIES_MARK:
        draw_signs(&pen, false);
        break;
    case WN_SERIES_ERROR:
        break;
    }
}

void canvas_draw(struct canvas *c, const struct wn_picture *p, int panel)
{
    for (int rank = RANK_BAND; rank <= RANK_MARK; rank++) {
        for (int i = 0; i < p->n; i++) {
            const struct wn_series *s = &p->series[i];
            if (s->panel == panel && s->n > 0 && (int)canvas_rank_of(s->kind) == rank) {
                draw_series(c, s, i);
            }
        }
    }
}
