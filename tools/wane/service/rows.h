/* Stations at a glance: one line each, what is wrong first.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANE_ROWS_H
#define WANE_ROWS_H

#include "view.h"

/** Alarms first, those whose output is not verified off before the others, then who does not
 * answer, then the others; each in the order they came in. */
void rows_sort(struct view **v, int n);
/** How many of them are in alarm, or were when they told something last; they stand first. */
int rows_alarms(struct view *const *v, int n);
/** How many do not answer. */
int rows_silent(struct view *const *v, int n);
/** Writes a line each. On a window none is wider than it: what matters least is left out first,
 * from all alike, the alarm and whether it is simulated never. Without colour, too, alarms stand
 * out: by a mark in the first column and a word. */
void rows_print(const struct wane *w, const struct paper *p, struct view *const *v, int n, FILE *f);

#endif
