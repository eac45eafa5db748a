/* Scores the projection on the open curves, beside naive laws, with cells or whole families left
 * out. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * usage: fade_bench REFERENCE_DIR [every=N] [half=H] [thin=N] [brief=B] [NAME=VALUE of struct
 * wn_fade_tuning]... half: 1 only odd cells, 2 only even ones (numbers are tuned on odd cells and
 * reported on even ones). brief: 1 without naive laws and early answers, 2 with every single
 * answer. `known` leaves out the cell itself, `unseen` its whole family, `own` too, but then takes
 * the other cells of that family for campaigns of the user's. Errors are % of the true life,
 * clipped at 900; "not yet predictable" counts as 100. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "bench/curves.h"
#include "bench/naive.h"
#include "fade/internal.h"

enum { MARKS = 5, KINDS = 3, WAYS = KINDS + NAIVE_COUNT, ROOM = CURVES_MAX * MARKS };
static const double marks[MARKS] = {0.3, 0.5, 0.7, 0.8, 0.9};
static const char *const ways[WAYS] = {"known", "unseen", "own", NAIVE_NAMES};

struct cell {
    double error[CURVES_MAX];
    int n, covered, asked, not_yet;
    double width;
};
static struct cell cells[WAYS][CURVES_FAMILIES][MARKS];

static double clipped(double life, double truth)
{
    return isfinite(life) ? fmin(900, 100 * fabs(life - truth) / truth) : 900;
}

static void score(struct cell *s, const struct wn_fade_result *r, double truth)
{
    if (r->state != WN_FADE_PROJECTED) {
        s->not_yet++;
        s->error[s->n++] = 100;
        return;
    }
    s->asked++;
    s->covered += r->eol_p10_cycle <= truth && truth <= r->eol_p90_cycle;
    s->width += (r->eol_p90_cycle - r->eol_p10_cycle) / truth;
    s->error[s->n++] = clipped(r->eol_median_cycle, truth);
}

/** Claims "after N cycles still at the threshold", N around the true life, judged at shares of N:
 * Brier score and reliability. What is already measured is no claim any more. */
enum { CLAIMS = 4, LOOKS = 4, TENTHS = 10 };
static const double claimed[CLAIMS] = {0.8, 0.95, 1.05, 1.25}, looks[LOOKS] = {0.3, 0.5, 0.7, 0.9};
static struct claims {
    double brier, said[TENTHS], held[TENTHS];
    int n, not_yet, count[TENTHS];
} claims[KINDS][LOOKS];

static void score_claim(struct claims *c, const struct wn_fade_result *r, double cycles, bool truth)
{
    if (r->state == WN_FADE_REACHED)
        return;
    if (r->state == WN_FADE_NOT_YET_PREDICTABLE) {
        c->not_yet++;
        return;
    }
    double p = wn_fade_longer(r, cycles), off = p - truth;
    int tenth = p < 1 ? (int)(TENTHS * p) : TENTHS - 1;
    c->brier += off * off;
    c->n++;
    c->count[tenth]++;
    c->said[tenth] += p;
    c->held[tenth] += truth;
}

static void table_of_claims(int way)
{
    struct claims all = {0};
    printf("claims, %s: Brier score (not yet predictable) at", ways[way]);
    for (int m = 0; m < LOOKS; m++) {
        const struct claims *c = &claims[way][m];
        printf(" %.0f %% of N: %.3f (%.0f %%)", 100 * looks[m], c->brier / c->n,
               100.0 * c->not_yet / (c->n + c->not_yet));
        for (int k = 0; k < TENTHS; k++) {
            all.count[k] += c->count[k];
            all.said[k] += c->said[k];
            all.held[k] += c->held[k];
        }
    }
    printf("; said/held:");
    for (int k = 0; k < TENTHS; k++)
        if (all.count[k] > 0)
            printf(" %.2f/%.2f", all.said[k] / all.count[k], all.held[k] / all.count[k]);
    puts("");
}

/** Known: without the cell itself. Unseen: without its family. Own: likewise, but its sisters are
 * the user's own finished campaigns, as far as there is room. */
static struct wn_fade_life lives[WN_FADE_OWN_MAX];
static int lives_count;

static void remember_sisters(const struct curves *all, const struct curve *c)
{
    struct wn_error err;
    double retention = c->threshold_ah / wn_fade_initial_capacity_ah(c->points, c->n);
    lives_count = 0;
    int begin = (int)(c - all->at);
    for (int k = 1; k < all->count && lives_count < WN_FADE_OWN_MAX; k++) {
        const struct curve *s = &all->at[(begin + k) % all->count];
        if (s->family == c->family && s->cell != c->cell && s->points[0].cycle < s->life &&
            !(s->threshold_ah < c->threshold_ah) && !(s->threshold_ah > c->threshold_ah * 1.05) &&
            wn_fade_remember(s->points, s->n, retention, s->name, &lives[lives_count], &err) ==
                WN_OK)
            lives_count++;
    }
}

static struct wn_fade_use use_of(const struct curve *c, int way)
{
    struct wn_fade_use use = {c->family, way == 0 ? c->cell : WN_FADE_NOBODY, lives,
                              way == 2 ? lives_count : 0};
    return use;
}

static void run_curve(const struct curve *c, const struct wn_fade_tuning *t, int verbose,
                      bool naive)
{
    for (int m = 0; m < MARKS; m++) {
        size_t n = 0;
        while (n < c->n && c->points[n].cycle <= marks[m] * c->life)
            n++;
        if (n < 4)
            continue;
        for (int way = 0; way < KINDS; way++) {
            struct wn_fade_use use = use_of(c, way);
            struct wn_fade_result r;
            struct wn_error err;
            if (wn_fade_project_tuned(c->points, n, c->threshold_ah, t, &use, false, &r, &err) !=
                WN_OK)
                continue;
            score(&cells[way][c->family][m], &r, c->life);
            if (verbose)
                printf("%s %s %g %s: life %.0f median %.0f p10 %.0f p90 %.0f\n",
                       curves_family(c->family), c->name, marks[m], ways[way], c->life,
                       r.eol_median_cycle, r.eol_p10_cycle, r.eol_p90_cycle);
        }
        for (int k = 0; naive && k < NAIVE_COUNT; k++) {
            struct cell *s = &cells[KINDS + k][c->family][m];
            s->error[s->n++] = clipped(naive_life(k, c->points, n, c->threshold_ah), c->life);
        }
    }
}

static void run_claims(const struct curve *c, const struct wn_fade_tuning *t)
{
    for (int m = 0; m < LOOKS; m++) {
        for (int k = 0; k < CLAIMS; k++) {
            double cycles = claimed[k] * c->life;
            size_t n = 0;
            while (n < c->n && c->points[n].cycle <= looks[m] * cycles)
                n++;
            for (int way = 0; n >= 4 && way < 2; way++) {
                struct wn_fade_use use = use_of(c, way);
                struct wn_fade_result r;
                struct wn_error err;
                if (wn_fade_project_tuned(c->points, n, c->threshold_ah, t, &use, false, &r,
                                          &err) == WN_OK)
                    score_claim(&claims[way][m], &r, cycles, claimed[k] < 1);
            }
        }
    }
}

/** Early answers: how many are given at all, and how many of their intervals miss the truth. */
enum { EARLY = 5 };
static const double early_marks[EARLY] = {0.02, 0.05, 0.1, 0.15, 0.2};
static struct early {
    int asked, answered, missed;
} early[KINDS][EARLY];

static void run_early(const struct curve *c, const struct wn_fade_tuning *t)
{
    for (int m = 0; m < EARLY; m++) {
        size_t n = 0;
        while (n < c->n && c->points[n].cycle <= early_marks[m] * c->life)
            n++;
        for (int way = 0; n > 0 && way < 2; way++) {
            struct wn_fade_use use = use_of(c, way);
            struct wn_fade_result r;
            struct wn_error err;
            if (wn_fade_project_tuned(c->points, n, c->threshold_ah, t, &use, false, &r, &err) !=
                WN_OK)
                continue;
            struct early *e = &early[way][m];
            bool answered = r.state == WN_FADE_PROJECTED;
            e->asked++;
            e->answered += answered;
            e->missed += answered && (c->life < r.eol_p10_cycle || c->life > r.eol_p90_cycle);
        }
    }
}

static void table_of_early(int way)
{
    printf("early, %s: answered of asked, truth outside the interval:", ways[way]);
    for (int m = 0; m < EARLY; m++)
        printf(" %.0f %%: %d/%d %d;", 100 * early_marks[m], early[way][m].answered,
               early[way][m].asked, early[way][m].missed);
    puts("");
}

static int rising(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static double median(double *v, int n)
{
    qsort(v, (size_t)n, sizeof v[0], rising);
    return n == 0 ? NAN : n % 2 ? v[n / 2] : (v[n / 2 - 1] + v[n / 2]) / 2;
}

static double mean(const double *v, int n)
{
    double sum = 0;
    for (int i = 0; i < n; i++)
        sum += v[i];
    return sum / n;
}

/** Means over the families and marks of one group of families. */
struct group {
    double medians, means, cover;
    int n;
};

static void group_add(struct group *g, struct cell *s)
{
    g->medians += median(s->error, s->n);
    g->means += mean(s->error, s->n);
    g->cover += s->asked ? (double)s->covered / s->asked : 0;
    g->n++;
}

static void group_print(const struct group *g, int way, const char *of)
{
    if (g->n > 0)
        printf("%s, means over %s families and marks: median %.2f mean %.2f cover %.3f\n",
               ways[way], of, g->medians / g->n, g->means / g->n, g->cover / g->n);
}

static void table_of_family(int way, int f, struct group *g)
{
    printf("%-22s", curves_family(f));
    for (int m = 0; m < MARKS; m++) {
        struct cell *s = &cells[way][f][m];
        double best = 1e9;
        if (s->n == 0) {
            printf("  %-26s", "    -");
            continue;
        }
        for (int w = KINDS; w < WAYS; w++)
            best =
                fmin(best, cells[w][f][m].n ? mean(cells[w][f][m].error, cells[w][f][m].n) : NAN);
        double average = mean(s->error, s->n);
        printf("  %5.1f/%5.1f/%5.1f%s %3.0f%% n%d", median(s->error, s->n), average, best,
               m > 0 && average > 1.2 * best ? "!" : " ",
               s->asked ? 100.0 * s->covered / s->asked : 0, s->not_yet);
        if (!curves_aside(f))
            group_add(g, s);
    }
    puts("");
}

static void table_of_families(int way)
{
    struct group group[CURVES_GROUPS] = {{0}};
    printf("%-22s", ways[way]);
    for (int m = 0; m < MARKS; m++)
        printf("  %3.0f %%: med/mean/best cover", 100 * marks[m]);
    puts("");
    for (int f = 0; f < CURVES_FAMILIES; f++)
        if (cells[way][f][2].n > 0)
            table_of_family(way, f, &group[curves_group(f)]);
    group_print(&group[CURVES_REFERENCE], way, "reference");
    group_print(&group[CURVES_FURTHER], way, "further");
    group_print(&group[CURVES_HELD_OUT], way, "held out");
}

static void table_of_marks(int way)
{
    static double pool[ROOM];
    printf("%-14s", ways[way]);
    for (int m = 0; m < MARKS; m++) {
        int n = 0, covered = 0, asked = 0, not_yet = 0;
        double width = 0;
        for (int f = 0; f < CURVES_FAMILIES; f++) {
            struct cell *s = &cells[way][f][m];
            if (curves_aside(f) || curves_group(f) != CURVES_REFERENCE)
                continue;
            memcpy(pool + n, s->error, (size_t)s->n * sizeof pool[0]);
            n += s->n;
            covered += s->covered;
            asked += s->asked;
            not_yet += s->not_yet;
            width += s->width;
        }
        if (n == 0)
            continue;
        printf(" %5.1f/%5.1f", median(pool, n), mean(pool, n));
        if (way < KINDS)
            printf(" %3.0f%% w%.2f n%2.0f%%", 100.0 * covered / asked, width / asked,
                   100.0 * not_yet / n);
    }
    puts("");
}

static const struct {
    const char *name;
    size_t at;
} knobs[] = {
#define GROUP(k)                                                                                   \
    KNOB(group[k].mass), KNOB(group[k].sigma), KNOB(group[k].points), KNOB(group[k].weight_power), \
        KNOB(group[k].level_ridge), KNOB(group[k].slope)
#define SIDES(k)                                                                                   \
    KNOB(sides[0][k][0]), KNOB(sides[0][k][1]), KNOB(sides[1][k][0]), KNOB(sides[1][k][1])
#define KNOB(field)                                                                                \
    {                                                                                              \
#field, offsetof(struct wn_fade_tuning, field)                                             \
    }
    GROUP(0),
    GROUP(1),
    GROUP(2),
    GROUP(3),
    GROUP(4),
    GROUP(5),
    GROUP(6),
    GROUP(7),
    GROUP(8),
    GROUP(9),
    GROUP(10),
    KNOB(warp_step),
    KNOB(warp_prior),
    KNOB(spread),
    KNOB(drift),
    KNOB(sigma_dof),
    KNOB(life_slope),
    KNOB(life_bend),
    KNOB(depth_width),
    KNOB(power_chance),
    KNOB(vague_b_mean),
    KNOB(vague_b_sd),
    KNOB(vague_w_low),
    KNOB(vague_w_high),
    KNOB(vague_c_low),
    KNOB(vague_s_low),
    KNOB(vague_r_sd),
    KNOB(vague_r_low),
    KNOB(line_b_mean[0]),
    KNOB(line_b_mean[1]),
    KNOB(line_b_sd[0]),
    KNOB(line_b_sd[1]),
    KNOB(risen),
    SIDES(0),
    SIDES(1),
    SIDES(2),
    SIDES(3),
    SIDES(4),
};

struct options {
    int every, brief, half, thin;
};

static bool turn(struct wn_fade_tuning *t, const char *text, struct options *o)
{
    const char *equals = strchr(text, '=');
    double value;
    if (!equals || wn_num_parse(equals + 1, strlen(equals + 1), &value) != WN_OK)
        return false;
    size_t len = (size_t)(equals - text);
    if (len == 5 && strncmp(text, "every", len) == 0)
        return (o->every = (int)value) > 0;
    if (len == 5 && strncmp(text, "brief", len) == 0)
        return (o->brief = (int)value) >= 0;
    if (len == 4 && strncmp(text, "half", len) == 0)
        return (o->half = (int)value) >= 0 && o->half <= 2;
    if (len == 4 && strncmp(text, "thin", len) == 0)
        return (o->thin = (int)value) >= 0;
    if (len == 5 && strncmp(text, "vague", len) == 0)
        return (t->vague = (int)value) > 0;
    for (size_t k = 0; k < sizeof knobs / sizeof knobs[0]; k++)
        if (strlen(knobs[k].name) == len && strncmp(text, knobs[k].name, len) == 0) {
            memcpy((char *)t + knobs[k].at, &value, sizeof value);
            return true;
        }
    return false;
}

/** Keeps about `count` points per life, as check-ups would have it. */
static void thin(struct curve *c, int count)
{
    size_t kept = 0;
    double next = c->points[0].cycle;
    for (size_t i = 0; i < c->n; i++)
        if (c->points[i].cycle >= next) {
            c->points[kept++] = c->points[i];
            next += c->life / count;
        }
    c->n = kept;
}

int main(int argc, char **argv)
{
    static struct curves all;
    struct wn_fade_tuning t = wn_fade_tuning;
    struct options o = {.every = 1};
    const char *dirs[CURVES_DIRS] = {argc >= 2 ? argv[1] : NULL};
    bool fine = argc >= 2;
    for (int i = 2; i < argc; i++) {
        if (i == 2 && strchr(argv[i], '=') == NULL)
            dirs[1] = argv[i];
        else
            fine = fine && turn(&t, argv[i], &o);
    }
    if (!fine || !curves_load(&all, dirs, o.every)) {
        fputs("usage: fade_bench REFERENCE_DIR [MORE_DIR] [every=N] [half=0|1|2] [thin=N] "
              "[brief=0|1|2] "
              "[NAME=VALUE]...\n",
              stderr);
        return 2;
    }
    for (int i = 0; i < all.count; i++) {
        if (all.at[i].library_only || (o.half > 0 && all.at[i].cell % 2 != o.half % 2))
            continue;
        if (o.thin > 0)
            thin(&all.at[i], o.thin);
        remember_sisters(&all, &all.at[i]);
        run_curve(&all.at[i], &t, o.brief == 2, o.brief != 1);
        if (o.brief != 1 && curves_group(all.at[i].family) != CURVES_HELD_OUT) {
            run_early(&all.at[i], &t);
            run_claims(&all.at[i], &t);
        }
    }
    for (int way = 0; way < KINDS; way++)
        table_of_families(way);
    puts("over all reference cells at 30, 50, 70, 80, 90 % of life: median/mean % error, cover, "
         "relative "
         "width, not yet");
    for (int way = 0; way < WAYS; way++)
        table_of_marks(way);
    for (int way = 0; way < 2; way++)
        table_of_claims(way);
    for (int way = 0; way < 2; way++)
        table_of_early(way);
    curves_free(&all);
    return 0;
}
