/* From the posterior to the answer: calibration, caution while little fade is seen, and refusal.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The prior on life is steep (METHOD.md, step 5), and early on it is the prior that ends the
 * interval. So the far end is moved out to what the data alone allow, in two cases: little of the
 * way to the threshold is lost; or the loss slows down, which may be running-in, after which no
 * shape in the library knows the pace. An interval too wide to help is refused. */
#include <math.h>

#include "fade/internal.h"

enum { AROUND = 2, POINTS_NOTHING = 50, POINTS_EARLY = 16, POINTS_FEW = 24, POINTS_MANY = 100 };
/* ln(life / cycles seen) that the data, not only the prior, must exclude, */
#define FREE_MAX     3.15
#define FREE_NOTHING 3.05 /* and while nothing is lost over few points */
#define WIDTH_MAX    2.3  /* ln(p90 / p10) beyond which the answer would be no help */
#define LOST_NOTHING 0.02 /* lost less than this is nothing, over less than POINTS_NOTHING */
#define LOST_EARLY   0.12 /* lost less than this, it takes POINTS_EARLY points, */
#define BEND_EARLY   0.7  /* unless the loss speeds up: that is no running-in */

static double clamp(double x, double low, double high)
{
    return x < low ? low : x > high ? high : x;
}

/** Least-squares line through the medians a..b, at `cycle`. */
static double line_at(const struct wn_fade_digest *d, int a, int b, double cycle)
{
    double n = b - a + 1, mx = 0, my = 0, sxx = 0, sxy = 0;
    for (int i = a; i <= b; i++) {
        mx += d->cycle[i] / n;
        my += d->capacity_ah[i] / n;
    }
    for (int i = a; i <= b; i++) {
        sxx += (d->cycle[i] - mx) * (d->cycle[i] - mx);
        sxy += (d->cycle[i] - mx) * (d->capacity_ah[i] - my);
    }
    return my + (sxx > 0 ? sxy / sxx * (cycle - mx) : 0);
}

void wn_fade_progress(const struct wn_fade_digest *d, double threshold_ah,
                      struct wn_fade_progress *out)
{
    int end = d->bins - 1, half = 0, around = d->bins / 6 < AROUND ? d->bins / 6 : AROUND;
    double start = d->start_ah, way = start - threshold_ah, last = d->cycle[end];
    double middle = d->cycle[0] + (last - d->cycle[0]) / 2;
    while (half < end && d->cycle[half] < middle)
        half++;
    int from = half - (around > 0 ? around : 1), to = half + around;
    double at_half = line_at(d, from > 0 ? from : 0, to < end ? to : end, middle);
    double at_end = line_at(d, end > 2 * around ? end - 2 * around : 0, end, last);
    out->lost = (start - at_end) / way;
    out->bend = (out->lost - 2 * (start - at_half) / way) / fmax(fabs(out->lost), 0.02);
}

/** 0 below low, 1 above high, straight between. */
static double ramp(double x, double low, double high)
{
    return clamp((x - low) / (high - low), 0, 1);
}

/** Factor on one side of a posterior of that width: between a few points and many the logarithm of
 * their number counts. */
static double side_factor(const struct wn_fade_tuning *t, double width, size_t used, int side)
{
    static const double at[WN_FADE_WIDTHS] = {0.1, 0.3, 0.6, 1.0, 1.5};
    double many = ramp(log((double)used), log(POINTS_FEW), log(POINTS_MANY));
    int k = 0;
    while (k < WN_FADE_WIDTHS - 2 && width > at[k + 1])
        k++;
    double part = ramp(width, at[k], at[k + 1]), factor[2];
    for (int i = 0; i < 2; i++)
        factor[i] = t->sides[i][k][side] + part * (t->sides[i][k + 1][side] - t->sides[i][k][side]);
    return factor[0] + many * (factor[1] - factor[0]);
}

/** Corrects the sides of the posterior: METHOD.md, step 6. */
static void calibrate(const struct wn_fade_posterior *post, const struct wn_fade_tuning *t,
                      size_t used, double z[3])
{
    double median = wn_fade_quantile(post, 0.5);
    double low = median - wn_fade_quantile(post, 0.1), high = wn_fade_quantile(post, 0.9) - median;
    double width = (low + high) / median;
    z[0] = fmax(0, median - low * side_factor(t, width, used, 0));
    z[1] = median;
    z[2] = median + high * side_factor(t, width, used, 1);
}

/** Moves z[2] the given share of the way to `far`, if that lies further out. */
static void extend(double z[3], double far, double share)
{
    if (far > z[2])
        z[2] += share * (far - z[2]);
}

/** With so much lost a wide interval is cut to WIDTH_MAX, not refused. A loss that slows down may
 * be running-in, and over few points any loss may. */
static double lost_enough(size_t used, const struct wn_fade_progress *p, double slows)
{
    double points = (double)used, enough = 0.05;
    enough = fmax(enough, 0.35 * slows * (1 - ramp(points, 20, 36)));
    enough = fmax(enough, (0.25 - 0.17 * ramp(p->bend, -0.3, 0.2)) * (1 - ramp(points, 60, 100)));
    return fmax(enough, 0.25 * (1 - ramp(p->bend, -0.3, -0.15)));
}

enum wn_fade_refusal wn_fade_answer(const struct wn_fade_digest *d, double threshold_ah,
                                    const struct wn_fade_posterior *post,
                                    const struct wn_fade_tuning *t, double z[3])
{
    struct wn_fade_progress p;
    wn_fade_progress(d, threshold_ah, &p);
    calibrate(post, t, d->used, z);
    if (p.lost < -t->risen)
        return WN_FADE_RISES;
    if (p.lost < LOST_EARLY && p.bend < BEND_EARLY && d->used < POINTS_EARLY)
        return WN_FADE_TOO_LITTLE;
    bool nothing = p.lost < LOST_NOTHING && d->used < POINTS_NOTHING;
    if (post->free90 > (nothing ? FREE_NOTHING : FREE_MAX))
        return WN_FADE_TOO_MANY_LIVES;
    double slows = p.lost > 0.03 ? 1 - ramp(p.bend, 0.2, 0.4) : 0;
    double few = 1 - ramp((double)d->used, 12, 30);
    extend(z, 1.3 * post->free90 + 0.2,
           slows * (1 - ramp(p.lost, 0.25 + 0.2 * few, 0.4 + 0.3 * few)));
    extend(z, post->free80, 1 - ramp(p.lost, 0.12, 0.2));
    if (z[2] - z[0] <= WIDTH_MAX)
        return WN_FADE_ANSWERED;
    double enough = lost_enough(d->used, &p, slows);
    if (p.lost < enough)
        return slows > 0 ? WN_FADE_MAY_BE_RUNNING_IN : WN_FADE_TOO_MANY_LIVES;
    z[2] = fmax(z[1], z[0] + WIDTH_MAX);
    return WN_FADE_ANSWERED;
}
