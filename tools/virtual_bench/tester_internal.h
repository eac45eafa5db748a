/* Virtual bench: what the parts of the tester know of each other.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_VIRTUAL_BENCH_TESTER_INTERNAL_H
#define WN_VIRTUAL_BENCH_TESTER_INTERNAL_H

#include "virtual_bench/tester.h"

/* Reply line in the making. */
struct reply {
    char *text; /* WN_TESTER_REPLY_SIZE bytes */
    size_t len;
    bool full;
};

/* A handler returns 0 or an error number. */
typedef int handler(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r);

struct command {
    const char *pattern;
    handler *set;             /* NULL: query only */
    int set_params;           /* exactly so many */
    handler *query;           /* NULL: no query */
    int query_min, query_max; /* parameters */
};

/* Both end with pattern NULL. */
extern const struct command wn_tester_commands[];
extern const struct command wn_tester_simulation_commands[];

/* Event status register, IEEE 488.2 (from memory). */
enum { ESR_OPC = 1, ESR_QYE = 4, ESR_DDE = 8, ESR_EXE = 16, ESR_CME = 32, ESR_PON = 128 };

void tester_error(struct wn_tester *t, int number);

/* Starts a response of its own within the line; later texts and numbers are appended to it. */
int reply_answer(struct reply *r, double value); /* a response that is one number; returns 0 */
void reply_begin(struct reply *r);
void reply_text(struct reply *r, const char *text);
void reply_fixed(struct reply *r, double value, int decimals); /* 9.91E37 when NaN */
void reply_number(struct reply *r, double value);              /* up to 9 digits */
/* A measured value in the instrument's own style. */
void reply_measured(struct reply *r, const struct wn_number_style *style, double value,
                    int decimals, const char *unit);

#define NOT_A_NUMBER "9.91E37" /* SCPI-1999: no valid value */

/* simulation.c */
void tester_power_cycle(struct wn_tester *t);

/* tester.c */
void tester_defaults(struct wn_tester *t);
void tester_measure(struct wn_tester *t, int64_t ns); /* lets the time of a measurement pass */
void tester_output(struct wn_tester *t, bool on);
void tester_trip(struct wn_tester *t, unsigned why);
double tester_thermometer(const struct wn_tester *t); /* NaN when open; no noise */
double tester_ambient(const struct wn_tester *t, int64_t time_ns);
double tester_truth_cutoff(const struct wn_tester *t);
void tester_note_crossing(struct wn_tester *t, const struct wn_cell *c, double dt_s,
                          double current_a);
void tester_begin_discharge(struct wn_tester *t);
void tester_end_discharge(struct wn_tester *t);
/* Draws a current (negative) for up to ns, to the crossing of stop_v (0: none) at most. Returns how
 * long; *stopped: it came to the crossing. */
int64_t tester_draw(struct wn_tester *t, int64_t ns, double wanted_a, double stop_v, bool *stopped);

/* stage.c */
#define COMPLIANCE_V 0.05 /* a load cannot pull its terminals below this */
#define POWER_MAX_A  30.0
bool stages_closed(const struct wn_tester *t);
void stages_look(struct wn_tester *t);                /* after any contact has moved */
int64_t stages_flow(struct wn_tester *t, int64_t ns); /* at most so long; returns how long */

#endif
