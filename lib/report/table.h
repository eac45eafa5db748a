/* Tables for people: columns that line up, in plain text.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_REPORT_TABLE_H
#define WN_REPORT_TABLE_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include "base/err.h"

struct wn_table;
enum { WN_TABLE_COLUMNS_MAX = 24 };

/** A table with one column per letter of `align` ('l' left, 'r' right); headings are borrowed until
 * it is printed. NULL when there is no memory: every function below takes that, and printing tells.
 */
struct wn_table *wn_table_create(const char *align, const char *const *headings);
void wn_table_destroy(struct wn_table *t);

/** The next cell, row by row from the left; copied. NULL or "" prints as "-". Bytes that are no
 * printable text become '?': what comes from a file must not steer a terminal. */
void wn_table_text(struct wn_table *t, const char *text);
/** A number with fixed decimals; NaN prints as "-". */
void wn_table_number(struct wn_table *t, double value, int decimals);
void wn_table_integer(struct wn_table *t, int64_t value);

/** Prints headings and rows, two blanks between the columns; bold headings with escape sequences
 * when `bold`. WN_ENOMEM when memory had run out on the way: nothing is printed then. */
int wn_table_print(const struct wn_table *t, FILE *f, bool bold, struct wn_error *err);

/** Bytes that are no printable text become '?'. */
void wn_text_make_printable(char *text);
/** Columns a text takes on a terminal: characters of UTF-8, not bytes. */
int wn_text_width(const char *text);

#endif
