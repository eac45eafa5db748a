/* Stations at a glance: one line each, what is wrong first.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "rows.h"

#include <inttypes.h>
#include <limits.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"

enum { STATION, STATE, PROGRESS, CAPACITY, LEFT, CAMPAIGN, LABEL, FIELDS };
enum { FIELD_SIZE = 96, NARROW = 60, NAME_MIN = 8 };

/* How much is told, from all of it down. */
enum level {
    EVERYTHING,
    SHORT,
    NO_CAMPAIGN,
    NO_LEFT,
    SHORT_LABEL,
    NO_CAPACITY,
    NO_PROGRESS,
    LEVELS
};

struct row {
    char field[FIELDS][FIELD_SIZE];
};

enum urgency { NOT_OFF, ALARM, SILENT, CALM };

static enum urgency urgency(const struct view *v)
{
    bool on = strcmp(view_text(v, "state"), "switching off") == 0;
    return view_alarm(v) ? on ? NOT_OFF : ALARM : v->error.code != WN_OK ? SILENT : CALM;
}

void rows_sort(struct view **v, int n)
{
    for (int i = 1; i < n; i++) { /* few, and their order must stay */
        struct view *one = v[i];
        int k = i;
        for (; k > 0 && urgency(v[k - 1]) > urgency(one); k--) {
            v[k] = v[k - 1];
        }
        v[k] = one;
    }
}

int rows_alarms(struct view *const *v, int n)
{
    int alarms = 0;
    while (alarms < n && urgency(v[alarms]) <= ALARM) {
        alarms++;
    }
    return alarms;
}

int rows_silent(struct view *const *v, int n)
{
    int silent = 0;
    for (int i = 0; i < n; i++) {
        silent += v[i]->error.code != WN_OK;
    }
    return silent;
}

/* Names differ at their end as often as at their beginning. */
static void put_name(char *out, const char *name, int columns)
{
    int n = (int)strlen(name), head = columns / 2;
    if (n <= columns) {
        (void)snprintf(out, FIELD_SIZE, "%s", name);
    } else {
        (void)snprintf(out, FIELD_SIZE, "%.*s~%s", head, name, name + n - (columns - head - 1));
    }
}

static void put_state(char *out, const struct view *v)
{
    char span[WN_SPAN_SIZE];
    if (v->reply == NULL) {
        (void)snprintf(out, FIELD_SIZE, "does not answer");
    } else if (v->error.code != WN_OK) {
        (void)snprintf(out, FIELD_SIZE, "no answer for %s, was %s",
                       wn_span_format(v->silent_s, span, sizeof span), view_text(v, "state"));
    } else {
        (void)snprintf(out, FIELD_SIZE, "%s%s", view_text(v, "state"),
                       !view_true(v, "guard")              ? ", no guard"
                       : !view_true(v, "recording")        ? ", not recording"
                       : !view_true(v, "instrument_ready") ? ", not ready"
                                                           : "");
    }
}

static void put_progress(char *out, const struct view *v, bool shortly)
{
    int64_t planned = view_integer(v, "cycles_planned"), done = view_integer(v, "cycles_done"),
            cycle = view_integer(v, "cycle");
    bool check_up = view_running(v) && view_true(v, "in_check_up");
    if (shortly || !view_running(v)) {
        int64_t at = check_up || !view_running(v) || cycle == 0 ? done : cycle;
        (void)snprintf(out, FIELD_SIZE,
                       shortly ? "%" PRId64 "/%" PRId64 : "%" PRId64 " of %" PRId64, at, planned);
    } else if (check_up) {
        (void)snprintf(out, FIELD_SIZE, "check-up after %" PRId64 " of %" PRId64, done, planned);
    } else {
        (void)snprintf(out, FIELD_SIZE, "cycle %" PRId64 " of %" PRId64, cycle, planned);
    }
}

static void fill(struct row *r, const struct view *v, enum level level, int name_columns)
{
    char buf[WN_SPAN_SIZE > WN_NUM_SIZE ? WN_SPAN_SIZE : WN_NUM_SIZE];
    double percent = 100 * view_number(v, "retention"), left_s = view_number(v, "remaining_s");
    bool campaign = view_text(v, "campaign")[0] != '\0';
    memset(r, 0, sizeof *r);
    put_name(r->field[STATION], v->station, name_columns);
    put_state(r->field[STATE], v);
    if (campaign && level < NO_PROGRESS) {
        put_progress(r->field[PROGRESS], v, level >= SHORT);
    }
    if (campaign && level < NO_CAPACITY && isfinite(percent)) {
        (void)snprintf(r->field[CAPACITY], FIELD_SIZE, "%s %%%s",
                       wn_num_fixed(percent, 1, buf, sizeof buf), level < SHORT ? " of rated" : "");
    }
    if (campaign && level < NO_LEFT && left_s >= 1 && view_running(v) && v->error.code == WN_OK) {
        (void)snprintf(r->field[LEFT], FIELD_SIZE, "%s left",
                       wn_span_format(left_s, buf, sizeof buf));
    }
    if (level < NO_CAMPAIGN) {
        (void)snprintf(r->field[CAMPAIGN], FIELD_SIZE, "%.60s", view_text(v, "campaign"));
    }
    if (view_true(v, "simulated")) {
        (void)snprintf(r->field[LABEL], FIELD_SIZE, "%s",
                       level < SHORT_LABEL ? "SIMULATED" : "SIM");
    }
}

struct layout {
    int width[FIELDS]; /* 0: nobody has such a thing */
    int gap, columns;
    enum level level;
};

/* Of the rows without an alarm: how wide their columns are, all together. */
static int lay_out(struct layout *l, const struct paper *p, struct view *const *v, int n)
{
    int total = 2;
    memset(l->width, 0, sizeof l->width);
    for (int i = 0; i < n; i++) {
        struct row r;
        fill(&r, v[i], l->level, l->columns / 4 > NAME_MIN ? l->columns / 4 : NAME_MIN);
        for (int k = 0; k < FIELDS; k++) {
            int width = urgency(v[i]) == CALM || k == STATION ? paper_width(p, r.field[k]) : 0;
            l->width[k] = width > l->width[k] ? width : l->width[k];
        }
    }
    for (int k = 0; k < FIELDS; k++) {
        total += l->width[k] > 0 ? l->width[k] + (k > 0 ? l->gap : 0) : 0;
    }
    return total;
}

static void put_padded(FILE *f, const struct paper *p, const char *text, int width, bool right)
{
    int pad = width - paper_width(p, text);
    (void)fprintf(f, "%*s%s%*s", right && pad > 0 ? pad : 0, "", text, !right && pad > 0 ? pad : 0,
                  "");
}

static void print_calm(const struct layout *l, const struct paper *p, const struct row *r, FILE *f)
{
    int last = LABEL; /* nothing is padded behind it */
    while (last > STATION && r->field[last][0] == '\0') {
        last--;
    }
    (void)fputs("  ", f);
    for (int k = 0; k <= last; k++) {
        bool right = k == PROGRESS || k == CAPACITY;
        if (l->width[k] > 0) {
            (void)fprintf(f, "%*s", k > 0 ? l->gap : 0, "");
            put_padded(f, p, r->field[k], k < last || right ? l->width[k] : 0, right);
        }
    }
}

/* What is wrong comes first; behind it stands what there is room for. */
static void print_urgent(const struct wane *w, const struct layout *l, const struct paper *p,
                         const struct view *v, FILE *f)
{
    struct row r;
    char word[FIELD_SIZE] = "", rule[FIELD_SIZE] = "";
    const json_t *halt = json_object_get(v->reply, "halt");
    const char *why = json_string_value(json_object_get(halt, "rule"));
    enum urgency how = urgency(v);
    bool alarm = how <= ALARM;
    fill(&r, v, l->columns < NARROW ? SHORT_LABEL : SHORT,
         l->width[STATION] > 0 ? l->width[STATION] : NAME_MIN);
    (void)snprintf(word, sizeof word, "%s",
                   how == NOT_OFF ? "ALARM NOT OFF"
                   : alarm        ? "ALARM"
                                  : "");
    (void)snprintf(rule, sizeof rule, "%s%.80s", alarm ? " " : "", alarm && why != NULL ? why : "");
    if (!alarm) {
        (void)snprintf(word, sizeof word, "%s", r.field[STATE]);
    }
    (void)fprintf(f, "%s ", alarm ? "!" : "?");
    put_padded(f, p, r.field[STATION], l->width[STATION], false);
    (void)fprintf(f, "%*s%s%s%s%s", l->gap, "", wane_red(w), word, wane_plain(w), rule);
    int label = r.field[LABEL][0] != '\0' ? l->gap + paper_width(p, r.field[LABEL]) : 0;
    int room = l->columns - 2 - l->width[STATION] - l->gap - paper_width(p, word) -
               paper_width(p, rule) - label;
    for (int k = alarm ? STATE : PROGRESS; k < LABEL; k++) {
        int width = l->gap + paper_width(p, r.field[k]);
        if (r.field[k][0] != '\0' && width <= room && k != LEFT) {
            (void)fprintf(f, "%*s%s", l->gap, "", r.field[k]);
            room -= width;
        }
    }
    if (label > 0) {
        (void)fprintf(f, "%*s%s", l->gap, "", r.field[LABEL]);
    }
}

void rows_print(const struct wane *w, const struct paper *p, struct view *const *v, int n, FILE *f)
{
    struct layout l = {.columns = p->tty ? p->columns : INT_MAX, .level = EVERYTHING};
    l.gap = l.columns < NARROW ? 1 : 2;
    while (lay_out(&l, p, v, n) > l.columns && l.level + 1 < LEVELS) {
        l.level++;
    }
    for (int i = 0; i < n; i++) {
        char *text = NULL;
        size_t len = 0;
        struct row r;
        FILE *m = open_memstream(&text, &len);
        if (m == NULL) {
            return;
        }
        fill(&r, v[i], l.level, l.width[STATION]);
        if (urgency(v[i]) < CALM) {
            print_urgent(w, &l, p, v[i], m);
        } else {
            print_calm(&l, p, &r, m);
        }
        if (fclose(m) == 0) {
            paper_cut(p, text, l.columns, f);
            (void)fputc('\n', f);
        }
        free(text);
    }
}
