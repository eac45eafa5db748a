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
_Static_assert(sizeof wn_fade_rows / sizeof wn_fade_rows[0] <= WN_FADE_ROWS_MAX,
               "make WN_FADE_ROWS_MAX larger");
enum { MIDDLE = WN_FADE_WARPS / 2, BENDS_BELOW = 12 };
#define BEND_STEP 0.05 /* in ln of the exponent */
/* a priori, warps are bell-shaped around none */
static const double warp_log[WN_FADE_WARPS] = {-2.9, -1.4, -0.9, -1.4, -2.9};

static bool usable(int row, const struct wn_fade_use *use)
{
    const struct wn_fade_row *r = &wn_fade_rows[row];
    return r->family != use->without_family ||
           (use->without_cell != WN_FADE_NOBODY && r->cell != use->without_cell);
}

static int family_size(int family, const struct wn_fade_use *use)
{
    int k = 0;
    for (int i = 0; i < wn_fade_row_count; i++)
        k += wn_fade_rows[i].family == family && usable(i, use);
    return k;
}

/** A row of a family, any with the same chance, whether it may be used or not. */
static int draw_row(int family, struct wn_prng *r)
{
    int size = 0, row = 0;
    for (int i = 0; i < wn_fade_row_count; i++)
        size += wn_fade_rows[i].family == family;
    for (int k = size > 0 ? (int)wn_prng_below(r, (uint64_t)size) : 0; row < wn_fade_row_count - 1;
         row++)
        if (wn_fade_rows[row].family == family && k-- == 0)
            break;
    return row;
}

static void begin(struct wn_prng *r, unsigned kind, int i)
{
    wn_prng_init(r, 0x66616465u + 0x10000u * kind + (unsigned)i);
}

/** Draws around every family alike, whatever its number of cells. */
static int synthetic_row(int i, struct wn_prng *r)
{
    begin(r, WN_FADE_SYNTHETIC, i);
    return draw_row(i % wn_fade_family_count, r);
}

/** Two rows of two families. */
static void mixture_rows(int i, struct wn_prng *r, int row[2])
{
    begin(r, WN_FADE_MIXTURE, i);
    uint64_t families = (uint64_t)wn_fade_family_count;
    uint64_t first = wn_prng_below(r, families), step = 1 + wn_prng_below(r, families - 1);
    row[0] = draw_row((int)first, r);
    row[1] = draw_row((int)((first + step) % families), r);
}

static void make_tables(struct wn_fade_library *l)
{
    for (int i = 0; i < wn_fade_row_count; i++)
        wn_fade_shape_table(&wn_fade_rows[i].shape, l->row[i]);
    for (int w = 0; w < WN_FADE_WARPS; w++) {
        double bend = exp((w - MIDDLE) * l->tuning->warp_step);
        for (int i = 0; i <= WN_FADE_GRID; i++) {
            double at = WN_FADE_GRID * pow((double)i / WN_FADE_GRID, bend);
            int cell = at < WN_FADE_GRID ? (int)at : WN_FADE_GRID - 1;
            l->warp_cell[w][i] = (short)cell;
            l->warp_part[w][i] = (float)(at - cell);
        }
    }
}

void wn_fade_library_open(struct wn_fade_library *l, const struct wn_fade_tuning *tuning,
                          const struct wn_fade_use *use, double depth)
{
    struct wn_prng r;
    int row[2];
    l->tuning = tuning;
    l->use = use;
    l->depth = depth;
    const struct wn_fade_group *group = tuning->group;
    l->all = 0;
    for (int kind = 0; kind < WN_FADE_KINDS; kind++)
        l->all += wn_fade_is_own((enum wn_fade_kind)kind) ? 0 : group[kind].mass;
    l->foreign = 1;
    if (use->own_count > 0)
        l->foreign -= group[WN_FADE_OWN].mass + group[WN_FADE_OWN_ROUGH].mass;
    l->rough = false;
    l->families = l->synthetic = l->mixture = l->next = l->warp = 0;
    for (int f = 0; f < wn_fade_family_count; f++)
        l->families += family_size(f, use) > 0;
    for (int i = 0; i < tuning->synthetic; i++)
        l->synthetic += usable(synthetic_row(i, &r), use);
    for (int i = 0; i < tuning->mixture; i++) {
        mixture_rows(i, &r, row);
        l->mixture += usable(row[0], use) && usable(row[1], use);
    }
    make_tables(l);
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

/** Prior of one entry out of `count` of a kind. */
static float share_log(const struct wn_fade_library *l, enum wn_fade_kind kind, double count)
{
    double mass = l->tuning->group[kind].mass;
    return (float)log((wn_fade_is_own(kind) ? mass : l->foreign * mass / l->all) / count);
}

/** Prior of a real depth beside the depth asked for. */
static float depth_log(const struct wn_fade_library *l, double depth)
{
    double off = log(depth / l->depth) / l->tuning->depth_width;
    return (float)(-0.5 * off * off);
}

static void set_real(const struct wn_fade_library *l, int i, struct wn_fade_entry *e)
{
    const struct wn_fade_row *row = &wn_fade_rows[i];
    e->kind = l->rough ? WN_FADE_REAL_ROUGH : WN_FADE_REAL;
    e->table[0] = l->row[i];
    e->family = row->family;
    e->log_prior = share_log(l, e->kind, l->families * family_size(row->family, l->use)) +
                   depth_log(l, row->depth);
}

static bool set_synthetic(struct wn_fade_library *l, int i, struct wn_fade_entry *e)
{
    struct wn_prng r;
    int row = synthetic_row(i, &r);
    if (!usable(row, l->use))
        return false;
    struct wn_fade_shape shape = wn_fade_rows[row].shape;
    vary(&shape, l->tuning->spread, &r);
    wn_fade_shape_table(&shape, l->draw);
    e->kind = WN_FADE_SYNTHETIC;
    e->table[0] = l->draw;
    e->log_prior = share_log(l, e->kind, l->synthetic) + depth_log(l, wn_fade_rows[row].depth);
    return true;
}

static bool set_mixture(const struct wn_fade_library *l, int i, struct wn_fade_entry *e)
{
    struct wn_prng r;
    int row[2];
    mixture_rows(i, &r, row);
    if (!usable(row[0], l->use) || !usable(row[1], l->use))
        return false;
    e->kind = WN_FADE_MIXTURE;
    e->share = (float)wn_prng_uniform(&r);
    for (int k = 0; k < 2; k++) {
        e->table[k] = l->row[row[k]];
        e->warp[k] = (int)wn_prng_below(&r, WN_FADE_WARPS);
    }
    e->log_prior = share_log(l, e->kind, l->mixture);
    return true;
}

static void set_vague(struct wn_fade_library *l, int i, struct wn_fade_entry *e)
{
    const struct wn_fade_tuning *t = l->tuning;
    struct wn_fade_shape shape;
    struct wn_prng r;
    begin(&r, WN_FADE_VAGUE, i);
    draw_vague(&shape, t, &r);
    wn_fade_shape_table(&shape, l->draw);
    e->kind = l->rough ? WN_FADE_VAGUE_ROUGH : WN_FADE_VAGUE;
    e->table[0] = l->draw;
    e->log_prior = share_log(l, e->kind, t->vague);
}

static double line_bend(int i)
{
    return BEND_STEP * (i - BENDS_BELOW);
}

/** Prior of the bend i among all bends of a line, or of a rough one. */
static double line_share(const struct wn_fade_tuning *t, int rough, int i)
{
    double all = 0, share = 0;
    for (int k = 0; k < WN_FADE_BENDS; k++) {
        double off = (line_bend(k) - t->line_b_mean[rough]) / t->line_b_sd[rough];
        double density = exp(-0.5 * off * off);
        all += density;
        share = k == i ? density : share;
    }
    return share / all;
}

static void set_line(struct wn_fade_library *l, int i, struct wn_fade_entry *e)
{
    const struct wn_fade_tuning *t = l->tuning;
    int rough = i / WN_FADE_BENDS, bend = i % WN_FADE_BENDS;
    struct wn_fade_shape shape = {.w = 1, .b = exp(line_bend(bend)), .c = 1, .s = 1};
    wn_fade_shape_table(&shape, l->draw);
    e->kind = rough ? WN_FADE_LINE_ROUGH : WN_FADE_LINE;
    e->table[0] = l->draw;
    e->log_prior = share_log(l, e->kind, 1 / line_share(t, rough, bend));
}

/** w u^b + (1 - w) u, on a grid: a knee that lies far before the start is a straight line. */
static void set_settling(struct wn_fade_library *l, int i, struct wn_fade_entry *e)
{
    int weight = 1 + i / WN_FADE_SETTLING_BENDS, bend = i % WN_FADE_SETTLING_BENDS;
    struct wn_fade_shape shape = {.w = 0.1 * weight, .b = 0.2 + 0.1 * bend, .c = -2, .s = 0.05};
    wn_fade_shape_table(&shape, l->draw);
    e->kind = WN_FADE_SETTLING;
    e->table[0] = l->draw;
    e->log_prior = share_log(l, e->kind, WN_FADE_SETTLINGS);
}

static void set_own(const struct wn_fade_library *l, int i, struct wn_fade_entry *e)
{
    e->kind = l->rough ? WN_FADE_OWN_ROUGH : WN_FADE_OWN;
    e->table[0] = l->use->own[i].left;
    e->family = i;
    e->log_prior = share_log(l, e->kind, l->use->own_count);
}

/** Entry i without its warp; false when it may not be used. */
static bool set(struct wn_fade_library *l, int i, struct wn_fade_entry *e)
{
    const struct wn_fade_tuning *t = l->tuning;
    *e = (struct wn_fade_entry){.family = WN_FADE_NOBODY, .share = 1, .warp = {MIDDLE, MIDDLE}};
    if (i < wn_fade_row_count) {
        if (!usable(i, l->use))
            return false;
        set_real(l, i, e);
        return true;
    }
    i -= wn_fade_row_count;
    if (i < l->use->own_count) {
        set_own(l, i, e);
        return true;
    }
    i -= l->use->own_count;
    if (i < t->vague) {
        set_vague(l, i, e);
        return true;
    }
    i -= t->vague;
    if (i < t->synthetic)
        return set_synthetic(l, i, e);
    i -= t->synthetic;
    if (i < t->mixture)
        return set_mixture(l, i, e);
    i -= t->mixture;
    if (i < WN_FADE_SETTLINGS)
        set_settling(l, i, e);
    else
        set_line(l, i - WN_FADE_SETTLINGS, e);
    return true;
}

bool wn_fade_library_next(struct wn_fade_library *l, struct wn_fade_entry *e)
{
    const struct wn_fade_tuning *t = l->tuning;
    int measured = wn_fade_row_count + l->use->own_count;
    int twice = measured + t->vague,
        all = twice + t->synthetic + t->mixture + WN_FADE_SETTLINGS + 2 * WN_FADE_BENDS;
    while (l->next < (l->rough ? twice : all)) {
        bool warps = l->next < measured; /* draws vary by themselves */
        bool fine = set(l, l->next, e);
        if (fine && warps) {
            e->warp[0] = l->warp;
            e->log_prior += (float)(t->warp_prior * warp_log[l->warp]);
        }
        l->warp = fine && warps ? (l->warp + 1) % WN_FADE_WARPS : 0;
        l->next += l->warp == 0;
        if (!l->rough && l->next == all) {
            l->rough = true;
            l->next = 0;
        }
        if (fine)
            return true;
    }
    return false;
}

static float warped(const struct wn_fade_library *l, const float *table, int warp, int i)
{
    int cell = l->warp_cell[warp][i];
    return table[cell] + l->warp_part[warp][i] * (table[cell + 1] - table[cell]);
}

float wn_fade_library_at(const struct wn_fade_library *l, const struct wn_fade_entry *e, int i)
{
    float first = warped(l, e->table[0], e->warp[0], i);
    return e->kind != WN_FADE_MIXTURE
               ? first
               : e->share * first + (1 - e->share) * warped(l, e->table[1], e->warp[1], i);
}
