/* Finished lives of the user's own, kept as they are measured.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * No law is fitted: the medians of the digest, drawn through straight, are the shape. */
#include <math.h>
#include <stdio.h>

#include "fade/fade.h"
#include "fade/internal.h"
#include "metrology/cycle.h"

enum { BINS_MIN = 8 };

/** Capacity of a digest at a cycle, straight between the medians and level before the first. */
static double capacity_at(const struct wn_fade_digest *d, double cycle)
{
    int k = 0;
    while (k < d->bins && d->cycle[k] < cycle)
        k++;
    if (k == 0)
        return d->capacity_ah[0];
    if (k == d->bins)
        return d->capacity_ah[d->bins - 1];
    double part = (cycle - d->cycle[k - 1]) / (d->cycle[k] - d->cycle[k - 1]);
    return d->capacity_ah[k - 1] + part * (d->capacity_ah[k] - d->capacity_ah[k - 1]);
}

/** Where the threshold was crossed: between check-ups, somewhere on the way to the first one below.
 */
static double crossing(const struct wn_fade_point *points, size_t n, double threshold_ah,
                       double below_at)
{
    const struct wn_fade_point *above = NULL;
    for (size_t i = 0; i < n; i++) {
        const struct wn_fade_point *p = &points[i];
        if ((p->flags & WN_FLAGS_INVALID) != 0)
            continue;
        if (p->cycle >= below_at)
            return above == NULL ? p->cycle
                                 : above->cycle + (p->cycle - above->cycle) *
                                                      (above->capacity_ah - threshold_ah) /
                                                      (above->capacity_ah - p->capacity_ah);
        if (p->capacity_ah >= threshold_ah)
            above = p;
    }
    return NAN;
}

int wn_fade_remember(const struct wn_fade_point *points, size_t n, double retention,
                     const char *name, struct wn_fade_life *out, struct wn_error *err)
{
    struct wn_fade_digest d;
    if (!(retention > 0 && retention < 1))
        return wn_error_set(err, WN_EINVAL, "the retention must lie between 0 and 1");
    int rc = wn_fade_check(points, n, 1, err);
    if (rc != WN_OK)
        return rc;
    double threshold_ah = retention * wn_fade_initial_capacity_ah(points, n);
    wn_fade_digest(points, n, threshold_ah, &d);
    double life = crossing(points, n, threshold_ah, d.crossed_at);
    if (!(life > 0)) /* NaN too */
        return WN_EMISSING;
    size_t until = 0;
    while (until < n && points[until].cycle <= life)
        until++;
    wn_fade_digest(points, until, threshold_ah, &d);
    if (d.bins < BINS_MIN)
        return WN_EMISSING;
    snprintf(out->name, sizeof out->name, "%s", name);
    out->cycles = life;
    for (int i = 0; i <= WN_FADE_GRID; i++) {
        double root = (double)i / WN_FADE_GRID;
        out->left[i] = (float)((capacity_at(&d, root * root * life) - threshold_ah) /
                               (d.start_ah - threshold_ah));
    }
    out->left[WN_FADE_GRID] = 0;
    return WN_OK;
}
