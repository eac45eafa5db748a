/* How well a campaign was measured, for tables and exports.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Texts for people show expanded uncertainties (k = 2) and say so once; files and JSON hold both,
 * _u standard (k = 1) and _expanded. */
#ifndef WANE_MEASURING_H
#define WANE_MEASURING_H

#include "metrology/ratio.h"
#include "wane.h"

struct measuring {
    struct wn_accuracy accuracy;  /* the campaign was begun with */
    struct wn_drift drift;        /* that a certificate allows */
    struct wn_cycle_record first; /* valid cycle */
    bool has_first;
};

/** Reads accuracy and certificates; what cannot be read is taken as not told. */
void measuring_begin(struct wane_campaign *c, struct measuring *m);

/** Did anybody tell how accurate the instrument is? Of a log nobody did. */
bool measuring_told(const struct measuring *m);

/** Capacity of a cycle over that of the first valid one, with its standard uncertainty; NaN where
 * the two are not the same discharge. To be asked cycle by cycle, in order. */
struct wn_measured measuring_retention(struct measuring *m, const struct wn_cycle_record *r);

/** Is any uncertainty known? */
bool measuring_known(const struct wane_cycles *cycles);

/** What of IEC 61960-3's tolerances was not met, in words; "" when all was. */
const char *measuring_unmet(const struct measuring *m, const struct wane_campaign *c,
                            const struct wane_cycles *cycles, char *buf, size_t size);

#endif
