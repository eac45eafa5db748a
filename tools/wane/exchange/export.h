/* wane export: rows of a campaign as CSV or JSON.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANE_EXPORT_H
#define WANE_EXPORT_H

#include "results/measuring.h"
#include "progress.h"
#include "report/csv.h"
#include "wane.h"

/** What is exported, and how. */
enum export_what {
    EXPORT_CYCLES,
    EXPORT_READINGS,
    EXPORT_STEPS,
    EXPORT_EVENTS,
    EXPORT_CHECK_UPS,
    EXPORT_NOTHING
};

struct export_order {
    enum export_what what;
    bool json;
    bool bdf;                     /* readings in the columns of the Battery Data Format */
    int64_t cycle_from, cycle_to; /* inclusive */
    bool aside;                   /* the rows go elsewhere than to the terminal */
};

/** A step as far as its readings need it. */
struct export_step {
    int64_t step, cycle; /* of a check-up: the cycle before it */
    enum wn_step_kind kind;
    bool in_check_up;
};

/* -- export_out.c: one row at a time, so that a file of millions of readings needs no memory. The
 * names of the columns come from the same functions as the values. */

struct out {
    FILE *f;
    bool json, simulated;
    bool naming; /* CSV: the names of the columns are written, no values */
    bool began;  /* JSON: a row has been written */
    bool field;  /* JSON, or the header: something stands in this row already */
    struct wn_csv_out csv;
    /* what the rows are made from */
    struct wane_campaign *campaign;
    const struct export_order *order;
    struct measuring measuring; /* for cycles */
    struct export_step *step;   /* for readings: in rising order */
    size_t steps, steps_room;
    int64_t last_cycle; /* of the steps so far */
    const struct export_step *present;
    int why; /* errno of the first failure; 0: none */
    struct progress bar;
    int64_t read; /* readings so far */
};

void out_begin(struct out *o, const char *key);
void out_end(struct out *o);
void out_row(struct out *o);
/** simulated: what the mark of a simulated campaign is called. */
void out_row_end(struct out *o, const char *simulated);
/** Ten digits: more than any instrument has. */
void out_number(struct out *o, const char *name, double x);
/** x units of 10^-decimals, every digit of it. */
void out_decimal(struct out *o, const char *name, int64_t x, int decimals);
void out_integer(struct out *o, const char *name, int64_t x);
void out_text(struct out *o, const char *name, const char *x);
void out_flags(struct out *o, unsigned set);
/** The row in progress has nothing of this. */
void out_nothing(struct out *o, const char *name);

/* -- export_rows.c: the rows themselves */

/** "cycles" etc.; EXPORT_NOTHING for any other word. */
enum export_what export_find(const char *word);
/** Writes all of it to f, which is called name in messages. WN_EIO when f takes nothing more. */
int export_write(struct wane_campaign *c, const struct export_order *order, FILE *f,
                 const char *name, struct wn_error *err);

#endif
