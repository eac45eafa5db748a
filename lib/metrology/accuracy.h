/* Metrology, private: standard uncertainty of one reading.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_METROLOGY_ACCURACY_H
#define WN_METROLOGY_ACCURACY_H

#include <math.h>
#include "metrology/metrology.h"

/* Half-width of a rectangular distribution to standard uncertainty: a / sqrt 3 (GUM 4.3.7). */
static inline double from_half_width(double a)
{
    return a / sqrt(3.0);
}

static inline double voltage_u_v(const struct wn_accuracy *a, double voltage_v)
{
    return from_half_width(a->voltage_reading * fabs(voltage_v) + a->voltage_fixed_v);
}

static inline double current_u_a(const struct wn_accuracy *a, double current_a)
{
    return from_half_width(a->current_reading * fabs(current_a) + a->current_fixed_a);
}

#endif
