/* wane report: the parts of the page. Shared by the files of this verb alone.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANE_CMD_REPORT_H
#define WANE_CMD_REPORT_H

#include "pictures/drawing.h"
#include "results/findings.h"
#include "report/html.h"

/** A picture as SVG, or why there is none. */
struct report_picture {
    const char *word, *title, *caption;
    char *svg; /* malloc'ed; NULL: see why */
    char why[200];
};
enum { REPORT_PICTURES_MAX = 8 };

/** What the page is made from; borrowed. */
struct report {
    struct wn_html *h;
    const struct findings *f;
    const struct wn_fingerprint *file; /* sha256 "": not known */
    const char *file_name;
    struct report_picture picture[REPORT_PICTURES_MAX];
    int pictures;
    char made_utc_text[32];
    const char *wane_version;
    char generator[48];
};

/* cmd_report_page.c */
void report_page(struct report *r);
extern const char report_style[];

/* cmd_report_pictures.c */
/** Draws every picture there is something for; to be forgotten again. */
void report_draw(struct report *r, struct drawing_subject *s);
void report_forget_pictures(struct report *r);

/* cmd_report_config.c */
/** A frozen configuration without comments and without its alerts; malloc'ed. NULL when it cannot
 * be read from end to end. */
char *report_configuration(const char *text);

/* cmd_report_parts.c: what was measured */
void report_conditions(struct report *r);
void report_intake(struct report *r);
void report_rates(struct report *r);
void report_resistances(struct report *r);
void report_fade(struct report *r);
void report_claims(struct report *r);
void report_figure(struct report *r, const char *word);

/* cmd_report_record.c: how it was recorded */
void report_alarms(struct report *r);
void report_instruments(struct report *r);
void report_provenance(struct report *r);

/* cmd_report_words.c: small things of the page */
/** A section with its heading; end it with wn_html_end(). */
void report_section(struct report *r, const char *id, const char *title);
/** A paragraph of a sentence of ours: "+/-", "degC", "mohm" and " x " become signs. */
void report_say(struct report *r, const char *class, const char *fmt, ...)
    __attribute__((format(printf, 3, 4)));
void report_signs(struct report *r, const char *text);
/** A name and what belongs to it, for a list of such. */
void report_pair(struct report *r, const char *name, const char *fmt, ...)
    __attribute__((format(printf, 3, 4)));
/** Opens a table with caption and headings; end it with report_table_end(). */
void report_table(struct report *r, const char *caption, const char *const *heading, int n);
void report_table_end(struct report *r);
/** The first cell of a row names it; further ones have the heading as their label. */
void report_row(struct report *r, const char *name);
void report_cell(struct report *r, const char *label, bool number, const char *fmt, ...)
    __attribute__((format(printf, 4, 5)));
void report_row_end(struct report *r);
/** "2.5569 ± 0.0021"; "–" for NaN. Returns buf. */
const char *report_pm(struct wn_measured x, double scale, int decimals, char *buf, size_t size);
const char *report_number(double x, int decimals, const char *unit, char *buf, size_t size);
/** A word with a mark in front and a colour behind it, so that neither is needed: "good", "bad",
 * "open". */
void report_verdict(struct report *r, const char *class, const char *word);

#endif
