/* wane report: the page as a whole.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "cmd_report.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *cell_name(const struct findings *f)
{
    return f->info.cell.title[0] != '\0' ? f->info.cell.title : f->info.cell.name;
}

static void head(struct report *r)
{
    char title[300];
    const struct wn_campaign_info *i = &r->f->info;
    (void)snprintf(title, sizeof title, "%s%s (%s)", i->simulated ? "SIMULATED: " : "",
                   cell_name(r->f), i->name);
    WN_HTML_LITERAL(r->h, "<!DOCTYPE html>\n");
    wn_html_begin(r->h, "html", "lang", "en", (const char *)NULL);
    WN_HTML_LITERAL(r->h,
                    "\n<head>\n<meta charset=\"utf-8\">\n"
                    /* nothing is fetched and nothing is run, whatever a picture might hold */
                    "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; "
                    "style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
                    "form-action 'none'\">\n"
                    "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n");
    wn_html_begin(r->h, "meta", "name", "generator", "content", r->generator, (const char *)NULL);
    WN_HTML_LITERAL(r->h, "\n");
    wn_html_element(r->h, "title", NULL, title);
    WN_HTML_LITERAL(r->h, "\n<style>\n");
    wn_html_markup(r->h, report_style, strlen(report_style));
    if (i->simulated) {
        WN_HTML_LITERAL(r->h, "@page{@top-center{content:\"SIMULATED: no cell was measured\";"
                              "font:bold 9pt sans-serif;color:#a0211b}}\n");
    }
    WN_HTML_LITERAL(r->h, "</style>\n</head>\n");
}

static void what_it_is(struct report *r)
{
    const struct findings *f = r->f;
    const struct wn_campaign_info *i = &f->info;
    char begun[WN_UTC_SIZE], last[WN_UTC_SIZE], span[WN_SPAN_SIZE];
    wn_html_begin(r->h, "p", "class", "kind", (const char *)NULL);
    wn_html_textf(r->h, "%s \302\267 campaign %s",
                  i->simulated  ? "Report of a simulation"
                  : i->imported ? "Report on a recorded log of one lithium-ion cell"
                                : "Measurement report of one lithium-ion cell",
                  i->name);
    wn_html_end(r->h);
    if (i->imported) {
        report_say(
            r, NULL,
            "%zu cycles (%lld valid) in %s, computed from a log that somebody else recorded. What "
            "the log does not tell is not known here.",
            f->cycle.n, (long long)f->cycles_valid, wn_span_format(f->time_s, span, sizeof span));
    } else {
        report_say(r, NULL,
                   "%s. %zu of %lld cycles (%lld valid) and %zu check-ups in %s; %s. Begun %s, "
                   "last record %s.",
                   i->procedure_title, f->cycle.n, (long long)i->cycles_planned,
                   (long long)f->cycles_valid, f->check_ups,
                   wn_span_format(f->time_s, span, sizeof span), f->status,
                   wn_utc_format(i->created_utc, begun, sizeof begun),
                   f->last_utc != 0 ? wn_utc_format(f->last_utc, last, sizeof last) : "none");
    }
}

static void header(struct report *r)
{
    static const char *const links[][2] = {
        {"#caution", "Caution"},
        {"#conditions", "Conditions"},
        {"#cell", "Cell"},
        {"#rates", "Rates"},
        {"#resistance", "Resistance"},
        {"#fade", "Fade"},
        {"#claims", "Claims"},
        {"#alarms", "Alarms"},
        {"#instruments", "Instruments"},
        {"#provenance", "Where from"},
    };
    wn_html_begin(r->h, "header", (const char *)NULL);
    wn_html_element(r->h, "h1", NULL, cell_name(r->f));
    what_it_is(r);
    if (r->f->info.simulated) {
        wn_html_element(
            r->h, "p", "simulated",
            "SIMULATED: these results come from a virtual bench; no cell was measured.");
    }
    wn_html_end(r->h);
    wn_html_begin(r->h, "nav", "aria-label", "Sections", (const char *)NULL);
    wn_html_begin(r->h, "ul", (const char *)NULL);
    for (size_t i = 0; i < sizeof links / sizeof links[0]; i++) {
        wn_html_begin(r->h, "li", (const char *)NULL);
        wn_html_begin(r->h, "a", "href", links[i][0], (const char *)NULL);
        wn_html_text(r->h, links[i][1]);
        wn_html_end(r->h);
        wn_html_end(r->h);
    }
    wn_html_end(r->h);
    wn_html_end(r->h);
    WN_HTML_LITERAL(r->h, "\n");
}

static void caution(struct report *r)
{
    wn_html_begin(r->h, "section", "class", "caution", "id", "caution", (const char *)NULL);
    WN_HTML_LITERAL(
        r->h,
        "<h2>Caution</h2>\n"
        "<p><strong>Lithium-ion cells can catch fire and explode, hours after the mistake that "
        "caused "
        "it.</strong> Whoever repeats what is reported here does so at their own risk.</p>\n<ul>\n"
        "<li>Put the cell in a fire-safe containment, away from everything that burns, with a "
        "smoke "
        "alarm above it; be there for the first cycles of every new cell.</li>\n"
        "<li>Never rely on software alone: use an independent over-temperature and over-voltage "
        "cut-out, a fuse, and an interlock that must be energised to connect the cell.</li>\n"
        "<li>Follow your local codes; leave mains wiring and fixed installations to licensed "
        "people.</li>\n</ul>\n"
        "<p><strong>What this report does not say.</strong> It is about one cell, under the "
        "conditions "
        "below. It says nothing of other cells of the same type, of their safety, of abuse, or of "
        "how "
        "they age otherwise; it is no certificate and no advice to use a cell at any current. A "
        "projection is not a measurement.</p>\n");
    wn_html_end(r->h);
    WN_HTML_LITERAL(r->h, "\n");
}

/* What a reader looks for first; nothing that is not said below with all its conditions. */
static void in_short(struct report *r)
{
    const struct findings *f = r->f;
    const struct finding_fade *a = &f->fade;
    char x[80], set[24];
    WN_HTML_LITERAL(r->h, "<dl class=\"tiles\">\n");
    for (size_t i = 0; i < f->rates && i < 2 && !a->known; i++) {
        const struct finding_rate *q = &f->rate[i == 0 ? 0 : f->rates - 1];
        char name[60];
        (void)snprintf(name, sizeof name, "Capacity at %s",
                       findings_set(q->power, q->set, set, sizeof set));
        report_pair(r, name, "%s Ah", report_pm(q->first.capacity_ah, 1, 3, x, sizeof x));
    }
    if (a->known) {
        const struct finding_rate *q = &f->rate[a->rate];
        char name[60];
        (void)snprintf(name, sizeof name, "First capacity at %s",
                       findings_set(q->power, q->set, set, sizeof set));
        report_pair(r, name, "%s Ah", report_pm(a->first.capacity_ah, 1, 3, x, sizeof x));
        struct wn_measured left = a->retention_of_first;
        left.u = hypot(left.u, a->scatter); /* of the cell, not of these two cycles */
        (void)snprintf(name, sizeof name, "Left after cycle %lld", (long long)a->last.at.number);
        report_pair(r, name, "%s %%", report_pm(left, 100, 1, x, sizeof x));
    }
    if (a->known && a->projected && a->projection.state == WN_FADE_PROJECTED) {
        report_pair(r, "Projected end of life", "cycle %.0f (%.0f to %.0f)",
                    a->projection.eol_median_cycle, a->projection.eol_p10_cycle,
                    a->projection.eol_p90_cycle);
    } else if (a->known && a->projected) {
        bool reached = a->projection.state == WN_FADE_REACHED;
        (void)snprintf(x, sizeof x, "cycle %.0f", a->projection.crossed_at_cycle);
        report_pair(r, "End of life", "%s", reached ? x : "not yet predictable");
    }
    for (int i = 0; i < f->claims; i++) {
        if (strcmp(f->claim[i].key, "cycle_life") == 0) {
            report_pair(r, "Claimed cycle life", "%s", f->claim[i].verdict);
        }
    }
    WN_HTML_LITERAL(r->h, "</dl>\n");
}

void report_page(struct report *r)
{
    head(r);
    wn_html_begin(r->h, "body", (const char *)NULL);
    WN_HTML_LITERAL(r->h, "\n");
    header(r);
    wn_html_begin(r->h, "main", (const char *)NULL);
    WN_HTML_LITERAL(r->h, "\n");
    caution(r);
    report_conditions(r);
    in_short(r);
    report_intake(r);
    report_rates(r);
    report_resistances(r);
    report_fade(r);
    report_claims(r);
    report_alarms(r);
    report_instruments(r);
    report_provenance(r);
    wn_html_end(r->h);
    wn_html_begin(r->h, "footer", (const char *)NULL);
    wn_html_textf(r->h,
                  "%sMade by wane %s from %s. Uncertainties are expanded ones (k = 2) after the "
                  "GUM, where they are stated.",
                  r->f->info.simulated ? "SIMULATED. " : "", r->wane_version, r->file_name);
    wn_html_end(r->h);
    wn_html_end(r->h); /* body */
    wn_html_end(r->h); /* html */
    WN_HTML_LITERAL(r->h, "\n");
}
