/* Metrology: calibration, and the tolerances of a standard.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "metrology/calibration.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/num.h"
#include "metrology/accuracy.h"

#define GAIN_MIN 0.9
#define GAIN_MAX 1.1

const char *wn_quantity_name(enum wn_quantity q)
{
    switch (q) {
    case WN_QUANTITY_VOLTAGE:
        return "voltage";
    case WN_QUANTITY_CURRENT:
        return "current";
    case WN_QUANTITY_TEMPERATURE:
        return "temperature";
    case WN_QUANTITY_AMBIENT:
        return "ambient temperature";
    case WN_QUANTITY_COUNT:
        break;
    }
    return "";
}

const char *wn_quantity_unit(enum wn_quantity q)
{
    return q == WN_QUANTITY_VOLTAGE ? "V" : q == WN_QUANTITY_CURRENT ? "A" : "K";
}

void wn_calibration_init(struct wn_calibration *c)
{
    memset(c, 0, sizeof *c);
    for (int q = 0; q < WN_QUANTITY_COUNT; q++) {
        c->line[q].gain = 1;
        c->line[q].coverage_factor = 2;
        c->line[q].drift = NAN;
    }
}

static int validate_line(const struct wn_calibration_line *l, const char *name,
                         struct wn_error *err)
{
    if (!(l->gain >= GAIN_MIN && l->gain <= GAIN_MAX)) {
        return wn_error_set(err, WN_ERANGE,
                            "calibration of %s: gain is outside 0.9 to 1.1: write the factor that "
                            "makes a reading right, e.g. 1.0004",
                            name);
    }
    if (!isfinite(l->offset)) {
        return wn_error_set(err, WN_ERANGE, "calibration of %s: offset is no number", name);
    }
    if (!(l->expanded >= 0) || !isfinite(l->expanded)) {
        return wn_error_set(err, WN_ERANGE,
                            "calibration of %s: write the expanded uncertainty of the certificate",
                            name);
    }
    if (!(l->coverage_factor >= 1 && l->coverage_factor <= 4)) {
        return wn_error_set(err, WN_ERANGE,
                            "calibration of %s: coverage factor is outside 1 to 4: write the k of "
                            "the certificate, mostly 2",
                            name);
    }
    if (l->drift < 0 || isinf(l->drift)) {
        return wn_error_set(err, WN_ERANGE, "calibration of %s: drift is negative or infinite",
                            name);
    }
    if (l->date != 0 && l->valid_until != 0 && l->valid_until <= l->date) {
        return wn_error_set(err, WN_EINVAL,
                            "calibration of %s: it is valid until a day that is not after its date",
                            name);
    }
    return WN_OK;
}

int wn_calibration_validate(const struct wn_calibration *c, struct wn_error *err)
{
    int rc = WN_OK;
    for (int q = 0; q < WN_QUANTITY_COUNT && rc == WN_OK; q++) {
        if (c->line[q].known) {
            rc = validate_line(&c->line[q], wn_quantity_name((enum wn_quantity)q), err);
        }
    }
    return rc;
}

static void correct(const struct wn_calibration_line *l, bool has, double *value)
{
    if (l->known && has) {
        *value = l->gain * *value + l->offset;
    }
}

void wn_calibration_apply(const struct wn_calibration *c, struct wn_reading *r)
{
    const struct wn_calibration_line *l = c->line;
    correct(&l[WN_QUANTITY_VOLTAGE], (r->has & WN_HAS_VOLTAGE) != 0, &r->voltage_v);
    correct(&l[WN_QUANTITY_CURRENT], (r->has & WN_HAS_CURRENT) != 0, &r->current_a);
    correct(&l[WN_QUANTITY_TEMPERATURE], (r->has & WN_HAS_TEMPERATURE) != 0, &r->temperature_c);
    correct(&l[WN_QUANTITY_AMBIENT], (r->has & WN_HAS_AMBIENT) != 0, &r->ambient_c);
}

static bool begun(const struct wn_calibration_line *l, wn_utc_us now)
{
    return l->date == 0 || now >= l->date;
}

static bool over(const struct wn_calibration_line *l, wn_utc_us now)
{
    return l->valid_until != 0 && now > l->valid_until;
}

bool wn_calibration_valid(const struct wn_calibration_line *line, wn_utc_us now)
{
    return line->known && begun(line, now) && !over(line, now);
}

/* One error for every reading, as large as the certificate and the drift allow. */
static void replace(const struct wn_calibration_line *l, wn_utc_us now, double *reading,
                    double *fixed)
{
    if (!wn_calibration_valid(l, now) || isnan(l->drift)) {
        return;
    }
    double u = hypot(l->expanded / l->coverage_factor, from_half_width(l->drift));
    if (reading != NULL) {
        *reading = 0;
    }
    *fixed = u * sqrt(3.0);
}

void wn_calibration_accuracy(const struct wn_calibration *c, const struct wn_accuracy *sheet,
                             wn_utc_us now, struct wn_accuracy *out)
{
    *out = *sheet;
    replace(&c->line[WN_QUANTITY_VOLTAGE], now, &out->voltage_reading, &out->voltage_fixed_v);
    replace(&c->line[WN_QUANTITY_CURRENT], now, &out->current_reading, &out->current_fixed_a);
    replace(&c->line[WN_QUANTITY_TEMPERATURE], now, NULL, &out->temperature_c);
}

/* A list of complaints, "; " between them. */
struct words {
    char *buf;
    size_t size, n;
    int count;
};

static void add_words(struct words *w, const char *fmt, ...) __attribute__((format(printf, 2, 3)));

static void add_words(struct words *w, const char *fmt, ...)
{
    char text[160];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    int n = w->n < w->size
                ? snprintf(w->buf + w->n, w->size - w->n, "%s%s", w->count > 0 ? "; " : "", text)
                : 0;
    w->n += n > 0 ? (size_t)n : 0;
    w->count++;
}

static struct words no_words(char *buf, size_t size)
{
    if (size > 0) {
        buf[0] = '\0';
    }
    return (struct words){.buf = buf, .size = size};
}

int wn_calibration_out_of_date(const struct wn_calibration *c, wn_utc_us now, char *buf,
                               size_t size)
{
    struct words w = no_words(buf, size);
    char day[WN_UTC_SIZE];
    for (int q = 0; q < WN_QUANTITY_COUNT; q++) {
        const struct wn_calibration_line *l = &c->line[q];
        const char *name = wn_quantity_name((enum wn_quantity)q);
        if (l->known && over(l, now)) { /* the first ten characters are the date */
            add_words(&w, "calibration of %s ran out on %.10s", name,
                      wn_utc_format(l->valid_until, day, sizeof day));
        } else if (l->known && !begun(l, now)) {
            add_words(&w, "calibration of %s begins on %.10s", name,
                      wn_utc_format(l->date, day, sizeof day));
        }
    }
    return w.count;
}

int wn_calibration_ran_out(const struct wn_calibration *c, wn_utc_us since, wn_utc_us now,
                           char *buf, size_t size)
{
    struct wn_calibration fresh = *c;
    for (int q = 0; q < WN_QUANTITY_COUNT; q++) {
        fresh.line[q].known =
            c->line[q].known && over(&c->line[q], now) && !over(&c->line[q], since);
    }
    return wn_calibration_out_of_date(&fresh, now, buf, size);
}

/* Largest error at a value against what is asked for, both as parts of it. */
static void judge_part(struct words *w, const char *name, double error, double value,
                       const char *unit, double asked)
{
    char part[WN_NUM_SIZE], at[WN_NUM_SIZE], most[WN_NUM_SIZE];
    double have = error / fabs(value);
    (void)wn_num_format(asked * 100, 3, most, sizeof most);
    if (isnan(have)) {
        add_words(w, "%s: accuracy is not told, and %s %% is asked for", name, most);
    } else if (have > asked) {
        (void)wn_num_format(have * 100, 3, part, sizeof part);
        (void)wn_num_format(value, 4, at, sizeof at);
        add_words(w, "%s +/-%s %% at %s %s, and %s %% is asked for", name, part, at, unit, most);
    }
}

static void judge_time(struct words *w, double have)
{
    char part[WN_NUM_SIZE];
    if (isnan(have)) {
        add_words(w, "time: accuracy is not told, and 0.1 %% is asked for");
    } else if (have > WN_TOLERANCE_TIME) {
        add_words(w, "time +/-%s %%, and 0.1 %% is asked for",
                  wn_num_format(have * 100, 3, part, sizeof part));
    }
}

static void judge_temperature(struct words *w, double have_k, bool has)
{
    char k[WN_NUM_SIZE];
    if (!has) {
        add_words(w, "temperature: no thermometer at the cell, and 2 degC is asked for");
    } else if (isnan(have_k)) {
        add_words(w, "temperature: accuracy is not told, and 2 degC is asked for");
    } else if (have_k > WN_TOLERANCE_TEMPERATURE_K) {
        add_words(w, "temperature +/-%s degC, and 2 degC is asked for",
                  wn_num_format(have_k, 3, k, sizeof k));
    }
}

struct wn_tolerance_use wn_tolerance_use_of(double cutoff_v, double rated_ah, bool has_temperature)
{
    return (struct wn_tolerance_use){.voltage_v = cutoff_v,
                                     .current_a = 0.2 * rated_ah,
                                     .has_temperature = has_temperature,
                                     .capacity_ah = NAN,
                                     .capacity_expanded_ah = NAN};
}

int wn_tolerances_unmet(const struct wn_accuracy *a, const struct wn_tolerance_use *use, char *buf,
                        size_t size)
{
    struct words w = no_words(buf, size);
    judge_part(&w, "voltage", a->voltage_reading * fabs(use->voltage_v) + a->voltage_fixed_v,
               use->voltage_v, "V", WN_TOLERANCE_VOLTAGE);
    judge_part(&w, "current", a->current_reading * fabs(use->current_a) + a->current_fixed_a,
               use->current_a, "A", WN_TOLERANCE_CURRENT);
    judge_temperature(&w, a->temperature_c, use->has_temperature);
    judge_time(&w, a->time_reading);
    if (!isnan(use->capacity_ah)) {
        judge_part(&w, "capacity", use->capacity_expanded_ah, use->capacity_ah, "Ah",
                   WN_TOLERANCE_CAPACITY);
    }
    return w.count;
}
