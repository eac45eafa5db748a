/* wane report: how it was recorded.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "cmd_report.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"

enum { TEXT_SIZE = 80, CERTIFICATES_SIZE = 240, EVENTS_OPEN_MAX = 12, EVENTS_MAX = 500 };

#define HEADINGS(array) array, (int)(sizeof(array) / sizeof((array)[0]))

static void event_row(struct report *r, const struct wn_event_row *e, const char *const *headings)
{
    char utc[WN_UTC_SIZE], h[TEXT_SIZE];
    report_row(r, e->event.severity == WN_SEVERITY_ALARM ? "Alarm" : "Warning");
    report_cell(r, headings[1], false, "%s", wn_utc_format(e->utc, utc, sizeof utc));
    report_cell(r, headings[2], true, "%s",
                report_number(wn_ns_to_s(e->event.time_ns) / 3600, 2, "h", h, sizeof h));
    if (e->event.cycle > 0) {
        report_cell(r, headings[3], true, "%lld", (long long)e->event.cycle);
    } else {
        report_cell(r, headings[3], true, "\342\200\223");
    }
    wn_html_begin(r->h, "td", "data-label", headings[4], (const char *)NULL);
    wn_html_begin(r->h, "code", (const char *)NULL);
    wn_html_text(r->h, e->event.kind);
    wn_html_end(r->h);
    wn_html_text(r->h, " ");
    wn_html_text(r->h, e->event.text);
    wn_html_end(r->h);
    report_cell(r, headings[5], false, "%s",
                e->event.severity != WN_SEVERITY_ALARM ? "\342\200\223"
                : e->acknowledged                      ? "yes"
                                                       : "no");
    report_row_end(r);
}

static void event_table(struct report *r)
{
    static const char *const headings[] = {"Kind",  "Recorded (UTC)", "Campaign time",
                                           "Cycle", "What happened",  "Acknowledged"};
    const struct findings *f = r->f;
    int64_t told = f->alarms + f->warnings;
    int shown = 0;
    report_table(r, "Alarms and warnings", HEADINGS(headings));
    for (size_t i = 0; i < f->events && shown < EVENTS_MAX; i++) {
        if (f->event[i].event.severity != WN_SEVERITY_INFO) {
            event_row(r, &f->event[i], headings);
            shown++;
        }
    }
    report_table_end(r);
    if (told > shown) {
        report_say(r, "note", "The first %d of %lld; wane events tells all.", shown,
                   (long long)told);
    }
}

void report_alarms(struct report *r)
{
    const struct findings *f = r->f;
    int64_t told = f->alarms + f->warnings, interrupted = 0;
    char span[WN_SPAN_SIZE];
    for (size_t i = 0; i < f->cycle.n; i++) {
        interrupted += (f->cycle.row[i].flags & WN_FLAG_INTERRUPTED) != 0;
    }
    report_section(r, "alarms", "Alarms and interruptions");
    if (f->info.imported) {
        report_say(r, NULL, "Of a recorded log nothing is known of alarms and interruptions.");
        wn_html_end(r->h);
        return;
    }
    report_say(r, NULL,
               "Alarms: %lld (not acknowledged: %lld). Warnings: %lld. Runs of the service on this "
               "campaign: %lld. Interrupted cycles: %lld. Readings missing: %s.",
               (long long)f->alarms, (long long)f->alarms_open, (long long)f->warnings,
               (long long)f->sessions, (long long)interrupted,
               f->missing_s > 0 ? wn_span_format(f->missing_s, span, sizeof span) : "none");
    if (told > EVENTS_OPEN_MAX) {
        WN_HTML_LITERAL(r->h, "<details><summary>All of them</summary>\n");
        event_table(r);
        WN_HTML_LITERAL(r->h, "</details>\n");
    } else if (told > 0) {
        event_table(r);
    }
    wn_html_end(r->h);
}

static void accuracy(struct report *r)
{
    const struct wn_accuracy *a = &r->f->measuring.accuracy;
    if (!measuring_told(&r->f->measuring)) {
        report_say(r, NULL,
                   "The accuracy of the instrument is not told: no uncertainty is stated.");
        return;
    }
    report_say(
        r, NULL,
        "Accuracy the uncertainties follow from, data sheets and certificates taken together "
        "when the campaign was begun (half-widths): voltage %.3g %% of reading + "
        "%.3g mV, current %.3g %% of reading + %.3g mA, temperature %.3g K, time base %.3g ppm.",
        100 * a->voltage_reading, 1e3 * a->voltage_fixed_v, 100 * a->current_reading,
        1e3 * a->current_fixed_a, a->temperature_c, 1e6 * a->time_reading);
}

/* The day of a date; "not told". */
static const char *day(wn_utc_us utc, char *buf, size_t size)
{
    char text[WN_UTC_SIZE];
    if (utc == 0) {
        (void)snprintf(buf, size, "not told");
    } else {
        (void)snprintf(buf, size, "%.10s", wn_utc_format(utc, text, sizeof text));
    }
    return buf;
}

/* What every reading became before anything was computed from it. */
static const char *correction(const struct wn_calibration_record *k, char *buf, size_t size)
{
    char gain[WN_NUM_SIZE], offset[WN_NUM_SIZE];
    bool scaled = k->line.gain != 1, moved = k->line.offset != 0;
    if (!scaled && !moved) {
        return "as read";
    }
    (void)snprintf(buf, size, "%s%sreading%s%s%s%s",
                   scaled ? wn_num_format(k->line.gain, 8, gain, sizeof gain) : "",
                   scaled ? " x " : "", moved ? k->line.offset < 0 ? " \342\210\222 " : " + " : "",
                   moved ? wn_num_format(fabs(k->line.offset), 4, offset, sizeof offset) : "",
                   moved ? " " : "", moved ? k->unit : "");
    return buf;
}

static void certificates(struct report *r)
{
    static const char *const headings[] = {"Instrument",  "Quantity",    "Certificate", "Date",
                                           "Valid until", "Uncertainty", "Corrected to"};
    const struct findings *f = r->f;
    report_table(r, "Calibration certificates", HEADINGS(headings));
    for (int i = 0; i < f->certificates; i++) {
        const struct wn_calibration_record *k = &f->certificate[i];
        char a[TEXT_SIZE], b[WN_NUM_SIZE];
        report_row(r, k->role);
        report_cell(r, headings[1], false, "%s", k->quantity);
        report_cell(r, headings[2], false, "%s",
                    k->line.certificate[0] != '\0' ? k->line.certificate : "not told");
        report_cell(r, headings[3], false, "%s", day(k->line.date, a, sizeof a));
        report_cell(r, headings[4], false, "%s", day(k->line.valid_until, a, sizeof a));
        report_cell(r, headings[5], true, "%s %s (k = %s)",
                    wn_num_format(k->line.expanded, 3, a, sizeof a), k->unit,
                    wn_num_format(k->line.coverage_factor, 3, b, sizeof b));
        report_cell(r, headings[6], true, "%s", correction(k, a, sizeof a));
        report_row_end(r);
    }
    report_table_end(r);
}

/* "voltage 0.05 % + 1 mV, current 0.1 % + 5 mA, temperature 1 K" */
static void data_sheet(const struct wn_accuracy *a, char *buf, size_t size)
{
    char part[4][WN_NUM_SIZE];
    int n = 0;
    (void)snprintf(buf, size, "not told");
    if (isfinite(a->voltage_reading)) {
        n = snprintf(buf, size, "voltage %s %% + %s mV, current %s %% + %s mA",
                     wn_num_format(100 * a->voltage_reading, 3, part[0], sizeof part[0]),
                     wn_num_format(1e3 * a->voltage_fixed_v, 3, part[1], sizeof part[1]),
                     wn_num_format(100 * a->current_reading, 3, part[2], sizeof part[2]),
                     wn_num_format(1e3 * a->current_fixed_a, 3, part[3], sizeof part[3]));
    }
    if (isfinite(a->temperature_c) && n >= 0 && (size_t)n < size) {
        (void)snprintf(buf + n, size - (size_t)n, "%stemperature %s K", n > 0 ? ", " : "",
                       wn_num_format(a->temperature_c, 3, part[0], sizeof part[0]));
    }
}

/* Its certificates at a glance; the table below has their values. */
static void certified(const struct findings *f, const struct wn_instrument_record *k, char *buf,
                      size_t size)
{
    char date[WN_UTC_SIZE];
    size_t n = 0;
    (void)snprintf(buf, size, "none");
    for (int i = 0; i < f->certificates; i++) {
        const struct wn_calibration_record *c = &f->certificate[i];
        if (strcmp(c->role, k->role) == 0 && strcmp(c->identity, k->identity) == 0) {
            (void)snprintf(buf + n, size - n, "%s%s %s", n > 0 ? ", " : "", c->quantity,
                           day(c->line.date, date, sizeof date));
            n = strlen(buf);
        }
    }
}

void report_instruments(struct report *r)
{
    static const char *const headings[] = {"Instrument", "Identity it told", "Dialect",
                                           "Data sheet, of reading + fixed", "Certificates of"};
    const struct findings *f = r->f;
    report_section(r, "instruments", "Instruments and calibration");
    if (f->instruments == 0) {
        report_say(r, NULL, "%s",
                   f->info.imported ? "A recorded log does not tell what it was measured with."
                                    : "No instrument is recorded.");
    } else {
        report_table(r, "Instruments", HEADINGS(headings));
        for (int i = 0; i < f->instruments; i++) {
            const struct wn_instrument_record *k = &f->instrument[i];
            char text[CERTIFICATES_SIZE];
            report_row(r, k->role);
            report_cell(r, headings[1], false, "%s", k->identity[0] != '\0' ? k->identity : "none");
            report_cell(r, headings[2], false, "%s", k->dialect);
            data_sheet(&f->instrument_accuracy[i], text, sizeof text);
            report_cell(r, headings[3], false, "%s", text);
            certified(f, k, text, sizeof text);
            report_cell(r, headings[4], false, "%s", text);
            report_row_end(r);
        }
        report_table_end(r);
    }
    accuracy(r);
    if (f->certificates > 0) {
        certificates(r);
    } else {
        report_say(r, "note", "No calibration certificate is recorded.");
    }
    wn_html_end(r->h);
}

/* Who is told of alarms is nobody's business: that stays out of a page that may be published, and
 * so do the comments, which may say anything. */
static void show_configuration(struct report *r, const char *frozen)
{
    char *text = report_configuration(frozen);
    report_say(r, "note", "%s",
               text != NULL
                   ? "Without its comments, and without who is told of alarms. The campaign "
                     "file holds all of it."
                   : "It cannot be read, and is left out here. The campaign file holds it.");
    if (text != NULL) {
        wn_html_begin(r->h, "pre", "tabindex", "0", (const char *)NULL);
        wn_html_text(r->h, text);
        wn_html_end(r->h);
    }
    free(text);
}

static void hash(struct report *r, const char *name, const char *sha256)
{
    WN_HTML_LITERAL(r->h, "<div>");
    wn_html_element(r->h, "dt", NULL, name);
    wn_html_begin(r->h, "dd", (const char *)NULL);
    wn_html_element(r->h, "code", "hash", sha256[0] != '\0' ? sha256 : "not known");
    wn_html_end(r->h);
    WN_HTML_LITERAL(r->h, "</div>\n");
}

void report_provenance(struct report *r)
{
    const struct findings *f = r->f;
    char utc[WN_UTC_SIZE];
    report_section(r, "provenance", "Where this comes from");
    WN_HTML_LITERAL(r->h, "<dl class=\"facts wide\">\n");
    hash(r, "SHA-256 of the campaign file", r->file->sha256);
    hash(r, "SHA-256 of the frozen configuration", f->frozen_sha256);
    WN_HTML_LITERAL(r->h, "</dl>\n");
    wn_html_begin(r->h, "p", (const char *)NULL);
    wn_html_textf(
        r->h,
        "The campaign file %s had %lld bytes; this is the hash of what was committed to it "
        "when the report was made, up to reading %lld and event %lld. ",
        r->file_name, (long long)r->file->bytes, (long long)r->file->readings,
        (long long)r->file->events);
    wn_html_text(
        r->h, r->file->log_pending
                  ? "Its newest records were still in the log beside it (-wal): the hash is that "
                    "of the file with this log moved into it. To compute it again, let the service "
                    "end, or move the log with "
                  : "To compute the hash again: ");
    if (r->file->log_pending) {
        wn_html_element(r->h, "code", NULL, "sqlite3 FILE 'PRAGMA wal_checkpoint(TRUNCATE)'");
        wn_html_text(r->h, ", then ");
    }
    wn_html_element(r->h, "code", NULL, "sha256sum FILE");
    wn_html_text(r->h, f->over ? ". Any change of the file after its end changes it."
                               : ". The campaign is not over: whatever is recorded behind these "
                                 "changes it.");
    wn_html_text(
        r->h, " An archive of it (wane backup --archive) is another file, with a hash of its own.");
    wn_html_end(r->h);
    report_say(r, NULL,
               "The campaign was begun with wane %s on %s%s; this report was made with wane %s "
               "on %s.",
               f->info.program_version, wn_utc_format(f->info.created_utc, utc, sizeof utc),
               f->info.imported ? " (the import)" : "", r->wane_version, r->made_utc_text);
    WN_HTML_LITERAL(r->h, "<details><summary>");
    wn_html_text(r->h, f->info.imported ? "What the log was imported from"
                                        : "The frozen configuration it was begun with");
    WN_HTML_LITERAL(r->h, "</summary>\n");
    show_configuration(r, f->frozen != NULL ? f->frozen : "");
    WN_HTML_LITERAL(r->h, "</details>\n");
    wn_html_end(r->h);
}
