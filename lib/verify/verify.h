/* Verifying a campaign file: the file itself (lib/store), and its totals (lib/audit).
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_VERIFY_VERIFY_H
#define WN_VERIFY_VERIFY_H

#include "store/campaign.h"

/** One thing that is wrong, and where; 0: does not apply. Strings of `table` are static. */
struct wn_verify_finding {
    char check[32];
    const char *table; /* "" for the whole file */
    bool has_row;
    int64_t row, cycle, check_up, step;
    char text[240];
};
typedef void (*wn_verify_tell_fn)(void *ctx, const struct wn_verify_finding *f);

struct wn_verify_facts {
    int64_t cycles, check_ups, steps, readings;
    bool recomputed;     /* at least one step with current */
    double moved_ah;     /* charge in and out of all steps */
    double bound_ah;     /* of it, what the stored readings leave open either way */
    double bound_max_ah; /* of the step that they tell least of */
    int64_t bound_max_step;
    int64_t interrupted; /* steps not counted there: their totals are checked from above only */
};

/** Tells everything that is wrong in an open campaign, also what keeps it from being looked at.
 * Works while its station writes. progress may be NULL. */
void wn_verify_campaign(struct wn_campaign *file, wn_verify_tell_fn tell, void *ctx,
                        const struct wn_progress *progress, struct wn_verify_facts *facts);

#endif
