/* Metrology: differential capacity, dQ/dV of one discharge or charge over its voltage.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. Two steps, in this order, so that no charge is lost:
 *  - The charge that passed between two readings is spread evenly over the voltages between them,
 *    into bins of fixed width. Noise that makes the voltage turn back does no harm: charge is
 *    counted, and differences of voltage are never divided by. Bins of fixed voltage as in Feng and
 *    others, "A reliable approach of differentiating discrete sampled-data for battery diagnosis",
 *    eTransportation 3 (2020) 100051.
 *  - Over a window of fixed width a straight line is fitted to the summed charge by least squares;
 *    its slope is dQ/dV in the middle (Savitzky and Golay, Analytical Chemistry 36 (1964) 1627:
 * first degree, first derivative). At both ends the window is narrower. What dQ/dV means: Bloom and
 * others, Journal of Power Sources 139 (2005) 295; Dubarry and Liaw, Journal of Power Sources 194
 * (2009) 541. (All sources from memory.)
 *
 * A peak narrower than the window is flattened to it; the area under it stays. Readings that lie
 * too far apart for the window are refused rather than interpolated into something smooth. */
#ifndef WN_METROLOGY_DIFFERENTIAL_H
#define WN_METROLOGY_DIFFERENTIAL_H

#include <stddef.h>
#include "base/err.h"

#define WN_DIFFERENTIAL_BIN_V      0.0025
#define WN_DIFFERENTIAL_WINDOW_V   0.025 /* unless more is needed */
#define WN_DIFFERENTIAL_WIDEST_V   0.1   /* beyond it no peak of a cell would be left */
#define WN_DIFFERENTIAL_STEPS      5     /* of the readings, that a window must hold at least */
#define WN_DIFFERENTIAL_POINTS_MIN 30

enum { WN_DIFFERENTIAL_BINS_MAX = 2400 };

struct wn_differential {
    double window_v; /* it was smoothed over */
    double step_v;   /* how far readings lie apart: mean over the charge */
    size_t n;        /* bins, in rising order of voltage */
    double voltage_v[WN_DIFFERENTIAL_BINS_MAX];  /* middle of a bin */
    double ah_per_v[WN_DIFFERENTIAL_BINS_MAX];   /* never negative */
    double sum_ah[WN_DIFFERENTIAL_BINS_MAX + 1]; /* charge below the lower edge of a bin */
};

/** dQ/dV of n readings of one step: charge_ah from its beginning on, never falling, and voltage_v.
 * window_v: width of the smoothing; 0: WN_DIFFERENTIAL_WINDOW_V, or wider where the readings ask
 * for it. *out is large: not on a small stack.
 *
 * @return WN_OK
 * @return WN_EINVAL  too few readings, or too far apart; a value not finite or charge that falls.
 *                    The text says what was found and what is needed, without naming the curve.
 * @return WN_ERANGE  voltages further apart than the bins reach (6 V), or a window below two bins
 */
int wn_differential(const double *charge_ah, const double *voltage_v, size_t n, double window_v,
                    struct wn_differential *out, struct wn_error *err);

#endif
