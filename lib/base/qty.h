/* Quantities: a number with a unit, checked for its dimension ("4 A", "0.5 It", "1 h", "60 degC").
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Internally everything is SI with the unit in the name (voltage_v, current_a, capacity_ah,
 * temperature_c, time_s). It is the reference current of IEC 61434: rated capacity in Ah divided by
 * 1 h (from memory). */
#ifndef WN_BASE_QTY_H
#define WN_BASE_QTY_H

#include <stddef.h>
#include "base/err.h"

enum wn_dim {
    WN_DIM_VOLTAGE,          /* uV mV V            -> V */
    WN_DIM_CURRENT,          /* uA mA A, and It    -> A (or multiples of It, see is_it) */
    WN_DIM_POWER,            /* mW W               -> W */
    WN_DIM_RESISTANCE,       /* mohm ohm           -> ohm */
    WN_DIM_CAPACITY,         /* mAh Ah             -> Ah */
    WN_DIM_ENERGY,           /* mWh Wh             -> Wh */
    WN_DIM_TIME,             /* ms s min h d       -> s */
    WN_DIM_TEMPERATURE,      /* degC               -> degC */
    WN_DIM_TEMPERATURE_DIFF, /* K                  -> K */
    WN_DIM_TEMPERATURE_RATE, /* K/min              -> K/min */
    WN_DIM_MASS,             /* g                  -> g */
    WN_DIM_LENGTH,           /* mm                 -> mm */
    WN_DIM_FREQUENCY,        /* Hz kHz             -> Hz */
    WN_DIM_RATIO,            /* % ppm 1            -> 1 ("70 %" is 0.7) */
    WN_DIM_COUNT_
};

struct wn_qty {
    double value; /* in the base unit of the dimension, or in It when is_it */
    int is_it;    /* 1 only for WN_DIM_CURRENT written in It */
};

/** Reads "number unit" (blanks between them optional, none elsewhere inside; leading and trailing
 * blanks allowed). Units are exactly those above, case included. Each text names the units that are
 * accepted and what to write instead. err may be NULL; a success leaves it alone.
 *
 * @return WN_OK       *out filled
 * @return WN_ESYNTAX  no number, or more than one
 * @return WN_EUNIT    no unit, an unknown one, or one of another dimension
 * @return WN_ERANGE   too large for a double. *out is untouched on every error. */
int wn_qty_parse(const char *text, enum wn_dim want, struct wn_qty *out, struct wn_error *err);

/** "voltage", "current", ... for messages. */
const char *wn_dim_name(enum wn_dim dim);

#define WN_QTY_SIZE 24

/** Writes a value in base units for people with a sensible unit and up to six digits: 0.1 A ->
 * "100 mA", 3600 s -> "1 h", 0.7 -> "70 %". Returns buf (at least WN_QTY_SIZE bytes, asserted). */
const char *wn_qty_format(double value, enum wn_dim dim, char *buf, size_t size);

#endif
