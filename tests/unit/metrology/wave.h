/* Readings and set-ups for the tests of metrology.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_WAVE_H
#define WN_TESTS_WAVE_H

#include "support/near.h"

#include "metrology/metrology.h"

/** Fails unless got is within a relative 1e-9 of want (1e-9 itself when want is 0). */
#define assert_exact(got, want) assert_near((got), (want), exactness(want))

static inline double exactness(double want)
{
    return want == 0 ? 1e-9 : 1e-9 * fabs(want);
}

static inline struct wn_reading reading_ns(wn_ns time_ns, double voltage_v, double current_a)
{
    struct wn_reading r = {0};
    r.time_ns = time_ns;
    r.voltage_v = voltage_v;
    r.current_a = current_a;
    r.temperature_c = r.ambient_c = NAN;
    r.has = WN_HAS_VOLTAGE | WN_HAS_CURRENT;
    return r;
}

static inline struct wn_reading reading(double time_s, double voltage_v, double current_a)
{
    return reading_ns(wn_ns_from_s(time_s), voltage_v, current_a);
}

static inline struct wn_integrator_setup plain(int direction, double gap_max_s)
{
    struct wn_integrator_setup s = {.direction = direction,
                                    .end_kind = WN_END_NONE,
                                    .end_value = NAN,
                                    .cv_voltage_v = NAN,
                                    .gap_max_s = gap_max_s};
    return s;
}

static inline struct wn_integrator_setup discharge_to(double cutoff_v)
{
    struct wn_integrator_setup s = plain(-1, 60);
    s.end_kind = WN_END_VOLTAGE_BELOW;
    s.end_value = cutoff_v;
    return s;
}

static inline struct wn_integrator_setup charge_until(double voltage_v, double current_a)
{
    struct wn_integrator_setup s = plain(1, 60);
    s.end_kind = WN_END_CURRENT_BELOW;
    s.end_value = current_a;
    s.cv_voltage_v = voltage_v;
    return s;
}

static inline bool add(struct wn_integrator *g, double time_s, double voltage_v, double current_a)
{
    struct wn_reading r = reading(time_s, voltage_v, current_a);
    return wn_integrator_add(g, &r);
}

static inline struct wn_step_sums sums_of(const struct wn_integrator *g)
{
    struct wn_step_sums s;
    wn_integrator_sums(g, &s);
    return s;
}

#endif
