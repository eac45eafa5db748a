/* Virtual bench: parameters of SCPI commands.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/scpi.h"

#include <string.h>

#include "base/err.h"
#include "base/num.h"

struct suffix {
    enum wn_scpi_unit_kind unit;
    const char *text; /* as a pattern: capitals, compared in any case */
    double factor;
};

static const struct suffix suffixes[] = {
    {WN_SCPI_VOLT, "V", 1.0},      {WN_SCPI_VOLT, "MV", 1e-3},   {WN_SCPI_VOLT, "UV", 1e-6},
    {WN_SCPI_AMPERE, "A", 1.0},    {WN_SCPI_AMPERE, "MA", 1e-3}, {WN_SCPI_AMPERE, "UA", 1e-6},
    {WN_SCPI_WATT, "W", 1.0},      {WN_SCPI_WATT, "MW", 1e-3},   {WN_SCPI_WATT, "KW", 1e3},
    {WN_SCPI_SECOND, "S", 1.0},    {WN_SCPI_SECOND, "MS", 1e-3}, {WN_SCPI_SECOND, "US", 1e-6},
    {WN_SCPI_OHM, "OHM", 1.0},     {WN_SCPI_OHM, "KOHM", 1e3},   {WN_SCPI_OHM, "MOHM", 1e6},
    {WN_SCPI_CELSIUS, "CEL", 1.0}, {WN_SCPI_KELVIN, "K", 1.0},
};

static int read_suffix(struct wn_scpi_view v, enum wn_scpi_unit_kind unit, double *factor)
{
    if (unit == WN_SCPI_PLAIN) {
        return WN_SCPI_SUFFIX_NOT_ALLOWED;
    }
    if (v.len > WN_SCPI_MNEMONIC_MAX) {
        return WN_SCPI_SUFFIX_TOO_LONG;
    }
    for (size_t i = 0; i < sizeof suffixes / sizeof suffixes[0]; i++) {
        if (suffixes[i].unit == unit && wn_scpi_matches(suffixes[i].text, v.at, v.len)) {
            *factor = suffixes[i].factor;
            return 0;
        }
    }
    return WN_SCPI_INVALID_SUFFIX;
}

/* What is wrong about a parameter that does not begin like a number. */
static int no_number(char c)
{
    switch (c) {
    case '"':
    case '\'':
        return WN_SCPI_STRING_NOT_ALLOWED;
    case '#':
        return WN_SCPI_BLOCK_NOT_ALLOWED;
    case '(':
        return WN_SCPI_EXPRESSION_NOT_ALLOWED;
    default:
        return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') ? WN_SCPI_CHARACTER_NOT_ALLOWED
                                                                : WN_SCPI_INVALID_NUMBER;
    }
}

int wn_scpi_number(struct wn_scpi_view v, const struct wn_scpi_range *range, double *out)
{
    size_t digits = wn_num_scan(v.at, v.len);
    double value;
    double factor = 1.0;
    int rc;

    if (digits == 0) {
        if (wn_scpi_matches("MINimum", v.at, v.len)) {
            *out = range->min;
        } else if (wn_scpi_matches("MAXimum", v.at, v.len)) {
            *out = range->max;
        } else if (wn_scpi_matches("DEFault", v.at, v.len)) {
            *out = range->def;
        } else {
            return no_number(v.at[0]);
        }
        return 0;
    }
    if (digits > WN_NUM_LEN_MAX) {
        return WN_SCPI_DIGITS;
    }
    rc = wn_num_parse(v.at, digits, &value);
    if (rc != WN_OK) {
        return rc == WN_ERANGE ? WN_SCPI_EXPONENT : WN_SCPI_INVALID_NUMBER;
    }
    if (digits < v.len) {
        struct wn_scpi_view suffix = {v.at + digits, v.len - digits};
        while ((unsigned char)suffix.at[0] <= ' ') { /* trimmed: it ends in something else */
            suffix.at++;
            suffix.len--;
        }
        rc = read_suffix(suffix, range->unit, &factor);
        if (rc != 0) {
            return rc;
        }
    }
    value *= factor;
    if (!(value >= range->min && value <= range->max)) {
        return WN_SCPI_OUT_OF_RANGE;
    }
    *out = value;
    return 0;
}

int wn_scpi_bool(struct wn_scpi_view v, bool *out)
{
    static const struct wn_scpi_range either = {WN_SCPI_PLAIN, 0.0, 1.0, 0.0};
    double value;
    int rc;

    if (wn_scpi_matches("ON", v.at, v.len)) {
        *out = true;
        return 0;
    }
    if (wn_scpi_matches("OFF", v.at, v.len)) {
        *out = false;
        return 0;
    }
    if (wn_num_scan(v.at, v.len) == 0) {
        return WN_SCPI_ILLEGAL_VALUE;
    }
    rc = wn_scpi_number(v, &either, &value);
    if (rc != 0) {
        return rc;
    }
    if (value > 0.0 && value < 1.0) {
        return WN_SCPI_ILLEGAL_VALUE;
    }
    *out = value > 0.0;
    return 0;
}

int wn_scpi_word(struct wn_scpi_view v, const char *const *patterns, int count)
{
    char c = v.at[0];

    for (int i = 0; i < count; i++) {
        if (wn_scpi_matches(patterns[i], v.at, v.len)) {
            return i;
        }
    }
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') ? WN_SCPI_ILLEGAL_VALUE
                                                            : WN_SCPI_DATA_TYPE;
}
