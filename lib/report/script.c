/* Pictures: the look, as a gnuplot script.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "report/picture.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"

/* Okabe and Ito, "Color Universal Design", 2008: without yellow, which is lost on white. */
static const char *const colours[WN_PICTURE_COLOURS] = {"#0072b2", "#d55e00", "#009e73", "#cc79a7",
                                                        "#e69f00", "#56b4e9", "#000000", "#7f7f7f"};

static const char *colour_of(const struct wn_series *s)
{
    return s->colour >= 0 ? colours[s->colour % WN_PICTURE_COLOURS] : "#404040";
}

static bool has_two_ends(const struct wn_series *s)
{
    return s->kind == WN_SERIES_BAND || s->kind == WN_SERIES_ERROR;
}

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
    (void)fputs(wn_num_format(x, 10, buf, sizeof buf), f);
}

static void write_data(FILE *f, const struct wn_series *s, int i)
{
    if (s->kind == WN_SERIES_LIMIT || s->n == 0) {
        return;
    }
    (void)fprintf(f, "$d%d << end_of_data\n", i);
    for (size_t k = 0; k < s->n; k++) {
        number(f, s->x[k]);
        (void)fputc(' ', f);
        number(f, s->y[k]);
        if (has_two_ends(s)) {
            (void)fputc(' ', f);
            number(f, s->y2[k]);
        }
        (void)fputc('\n', f);
    }
    (void)fputs("end_of_data\n", f);
}

static void write_series(FILE *f, const struct wn_series *s, int i)
{
    switch (s->kind) {
    case WN_SERIES_POINTS:
        (void)fprintf(f, "$d%d using 1:2 with points pt 7 ps 0.45 lc rgb '%s'", i, colour_of(s));
        break;
    case WN_SERIES_HOLLOW:
        (void)fprintf(f, "$d%d using 1:2 with points pt 6 ps 0.9 lw 1.3 lc rgb '%s'", i,
                      colour_of(s));
        break;
    case WN_SERIES_SQUARE:
        (void)fprintf(f, "$d%d using 1:2 with points pt 4 ps 1.1 lw 1.3 lc rgb '%s'", i,
                      colour_of(s));
        break;
    case WN_SERIES_MEDIAN:
        (void)fprintf(f, "$d%d using 1:2 with lines dt (14,8) lw 1.8 lc rgb '%s'", i, colour_of(s));
        break;
    case WN_SERIES_BAND:
        (void)fprintf(
            f, "$d%d using 1:2:3 with filledcurves fs transparent solid 0.16 noborder lc rgb '%s'",
            i, colour_of(s));
        break;
    case WN_SERIES_ERROR: /* two thirds of it are the paper's colour */
        (void)fprintf(f, "$d%d using 1:2:(0):($3-$2) with vectors nohead lw 0.8 lc rgb '#a8%s'", i,
                      colour_of(s) + 1);
        break;
    case WN_SERIES_LIMIT:
        number(f, s->y[0]);
        (void)fprintf(f, " with lines dt (3,5) lw 1.6 lc rgb '%s'", colour_of(s));
        break;
    case WN_SERIES_MARK:
        (void)fprintf(f, "$d%d using 1:2 with points pt 13 ps 1.9 lc rgb '%s'", i, colour_of(s));
        break;
    }
    (void)fputs(s->label[0] != '\0' ? " title " : " notitle", f);
    if (s->label[0] != '\0') {
        quoted(f, s->label);
    }
}

static void write_terminal(FILE *f, const char *file)
{
    bool svg = strcmp(strrchr(file, '.'), ".svg") == 0;
    if (svg) {
        (void)fputs("set terminal svg size 960,600 dynamic font 'DejaVu Sans,13' background "
                    "'#ffffff' noenhanced\n",
                    f);
    } else {
        (void)fputs("if (strstrt(GPVAL_TERMINALS, ' pngcairo ') > 0) {\n"
                    "set terminal pngcairo size 1920,1200 font 'DejaVu Sans,13' fontscale 2 "
                    "linewidth 2 pointscale 2"
                    " background '#ffffff' noenhanced\n"
                    "} else {\n"
                    "set terminal png size 1920,1200 large noenhanced\n"
                    "}\n",
                    f);
    }
    (void)fputs("set output ", f);
    quoted(f, file);
    (void)fputc('\n', f);
}

static void write_label(FILE *f, const char *text, const char *where)
{
    if (text[0] != '\0') {
        (void)fputs("set label ", f);
        quoted(f, text);
        (void)fprintf(f, " %s\n", where);
    }
}

/* One grid, no box; title and conditions stand on the left above it, the key below. */
static void write_look(FILE *f, const struct wn_picture *p)
{
    (void)fputs("set encoding utf8\nset decimalsign '.'\nset border 3 lc rgb '#808080' lw 0.8\n"
                "set tics nomirror out scale 0.6 textcolor rgb '#303030'\n"
                "set grid lw 0.5 lt 1 lc rgb '#e2e2e2'\n"
                "set key below left Left reverse horizontal maxcols 3 width -4 samplen 2 spacing "
                "1.2 font ',10' textcolor rgb '#303030'\n"
                "set lmargin 11\nset tmargin 6\nset rmargin 11\n",
                f);
    write_label(f, p->title,
                "at graph 0, graph 1 offset 0,4 left font ',16' textcolor rgb '#101010'");
    write_label(f, p->subtitle,
                "at graph 0, graph 1 offset 0,2.5 left font ',10' textcolor rgb '#505050'");
    write_label(f, p->conditions,
                "at graph 0, graph 1 offset 0,1.4 left font ',10' textcolor rgb '#505050'");
    write_label(
        f, p->simulated_label,
        "at graph 0.5, graph 0.45 center rotate by 24 font ',44' textcolor rgb '#ececec' back");
    (void)fputs("set xlabel ", f);
    quoted(f, p->x_label);
    (void)fputs(" offset 0,0.4 textcolor rgb '#303030'\nset ylabel ", f);
    quoted(f, p->y_label);
    (void)fputs(" textcolor rgb '#303030'\n", f);
    if (p->right_axis_full > 0) {
        (void)fputs("set border 11\nset y2tics nomirror\nset format y2 '%g %%'\nset y2label ", f);
        quoted(f, p->right_axis_label);
        (void)fputs(" textcolor rgb '#303030'\n", f);
    }
}

static void range(FILE *f, const char *axis, double from, double to)
{
    (void)fprintf(f, "set %srange [", axis);
    number(f, from);
    (void)fputc(':', f);
    number(f, to);
    (void)fputs("]\n", f);
}

/* From the data, a little wider, so that nothing sits on the frame. Where there is a limit, what a
 * projection does far below it is of no interest and may leave the picture. */
static void write_range(FILE *f, const struct wn_picture *p)
{
    double low = INFINITY, high = -INFINITY, right = 1;
    bool limited = false;
    for (int i = 0; i < p->n; i++) {
        limited = limited || p->series[i].kind == WN_SERIES_LIMIT;
    }
    for (int i = 0; i < p->n; i++) {
        const struct wn_series *s = &p->series[i];
        bool projected = s->kind == WN_SERIES_BAND || s->kind == WN_SERIES_MEDIAN;
        for (size_t k = 0; k < s->n; k++) {
            low = projected && limited ? low : fmin(low, s->y[k]);
            high = fmax(high, has_two_ends(s) ? s->y2[k] : s->y[k]);
            right = fmax(right, s->x[k]);
        }
    }
    double margin = high > low ? 0.05 * (high - low) : fmax(0.05 * fabs(high), 1e-6);
    low = isfinite(p->y_min) ? p->y_min : low - (limited ? 3 : 1) * margin;
    high = isfinite(p->y_max) ? p->y_max : high + margin;
    range(f, "x", 0, right * 1.03);
    range(f, "y", low, high);
    if (p->right_axis_full > 0) {
        range(f, "y2", 100 * low / p->right_axis_full, 100 * high / p->right_axis_full);
    }
}

static int series_with_data(const struct wn_picture *p)
{
    int n = 0;
    for (int i = 0; i < p->n; i++) {
        n += p->series[i].n > 0 && p->series[i].kind != WN_SERIES_LIMIT;
    }
    return n;
}

static void write_script(FILE *f, const struct wn_picture *p, const char *file)
{
    const char *between = "plot ";
    write_terminal(f, file);
    for (int i = 0; i < p->n; i++) {
        write_data(f, &p->series[i], i);
    }
    write_look(f, p);
    write_range(f, p);
    for (int i = 0; i < p->n; i++) {
        if (p->series[i].n > 0) {
            (void)fputs(between, f);
            write_series(f, &p->series[i], i);
            between = ", \\\n  ";
        }
    }
    (void)fputs("\nunset output\n", f);
}

char *wn_picture_script(const struct wn_picture *p, const char *file, struct wn_error *err)
{
    char *text = NULL;
    size_t len = 0;
    if (p->failed) {
        (void)wn_error_set(err, WN_ENOMEM, "no memory for the picture, or more than %d curves",
                           WN_PICTURE_SERIES_MAX);
        return NULL;
    }
    if (series_with_data(p) == 0) {
        (void)wn_error_set(err, WN_EINVAL,
                           "there is nothing to draw yet: no value has been measured");
        return NULL;
    }
    FILE *f = open_memstream(&text, &len);
    if (f == NULL) {
        (void)wn_error_set(err, WN_ENOMEM, "no memory for the picture");
        return NULL;
    }
    write_script(f, p, file);
    if (fclose(f) != 0) {
        free(text);
        (void)wn_error_set(err, WN_ENOMEM, "no memory for the picture");
        return NULL;
    }
    return text;
}
