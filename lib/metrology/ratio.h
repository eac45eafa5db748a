/* Metrology: uncertainty of a ratio of two values that were measured by one instrument.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. What is common to both values does not count in their ratio (GUM, JCGM 100:2008, 5.2.2 with
 * F.1.2.3, from memory: inputs measured by the same instrument are correlated). An error e that
 * changes the one value by a part a x e and the other by b x e changes the ratio by (a - b) x e:
 *
 *   gain of the current, time base     the same part of both: gone
 *   offset of the current              time / charge of the one less that of the other; between a
 *                                      discharge and the charge before it the signs differ: a sum
 *   voltage at the cut-off             current / slope / charge of the one less that of the other:
 *                                      an aged cell falls steeper at its end than a fresh one
 *   what the instrument moved between  not common: counts with the later value
 *
 * Only as long as it is one instrument on one range. Where a supply charges and a load discharges
 * (`apart` of the accuracy) nothing cancels in an efficiency. */
#ifndef WN_METROLOGY_RATIO_H
#define WN_METROLOGY_RATIO_H

#include "metrology/calibration.h"

/** Half-widths of what an instrument may have moved from the first value to the second; 0: taken to
 * stay as it is. */
struct wn_drift {
    double voltage_v, current_a;
};

/** Retention: capacity of `now` over that of `first`, two discharges at the same current to the
 * same cut-off. The lines and u are in parts of 1. u is NaN when a discharge to a cut-off does not
 * tell its slope: the part of the cut-off is not known then. */
void wn_retention_budget(const struct wn_discharge_facts *first,
                         const struct wn_discharge_facts *now, const struct wn_accuracy *a,
                         const struct wn_drift *drift, struct wn_budget *out);

/** Coulombic efficiency: capacity of `discharge` over the charge put in before (capacity_ah,
 * energy_wh and duration_s of `charge`; the rest of it is not looked at). The cut-off is left out:
 * charge and discharge lie between the same two ends, whatever the voltmeter calls them. */
void wn_coulombic_budget(const struct wn_discharge_facts *charge,
                         const struct wn_discharge_facts *discharge, const struct wn_accuracy *a,
                         struct wn_budget *out);

/** Energy efficiency, likewise: the gain of the voltage is gone, its offset weighs by the
 * difference of the two mean voltages. */
void wn_energy_efficiency_budget(const struct wn_discharge_facts *charge,
                                 const struct wn_discharge_facts *discharge,
                                 const struct wn_accuracy *a, struct wn_budget *out);

#endif
