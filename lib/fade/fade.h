/* Fade: from capacity per cycle to the end of life as a distribution, and to the verdict on a
 * claim. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure: no I/O, no clock, no heap; the caller gives every number. Deterministic to the bit for the
 * same input. The method is described in lib/fade/METHOD.md. One call takes some 20 ms and 300 kB
 * of stack: never in a station's loop. */
#ifndef WN_FADE_FADE_H
#define WN_FADE_FADE_H

#include <stdbool.h>
#include <stddef.h>
#include "base/err.h"

/** One cycle as the projection sees it. NaN where a value was not measured. */
struct wn_fade_point {
    double cycle;
    double capacity_ah;
    double resistance_ohm; /* NaN: unknown */
    double temperature_c;  /* NaN: unknown */
    unsigned flags; /* set of enum wn_cycle_flag (metrology/cycle.h); invalid cycles are left out */
    double capacity_u_ah; /* standard (k = 1), common to all points; NaN or 0: unknown. Only a
                             verdict on what was measured looks at it */
};

enum wn_fade_state {
    WN_FADE_NOT_YET_PREDICTABLE,
    WN_FADE_PROJECTED,
    WN_FADE_REACHED /* three consecutive valid cycles lie below the threshold */
};

enum wn_fade_verdict {
    WN_VERDICT_NOT_YET_PREDICTABLE,
    WN_VERDICT_HOLDS,          /* the cycle count was reached with capacity at or above the claim */
    WN_VERDICT_FAILS,          /* end of life was declared before the claimed cycle count */
    WN_VERDICT_ON_COURSE,      /* probability >= 0.9 */
    WN_VERDICT_IN_DOUBT,       /* between; or measured, and the claim lies within +/- 2 u of it */
    WN_VERDICT_WILL_FALL_SHORT /* probability <= 0.1 */
};

enum { WN_FADE_REASON_SIZE = 160, WN_FADE_CURVE_MAX = 128 };

struct wn_fade_curve_point {
    double cycle, p10_ah, median_ah, p90_ah;
};

struct wn_fade_result {
    enum wn_fade_state state;
    size_t cycles_used;      /* valid points the answer rests on */
    size_t cycles_left_out;  /* flagged or recognised as excursions */
    double eol_median_cycle; /* valid when projected; when reached all three equal crossed_at */
    double eol_p10_cycle;
    double eol_p90_cycle;
    double crossed_at_cycle; /* first of the three consecutive valid cycles below; NaN unless
                                reached */
    double threshold_ah;
    char reason[WN_FADE_REASON_SIZE]; /* one sentence: why not yet predictable, or what the answer
                                         leans on */
    size_t curve_len;                 /* projected capacity from the last cycle on, for pictures */
    struct wn_fade_curve_point curve[WN_FADE_CURVE_MAX];
};

struct wn_fade_claim {
    double probability; /* P(capacity at `cycles` >= min_ah); NaN when not yet predictable */
    enum wn_fade_verdict verdict;
    double capacity_at_claim_ah; /* measured when reached, else projected median; NaN if unknown */
    double capacity_at_claim_u_ah; /* standard (k = 1), of a measured one; NaN if unknown */
};

/** Projects where capacity falls below threshold_ah.
 *
 * @param points  n points in rising order of cycle (borrowed)
 * @return WN_OK       *out filled, whatever its state
 * @return WN_EINVAL   n == 0, cycles not rising or negative, a capacity not finite, or threshold_ah
 * not positive: text says which row; the caller shows it */
int wn_fade_project(const struct wn_fade_point *points, size_t n, double threshold_ah,
                    struct wn_fade_result *out, struct wn_error *err);

/** Judges "after `cycles` cycles the capacity is still at least min_ah". Errors as above. */
int wn_fade_judge_claim(const struct wn_fade_point *points, size_t n, double cycles, double min_ah,
                        struct wn_fade_claim *out, struct wn_error *err);

/** Initial capacity for a retention "of initial": median of the first five valid cycles; NaN
 * without any. */
double wn_fade_initial_capacity_ah(const struct wn_fade_point *points, size_t n);

/** The words of the command line: "projected", "not_yet_predictable", "reached". */
const char *wn_fade_state_name(enum wn_fade_state state);
/** "holds", "fails", "on course", "in doubt", "will fall short", "not yet predictable". */
const char *wn_fade_verdict_name(enum wn_fade_verdict verdict);

#endif
