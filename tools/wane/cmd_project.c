/* wane project, wane claim: when the capacity will fall below a threshold, and whether a claim
 * holds. SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/num.h"
#include "fade_source.h"
#include "measuring.h"

enum { P_CSV, P_THRESHOLD, P_RETENTION, P_OF, P_RATED, P_AT };

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
    if (retention->given && retention->number >= 1) {
        return wane_usage(w, "--retention is '%s': write a part below 1, e.g. 0.7 for 70 %%",
                          retention->text);
    }
    return WANE_DONE;
}

static json_t *project_json(const struct fade_source *s, const struct wn_fade_result *r, int64_t at)
{
    bool known = r->state != WN_FADE_NOT_YET_PREDICTABLE;
    json_t *o = json_object(), *eol = json_object();
    wane_put(o, "cycles_used", json_integer((json_int_t)r->cycles_used));
    wane_put(o, "state", json_string(wn_fade_state_name(r->state)));
    wane_put(eol, "median", wane_number(known ? r->eol_median_cycle : NAN));
    wane_put(eol, "p10", wane_number(known ? r->eol_p10_cycle : NAN));
    wane_put(eol, "p90", wane_number(known ? r->eol_p90_cycle : NAN));
    wane_put(o, "eol_cycle", eol);
    wane_put(o, "crossed_at", wane_number(r->state == WN_FADE_REACHED ? r->crossed_at_cycle : NAN));
    wane_put(o, "threshold_ah", wane_number(r->threshold_ah));
    wane_put(o, "initial_capacity_ah", wane_number(wn_fade_initial_capacity_ah(s->point, s->n)));
    wane_put(o, "cycles_left_out", json_integer((json_int_t)r->cycles_left_out));
    wane_put(o, "at_cycle", at > 0 ? json_integer(at) : json_null());
    wane_put(o, "source", json_string(s->name));
    wane_put(o, "simulated", json_boolean(s->simulated));
    wane_put(o, "reason", json_string(r->reason));
    return o;
}

static void print_source(const struct wane *w, const struct fade_source *s)
{
    if (s->is_campaign) {
        wane_print_heading(w, &s->campaign);
    } else {
        (void)printf("%s\n", s->name);
    }
}

static void print_projection(const struct wane *w, const struct fade_source *s,
                             const struct wn_fade_result *r)
{
    char ah[WN_NUM_SIZE], median[WN_NUM_SIZE], p10[WN_NUM_SIZE], p90[WN_NUM_SIZE];
    (void)wane_fixed(r->threshold_ah, 4, ah, sizeof ah);
    (void)wane_fixed(r->eol_median_cycle, 0, median, sizeof median);
    (void)wane_fixed(r->eol_p10_cycle, 0, p10, sizeof p10);
    (void)wane_fixed(r->eol_p90_cycle, 0, p90, sizeof p90);
    print_source(w, s);
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
static int project(struct wane *w, const struct fade_source *s, double threshold_ah,
                   struct wn_fade_result *r)
{
    struct wn_error err = {0};
    if (s->n == 0) {
        memset(r, 0, sizeof *r);
        r->state = WN_FADE_NOT_YET_PREDICTABLE;
        r->threshold_ah = threshold_ah;
        r->eol_median_cycle = r->eol_p10_cycle = r->eol_p90_cycle = r->crossed_at_cycle = NAN;
        (void)snprintf(r->reason, sizeof r->reason, "no cycle is over yet");
        return WANE_DONE;
    }
    return wn_fade_project(s->point, s->n, threshold_ah, r, &err) == WN_OK ? WANE_DONE
                                                                           : wane_fail(w, &err);
}

static int run_project(struct wane *w, const struct wane_args *a)
{
    struct fade_source s;
    struct wn_fade_result result;
    double threshold_ah = NAN;
    int rc = check_project(w, a);
    rc = rc == WANE_DONE ? fade_source_open(w, a, &a->value[P_CSV], a->value[P_AT].count, &s) : rc;
    if (rc != WANE_DONE) {
        return rc;
    }
    rc = find_threshold(w, a, &s, &threshold_ah);
    rc = rc == WANE_DONE ? project(w, &s, threshold_ah, &result) : rc;
    if (rc == WANE_DONE && w->json) {
        rc = wane_print_json(project_json(&s, &result, a->value[P_AT].count));
    } else if (rc == WANE_DONE) {
        print_projection(w, &s, &result);
        rc = wane_flush();
    }
    fade_source_close(&s);
    return rc;
}

const struct wane_command cmd_project = {
    .name = "project",
    .synopsis = "(CAMPAIGN | --csv FILE) [--threshold-ah X | --retention R --of rated|initial] "
                "[--at-cycle N]",
    .summary = "when the capacity will fall below a threshold",
    .text = "Projects the cycle at which capacity falls below the threshold, as a\n"
            "distribution: median, 10 % and 90 % quantile. Says \"not yet predictable\" when\n"
            "that is the truth, and \"reached\" once three valid cycles in a row lie below.\n"
            "Flagged cycles are left out. Without a threshold a campaign's own one is used\n"
            "(of rated).\n",
    .examples = "  wane project demo\n"
                "  wane project demo --retention 0.8 --of initial --json\n"
                "  wane project --csv fade.csv --threshold-ah 1.75\n"
                "  wane project demo --at-cycle 100        what would have been said then\n",
    .options = project_options,
    .options_n = sizeof project_options / sizeof project_options[0],
    .operands_max = 1,
    .run = run_project,
};

enum { C_CSV, C_CYCLES, C_MIN, C_AT };

static const struct wane_option claim_options[] = {
    [C_CSV] = {"csv", 0, WANE_TEXT, "FILE",
               "columns cycle,capacity_ah[,capacity_u_ah]; - is standard input"
               "standard input"},
    [C_CYCLES] = {"cycles", 0, WANE_COUNT, "N", "the claim: after N cycles ..."},
    [C_MIN] = {"min-ah", 0, WANE_NUMBER, "X",
               "... the capacity is at least X Ah; both default to the cell's datasheet"},
    [C_AT] = {"at-cycle", 0, WANE_COUNT, "N",
              "what would have been said after cycle N: later cycles are not looked at"},
};

/* How sure a measured capacity is, and whether that is enough for a verdict. */
static void print_measured(const struct fade_source *s, int64_t cycles, double min_ah,
                           const struct wn_fade_claim *c)
{
    char ah[WN_NUM_SIZE], u[WN_NUM_SIZE];
    double expanded_ah = WN_COVERAGE_FACTOR * c->capacity_at_claim_u_ah;
    if (!isfinite(expanded_ah) || !isfinite(c->capacity_at_claim_ah)) {
        return;
    }
    double last = s->point[s->n - 1].cycle; /* it may have failed long before the claimed cycle */
    (void)printf("Measured at cycle %.0f: %s +/- %s Ah (k = 2)%s\n", fmin((double)cycles, last),
                 wane_fixed(c->capacity_at_claim_ah, 4, ah, sizeof ah),
                 wane_fixed(expanded_ah, 4, u, sizeof u),
                 fabs(c->capacity_at_claim_ah - min_ah) <= expanded_ah
                     ? ": the claim lies within the uncertainty"
                     : "");
}

static int print_claim(const struct wane *w, const struct fade_source *s, int64_t cycles,
                       double min_ah, const struct wn_fade_claim *c)
{
    char ah[WN_NUM_SIZE], then[WN_NUM_SIZE], p[WN_NUM_SIZE];
    if (w->json) {
        json_t *o = json_object();
        wane_put(o, "probability", wane_number(c->probability));
        wane_put(o, "verdict", json_string(wn_fade_verdict_name(c->verdict)));
        wane_put(o, "cycles", json_integer(cycles));
        wane_put(o, "min_ah", wane_number(min_ah));
        wane_put(o, "capacity_at_claim_ah", wane_number(c->capacity_at_claim_ah));
        wane_put(o, "capacity_at_claim_u_ah", wane_number(c->capacity_at_claim_u_ah));
        wane_put(o, "capacity_at_claim_expanded_ah",
                 wane_number(WN_COVERAGE_FACTOR * c->capacity_at_claim_u_ah));
        wane_put(o, "cycles_measured",
                 json_integer(s->n > 0 ? (json_int_t)s->point[s->n - 1].cycle : 0));
        wane_put(o, "source", json_string(s->name));
        wane_put(o, "simulated", json_boolean(s->simulated));
        return wane_print_json(o);
    }
    print_source(w, s);
    (void)printf("Claim: at least %s Ah after %lld cycles\n", wane_fixed(min_ah, 4, ah, sizeof ah),
                 (long long)cycles);
    (void)printf("Verdict: %s%s%s (probability %s; capacity at cycle %lld: %s Ah)\n", wane_bold(w),
                 wn_fade_verdict_name(c->verdict), wane_plain(w),
                 wane_fixed(c->probability, 3, p, sizeof p), (long long)cycles,
                 wane_fixed(c->capacity_at_claim_ah, 4, then, sizeof then));
    print_measured(s, cycles, min_ah, c);
    return wane_flush();
}

static int judge(struct wane *w, const struct fade_source *s, int64_t cycles, double min_ah)
{
    struct wn_error err = {0};
    struct wn_fade_claim claim = {.probability = NAN,
                                  .verdict = WN_VERDICT_NOT_YET_PREDICTABLE,
                                  .capacity_at_claim_ah = NAN,
                                  .capacity_at_claim_u_ah = NAN};
    if (s->n > 0 &&
        wn_fade_judge_claim(s->point, s->n, (double)cycles, min_ah, &claim, &err) != WN_OK) {
        return wane_fail(w, &err);
    }
    return print_claim(w, s, cycles, min_ah, &claim);
}

static int run_claim(struct wane *w, const struct wane_args *a)
{
    struct fade_source s;
    int rc = fade_source_open(w, a, &a->value[C_CSV], a->value[C_AT].count, &s);
    if (rc != WANE_DONE) {
        return rc;
    }
    bool datasheet = s.claim.cycles > 0;
    int64_t cycles = a->value[C_CYCLES].given ? a->value[C_CYCLES].count : s.claim.cycles;
    double min_ah = a->value[C_MIN].given ? a->value[C_MIN].number
                    : datasheet           ? s.claim.min_ah
                                          : NAN;
    if (cycles < 1 || !(min_ah > 0)) {
        rc = wane_usage(w, "which claim? Give --cycles N and --min-ah X%s",
                        s.is_campaign ? ": this cell's datasheet claims nothing" : "");
    } else {
        rc = judge(w, &s, cycles, min_ah);
    }
    fade_source_close(&s);
    return rc;
}

const struct wane_command cmd_claim = {
    .name = "claim",
    .synopsis = "(CAMPAIGN | --csv FILE) [--cycles N] [--min-ah X]",
    .summary = "whether a cycle-life claim holds",
    .text = "Judges \"after N cycles the capacity is still at least X\": holds or fails once\n"
            "the cycles are there, in doubt where the claim lies within the expanded\n"
            "uncertainty (k = 2) of what was measured; before, on course (probability 0.9 or\n"
            "more), in doubt, will fall short (0.1 or less), or not yet predictable.\n",
    .examples = "  wane claim demo                         the claim of the cell's datasheet\n"
                "  wane claim demo --cycles 500 --min-ah 1.75 --json\n"
                "  wane claim --csv fade.csv --cycles 300 --min-ah 1.75\n",
    .options = claim_options,
    .options_n = sizeof claim_options / sizeof claim_options[0],
    .operands_max = 1,
    .run = run_claim,
};
