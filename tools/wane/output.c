/* Output: JSON, flags in words, colour.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/num.h"
#include "metrology/cycle.h"

/* Ten digits: more than any instrument has, and 0.1 stays 0.1. */
#define NUMBERS JSON_REAL_PRECISION(10)

json_t *wane_number(double x)
{
    return isfinite(x) ? json_real(x) : json_null();
}

void wane_put(json_t *o, const char *key, json_t *value)
{
    /* a text that is no UTF-8 makes no JSON string */
    (void)json_object_set_new(o, key, value != NULL ? value : json_null());
}

int wane_flush(void)
{
    if (fflush(stdout) != 0 || ferror(stdout)) {
        (void)fprintf(stderr, "wane: standard output: %s\n", strerror(errno));
        return WANE_FAILED;
    }
    return WANE_DONE;
}

int wane_print_json(json_t *o)
{
    int rc = o != NULL ? json_dumpf(o, stdout, JSON_INDENT(2) | NUMBERS) : -1;
    json_decref(o);
    if (rc != 0) {
        (void)fputs("wane: no memory for the result\n", stderr);
        return WANE_FAILED;
    }
    (void)fputc('\n', stdout);
    return wane_flush();
}

void wane_dump_row(json_t *row, FILE *f)
{
    (void)json_dumpf(row, f, JSON_COMPACT | NUMBERS);
    json_decref(row);
}

json_t *wane_flags_json(unsigned flags)
{
    json_t *list = json_array();
    for (unsigned bit = 1; bit != 0; bit <<= 1) {
        if ((flags & bit) && wn_cycle_flag_word(bit) != NULL) {
            (void)json_array_append_new(list, json_string(wn_cycle_flag_word(bit)));
        }
    }
    return list;
}

const char *wane_flags_text(unsigned flags, char *buf, size_t size)
{
    size_t at = 0;
    buf[0] = '\0';
    for (unsigned bit = 1; bit != 0 && at < size; bit <<= 1) {
        const char *word = (flags & bit) ? wn_cycle_flag_word(bit) : NULL;
        if (word != NULL) {
            int n = snprintf(buf + at, size - at, "%s%s", at > 0 ? " " : "", word);
            at += n > 0 ? (size_t)n : 0;
        }
    }
    return buf;
}

const char *wane_red(const struct wane *w)
{
    return w->colour ? "\033[1;31m" : "";
}

const char *wane_bold(const struct wane *w)
{
    return w->colour ? "\033[1m" : "";
}

const char *wane_plain(const struct wane *w)
{
    return w->colour ? "\033[0m" : "";
}

const char *wane_fixed(double x, int decimals, char *buf, size_t size)
{
    if (!isfinite(x)) {
        (void)snprintf(buf, size, "unknown");
        return buf;
    }
    return wn_num_fixed(x, decimals, buf, size);
}
