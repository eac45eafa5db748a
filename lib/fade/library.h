/* The library of fade shapes: fitted rows, draws around them, mixtures of two, vague draws, and the
 * user's own finished lives. Internal to lib/fade. SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_FADE_LIBRARY_H
#define WN_FADE_LIBRARY_H

#include "fade/internal.h"

struct wn_fade_entry {
    enum wn_fade_kind kind;
    const float
        *table[2];   /* over sqrt(u), as wn_fade_shape_table(); the second only of a mixture */
    int warp[2];     /* how each is warped, 0 to WN_FADE_WARPS - 1; the middle one is not */
    float share;     /* of the first; 1 but for a mixture */
    int family;      /* of a real row, or the number of an own life; else WN_FADE_NOBODY */
    float log_prior; /* of this entry */
};

struct wn_fade_library {
    const struct wn_fade_tuning *tuning;
    const struct wn_fade_use *use;
    double depth;           /* of the threshold asked for */
    double all;             /* prior mass of all kinds but the user's own */
    double foreign;         /* share of the prior mass that the user's own lives leave */
    int families;           /* how many families may be used */
    int synthetic, mixture; /* draws that may be used */
    bool rough;             /* the second pass over real, own and vague shapes */
    int next, warp;         /* of what comes next; warp: of a real or own shape */
    float row[WN_FADE_ROWS_MAX][WN_FADE_GRID + 1]; /* tables of the rows */
    float draw[WN_FADE_GRID + 1];                  /* and of the draw at hand */
    short warp_cell[WN_FADE_WARPS][WN_FADE_GRID + 1];
    float warp_part[WN_FADE_WARPS][WN_FADE_GRID + 1];
};

void wn_fade_library_open(struct wn_fade_library *library, const struct wn_fade_tuning *tuning,
                          const struct wn_fade_use *use, double depth);
/** The next entry; false at the end. The same order and the same draws every time. Valid until the
 * next call. */
bool wn_fade_library_next(struct wn_fade_library *library, struct wn_fade_entry *entry);
/** Share of the way left of an entry in cell i of the table. */
float wn_fade_library_at(const struct wn_fade_library *library, const struct wn_fade_entry *entry,
                         int i);

#endif
