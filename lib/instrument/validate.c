/* Dialects: the checks a dialect must pass before anything is sent.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/dialect.h"

#include <string.h>

static const double *find(const char *name, size_t len)
{
    static const struct wn_setpoints any;
    return wn_setpoint_find(&any, name, len);
}

static int check_template(const struct wn_dialect *d, const char *what, const char *tmpl, struct wn_error *err)
{
    for (const char *p = strchr(tmpl, '{'); p != NULL; p = strchr(p + 1, '{')) {
        const char *close = strchr(p, '}');
        if (close == NULL || find(p + 1, (size_t)(close - p - 1)) == NULL) {
            return wn_error_set(err, WN_EINVAL, "%s: %s: '%s' holds a {value} that is not known", d->file,
                                what, tmpl);
        }
    }
    return WN_OK;
}

static int check_sequence(const struct wn_dialect *d, const char *what, const struct wn_sequence *s,
                          struct wn_error *err)
{
    int rc = WN_OK;
    for (int i = 0; i < s->n && rc == WN_OK; i++) {
        rc = check_template(d, what, s->line[i], err);
    }
    return rc;
}

static int require(const struct wn_dialect *d, bool there, const char *what, struct wn_error *err)
{
    return there ? WN_OK : wn_error_set(err, WN_EMISSING, "%s: %s is missing", d->file, what);
}

static bool reports(const struct wn_dialect *d, enum wn_field f)
{
    int n = 0;
    for (int i = 0; i < d->fields; i++) {
        n += d->field[i] == f;
    }
    return n == 1;
}

int wn_dialect_validate(const struct wn_dialect *d, struct wn_error *err)
{
    const struct {
        bool there;
        const char *what;
    } needed[] = {
        {d->terminator[0] != '\0', "terminator"},
        {d->identity_query[0] != '\0' && d->identity_prefix[0] != '\0', "identity"},
        {d->off.n > 0, "off"},
        {d->on.n > 0, "on"},
        {d->output_query[0] != '\0' && d->output_off_reply[0] != '\0', "output (query and off_reply)"},
        {d->read_query[0] != '\0', "read.query"},
        {d->safe_off_len > 0, "safe_off"},
        {reports(d, WN_FIELD_VOLTAGE_V), "exactly one field voltage_v"},
        {reports(d, WN_FIELD_CURRENT_A), "exactly one field current_a"},
        {!d->has_clock || reports(d, WN_FIELD_TIME_S), "exactly one field time_s (has_clock = true)"},
        {d->reply_timeout_s > 0, "reply_timeout"},
        {d->current_sign == 1 || d->current_sign == -1, "current_sign"},
    };
    int rc = WN_OK;
    for (size_t i = 0; i < sizeof needed / sizeof needed[0] && rc == WN_OK; i++) {
        rc = require(d, needed[i].there, needed[i].what, err);
    }
    rc = rc == WN_OK ? check_sequence(d, "setup", &d->setup, err) : rc;
    rc = rc == WN_OK ? check_sequence(d, "charge.set", &d->charge.set, err) : rc;
    rc = rc == WN_OK ? check_sequence(d, "discharge.set", &d->discharge.set, err) : rc;
    rc = rc == WN_OK ? check_sequence(d, "power.set", &d->power.set, err) : rc;
    rc = rc == WN_OK ? check_sequence(d, "on", &d->on, err) : rc;
    rc = rc == WN_OK ? check_sequence(d, "off", &d->off, err) : rc;
    return rc == WN_OK ? check_template(d, "read.query", d->read_query, err) : rc;
}
