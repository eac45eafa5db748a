/* Pictures: colours, and where everything stands.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "report/look.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "report/table.h"

/* Okabe and Ito, "Color Universal Design", 2008. On light paper without yellow, which is lost
 * there, and on dark paper without blue; the rest of the order is what can be told apart best.
 * Black is the ink. */
static const char *const colours[][WN_PICTURE_COLOURS] = {
    {"#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00", "#56b4e9", NULL, "#7f7f7f"},
    {"#56b4e9", "#e69f00", "#009e73", "#cc79a7", "#d55e00", "#f0e442", NULL, "#8f8f8f"},
};

/* From new to old, through four of the same colours: everybody can see their order. */
static const int ramps[][4][3] = {
    {{0, 114, 178}, {86, 180, 233}, {230, 159, 0}, {213, 94, 0}},
    {{86, 180, 233}, {240, 228, 66}, {230, 159, 0}, {213, 94, 0}},
};

/* The inks of WN_LOOK_INLINE are no colours but names: nothing else has them. Of eight digits the
 * first two are how much of the paper is seen through it. */
static const char *const inks[][INKS] = {
    [WN_LOOK_LIGHT] = {"#14181c", "#30363c", "#5a636b", "#8a9299", "#e6e9eb", "#eef0f1"},
    [WN_LOOK_DARK] = {"#f2f4f5", "#d3d8dc", "#a3abb2", "#727b83", "#2b3137", "#23282d"},
    [WN_LOOK_TRANSPARENT] = {"#767676", "#767676", "#767676", "#868686", "#c4808080", "#d6808081"},
    [WN_LOOK_INLINE] = {"#010101", "#010102", "#010103", "#010104", "#010105", "#010106"},
};
static const double page_opacity[INKS] = {1, 0.85, 0.68, 0.5, 0.13, 0.07};

const char *look_ink(enum wn_look look, enum look_ink ink)
{
    return inks[look][ink];
}

bool look_is_special(const int rgb[3], double *opacity, bool *page)
{
    *page = rgb[0] == 1 && rgb[1] == 1 && rgb[2] >= 1 && rgb[2] <= INKS;
    if (*page) {
        *opacity = page_opacity[rgb[2] - 1];
        return true;
    }
    *opacity = 1 - 0xd6 / 255.0; /* of text across a transparent picture: gnuplot forgets it */
    return rgb[0] == 0x80 && rgb[1] == 0x80 && rgb[2] == 0x81;
}

const char *look_paper(enum wn_look look)
{
    return look == WN_LOOK_LIGHT ? "#ffffff" : look == WN_LOOK_DARK ? "#15181b" : NULL;
}

const char *look_colour(enum wn_look look, const struct wn_series *s, char buf[LOOK_COLOUR_SIZE])
{
    int dark = look == WN_LOOK_DARK;
    const char *c = inks[look][INK_SOFT];
    if (s->colour >= 0) {
        c = colours[dark][s->colour % WN_PICTURE_COLOURS];
        c = c != NULL ? c : inks[look][INK_TITLE];
    }
    (void)snprintf(buf, LOOK_COLOUR_SIZE, "%s", c);
    if (isfinite(s->shade)) {
        double at = fmin(fmax(s->shade, 0), 1) * 3;
        int k = at < 2 ? (int)at : 2;
        unsigned rgb[3];
        for (int i = 0; i < 3; i++) {
            int from = ramps[dark][k][i], to = ramps[dark][k + 1][i];
            rgb[i] = (unsigned)lround(from + (at - k) * (to - from)) & 0xffu;
        }
        (void)snprintf(buf, LOOK_COLOUR_SIZE, "#%02x%02x%02x", rgb[0], rgb[1], rgb[2]);
    }
    return buf;
}

/* Mean width of a letter of the typeface, over its size. */
#define LETTER 0.58

const char *look_cut(const char *text, int columns, char *buf, size_t bytes)
{
    size_t end = 0, n = 0;
    bool whole = wn_text_width(text) <= columns;
    for (size_t i = 0; text[i] != '\0' && i + 4 < bytes; i++) {
        bool begins = ((unsigned char)text[i] & 0xc0) != 0x80;
        if (begins && !whole && ++n >= (size_t)columns) {
            break;
        }
        end = i + 1;
    }
    while (!whole && end > 0 && text[end - 1] == ' ') {
        end--;
    }
    (void)snprintf(buf, bytes, "%.*s%s", (int)end, text, whole ? "" : "…");
    return buf;
}

const char *look_shorten(const char *text, double room, double size, char *buf, size_t bytes)
{
    double columns = room / (LETTER * size);
    return look_cut(text, columns > 4 ? (int)columns : 4, buf, bytes);
}

enum { KEY_SAMPLE = 52, KEY_LABEL_LONG = 48, KEY_LABEL_SHORT = 12 };

static void lay_key(const struct wn_picture *p, struct look_layout *l)
{
    int entries = 0, longest = 0;
    for (int i = 0; i < p->n; i++) {
        const struct wn_series *s = &p->series[i];
        if (s->n > 0 && s->label[0] != '\0') {
            int width = wn_text_width(s->label);
            longest = width > longest ? width : longest;
            entries++;
        }
    }
    /* names are cut before the key takes more than two fifths of the picture */
    for (l->key_label_max = KEY_LABEL_LONG;; l->key_label_max -= 2) {
        int widest = longest < l->key_label_max ? longest : l->key_label_max;
        double column = fmax(widest, 4) * LETTER * LOOK_SMALL_SIZE + KEY_SAMPLE;
        int columns = (int)((l->right - l->left) / column);
        l->key_columns = columns < 1 ? 1 : columns > 6 ? 6 : columns;
        l->key_rows = (entries + l->key_columns - 1) / l->key_columns;
        if (l->key_rows * LOOK_KEY_ROW <= 0.4 * l->height || l->key_label_max <= KEY_LABEL_SHORT) {
            return;
        }
    }
}

void look_layout(const struct wn_picture *p, const struct wn_style *style, struct look_layout *l)
{
    memset(l, 0, sizeof *l);
    l->width_px = style->width_px > 0 ? style->width_px : 960;
    l->height_px = style->height_px > 0 ? style->height_px : 600;
    wn_assert(l->width_px >= WN_PICTURE_SIDE_MIN && l->width_px <= WN_PICTURE_SIDE_MAX);
    wn_assert(l->height_px >= WN_PICTURE_SIDE_MIN && l->height_px <= WN_PICTURE_SIDE_MAX);
    l->scale = fmax(fmin(l->width_px / 960.0, l->height_px / 600.0), 0.6);
    l->width = l->width_px / l->scale;
    l->height = l->height_px / l->scale;
    const char *more[] = {p->subtitle, p->conditions, p->note};
    for (int i = 0; i < 3; i++) {
        l->lines += more[i][0] != '\0';
    }
    bool right_axis = p->y[0].right_full > 0 || p->y[1].right_full > 0;
    l->left = 84;
    l->right = l->width - (right_axis ? 86 : 30);
    l->top = 50 + LOOK_LINE * l->lines;
    lay_key(p, l);
    l->key_top = l->height - LOOK_KEY_ROW * l->key_rows - 12;
    l->bottom = l->key_top - (l->key_rows > 0 ? 52 : 46);
}

void look_panel(const struct wn_picture *p, const struct look_layout *l, int panel, double *top,
                double *bottom)
{
    const double gap = 20;
    double height = p->panels > 1 ? (l->bottom - l->top - gap) / 2 : l->bottom - l->top;
    *top = l->top + panel * (height + gap);
    *bottom = *top + height;
}
