/* Audit: do the totals of a campaign follow from its readings?
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. A station integrates every reading and stores only those that moved by a threshold, so a
 * total cannot be had again to the last digit: for each there is an interval of values that the
 * stored readings allow, and one outside it is a finding. The interval comes from
 *
 *  - the store thresholds: between two stored readings, dt apart and D different, a reading that
 * was not stored was less than the threshold T away from the first, so the charge between them is
 *    that of the straight line within (T + |D| / 2) dt, and the energy likewise;
 *  - the moments the output went on and off, which lie between two readings: the recorded duration
 *    says how much of these intervals belongs to the step;
 *  - intervals longer than a gap that the time threshold explains as well.
 *
 * Readings are integrated by lib/metrology, as the station does. Not recomputed: resistances and
 * uncertainties, whose inputs are not all in the file. */
#ifndef WN_AUDIT_AUDIT_H
#define WN_AUDIT_AUDIT_H

#include <stdbool.h>

#include "engine/record.h"
#include "metrology/metrology.h"

/** One total that the file does not bear out, and where. 0: does not apply. */
struct wn_audit_finding {
    char check[32]; /* stable word: the column, or what is wrong */
    int64_t cycle, check_up, step;
    char text[200];
};

typedef void (*wn_audit_tell_fn)(void *ctx, const struct wn_audit_finding *f);

/** What holds for all steps of a campaign. */
struct wn_audit_setup {
    /* a reading was stored when it had moved so far; 0: each; not finite: never for this reason */
    double voltage_v, current_a, temperature_c, time_s;
    double gap_max_s; /* longer intervals were not integrated, of a charge ... */
    double discharge_gap_max_s, rest_gap_max_s; /* ... of a discharge, of a rest */
    bool driven; /* by a station: output on and off, one step after the other; else from a log */
    /* What is beyond is a garbled reading: stored, and as a rule not integrated, for it halts.
     * Infinite: none is. */
    double most_a, most_v;
    wn_audit_tell_fn tell;
    void *ctx;
};

/** How a step ends; kind WN_END_NONE: by time, or not known (then `known` is false). */
struct wn_audit_end {
    bool known;
    enum wn_end_kind kind;
    double value, cv_voltage_v;
    /* halted, paused or stopped in it: what was read then was not integrated, but stored, so that
     * there is no least value */
    bool interrupted;
};

/** An interval of values that are possible. */
struct wn_audit_range {
    double lo, hi;
};

/* -- a step
 * --------------------------------------------------------------------------------------------- */

/** Sums on one side of a moment, and their bounds. A s, W s, s. */
struct wn_audit_sums {
    double charge, energy, time;
    double charge_bound, energy_bound;
};

/** Moments at which the output may have gone on, or off: between two readings. */
struct wn_audit_edges {
    double all_s, first_s, last_s; /* how long these intervals are */
    struct wn_audit_range a, w;    /* current and power at them */
};

/** One step under audit; treat as opaque. First wn_audit_step_look() at each of its readings, then
 * wn_audit_step_begin(), the same readings again, wn_audit_step_end(). */
struct wn_audit_step {
    const struct wn_audit_setup *setup;
    struct wn_step_record record;
    struct wn_audit_end end;
    int direction;
    double gap_max_s;
    double largest_a, highest_v; /* seen in the first round */
    struct wn_audit_range own_c; /* temperatures of its own readings */
    double on_a;                 /* from this current on, in the step's direction, it is on */
    struct wn_integrator g;
    /* before this reading; under current and perhaps integrated, perhaps not; at the end value and
     * perhaps garbled */
    struct wn_reading last, maybe, held;
    bool has_last, has_maybe, has_held, has_first, on;
    int64_t readings; /* integrated */
    wn_ns from_ns, first_on_ns, last_on_ns;
    struct wn_audit_edges on_edges, off_edges;
    double doubtful_s;             /* longer than a gap, perhaps no gap */
    struct wn_audit_sums bounds;   /* only the bounds are used */
    double garbled_as, garbled_ws; /* what garbled readings would count if they were integrated */
    struct wn_reading garbled;
    bool has_garbled;
    struct wn_audit_sums at_possible, at_certain; /* the end value cannot, must have been reached */
    struct wn_audit_sums at_candidate;
    bool possible, certain, candidate;
    double bound_ah; /* after wn_audit_step_end(): half of what the readings leave open; NaN when
                        interrupted */
};

void wn_audit_step_init(struct wn_audit_step *a, const struct wn_audit_setup *setup,
                        const struct wn_step_record *record, const struct wn_audit_end *end);
void wn_audit_step_look(struct wn_audit_step *a, const struct wn_reading *r);
/** before: the last reading before the step, or NULL. */
void wn_audit_step_begin(struct wn_audit_step *a, const struct wn_reading *before);
/** One out of the order of time is passed over. */
void wn_audit_step_add(struct wn_audit_step *a, const struct wn_reading *r);
/** Tells what the readings do not allow. after: the first reading behind the step, or NULL. */
void wn_audit_step_end(struct wn_audit_step *a, const struct wn_reading *after);

/* -- cycles and check-ups
 * ------------------------------------------------------------------------------- */

/** What the steps of one cycle or check-up add up to. */
struct wn_audit_round {
    const struct wn_audit_setup *setup;
    int64_t number;
    bool in_check_up, open;
    int64_t steps;
    wn_ns start_ns, end_ns;
    bool has_charge, has_discharge;
    double charge_ah, charge_wh;
    struct wn_step_sums discharge;  /* the last one */
    double out_ah, out_wh, most_ah; /* of all discharges; the largest of them */
    double temperature_max_c, ambient_min_c, ambient_max_c;
    bool time_limit, charge_not_crossed_cv, missing;
};

void wn_audit_round_begin(struct wn_audit_round *a, const struct wn_audit_setup *setup,
                          bool in_check_up, int64_t number);
/** An ended step of it. */
void wn_audit_round_add(struct wn_audit_round *a, const struct wn_step_record *step);
void wn_audit_round_cycle(const struct wn_audit_round *a, const struct wn_cycle_record *c);
void wn_audit_round_check_up(const struct wn_audit_round *a, const struct wn_check_up_record *c);

#endif
