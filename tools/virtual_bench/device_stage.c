/* Virtual bench: the commands of supply and load.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/device_internal.h"

#include <math.h>
#include <stddef.h>

#define STAGE(m) offsetof(struct wn_stage, m)

const struct device_number device_stage_numbers[] = {
    {SUPPLY, "SOURce:VOLTage[:LEVel]", STAGE(voltage_v), {WN_SCPI_VOLT, 0.0, 6.0, 0.0}},
    {SUPPLY, "SOURce:CURRent[:LEVel]", STAGE(current_a), {WN_SCPI_AMPERE, 0.0, 30.0, 0.0}},
    {SUPPLY, "SOURce:VOLTage:PROTection", STAGE(protect_v), {WN_SCPI_VOLT, 0.0, 6.5, 0.0}},
    {SUPPLY, "SOURce:CURRent:PROTection", STAGE(protect_a), {WN_SCPI_AMPERE, 0.0, 33.0, 0.0}},
    {LOAD, "LOAD:CURRent", STAGE(current_a), {WN_SCPI_AMPERE, 0.0, 30.0, 0.0}},
    {LOAD, "LOAD:POWer", STAGE(power_w), {WN_SCPI_WATT, 0.0, 120.0, 0.0}},
    {LOAD, "LOAD:VOLTage:STOP", STAGE(voltage_v), {WN_SCPI_VOLT, 0.0, 6.0, 0.0}},
    {LOAD, "LOAD:VOLTage:PROTection", STAGE(protect_v), {WN_SCPI_VOLT, 0.0, 6.5, 0.0}},
    {LOAD, "LOAD:CURRent:PROTection", STAGE(protect_a), {WN_SCPI_AMPERE, 0.0, 33.0, 0.0}},
    {0, NULL, 0, {WN_SCPI_PLAIN, 0.0, 0.0, 0.0}},
};

static struct wn_stage *stage(struct work *w)
{
    return &w->i->stage[w->channel];
}

static void switch_stage(struct work *w, int k, bool on)
{
    struct wn_stage *s = &w->i->stage[k];
    if (w->i->world[k] != NULL) {
        wn_stage_switch(w->i->world[k], s, on);
    } else {
        s->on = on;
    }
}

static int set_select(struct work *w)
{
    struct wn_scpi_range range = {WN_SCPI_PLAIN, 1.0, w->i->setup.outputs, 1.0};
    double value;
    int rc = wn_scpi_number(w->u->param[0], &range, &value);

    if (rc == 0) {
        w->i->selected = (int)lround(value) - 1;
    }
    return rc;
}

static int get_select(struct work *w)
{
    return reply_answer(w->r, w->i->selected + 1);
}

static int get_count(struct work *w)
{
    return reply_answer(w->r, w->i->setup.outputs);
}

static int set_timeout(struct work *w)
{
    static const struct wn_scpi_range range = {WN_SCPI_SECOND, 0.0, 86400.0, 0.0};
    return wn_scpi_number(w->u->param[0], &range, &w->i->timeout_s);
}

static int get_timeout(struct work *w)
{
    return reply_answer(w->r, w->i->timeout_s);
}

static int set_on(struct work *w)
{
    bool on;
    int rc = wn_scpi_bool(w->u->param[0], &on);

    if (rc == 0 && on && stage(w)->tripped) {
        return WN_SCPI_CONFLICT;
    }
    if (rc == 0) {
        switch_stage(w, w->channel, on);
    }
    return rc;
}

static int get_on(struct work *w)
{
    return reply_answer(w->r, stage(w)->on);
}

static int get_stopped(struct work *w)
{
    return reply_answer(w->r, stage(w)->stopped);
}

static int get_tripped(struct work *w)
{
    return reply_answer(w->r, stage(w)->tripped);
}

static int set_clear(struct work *w)
{
    stage(w)->tripped = false;
    return 0;
}

static int set_mode(struct work *w)
{
    static const char *const words[] = {"CURRent", "POWer"};
    int which = wn_scpi_word(w->u->param[0], words, 2);

    if (which < 0) {
        return which;
    }
    if (stage(w)->on && (which == 1) != stage(w)->power) {
        return WN_SCPI_CONFLICT;
    }
    stage(w)->power = which == 1;
    return 0;
}

static int get_mode(struct work *w)
{
    return device_say(w, stage(w)->power ? "POW" : "CURR");
}

/* Its own direction is positive. */
static double own_current(struct work *w)
{
    double charging_a = wn_inst_current(w->i, w->channel);
    double own_a = w->i->setup.kind == WN_INST_LOAD ? -charging_a : charging_a;
    return w->i->setup.unsigned_current ? fabs(own_a) : own_a;
}

static int get_voltage(struct work *w)
{
    device_pass(w, PLAIN_NS);
    device_put(w, wn_inst_voltage(w->i, w->channel), 4, "V");
    return 0;
}

static int get_current(struct work *w)
{
    device_pass(w, PLAIN_NS);
    device_put(w, own_current(w), 4, "A");
    return 0;
}

static int get_power(struct work *w)
{
    device_pass(w, PLAIN_NS);
    device_put(w, wn_inst_voltage(w->i, w->channel) * own_current(w), 3, "W");
    return 0;
}

static int get_all(struct work *w)
{
    int rc = device_pass_span(w);

    if (rc != 0) {
        return rc;
    }
    device_put(w, wn_inst_clock_s(w->i), 6, "s");
    device_comma(w);
    device_put(w, wn_inst_voltage(w->i, w->channel), 4, "V");
    device_comma(w);
    device_put(w, own_current(w), 4, "A");
    device_comma(w);
    reply_text(w->r, stage(w)->on ? "1" : "0");
    return 0;
}

void device_stage_reset(struct work *w)
{
    for (int k = 0; k < WN_INST_OUTPUTS_MAX; k++) {
        struct wn_stage *s = &w->i->stage[k];
        switch_stage(w, k, false);
        s->current_a = s->voltage_v = s->power_w = s->protect_a = s->protect_v = 0.0;
        s->power = s->stopped = s->tripped = false;
    }
}

const struct device_command device_stage_commands[] = {
    {SUPPLY | LOAD, "MEASure[:SCALar]:ALL", NULL, 0, get_all, 1},
    {SUPPLY | LOAD, "MEASure[:SCALar]:VOLTage", NULL, 0, get_voltage, 0},
    {SUPPLY | LOAD, "MEASure[:SCALar]:CURRent", NULL, 0, get_current, 0},
    {SUPPLY | LOAD, "MEASure[:SCALar]:POWer", NULL, 0, get_power, 0},
    {SUPPLY, "OUTPut[:STATe]", set_on, 1, get_on, 0},
    {SUPPLY, "OUTPut:PROTection:TRIPped", NULL, 0, get_tripped, 0},
    {SUPPLY, "OUTPut:PROTection:CLEar", set_clear, 0, NULL, 0},
    {LOAD, "INPut[:STATe]", set_on, 1, get_on, 0},
    {LOAD, "INPut:STOPped", NULL, 0, get_stopped, 0},
    {LOAD, "INPut:PROTection:TRIPped", NULL, 0, get_tripped, 0},
    {LOAD, "INPut:PROTection:CLEar", set_clear, 0, NULL, 0},
    {LOAD, "LOAD:MODE", set_mode, 1, get_mode, 0},
    {SUPPLY | LOAD, "INSTrument:NSELect", set_select, 1, get_select, 0},
    {SUPPLY | LOAD, "INSTrument:COUNt", NULL, 0, get_count, 0},
    {SUPPLY | LOAD, "SYSTem:COMMunicate:TIMeout", set_timeout, 1, get_timeout, 0},
    {0, NULL, NULL, 0, NULL, 0},
};
