/* Decimal numbers, strict and independent of the locale.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE /* strtod_l */
#include "base/num.h"

#include <float.h>
#include <locale.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/assert.h"
#include "base/err.h"

static size_t skip_digits(const char *text, size_t len, size_t at)
{
    while (at < len && text[at] >= '0' && text[at] <= '9') {
        at++;
    }
    return at;
}

static size_t skip_sign(const char *text, size_t len, size_t at)
{
    return at < len && (text[at] == '+' || text[at] == '-') ? at + 1 : at;
}

size_t wn_num_scan(const char *text, size_t len)
{
    size_t start = skip_sign(text, len, 0);
    size_t at = skip_digits(text, len, start);
    size_t digits = at - start;

    if (at < len && text[at] == '.') {
        size_t end = skip_digits(text, len, at + 1);
        digits += end - (at + 1);
        at = end;
    }
    if (digits == 0) {
        return 0;
    }
    if (at < len && (text[at] == 'e' || text[at] == 'E')) {
        size_t first = skip_sign(text, len, at + 1);
        size_t end = skip_digits(text, len, first);
        if (end > first) {
            at = end;
        }
    }
    return at;
}

/* strtod() follows the locale of the process, which a library may change under us. */
static locale_t c_locale(void)
{
    static locale_t loc;
    if (loc == (locale_t)0) {
        loc = newlocale(LC_ALL_MASK, "C", (locale_t)0);
        wn_assert(loc != (locale_t)0);
    }
    return loc;
}

#if FLT_EVAL_METHOD == 0
/* Whole numbers below 2^53 and powers of ten up to 10^22 are doubles as they are, so that one
 * division of them is rounded once, and rightly (Clinger, How to read floating point numbers
 * accurately, PLDI 1990; from memory). That is nearly every number in a log of readings, and takes
 * a tenth of strtod()'s time. */
static bool parse_short(const char *text, size_t len, double *out)
{
    static const double ten_to[] = {1e0, 1e1, 1e2,  1e3,  1e4,  1e5,  1e6,  1e7,
                                    1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15};
    uint64_t digits = 0;
    size_t places = 0, read = 0;
    bool point = false;
    size_t at = skip_sign(text, len, 0);
    for (; at < len; at++) {
        if (text[at] == '.' && !point) {
            point = true;
        } else if (text[at] >= '0' && text[at] <= '9' && read < 15) {
            digits = digits * 10 + (uint64_t)(text[at] - '0');
            read++;
            places += point;
        } else {
            return false;
        }
    }
    if (read == 0) {
        return false;
    }
    double value = (double)digits / ten_to[places];
    *out = text[0] == '-' ? -value : value;
    return true;
}
#else
static bool parse_short(const char *text, size_t len, double *out)
{
    (void)text, (void)len, (void)out;
    return false;
}
#endif

int wn_num_parse(const char *text, size_t len, double *out)
{
    char copy[WN_NUM_LEN_MAX + 1];
    char *end;
    double value;

    if (parse_short(text, len, out)) {
        return WN_OK;
    }
    if (len == 0 || len > WN_NUM_LEN_MAX || wn_num_scan(text, len) != len) {
        return WN_ESYNTAX;
    }
    memcpy(copy, text, len);
    copy[len] = '\0';
    value = strtod_l(copy, &end, c_locale());
    wn_assert(end == &copy[len]);
    if (!isfinite(value)) {
        return WN_ERANGE;
    }
    *out = value;
    return WN_OK;
}

int wn_num_parse_int(const char *text, size_t len, int64_t *out)
{
    size_t start;
    uint64_t limit;
    uint64_t sum = 0;
    int negative;

    if (len == 0 || len > WN_NUM_LEN_MAX) {
        return WN_ESYNTAX;
    }
    start = skip_sign(text, len, 0);
    if (start == len || skip_digits(text, len, start) != len) {
        return WN_ESYNTAX;
    }
    negative = text[0] == '-';
    limit = (uint64_t)INT64_MAX + (negative ? 1u : 0u);
    for (size_t i = start; i < len; i++) {
        uint64_t digit = (uint64_t)(text[i] - '0');
        if (sum > (limit - digit) / 10) {
            return WN_ERANGE;
        }
        sum = sum * 10 + digit;
    }
    if (!negative) {
        *out = (int64_t)sum;
    } else {
        *out = sum == limit ? INT64_MIN : -(int64_t)sum;
    }
    return WN_OK;
}

/* The decimal mark of a locale may be any string: whatever is not a digit, sign or exponent. */
static size_t put_point(char *text)
{
    static const char plain[] = "0123456789+-e";
    size_t to = 0;
    for (size_t from = 0; text[from] != '\0';) {
        if (strchr(plain, text[from]) != NULL) {
            text[to++] = text[from++];
            continue;
        }
        while (text[from] != '\0' && strchr(plain, text[from]) == NULL) {
            from++;
        }
        text[to++] = '.';
    }
    text[to] = '\0';
    return to;
}

const char *wn_num_format(double value, int digits, char *buf, size_t size)
{
    char work[64];
    size_t len = 0;

    wn_assert(digits >= 1 && digits <= 17);
    wn_assert(size >= WN_NUM_SIZE_MIN);
    if (isnan(value)) {
        return memcpy(buf, "nan", sizeof "nan");
    }
    if (isinf(value)) {
        return value > 0 ? memcpy(buf, "inf", sizeof "inf") : memcpy(buf, "-inf", sizeof "-inf");
    }
    /* A number cut at the end is another number: rather give up digits. */
    for (; digits >= 1; digits--) {
        int n = snprintf(work, sizeof work, "%.*g", digits, value);
        wn_assert(n > 0 && (size_t)n < sizeof work);
        len = put_point(work);
        if (len < size) {
            break;
        }
    }
    wn_assert(len < size);
    return memcpy(buf, work, len + 1);
}

const char *wn_num_fixed(double value, int decimals, char *buf, size_t size)
{
    char work[64];
    size_t len;
    int n;

    wn_assert(decimals >= 0 && decimals <= 17);
    wn_assert(size >= WN_NUM_SIZE_MIN);
    if (!(fabs(value) < 1e15)) {
        return wn_num_format(value, 17, buf, size);
    }
    n = snprintf(work, sizeof work, "%.*f", decimals, value);
    wn_assert(n > 0 && (size_t)n < sizeof work);
    len = put_point(work);
    if (work[0] == '-' && strspn(work, "-0.") == len) {
        memmove(work, &work[1], len); /* "-0.00" only puzzles people */
        len--;
    }
    if (len >= size) {
        return wn_num_format(value, 17, buf, size);
    }
    return memcpy(buf, work, len + 1);
}
