/* Virtual bench: an instrument of a bench of several: bytes in, bytes out, next deadline.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure: no I/O, no allocation, no clock. Two times come in: the host's, for what happens on the
 * line (delays, silences, watchdogs), and the bench's, which the cell lives by (bench.h). */
#ifndef WN_VIRTUAL_BENCH_INST_H
#define WN_VIRTUAL_BENCH_INST_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/err.h"
#include "base/prng.h"
#include "virtual_bench/modbus_server.h"
#include "virtual_bench/stage.h"
#include "virtual_bench/style.h"
#include "virtual_bench/talker.h"
#include "virtual_bench/tester.h"

enum wn_inst_kind {
    WN_INST_TESTER,        /* SCPI; these four are faces of one two-quadrant tester */
    WN_INST_MODBUS_TESTER, /* MODBUS RTU */
    WN_INST_TALKER,        /* runs a program of its own and prints records */
    WN_INST_SUPPLY,        /* SCPI, charges */
    WN_INST_LOAD,          /* SCPI, discharges */
    WN_INST_MODBUS_SUPPLY,
    WN_INST_MODBUS_LOAD,
    WN_INST_THERMOMETER,         /* SCPI */
    WN_INST_TALKING_THERMOMETER, /* a line by itself */
    WN_INST_MODBUS_THERMOMETER,
    WN_INST_RELAY, /* SCPI: the contact between the cell and everything */
    WN_INST_MODBUS_RELAY,
    WN_INST_KINDS
};

enum wn_inst_end { WN_INST_LF, WN_INST_CR, WN_INST_CRLF };

enum {
    WN_INST_TEXT = 160,
    WN_INST_PLANS_MAX = 16,
    WN_INST_PLAN_TEXT = 80,
    WN_INST_OUT_MAX = 8192,
    WN_INST_PIECES_MAX = 256,
    WN_INST_OUTPUTS_MAX = 3,
    WN_BENCH_CELLS_MAX = 3
};

struct wn_inst_plan { /* a switch that changes when the bench's clock is there */
    int64_t time_ns;
    char text[WN_INST_PLAN_TEXT];
};

/* How an instrument is: its switches. inst_setup.c has the list with the words of each. */
struct wn_inst_setup {
    enum wn_inst_kind kind;
    char name[24]; /* in the logs */
    double cell;   /* counts from 1; output k of several is at cell + k - 1 */
    double outputs;
    /* the line */
    bool echo;
    char prompt[24], banner[WN_INST_TEXT];
    double delay_s, piece, pause_s; /* replies: late; in pieces of so many bytes, with pauses */
    double end;                     /* enum wn_inst_end, of commands and replies */
    double checksum;                /* of replies: its place among the words; 0: none */
    double lose, flip, insert;      /* probability for each byte sent */
    double in_lose, in_flip;        /* and received */
    double char_gap_s;              /* a byte that follows another faster than this is not heard */
    double silence;                 /* so many replies to come are left out */
    /* MODBUS */
    double address, baud, busy;
    bool low_first;  /* low word of a double register first */
    bool strict_gap; /* requests earlier than t3.5 behind the reply are not heard */
    /* numbers */
    struct wn_number_style style;
    bool unsigned_current; /* a load's, or a talker's, current has no sign; see device_stage.c */
    /* what it is and does */
    char identity[WN_INST_TEXT], identity_after[WN_INST_TEXT]; /* the latter after a reconnect */
    double away_s;     /* host seconds from unplug to its return */
    bool restore;      /* power-on state: the last one, else off */
    bool stuck;        /* output or contact does not open */
    bool two_wire;     /* measures at its own terminals, else at the cell */
    double lead_ohm;   /* of two-wire leads */
    bool open, frozen; /* thermometer */
    double offset_c;
    double place;      /* thermometer: first channel is 0 the cell, 1 ambient */
    double interval_s; /* of what talks by itself */
    double watchdog_s; /* relay, at power-on; 0: none */
    struct wn_talker_program program;
    char stop[24]; /* the talker's stop command; "": it has none */
    struct wn_inst_plan plan[WN_INST_PLANS_MAX];
    int plans;
};

struct wn_bench;

struct wn_inst_relay {
    bool on, closed, tripped;
    double watchdog_s;
    int trips;
};

struct wn_inst_piece {
    size_t end; /* in out[] */
    int64_t host_ns;
};

struct wn_inst {
    struct wn_inst_setup setup;
    struct wn_bench *bench;
    struct wn_tester *world[WN_INST_OUTPUTS_MAX]; /* each output's cell; NULL: nothing connected */
    struct wn_stage stage[WN_INST_OUTPUTS_MAX];
    int selected; /* output */
    struct wn_inst_relay relay;
    struct wn_talker talker;
    struct wn_mbs mbs;
    struct wn_scpi_queue errors;
    unsigned esr;
    double timeout_s; /* a supply's or load's: off after so long a silence; 0: never */
    char in[WN_SCPI_LINE_MAX];
    size_t in_len;
    bool overrun;
    int64_t in_ns, heard_ns, sent_ns; /* host: last byte, last good message, last byte sent */
    char out[WN_INST_OUT_MAX];
    size_t out_len, out_sent;
    struct wn_inst_piece piece[WN_INST_PIECES_MAX];
    int pieces, pieces_sent;
    long lost; /* bytes that found no room */
    struct wn_prng noise;
    int64_t zero_ns; /* bench time its own clock counts from */
    int64_t tick_ns; /* bench time at which it speaks by itself */
    double frozen_c;
    bool away, returned;
    int64_t away_until_ns;
    int plans_done;
    int resets;
};

/* ---- its switches (inst_setup.c) ---- */

/** Everything plain. */
void wn_inst_setup_init(struct wn_inst_setup *s, enum wn_inst_kind kind);
/** Does it speak MODBUS, so that several can be on one line? */
bool wn_inst_kind_has_address(enum wn_inst_kind kind);
/** "supply", "modbus-relay" and so on: also the name of the option. */
const char *wn_inst_kind_name(enum wn_inst_kind kind);
/** One switch: "echo", "delay-ms=200", "comma=off"; with "@S" at its end from S seconds of the
 * bench's clock on. The error names what is wrong and what there is. */
int wn_inst_set(struct wn_inst_setup *s, const char *text, struct wn_error *err);
/** Name and explanation of switch n (from 0); NULL behind the last. */
const char *wn_inst_switch_help(int n, const char **about);

/* ---- its life (inst.c); wn_bench_add() makes one ---- */

/** Bytes from the line. The bench's clock must have been run to host_ns (wn_bench_run()). */
void wn_inst_feed(struct wn_inst *i, int64_t host_ns, const void *bytes, size_t len);
/** Bytes for the line that are due; returns how many were put into out. */
size_t wn_inst_take(struct wn_inst *i, int64_t host_ns, void *out, size_t size);
/** Its mains went away for a moment. */
void wn_inst_reset(struct wn_inst *i, int64_t host_ns);

/* ---- for the bench and the parts of an instrument ---- */
int64_t wn_inst_host_deadline(const struct wn_inst *i); /* INT64_MAX: none */
int64_t wn_inst_bench_deadline(const struct wn_inst *i);
void wn_inst_run(struct wn_inst *i, int64_t host_ns); /* what is due by either time */
void wn_inst_power_on(struct wn_inst *i, bool first);
void wn_inst_send(struct wn_inst *i, int64_t host_ns, const void *bytes, size_t len);
void wn_inst_send_line(struct wn_inst *i, int64_t host_ns, const char *text, size_t len);
double wn_inst_temperature(struct wn_inst *i, int channel); /* from 0; NaN: no reading */
double wn_inst_voltage(struct wn_inst *i, int output);
double wn_inst_current(struct wn_inst *i, int output); /* positive charges */
double wn_inst_clock_s(const struct wn_inst *i);
const char *wn_inst_identity(const struct wn_inst *i);
bool wn_inst_relay_switch(struct wn_inst *i, bool on); /* false: refused, the watchdog is latched */
void wn_inst_relay_clear(struct wn_inst *i);

/* device.c: one line of commands; returns the length of the reply (at most WN_TESTER_REPLY_SIZE).
 */
size_t wn_device_execute(struct wn_inst *i, const char *line, size_t len, char *reply);

/* modbus_maps.c */
size_t wn_maps_frame(struct wn_inst *i, const uint8_t *frame, size_t len, uint8_t *reply);

#endif
