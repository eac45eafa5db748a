/* Virtual bench: what no real instrument can tell or do: the cell's truth, and faults on demand.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/tester_internal.h"

#include <math.h>
#include <stddef.h>

static int get_capacity(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    static const struct wn_scpi_range current = {WN_SCPI_AMPERE, 0.01, 30.0, 0.5};
    static const struct wn_scpi_range voltage = {WN_SCPI_VOLT, 0.1, 4.0, 2.5};
    double current_a;
    double cutoff_v;
    int rc = wn_scpi_number(u->param[0], &current, &current_a);

    if (rc == 0) {
        rc = wn_scpi_number(u->param[1], &voltage, &cutoff_v);
    }
    if (rc != 0) {
        return rc;
    }
    return reply_answer(r, wn_cell_deliverable(&t->cell, t->charge_a, t->charge_v, t->taper_a,
                                               current_a, cutoff_v));
}

static int get_delivered(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return reply_answer(r, t->delivered_ah);
}

static int get_resistance(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    static const struct wn_scpi_range span = {WN_SCPI_SECOND, 0.0, 1e6, 0.0};
    double after_s = 0.0;
    int rc = u->params == 1 ? wn_scpi_number(u->param[0], &span, &after_s) : 0;

    return rc != 0 ? rc : reply_answer(r, wn_cell_resistance(&t->cell, after_s));
}

static int get_soc(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return reply_answer(r, wn_cell_soc(&t->cell));
}

static int get_wear(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return reply_answer(r, t->cell.wear);
}

static int get_temperature(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return reply_answer(r, t->cell.temperature_c);
}

static int get_voltage(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return reply_answer(r, wn_cell_voltage(&t->cell, t->flow_a));
}

static int get_current(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return reply_answer(r, t->flow_a);
}

static int get_both(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return reply_answer(r, (double)t->both_count);
}

static int set_thermometer(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    static const char *const words[] = {"NONE", "OPEN", "FREeze"};
    static const enum wn_thermometer states[] = {WN_THERMOMETER_OK, WN_THERMOMETER_OPEN,
                                                 WN_THERMOMETER_FROZEN};
    int which = wn_scpi_word(u->param[0], words, 3);
    double now_c = t->cell.temperature_c + t->faults.offset_c;

    (void)r;
    if (which < 0) {
        return which;
    }
    t->faults.thermometer = states[which];
    t->faults.frozen_c = now_c;
    return 0;
}

static int set_sense(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)r;
    return wn_scpi_bool(u->param[0], &t->faults.sense_open);
}

static int set_stuck(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    int rc = wn_scpi_bool(u->param[0], &t->faults.stuck_on);

    (void)r;
    if (rc == 0 && !t->faults.stuck_on && !t->output) {
        tester_output(t, false); /* the contact comes loose */
    }
    return rc;
}

static int set_count(const struct wn_scpi_unit *u, long *count)
{
    static const struct wn_scpi_range some = {WN_SCPI_PLAIN, 0.0, 1e9, 1.0};
    double value;
    int rc = wn_scpi_number(u->param[0], &some, &value);

    if (rc == 0) {
        *count = lround(value);
    }
    return rc;
}

static int set_silence(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)r;
    return set_count(u, &t->faults.silence);
}

static int set_garble(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)r;
    return set_count(u, &t->faults.garble);
}

/* What is left of an instrument after its mains went away for a moment. Its clock and its faults
 * are the bench's, not the instrument's. */
void tester_power_cycle(struct wn_tester *t)
{
    tester_defaults(t);
    t->errors.count = 0;
    t->esr = ESR_PON;
    t->ese = 0;
    t->sre = 0;
}

static int set_reset(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    (void)r;
    tester_power_cycle(t);
    return 0;
}

static int set_clear(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    (void)r;
    t->faults = (struct wn_tester_faults){.thermometer = WN_THERMOMETER_OK};
    if (!t->output) {
        tester_output(t, false);
    }
    return 0;
}

const struct command wn_tester_simulation_commands[] = {
    {"SIMulation:CELL:CAPacity", NULL, 0, get_capacity, 2, 2},
    {"SIMulation:CELL:DELivered", NULL, 0, get_delivered, 0, 0},
    {"SIMulation:CELL:RESistance", NULL, 0, get_resistance, 0, 1},
    {"SIMulation:CELL:SOC", NULL, 0, get_soc, 0, 0},
    {"SIMulation:CELL:WEAR", NULL, 0, get_wear, 0, 0},
    {"SIMulation:CELL:TEMPerature", NULL, 0, get_temperature, 0, 0},
    {"SIMulation:CELL:VOLTage", NULL, 0, get_voltage, 0, 0},
    {"SIMulation:CELL:CURRent", NULL, 0, get_current, 0, 0},
    {"SIMulation:CELL:BOTH", NULL, 0, get_both, 0, 0},
    {"SIMulation:FAULt:THERmometer", set_thermometer, 1, NULL, 0, 0},
    {"SIMulation:FAULt:SENSe", set_sense, 1, NULL, 0, 0},
    {"SIMulation:FAULt:OUTPut", set_stuck, 1, NULL, 0, 0},
    {"SIMulation:FAULt:SILence", set_silence, 1, NULL, 0, 0},
    {"SIMulation:FAULt:GARBle", set_garble, 1, NULL, 0, 0},
    {"SIMulation:FAULt:RESet", set_reset, 0, NULL, 0, 0},
    {"SIMulation:FAULt:CLEar", set_clear, 0, NULL, 0, 0},
    {NULL, NULL, 0, NULL, 0, 0},
};
