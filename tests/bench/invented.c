/* Scores the projection on invented lives, which no cell of the library is like: square root, line
 * and, in most, a knee, down to 75 %, with noise. The numbers of the method were chosen with an eye
 * on 40 others of the same making. SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdio.h>

#include "base/prng.h"
#include "fade/fade.h"

enum { LIVES = 150, MARKS = 6, POINTS_MAX = 1500, SEED = 7 };
#define NEW_AH   2.5
#define DEPTH    0.25
#define STRAIGHT 0.3 /* of the lives have no knee */

static const double marks[MARKS] = {0.3, 0.5, 0.6, 0.7, 0.8, 0.9};
static struct wn_fade_point points[POINTS_MAX];

struct law {
    double root, line, knee, knee_at, knee_width, noise, life;
};

struct score {
    int answers, inside, early;
    double error, width;
};

static double between(struct wn_prng *r, double low, double high)
{
    return low + (high - low) * wn_prng_uniform(r);
}

static struct law invent(struct wn_prng *r)
{
    struct law l = {.life = between(r, 200, 1500),
                    .root = between(r, 0.1, 0.6),
                    .line = between(r, 0.2, 0.8),
                    .knee_at = between(r, 0.4, 1),
                    .knee_width = between(r, 0.02, 0.12),
                    .noise = between(r, 0.0003, 0.0013)};
    l.knee = wn_prng_uniform(r) < STRAIGHT ? 0 : between(r, 1, 6);
    return l;
}

static double loss(const struct law *l, double u)
{
    double bend = log1p(exp((u - l->knee_at) / l->knee_width));
    return l->root * sqrt(u) + l->line * u + l->knee * l->knee_width * bend;
}

static void live(const struct law *l, struct wn_prng *r)
{
    double none = loss(l, 0), all = loss(l, 1) - none;
    for (int i = 0; i < l->life; i++) {
        double lost = DEPTH * (loss(l, (i + 1) / l->life) - none) / all;
        points[i] = (struct wn_fade_point){
            .cycle = i + 1, .capacity_ah = NEW_AH * (1 - lost + l->noise * wn_prng_normal(r))};
    }
}

static void look(const struct law *l, double mark, struct score *s)
{
    static struct wn_fade_result r;
    if (wn_fade_project(points, (size_t)(mark * l->life), NEW_AH * (1 - DEPTH), &r, NULL) !=
            WN_OK ||
        r.state != WN_FADE_PROJECTED) {
        return;
    }
    s->answers++;
    s->error += fabs(r.eol_median_cycle / l->life - 1);
    s->width += (r.eol_p90_cycle - r.eol_p10_cycle) / l->life;
    s->early += l->life < r.eol_p10_cycle;
    s->inside += r.eol_p10_cycle <= l->life && l->life <= r.eol_p90_cycle;
}

int main(void)
{
    struct score score[MARKS] = {{0}};
    struct wn_prng r;
    wn_prng_init(&r, SEED);
    for (int i = 0; i < LIVES; i++) {
        const struct law l = invent(&r);
        live(&l, &r);
        for (int m = 0; m < MARKS; m++) {
            look(&l, marks[m], &score[m]);
        }
    }
    for (int m = 0; m < MARKS; m++) {
        const struct score *s = &score[m];
        double n = s->answers;
        printf(
            "%2.0f %% of life: %d of %d answered, mean error %.1f %%, width %.2f; inside %.0f %%, "
            "ended before p10 %.0f %%\n",
            100 * marks[m], s->answers, LIVES, 100 * s->error / n, s->width / n,
            100 * s->inside / n, 100 * s->early / n);
    }
    return 0;
}
