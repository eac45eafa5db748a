/* The intake record of a cell.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "procedure/intake.h"

#include <math.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

#include "base/num.h"

/* The ranges are those of a cell's file (lib/config). */
static const struct quantity {
    const char *name;
    size_t offset; /* in struct wn_cell */
    double low, high;
} quantities[WN_INTAKE_NUMBERS] = {
    [WN_INTAKE_MASS] = {"mass_g", offsetof(struct wn_cell, mass_g), 0.1, 10000},
    [WN_INTAKE_DIAMETER] = {"diameter_mm", offsetof(struct wn_cell, diameter_mm), 1, 1000},
    [WN_INTAKE_LENGTH] = {"length_mm", offsetof(struct wn_cell, length_mm), 1, 1000},
    [WN_INTAKE_ARRIVAL_VOLTAGE] = {"arrival_voltage_v", offsetof(struct wn_cell, arrival_voltage_v),
                                   0, 10},
    [WN_INTAKE_AC_IMPEDANCE] = {"ac_impedance_ohm", offsetof(struct wn_cell, ac_impedance_ohm),
                                0.00001, 10},
    [WN_INTAKE_AC_IMPEDANCE_HZ] = {"ac_impedance_hz", offsetof(struct wn_cell, ac_impedance_hz),
                                   0.001, 1e6},
};

const char *wn_intake_name(enum wn_intake q)
{
    return quantities[q].name;
}

enum wn_intake wn_intake_find(const char *name)
{
    int q = 0;
    while (q < WN_INTAKE_NUMBERS && strcmp(quantities[q].name, name) != 0) {
        q++;
    }
    return (enum wn_intake)q;
}

static double *member(struct wn_cell *c, enum wn_intake q)
{
    return (double *)(void *)((char *)c + quantities[q].offset);
}

double wn_intake_value(const struct wn_cell *c, enum wn_intake q)
{
    double x;
    memcpy(&x, (const char *)c + quantities[q].offset, sizeof x);
    return x;
}

static int check(const struct wn_intake_change *change, struct wn_error *err)
{
    for (int q = 0; q < WN_INTAKE_NUMBERS; q++) {
        char low[WN_NUM_SIZE], high[WN_NUM_SIZE], x[WN_NUM_SIZE];
        double value = change->value[q];
        if (change->given[q] && !isnan(value) &&
            !(value >= quantities[q].low && value <= quantities[q].high)) {
            return wn_error_set(err, WN_ERANGE, "%s is %s: it must be from %s to %s",
                                quantities[q].name, wn_num_format(value, 6, x, sizeof x),
                                wn_num_format(quantities[q].low, 6, low, sizeof low),
                                wn_num_format(quantities[q].high, 6, high, sizeof high));
        }
    }
    for (const char *at = change->marking; change->marking_given && *at != '\0'; at++) {
        if ((unsigned char)*at < ' ' || *at == 0x7f) {
            return wn_error_set(err, WN_EINVAL,
                                "marking holds a control character: write what is printed on the "
                                "cell, in one line");
        }
    }
    return WN_OK;
}

static bool same(double a, double b)
{
    return a == b || (isnan(a) && isnan(b));
}

static const char *quoted(const char *marking, char *buf, size_t size)
{
    if (marking[0] == '\0') {
        (void)snprintf(buf, size, "not recorded");
    } else {
        (void)snprintf(buf, size, "\"%.75s\"", marking);
    }
    return buf;
}

static const char *shown(double x, char *buf, size_t size)
{
    if (isnan(x)) {
        (void)snprintf(buf, size, "not recorded");
        return buf;
    }
    return wn_num_format(x, 8, buf, size);
}

int wn_intake_change(struct wn_cell *c, const struct wn_intake_change *change,
                     struct wn_intake_words *words, struct wn_error *err)
{
    struct wn_cell now = *c;
    words->n = 0;
    int rc = check(change, err);
    for (int i = 0; i < WN_INTAKE_NUMBERS && rc == WN_OK; i++) {
        enum wn_intake q = (enum wn_intake)i;
        char is[WN_NUM_SIZE], was[WN_NUM_SIZE];
        double before = wn_intake_value(c, q);
        if (change->given[i] && !same(before, change->value[i])) {
            *member(&now, q) = change->value[i];
            (void)snprintf(words->text[words->n++], WN_INTAKE_TEXT_SIZE, "%s is %s, was %s",
                           quantities[i].name, shown(change->value[i], is, sizeof is),
                           shown(before, was, sizeof was));
        }
    }
    if (rc == WN_OK && change->marking_given && strcmp(change->marking, c->marking) != 0) {
        memcpy(now.marking, change->marking, sizeof now.marking);
        char is[80], was[80];
        (void)snprintf(words->text[words->n++], WN_INTAKE_TEXT_SIZE, "marking is %s, was %s",
                       quoted(change->marking, is, sizeof is), quoted(c->marking, was, sizeof was));
    }
    if (rc == WN_OK && isfinite(now.ac_impedance_hz) && !isfinite(now.ac_impedance_ohm)) {
        rc = wn_error_set(err, WN_EINVAL,
                          "ac_impedance_hz belongs to ac_impedance_ohm, which is not recorded: "
                          "give both");
    }
    if (rc == WN_OK) {
        *c = now;
    } else {
        words->n = 0;
    }
    return rc;
}
