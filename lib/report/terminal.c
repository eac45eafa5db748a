/* Pictures in characters: axes, words and key around the data.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "report/terminal.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "report/canvas.h"
#include "report/look.h"
#include "report/table.h"

enum { COLUMNS_MAX = 500, ROWS_MAX = 200, LEFT = 9, AXIS_MAX = COLUMNS_MAX + 40 };
enum { DATA_ROWS_MIN = 5, KEY_GAP = 3 };

struct screen {
    FILE *f;
    const struct wn_picture *p;
    struct wn_terminal t;
    bool letters; /* series of data are told apart by letters */
};

static int within(int x, int low, int high)
{
    return x < low ? low : x > high ? high : x;
}

/* Of the terminals' 256 colours those that come closest to the pictures'. */
static int colour_of(const struct wn_series *s, bool general)
{
    static const int colours[WN_PICTURE_COLOURS] = {32, 166, 36, 175, 178, 74, -1, 244};
    static const int ramp[] = {32, 74, 144, 178, 166};
    if (general || s->colour < 0) {
        return 245;
    }
    if (isfinite(s->shade)) {
        return ramp[lround(fmin(fmax(s->shade, 0), 1) * 4)];
    }
    return colours[s->colour % WN_PICTURE_COLOURS];
}

static const char *sign_of(const struct screen *s, enum canvas_rank rank)
{
    static const char *const ascii[] = {" ", ":", "-", ".", "*", "o", "#", "@"};
    static const char *const utf8[] = {" ", "░", "┄", "╌", "•", "○", "□", "◆"};
    return s->t.utf8 ? utf8[rank] : ascii[rank];
}

/* Series of data, counted from 0: a, b, c, ... */
static int letter_of(const struct wn_picture *p, int owner)
{
    int n = 0;
    for (int i = 0; i < owner; i++) {
        n += canvas_rank_of(p->series[i].kind) == RANK_DATA && p->series[i].n > 0 &&
             p->series[i].panel == p->series[owner].panel;
    }
    return n < 26 ? 'a' + n : 'A' + n % 26;
}

static void colour_on(const struct screen *s, int colour, bool faint)
{
    if (s->t.colour && colour >= 0) {
        (void)fprintf(s->f, "\033[%s38;5;%dm", faint ? "2;" : "", colour);
    }
}

static void colour_off(const struct screen *s)
{
    if (s->t.colour) {
        (void)fputs("\033[0m", s->f);
    }
}

/* What ASCII has no letter for; behind it stands nothing that could be mistaken. */
static size_t spell(const struct screen *s, const char *at, char *buf, size_t size)
{
    static const char *const spelled[][2] = {{"°", "deg"}, {"Ω", "ohm"}, {"µ", "u"},
                                             {"…", "..."}, {"–", "-"},   {"±", "+/-"}};
    size_t n = 1;
    if ((unsigned char)*at < 0x80) {
        (void)snprintf(buf, size, "%c", (unsigned char)*at < 0x20 || *at == 0x7f ? '?' : *at);
        return 1;
    }
    while (((unsigned char)at[n] & 0xc0) == 0x80) {
        n++;
    }
    (void)snprintf(buf, size, "%.*s", (int)n, at);
    bool steers = (unsigned char)at[0] == 0xc2 && (unsigned char)at[1] < 0xa0; /* C1 */
    if (!s->t.utf8 || steers || n < 2) {
        const char *as = "?";
        for (size_t i = 0; i < sizeof spelled / sizeof spelled[0]; i++) {
            as = strcmp(spelled[i][0], buf) == 0 ? spelled[i][1] : as;
        }
        (void)snprintf(buf, size, "%s", as);
    }
    return n;
}

/* Text as it can be shown, cut to `columns`. Returns buf. */
static const char *shown(const struct screen *s, const char *text, int columns, char *buf,
                         size_t size)
{
    char clean[3 * WN_PICTURE_TEXT_SIZE] = "", one[16], cut[3 * WN_PICTURE_TEXT_SIZE];
    size_t n = 0;
    while (*text != '\0' && n + sizeof one < sizeof clean) {
        text += spell(s, text, one, sizeof one);
        n += (size_t)snprintf(clean + n, sizeof clean - n, "%s", one);
    }
    bool whole = wn_text_width(clean) <= columns;
    if (whole || s->t.utf8) {
        (void)snprintf(buf, size, "%s", look_cut(clean, columns, cut, sizeof cut));
    } else {
        (void)snprintf(buf, size, "%.*s...", columns > 3 ? columns - 3 : 1, clean);
    }
    return buf;
}

static int write_words(const struct screen *s)
{
    const char *lines[] = {s->p->title, s->p->subtitle, s->p->conditions, s->p->note};
    char buf[3 * WN_PICTURE_TEXT_SIZE];
    int n = 0;
    for (int i = 0; i < 4; i++) {
        if (lines[i][0] != '\0') {
            bool bold = s->t.colour && i == 0;
            (void)fprintf(s->f, "%s%s%s\n", bold ? "\033[1m" : "",
                          shown(s, lines[i], s->t.columns, buf, sizeof buf), bold ? "\033[0m" : "");
            n++;
        }
    }
    return n;
}

/* Round numbers, so that at most `most` of them lie in the range; *decimals to write them with. */
static double round_step(const struct wn_range *r, int most, int *decimals)
{
    double raw = (r->high - r->low) / most;
    double ten = pow(10, floor(log10(raw)));
    double step = raw <= ten ? ten : raw <= 2 * ten ? 2 * ten : raw <= 5 * ten ? 5 * ten : 10 * ten;
    double places = -floor(log10(step) + 1e-9);
    *decimals = places > 0 ? (int)fmin(places, 9) : 0;
    return step;
}

/* Multiples of the step in the range, as whole numbers. */
static long first_round(const struct wn_range *r, double step)
{
    return lround(ceil(r->low / step - 1e-9));
}

static long last_round(const struct wn_range *r, double step)
{
    return lround(floor(r->high / step + 1e-9));
}

/* Round numbers at the rows they belong to; NaN elsewhere. Returns their decimals. */
static int number_rows(const struct canvas *c, double number[ROWS_MAX])
{
    int decimals = 0;
    double step = round_step(&c->y, c->rows / 3 > 2 ? c->rows / 3 : 2, &decimals);
    for (int row = 0; row < c->rows; row++) {
        number[row] = NAN;
    }
    long last = last_round(&c->y, step);
    for (long k = first_round(&c->y, step); k <= last; k++) {
        long row = canvas_row(c, (double)k * step);
        if (row >= 0 && row < c->rows) {
            number[row] = (double)k * step;
        }
    }
    return decimals;
}

static void write_cell(const struct screen *s, const struct canvas *c, int column, int row)
{
    const struct canvas_cell *cell = canvas_at(c, column, row);
    if (cell->rank == RANK_NOTHING) {
        (void)fputc(' ', s->f);
        return;
    }
    colour_on(s, colour_of(&s->p->series[cell->owner], false), cell->rank == RANK_BAND);
    if (cell->dots != 0) { /* U+2800 and the dots */
        (void)fprintf(s->f, "\xe2%c%c", 0xa0 + (cell->dots >> 6), 0x80 + (cell->dots & 0x3f));
    } else if (cell->rank == RANK_DATA && s->letters) {
        (void)fputc(letter_of(s->p, cell->owner), s->f);
    } else {
        (void)fputs(sign_of(s, (enum canvas_rank)cell->rank), s->f);
    }
    colour_off(s);
}

static void write_canvas(const struct screen *s, const struct canvas *c)
{
    double value[ROWS_MAX];
    int decimals = number_rows(c, value);
    for (int row = 0; row < c->rows; row++) {
        char number[WN_NUM_SIZE] = "";
        int last = c->columns;
        bool told = isfinite(value[row]);
        (void)fprintf(s->f, "%*s %s", LEFT - 2,
                      told ? wn_num_fixed(value[row], decimals, number, sizeof number) : "",
                      s->t.utf8 ? told ? "┤" : "│"
                      : told    ? "+"
                                : "|");
        while (last > 0 && canvas_at(c, last - 1, row)->rank == RANK_NOTHING) {
            last--;
        }
        for (int column = 0; column < last; column++) {
            write_cell(s, c, column, row);
        }
        (void)fputc('\n', s->f);
    }
}

/* A short label stands at the end of the numbers, a long one below them. */
static bool has_label_line(const struct screen *s)
{
    return wn_text_width(s->p->x_label) > 8;
}

static void write_x_label(const struct screen *s, const struct canvas *c)
{
    char label[3 * WN_PICTURE_TEXT_SIZE];
    (void)shown(s, s->p->x_label, c->columns, label, sizeof label);
    (void)fprintf(s->f, "%*s%s\n", LEFT + (c->columns - wn_text_width(label)) / 2, "", label);
}

/* Below the data: a line with ticks, and numbers under them. */
static void write_x_axis(const struct screen *s, const struct canvas *c, bool numbers)
{
    char line[AXIS_MAX], number[WN_NUM_SIZE];
    bool tick[AXIS_MAX] = {false};
    int decimals = 0, free_from = 0, end = LEFT + c->columns + 1;
    double step = round_step(&c->x, c->columns / 10 > 2 ? c->columns / 10 : 2, &decimals);
    int room = has_label_line(s) ? end : end - wn_text_width(s->p->x_label) - 1;
    memset(line, ' ', sizeof line);
    long last = last_round(&c->x, step);
    for (long k = first_round(&c->x, step); k <= last; k++) {
        double v = (double)k * step;
        int at = (int)canvas_column(c, v);
        int n = (int)strlen(wn_num_fixed(v, decimals, number, sizeof number));
        int from = LEFT + at - n / 2;
        tick[within(at, 0, c->columns - 1)] = true;
        if (from >= free_from && from + n <= room) {
            memcpy(line + from, number, (size_t)n);
            free_from = from + n + 1;
        }
    }
    (void)fprintf(s->f, "%*s%s", LEFT - 1, "", s->t.utf8 ? "└" : "+");
    for (int i = 0; i < c->columns; i++) {
        (void)fputs(s->t.utf8 ? tick[i] ? "┬" : "─" : tick[i] ? "+" : "-", s->f);
    }
    if (numbers && has_label_line(s)) {
        (void)fprintf(s->f, "\n%.*s\n", free_from > 0 ? free_from - 1 : 0, line);
        write_x_label(s, c);
    } else if (numbers) {
        (void)fprintf(s->f, "\n%.*s %s\n", room, line, s->p->x_label);
    } else {
        (void)fputc('\n', s->f);
    }
}

/* Whether a series stands in the key, and with what. */
static bool is_told(const struct wn_series *s)
{
    return s->n > 0 && s->label[0] != '\0' && s->kind != WN_SERIES_ERROR;
}

/* The key, wrapped between its entries; returns its lines. Only counts them when f is NULL. */
static int key(const struct screen *s, FILE *f)
{
    char label[WN_SERIES_LABEL_SIZE * 3], letter[2] = "";
    int lines = 0, column = 0;
    for (int k = 0; k <= WN_SERIES_MARK; k++) {
        for (int i = 0; i < s->p->n; i++) {
            const struct wn_series *of = &s->p->series[i];
            if ((int)of->kind != k || !is_told(of)) {
                continue;
            }
            (void)shown(s, of->label, s->t.columns - 4, label, sizeof label);
            int width = wn_text_width(label) + 2;
            bool fits = column > 0 && column + KEY_GAP + width <= s->t.columns;
            column = fits ? column + KEY_GAP + width : width + 2;
            lines += !fits;
            if (f == NULL) {
                continue;
            }
            enum canvas_rank rank = canvas_rank_of(of->kind);
            letter[0] = (char)letter_of(s->p, i);
            (void)fprintf(f, "%s%*s", fits || lines == 1 ? "" : "\n", fits ? KEY_GAP : 2, "");
            colour_on(s, colour_of(of, of->general), false);
            (void)fputs(rank == RANK_DATA && s->letters ? letter : sign_of(s, rank), f);
            colour_off(s);
            (void)fprintf(f, " %s", label);
        }
    }
    (void)fputs(f != NULL && lines > 0 ? "\n" : "", f != NULL ? f : s->f);
    return lines;
}

static bool write_panels(const struct screen *s, int words)
{
    char label[3 * WN_PICTURE_TEXT_SIZE];
    int panels = s->p->panels;
    /* of each panel a label and a line, of the last numbers; a line is left for the prompt */
    int around = words + key(s, NULL) + 2 * panels + 1 + has_label_line(s);
    int rows = (s->t.rows - 1 - around) / panels;
    rows = rows > DATA_ROWS_MIN ? rows : DATA_ROWS_MIN;
    for (int panel = 0; panel < panels; panel++) {
        struct canvas c;
        if (!canvas_make(&c, s->t.columns - LEFT - 1, rows, s->t.utf8 && !s->letters)) {
            return false;
        }
        wn_picture_ranges(s->p, panel, &c.x, &c.y);
        canvas_draw(&c, s->p, panel);
        (void)fprintf(s->f, "%s\n",
                      shown(s, s->p->y[panel].label, s->t.columns, label, sizeof label));
        write_canvas(s, &c);
        write_x_axis(s, &c, panel + 1 == panels);
        free(c.cell);
    }
    return true;
}

/* Do dots leave open which series they are? */
static bool needs_letters(const struct wn_picture *p, const struct wn_terminal *t)
{
    int most = 0;
    for (int panel = 0; panel < p->panels; panel++) {
        int n = 0;
        for (int i = 0; i < p->n; i++) {
            n += p->series[i].panel == panel && p->series[i].n > 0 &&
                 canvas_rank_of(p->series[i].kind) == RANK_DATA;
        }
        most = n > most ? n : most;
    }
    return most > 1 && !(t->utf8 && t->colour);
}

char *wn_picture_text(const struct wn_picture *p, const struct wn_terminal *t, struct wn_error *err)
{
    char *text = NULL;
    size_t len = 0;
    if (wn_picture_check(p, err) != WN_OK) {
        return NULL;
    }
    struct screen s = {.f = open_memstream(&text, &len), .p = p, .t = *t};
    bool ok = s.f != NULL;
    s.t.columns = within(t->columns, 40, COLUMNS_MAX);
    s.t.rows = within(t->rows, 12, ROWS_MAX);
    s.letters = needs_letters(p, t);
    if (ok) {
        ok = write_panels(&s, write_words(&s));
        (void)key(&s, s.f);
        ok = fclose(s.f) == 0 && ok;
    }
    if (!ok) {
        free(text);
        (void)wn_error_set(err, WN_ENOMEM, "no memory for the picture");
        return NULL;
    }
    return text;
}
