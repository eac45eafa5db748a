/* wane import: reading recorded logs.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "import.h"

#include <errno.h>
#include <math.h>
#include <string.h>
#include <sys/stat.h>

#define TIME_MAX_S    4e9 /* 126 years: seconds since 1970 fit */
#define CAMPAIGN_MAX  INT64_C(8000000000000000000)
#define VOLTAGE_MAX_V 1e3
#define CURRENT_MAX_A 1e4

static int no_file(const char *name, int why, struct wn_error *err)
{
    return wn_error_set(err, why == ENOENT ? WN_ENOENT : WN_EIO, "%s: %s", name, strerror(why));
}

int log_size(char *const *file, int files, int64_t *bytes, struct wn_error *err)
{
    *bytes = 0;
    for (int i = 0; i < files; i++) {
        struct stat st;
        if (stat(file[i], &st) != 0) {
            return no_file(file[i], errno, err);
        }
        if (!S_ISREG(st.st_mode)) {
            return wn_error_set(err, WN_EINVAL,
                                "%s is no regular file: a log is read twice, so a %s will not do",
                                file[i], S_ISDIR(st.st_mode) ? "directory" : "pipe or device");
        }
        *bytes += (int64_t)st.st_size;
    }
    return WN_OK;
}

static void close_file(struct log *l)
{
    l->bytes += l->csv.bytes;
    wn_csv_close(&l->csv);
    if (l->f != NULL) {
        (void)fclose(l->f);
    }
    l->f = NULL;
}

static int open_file(struct log *l, struct wn_error *err)
{
    const char *name = l->file[l->present];
    l->f = fopen(name, "re");
    if (l->f == NULL) {
        return no_file(name, errno, err);
    }
    int rc = wn_csv_open_as(&l->csv, l->f, name, &l->form->csv, err);
    rc = rc == WN_OK ? log_columns(l->form, &l->csv, l->column, err) : rc;
    bool cycles = l->column[LOG_CYCLE].at >= 0;
    if (rc == WN_OK && l->present > 0 && cycles != l->has_cycles) {
        rc = wn_error_set(err, WN_EINVAL,
                          "%s:%lld: only one of the logs has a column of cycles: leave it out of "
                          "all, or import them apart",
                          name, (long long)l->csv.line);
    }
    l->has_cycles = cycles;
    l->file_begins = true;
    l->time_form = LOG_TIME_UNKNOWN;
    return rc;
}

int log_open(struct log *l, const struct log_form *form, char *const *file, int files,
             struct wn_error *err)
{
    memset(l, 0, sizeof *l);
    l->form = form;
    l->file = file;
    l->files = files;
    l->sign = 1;
    l->cycle_before = -1;
    return open_file(l, err);
}

void log_close(struct log *l)
{
    close_file(l);
}

int64_t log_bytes(const struct log *l)
{
    return l->bytes + l->csv.bytes;
}

static int bad(const struct log *l, struct wn_error *err, const char *what)
{
    return wn_error_set(err, WN_EINVAL, "%s:%lld: %s", l->csv.name, (long long)l->csv.line, what);
}

static int odd_time(const struct log *l, const char *text, const char *why, struct wn_error *err)
{
    char name[64], what[41];
    return wn_error_set(err, WN_ESYNTAX, "%s:%lld: %s is '%s', %s", l->csv.name,
                        (long long)l->csv.line,
                        wn_csv_shown(l->csv.column[l->column[LOG_TIME].at], name, sizeof name),
                        wn_csv_shown(text, what, sizeof what), why);
}

/* The first time of a file tells how the others are written. */
static int take_time(struct log *l, double *out_s, struct wn_error *err)
{
    const struct log_column *c = &l->column[LOG_TIME];
    const char *text = l->csv.field[c->at], *why = NULL;
    if (l->time_form == LOG_TIME_UNKNOWN && text[0] != '\0') {
        l->time_form = log_time_form(text);
        if (l->time_form == LOG_TIME_NUMBER && c->unit_assumed && l->form->strict) {
            l->fatal = true;
            return odd_time(l, text,
                            "and its unit is not told: --strict assumes none, write --map "
                            "time='...@s', or what it is",
                            err);
        }
    }
    if (l->time_form <= LOG_TIME_NUMBER || text[0] == '\0') {
        int rc = wn_csv_number(&l->csv, c->at, out_s, err);
        *out_s *= c->scale;
        return rc;
    }
    int rc = log_time_read(text, l->time_form, out_s, &why);
    return rc == WN_OK ? rc : odd_time(l, text, why, err);
}

static int take_values(struct log *l, double *x, struct wn_error *err)
{
    int rc = take_time(l, &x[LOG_TIME], err);
    for (int q = LOG_VOLTAGE; q < LOG_ROUND && rc == WN_OK; q++) {
        const struct log_column *c = &l->column[q];
        rc = wn_csv_number(&l->csv, c->at, &x[q], err);
        x[q] = x[q] * c->scale + c->offset;
    }
    return rc;
}

static int check_values(const struct log *l, const double *x, struct wn_error *err)
{
    for (int q = LOG_TIME; q <= LOG_CURRENT; q++) {
        if (isnan(x[q])) {
            char name[64];
            return wn_error_set(err, WN_EMISSING, "%s:%lld: %s is missing", l->csv.name,
                                (long long)l->csv.line,
                                wn_csv_shown(l->csv.column[l->column[q].at], name, sizeof name));
        }
    }
    if (fabs(x[LOG_TIME]) > TIME_MAX_S) {
        return bad(l, err, "the time is too large: say its unit, as in --map time='...@ms'");
    }
    if (fabs(x[LOG_VOLTAGE]) > VOLTAGE_MAX_V || fabs(x[LOG_CURRENT]) > CURRENT_MAX_A) {
        return bad(l, err,
                   "this is no voltage or current of a cell: say the units, as in "
                   "--map voltage='...@mV'");
    }
    double cycle = x[LOG_CYCLE];
    if (l->has_cycles && !isnan(cycle) && (cycle != floor(cycle) || cycle < 0 || cycle > 1e9)) {
        return bad(l, err, "cycle is no whole number");
    }
    return WN_OK;
}

/* A cycle that is not told is that of the row before. A further log may count its cycles anew: they
 * go on then. */
static int take_cycle(struct log *l, double x, int64_t *out, struct wn_error *err)
{
    *out = -1;
    if (!l->has_cycles) {
        return WN_OK;
    }
    int64_t cycle = isnan(x) ? l->last_cycle : (int64_t)x + l->cycle_offset;
    if (l->begun && l->file_begins && !isnan(x) && cycle < l->last_cycle) {
        l->cycle_offset += l->last_cycle + 1 - cycle;
        cycle = l->last_cycle + 1;
    }
    if (l->begun && cycle < l->last_cycle) {
        return bad(l, err, "cycle is below that of the row before: sort the rows");
    }
    *out = cycle;
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
        if (!l->file_begins && (l->time_form == LOG_TIME_STAMP ||
                                time_s > l->segment_s + 0.5 * (l->last_s - l->segment_s))) {
            return bad(l, err,
                       l->time_form == LOG_TIME_STAMP
                           ? "the time of day goes back: rows are out of order, or a clock was set"
                           : "time goes back: rows are out of order (a new step may begin anew, "
                             "near where the last one began)");
        }
        out->reading.time_ns = l->last_ns;
        return WN_OK;
    }
    wn_ns step_ns = wn_ns_from_s(time_s - l->last_s);
    if (step_ns > CAMPAIGN_MAX - l->last_ns) {
        return bad(l, err, "the log is longer than two centuries: is its time in seconds?");
    }
    out->reading.time_ns = l->last_ns + step_ns;
    return WN_OK;
}

/* The next line; of the next log where one has ended. */
static int next_line(struct log *l, bool *end, struct wn_error *err)
{
    int rc = wn_csv_next(&l->csv, end, err);
    while (rc == WN_OK && *end && l->present + 1 < l->files) {
        close_file(l);
        l->present++;
        rc = open_file(l, err);
        if (rc != WN_OK) {
            l->fatal = true;
            return rc;
        }
        rc = wn_csv_next(&l->csv, end, err);
    }
    l->fatal = rc == WN_EIO || rc == WN_ENOMEM;
    return rc;
}

static void take_reading(const struct log *l, const double *x, struct wn_reading *r)
{
    r->voltage_v = x[LOG_VOLTAGE];
    r->current_a = l->sign * x[LOG_CURRENT];
    r->temperature_c = x[LOG_TEMPERATURE];
    r->ambient_c = x[LOG_AMBIENT];
    r->has = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TIME |
             (isnan(x[LOG_TEMPERATURE]) ? 0u : WN_HAS_TEMPERATURE) |
             (isnan(x[LOG_AMBIENT]) ? 0u : WN_HAS_AMBIENT);
}

/* By its column round, or by the rule that was given. */
static bool is_check_up(const struct log *l, int64_t cycle)
{
    const struct log_form *f = l->form;
    int round = l->column[LOG_ROUND].at;
    bool ruled = f->check_up_every > 0 && l->has_cycles && cycle >= f->check_up_from &&
                 (cycle - f->check_up_from) % f->check_up_every == 0;
    return ruled || (round >= 0 && strcmp(l->csv.field[round], "check-up") == 0);
}

/* A cycle that a check-up cuts in two would be told as two. */
static int take_check_up(const struct log *l, struct log_row *out, struct wn_error *err)
{
    out->check_up = is_check_up(l, out->cycle);
    out->begins = l->form->check_up_every > 0 && out->cycle != l->last_cycle;
    if (l->in_check_up && !out->check_up && l->has_cycles && out->cycle == l->cycle_before) {
        return bad(l, err,
                   "the cycle goes on behind a check-up: a check-up stands between two cycles");
    }
    return WN_OK;
}

int log_next(struct log *l, struct log_row *out, bool *end, struct wn_error *err)
{
    double x[LOG_QUANTITIES];
    memset(out, 0, sizeof *out);
    int rc = next_line(l, end, err);
    if (rc != WN_OK || *end) {
        return rc;
    }
    rc = take_values(l, x, err);
    rc = rc == WN_OK ? check_values(l, x, err) : rc;
    rc = rc == WN_OK ? take_cycle(l, x[LOG_CYCLE], &out->cycle, err) : rc;
    rc = rc == WN_OK ? take_check_up(l, out, err) : rc;
    rc = rc == WN_OK ? place(l, x[LOG_TIME], out, err) : rc;
    if (rc != WN_OK) {
        return rc;
    }
    take_reading(l, x, &out->reading);
    out->simulated = x[LOG_SIMULATED] > 0;
    l->cycle_told = l->cycle_told || !isnan(x[LOG_CYCLE]);
    out->outside = l->has_cycles && !l->cycle_told && !out->check_up;
    out->segment = out->segment || l->left_out; /* nothing is known of what lies between */
    l->left_out = out->outside;
    l->first_s = l->begun ? l->first_s : x[LOG_TIME];
    l->segment_s = out->segment ? x[LOG_TIME] : l->segment_s;
    l->last_s = x[LOG_TIME];
    l->last_ns = out->reading.time_ns;
    l->last_cycle = out->cycle;
    l->in_check_up = out->check_up;
    l->cycle_before = out->check_up ? l->cycle_before : out->cycle;
    l->begun = true;
    l->file_begins = false;
    return WN_OK;
}
