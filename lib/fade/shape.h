/* Fade shapes: how capacity falls from its start (1) to the threshold (0) over the share of life
 * used. SPDX-License-Identifier: GPL-3.0-or-later
 *
 *   shape(u) = 1 - w u^b - (1 - w) k(u) + 2 r sqrt(u) (1 - u)^2,   u = cycle / life
 *   k(u) = (sp((u - c) / s) - sp(-c / s)) / (sp((1 - c) / s) - sp(-c / s)),   sp(x) = ln(1 + e^x)
 *
 * w: weight of the power part; b: its exponent; c: place and s: sharpness of the knee; r: recovery
 * at the start. shape(0) = 1 and shape(1) = 0 for every set of parameters. The form is our own; it
 * fits whole open curves to about 0.5 % of the way from start to threshold (METHOD.md). */
#ifndef WN_FADE_SHAPE_H
#define WN_FADE_SHAPE_H

#include "fade/fade.h"

struct wn_fade_shape {
    double w, b, c, s, r;
};

/** Share of the way that is still left at u = cycle / life, 0 <= u; below 0 past the end. */
double wn_fade_shape_at(const struct wn_fade_shape *shape, double u);

/** Fills table[0..WN_FADE_GRID] with the shape at u = (i / WN_FADE_GRID)^2: fine where young cells
 * move fast. */
void wn_fade_shape_table(const struct wn_fade_shape *shape, float table[WN_FADE_GRID + 1]);

#endif
