/* wane import: what must be known of a log before it is integrated.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "import.h"

#include <math.h>
#include <string.h>

#include "base/num.h"

#define SAME_LOAD 0.05 /* two currents are the same load within this part */
#define TELLS_V   0.1  /* so much the voltage must have moved to tell the sign of the current */

static void look_at(struct log_survey *s, const struct log_row *row, const struct log_row *before)
{
    const struct wn_reading *a = &before->reading, *b = &row->reading;
    s->simulated = s->simulated || row->simulated;
    s->current_max_a = fmax(s->current_max_a, fabs(b->current_a));
    bool loaded = s->rows++ > 0 && !row->segment && a->current_a * b->current_a > 0;
    if (!loaded) {
        return;
    }
    int which = b->current_a > 0;
    s->loaded = true;
    s->sum_s[row->check_up][which] += wn_ns_to_s(b->time_ns - a->time_ns);
    s->intervals[row->check_up][which]++;
    if (fabs(a->current_a - b->current_a) <= SAME_LOAD * fabs(b->current_a)) {
        s->rise_v[which] += b->voltage_v - a->voltage_v; /* the step of a load does not count */
    }
}

static void complain(struct log_survey *s, struct progress *p, const struct wn_error *err)
{
    if (s->bad++ < LOG_COMPLAINTS_MAX) {
        progress_clear(p);
        (void)fprintf(stderr, "%s\n", err->text);
    }
    s->commas = s->commas || strstr(err->text, "decimal mark") != NULL;
}

static int judge(const struct log *l, bool skip_bad, struct log_survey *s, struct wn_error *err)
{
    if (s->bad > LOG_COMPLAINTS_MAX) {
        (void)fprintf(stderr, "and %lld more\n", (long long)(s->bad - LOG_COMPLAINTS_MAX));
    }
    if (s->commas && l->csv.separator != ',') {
        (void)fputs("--decimal-comma reads 3,7 as a number\n", stderr);
    }
    for (int i = 0; i < 2; i++) {
        for (int c = 0; c < 2; c++) {
            int64_t n = s->intervals[c][i];
            s->interval_s[i] =
                fmax(s->interval_s[i], n > 0 ? s->sum_s[c][i] / (double)n : (double)NAN);
        }
    }
    s->first_s = l->time_form == LOG_TIME_STAMP ? l->first_s : NAN;
    const char *name = l->files == 1 ? l->file[0] : "the logs";
    if (s->bad > 0 && !skip_bad) {
        return wn_error_set(err, WN_ESYNTAX,
                            "%s: %lld of %lld rows cannot be used; nothing was imported "
                            "(--skip-bad leaves them out)",
                            name, (long long)s->bad, (long long)s->bad + (long long)s->rows);
    }
    wn_error_clear(err);
    return s->rows > 0 ? WN_OK
                       : wn_error_set(err, WN_EMISSING, "%s: there is no row to be used", name);
}

int log_look(struct log *l, bool skip_bad, struct progress *progress, struct log_survey *out,
             struct wn_error *err)
{
    struct log_row row, before = {.cycle = 0};
    memset(out, 0, sizeof *out);
    out->interval_s[0] = out->interval_s[1] = NAN;
    for (int64_t n = 0;; n++) {
        bool end = false;
        int rc = log_next(l, &row, &end, err);
        if (rc != WN_OK && l->fatal) {
            progress_clear(progress);
            return rc;
        }
        if (n % LOG_SHOW_EVERY == 0) {
            progress_show(progress, log_bytes(l));
        }
        if (rc != WN_OK) {
            complain(out, progress, err);
        } else if (end) {
            break;
        } else if (row.outside) {
            out->outside++;
        } else {
            look_at(out, &row, &before);
            before = row;
        }
    }
    progress_clear(progress);
    return judge(l, skip_bad, out, err);
}

int log_sign(const struct log_form *form, const struct log_survey *s, int *sign,
             struct wn_error *err)
{
    char a[WN_NUM_SIZE], b[WN_NUM_SIZE];
    double told = s->rise_v[1] - s->rise_v[0]; /* above zero: positive charges */
    bool clear = fabs(told) >= TELLS_V && told * s->rise_v[1] >= 0 && told * s->rise_v[0] <= 0;
    *sign = form->charge_sign != 0 ? form->charge_sign : clear && told < 0 ? -1 : 1;
    if (form->charge_sign != 0 || !s->loaded) {
        return WN_OK;
    }
    if (form->strict) {
        return wn_error_set(err, WN_EINVAL,
                            "--strict does not guess which sign of the current charges the cell: "
                            "give --charge-positive or --charge-negative");
    }
    (void)wn_num_fixed(s->rise_v[1], 2, a, sizeof a);
    (void)wn_num_fixed(s->rise_v[0], 2, b, sizeof b);
    if (clear && told < 0) {
        (void)fprintf(stderr,
                      "negative current charges the cell in this log (under it the voltage rose by "
                      "%s V, under positive current by %s V): it is turned round; "
                      "--charge-negative or --charge-positive settles it\n",
                      b, a);
    } else if (!clear) {
        (void)fprintf(stderr,
                      "the voltage does not tell which sign of the current charges the cell (%s V "
                      "under positive, %s V under negative): positive is taken to charge; "
                      "--charge-negative turns it round\n",
                      a, b);
    }
    return WN_OK;
}
