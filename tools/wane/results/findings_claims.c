/* Findings: what the datasheet claims, beside what was measured.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "findings.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"

/* The rated capacity may be looked for in so many cycles (IEC 61960-3, from memory). */
enum { FRESH_CYCLES = 5 };

static const char not_measured[] = "not measured";

static struct finding_claim *add(struct findings *f, const char *key, const char *title,
                                 const char *unit, double bound, bool at_most)
{
    struct finding_claim *c = &f->claim[f->claims++];
    memset(c, 0, sizeof *c);
    c->key = key;
    c->title = title;
    c->unit = unit;
    c->bound = bound;
    c->at_most = at_most;
    c->measured = (struct wn_measured){NAN, NAN};
    c->probability = NAN;
    c->verdict = not_measured;
    return c;
}

static void say(char *buf, size_t size, const char *fmt, ...) __attribute__((format(printf, 3, 4)));
static void say(char *buf, size_t size, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(buf, size, fmt, args);
    va_end(args);
}

/* Holds or fails once the value is further from the bound than its expanded uncertainty; as a claim
 * of cycle life is judged. */
static void judge(struct finding_claim *c)
{
    double expanded = WN_COVERAGE_FACTOR * c->measured.u;
    double margin = c->at_most ? c->bound - c->measured.value : c->measured.value - c->bound;
    if (!isfinite(c->measured.value)) {
        return;
    }
    if (isfinite(expanded) && fabs(margin) <= expanded) {
        c->verdict = wn_fade_verdict_name(WN_VERDICT_IN_DOUBT);
    } else {
        c->verdict = wn_fade_verdict_name(margin >= 0 ? WN_VERDICT_HOLDS : WN_VERDICT_FAILS);
    }
    if (!isfinite(expanded) && c->note[0] == '\0') {
        say(c->note, sizeof c->note, "The uncertainty of the value is not known.");
    }
}

/* The largest capacity of a fresh cell at 0.2 It to the datasheet's cut-off. */
static bool find_fresh(const struct findings *f, struct finding_discharge *best)
{
    const struct wn_cell *cell = &f->info.cell;
    const struct finding_discharge wanted = {.current_a = 0.2 * cell->rated_capacity_ah,
                                             .cutoff_v = cell->discharge_cutoff_v};
    struct finding_discharge d;
    bool found = false;
    for (size_t i = 0; i < f->cycle.n + f->check_ups; i++) {
        bool check_up = i >= f->cycle.n;
        size_t at = check_up ? i - f->cycle.n : i;
        bool measured = check_up ? findings_discharge_of_check_up(f, at, &d)
                                 : findings_discharge_of_cycle(f, at, &d);
        int64_t age = check_up ? f->check_up[at].after_cycle + 1 : f->cycle.row[at].cycle;
        if (measured && age <= FRESH_CYCLES && (d.flags & WN_FLAGS_INVALID) == 0 &&
            findings_same_rate(&d, &wanted) &&
            (!found || d.capacity_ah.value > best->capacity_ah.value)) {
            *best = d;
            found = true;
        }
    }
    return found;
}

static void claim_capacity(struct findings *f, const char *key, const char *title, double bound,
                           const struct finding_discharge *fresh)
{
    char ah[WN_NUM_SIZE], current[24], volt[WN_NUM_SIZE];
    const struct wn_cell *cell = &f->info.cell;
    struct finding_claim *c = add(f, key, title, "Ah", bound, false);
    (void)findings_set(false, 0.2 * cell->rated_capacity_ah, current, sizeof current);
    say(c->claimed, sizeof c->claimed, "at least %s Ah at 0.2 It (%s) to %s V",
        wn_num_fixed(bound, 3, ah, sizeof ah), current,
        wn_num_format(cell->discharge_cutoff_v, 4, volt, sizeof volt));
    if (fresh == NULL) {
        say(c->note, sizeof c->note,
            "No valid discharge at 0.2 It to this voltage in the first %d cycles.", FRESH_CYCLES);
        return;
    }
    c->measured = fresh->capacity_ah;
    c->at = fresh->at;
    judge(c);
}

/* A nominal value promises nothing; it is told beside what was measured. */
static void claim_voltage(struct findings *f, const struct finding_discharge *fresh)
{
    char volt[WN_NUM_SIZE];
    const struct wn_accuracy *a = &f->measuring.accuracy;
    double nominal_v = f->info.cell.nominal_voltage_v;
    struct finding_claim *c = add(f, "nominal_voltage", "Nominal voltage", "V", nominal_v, false);
    say(c->claimed, sizeof c->claimed, "%s V", wn_num_format(nominal_v, 4, volt, sizeof volt));
    if (fresh == NULL) {
        return;
    }
    c->measured.value = fresh->mean_voltage_v;
    c->measured.u = (a->voltage_reading * fresh->mean_voltage_v + a->voltage_fixed_v) / sqrt(3);
    c->measured.u = measuring_told(&f->measuring) ? c->measured.u : NAN;
    c->at = fresh->at;
    c->verdict = "no limit";
    say(c->note, sizeof c->note, "Mean voltage (Wh / Ah) at 0.2 It; a nominal value is no limit.");
}

static void claim_impedance(struct findings *f)
{
    char x[WN_NUM_SIZE], hz[WN_NUM_SIZE];
    const struct wn_cell *cell = &f->info.cell;
    struct finding_claim *c =
        add(f, "ac_impedance", "AC impedance", "ohm", cell->ac_impedance_max_ohm, true);
    say(c->claimed, sizeof c->claimed, "at most %s mohm at 1 kHz",
        wn_num_format(1e3 * c->bound, 4, x, sizeof x));
    bool same = fabs(cell->ac_impedance_hz - FINDINGS_IMPEDANCE_HZ) <= 0.01 * FINDINGS_IMPEDANCE_HZ;
    if (!(cell->ac_impedance_ohm > 0)) {
        return;
    }
    if (!same) {
        bool told = isfinite(cell->ac_impedance_hz);
        say(c->note, sizeof c->note, "%s mohm were entered, %s%s%s.",
            wn_num_format(1e3 * cell->ac_impedance_ohm, 4, x, sizeof x),
            told ? "at " : "and not at which frequency",
            told ? wn_num_format(cell->ac_impedance_hz, 4, hz, sizeof hz) : "", told ? " Hz" : "");
        return;
    }
    c->measured.value = cell->ac_impedance_ohm;
    say(c->note, sizeof c->note, "Entered by hand; its uncertainty is not known.");
    judge(c);
}

static void claim_resistance(struct findings *f)
{
    char x[WN_NUM_SIZE];
    struct finding_claim *c =
        add(f, "dc_resistance", "DC resistance", "ohm", f->info.cell.dc_resistance_max_ohm, true);
    say(c->claimed, sizeof c->claimed, "at most %s mohm, two-level method, new cell",
        wn_num_format(1e3 * c->bound, 4, x, sizeof x));
    for (size_t i = 0; i < f->check_ups; i++) {
        const struct wn_check_up_record *u = &f->check_up[i];
        if (isfinite(u->resistance_ohm.value) && u->after_cycle < FRESH_CYCLES) {
            c->measured = u->resistance_ohm;
            c->at = (struct finding_place){u->check_up, true};
            judge(c);
            return;
        }
    }
    say(c->note, sizeof c->note, "No check-up in the first %d cycles measured it so.",
        FRESH_CYCLES);
}

/* Was every charge of a cycle the one the claim speaks of? *known is false when it cannot be told.
 */
static bool charged_as_claimed(const struct findings *f, bool *known)
{
    const struct wn_cell *cell = &f->info.cell;
    char wanted[WN_STEP_DESCRIBE_SIZE];
    const struct wn_step step = {.kind = WN_STEP_CHARGE,
                                 .current_a = cell->claim.charge_current_a,
                                 .voltage_v = cell->charge_voltage_v,
                                 .until_current_a = cell->claim.charge_until_current_a};
    bool same = true;
    (void)wn_step_describe(&step, wanted, sizeof wanted);
    *known = f->plan != NULL;
    for (size_t i = 0; i < f->steps && *known; i++) {
        const struct wn_step_record *s = &f->step[i];
        same = same &&
               (s->in_check_up || s->kind != WN_STEP_CHARGE || strcmp(s->description, wanted) == 0);
    }
    return same;
}

static void judge_life(struct findings *f, struct finding_claim *c)
{
    struct wn_fade_point *point = calloc(f->cycle.n + 1, sizeof *point);
    struct wn_fade_claim verdict;
    size_t n = point != NULL ? findings_points(f, &f->rate[f->fade.rate], point) : 0;
    if (n > 0 && wn_fade_judge_claim(point, n, (double)f->info.cell.claim.cycles, c->bound,
                                     &verdict, NULL) == WN_OK) {
        double last = point[n - 1].cycle;
        bool reached = last >= (double)f->info.cell.claim.cycles;
        bool fell = verdict.verdict == WN_VERDICT_FAILS;
        c->verdict = wn_fade_verdict_name(verdict.verdict);
        c->probability = verdict.probability;
        c->measured.value = reached || fell ? verdict.capacity_at_claim_ah : NAN;
        c->measured.u = reached || fell ? verdict.capacity_at_claim_u_ah : NAN;
        c->at.number = reached ? f->info.cell.claim.cycles : fell ? (int64_t)last : 0;
        if (!reached && !fell) {
            say(c->note, sizeof c->note, "After %.0f of %lld cycles: a projection.", last,
                (long long)f->info.cell.claim.cycles);
        }
    }
    free(point);
}

static void claim_life(struct findings *f)
{
    char ah[WN_NUM_SIZE], charge[24], discharge[24], volt[WN_NUM_SIZE], rate[24];
    const struct wn_claim *m = &f->info.cell.claim;
    bool known = false;
    struct finding_claim *c = add(f, "cycle_life", "Cycle life", "Ah", m->min_ah, false);
    say(c->claimed, sizeof c->claimed,
        "at least %s Ah (%.4g %% of rated) after %lld cycles, charged with %s, discharged with %s "
        "to %s V",
        wn_num_fixed(m->min_ah, 3, ah, sizeof ah), 100 * m->retention, (long long)m->cycles,
        findings_set(false, m->charge_current_a, charge, sizeof charge),
        findings_set(false, m->discharge_current_a, discharge, sizeof discharge),
        wn_num_format(m->discharge_until_voltage_v, 4, volt, sizeof volt));
    const struct finding_discharge wanted = {.current_a = m->discharge_current_a,
                                             .cutoff_v = m->discharge_until_voltage_v};
    if (!f->fade.known) {
        say(c->note, sizeof c->note, "No two valid cycles at one rate were made.");
        return;
    }
    const struct finding_rate *r = &f->rate[f->fade.rate];
    if (!findings_same_rate(&f->fade.first, &wanted)) {
        say(c->note, sizeof c->note, "It was cycled with %s to %s V: the claim speaks of another.",
            findings_set(r->power, r->set, rate, sizeof rate),
            wn_num_format(r->cutoff_v, 4, volt, sizeof volt));
        return;
    }
    bool same = charged_as_claimed(f, &known);
    judge_life(f, c);
    if (!known || !same) {
        size_t at = strlen(c->note);
        say(c->note + at, sizeof c->note - at, "%s%s", at > 0 ? " " : "",
            known ? "Charged in another way than the claim says."
                  : "How it was charged is not known.");
    }
}

void findings_judge_claims(struct findings *f)
{
    const struct wn_cell *cell = &f->info.cell;
    struct finding_discharge fresh;
    bool rated = cell->rated_capacity_ah > 0 && cell->discharge_cutoff_v > 0;
    f->claims = 0;
    bool found = rated && find_fresh(f, &fresh);
    if (rated) {
        claim_capacity(f, "rated_capacity", "Rated capacity", cell->rated_capacity_ah,
                       found ? &fresh : NULL);
    }
    if (rated && cell->nominal_capacity_ah > 0) {
        claim_capacity(f, "nominal_capacity", "Nominal capacity", cell->nominal_capacity_ah,
                       found ? &fresh : NULL);
    }
    if (cell->nominal_voltage_v > 0) {
        claim_voltage(f, found ? &fresh : NULL);
    }
    if (cell->ac_impedance_max_ohm > 0) {
        claim_impedance(f);
    }
    if (cell->dc_resistance_max_ohm > 0) {
        claim_resistance(f);
    }
    if (cell->claim.cycles > 0) {
        claim_life(f);
    }
}
