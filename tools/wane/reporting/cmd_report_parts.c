/* wane report: what was measured.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "cmd_report.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/num.h"

enum { TEXT_SIZE = 80 };

#define HEADINGS(array) array, (int)(sizeof(array) / sizeof((array)[0]))

void report_conditions(struct report *r)
{
    static const char *const headings[] = {"Condition", "Asked for", "Found", "Kept?"};
    const struct findings *f = r->f;
    report_section(r, "conditions", "Conditions");
    report_say(
        r, NULL,
        "What a capacity means depends on how it was measured. Each condition was looked at over "
        "the whole campaign, check-ups included.");
    report_table(r, "Conditions of the measurement", HEADINGS(headings));
    for (int i = 0; i < f->conditions; i++) {
        const struct finding_condition *c = &f->condition[i];
        report_row(r, c->title);
        report_cell(r, headings[1], false, "%s", c->asked);
        report_cell(r, headings[2], false, "%s", c->found);
        wn_html_begin(r->h, "td", "data-label", headings[3], (const char *)NULL);
        report_verdict(r,
                       c->kept == FINDING_KEPT       ? "good"
                       : c->kept == FINDING_NOT_KEPT ? "bad"
                                                     : "open",
                       findings_kept_word(c->kept));
        wn_html_end(r->h);
        report_row_end(r);
    }
    report_table_end(r);
    wn_html_end(r->h);
}

/* What was not entered is said to be so. */
static void measure(struct report *r, const char *name, double x, double scale, int decimals,
                    const char *unit, const char *more)
{
    char text[TEXT_SIZE];
    if (isfinite(x) && x > 0) {
        report_pair(r, name, "%s%s", report_number(scale * x, decimals, unit, text, sizeof text),
                    more);
    } else {
        report_pair(r, name, "not recorded");
    }
}

/* Length of an event's text without its last ", by WHO". */
static int without_who(const char *text)
{
    const char *by = NULL;
    for (const char *at = strstr(text, ", by "); at != NULL; at = strstr(at + 1, ", by ")) {
        by = at;
    }
    return (int)(by != NULL ? (size_t)(by - text) : strlen(text));
}

/* What was added or corrected since the begin: when, and what it was; by whom is in the file. */
static void intake_changes(struct report *r)
{
    char utc[WN_UTC_SIZE];
    bool any = false;
    for (size_t i = 0; i < r->f->events; i++) {
        const struct wn_event_row *e = &r->f->event[i];
        if (strcmp(e->event.kind, "intake") != 0) {
            continue;
        }
        if (!any) {
            WN_HTML_LITERAL(r->h,
                            "<p>Added or corrected after the campaign was begun:</p>\n<ul>\n");
        }
        any = true;
        wn_html_begin(r->h, "li", (const char *)NULL);
        wn_html_textf(r->h, "%s: %.*s", wn_utc_format(e->utc, utc, sizeof utc),
                      without_who(e->event.text), e->event.text);
        wn_html_end(r->h);
        WN_HTML_LITERAL(r->h, "\n");
    }
    if (any) {
        WN_HTML_LITERAL(r->h, "</ul>\n");
    }
}

void report_intake(struct report *r)
{
    const struct wn_cell *c = &r->f->info.cell;
    char hz[TEXT_SIZE], more[TEXT_SIZE] = ", frequency not recorded";
    if (isfinite(c->ac_impedance_hz) && c->ac_impedance_hz > 0) {
        (void)snprintf(more, sizeof more, " at %s Hz",
                       wn_num_format(c->ac_impedance_hz, 6, hz, sizeof hz));
    }
    report_section(r, "cell", "The cell at its arrival");
    WN_HTML_LITERAL(r->h, "<dl class=\"facts\">\n");
    report_pair(r, "Marking", "%s", c->marking[0] != '\0' ? c->marking : "not recorded");
    measure(r, "Mass", c->mass_g, 1, 1, "g", "");
    measure(r, "Diameter", c->diameter_mm, 1, 1, "mm", "");
    measure(r, "Length", c->length_mm, 1, 1, "mm", "");
    measure(r, "Voltage at arrival", c->arrival_voltage_v, 1, 3, "V", "");
    measure(r, "AC impedance, entered by hand", c->ac_impedance_ohm, 1e3, 2, "mohm", more);
    WN_HTML_LITERAL(r->h, "</dl>\n");
    intake_changes(r);
    WN_HTML_LITERAL(r->h, "<h3>What its datasheet says</h3>\n<dl class=\"facts\">\n");
    measure(r, "Rated capacity", c->rated_capacity_ah, 1, 3, "Ah", "");
    if (c->nominal_capacity_ah > 0) {
        measure(r, "Nominal capacity", c->nominal_capacity_ah, 1, 3, "Ah", "");
    }
    measure(r, "Nominal voltage", c->nominal_voltage_v, 1, 2, "V", "");
    measure(r, "End of charge", c->charge_voltage_v, 1, 2, "V", "");
    measure(r, "End of discharge", c->discharge_cutoff_v, 1, 2, "V", "");
    measure(r, "Highest charge current", c->charge_current_max_a, 1, 2, "A", "");
    measure(r, "Highest discharge current", c->discharge_current_max_a, 1, 2, "A", "");
    WN_HTML_LITERAL(r->h, "</dl>\n");
    wn_html_end(r->h);
}

void report_figure(struct report *r, const char *word)
{
    for (int i = 0; i < r->pictures; i++) {
        const struct report_picture *p = &r->picture[i];
        struct wn_error err = {0};
        char id[40];
        if (strcmp(p->word, word) != 0) {
            continue;
        }
        (void)snprintf(id, sizeof id, "figure-%s", p->word);
        wn_html_begin(r->h, "figure", "id", id, (const char *)NULL);
        wn_html_begin(r->h, "div", "class", "picture", "role", "img", "aria-label", p->title,
                      (const char *)NULL);
        if (p->svg == NULL || wn_html_svg(r->h, p->svg, &err) != WN_OK) {
            report_say(r, "missing", "No picture: %s.", p->svg == NULL ? p->why : err.text);
        }
        wn_html_end(r->h);
        wn_html_element(r->h, "figcaption", NULL, p->caption);
        wn_html_end(r->h);
        WN_HTML_LITERAL(r->h, "\n");
    }
}

static void rate_row(struct report *r, const struct finding_rate *q, const char *const *headings)
{
    char a[TEXT_SIZE], b[TEXT_SIZE], hot[TEXT_SIZE] = "", flags[160];
    const struct finding_discharge *d = &q->first;
    report_row(r, findings_set(q->power, q->set, a, sizeof a));
    if (isfinite(q->until_temperature_c)) {
        (void)snprintf(hot, sizeof hot, ", or %s",
                       report_number(q->until_temperature_c, 0, "degC", b, sizeof b));
    }
    report_cell(r, headings[1], true, "%s%s", report_number(q->cutoff_v, 2, "V", a, sizeof a), hot);
    report_cell(r, headings[2], true, "%lld", (long long)q->n);
    report_cell(r, headings[3], true, "%s", report_pm(d->capacity_ah, 1, 4, a, sizeof a));
    report_cell(r, headings[4], true, "%s", report_pm(d->energy_wh, 1, 3, a, sizeof a));
    report_cell(r, headings[5], true, "%s", report_number(d->mean_voltage_v, 3, "", a, sizeof a));
    report_cell(r, headings[6], true, "%s",
                report_number(q->temperature_max_c, 1, "", a, sizeof a));
    if (q->valid == 0) {
        report_cell(r, headings[7], false, "none is valid: %s",
                    wane_flags_text(d->flags, flags, sizeof flags));
    } else if (q->n > q->valid) {
        report_cell(r, headings[7], false, "%s; %lld flagged", findings_place(d->at, a, sizeof a),
                    (long long)(q->n - q->valid));
    } else {
        report_cell(r, headings[7], false, "%s", findings_place(d->at, a, sizeof a));
    }
    report_row_end(r);
}

void report_rates(struct report *r)
{
    static const char *const headings[] = {"Rate", "Cut-off", "Discharges",   "Ah",
                                           "Wh",   "Mean V",  "Highest degC", "Values of"};
    const struct findings *f = r->f;
    report_section(r, "rates", "Capacity and energy by rate");
    if (f->rates == 0) {
        report_say(r, NULL, "No discharge is over yet.");
    } else {
        report_say(
            r, NULL,
            "Ah, Wh and the mean voltage (Wh / Ah) are those of the first valid discharge at "
            "each rate, down to the cut-off voltage of that rate; the highest temperature of the "
            "cell is that of all of them. +/-: expanded uncertainty (k = 2).");
        report_table(r, "Discharges by rate", HEADINGS(headings));
        for (size_t i = 0; i < f->rates; i++) {
            rate_row(r, &f->rate[i], headings);
        }
        report_table_end(r);
        if (f->rates_left_out > 0) {
            report_say(r, "note", "%zu discharges at further rates are not shown.",
                       f->rates_left_out);
        }
    }
    report_figure(r, "discharge");
    report_figure(r, "heating");
    wn_html_end(r->h);
}

static void describe_method(const struct finding_resistance *q, char *buf, size_t size)
{
    char a[TEXT_SIZE], b[TEXT_SIZE];
    switch (q->method) {
    case FINDING_AC:
        (void)snprintf(buf, size, "AC impedance, entered by hand%s%s", isfinite(q->hz) ? ", " : "",
                       isfinite(q->hz) ? report_number(q->hz, 0, "Hz", a, sizeof a) : "");
        break;
    case FINDING_TWO_LEVEL:
        (void)snprintf(buf, size, "DC, two current levels, check-ups, from %s",
                       report_number(q->voltage_v, 3, "V", a, sizeof a));
        break;
    case FINDING_ONSET:
        (void)snprintf(buf, size, "DC, onset of the discharge with %s%s%s",
                       findings_set(false, q->set_a, a, sizeof a),
                       isfinite(q->delay_s) ? ", after " : "",
                       isfinite(q->delay_s)
                           ? report_number(q->delay_s, q->delay_s < 1 ? 2 : 0, "s", b, sizeof b)
                           : "");
        break;
    }
}

void report_resistances(struct report *r)
{
    static const char *const headings[] = {"Method", "Measurements", "First, mohm", "Last, mohm",
                                           "Change"};
    const struct findings *f = r->f;
    report_section(r, "resistance", "Resistance");
    if (f->resistances == 0) {
        report_say(r, NULL, "No resistance was measured.");
        wn_html_end(r->h);
        return;
    }
    report_say(
        r, NULL,
        "Values of different methods cannot be compared: the longer the current has flowed, the "
        "more there is in them. +/-: expanded uncertainty (k = 2).");
    report_table(r, "Resistance by method", HEADINGS(headings));
    for (int i = 0; i < f->resistances; i++) {
        const struct finding_resistance *q = &f->resistance[i];
        char a[TEXT_SIZE], place[40], name[200];
        describe_method(q, name, sizeof name);
        report_row(r, name);
        report_cell(r, headings[1], true, "%lld", (long long)q->n);
        report_cell(r, headings[2], true, "%s", report_pm(q->first_ohm, 1e3, 2, a, sizeof a));
        if (q->n > 1) {
            report_cell(r, headings[3], true, "%s (%s)",
                        report_pm(q->last_ohm, 1e3, 2, a, sizeof a),
                        findings_place(q->last_at, place, sizeof place));
            double change = 100 * (q->last_ohm.value / q->first_ohm.value - 1);
            report_cell(r, headings[4], true, "%s%s", change > 0 ? "+" : "",
                        report_number(change, 1, "%", a, sizeof a));
        } else {
            report_cell(r, headings[3], true, "\342\200\223");
            report_cell(r, headings[4], true, "\342\200\223");
        }
        report_row_end(r);
    }
    report_table_end(r);
    report_figure(r, "resistance");
    wn_html_end(r->h);
}

static void say_projection(struct report *r, const struct wn_fade_result *p)
{
    char ah[TEXT_SIZE];
    WN_HTML_LITERAL(r->h, "<h3 id=\"projection\">Projection</h3>\n");
    (void)report_number(p->threshold_ah, 3, "Ah", ah, sizeof ah);
    switch (p->state) {
    case WN_FADE_REACHED:
        report_say(r, NULL, "End of life (below %s) was reached at cycle %.0f.", ah,
                   p->crossed_at_cycle);
        break;
    case WN_FADE_PROJECTED:
        report_say(
            r, NULL,
            "The capacity is projected to fall below %s at cycle %.0f, between %.0f and %.0f with "
            "80 %% probability. This is a projection, not a measurement: it assumes that the "
            "cell goes on ageing under the same conditions.",
            ah, p->eol_median_cycle, p->eol_p10_cycle, p->eol_p90_cycle);
        break;
    case WN_FADE_NOT_YET_PREDICTABLE:
        report_say(r, NULL, "When the capacity will fall below %s is not yet predictable.", ah);
        break;
    }
    report_say(r, "note", "%zu cycles used, %zu left out%s%s.", p->cycles_used, p->cycles_left_out,
               p->reason[0] != '\0' ? "; " : "", p->reason);
}

void report_fade(struct report *r)
{
    static const char *const headings[] = {"Rate",    "First",       "Ah first",   "Last",
                                           "Ah last", "Of first, %", "Of rated, %"};
    const struct finding_fade *a = &r->f->fade;
    char x[TEXT_SIZE];
    report_section(r, "fade", "Fade");
    if (!a->known) {
        report_say(r, NULL,
                   "No two valid cycles were made at one rate: there is no fade to tell of.");
        wn_html_end(r->h);
        return;
    }
    const struct finding_rate *rate = &r->f->rate[a->rate];
    report_table(r, "Capacity of the first and the last valid cycle", HEADINGS(headings));
    report_row(r, findings_set(rate->power, rate->set, x, sizeof x));
    report_cell(r, headings[1], false, "%s", findings_place(a->first.at, x, sizeof x));
    report_cell(r, headings[2], true, "%s", report_pm(a->first.capacity_ah, 1, 4, x, sizeof x));
    report_cell(r, headings[3], false, "%s", findings_place(a->last.at, x, sizeof x));
    report_cell(r, headings[4], true, "%s", report_pm(a->last.capacity_ah, 1, 4, x, sizeof x));
    report_cell(r, headings[5], true, "%s", report_pm(a->retention_of_first, 100, 2, x, sizeof x));
    report_cell(r, headings[6], true, "%s",
                report_number(100 * a->retention_of_rated, 2, "", x, sizeof x));
    report_row_end(r);
    report_table_end(r);
    report_say(
        r, "note",
        "+/-: expanded uncertainty (k = 2). In the ratio of two values what they have in common "
        "cancels%s. %lld of %zu cycles are valid; the others are flagged, kept, and left out of "
        "the "
        "fade.",
        r->f->measuring.drift.voltage_v > 0 || r->f->measuring.drift.current_a > 0
            ? ""
            : "; no drift of the instrument is told, none is counted",
        (long long)r->f->cycles_valid, r->f->cycle.n);
    if (a->scatter > 0) {
        report_say(r, "note",
                   "One cycle may lie beside its neighbours, because the room was warmer: of the "
                   "retention that is +/- %s (k = 2), from the cycles around the two.",
                   report_number(100 * WN_COVERAGE_FACTOR * a->scatter, 2, "%", x, sizeof x));
    }
    if (a->projected) {
        say_projection(r, &a->projection);
    }
    report_figure(r, "fade");
    report_figure(r, "efficiency");
    wn_html_end(r->h);
}

static const char *class_of(const char *verdict)
{
    bool good = strcmp(verdict, "holds") == 0 || strcmp(verdict, "on course") == 0;
    bool bad = strcmp(verdict, "fails") == 0 || strcmp(verdict, "will fall short") == 0;
    return good ? "good" : bad ? "bad" : "open";
}

void report_claims(struct report *r)
{
    static const char *const headings[] = {
        "Claim", "The datasheet says", "Measured", "Where", "Verdict", "Note"};
    const struct findings *f = r->f;
    report_section(r, "claims", "What the datasheet claims");
    if (f->claims == 0) {
        report_say(r, NULL, "No claim of a datasheet is recorded.");
        wn_html_end(r->h);
        return;
    }
    report_say(
        r, NULL,
        "A claim holds or fails when the measured value is further from it than its expanded "
        "uncertainty (k = 2); within it, it is in doubt. On course, in doubt, will fall short: "
        "projected, because its cycles are not made yet.");
    report_table(r, "Claims of the datasheet", HEADINGS(headings));
    for (int i = 0; i < f->claims; i++) {
        const struct finding_claim *c = &f->claim[i];
        bool ohm = strcmp(c->unit, "ohm") == 0;
        char x[TEXT_SIZE], place[40], p[WN_NUM_SIZE];
        report_row(r, c->title);
        report_cell(r, headings[1], false, "%s", c->claimed);
        (void)report_pm(c->measured, ohm ? 1e3 : 1,
                        ohm                         ? 2
                        : strcmp(c->unit, "V") == 0 ? 3
                                                    : 4,
                        x, sizeof x);
        report_cell(r, headings[2], true, "%s%s%s", x, isfinite(c->measured.value) ? " " : "",
                    isfinite(c->measured.value) ? ohm ? "mohm" : c->unit : "");
        report_cell(r, headings[3], false, "%s", findings_place(c->at, place, sizeof place));
        wn_html_begin(r->h, "td", "data-label", headings[4], (const char *)NULL);
        report_verdict(r, class_of(c->verdict), c->verdict);
        wn_html_end(r->h);
        if (isfinite(c->probability) && !isfinite(c->measured.value)) {
            report_cell(r, headings[5], false, "Probability %s. %s",
                        wn_num_fixed(c->probability, 2, p, sizeof p), c->note);
        } else {
            report_cell(r, headings[5], false, "%s", c->note);
        }
        report_row_end(r);
    }
    report_table_end(r);
    wn_html_end(r->h);
}
