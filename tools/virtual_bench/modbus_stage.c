/* Virtual bench: the registers of a supply and of a load; modbus_maps.c has their list.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>

#include "virtual_bench/inst_internal.h"
#include "virtual_bench/modbus_image.h"

enum { CONTROL_ON = 1, CONTROL_POWER = 2, CONTROL_CLEAR = 0x8000, CONTROL_ALL = 0x8003 };

void stage_inputs(struct wn_inst *i, int k, struct image *m)
{
    const struct wn_stage *s = &i->stage[k];
    double voltage_v = wn_inst_voltage(i, k);
    double current_a = (s->load ? -1.0 : 1.0) * wn_inst_current(i, k);

    image_word(m, 0, s->load ? 0x574c : 0x5753);
    image_word(m, 1, MAP_VERSION);
    image_double(m, 2, 1);
    image_double(m, 4, llround(wn_inst_clock_s(i) * 1e3));
    image_double(m, 6, llround(voltage_v * 1e4));
    image_double(m, 8, llround(current_a * 1e4));
    image_word(m, 10,
               (s->on ? 1 : 0) | (s->tripped ? 2 : 0) | (s->stopped ? 4 : 0) | (s->closed ? 8 : 0));
    image_float(m, 12, voltage_v);
    image_float(m, 14, current_a);
}

void stage_holdings(const struct wn_inst *i, int k, struct image *m)
{
    const struct wn_stage *s = &i->stage[k];

    image_word(m, 0, (s->on ? CONTROL_ON : 0) | (s->power ? CONTROL_POWER : 0));
    image_double(m, 1, llround(s->current_a * 1e4));
    image_double(m, 3, llround(s->voltage_v * 1e4));
    image_double(m, 5, llround(s->power_w * 1e3));
    image_word(m, 7, llround(s->protect_v * 1e3));
    image_word(m, 8, llround(s->protect_a * 1e2));
    image_word(m, 9, llround(i->timeout_s * 10.0));
    image_word(m, 10, 0);
    image_word(m, 11, 0);
    image_float(m, 12, s->current_a);
    image_float(m, 14, s->voltage_v);
}

/* What the control word asks for, given what is set besides. */
static int obey(struct wn_inst *i, int k, uint16_t control)
{
    struct wn_stage *s = &i->stage[k];
    bool on = (control & CONTROL_ON) != 0;

    s->tripped = s->tripped && (control & CONTROL_CLEAR) == 0;
    if (on && s->tripped) {
        return WN_MBS_FAILURE;
    }
    s->power = (control & CONTROL_POWER) != 0;
    wn_stage_switch(i->world[k], s, on);
    return 0;
}

int stage_write(struct wn_inst *i, int k, struct change *c)
{
    struct wn_stage *s = &i->stage[k];
    struct wn_stage to = *s;
    double timeout_s = i->timeout_s;
    uint16_t control = c->m.word[0];
    bool controls = change_touches(c, 0, 1);
    bool power = (control & CONTROL_POWER) != 0;

    change_take_double(c, 1, 1e-4, 30.0, &to.current_a);
    change_take_double(c, 3, 1e-4, 6.0, &to.voltage_v);
    change_take_double(c, 5, 1e-3, s->load ? 120.0 : 0.0, &to.power_w);
    change_take_word(c, 7, 1e-3, 6.5, &to.protect_v);
    change_take_word(c, 8, 1e-2, 33.0, &to.protect_a);
    change_take_word(c, 9, 0.1, 6553.5, &timeout_s);
    change_take_float(c, 12, 30.0, &to.current_a);
    change_take_float(c, 14, 6.0, &to.voltage_v);
    if (c->torn || c->refused || (controls && (control & ~CONTROL_ALL) != 0) ||
        (power && !s->load)) {
        return c->torn ? WN_MBS_ADDRESS : WN_MBS_VALUE;
    }
    if (controls && s->on && power != s->power) {
        return WN_MBS_FAILURE;
    }
    *s = to;
    i->timeout_s = timeout_s;
    return controls ? obey(i, k, control) : 0;
}
