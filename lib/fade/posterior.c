/* The posterior of the end of life over the library of shapes.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * For each shape and each z = ln(life / last cycle) the shape is stretched to that life and scaled
 * by the one free number that is left, its starting level, by weighted least squares; the size of
 * the noise is integrated out under an inverse-gamma prior. Eight shapes are worked on side by side
 * so that the compiler can use vector arithmetic. */
#include "fade/internal.h"

#include <math.h>
#include <string.h>

#include "fade/library.h"

enum { LANES = 8, OUTLOOK = 24, LEVELS = 160, PARTS = 2 };
#define Z_MAX     3.5
#define APART_MIN 0.5  /* of the usual space: what differs between closer points is no drift */
#define LEVEL_TOP 1.2  /* the histograms go from here, */
#define LEVEL_END -0.4 /* down to here; what lies below counts in the last cell */

/** What does not depend on the shape. */
struct prefix {
    int bins;
    float y[WN_FADE_BINS];                     /* share of the way left, by the measured start */
    float weight[WN_FADE_KINDS][WN_FADE_BINS]; /* each adds up to 1 */
    struct wn_fade_drift drift[WN_FADE_KINDS];
    struct wn_fade_noise noise[WN_FADE_KINDS];
    short cell[WN_FADE_Z][WN_FADE_BINS];
    float part[WN_FADE_Z][WN_FADE_BINS];
    float log_prior[WN_FADE_KINDS][WN_FADE_Z];
    float level_out[WN_FADE_KINDS][WN_FADE_Z]; /* undoes the slope of a kind */
};

struct lanes {
    int count, kind; /* all of one kind */
    float table[WN_FADE_GRID + 1][LANES];
    float log_prior[LANES];
    int family[LANES];
};

/** Distribution of the capacity at coming cycles, as histograms over the share of the way that is
 * left. */
struct outlook {
    /* where on the table each coming cycle lies, for each part of a cell of z */
    float cell[WN_FADE_Z * PARTS][OUTLOOK];
    float count[OUTLOOK][LEVELS];
};

/** Sums so far, all relative to the largest logarithm seen. */
struct sums {
    double top;
    double mass[WN_FADE_Z], even[WN_FADE_Z]; /* even: without the slopes of the kinds */
    double kind[WN_FADE_KINDS], family[WN_FADE_FAMILIES_MAX], own[WN_FADE_OWN_MAX];
    struct outlook *outlook; /* NULL: only the posterior; else `top` is final already */
};

static void weigh(float weight[WN_FADE_BINS], const struct wn_fade_digest *d, double power)
{
    double sum = 0;
    for (int i = 0; i < d->bins; i++) {
        weight[i] = (float)pow(fmax(d->cycle[i], 0) / d->last_cycle, power);
        sum += weight[i];
    }
    for (int i = 0; i < d->bins; i++)
        weight[i] = (float)(weight[i] / sum);
}

void wn_fade_drift_init(struct wn_fade_drift *drift, const struct wn_fade_digest *d,
                        double correlation)
{
    for (int i = 0; i < d->bins; i++) {
        double apart = i == 0 ? INFINITY : (d->cycle[i] - d->cycle[i - 1]) / d->last_cycle;
        double spaces = fmax(WN_FADE_BINS * apart, APART_MIN);
        double left = correlation > 0 ? pow(correlation, spaces) : 0;
        drift->carry[i] = (float)left;
        drift->gain[i] = (float)(1 / sqrt(1 - left * left));
    }
}

void wn_fade_noise_init(struct wn_fade_noise *noise, double dof, double sigma, double worth)
{
    double floor = dof * sigma * sigma;
    *noise = (struct wn_fade_noise){.half = (float)(dof + worth) / 2,
                                    .worth = (float)worth,
                                    .floor = (float)floor,
                                    .scale = (float)(dof / 2 * log(floor))};
}

static void prefix_init(struct prefix *p, const struct wn_fade_digest *d, double threshold_ah,
                        const struct wn_fade_tuning *t, const double z[WN_FADE_Z + 1])
{
    double way = d->start_ah - threshold_ah;
    p->bins = d->bins;
    for (int i = 0; i < d->bins; i++)
        p->y[i] = (float)((d->capacity_ah[i] - threshold_ah) / way);
    for (int kind = 0; kind < WN_FADE_KINDS; kind++) {
        const struct wn_fade_group *group = &t->group[kind];
        weigh(p->weight[kind], d, group->weight_power);
        wn_fade_drift_init(&p->drift[kind], d, kind == WN_FADE_REAL ? t->drift : 0);
        wn_fade_noise_init(&p->noise[kind], t->sigma_dof, group->sigma,
                           fmin(d->bins, group->points));
    }
    for (int k = 0; k < WN_FADE_Z; k++) {
        double mid = (z[k] + z[k + 1]) / 2;
        for (int kind = 0; kind < WN_FADE_KINDS; kind++) {
            /* the slope of a line says how soon a knee ends it: that is never undone */
            bool line = kind == WN_FADE_LINE || kind == WN_FADE_LINE_ROUGH;
            p->log_prior[kind][k] =
                (float)(log(z[k + 1] - z[k]) - (t->life_slope + t->group[kind].slope) * mid +
                        t->life_bend * mid * mid);
            p->level_out[kind][k] = line ? 1 : (float)exp(t->group[kind].slope * mid);
        }
        for (int i = 0; i < d->bins; i++) {
            double at = sqrt(fmax(d->cycle[i], 0) / d->last_cycle * exp(-mid)) * WN_FADE_GRID;
            int cell = at < WN_FADE_GRID ? (int)at : WN_FADE_GRID - 1;
            p->cell[k][i] = (short)cell;
            p->part[k][i] = (float)(at - cell);
        }
    }
}

/** log likelihood of all lanes at one z, and their starting levels relative to the measured one. */
static void likelihood(const struct prefix *p, const struct lanes *l, int k, float ridge,
                       float out[LANES], float level[LANES])
{
    float ee[LANES] = {0}, ev[LANES] = {0}, vv[LANES] = {0};
    float e_before[LANES] = {0}, v_before[LANES] = {0};
    for (int i = 0; i < p->bins; i++) {
        const float *low = l->table[p->cell[k][i]], *high = l->table[p->cell[k][i] + 1];
        float part = p->part[k][i], w = p->weight[l->kind][i], y = p->y[i];
        float carry = p->drift[l->kind].carry[i], gain = p->drift[l->kind].gain[i];
        for (int j = 0; j < LANES; j++) {
            float v = low[j] + part * (high[j] - low[j]);
            float e = y - v;
            float new_e = gain * (e - carry * e_before[j]);
            float new_v = gain * (v - carry * v_before[j]);
            ee[j] += w * new_e * new_e;
            ev[j] += w * new_e * new_v;
            vv[j] += w * new_v * new_v;
            e_before[j] = e;
            v_before[j] = v;
        }
    }
    for (int j = 0; j < LANES; j++) {
        level[j] = ev[j] / (vv[j] + ridge);
        float sse = ee[j] - ev[j] * level[j];
        sse = sse > 0 ? sse : 0;
        out[j] = wn_fade_noise_log(&p->noise[l->kind], sse);
    }
}

static void rescale(struct sums *s, double top)
{
    double f = exp(s->top - top);
    for (int k = 0; k < WN_FADE_Z; k++) {
        s->mass[k] *= f;
        s->even[k] *= f;
    }
    for (int k = 0; k < WN_FADE_KINDS; k++)
        s->kind[k] *= f;
    for (int k = 0; k < WN_FADE_FAMILIES_MAX; k++)
        s->family[k] *= f;
    for (int k = 0; k < WN_FADE_OWN_MAX; k++)
        s->own[k] *= f;
    s->top = top;
}

/** Adds one shape at one part of a cell of z to the histograms. */
static void look_ahead(struct outlook *o, const struct lanes *l, int j, int k, double level,
                       float mass)
{
    for (int i = 0; i < OUTLOOK; i++) {
        float at = o->cell[k][i];
        int cell =
            at < WN_FADE_GRID - 1 ? (int)at : WN_FADE_GRID - 1; /* past the end: straight on */
        double low = (double)l->table[cell][j], high = (double)l->table[cell + 1][j];
        double left = (1 + level) * (low + (double)(at - (float)cell) * (high - low));
        double bin = (LEVEL_TOP - left) / (LEVEL_TOP - LEVEL_END) * LEVELS;
        o->count[i][bin < 0 ? 0 : bin < LEVELS ? (int)bin : LEVELS - 1] += mass;
    }
}

static void lanes_run(const struct prefix *p, struct lanes *l, const struct wn_fade_tuning *t,
                      struct sums *s)
{
    for (int j = l->count; j < LANES; j++) /* unused lanes: anything finite */
        for (int i = 0; i <= WN_FADE_GRID; i++)
            l->table[i][j] = 0;
    float log_like[LANES], level[LANES];
    for (int k = 0; k < WN_FADE_Z && l->count > 0; k++) {
        likelihood(p, l, k, (float)t->group[l->kind].level_ridge, log_like, level);
        for (int j = 0; j < l->count; j++) {
            double x = (double)log_like[j] + l->log_prior[j] + p->log_prior[l->kind][k];
            if (x <
                s->top - (s->outlook ? 9 : 25)) /* too little to be seen in a picture, or at all */
                continue;
            if (s->outlook) {
                for (int part = 0; part < PARTS; part++)
                    look_ahead(s->outlook, l, j, PARTS * k + part, (double)level[j],
                               (float)exp(x - s->top));
                continue;
            }
            if (x > s->top)
                rescale(s, x);
            double mass = exp(x - s->top);
            s->mass[k] += mass;
            s->even[k] += mass * (double)p->level_out[l->kind][k];
            s->kind[l->kind] += mass;
            if (l->family[j] >= 0)
                (wn_fade_is_own((enum wn_fade_kind)l->kind) ? s->own : s->family)[l->family[j]] +=
                    mass;
        }
    }
    l->count = 0;
}

static void lanes_add(struct lanes *l, const struct wn_fade_library *library,
                      const struct wn_fade_entry *e)
{
    int j = l->count++;
    for (int i = 0; i <= WN_FADE_GRID; i++)
        l->table[i][j] = wn_fade_library_at(library, e, i);
    l->kind = (int)e->kind;
    l->family[j] = e->family;
    l->log_prior[j] = e->log_prior;
}

static void answer(const struct sums *s, struct wn_fade_posterior *out)
{
    double all = 0;
    for (int k = 0; k < WN_FADE_Z; k++)
        all += s->mass[k];
    for (int k = 0; k < WN_FADE_Z; k++)
        out->mass[k] = s->mass[k] / all;
    for (int k = 0; k < WN_FADE_KINDS; k++)
        out->leaning[k] = s->kind[k] / all;
    out->family = 0;
    for (int k = 1; k < wn_fade_family_count; k++)
        if (s->family[k] > s->family[out->family])
            out->family = k;
    out->family_share = s->family[out->family] / all;
    out->own = 0;
    for (int k = 1; k < WN_FADE_OWN_MAX; k++)
        if (s->own[k] > s->own[out->own])
            out->own = k;
    out->own_share = s->own[out->own] / all;
}

/** What the data alone say about the far end: the posterior under a prior that is flat in cycles
 * seen / life. */
static double free_quantile(const struct wn_fade_posterior *post, const struct sums *s,
                            const struct wn_fade_tuning *t, double p)
{
    struct wn_fade_posterior free = *post;
    double all = 0;
    for (int k = 0; k < WN_FADE_Z; k++) {
        double z = (post->z[k] + post->z[k + 1]) / 2;
        free.mass[k] = s->even[k] * exp((t->life_slope - 1) * z - t->life_bend * z * z);
        all += free.mass[k];
    }
    for (int k = 0; k < WN_FADE_Z; k++)
        free.mass[k] /= all;
    return wn_fade_quantile(&free, p);
}

static void run_library(const struct prefix *p, struct lanes *lanes, double depth,
                        const struct wn_fade_tuning *tuning, const struct wn_fade_use *use,
                        struct sums *sums)
{
    struct wn_fade_library library;
    struct wn_fade_entry entry;
    wn_fade_library_open(&library, tuning, use, depth);
    lanes->count = 0;
    while (wn_fade_library_next(&library, &entry)) {
        if (lanes->count == LANES || (lanes->count > 0 && lanes->kind != (int)entry.kind))
            lanes_run(p, lanes, tuning, sums);
        lanes_add(lanes, &library, &entry);
    }
    lanes_run(p, lanes, tuning, sums);
}

void wn_fade_infer(const struct wn_fade_digest *digest, double threshold_ah,
                   const struct wn_fade_tuning *tuning, const struct wn_fade_use *use,
                   struct wn_fade_posterior *out)
{
    struct prefix prefix;
    struct lanes lanes;
    struct sums sums = {.top = -1e300};
    for (int k = 0; k <= WN_FADE_Z; k++) {
        double share = (double)k / WN_FADE_Z;
        out->z[k] = Z_MAX * share * (0.15 + 0.85 * share);
    }
    prefix_init(&prefix, digest, threshold_ah, tuning, out->z);
    run_library(&prefix, &lanes, 1 - threshold_ah / digest->start_ah, tuning, use, &sums);
    answer(&sums, out);
    out->top = sums.top;
    out->free80 = free_quantile(out, &sums, tuning, 0.8);
    out->free90 = free_quantile(out, &sums, tuning, 0.9);
}

/** Share of the way left above which the share p of a histogram lies. */
static double level_of(const float count[LEVELS], double p)
{
    double all = 0, above = 0, step = (LEVEL_TOP - LEVEL_END) / LEVELS;
    for (int i = 0; i < LEVELS; i++)
        all += (double)count[i];
    for (int i = 0; i < LEVELS; i++) {
        double mass = (double)count[i] / all;
        if (mass > 0 && above + mass >= p)
            return LEVEL_TOP - step * (i + (p - above) / mass);
        above += mass;
    }
    return LEVEL_END;
}

/** The rest of a life after calibration, as a factor on z: the same that made the answer's
 * quantiles. */
static double stretch(double z, const double raw[3], const double answer[3])
{
    int side = z < raw[1] ? 0 : 2;
    double gap = fabs(raw[side] - raw[1]);
    double moved = answer[1] + (gap > 0 ? (z - raw[1]) / gap * fabs(answer[side] - answer[1]) : 0);
    return fmax(moved, 0.05 * z) / z;
}

void wn_fade_look_ahead(const struct wn_fade_digest *digest, const struct wn_fade_tuning *tuning,
                        const struct wn_fade_use *use, const struct wn_fade_posterior *posterior,
                        struct wn_fade_result *out)
{
    struct prefix prefix;
    struct lanes lanes;
    struct outlook outlook = {.count = {{0}}};
    struct sums sums = {.top = posterior->top, .outlook = &outlook};
    double threshold_ah = out->threshold_ah, way = digest->start_ah - threshold_ah;
    double raw[3] = {wn_fade_quantile(posterior, 0.1), wn_fade_quantile(posterior, 0.5),
                     wn_fade_quantile(posterior, 0.9)};
    double answer_z[3] = {log(out->eol_p10_cycle / digest->last_cycle),
                          log(out->eol_median_cycle / digest->last_cycle),
                          log(out->eol_p90_cycle / digest->last_cycle)};
    prefix_init(&prefix, digest, threshold_ah, tuning, posterior->z);
    for (int i = 0; i < OUTLOOK; i++) {
        double cycle =
            digest->last_cycle + (out->eol_p90_cycle - digest->last_cycle) * i / (OUTLOOK - 1);
        out->curve[i].cycle = cycle;
        for (int k = 0; k < WN_FADE_Z * PARTS; k++) {
            double low = posterior->z[k / PARTS], high = posterior->z[k / PARTS + 1];
            double mid = low + (high - low) * (k % PARTS + 0.5) / PARTS;
            /* from now (factor 1) to the end, each course is run through in its calibrated time */
            double ahead = log(cycle / digest->last_cycle) / stretch(mid, raw, answer_z);
            outlook.cell[k][i] = (float)(exp(fmin(1, ahead - mid) / 2) * WN_FADE_GRID);
        }
    }
    run_library(&prefix, &lanes, 1 - threshold_ah / digest->start_ah, tuning, use, &sums);
    for (int i = 0; i < OUTLOOK; i++) {
        out->curve[i].p90_ah = threshold_ah + way * level_of(outlook.count[i], 0.1);
        out->curve[i].median_ah = threshold_ah + way * level_of(outlook.count[i], 0.5);
        out->curve[i].p10_ah = threshold_ah + way * level_of(outlook.count[i], 0.9);
    }
    out->curve_len = OUTLOOK;
}

double wn_fade_quantile(const struct wn_fade_posterior *p, double share)
{
    double below = 0;
    for (int k = 0; k < WN_FADE_Z; k++) {
        if (below + p->mass[k] >= share && p->mass[k] > 0)
            return p->z[k] + (p->z[k + 1] - p->z[k]) * (share - below) / p->mass[k];
        below += p->mass[k];
    }
    return p->z[WN_FADE_Z];
}
