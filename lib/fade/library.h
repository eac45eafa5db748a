/* The library of fade shapes: fitted rows, draws around them, and vague draws. Internal to
 * lib/fade. SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_FADE_LIBRARY_H
#define WN_FADE_LIBRARY_H

#include "fade/internal.h"

enum wn_fade_kind { WN_FADE_REAL, WN_FADE_SYNTHETIC, WN_FADE_VAGUE };

struct wn_fade_entry {
    enum wn_fade_kind kind;
    struct wn_fade_shape shape;
    int family;      /* of a real row, else WN_FADE_NOBODY */
    float log_prior; /* of this entry */
};

struct wn_fade_library {
    const struct wn_fade_tuning *tuning;
    const struct wn_fade_without *without;
    double depth;   /* of the threshold asked for */
    int rows, real; /* rows in the table, and how many of them may be used */
    int families;   /* how many families those come from */
    int next;
};

void wn_fade_library_open(struct wn_fade_library *library, const struct wn_fade_tuning *tuning,
                          const struct wn_fade_without *without, double depth);
/** The next entry; false at the end. The same order and the same draws every time. */
bool wn_fade_library_next(struct wn_fade_library *library, struct wn_fade_entry *entry);

#endif
