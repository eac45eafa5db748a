/* How often the interval of a projected resistance rise holds the truth, on the open curves that
 * have a resistance. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * usage: resistance_bench RISE FILE.csv...   (rise 0.15: +15 %; few open curves rise further)
 * The end is the first of three measurements in a row above the threshold, as for capacity. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "bench/curves.h"

enum { MARKS = 4 };
static const double marks[MARKS] = {0.5, 0.7, 0.8, 0.9};
static struct tally {
    int asked, answered, covered, below, above;
    double error;
} tallies[MARKS];

static void score(struct tally *t, const struct wn_fade_result *r, double life)
{
    t->asked++;
    if (r->state != WN_FADE_PROJECTED)
        return;
    t->answered++;
    t->below += life < r->eol_p10_cycle;
    t->above += life > r->eol_p90_cycle;
    t->covered += r->eol_p10_cycle <= life && life <= r->eol_p90_cycle;
    t->error += 100 * fabs(r->eol_median_cycle - life) / life;
}

static void run(const struct wn_fade_point *points, size_t n, double rise,
                struct wn_fade_point *scratch)
{
    struct wn_fade_resistance whole, r;
    struct wn_error err;
    if (wn_fade_project_resistance(points, n, rise, scratch, &whole, &err) != WN_OK ||
        whole.life.state != WN_FADE_REACHED)
        return;
    double life = whole.life.crossed_at_cycle;
    for (int m = 0; m < MARKS; m++) {
        size_t k = 0;
        while (k < n && points[k].cycle <= marks[m] * life)
            k++;
        if (k > 0 && wn_fade_project_resistance(points, k, rise, scratch, &r, &err) == WN_OK)
            score(&tallies[m], &r.life, life);
    }
}

int main(int argc, char **argv)
{
    double rise = 0;
    if (argc < 3 || wn_num_parse(argv[1], strlen(argv[1]), &rise) != WN_OK || !(rise > 0)) {
        fputs("usage: resistance_bench RISE FILE.csv...\n", stderr);
        return 2;
    }
    for (int i = 2; i < argc; i++) {
        struct wn_fade_point *points;
        size_t n;
        if (!curves_read_csv(argv[i], &points, &n))
            continue;
        struct wn_fade_point *scratch = malloc((n + 1) * sizeof *scratch);
        if (scratch != NULL)
            run(points, n, rise, scratch);
        free(scratch);
        free(points);
    }
    for (int m = 0; m < MARKS; m++) {
        const struct tally *t = &tallies[m];
        printf("%.0f %%: answered %d of %d, inside %d, before %d, after %d, mean error %.1f %%\n",
               100 * marks[m], t->answered, t->asked, t->covered, t->below, t->above,
               t->answered > 0 ? t->error / t->answered : NAN);
    }
    return 0;
}
