/* The library of fade shapes.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Draws are seeded by their own number, so that leaving a family out changes nothing else. */
#include "fade/library.h"

#include <math.h>

#include "base/prng.h"

const struct wn_fade_row wn_fade_rows[] = {
#include "fade/rows.inc"
};
const int wn_fade_row_count = sizeof wn_fade_rows / sizeof wn_fade_rows[0];

static bool usable(const struct wn_fade_row *row, const struct wn_fade_without *without)
{
    return row->family != without->family ||
           (without->cell != WN_FADE_NOBODY && row->cell != without->cell);
}

static int family_size(int family, const struct wn_fade_without *without)
{
    int k = 0;
    for (int i = 0; i < wn_fade_row_count; i++)
        k += wn_fade_rows[i].family == family && usable(&wn_fade_rows[i], without);
    return k;
}

void wn_fade_library_open(struct wn_fade_library *l, const struct wn_fade_tuning *tuning,
                          const struct wn_fade_without *without, double depth)
{
    *l = (struct wn_fade_library){
        .tuning = tuning, .without = without, .depth = depth, .rows = wn_fade_row_count};
    for (int f = 0; f < wn_fade_family_count; f++) {
        int size = family_size(f, without);
        l->real += size;
        l->families += size > 0;
    }
}

static double clamp(double x, double low, double high)
{
    return x < low ? low : x > high ? high : x;
}

static void vary(struct wn_fade_shape *p, double spread, struct wn_prng *r)
{
    double w = clamp(p->w, 0.01, 0.99);
    double logit = log(w / (1 - w)) + spread * wn_prng_normal(r);
    p->w = 1 / (1 + exp(-logit));
    p->b = clamp(p->b * exp(0.5 * spread * wn_prng_normal(r)), 0.3, 3);
    p->c = clamp(p->c + 0.2 * spread * wn_prng_normal(r), 0.2, 1.1);
    p->s = clamp(p->s * exp(0.7 * spread * wn_prng_normal(r)), 0.015, 0.4);
    p->r = clamp(p->r + 0.02 * spread * wn_prng_normal(r), -0.2, 0.3);
}

static void draw_vague(struct wn_fade_shape *p, const struct wn_fade_tuning *t, struct wn_prng *r)
{
    double logit = wn_prng_uniform(r) < t->power_chance
                       ? 4
                       : t->vague_w_low + (t->vague_w_high - t->vague_w_low) * wn_prng_uniform(r);
    p->w = 1 / (1 + exp(-logit));
    p->b = clamp(exp(t->vague_b_mean + t->vague_b_sd * wn_prng_normal(r)), 0.35, 2.8);
    p->c = clamp(t->vague_c_low + (1.05 - t->vague_c_low) * wn_prng_uniform(r), 0.1, 1.1);
    p->s = clamp(exp(log(t->vague_s_low) + log(0.3 / t->vague_s_low) * wn_prng_uniform(r)), 0.015,
                 0.4);
    p->r = clamp(t->vague_r_sd * wn_prng_normal(r), t->vague_r_low, 0.3);
}

static bool next_real(struct wn_fade_library *l, struct wn_fade_entry *e)
{
    for (; l->next < l->rows; l->next++) {
        const struct wn_fade_row *row = &wn_fade_rows[l->next];
        if (!usable(row, l->without))
            continue;
        double off = log(row->depth / l->depth) / l->tuning->depth_width;
        e->kind = WN_FADE_REAL;
        e->shape = row->shape;
        e->family = row->family;
        e->log_prior = (float)(log(l->tuning->mass_real /
                                   (l->families * family_size(row->family, l->without))) -
                               0.5 * off * off);
        l->next++;
        return true;
    }
    return false;
}

bool wn_fade_library_next(struct wn_fade_library *l, struct wn_fade_entry *e)
{
    const struct wn_fade_tuning *t = l->tuning;
    if (l->next < l->rows && next_real(l, e))
        return true;
    int i = l->next - l->rows;
    if (i >= t->synthetic + t->vague)
        return false;
    struct wn_prng r;
    wn_prng_init(&r, 0x66616465u + (unsigned)i);
    e->family = WN_FADE_NOBODY;
    if (i < t->synthetic) {
        const struct wn_fade_row *row;
        do { /* every family alike, whatever its number of cells */
            int f = (int)wn_prng_below(&r, (uint64_t)wn_fade_family_count), k = 0;
            row = &wn_fade_rows[wn_prng_below(&r, (uint64_t)l->rows)];
            for (; row->family != f && k < 1000; k++)
                row = &wn_fade_rows[wn_prng_below(&r, (uint64_t)l->rows)];
        } while (!usable(row, l->without));
        e->kind = WN_FADE_SYNTHETIC;
        e->shape = row->shape;
        vary(&e->shape, t->spread, &r);
        e->log_prior = (float)log(t->mass_synthetic / t->synthetic);
    } else {
        e->kind = WN_FADE_VAGUE;
        draw_vague(&e->shape, t, &r);
        e->log_prior = (float)log((1 - t->mass_real - t->mass_synthetic) / t->vague);
    }
    l->next++;
    return true;
}
