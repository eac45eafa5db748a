/* Virtual bench: what the registers of its MODBUS instruments mean. All of our own invention.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Addresses are those on the wire, from 0. "32" is a double register, high word first unless the
 * switch low-word-first is on; "f" is an IEEE 754 single in a double register. Half of a double
 * register can be read, but not written (exception 2). A value out of range is exception 3; what
 * the instrument's state forbids is exception 4. A write of several changes all or nothing.
 *
 * After a reconnect with the switch identity-after, an identity has all its bits turned. Of a
 * tester, supply or load with several outputs the registers of the second are those below plus 100,
 * and so on.
 *
 * TESTER, input registers (function 4)
 *    0     identity 0x5742
 *    1     version of this map, 1
 *    2 32  serial number
 *    4 32  own clock, ms
 *    6 32  voltage, signed, 0.1 mV; 0x80000000 without a reading
 *    8 32  current, signed, 0.1 mA, positive when charging
 *   10     cell, signed, 0.01 degC; 0x8000 without a sensor
 *   11     ambient, likewise
 *   12     state: the sum of 1 output on, 2 contact closed, 4 tripped
 *   13     why tripped, the sum that OUTPut:PROTection:TRIPped? tells
 *   14 f   voltage, V
 *   16 f   current, A
 *   18 f   cell, degC; NaN without a sensor
 *   20 f   own clock, s
 * holding registers (functions 3, 6, 16)
 *    0     0 charge, 1 discharge, 2 constant power; not while the output is on
 *    1 32  current, 0.1 mA
 *    3 32  voltage, 0.1 mV: the limit, or the discharge's stop
 *    5 32  power, mW
 *    7     switches off above, mV
 *    8     switches off when discharging below, mV
 *    9     switches off above, 10 mA
 *   10     switches off above, signed, 0.1 degC
 *   11     switches off after silence, 0.1 s; 0: never
 *   12     when the clock does not run by itself, reading input register 6 or 14 lets so much time
 *          pass, 0.1 s; 0: 1 ms
 *   13     write 0x55AA: clear protections; reads 0
 *   14 f   current, A; this and the next two are the settings above once more
 *   16 f   voltage, V
 *   18 f   power, W
 * coils (functions 1, 5, 15)
 *    0     output; refused (4) while tripped
 *    1     write 1: clear protections, before coil 0 of the same request; reads 0
 * discrete inputs (function 2)
 *    0     contact closed, really
 *    1     tripped
 *    2     no temperature sensor
 *
 * SUPPLY and LOAD, input registers
 *    0     identity, 0x5753 and 0x574C
 *    1     version, 1
 *    2 32  serial number
 *    4 32  own clock, ms
 *    6 32  voltage, signed, 0.1 mV
 *    8 32  current, signed, 0.1 mA, positive in its own direction
 *   10     state: the sum of 1 output on, 2 tripped, 4 stopped by itself, 8 contact closed
 *   12 f   voltage, V
 *   14 f   current, A
 * holding registers
 *    0     control: the sum of 1 output on (refused (4) while tripped), 2 constant power (a load's;
 *          not while it is on), 0x8000 clear the trip (reads 0)
 *    1 32  current, 0.1 mA
 *    3 32  voltage, 0.1 mV: a supply's; where a load stops by itself
 *    5 32  power, mW; of a load
 *    7     switches off above, mV; 0: never
 *    8     switches off above, 10 mA; 0: never
 *    9     all outputs off after silence, 0.1 s; 0: never
 *   10     nothing; this and the next read 0
 *   12 f   current, A; this and the next are the settings above once more
 *   14 f   voltage, V
 *
 * THERMOMETER, input registers
 *    0     identity 0x5754
 *    1     version, 1
 *    2     first channel, signed, 0.01 degC; 0x8000 without a sensor
 *    3     second channel
 *    4 32  own clock, ms
 *    6 f   first, degC; NaN without a sensor
 *    8 f   second
 * holding register
 *    0     added to the readings, signed, 0.01 K
 * discrete input
 *    0     no sensor
 *
 * RELAY, input registers
 *    0     identity 0x5752
 *    1     version, 1
 *    2 32  own clock, ms
 *    4     how often the watchdog has opened
 * holding register
 *    0     opens after silence, 0.1 s; 0: never
 * coils
 *    0     energised; refused (4) while tripped
 *    1     write 1: clear the trip, before coil 0 of the same request; reads 0
 * discrete inputs
 *    0     contact closed, really
 *    1     tripped */
#include <math.h>
#include <string.h>

#include "virtual_bench/bench.h"
#include "virtual_bench/inst_internal.h"
#include "virtual_bench/modbus_image.h"

enum { CLEAR_KEY = 0x55aa, OUTPUT_STEP = 100 };

static void tester_inputs(struct wn_inst *i, int k, struct image *m)
{
    struct wn_tester *t = i->world[k];
    double clock_s = wn_inst_clock_s(i);
    double voltage_v = wn_tester_read_voltage(t);
    double current_a = wn_tester_read_current(t);
    double warm_c = wn_tester_read_temperature(t);

    image_word(m, 0, 0x5742);
    image_word(m, 1, MAP_VERSION);
    image_double(m, 2, 1);
    image_double(m, 4, llround(clock_s * 1e3));
    image_double(m, 6, isnan(voltage_v) ? INT32_MIN : llround(voltage_v * 1e4));
    image_double(m, 8, llround(current_a * 1e4));
    image_warm(m, 10, warm_c);
    image_warm(m, 11, wn_tester_read_ambient(t));
    image_word(m, 12, (t->output ? 1 : 0) | (t->relay ? 2 : 0) | (t->trips != 0 ? 4 : 0));
    image_word(m, 13, t->trips);
    image_float(m, 14, voltage_v);
    image_float(m, 16, current_a);
    image_float(m, 18, warm_c);
    image_float(m, 20, clock_s);
}

static void tester_holdings(const struct wn_inst *i, int k, struct image *m)
{
    const struct wn_tester_settings *s = &i->world[k]->set;

    image_word(m, 0, s->function);
    image_double(m, 1, llround(s->current_a * 1e4));
    image_double(m, 3, llround(s->voltage_v * 1e4));
    image_double(m, 5, llround(s->power_w * 1e3));
    image_word(m, 7, llround(s->protect_high_v * 1e3));
    image_word(m, 8, llround(s->protect_low_v * 1e3));
    image_word(m, 9, llround(s->protect_current_a * 1e2));
    image_word(m, 10, llround(s->protect_temperature_c * 10.0));
    image_word(m, 11, llround(s->timeout_s * 10.0));
    image_word(m, 12, llround(i->timeout_s * 10.0));
    image_word(m, 13, 0);
    image_float(m, 14, s->current_a);
    image_float(m, 16, s->voltage_v);
    image_float(m, 18, s->power_w);
}

static void warm_inputs(struct wn_inst *i, struct image *m)
{
    double first_c = wn_inst_temperature(i, 0);
    double second_c = wn_inst_temperature(i, 1);

    image_word(m, 0, 0x5754);
    image_word(m, 1, MAP_VERSION);
    image_warm(m, 2, first_c);
    image_warm(m, 3, second_c);
    image_double(m, 4, llround(wn_inst_clock_s(i) * 1e3));
    image_float(m, 6, first_c);
    image_float(m, 8, second_c);
}

static void relay_inputs(const struct wn_inst *i, struct image *m)
{
    image_word(m, 0, 0x5752);
    image_word(m, 1, MAP_VERSION);
    image_double(m, 2, llround(wn_inst_clock_s(i) * 1e3));
    image_word(m, 4, i->relay.trips);
}

static void fill_inputs(struct wn_inst *i, int k, struct image *m)
{
    if (i->setup.kind == WN_INST_MODBUS_TESTER) {
        tester_inputs(i, k, m);
    } else if (has_stages(i)) {
        stage_inputs(i, k, m);
    } else if (i->setup.kind == WN_INST_MODBUS_RELAY) {
        relay_inputs(i, m);
    } else {
        warm_inputs(i, m);
    }
    if (i->returned && i->setup.identity_after[0] != '\0') {
        m->word[0] ^= 0xffff; /* something else has been plugged in instead */
    }
}

static void fill_holdings(const struct wn_inst *i, int k, struct image *m)
{
    if (i->setup.kind == WN_INST_MODBUS_TESTER) {
        tester_holdings(i, k, m);
    } else if (has_stages(i)) {
        stage_holdings(i, k, m);
    } else if (i->setup.kind == WN_INST_MODBUS_RELAY) {
        image_word(m, 0, llround(i->relay.watchdog_s * 10.0));
    } else {
        image_word(m, 0, llround(i->setup.offset_c * 100.0));
    }
}

static void fill_bits(const struct wn_inst *i, int k, enum wn_mbs_table table, struct image *m)
{
    const struct wn_tester *t = i->world[k];
    bool coils = table == WN_MBS_COILS;

    if (i->setup.kind == WN_INST_MODBUS_TESTER) {
        image_word(m, 0, coils ? t->output : t->relay);
        image_word(m, 1, !coils && t->trips != 0);
        if (!coils) {
            image_word(m, 2, t->faults.thermometer == WN_THERMOMETER_OPEN);
        }
    } else if (i->setup.kind == WN_INST_MODBUS_RELAY) {
        image_word(m, 0, coils ? i->relay.on : i->relay.closed);
        image_word(m, 1, !coils && i->relay.tripped);
    } else if (!coils && !has_stages(i)) {
        image_word(m, 0, i->setup.open);
    }
}

/* The output whose registers these are, its first register taken off *at; -1: there is none. */
static int output_of(const struct wn_inst *i, unsigned *at)
{
    bool several = is_tester(i) || has_stages(i);
    unsigned k = several ? *at / OUTPUT_STEP : 0;

    *at -= k * OUTPUT_STEP;
    return k < (unsigned)i->setup.outputs && (!several || i->world[k] != NULL) ? (int)k : -1;
}

/* Does it look at what it measures? */
static bool measures(const struct wn_inst *i, unsigned at, unsigned count)
{
    unsigned single = has_stages(i) ? 12 : 14;

    return (is_tester(i) || has_stages(i)) &&
           (image_covers(at, count, 6, 2) || image_covers(at, count, single, 2));
}

static int read_map(void *context, enum wn_mbs_table table, unsigned at, unsigned count,
                    uint16_t *out)
{
    struct wn_inst *i = context;
    struct image m = {.low_first = i->setup.low_first};
    int k = output_of(i, &at);

    if (k < 0) {
        return WN_MBS_ADDRESS;
    }
    if (table == WN_MBS_INPUT) {
        if (measures(i, at, count)) {
            bool stepped = is_tester(i) && i->timeout_s > 0.0;
            wn_bench_measure(i->bench, stepped ? llround(i->timeout_s * 1e9) : INT64_C(1000000));
        }
        fill_inputs(i, k, &m);
    } else if (table == WN_MBS_HOLDING) {
        fill_holdings(i, k, &m);
    } else {
        fill_bits(i, k, table, &m);
    }
    if (at + count > m.count) {
        return WN_MBS_ADDRESS;
    }
    memcpy(out, &m.word[at], count * sizeof *out);
    return 0;
}

static int write_tester(struct wn_inst *i, int k, struct change *c)
{
    struct wn_tester *t = i->world[k];
    struct wn_tester_settings s = t->set;
    double function = s.function;
    double span_s = i->timeout_s;
    bool clear = change_touches(c, 13, 1);

    change_take_word(c, 0, 1.0, 2.0, &function);
    change_take_double(c, 1, 1e-4, 30.0, &s.current_a);
    change_take_double(c, 3, 1e-4, 6.0, &s.voltage_v);
    change_take_double(c, 5, 1e-3, 120.0, &s.power_w);
    change_take_word(c, 7, 1e-3, 6.5, &s.protect_high_v);
    change_take_word(c, 8, 1e-3, 6.0, &s.protect_low_v);
    change_take_word(c, 9, 1e-2, 33.0, &s.protect_current_a);
    if (change_touches(c, 10, 1)) {
        double warm_c = (double)(int16_t)c->m.word[10] / 10.0;
        c->refused = c->refused || warm_c < -40.0 || warm_c > 150.0;
        s.protect_temperature_c = warm_c;
    }
    change_take_word(c, 11, 0.1, 6553.5, &s.timeout_s);
    change_take_word(c, 12, 0.1, 600.0, &span_s);
    change_take_float(c, 14, 30.0, &s.current_a);
    change_take_float(c, 16, 6.0, &s.voltage_v);
    change_take_float(c, 18, 120.0, &s.power_w);
    if (c->torn || c->refused || (clear && c->m.word[13] != CLEAR_KEY)) {
        return c->torn ? WN_MBS_ADDRESS : WN_MBS_VALUE;
    }
    s.function = (enum wn_tester_function)lround(function);
    if (t->output && s.function != t->set.function) {
        return WN_MBS_FAILURE;
    }
    t->set = s;
    i->timeout_s = span_s;
    t->trips = clear ? 0 : t->trips;
    return 0;
}

static int write_holdings(struct wn_inst *i, int k, struct change *c)
{
    if (i->setup.kind == WN_INST_MODBUS_TESTER) {
        return write_tester(i, k, c);
    }
    if (has_stages(i)) {
        return stage_write(i, k, c);
    }
    if (i->setup.kind == WN_INST_MODBUS_RELAY) {
        i->relay.watchdog_s = c->m.word[0] * 0.1;
    } else {
        i->setup.offset_c = (double)(int16_t)c->m.word[0] * 0.01;
    }
    return 0;
}

static int write_coils(struct wn_inst *i, int k, unsigned at, unsigned count, const uint16_t *in)
{
    bool tester = i->setup.kind == WN_INST_MODBUS_TESTER;

    if (image_covers(at, count, 1, 1) &&
        in[1 - at] != 0) { /* clear first: both may come together */
        if (tester) {
            i->world[k]->trips = 0;
        } else {
            wn_inst_relay_clear(i);
        }
    }
    if (at > 0) {
        return 0;
    }
    return (tester ? wn_tester_switch(i->world[k], in[0] != 0)
                   : wn_inst_relay_switch(i, in[0] != 0))
               ? 0
               : WN_MBS_FAILURE;
}

static int write_map(void *context, enum wn_mbs_table table, unsigned at, unsigned count,
                     const uint16_t *in)
{
    struct wn_inst *i = context;
    struct change c = {.m = {.low_first = i->setup.low_first}, .count = count};
    int k = output_of(i, &at);

    if (k < 0) {
        return WN_MBS_ADDRESS;
    }
    c.at = at;
    if (table == WN_MBS_COILS) {
        fill_bits(i, k, table, &c.m);
    } else {
        fill_holdings(i, k, &c.m);
    }
    if (at + count > c.m.count) {
        return WN_MBS_ADDRESS;
    }
    if (table == WN_MBS_COILS) {
        return write_coils(i, k, at, count, in);
    }
    memcpy(&c.m.word[at], in, count * sizeof *in);
    return write_holdings(i, k, &c);
}

size_t wn_maps_frame(struct wn_inst *i, const uint8_t *frame, size_t len, uint8_t *reply)
{
    const struct wn_mbs_map map = {i, read_map, write_map};
    return wn_mbs_frame(&i->mbs, &map, frame, len, reply);
}
