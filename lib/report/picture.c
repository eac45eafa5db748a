/* Pictures: gathering what is to be drawn.
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
    p->right_axis_full = p->y_min = p->y_max = NAN;
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

/* gnuplot writes beside the file, which then takes its name: a picture is whole or not there. */
int wn_picture_draw(const struct wn_picture *p, const char *file, struct wn_error *err)
{
    char part[1024];
    const char *dot = strrchr(file, '.');
    if (dot == NULL || (strcmp(dot, ".svg") != 0 && strcmp(dot, ".png") != 0)) {
        return wn_error_set(err, WN_EINVAL, "%s: the name must end in .svg or .png", file);
    }
    int n = snprintf(part, sizeof part, "%.*s.part%s", (int)(dot - file), file, dot);
    if (n < 0 || (size_t)n >= sizeof part) {
        return wn_error_set(err, WN_ERANGE, "%.60s...: the name is too long", file);
    }
    char *script = wn_picture_script(p, part, err);
    if (script == NULL) {
        return err != NULL ? err->code : WN_ENOMEM;
    }
    FILE *may_write = fopen(part, "we");
    int rc = may_write != NULL ? wn_gnuplot_run(script, err)
                               : wn_error_set(err, WN_EACCESS, "%s: %s", file, strerror(errno));
    if (may_write != NULL) {
        (void)fclose(may_write);
    }
    struct stat st;
    if (rc == WN_OK && (stat(part, &st) != 0 || st.st_size == 0)) {
        rc = wn_error_set(err, WN_ENOSPACE,
                          "%s: the picture could not be written: is the disk full?", file);
    }
    if (rc == WN_OK && lstat(file, &st) == 0 && !S_ISREG(st.st_mode)) {
        rc = wn_error_set(err, WN_EINVAL, "%s is no regular file: it is not replaced", file);
    }
    if (rc == WN_OK && rename(part, file) != 0) {
        rc = wn_error_set(err, WN_EACCESS, "%s: %s", file, strerror(errno));
    }
    if (rc != WN_OK) {
        (void)unlink(part);
    }
    free(script);
    return rc;
}
