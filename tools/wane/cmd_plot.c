/* wane plot: pictures of campaigns.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "drawing.h"

enum { OUTPUT, LOOK, SIZE, OF };

static const struct wane_option options[] = {
    [OUTPUT] = {"output", 'o', WANE_TEXT, "FILE", "ends in .svg, .png or .pdf"},
    [LOOK] = {"look", 0, WANE_TEXT, "LOOK", "light (else), dark or transparent"},
    [SIZE] = {"size", 0, WANE_TEXT, "WxH", "pixels, at most 3840x2160 or 2160x3840"},
    [OF] = {"of", 0, WANE_TEXT, "WHAT", "retention: of rated (else) or initial capacity"},
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
    if (rc != WANE_DONE) {
        return rc;
    }
    if (!a->value[OUTPUT].given) {
        return wane_usage(w, "where to? Give -o FILE.svg, FILE.png or FILE.pdf");
    }
    out->file = a->value[OUTPUT].text;
    return wn_picture_format_of(out->file, &format, &err) == WN_OK ? WANE_DONE
                                                                   : wane_usage(w, "%s", err.text);
}

static int show(const struct wane *w, const struct wn_picture *p, const struct plan *plan,
                struct wn_error *err)
{
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
    .synopsis = "KIND CAMPAIGN... -o FILE [--look LOOK] [--size WxH]",
    .summary = "pictures of how cells age",
    .text = "KIND is one of\n"
            "  fade        capacity of every cycle, flagged cycles hollow, the threshold, the\n"
            "              claim and the projection with its 80 % band\n"
            "  retention   the same in percent of the rated or the initial capacity\n"
            "  resistance  at the onset of each discharge, and at the check-ups\n"
            "Squares are check-ups, light bars expanded uncertainties (k = 2). Several\n"
            "campaigns are laid over each other. Needs gnuplot.\n",
    .examples = "  wane plot fade demo -o fade.svg\n"
                "  wane plot retention demo other -o retention.png --size 3840x2160\n"
                "  wane plot resistance demo -o resistance.pdf\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_min = 2,
    .operands_max = DRAWING_SUBJECTS_MAX + 1,
    .run = run,
};
