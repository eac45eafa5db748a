/* Looking back: what would have been said on the way, and since when it has held.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "fade/fade.h"
#include "fade/internal.h"

/** What is asked at every look: a projection (cycles NaN) or a claim. */
struct question {
    const struct wn_fade_point *points;
    double threshold_ah, cycles;
    struct wn_fade_use use;
};

static int ask(const struct question *q, size_t n, struct wn_fade_look *out, struct wn_error *err)
{
    struct wn_fade_result r;
    struct wn_fade_claim c;
    *out = (struct wn_fade_look){.cycle = q->points[n - 1].cycle,
                                 .median_cycle = NAN,
                                 .p10_cycle = NAN,
                                 .p90_cycle = NAN,
                                 .probability = NAN};
    bool claim = !isnan(q->cycles);
    int rc = claim ? wn_fade_judge_tuned(q->points, n, q->cycles, q->threshold_ah, &q->use, false,
                                         &c, err)
                   : wn_fade_project_tuned(q->points, n, q->threshold_ah, &wn_fade_tuning, &q->use,
                                           false, &r, err);
    if (rc == WN_OK && claim) {
        out->probability = c.probability;
        out->verdict = c.verdict;
    } else if (rc == WN_OK) {
        out->state = r.state;
        out->median_cycle = r.eol_median_cycle;
        out->p10_cycle = r.eol_p10_cycle;
        out->p90_cycle = r.eol_p90_cycle;
    }
    return rc;
}

/** How many points there are up to look k of `looks`, at equal distances in cycles. */
static size_t points_until(const struct wn_fade_point *p, size_t n, int k, int looks)
{
    double end = p[0].cycle + (p[n - 1].cycle - p[0].cycle) * (k + 1) / looks;
    size_t until = 0;
    while (until < n && p[until].cycle <= end)
        until++;
    return k + 1 == looks ? n : until;
}

/** +1 for a verdict in favour of the claim, -1 against it, 0 for none. */
static int way_of(enum wn_fade_verdict v)
{
    return v == WN_VERDICT_HOLDS || v == WN_VERDICT_ON_COURSE         ? 1
           : v == WN_VERDICT_FAILS || v == WN_VERDICT_WILL_FALL_SHORT ? -1
                                                                      : 0;
}

/** Between `low` points, whose verdict points another way than `want`, and `high`, whose does not:
 * the first number of points from which on it does, taking it that it changes only once. */
static int refine(const struct question *q, size_t low, size_t high, int want, double *cycle,
                  struct wn_error *err)
{
    while (high - low > 1) {
        struct wn_fade_look look;
        size_t middle = low + (high - low) / 2;
        int rc = ask(q, middle, &look, err);
        if (rc != WN_OK)
            return rc;
        if (way_of(look.verdict) == want)
            high = middle;
        else
            low = middle;
    }
    *cycle = q->points[high - 1].cycle;
    return WN_OK;
}

static int settle_claim(const struct question *q, const size_t counts[], struct wn_fade_history *h,
                        struct wn_error *err)
{
    int first = h->count - 1, want = h->count > 0 ? way_of(h->look[first].verdict) : 0;
    if (want == 0)
        return WN_OK;
    while (first > 0 && way_of(h->look[first - 1].verdict) == want)
        first--;
    return refine(q, first > 0 ? counts[first - 1] : 0, counts[first], want, &h->settled_cycle,
                  err);
}

static void settle_projection(struct wn_fade_history *h)
{
    double now = h->count > 0 ? h->look[h->count - 1].median_cycle : NAN;
    for (int k = h->count - 1; k >= 0 && h->look[k].p10_cycle <= now && now <= h->look[k].p90_cycle;
         k--)
        h->settled_cycle = h->look[k].cycle;
}

static int look_back(const struct question *q, size_t n, struct wn_fade_history *h,
                     struct wn_error *err)
{
    size_t counts[WN_FADE_LOOKS_MAX];
    *h = (struct wn_fade_history){.settled_cycle = NAN};
    int rc = wn_fade_check(q->points, n, q->threshold_ah, err);
    int looks = n < WN_FADE_LOOKS_MAX ? (int)n : WN_FADE_LOOKS_MAX;
    for (int k = 0; rc == WN_OK && k < looks; k++) {
        size_t until = points_until(q->points, n, k, looks);
        if (until == 0 || (h->count > 0 && until == counts[h->count - 1]))
            continue;
        rc = ask(q, until, &h->look[h->count], err);
        if (rc == WN_OK)
            counts[h->count++] = until;
        if (rc == WN_OK && h->look[h->count - 1].state == WN_FADE_REACHED)
            break;
    }
    if (rc != WN_OK)
        return rc;
    if (!isnan(q->cycles))
        return settle_claim(q, counts, h, err);
    settle_projection(h);
    return WN_OK;
}

int wn_fade_look_back(const struct wn_fade_point *points, size_t n, double threshold_ah,
                      const struct wn_fade_own *own, struct wn_fade_history *out,
                      struct wn_error *err)
{
    struct question q = {points, threshold_ah, NAN, wn_fade_use_of(own)};
    return look_back(&q, n, out, err);
}

int wn_fade_look_back_claim(const struct wn_fade_point *points, size_t n, double cycles,
                            double min_ah, const struct wn_fade_own *own,
                            struct wn_fade_history *out, struct wn_error *err)
{
    struct question q = {points, min_ah, cycles, wn_fade_use_of(own)};
    if (!(cycles > 0) || !isfinite(cycles))
        return wn_error_set(err, WN_EINVAL, "the claimed number of cycles must be positive");
    return look_back(&q, n, out, err);
}
