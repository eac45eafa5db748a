/* Findings: under which conditions it was measured.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "findings.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/num.h"

#define CLOCK_SLACK_S 1.0 /* between the end of one step and the begin of the next */

enum { CHARGES_MAX = 4 };

const char *findings_kept_word(enum finding_kept kept)
{
    switch (kept) {
    case FINDING_KEPT:
        return "kept";
    case FINDING_NOT_KEPT:
        return "not kept";
    case FINDING_NOT_KNOWN:
        break;
    }
    return "not known";
}

static struct finding_condition *add(struct findings *f, const char *key, const char *title,
                                     const char *asked)
{
    struct finding_condition *c = &f->condition[f->conditions++];
    memset(c, 0, sizeof *c);
    c->key = key;
    c->title = title;
    c->kept = FINDING_NOT_KNOWN;
    (void)snprintf(c->asked, sizeof c->asked, "%s", asked);
    return c;
}

static void say(struct finding_condition *c, const char *fmt, ...)
    __attribute__((format(printf, 2, 3)));
static void say(struct finding_condition *c, const char *fmt, ...)
{
    size_t at = strlen(c->found);
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(c->found + at, sizeof c->found - at, fmt, args);
    va_end(args);
}

static void judged(struct finding_condition *c, bool good, struct finding_place at)
{
    c->judged++;
    if (!good && c->missed++ == 0) {
        c->first_missed = at;
    }
}

static struct finding_place place_of(const struct wn_step_record *s)
{
    return (struct finding_place){s->cycle, s->in_check_up};
}

static bool is_discharge(const struct wn_step_record *s)
{
    return s->kind == WN_STEP_DISCHARGE || s->kind == WN_STEP_DISCHARGE_POWER;
}

static bool is_over(const struct wn_step_record *s)
{
    return s->ended_by[0] != '\0';
}

/* Kept when all were seen and none missed; not known when nobody looked, or at some nobody did. */
static void conclude(struct finding_condition *c)
{
    c->kept = c->missed > 0                      ? FINDING_NOT_KEPT
              : c->judged > 0 && c->unknown == 0 ? FINDING_KEPT
                                                 : FINDING_NOT_KNOWN;
}

/* ", 3 of 40 did not, first in cycle 12" */
static void say_missed(struct finding_condition *c, const char *verb)
{
    char place[40];
    if (c->missed > 0) {
        say(c, "; %lld of %lld %s, first in %s", (long long)c->missed, (long long)c->judged, verb,
            c->first_missed.number > 0 ? findings_place(c->first_missed, place, sizeof place)
                                       : "a step outside of the cycles");
    }
}

/* What a step says of the window: by the ambient thermometer over the whole step; where there is
 * none, by the cell's own when a charge or discharge begins, for it has rested then. */
static bool window_of(const struct wn_step_record *s, bool ambient, double *low_c, double *high_c)
{
    *low_c = ambient ? s->sums.ambient_min_c : s->sums.temperature_start_c;
    *high_c = ambient ? s->sums.ambient_max_c : s->sums.temperature_start_c;
    return isfinite(*low_c) && isfinite(*high_c);
}

static void judge_temperature(struct findings *f)
{
    char a[WN_NUM_SIZE], b[WN_NUM_SIZE];
    double low_c = INFINITY, high_c = -INFINITY, low, high;
    bool ambient = false;
    struct finding_condition *c =
        add(f, "temperature_window", "Temperature",
            "20 +/- 5 degC (15 to 25 degC) during the whole of every charge, rest and discharge");
    for (size_t i = 0; i < f->steps; i++) {
        ambient = ambient || isfinite(f->step[i].sums.ambient_min_c);
    }
    for (size_t i = 0; i < f->steps; i++) {
        const struct wn_step_record *s = &f->step[i];
        if (!is_over(s) || (!ambient && s->kind == WN_STEP_REST)) {
            continue;
        }
        if (!window_of(s, ambient, &low, &high)) {
            c->unknown++;
            continue;
        }
        low_c = fmin(low_c, low);
        high_c = fmax(high_c, high);
        judged(c, low >= FINDINGS_AMBIENT_MIN_C && high <= FINDINGS_AMBIENT_MAX_C, place_of(s));
    }
    conclude(c);
    if (c->judged == 0) {
        say(c, "No thermometer tells.");
        return;
    }
    say(c, "%s %s to %s degC",
        ambient ? "Ambient"
                : "No ambient thermometer; the cell before charges "
                  "and discharges",
        wn_num_fixed(low_c, 1, a, sizeof a), wn_num_fixed(high_c, 1, b, sizeof b));
    say_missed(c, "steps left the window");
    if (c->unknown > 0) {
        say(c, "; %lld steps without a temperature", (long long)c->unknown);
    }
    say(c, ".");
}

static bool rests(const struct wn_step_record *s)
{
    return s->kind == WN_STEP_REST &&
           wn_ns_to_s(s->end_ns - s->start_ns) >= FINDINGS_REST_MIN_S - CLOCK_SLACK_S;
}

/* by: -1 before the discharge, 1 after it. */
static void judge_rests(struct findings *f, int by, const char *key, const char *title,
                        const char *asked)
{
    char span[WN_SPAN_SIZE];
    double shortest_s = INFINITY;
    bool any = false;
    struct finding_condition *c = add(f, key, title, asked);
    for (size_t i = 0; i < f->steps; i++) {
        const struct wn_step_record *s = &f->step[i];
        bool beside = by < 0 ? i > 0 : i + 1 < f->steps;
        const struct wn_step_record *r = beside ? s + by : NULL;
        any = any || s->kind == WN_STEP_REST;
        if (!is_discharge(s) || !is_over(s) || (r != NULL && !is_over(r)) ||
            (r == NULL && by > 0 && !f->over)) {
            continue; /* what is still going on is not judged */
        }
        bool rest = r != NULL && r->kind == WN_STEP_REST;
        shortest_s = fmin(shortest_s, rest ? wn_ns_to_s(r->end_ns - r->start_ns) : 0);
        judged(c, rest && rests(r), place_of(s));
    }
    conclude(c);
    if (!any && f->info.imported) { /* a log may hold the discharges alone */
        c->kept = FINDING_NOT_KNOWN;
        c->missed = 0;
        c->first_missed = (struct finding_place){0, false};
        say(c, "The log holds no rests.");
    } else if (c->judged == 0) {
        say(c, "No discharge is over yet.");
    } else {
        say(c, "%lld discharges, shortest rest %s", (long long)c->judged,
            shortest_s > 0 ? wn_span_format(shortest_s, span, sizeof span) : "none");
        say_missed(c, "had less");
        say(c, ".");
    }
}

/* The charges that were made, by what they were. */
struct charges {
    char description[CHARGES_MAX][120];
    int64_t n[CHARGES_MAX];
    int kinds;
    int64_t more; /* of further kinds */
};

static void count_charge(struct charges *k, const char *description)
{
    for (int i = 0; i < k->kinds; i++) {
        if (strcmp(k->description[i], description) == 0) {
            k->n[i]++;
            return;
        }
    }
    if (k->kinds == CHARGES_MAX) {
        k->more++;
        return;
    }
    (void)snprintf(k->description[k->kinds], sizeof k->description[0], "%s", description);
    k->n[k->kinds++] = 1;
}

static void describe_charge(const struct wn_cell *cell, double current_a, double until_a, char *buf,
                            size_t size)
{
    const struct wn_step s = {.kind = WN_STEP_CHARGE,
                              .current_a = current_a,
                              .voltage_v = cell->charge_voltage_v,
                              .until_current_a = until_a};
    (void)wn_step_describe(&s, buf, size);
}

/* Was every charge the datasheet's standard charge, or the one its claim speaks of? */
static void judge_charge_kind(struct findings *f)
{
    const struct wn_cell *cell = &f->info.cell;
    char standard[WN_STEP_DESCRIBE_SIZE], claimed[WN_STEP_DESCRIBE_SIZE] = "";
    struct charges k;
    struct finding_condition *c =
        add(f, "standard_charge", "Standard charge",
            "the datasheet's standard charge, or the charge its claim speaks of");
    memset(&k, 0, sizeof k);
    describe_charge(cell, cell->standard_charge_current_a, cell->standard_charge_until_a, standard,
                    sizeof standard);
    if (cell->claim.cycles > 0) {
        describe_charge(cell, cell->claim.charge_current_a, cell->claim.charge_until_current_a,
                        claimed, sizeof claimed);
    }
    for (size_t i = 0; i < f->steps; i++) {
        const struct wn_step_record *s = &f->step[i];
        if (s->kind == WN_STEP_CHARGE && is_over(s) && !f->info.imported) {
            count_charge(&k, s->description);
            judged(c, strcmp(s->description, standard) == 0 || strcmp(s->description, claimed) == 0,
                   place_of(s));
        }
    }
    conclude(c);
    for (int i = 0; i < k.kinds; i++) {
        const char *d = k.description[i];
        say(c, "%s%lld x %s (%s)", i > 0 ? "; " : "", (long long)k.n[i], d,
            strcmp(d, standard) == 0  ? "standard charge"
            : strcmp(d, claimed) == 0 ? "as the claim says"
                                      : "another");
    }
    if (k.more > 0) {
        say(c, "; %lld x others", (long long)k.more);
    }
    say(c, "%s.",
        c->judged > 0      ? ""
        : f->info.imported ? "A log does not tell how the charger was set"
                           : "No charge is over yet");
}

static void judge_charge_ends(struct findings *f)
{
    struct finding_condition *c =
        add(f, "charge_complete", "Charges complete", "every charge to its end current");
    for (size_t i = 0; i < f->steps; i++) {
        const struct wn_step_record *s = &f->step[i];
        if (s->kind == WN_STEP_CHARGE && is_over(s) && !f->info.imported) {
            judged(c, strcmp(s->ended_by, "current") == 0, place_of(s));
        }
    }
    conclude(c);
    if (c->judged > 0) {
        say(c, "%lld charges", (long long)c->judged);
        say_missed(c, "ended otherwise");
    } else {
        say(c, "%s",
            f->info.imported ? "A log does not tell how the charger was set"
                             : "No charge is over yet");
    }
    say(c, ".");
}

/* Cycles and check-ups without a flag of `flags`. */
static struct finding_condition *judge_flags(struct findings *f, unsigned flags, const char *key,
                                             const char *title, const char *asked, const char *verb)
{
    struct finding_condition *c = add(f, key, title, asked);
    for (size_t i = 0; i < f->cycle.n; i++) {
        const struct wn_cycle_record *r = &f->cycle.row[i];
        judged(c, (r->flags & flags) == 0, (struct finding_place){r->cycle, false});
    }
    for (size_t i = 0; i < f->check_ups; i++) {
        const struct wn_check_up_record *r = &f->check_up[i];
        judged(c, (r->flags & flags) == 0, (struct finding_place){r->check_up, true});
    }
    conclude(c);
    if (c->judged == 0) {
        say(c, "No cycle is over yet");
    } else {
        say(c, "%zu cycles, %zu check-ups", f->cycle.n, f->check_ups);
        say_missed(c, verb);
    }
    return c;
}

static void judge_complete(struct findings *f)
{
    char span[WN_SPAN_SIZE];
    struct finding_condition *c =
        judge_flags(f, WN_FLAG_INTERRUPTED | WN_FLAG_GAP, "complete", "Without a break",
                    "no interruption, and no gap in the readings", "were interrupted or have gaps");
    if (f->missing_s > 0) {
        say(c, "; readings are missing for %s", wn_span_format(f->missing_s, span, sizeof span));
    }
    say(c, ".");
}

static void judge_sense(struct findings *f)
{
    struct finding_condition *c = add(f, "four_wire", "Four wires",
                                      "voltage measured with sense leads of its own at the cell");
    c->kept = f->sense == WN_SENSE_FOUR_WIRE  ? FINDING_KEPT
              : f->sense == WN_SENSE_TWO_WIRE ? FINDING_NOT_KEPT
                                              : FINDING_NOT_KNOWN;
    say(c, "%s",
        f->sense == WN_SENSE_FOUR_WIRE  ? "4-wire, as stated in the configuration."
        : f->sense == WN_SENSE_TWO_WIRE ? "2-wire, as stated in the configuration: the drop "
                                          "along the leads is in every voltage."
                                        : "Not stated.");
}

static void judge_accuracy(struct findings *f)
{
    struct finding_condition *c = add(f, "tolerances", "Measuring tolerances",
                                      "those of IEC 61960-3, from the stated accuracy");
    bool told = measuring_told(&f->measuring);
    c->kept = !told                            ? FINDING_NOT_KNOWN
              : f->tolerances_unmet[0] == '\0' ? FINDING_KEPT
                                               : FINDING_NOT_KEPT;
    say(c, "%s",
        !told ? "The accuracy of the instrument is not told; no uncertainty can be stated."
        : f->tolerances_unmet[0] == '\0' ? "All met."
                                         : f->tolerances_unmet);
}

/* Certificates of voltage and current, and whether they were valid from the first to the last
 * record. */
static void judge_calibration(struct findings *f)
{
    struct finding_condition *c = add(f, "calibration", "Calibration",
                                      "certificates of voltage and current, valid all the time");
    bool voltage = false, current = false;
    for (int i = 0; i < f->certificates; i++) {
        const struct wn_calibration_record *k = &f->certificate[i];
        struct wn_calibration_line line = k->line;
        line.known = true;
        voltage = voltage || strcmp(k->quantity, wn_quantity_name(WN_QUANTITY_VOLTAGE)) == 0;
        current = current || strcmp(k->quantity, wn_quantity_name(WN_QUANTITY_CURRENT)) == 0;
        judged(c,
               wn_calibration_valid(&line, f->info.created_utc) &&
                   (f->last_utc == 0 || wn_calibration_valid(&line, f->last_utc)),
               (struct finding_place){0, false});
    }
    conclude(c);
    if (c->kept == FINDING_KEPT && !(voltage && current)) {
        c->kept = FINDING_NOT_KNOWN;
    }
    if (f->certificates == 0) {
        say(c, "No certificate is told; uncertainties follow from the accuracy of the data sheet.");
    } else {
        say(c, "%d certified quantities%s%s.", f->certificates,
            c->missed > 0 ? "; not all certificates were valid all the time" : "",
            voltage && current ? "" : "; not both of voltage and current");
    }
}

void findings_judge_conditions(struct findings *f)
{
    f->conditions = 0;
    judge_temperature(f);
    judge_rests(f, -1, "rest_before_discharge", "Rest before",
                "1 h or more between charge and discharge");
    judge_rests(f, 1, "rest_after_discharge", "Rest after",
                "1 h or more between discharge and charge");
    judge_charge_kind(f);
    judge_charge_ends(f);
    struct finding_condition *c = judge_flags(
        f, WN_FLAG_NOT_TO_CUTOFF | WN_FLAG_TIME_LIMIT, "to_cutoff", "Discharges complete",
        "every discharge to its cut-off voltage, no step ended by its time limit", "did not");
    say(c, ".");
    judge_complete(f);
    judge_sense(f);
    judge_accuracy(f);
    judge_calibration(f);
}
