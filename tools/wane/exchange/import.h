/* wane import: recorded logs, row by row, to the records of a campaign.
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
#include "progress.h"
#include "report/csv.h"

enum { LOG_MAPS_MAX = 16, LOG_COMPLAINTS_MAX = 20, LOG_SHOW_EVERY = 4096 /* rows */ };

enum log_quantity {
    LOG_TIME,
    LOG_VOLTAGE,
    LOG_CURRENT, /* these three must be there */
    LOG_TEMPERATURE,
    LOG_AMBIENT,
    LOG_CYCLE,
    LOG_SIMULATED, /* 1: this row comes from a simulation */
    LOG_ROUND,     /* "check-up": this row belongs to one */
    LOG_QUANTITIES
};

/** --map QUANTITY=COLUMN[@UNIT] */
struct log_map {
    enum log_quantity quantity;
    char column[96]; /* as the header writes it, or #N */
    char unit[16];   /* "": as the header says */
};

/** What is known of the logs before they are read. */
struct log_form {
    struct wn_csv_form csv;
    struct log_map map[LOG_MAPS_MAX];
    int maps;
    int charge_sign; /* of the current that charges: +1, -1; 0: to be found out */
    bool strict;     /* nothing is assumed */
    int64_t check_up_from, check_up_every; /* these cycles of the log are check-ups; 0: none is */
};

/* -- import_columns.c: which column is what, and in which unit
 * ------------------------------------------------------------------------------------------ */

struct log_column {
    int at; /* -1: there is none */
    double scale, offset;
    bool unit_assumed;
};

/** Reads one --map into the next place of form. WN_EINVAL with what to write instead. */
int log_map_read(struct log_form *form, const char *text, struct wn_error *err);
/** Finds the columns by --map, else by their names and units. WN_EMISSING, WN_EINVAL (not clear
 * which one is meant), WN_EUNIT. */
int log_columns(const struct log_form *form, const struct wn_csv *csv,
                struct log_column column[LOG_QUANTITIES], struct wn_error *err);
/** "time", "voltage", ... */
const char *log_quantity_name(enum log_quantity q);
/** Tells what was taken for what, where that is not plain: not wane's own names. */
void log_columns_tell(const struct wn_csv *csv, const struct log_column column[LOG_QUANTITIES],
                      FILE *f);

/* -- import_time.c: a time that is no plain number
 * ------------------------------------------------------------------------------------------ */

enum log_time {
    LOG_TIME_UNKNOWN,
    LOG_TIME_NUMBER,
    LOG_TIME_SPAN, /* [D d ]h:mm:ss, in seconds */
    LOG_TIME_STAMP /* a day and a time of day, in seconds since 1970; UTC unless it says otherwise
                    */
};

/** Which form a time is written in, at a glance. */
enum log_time log_time_form(const char *text);
/** Reads a span or a stamp. WN_ESYNTAX with why (a static text). */
int log_time_read(const char *text, enum log_time form, double *out_s, const char **why);

/* -- import_log.c: reading the rows
 * ------------------------------------------------------------------------------------------ */

/** One row of the log. */
struct log_row {
    struct wn_reading reading; /* time_ns is campaign time: 0 at the first row */
    int64_t cycle;             /* of the column; -1 when there is none */
    bool segment;              /* the log's time began anew at this row */
    bool simulated;
    bool outside;  /* before the first cycle: to be left out */
    bool check_up; /* belongs to a check-up */
    bool begins;   /* with check_up: to another one than the row before */
};

/** Logs being read one after the other. A row must not be looked at after an error: the log stands
 * behind the bad row then. */
struct log {
    const struct log_form *form; /* borrowed, like the names of the files */
    char *const *file;
    int files, present;
    int sign; /* that the current is multiplied with */
    FILE *f;
    struct wn_csv csv;
    struct log_column column[LOG_QUANTITIES];
    enum log_time time_form;
    bool has_cycles;
    bool fatal; /* the last error was none of a row: there is no going on */
    bool begun;
    bool file_begins;
    bool left_out;            /* the row before was outside of all cycles */
    bool in_check_up;         /* the row before was of a check-up */
    int64_t cycle_before;     /* of the last row that was of a cycle */
    bool cycle_told;          /* by a row so far */
    double last_s, segment_s; /* log time of the last row, and of the first row of its segment */
    double first_s;
    wn_ns last_ns; /* campaign time of the last row */
    int64_t last_cycle, cycle_offset;
    int64_t bytes; /* of the files before the present one */
};

/** Opens the first file and reads its header. Close it whatever the result. */
int log_open(struct log *l, const struct log_form *form, char *const *file, int files,
             struct wn_error *err);
void log_close(struct log *l);
/** The next good row, of the next file where one has ended. Errors name file and line; reading may
 * go on with the next row unless l->fatal. */
int log_next(struct log *l, struct log_row *out, bool *end, struct wn_error *err);
/** Bytes read so far. */
int64_t log_bytes(const struct log *l);
/** Bytes of all files. WN_ENOENT; WN_EINVAL: not one that can be read twice. */
int log_size(char *const *file, int files, int64_t *bytes, struct wn_error *err);

/* -- import_survey.c: what must be known of a log before it is integrated
 * ------------------------------------------------------------------------------------------ */

struct log_survey {
    int64_t rows, bad, outside; /* of cycles, and left out */
    bool simulated;
    bool commas;          /* a number was refused for its comma */
    double current_max_a; /* largest magnitude */
    double interval_s[2]; /* mean, under negative and under positive current, of cycles or of
                             check-ups, the longer one; NaN without */
    double rise_v[2];     /* how much the voltage rose under negative and under positive current */
    double first_s;       /* of a log whose times are stamps: since 1970; else NaN */
    /* sums while it is made */
    double sum_s[2][2]; /* of cycles and of check-ups, under negative and positive current */
    int64_t intervals[2][2];
    bool loaded; /* there is an interval under current */
};

/** Reads the logs to their end; the first complaints go to standard error, with their lines.
 * WN_ESYNTAX when a row is bad and skip_bad is not set. */
int log_look(struct log *l, bool skip_bad, struct progress *progress, struct log_survey *out,
             struct wn_error *err);
/** +1 or -1, from what the form says, else from the voltage: charging raises it. Says so when the
 * current is turned round, or when the voltage does not tell. WN_EINVAL: strict, and not said. */
int log_sign(const struct log_form *form, const struct log_survey *s, int *sign,
             struct wn_error *err);

/* -- import_rounds.c: steps and cycles
 * ------------------------------------------------------------------------------------------ */

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
    double capacity_max_ah; /* largest of a cycle */
    wn_ns last_ns;          /* of the last row recorded */
    /* Each stretch of cycles, and each check-up, is listened to by itself: numbers go on. */
    struct wn_listen_setup setup;
    bool in_check_up;
    int64_t step_base, cycle_base, without_base, last_cycle, check_ups;
    struct wn_check_up_record check_up; /* in progress */
    struct wn_listen listen;
    struct wn_listen_found found;
};

void rounds_init(struct rounds *r, const struct rounds_setup *setup, struct wn_store *store);
int rounds_add(struct rounds *r, const struct log_row *row, struct wn_error *err);
/** The log is over: closes the step and the round in progress. */
int rounds_end(struct rounds *r, struct wn_error *err);

#endif
