/* Open fade curves for the bench.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Thresholds and the end of life follow the published practice of each data set: NASA 1.4 Ah, CALCE
 * 0.88 and 0.77 Ah, the 1.1 Ah LFP sets 0.88 Ah, RWTH 1.48 Ah (between check-ups, interpolated),
 * TJU 80 % of the own initial capacity. The curves of Ma et al. stop just at 0.88 Ah, so that none
 * has three cycles below: they are taken down to 0.885 Ah, and kept out of the headline scores.
 * NASA's second cell never gets to 1.4 Ah: for the library both are taken to 1.45 Ah as well, which
 * is not scored. The further families and those held out are taken to 80 % of their own start; all
 * of them have few check-ups. */
#define _GNU_SOURCE /* scandir, alphasort */
#include "bench/curves.h"

#include <dirent.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "fade/internal.h"

enum { REFERENCE_FAMILIES = 9 };
static const struct rule {
    double threshold_ah, retention, second_ah;
    bool sparse, aside, second_aside;
} reference[REFERENCE_FAMILIES] = {
    {.threshold_ah = 1.4, .second_ah = 1.45, .second_aside = true},
    {.threshold_ah = 0.88, .second_ah = 0.77},
    {.threshold_ah = 0.88},
    {.threshold_ah = 0.88},
    {.threshold_ah = 0.885, .aside = true},
    {.threshold_ah = 1.48, .sparse = true},
    {.retention = 0.8},
    {.retention = 0.8},
    {.retention = 0.8},
};

/** What is not of the reference directory has one rule. */
static const struct rule *rule_of(int family)
{
    static const struct rule other = {.retention = 0.8, .sparse = true};
    return family < REFERENCE_FAMILIES ? &reference[family] : &other;
}

bool curves_aside(int family)
{
    return rule_of(family)->aside;
}

enum curves_group curves_group(int family)
{
    return family < REFERENCE_FAMILIES     ? CURVES_REFERENCE
           : family < wn_fade_family_count ? CURVES_FURTHER
                                           : CURVES_HELD_OUT;
}

const char *curves_family(int family)
{
    static const char *const held_out[] = {"duque2023", "kuzhiyil2024", "waldmann2014", "weng2021"};
    int after = family - wn_fade_family_count;
    return after < 0 ? wn_fade_families[family] : held_out[after];
}

static double field(const char *line, int column)
{
    for (; column > 0 && line; column--) {
        line = strchr(line, ',');
        line = line ? line + 1 : NULL;
    }
    double value = NAN;
    if (line)
        wn_num_parse(line, strcspn(line, ",\r\n"), &value);
    return value;
}

static int column_of(const char *header, const char *name)
{
    size_t len = strlen(name);
    for (int c = 0;; c++) {
        if (strncmp(header, name, len) == 0 && strchr(",\r\n", header[len]))
            return c;
        header = strchr(header, ',');
        if (!header)
            return -1;
        header++;
    }
}

bool curves_read_csv(const char *path, struct wn_fade_point **points, size_t *n)
{
    char line[512];
    *points = NULL;
    *n = 0;
    FILE *f = fopen(path, "r");
    if (!f || !fgets(line, sizeof line, f))
        goto fail;
    int cycle = column_of(line, "cycle"), capacity = column_of(line, "capacity_ah");
    int resistance = column_of(line, "resistance_ohm"),
        temperature = column_of(line, "temperature_c");
    if (cycle < 0 || capacity < 0)
        goto fail;
    for (size_t room = 0; fgets(line, sizeof line, f);) {
        struct wn_fade_point p = {.cycle = field(line, cycle),
                                  .capacity_ah = field(line, capacity),
                                  .resistance_ohm = resistance < 0 ? NAN : field(line, resistance),
                                  .temperature_c =
                                      temperature < 0 ? NAN : field(line, temperature)};
        if (isnan(p.cycle) || isnan(p.capacity_ah))
            continue;
        if (*n == room) {
            room = room ? 2 * room : 256;
            struct wn_fade_point *more = realloc(*points, room * sizeof *more);
            if (!more)
                goto fail;
            *points = more;
        }
        (*points)[(*n)++] = p;
    }
    fclose(f);
    return true;
fail:
    if (f)
        fclose(f);
    free(*points);
    *points = NULL;
    return false;
}

static int rising(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/** Five check-ups reach far into the fade. */
static double start_of(const struct curve *c, bool sparse)
{
    double v[5];
    size_t k = sparse ? 1 : c->n < 5 ? c->n : 5;
    for (size_t i = 0; i < k; i++)
        v[i] = c->points[i].capacity_ah;
    qsort(v, k, sizeof v[0], rising);
    return k % 2 ? v[k / 2] : (v[k / 2 - 1] + v[k / 2]) / 2;
}

/** Cycles of calce_flags.csv that the rig spoiled. */
static bool spoiled(const char *flags, const char *cell, double cycle)
{
    char head[128];
    char number[WN_NUM_SIZE];
    snprintf(head, sizeof head, "\n%s,%s,cv_step_missing", cell,
             wn_num_format(cycle, 9, number, sizeof number));
    return flags && strstr(flags, head);
}

static double find_life(const struct curve *c, bool sparse, const char *flags)
{
    const struct wn_fade_point *p = c->points;
    int run = 0;
    double start = NAN;
    for (size_t i = 0; i < c->n; i++) {
        if (sparse) {
            if (i > 0 && p[i - 1].capacity_ah >= c->threshold_ah &&
                p[i].capacity_ah < c->threshold_ah)
                return p[i - 1].cycle + (p[i].cycle - p[i - 1].cycle) *
                                            (p[i - 1].capacity_ah - c->threshold_ah) /
                                            (p[i - 1].capacity_ah - p[i].capacity_ah);
            continue;
        }
        if (spoiled(flags, c->name, p[i].cycle))
            continue;
        run = p[i].capacity_ah < c->threshold_ah ? run + 1 : 0;
        if (run == 1)
            start = p[i].cycle;
        if (run == 3)
            return start;
    }
    return NAN;
}

static void keep(struct curves *all, const struct curve *c, double threshold_ah, int family,
                 const char *flags)
{
    struct curve probe = *c;
    probe.threshold_ah = threshold_ah;
    probe.life = find_life(&probe, rule_of(family)->sparse, flags);
    if (isnan(probe.life) || all->count == CURVES_MAX)
        return;
    probe.points = malloc(c->n * sizeof *c->points);
    if (!probe.points)
        return;
    memcpy(probe.points, c->points, c->n * sizeof *c->points);
    all->at[all->count++] = probe;
}

static int names(const struct dirent *e)
{
    size_t len = strlen(e->d_name);
    return len > 4 && strcmp(e->d_name + len - 4, ".csv") == 0;
}

static char *slurp(const char *path)
{
    FILE *f = fopen(path, "r");
    if (!f)
        return NULL;
    char *text = calloc(1, 65536);
    size_t n = text ? fread(text, 1, 65535, f) : 0;
    (void)n; /* an empty file is an empty list */
    fclose(f);
    return text;
}

/** The curve down to each threshold of its family. */
static void keep_family(struct curves *all, struct curve *c, int family, const char *flags)
{
    const struct rule *rule = rule_of(family);
    if (c->n < 5)
        return;
    keep(all, c,
         rule->retention > 0 ? rule->retention * start_of(c, rule->sparse) : rule->threshold_ah,
         family, flags);
    c->library_only = rule->second_aside;
    if (rule->second_ah > 0)
        keep(all, c, rule->second_ah, family, flags);
}

/** The curves of one family below one directory, if they are there. */
static void load_family(struct curves *all, const char *dir, int family, int every,
                        const char *flags)
{
    char path[1024];
    struct dirent **list = NULL;
    (void)snprintf(path, sizeof path, "%s/fade/%s", dir, curves_family(family));
    int n = scandir(path, &list, names, alphasort);
    for (int i = 0; i < n; i++) {
        struct curve c = {.family = family, .cell = i};
        (void)snprintf(path, sizeof path, "%s/fade/%s/%s", dir, curves_family(family),
                       list[i]->d_name);
        (void)snprintf(c.name, sizeof c.name, "%.*s", (int)(strlen(list[i]->d_name) - 4),
                       list[i]->d_name);
        free(list[i]);
        if (i % every == 0 && curves_read_csv(path, &c.points, &c.n)) {
            keep_family(all, &c, family, flags);
            free(c.points);
        }
    }
    free(list);
}

bool curves_load(struct curves *all, const char *const dirs[CURVES_DIRS], int every)
{
    char path[1024];
    all->count = 0;
    (void)snprintf(path, sizeof path, "%s/fade/calce_flags.csv", dirs[0]);
    char *flags = slurp(path);
    for (int f = 0; f < CURVES_FAMILIES; f++)
        for (int d = 0; d < CURVES_DIRS && dirs[d] != NULL; d++)
            load_family(all, dirs[d], f, every, flags);
    free(flags);
    return all->count > 0;
}

void curves_free(struct curves *all)
{
    for (int i = 0; i < all->count; i++)
        free(all->at[i].points);
    all->count = 0;
}
