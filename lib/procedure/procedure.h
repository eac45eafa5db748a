/* Procedures: the ordered steps a cell goes through, and the arithmetic of where one is in them.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. A procedure is a list of phases; a phase repeats its steps; each repeat of a phase that
 * charges and discharges is one cycle. A check-up is a list of steps put in before the first cycle
 * (behind phases that come first and make no cycles), after every check_up_every-th cycle and after
 * the last, once at each of these places: 300 cycles with a check-up every 50 make seven. A round
 * is one repeat of a phase, or one check-up. Currents here are magnitudes in ampere: It has been
 * resolved with the rated capacity. */
#ifndef WN_PROCEDURE_PROCEDURE_H
#define WN_PROCEDURE_PROCEDURE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include "base/err.h"

enum { WN_NAME_SIZE = 64, WN_STEPS_MAX = 96, WN_PHASES_MAX = 24, WN_LEVELS_MAX = 4 };
enum { WN_REPEAT_MAX = 1000000 }; /* repeats of a phase: more than a century of hourly cycles */

enum wn_step_kind {
    WN_STEP_CHARGE, /* constant current, then constant voltage until the end current */
    WN_STEP_REST,
    WN_STEP_DISCHARGE,       /* constant current to the cut-off voltage */
    WN_STEP_DISCHARGE_POWER, /* constant power to the cut-off voltage */
    WN_STEP_PULSE /* discharge levels in turn; two levels give the DC resistance of IEC 61960-3 */
};

struct wn_level {
    double current_a; /* magnitude, discharge */
    double duration_s;
};

struct wn_step {
    enum wn_step_kind kind;
    double current_a;           /* charge, discharge */
    double power_w;             /* discharge at constant power */
    double voltage_v;           /* charge: the constant voltage */
    double until_current_a;     /* charge: end current */
    double until_voltage_v;     /* discharge, pulse: cut-off voltage */
    double until_temperature_c; /* discharge: ends when the cell is so hot; 0: the envelope alone */
    double duration_s;          /* rest */
    double time_limit_s; /* charge, discharge: reaching it ends the step and flags the cycle */
    int levels;
    struct wn_level level[WN_LEVELS_MAX];
    int source_line; /* of the configuration; 0 when made by the program */
};

struct wn_phase {
    char name[WN_NAME_SIZE];
    int first_step, steps; /* slice of wn_procedure.step */
    int64_t repeat;
    bool makes_cycles; /* holds a charge and a discharge: each repeat is one cycle */
};

struct wn_procedure {
    char name[WN_NAME_SIZE];
    char title[128];
    struct wn_step step[WN_STEPS_MAX];
    int steps;
    struct wn_phase phase[WN_PHASES_MAX];
    int phases;
    int check_up_first_step, check_up_steps; /* slice of step; 0 steps: no check-up */
    int64_t check_up_every;                  /* cycles */
    double resistance_delay_s; /* one-step resistance: so long after the onset of a discharge */
    /* window for valid cycles (IEC 61960-3, from memory: 20 +/- 5 degC); NaN: none */
    double ambient_min_c, ambient_max_c;
    double rest_min_s; /* a rest shorter than this is flagged */
    /* stop early: three consecutive valid cycles below this capacity; 0: never */
    double end_below_ah;
};

/** Where one is. Plain data, saved in the campaign file. */
struct wn_position {
    int phase;      /* phases when finished */
    int64_t repeat; /* finished repeats of this phase */
    int step;       /* index within the phase, or within the check-up */
    bool in_check_up;
    int64_t cycles_done;
    int64_t check_ups_done;
    int64_t check_up_at_cycle; /* cycles_done at the last finished check-up; -1: none yet */
};

/** At the first step; finished at once when no phase has a step. */
void wn_position_init(struct wn_position *p, const struct wn_procedure *proc);
bool wn_position_finished(const struct wn_position *p, const struct wn_procedure *proc);
/** The present step; NULL when finished. Borrowed from proc. */
const struct wn_step *wn_position_step(const struct wn_position *p,
                                       const struct wn_procedure *proc);
/** Is the present step the last of its repeat / of its check-up? False when finished. */
bool wn_position_last_of_round(const struct wn_position *p, const struct wn_procedure *proc);
/** Number of the cycle in progress (from 1), or of the check-up (from 1). 0 in a phase that makes
 * no cycles, and when finished. */
int64_t wn_position_cycle(const struct wn_position *p, const struct wn_procedure *proc);
/** Goes to the next step, entering and leaving repeats, phases and check-ups. Not when finished
 * (asserted). */
void wn_position_advance(struct wn_position *p, const struct wn_procedure *proc);
/** Can this position be one of this procedure? For one that was read from a file: if not, the file
 * belongs to another procedure or is damaged, and the position must not be used. */
bool wn_position_fits(const struct wn_position *p, const struct wn_procedure *proc);
/** All cycles of the procedure. */
int64_t wn_procedure_cycles(const struct wn_procedure *proc);

#define WN_STEP_DESCRIBE_SIZE 160 /* holds every step in full */

/** "charge 4 A to 4.2 V until 100 mA": one line for people, cut at size (>= 1); returns buf. */
const char *wn_step_describe(const struct wn_step *s, char *buf, size_t size);
/** "charge", "rest", "discharge", "pulse". */
const char *wn_step_kind_name(enum wn_step_kind kind);

/** What a procedure will cost, estimated for a cell of the given capacity that arrives empty. A
 * charge takes the constant-current time plus a third for the constant-voltage part, a discharge
 * the constant-current time, neither longer than its time limit; every ampere-hour counts with the
 * mean voltage. An estimate, and to be called so. */
struct wn_estimate {
    double duration_s;
    double charge_in_ah;
    double energy_in_wh, energy_out_wh;
    int64_t cycles, check_ups, steps;
};
/** capacity_ah and mean_voltage_v above zero (asserted); takes time in proportion to the steps
 * done. */
void wn_procedure_estimate(const struct wn_procedure *proc, double capacity_ah,
                           double mean_voltage_v, struct wn_estimate *out);

/** The limits a procedure is checked against; from the cell. NaN: unlimited. */
struct wn_procedure_bounds {
    double charge_current_max_a, discharge_current_max_a;
    double charge_voltage_max_v, discharge_voltage_min_v;
};
/** Checks every rule a procedure must keep; the first that is broken is told, with file, line of
 * the step (when it has one), phase and step, and what to change:
 *  - at least one phase, each with steps and 1 to WN_REPEAT_MAX repeats; makes_cycles fits them;
 *  - currents, powers, voltages, durations and time limits above zero; an end current below the
 *    charge current; a pulse with 1 to WN_LEVELS_MAX levels;
 *  - currents and voltages inside the bounds, a constant power also at its cut-off voltage;
 *  - a cut-off below the voltage of the charge before it;
 *  - in a cycle or a check-up: one discharge at most, and a charge before each discharge and pulse
 *    (a phase without a charge may discharge a cell that comes from elsewhere);
 *  - a check-up at least every cycle, and cycles for it to come between;
 *  - ambient_min below ambient_max (NaN: no window); delay, rest and end capacity at least 0.
 *
 * @return WN_OK
 * @return WN_ERANGE  a value is out of its range
 * @return WN_EINVAL  steps do not go together. Nothing may be started on either. */
int wn_procedure_validate(const struct wn_procedure *proc, const struct wn_procedure_bounds *b,
                          const char *file, struct wn_error *err);

#endif
