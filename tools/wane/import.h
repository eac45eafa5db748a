/* wane import: a recorded log, row by row, to the records of a campaign.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANE_IMPORT_H
#define WANE_IMPORT_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include "base/err.h"
#include "base/reading.h"
#include "listen/listen.h"
#include "metrology/metrology.h"
#include "port/store.h"
#include "report/csv.h"

/* -- import_log.c: reading the log
 * ------------------------------------------------------------------ */

enum { LOG_COLUMNS = 6 };

/** One row of the log. */
struct log_row {
    struct wn_reading reading; /* time_ns is campaign time: 0 at the first row */
    int64_t cycle;             /* of the column; -1 when there is none */
    bool segment;              /* the log's time began anew at this row */
};

/** A log being read. Rows must not be looked at after an error: the log stands behind the bad row
 * then. */
struct log {
    struct wn_csv csv;
    int column[LOG_COLUMNS];
    bool has_cycles;
    bool begun;
    double last_s, segment_s; /* log time of the last row, and of the first row of its segment */
    wn_ns last_ns;            /* campaign time of the last row */
    int64_t last_cycle;
};

/** Reads the header. WN_EMISSING with the columns that are missing. */
int log_open(struct log *l, FILE *f, const char *name, struct wn_error *err);
void log_close(struct log *l);
/** The next good row. Errors name file and line; reading may go on with the next row. */
int log_next(struct log *l, struct log_row *out, bool *end, struct wn_error *err);

/** What must be known of a log before it is integrated. */
struct log_survey {
    int64_t rows, bad;
    double current_max_a;        /* largest magnitude */
    double discharge_interval_s; /* mean, NaN without discharge */
};
/** Reads it to its end; up to 20 complaints go to standard error. WN_ESYNTAX when a row is bad and
 * skip_bad is not set. */
int log_look(struct log *l, bool skip_bad, struct log_survey *out, struct wn_error *err);

/* -- import_rounds.c: steps and cycles
 * ---------------------------------------------------------------- */

struct rounds_setup {
    double cutoff_v;                      /* NaN: the whole discharge */
    bool end_at_crossing;                 /* else at the first reading at or below the cut-off */
    double rest_below_a;                  /* smaller currents are rest */
    double discharge_gap_s, charge_gap_s; /* longer intervals are gaps */
    bool has_cycles;                      /* cycle numbers come with the rows */
};

struct rounds {
    struct wn_store *store; /* borrowed */
    int64_t steps, cycles, without_discharge;
    double worst_overshoot_ah,
        sum_overshoot_ah; /* charge between the crossing and the reading that shows it */
    int64_t overshoots;
    wn_ns last_ns; /* of the last row recorded */
    struct wn_listen listen;
    struct wn_listen_found found;
};

void rounds_init(struct rounds *r, const struct rounds_setup *setup, struct wn_store *store);
int rounds_add(struct rounds *r, const struct log_row *row, struct wn_error *err);
/** The log is over: closes the step and the round in progress. */
int rounds_end(struct rounds *r, struct wn_error *err);

#endif
