/* The virtual bench of a station of several instruments, and what is true of it. Apart from the
 * station: both have a cell of their own, under the same name.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_STATION_SEVERAL_PLANT_H
#define WN_TESTS_STATION_SEVERAL_PLANT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/time.h"

/* A station with a tester has it in the place of the supply, and no load. */
enum who { SUPPLY, LOAD, RELAY, CELL, AIR, WHOS };

extern const char *const who_names[WHOS]; /* and of their ports */

/** A small cell, half charged, everything off. The bench's clock runs with the host's. modbus: all
 * of it speaks MODBUS, else lines. */
void plant_begin(uint64_t seed, bool tester, bool modbus, wn_ns now_ns);
void plant_run(wn_ns now_ns);
/** When it has something to do by itself; WN_NS_NEVER: nothing. */
wn_ns plant_deadline(void);
void plant_feed(enum who who, wn_ns now_ns, const void *bytes, size_t len);
size_t plant_take(enum who who, wn_ns now_ns, void *buf, size_t size);
/** A switch (inst.h), now. */
void plant_fault(enum who who, wn_ns now_ns, const char *text);
/** The relay's contact moves by itself, or by a line. */
void plant_switch_relay(bool closed);
/** The relay refuses to close it. */
void plant_refuse(bool refuses);
/** Somebody switches the supply on at its panel. */
void plant_charge(double current_a);
/** It feeds or draws so much although it says that it is off. */
void plant_flow(enum who who, double current_a);

bool plant_has(enum who who);
bool plant_is_away(enum who who);
/** Its contact, really; and as it was told. */
bool plant_is_on(enum who who);
bool plant_is_told_on(enum who who);
bool plant_is_stuck(enum who who);
/** A thermometer that does not tell the truth. */
bool plant_is_quirky(enum who who);
bool plant_is_open(enum who who);
wn_ns plant_sent_ns(enum who who); /* its last byte */
/** Through the cell; positive charges. */
double plant_flow_a(void);
double plant_temperature_c(enum who who); /* at the thermometer's place */
/** One began to feed while another draws, since it was asked last. */
bool plant_both(void);

#endif
