/* Pictures of campaigns: discharge curves and differential capacity.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "drawing_discharges.h"
#include "metrology/differential.h"

enum { CURVES_ALONE = 7, CURVES_EACH = 2 };

/* Everything one picture of curves is made of. */
struct sheet {
    struct drawing_discharges of[DRAWING_SUBJECTS_MAX];
    struct drawing_picks picks[DRAWING_SUBJECTS_MAX];
    struct drawing_conditions conditions;
};

/* "cycle 50", "check-up after cycle 50", "10 A (cycle 3)", with its flags. */
static const char *name_of(const struct drawing_discharge *d, bool rates, char *buf, size_t size)
{
    char rate[WN_NUM_SIZE], flags[100] = "", number[60];
    if (d->check_up && d->after_cycle == 0) {
        (void)snprintf(number, sizeof number, "check-up before cycle 1");
    } else {
        (void)snprintf(number, sizeof number, "%scycle %lld", d->check_up ? "check-up after " : "",
                       (long long)(d->check_up ? d->after_cycle : d->number));
    }
    if ((d->flags & WN_FLAGS_INVALID) != 0) {
        (void)wane_flags_text(d->flags & WN_FLAGS_INVALID, flags, sizeof flags);
    }
    if (rates && d->duration_s > 0) {
        double x = (d->power ? d->energy_wh : d->charge_ah) / d->duration_s * 3600;
        (void)snprintf(buf, size, "%s %s (%s)", wn_num_format(x, 3, rate, sizeof rate),
                       d->power ? "W" : "A", number);
    } else {
        (void)snprintf(buf, size, "%s%s%s", number, flags[0] != '\0' ? ", flagged: " : "", flags);
    }
    return buf;
}

/* Alone, curves go from new to old; among others each campaign has its colour. */
static struct wn_series *add_series(const struct drawing_job *j, const struct sheet *sheet, int i,
                                    int k, bool lacks)
{
    char own[140], name[60], label[WN_SERIES_LABEL_SIZE];
    const struct drawing_picks *picks = &sheet->picks[i];
    (void)name_of(&picks->of[k], picks->rates, own, sizeof own);
    (void)snprintf(label, sizeof label, "%.50s%s%.70s%s",
                   j->n > 1 ? drawing_label(j, i, "", name, sizeof name) : "", j->n > 1 ? ", " : "",
                   own, lacks ? ", readings missing" : "");
    struct wn_series *s = wn_picture_add(j->p, WN_SERIES_CURVE, i, label);
    if (s != NULL && j->n == 1) {
        s->shade = picks->n > 1 ? (double)k / (picks->n - 1) : NAN;
    } else if (s != NULL) {
        s->dash = k;
    }
    return s;
}

/* Check-ups where they are asked for, or where `rather` and there are some. */
static int read_sheet(struct drawing_job *j, struct sheet *sheet, bool rather, struct wn_error *err)
{
    int rc = WN_OK;
    bool check_ups = j->choice->check_ups || (rather && j->choice->cycles == 0);
    for (int i = 0; i < j->n && rc == WN_OK; i++) {
        bool any = false;
        rc = drawing_read_discharges(&j->s[i], &sheet->of[i], err);
        for (size_t k = 0; k < sheet->of[i].n; k++) {
            any = any || sheet->of[i].row[k].check_up;
        }
        check_ups = check_ups && (any || j->choice->check_ups);
    }
    for (int i = 0; i < j->n && rc == WN_OK; i++) {
        rc = drawing_pick(&j->s[i], &sheet->of[i], j->choice, check_ups,
                          j->n == 1 ? CURVES_ALONE : CURVES_EACH, &sheet->picks[i], err);
        for (int k = 0; k < sheet->picks[i].n && rc == WN_OK; k++) {
            const struct drawing_discharge *d = &sheet->picks[i].of[k];
            struct drawing_conditions *c = &sheet->conditions;
            drawing_widen(&c->current_a, d->charge_ah / d->duration_s * 3600);
            drawing_widen(&c->cutoff_v, d->cutoff_v);
            drawing_widen(&c->cell_c, d->temperature_max_c);
            drawing_widen(&c->ambient_c, d->ambient_min_c);
            drawing_widen(&c->ambient_c, d->ambient_max_c);
        }
    }
    return rc;
}

static void free_sheet(struct sheet *sheet)
{
    for (int i = 0; sheet != NULL && i < DRAWING_SUBJECTS_MAX; i++) {
        drawing_free_discharges(&sheet->of[i]);
    }
    free(sheet);
}

static struct sheet *make_sheet(struct wn_error *err)
{
    struct sheet *sheet = calloc(1, sizeof *sheet);
    if (sheet == NULL) {
        (void)wn_error_set(err, WN_ENOMEM, "out of memory");
    } else {
        drawing_conditions_init(&sheet->conditions);
    }
    return sheet;
}

static int add_curve(const struct drawing_job *j, const struct sheet *sheet, int i, int k,
                     struct wn_error *err)
{
    struct drawing_curve c;
    const struct drawing_discharge *d = &sheet->picks[i].of[k];
    int rc = drawing_read_curve(&j->s[i], d, &c, err);
    if (rc == WN_OK) {
        struct wn_series *s = add_series(j, sheet, i, k, drawing_lacks(&c, d));
        for (size_t n = 0; n < c.n; n++) {
            wn_series_put(j->p, s, j->choice->energy ? c.energy_wh[n] : c.charge_ah[n],
                          j->kind == DRAWING_HEATING ? c.temperature_c[n] : c.voltage_v[n], NAN);
        }
    }
    drawing_free_curve(&c);
    return rc;
}

static int draw_curves(struct drawing_job *j, const char *y_label, struct wn_error *err)
{
    struct wn_picture *p = j->p;
    struct sheet *sheet = make_sheet(err);
    int rc = sheet != NULL ? read_sheet(j, sheet, false, err) : WN_ENOMEM;
    for (int i = 0; i < j->n && rc == WN_OK; i++) {
        for (int k = 0; k < sheet->picks[i].n && rc == WN_OK; k++) {
            rc = add_curve(j, sheet, i, k, err);
        }
    }
    if (rc == WN_OK) {
        drawing_describe(&sheet->conditions, p->conditions, sizeof p->conditions);
        (void)snprintf(p->x_label, sizeof p->x_label, "%s",
                       j->choice->energy ? "discharged energy, Wh" : "discharged capacity, Ah");
        (void)snprintf(p->y[0].label, sizeof p->y[0].label, "%s", y_label);
    }
    free_sheet(sheet);
    return rc;
}

int drawing_discharge(struct drawing_job *j, struct wn_error *err)
{
    return draw_curves(j, "cell voltage, V", err);
}

int drawing_heating(struct drawing_job *j, struct wn_error *err)
{
    int rc = draw_curves(j, "cell temperature, °C", err);
    size_t n = 0;
    for (int i = 0; i < j->p->n; i++) {
        n += j->p->series[i].n;
    }
    return rc != WN_OK || n > 0
               ? rc
               : wn_error_set(err, WN_EINVAL,
                              "there is nothing to draw: there was no thermometer at the cell");
}

/* Prefixes what is wrong with a curve by which one it is. */
static int blame(const struct drawing_job *j, const struct sheet *sheet, int i, int k,
                 const struct wn_error *why, struct wn_error *err)
{
    char name[140];
    return wn_error_set(err, why->code, "%s, %s: %s", j->s[i].c.info.name,
                        name_of(&sheet->picks[i].of[k], false, name, sizeof name), why->text);
}

/* One curve over a window of this width (0: as needed); *window_v and *step_v become the largest.
 */
static int differentiate(const struct drawing_job *j, const struct sheet *sheet, int i, int k,
                         double width_v, struct wn_differential *d, struct wn_error *err)
{
    struct wn_error why = {0};
    struct drawing_curve c;
    int rc = drawing_read_curve(&j->s[i], &sheet->picks[i].of[k], &c, err);
    if (rc == WN_OK) {
        rc = wn_differential(c.charge_ah, c.voltage_v, c.n, width_v, d, &why);
        rc = rc == WN_OK ? rc : blame(j, sheet, i, k, &why, err);
    }
    if (rc == WN_OK && drawing_lacks(&c, &sheet->picks[i].of[k])) {
        (void)wn_error_set(&why, WN_EINVAL, "readings are missing: there is no honest dQ/dV of it");
        rc = blame(j, sheet, i, k, &why, err);
    }
    drawing_free_curve(&c);
    return rc;
}

/* Curves that are compared are smoothed alike: as the one needs that has the fewest readings. */
static int add_differentials(const struct drawing_job *j, const struct sheet *sheet,
                             struct wn_differential *d, struct wn_error *err)
{
    double width_v = j->choice->smoothing_v, step_v = 0;
    char window[WN_NUM_SIZE], bin[WN_NUM_SIZE], step[WN_NUM_SIZE];
    int rc = WN_OK;
    for (int pass = 0; pass < 2; pass++) {
        double widest_v = 0;
        for (int i = 0; i < j->n; i++) {
            for (int k = 0; k < sheet->picks[i].n; k++) {
                rc = differentiate(j, sheet, i, k, width_v, d, err);
                if (rc != WN_OK) {
                    return rc;
                }
                widest_v = fmax(widest_v, d->window_v);
                step_v = fmax(step_v, d->step_v);
                struct wn_series *s = pass == 1 ? add_series(j, sheet, i, k, false) : NULL;
                for (size_t n = 0; n < d->n; n++) {
                    wn_series_put(j->p, s, d->voltage_v[n], d->ah_per_v[n], NAN);
                }
            }
        }
        width_v = widest_v;
    }
    (void)snprintf(j->p->note, sizeof j->p->note,
                   "dQ/dV: slope of straight lines fitted over %s mV, in steps of %s mV; readings "
                   "about %s mV apart",
                   wn_num_format(1e3 * width_v, 3, window, sizeof window),
                   wn_num_format(1e3 * WN_DIFFERENTIAL_BIN_V, 3, bin, sizeof bin),
                   wn_num_format(1e3 * step_v, 2, step, sizeof step));
    return rc;
}

static void set_voltages(struct wn_picture *p)
{
    double low_v = INFINITY, high_v = -INFINITY;
    for (int i = 0; i < p->n; i++) {
        for (size_t k = 0; k < p->series[i].n; k++) {
            low_v = fmin(low_v, p->series[i].x[k]);
            high_v = fmax(high_v, p->series[i].x[k]);
        }
    }
    if (high_v > low_v) {
        p->x_min = low_v - 0.02 * (high_v - low_v);
        p->x_max = high_v + 0.02 * (high_v - low_v);
    }
    p->y[0].min = 0;
}

int drawing_dqdv(struct drawing_job *j, struct wn_error *err)
{
    struct wn_picture *p = j->p;
    struct sheet *sheet = make_sheet(err);
    struct wn_differential *d = malloc(sizeof *d);
    int rc = WN_ENOMEM;
    if (sheet == NULL || d == NULL) {
        (void)wn_error_set(err, rc, "out of memory");
        goto done;
    }
    rc = read_sheet(j, sheet, true, err);
    rc = rc == WN_OK ? add_differentials(j, sheet, d, err) : rc;
    if (rc == WN_OK) {
        drawing_describe(&sheet->conditions, p->conditions, sizeof p->conditions);
        (void)snprintf(p->x_label, sizeof p->x_label, "cell voltage, V");
        (void)snprintf(p->y[0].label, sizeof p->y[0].label, "dQ/dV, Ah/V");
        set_voltages(p);
    }
done:
    free(d);
    free_sheet(sheet);
    return rc;
}
