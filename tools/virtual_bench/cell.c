/* Virtual bench: the simulated cell, step by step.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/cell.h"

#include <math.h>

#include "base/assert.h"

#define SOC_FIRST          (-0.03) /* of the table */
#define SOC_LAST           1.12
#define NODE_DISTANCE      ((SOC_LAST - SOC_FIRST) / (WN_CELL_OCV_NODES - 1))
#define KELVIN             273.15
#define REFERENCE_C        25.0
#define RESISTANCE_MIN_SOC (-0.05) /* below, resistance grows no more: exp() would overflow */

/* Our own curve of the common layered-oxide and graphite shape: steep near empty, a slope, a step
 * at half charge. Every term rises with soc, so the sum does. ocv(0) = 2.5 V, ocv(1) = 4.2 V within
 * a millivolt. */
static double ocv_formula(double soc)
{
    double step = 1.0 / (1.0 + exp(-(soc - 0.58) / 0.07)) - 1.0 / (1.0 + exp(0.58 / 0.07));
    return 2.5 + 0.44 * (1.0 - exp(-soc / 0.012)) + 0.30 * (1.0 - exp(-soc / 0.08)) + 0.80 * soc +
           0.14 * step + 0.02 * exp((soc - 1.0) / 0.03);
}

static double ocv_formula_slope(double soc)
{
    double e = exp(-(soc - 0.58) / 0.07);
    return 0.44 / 0.012 * exp(-soc / 0.012) + 0.30 / 0.08 * exp(-soc / 0.08) + 0.80 +
           0.14 / 0.07 * e / ((1.0 + e) * (1.0 + e)) + 0.02 / 0.03 * exp((soc - 1.0) / 0.03);
}

void wn_cell_model_init(struct wn_cell_model *m, const struct wn_cell_params *p)
{
    *m = (struct wn_cell_model){.p = *p};
    for (int i = 0; i < WN_CELL_OCV_NODES; i++) {
        double soc = SOC_FIRST + i * NODE_DISTANCE;
        m->ocv_v[i] = ocv_formula(soc);
        m->slope_v[i] = ocv_formula_slope(soc) * NODE_DISTANCE;
    }
}

/* Cubic Hermite between the nodes, straight lines beyond the table. */
double wn_cell_ocv(const struct wn_cell_model *m, double soc)
{
    const int last = WN_CELL_OCV_NODES - 1;
    double x = (soc - SOC_FIRST) / NODE_DISTANCE;
    int i;
    double t;
    double rise;

    if (x <= 0.0) {
        return m->ocv_v[0] + x * m->slope_v[0];
    }
    if (x >= last) {
        return m->ocv_v[last] + (x - last) * m->slope_v[last];
    }
    i = (int)x;
    t = x - i;
    rise = m->ocv_v[i + 1] - m->ocv_v[i];
    return m->ocv_v[i] +
           t * (m->slope_v[i] + t * (3.0 * rise - 2.0 * m->slope_v[i] - m->slope_v[i + 1] +
                                     t * (m->slope_v[i] + m->slope_v[i + 1] - 2.0 * rise)));
}

double wn_cell_soc(const struct wn_cell *c)
{
    return c->charge_ah / c->capacity_ah;
}

/* What follows from wear, temperature and charge of this instant. */
static void update(struct wn_cell *c)
{
    const struct wn_cell_params *p = &c->model->p;
    double far = (c->wear - p->knee_at) / p->knee_width;
    double knee = p->knee_width * (far > 40.0 ? far : log1p(exp(far)));
    double fade = p->fade_sqrt * sqrt(c->wear) + p->fade_linear * c->wear + p->fade_knee * knee;
    double rise = 1.0 + p->rise_linear * c->wear + p->rise_knee * knee;
    double soc;
    double heat = 1.0 / (c->temperature_c + KELVIN) - 1.0 / (REFERENCE_C + KELVIN);

    c->capacity_ah = p->capacity_ah * fmax(1.0 - fade, 0.02);
    soc = fmax(wn_cell_soc(c), RESISTANCE_MIN_SOC);
    c->r_scale =
        rise * exp(p->r_activation_k * heat) * (1.0 + p->r_empty * exp(-soc / p->r_empty_width));
}

void wn_cell_init(struct wn_cell *c, struct wn_cell_model *m, double soc, double wear,
                  double ambient_c)
{
    *c = (struct wn_cell){
        .model = m, .wear = wear, .temperature_c = ambient_c, .ambient_c = ambient_c};
    update(c);
    c->charge_ah = soc * c->capacity_ah;
    update(c);
}

double wn_cell_voltage(const struct wn_cell *c, double current_a)
{
    return wn_cell_ocv(c->model, wn_cell_soc(c)) + c->v1_v + c->v2_v +
           current_a * c->model->p.r0_ohm * c->r_scale;
}

double wn_cell_resistance(const struct wn_cell *c, double after_s)
{
    const struct wn_cell_params *p = &c->model->p;
    return c->r_scale * (p->r0_ohm - p->r1_ohm * expm1(-after_s / p->tau1_s) -
                         p->r2_ohm * expm1(-after_s / p->tau2_s));
}

static const struct wn_cell_decay *decay_of(struct wn_cell_model *m, double dt_s)
{
    struct wn_cell_decay *d;

    for (unsigned i = 0; i < WN_CELL_DECAYS; i++) {
        if (m->decay[i].dt_s == dt_s) {
            return &m->decay[i];
        }
    }
    d = &m->decay[m->decays_made++ % WN_CELL_DECAYS];
    d->dt_s = dt_s;
    d->e1 = exp(-dt_s / m->p.tau1_s);
    d->e2 = exp(-dt_s / m->p.tau2_s);
    d->heat = exp(-dt_s * m->p.loss_w_per_k / m->p.heat_capacity_j_per_k);
    return d;
}

/* One RC pair through a step: *v_v goes towards current * r exponentially. Returns the heat made in
 * its resistor, the integral of v^2 / r. */
static double relax(double *v_v, double current_a, double r_ohm, double tau_s, double e,
                    double dt_s)
{
    double end_v = current_a * r_ohm;
    double away_v = *v_v - end_v;

    *v_v = end_v + away_v * e;
    return (end_v * end_v * dt_s + 2.0 * end_v * away_v * tau_s * (1.0 - e) +
            away_v * away_v * tau_s * 0.5 * (1.0 - e * e)) /
           r_ohm;
}

/* Beyond full a growing part of the charging power heats: invented, but it makes an over-charged
 * cell warm, as it should be. */
static double overcharge_power_w(const struct wn_cell *c, double current_a)
{
    double over = wn_cell_soc(c) - 1.01;
    if (current_a <= 0.0 || over <= 0.0) {
        return 0.0;
    }
    return current_a * 4.2 * fmin(over / 0.05, 1.0);
}

void wn_cell_step(struct wn_cell *c, double dt_s, double current_a)
{
    const struct wn_cell_params *p = &c->model->p;
    const struct wn_cell_decay *d = decay_of(c->model, dt_s);
    double moved_ah = current_a * dt_s / 3600.0;
    double heat_j = current_a * current_a * p->r0_ohm * c->r_scale * dt_s;
    double warm_c;
    double hurry;

    wn_assert(dt_s > 0.0);
    heat_j += relax(&c->v1_v, current_a, p->r1_ohm * c->r_scale, p->tau1_s, d->e1, dt_s);
    heat_j += relax(&c->v2_v, current_a, p->r2_ohm * c->r_scale, p->tau2_s, d->e2, dt_s);
    heat_j += overcharge_power_w(c, current_a) * dt_s;
    hurry = fmax(1.0 + p->wear_per_k * (c->temperature_c - REFERENCE_C), 0.1);
    warm_c = c->ambient_c + heat_j / dt_s / p->loss_w_per_k;
    c->temperature_c = warm_c + (c->temperature_c - warm_c) * d->heat;
    if (moved_ah > 0.0) {
        c->charge_ah += moved_ah * p->charge_efficiency;
        c->charged_ah += moved_ah;
    } else {
        c->charge_ah += moved_ah;
        c->discharged_ah -= moved_ah;
    }
    if (!c->ageless) {
        c->wear += fabs(moved_ah) * hurry / (2.0 * p->rated_ah);
    }
    update(c);
}
