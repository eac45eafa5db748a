/* Virtual bench: the program of a tester that talks, and the formats of its records.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. It charges (constant current, then constant voltage), rests, discharges, rests, so many
 * times, and gives a record at each interval of its own clock. The formats are this project's own:
 *
 * DELIMITED, a header line at the start and each header_every records, then
 *     No;Time;Cycle;Step;U/V;I/A;T/C;Q/Ah
 *     12;12.000;1;C;3.7120;1.2500;24.31;0.00434
 *   Time in seconds since power-on, Step C charge, R rest, D discharge, E end, S stopped, Q charge
 *   of this step, always positive. I is positive when charging. The styles of numbers apply.
 *
 * FIXED, 48 characters without separators, then the line's end:
 *     columns  1-6  number      7-15 time in ms      16-19 cycle       20 step letter
 *             21-26 voltage in 0.1 mV                27 sign of current 28-33 current in 0.1 mA
 *             34 sign of temperature  35-39 temperature in 0.01 degC   40-46 charge in 0.01 mAh
 *             47-48 sum of the bytes 1-46 modulo 256, two capital hexadecimal digits
 *   Without a thermometer 35-39 are "-----".
 *
 * BINARY, frames of 29 bytes, multi-byte values with the low byte first unless told otherwise:
 *     0 0xA5  1 0x5A  2 length of what follows up to the checksum (24)
 *     3 step (0 rest, 1 charge, 2 discharge, 3 end, 4 stopped)       4 cycle, 16 bit
 *     6 number, 32 bit       10 time in ms, 32 bit    14 voltage in 10 uV, 32 bit
 *     18 current in 10 uA, 32 bit signed              22 temperature in 0.01 degC, 16 bit signed,
 *     0x8000 without a thermometer                    24 charge in uAh, 24 bit
 *     (a voltage without a reading is 0xFFFFFFFF)
 *     27 CRC-16 of bytes 2 to 26, HIGH byte first: polynomial 0x1021, start 0xFFFF, not reflected,
 *     check value of "123456789" 0x29B1
 *   Nothing is escaped: the mark may occur inside a frame. */
#ifndef WN_VIRTUAL_BENCH_TALKER_H
#define WN_VIRTUAL_BENCH_TALKER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "virtual_bench/style.h"

struct wn_tester;

enum { WN_TALKER_RECORD_MAX = 256, WN_TALKER_FIXED = 48, WN_TALKER_BINARY = 29 };

enum wn_talker_format { WN_TALKER_DELIMITED, WN_TALKER_FIXED_WIDTH, WN_TALKER_FRAMED };

struct wn_talker_program {
    double charge_a, charge_v, taper_a, discharge_a, stop_v, rest_s, start_s;
    double cycles, header_every;
    double format; /* enum wn_talker_format */
};

enum wn_talker_step {
    WN_TALKER_REST,
    WN_TALKER_CHARGE,
    WN_TALKER_DISCHARGE,
    WN_TALKER_END,
    WN_TALKER_STOPPED
};

struct wn_talker {
    enum wn_talker_step step;
    bool after_charge; /* of a rest */
    int64_t step_ns;   /* when it began */
    long cycle, number;
    double from_ah; /* through the cell, both ways, when the step began */
};

struct wn_talker_record {
    long number, cycle;
    enum wn_talker_step step;
    double time_s, voltage_v, current_a, temperature_c, charge_ah;
};

void wn_talker_start(struct wn_talker *k, const struct wn_tester *t);
/** Ends a step when its time has come and begins the next; measures. Once for each interval. */
void wn_talker_tick(struct wn_talker *k, const struct wn_talker_program *p, struct wn_tester *t,
                    struct wn_talker_record *record);
/** Output off for good. */
void wn_talker_stop(struct wn_talker *k, struct wn_tester *t);

/** Writes a record without its line's end; returns its length (at most WN_TALKER_RECORD_MAX). */
size_t wn_talker_write(const struct wn_talker_record *r, enum wn_talker_format format,
                       const struct wn_number_style *style, char *buf);
const char *wn_talker_header(void);

uint16_t wn_talker_crc(const uint8_t *bytes, size_t len);

#endif
