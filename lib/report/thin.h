/* Pictures: leaving out what cannot be seen.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Of thousands of points that fall into the same narrow column of a picture only the lowest and the
 * highest can be told apart; of a curve also where it enters and leaves the column (Jugel and
 * others, "M4: a visualization-oriented time series data aggregation", PVLDB 7, 2014; from memory).
 * What is left looks the same and is a file of sane size. */
#ifndef WN_REPORT_THIN_H
#define WN_REPORT_THIN_H

#include "report/picture.h"

enum { WN_THIN_COLUMNS = 480 };

/** Fills keep[0..n): which points of the series are to be drawn. At most four in each of
 * WN_THIN_COLUMNS columns, all of them when there are no more than that; extremes and both ends are
 * always kept. */
void wn_series_thin(const struct wn_series *s, bool *keep);

#endif
