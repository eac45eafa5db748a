/* Virtual bench: questions to the simulated cell that are answered on copies of it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/cell.h"

#include <math.h>

static double voltage_after(const struct wn_cell *c, double dt_s, double current_a)
{
    struct wn_cell copy = *c;
    wn_cell_step(&copy, dt_s, current_a);
    return wn_cell_voltage(&copy, current_a);
}

/* Regula falsi with the Illinois rule: it keeps the root between two points and is nearly as fast
 * as the secant. */
struct root {
    double a, fa; /* fa < 0 */
    double b, fb; /* fb > 0 */
    int side;
};

static double root_guess(const struct root *r)
{
    return r->b - r->fb * (r->b - r->a) / (r->fb - r->fa);
}

static void root_narrow(struct root *r, double x, double fx)
{
    if (fx < 0.0) {
        r->a = x;
        r->fa = fx;
        r->fb *= r->side < 0 ? 0.5 : 1.0;
        r->side = -1;
    } else {
        r->b = x;
        r->fb = fx;
        r->fa *= r->side > 0 ? 0.5 : 1.0;
        r->side = 1;
    }
}

double wn_cell_solve_voltage(const struct wn_cell *c, double dt_s, double target_v, double low_a,
                             double high_a)
{
    struct root r = {.a = low_a, .b = high_a};

    r.fb = voltage_after(c, dt_s, high_a) - target_v;
    if (r.fb <= 0.0) {
        return high_a;
    }
    r.fa = voltage_after(c, dt_s, low_a) - target_v;
    if (r.fa >= 0.0) {
        return low_a;
    }
    for (int i = 0; i < 60; i++) {
        double x = root_guess(&r);
        double fx = voltage_after(c, dt_s, x) - target_v;
        if (fabs(fx) < 1e-11) {
            return x;
        }
        root_narrow(&r, x, fx);
    }
    return root_guess(&r);
}

double wn_cell_solve_power(const struct wn_cell *c, double dt_s, double power_w, double max_a)
{
    double current_a = 0.0;

    for (int i = 0; i < 60; i++) {
        double voltage_v = voltage_after(c, dt_s, current_a);
        double next_a;
        if (voltage_v * max_a <= power_w) {
            return -max_a;
        }
        next_a = -power_w / voltage_v;
        if (fabs(next_a - current_a) < 1e-12) {
            return next_a;
        }
        current_a = next_a;
    }
    return current_a; /* near the most the cell can give it converges slowly */
}

bool wn_cell_crosses(const struct wn_cell *c, double dt_s, double current_a, double level_v,
                     double *after_s)
{
    struct root r = {.a = dt_s, .b = 0.0}; /* a: where the voltage is below */

    r.fb = wn_cell_voltage(c, current_a) - level_v;
    if (r.fb <= 0.0) {
        *after_s = 0.0;
        return true;
    }
    r.fa = voltage_after(c, dt_s, current_a) - level_v;
    if (r.fa > 0.0) {
        return false;
    }
    *after_s = dt_s;
    if (!(r.fa < 0.0)) {
        return true;
    }
    for (int i = 0; i < 80 && r.a - r.b > 1e-10; i++) {
        double fx;
        *after_s = root_guess(&r);
        if (!(*after_s > r.b && *after_s < r.a)) {
            *after_s = 0.5 * (r.a + r.b);
        }
        fx = voltage_after(c, *after_s, current_a) - level_v;
        if (fabs(fx) < 1e-12) {
            break;
        }
        root_narrow(&r, *after_s, fx);
    }
    return true;
}

static bool charge_fully(struct wn_cell *c, double charge_a, double charge_v, double taper_a)
{
    const double dt_s = 1.0;

    for (long n = 0; n < 400 * 3600L; n++) {
        double i_a = wn_cell_solve_voltage(c, dt_s, charge_v, 0.0, charge_a);
        if (i_a <= taper_a && i_a < charge_a) {
            return true;
        }
        wn_cell_step(c, dt_s, i_a);
    }
    return false;
}

double wn_cell_deliverable(const struct wn_cell *cell, double charge_a, double charge_v,
                           double taper_a, double discharge_a, double cutoff_v)
{
    struct wn_cell copy = *cell;
    struct wn_cell *c = &copy;
    double dt_s = fmin(fmax(0.5 / discharge_a, 0.02), 5.0);
    double after_s;
    double start_ah;

    c->ageless = true;
    /* From nearly empty and rested: charging what is full already would put in a little more. */
    c->charge_ah = 0.05 * c->capacity_ah;
    c->v1_v = c->v2_v = 0.0;
    c->temperature_c = c->ambient_c;
    if (!(charge_a > 0.0) || !(discharge_a > 0.0) ||
        !charge_fully(c, charge_a, charge_v, taper_a)) {
        return NAN;
    }
    for (int i = 0; i < 60; i++) {
        wn_cell_step(c, 60.0, 0.0);
    }
    start_ah = c->discharged_ah;
    for (long n = 0; n < 2000000L; n++) {
        if (wn_cell_crosses(c, dt_s, -discharge_a, cutoff_v, &after_s)) {
            return c->discharged_ah - start_ah + discharge_a * after_s / 3600.0;
        }
        wn_cell_step(c, dt_s, -discharge_a);
    }
    return NAN;
}
