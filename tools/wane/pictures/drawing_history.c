/* Pictures of campaigns: how the projected end of life came about, look by look.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "drawing_parts.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "base/num.h"
#include "projection/fade_source.h"

/* So many times the latest median the axis reaches: early intervals may leave the picture. */
#define AXIS_MEDIANS 2.5

static int look_back(const struct drawing_subject *s, struct wn_fade_history *out,
                     struct wn_error *err)
{
    struct fade_source points = {.n = 0};
    struct fade_own *own = malloc(sizeof *own);
    double threshold_ah = s->c.info.retention_threshold * s->c.info.cell.rated_capacity_ah;
    int rc = own != NULL ? fade_points_of(&s->cycles, &points, err)
                         : wn_error_set(err, WN_ENOMEM, "out of memory");
    if (rc == WN_OK && !(threshold_ah > 0)) {
        rc = wn_error_set(err, WN_EINVAL,
                          "%s: its file tells no retention threshold or no rated capacity, so "
                          "nothing was projected",
                          s->c.info.name);
    } else if (rc == WN_OK && points.n == 0) {
        rc = wn_error_set(err, WN_EINVAL, "%s: there is nothing to draw yet: no cycle is over",
                          s->c.info.name);
    }
    if (rc == WN_OK) {
        double initial_ah = wn_fade_initial_capacity_ah(points.point, points.n);
        fade_find_own(&s->c, threshold_ah / initial_ah, own);
        rc = wn_fade_look_back(points.point, points.n, threshold_ah, &own->lives, out, err);
    }
    int known = 0;
    for (int k = 0; rc == WN_OK && k < out->count; k++) {
        known += out->look[k].state != WN_FADE_NOT_YET_PREDICTABLE ? 1 : 0;
    }
    if (rc == WN_OK && known == 0) {
        rc = wn_error_set(err, WN_EINVAL,
                          "%s: there is nothing to draw yet: its end of life is not yet "
                          "predictable",
                          s->c.info.name);
    }
    free(points.point);
    free(own);
    return rc;
}

static void add_looks(const struct drawing_job *j, int i, const struct wn_fade_history *h)
{
    char label[WN_SERIES_LABEL_SIZE];
    struct wn_series *band =
        drawing_general(j, WN_SERIES_BAND, i, "10 to 90 % of the projected end of life");
    struct wn_series *median = wn_picture_add(
        j->p, WN_SERIES_MEDIAN, i, drawing_label(j, i, "its median", label, sizeof label));
    for (int k = 0; k < h->count; k++) {
        const struct wn_fade_look *l = &h->look[k];
        wn_series_put(j->p, band, l->cycle, l->p10_cycle, l->p90_cycle);
        wn_series_put(j->p, median, l->cycle, l->median_cycle, NAN);
    }
}

/* Where the campaign itself was at each look: the end cannot lie below. */
static void add_now(const struct drawing_job *j, double last)
{
    struct wn_series *now = wn_picture_add(j->p, WN_SERIES_CURVE, -1, "the cycle it was said at");
    wn_series_put(j->p, now, 0, 0, NAN);
    wn_series_put(j->p, now, last, last, NAN);
}

int drawing_history(struct drawing_job *j, struct wn_error *err)
{
    double last = 0, top = 0;
    for (int i = 0; i < j->n; i++) {
        struct wn_fade_history h;
        int rc = look_back(&j->s[i], &h, err);
        if (rc != WN_OK) {
            return rc;
        }
        add_looks(j, i, &h);
        const struct wn_fade_look *end = &h.look[h.count - 1];
        last = fmax(last, end->cycle);
        top = fmax(top, AXIS_MEDIANS * end->median_cycle); /* fmax passes over NaN */
        if (j->n == 1 && isfinite(h.settled_cycle)) {
            (void)snprintf(j->p->note, sizeof j->p->note,
                           "since cycle %.0f every interval has contained what is said now",
                           h.settled_cycle);
        }
    }
    add_now(j, last);
    (void)snprintf(j->p->x_label, sizeof j->p->x_label, "cycle at which it was said");
    (void)snprintf(j->p->y[0].label, sizeof j->p->y[0].label, "projected end of life, cycle");
    j->p->y[0].min = 0;
    j->p->y[0].max = top > 0 ? top : NAN;
    return WN_OK;
}
