/* wane claim: whether a cycle-life claim holds.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <math.h>
#include <stdio.h>

#include "base/num.h"
#include "fade_history.h"
#include "fade_source.h"

enum { C_CSV, C_CYCLES, C_MIN, C_AT, C_HISTORY };

static const struct wane_option claim_options[] = {
    [C_CSV] = {"csv", 0, WANE_TEXT, "FILE",
               "columns cycle,capacity_ah[,capacity_u_ah]; - is standard input"},
    [C_CYCLES] = {"cycles", 0, WANE_COUNT, "N", "the claim: after N cycles ..."},
    [C_MIN] = {"min-ah", 0, WANE_NUMBER, "X",
               "... the capacity is at least X Ah; both default to the cell's datasheet"},
    [C_AT] = {"at-cycle", 0, WANE_COUNT, "N",
              "what would have been said after cycle N: later cycles are not looked at"},
    [C_HISTORY] = {"history", 0, WANE_FLAG, NULL,
                   "the verdict on the way, and since when it was safe to publish"},
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
    fade_print_source(w, s);
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
    struct fade_own own;
    fade_own_of(s, min_ah, &own);
    if (s->n > 0 && wn_fade_judge_claim_own(s->point, s->n, (double)cycles, min_ah, &own.lives,
                                            &claim, &err) != WN_OK) {
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
    } else if (a->value[C_HISTORY].given) {
        rc = fade_tell_claim_history(w, &s, cycles, min_ah);
    } else {
        rc = judge(w, &s, cycles, min_ah);
    }
    fade_source_close(&s);
    return rc;
}

const struct wane_command cmd_claim = {
    .name = "claim",
    .synopsis = "(CAMPAIGN | --csv FILE) [--cycles N] [--min-ah X] [--history]",
    .summary = "whether a cycle-life claim holds",
    .text = "Judges \"after N cycles the capacity is still at least X\": holds or fails once\n"
            "the cycles are there, in doubt where the claim lies within the expanded\n"
            "uncertainty (k = 2) of what was measured; before, on course (probability 0.9 or\n"
            "more), in doubt, will fall short (0.1 or less), or not yet predictable.\n"
            "--history tells since which cycle the verdict has pointed the same way: from\n"
            "there on it was safe to publish.\n",
    .examples = "  wane claim demo                       # the claim of the cell's datasheet\n"
                "  wane claim demo --cycles 500 --min-ah 1.75 --json\n"
                "  wane claim --csv fade.csv --cycles 300 --min-ah 1.75\n",
    .options = claim_options,
    .options_n = sizeof claim_options / sizeof claim_options[0],
    .operands_max = 1,
    .run = run_claim,
};
