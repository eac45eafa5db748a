/* Procedure: a step in words.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "procedure/procedure.h"

#include <stdarg.h>
#include <stdio.h>

#include "base/assert.h"
#include "base/qty.h"

const char *wn_step_kind_name(enum wn_step_kind kind)
{
    switch (kind) {
    case WN_STEP_CHARGE:
        return "charge";
    case WN_STEP_REST:
        return "rest";
    case WN_STEP_DISCHARGE:
    case WN_STEP_DISCHARGE_POWER:
        return "discharge";
    case WN_STEP_PULSE:
        return "pulse";
    }
    return "unknown";
}

/* Appends as far as there is room; *used never passes size. */
static void append(char *buf, size_t size, size_t *used, const char *fmt, ...)
    __attribute__((format(printf, 4, 5)));

static void append(char *buf, size_t size, size_t *used, const char *fmt, ...)
{
    va_list args;
    if (*used >= size) {
        return;
    }
    va_start(args, fmt);
    int n = vsnprintf(&buf[*used], size - *used, fmt, args);
    va_end(args);
    *used = n < 0 || (size_t)n >= size - *used ? size : *used + (size_t)n;
}

static void describe_pulse(const struct wn_step *s, char *buf, size_t size)
{
    char current[WN_QTY_SIZE], time[WN_QTY_SIZE];
    size_t used = 0;
    append(buf, size, &used, "pulse");
    for (int i = 0; i < s->levels && i < WN_LEVELS_MAX; i++) {
        append(buf, size, &used, "%s %s for %s", i > 0 ? "," : "",
               wn_qty_format(s->level[i].current_a, WN_DIM_CURRENT, current, sizeof current),
               wn_qty_format(s->level[i].duration_s, WN_DIM_TIME, time, sizeof time));
    }
}

const char *wn_step_describe(const struct wn_step *s, char *buf, size_t size)
{
    char a[WN_QTY_SIZE], b[WN_QTY_SIZE], c[WN_QTY_SIZE], hot[WN_QTY_SIZE + 8] = "";
    wn_assert(size > 0);
    if (s->until_temperature_c > 0) {
        (void)snprintf(hot, sizeof hot, " or %s",
                       wn_qty_format(s->until_temperature_c, WN_DIM_TEMPERATURE, c, sizeof c));
    }
    buf[0] = '\0';
    switch (s->kind) {
    case WN_STEP_CHARGE:
        (void)snprintf(buf, size, "charge %s to %s until %s",
                       wn_qty_format(s->current_a, WN_DIM_CURRENT, a, sizeof a),
                       wn_qty_format(s->voltage_v, WN_DIM_VOLTAGE, b, sizeof b),
                       wn_qty_format(s->until_current_a, WN_DIM_CURRENT, c, sizeof c));
        break;
    case WN_STEP_REST:
        (void)snprintf(buf, size, "rest %s",
                       wn_qty_format(s->duration_s, WN_DIM_TIME, a, sizeof a));
        break;
    case WN_STEP_DISCHARGE:
        (void)snprintf(buf, size, "discharge %s to %s%s",
                       wn_qty_format(s->current_a, WN_DIM_CURRENT, a, sizeof a),
                       wn_qty_format(s->until_voltage_v, WN_DIM_VOLTAGE, b, sizeof b), hot);
        break;
    case WN_STEP_DISCHARGE_POWER:
        (void)snprintf(buf, size, "discharge %s to %s%s",
                       wn_qty_format(s->power_w, WN_DIM_POWER, a, sizeof a),
                       wn_qty_format(s->until_voltage_v, WN_DIM_VOLTAGE, b, sizeof b), hot);
        break;
    case WN_STEP_PULSE:
        describe_pulse(s, buf, size);
        break;
    }
    return buf;
}
