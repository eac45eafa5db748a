/* A reading: one instant of a cell, as an instrument reports it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_BASE_READING_H
#define WN_BASE_READING_H

#include "base/time.h"

enum wn_has {
    WN_HAS_VOLTAGE = 1u << 0,
    WN_HAS_CURRENT = 1u << 1,
    WN_HAS_TEMPERATURE = 1u << 2, /* of the cell */
    WN_HAS_AMBIENT = 1u << 3,
    WN_HAS_TIME = 1u << 4,  /* the instrument told its own time */
    WN_HAS_OUTPUT = 1u << 5 /* the instrument told whether its output is on */
};

struct wn_reading {
    wn_ns time_ns;        /* campaign time of the instant: the instrument's own time where it tells
                             it, else host time; never goes back within a campaign */
    wn_ns host_ns;        /* monotonic host time when the reply was complete: how fresh it is */
    double voltage_v;     /* at the cell, 4-wire */
    double current_a;     /* positive when it charges the cell */
    double temperature_c; /* of the cell; valid with WN_HAS_TEMPERATURE */
    double ambient_c;     /* valid with WN_HAS_AMBIENT */
    unsigned has;         /* set of enum wn_has */
    int output_on;        /* valid with WN_HAS_OUTPUT */
};

#endif
