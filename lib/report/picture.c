/* Pictures: gathering what is to be drawn, and putting it into a file.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "report/picture.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

void wn_picture_init(struct wn_picture *p)
{
    memset(p, 0, sizeof *p);
    p->x_min = p->x_max = NAN;
    p->panels = 1;
    for (int i = 0; i < WN_PANELS_MAX; i++) {
        p->y[i].min = p->y[i].max = p->y[i].right_full = NAN;
    }
}

void wn_picture_fini(struct wn_picture *p)
{
    for (int i = 0; i < p->n; i++) {
        free(p->series[i].x);
        free(p->series[i].y);
        free(p->series[i].y2);
    }
    wn_picture_init(p);
}

struct wn_series *wn_picture_add(struct wn_picture *p, enum wn_series_kind kind, int colour,
                                 const char *label)
{
    if (p->n == WN_PICTURE_SERIES_MAX) {
        p->failed = true;
        return NULL;
    }
    struct wn_series *s = &p->series[p->n++];
    s->kind = kind;
    s->colour = colour;
    s->shade = NAN;
    (void)snprintf(s->label, sizeof s->label, "%s", label);
    return s;
}

static bool grow(struct wn_series *s)
{
    size_t room = s->room > 0 ? 2 * s->room : 64;
    double **list[] = {&s->x, &s->y, &s->y2};
    for (int i = 0; i < 3; i++) {
        double *more = realloc(*list[i], room * sizeof *more);
        if (more == NULL) {
            return false;
        }
        *list[i] = more;
    }
    s->room = room;
    return true;
}

void wn_series_put(struct wn_picture *p, struct wn_series *s, double x, double y, double y2)
{
    if (s == NULL || !isfinite(x) || !isfinite(y)) {
        return;
    }
    if (s->n == s->room && !grow(s)) {
        p->failed = true;
        return;
    }
    s->x[s->n] = x;
    s->y[s->n] = y;
    s->y2[s->n] = y2;
    s->n++;
}

bool wn_series_has_two_ends(const struct wn_series *s)
{
    return s->kind == WN_SERIES_BAND || s->kind == WN_SERIES_ERROR;
}

void wn_picture_ranges(const struct wn_picture *p, int panel, struct wn_range *x,
                       struct wn_range *y)
{
    struct wn_range right = {INFINITY, 1e-9}, up = {INFINITY, -INFINITY};
    const struct wn_axis *axis = &p->y[panel];
    bool limited = false;
    for (int i = 0; i < p->n; i++) {
        limited = limited || (p->series[i].panel == panel && p->series[i].kind == WN_SERIES_LIMIT);
    }
    for (int i = 0; i < p->n; i++) {
        const struct wn_series *s = &p->series[i];
        bool projected = s->kind == WN_SERIES_BAND || s->kind == WN_SERIES_MEDIAN;
        for (size_t k = 0; k < s->n; k++) {
            right.high = s->kind != WN_SERIES_LIMIT ? fmax(right.high, s->x[k]) : right.high;
            if (s->panel == panel) {
                up.low = projected && limited ? up.low : fmin(up.low, s->y[k]);
                up.high = fmax(up.high, wn_series_has_two_ends(s) ? s->y2[k] : s->y[k]);
            }
        }
    }
    double margin = up.high > up.low ? 0.05 * (up.high - up.low) : fmax(0.05 * fabs(up.high), 1e-6);
    x->low = isfinite(p->x_min) ? p->x_min : 0;
    x->high = isfinite(p->x_max) ? p->x_max : right.high * 1.03;
    y->low = isfinite(axis->min) ? axis->min : up.low - (limited ? 3 : 1) * margin;
    y->high = isfinite(axis->max) ? axis->max : up.high + margin;
}

int wn_picture_check(const struct wn_picture *p, struct wn_error *err)
{
    int n = 0;
    if (p->failed) {
        return wn_error_set(err, WN_ENOMEM,
                            "no memory for the picture, or more than %d curves and rows of points",
                            WN_PICTURE_SERIES_MAX);
    }
    for (int i = 0; i < p->n; i++) {
        n += p->series[i].n > 0 && p->series[i].kind != WN_SERIES_LIMIT;
    }
    return n > 0 ? WN_OK
                 : wn_error_set(err, WN_EINVAL,
                                "there is nothing to draw yet: no value has been measured");
}

int wn_picture_format_of(const char *file, enum wn_picture_format *out, struct wn_error *err)
{
    static const char *const endings[] = {
        [WN_FORMAT_SVG] = ".svg", [WN_FORMAT_PNG] = ".png", [WN_FORMAT_PDF] = ".pdf"};
    const char *dot = strrchr(file, '.');
    for (size_t i = 0; dot != NULL && i < sizeof endings / sizeof endings[0]; i++) {
        if (strcmp(dot, endings[i]) == 0) {
            *out = (enum wn_picture_format)i;
            return WN_OK;
        }
    }
    return wn_error_set(err, WN_EINVAL, "%s: the name must end in .svg, .png or .pdf", file);
}

static int put_file(const char *part, const char *file, const char *data, size_t len,
                    struct wn_error *err)
{
    struct stat st;
    FILE *f = fopen(part, "we");
    if (f == NULL) {
        return wn_error_set(err, WN_EACCESS, "%s: %s", file, strerror(errno));
    }
    bool written = fwrite(data, 1, len, f) == len;
    written = fclose(f) == 0 && written;
    int rc = written
                 ? WN_OK
                 : wn_error_set(err, WN_ENOSPACE,
                                "%s: the picture could not be written: is the disk full?", file);
    if (rc == WN_OK && lstat(file, &st) == 0 && !S_ISREG(st.st_mode)) {
        rc = wn_error_set(err, WN_EINVAL, "%s is no regular file: it is not replaced", file);
    }
    if (rc == WN_OK && rename(part, file) != 0) {
        rc = wn_error_set(err, WN_EACCESS, "%s: %s", file, strerror(errno));
    }
    if (rc != WN_OK) {
        (void)unlink(part);
    }
    return rc;
}

/* Written beside the file, which then takes its name: a picture is whole or not there. */
int wn_picture_draw(const struct wn_picture *p, const char *file, const struct wn_style *style,
                    struct wn_error *err)
{
    char part[1024];
    char *data = NULL, *script = NULL;
    size_t len = 0;
    enum wn_picture_format format = WN_FORMAT_SVG;
    int rc = wn_picture_format_of(file, &format, err);
    if (rc != WN_OK) {
        return rc;
    }
    int n = snprintf(part, sizeof part, "%s.part", file);
    if (n < 0 || (size_t)n >= sizeof part) {
        return wn_error_set(err, WN_ERANGE, "%.60s...: the name is too long", file);
    }
    if (format == WN_FORMAT_SVG) {
        data = wn_picture_svg(p, style, "wane", err);
        rc = data != NULL ? WN_OK : err->code;
        len = data != NULL ? strlen(data) : 0;
    } else {
        script = wn_picture_script(p, format, style, err);
        rc = script != NULL ? wn_gnuplot_run(script, &data, &len, err) : err->code;
    }
    rc = rc == WN_OK ? put_file(part, file, data, len, err) : rc;
    free(script);
    free(data);
    return rc;
}
