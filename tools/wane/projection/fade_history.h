/* What would have been said on the way: of a projection, and of a claim.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANE_FADE_HISTORY_H
#define WANE_FADE_HISTORY_H

#include "fade_source.h"

/** The line or lines above an answer: which campaign or file it is about. */
void fade_print_source(const struct wane *w, const struct fade_source *s);

/** Print the history, as a table or as JSON. Told already when it fails; return enum wane_exit. */
int fade_tell_history(struct wane *w, const struct fade_source *s, double threshold_ah);
int fade_tell_claim_history(struct wane *w, const struct fade_source *s, int64_t cycles,
                            double min_ah);

#endif
