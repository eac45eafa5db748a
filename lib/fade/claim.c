/* The verdict on a claim: "after so many cycles the capacity is still at least so much".
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The capacity is at least X at cycle N exactly when the life down to threshold X is longer than N,
 * so the probability is one minus the distribution of that life at N: claim and projection never
 * contradict each other. What was measured is certain only within its expanded uncertainty (k = 2,
 * GUM 6.2, from memory): a claim inside of it can be neither confirmed nor refuted. */
#include "fade/fade.h"

#include <math.h>

#include "fade/internal.h"
#include "metrology/cycle.h"

enum { AROUND = 5 };

/** The value measured at `cycles` itself where it is a valid one, else the median of the last
 * AROUND values before that are no excursion; NaN when there is none. Its uncertainty is that of
 * one of them: what they have in common does not average out. */
static double measured_at(const struct wn_fade_point *points, size_t n, double cycles, double *u_ah)
{
    size_t end = 0;
    while (end < n && points[end].cycle <= cycles)
        end++;
    const struct wn_fade_point *last = end > 0 ? &points[end - 1] : NULL;
    *u_ah = last != NULL && last->capacity_u_ah > 0 ? last->capacity_u_ah : NAN;
    if (last != NULL && last->cycle >= cycles && (last->flags & WN_FLAGS_INVALID) == 0)
        return last->capacity_ah;
    struct wn_fade_digest d;
    size_t begin = end > AROUND ? end - AROUND : 0;
    wn_fade_digest(points + begin, end - begin, 1, &d);
    return d.first_ah;
}

static int judge_past(const struct wn_fade_point *points, size_t n, double cycles, double min_ah,
                      struct wn_fade_claim *out)
{
    struct wn_fade_digest d;
    wn_fade_digest(points, n, min_ah, &d);
    bool failed = d.crossed_at <= cycles; /* false for NaN */
    out->probability = failed ? 0 : 1;
    out->verdict = failed ? WN_VERDICT_FAILS : WN_VERDICT_HOLDS;
    out->capacity_at_claim_ah = measured_at(points, n, cycles, &out->capacity_at_claim_u_ah);
    double off = (out->capacity_at_claim_ah - min_ah) / out->capacity_at_claim_u_ah;
    if (fabs(off) <= WN_COVERAGE_FACTOR) { /* false for NaN */
        out->probability = 0.5 * erfc(-off / sqrt(2));
        out->verdict = WN_VERDICT_IN_DOUBT;
    }
    return WN_OK;
}

/** Share of lives longer than `cycles`: on either side of the median Student's t of three degrees
 * of freedom in ln(life), through the three quantiles. A normal tail would be too sure. */
double wn_fade_longer(const struct wn_fade_result *r, double cycles)
{
    static const double pi = 3.141592653589793;
    static const double one_in_ten = 1.6377443536962102; /* its quantile of 0.9 */
    double off = log(cycles / r->eol_median_cycle);
    double side = off < 0 ? log(r->eol_median_cycle / r->eol_p10_cycle)
                          : log(r->eol_p90_cycle / r->eol_median_cycle);
    if (!(side > 0))
        return off < 0 ? 1 : 0;
    double t = off / side * one_in_ten / sqrt(3);
    return 0.5 - (t / (1 + t * t) + atan(t)) / pi;
}

int wn_fade_judge_claim(const struct wn_fade_point *points, size_t n, double cycles, double min_ah,
                        struct wn_fade_claim *out, struct wn_error *err)
{
    return wn_fade_judge_claim_own(points, n, cycles, min_ah, NULL, out, err);
}

int wn_fade_judge_claim_own(const struct wn_fade_point *points, size_t n, double cycles,
                            double min_ah, const struct wn_fade_own *own, struct wn_fade_claim *out,
                            struct wn_error *err)
{
    struct wn_fade_use use = wn_fade_use_of(own);
    return wn_fade_judge_tuned(points, n, cycles, min_ah, &use, true, out, err);
}

int wn_fade_judge_tuned(const struct wn_fade_point *points, size_t n, double cycles, double min_ah,
                        const struct wn_fade_use *use, bool curve, struct wn_fade_claim *out,
                        struct wn_error *err)
{
    struct wn_fade_result r;
    if (!(cycles > 0) || !isfinite(cycles))
        return wn_error_set(err, WN_EINVAL, "the claimed number of cycles must be positive");
    int rc = wn_fade_project_tuned(points, n, min_ah, &wn_fade_tuning, use, curve, &r, err);
    if (rc != WN_OK)
        return rc;
    if (points[n - 1].cycle >= cycles || r.state == WN_FADE_REACHED)
        return judge_past(points, n, cycles, min_ah, out);
    *out = (struct wn_fade_claim){.probability = NAN,
                                  .verdict = WN_VERDICT_NOT_YET_PREDICTABLE,
                                  .capacity_at_claim_ah = NAN,
                                  .capacity_at_claim_u_ah = NAN};
    if (r.state != WN_FADE_PROJECTED)
        return WN_OK;
    out->probability = wn_fade_longer(&r, cycles);
    out->verdict = out->probability >= 0.9   ? WN_VERDICT_ON_COURSE
                   : out->probability <= 0.1 ? WN_VERDICT_WILL_FALL_SHORT
                                             : WN_VERDICT_IN_DOUBT;
    for (size_t i = 0; i + 1 < r.curve_len; i++)
        if (r.curve[i].cycle <= cycles && cycles <= r.curve[i + 1].cycle) {
            double part = (cycles - r.curve[i].cycle) / (r.curve[i + 1].cycle - r.curve[i].cycle);
            out->capacity_at_claim_ah =
                r.curve[i].median_ah + part * (r.curve[i + 1].median_ah - r.curve[i].median_ah);
        }
    return WN_OK;
}

const char *wn_fade_verdict_name(enum wn_fade_verdict verdict)
{
    switch (verdict) {
    case WN_VERDICT_NOT_YET_PREDICTABLE:
        return "not yet predictable";
    case WN_VERDICT_HOLDS:
        return "holds";
    case WN_VERDICT_FAILS:
        return "fails";
    case WN_VERDICT_ON_COURSE:
        return "on course";
    case WN_VERDICT_IN_DOUBT:
        return "in doubt";
    case WN_VERDICT_WILL_FALL_SHORT:
        return "will fall short";
    }
    return "";
}
