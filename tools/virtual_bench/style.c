/* Virtual bench: how an instrument writes a number.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/style.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/num.h"

/* One digit, point, six digits, E, sign, two digits: the fixed form NR3 of IEEE 488.2. */
static void write_exponent(double value, char *buf, size_t size)
{
    char digits[WN_NUM_SIZE];
    int exponent = value == 0.0 ? 0 : (int)floor(log10(fabs(value)));
    double mantissa = fabs(value) / pow(10.0, exponent);

    if (mantissa >= 9.9999995) { /* would be written with two digits before the point */
        mantissa = 1.0;
        exponent++;
    }
    (void)snprintf(buf, size, "%c%sE%c%02d", value < 0.0 ? '-' : '+',
                   wn_num_fixed(mantissa, 6, digits, sizeof digits), exponent < 0 ? '-' : '+',
                   exponent < 0 ? -exponent : exponent);
}

const char *wn_style_write(const struct wn_number_style *s, double value, int decimals,
                           const char *unit, char *buf)
{
    char number[WN_NUM_SIZE];
    bool named = unit[0] != '\0';
    char letter = unit[0] == 'A' ? 'I' : unit[0] == 'W' ? 'P' : unit[0] == 'C' ? 'T' : unit[0];

    if (isnan(value)) {
        (void)snprintf(number, sizeof number, "9.91E37");
    } else if (s->exponent) {
        write_exponent(value, number, sizeof number);
    } else {
        (void)wn_num_fixed(value, decimals, number, sizeof number);
    }
    if (s->comma && strchr(number, '.') != NULL) {
        *strchr(number, '.') = ',';
    }
    (void)snprintf(buf, WN_STYLE_SIZE, "%.1s%s%s%s%s", s->prefix && named ? &letter : "",
                   s->prefix && named ? "=" : "", number, s->unit && named ? " " : "",
                   s->unit ? unit : "");
    return buf;
}
