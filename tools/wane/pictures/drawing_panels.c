/* Pictures of campaigns: temperature and efficiency over the cycles, in two panels each.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdio.h>

#include "drawing_parts.h"

/* What a panel shows of a cycle, with its standard uncertainty. */
typedef struct wn_measured (*value_fn)(const struct wn_cycle_record *r);

static struct wn_measured hottest(const struct wn_cycle_record *r)
{
    return (struct wn_measured){r->temperature_max_c, NAN};
}

static struct wn_measured rise(const struct wn_cycle_record *r)
{
    return (struct wn_measured){r->temperature_rise_k, NAN};
}

static struct wn_measured coulombic(const struct wn_cycle_record *r)
{
    return (struct wn_measured){100 * r->coulombic_efficiency, 100 * r->coulombic_efficiency_u};
}

static struct wn_measured energetic(const struct wn_cycle_record *r)
{
    return (struct wn_measured){100 * r->energy_efficiency, 100 * r->energy_efficiency_u};
}

static void to_panel(struct wn_series *s, int panel)
{
    if (s != NULL) {
        s->panel = panel;
    }
}

/* Beyond this number bars make a wall, and a band says the same. */
enum { BARS_MAX = 60 };

static void add_bars(const struct drawing_job *j, int i, value_fn value, int panel)
{
    bool many = j->s[i].cycles.n > BARS_MAX;
    struct wn_series *bar = drawing_general(j, many ? WN_SERIES_BAND : WN_SERIES_ERROR, i,
                                            "expanded uncertainty (k = 2)");
    to_panel(bar, panel);
    for (size_t k = 0; k < j->s[i].cycles.n; k++) {
        const struct wn_cycle_record *r = &j->s[i].cycles.row[k];
        struct wn_measured x = value(r);
        if (isfinite(x.u) && (r->flags & WN_FLAGS_INVALID) == 0) {
            double half = WN_COVERAGE_FACTOR * x.u;
            wn_series_put(j->p, bar, (double)r->cycle, x.value - half, x.value + half);
        }
    }
}

static void add_points(const struct drawing_job *j, int i, value_fn value, int panel)
{
    char label[WN_SERIES_LABEL_SIZE];
    (void)drawing_label(j, i, "valid cycle", label, sizeof label);
    struct wn_series *valid = wn_picture_add(j->p, WN_SERIES_POINTS, i, panel == 0 ? label : "");
    struct wn_series *flagged = drawing_general(j, WN_SERIES_HOLLOW, i, "flagged cycle");
    to_panel(valid, panel);
    to_panel(flagged, panel);
    for (size_t k = 0; k < j->s[i].cycles.n; k++) {
        const struct wn_cycle_record *r = &j->s[i].cycles.row[k];
        wn_series_put(j->p, (r->flags & WN_FLAGS_INVALID) ? flagged : valid, (double)r->cycle,
                      value(r).value, NAN);
    }
}

static void add_ambient(const struct drawing_job *j, int i)
{
    struct wn_series *band = drawing_general(j, WN_SERIES_BAND, i, "ambient, lowest to highest");
    for (size_t k = 0; k < j->s[i].cycles.n; k++) {
        const struct wn_cycle_record *r = &j->s[i].cycles.row[k];
        if (isfinite(r->ambient_max_c)) {
            wn_series_put(j->p, band, (double)r->cycle, r->ambient_min_c, r->ambient_max_c);
        }
    }
}

static void two_panels(struct wn_picture *p, const char *upper, const char *lower)
{
    p->panels = 2;
    (void)snprintf(p->x_label, sizeof p->x_label, "cycle");
    (void)snprintf(p->y[0].label, sizeof p->y[0].label, "%s", upper);
    (void)snprintf(p->y[1].label, sizeof p->y[1].label, "%s", lower);
}

static bool has_points(const struct wn_picture *p)
{
    bool any = false;
    for (int i = 0; i < p->n; i++) {
        bool points =
            p->series[i].kind == WN_SERIES_POINTS || p->series[i].kind == WN_SERIES_HOLLOW;
        any = any || (points && p->series[i].n > 0);
    }
    return any;
}

int drawing_temperature(struct drawing_job *j, struct wn_error *err)
{
    for (int i = 0; i < j->n; i++) {
        add_ambient(j, i);
    }
    for (int i = 0; i < j->n; i++) {
        add_points(j, i, hottest, 0);
        add_points(j, i, rise, 1);
    }
    two_panels(j->p, "highest of the cell, °C", "rise in discharge, K");
    return has_points(j->p) ? WN_OK
                            : wn_error_set(err, WN_EINVAL,
                                           "there is nothing to draw: no cycle of it is over, or "
                                           "there was no thermometer at the cell");
}

/* One interrupted cycle must not flatten a hundred good ones: flagged cycles do not widen a panel,
 * and how many lie outside is told. Returns that number. */
static int fit_to_valid(struct wn_picture *p, int panel)
{
    double low = INFINITY, high = -INFINITY;
    int outside = 0;
    for (int i = 0; i < p->n; i++) {
        const struct wn_series *s = &p->series[i];
        bool valid = s->panel == panel && s->kind != WN_SERIES_HOLLOW;
        for (size_t k = 0; valid && k < s->n; k++) {
            low = fmin(low, s->y[k]);
            high = fmax(high, wn_series_has_two_ends(s) ? s->y2[k] : s->y[k]);
        }
    }
    if (!(high >= low)) {
        return 0;
    }
    double margin = fmax(0.08 * (high - low), 0.02);
    p->y[panel].min = low - margin;
    p->y[panel].max = high + margin;
    for (int i = 0; i < p->n; i++) {
        const struct wn_series *s = &p->series[i];
        for (size_t k = 0; s->panel == panel && s->kind == WN_SERIES_HOLLOW && k < s->n; k++) {
            outside += s->y[k] < low - margin || s->y[k] > high + margin;
        }
    }
    return outside;
}

int drawing_efficiency(struct drawing_job *j, struct wn_error *err)
{
    for (int i = 0; i < j->n; i++) {
        add_bars(j, i, coulombic, 0);
        add_bars(j, i, energetic, 1);
    }
    for (int i = 0; i < j->n; i++) {
        add_points(j, i, coulombic, 0);
        add_points(j, i, energetic, 1);
    }
    two_panels(j->p, "coulombic efficiency, %", "energy efficiency, %");
    int upper = fit_to_valid(j->p, 0), lower = fit_to_valid(j->p, 1);
    int outside = upper > lower ? upper : lower;
    if (outside > 0) {
        (void)snprintf(j->p->note, sizeof j->p->note, "%d flagged cycle%s outside of the picture",
                       outside, outside == 1 ? " lies" : "s lie");
    }
    return has_points(j->p) ? WN_OK
                            : wn_error_set(err, WN_EINVAL,
                                           "there is nothing to draw yet: an efficiency needs a "
                                           "discharge, a charge and another discharge");
}
