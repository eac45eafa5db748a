/* MODBUS: what registers mean, and how to read many values with few requests.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wire/modbus.h"

#include <float.h>
#include <math.h>
#include <string.h>

#include "base/assert.h"

_Static_assert(sizeof(float) == sizeof(uint32_t), "IEEE 754 single precision is needed");

void wn_modbus_value_init(struct wn_modbus_value *v, enum wn_modbus_function function,
                          uint16_t address, enum wn_modbus_type type)
{
    memset(v, 0, sizeof *v);
    v->function = function;
    v->address = address;
    v->type = type;
    v->scale = 1;
}

static bool is_wide(enum wn_modbus_type t)
{
    return t == WN_MODBUS_U32 || t == WN_MODBUS_I32 || t == WN_MODBUS_F32;
}

static bool is_of_bits(enum wn_modbus_function f)
{
    return f == WN_MODBUS_READ_COILS || f == WN_MODBUS_READ_INPUTS;
}

uint16_t wn_modbus_value_width(const struct wn_modbus_value *v)
{
    return is_wide(v->type) ? 2 : 1;
}

int wn_modbus_value_check(const struct wn_modbus_value *v, struct wn_error *err)
{
    unsigned room = v->type == WN_MODBUS_U16 ? 16 : v->type == WN_MODBUS_U32 ? 32 : 0;
    if (v->function < WN_MODBUS_READ_COILS || v->function > WN_MODBUS_READ_INPUT_REGISTERS) {
        return wn_error_set(err, WN_EINVAL, "MODBUS value at %u: function %d reads nothing: 1 to 4",
                            v->address, (int)v->function);
    }
    if (is_of_bits(v->function) != (v->type == WN_MODBUS_BIT)) {
        return wn_error_set(err, WN_EINVAL,
                            "MODBUS value at %u: functions 1 and 2 read bits, 3 and 4 registers",
                            v->address);
    }
    if (v->bits > 0 && (unsigned)v->first_bit + v->bits > room) {
        return wn_error_set(err, WN_EINVAL,
                            "MODBUS value at %u: bits %u to %u are not in a number of this type: "
                            "bit fields are parts of u16 (0 to 15) or u32 (0 to 31)",
                            v->address, v->first_bit, v->first_bit + v->bits - 1u);
    }
    if (!isfinite(v->scale) || v->scale == 0 || !isfinite(v->offset)) {
        return wn_error_set(err, WN_EINVAL,
                            "MODBUS value at %u: a scale of 0, or one that is no number",
                            v->address);
    }
    if (v->address == 0xffff && is_wide(v->type)) {
        return wn_error_set(err, WN_ERANGE,
                            "MODBUS value at 65535: its second register is beyond the last");
    }
    return WN_OK;
}

static unsigned swap(unsigned word)
{
    return (word << 8 | word >> 8) & 0xffffu;
}

static uint32_t join(const struct wn_modbus_value *v, const uint16_t *registers)
{
    unsigned first = registers[0], second = is_wide(v->type) ? registers[1] : 0;
    if (v->low_byte_first && v->type != WN_MODBUS_BIT) {
        first = swap(first);
        second = swap(second);
    }
    if (!is_wide(v->type)) {
        return first;
    }
    return v->low_word_first ? (uint32_t)second << 16 | first : (uint32_t)first << 16 | second;
}

static void split(const struct wn_modbus_value *v, uint32_t raw, uint16_t *registers)
{
    unsigned low = raw & 0xffffu, high = raw >> 16;
    if (v->low_byte_first) {
        low = swap(low);
        high = swap(high);
    }
    if (!is_wide(v->type)) {
        registers[0] = (uint16_t)low;
        return;
    }
    registers[0] = (uint16_t)(v->low_word_first ? low : high);
    registers[1] = (uint16_t)(v->low_word_first ? high : low);
}

static uint32_t field_mask(const struct wn_modbus_value *v)
{
    return v->bits >= 32 ? UINT32_MAX : (UINT32_C(1) << v->bits) - 1;
}

/* The number that a pattern of bits stands for. */
static double number_of(const struct wn_modbus_value *v, uint32_t raw)
{
    float f;
    switch (v->type) {
    case WN_MODBUS_I16:
        return (double)raw - (raw >= 0x8000u ? 0x10000 : 0);
    case WN_MODBUS_I32:
        return (double)raw - (raw >= 0x80000000u ? 4294967296.0 : 0.0);
    case WN_MODBUS_F32:
        memcpy(&f, &raw, sizeof f);
        return (double)f;
    case WN_MODBUS_BIT:
    case WN_MODBUS_U16:
    case WN_MODBUS_U32:
        break;
    }
    return v->bits > 0 ? (double)(raw >> v->first_bit & field_mask(v)) : (double)raw;
}

int wn_modbus_value_read(const struct wn_modbus_value *v, const struct wn_modbus_reply *reply,
                         uint16_t first, double *out, struct wn_error *err)
{
    uint16_t registers[2] = {0, 0};
    size_t width = wn_modbus_value_width(v), at = (size_t)(v->address - first);
    size_t have = is_of_bits(v->function) ? reply->size * 8 : reply->size / 2;
    if (v->address < first || at + width > have) {
        return wn_error_set(err, WN_ERANGE, "MODBUS address %u is not among those read (%u to %zu)",
                            v->address, first, first + have - 1);
    }
    for (size_t i = 0; i < width; i++) {
        registers[i] =
            v->type == WN_MODBUS_BIT ? wn_modbus_bit(reply, at) : wn_modbus_register(reply, at + i);
    }
    double value = number_of(v, join(v, registers)) * v->scale + v->offset;
    if (!isfinite(value)) {
        return wn_error_set(err, WN_EFRAME,
                            "MODBUS address %u holds %04X %04X, which is no number: the word order "
                            "may be the other one, or the instrument has no value",
                            v->address, registers[0], registers[1]);
    }
    *out = value;
    return WN_OK;
}

/* The range of whole numbers that fit. */
static void limits(const struct wn_modbus_value *v, double *low, double *high)
{
    *low = *high = 0;
    switch (v->type) {
    case WN_MODBUS_BIT:
        *high = 1;
        return;
    case WN_MODBUS_I16:
        *low = -0x8000;
        *high = 0x7fff;
        return;
    case WN_MODBUS_I32:
        *low = -2147483648.0;
        *high = 2147483647.0;
        return;
    case WN_MODBUS_U16:
        *high = 0xffff;
        break;
    case WN_MODBUS_U32:
    case WN_MODBUS_F32:
        *high = 4294967295.0;
        break;
    }
    if (v->bits > 0) {
        *high = (double)field_mask(v);
    }
}

static int out_of_range(const struct wn_modbus_value *v, double value, struct wn_error *err)
{
    return wn_error_set(err, WN_ERANGE,
                        "%g cannot be written to MODBUS address %u: it does not fit in there",
                        value, v->address);
}

/* The pattern of bits for a number; whole ones are rounded to the nearest. */
static bool pattern_of(const struct wn_modbus_value *v, double number, uint32_t *raw)
{
    double low, high;
    if (v->type == WN_MODBUS_F32) {
        if (fabs(number) > (double)FLT_MAX) {
            return false;
        }
        float f = (float)number;
        memcpy(raw, &f, sizeof *raw);
        return true;
    }
    limits(v, &low, &high);
    number = round(number);
    if (!(number >= low && number <= high)) {
        return false;
    }
    *raw = (uint32_t)(int64_t)number;
    *raw &= is_wide(v->type) ? UINT32_MAX : 0xffffu;
    return true;
}

int wn_modbus_value_write(const struct wn_modbus_value *v, double value, uint16_t registers[2],
                          double *taken, struct wn_error *err)
{
    uint32_t raw = 0;
    double number = (value - v->offset) / v->scale;
    if (!isfinite(number) || !pattern_of(v, number, &raw)) {
        return out_of_range(v, value, err);
    }
    if (v->bits > 0) {
        uint32_t mask = field_mask(v) << v->first_bit;
        raw = (join(v, registers) & ~mask) | (raw << v->first_bit & mask);
    }
    if (v->type == WN_MODBUS_BIT) {
        registers[0] = (uint16_t)raw;
    } else {
        split(v, raw, registers);
    }
    if (taken != NULL) {
        *taken = number_of(v, raw) * v->scale + v->offset;
    }
    return WN_OK;
}

/* Does a stand before b in the order of spans? */
static bool is_before(const struct wn_modbus_value *a, const struct wn_modbus_value *b)
{
    if (a->function != b->function) {
        return a->function < b->function;
    }
    if (a->address != b->address) {
        return a->address < b->address;
    }
    return wn_modbus_value_width(a) < wn_modbus_value_width(b);
}

/* The one that follows `last` in that order (NULL: the first), equals as they stand in the array;
 * NULL behind the last. There are few, so nothing is sorted. */
static const struct wn_modbus_value *next(const struct wn_modbus_value *values, size_t n,
                                          const struct wn_modbus_value *last)
{
    const struct wn_modbus_value *best = NULL;
    for (const struct wn_modbus_value *v = values; v < values + n; v++) {
        bool behind = last == NULL || is_before(last, v) || (!is_before(v, last) && v > last);
        if (behind && (best == NULL || is_before(v, best))) {
            best = v;
        }
    }
    return best;
}

/* Makes the span longer by a value, if it may become that long. */
static bool extend(struct wn_modbus_span *s, const struct wn_modbus_value *v, unsigned gap_max)
{
    unsigned max = is_of_bits(v->function) ? WN_MODBUS_READ_BITS_MAX : WN_MODBUS_READ_REGISTERS_MAX;
    unsigned end = (unsigned)s->address + s->count, to = v->address + wn_modbus_value_width(v);
    if (s->function != v->function || v->address > end + gap_max ||
        to > (unsigned)s->address + max) {
        return false;
    }
    s->count = to > end ? (uint16_t)(to - s->address) : s->count;
    return true;
}

int wn_modbus_group(const struct wn_modbus_value *values, size_t n, uint16_t gap_max,
                    struct wn_modbus_span *spans, size_t max, size_t *count, struct wn_error *err)
{
    *count = 0;
    for (size_t i = 0; i < n; i++) {
        int rc = wn_modbus_value_check(&values[i], err);
        if (rc != WN_OK) {
            return rc;
        }
    }
    for (const struct wn_modbus_value *v = next(values, n, NULL); v != NULL;
         v = next(values, n, v)) {
        if (*count > 0 && extend(&spans[*count - 1], v, gap_max)) {
            continue;
        }
        if (*count == max) {
            return wn_error_set(err, WN_ENOSPACE,
                                "the values stand in more than %zu places: let gaps be read too",
                                max);
        }
        spans[(*count)++] = (struct wn_modbus_span){
            .function = v->function, .address = v->address, .count = wn_modbus_value_width(v)};
    }
    return WN_OK;
}

bool wn_modbus_span_holds(const struct wn_modbus_span *s, const struct wn_modbus_value *v)
{
    return s->function == v->function && v->address >= s->address &&
           (unsigned)v->address + wn_modbus_value_width(v) <= (unsigned)s->address + s->count;
}
