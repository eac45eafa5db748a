/* The projection and the verdict, as programs ask for them.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fade/fade.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/num.h"
#include "fade/internal.h"

enum { POINTS_MIN = 4 };

/* Chosen on the training curves with whole families left out of the library: METHOD.md. */
const struct wn_fade_tuning wn_fade_tuning = {
    .group =
        {
            /* mass, sigma, points, weight_power, level_ridge, slope */
            [WN_FADE_REAL] = {0.38, 0.00363, 4.55, 3.83, 0.0025, 0.106},
            [WN_FADE_SYNTHETIC] = {0.0172, 0.0031, 4.05, 8, 0.00274, -0.745},
            [WN_FADE_MIXTURE] = {0.352, 0.00736, 2.99, 2.06, 0.00252, 2.83},
            [WN_FADE_VAGUE] = {0.109, 0.00209, 4, 4.86, 0.00041, 1.96},
            [WN_FADE_LINE] = {0.0752, 0.0023, 5.24, 0, 0.01, 4.46},
            [WN_FADE_SETTLING] = {0.0104, 0.0093, 4.04, 0, 0.000136, 0.712},
            [WN_FADE_OWN] = {0.13, 0.0031, 4.5, 3, 0.0025, 0.33},
            [WN_FADE_REAL_ROUGH] = {0.00833, 0.0169, 4.3, 1.86, 0.000355, 1.12},
            [WN_FADE_VAGUE_ROUGH] = {0.00857, 0.0211, 2.94, 1.58, 0.0224, -0.979},
            [WN_FADE_LINE_ROUGH] = {0.0394, 0.218, 4.7, 0, 0.0182, 0.86},
            [WN_FADE_OWN_ROUGH] = {0.02, 0.03, 4, 2, 0.01, 0.33},
        },
    .synthetic = 270,
    .mixture = 900,
    .vague = 700,
    .warp_step = 0.0421,
    .warp_prior = 1.43,
    .spread = 0.368,
    .drift = 0.95,
    .sigma_dof = 4.46,
    .life_slope = 3.44,
    .life_bend = 0.193,
    .depth_width = 0.153,
    .power_chance = 0.3,
    .vague_b_mean = 0.01,
    .vague_b_sd = 0.331,
    .vague_w_low = -1.6,
    .vague_w_high = 3.26,
    .vague_c_low = 0.303,
    .vague_s_low = 0.02,
    .vague_r_sd = 0,
    .vague_r_low = 0,
    .line_b_mean = {-0.106, 0.131},
    .line_b_sd = {0.0229, 0.104},
    .risen = 0.05, /* further than any cell of the library */
    .sides = {{{3.3, 1.3}, {2.1, 1.9}, {0.73, 0.78}, {0.89, 1.26}, {0.9, 1.77}},
              {{3.5, 1.1}, {2.6, 1.4}, {1, 0.44}, {0.96, 0.65}, {1.08, 0.76}}},
};

int wn_fade_check(const struct wn_fade_point *points, size_t n, double threshold_ah,
                  struct wn_error *err)
{
    if (n == 0)
        return wn_error_set(err, WN_EINVAL, "no cycles: nothing to project from");
    if (!(threshold_ah > 0) || !isfinite(threshold_ah))
        return wn_error_set(err, WN_EINVAL, "the threshold must be a positive capacity");
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(points[i].capacity_ah) || !isfinite(points[i].cycle) || points[i].cycle < 0)
            return wn_error_set(
                err, WN_EINVAL,
                "row %zu: cycle and capacity must be numbers, the cycle not negative", i + 1);
        if (i > 0 && points[i].cycle <= points[i - 1].cycle)
            return wn_error_set(err, WN_EINVAL,
                                "row %zu: cycles must rise; sort the rows or remove the repeat",
                                i + 1);
    }
    return WN_OK;
}

static void say(struct wn_fade_result *out, const char *text)
{
    snprintf(out->reason, sizeof out->reason, "%s", text);
}

/** Fills *out from the digest; false when the state is already settled without a posterior. */
static bool needs_posterior(const struct wn_fade_digest *d, double threshold_ah,
                            struct wn_fade_result *out)
{
    *out = (struct wn_fade_result){.state = WN_FADE_NOT_YET_PREDICTABLE,
                                   .cycles_used = d->used,
                                   .cycles_left_out = d->left_out,
                                   .eol_median_cycle = NAN,
                                   .eol_p10_cycle = NAN,
                                   .eol_p90_cycle = NAN,
                                   .crossed_at_cycle = NAN,
                                   .threshold_ah = threshold_ah};
    if (!isnan(d->crossed_at)) {
        out->state = WN_FADE_REACHED;
        out->crossed_at_cycle = d->crossed_at;
        out->eol_median_cycle = out->eol_p10_cycle = out->eol_p90_cycle = d->crossed_at;
        say(out, "three consecutive valid cycles lie below the threshold");
        return false;
    }
    if (d->used < POINTS_MIN || d->last_cycle <= 0) {
        say(out, "fewer than four valid cycles");
        return false;
    }
    if (!(d->first_ah > threshold_ah && d->start_ah > threshold_ah)) {
        say(out, "the threshold is not below the initial capacity");
        return false;
    }
    return true;
}

/** What the answer leans on. */
static void lean(const struct wn_fade_posterior *post, const struct wn_fade_use *use,
                 struct wn_fade_result *out)
{
    char own[WN_FADE_NAME_SIZE + 60] = "";
    const double *part = post->leaning;
    double mine = part[WN_FADE_OWN] + part[WN_FADE_OWN_ROUGH];
    double fitted = part[WN_FADE_REAL] + part[WN_FADE_REAL_ROUGH];
    double drawn = part[WN_FADE_SYNTHETIC] + part[WN_FADE_MIXTURE];
    if (use->own_count > 0)
        snprintf(own, sizeof own, "%d %% on own finished campaigns, most on %s; ",
                 (int)lround(100 * mine), use->own[post->own].name);
    snprintf(out->reason, sizeof out->reason,
             "leans %s%d %% on fitted lives%s%s, %d %% on draws around and between them, %d %% on "
             "general laws",
             own, (int)lround(100 * fitted), post->family_share > 0.2 ? ", most on " : "",
             post->family_share > 0.2 ? wn_fade_families[post->family] : "",
             (int)lround(100 * drawn), (int)lround(100 * (1 - mine - fitted - drawn)));
}

static const char *const refusals[] = {
    [WN_FADE_TOO_LITTLE] = "too little fade over too few points: more cycles are needed",
    [WN_FADE_RISES] = "the course so far leads away from the threshold: more cycles are needed",
    [WN_FADE_TOO_MANY_LIVES] = "the curve so far fits too many lives: more cycles are needed",
    [WN_FADE_MAY_BE_RUNNING_IN] =
        "the loss so far slows down and may be running-in: more cycles are needed",
};

int wn_fade_project_tuned(const struct wn_fade_point *points, size_t n, double threshold_ah,
                          const struct wn_fade_tuning *tuning, const struct wn_fade_use *use,
                          bool curve, struct wn_fade_result *out, struct wn_error *err)
{
    int rc = wn_fade_check(points, n, threshold_ah, err);
    if (rc != WN_OK)
        return rc;
    struct wn_fade_digest digest;
    wn_fade_digest(points, n, threshold_ah, &digest);
    if (!needs_posterior(&digest, threshold_ah, out))
        return WN_OK;
    struct wn_fade_posterior post;
    wn_fade_infer(&digest, threshold_ah, tuning, use, &post);
    double z[3];
    enum wn_fade_refusal refusal = wn_fade_answer(&digest, threshold_ah, &post, tuning, z);
    if (refusal != WN_FADE_ANSWERED) {
        say(out, refusals[refusal]);
        return WN_OK;
    }
    out->state = WN_FADE_PROJECTED;
    /* the last points may be left out as excursions, but the end does not lie in what was measured
     */
    double now = points[n - 1].cycle;
    out->eol_p10_cycle = fmax(now, digest.last_cycle * exp(z[0]));
    out->eol_median_cycle = fmax(now, digest.last_cycle * exp(z[1]));
    out->eol_p90_cycle = fmax(now, digest.last_cycle * exp(z[2]));
    lean(&post, use, out);
    if (curve)
        wn_fade_look_ahead(&digest, tuning, use, &post, out);
    return WN_OK;
}

int wn_fade_project(const struct wn_fade_point *points, size_t n, double threshold_ah,
                    struct wn_fade_result *out, struct wn_error *err)
{
    return wn_fade_project_own(points, n, threshold_ah, NULL, out, err);
}

struct wn_fade_use wn_fade_use_of(const struct wn_fade_own *own)
{
    struct wn_fade_use use = {.without_family = WN_FADE_NOBODY, .without_cell = WN_FADE_NOBODY};
    if (own != NULL && own->count > 0) {
        use.own = own->life;
        use.own_count = own->count < WN_FADE_OWN_MAX ? own->count : WN_FADE_OWN_MAX;
    }
    return use;
}

int wn_fade_project_own(const struct wn_fade_point *points, size_t n, double threshold_ah,
                        const struct wn_fade_own *own, struct wn_fade_result *out,
                        struct wn_error *err)
{
    struct wn_fade_use use = wn_fade_use_of(own);
    return wn_fade_project_tuned(points, n, threshold_ah, &wn_fade_tuning, &use, true, out, err);
}

const char *wn_fade_state_name(enum wn_fade_state state)
{
    switch (state) {
    case WN_FADE_NOT_YET_PREDICTABLE:
        return "not_yet_predictable";
    case WN_FADE_PROJECTED:
        return "projected";
    case WN_FADE_REACHED:
        return "reached";
    }
    return "";
}
