/* Fade: from capacity per cycle to the end of life as a distribution, and to the verdict on a
 * claim. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure: no I/O, no clock, no heap; the caller gives every number. Deterministic to the bit for the
 * same input. The method is described in lib/fade/METHOD.md. One call takes some 20 ms and 400 kB
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

enum {
    WN_FADE_REASON_SIZE = 200,
    WN_FADE_CURVE_MAX = 128,
    WN_FADE_GRID = 160, /* cells of a table of a shape over sqrt(share of life) */
    WN_FADE_NAME_SIZE = 64,
    WN_FADE_OWN_MAX = 16 /* own finished lives that one projection leans on */
};

/** A finished life of the user's own, for the library: how the capacity fell from its start (1) to
 * the threshold (0), over the square root of the share of life. */
struct wn_fade_life {
    char name[WN_FADE_NAME_SIZE];
    double cycles; /* of that life */
    float left[WN_FADE_GRID + 1];
};

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

/** The user's own finished lives, all remembered at the depth of fade that is asked about
 * (borrowed). */
struct wn_fade_own {
    const struct wn_fade_life *life;
    int count; /* at most WN_FADE_OWN_MAX */
};

/** The same, leaning on own finished lives as well; own may be NULL. */
int wn_fade_project_own(const struct wn_fade_point *points, size_t n, double threshold_ah,
                        const struct wn_fade_own *own, struct wn_fade_result *out,
                        struct wn_error *err);

/** Remembers a finished life down to `retention` of its own initial capacity.
 *
 * @return WN_OK       *out filled
 * @return WN_EMISSING it did not get there (three consecutive valid cycles), or has fewer than
 * eight valid cycles before: nothing to learn from; err is not filled
 * @return WN_EINVAL   points as for wn_fade_project(), or retention not between 0 and 1 */
int wn_fade_remember(const struct wn_fade_point *points, size_t n, double retention,
                     const char *name, struct wn_fade_life *out, struct wn_error *err);

/** Judges "after `cycles` cycles the capacity is still at least min_ah". Errors as above. */
int wn_fade_judge_claim(const struct wn_fade_point *points, size_t n, double cycles, double min_ah,
                        struct wn_fade_claim *out, struct wn_error *err);

int wn_fade_judge_claim_own(const struct wn_fade_point *points, size_t n, double cycles,
                            double min_ah, const struct wn_fade_own *own, struct wn_fade_claim *out,
                            struct wn_error *err);

/** What would have been said on the way: one entry per look, from nothing but the cycles until
 * then. */
struct wn_fade_look {
    double cycle; /* of the last point looked at */
    /* of a projection; NaN while not yet predictable */
    enum wn_fade_state state;
    double median_cycle, p10_cycle, p90_cycle;
    /* of a claim */
    double probability;
    enum wn_fade_verdict verdict;
};

enum { WN_FADE_LOOKS_MAX = 64 };

struct wn_fade_history {
    struct wn_fade_look look[WN_FADE_LOOKS_MAX]; /* in rising order of cycle */
    int count;
    /* Projection: the first look since which every 80 % interval has contained what is said now.
     * Claim: the first cycle since which the verdict has always pointed the way it does now (on
     * course and holds, or will fall short and fails): from there on it was safe to publish. NaN:
     * there is none. */
    double settled_cycle;
};

/** Projects the whole history anew: looks at equal distances, the last at all points or where the
 * end of life was reached. Takes up to WN_FADE_LOOKS_MAX times as long as a projection. Errors as
 * wn_fade_project(). */
int wn_fade_look_back(const struct wn_fade_point *points, size_t n, double threshold_ah,
                      const struct wn_fade_own *own, struct wn_fade_history *out,
                      struct wn_error *err);
/** The same for a claim. */
int wn_fade_look_back_claim(const struct wn_fade_point *points, size_t n, double cycles,
                            double min_ah, const struct wn_fade_own *own,
                            struct wn_fade_history *out, struct wn_error *err);

/** The rise of resistance, projected by the same method: how far it is on the way from its initial
 * value to (1 + rise) times that is treated as lost capacity. */
struct wn_fade_resistance {
    struct wn_fade_result life;        /* threshold_ah: NaN; the curve is in ohm, p10 the low end */
    double initial_ohm, threshold_ohm; /* at reference_c, when corrected; NaN: never measured */
    /* Temperature correction: R(T) = R exp(coefficient (1/T - 1/T_reference)), both T in kelvin;
     * the coefficient is found in the campaign itself. 0: not corrected, for temperature is
     * unknown, hardly varied, or did not move the resistance */
    double coefficient_k;
    double reference_c; /* NaN: not corrected */
};

/** @param rise     e.g. 1 for +100 %
 *  @param scratch  room for n points, given up by the caller
 *  Errors as wn_fade_project(), or rise not positive. Without a resistance the state is "not yet
 *  predictable". */
int wn_fade_project_resistance(const struct wn_fade_point *points, size_t n, double rise,
                               struct wn_fade_point *scratch, struct wn_fade_resistance *out,
                               struct wn_error *err);

/** Of two projections, whichever comes first: each quantile is the earlier one, which is exact when
 * the two ends come in the same order in every cell. *second: false when `a` comes first. Both, one
 * or none may be predictable. */
void wn_fade_first_of(const struct wn_fade_result *a, const struct wn_fade_result *b,
                      struct wn_fade_result *out, bool *second);

/** Initial capacity for a retention "of initial": median of the first five valid cycles; NaN
 * without any. */
double wn_fade_initial_capacity_ah(const struct wn_fade_point *points, size_t n);

/** The words of the command line: "projected", "not_yet_predictable", "reached". */
const char *wn_fade_state_name(enum wn_fade_state state);
/** "holds", "fails", "on course", "in doubt", "will fall short", "not yet predictable". */
const char *wn_fade_verdict_name(enum wn_fade_verdict verdict);

#endif
