/* Metrology: DC resistance, and the slope of the voltage.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "metrology/metrology.h"

#include <math.h>

#include "metrology/accuracy.h"

static const struct wn_measured not_measured = {NAN, NAN};

/* R = dU / dI. GUM 5.1.2 with the sensitivities 1 / dI for each voltage and R / dI for each
 * current; the four readings are taken as independent. */
static struct wn_measured resistance(double ua_v, double ia_a, double ub_v, double ib_a,
                                     const struct wn_accuracy *a)
{
    double di_a = ib_a - ia_a;
    double r_ohm = (ub_v - ua_v) / di_a;
    double u_voltage_v = hypot(voltage_u_v(a, ua_v), voltage_u_v(a, ub_v));
    double u_current_a = hypot(current_u_a(a, ia_a), current_u_a(a, ib_a));
    struct wn_measured m = {r_ohm, hypot(u_voltage_v, r_ohm * u_current_a) / fabs(di_a)};
    return m;
}

static bool all_finite(double a, double b, double c, double d)
{
    return isfinite(a) && isfinite(b) && isfinite(c) && isfinite(d);
}

struct wn_measured wn_resistance_two_level(double u1_v, double i1_a, double u2_v, double i2_a,
                                           const struct wn_accuracy *a)
{
    if (!all_finite(u1_v, i1_a, u2_v, i2_a) || !(i2_a > i1_a)) {
        return not_measured;
    }
    return resistance(u2_v, i1_a, u1_v, i2_a, a);
}

struct wn_measured wn_resistance_one_step(double u0_v, double i0_a, double u1_v, double i1_a,
                                          const struct wn_accuracy *a)
{
    if (!all_finite(u0_v, i0_a, u1_v, i1_a) || i0_a == i1_a) {
        return not_measured;
    }
    return resistance(u0_v, i0_a, u1_v, i1_a, a);
}

double wn_slope_v_per_s(const struct wn_reading *r, int n)
{
    double mean_t = 0, mean_v = 0, tt = 0, tv = 0;
    if (n < 2) {
        return NAN;
    }
    for (int i = 0; i < n; i++) { /* relative to the first: days of nanoseconds leave no digits */
        mean_t += wn_ns_to_s(r[i].time_ns - r[0].time_ns) / n;
        mean_v += r[i].voltage_v / n;
    }
    for (int i = 0; i < n; i++) {
        double t = wn_ns_to_s(r[i].time_ns - r[0].time_ns) - mean_t;
        tt += t * t;
        tv += t * (r[i].voltage_v - mean_v);
    }
    return tt > 0 ? tv / tt : NAN;
}
