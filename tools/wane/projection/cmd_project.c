/* wane project: when the capacity will fall below a threshold.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "fade_history.h"
#include "fade_source.h"

enum { P_CSV, P_THRESHOLD, P_RETENTION, P_OF, P_RATED, P_AT, P_RISE, P_HISTORY };

static const struct wane_option project_options[] = {
    [P_CSV] = {"csv", 0, WANE_TEXT, "FILE",
               "columns cycle,capacity_ah[,resistance_ohm,temperature_c]; - is standard input"},
    [P_THRESHOLD] = {"threshold-ah", 0, WANE_NUMBER, "X", "end of life is below this capacity"},
    [P_RETENTION] = {"retention", 0, WANE_NUMBER, "R",
                     "or below this part of the capacity named by --of, e.g. 0.7"},
    [P_OF] = {"of", 0, WANE_TEXT, "rated|initial",
              "rated: of the datasheet; initial: median of the first five valid cycles"},
    [P_RATED] = {"rated-ah", 0, WANE_NUMBER, "X",
                 "rated capacity, where the source does not know it"},
    [P_AT] = {"at-cycle", 0, WANE_COUNT, "N",
              "what would have been said after cycle N: later cycles are not looked at"},
    [P_RISE] = {"resistance-rise", 0, WANE_NUMBER, "R",
                "or the resistance has risen by this part, e.g. 1 for +100 %: whichever is first"},
    [P_HISTORY] = {"history", 0, WANE_FLAG, NULL,
                   "what would have been said on the way, and since when it has held"},
};

static int initial_threshold(struct wane *w, const struct fade_source *s, double retention,
                             double *threshold_ah)
{
    struct wn_error err = {0};
    double initial_ah = wn_fade_initial_capacity_ah(s->point, s->n);
    if (!isfinite(initial_ah) && s->n > 0) {
        (void)wn_error_set(&err, WN_EMISSING,
                           "%s: no valid cycle tells the initial capacity: give --threshold-ah",
                           s->name);
        return wane_fail(w, &err);
    }
    *threshold_ah = retention * initial_ah;
    return WANE_DONE;
}

/* From --threshold-ah, or --retention of something, or what the campaign itself says. */
static int find_threshold(struct wane *w, const struct wane_args *a, const struct fade_source *s,
                          double *threshold_ah)
{
    struct wn_error err = {0};
    const struct wane_value *of = &a->value[P_OF];
    double retention = a->value[P_RETENTION].given ? a->value[P_RETENTION].number : s->retention;
    double rated_ah = a->value[P_RATED].given ? a->value[P_RATED].number : s->rated_ah;
    *threshold_ah = a->value[P_THRESHOLD].number;
    if (a->value[P_THRESHOLD].given) {
        return WANE_DONE;
    }
    if (!isfinite(retention)) {
        return wane_usage(w,
                          "below what? Give --threshold-ah X, or --retention R --of rated|initial");
    }
    bool initial =
        of->given ? strcmp(of->text, "initial") == 0 : !s->is_campaign && !isfinite(rated_ah);
    if (initial) {
        return initial_threshold(w, s, retention, threshold_ah);
    }
    if (!isfinite(rated_ah)) {
        (void)wn_error_set(
            &err, WN_EMISSING,
            "%s does not tell the rated capacity: give --rated-ah X, or use --of initial", s->name);
        return wane_fail(w, &err);
    }
    *threshold_ah = retention * rated_ah;
    return WANE_DONE;
}

static int check_project(const struct wane *w, const struct wane_args *a)
{
    const struct wane_value *of = &a->value[P_OF], *retention = &a->value[P_RETENTION];
    if (a->value[P_THRESHOLD].given && (retention->given || of->given)) {
        return wane_usage(w, "either --threshold-ah, or --retention with --of");
    }
    if (of->given && strcmp(of->text, "rated") != 0 && strcmp(of->text, "initial") != 0) {
        return wane_usage(w, "--of is '%s': write rated or initial", of->text);
    }
    if (a->value[P_HISTORY].given && a->value[P_RISE].given) {
        return wane_usage(w, "--history looks at the capacity only: leave out --resistance-rise");
    }
    if (retention->given && retention->number >= 1) {
        return wane_usage(w, "--retention is '%s': write a part below 1, e.g. 0.7 for 70 %%",
                          retention->text);
    }
    return WANE_DONE;
}

/* All that one question is answered with. */
struct answer {
    struct fade_own own;
    struct wn_fade_result capacity, first;
    bool with_resistance, resistance_first;
    struct wn_fade_resistance resistance;
};

static json_t *eol_json(const struct wn_fade_result *r)
{
    bool known = r->state != WN_FADE_NOT_YET_PREDICTABLE;
    json_t *eol = json_object();
    wane_put(eol, "median", wane_number(known ? r->eol_median_cycle : NAN));
    wane_put(eol, "p10", wane_number(known ? r->eol_p10_cycle : NAN));
    wane_put(eol, "p90", wane_number(known ? r->eol_p90_cycle : NAN));
    return eol;
}

static void put_resistance(json_t *o, const struct answer *a)
{
    const struct wn_fade_resistance *r = &a->resistance;
    json_t *resistance = json_object(), *first = json_object();
    wane_put(resistance, "state", json_string(wn_fade_state_name(r->life.state)));
    wane_put(resistance, "eol_cycle", eol_json(&r->life));
    wane_put(resistance, "initial_ohm", wane_number(r->initial_ohm));
    wane_put(resistance, "threshold_ohm", wane_number(r->threshold_ohm));
    wane_put(resistance, "temperature_coefficient_k", wane_number(r->coefficient_k));
    wane_put(resistance, "reference_temperature_c", wane_number(r->reference_c));
    wane_put(resistance, "reason", json_string(r->life.reason));
    wane_put(o, "resistance", resistance);
    wane_put(first, "what", json_string(a->resistance_first ? "resistance" : "capacity"));
    wane_put(first, "state", json_string(wn_fade_state_name(a->first.state)));
    wane_put(first, "eol_cycle", eol_json(&a->first));
    wane_put(o, "first", first);
}

static json_t *project_json(const struct fade_source *s, const struct answer *a, int64_t at)
{
    const struct wn_fade_result *r = &a->capacity;
    json_t *o = json_object(), *own = json_array();
    wane_put(o, "cycles_used", json_integer((json_int_t)r->cycles_used));
    wane_put(o, "state", json_string(wn_fade_state_name(r->state)));
    wane_put(o, "eol_cycle", eol_json(r));
    wane_put(o, "crossed_at", wane_number(r->state == WN_FADE_REACHED ? r->crossed_at_cycle : NAN));
    wane_put(o, "threshold_ah", wane_number(r->threshold_ah));
    wane_put(o, "initial_capacity_ah", wane_number(wn_fade_initial_capacity_ah(s->point, s->n)));
    wane_put(o, "cycles_left_out", json_integer((json_int_t)r->cycles_left_out));
    wane_put(o, "at_cycle", at > 0 ? json_integer(at) : json_null());
    wane_put(o, "source", json_string(s->name));
    wane_put(o, "simulated", json_boolean(s->simulated));
    for (int i = 0; i < a->own.lives.count; i++) {
        (void)json_array_append_new(own, json_string(a->own.life[i].name));
    }
    wane_put(o, "own_campaigns", own);
    if (a->with_resistance) {
        put_resistance(o, a);
    }
    wane_put(o, "reason", json_string(r->reason));
    return o;
}

static void print_projection(const struct wane *w, const struct fade_source *s,
                             const struct wn_fade_result *r)
{
    char ah[WN_NUM_SIZE], median[WN_NUM_SIZE], p10[WN_NUM_SIZE], p90[WN_NUM_SIZE];
    (void)wane_fixed(r->threshold_ah, 4, ah, sizeof ah);
    (void)wane_fixed(r->eol_median_cycle, 0, median, sizeof median);
    (void)wane_fixed(r->eol_p10_cycle, 0, p10, sizeof p10);
    (void)wane_fixed(r->eol_p90_cycle, 0, p90, sizeof p90);
    fade_print_source(w, s);
    switch (r->state) {
    case WN_FADE_REACHED:
        (void)printf("End of life (below %s Ah) was reached at cycle %s\n", ah,
                     wane_fixed(r->crossed_at_cycle, 0, median, sizeof median));
        break;
    case WN_FADE_PROJECTED:
        (void)printf("Projected end of life (below %s Ah): cycle %s, between %s and %s with 80 %% "
                     "probability\n",
                     ah, median, p10, p90);
        break;
    case WN_FADE_NOT_YET_PREDICTABLE:
        (void)printf("End of life (below %s Ah) is not yet predictable\n", ah);
        break;
    }
    (void)printf("%zu cycles used, %zu left out\n", r->cycles_used, r->cycles_left_out);
    if (r->reason[0] != '\0') {
        (void)printf("%s\n", r->reason);
    }
}

/* Without any cycle the answer is the same as with too few: a campaign may be asked on its first
 * day. */
static void print_resistance(const struct answer *a)
{
    char ohm[WN_NUM_SIZE], median[WN_NUM_SIZE], p10[WN_NUM_SIZE], p90[WN_NUM_SIZE];
    const struct wn_fade_resistance *r = &a->resistance;
    (void)wane_fixed(1e3 * r->threshold_ohm, 2, ohm, sizeof ohm);
    (void)wane_fixed(r->life.eol_median_cycle, 0, median, sizeof median);
    (void)wane_fixed(r->life.eol_p10_cycle, 0, p10, sizeof p10);
    (void)wane_fixed(r->life.eol_p90_cycle, 0, p90, sizeof p90);
    if (r->life.state == WN_FADE_REACHED) {
        (void)printf("Resistance reached %s mOhm at cycle %s\n", ohm, median);
    } else if (r->life.state == WN_FADE_PROJECTED) {
        (void)printf("Resistance is projected to reach %s mOhm: cycle %s, between %s and %s\n", ohm,
                     median, p10, p90);
        (void)puts("The interval of the resistance is not calibrated: on open data a fifth of the "
                   "ends came before it");
    } else {
        (void)printf("The rise of resistance is not yet predictable: %s\n", r->life.reason);
    }
    if (r->coefficient_k > 0) {
        (void)printf("Resistance is brought to %s degC by the campaign's own coefficient, %s K\n",
                     wane_fixed(r->reference_c, 1, p10, sizeof p10),
                     wane_fixed(r->coefficient_k, 0, p90, sizeof p90));
    }
    if (a->first.state != WN_FADE_NOT_YET_PREDICTABLE) {
        (void)printf("First: %s, cycle %s, between %s and %s\n",
                     a->resistance_first ? "resistance" : "capacity",
                     wane_fixed(a->first.eol_median_cycle, 0, median, sizeof median),
                     wane_fixed(a->first.eol_p10_cycle, 0, p10, sizeof p10),
                     wane_fixed(a->first.eol_p90_cycle, 0, p90, sizeof p90));
    }
}

static void nothing_yet(double threshold_ah, struct wn_fade_result *r)
{
    memset(r, 0, sizeof *r);
    r->state = WN_FADE_NOT_YET_PREDICTABLE;
    r->threshold_ah = threshold_ah;
    r->eol_median_cycle = r->eol_p10_cycle = r->eol_p90_cycle = r->crossed_at_cycle = NAN;
    (void)snprintf(r->reason, sizeof r->reason, "no cycle is over yet");
}

static int project_resistance(const struct fade_source *s, double rise, struct answer *out,
                              struct wn_error *err)
{
    struct wn_fade_point *scratch = malloc(s->n * sizeof *scratch);
    if (scratch == NULL) {
        return wn_error_set(err, WN_ENOMEM, "%s: no memory for its resistances", s->name);
    }
    int rc = wn_fade_project_resistance(s->point, s->n, rise, scratch, &out->resistance, err);
    free(scratch);
    if (rc == WN_OK) {
        wn_fade_first_of(&out->capacity, &out->resistance.life, &out->first,
                         &out->resistance_first);
    }
    return rc;
}

/* Without any cycle the answer is the same as with too few: a campaign may be asked on its first
 * day. */
static int project(struct wane *w, const struct fade_source *s, double threshold_ah,
                   const struct wane_value *rise, struct answer *out)
{
    struct wn_error err = {0};
    memset(out, 0, sizeof *out);
    out->with_resistance = rise->given;
    if (s->n == 0) {
        nothing_yet(threshold_ah, &out->capacity);
        nothing_yet(NAN, &out->resistance.life);
        out->first = out->capacity;
        out->resistance.initial_ohm = out->resistance.threshold_ohm = NAN;
        out->resistance.reference_c = NAN;
        return WANE_DONE;
    }
    fade_own_of(s, threshold_ah, &out->own);
    int rc =
        wn_fade_project_own(s->point, s->n, threshold_ah, &out->own.lives, &out->capacity, &err);
    if (rc == WN_OK && rise->given) {
        rc = project_resistance(s, rise->number, out, &err);
    }
    return rc == WN_OK ? WANE_DONE : wane_fail(w, &err);
}

static int answer(struct wane *w, const struct fade_source *s, double threshold_ah,
                  const struct wane_args *a)
{
    struct answer *out = malloc(sizeof *out);
    int rc = WANE_FAILED;
    if (out == NULL) {
        (void)fprintf(stderr, "wane project: out of memory\n");
        return rc;
    }
    rc = project(w, s, threshold_ah, &a->value[P_RISE], out);
    if (rc == WANE_DONE && w->json) {
        rc = wane_print_json(project_json(s, out, a->value[P_AT].count));
    } else if (rc == WANE_DONE) {
        print_projection(w, s, &out->capacity);
        if (out->with_resistance) {
            print_resistance(out);
        }
        rc = wane_flush();
    }
    free(out);
    return rc;
}

static int run_project(struct wane *w, const struct wane_args *a)
{
    struct fade_source s;
    double threshold_ah = NAN;
    int rc = check_project(w, a);
    rc = rc == WANE_DONE ? fade_source_open(w, a, &a->value[P_CSV], a->value[P_AT].count, &s) : rc;
    if (rc != WANE_DONE) {
        return rc;
    }
    rc = find_threshold(w, a, &s, &threshold_ah);
    if (rc == WANE_DONE && a->value[P_HISTORY].given) {
        rc = fade_tell_history(w, &s, threshold_ah);
    } else if (rc == WANE_DONE) {
        rc = answer(w, &s, threshold_ah, a);
    }
    fade_source_close(&s);
    return rc;
}

const struct wane_command cmd_project = {
    .name = "project",
    .synopsis = "(CAMPAIGN | --csv FILE) [--threshold-ah X | --retention R --of rated|initial] "
                "[--resistance-rise R] [--history] [--at-cycle N]",
    .summary = "when the capacity will fall below a threshold",
    .text = "Projects the cycle at which capacity falls below the threshold, as a\n"
            "distribution: median, 10 % and 90 % quantile. Says \"not yet predictable\" when\n"
            "that is the truth, and \"reached\" once three valid cycles in a row lie below.\n"
            "Flagged cycles are left out. Without a threshold a campaign's own one is used\n"
            "(of rated). A campaign leans on the finished ones beside it as well.\n",
    .examples = "  wane project demo\n"
                "  wane project demo --retention 0.8 --of initial --json\n"
                "  wane project --csv fade.csv --threshold-ah 1.75\n"
                "  wane project demo --at-cycle 100      # what would have been said then\n"
                "  wane project demo --history           # and at every cycle until now\n"
                "  wane project demo --resistance-rise 1 # or when the resistance has doubled\n",
    .options = project_options,
    .options_n = sizeof project_options / sizeof project_options[0],
    .operands_max = 1,
    .run = run_project,
};
