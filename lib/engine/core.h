/* Engine, inside: its state and the pieces that share it. Not for other modules.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_ENGINE_CORE_H
#define WN_ENGINE_CORE_H

#include "engine/engine.h"

enum {
    PREPARE_READINGS = 3, /* so many good readings before the output may go on */
    OFF_ATTEMPTS_MAX = 3, /* then the interlock is dropped */
    TAIL_READINGS = 6,    /* kept for the slope at the end of a discharge */
    BELOW_IN_A_ROW = 3    /* valid cycles below the stop capacity that end a campaign */
};

/* Where to go once the output is verified off. */
enum after_off {
    AFTER_OFF_NEXT_STEP,
    AFTER_OFF_PAUSED,
    AFTER_OFF_STOPPED,
    AFTER_OFF_HALTED,
    AFTER_OFF_FINISHED /* current flowed after the end: off again, and still finished */
};

/* The step in progress. */
struct step_now {
    bool begun;         /* its begin has been recorded */
    bool armed;         /* the integrator is set up */
    bool output_done;   /* the instrument confirmed the present output */
    bool onset_pending; /* the next reading is the first since the output came on at on_ns */
    bool ended;         /* its end was found; off is on its way */
    bool low;           /* the last reading of a pulse was at its cut-off */
    bool hot;           /* the last reading was at the temperature that ends the step */
    bool has_held;      /* a first reading at the end value, not believed before a second one */
    struct wn_reading held;
    int64_t number;          /* from 1 over the campaign */
    int64_t number_in_cycle; /* cycle or check-up it belongs to */
    int level;               /* of a pulse */
    double charge_voltage_v; /* of a charge: the set one, or the reduced one */
    wn_ns start_ns;          /* campaign time */
    wn_ns on_ns;             /* when the present output came on */
    wn_ns active_ns;      /* running time before the last interruption, for durations and limits */
    wn_ns active_from_ns; /* start of the present uninterrupted run */
    bool active;
    struct wn_integrator sums;
    struct wn_reading tail[TAIL_READINGS];
    int tails;
    double level_voltage_v[WN_LEVELS_MAX], level_current_a[WN_LEVELS_MAX];
    char ended_by[24];
};

/* What is being gathered for the cycle or the check-up in progress. */
struct round_now {
    bool open;
    wn_ns start_ns;
    bool has_charge, has_discharge;
    struct wn_step_sums charge, discharge;
    double slope_v_per_s;
    double cutoff_v;
    double before_voltage_v; /* at rest before the last pulse or discharge */
    double pulse_voltage_v;  /* at rest before the pulse */
    struct wn_measured resistance_ohm;
    bool resistance_done;
    double temperature_max_c;
    double ambient_min_c, ambient_max_c;
    unsigned flags;
};

/* Everything that is saved and restored: plain data without pointers. */
struct core {
    enum wn_engine_state state;
    enum after_off after_off;
    struct wn_position position;
    struct step_now step;
    struct round_now round;
    struct wn_output output; /* what was last asked for */
    bool output_on;          /* asked for and not yet off */
    int64_t steps_begun;
    wn_ns now_ns;     /* latest campaign time seen */
    wn_ns changed_ns; /* last change of output or set-point */
    struct wn_reading reading;
    bool has_reading;
    int good_readings; /* while preparing */
    bool off_confirmed;
    int off_attempts;
    wn_ns off_since_ns;
    wn_ns off_sent_ns; /* first, of this switching off: the step does not run on meanwhile */
    bool interlock_dropped;
    bool waiting; /* for the cell to come into the temperature window of the next step */
    wn_ns waiting_since_ns;
    bool stop_ordered;  /* before a restart, and not carried out */
    bool check_restart; /* preparing after a restart: compare the voltage with the saved one */
    double expected_rest_v;
    bool alarm;
    char halt_rule[32];
    char told_rule[32]; /* a further one, told since */
    char halt_text[WN_EVENT_TEXT_SIZE];
    wn_ns paused_since_ns;
    wn_ns rewarn_ns;                     /* no repeated fault warning before this */
    wn_ns rule_rewarn_ns[WN_RULE_COUNT]; /* no repeated alarm of a rule before this */
    double told_temperature_c;           /* at the last alarm of the watch */
    int faults_in_a_row;                 /* without a reading between them */
    unsigned next_flags;                 /* for the next cycle to begin */
    int below_in_a_row;
    bool end_early; /* the stop capacity was reached: finish instead of going on */
    double first_capacity_ah, last_capacity_ah;
    /* the discharge before the charge in progress; efficiency compares like with like only */
    double taken_out_ah;         /* since the last whole charge; NaN: not known */
    double emptied_a, emptied_v; /* its mean current and cut-off; NaN: none, or of another kind */
    /* capacity of the last valid cycles, and the discharge it belongs to */
    double steady_capacity_ah, steady_a, steady_v;
    double cycle_s_mean; /* of the last cycles, for the time remaining; 0: none yet */
};

/* Of a station that listens, saved behind the core. */
struct follow {
    struct wn_listen listen;
    int64_t rounds;    /* cycles and check-ups that are planned */
    int64_t idle_told; /* the rest that was told to be long */
    wn_ns newest_ns;   /* the time that was believed last */
    wn_ns host_ns;     /* of the last reading; 0: not known */
    wn_ns still_ns;    /* by the host: so long has the records' time not gone on */
    bool still_told;
};

struct wn_engine {
    struct wn_engine_setup setup;
    struct core c;
    struct follow f;
    struct wn_listen_found found;
    struct wn_envelope envelope;
    double beyond_v; /* voltage outside its limits with the output off, as told last; NaN: inside */
    bool in_doubt;   /* a rule holds, and waits for further readings */
    struct wn_record record[WN_ACTIONS_MAX]; /* what the actions of the last step point to */
    int records;
    struct wn_actions *out; /* of the step in progress */
};

/* emit.c: building the list of actions */
struct wn_action *emit_action(struct wn_engine *e, enum wn_action_kind kind);
struct wn_record *emit_record(struct wn_engine *e, enum wn_record_kind kind);
void emit_event(struct wn_engine *e, enum wn_severity severity, const char *kind, const char *fmt,
                ...) __attribute__((format(printf, 4, 5)));
void emit_state(struct wn_engine *e);
void emit_commit(struct wn_engine *e);
void emit_output(struct wn_engine *e, const struct wn_output *output);
void emit_off(struct wn_engine *e);
void emit_interlock(struct wn_engine *e);

/* save.c: what a restart or a lost instrument leaves behind */
void expect_same_cell(struct core *c);

/* steps.c: the steps of a procedure */
const struct wn_step *step_spec(const struct wn_engine *e);
void step_begin(struct wn_engine *e);
void step_resume(struct wn_engine *e);
void step_pass_over(struct wn_engine *e, wn_ns span); /* nobody knows what happened meanwhile */
void step_output_done(struct wn_engine *e);
void step_reading(struct wn_engine *e, const struct wn_reading *r);
void step_close(struct wn_engine *e, const char *ended_by); /* the output is off: record its end */
void step_suspend(struct wn_engine *e); /* the output is off, the step goes on later */
wn_ns step_next_reading_ns(const struct wn_engine *e);
double step_active_s(const struct wn_engine *e);
int step_direction(const struct wn_step *s);

/* window.c: temperatures and what is done at them */
bool window_open(struct wn_engine *e); /* false: wait; told, and halted when it lasts */
double window_charge_voltage_v(struct wn_engine *e, const struct wn_step *s);

/* round.c: cycles and check-ups */
void round_begin(struct wn_engine *e);
void round_step_over(struct wn_engine *e, const struct wn_step *s, const struct wn_step_sums *sums);
void round_end(struct wn_engine *e);
void round_flag(struct wn_engine *e, unsigned flag);
/* A cycle or a check-up has been recorded: what is told and watched from one to the next. */
void round_cycle_known(struct wn_engine *e, const struct wn_cycle_record *c);
void round_tell_check_up(struct wn_engine *e, const struct wn_check_up_record *r);

/* follow.c: a station that listens */
void follow_init(struct wn_engine *e);
void follow_start(struct wn_engine *e, const char *who);
void follow_resume(struct wn_engine *e, const char *who);
void follow_reading(struct wn_engine *e, const struct wn_reading *told);
bool follow_can_stop(const struct wn_engine *e);
void follow_emit_off(struct wn_engine *e);
void follow_hangs(struct wn_engine *e,
                  const struct wn_error *why); /* a contact that does not open */
void follow_end(struct wn_engine *e);          /* judges and records what is still under way */
int64_t follow_cycle(const struct wn_engine *e);
void follow_after_restart(struct wn_engine *e);
void follow_view(const struct wn_engine *e, struct wn_engine_view *v);

/* off.c: switching off, halting, watching */
void off_begin(struct wn_engine *e, enum after_off after);
void off_done(struct wn_engine *e);
void off_settle(struct wn_engine *e, enum after_off after); /* it is off, or counts as off */
void off_reading(struct wn_engine *e, const struct wn_reading *r);
void off_failed(struct wn_engine *e, const struct wn_error *why);
/* An alarm without a halt: the first reason is kept until it is acknowledged. */
void raise_alarm(struct wn_engine *e, const char *rule, const char *text);
void halt(struct wn_engine *e, const char *rule, const char *text);
/* Halts, or warns once a minute, by what the envelope says. */
void react(struct wn_engine *e, const struct wn_envelope_verdict *v);
/* On although the output is off, in whatever state: off again, verified as always, and told. */
void off_again(struct wn_engine *e, const char *rule, const char *text);
void watch_reading(struct wn_engine *e, unsigned holding); /* of the verdict */

#endif
