/* wane import: a time that is no plain number.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "import.h"

#include <math.h>
#include <string.h>

#include "base/num.h"

enum log_time log_time_form(const char *text)
{
    size_t digits = strspn(text, "0123456789");
    bool day = digits > 0 && (text[digits] == '-' || text[digits] == '/' || text[digits] == '.') &&
               text[digits + 1 + strspn(text + digits + 1, "0123456789")] == text[digits];
    return day ? LOG_TIME_STAMP : strchr(text, ':') != NULL ? LOG_TIME_SPAN : LOG_TIME_NUMBER;
}

/* So many digits, from `least` to `most`; false when there are others. */
static bool take(const char **at, size_t least, size_t most, int64_t *out)
{
    size_t n = strspn(*at, "0123456789");
    bool ok = n >= least && n <= most && wn_num_parse_int(*at, n, out) == WN_OK;
    *at += ok ? n : 0;
    return ok;
}

static bool skip(const char **at, char c)
{
    bool there = **at == c;
    *at += there;
    return there;
}

/* h:mm:ss and what follows the second; a comma may be its decimal mark. */
static bool take_clock(const char **at, bool seconds_needed, double *out_s)
{
    int64_t h = 0, min = 0, s = 0;
    double part = 0;
    if (!take(at, 1, 6, &h) || !skip(at, ':') || !take(at, 2, 2, &min) || min > 59) {
        return false;
    }
    if (skip(at, ':')) {
        if (!take(at, 2, 2, &s) || s > 60) {
            return false;
        }
        if (skip(at, '.') || skip(at, ',')) {
            char digits[20] = "0.";
            size_t n = strspn(*at, "0123456789");
            if (n == 0 || n > 12) {
                return false;
            }
            memcpy(digits + 2, *at, n);
            (void)wn_num_parse(digits, n + 2, &part);
            *at += n;
        }
    } else if (seconds_needed) {
        return false;
    }
    *out_s = (double)(h * 3600 + min * 60 + s) + part;
    return true;
}

/* Days since 1970-01-01 of the Gregorian calendar: years begin in March, so that the leap day is
 * their last (the algorithm is common knowledge; from memory). */
static int64_t days_of(int64_t year, int64_t month, int64_t day)
{
    int64_t y = month <= 2 ? year - 1 : year;
    int64_t era = y / 400, of_era = y - era * 400;
    int64_t of_year = (153 * (month + (month > 2 ? -3 : 9)) + 2) / 5 + day - 1;
    return era * 146097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719468;
}

static bool is_day(int64_t year, int64_t month, int64_t day)
{
    static const int length[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    bool leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
    return year >= 1970 && year < 2200 && month >= 1 && month <= 12 && day >= 1 &&
           day <= length[month - 1] + (month == 2 && leap);
}

/* Z, +hh, +hhmm, +hh:mm, or nothing. */
static bool take_zone(const char **at, double *out_s)
{
    int64_t h = 0, min = 0;
    *out_s = 0;
    (void)skip(at, ' ');
    if (strcmp(*at, "UTC") == 0) {
        *at += 3;
    }
    if (skip(at, 'Z') || **at == '\0') {
        return true;
    }
    int sign = **at == '-' ? -1 : **at == '+' ? 1 : 0;
    if (sign == 0) {
        return false;
    }
    ++*at;
    size_t n = strspn(*at, "0123456789");
    if (n == 4) {
        int64_t both = 0;
        (void)take(at, 4, 4, &both);
        h = both / 100;
        min = both % 100;
    } else if (!take(at, 2, 2, &h) || (skip(at, ':') && !take(at, 2, 2, &min))) {
        return false;
    }
    *out_s = sign * (double)(h * 3600 + min * 60);
    return h <= 14 && min < 60;
}

/* 2026-05-01, 2026/05/01, 01.05.2026; 05/01/2026 may be January or May. */
static bool take_day(const char **at, int64_t *days, const char **why)
{
    int64_t a = 0, b = 0, c = 0;
    const char *first = *at;
    if (!take(at, 1, 4, &a)) {
        return false;
    }
    size_t n = (size_t)(*at - first);
    char mark = **at;
    if ((mark != '-' && mark != '/' && mark != '.') || !skip(at, mark) || !take(at, 1, 2, &b) ||
        !skip(at, mark) || !take(at, 1, 4, &c)) {
        return false;
    }
    if (n < 4 && mark != '.') {
        *why = "day or month may come first here: write the year first, as 2026-05-01 12:34:56";
        return false;
    }
    int64_t year = n == 4 ? a : c, day = n == 4 ? c : a;
    *days = is_day(year, b, day) ? days_of(year, b, day) : 0;
    return is_day(year, b, day);
}

static bool read_stamp(const char *text, double *out_s, const char **why)
{
    int64_t days = 0;
    double clock_s = 0, zone_s = 0;
    if (!take_day(&text, &days, why)) {
        return false;
    }
    if (!skip(&text, 'T') && !skip(&text, ' ')) {
        return false;
    }
    if (!take_clock(&text, false, &clock_s) || clock_s >= 86401 || !take_zone(&text, &zone_s)) {
        return false;
    }
    *out_s = (double)days * 86400 + clock_s - zone_s;
    return *text == '\0';
}

static bool read_span(const char *text, double *out_s)
{
    int64_t days = 0;
    size_t n = strspn(text, "0123456789");
    const char *unit = text + n + strspn(text + n, " ");
    if (n > 0 && *unit == 'd') {
        if (!take(&text, 1, 6, &days)) {
            return false;
        }
        text = unit + 1;
        text += strspn(text, " ");
    }
    bool ok = take_clock(&text, true, out_s);
    *out_s += (double)days * 86400;
    return ok && *text == '\0';
}

int log_time_read(const char *text, enum log_time form, double *out_s, const char **why)
{
    *why = form == LOG_TIME_STAMP ? "which is no time: write it as 2026-05-01 12:34:56, with Z or "
                                    "+02:00 where it is known"
                                  : "which is no span: write it as 12:34:56, or 3 d 12:34:56";
    bool ok = form == LOG_TIME_STAMP ? read_stamp(text, out_s, why) : read_span(text, out_s);
    return ok ? WN_OK : WN_ESYNTAX;
}
