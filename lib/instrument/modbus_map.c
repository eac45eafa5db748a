/* Register maps: numbers into registers, registers into numbers.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/modbus_map.h"

#include <math.h>
#include <string.h>

#include "base/assert.h"
#include "instrument/dialect.h"
#include "instrument/exchange.h"

struct wn_modbus_request wn_map_read(const struct wn_modbus_map *m,
                                     const struct wn_modbus_span *span)
{
    return (struct wn_modbus_request){.function = span->function,
                                      .unit = m->unit,
                                      .address = span->address,
                                      .count = span->count};
}

int wn_map_number(const struct wn_map_write *w, const struct wn_setpoints *sp, double *number,
                  struct wn_error *err)
{
    const double *set =
        w->value[0] != '\0' ? wn_setpoint_find(sp, w->value, strlen(w->value)) : &w->number;
    if (set == NULL || !isfinite(*set)) {
        return wn_error_set(err, WN_EINVAL, "there is no value for %s here", w->value);
    }
    *number = *set;
    return WN_OK;
}

double wn_map_tolerance(const struct wn_modbus_map *m, const struct wn_map_write *w, double number)
{
    const struct wn_map_register *r = &m->reg[w->reg];
    /* for decimal fractions that are none in binary, and singles, which hold seven digits */
    double slack = 1e-6 * fmax(1, fabs(number));
    bool whole = r->value.type != WN_MODBUS_F32;
    double step = w->value[0] != '\0' && whole ? fabs(r->value.scale) : 0;
    return (r->tolerance > 0 ? r->tolerance : step) + slack;
}

int wn_map_write(const struct wn_modbus_map *m, const struct wn_map_write *w, double number,
                 uint16_t values[2], struct wn_modbus_request *q, struct wn_error *err)
{
    const struct wn_map_register *r = &m->reg[w->reg];
    double taken = NAN;
    if (r->value.bits == 0) {
        values[0] = values[1] = 0;
    }
    int rc = wn_modbus_value_write(&r->value, number, values, &taken, err);
    if (rc != WN_OK) {
        return wn_error_prefix(err, "%s", r->name);
    }
    if (!(fabs(taken - number) <= wn_map_tolerance(m, w, number))) {
        return wn_error_set(err, WN_ERANGE,
                            "%s: its steps are so coarse that %g becomes %g: is its scale right?",
                            r->name, number, taken);
    }
    *q = (struct wn_modbus_request){.function = r->write,
                                    .unit = m->unit,
                                    .address = r->value.address,
                                    .count = wn_modbus_value_width(&r->value),
                                    .values = values};
    return WN_OK;
}

int wn_map_value(const struct wn_map_register *r, const struct wn_modbus_span *span,
                 const struct wn_modbus_reply *reply, bool *has, double *value,
                 struct wn_error *err)
{
    struct wn_modbus_value plain = r->value;
    double number = NAN;
    plain.scale = 1;
    plain.offset = 0;
    int rc = wn_modbus_value_read(&plain, reply, span->address, &number, err);
    if (rc == WN_EFRAME && plain.type == WN_MODBUS_F32) {
        *has = false; /* NaN: the instrument's own word, as the CRC is right */
        return WN_OK;
    }
    if (rc != WN_OK) {
        return wn_error_prefix(err, "%s", r->name);
    }
    *has = !r->has_no_value || number < r->no_value || number > r->no_value;
    *value = number * r->value.scale + r->value.offset;
    return WN_OK;
}

void wn_map_text(const struct wn_map_register *r, const struct wn_modbus_span *span,
                 const struct wn_modbus_reply *reply, char text[WN_MAP_TEXT_SIZE])
{
    char raw[WN_MAP_TEXT_SIZE];
    size_t n = 2 * (size_t)r->text_length, from = 2 * (size_t)(r->value.address - span->address);
    n = n < sizeof raw ? n : sizeof raw - 1;
    wn_assert(from + n <= reply->size);
    for (size_t i = 0; i < n; i++) {
        raw[i] = (char)reply->data[from + (r->value.low_byte_first ? i ^ 1u : i)];
    }
    while (n > 0 && (raw[n - 1] == '\0' || raw[n - 1] == ' ')) {
        n--;
    }
    (void)wn_reply_text(raw, n, text, WN_MAP_TEXT_SIZE);
}

bool wn_map_holds(const struct wn_modbus_span *span, const struct wn_map_register *r)
{
    unsigned end = (unsigned)span->address + span->count;
    return wn_modbus_span_holds(span, &r->value) &&
           (unsigned)r->value.address + r->text_length <= end;
}

static int refuse(const struct wn_map_register *r, double value, const char *why,
                  struct wn_error *err)
{
    return wn_error_set(err, WN_EFRAME, "%s holds %g, %s", r->name, value, why);
}

static int take(const struct wn_dialect *d, enum wn_field field, const struct wn_map_register *r,
                double value, struct wn_reading *out, struct wn_error *err)
{
    if (field == WN_FIELD_OUTPUT) {
        if (value < 0 || value > 1 || (value > 0 && value < 1)) {
            return refuse(r, value, "which is neither 0 (off) nor 1 (on)", err);
        }
        out->output_on = value > 0;
        out->has |= WN_HAS_OUTPUT;
        return WN_OK;
    }
    if (!wn_dialect_take(d, field, value, out)) {
        return refuse(r, value, "which is an impossible time", err);
    }
    return WN_OK;
}

int wn_map_decode(const struct wn_dialect *d, const struct wn_modbus_span *span,
                  const struct wn_modbus_reply *reply, struct wn_reading *out, struct wn_error *err)
{
    const struct wn_modbus_map *m = &d->modbus;
    struct wn_reading part = *out;
    for (int f = 0; f < WN_MAP_FIELDS; f++) {
        const struct wn_map_register *r = &m->reg[m->field[f]];
        double value = NAN;
        bool has = false;
        int rc = WN_OK;
        if (!m->has_field[f] || !wn_map_holds(span, r)) {
            continue;
        }
        rc = wn_map_value(r, span, reply, &has, &value, err);
        if (rc == WN_OK && has && fabs(value) < d->overload) {
            rc = take(d, (enum wn_field)f, r, value, &part, err);
        }
        if (rc != WN_OK) {
            return rc;
        }
    }
    *out = part;
    return WN_OK;
}

int wn_map_off_query(const struct wn_dialect *d, uint8_t *query, size_t query_size,
                     size_t *query_len, uint8_t *reply, size_t reply_size, size_t *reply_len,
                     struct wn_error *err)
{
    const struct wn_modbus_map *m = &d->modbus;
    const struct wn_map_register *r = &m->reg[m->output];
    uint16_t values[2] = {0, 0};
    const struct wn_modbus_span span = {r->value.function, r->value.address,
                                        wn_modbus_value_width(&r->value)};
    struct wn_modbus_request q = wn_map_read(m, &span);
    int rc = wn_modbus_value_write(&r->value, m->output_off, values, NULL, err);
    rc = rc == WN_OK ? wn_modbus_encode(&q, query, query_size, query_len, err) : rc;
    return rc == WN_OK ? wn_modbus_encode_reply(&q, values, reply, reply_size, reply_len, err) : rc;
}
