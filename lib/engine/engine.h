/* Engine: takes one cell through one procedure. Events in, actions out; no I/O, no clock, no
 * allocation. SPDX-License-Identifier: GPL-3.0-or-later
 *
 *                    start                     last step over
 *      IDLE ----------------> PREPARING ---> RUNNING ----------------> FINISHED
 *                                ^  ^           | pause / stop / trip
 *                          resume|  |resume     v
 *                              PAUSED         SWITCHING_OFF ---> PAUSED, STOPPED, HALTED, HELD
 *                                   HALTED --ack--> PAUSED
 *
 * The caller (station, replay, simulation) performs the actions in order and tells their outcome as
 * events. The output goes on only by WN_ACTION_OUTPUT, which always follows a WN_ACTION_RECORD of
 * an intent and a WN_ACTION_COMMIT in the same list: if the commit fails the caller must drop the
 * rest of the list and send WN_EVENT_STORE_FAILED. Off is sent first and recorded after. The same
 * engine runs on real ports, the virtual bench, replayed logs and under simulation.
 *
 * A station that listens has no procedure to drive: its campaign is RUNNING from the start on, and
 * steps, cycles and check-ups are recognised (lib/listen) and recorded as if they had been driven,
 * a few readings late. The envelope judges every reading at once, the direction is what the current
 * says. Off is the stop command and the interlock, both at once, verified by the current; after a
 * pause or a halt the tester's program does not go on by itself: somebody starts it again, behind
 * WN_EVENT_RESUME, which closes the interlock. Readings may come in disorder and with wrong times:
 * wn_engine_now_ns() tells the time that is believed. */
#ifndef WN_ENGINE_ENGINE_H
#define WN_ENGINE_ENGINE_H

#include <stdbool.h>
#include <stddef.h>
#include "base/reading.h"
#include "engine/record.h"
#include "envelope/envelope.h"
#include "listen/listen.h"
#include "metrology/metrology.h"
#include "procedure/cell.h"
#include "procedure/procedure.h"

enum wn_engine_state {
    WN_ENGINE_IDLE,
    WN_ENGINE_PREPARING, /* off, then readings until the cell is known to be inside the envelope */
    WN_ENGINE_RUNNING,
    WN_ENGINE_SWITCHING_OFF, /* off sent, waiting until |I| is small */
    WN_ENGINE_PAUSED,        /* by the operator, or held after a restart: output off, watching */
    WN_ENGINE_HALTED,        /* latched; output off; watching */
    WN_ENGINE_STOPPED,       /* ended early by the operator */
    WN_ENGINE_FINISHED
};

enum wn_output_mode {
    WN_OUTPUT_OFF,
    WN_OUTPUT_CHARGE,
    WN_OUTPUT_DISCHARGE,
    WN_OUTPUT_POWER,
    WN_OUTPUT_FOLLOW /* nothing is set: the tester may run its own program, the interlock closes */
};

struct wn_output {
    enum wn_output_mode mode;
    double current_a; /* magnitude */
    double voltage_v; /* charge: constant voltage; discharge: the instrument's own under-voltage
                         stop */
    double power_w;
};

enum wn_event_kind {
    WN_EVENT_START,       /* operator: begin a new campaign */
    WN_EVENT_RESUME,      /* operator, or restart policy */
    WN_EVENT_PAUSE,       /* operator */
    WN_EVENT_STOP,        /* operator: end the campaign */
    WN_EVENT_ACKNOWLEDGE, /* operator: alarms seen */
    WN_EVENT_READING,
    WN_EVENT_OUTPUT_DONE, /* the last WN_ACTION_OUTPUT was set, read back and is on */
    WN_EVENT_OFF_DONE,    /* the instrument confirmed off */
    WN_EVENT_FAULT, /* an instrument failed (silence, garbage, identity, read-back): error says what
                     */
    WN_EVENT_STORE_FAILED, /* recording failed: error says what */
    WN_EVENT_HOLD, /* after a restart: not to go on before an operator has acknowledged; fault and
                      error say why */
    WN_EVENT_GUARD_LOST
};

struct wn_event {
    enum wn_event_kind kind;
    wn_ns time_ns;             /* campaign time; for a reading its own time */
    struct wn_reading reading; /* WN_EVENT_READING */
    struct wn_error error;     /* WN_EVENT_FAULT, WN_EVENT_STORE_FAILED, WN_EVENT_HOLD */
    int fault;                 /* enum wn_fault; WN_EVENT_HOLD */
    char who[64];              /* operator commands */
};

enum wn_action_kind {
    WN_ACTION_RECORD,   /* store_put(record) */
    WN_ACTION_COMMIT,   /* store_commit(): must succeed before the next action is performed */
    WN_ACTION_OUTPUT,   /* set, read back, switch on; answer OUTPUT_DONE or FAULT */
    WN_ACTION_OFF,      /* switch off now, ahead of everything; answer OFF_DONE or FAULT */
    WN_ACTION_INTERLOCK /* drop the interlock: off did not work */
};

struct wn_action {
    enum wn_action_kind kind;
    union {
        const struct wn_record *record; /* borrowed from the engine until the next step */
        struct wn_output output;
    } u;
};

enum { WN_ACTIONS_MAX = 64 };

struct wn_actions {
    struct wn_action action[WN_ACTIONS_MAX];
    int n;
};

struct wn_engine_setup {
    struct wn_cell cell;
    struct wn_procedure procedure;
    struct wn_limits limits;
    struct wn_accuracy accuracy;
    double reading_interval_s; /* while current flows */
    double rest_interval_s;    /* at rest */
    double fast_interval_s;    /* pulses, onset of a discharge and close to a cut-off */
    double gap_max_s;          /* longer intervals are gaps; at least 3 x reading_interval_s */
    double off_timeout_s;    /* campaign time for |I| to fall after off, before off is sent again */
    double pause_recovery_s; /* a pause longer than this flags the next cycle "after_pause" */
    double restart_voltage_tolerance_v; /* on: hold, when the rest voltage after a restart is
                                           further from the saved one */
    /* A station that listens: the tester runs its own program, and the procedure tells what that
     * is. Both false: nothing can stop it. */
    bool listens;
    bool stop_command; /* WN_ACTION_OFF sends one; OFF_DONE when it is written */
    bool interlock;    /* WN_ACTION_INTERLOCK takes the tester off the cell */
};

/** Everything there is to show; filled by wn_engine_view(). */
struct wn_engine_view {
    enum wn_engine_state state;
    int64_t cycle, cycles_planned, cycles_done, check_up, step_number;
    bool in_check_up;
    char step[120];
    struct wn_reading reading;
    bool has_reading;
    struct wn_output output;
    double step_charge_ah, step_energy_wh, step_s;
    double last_capacity_ah, first_capacity_ah; /* NaN until known */
    double remaining_s; /* campaign time, from the mean of the last cycles; NaN until known */
    char halt_rule[32]; /* "" when not halted */
    char halt_text[WN_EVENT_TEXT_SIZE];
    bool alarm; /* latched and not acknowledged */
};

struct wn_engine; /* size: wn_engine_size() */

size_t wn_engine_size(void);
/** Sets up an engine in `memory` of wn_engine_size() bytes (aligned as malloc does). setup is
 * copied. WN_EINVAL / WN_ERANGE from the procedure and limits: nothing may be started. */
int wn_engine_init(void *memory, const struct wn_engine_setup *setup, struct wn_engine **out,
                   struct wn_error *err);

/** One event in, actions out (out->n is set). Never fails: whatever is not possible in this state
 * becomes a warning record, and commands that are refused are told by wn_engine_may(). */
void wn_engine_step(struct wn_engine *e, const struct wn_event *event, struct wn_actions *out);
/** The instrument is less (or better) known from now on: for the uncertainty of what ends later. */
void wn_engine_set_accuracy(struct wn_engine *e, const struct wn_accuracy *accuracy);

/** May this operator command be given now? WN_ESTATE with the reason, e.g. "halted: acknowledge the
 * alarm first (wane ack A)". */
int wn_engine_may(const struct wn_engine *e, enum wn_event_kind command, struct wn_error *err);

/** Campaign time at which the next reading is wanted; the caller asks for it then (a bench with its
 * own clock is told to advance so far). */
wn_ns wn_engine_next_reading_ns(const struct wn_engine *e);

void wn_engine_view(const struct wn_engine *e, struct wn_engine_view *out);
/** The state alone, cheaply. */
enum wn_engine_state wn_engine_state(const struct wn_engine *e);

/** Halted, on the way there with the output not verified off yet, or held: only an operator's
 * acknowledgement leads on. */
bool wn_engine_latched(const struct wn_engine *e);
/** Is there an alarm nobody has acknowledged, whatever the campaign does or has done? */
bool wn_engine_alarm(const struct wn_engine *e);
/** Latest campaign time: of a station that listens, as its listener believes it. */
wn_ns wn_engine_now_ns(const struct wn_engine *e);
/** Has the output been told on, and not been seen off since? */
bool wn_engine_output_on(const struct wn_engine *e);
/** After a restart: the operator had ordered the end of the campaign, and it was not carried out.
 * Give WN_EVENT_STOP as soon as the instrument is there. */
bool wn_engine_stop_ordered(const struct wn_engine *e);

/** Saves everything needed to go on after a restart into a state record. */
void wn_engine_save(const struct wn_engine *e, struct wn_state_record *out);
/** Restores after wn_engine_init() with the same setup: the engine is PAUSED (or HALTED, FINISHED,
 * STOPPED), the cycle in progress is marked interrupted, and its present step goes on from the
 * restored sums with a gap. WN_ECORRUPT or WN_ENEWER: the blob cannot be used. */
int wn_engine_restore(struct wn_engine *e, const struct wn_state_record *state,
                      struct wn_error *err);

/* What halts a campaign, or keeps it off, without a reading showing it: the other half of the rules
 * beside WN_RULE_LIST. name, word as in events, reaction, sentence */
#define WN_FAULT_LIST(X)                                                                           \
    X(SILENCE, "silence", "halt", "instrument does not answer, or the computer slept")             \
    X(GARBLED, "garbled", "halt", "replies of the instrument make no sense, even when repeated")   \
    X(PORT_GONE, "port_gone", "halt", "port vanished: adapter unplugged, or its driver failed")    \
    X(WRONG_IDENTITY, "wrong_identity", "halt", "another instrument answers")                      \
    X(READ_BACK, "read_back", "halt", "instrument did not take a setting, or is on when told off") \
    X(INSTRUMENT_FAULT, "instrument_fault", "halt", "instrument reports an error or was reset")    \
    X(CLOCK_BACK, "clock_back", "halt", "time of the readings went back, or stands still")         \
    X(RECORDING_FAILED, "recording_failed", "halt", "readings cannot be written to the disk")      \
    X(NOT_OFF, "not_off", "halt",                                                                  \
      "output is not verified off after three attempts: interlock told to open")                   \
    X(WAITED_TOO_LONG, "waited_too_long", "halt",                                                  \
      "cell did not come into the temperature window of the next step")                            \
    X(GUARD_LOST, "guard_lost", "off", "guard is gone: output off, goes on by the restart policy") \
    X(HELD, "held", "hold", "voltage after an interruption is not what it was: another cell?")     \
    X(TOO_MANY_RESTARTS, "too_many_restarts", "hold",                                              \
      "the service was started again too often to go on by itself")

enum wn_fault {
#define WN_FAULT_ENUM(name, word, reaction, text) WN_FAULT_##name,
    WN_FAULT_LIST(WN_FAULT_ENUM)
#undef WN_FAULT_ENUM
        WN_FAULT_COUNT
};
const char *wn_fault_word(enum wn_fault fault);
/** "halt", "off", "hold" (paused, with an alarm to be acknowledged). */
const char *wn_fault_reaction(enum wn_fault fault);
const char *wn_fault_text(enum wn_fault fault);

/** "idle", "preparing", "running", "switching off", "paused", "halted", "stopped", "finished". */
const char *wn_engine_state_name(enum wn_engine_state state);

#endif
