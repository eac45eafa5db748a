/* Engine: the temperature windows of a cell: waiting until a step may begin, charging to less when
 * the cell is cool or warm. SPDX-License-Identifier: GPL-3.0-or-later */
#include "engine/core.h"

#include <math.h>
#include <stdio.h>

#define HYSTERESIS_K 2.0 /* once waiting, so far inside before it goes on */
#define WAIT_MAX_NS  (INT64_C(6) * 3600 * WN_NS_PER_S)

/* Is the cell inside the limits of the coming direction, by a margin? */
static bool inside(const struct wn_engine *e, int direction, double margin_k)
{
    const struct wn_limits *l = &e->setup.limits;
    const struct wn_reading *r = &e->c.reading;
    if (!e->c.has_reading || (r->has & WN_HAS_TEMPERATURE) == 0) {
        return !l->needs_temperature && !e->c.waiting; /* not known is not inside */
    }
    double low = direction > 0 ? l->charge_temperature_min_c : l->discharge_temperature_min_c;
    double high = direction > 0 ? l->charge_temperature_max_c : l->discharge_temperature_max_c;
    return !(r->temperature_c < low + margin_k) && !(r->temperature_c > high - margin_k);
}

/* A step outside the window would only halt the campaign: with the output off the cell comes back
 * by itself, unless something is wrong. */
bool window_open(struct wn_engine *e)
{
    int direction = step_direction(step_spec(e));
    if (inside(e, direction, e->c.waiting ? HYSTERESIS_K : 0)) {
        e->c.waiting = false;
        return true;
    }
    if (!e->c.waiting) {
        bool known = (e->c.reading.has & WN_HAS_TEMPERATURE) != 0;
        e->c.waiting = true;
        e->c.waiting_since_ns = e->c.now_ns;
        if (!known) { /* one reading without it: the next one tells, or is a halt */
            return false;
        }
        emit_event(e, WN_SEVERITY_WARNING, "waiting",
                   "cell is at %.1f degC, outside the limits of the coming %s: output stays off "
                   "until it is inside",
                   e->c.reading.temperature_c, direction > 0 ? "charge" : "discharge");
        emit_state(e);
        emit_commit(e);
    } else if (e->c.now_ns - e->c.waiting_since_ns > WAIT_MAX_NS) {
        char text[160];
        e->c.waiting = false;
        (void)snprintf(text, sizeof text,
                       "cell is still at %.1f degC after %.0f h with the output off",
                       e->c.reading.temperature_c, wn_ns_to_s(WAIT_MAX_NS) / 3600);
        halt(e, wn_fault_word(WN_FAULT_WAITED_TOO_LONG), text);
    }
    return false;
}

double window_charge_voltage_v(struct wn_engine *e, const struct wn_step *s)
{
    const struct wn_cell *cell = &e->setup.cell;
    double t = e->c.reading.temperature_c;
    bool outside = e->c.has_reading && (e->c.reading.has & WN_HAS_TEMPERATURE) != 0 &&
                   (t < cell->reduced_charge_below_c || t > cell->reduced_charge_above_c);
    if (s->kind != WN_STEP_CHARGE || !(cell->reduced_charge_voltage_v > 0) || !outside ||
        s->voltage_v <= cell->reduced_charge_voltage_v) {
        return s->voltage_v;
    }
    round_flag(e, WN_FLAG_TEMPERATURE);
    emit_event(e, WN_SEVERITY_WARNING, "reduced_charge",
               "cell is at %.1f degC: charged to %.3f V instead of %.3f V", t,
               cell->reduced_charge_voltage_v, s->voltage_v);
    return cell->reduced_charge_voltage_v;
}
