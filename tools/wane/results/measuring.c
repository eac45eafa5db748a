/* How well a campaign was measured, for tables and exports.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "measuring.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define SAME_CURRENT 0.02

bool measuring_told(const struct measuring *m)
{
    return isfinite(m->accuracy.voltage_reading) || isfinite(m->accuracy.current_reading) ||
           isfinite(m->accuracy.time_reading);
}

static double known_or_none(double x)
{
    return isfinite(x) ? x : 0;
}

void measuring_begin(struct wane_campaign *c, struct measuring *m)
{
    struct wn_calibration k;
    struct wn_error err = {0};
    const struct wn_accuracy_record *a = &c->info.accuracy;
    memset(m, 0, sizeof *m);
    m->accuracy = (struct wn_accuracy){.voltage_reading = a->voltage_reading,
                                       .voltage_fixed_v = a->voltage_fixed_v,
                                       .current_reading = a->current_reading,
                                       .current_fixed_a = a->current_fixed_a,
                                       .temperature_c = a->temperature_c,
                                       .time_reading = a->time_reading};
    if (wn_campaign_calibration(c->file, &k, &err) == WN_OK) {
        m->drift.voltage_v = known_or_none(k.line[WN_QUANTITY_VOLTAGE].drift);
        m->drift.current_a = known_or_none(k.line[WN_QUANTITY_CURRENT].drift);
    }
}

static struct wn_discharge_facts facts_of(const struct wn_cycle_record *r)
{
    return (struct wn_discharge_facts){
        .capacity_ah = r->capacity_ah.value,
        .energy_wh = r->energy_wh.value,
        .current_a = r->discharge_current_a,
        .duration_s = r->capacity_ah.value / r->discharge_current_a * 3600,
        .cutoff_v = r->cutoff_v,
        .slope_v_per_s = r->cutoff_slope_v_per_s,
    };
}

static bool same_discharge(const struct wn_cycle_record *a, const struct wn_cycle_record *b)
{
    bool cutoff = a->cutoff_v == b->cutoff_v || (isnan(a->cutoff_v) && isnan(b->cutoff_v));
    return cutoff && fabs(a->discharge_current_a - b->discharge_current_a) <=
                         SAME_CURRENT * b->discharge_current_a;
}

struct wn_measured measuring_retention(struct measuring *m, const struct wn_cycle_record *r)
{
    struct wn_measured out = {NAN, NAN};
    struct wn_budget b;
    if (!(r->capacity_ah.value > 0)) {
        return out;
    }
    if (!m->has_first && (r->flags & WN_FLAGS_INVALID) == 0) {
        m->first = *r;
        m->has_first = true;
    }
    if (!m->has_first || !same_discharge(r, &m->first)) {
        return out;
    }
    const struct wn_discharge_facts first = facts_of(&m->first), now = facts_of(r);
    wn_retention_budget(&first, &now, &m->accuracy, &m->drift, &b);
    out.value = r->capacity_ah.value / m->first.capacity_ah.value;
    out.u = r->cycle == m->first.cycle && isfinite(r->capacity_ah.u) ? 0 : b.u;
    return out;
}

bool measuring_known(const struct wane_cycles *cycles)
{
    bool known = false;
    for (size_t i = 0; i < cycles->n && !known; i++) {
        const struct wn_cycle_record *r = &cycles->row[i];
        known = isfinite(r->capacity_ah.u) || isfinite(r->resistance_ohm.u);
    }
    return known;
}

const char *measuring_unmet(const struct measuring *m, const struct wane_campaign *c,
                            const struct wane_cycles *cycles, char *buf, size_t size)
{
    const struct wn_cell *cell = &c->info.cell;
    struct wn_tolerance_use use =
        wn_tolerance_use_of(cell->discharge_cutoff_v, cell->rated_capacity_ah, false);
    const struct wn_accuracy *a = &m->accuracy;
    if (!measuring_told(m)) {
        (void)snprintf(buf, size, "the accuracy of the instrument is not told");
        return buf;
    }
    for (size_t i = 0; i < cycles->n; i++) {
        const struct wn_cycle_record *r = &cycles->row[i];
        use.has_temperature = use.has_temperature || isfinite(r->temperature_max_c);
        if ((r->flags & WN_FLAGS_INVALID) == 0 && isfinite(r->capacity_ah.u)) {
            use.capacity_ah = r->capacity_ah.value;
            use.capacity_expanded_ah = WN_COVERAGE_FACTOR * r->capacity_ah.u;
        }
    }
    use.has_temperature = use.has_temperature || cycles->n == 0; /* not seen yet */
    (void)wn_tolerances_unmet(a, &use, buf, size);
    return buf;
}
