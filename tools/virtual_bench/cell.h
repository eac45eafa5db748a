/* Virtual bench: the simulated cell (open-circuit voltage, resistance, heat, wear).
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure: no I/O, no clock, no allocation. Everything about the cells is invented; no product is
 * meant.
 *
 * Open-circuit voltage over state of charge, plus R0, plus two RC pairs whose time constants are
 * fixed, so that a step with constant current has an exact solution. Heat goes into one lump that
 * loses it to the ambient. Wear counts charge throughput, weighted mildly by temperature; capacity
 * and resistance are functions of wear alone. Current is positive when it charges the cell. */
#ifndef WN_VIRTUAL_BENCH_CELL_H
#define WN_VIRTUAL_BENCH_CELL_H

#include <stdbool.h>

enum {
    WN_CELL_OCV_NODES = 590, /* of the open-circuit voltage's table */
    WN_CELL_DECAYS = 8       /* step sizes whose exponentials are kept */
};

/* All that makes one cell differ from another. */
struct wn_cell_params {
    const char *name;
    const char *about;
    double rated_ah;          /* as its (invented) datasheet says */
    double cutoff_v;          /* end of discharge of the datasheet */
    double capacity_ah;       /* when fresh: between open-circuit voltages 2.5 V and 4.2 V */
    double charge_efficiency; /* part of the charge put in that is stored */
    /* Resistances at 25 degC, half charged and fresh. All three scale alike:
     * times 1 + r_empty exp(-soc / r_empty_width), times exp(r_activation_k (1/T - 1/298.15 K)). */
    double r0_ohm, r1_ohm, r2_ohm;
    double tau1_s, tau2_s;
    double r_empty, r_empty_width;
    double r_activation_k;
    double heat_capacity_j_per_k;
    double loss_w_per_k; /* to the ambient */
    /* Wear w in equivalent full cycles: throughput / (2 rated), faster by wear_per_k per kelvin
     * above 25 degC. softplus(w) = knee_width ln(1 + exp((w - knee_at) / knee_width)). capacity =
     * fresh (1 - fade_sqrt sqrt(w) - fade_linear w - fade_knee softplus(w)) resistance = fresh (1 +
     * rise_linear w + rise_knee softplus(w)) */
    double fade_sqrt, fade_linear, fade_knee;
    double knee_at, knee_width;
    double rise_linear, rise_knee;
    double wear_per_k;
};

struct wn_cell_decay { /* exp(-dt / tau) of each time constant */
    double dt_s;
    double e1, e2, heat;
};

/* A cell's constants with what is computed from them once. Must outlive its cells. */
struct wn_cell_model {
    struct wn_cell_params p;
    double ocv_v[WN_CELL_OCV_NODES];
    double slope_v[WN_CELL_OCV_NODES]; /* per node distance */
    struct wn_cell_decay decay[WN_CELL_DECAYS];
    unsigned decays_made;
};

/* The state; copy it to ask "what if". */
struct wn_cell {
    struct wn_cell_model *model; /* borrowed */
    double charge_ah;            /* stored; charge_ah / capacity_ah is the state of charge */
    double v1_v, v2_v;           /* of the RC pairs */
    double temperature_c, ambient_c;
    double charged_ah, discharged_ah; /* through the terminals so far, both positive */
    double wear;                      /* equivalent full cycles */
    bool ageless;                     /* wear stands still */
    double capacity_ah;               /* present */
    double r_scale; /* of all resistances: wear, temperature and state of charge of this instant */
};

/** The built-in cells by index, NULL behind the last. */
const struct wn_cell_params *wn_cell_preset(unsigned index);
/** The same by name; NULL when there is none. */
const struct wn_cell_params *wn_cell_preset_named(const char *name);

void wn_cell_model_init(struct wn_cell_model *m, const struct wn_cell_params *p);

/** A rested cell with so much wear at that state of charge and ambient. */
void wn_cell_init(struct wn_cell *c, struct wn_cell_model *m, double soc, double wear,
                  double ambient_c);

double wn_cell_soc(const struct wn_cell *c);
/** Open-circuit voltage at a state of charge; strictly rising, also beyond 0 and 1. */
double wn_cell_ocv(const struct wn_cell_model *m, double soc);
/** Terminal voltage at this instant with that current. */
double wn_cell_voltage(const struct wn_cell *c, double current_a);
/** Voltage per ampere that a constant current has made after so many seconds (0: R0 alone). */
double wn_cell_resistance(const struct wn_cell *c, double after_s);

/** Lets dt_s > 0 pass with a constant current. Resistances are those of the step's beginning; for
 * the rest the step is exact. */
void wn_cell_step(struct wn_cell *c, double dt_s, double current_a);

/** The current in [low_a, high_a] that brings the terminals to target_v at the end of a step of
 * dt_s, or the end of the range that comes nearest. */
double wn_cell_solve_voltage(const struct wn_cell *c, double dt_s, double target_v, double low_a,
                             double high_a);

/** The discharge current (negative) that takes power_w at the end of the step; -max_a when the cell
 * cannot give so much. */
double wn_cell_solve_power(const struct wn_cell *c, double dt_s, double power_w, double max_a);

/** Does the terminal voltage reach level_v from above within a step? Then *after_s is when, to
 * 1e-9 s. */
bool wn_cell_crosses(const struct wn_cell *c, double dt_s, double current_a, double level_v,
                     double *after_s);

/** Charge in Ah that this cell would deliver: from empty and rested charged with charge_a to
 * charge_v until taper_a, rested for an hour, then discharged with discharge_a to cutoff_v; at the
 * present ambient. It does not age meanwhile, and the cell itself is left alone. NaN when it cannot
 * be done (a current of 0, a cut-off that is never reached). */
double wn_cell_deliverable(const struct wn_cell *c, double charge_a, double charge_v,
                           double taper_a, double discharge_a, double cutoff_v);

#endif
