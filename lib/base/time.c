/* Times in words: UTC labels and spans.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/time.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "base/num.h"

wn_ns wn_ns_from_s(double seconds)
{
    double ns = seconds * 1e9;

    wn_assert(!isnan(seconds));
    if (ns >= 0x1p63) {
        return WN_NS_NEVER;
    }
    if (ns <= -0x1p63) {
        return INT64_MIN;
    }
    return llround(ns);
}

static int64_t floor_div(int64_t a, int64_t b)
{
    return a / b - (a % b < 0 ? 1 : 0);
}

/* Proleptic Gregorian date of a day counted from 1970-01-01. The year is taken to begin on 1 March,
 * so that the leap day is its last; 400 years (an era) always have 146097 days. */
static void civil_from_days(int64_t days, int64_t *year, int *month, int *day)
{
    int64_t shifted = days + 719468; /* from 0000-03-01 */
    int64_t era = floor_div(shifted, 146097);
    int64_t day_of_era = shifted - era * 146097;
    int64_t year_of_era =
        (day_of_era - day_of_era / 1460 + day_of_era / 36524 - day_of_era / 146096) / 365;
    int64_t day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    int64_t month_from_march = (5 * day_of_year + 2) / 153;

    *day = (int)(day_of_year - (153 * month_from_march + 2) / 5 + 1);
    *month = (int)(month_from_march < 10 ? month_from_march + 3 : month_from_march - 9);
    *year = era * 400 + year_of_era + (*month <= 2 ? 1 : 0);
}

const char *wn_utc_format(wn_utc_us utc, char *buf, size_t size)
{
    int64_t seconds = floor_div(utc, 1000000);
    int64_t days = floor_div(seconds, 86400);
    int of_day = (int)(seconds - days * 86400);
    int64_t year;
    const char *sign = "";
    int month;
    int day;
    int n;

    wn_assert(size >= WN_UTC_SIZE);
    civil_from_days(days, &year, &month, &day);
    if (year < 0) {
        sign = "-";
        year = -year;
    } else if (year > 9999) {
        sign = "+"; /* ISO 8601 asks for a sign where the year has more than four digits */
    }
    n = snprintf(buf, size, "%s%04lld-%02d-%02dT%02d:%02d:%02dZ", sign, (long long)year, month, day,
                 of_day / 3600, of_day / 60 % 60, of_day % 60);
    wn_assert(n > 0 && (size_t)n < size);
    return buf;
}

const char *wn_span_format(double seconds, char *buf, size_t size)
{
    const char *sign = seconds < 0 ? "-" : "";
    double s = fabs(seconds);
    int n;

    wn_assert(size >= WN_SPAN_SIZE);
    if (isnan(s)) {
        return memcpy(buf, "unknown", sizeof "unknown");
    }
    /* Each branch asks for the rounded value, so that 59.97 s is "1 min 00 s" and not "60.0 s". */
    if (llround(fmin(s, 1e6) * 10.0) < 600) {
        char num[WN_NUM_SIZE];
        n = snprintf(buf, size, "%s s", wn_num_fixed(seconds, 1, num, sizeof num));
    } else if (llround(fmin(s, 1e6)) < 3600) {
        int t = (int)llround(s);
        n = snprintf(buf, size, "%s%d min %02d s", sign, t / 60, t % 60);
    } else if (llround(fmin(s, 1e6) / 60.0) < 1440) {
        int t = (int)llround(s / 60.0);
        n = snprintf(buf, size, "%s%d h %02d min", sign, t / 60, t % 60);
    } else if (s < 1e12) {
        long long t = llround(s / 3600.0);
        n = snprintf(buf, size, "%s%lld d %lld h", sign, t / 24, t % 24);
    } else {
        n = snprintf(buf, size, "%sunlimited", sign); /* 30 000 years */
    }
    wn_assert(n > 0 && (size_t)n < size);
    return buf;
}
