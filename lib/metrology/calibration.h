/* Metrology: calibration of an instrument, the budget of an uncertainty, and whether a bench is
 * good enough for a standard. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. After GUM (JCGM 100:2008, from memory): every input has a standard uncertainty, and those
 * of a result add in quadrature where they are independent, linearly where one and the same error
 * enters twice. What is taken for what, over a whole discharge:
 *
 * - gain and offset of the instrument, of its calibration, its drift, its time base: one unknown
 *   error, the same in every reading; fully correlated, so it does not average out;
 * - noise and resolution: anew in every reading; independent, so they average out with the square
 *   root of their number;
 * - the error of the voltage enters an energy twice, by the mean voltage and by the instant of the
 *   cut-off: one error, its two parts add up;
 * - voltage against current, instrument against time base: independent;
 * - the offset in a resistance is the same in both voltages: it cancels. */
#ifndef WN_METROLOGY_CALIBRATION_H
#define WN_METROLOGY_CALIBRATION_H

#include <stdbool.h>
#include "base/err.h"
#include "metrology/metrology.h"

/* calibration */

enum wn_quantity {
    WN_QUANTITY_VOLTAGE,
    WN_QUANTITY_CURRENT,
    WN_QUANTITY_TEMPERATURE, /* of the cell */
    WN_QUANTITY_AMBIENT,
    WN_QUANTITY_COUNT
};

/** What a certificate says of one quantity, in its unit (V, A, K). Corrected = gain x reading +
 * offset; both with the sign the reading has, so one line serves charge and discharge. */
struct wn_calibration_line {
    bool known; /* else the reading is taken as it is, and the rest of this does not apply */
    double gain, offset;
    double expanded;        /* uncertainty of a corrected reading on the day, as the certificate
                               states it */
    double coverage_factor; /* k of it; 2 where a certificate says 95 % */
    /* What the instrument may have moved since, half-width, until valid_until; NaN: not told */
    double drift;
    wn_utc_us date, valid_until; /* 0: not told */
    char certificate[48];        /* its number; "": not told */
};

struct wn_calibration {
    struct wn_calibration_line line[WN_QUANTITY_COUNT];
};

/** No line known. */
void wn_calibration_init(struct wn_calibration *c);

/** Is every known line one that can be used? WN_ERANGE or WN_EINVAL with the quantity and what to
 * write: gain within 0.9 to 1.1 (beyond it the instrument is broken, or the line is inverted),
 * everything finite, uncertainty at least 0, coverage factor 1 to 4, drift at least 0 or NaN,
 * valid_until after date. */
int wn_calibration_validate(const struct wn_calibration *c, struct wn_error *err);

/** Corrects what the reading has. Time is left alone. */
void wn_calibration_apply(const struct wn_calibration *c, struct wn_reading *r);

/** Is the line known, and now within its dates? One that tells no date is valid. */
bool wn_calibration_valid(const struct wn_calibration_line *line, wn_utc_us now);

/** The accuracy that corrected readings have: for a quantity whose line is valid and tells its
 * drift u^2 = (expanded / k)^2 + drift^2 / 3, as the half-width that has this u; otherwise that of
 * the data sheet, which is on the safe side. Temperature takes the line of the cell. */
void wn_calibration_accuracy(const struct wn_calibration *c, const struct wn_accuracy *sheet,
                             wn_utc_us now, struct wn_accuracy *out);

/** Which known lines are out of date, in words for a warning: "calibration of voltage ran out on
 * 2026-05-01; calibration of current begins on ...". Returns how many; buf is "" for none. */
int wn_calibration_out_of_date(const struct wn_calibration *c, wn_utc_us now, char *buf,
                               size_t size);

/** Which of them ran out after `since` and not after `now`; words and result as above. */
int wn_calibration_ran_out(const struct wn_calibration *c, wn_utc_us since, wn_utc_us now,
                           char *buf, size_t size);

const char *wn_quantity_name(enum wn_quantity q);
/** "V", "A", "K" */
const char *wn_quantity_unit(enum wn_quantity q);

/* budget */

/** Standard deviation of one reading: noise, and resolution / sqrt 12, in quadrature. 0: none. */
struct wn_noise {
    double voltage_v, current_a;
};

enum { WN_BUDGET_MAX = 6 };

struct wn_budget_line {
    const char *what; /* "current", "time base", "voltage and cut-off", "noise", ... */
    double u;
    bool correlated; /* the same over all readings, else independent from one to the next */
};

/** Where an uncertainty comes from; u is the combined standard uncertainty (k = 1). */
struct wn_budget {
    struct wn_budget_line line[WN_BUDGET_MAX];
    int n;
    double u;
};

/** What a discharge was, as far as its uncertainty depends on it. */
struct wn_discharge_facts {
    double capacity_ah, energy_wh;
    double current_a;     /* mean magnitude */
    double duration_s;    /* seen, gaps left out */
    double cutoff_v;      /* NaN: it did not end by its voltage */
    double slope_v_per_s; /* at the end; 0 or NaN: not known */
    int64_t readings;
};

/** In Ah. Its correlated lines are those of wn_capacity_uncertainty_ah(), to which it is equal
 * without noise. The noise of the voltage at the cut-off counts as that of one reading: a bound, as
 * the crossing is interpolated between two. */
void wn_capacity_budget(const struct wn_discharge_facts *d, const struct wn_accuracy *a,
                        const struct wn_noise *noise, struct wn_budget *out);
/** In Wh; without noise equal to wn_energy_uncertainty_to_cutoff_wh(). */
void wn_energy_budget(const struct wn_discharge_facts *d, const struct wn_accuracy *a,
                      const struct wn_noise *noise, struct wn_budget *out);
/** In ohm, of a resistance from two readings of one instrument soon after each other: the fixed
 * part of its accuracy is taken for one offset, the same in both, and cancels; the reading part for
 * one gain. (The functions of metrology.h take the four readings as independent: the safe side, for
 * an instrument whose error may differ from point to point.) */
void wn_resistance_budget(double r_ohm, double di_a, const struct wn_accuracy *a,
                          const struct wn_noise *noise, struct wn_budget *out);

/* standard */

/* Measuring tolerances of IEC 61960-3:2017, from memory: to be confirmed with the standard's text.
 * The one of the capacity is that of the current here: a capacity cannot be known better than by
 * it. */
#define WN_TOLERANCE_VOLTAGE       0.01
#define WN_TOLERANCE_CURRENT       0.01
#define WN_TOLERANCE_TEMPERATURE_K 2.0
#define WN_TOLERANCE_TIME          0.001
#define WN_TOLERANCE_CAPACITY      0.01

/** What is to be measured: the smallest values, where a fixed part weighs most. */
struct wn_tolerance_use {
    double voltage_v;            /* e.g. the cut-off */
    double current_a;            /* e.g. 0.2 It of the rated capacity */
    bool has_temperature;        /* the bench has a thermometer at the cell */
    double capacity_ah;          /* NaN: not judged */
    double capacity_expanded_ah; /* k = 2 */
};

/** What is asked of a bench for a cell: its cut-off, 0.2 It, no capacity yet. */
struct wn_tolerance_use wn_tolerance_use_of(double cutoff_v, double rated_ah, bool has_temperature);

/** Which tolerances the bench does not meet, in words for a warning: "voltage +/-1.4 % at 2.5 V,
 * and 1 % is asked for; ...". An accuracy that is not told (NaN) is not met. Returns how many; buf
 * is "" for none. */
int wn_tolerances_unmet(const struct wn_accuracy *a, const struct wn_tolerance_use *use, char *buf,
                        size_t size);

#endif
