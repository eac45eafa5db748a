/* Dialects: commands from templates, readings from replies.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/dialect.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "base/num.h"
#include "instrument/exchange.h"

enum { SET_POINT_DIGITS = 9 }; /* finer than any instrument, and 0.1 stays 0.1 */

static const struct {
    const char *name;
    size_t offset;
} placeholders[] = {
    {"current_a", offsetof(struct wn_setpoints, current_a)},
    {"voltage_v", offsetof(struct wn_setpoints, voltage_v)},
    {"power_w", offsetof(struct wn_setpoints, power_w)},
    {"interval_s", offsetof(struct wn_setpoints, interval_s)},
    {"voltage_high_v", offsetof(struct wn_setpoints, voltage_high_v)},
    {"voltage_low_v", offsetof(struct wn_setpoints, voltage_low_v)},
    {"current_limit_a", offsetof(struct wn_setpoints, current_limit_a)},
    {"temperature_limit_c", offsetof(struct wn_setpoints, temperature_limit_c)},
    {"timeout_s", offsetof(struct wn_setpoints, timeout_s)},
};

struct wn_setpoints wn_setpoints_none(void)
{
    return (struct wn_setpoints){NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
}

const double *wn_setpoint_find(const struct wn_setpoints *sp, const char *name, size_t len)
{
    for (size_t i = 0; i < sizeof placeholders / sizeof placeholders[0]; i++) {
        if (strlen(placeholders[i].name) == len && memcmp(placeholders[i].name, name, len) == 0) {
            return (const double *)(const void *)((const char *)sp + placeholders[i].offset);
        }
    }
    return NULL;
}

const char *wn_reply_text(const char *reply, size_t len, char *buf, size_t size)
{
    wn_assert(size >= 8);
    bool cut = len > size - 1;
    size_t n = cut ? size - 4 : len;
    for (size_t i = 0; i < n; i++) {
        buf[i] = reply[i] >= 0x20 && reply[i] <= 0x7e ? reply[i] : '?';
    }
    memcpy(buf + n, cut ? "..." : "", cut ? 4 : 1);
    return buf;
}

const char *wn_field_name(enum wn_field f)
{
    switch (f) {
    case WN_FIELD_TIME_S:
        return "time";
    case WN_FIELD_VOLTAGE_V:
        return "voltage";
    case WN_FIELD_CURRENT_A:
        return "current";
    case WN_FIELD_TEMPERATURE_C:
        return "temperature";
    case WN_FIELD_AMBIENT_C:
        return "ambient temperature";
    case WN_FIELD_OUTPUT:
        return "output";
    case WN_FIELD_IGNORE:
        break;
    }
    return "ignored";
}

struct writer {
    char *out;
    size_t size, len; /* len may pass size: then it did not fit */
};

static void append(struct writer *w, const char *text, size_t len)
{
    if (w->len + len < w->size) {
        memcpy(w->out + w->len, text, len);
    }
    w->len += len;
}

/* Replaces the placeholder whose name begins at name; returns what follows its brace, NULL on
 * error. */
static const char *replace(const struct wn_dialect *d, const char *tmpl, const char *name,
                           const struct wn_setpoints *sp, struct writer *w, struct wn_error *err)
{
    const char *end = strchr(name, '}');
    if (end == NULL) {
        (void)wn_error_set(err, WN_EINVAL, "%s: \"%s\" has { without }", d->file, tmpl);
        return NULL;
    }
    const double *value = sp != NULL ? wn_setpoint_find(sp, name, (size_t)(end - name)) : NULL;
    if (sp != NULL && value == NULL) {
        (void)wn_error_set(err, WN_EINVAL, "%s: \"%s\": {%.*s} is no value that can be sent",
                           d->file, tmpl, (int)(end - name), name);
        return NULL;
    }
    if (value == NULL || !isfinite(*value)) {
        (void)wn_error_set(err, WN_EINVAL, "%s: \"%s\": there is no value for {%.*s} here", d->file,
                           tmpl, (int)(end - name), name);
        return NULL;
    }
    char number[WN_NUM_SIZE];
    (void)wn_num_format(*value, SET_POINT_DIGITS, number, sizeof number);
    append(w, number, strlen(number));
    return end + 1;
}

int wn_dialect_expand(const struct wn_dialect *d, const char *tmpl, const struct wn_setpoints *sp,
                      char *out, size_t size, size_t *len, struct wn_error *err)
{
    struct writer w = {out, size, 0};
    const char *at = tmpl;
    wn_assert(size > 0);
    while (*at != '\0') {
        const char *brace = strchr(at, '{');
        size_t plain = brace != NULL ? (size_t)(brace - at) : strlen(at);
        append(&w, at, plain);
        if (brace == NULL) {
            break;
        }
        at = replace(d, tmpl, brace + 1, sp, &w, err);
        if (at == NULL) {
            return WN_EINVAL;
        }
    }
    append(&w, d->terminator, strlen(d->terminator));
    if (w.len >= size) {
        return wn_error_set(err, WN_ERANGE,
                            "%s: \"%s\" becomes %zu characters, at most %zu are sent: split it",
                            d->file, tmpl, w.len, size - 1);
    }
    out[w.len] = '\0';
    *len = w.len;
    return WN_OK;
}

struct field_at {
    const struct wn_dialect *dialect;
    const char *reply; /* the whole one, for messages */
    size_t reply_len;
    const char *text;
    size_t len;
    int number;        /* counted from 1 */
    const char *query; /* NULL: of a record nobody asked for */
    const struct wn_field_form *form;
};

static int refuse(const struct field_at *f, const char *why, struct wn_error *err)
{
    char text[120];
    const char *query = f->query != NULL ? f->query : "";
    return wn_error_set(
        err, WN_EFRAME, "%s '%s'%s%.*s %s (field %d, %s)", f->query != NULL ? "reply" : "record",
        wn_reply_text(f->reply, f->reply_len, text, sizeof text), f->query != NULL ? " to " : "",
        (int)strcspn(query, " "), query, why, f->number, wn_field_name(f->form->what));
}

static int decode_output(const struct field_at *f, struct wn_reading *r, struct wn_error *err)
{
    if ((f->len == 1 && f->text[0] == '1') || (f->len == 2 && memcmp(f->text, "ON", 2) == 0)) {
        r->output_on = 1;
    } else if ((f->len == 1 && f->text[0] == '0') ||
               (f->len == 3 && memcmp(f->text, "OFF", 3) == 0)) {
        r->output_on = 0;
    } else {
        return refuse(f, "tells neither 0, 1, OFF nor ON", err);
    }
    r->has |= WN_HAS_OUTPUT;
    return WN_OK;
}

bool wn_dialect_take(const struct wn_dialect *d, enum wn_field what, double value,
                     struct wn_reading *r)
{
    switch (what) {
    case WN_FIELD_TIME_S:
        if (value < 0 || value > 9e9) { /* 285 years */
            return false;
        }
        r->time_ns = wn_ns_from_s(value);
        r->has |= WN_HAS_TIME;
        break;
    case WN_FIELD_VOLTAGE_V:
        r->voltage_v = value;
        r->has |= WN_HAS_VOLTAGE;
        break;
    case WN_FIELD_CURRENT_A:
        r->current_a = d->current_sign < 0 ? 0 - value : value;
        r->has |= WN_HAS_CURRENT;
        break;
    case WN_FIELD_TEMPERATURE_C:
        r->temperature_c = value;
        r->has |= WN_HAS_TEMPERATURE;
        break;
    case WN_FIELD_AMBIENT_C:
        r->ambient_c = value;
        r->has |= WN_HAS_AMBIENT;
        break;
    case WN_FIELD_OUTPUT:
    case WN_FIELD_IGNORE:
        break;
    }
    return true;
}

/* A comma where a point is read, and no point where a comma was declared: a thousands separator
 * must never become a decimal sign. */
static int parse(const struct field_at *f, double *value)
{
    char text[64];
    if (!f->form->decimal_comma) {
        return wn_num_parse(f->text, f->len, value);
    }
    if (f->len >= sizeof text || memchr(f->text, '.', f->len) != NULL) {
        return WN_ESYNTAX;
    }
    memcpy(text, f->text, f->len);
    char *comma = memchr(text, ',', f->len);
    if (comma != NULL) {
        *comma = '.';
    }
    return wn_num_parse(text, f->len, value);
}

/* Digits behind the decimal sign of what is known to be a number. */
static int places_of(const struct field_at *f)
{
    int n = 0;
    size_t at = 0;
    while (at < f->len && f->text[at] != '.' && f->text[at] != ',') {
        at++;
    }
    for (at++; at < f->len && f->text[at] >= '0' && f->text[at] <= '9'; at++) {
        n++;
    }
    return n;
}

static int take_number(const struct field_at *f, double value, struct wn_reading *r,
                       struct wn_error *err)
{
    if (fabs(value) >= f->dialect->overload) {
        return WN_OK; /* the instrument itself says that it has no value: its has-bit stays unset */
    }
    if (f->form->scale > 0) {
        value *= f->form->scale;
    }
    return wn_dialect_take(f->dialect, f->form->what, value, r)
               ? WN_OK
               : refuse(f, "tells an impossible time", err);
}

static int decode_number(const struct field_at *f, struct wn_reading *r, struct wn_error *err)
{
    double value;
    switch (parse(f, &value)) {
    case WN_OK:
        break;
    case WN_ERANGE:
        return refuse(f, "holds a number beyond all bounds", err);
    default:
        return refuse(f, "is not a number", err);
    }
    if (fabs(value) < f->dialect->overload && f->form->places > 0 &&
        places_of(f) != f->form->places) {
        char why[64];
        (void)snprintf(why, sizeof why, "has not %d digits behind the point", f->form->places);
        return refuse(f, why, err);
    }
    return take_number(f, value, r, err);
}

/* What stands around the number must be there, whole: half a unit is a spoilt reply. */
static bool strip(struct field_at *f)
{
    size_t before = strlen(f->form->prefix), behind = strlen(f->form->suffix);
    if (f->len < before + behind || memcmp(f->text, f->form->prefix, before) != 0 ||
        memcmp(f->text + f->len - behind, f->form->suffix, behind) != 0) {
        return false;
    }
    f->text += before;
    f->len -= before + behind;
    return true;
}

static void skip_blanks(struct field_at *f)
{
    while (f->len > 0 && f->text[0] == ' ') {
        f->text++;
        f->len--;
    }
}

static int decode_field(struct field_at f, struct wn_reading *r, struct wn_error *err)
{
    if (f.form->what == WN_FIELD_IGNORE) {
        return WN_OK;
    }
    /* A blank in front is common and harmless; behind, it could be the rest of a digit ('0' with
     * one bit flipped). */
    skip_blanks(&f);
    if (!strip(&f)) {
        char why[80];
        (void)snprintf(why, sizeof why, "does not stand between '%s' and '%s'", f.form->prefix,
                       f.form->suffix);
        return refuse(&f, why, err);
    }
    skip_blanks(&f);
    return f.form->what == WN_FIELD_OUTPUT ? decode_output(&f, r, err) : decode_number(&f, r, err);
}

int wn_field_decode(const struct wn_dialect *d, const struct wn_field_at *at,
                    const struct wn_field_form *form, struct wn_reading *r, struct wn_error *err)
{
    struct field_at f = {d, at->record, at->record_len, at->text, at->len, at->number, NULL, form};
    return decode_field(f, r, err);
}

int wn_field_value(const struct wn_dialect *d, const struct wn_field_at *at,
                   const struct wn_field_form *form, double value, struct wn_reading *r,
                   struct wn_error *err)
{
    struct field_at f = {d, at->record, at->record_len, at->text, at->len, at->number, NULL, form};
    return take_number(&f, value, r, err);
}

static int count_fields(const char *reply, size_t len, char separator)
{
    int n = 1;
    for (size_t i = 0; i < len; i++) {
        n += reply[i] == separator;
    }
    return n;
}

int wn_dialect_decode(const struct wn_dialect *d, int index, const char *reply, size_t len,
                      struct wn_reading *out, struct wn_error *err)
{
    wn_assert(index >= 0 && index < d->reads);
    const struct wn_read *read = &d->read[index];
    wn_assert(read->fields >= 1 && read->fields <= WN_FIELDS_MAX);
    struct wn_reading r = *out;
    int found = read->fields > 1 ? count_fields(reply, len, read->separator) : 1;
    if (found != read->fields) {
        char text[120];
        return wn_error_set(err, WN_EFRAME, "reply '%s' to %.*s has %d fields, not %d",
                            wn_reply_text(reply, len, text, sizeof text),
                            (int)strcspn(read->query, " "), read->query, found, read->fields);
    }
    const char *at = reply, *end = reply + len;
    for (int i = 0; i < read->fields; i++) {
        const char *stop =
            i + 1 < read->fields ? memchr(at, read->separator, (size_t)(end - at)) : end;
        struct field_at f = {d,           reply,          len, at, (size_t)(stop - at), i + 1,
                             read->query, &read->field[i]};
        int rc = decode_field(f, &r, err);
        if (rc != WN_OK) {
            return rc;
        }
        at = stop < end ? stop + 1 : end;
    }
    *out = r;
    return WN_OK;
}

const char *wn_dialect_safe_off(const struct wn_dialect *d, size_t *at, size_t *len)
{
    bool framed = d->protocol == WN_PROTOCOL_MODBUS;
    size_t from = *at + (framed ? 1 : 0);
    if (from >= d->safe_off_len) {
        return NULL;
    }
    *len = framed ? (unsigned char)d->safe_off[*at] : d->safe_off_len - from;
    *at = from + *len;
    return *at <= d->safe_off_len ? d->safe_off + from : NULL;
}

bool wn_dialect_has_power(const struct wn_dialect *d)
{
    switch (d->protocol) {
    case WN_PROTOCOL_MODBUS:
        return d->modbus.when[WN_MAP_POWER].writes > 0;
    case WN_PROTOCOL_RECORDS:
        return true; /* its own program's affair */
    case WN_PROTOCOL_LINES:
        break;
    }
    return d->power.set.n > 0;
}

bool wn_dialect_reports(const struct wn_dialect *d, enum wn_field field)
{
    if (d->protocol == WN_PROTOCOL_MODBUS) {
        return d->modbus.has_field[field];
    }
    for (int k = 0; k < d->reads; k++) {
        for (int i = 0; i < d->read[k].fields; i++) {
            if (d->read[k].field[i].what == field) {
                return true;
            }
        }
    }
    for (int i = 0; i < d->records.fields; i++) {
        if (d->records.field[i].form.what == field) {
            return true;
        }
    }
    return false;
}
