/* Pictures of campaigns: reading them, and what every picture says.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "drawing_parts.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/assert.h"
#include "base/num.h"
#include "projection/fade_source.h"
#include "report/table.h"

static const struct kind {
    const char *word, *title;
    int (*make)(struct drawing_job *j, struct wn_error *err);
} kinds[DRAWING_KINDS] = {
    [DRAWING_FADE] = {"fade", "Capacity", drawing_fade},
    [DRAWING_RETENTION] = {"retention", "Capacity retention", drawing_retention},
    [DRAWING_RESISTANCE] = {"resistance", "Resistance", drawing_resistance},
    [DRAWING_DISCHARGE] = {"discharge", "Discharge curves", drawing_discharge},
    [DRAWING_TEMPERATURE] = {"temperature", "Temperature", drawing_temperature},
    [DRAWING_HEATING] = {"heating", "Heating in discharge", drawing_heating},
    [DRAWING_EFFICIENCY] = {"efficiency", "Efficiency", drawing_efficiency},
    [DRAWING_DQDV] = {"dqdv", "Differential capacity", drawing_dqdv},
    [DRAWING_HISTORY] = {"history", "Projected end of life", drawing_history},
};

const char *drawing_word(enum drawing_kind kind)
{
    return kind < DRAWING_KINDS ? kinds[kind].word : NULL;
}

enum drawing_kind drawing_of(const char *word)
{
    int k = 0;
    while (k < DRAWING_KINDS && strcmp(kinds[k].word, word) != 0) {
        k++;
    }
    return (enum drawing_kind)k;
}

static int take_check_up(const struct wn_check_up_record *r, wn_utc_us end_utc, void *ctx)
{
    struct drawing_subject *s = ctx;
    (void)end_utc;
    if (s->check_ups == s->check_up_room) {
        size_t room = s->check_up_room > 0 ? 2 * s->check_up_room : 32;
        struct wn_check_up_record *more = realloc(s->check_up, room * sizeof *more);
        if (more == NULL) {
            return WN_ENOMEM;
        }
        s->check_up = more;
        s->check_up_room = room;
    }
    s->check_up[s->check_ups++] = *r;
    return 0;
}

int drawing_open(struct wane *w, const char *name, struct drawing_subject *out)
{
    struct wn_error err = {0};
    memset(out, 0, sizeof *out);
    int opened = wane_open_campaign(w, name, &out->c);
    if (opened != WANE_DONE) {
        return opened;
    }
    int rc = wane_read_cycles(&out->c, &out->cycles, &err);
    rc = rc == WN_OK ? wn_campaign_each_check_up(out->c.file, take_check_up, out, &err) : rc;
    if (rc != WN_OK) {
        err.code = rc;
        return wane_fail(w, &err);
    }
    out->projected = fade_of_campaign(&out->c, &out->fade);
    return WANE_DONE;
}

void drawing_close(struct drawing_subject *s)
{
    wane_free_cycles(&s->cycles);
    free(s->check_up);
    wane_close_campaign(&s->c);
    memset(s, 0, sizeof *s);
}

enum { NAME_MAX_CHARACTERS = 28 };

/* Byte at which a character begins, counted from 0; the end of the text when there is none. */
static size_t byte_of(const char *text, int character)
{
    size_t at = 0;
    for (; text[at] != '\0'; at++) {
        if (((unsigned char)text[at] & 0xc0) != 0x80 && character-- == 0) {
            break;
        }
    }
    return at;
}

/* Names of campaigns differ at their end as often as at their beginning: cut in the middle. */
static void short_name(const char *name, char *buf, size_t size)
{
    int width = wn_text_width(name), kept = (NAME_MAX_CHARACTERS - 1) / 2;
    if (width <= NAME_MAX_CHARACTERS) {
        (void)snprintf(buf, size, "%s", name);
    } else {
        (void)snprintf(buf, size, "%.*s…%s", (int)byte_of(name, kept), name,
                       name + byte_of(name, width - kept));
    }
}

const char *drawing_label(const struct drawing_job *j, int i, const char *alone, char *buf,
                          size_t size)
{
    const struct wn_campaign_info *info = &j->s[i].c.info;
    char name[sizeof info->name + 4];
    bool mixed = false;
    for (int k = 0; k < j->n; k++) {
        mixed = mixed || j->s[k].c.info.simulated != info->simulated;
    }
    short_name(info->name, name, sizeof name);
    (void)snprintf(buf, size, "%s%s", j->n == 1 ? alone : name,
                   j->n > 1 && mixed && info->simulated ? " (SIMULATED)" : "");
    return buf;
}

struct wn_series *drawing_general(const struct drawing_job *j, enum wn_series_kind kind, int colour,
                                  const char *label)
{
    bool told = false;
    for (int k = 0; k < j->p->n; k++) {
        told = told || (j->p->series[k].n > 0 && strcmp(j->p->series[k].label, label) == 0);
    }
    struct wn_series *s = wn_picture_add(j->p, kind, colour, told ? "" : label);
    if (s != NULL) {
        s->general = j->n > 1;
    }
    return s;
}

/* Appends to a line, with "; " between its parts. */
static void add(char *line, size_t size, const char *part)
{
    size_t n = strlen(line);
    (void)snprintf(line + n, size - n, "%s%s", n > 0 && part[0] != '\0' ? "; " : "", part);
}

void drawing_conditions_init(struct drawing_conditions *c)
{
    const struct wn_range nothing = {INFINITY, -INFINITY};
    *c = (struct drawing_conditions){nothing, nothing, nothing, nothing};
}

void drawing_widen(struct wn_range *r, double x)
{
    r->low = fmin(r->low, x); /* ignores a NaN */
    r->high = fmax(r->high, x);
}

static bool is_known(const struct wn_range *r)
{
    return r->high >= r->low;
}

/* "22 to 24 °C"; "" when it is not known. */
static void add_temperatures(char *line, size_t size, const char *what, const struct wn_range *r)
{
    char part[120], x[WN_NUM_SIZE], y[WN_NUM_SIZE];
    bool same = fabs(r->high - r->low) < 0.5;
    if (is_known(r)) {
        (void)snprintf(part, sizeof part, "%s %s%s%s °C", what,
                       wn_num_fixed(r->low, 0, x, sizeof x), same ? "" : " to ",
                       same ? "" : wn_num_fixed(r->high, 0, y, sizeof y));
        add(line, size, part);
    }
}

static void gather(const struct drawing_subject *s, struct drawing_conditions *c)
{
    for (size_t i = 0; i < s->cycles.n; i++) {
        const struct wn_cycle_record *r = &s->cycles.row[i];
        if (isfinite(r->capacity_ah.value)) {
            drawing_widen(&c->current_a, r->discharge_current_a);
            drawing_widen(&c->cutoff_v, r->cutoff_v);
        }
        drawing_widen(&c->cell_c, r->temperature_max_c);
        drawing_widen(&c->ambient_c, r->ambient_min_c);
        drawing_widen(&c->ambient_c, r->ambient_max_c);
    }
}

/* "10 A" or "0.5 to 20 A". */
static const char *span(const struct wn_range *r, const char *unit, char *buf, size_t size)
{
    char x[WN_NUM_SIZE], y[WN_NUM_SIZE];
    bool same = r->high - r->low <= 0.02 * fabs(r->high);
    (void)wn_num_format(same ? (r->low + r->high) / 2 : r->low, 3, x, sizeof x);
    (void)snprintf(buf, size, "%s%s%s %s", x, same ? "" : " to ",
                   same ? "" : wn_num_format(r->high, 3, y, sizeof y), unit);
    return buf;
}

void drawing_describe(const struct drawing_conditions *c, char *buf, size_t size)
{
    char part[120], x[70], y[70];
    buf[0] = '\0';
    if (is_known(&c->current_a)) {
        bool cut = is_known(&c->cutoff_v);
        (void)snprintf(part, sizeof part, "discharge at %s%s%s",
                       span(&c->current_a, "A", x, sizeof x), cut ? " to " : "",
                       cut ? span(&c->cutoff_v, "V", y, sizeof y) : "");
        add(buf, size, part);
    }
    add_temperatures(buf, size, "highest cell temperature", &c->cell_c);
    add_temperatures(buf, size, "ambient", &c->ambient_c);
}

/* What the picture is about: the cell, or the campaign when nobody gave the cell a title. */
static const char *subject_of(const struct drawing_job *j)
{
    const struct wn_campaign_info *first = &j->s[0].c.info;
    bool same = true;
    for (int i = 1; i < j->n; i++) {
        same = same && strcmp(j->s[i].c.info.cell.title, first->cell.title) == 0;
    }
    bool titled = first->cell.title[0] != '\0';
    return same && titled ? first->cell.title : j->n == 1 ? first->name : "several campaigns";
}

static const char *procedure_of(const struct wn_campaign_info *i)
{
    return i->imported ? "imported from a recorded log" : i->procedure_title;
}

void drawing_words(struct drawing_job *j, const char *title)
{
    struct wn_picture *p = j->p;
    struct drawing_conditions c;
    int simulated = 0;
    bool same = true;
    drawing_conditions_init(&c);
    const char *procedure = procedure_of(&j->s[0].c.info);
    for (int i = 0; i < j->n; i++) {
        simulated += j->s[i].c.info.simulated;
        same = same && strcmp(procedure_of(&j->s[i].c.info), procedure) == 0;
    }
    const char *word = simulated == 0 ? "" : simulated == j->n ? "SIMULATED" : "SIMULATED in part";
    (void)snprintf(p->simulated_label, sizeof p->simulated_label, "%s", word);
    (void)snprintf(p->title, sizeof p->title, "%s%s%s: %.130s", word, simulated > 0 ? "  " : "",
                   title, subject_of(j));
    if (j->n == 1) {
        (void)snprintf(p->subtitle, sizeof p->subtitle, "%s", procedure);
    } else {
        (void)snprintf(p->subtitle, sizeof p->subtitle, "%d campaigns: %s", j->n,
                       same && procedure[0] != '\0' ? procedure : "several procedures");
    }
    for (int i = 0; i < j->n; i++) { /* what was done, not what was planned */
        gather(&j->s[i], &c);
    }
    drawing_describe(&c, p->conditions, sizeof p->conditions);
}

int drawing_make(struct wn_picture *p, enum drawing_kind kind, struct drawing_subject *s, int n,
                 const struct drawing_choice *choice, struct wn_error *err)
{
    struct drawing_job j = {p, s, n, choice, kind};
    wn_assert(kind < DRAWING_KINDS && n >= 1 && n <= DRAWING_SUBJECTS_MAX);
    drawing_words(&j, kinds[kind].title);
    int rc = kinds[kind].make(&j, err);
    return rc == WN_OK ? wn_picture_check(p, err) : rc;
}
