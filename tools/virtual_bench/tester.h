/* Virtual bench: a simulated two-quadrant tester with thermometers, and the cell behind it.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure: lines of text in, lines of text out; no I/O, no allocation, no clock but its own, which
 * only measurements advance. Host time comes in as an argument, for the one thing that needs it:
 * the output goes off when the controller is silent for too long.
 *
 * The command tree is this project's own, named after the instrument classes of SCPI; `--help` of
 * the program lists it. Current is positive when it charges the cell.
 *
 * The truth about the cell comes from the simulation's own steps, free of noise. */
#ifndef WN_VIRTUAL_BENCH_TESTER_H
#define WN_VIRTUAL_BENCH_TESTER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/prng.h"
#include "virtual_bench/cell.h"
#include "virtual_bench/scpi.h"
#include "virtual_bench/stage.h"
#include "virtual_bench/style.h"

enum {
    WN_TESTER_REPLY_SIZE = 4096, /* longest reply line; a longer one is -430 and no reply */
    WN_TESTER_TRUTHS_MAX = 8,
    WN_TESTER_PLANS_MAX = 16,
    WN_TESTER_PLAN_TEXT = 80,
    WN_TESTER_STAGES_MAX = 6
};

enum wn_tester_function {
    WN_TESTER_CHARGE,    /* constant current, then constant voltage */
    WN_TESTER_DISCHARGE, /* constant current; off for good at the voltage set-point */
    WN_TESTER_POWER,     /* discharge with constant power; the same stop */
    WN_TESTER_FUNCTIONS
};

/* Why a protection has switched the output off; a set. */
enum wn_tester_trip {
    WN_TESTER_TRIP_HIGH = 1u << 0,        /* voltage above PROTection:HIGH */
    WN_TESTER_TRIP_LOW = 1u << 1,         /* discharging below PROTection:LOW */
    WN_TESTER_TRIP_CURRENT = 1u << 2,     /* above CURRent:PROTection */
    WN_TESTER_TRIP_TEMPERATURE = 1u << 3, /* above TEMPerature:PROTection */
    WN_TESTER_TRIP_SILENCE = 1u << 4,     /* controller silent while the output was on */
    WN_TESTER_TRIP_STOP = 1u << 5         /* discharge has reached the voltage set-point */
};

struct wn_tester_settings {
    enum wn_tester_function function;
    double current_a, voltage_v, power_w;
    double protect_high_v, protect_low_v, protect_current_a, protect_temperature_c;
    double timeout_s; /* host seconds of silence; 0: no limit */
};

/* Errors of the instrument itself: reading = true * (1 + gain) + offset + noise, then rounded. */
struct wn_tester_accuracy {
    double voltage_gain, voltage_offset_v, voltage_noise_v;
    double current_gain, current_offset_a, current_noise_a;
    double temperature_offset_c, temperature_noise_c;
};

struct wn_tester_plan { /* a command to run by itself when the bench's clock is there */
    int64_t time_ns;
    char text[WN_TESTER_PLAN_TEXT];
};

struct wn_tester_setup {
    struct wn_cell_params cell;
    double soc, wear;
    double ambient_c, ambient_swing_c; /* the ambient wanders slowly within +/- swing */
    struct wn_tester_accuracy accuracy;
    uint64_t seed;
    char identity[160];    /* answer to *IDN? */
    double truth_cutoff_v; /* NaN: the higher of the cell's datasheet cut-off and the discharge's
                              stop */
    struct wn_tester_plan plan[WN_TESTER_PLANS_MAX];
    int plans;
};

/* A discharge that is over: what the cell truly gave. */
struct wn_tester_truth {
    long discharge;     /* counts from 1 */
    double capacity_ah; /* from switching on to the true crossing of cutoff_v */
    double cutoff_v;
    double current_a;    /* magnitude at the crossing */
    double charge_in_ah; /* put in since the discharge before */
    double temperature_max_c;
    double delivered_ah; /* until switched off: more or less than capacity_ah */
    double time_s;       /* bench's clock when switched off */
    double wear;         /* equivalent full cycles by then */
};

enum wn_thermometer { WN_THERMOMETER_OK, WN_THERMOMETER_OPEN, WN_THERMOMETER_FROZEN };

struct wn_tester_faults {
    enum wn_thermometer thermometer;
    double frozen_c, offset_c, offset_v, offset_a;
    bool sense_open;
    bool stuck_on;
    long silence, garble; /* replies to come that are left out or spoilt */
};

struct wn_tester_discharge { /* the running one */
    bool on, crossed;
    double from_ah; /* cell's total when it began */
    struct wn_tester_truth truth;
};

struct wn_tester {
    struct wn_tester_setup setup;
    struct wn_cell_model model;
    struct wn_cell cell;
    struct wn_prng prng;
    double ambient_phase[3];
    struct wn_tester_settings set;
    bool output; /* as commanded, after protections */
    bool relay;  /* what really connects the cell; differs when stuck */
    unsigned trips;
    double flow_a; /* through the terminals at this instant */
    int64_t time_ns;
    int64_t heard_ns; /* host time of the last input */
    struct wn_scpi_queue errors;
    unsigned esr, ese, sre;
    double charge_a, charge_v, taper_a; /* last charge, for SIMulation:CELL:CAPacity? */
    double charged_from_ah;             /* cell's total after the discharge before */
    double delivered_ah;                /* of the last discharge that crossed, else NaN */
    long discharges;
    struct wn_tester_discharge discharge;
    struct wn_tester_truth truths[WN_TESTER_TRUTHS_MAX];
    int truths_first, truths_count;
    struct wn_tester_faults faults;
    int plans_done;
    /* A bench of several instruments. All zero: this tester is alone. */
    struct wn_stage *stage[WN_TESTER_STAGES_MAX];
    int stages;
    bool interlock_open; /* the contact between the cell and everything */
    double others_a;     /* part of flow_a that comes from the stages */
    bool both;           /* something feeds and something draws */
    long both_count;     /* how often that has begun */
    /* Lets the clock pass for a measurement; NULL: only the tester's own. */
    void (*measure)(void *context, int64_t ns);
    void *measure_context;
    int64_t own_zero_ns; /* what the instrument's own clock counts from */
    struct wn_number_style style;
};

/** Everything sensible for the cell of that name (NULL: the first); false when there is none. */
bool wn_tester_setup_init(struct wn_tester_setup *s, const char *cell);

/** setup is copied; its plans are sorted by time. The structure is large: keep it off small stacks.
 */
void wn_tester_init(struct wn_tester *t, const struct wn_tester_setup *setup);

/** Runs one line (without its LF). The reply, without LF, is put into reply (WN_TESTER_REPLY_SIZE
 * bytes); returns its length, 0 when there is none. */
size_t wn_tester_execute(struct wn_tester *t, const char *line, size_t len, char *reply);

/** Takes note of an input line that was too long. */
void wn_tester_overrun(struct wn_tester *t);
/** Takes note of a reply that nobody read. */
void wn_tester_unread(struct wn_tester *t);
/** Takes note of input at host_ns. */
void wn_tester_heard(struct wn_tester *t, int64_t host_ns);
/** Host time at which wn_tester_watch() must be called; INT64_MAX: never. */
int64_t wn_tester_silence_deadline(const struct wn_tester *t);
/** Switches off when the controller has been silent too long. */
void wn_tester_watch(struct wn_tester *t, int64_t host_ns);

/** Lets time pass for the cell and everything that is connected to it. */
void wn_tester_advance(struct wn_tester *t, int64_t ns);

/** Switches the output as a command would, refused while a protection is latched: false. */
bool wn_tester_switch(struct wn_tester *t, bool on);

/** Back to the power-on state; the clock and the faults are the bench's and stay. */
void wn_tester_reset(struct wn_tester *t);

/* What the instrument measures at this instant: errors, noise and faults included. NaN: no reading.
 */
double wn_tester_read_voltage(struct wn_tester *t);
double wn_tester_read_current(struct wn_tester *t);
double wn_tester_read_temperature(struct wn_tester *t);
double wn_tester_read_ambient(struct wn_tester *t);

/** The next finished discharge that was not taken yet; false when there is none. When nobody takes
 * them the oldest are lost. */
bool wn_tester_take_truth(struct wn_tester *t, struct wn_tester_truth *truth);

#endif
