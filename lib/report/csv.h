/* Comma-separated values in and out (RFC 4180).
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * In: one header line with the names of the columns, in any order; comma, semicolon or tab between
 * fields, whichever the header uses; LF or CR LF; a byte order mark, empty lines and lines that
 * begin with '#' are passed over, and so is an empty field behind the last column. A quoted field
 * may hold up to WN_CSV_JOINED_MAX line ends; a quote that is closed by none of these lines is an
 * error of its first line alone, where the file can be read from there again. Out: comma and CR LF.
 */
#ifndef WN_REPORT_CSV_H
#define WN_REPORT_CSV_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include "base/err.h"

enum { WN_CSV_FIELDS_MAX = 64, WN_CSV_LINE_MAX = 65536, WN_CSV_JOINED_MAX = 50 };

/** What a file does not say of itself. */
struct wn_csv_form {
    char separator;      /* ',', ';' or '\t'; 0: whichever the header uses */
    bool decimal_comma;  /* 3,7 is a number, 3.7 is none */
    int64_t lines_above; /* of the header: passed over, whatever they are */
};

/** A file being read; visible so that it lives where the caller wants, otherwise opaque. */
struct wn_csv {
    FILE *f;          /* borrowed */
    const char *name; /* for messages, borrowed */
    char separator;
    bool decimal_comma;
    int64_t bytes;                   /* read so far */
    int64_t line;                    /* number of the present line, from 1; of several the first */
    int64_t joined;                  /* further lines that belong to the present one */
    char *header;                    /* the header line, split in place */
    char *column[WN_CSV_FIELDS_MAX]; /* names, blanks around them taken off */
    int columns;
    char *text; /* the present line, split in place */
    size_t room;
    char *field[WN_CSV_FIELDS_MAX]; /* of the present line, blanks around them taken off */
    int fields;
};

/** Reads the header. WN_EMISSING: no header; WN_ESYNTAX: cannot be read; both with name:line. Close
 * it whatever the result. */
int wn_csv_open(struct wn_csv *c, FILE *f, const char *name, struct wn_error *err);
/** The same for a file whose form is known. WN_ESYNTAX also for a decimal comma between commas. */
int wn_csv_open_as(struct wn_csv *c, FILE *f, const char *name, const struct wn_csv_form *form,
                   struct wn_error *err);
void wn_csv_close(struct wn_csv *c);

/** Number of the column of this name, in upper or lower case; -1 when there is none. */
int wn_csv_column(const struct wn_csv *c, const char *name);

/** Another column of the same name, in upper or lower case; -1 when there is none. */
int wn_csv_twin(const struct wn_csv *c, int column);

/** The next line with content. *end is set when there is none. WN_ESYNTAX with name:line when it
 * cannot be split or has another number of fields than the header: reading may go on with the next
 * one. WN_EIO. */
int wn_csv_next(struct wn_csv *c, bool *end, struct wn_error *err);

/** Reads a field of the present line as a number. Empty or absent (column -1): NaN. WN_ESYNTAX with
 * name:line, column, and what stands there. */
int wn_csv_number(const struct wn_csv *c, int column, double *out, struct wn_error *err);

/** As much of a field as fits, for a message: what a file holds must not reach a terminal as it is.
 * Returns buf. */
const char *wn_csv_shown(const char *text, char *buf, size_t size);

/** Writing: fields of a row in turn, then the end of the row. */
struct wn_csv_out {
    FILE *f;
    bool begun; /* a field has been written to this row */
};
void wn_csv_put_text(struct wn_csv_out *o, const char *text);
/** Up to 10 significant digits; NaN as an empty field. */
void wn_csv_put_number(struct wn_csv_out *o, double value);
void wn_csv_put_integer(struct wn_csv_out *o, int64_t value);
void wn_csv_end_row(struct wn_csv_out *o);

#endif
