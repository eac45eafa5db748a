/* What passes on a MODBUS line, as a reader of the instrument's manual wants to see it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "frames.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/num.h"

static void add(char *text, size_t size, const char *fmt, ...)
    __attribute__((format(printf, 3, 4)));

static void add(char *text, size_t size, const char *fmt, ...)
{
    size_t used = strlen(text);
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(text + used, size - used, fmt, args);
    va_end(args);
}

static unsigned word(const uint8_t *at)
{
    return (unsigned)at[0] << 8 | at[1];
}

/* The function by which one reads what this one writes. */
static enum wn_modbus_function table_of(enum wn_modbus_function f)
{
    switch (f) {
    case WN_MODBUS_WRITE_COIL:
    case WN_MODBUS_WRITE_COILS:
        return WN_MODBUS_READ_COILS;
    case WN_MODBUS_WRITE_REGISTER:
    case WN_MODBUS_WRITE_REGISTERS:
        return WN_MODBUS_READ_HOLDING;
    case WN_MODBUS_READ_COILS:
    case WN_MODBUS_READ_INPUTS:
    case WN_MODBUS_READ_HOLDING:
    case WN_MODBUS_READ_INPUT_REGISTERS:
        break;
    }
    return f;
}

/* Length of a request of ours; 0: not known yet. */
static size_t request_size(const uint8_t *b, size_t len)
{
    bool many = len >= 2 && (b[1] == WN_MODBUS_WRITE_COILS || b[1] == WN_MODBUS_WRITE_REGISTERS);
    return len < 2 ? 0 : !many ? 8 : len < 7 ? 0 : 9 + (size_t)b[6];
}

static void take_request(struct frames *f)
{
    struct wn_modbus_request *q = &f->asked;
    const uint8_t *b = f->bytes;
    bool single = b[1] == WN_MODBUS_WRITE_COIL || b[1] == WN_MODBUS_WRITE_REGISTER;
    *q = (struct wn_modbus_request){.function = (enum wn_modbus_function)b[1],
                                    .unit = b[0],
                                    .address = (uint16_t)word(b + 2),
                                    .count = (uint16_t)(single ? 1 : word(b + 4)),
                                    .values = f->values};
    f->values[0] = (uint16_t)(single ? word(b + 4) : word(b + 7));
    f->values[1] = (uint16_t)(f->len >= 13 ? word(b + 9) : 0);
    if (b[1] == WN_MODBUS_WRITE_COIL) {
        f->values[0] = f->values[0] != 0;
    } else if (b[1] == WN_MODBUS_WRITE_COILS) {
        f->values[0] = b[7] & 1;
    }
}

/* The registers that the span holds, with what they hold in the reply, where there is one. */
static void tell_registers(const struct frames *f, const struct wn_modbus_span *span,
                           const struct wn_modbus_reply *reply, char *text, size_t size)
{
    const char *between = "";
    for (int i = 0; i < f->map->regs; i++) {
        const struct wn_map_register *r = &f->map->reg[i];
        char is[WN_MAP_TEXT_SIZE] = "?";
        double value = 0;
        bool has = false;
        if (!wn_map_holds(span, r)) {
            continue;
        }
        add(text, size, "%s%s", between, r->name);
        between = ", ";
        if (reply != NULL && r->text_length > 0) {
            wn_map_text(r, span, reply, is);
            add(text, size, " '%s'", is);
        } else if (reply != NULL && wn_map_value(r, span, reply, &has, &value, NULL) == WN_OK) {
            add(text, size, " %s", has ? wn_num_format(value, 7, is, sizeof is) : "no value");
        }
    }
}

/* Says a write as if its values had been read. */
static void tell_write(const struct frames *f, const struct wn_modbus_span *span, char *text,
                       size_t size)
{
    uint8_t frame[WN_MODBUS_FRAME_MAX];
    struct wn_modbus_request q = wn_map_read(f->map, span);
    struct wn_modbus_reply reply;
    size_t n = 0;
    if (span->count <= 2 &&
        wn_modbus_encode_reply(&q, f->values, frame, sizeof frame, &n, NULL) == WN_OK &&
        wn_modbus_decode(&q, frame, n, &reply, NULL) == WN_OK) {
        tell_registers(f, span, &reply, text, size);
    }
}

static struct wn_modbus_span span_of(const struct wn_modbus_request *q)
{
    return (struct wn_modbus_span){table_of(q->function), q->address, q->count};
}

static void tell_request(const struct frames *f, char *text, size_t size)
{
    const struct wn_modbus_request *q = &f->asked;
    struct wn_modbus_span span = span_of(q);
    bool reads = span.function == q->function;
    add(text, size, "%s (function %d, address %u", reads ? "read" : "write", (int)q->function,
        q->address);
    if (q->count > 1) {
        add(text, size, " to %u", q->address + q->count - 1u);
    }
    add(text, size, "): ");
    if (reads) {
        tell_registers(f, &span, NULL, text, size);
    } else {
        tell_write(f, &span, text, size);
    }
}

static void tell_reply(const struct frames *f, char *text, size_t size)
{
    struct wn_modbus_span span = span_of(&f->asked);
    struct wn_modbus_reply reply;
    struct wn_error err = {0};
    if (wn_modbus_decode(&f->asked, f->bytes, f->len, &reply, &err) != WN_OK) {
        add(text, size, "%s", err.text);
    } else if (span.function == f->asked.function) {
        tell_registers(f, &span, &reply, text, size);
    } else {
        add(text, size, "written");
    }
}

/* Whole, or none: then *good is false. 0: it goes on. */
static size_t whole(const struct frames *f)
{
    size_t total = 0;
    if (f->sending) {
        return request_size(f->bytes, f->len);
    }
    if (f->asked.unit == 0 ||
        wn_modbus_expect(&f->asked, f->bytes, f->len, &total, NULL) != WN_OK) {
        return f->len; /* none that was asked for: told byte by byte is told soon enough */
    }
    return total;
}

static void finish(struct frames *f, char hex[FRAMES_HEX_SIZE], char means[FRAMES_TEXT_SIZE])
{
    hex[0] = means[0] = '\0';
    for (size_t i = 0; i < f->len; i++) {
        add(hex, FRAMES_HEX_SIZE, "%s%02X", i > 0 ? " " : "", f->bytes[i]);
    }
    if (f->sending) {
        take_request(f);
        tell_request(f, means, FRAMES_TEXT_SIZE);
    } else {
        tell_reply(f, means, FRAMES_TEXT_SIZE);
    }
    f->len = 0;
}

bool frames_take(struct frames *f, bool sent, const char *data, size_t len, size_t *used,
                 char hex[FRAMES_HEX_SIZE], char means[FRAMES_TEXT_SIZE])
{
    if (f->sending != sent && f->len > 0 && *used == 0) { /* what came before stays cut */
        finish(f, hex, means);
        f->sending = sent;
        return true;
    }
    f->sending = sent;
    while (*used < len) {
        f->bytes[f->len++] = (uint8_t)data[(*used)++];
        size_t total = whole(f);
        bool rest = !sent && total == f->len && *used < len; /* more than the reply: garbage */
        if ((total > 0 && f->len >= total && !rest) || f->len == sizeof f->bytes) {
            finish(f, hex, means);
            return true;
        }
    }
    return false;
}
