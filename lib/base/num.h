/* Decimal numbers, strict and independent of the locale.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_BASE_NUM_H
#define WN_BASE_NUM_H

#include <stddef.h>
#include <stdint.h>

/** Reads exactly text[0..len) as a decimal: [+-] digits [. digits] [(e|E) [+-] digits]; at least one digit before or after
 * the point; no blanks, no hex, no "inf"/"nan", no comma. The value must be finite.
 *
 * @return WN_OK       *out is the correctly rounded value
 * @return WN_ESYNTAX  not such a number: *out untouched
 * @return WN_ERANGE   too large for a double: *out untouched */
int wn_num_parse(const char *text, size_t len, double *out);

/** The same for an integer: [+-] digits. WN_ESYNTAX, WN_ERANGE as above. */
int wn_num_parse_int(const char *text, size_t len, int64_t *out);

/** Writes value with `digits` significant digits (1..17), shortest form, always with a point as decimal mark whatever the
 * locale says; NaN and infinity as "nan", "inf", "-inf". Returns buf, always terminated (24 bytes are enough). */
const char *wn_num_format(double value, int digits, char *buf, size_t size);

/** Writes value with `decimals` fixed decimals; otherwise as above (32 bytes are enough below 1e12). */
const char *wn_num_fixed(double value, int decimals, char *buf, size_t size);

#endif
