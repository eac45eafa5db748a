/* Virtual bench: how an instrument writes a number.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Instruments differ here more than anywhere else; each way is a switch. All false: "3.7120". */
#ifndef WN_VIRTUAL_BENCH_STYLE_H
#define WN_VIRTUAL_BENCH_STYLE_H

#include <stdbool.h>
#include <stddef.h>

struct wn_number_style {
    bool comma;    /* "3,7120"; lists are then separated by ';' */
    bool unit;     /* "3.7120 V" */
    bool prefix;   /* "V=3.7120" */
    bool exponent; /* "+3.712000E+00" */
};

enum { WN_STYLE_SIZE = 64 };

/** Writes value (NaN as SCPI does, 9.91E37). unit is "V", "A", "W", "C", "s" or "" (no suffix and
 * no prefix). buf has WN_STYLE_SIZE bytes. Returns buf. */
const char *wn_style_write(const struct wn_number_style *s, double value, int decimals,
                           const char *unit, char *buf);

#endif
