/* Fast swarm: the real engine and envelope alone, in a world that takes one step from reading to
 * reading. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What the whole station costs (codecs, files, processes) is left out, so that years of campaigns
 * are seen in seconds. The cell is linear and its steps are exact; faults, operator and kills come
 * from one seed. Two times: true time, which the world goes by, and campaign time, which is what
 * the readings say. */
#ifndef WN_TESTS_SWARM_FAST_H
#define WN_TESTS_SWARM_FAST_H

#include <stdbool.h>
#include "base/prng.h"
#include "engine/engine.h"

/* name; lasting ones begin and end, the others happen */
#define FAST_FAULT_LIST(X)                                                                         \
    X(VOLTAGE_OFFSET, true)                                                                        \
    X(CURRENT_OFFSET, true)                                                                        \
    X(THERMOMETER_DRIFT, true)                                                                     \
    X(FROZEN, true)                                                                                \
    X(VOLTAGE_MISSING, true)                                                                       \
    X(CURRENT_MISSING, true)                                                                       \
    X(TEMPERATURE_MISSING, true)                                                                   \
    X(VOLTAGE_OVERLOAD, true)                                                                      \
    X(CURRENT_OVERLOAD, true)                                                                      \
    X(TEMPERATURE_OVERLOAD, true)                                                                  \
    X(SILENCE, true)                                                                               \
    X(READ_BACK, true)     /* a setting is not taken */                                            \
    X(OFF_REFUSED, true)   /* off is answered by a failure and not done */                         \
    X(STUCK_ON, true)      /* off is confirmed and not done */                                     \
    X(LEAK, true)          /* current flows although the output is off */                          \
    X(NO_REGULATION, true) /* goes on beyond the set voltage */                                    \
    X(WRONG_CURRENT, true)                                                                         \
    X(HEAT, true)                                                                                  \
    X(COLD, true)                                                                                  \
    X(CONTACT_OPEN, true) /* the interlock opens by itself */                                      \
    X(STORE_FAILS, true)                                                                           \
    X(KILL, false)      /* at some action; the halt marker outside the process stays */            \
    X(POWER_CUT, false) /* the same, and the marker is gone */                                     \
    X(GUARD_LOST, false)                                                                           \
    X(HOLD, false)                                                                                 \
    X(CLOCK_FORWARD, false)                                                                        \
    X(CLOCK_BACK, false)                                                                           \
    X(COMMAND, false) /* of the operator, whatever the state */

enum fast_fault {
#define FAST_FAULT_ENUM(name, lasting) FAST_##name,
    FAST_FAULT_LIST(FAST_FAULT_ENUM)
#undef FAST_FAULT_ENUM
        FAST_FAULTS
};

/* name, sentence: how long each may last is in fast_rules.c */
#define FAST_RULE_LIST(X)                                                                          \
    X(HIGH_VOLTAGE, "charged above the highest voltage")                                           \
    X(LOW_VOLTAGE, "discharged below the lowest voltage")                                          \
    X(HOT, "current flows through a cell that is too hot")                                         \
    X(CHILLED, "current flows through a cell that is too cold")                                    \
    X(BELOW_CUTOFF, "discharged below the cut-off of the step")                                    \
    X(NOT_AS_SET, "current is not what was set")                                                   \
    X(HIGH_CURRENT, "current beyond the highest allowed")                                          \
    X(UNREAD, "current flows and no whole reading arrives")                                        \
    X(STALE, "current flows and no value moves")                                                   \
    X(NOT_RECORDED, "current flows and recording is known to fail")                                \
    X(UNASKED, "current flows that the engine did not ask for")                                    \
    X(GOING_OFF, "current flows long after off was ordered")                                       \
    X(NO_GUARD, "current flows without a guard")

enum fast_rule {
#define FAST_RULE_ENUM(name, text) FAST_RULE_##name,
    FAST_RULE_LIST(FAST_RULE_ENUM)
#undef FAST_RULE_ENUM
        FAST_RULES
};

/* What the engine did not do when this was written, and does now (1); 0: on purpose. */
enum {
    FAST_CHARGE_WITHOUT_REST = 1, /* a charge right after a discharge is compared with no rest */
    FAST_ALARMS_SAVED = 1,        /* alarms of the watch are committed with the state */
    FAST_FINISHED_STAYS = 1,      /* finished, off again and killed then: still finished */
    FAST_IDLE_WATCHED = 1,        /* nothing flows although a power was set */
    FAST_PULSE_ENDS = 1,          /* a pulse below its cut-off ends */
    /* What a step has counted is never forgiven: more charge than the cell holds is CHARGE_OVERRUN
     * at every resume, and the operator ends the campaign. */
    FAST_STEPS_FORGIVEN = 0
};

enum fast_exchange { FAST_NOTHING, FAST_SET_OUTPUT, FAST_SWITCH_OFF };

struct fast_cell {
    double ocv_v, slope_v_per_as, resistance_ohm; /* open-circuit voltage now, and how it moves
    between FAST_LOW_V and FAST_HIGH_V; outside it moves much faster */
    double temperature_c, ambient_c, warmth_k_per_w, warmth_s;
    double in_as, out_as; /* delivered and taken, from the beginning */
};

/* What the records say; once as written and once as committed. */
struct fast_books {
    int64_t cycle, check_up, step;
    bool step_open;
    wn_ns ended_ns; /* campaign time; of the last cycle or check-up */
    bool latched;   /* an alarm of a campaign under way, not acknowledged */
    bool stopping, finished, stopped;
};

struct fast_schedule {
    bool used, on;
    wn_ns at_ns;
    double gap_s, last_s;
};

/* What the counts of the present step are compared with. */
struct fast_step {
    double in_as, out_as;             /* of the cell when it began */
    double in_wrong_as, out_wrong_as; /* counted less delivered, of the last charge and discharge */
    double in_slack_as, out_slack_as;
    double edge_as; /* the current was switched or changed between two readings */
    bool lied; /* current or time were shown wrong since the cycle began: the count cannot be right
                */
};

#define FAST_LOW_V  2.9
#define FAST_HIGH_V 4.25

enum { FAST_RING = 64, FAST_WORD = 24 };

/* One decision, as numbers: made readable only when it is asked for. */
struct fast_note {
    wn_ns time_ns;
    char what; /* e: event, a: action, r: record, f: fault, w: of the world */
    signed char from, to;
    int number;
    double value;
    char word[FAST_WORD];
};

struct fast {
    struct wn_prng rng;
    uint64_t seed;
    struct wn_engine *engine; /* NULL: the process is dead */
    void *memory;
    struct wn_engine_setup setup;
    wn_ns now_ns, offset_ns; /* true time; campaign time less true time */
    struct fast_cell cell;
    /* the instrument */
    struct wn_output output;
    bool on, tripped_low; /* its own stop at the lowest voltage */
    bool has_interlock, interlock_open, interlock_latched, interlock_asked;
    double latency_s;
    enum fast_exchange exchange;
    struct wn_output wanted;
    wn_ns exchange_ns;
    wn_ns next_reading_ns; /* when nothing answered: later and later */
    double patience_s;
    struct wn_reading shown; /* last; what a frozen instrument goes on showing */
    /* faults */
    struct fast_schedule fault[FAST_FAULTS];
    wn_ns next_fault_ns;
    double voltage_offset_v, current_offset_a, drift_k, drift_k_per_s, leak_a, factor, weather_k;
    wn_ns back_ns;      /* the next reading is so much too early */
    bool weather_shown; /* the other thermometer shows it too */
    int kill_in;        /* actions */
    bool cut_power, guard_lost;
    wn_ns reborn_ns;
    /* the store */
    bool store_failed;
    struct wn_state_record pending, committed;
    bool has_pending, has_committed, uncommitted;
    bool pending_latched; /* what the state knows that waits */
    struct fast_books books, kept;
    double commit_s;
    wn_ns commit_ns;
    bool marked;
    const char *status;
    bool resumes; /* on_restart */
    /* the operator */
    bool diligent;
    wn_ns operator_ns;
    bool ordered_stop, given_up;
    bool healed;
    int halts; /* since everything was healed */
    /* what must be true */
    wn_ns since[FAST_RULES];
    bool flowed;
    wn_ns read_ns, whole_ns, change_ns, looked_ns, silent_ns;
    wn_ns blind_ns[3]; /* voltage, current, temperature: last shown wrong */
    bool pulse;        /* the step is one */
    bool intent_committed, intent_pending;
    struct fast_step step;
    /* outcome */
    bool plain, failed;
    wn_ns running_ns;
    long readings, cycles, whole_cycles, kills, outputs, injected[FAST_FAULTS];
    int most_actions;
    struct fast_note ring[FAST_RING];
    unsigned notes;
    bool trace;
};

/* fast_setup.c */
void fast_setup(struct fast *w);

/* fast_cell.c */
double fast_current_a(const struct fast *w); /* what flows now */
double fast_voltage_v(const struct fast *w);
void fast_advance(struct fast *w, wn_ns to);

/* fast_faults.c */
const char *fast_fault_name(enum fast_fault fault);
void fast_faults_choose(struct fast *w);
void fast_faults_turn(struct fast *w);
void fast_heal(struct fast *w);
double fast_exponential(struct fast *w, double mean);
double fast_between(struct fast *w, double low, double high);
void fast_operator(struct fast *w);
static inline bool fast_is(const struct fast *w, enum fast_fault fault)
{
    return w->fault[fault].on;
}

/* fast_host.c */
void fast_boot(struct fast *w);
void fast_turn(struct fast *w);
void fast_command(struct fast *w, enum wn_event_kind kind);
void fast_event(struct fast *w, const struct wn_event *ev);
void fast_die(struct fast *w);

/* fast_rules.c */
void fast_look(struct fast *w);
void fast_transition(struct fast *w, enum wn_engine_state from, enum wn_event_kind kind,
                     enum wn_engine_state to);
void fast_record(struct fast *w, const struct wn_record *r);
void fast_after_command(struct fast *w, enum wn_event_kind kind, bool allowed,
                        enum wn_engine_state from, const struct wn_actions *a);
void fast_restored(struct fast *w);
const char *fast_rule_name(enum fast_rule rule);
extern double fast_worst_s[FAST_RULES], fast_worst_part[FAST_RULES];

/* fast_note.c */
void fast_note(struct fast *w, char what, int number, double value, const char *word);
void fast_note_event(struct fast *w, int from, int to, int kind);
void fast_tell(const struct fast *w); /* the ring */
/** An invariant is broken: told with the ring, once for a seed. */
void fast_violated(struct fast *w, const char *fmt, ...) __attribute__((format(printf, 2, 3)));

#endif
