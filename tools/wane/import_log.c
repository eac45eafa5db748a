/* wane import: reading a recorded log.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "import.h"

#include <math.h>
#include <string.h>

enum { TIME, VOLTAGE, CURRENT, TEMPERATURE, AMBIENT, CYCLE };

static const char *const names[LOG_COLUMNS] = {"time_s",        "voltage_v", "current_a",
                                               "temperature_c", "ambient_c", "cycle"};

#define TIME_MAX_S    4e9 /* 126 years: seconds since 1970 fit */
#define CAMPAIGN_MAX  INT64_C(8000000000000000000)
#define VOLTAGE_MAX_V 1e3
#define CURRENT_MAX_A 1e4

enum { COMPLAINTS_MAX = 20 };

int log_open(struct log *l, FILE *f, const char *name, struct wn_error *err)
{
    char missing[64] = "";
    memset(l, 0, sizeof *l);
    int rc = wn_csv_open(&l->csv, f, name, err);
    for (int i = 0; i < LOG_COLUMNS && rc == WN_OK; i++) {
        l->column[i] = wn_csv_column(&l->csv, names[i]);
        if (l->column[i] < 0 && i <= CURRENT) {
            size_t n = strlen(missing);
            (void)snprintf(missing + n, sizeof missing - n, "%s%s", n > 0 ? ", " : "", names[i]);
        }
    }
    if (rc == WN_OK && missing[0] != '\0') {
        rc = wn_error_set(
            err, WN_EMISSING,
            "%s:%lld: the header does not name %s; needed are time_s,voltage_v,current_a, and"
            " temperature_c,ambient_c,cycle where they are known",
            name, (long long)l->csv.line, missing);
    }
    l->has_cycles = rc == WN_OK && l->column[CYCLE] >= 0;
    return rc;
}

void log_close(struct log *l)
{
    wn_csv_close(&l->csv);
}

static int bad(const struct log *l, struct wn_error *err, const char *what)
{
    return wn_error_set(err, WN_EINVAL, "%s:%lld: %s", l->csv.name, (long long)l->csv.line, what);
}

static int check_values(const struct log *l, const double *x, struct wn_error *err)
{
    for (int i = TIME; i <= CURRENT; i++) {
        if (isnan(x[i])) {
            return wn_error_set(err, WN_EMISSING, "%s:%lld: %s is missing", l->csv.name,
                                (long long)l->csv.line, names[i]);
        }
    }
    if (fabs(x[TIME]) > TIME_MAX_S) {
        return bad(l, err, "time_s is too large: write seconds");
    }
    if (fabs(x[VOLTAGE]) > VOLTAGE_MAX_V || fabs(x[CURRENT]) > CURRENT_MAX_A) {
        return bad(l, err, "this is no voltage or current of a cell: write volt and ampere");
    }
    if (l->has_cycles &&
        (isnan(x[CYCLE]) || x[CYCLE] != floor(x[CYCLE]) || x[CYCLE] < 0 || x[CYCLE] > 1e9)) {
        return bad(l, err, "cycle is no whole number");
    }
    if (l->has_cycles && l->begun && x[CYCLE] < (double)l->last_cycle) {
        return bad(l, err, "cycle is below that of the row before: sort the rows");
    }
    return WN_OK;
}

/* Time may begin anew at a cycle or a step: it then falls back to the start of a segment. A row
 * that is merely out of order does not. */
static int place(struct log *l, double time_s, struct log_row *out, struct wn_error *err)
{
    out->segment = !l->begun || time_s < l->last_s;
    if (!l->begun) {
        out->reading.time_ns = 0;
        return WN_OK;
    }
    if (out->segment) {
        if (time_s > l->segment_s + 0.5 * (l->last_s - l->segment_s)) {
            return bad(l, err,
                       "time_s goes back: rows are out of order (a new step may begin anew, near "
                       "where the last one began)");
        }
        out->reading.time_ns = l->last_ns;
        return WN_OK;
    }
    wn_ns step_ns = wn_ns_from_s(time_s - l->last_s);
    if (step_ns > CAMPAIGN_MAX - l->last_ns) {
        return bad(l, err, "the log is longer than two centuries: is time_s in seconds?");
    }
    out->reading.time_ns = l->last_ns + step_ns;
    return WN_OK;
}

int log_next(struct log *l, struct log_row *out, bool *end, struct wn_error *err)
{
    double x[LOG_COLUMNS];
    memset(out, 0, sizeof *out);
    int rc = wn_csv_next(&l->csv, end, err);
    if (rc != WN_OK || *end) {
        return rc;
    }
    for (int i = 0; i < LOG_COLUMNS; i++) {
        rc = wn_csv_number(&l->csv, l->column[i], &x[i], err);
        if (rc != WN_OK) {
            return rc;
        }
    }
    rc = check_values(l, x, err);
    rc = rc == WN_OK ? place(l, x[TIME], out, err) : rc;
    if (rc != WN_OK) {
        return rc;
    }
    struct wn_reading *r = &out->reading;
    r->voltage_v = x[VOLTAGE];
    r->current_a = x[CURRENT];
    r->temperature_c = x[TEMPERATURE];
    r->ambient_c = x[AMBIENT];
    r->has = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TIME |
             (isnan(x[TEMPERATURE]) ? 0u : WN_HAS_TEMPERATURE) |
             (isnan(x[AMBIENT]) ? 0u : WN_HAS_AMBIENT);
    out->cycle = l->has_cycles ? (int64_t)x[CYCLE] : -1;
    l->segment_s = out->segment ? x[TIME] : l->segment_s;
    l->last_s = x[TIME];
    l->last_ns = r->time_ns;
    l->last_cycle = out->cycle;
    l->begun = true;
    return WN_OK;
}

int log_look(struct log *l, bool skip_bad, struct log_survey *out, struct wn_error *err)
{
    struct log_row row, before = {0};
    double discharge_s = 0;
    int64_t intervals = 0;
    memset(out, 0, sizeof *out);
    for (;;) {
        bool end = false;
        int rc = log_next(l, &row, &end, err);
        if (rc == WN_EIO || rc == WN_ENOMEM) {
            return rc;
        }
        if (rc != WN_OK) {
            if (out->bad++ < COMPLAINTS_MAX) {
                (void)fprintf(stderr, "%s\n", err->text);
            }
            continue;
        }
        if (end) {
            break;
        }
        out->current_max_a = fmax(out->current_max_a, fabs(row.reading.current_a));
        if (out->rows++ > 0 && !row.segment && row.reading.current_a < 0 &&
            before.reading.current_a < 0) {
            discharge_s += wn_ns_to_s(row.reading.time_ns - before.reading.time_ns);
            intervals++;
        }
        before = row;
    }
    if (out->bad > COMPLAINTS_MAX) {
        (void)fprintf(stderr, "and %lld more\n", (long long)(out->bad - COMPLAINTS_MAX));
    }
    out->discharge_interval_s = intervals > 0 ? discharge_s / (double)intervals : NAN;
    if (out->bad > 0 && !skip_bad) {
        return wn_error_set(err, WN_ESYNTAX,
                            "%s: %lld of %lld rows cannot be used; nothing was imported "
                            "(--skip-bad leaves them out)",
                            l->csv.name, (long long)out->bad,
                            (long long)out->bad + (long long)out->rows);
    }
    wn_error_clear(err);
    return out->rows > 0 ? WN_OK : wn_error_set(err, WN_EMISSING, "%s holds no row", l->csv.name);
}
