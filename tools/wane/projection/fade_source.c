/* Where the points of a projection come from: a campaign file or a CSV file.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "fade_source.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "report/csv.h"

enum { COLUMNS = 5 };

static int add(struct fade_source *s, const struct wn_fade_point *p, struct wn_error *err)
{
    if (s->n == s->room) {
        size_t room = s->room > 0 ? 2 * s->room : 256;
        struct wn_fade_point *more = realloc(s->point, room * sizeof *more);
        if (more == NULL) {
            return wn_error_set(err, WN_ENOMEM, "%s: no memory for its cycles", s->name);
        }
        s->point = more;
        s->room = room;
    }
    s->point[s->n++] = *p;
    return WN_OK;
}

int fade_points_of(const struct wane_cycles *c, struct fade_source *out, struct wn_error *err)
{
    int rc = WN_OK;
    for (size_t i = 0; i < c->n && rc == WN_OK; i++) {
        const struct wn_cycle_record *r = &c->row[i];
        struct wn_fade_point p = {.cycle = (double)r->cycle,
                                  .capacity_ah = r->capacity_ah.value,
                                  .resistance_ohm = r->resistance_ohm.value,
                                  /* at the onset of the discharge, where resistance is measured */
                                  .temperature_c = r->temperature_max_c - r->temperature_rise_k,
                                  .flags = r->flags,
                                  .capacity_u_ah = r->capacity_ah.u};
        if (isfinite(p.capacity_ah)) {
            rc = add(out, &p, err);
        } else {
            out->skipped++;
        }
    }
    return rc;
}

static void cut(struct fade_source *s, int64_t until)
{
    while (until > 0 && s->n > 0 && s->point[s->n - 1].cycle > (double)until) {
        s->n--;
    }
}

static int from_campaign(struct wane *w, const char *name, struct fade_source *out)
{
    struct wn_error err = {0};
    struct wane_cycles cycles = {0};
    int opened = wane_open_campaign(w, name, &out->campaign);
    if (opened != WANE_DONE) {
        return opened;
    }
    const struct wn_campaign_info *i = &out->campaign.info;
    out->is_campaign = true;
    (void)snprintf(out->name, sizeof out->name, "%s", i->name);
    out->simulated = i->simulated;
    out->rated_ah = i->cell.rated_capacity_ah > 0 ? i->cell.rated_capacity_ah : NAN;
    out->retention = i->retention_threshold > 0 ? i->retention_threshold : NAN;
    out->claim = i->cell.claim;
    int rc = wane_read_cycles(&out->campaign, &cycles, &err);
    rc = rc == WN_OK ? fade_points_of(&cycles, out, &err) : rc;
    wane_free_cycles(&cycles);
    return rc == WN_OK ? WANE_DONE : wane_fail(w, &err);
}

/* Cycles must rise, and a capacity is a number or missing. */
static int take_row(const struct wn_csv *c, const int *column, struct fade_source *s,
                    struct wn_error *err)
{
    struct wn_fade_point p = {.flags = 0};
    double *const to[COLUMNS] = {&p.cycle, &p.capacity_ah, &p.resistance_ohm, &p.temperature_c,
                                 &p.capacity_u_ah};
    for (int i = 0; i < COLUMNS; i++) {
        int rc = wn_csv_number(c, column[i], to[i], err);
        if (rc != WN_OK) {
            return rc;
        }
    }
    if (isnan(p.cycle)) {
        return wn_error_set(err, WN_EMISSING, "%s:%lld: the number of the cycle is missing",
                            c->name, (long long)c->line);
    }
    if (isnan(p.capacity_ah)) {
        s->skipped++;
        return WN_OK;
    }
    if (p.capacity_ah < 0) {
        return wn_error_set(err, WN_ERANGE,
                            "%s:%lld: capacity_ah is negative: write its magnitude in Ah", c->name,
                            (long long)c->line);
    }
    if (p.capacity_u_ah < 0) {
        return wn_error_set(err, WN_ERANGE,
                            "%s:%lld: capacity_u_ah is negative: write the standard uncertainty",
                            c->name, (long long)c->line);
    }
    if (s->n > 0 && p.cycle <= s->point[s->n - 1].cycle) {
        return wn_error_set(
            err, WN_EINVAL,
            "%s:%lld: cycle %g does not come after cycle %g: sort the lines by cycle", c->name,
            (long long)c->line, p.cycle, s->point[s->n - 1].cycle);
    }
    return add(s, &p, err);
}

static int read_csv(struct wn_csv *c, struct fade_source *out, struct wn_error *err)
{
    static const char *const names[COLUMNS] = {"cycle", "capacity_ah", "resistance_ohm",
                                               "temperature_c", "capacity_u_ah"};
    int column[COLUMNS];
    bool end = false;
    for (int i = 0; i < COLUMNS; i++) {
        column[i] = wn_csv_column(c, names[i]);
        if (column[i] < 0 && i < 2) {
            return wn_error_set(
                err, WN_EMISSING,
                "%s:%lld: the header names no column %s; write e.g. cycle,capacity_ah", c->name,
                (long long)c->line, names[i]);
        }
        if (wn_csv_twin(c, column[i]) >= 0) {
            return wn_error_set(err, WN_EINVAL,
                                "%s:%lld: columns %d and %d are both called %s: leave one of them "
                                "out",
                                c->name, (long long)c->line, column[i] + 1,
                                wn_csv_twin(c, column[i]) + 1, names[i]);
        }
    }
    for (;;) {
        int rc = wn_csv_next(c, &end, err);
        if (rc != WN_OK || end) {
            return rc;
        }
        rc = take_row(c, column, out, err);
        if (rc != WN_OK) {
            return rc;
        }
    }
}

static int from_csv(struct wane *w, const char *file, struct fade_source *out)
{
    struct wn_error err = {0};
    struct wn_csv csv;
    bool standard = strcmp(file, "-") == 0;
    (void)snprintf(out->name, sizeof out->name, "%s", standard ? "standard input" : file);
    FILE *f = standard ? stdin : fopen(file, "re");
    if (f == NULL) {
        (void)wn_error_set(&err, WN_ENOENT, "%s: %s", file, strerror(errno));
        return wane_fail(w, &err);
    }
    int rc = wn_csv_open(&csv, f, out->name, &err);
    rc = rc == WN_OK ? read_csv(&csv, out, &err) : rc;
    wn_csv_close(&csv);
    if (!standard) {
        (void)fclose(f);
    }
    if (rc == WN_OK && out->n == 0) {
        rc = wn_error_set(&err, WN_EMISSING, "%s holds no cycle with a capacity", out->name);
    }
    return rc == WN_OK ? WANE_DONE : wane_fail(w, &err);
}

int fade_source_open(struct wane *w, const struct wane_args *a, const struct wane_value *csv,
                     int64_t until, struct fade_source *out)
{
    memset(out, 0, sizeof *out);
    out->rated_ah = out->retention = NAN;
    if (csv->given == (a->operands > 0)) {
        return wane_usage(w, "%s",
                          csv->given ? "either a campaign or --csv FILE, not both"
                                     : "whose fade? Name a campaign, or --csv FILE");
    }
    int rc = csv->given ? from_csv(w, csv->text, out) : from_campaign(w, a->operand[0], out);
    if (rc != WANE_DONE) {
        fade_source_close(out);
        return rc;
    }
    if (out->skipped > 0) {
        (void)fprintf(stderr, "wane %s: %s: %lld %s without a capacity passed over\n",
                      w->command->name, out->name, (long long)out->skipped,
                      out->skipped == 1 ? "cycle" : "cycles");
    }
    cut(out, until);
    return WANE_DONE;
}

void fade_source_close(struct fade_source *s)
{
    free(s->point);
    s->point = NULL;
    s->n = s->room = 0;
    if (s->is_campaign) {
        wane_close_campaign(&s->campaign);
    }
}

void fade_own_of(const struct fade_source *s, double threshold_ah, struct fade_own *out)
{
    out->lives = (struct wn_fade_own){out->life, 0};
    if (s->is_campaign) {
        fade_find_own(&s->campaign, threshold_ah / wn_fade_initial_capacity_ah(s->point, s->n),
                      out);
    }
}

bool fade_of_campaign(struct wane_campaign *c, struct wn_fade_result *out)
{
    struct wane_cycles cycles = {0};
    struct fade_source s;
    struct fade_own own;
    memset(&s, 0, sizeof s);
    double threshold_ah = c->info.retention_threshold * c->info.cell.rated_capacity_ah;
    bool known = threshold_ah > 0 && wane_read_cycles(c, &cycles, NULL) == WN_OK &&
                 fade_points_of(&cycles, &s, NULL) == WN_OK && s.n > 0;
    if (known) {
        fade_find_own(c, threshold_ah / wn_fade_initial_capacity_ah(s.point, s.n), &own);
        known = wn_fade_project_own(s.point, s.n, threshold_ah, &own.lives, out, NULL) == WN_OK;
    }
    wane_free_cycles(&cycles);
    free(s.point);
    return known;
}
