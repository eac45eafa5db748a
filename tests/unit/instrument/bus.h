/* A line of MODBUS units that several ask through one process: what each asks, what is sent, who is
 * answered, in simulated time.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Three channels: unit 7, unit 8, and unit 8 once more, as if it had two outputs. Frames are
 * written as hexadecimal bytes without their CRC. */
#ifndef WN_TESTS_BUS_H
#define WN_TESTS_BUS_H

#include "rtu.h"
#include "instrument/share.h"

enum { BUS_CHANNELS = 3 };

struct bus {
    struct wn_dialect dialect[BUS_CHANNELS];
    struct wn_share share;
    wn_ns now_ns;
    int asker[BUS_CHANNELS];
};

/** Nothing known of any unit. */
void bus_sit_down(struct bus *b);
/** The same, both units in step. */
void bus_begin(struct bus *b);

/** A frame with its CRC; returns its length. */
size_t bus_frame(const char *hex, uint8_t *frame);
/** False: it was refused. */
bool bus_asks(struct bus *b, int who, const char *hex);
/** What is written now, all of it: "" nothing. */
#define bus_sends(b, hex) bus_sends_at((b), (hex), __FILE__, __LINE__)
void bus_sends_at(struct bus *b, const char *hex, const char *file, int line);
/** It is written so many ms after now, and nothing before. */
#define bus_sends_after(b, ms, hex) bus_sends_after_at((b), (ms), (hex), __FILE__, __LINE__)
void bus_sends_after_at(struct bus *b, double ms, const char *hex, const char *file, int line);
/** After 20 ms: what was written is on the line for nearly half of that. */
void bus_hears(struct bus *b, const char *hex);
/** Bytes as they are. */
void bus_hears_raw(struct bus *b, const void *bytes, size_t len);
/** The answer that is there; "": that there is none to come. */
#define bus_gives(b, who, hex) bus_gives_at((b), (who), (hex), __FILE__, __LINE__)
void bus_gives_at(struct bus *b, int who, const char *hex, const char *file, int line);
void bus_gives_nothing(struct bus *b);
/** Time goes by; each deadline is met. */
void bus_waits(struct bus *b, double ms);

#endif
