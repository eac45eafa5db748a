/* Decimal numbers, strict and independent of the locale.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_BASE_NUM_H
#define WN_BASE_NUM_H

#include <stddef.h>
#include <stdint.h>

#define WN_NUM_LEN_MAX  63 /* longest text that is read as a number */
#define WN_NUM_SIZE     32 /* a buffer that holds every number written here in full */
#define WN_NUM_SIZE_MIN 9  /* smallest buffer to write into ("-2e-308") */

/** Length of the longest start of text[0..len) that is a number by the grammar of wn_num_parse(); 0
 * when there is none. */
size_t wn_num_scan(const char *text, size_t len);

/** Reads exactly text[0..len) as a decimal: [+-] digits [. digits] [(e|E) [+-] digits]; at least
 * one digit before or after the point; no blanks, no hex, no "inf"/"nan", no comma; at most
 * WN_NUM_LEN_MAX characters. The value must be finite; one too small for a double is 0 or denormal.
 *
 * @return WN_OK       *out is the correctly rounded value
 * @return WN_ESYNTAX  not such a number: *out untouched
 * @return WN_ERANGE   too large for a double: *out untouched */
int wn_num_parse(const char *text, size_t len, double *out);

/** The same for an integer: [+-] digits. WN_ESYNTAX, WN_ERANGE as above. */
int wn_num_parse_int(const char *text, size_t len, int64_t *out);

/** Writes value with `digits` significant digits (1..17), trailing zeros dropped, with an exponent
 * as %g would, always with a point as decimal mark whatever the locale says; NaN and
 * infinity as "nan", "inf", "-inf". 17 digits read back to the same value.
 *
 * Returns buf, always terminated. 25 bytes are enough for 17 digits; into a smaller buffer (never
 * below WN_NUM_SIZE_MIN, asserted) it writes fewer digits, never a number cut at its end. */
const char *wn_num_format(double value, int digits, char *buf, size_t size);

/** Writes value with `decimals` (0..17) fixed decimals, and no sign when all its digits are zero;
 * otherwise as above. 32 bytes are enough below 1e12; what does not fit, and values from 1e15 on,
 * are written by wn_num_format() instead. */
const char *wn_num_fixed(double value, int decimals, char *buf, size_t size);

#endif
