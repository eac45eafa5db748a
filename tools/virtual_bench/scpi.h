/* Virtual bench: the syntax of IEEE 488.2 and SCPI-1999: lines, program messages, parameters.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure: bytes in, views of them out. The syntax is from memory of those standards; the error texts
 * are checked against the published list in tests/unit/virtual_bench. Functions return 0 or a
 * negative error number of SCPI-1999. */
#ifndef WN_VIRTUAL_BENCH_SCPI_H
#define WN_VIRTUAL_BENCH_SCPI_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum {
    WN_SCPI_LINE_MAX = 1024,   /* longest program message; a longer one is refused whole */
    WN_SCPI_HEADER_MAX = 100,  /* longest header with its path */
    WN_SCPI_MNEMONIC_MAX = 12, /* as IEEE 488.2 has it */
    WN_SCPI_PARAMS_MAX = 4,
    WN_SCPI_QUEUE_MAX = 20
};

/* Every error the bench emits: name, number, text. Classes: -1xx command, -2xx execution, -3xx
 * device, -4xx query. */
#define WN_SCPI_ERROR_LIST(X)                                                                      \
    X(NO_ERROR, 0, "No error")                                                                     \
    X(INVALID_CHARACTER, -101, "Invalid character")                                                \
    X(SYNTAX, -102, "Syntax error")                                                                \
    X(SEPARATOR, -103, "Invalid separator")                                                        \
    X(DATA_TYPE, -104, "Data type error")                                                          \
    X(PARAMETER_NOT_ALLOWED, -108, "Parameter not allowed")                                        \
    X(MISSING_PARAMETER, -109, "Missing parameter")                                                \
    X(HEADER_SEPARATOR, -111, "Header separator error")                                            \
    X(MNEMONIC_TOO_LONG, -112, "Program mnemonic too long")                                        \
    X(UNDEFINED_HEADER, -113, "Undefined header")                                                  \
    X(INVALID_NUMBER, -121, "Invalid character in number")                                         \
    X(EXPONENT, -123, "Exponent too large")                                                        \
    X(DIGITS, -124, "Too many digits")                                                             \
    X(INVALID_SUFFIX, -131, "Invalid suffix")                                                      \
    X(SUFFIX_TOO_LONG, -134, "Suffix too long")                                                    \
    X(SUFFIX_NOT_ALLOWED, -138, "Suffix not allowed")                                              \
    X(CHARACTER_NOT_ALLOWED, -148, "Character data not allowed")                                   \
    X(INVALID_STRING, -151, "Invalid string data")                                                 \
    X(STRING_NOT_ALLOWED, -158, "String data not allowed")                                         \
    X(BLOCK_NOT_ALLOWED, -168, "Block data not allowed")                                           \
    X(EXPRESSION_NOT_ALLOWED, -178, "Expression data not allowed")                                 \
    X(CONFLICT, -221, "Settings conflict")                                                         \
    X(OUT_OF_RANGE, -222, "Data out of range")                                                     \
    X(ILLEGAL_VALUE, -224, "Illegal parameter value")                                              \
    X(QUEUE_OVERFLOW, -350, "Queue overflow")                                                      \
    X(INPUT_OVERRUN, -363, "Input buffer overrun")                                                 \
    X(DEADLOCKED, -430, "Query DEADLOCKED")

enum wn_scpi_error {
#define WN_SCPI_ENUM(name, number, text) WN_SCPI_##name = (number),
    WN_SCPI_ERROR_LIST(WN_SCPI_ENUM)
#undef WN_SCPI_ENUM
};

/** The standard's text of an error of the list; NULL for any other number. */
const char *wn_scpi_text_of_error(int number);

/* The error/event queue: first in, first out; when it is full the newest entry becomes -350. */
struct wn_scpi_queue {
    int number[WN_SCPI_QUEUE_MAX];
    int first, count;
};

void wn_scpi_queue_put(struct wn_scpi_queue *q, int number);
int wn_scpi_queue_take(struct wn_scpi_queue *q); /* 0 when empty */

/* Bytes become lines. A line ends with LF; a CR before it is white space. */
struct wn_scpi_input {
    char text[WN_SCPI_LINE_MAX];
    size_t len;
    bool overrun; /* the present line was too long: what remains of it is thrown away */
};

/** Takes bytes up to and including the next LF. Returns how many were taken. *line_ready:
 * text[0..len) is a whole line; handle it, then call wn_scpi_input_done(). *overrun: a too long
 * line has just ended, nothing of it is kept. */
size_t wn_scpi_input_take(struct wn_scpi_input *in, const char *bytes, size_t len, bool *line_ready,
                          bool *overrun);
void wn_scpi_input_done(struct wn_scpi_input *in);

struct wn_scpi_view {
    const char *at;
    size_t len;
};

/* One program message unit: header and parameters. */
struct wn_scpi_unit {
    char header[WN_SCPI_HEADER_MAX + 1]; /* with its path, without leading ':' and '?' */
    bool query;
    struct wn_scpi_view param[WN_SCPI_PARAMS_MAX]; /* never empty */
    int params;
};

/* Walks along a line. */
struct wn_scpi_reader {
    const char *rest;
    size_t len;
    char path[WN_SCPI_HEADER_MAX + 1]; /* node at which a header after ';' continues */
};

void wn_scpi_reader_init(struct wn_scpi_reader *r, const char *line, size_t len);

/** The next unit of the line: 1 when there is one, 0 at its end, negative error: give up the line.
 */
int wn_scpi_reader_next(struct wn_scpi_reader *r, struct wn_scpi_unit *u);

/** Does a header or word fit the pattern, like "MEASure[:SCALar]:VOLTage"? Each node in its long
 * form or the short one, which is its capitals, in any case; nodes in brackets may be left out. */
bool wn_scpi_matches(const char *pattern, const char *text, size_t len);

enum wn_scpi_unit_kind {
    WN_SCPI_PLAIN, /* no suffix allowed */
    WN_SCPI_VOLT,
    WN_SCPI_AMPERE,
    WN_SCPI_WATT,
    WN_SCPI_SECOND,
    WN_SCPI_OHM,
    WN_SCPI_CELSIUS,
    WN_SCPI_KELVIN
};

struct wn_scpi_range {
    enum wn_scpi_unit_kind unit;
    double min, max, def;
};

/** A numeric parameter: a decimal with optional suffix of the unit and its multiples (mV, V, ...;
 * MOHM is mega as SCPI has it), or MINimum, MAXimum, DEFault. */
int wn_scpi_number(struct wn_scpi_view v, const struct wn_scpi_range *range, double *out);

/** ON, OFF, 1 or 0; other numbers are refused: what switches a current on should be meant. */
int wn_scpi_bool(struct wn_scpi_view v, bool *out);

/** Index of the pattern that fits, or negative error. */
int wn_scpi_word(struct wn_scpi_view v, const char *const *patterns, int count);

#endif
