/* wane export: a row as CSV (RFC 4180) or JSON (RFC 8259).
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "export.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "base/num.h"

static void put_json_text(struct out *o, const char *x)
{
    json_t *s = json_string(x); /* NULL when it is no UTF-8 */
    if (s == NULL || json_dumpf(s, o->f, JSON_ENCODE_ANY) != 0) {
        (void)fputs("null", o->f);
    }
    json_decref(s);
}

/* True: the name is all that is wanted. */
static bool name_column(struct out *o, const char *name)
{
    if (o->json) {
        (void)fprintf(o->f, "%s\"%s\":", o->field ? "," : "", name);
        o->field = true;
    } else if (o->naming) {
        wn_csv_put_text(&o->csv, name);
    }
    return o->naming;
}

void out_number(struct out *o, const char *name, double x)
{
    char buf[WN_NUM_SIZE];
    if (name_column(o, name)) {
        return;
    }
    if (!o->json) {
        wn_csv_put_number(&o->csv, x);
    } else if (!isfinite(x)) {
        (void)fputs("null", o->f);
    } else { /* a real stays a real for who reads it: 3 is written 3.0 */
        (void)wn_num_format(x, 10, buf, sizeof buf);
        (void)fprintf(o->f, "%s%s", buf, buf[strcspn(buf, ".e")] == '\0' ? ".0" : "");
    }
}

void out_decimal(struct out *o, const char *name, int64_t x, int decimals)
{
    char digits[24], buf[32];
    uint64_t size = x < 0 ? -(uint64_t)x : (uint64_t)x;
    int n = snprintf(digits, sizeof digits, "%0*llu", decimals + 1, (unsigned long long)size);
    wn_assert(decimals >= 0 && decimals < 10 && n > decimals && n < (int)sizeof digits);
    int end = n; /* of what is not a trailing zero */
    while (end > n - decimals && digits[end - 1] == '0') {
        end--;
    }
    (void)snprintf(buf, sizeof buf, "%s%.*s%s%.*s", x < 0 ? "-" : "", n - decimals, digits,
                   end > n - decimals ? "."
                   : o->json          ? ".0"
                                      : "",
                   end - (n - decimals), digits + n - decimals);
    if (name_column(o, name)) {
        return;
    }
    if (o->json) {
        (void)fputs(buf, o->f);
    } else {
        wn_csv_put_text(&o->csv, buf);
    }
}

void out_integer(struct out *o, const char *name, int64_t x)
{
    if (name_column(o, name)) {
        return;
    }
    if (o->json) {
        (void)fprintf(o->f, "%lld", (long long)x);
    } else {
        wn_csv_put_integer(&o->csv, x);
    }
}

void out_text(struct out *o, const char *name, const char *x)
{
    if (name_column(o, name)) {
        return;
    }
    if (!o->json) {
        wn_csv_put_text(&o->csv, x != NULL ? x : "");
    } else if (x != NULL) {
        put_json_text(o, x);
    } else {
        (void)fputs("null", o->f);
    }
}

void out_nothing(struct out *o, const char *name)
{
    out_text(o, name, NULL);
}

void out_flags(struct out *o, unsigned set)
{
    char words[160];
    if (o->json) {
        json_t *list = wane_flags_json(set);
        (void)name_column(o, "flags");
        wane_dump_row(list, o->f);
    } else {
        out_text(o, "flags", wane_flags_text(set, words, sizeof words));
    }
}

void out_row(struct out *o)
{
    if (o->json) {
        (void)fputs(o->began ? ",\n{" : "\n{", o->f);
        o->field = false;
        o->began = true;
    } else {
        o->csv = (struct wn_csv_out){o->f, false};
    }
}

void out_row_end(struct out *o, const char *simulated)
{
    if (o->json) {
        (void)fputc('}', o->f);
    } else {
        out_integer(o, simulated, o->simulated);
        wn_csv_end_row(&o->csv);
    }
}

void out_begin(struct out *o, const char *key)
{
    if (o->json) {
        (void)fputs("{\"campaign\": ", o->f);
        put_json_text(o, o->campaign->info.name);
        (void)fprintf(o->f, ", \"simulated\": %s, \"%s\": [", o->simulated ? "true" : "false", key);
    }
}

void out_end(struct out *o)
{
    if (o->json) {
        (void)fputs(o->began ? "\n]}\n" : "]}\n", o->f);
    }
}
