/* wane plot: pictures of campaigns.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _DEFAULT_SOURCE
#include "wane.h"

#include <langinfo.h>
#include <locale.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include "base/num.h"
#include "drawing.h"
#include "report/terminal.h"

enum { OUTPUT, LOOK, SIZE, OF, CYCLES, CHECK_UPS, ENERGY, SMOOTHING };

static const struct wane_option options[] = {
    [OUTPUT] = {"output", 'o', WANE_TEXT, "FILE",
                "ends in .svg, .png or .pdf; else drawn here in characters"},
    [LOOK] = {"look", 0, WANE_TEXT, "LOOK", "light (else), dark or transparent"},
    [SIZE] = {"size", 0, WANE_TEXT, "WxH", "pixels, at most 3840x2160 or 2160x3840"},
    [OF] = {"of", 0, WANE_TEXT, "WHAT", "retention: of rated (else) or initial capacity"},
    [CYCLES] = {"cycles", 0, WANE_TEXT, "LIST",
                "discharge, heating, dqdv: of these cycles, as in 1,50,100"},
    [CHECK_UPS] = {"check-ups", 0, WANE_FLAG, NULL, "discharge, heating, dqdv: of the check-ups"},
    [ENERGY] = {"energy", 0, WANE_FLAG, NULL, "discharge, heating: over Wh instead of Ah"},
    [SMOOTHING] = {"smoothing-mv", 0, WANE_NUMBER, "X",
                   "dqdv: fitted over so many mV; else as the readings allow"},
};

struct plan {
    enum drawing_kind kind;
    struct drawing_choice choice;
    struct wn_style style;
    const char *file;
};

static int take_look(const struct wane *w, const struct wane_value *v, struct wn_style *out)
{
    static const char *const looks[] = {
        [WN_LOOK_LIGHT] = "light", [WN_LOOK_DARK] = "dark", [WN_LOOK_TRANSPARENT] = "transparent"};
    for (size_t i = 0; i < sizeof looks / sizeof looks[0] && v->given; i++) {
        if (strcmp(v->text, looks[i]) == 0) {
            out->look = (enum wn_look)i;
            return WANE_DONE;
        }
    }
    return v->given ? wane_usage(w, "--look is '%s': write light, dark or transparent", v->text)
                    : WANE_DONE;
}

/* "1920x1080" */
static int take_size(const struct wane *w, const struct wane_value *v, struct wn_style *out)
{
    int64_t side[2] = {0, 0};
    size_t digits = v->given ? strcspn(v->text, "x") : 0;
    if (!v->given) {
        return WANE_DONE;
    }
    bool ok =
        v->text[digits] == 'x' && wn_num_parse_int(v->text, digits, &side[0]) == WN_OK &&
        wn_num_parse_int(v->text + digits + 1, strlen(v->text + digits + 1), &side[1]) == WN_OK;
    for (int i = 0; i < 2; i++) {
        ok = ok && side[i] >= WN_PICTURE_SIDE_MIN && side[i] <= WN_PICTURE_SIDE_MAX;
    }
    if (!ok) {
        return wane_usage(w,
                          "--size is '%s': write width and height in pixels from %d to %d, as in "
                          "1920x1080",
                          v->text, WN_PICTURE_SIDE_MIN, WN_PICTURE_SIDE_MAX);
    }
    out->width_px = (int)side[0];
    out->height_px = (int)side[1];
    return WANE_DONE;
}

static int take_of(const struct wane *w, const struct wane_value *v, struct drawing_choice *out)
{
    out->of_initial = v->given && strcmp(v->text, "initial") == 0;
    return !v->given || out->of_initial || strcmp(v->text, "rated") == 0
               ? WANE_DONE
               : wane_usage(w, "--of is '%s': write rated or initial", v->text);
}

/* "1,50,100" */
static int take_cycles(const struct wane *w, const struct wane_args *a, struct drawing_choice *out)
{
    const struct wane_value *v = &a->value[CYCLES];
    out->check_ups = a->value[CHECK_UPS].given;
    if (v->given && out->check_ups) {
        return wane_usage(w, "give --cycles or --check-ups, not both");
    }
    for (const char *at = v->given ? v->text : ""; *at != '\0';) {
        size_t n = strcspn(at, ",");
        int64_t cycle = 0;
        if (wn_num_parse_int(at, n, &cycle) != WN_OK || cycle < 1) {
            return wane_usage(w, "--cycles is '%s': write cycles as in 1,50,100", v->text);
        }
        if (out->cycles == DRAWING_CYCLES_MAX) {
            return wane_usage(w, "--cycles: more than %d curves cannot be told apart",
                              DRAWING_CYCLES_MAX);
        }
        out->cycle[out->cycles++] = cycle;
        at += n + (at[n] == ',');
    }
    return WANE_DONE;
}

/* What another kind would pass over is a mistake. */
static int take_curves(const struct wane *w, const struct wane_args *a, enum drawing_kind kind,
                       struct drawing_choice *out)
{
    enum { CURVES = 1u << DRAWING_DISCHARGE | 1u << DRAWING_HEATING };
    static const struct {
        int option;
        const char *name, *for_what;
        unsigned kinds; /* set of 1 << kind */
    } only[] = {
        {OF, "of", "retention", 1u << DRAWING_RETENTION},
        {CYCLES, "cycles", "discharge, heating and dqdv", CURVES | 1u << DRAWING_DQDV},
        {CHECK_UPS, "check-ups", "discharge, heating and dqdv", CURVES | 1u << DRAWING_DQDV},
        {ENERGY, "energy", "discharge and heating", CURVES},
        {SMOOTHING, "smoothing-mv", "dqdv", 1u << DRAWING_DQDV},
    };
    for (size_t i = 0; i < sizeof only / sizeof only[0]; i++) {
        if (a->value[only[i].option].given && (only[i].kinds & 1u << kind) == 0) {
            return wane_usage(w, "--%s is for %s, not for %s", only[i].name, only[i].for_what,
                              drawing_word(kind));
        }
    }
    out->energy = a->value[ENERGY].given;
    out->smoothing_v = a->value[SMOOTHING].given ? a->value[SMOOTHING].number / 1e3 : 0;
    return take_cycles(w, a, out);
}

static int take_kind(const struct wane *w, const char *word, enum drawing_kind *out)
{
    char known[200] = "";
    *out = drawing_of(word);
    if (*out < DRAWING_KINDS) {
        return WANE_DONE;
    }
    for (int k = 0; k < DRAWING_KINDS; k++) {
        size_t n = strlen(known);
        (void)snprintf(known + n, sizeof known - n, "%s%s",
                       k == 0                   ? ""
                       : k + 1 == DRAWING_KINDS ? " or "
                                                : ", ",
                       drawing_word((enum drawing_kind)k));
    }
    return wane_usage(w, "'%s' cannot be drawn: write %s", word, known);
}

static int take_plan(const struct wane *w, const struct wane_args *a, struct plan *out)
{
    struct wn_error err = {0};
    enum wn_picture_format format;
    memset(out, 0, sizeof *out);
    int rc = take_kind(w, a->operand[0], &out->kind);
    rc = rc == WANE_DONE ? take_look(w, &a->value[LOOK], &out->style) : rc;
    rc = rc == WANE_DONE ? take_size(w, &a->value[SIZE], &out->style) : rc;
    rc = rc == WANE_DONE ? take_of(w, &a->value[OF], &out->choice) : rc;
    rc = rc == WANE_DONE ? take_curves(w, a, out->kind, &out->choice) : rc;
    if (rc != WANE_DONE) {
        return rc;
    }
    if (!a->value[OUTPUT].given) {
        bool sized = a->value[LOOK].given || a->value[SIZE].given;
        return sized ? wane_usage(w, "--look and --size are for files: give -o FILE too")
                     : WANE_DONE;
    }
    out->file = a->value[OUTPUT].text;
    return wn_picture_format_of(out->file, &format, &err) == WN_OK ? WANE_DONE
                                                                   : wane_usage(w, "%s", err.text);
}

static bool is_utf8(void)
{
    locale_t here = newlocale(LC_CTYPE_MASK, "", (locale_t)0);
    bool utf8 = here != (locale_t)0 && strcmp(nl_langinfo_l(CODESET, here), "UTF-8") == 0;
    if (here != (locale_t)0) {
        freelocale(here);
    }
    return utf8;
}

/* In the terminal itself; as large as its window, or as an ordinary one when there is none. */
static int show_here(const struct wane *w, const struct wn_picture *p, struct wn_error *err)
{
    struct winsize size = {.ws_row = 24, .ws_col = 80};
    (void)ioctl(STDOUT_FILENO, TIOCGWINSZ, &size);
    struct wn_terminal t = {.columns = size.ws_col > 0 ? size.ws_col : 80,
                            .rows = size.ws_row > 0 ? size.ws_row : 24,
                            .utf8 = is_utf8(),
                            .colour = w->colour};
    char *text = wn_picture_text(p, &t, err);
    if (text == NULL) {
        return wane_fail(w, err);
    }
    (void)fputs(text, stdout);
    free(text);
    return wane_flush();
}

static json_t *numbers(const double *x, size_t n)
{
    json_t *list = json_array();
    for (size_t i = 0; list != NULL && i < n; i++) {
        (void)json_array_append_new(list, wane_number(x[i]));
    }
    return list;
}

/* What would be drawn, for whoever draws it in another way. */
static int show_json(const struct wn_picture *p, enum drawing_kind kind)
{
    static const char *const kinds[] = {
        [WN_SERIES_POINTS] = "valid",      [WN_SERIES_HOLLOW] = "flagged",
        [WN_SERIES_SQUARE] = "check_up",   [WN_SERIES_CURVE] = "curve",
        [WN_SERIES_MEDIAN] = "median",     [WN_SERIES_BAND] = "band",
        [WN_SERIES_ERROR] = "uncertainty", [WN_SERIES_LIMIT] = "limit",
        [WN_SERIES_MARK] = "claim"};
    json_t *o = json_object(), *series = json_array(), *axes = json_array();
    wane_put(o, "kind", json_string(drawing_word(kind)));
    wane_put(o, "title", json_string(p->title));
    wane_put(o, "subtitle", json_string(p->subtitle));
    wane_put(o, "conditions", json_string(p->conditions));
    wane_put(o, "note", json_string(p->note));
    wane_put(o, "simulated", json_boolean(p->simulated_label[0] != '\0'));
    wane_put(o, "x_label", json_string(p->x_label));
    for (int i = 0; i < p->panels; i++) {
        (void)json_array_append_new(axes, json_string(p->y[i].label));
    }
    wane_put(o, "y_labels", axes);
    for (int i = 0; i < p->n; i++) {
        const struct wn_series *s = &p->series[i];
        bool two = wn_series_has_two_ends(s);
        json_t *one = json_object();
        wane_put(one, "kind", json_string(kinds[s->kind]));
        wane_put(one, "label", json_string(s->label));
        wane_put(one, "panel", json_integer(s->panel));
        wane_put(one, "x", numbers(s->x, s->kind != WN_SERIES_LIMIT ? s->n : 0));
        wane_put(one, two ? "low" : "y", numbers(s->y, s->n));
        if (two) {
            wane_put(one, "high", numbers(s->y2, s->n));
        }
        if (s->n > 0) {
            (void)json_array_append(series, one);
        }
        json_decref(one);
    }
    wane_put(o, "series", series);
    return wane_print_json(o);
}

static int show(const struct wane *w, const struct wn_picture *p, const struct plan *plan,
                struct wn_error *err)
{
    if (plan->file == NULL) {
        return w->json ? show_json(p, plan->kind) : show_here(w, p, err);
    }
    int rc = wn_picture_draw(p, plan->file, &plan->style, err);
    if (rc != WN_OK) {
        return wane_fail(w, err);
    }
    if (w->json) {
        return wane_print_json(json_pack("{s:s}", "file", plan->file));
    }
    (void)fprintf(stderr, "wane plot: drawn into %s\n", plan->file);
    return WANE_DONE;
}

static int draw(const struct wane *w, struct drawing_subject *s, int n, const struct plan *plan)
{
    struct wn_error err = {0};
    struct wn_picture *p = malloc(sizeof *p);
    if (p == NULL) {
        (void)wn_error_set(&err, WN_ENOMEM, "out of memory");
        return wane_fail(w, &err);
    }
    wn_picture_init(p);
    int rc = drawing_make(p, plan->kind, s, n, &plan->choice, &err);
    rc = rc == WN_OK ? show(w, p, plan, &err) : wane_fail(w, &err);
    wn_picture_fini(p);
    free(p);
    return rc;
}

static int run(struct wane *w, const struct wane_args *a)
{
    struct plan plan;
    int n = a->operands - 1, rc = take_plan(w, a, &plan);
    if (rc != WANE_DONE) {
        return rc;
    }
    struct drawing_subject *s = calloc((size_t)n, sizeof *s);
    if (s == NULL) {
        return WANE_FAILED;
    }
    for (int i = 0; i < n && rc == WANE_DONE; i++) {
        rc = drawing_open(w, a->operand[i + 1], &s[i]);
    }
    rc = rc == WANE_DONE ? draw(w, s, n, &plan) : rc;
    for (int i = 0; i < n; i++) {
        drawing_close(&s[i]);
    }
    free(s);
    return rc;
}

const struct wane_command cmd_plot = {
    .name = "plot",
    .synopsis = "KIND CAMPAIGN... [-o FILE] [--look LOOK] [--size WxH]",
    .summary = "pictures of how cells age",
    .text = "KIND is one of\n"
            "  fade         capacity of every cycle, flagged cycles hollow, the threshold, the\n"
            "               claim and the projection with its 80 % band\n"
            "  retention    the same in percent of the rated or the initial capacity\n"
            "  resistance   at the onset of each discharge, and at the check-ups\n"
            "  discharge    voltage over charge: a curve of each current when there are\n"
            "               several, else of cycles from the first to the last\n"
            "  heating      temperature of the cell in the same discharges\n"
            "  temperature  highest of the cell, the ambient, and the rise in discharge\n"
            "  efficiency   coulombic, and of the energy\n"
            "  dqdv         differential capacity of the check-ups, else of cycles; how it is\n"
            "               smoothed stands on the picture\n"
            "  history      the projected end of life, as it was told on the way\n"
            "Squares are check-ups, light bars expanded uncertainties (k = 2). Several\n"
            "campaigns are laid over each other. Files need gnuplot.\n",
    .examples = "  wane plot fade demo\n"
                "  wane plot fade demo -o fade.svg\n"
                "  wane plot retention demo other -o retention.png --size 3840x2160\n"
                "  wane plot discharge demo --cycles 1,100,300 -o discharge.pdf\n"
                "  wane plot dqdv demo -o dqdv.png --look dark\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_min = 2,
    .operands_max = DRAWING_SUBJECTS_MAX + 1,
    .run = run,
};
