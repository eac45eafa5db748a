/* Pictures of campaigns: what the kinds share. Private to drawing*.c.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANE_DRAWING_PARTS_H
#define WANE_DRAWING_PARTS_H

#include "drawing.h"

/** What each kind is made by, from the same arguments as drawing_make(). */
struct drawing_job {
    struct wn_picture *p;
    struct drawing_subject *s;
    int n;
    const struct drawing_choice *choice;
    enum drawing_kind kind;
};

/** "valid cycle" for a campaign alone; among several its name. Returns buf. */
const char *drawing_label(const struct drawing_job *j, int i, const char *alone, char *buf,
                          size_t size);
/** A series whose meaning is the same for every campaign: it stands in the key once, with the first
 * campaign that has it. */
struct wn_series *drawing_general(const struct drawing_job *j, enum wn_series_kind kind, int colour,
                                  const char *label);
/** Says it in every case: title, cell, procedure, conditions, whether it is simulated. */
void drawing_words(struct drawing_job *j, const char *title);

/** Under which conditions something was measured. */
struct drawing_conditions {
    struct wn_range current_a, cutoff_v, cell_c, ambient_c; /* low above high: not known */
};
void drawing_conditions_init(struct drawing_conditions *c);
/** NaN widens nothing. */
void drawing_widen(struct wn_range *r, double x);
/** "discharge at 10 A to 2.5 V; highest cell temperature 45 to 47 °C; ambient 22 to 24 °C". */
void drawing_describe(const struct drawing_conditions *c, char *buf, size_t size);

int drawing_fade(struct drawing_job *j, struct wn_error *err);
int drawing_retention(struct drawing_job *j, struct wn_error *err);
int drawing_resistance(struct drawing_job *j, struct wn_error *err);
int drawing_discharge(struct drawing_job *j, struct wn_error *err);
int drawing_heating(struct drawing_job *j, struct wn_error *err);
int drawing_temperature(struct drawing_job *j, struct wn_error *err);
int drawing_efficiency(struct drawing_job *j, struct wn_error *err);
int drawing_history(struct drawing_job *j, struct wn_error *err);
int drawing_dqdv(struct drawing_job *j, struct wn_error *err);

#endif
