/* What is known of a step, a cycle and a check-up once it is over, and the flags that qualify it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_METROLOGY_CYCLE_H
#define WN_METROLOGY_CYCLE_H

#include <stdint.h>
#include "base/time.h"

/* name, word shown, sentence; a cycle with a flag of the second list is not a valid measurement of
 * capacity */
#define WN_CYCLE_FLAG_LIST(X)                                                                      \
    X(INTERRUPTED, 0, "interrupted", "the station was stopped, paused or restarted in this cycle") \
    X(GAP, 1, "gap", "readings are missing; the gap was not integrated")                           \
    X(TIME_LIMIT, 2, "time_limit", "a step ended by its time limit instead of its end value")      \
    X(CV_MISSING, 3, "cv_missing", "the charge before had no constant-voltage part")               \
    X(TEMPERATURE, 4, "temperature", "ambient left the temperature window of the procedure")       \
    X(NOT_TO_CUTOFF, 5, "not_to_cutoff", "the discharge did not reach its cut-off voltage")        \
    X(AFTER_PAUSE, 6, "after_pause", "first cycle after a long pause; capacity recovers")          \
    X(SHORT_REST, 7, "short_rest", "a rest was shorter than the procedure asks for")

enum wn_cycle_flag {
#define WN_CYCLE_FLAG_ENUM(name, bit, word, text) WN_FLAG_##name = 1u << (bit),
    WN_CYCLE_FLAG_LIST(WN_CYCLE_FLAG_ENUM)
#undef WN_CYCLE_FLAG_ENUM
};

/** Flags that make the capacity of a cycle no valid measurement for fade. */
enum {
    WN_FLAGS_INVALID = WN_FLAG_INTERRUPTED | WN_FLAG_GAP | WN_FLAG_TIME_LIMIT | WN_FLAG_CV_MISSING |
                       WN_FLAG_TEMPERATURE | WN_FLAG_NOT_TO_CUTOFF
};

/** Word of one flag bit ("interrupted"); NULL for a bit that is none. */
const char *wn_cycle_flag_word(unsigned flag);
/** Sentence of one flag bit; NULL for a bit that is none. */
const char *wn_cycle_flag_text(unsigned flag);

/* k of what is called expanded uncertainty (GUM 6.2, from memory). */
#define WN_COVERAGE_FACTOR 2.0

/** A value with its standard uncertainty (k = 1, GUM); NaN when not measured. */
struct wn_measured {
    double value;
    double u;
};

/** Sums over one step. Charge and energy in and out are kept apart and are never negative. */
struct wn_step_sums {
    double charge_in_ah, charge_out_ah; /* moved into / out of the cell over the whole step */
    double energy_in_wh, energy_out_wh;
    double duration_s; /* first to last reading, gaps included */
    double missing_s;  /* of it: not integrated because readings were missing */
    double temperature_max_c, temperature_min_c, temperature_start_c; /* NaN without thermometer */
    double ambient_max_c, ambient_min_c;                              /* NaN without */
    double voltage_start_v, voltage_end_v;
    double current_end_a;
    double cv_s; /* charge: time at most 10 mV below the set voltage; the last 10 mV of a slow
                    constant-current part count too, so a small value is no proof of a
                    constant-voltage part: `crossed` is */
    int64_t readings;
    /* To the exact end of the step: the crossing of the cut-off voltage or the end current,
     * interpolated between readings; the whole step when nothing was crossed. */
    double end_charge_ah, end_energy_wh; /* in the direction of the step, >= 0; 0 for a rest */
    double end_duration_s;               /* gaps included */
    double end_missing_s;                /* of it: not integrated */
    int crossed;                         /* 1 when an end value was crossed */
};

struct wn_cycle_record {
    int64_t cycle;                  /* from 1 */
    struct wn_measured capacity_ah; /* discharged to the cut-off */
    struct wn_measured energy_wh;
    double charge_ah; /* charged before that discharge; NaN when unknown */
    double charge_wh;
    /* NaN too where the cell was emptied otherwise before that charge: on arrival, after a check-up
     */
    double coulombic_efficiency; /* capacity_ah / charge_ah; NaN when unknown */
    double energy_efficiency;
    double coulombic_efficiency_u, energy_efficiency_u; /* standard; NaN when unknown */
    double mean_voltage_v;                              /* energy_wh / capacity_ah */
    /* one-step method at the onset of the discharge; NaN when not measured */
    struct wn_measured resistance_ohm;
    double temperature_max_c;  /* NaN without thermometer */
    double temperature_rise_k; /* highest minus the value at the start of the discharge */
    double ambient_min_c, ambient_max_c;
    double discharge_current_a; /* magnitude, mean */
    double cutoff_v;            /* that the capacity refers to; NaN for a whole discharge */
    /* dV/dt where it was crossed, negative; NaN when it was not, or is not known */
    double cutoff_slope_v_per_s;
    double duration_s;
    wn_ns start_ns, end_ns; /* campaign time */
    unsigned flags;         /* set of enum wn_cycle_flag */
};

struct wn_check_up_record {
    int64_t check_up;    /* from 1 */
    int64_t after_cycle; /* finished cycles before it */
    /* low-rate, to the datasheet's cut-off; NaN when the check-up has none */
    struct wn_measured capacity_ah;
    struct wn_measured energy_wh;
    struct wn_measured resistance_ohm; /* two-level method; NaN when the check-up has none */
    double resistance_voltage_v;       /* voltage before the pulse, tells the state of charge */
    double temperature_max_c;
    wn_ns start_ns, end_ns;
    unsigned flags;
};

#endif
