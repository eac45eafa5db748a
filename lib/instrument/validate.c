/* Dialects: is what was read from a file complete, and can it be sent?
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/dialect.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "instrument/exchange.h"
#include "instrument/records.h"

static const char no_values[] = "";
static const char protection_values[] = WN_PROTECTION_VALUES;
static const char current_values[] = WN_CURRENT_VALUES;
static const char power_values[] = WN_POWER_VALUES;
static const char read_values[] = WN_READ_VALUES;

struct checker {
    const struct wn_dialect *d;
    struct wn_error *err;
};

bool wn_value_listed(const char *list, const char *name, size_t len)
{
    for (const char *at = list; *at != '\0';) {
        size_t n = strcspn(at, " ");
        if (n == len && memcmp(at, name, len) == 0) {
            return true;
        }
        at += n;
        at += strspn(at, " ");
    }
    return false;
}

static bool needed(const struct checker *c, const char *key, const char *text)
{
    if (text[0] != '\0') {
        return true;
    }
    (void)wn_error_set(c->err, WN_EMISSING, "%s: %s is missing", c->d->file, key);
    return false;
}

/* One template: text that can be sent, and only values that are there when it is sent. */
static bool good_template(const struct checker *c, const char *key, const char *text,
                          const char *values)
{
    if (!needed(c, key, text)) {
        return false;
    }
    for (const char *at = text; *at != '\0'; at++) {
        if (*at < 0x20 || *at > 0x7e) {
            (void)wn_error_set(
                c->err, WN_EINVAL,
                "%s: %s holds a byte that is no printable ASCII; the terminator is added by itself",
                c->d->file, key);
            return false;
        }
    }
    for (const char *at = strchr(text, '{'); at != NULL; at = strchr(at, '{')) {
        size_t n = strcspn(++at, "}");
        bool channel = n == strlen("channel") && strncmp(at, "channel", n) == 0;
        if (at[n] == '\0' || !(channel || wn_value_listed(values, at, n))) {
            (void)wn_error_set(
                c->err, WN_EINVAL, "%s: %s: \"%s\": {%.*s} is not one of the values for it (%s)",
                c->d->file, key, text, (int)n, at, values[0] != '\0' ? values : "it takes none");
            return false;
        }
    }
    return true;
}

static bool good_sequence(const struct checker *c, const char *key, const struct wn_sequence *q,
                          const char *values)
{
    if (q->n < 0 || q->n > WN_SEQUENCE_MAX) {
        (void)wn_error_set(c->err, WN_ERANGE, "%s: %s has %d commands, at most %d", c->d->file, key,
                           q->n, WN_SEQUENCE_MAX);
        return false;
    }
    for (int i = 0; i < q->n; i++) {
        if (!good_template(c, key, q->line[i], values)) {
            return false;
        }
    }
    return true;
}

static bool good_readback(const struct checker *c, const char *key, const struct wn_readback *rb,
                          const char *values)
{
    struct wn_setpoints any = {0};
    size_t n = strlen(rb->expect);
    if (!good_template(c, key, rb->query, no_values) || !needed(c, key, rb->expect)) {
        return false;
    }
    if (wn_setpoint_find(&any, rb->expect, n) == NULL) {
        return true; /* a literal text */
    }
    if (!wn_value_listed(values, rb->expect, n)) {
        (void)wn_error_set(c->err, WN_EINVAL, "%s: %s: expect is \"%s\", which is not one of %s",
                           c->d->file, key, rb->expect, values);
        return false;
    }
    if (!(rb->tolerance > 0) || !isfinite(rb->tolerance)) {
        (void)wn_error_set(c->err, WN_EINVAL, "%s: %s: \"%s\" needs a tolerance above zero",
                           c->d->file, key, rb->expect);
        return false;
    }
    return true;
}

static bool good_mode(const struct checker *c, const char *name, const struct wn_mode *m,
                      const char *values)
{
    char key[32];
    (void)snprintf(key, sizeof key, "%s.set", name);
    if (m->set.n == 0) {
        (void)wn_error_set(c->err, WN_EMISSING, "%s: %s is missing", c->d->file, key);
        return false;
    }
    if (!good_sequence(c, key, &m->set, values)) {
        return false;
    }
    (void)snprintf(key, sizeof key, "%s.readback", name);
    if (m->readbacks < 1 || m->readbacks > WN_READBACKS_MAX) {
        (void)wn_error_set(
            c->err, WN_EMISSING,
            "%s: %s needs 1 to %d queries: a garbled set-point must never drive a cell", c->d->file,
            key, WN_READBACKS_MAX);
        return false;
    }
    for (int i = 0; i < m->readbacks; i++) {
        if (!good_readback(c, key, &m->readback[i], values)) {
            return false;
        }
    }
    return true;
}

static int count_field(const struct wn_dialect *d, enum wn_field f)
{
    int n = 0;
    for (int k = 0; k < d->reads; k++) {
        for (int i = 0; i < d->read[k].fields; i++) {
            n += d->read[k].field[i].what == f;
        }
    }
    return n;
}

/* A comma can be one or the other: a separator, or a decimal sign. */
static bool good_read(const struct checker *c, const struct wn_read *read)
{
    const char *what = NULL;
    if (read->fields < 1 || read->fields > WN_FIELDS_MAX) {
        (void)wn_error_set(c->err, WN_ERANGE, "%s: read.fields has %d fields, 1 to %d are possible",
                           c->d->file, read->fields, WN_FIELDS_MAX);
        return false;
    }
    for (int i = 0; i < read->fields; i++) {
        const struct wn_field_form *f = &read->field[i];
        if (f->decimal_comma && read->separator == ',') {
            what = "a decimal comma and a comma between the fields cannot be told apart";
        } else if (!(f->scale >= 0) || !isfinite(f->scale)) {
            what = "scale must be above 0";
        } else if (read->separator != '\0' && (strchr(f->prefix, read->separator) != NULL ||
                                               strchr(f->suffix, read->separator) != NULL)) {
            what = "prefix or suffix holds the separator";
        }
    }
    if (read->fields > 1 && read->separator == '\0') {
        what = "read.separator is missing";
    }
    if (what != NULL) {
        (void)wn_error_set(c->err, WN_EINVAL, "%s: %s", c->d->file, what);
    }
    return what == NULL && good_template(c, "read.query", read->query, read_values);
}

static bool good_fields(const struct checker *c)
{
    const struct wn_dialect *d = c->d;
    const char *what = NULL;
    if (d->reads < 1 || d->reads > WN_READS_MAX) {
        (void)wn_error_set(c->err, WN_ERANGE, "%s: read has %d queries, 1 to %d are possible",
                           d->file, d->reads, WN_READS_MAX);
        return false;
    }
    for (int k = 0; k < d->reads; k++) {
        if (!good_read(c, &d->read[k])) {
            return false;
        }
    }
    for (int f = WN_FIELD_TIME_S; f <= WN_FIELD_OUTPUT; f++) {
        if (count_field(d, (enum wn_field)f) > 1) {
            (void)wn_error_set(c->err, WN_EINVAL, "%s: read.fields tells the %s twice: ignore one",
                               d->file, wn_field_name((enum wn_field)f));
            return false;
        }
    }
    if (wn_role_sources(d->kind) &&
        (count_field(d, WN_FIELD_VOLTAGE_V) == 0 || count_field(d, WN_FIELD_CURRENT_A) == 0)) {
        what = "read.fields must hold voltage_v and current_a";
    } else if (d->kind == WN_ROLE_THERMOMETER && count_field(d, WN_FIELD_TEMPERATURE_C) == 0 &&
               count_field(d, WN_FIELD_AMBIENT_C) == 0) {
        what = "read.fields must hold temperature_c or ambient_c";
    } else if (d->kind == WN_ROLE_RELAY && count_field(d, WN_FIELD_OUTPUT) == 0) {
        what = "read.fields must hold output: is the contact closed?";
    } else if (d->has_clock && count_field(d, WN_FIELD_TIME_S) == 0) {
        what = "has_clock is true, but read.fields holds no time_s";
    }
    if (what != NULL) {
        (void)wn_error_set(c->err, WN_EMISSING, "%s: %s", d->file, what);
    }
    return what == NULL;
}

/* What the guard writes is complete in itself: the guard expands nothing and appends nothing. */
static bool good_safe_off(const struct checker *c)
{
    const struct wn_dialect *d = c->d;
    size_t n = strlen(d->terminator);
    if (d->safe_off_len == 0 || d->safe_off_len >= sizeof d->safe_off) {
        (void)wn_error_set(c->err, WN_EMISSING,
                           "%s: safe_off is missing: it is what the guard sends", d->file);
        return false;
    }
    if (d->safe_off_len < n || memcmp(d->safe_off + d->safe_off_len - n, d->terminator, n) != 0) {
        (void)wn_error_set(c->err, WN_EINVAL, "%s: safe_off must end with the terminator", d->file);
        return false;
    }
    const char *brace = memchr(d->safe_off, '{', d->safe_off_len);
    if (brace != NULL && strncmp(brace, "{channel}", strlen("{channel}")) != 0) {
        (void)wn_error_set(c->err, WN_EINVAL, "%s: safe_off takes no values: write it out",
                           d->file);
        return false;
    }
    return true;
}

static bool good_numbers(const struct checker *c)
{
    const struct wn_dialect *d = c->d;
    const char *what = NULL;
    if (!(d->reply_timeout_s > 0) || d->reply_timeout_s > 60) {
        what = "reply_timeout must be above 0 and at most 60 s";
    } else if (d->retries < 0 || d->retries > 10) {
        what = "retries must be 0 to 10";
    } else if (!(d->character_delay_s >= 0) || d->character_delay_s > 1) {
        what = "character_delay must be at most 1 s";
    } else if (d->checksum.used && d->checksum.form == WN_CHECKSUM_DECIMAL &&
               d->checksum.separator[0] == '\0') {
        what = "checksum.form = \"decimal\" needs a separator: nothing else tells where it begins";
    } else if (!(d->overload > 0)) {
        what = "overload must be above 0; SCPI instruments have 9.9e37";
    } else if (d->current_sign != 1 && d->current_sign != -1) {
        what = "current_sign must be \"charge positive\" or \"discharge positive\"";
    } else if (d->protocol == WN_PROTOCOL_LINES && strcmp(d->terminator, "\n") != 0 &&
               strcmp(d->terminator, "\r\n") != 0 && strcmp(d->terminator, "\r") != 0) {
        what = "terminator must be \"\\n\", \"\\r\\n\" or \"\\r\"";
    }
    if (what != NULL) {
        (void)wn_error_set(c->err, WN_EINVAL, "%s: %s", d->file, what);
    }
    return what == NULL;
}

/* What one kind has and another has not. */
static bool good_modes(const struct checker *c)
{
    const struct wn_dialect *d = c->d;
    bool charges = wn_role_charges(d->kind), discharges = wn_role_discharges(d->kind);
    const char *odd = !charges && d->charge.set.n > 0                                ? "charge"
                      : !discharges && d->discharge.set.n > 0                        ? "discharge"
                      : !discharges && d->power.set.n > 0                            ? "power"
                      : d->kind == WN_ROLE_THERMOMETER && d->on.n + d->off.n > 0     ? "on and off"
                      : d->kind == WN_ROLE_THERMOMETER && d->output_query[0] != '\0' ? "output"
                      : d->kind == WN_ROLE_THERMOMETER && d->safe_off_len > 0        ? "safe_off"
                                                                                     : NULL;
    if (odd != NULL) {
        (void)wn_error_set(c->err, WN_EINVAL, "%s: a %s has no %s: leave it out, or correct kind",
                           d->file, wn_role_name(d->kind), odd);
        return false;
    }
    return (!charges || good_mode(c, "charge", &d->charge, current_values)) &&
           (!discharges || good_mode(c, "discharge", &d->discharge, current_values)) &&
           (d->power.set.n == 0 || good_mode(c, "power", &d->power, power_values));
}

static bool good_switching(const struct checker *c)
{
    const struct wn_dialect *d = c->d;
    return needed(c, "on", d->on.n > 0 ? d->on.line[0] : "") &&
           good_sequence(c, "on", &d->on, no_values) &&
           needed(c, "off", d->off.n > 0 ? d->off.line[0] : "") &&
           good_sequence(c, "off", &d->off, no_values) &&
           good_template(c, "output.query", d->output_query, no_values) &&
           needed(c, "output.off_reply", d->output_off_reply) && good_safe_off(c);
}

int wn_dialect_validate(const struct wn_dialect *d, struct wn_error *err)
{
    struct wn_error own;
    const struct checker check = {d, err != NULL ? err : &own};
    const struct checker *c = &check;
    wn_error_clear(c->err);
    switch (d->protocol) {
    case WN_PROTOCOL_LINES:
        break;
    case WN_PROTOCOL_MODBUS:
        return good_numbers(c) ? wn_map_validate(d, c->err) : c->err->code;
    case WN_PROTOCOL_RECORDS:
        return wn_records_validate(d, c->err);
    }
    bool good =
        good_numbers(c) && good_template(c, "identity.query", d->identity_query, no_values) &&
        needed(c, "identity.prefix", d->identity_prefix) &&
        good_sequence(c, "setup", &d->setup, protection_values) && good_modes(c) &&
        good_fields(c) &&
        (d->error_query[0] == '\0' || good_template(c, "error_query", d->error_query, no_values)) &&
        (!wn_role_switches(d->kind) || good_switching(c));
    return good ? WN_OK : c->err->code;
}
