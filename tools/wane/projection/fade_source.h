/* Where the points of a projection come from: a campaign file or a CSV file.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANE_FADE_SOURCE_H
#define WANE_FADE_SOURCE_H

#include "fade/fade.h"
#include "wane.h"

struct fade_source {
    char name[512]; /* of the campaign or the CSV file */
    bool is_campaign;
    struct wane_campaign campaign; /* open while is_campaign */
    bool simulated;
    struct wn_fade_point *point;
    size_t n, room;
    int64_t skipped;       /* rows or cycles without a capacity */
    double rated_ah;       /* NaN: unknown */
    double retention;      /* the campaign's own threshold; NaN: none */
    struct wn_claim claim; /* cycles 0: none */
};

/** Points of the cycles of a campaign that have a capacity. */
int fade_points_of(const struct wane_cycles *c, struct fade_source *out, struct wn_error *err);
/** From the operand or --csv, exactly one of them; only cycles up to `until` (0: all). Told already
 * when it fails; returns enum wane_exit. */
int fade_source_open(struct wane *w, const struct wane_args *a, const struct wane_value *csv,
                     int64_t until, struct fade_source *out);
void fade_source_close(struct fade_source *s);

struct fade_own {
    struct wn_fade_life life[WN_FADE_OWN_MAX];
    struct wn_fade_own lives; /* points into life: not to be copied */
};

/** The finished campaigns beside this one that got down to `retention` of their own initial
 * capacity, for the projection to lean on. One that cannot be read is passed over. */
void fade_find_own(const struct wane_campaign *of, double retention, struct fade_own *out);
/** The same for a source and a threshold; none for a CSV file: the same file gives the same answer.
 */
void fade_own_of(const struct fade_source *s, double threshold_ah, struct fade_own *out);

/** Projection of a campaign against its own threshold; false when there is nothing to say (no
 * threshold, no cycle). */
bool fade_of_campaign(struct wane_campaign *c, struct wn_fade_result *out);

#endif
