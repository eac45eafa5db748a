/* Condenses a campaign: leaves out what is no measurement of fade, looks for the crossing, takes
 * medians. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * An excursion is at most two valid points in a row that lie off the robust line (Theil 1950, Sen
 * 1968: median of the slopes of all pairs) through their neighbours by more than EXCURSION times
 * the usual scatter and by more than EXCURSION_MIN of the capacity: a skipped constant-voltage
 * step, an aborted discharge, a recovery after a rest. The last points cannot be told from a knee
 * when points are few, so there they stay. */
#include "fade/internal.h"

#include <math.h>

#include "metrology/cycle.h"

enum {
    SIDE = 4,          /* neighbours on either side */
    AROUND = 2 * SIDE, /* and in all */
    RING = 2 * SIDE + 1,
    FEW = 24, /* below this many points every one of them counts */
    SORT_MAX = 256
};
#define EXCURSION     6.0
#define EXCURSION_MIN 0.006

static double median(double *v, int n)
{
    for (int i = 1; i < n;
         i++) { /* insertion sort: n is small, and order must not depend on a library */
        double x = v[i];
        int k = i;
        for (; k > 0 && v[k - 1] > x; k--)
            v[k] = v[k - 1];
        v[k] = x;
    }
    return n % 2 ? v[n / 2] : (v[n / 2 - 1] + v[n / 2]) / 2;
}

static bool valid(const struct wn_fade_point *p)
{
    return (p->flags & WN_FLAGS_INVALID) == 0;
}

/** Distance of a point from the robust line through its neighbours. */
static double off_line(const struct wn_fade_point *at, const struct wn_fade_point *near[],
                       int count)
{
    double slopes[AROUND * (AROUND - 1) / 2], levels[AROUND];
    int k = 0;
    for (int i = 0; i < count; i++)
        for (int j = i + 1; j < count; j++)
            slopes[k++] =
                (near[j]->capacity_ah - near[i]->capacity_ah) / (near[j]->cycle - near[i]->cycle);
    double slope = median(slopes, k);
    for (int i = 0; i < count; i++)
        levels[i] = near[i]->capacity_ah + slope * (at->cycle - near[i]->cycle);
    return at->capacity_ah - median(levels, count);
}

/** Walks the valid points with a window around each. */
struct window {
    const struct wn_fade_point *points;
    size_t n, next;                         /* next: not yet in the ring */
    const struct wn_fade_point *ring[RING]; /* valid points in order */
    int count, at;                          /* filled, and which of them is looked at */
};

static const struct wn_fade_point *take(struct window *w)
{
    while (w->next < w->n && !valid(&w->points[w->next]))
        w->next++;
    return w->next < w->n ? &w->points[w->next++] : NULL;
}

static void window_init(struct window *w, const struct wn_fade_point *points, size_t n)
{
    *w = (struct window){.points = points, .n = n, .at = -1};
    const struct wn_fade_point *p;
    while (w->count < RING && (p = take(w)) != NULL)
        w->ring[w->count++] = p;
}

/** Moves to the next valid point; NULL at the end. */
static const struct wn_fade_point *window_step(struct window *w)
{
    if (w->at >= SIDE && w->count == RING) {
        const struct wn_fade_point *p = take(w);
        if (p) {
            for (int i = 1; i < RING; i++)
                w->ring[i - 1] = w->ring[i];
            w->ring[RING - 1] = p;
            return w->ring[w->at];
        }
    }
    return ++w->at < w->count ? w->ring[w->at] : NULL;
}

static double window_off(const struct window *w)
{
    const struct wn_fade_point *near[AROUND];
    int k = 0;
    for (int i = 0; i < w->count; i++)
        if (i != w->at)
            near[k++] = w->ring[i];
    return k < 3 ? 0 : off_line(w->ring[w->at], near, k);
}

/** Median of |distance| over at most SORT_MAX points spread over the campaign. */
static double scatter(const struct wn_fade_point *points, size_t n, size_t valid_count)
{
    double off[SORT_MAX];
    int k = 0;
    size_t i = 0, every = valid_count / SORT_MAX + 1;
    struct window w;
    window_init(&w, points, n);
    while (window_step(&w))
        if (i++ % every == 0 && k < SORT_MAX)
            off[k++] = fabs(window_off(&w));
    return k ? 1.4826 * median(off, k) : 0;
}

/** Collects points into bins of equal width in cycles and keeps their medians. */
struct binner {
    struct wn_fade_digest *out;
    double origin, width;
    bool single; /* every point its own bin */
    int bin, count;
    double cycle_sum, capacity[SORT_MAX];
};

static void bin_close(struct binner *b)
{
    if (b->count == 0)
        return;
    int k = b->out->bins++;
    b->out->cycle[k] = b->cycle_sum / b->count;
    b->out->capacity_ah[k] = median(b->capacity, b->count);
    b->count = 0;
    b->cycle_sum = 0;
}

static void bin_add(struct binner *b, const struct wn_fade_point *p)
{
    int bin = b->single ? b->bin + 1 : (int)((p->cycle - b->origin) / b->width);
    if (bin >= WN_FADE_BINS)
        bin = WN_FADE_BINS - 1;
    if (bin != b->bin || b->single)
        bin_close(b);
    b->bin = bin;
    if (b->count == SORT_MAX)
        return; /* more would not move the median of a bin */
    b->capacity[b->count++] = p->capacity_ah;
    b->cycle_sum += p->cycle;
}

static void digest_point(struct wn_fade_digest *d, const struct wn_fade_point *p,
                         double threshold_ah, double run[3])
{
    d->used++;
    d->last_cycle = p->cycle;
    if (p->capacity_ah >= threshold_ah) {
        d->below = 0;
        return;
    }
    if (d->below < 3)
        run[d->below] = p->cycle;
    d->below++;
    if (d->below == 3 && isnan(d->crossed_at))
        d->crossed_at = run[0];
}

/** Five points of a few check-ups reach far into the fade. */
static double start_of(const struct wn_fade_digest *d)
{
    if (d->used >= 40)
        return d->first_ah;
    int k = d->used < 16 ? 1 : (int)(d->used / 8); /* so few points are not condensed */
    double sum = 0;
    for (int i = 0; i < k; i++)
        sum += d->capacity_ah[i];
    return sum / k;
}

void wn_fade_digest(const struct wn_fade_point *points, size_t n, double threshold_ah,
                    struct wn_fade_digest *d)
{
    *d = (struct wn_fade_digest){.crossed_at = NAN,
                                 .first_ah = wn_fade_initial_capacity_ah(points, n)};
    size_t count = 0;
    const struct wn_fade_point *first = NULL, *last = NULL;
    for (size_t i = 0; i < n; i++)
        if (valid(&points[i])) {
            first = first ? first : &points[i];
            last = &points[i];
            count++;
        }
    if (count == 0) {
        d->left_out = n;
        return;
    }
    double limit = EXCURSION * scatter(points, n, count);
    struct binner binner = {.out = d,
                            .bin = -1,
                            .origin = first->cycle,
                            .single = count <= WN_FADE_BINS,
                            .width = (last->cycle - first->cycle) / WN_FADE_BINS};
    double run[3] = {0};
    struct window w;
    window_init(&w, points, n);
    const struct wn_fade_point *p, *pending[2];
    int waiting = 0;
    bool accepted = false;
    while ((p = window_step(&w)) != NULL) {
        double off = window_off(&w);
        bool edge = w.count - 1 - w.at < 2 && count < FEW;
        bool odd = !edge && fabs(off) > limit && fabs(off) > EXCURSION_MIN * p->capacity_ah;
        if (odd && waiting < 2) {
            pending[waiting++] = p;
            continue;
        }
        for (int i = 0; odd && i < waiting && !accepted; i++) /* three in a row are no excursion */
            digest_point(d, pending[i], threshold_ah, run), bin_add(&binner, pending[i]);
        accepted = odd;
        if (!odd)
            waiting = 0;
        digest_point(d, p, threshold_ah, run);
        bin_add(&binner, p);
    }
    bin_close(&binner);
    d->start_ah = start_of(d);
    d->left_out = n - d->used;
}

double wn_fade_initial_capacity_ah(const struct wn_fade_point *points, size_t n)
{
    double v[5];
    int k = 0;
    for (size_t i = 0; i < n && k < 5; i++)
        if (valid(&points[i]))
            v[k++] = points[i].capacity_ah;
    return k ? median(v, k) : NAN;
}
