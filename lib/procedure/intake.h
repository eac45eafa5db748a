/* The intake record of a cell: what is written down of it at its arrival, and corrected later.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. Nothing is run by these values: they may be added and corrected while a campaign lasts, and
 * when it is over. Every change is told in words, for the events of the campaign. */
#ifndef WN_PROCEDURE_INTAKE_H
#define WN_PROCEDURE_INTAKE_H

#include <stdbool.h>
#include "base/err.h"
#include "procedure/cell.h"

enum wn_intake {
    WN_INTAKE_MASS,
    WN_INTAKE_DIAMETER,
    WN_INTAKE_LENGTH,
    WN_INTAKE_ARRIVAL_VOLTAGE,
    WN_INTAKE_AC_IMPEDANCE,
    WN_INTAKE_AC_IMPEDANCE_HZ,
    WN_INTAKE_NUMBERS
};

enum { WN_INTAKE_TEXTS = WN_INTAKE_NUMBERS + 1, WN_INTAKE_TEXT_SIZE = 200 };

/** What is to be changed; all false: nothing. */
struct wn_intake_change {
    bool given[WN_INTAKE_NUMBERS];
    double value[WN_INTAKE_NUMBERS]; /* NaN: not recorded after all */
    bool marking_given;
    char marking[sizeof((struct wn_cell *)0)->marking];
};

/** "mass_g", "ac_impedance_ohm", ...: as a campaign file calls it. */
const char *wn_intake_name(enum wn_intake q);
/** WN_INTAKE_NUMBERS when it is none. */
enum wn_intake wn_intake_find(const char *name);
double wn_intake_value(const struct wn_cell *c, enum wn_intake q);

/** What was changed, in words: "mass_g is 46.9, was not recorded". */
struct wn_intake_words {
    char text[WN_INTAKE_TEXTS][WN_INTAKE_TEXT_SIZE];
    int n;
};

/** Changes the cell. What is already so is no change. WN_ERANGE with the range, WN_EINVAL for a
 * frequency without an impedance or a marking of control characters: nothing is changed then. */
int wn_intake_change(struct wn_cell *c, const struct wn_intake_change *change,
                     struct wn_intake_words *words, struct wn_error *err);

#endif
