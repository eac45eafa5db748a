/* wane plot: pictures of capacity fade and resistance rise.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "fade_source.h"
#include "measuring.h"
#include "report/picture.h"

enum { OUTPUT };
enum { CAMPAIGNS_MAX = 12 };

static const struct wane_option options[] = {
    [OUTPUT] = {"output", 'o', WANE_TEXT, "FILE", "ends in .svg or .png"},
};

struct subject {
    struct wane_campaign c;
    struct wane_cycles cycles;
    bool projected;
    struct wn_fade_result fade;
};

static const char *label_of(const struct subject *s, bool alone, const char *what, char *buf,
                            size_t size)
{
    (void)snprintf(buf, size, "%s%s%s%s", alone ? "" : s->c.info.name,
                   alone || !s->c.info.simulated ? "" : " (SIMULATED)",
                   alone || what[0] == '\0' ? "" : ": ", what);
    return buf;
}

/* Behind the points. Which k it is stands in the key once. */
static void add_bars(struct wn_picture *p, const struct subject *s, int colour, bool resistance)
{
    bool first = true;
    for (int k = 0; k < p->n; k++) {
        first = first && p->series[k].kind != WN_SERIES_ERROR;
    }
    if (!measuring_known(&s->cycles)) {
        return;
    }
    struct wn_series *bar =
        wn_picture_add(p, WN_SERIES_ERROR, colour, first ? "expanded uncertainty (k = 2)" : "");
    for (size_t i = 0; i < s->cycles.n; i++) {
        const struct wn_cycle_record *r = &s->cycles.row[i];
        struct wn_measured x = resistance ? r->resistance_ohm : r->capacity_ah;
        double scale = resistance ? 1e3 : 1;
        if (isfinite(x.u)) {
            wn_series_put(p, bar, (double)r->cycle, scale * (x.value - WN_COVERAGE_FACTOR * x.u),
                          scale * (x.value + WN_COVERAGE_FACTOR * x.u));
        }
    }
}

static void add_points(struct wn_picture *p, const struct subject *s, int colour, bool alone,
                       bool resistance)
{
    char label[WN_SERIES_LABEL_SIZE];
    unsigned bad = resistance ? WN_FLAG_INTERRUPTED : WN_FLAGS_INVALID;
    struct wn_series *valid =
        wn_picture_add(p, WN_SERIES_POINTS, colour,
                       label_of(s, alone, alone ? "valid cycle" : "", label, sizeof label));
    struct wn_series *flagged = wn_picture_add(p, WN_SERIES_HOLLOW, colour,
                                               label_of(s, alone, "flagged", label, sizeof label));
    for (size_t i = 0; i < s->cycles.n; i++) {
        const struct wn_cycle_record *r = &s->cycles.row[i];
        double y = resistance ? 1e3 * r->resistance_ohm.value : r->capacity_ah.value;
        wn_series_put(p, (r->flags & bad) ? flagged : valid, (double)r->cycle, y, NAN);
    }
}

struct check_ups {
    struct wn_picture *picture;
    struct wn_series *series;
    bool resistance;
};

static int take_check_up(const struct wn_check_up_record *r, wn_utc_us end_utc, void *ctx)
{
    struct check_ups *c = ctx;
    (void)end_utc;
    double y = c->resistance ? 1e3 * r->resistance_ohm.value : r->capacity_ah.value;
    wn_series_put(c->picture, c->series, (double)r->after_cycle, y, NAN);
    return 0;
}

static int add_check_ups(struct wn_picture *p, const struct subject *s, int colour, bool alone,
                         bool resistance, struct wn_error *err)
{
    char label[WN_SERIES_LABEL_SIZE];
    const char *what = resistance ? "check-up, two-level pulse" : "check-up, low rate";
    struct check_ups c = {p, NULL, resistance};
    c.series =
        wn_picture_add(p, WN_SERIES_SQUARE, colour, label_of(s, alone, what, label, sizeof label));
    return wn_campaign_each_check_up(s->c.file, take_check_up, &c, err);
}

static void add_projection(struct wn_picture *p, const struct subject *s, int colour, bool alone)
{
    char label[WN_SERIES_LABEL_SIZE];
    if (!s->projected || s->fade.curve_len == 0 || s->fade.state == WN_FADE_REACHED) {
        return;
    }
    struct wn_series *band =
        wn_picture_add(p, WN_SERIES_BAND, colour,
                       label_of(s, alone, "projection, 10 to 90 %", label, sizeof label));
    struct wn_series *median = wn_picture_add(
        p, WN_SERIES_MEDIAN, colour, label_of(s, alone, "projection, median", label, sizeof label));
    for (size_t i = 0; i < s->fade.curve_len; i++) {
        const struct wn_fade_curve_point *q = &s->fade.curve[i];
        wn_series_put(p, band, q->cycle, q->p10_ah, q->p90_ah);
        wn_series_put(p, median, q->cycle, q->median_ah, NAN);
    }
}

/* Limits of the same value are drawn once. */
static void add_limits(struct wn_picture *p, const struct subject *s, int colour, bool alone)
{
    char label[WN_SERIES_LABEL_SIZE], ah[WN_NUM_SIZE];
    const struct wn_campaign_info *i = &s->c.info;
    double threshold_ah = i->retention_threshold * i->cell.rated_capacity_ah;
    bool drawn = !(threshold_ah > 0);
    for (int k = 0; k < p->n && !drawn; k++) {
        drawn =
            p->series[k].kind == WN_SERIES_LIMIT && fabs(p->series[k].y[0] - threshold_ah) < 1e-9;
    }
    if (!drawn) {
        (void)snprintf(label, sizeof label, "threshold %s Ah",
                       wn_num_fixed(threshold_ah, 3, ah, sizeof ah));
        wn_series_put(p, wn_picture_add(p, WN_SERIES_LIMIT, alone ? -1 : colour, label), 0,
                      threshold_ah, NAN);
    }
    if (i->cell.claim.cycles > 0) {
        (void)snprintf(label, sizeof label, "claim: %s Ah after %lld cycles",
                       wn_num_fixed(i->cell.claim.min_ah, 3, ah, sizeof ah),
                       (long long)i->cell.claim.cycles);
        wn_series_put(p, wn_picture_add(p, WN_SERIES_MARK, alone ? 1 : colour, label),
                      (double)i->cell.claim.cycles, i->cell.claim.min_ah, NAN);
    }
}

/* "discharge at 10 A to 2.5 V; highest cell temperature 45 to 47 °C": from what was done, not from
 * what was planned. */
static void describe(const struct subject *s, char *buf, size_t size)
{
    double low_c = INFINITY, high_c = -INFINITY, current_a = 0, cutoff_v = NAN;
    size_t n = 0, at = 0;
    char x[WN_NUM_SIZE], y[WN_NUM_SIZE];
    for (size_t i = 0; i < s->cycles.n; i++) {
        const struct wn_cycle_record *r = &s->cycles.row[i];
        if (isfinite(r->capacity_ah.value) && isfinite(r->discharge_current_a)) {
            current_a += r->discharge_current_a;
            n++;
        }
        cutoff_v = isfinite(r->cutoff_v) ? r->cutoff_v : cutoff_v;
        low_c = fmin(low_c, r->temperature_max_c); /* ignores a NaN */
        high_c = fmax(high_c, r->temperature_max_c);
    }
    bool cut = isfinite(cutoff_v);
    buf[0] = '\0';
    if (n > 0) {
        at = (size_t)snprintf(buf, size, "discharge at %s A%s%s%s",
                              wn_num_format(current_a / (double)n, 3, x, sizeof x),
                              cut ? " to " : "", cut ? wn_num_format(cutoff_v, 4, y, sizeof y) : "",
                              cut ? " V" : "");
    }
    if (high_c >= low_c && at < size) {
        (void)snprintf(buf + at, size - at, "%shighest cell temperature %s to %s °C",
                       at > 0 ? "; " : "", wn_num_fixed(low_c, 0, x, sizeof x),
                       wn_num_fixed(high_c, 0, y, sizeof y));
    }
}

static void describe_all(struct wn_picture *p, const struct subject *s, int n, bool resistance)
{
    int simulated = 0;
    for (int i = 0; i < n; i++) {
        simulated += s[i].c.info.simulated;
    }
    const char *word = simulated == 0 ? "" : simulated == n ? "SIMULATED" : "SIMULATED in part";
    const struct wn_campaign_info *i = &s[0].c.info;
    (void)snprintf(p->title, sizeof p->title, "%s%s%s: %.150s", word, simulated > 0 ? "  " : "",
                   resistance ? "Resistance" : "Capacity",
                   n > 1                      ? "several campaigns"
                   : i->cell.title[0] != '\0' ? i->cell.title
                                              : i->name);
    if (n == 1) {
        (void)snprintf(p->subtitle, sizeof p->subtitle, "%s",
                       i->imported ? "imported from a recorded log" : i->procedure_title);
        describe(&s[0], p->conditions, sizeof p->conditions);
    }
    (void)snprintf(p->simulated_label, sizeof p->simulated_label, "%s", word);
    (void)snprintf(p->x_label, sizeof p->x_label, "cycle");
    (void)snprintf(p->y_label, sizeof p->y_label,
                   resistance ? "DC resistance, mohm" : "discharged capacity, Ah");
    bool same = !resistance && i->cell.rated_capacity_ah > 0;
    for (int k = 1; k < n; k++) {
        same = same && fabs(s[k].c.info.cell.rated_capacity_ah - i->cell.rated_capacity_ah) < 1e-9;
    }
    if (same) {
        p->right_axis_full = i->cell.rated_capacity_ah;
        (void)snprintf(p->right_axis_label, sizeof p->right_axis_label, "of rated capacity");
    }
}

static int draw(struct wane *w, struct subject *s, int n, bool resistance, const char *file)
{
    struct wn_error err = {0};
    struct wn_picture *p = malloc(sizeof *p);
    if (p == NULL) {
        (void)wn_error_set(&err, WN_ENOMEM, "out of memory");
        return wane_fail(w, &err);
    }
    int rc = WN_OK;
    wn_picture_init(p);
    for (int i = 0; i < n && !resistance; i++) {
        add_projection(p, &s[i], i, n == 1);
    }
    for (int i = 0; i < n; i++) {
        add_bars(p, &s[i], i, resistance);
    }
    for (int i = 0; i < n; i++) {
        add_points(p, &s[i], i, n == 1, resistance);
        if (rc == WN_OK) {
            rc = add_check_ups(p, &s[i], i, n == 1, resistance, &err);
        }
    }
    for (int i = 0; i < n && !resistance; i++) {
        add_limits(p, &s[i], i, n == 1);
    }
    describe_all(p, s, n, resistance);
    rc = rc == WN_OK ? wn_picture_draw(p, file, &err) : rc;
    wn_picture_fini(p);
    free(p);
    if (rc != WN_OK) {
        return wane_fail(w, &err);
    }
    if (w->json) {
        return wane_print_json(json_pack("{s:s}", "file", file));
    }
    (void)fprintf(stderr, "wane plot: drawn into %s\n", file);
    return WANE_DONE;
}

static int open_subject(struct wane *w, const char *name, struct subject *s)
{
    struct wn_error err = {0};
    int rc = wane_open_campaign(w, name, &s->c);
    if (rc != WANE_DONE) {
        return rc;
    }
    if (wane_read_cycles(&s->c, &s->cycles, &err) != WN_OK) {
        return wane_fail(w, &err);
    }
    s->projected = fade_of_campaign(&s->c, &s->fade);
    return WANE_DONE;
}

static int run(struct wane *w, const struct wane_args *a)
{
    bool resistance = strcmp(a->operand[0], "resistance") == 0;
    int n = a->operands - 1, rc = WANE_DONE;
    if (!resistance && strcmp(a->operand[0], "fade") != 0) {
        return wane_usage(w, "'%s' cannot be drawn: write fade or resistance", a->operand[0]);
    }
    if (!a->value[OUTPUT].given) {
        return wane_usage(w, "where to? Give -o FILE.svg or -o FILE.png");
    }
    struct subject *s = calloc((size_t)n, sizeof *s);
    if (s == NULL) {
        return WANE_FAILED;
    }
    for (int i = 0; i < n && rc == WANE_DONE; i++) {
        rc = open_subject(w, a->operand[i + 1], &s[i]);
    }
    rc = rc == WANE_DONE ? draw(w, s, n, resistance, a->value[OUTPUT].text) : rc;
    for (int i = 0; i < n; i++) {
        wane_free_cycles(&s[i].cycles);
        wane_close_campaign(&s[i].c);
    }
    free(s);
    return rc;
}

const struct wane_command cmd_plot = {
    .name = "plot",
    .synopsis = "fade|resistance CAMPAIGN... -o FILE.svg|FILE.png",
    .summary = "pictures of capacity fade and resistance rise",
    .text = "fade: capacity of every cycle, flagged cycles hollow, the threshold, the claim\n"
            "and the projection with its 80 % band. resistance: the resistance at the onset\n"
            "of each discharge. Squares are check-ups, light bars expanded uncertainties\n"
            "(k = 2). Several campaigns are laid over each other. Needs gnuplot.\n",
    .examples = "  wane plot fade demo -o fade.svg\n"
                "  wane plot resistance demo other -o resistance.png\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_min = 2,
    .operands_max = CAMPAIGNS_MAX + 1,
    .run = run,
};
