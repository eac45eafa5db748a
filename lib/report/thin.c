/* Pictures: leaving out what cannot be seen.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "report/thin.h"

#include <math.h>
#include <string.h>

static const size_t few = (size_t)4 * WN_THIN_COLUMNS;

struct column {
    bool any;
    size_t first, low, high, last;
};

static double upper(const struct wn_series *s, size_t i)
{
    return wn_series_has_two_ends(s) ? s->y2[i] : s->y[i];
}

/* Points of a curve that turns back stay in their own run through the column: an order that is
 * drawn must not be changed. */
static void finish(struct column *c, bool *keep)
{
    if (c->any) {
        keep[c->first] = keep[c->low] = keep[c->high] = keep[c->last] = true;
    }
    c->any = false;
}

void wn_series_thin(const struct wn_series *s, bool *keep)
{
    double from = INFINITY, to = -INFINITY;
    long here = -1;
    struct column c = {0};
    for (size_t i = 0; i < s->n; i++) {
        from = fmin(from, s->x[i]);
        to = fmax(to, s->x[i]);
        keep[i] = s->n <= few;
    }
    if (s->n <= few) {
        return;
    }
    for (size_t i = 0; i < s->n; i++) {
        long at = to > from ? (long)((s->x[i] - from) / (to - from) * (WN_THIN_COLUMNS - 1)) : 0;
        if (at != here || !c.any) {
            finish(&c, keep);
            c = (struct column){true, i, i, i, i};
            here = at;
        }
        c.low = s->y[i] < s->y[c.low] ? i : c.low;
        c.high = upper(s, i) > upper(s, c.high) ? i : c.high;
        c.last = i;
    }
    finish(&c, keep);
}
