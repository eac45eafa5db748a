/* Pictures: the script gnuplot gets.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "report/look.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "report/thin.h"

struct sheet {
    FILE *f;
    const struct wn_picture *p;
    enum wn_look look;
    enum wn_picture_format format;
    struct look_layout l;
};

/* A gnuplot string: in single quotes nothing is special but the quote itself. */
static void quoted(FILE *f, const char *text)
{
    (void)fputc('\'', f);
    for (; *text != '\0'; text++) {
        if (*text == '\'') {
            (void)fputc('\'', f);
        }
        (void)fputc((unsigned char)*text < 0x20 ? ' ' : *text, f);
    }
    (void)fputc('\'', f);
}

static void number(FILE *f, double x)
{
    char buf[WN_NUM_SIZE];
    (void)fputs(wn_num_format(x, 9, buf, sizeof buf), f);
}

/* " 0.125": a coordinate of the whole sheet. */
static void across(const struct sheet *s, double x)
{
    (void)fputc(' ', s->f);
    number(s->f, x / s->l.width);
}

static void down(const struct sheet *s, double y)
{
    (void)fputc(' ', s->f);
    number(s->f, 1 - y / s->l.height);
}

static bool is_drawn(const struct wn_series *s)
{
    return s->n > 0;
}

static bool write_data(FILE *f, const struct wn_series *s, int i)
{
    if (s->kind == WN_SERIES_LIMIT || !is_drawn(s)) {
        return true;
    }
    bool *keep = malloc(s->n * sizeof *keep);
    if (keep == NULL) {
        return false;
    }
    wn_series_thin(s, keep);
    (void)fprintf(f, "$d%d << end_of_data\n", i);
    for (size_t k = 0; k < s->n; k++) {
        if (!keep[k]) {
            continue;
        }
        number(f, s->x[k]);
        (void)fputc(' ', f);
        number(f, s->y[k]);
        if (wn_series_has_two_ends(s)) {
            (void)fputc(' ', f);
            number(f, s->y2[k]);
        }
        (void)fputc('\n', f);
    }
    (void)fputs("end_of_data\n", f);
    free(keep);
    return true;
}

static const char *dash_of(const struct wn_series *s)
{
    static const char *const dashes[] = {"1", "(12,5)", "(3,4)", "(12,4,3,4)"};
    return dashes[(s->dash + s->colour / WN_PICTURE_COLOURS) % 4];
}

/* gnuplot's terminals mean different things by one size of a point and of a letter: such that all
 * formats look alike (measured on their pictures). */
static const struct measure {
    double point, font, line;
} measures[] = {
    [WN_FORMAT_SVG] = {0.58, 1, 1},
    [WN_FORMAT_PNG] = {1, 0.75, 1},
    [WN_FORMAT_PDF] = {0.86, 0.5625, 0.75},
};

/* gnuplot's numbers of shapes. When the colours begin again, the shape changes. */
enum { SQUARE = 4, CIRCLE = 6, DISC = 7, TRIANGLE = 9, DIAMOND = 13 };

static void write_points(const struct sheet *s, int shape, double size, double line,
                         const char *colour)
{
    (void)fprintf(s->f, "points pt %d ps ", shape);
    number(s->f, size * measures[s->format].point);
    (void)fputs(" lw ", s->f);
    number(s->f, line);
    (void)fprintf(s->f, " lc rgb '%s'", colour);
}

/* What follows "with"; larger in the key, where one stands for many. */
static void write_style(const struct sheet *sheet, const struct wn_series *s, const char *colour,
                        bool key)
{
    FILE *f = sheet->f;
    switch (s->kind) {
    case WN_SERIES_POINTS:
        write_points(sheet, s->colour < WN_PICTURE_COLOURS ? DISC : TRIANGLE,
                     key         ? 0.85
                     : s->n > 40 ? 0.45
                                 : 0.75,
                     1, colour);
        break;
    case WN_SERIES_HOLLOW:
        write_points(sheet, CIRCLE, 0.85, 1.2, colour);
        break;
    case WN_SERIES_SQUARE:
        write_points(sheet, SQUARE, 1.1, 1.4, colour);
        break;
    case WN_SERIES_MARK:
        write_points(sheet, DIAMOND, 1.9, 1, colour);
        break;
    case WN_SERIES_CURVE:
        (void)fprintf(f, "lines dt %s lw 1.9 lc rgb '%s'", dash_of(s), colour);
        break;
    case WN_SERIES_MEDIAN:
        (void)fprintf(f, "lines dt (12,6) lw 1.7 lc rgb '%s'", colour);
        break;
    case WN_SERIES_BAND:
        (void)fprintf(f, "filledcurves fs transparent solid 0.18 noborder lc rgb '%s'", colour);
        break;
    case WN_SERIES_ERROR: /* two thirds of it are the paper's colour */
        (void)fprintf(f, "vectors nohead lw 0.9 lc rgb '#a8%s'", colour + 1);
        break;
    case WN_SERIES_LIMIT:
        (void)fprintf(f, "lines dt (3,5) lw 1.6 lc rgb '%s'", colour);
        break;
    }
}

static void write_series(const struct sheet *sheet, const struct wn_series *s, int i)
{
    char colour[LOOK_COLOUR_SIZE];
    FILE *f = sheet->f;
    if (s->kind == WN_SERIES_LIMIT) {
        number(f, s->y[0]);
    } else {
        (void)fprintf(f, "$d%d using %s", i,
                      s->kind == WN_SERIES_BAND    ? "1:2:3"
                      : s->kind == WN_SERIES_ERROR ? "1:2:(0):($3-$2)"
                                                   : "1:2");
    }
    (void)fputs(" with ", f);
    write_style(sheet, s, look_colour(sheet->look, s, colour), false);
    (void)fputs(" notitle", f);
    if (s->kind == WN_SERIES_BAND) { /* its edges are seen also where it has no width */
        for (int edge = 2; edge <= 3; edge++) {
            (void)fprintf(f, ", $d%d using 1:%d with lines lw 0.9 lc rgb '#90%s' notitle", i, edge,
                          colour + 1);
        }
    }
}

static void write_key_entry(const struct sheet *sheet, const struct wn_series *s)
{
    char colour[LOOK_COLOUR_SIZE], label[WN_SERIES_LABEL_SIZE];
    struct wn_series as = *s;
    as.colour = s->general ? -1 : s->colour;
    as.shade = s->general ? NAN : s->shade;
    (void)fputs("keyentry with ", sheet->f);
    write_style(sheet, &as, look_colour(sheet->look, &as, colour), true);
    (void)fputs(" title ", sheet->f);
    quoted(sheet->f, look_cut(s->label, sheet->l.key_label_max, label, sizeof label));
}

static void write_terminal(const struct sheet *s)
{
    const char *paper = look_paper(s->look);
    const struct measure *m = &measures[s->format];
    FILE *f = s->f;
    if (s->format == WN_FORMAT_SVG) {
        (void)fputs("set terminal svg size ", f);
        number(f, round(s->l.width));
        (void)fputc(',', f);
        number(f, round(s->l.height));
        (void)fputs(" fixed", f);
    } else if (s->format == WN_FORMAT_PNG) {
        (void)fprintf(f, "set terminal pngcairo size %d,%d", s->l.width_px, s->l.height_px);
    } else { /* a unit is three quarters of a point: 960 are 10 inches */
        (void)fputs("set terminal pdfcairo size ", f);
        number(f, s->l.width / 96);
        (void)fputs("in,", f);
        number(f, s->l.height / 96);
        (void)fputs("in", f);
    }
    if (s->format != WN_FORMAT_SVG) {
        double scale = s->format == WN_FORMAT_PNG ? s->l.scale : 1;
        (void)fputs(" fontscale ", f);
        number(f, m->font * scale);
        (void)fputs(" linewidth ", f);
        number(f, m->line * scale);
        (void)fputs(" pointscale ", f);
        number(f, scale);
    }
    (void)fprintf(f, " font 'DejaVu Sans,%d' noenhanced ", LOOK_TEXT_SIZE);
    if (paper != NULL) {
        (void)fprintf(f, "background '%s'\n", paper);
    } else {
        (void)fputs(s->format == WN_FORMAT_SVG ? "\n" : "transparent\n", f);
    }
}

static void write_label(const struct sheet *s, const char *text, double y, enum look_ink ink,
                        int size)
{
    char cut[2 * WN_PICTURE_TEXT_SIZE];
    bool title = ink == INK_TITLE;
    (void)fputs("set label ", s->f);
    quoted(s->f, look_shorten(text, s->l.width - s->l.left - 20, title ? size * 1.12 : size, cut,
                              sizeof cut));
    (void)fputs(" at screen", s->f);
    across(s, s->l.left);
    (void)fputs(", screen", s->f);
    down(s, y);
    (void)fprintf(s->f, " left font 'DejaVu Sans%s,%d' textcolor rgb '%s'\n", title ? ":Bold" : "",
                  size, look_ink(s->look, ink));
}

/* Title and conditions on the left above the data; whether it is simulated across it. */
static void write_words(const struct sheet *s)
{
    const struct wn_picture *p = s->p;
    const char *more[] = {p->subtitle, p->conditions, p->note};
    double y = 48;
    if (p->title[0] != '\0') {
        write_label(s, p->title, 26, INK_TITLE, LOOK_TITLE_SIZE);
    }
    for (int i = 0; i < 3; i++) {
        if (more[i][0] != '\0') {
            write_label(s, more[i], y, INK_SOFT, LOOK_SMALL_SIZE);
            y += LOOK_LINE;
        }
    }
    if (p->simulated_label[0] != '\0') {
        (void)fputs("set label ", s->f);
        quoted(s->f, p->simulated_label);
        (void)fputs(" at screen", s->f);
        across(s, (s->l.left + s->l.right) / 2);
        (void)fputs(", screen", s->f);
        down(s, (s->l.top + s->l.bottom) / 2);
        (void)fprintf(s->f,
                      " center rotate by 24 font 'DejaVu Sans:Bold,52' textcolor rgb '%s' back\n",
                      look_ink(s->look, INK_ACROSS));
    }
}

static void write_look(const struct sheet *s)
{
    FILE *f = s->f;
    (void)fprintf(f,
                  "set encoding utf8\nset decimalsign '.'\nset border 3 lc rgb '%s' lw 0.9\n"
                  "set tics nomirror out scale 0.5 textcolor rgb '%s'\n"
                  "set grid lw 0.7 lt 1 lc rgb '%s'\nunset key\n",
                  look_ink(s->look, INK_AXIS), look_ink(s->look, INK_TEXT),
                  look_ink(s->look, INK_GRID));
    (void)fputs("set lmargin at screen", f);
    across(s, s->l.left);
    (void)fputs("\nset rmargin at screen", f);
    across(s, s->l.right);
    (void)fputc('\n', f);
}

static void range(FILE *f, const char *axis, double from, double to)
{
    (void)fprintf(f, "set %srange [", axis);
    number(f, from);
    (void)fputc(':', f);
    number(f, to);
    (void)fputs("]\n", f);
}

/* Beside a panel, as far from the edge of the sheet whatever the numbers are. */
static void side_label(const struct sheet *s, const char *text, double x, double y)
{
    if (text[0] != '\0') {
        (void)fputs("set label ", s->f);
        quoted(s->f, text);
        (void)fputs(" at screen", s->f);
        across(s, x);
        (void)fputs(", screen", s->f);
        down(s, y);
        (void)fprintf(s->f, " center rotate by 90 textcolor rgb '%s'\n",
                      look_ink(s->look, INK_TEXT));
    }
}

static void write_panel_look(const struct sheet *s, int panel)
{
    const struct wn_axis *axis = &s->p->y[panel];
    struct wn_range x, y;
    double top, bottom;
    bool last = panel + 1 == s->p->panels;
    look_panel(s->p, &s->l, panel, &top, &bottom);
    (void)fputs("set tmargin at screen", s->f);
    down(s, top);
    (void)fputs("\nset bmargin at screen", s->f);
    down(s, bottom);
    (void)fprintf(s->f, "\nset format x '%s'\n", last ? "%g" : "");
    (void)fputs("set xlabel ", s->f);
    quoted(s->f, last ? s->p->x_label : "");
    (void)fprintf(s->f, " offset 0,0.3 textcolor rgb '%s'\n", look_ink(s->look, INK_TEXT));
    side_label(s, axis->label, 16, (top + bottom) / 2);
    wn_picture_ranges(s->p, panel, &x, &y);
    range(s->f, "x", x.low, x.high);
    range(s->f, "y", y.low, y.high);
    if (axis->right_full > 0) {
        (void)fputs("set border 11\nset y2tics nomirror\nset format y2 '%g %%'\n", s->f);
        side_label(s, axis->right_label, s->l.width - 16, (top + bottom) / 2);
        range(s->f, "y2", 100 * y.low / axis->right_full, 100 * y.high / axis->right_full);
    }
}

static void write_key_look(const struct sheet *s)
{
    (void)fputs("set key at screen", s->f);
    across(s, s->l.left - 8);
    (void)fputs(", screen", s->f);
    down(s, s->l.key_top);
    (void)fprintf(s->f,
                  " left top Left reverse vertical maxrows %d samplen 1.8 spacing 1.2 width 1"
                  " font 'DejaVu Sans,%d' textcolor rgb '%s'\n",
                  s->l.key_rows, LOOK_SMALL_SIZE, look_ink(s->look, INK_TEXT));
}

/* Each panel its series; the last one the key of all. */
static void write_panel(const struct sheet *s, int panel)
{
    const char *between = "plot ";
    bool last = panel + 1 == s->p->panels;
    write_panel_look(s, panel);
    if (last && s->l.key_rows > 0) {
        write_key_look(s);
    }
    for (int i = 0; i < s->p->n; i++) {
        if (s->p->series[i].panel == panel && is_drawn(&s->p->series[i])) {
            (void)fputs(between, s->f);
            write_series(s, &s->p->series[i], i);
            between = ", \\\n  ";
        }
    }
    if (strcmp(between, "plot ") == 0) { /* an empty panel keeps its axes */
        (void)fputs("plot NaN notitle", s->f);
        between = ", \\\n  ";
    }
    for (int k = 0; last && k <= WN_SERIES_MARK; k++) { /* what was measured comes first */
        for (int i = 0; i < s->p->n; i++) {
            const struct wn_series *of = &s->p->series[i];
            if ((int)of->kind == k && is_drawn(of) && of->label[0] != '\0') {
                (void)fputs(between, s->f);
                write_key_entry(s, of);
            }
        }
    }
    (void)fputc('\n', s->f);
    if (!last) { /* the words stand there once */
        (void)fputs("unset label\n", s->f);
    }
}

static bool write_script(const struct sheet *s)
{
    bool ok = true;
    write_terminal(s);
    for (int i = 0; i < s->p->n && ok; i++) {
        ok = write_data(s->f, &s->p->series[i], i);
    }
    write_look(s);
    write_words(s);
    if (s->p->panels > 1) {
        (void)fputs("set multiplot\n", s->f);
    }
    for (int i = 0; i < s->p->panels; i++) {
        write_panel(s, i);
    }
    if (s->p->panels > 1) {
        (void)fputs("unset multiplot\n", s->f);
    }
    (void)fputs("unset output\n", s->f);
    return ok;
}

char *wn_picture_script(const struct wn_picture *p, enum wn_picture_format format,
                        const struct wn_style *style, struct wn_error *err)
{
    char *text = NULL;
    size_t len = 0;
    if (wn_picture_check(p, err) != WN_OK) {
        return NULL;
    }
    struct sheet s = {
        .f = open_memstream(&text, &len), .p = p, .look = style->look, .format = format};
    bool ok = s.f != NULL;
    if (ok) {
        struct wn_style sized = *style;
        if (format == WN_FORMAT_PNG && sized.width_px == 0 && sized.height_px == 0) {
            sized.width_px = 1920;
            sized.height_px = 1200;
        }
        look_layout(p, &sized, &s.l);
        ok = write_script(&s);
        ok = fclose(s.f) == 0 && ok;
    }
    if (!ok) {
        free(text);
        (void)wn_error_set(err, WN_ENOMEM, "no memory for the picture");
        return NULL;
    }
    return text;
}
