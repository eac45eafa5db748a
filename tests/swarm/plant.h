/* Swarm: the instrument and the cell, as they truly are.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The virtual bench behind bytes, with a contactor between it and the cell that closes only while
 * the interlock is held, and either with the virtual bench's own manners (its time goes on with its
 * measurements) or with those of a plain two-quadrant tester (its time is the world's). */
#ifndef WN_TESTS_SWARM_PLANT_H
#define WN_TESTS_SWARM_PLANT_H

#include "swarm/sim.h"

struct plant_truth {
    double voltage_v, current_a, temperature_c, ambient_c;
    double charged_ah, discharged_ah;
    bool flowing; /* the cell is connected to a power stage that is on */
    bool stuck;
    wn_ns bench_ns;
    long switched_on; /* how often it was told on, and obeyed */
};

void plant_begin(void);
/** One byte from the line; a whole line is executed and answered into reply (with its LF). Returns
 * the answer's length. */
enum { PLANT_REPLY_SIZE = 4100 };
size_t plant_byte(char byte, char *reply);
/** Lets the world's time come to the plant; looks at the truth after each small step. */
void plant_sync(void);
/** The same, but only when a look is due. */
void plant_tick(void);
wn_ns plant_deadline(void); /* its watch over a silent controller */
void plant_contactor(bool closed);
void plant_truth(struct plant_truth *t);

/* Faults. */
void plant_reset(void); /* mains away for a moment */
void plant_stick(bool stuck);
void plant_run_away(double volts, double amperes); /* its set-points move by themselves */
void plant_thermometer(char how);                  /* 'o' ok, 'f' frozen, 'x' open */
void plant_thermometer_offset(double kelvin);
void plant_sense(bool open);
void plant_heat(double kelvin);
void plant_identity(bool other);
bool plant_is_other(void);
bool plant_is_identity(const char *text, bool other);
bool plant_thermometer_lies(void);

/* truth.c */
void truth_begin(void);
/** Called after each small step of the plant. */
void truth_look(void);
/** The highest times seen under each of the limits, for the report. */
void truth_report(void);

#endif
