/* Listening: charge, rest, discharge and whole cycles recognised from readings alone.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * For a tester that runs its own program and only reports, and for recorded logs. Readings in,
 * what was found out; pure: no I/O, no clock, no heap. The state is plain data without pointers, so
 * that it can be saved and restored whole.
 *
 * Three stages, one behind the other:
 *   inbox   puts readings in order and leaves out what cannot be one: repeated, late, garbled.
 *           A reading is judged between its neighbours, so everything is told a few readings late.
 *   steps   charge, rest or discharge by the sign of the current. Every interval between two
 *           readings belongs to one step: the one before a load to the load, the one behind it too.
 *   rounds  a cycle begins with the charge after a discharge. Its capacity is that of the discharge
 *           that moved the most charge; rests within a charge or a discharge do not end it. */
#ifndef WN_LISTEN_LISTEN_H
#define WN_LISTEN_LISTEN_H

#include <stdbool.h>
#include <stdint.h>
#include "base/reading.h"
#include "metrology/metrology.h"
#include "procedure/procedure.h"

enum {
    WN_LISTEN_DEPTH = 3, /* a reading may arrive so many places late */
    WN_LISTEN_TAIL = 6,  /* readings kept for the slope at the end of a discharge */
    WN_LISTEN_FOUND_MAX = 40
};

/** What is known beforehand, and how much is forgiven. NaN: not known, or no limit. */
struct wn_listen_setup {
    /* the cell and the tester's program */
    double cutoff_v;         /* NaN: capacity of the whole discharge */
    bool end_at_reading;     /* see struct wn_integrator_setup */
    double charge_voltage_v; /* with end_current_a: where a charge ends; else told by its taper */
    double end_current_a;
    /* Discharge current of an ordinary cycle: a round at another one is a check-up. NaN: every
     * round is a cycle, as in a rate survey. */
    double cycle_current_a;
    double rest_below_a;                  /* smaller currents are rest */
    double discharge_gap_s, charge_gap_s; /* longer intervals are gaps */
    double resistance_delay_s; /* one-step resistance: so long after the onset of a discharge; 0: at
                                  the first reading under load */
    double ambient_min_c, ambient_max_c; /* window for valid cycles */
    double rest_min_s;                   /* a rest shorter than this is flagged */
    double pause_recovery_s;             /* a rest longer than this flags the cycle behind it */
    struct wn_accuracy accuracy;
    bool accuracy_known; /* else no uncertainty is stated */

    /* A log that is told as it is: nothing is left out, cycles carry the two flags GAP and
     * NOT_TO_CUTOFF alone, and every charge before a discharge counts for its efficiency. The rest
     * of this set-up does not apply then. */
    bool as_told;
    bool has_cycles; /* with as_told: cycle numbers come with the readings */

    double pause_max_s; /* a rest so long within a discharge does not end it */
    double pulse_max_s; /* a load so short is a pulse: no discharge, and no charge, of its own */
    double level_step;  /* relative change of the discharge current that is a new level; 0: none */
    double late_max_s;  /* a time further back or ahead than this is believed when the next reading
                           follows it: back, the clock was reset; ahead, readings were lost.
                           Longer than the tester's longest interval */
    double jump_max_s;  /* it follows within so long */
    double wild_v;      /* one reading further than this outside its two neighbours is garbled */
    double wild_part; /* the same for current: part of the larger neighbour, beside rest_below_a */
    double voltage_max_v, current_max_a; /* beyond these magnitudes it is no reading of a cell */
    double swap_v;                       /* voltage jump at rest that only another cell explains */
    double settle_s; /* after a load the voltage may move by itself for so long: thrice swap_v */
};

/** Set-up for a station that listens, as far as it does not depend on the cell (common practice, no
 * source): pause 120 s, pulse 60 s, level 10 %, late 90 s, jump 600 s, wild 50 mV and 10 %, swap
 * 150 mV after 300 s. What depends on the cell is NaN, gaps are 60 s, rest is below 20 mA. */
void wn_listen_defaults(struct wn_listen_setup *out);

/** One reading of a log. */
struct wn_listen_row {
    struct wn_reading reading;
    int64_t cycle; /* with has_cycles; else any */
    bool segment;  /* with as_told: the log's time began anew here, nothing is known of before */
    bool broken;   /* set by the inbox: nobody knows how long ago the reading before was */
};

enum wn_listen_kind {
    WN_LISTEN_READING, /* a reading that was believed, in order, in campaign time */
    WN_LISTEN_STEP_BEGUN,
    WN_LISTEN_STEP_ENDED,
    WN_LISTEN_CYCLE,
    WN_LISTEN_CHECK_UP,
    WN_LISTEN_SWAPPED,    /* another cell, or none: what was gathered is dropped */
    WN_LISTEN_CLOCK_RESET /* the tester's clock began anew; campaign time goes on */
};

/** A step; sums are valid once it has ended. */
struct wn_listen_step {
    int64_t number; /* from 1 */
    int64_t cycle;  /* in progress when it ended */
    enum wn_step_kind kind;
    wn_ns start_ns, end_ns;
    struct wn_step_sums sums;
    double mean_current_a; /* signed; NaN for a rest */
    char ended_by[16];     /* "voltage", "current", "level", "other" */
};

struct wn_listen_cycle {
    struct wn_cycle_record record;
    bool has_discharge, crossed;
    /* Of the capacity: charge between the crossing of the cut-off and the reading that showed it; 0
     * unless end_at_reading. */
    double beyond_crossing_ah;
};

struct wn_listen_event {
    enum wn_listen_kind kind;
    wn_ns time_ns; /* campaign time */
    union {
        struct {
            struct wn_reading reading;
            int64_t step_number;
        } reading;
        struct wn_listen_step step;
        struct wn_listen_cycle cycle;
        struct wn_check_up_record check_up;
        struct {
            double from_v, to_v;
        } swapped;
    } u;
};

struct wn_listen_found {
    struct wn_listen_event event[WN_LISTEN_FOUND_MAX];
    int n;
};

/** What was left out, and why; for a message that counts it. */
struct wn_listen_counts {
    int64_t heard;
    int64_t impossible; /* voltage or current missing, not a number, or beyond all limits */
    int64_t repeated;
    int64_t late;       /* too late to be put in order */
    int64_t wild;       /* voltage or current of one reading outside both neighbours */
    int64_t wrong_time; /* one reading with a time that the next did not follow */
    int64_t clock_resets;
};

/* -- the state: visible so that it can be saved and restored whole; treat as opaque */

struct wn_listen_charge {
    struct wn_step_sums sums;
    bool any, tapered;
};

/* A discharge with the short rests within it. */
struct wn_listen_run {
    bool open;
    double load_s;                     /* under load, rests left out */
    wn_ns load_end_ns;                 /* last reading under load */
    struct wn_integrator whole, exact; /* exact: to the crossing itself */
    bool onset_pending;
    wn_ns onset_ns;
    double rest_v, rest_a;
    struct wn_measured onset_ohm;
    struct wn_reading tail[WN_LISTEN_TAIL]; /* about the crossing */
    int tails, beyond;
};

struct wn_listen_round {
    bool open;
    int64_t cycle;
    wn_ns start_ns;
    unsigned flags;
    double temperature_max_c, ambient_min_c, ambient_max_c;
    struct wn_listen_charge before; /* the charge before the main discharge */
    bool has_discharge, emptied;    /* emptied: to the cut-off */
    struct wn_step_sums discharge;  /* the one that moved most */
    double beyond_crossing_ah, slope_v_per_s;
    struct wn_measured onset_ohm, pulse_ohm;
    double pulse_v; /* at rest before the pulse */
};

struct wn_listen {
    struct wn_listen_setup setup;
    struct wn_listen_counts counts;
    /* inbox */
    struct wn_listen_row inbox[WN_LISTEN_DEPTH + 1], suspect;
    int waiting, depth;
    bool has_suspect, has_newest;
    wn_ns offset_ns, newest_ns, newest_host_ns;
    int behind;       /* so many in a row came too late, each behind the one before */
    wn_ns behind_ns;  /* what the last of them told */
    bool next_broken; /* so is the next reading that is taken */
    unsigned torn;    /* cycle flags for the load that reading belongs to */
    /* steps */
    struct wn_listen_row before;
    bool has_before;
    int before_kind; /* +1 charge, 0 rest, -1 discharge */
    bool in_step;
    int kind, load_kind;
    int64_t steps;
    wn_ns step_start_ns, load_start_ns;
    struct wn_integrator g;
    double current_max_a, voltage_max_v;
    int64_t loaded;
    bool has_level; /* the step before was a pulse level, up to this one */
    double level_v, level_a, before_pulse_v;
    /* rounds */
    struct wn_listen_run run;
    struct wn_listen_charge charge; /* since the last discharge */
    struct wn_listen_round round;
    unsigned next_flags;
    int64_t cycles, check_ups, without_discharge;
    double emptied_a, emptied_v;
};

/** Asserted: rest_below_a >= 0, gaps > 0. */
void wn_listen_init(struct wn_listen *l, const struct wn_listen_setup *setup);
/** One reading in, what was found out. time_ns is the tester's own time where it tells one, host_ns
 * how long ago it really was when that time begins anew (0: not known). */
void wn_listen_reading(struct wn_listen *l, const struct wn_reading *reading,
                       struct wn_listen_found *found);
/** The same for a row of a log. With as_told, time_ns must not go back (asserted). */
void wn_listen_row(struct wn_listen *l, const struct wn_listen_row *row,
                   struct wn_listen_found *found);
/** Was the last discharge one to the cut-off, and is it over as far as is known? */
bool wn_listen_is_empty(const struct wn_listen *l);
/** Nobody has listened for a while, and the host's clock began anew: the round in progress carries
 * the flag, and so does the next one where its charge is found under way. */
void wn_listen_torn(struct wn_listen *l, unsigned flag);
/** Nothing more comes: judges what waits, closes the step and the round in progress. */
void wn_listen_end(struct wn_listen *l, struct wn_listen_found *found);

#endif
