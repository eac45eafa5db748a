/* wane compare: campaigns side by side.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "findings_compare.h"
#include "report/table.h"

enum { MIXED };
enum { WIDTH = 80, COLUMNS_MAX = 6 }; /* campaigns beside each other */

static const struct wane_option options[] = {
    [MIXED] = {"mixed", 0, WANE_FLAG, NULL, "compare simulated campaigns with measured ones"},
};

struct job {
    struct wane_campaign campaign[COMPARE_MAX];
    struct findings f[COMPARE_MAX];
    struct compare result;
    int n;
};

static int open_all(struct wane *w, const struct wane_args *a, struct job *j)
{
    struct wn_error err = {0};
    for (j->n = 0; j->n < a->operands;) {
        struct wane_campaign *c = &j->campaign[j->n];
        int rc = wane_open_campaign(w, a->operand[j->n], c);
        if (rc != WANE_DONE) {
            return rc;
        }
        for (int i = 0; i < j->n; i++) {
            if (strcmp(j->campaign[i].path, c->path) == 0) {
                wane_close_campaign(c);
                return wane_usage(w, "%s is named twice", a->operand[j->n]);
            }
        }
        j->n++;
        if (findings_read(c, &j->f[j->n - 1], &err) != WN_OK) {
            return wane_fail(w, &err);
        }
    }
    return WANE_DONE;
}

static int simulated(const struct job *j)
{
    int n = 0;
    for (int i = 0; i < j->n; i++) {
        n += j->f[i].info.simulated;
    }
    return n;
}

static const char *title_of(const struct findings *f)
{
    return f->info.cell.title[0] != '\0' ? f->info.cell.title : f->info.cell.name;
}

static json_t *item_json(const struct job *j, const struct compare_item *m)
{
    json_t *o = json_object(), *list = json_array();
    wane_put(o, "what", json_string(m->key));
    wane_put(o, "where", json_string(m->where));
    wane_put(o, "unit", json_string(m->unit));
    for (int i = 0; i < j->n; i++) {
        json_t *v = json_object();
        wane_put(v, "campaign", json_string(j->f[i].info.name));
        wane_put(v, "value", wane_number(m->scale * m->value[i].value));
        wane_put(v, "u", wane_number(m->scale * m->value[i].u));
        wane_put(v, "expanded", wane_number(m->scale * WN_COVERAGE_FACTOR * m->value[i].u));
        wane_put(v, "p10", wane_number(m->low[i]));
        wane_put(v, "p90", wane_number(m->high[i]));
        wane_put(v, "differs_from_best", json_boolean(m->differs[i]));
        (void)json_array_append_new(list, v);
    }
    wane_put(o, "values", list);
    wane_put(o, "best", m->best >= 0 ? json_string(j->f[m->best].info.name) : json_null());
    wane_put(o, "verdict", json_string(m->verdict));
    return o;
}

static int print_json(const struct job *j)
{
    json_t *o = json_object(), *campaigns = json_array(), *items = json_array(),
           *reasons = json_array();
    for (int i = 0; i < j->n; i++) {
        json_t *c = json_object();
        wane_put(c, "letter", json_string(j->result.name[i]));
        wane_put(c, "campaign", json_string(j->f[i].info.name));
        wane_put(c, "cell", json_string(title_of(&j->f[i])));
        wane_put(c, "simulated", json_boolean(j->f[i].info.simulated));
        wane_put(c, "imported", json_boolean(j->f[i].info.imported));
        (void)json_array_append_new(campaigns, c);
    }
    for (int i = 0; i < j->result.items; i++) {
        (void)json_array_append_new(items, item_json(j, &j->result.item[i]));
    }
    for (int i = 0; i < j->result.reasons; i++) {
        (void)json_array_append_new(reasons, json_string(j->result.reason[i]));
    }
    wane_put(o, "campaigns", campaigns);
    wane_put(o, "simulated_and_measured", json_boolean(simulated(j) > 0 && simulated(j) < j->n));
    wane_put(o, "coverage_factor", wane_number(WN_COVERAGE_FACTOR));
    wane_put(o, "comparisons", items);
    wane_put(o, "not_comparable", reasons);
    return wane_print_json(o);
}

/* Breaks between words; further lines are indented. What comes from a file must not steer a
 * terminal. */
static void print_wrapped(const char *text, int indent)
{
    int column = 0;
    for (bool first = true; *text != '\0'; first = false) {
        size_t n = strcspn(text, " ");
        char word[400];
        (void)snprintf(word, sizeof word, "%.*s", (int)(n < sizeof word ? n : sizeof word - 1),
                       text);
        for (char *at = word; *at != '\0'; at++) {
            *at = (unsigned char)*at < 0x20 || *at == 0x7f ? '?' : *at;
        }
        int width = wn_text_width(word);
        if (!first && column + 1 + width > WIDTH) {
            (void)printf("\n%*s", indent, "");
            column = indent;
        } else if (!first) {
            (void)putchar(' ');
            column++;
        }
        (void)fputs(word, stdout);
        column += width;
        text += n;
        text += strspn(text, " ");
    }
    (void)putchar('\n');
}

static void print_heading(const struct wane *w, const struct job *j)
{
    char text[400];
    int virtual = simulated(j);
    if (virtual > 0) {
        (void)printf("%sSIMULATED%s  %s\n", wane_bold(w), wane_plain(w),
                     virtual == j->n ? "results of a virtual bench; no cell was measured"
                                     : "in part: simulated campaigns beside measured ones");
    }
    for (int i = 0; i < j->n; i++) {
        const struct wn_campaign_info *c = &j->f[i].info;
        (void)snprintf(text, sizeof text, "%s: %s: %s, %zu cycles%s%s", j->result.name[i], c->name,
                       title_of(&j->f[i]), j->f[i].cycle.n, c->imported ? ", imported" : "",
                       c->simulated ? ", SIMULATED" : "");
        print_wrapped(text, 3);
    }
}

/* "*2.4857", and "0.0020" or "378-520" below it. */
static void value_text(const struct compare_item *m, int i, char *buf, size_t size)
{
    char x[WN_NUM_SIZE];
    bool there = isfinite(m->value[i].value);
    (void)snprintf(buf, size, "%s%s", m->differs[i] ? "*" : "",
                   there ? wn_num_fixed(m->scale * m->value[i].value, m->decimals, x, sizeof x)
                         : "-");
}

static void spread_text(const struct compare_item *m, int i, char *buf, size_t size)
{
    char x[WN_NUM_SIZE], y[WN_NUM_SIZE];
    double expanded = m->scale * WN_COVERAGE_FACTOR * m->value[i].u;
    if (isfinite(m->low[i])) {
        (void)snprintf(buf, size, "%s-%s", wn_num_fixed(m->low[i], 0, x, sizeof x),
                       wn_num_fixed(m->high[i], 0, y, sizeof y));
    } else if (!isfinite(m->value[i].value)) {
        buf[0] = ' ';
        buf[1] = '\0';
    } else {
        (void)snprintf(buf, size, "%s",
                       isfinite(expanded) ? wn_num_fixed(expanded, m->decimals, x, sizeof x) : "?");
    }
}

static int print_block(const struct wane *w, const struct job *j, int from, int to,
                       struct wn_error *err)
{
    const char *headings[COLUMNS_MAX + 1] = {""};
    char align[COLUMNS_MAX + 2] = "l", text[80];
    for (int i = from; i < to; i++) {
        headings[i - from + 1] = j->result.name[i];
        align[i - from + 1] = 'r';
        align[i - from + 2] = '\0';
    }
    struct wn_table *t = wn_table_create(align, headings);
    for (int k = 0; k < j->result.items; k++) {
        const struct compare_item *m = &j->result.item[k];
        wn_table_text(t, m->title);
        for (int i = from; i < to; i++) {
            value_text(m, i, text, sizeof text);
            wn_table_text(t, text);
        }
        wn_table_text(t, isfinite(m->low[0]) || isfinite(m->low[1]) ? "  80 %" : "  +/-");
        for (int i = from; i < to; i++) {
            spread_text(m, i, text, sizeof text);
            wn_table_text(t, text);
        }
    }
    int rc = wn_table_print(t, stdout, w->colour, err);
    wn_table_destroy(t);
    return rc;
}

/* Who wins what, a line each; then in what nobody does. */
static void print_verdicts(const struct compare *c)
{
    static char rest[COMPARE_ITEMS_MAX * 100];
    int winners = 0;
    size_t at = 0;
    for (int i = 0; i < c->items; i++) {
        if (c->item[i].best >= 0) {
            print_wrapped(c->item[i].verdict, 2);
            winners++;
        }
    }
    for (int i = 0; i < c->items; i++) {
        const struct compare_item *m = &c->item[i];
        if (m->best < 0) {
            at += (size_t)snprintf(rest + at, sizeof rest - at, "%s%s %s",
                                   at > 0        ? ", "
                                   : winners > 0 ? "no clear winner in the rest: "
                                                 : "no clear winner: ",
                                   m->noun, m->where);
        }
    }
    if (at > 0) {
        print_wrapped(rest, 2);
    }
}

static int print_text(const struct wane *w, const struct job *j)
{
    struct wn_error err = {0};
    const struct compare *c = &j->result;
    print_heading(w, j);
    for (int from = 0; from < c->n && c->items > 0; from += COLUMNS_MAX) {
        int to = from + COLUMNS_MAX < c->n ? from + COLUMNS_MAX : c->n;
        (void)putchar('\n');
        if (print_block(w, j, from, to, &err) != WN_OK) {
            return wane_fail(w, &err);
        }
    }
    if (c->items == 0) {
        (void)puts("\nnothing was measured in the same way");
    } else {
        (void)putchar('\n');
        print_wrapped(
            "+/-: expanded uncertainty (k = 2); *: differs from the best by more than that of "
            "the difference; ?: not known. By rate: the first valid discharge. By cycle: with the "
            "scatter "
            "of the cycles around it.",
            0);
        (void)putchar('\n');
    }
    print_verdicts(c);
    if (c->reasons > 0) {
        (void)puts("\nNot comparable, or not quite:");
    }
    for (int i = 0; i < c->reasons; i++) {
        print_wrapped(c->reason[i], 2);
    }
    return wane_flush();
}

static int compare(struct wane *w, const struct wane_args *a, struct job *j)
{
    const struct findings *list[COMPARE_MAX];
    int rc = open_all(w, a, j);
    if (rc != WANE_DONE) {
        return rc;
    }
    int virtual = simulated(j);
    if (virtual > 0 && virtual < j->n && !a->value[MIXED].given) {
        (void)fprintf(stderr,
                      "wane %s: %d of %d campaigns are simulated: no cell was measured there. Give "
                      "--mixed to compare them all the same\n",
                      w->command->name, virtual, j->n);
        return WANE_FAILED;
    }
    for (int i = 0; i < j->n; i++) {
        list[i] = &j->f[i];
    }
    findings_compare(list, j->n, &j->result);
    return w->json ? print_json(j) : print_text(w, j);
}

static int run(struct wane *w, const struct wane_args *a)
{
    struct job *j = calloc(1, sizeof *j);
    if (j == NULL) {
        struct wn_error err = {.code = WN_ENOMEM};
        return wane_fail(w, &err);
    }
    int rc = compare(w, a, j);
    for (int i = 0; i < j->n; i++) {
        findings_free(&j->f[i]);
        wane_close_campaign(&j->campaign[i]);
    }
    free(j);
    return rc;
}

const struct wane_command cmd_compare = {
    .name = "compare",
    .synopsis = "CAMPAIGN CAMPAIGN ... [--mixed]",
    .summary = "campaigns side by side, and which differences are real",
    .text = "Capacity, energy and temperature at each rate that at least two were discharged\n"
            "at (same current within 2 %, same cut-off), resistance, retention at the same\n"
            "cycles, projected end. A star marks what differs from the best by more than the\n"
            "expanded uncertainty (k = 2) of the difference; where nothing does there is no\n"
            "clear winner. What was not measured in the same way is named, with the reason.\n"
            "Simulated campaigns are compared with measured ones only when told so.\n",
    .examples = "  wane compare demo other\n"
                "  wane compare demo other third --json\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_min = 2,
    .operands_max = COMPARE_MAX,
    .run = run,
};
