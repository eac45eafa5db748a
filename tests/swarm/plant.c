/* Swarm: the instrument and the cell, as they truly are.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "swarm/plant.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "virtual_bench/tester_internal.h"

#define LOOK_NS (WN_NS_PER_S / 4)
#define FLOWS_A 0.03 /* a stuck output that was set to nothing is no danger */

static struct wn_tester tester; /* large */
static struct wn_scpi_input input;
static bool closed;  /* contactor */
static bool held_on; /* stuck on behind the open contactor */
static long switched_on;
static bool other;
static double ambient_c;
static wn_ns base_ns; /* world time of the bench's zero */

static const char *identity(bool of_other)
{
    if (sim.own_clock) {
        return of_other ? "wane project,virtual bench,SIMULATED-2,0"
                        : "wane project,virtual bench,SIMULATED-1,0";
    }
    return of_other ? "MAKER,MODEL,1002,1.0" : "MAKER,MODEL,1001,1.0";
}

static void set_bare(void)
{
    if (sim.bare) {
        tester.set.protect_high_v = tester.set.protect_current_a = 99.0;
        tester.set.protect_temperature_c = 999.0;
    }
}

void plant_begin(void)
{
    static struct wn_tester_setup setup;
    (void)wn_tester_setup_init(&setup, NULL);
    setup.seed = sim.seed;
    setup.soc = 0.2 + 0.3 * wn_prng_uniform(&sim.choice);
    setup.ambient_swing_c = 0.5;
    setup.ambient_c = ambient_c = 20.0;
    (void)snprintf(setup.identity, sizeof setup.identity, "%s", identity(false));
    wn_tester_init(&tester, &setup);
    memset(&input, 0, sizeof input);
    closed = held_on = other = false;
    switched_on = 0;
    set_bare();
    base_ns = sim.now_ns;
}

/* The contactor has the last word. */
static void apply_contactor(void)
{
    if (!closed && tester.relay) {
        held_on = held_on || tester.faults.stuck_on;
        tester.relay = false;
        tester.flow_a = 0.0;
    }
}

void plant_contactor(bool now_closed)
{
    if (closed == now_closed) {
        return;
    }
    plant_sync();
    closed = now_closed;
    trace("contactor %s", closed ? "closes" : "opens");
    if (closed && (tester.output || (held_on && tester.faults.stuck_on))) {
        tester.relay = true;
    }
    held_on = false;
    apply_contactor();
    truth_look();
}

static wn_ns lag(void)
{
    return sim.own_clock ? 0 : sim.now_ns - base_ns - tester.time_ns;
}

void plant_sync(void)
{
    bool was_on = tester.output;
    for (wn_ns behind = lag(); behind > 0; behind = lag()) {
        wn_ns step = tester.relay && behind > LOOK_NS ? LOOK_NS : behind;
        wn_tester_advance(&tester, step);
        apply_contactor();
        truth_look();
    }
    wn_tester_watch(&tester, sim.now_ns);
    apply_contactor();
    if (was_on && !tester.output) {
        trace("instrument: switches off by itself, reasons %u", tester.trips);
    }
}

void plant_tick(void)
{
    if (lag() >= LOOK_NS || sim.now_ns >= wn_tester_silence_deadline(&tester)) {
        plant_sync();
    }
}

wn_ns plant_deadline(void)
{
    return wn_tester_silence_deadline(&tester);
}

static bool begins(const char *line, const char *with)
{
    return strncmp(line, with, strlen(with)) == 0;
}

/* A two-quadrant tester knows no function: above the cell's voltage it charges, below it
 * discharges. Its protections are cleared with its errors. True: nothing is left to do. */
static bool plain_manners(char *line, size_t size)
{
    char rest[200];
    if (begins(line, "SYST:REM") || begins(line, "SENS:REM")) {
        return true;
    }
    if (sim.bare && (begins(line, "SOUR:VOLT:PROT") || begins(line, "SOUR:CURR:PROT"))) {
        return true;
    }
    if (begins(line, "SOUR:VOLT:PROT ")) {
        (void)snprintf(rest, sizeof rest, "%.199s", line + strlen("SOUR:VOLT:PROT "));
        (void)snprintf(line, size, "SOUR:VOLT:PROT:HIGH %s", rest);
    } else if (begins(line, "OUTP ON") && !tester.output) {
        tester.set.function = tester.set.voltage_v > wn_cell_voltage(&tester.cell, 0.0)
                                  ? WN_TESTER_CHARGE
                                  : WN_TESTER_DISCHARGE;
    } else if (begins(line, "OUTP OFF")) {
        tester.trips &= ~(unsigned)WN_TESTER_TRIP_STOP;
    } else if (begins(line, "*CLS")) {
        tester.trips = 0;
    }
    return false;
}

static size_t execute(char *reply)
{
    char line[WN_SCPI_LINE_MAX + 40];
    bool was_on = tester.output;
    (void)snprintf(line, sizeof line, "%.*s", (int)input.len, input.text);
    plant_sync();
    if (!sim.own_clock && plain_manners(line, sizeof line)) {
        return 0;
    }
    size_t len = wn_tester_execute(&tester, line, strlen(line), reply);
    apply_contactor();
    if (tester.output != was_on) {
        trace("instrument: output %s by '%.40s' (%.3f A, %.3f V)", tester.output ? "on" : "off",
              line, tester.set.current_a, tester.set.voltage_v);
        switched_on += tester.output ? 1 : 0;
    }
    truth_look();
    if (len > 0) {
        reply[len++] = '\n';
    }
    return len;
}

size_t plant_byte(char byte, char *reply)
{
    bool ready = false, overrun = false;
    size_t len = 0;
    wn_tester_heard(&tester, sim.now_ns);
    (void)wn_scpi_input_take(&input, &byte, 1, &ready, &overrun);
    if (overrun) {
        wn_tester_overrun(&tester);
    }
    if (ready) {
        len = execute(reply);
        wn_scpi_input_done(&input);
    }
    return len;
}

void plant_truth(struct plant_truth *t)
{
    *t = (struct plant_truth){
        .voltage_v = wn_cell_voltage(&tester.cell, tester.flow_a),
        .current_a = tester.flow_a,
        .temperature_c = tester.cell.temperature_c,
        .ambient_c = tester.cell.ambient_c,
        .charged_ah = tester.cell.charged_ah,
        .discharged_ah = tester.cell.discharged_ah,
        .flowing = tester.relay && (tester.output || fabs(tester.flow_a) > FLOWS_A),
        .stuck = tester.faults.stuck_on,
        .bench_ns = tester.time_ns,
        .switched_on = switched_on,
    };
}

void plant_reset(void)
{
    plant_sync();
    tester_power_cycle(&tester);
    set_bare();
    apply_contactor();
    memset(&input, 0, sizeof input);
}

void plant_stick(bool stuck)
{
    plant_sync();
    tester.faults.stuck_on = stuck;
    if (!stuck && !tester.output) {
        tester_output(&tester, false);
    }
    apply_contactor();
}

void plant_run_away(double volts, double amperes)
{
    plant_sync();
    tester.set.voltage_v += volts;
    tester.set.current_a += amperes;
}

void plant_thermometer(char how)
{
    tester.faults.frozen_c = tester.cell.temperature_c + tester.faults.offset_c;
    tester.faults.thermometer = how == 'f'   ? WN_THERMOMETER_FROZEN
                                : how == 'x' ? WN_THERMOMETER_OPEN
                                             : WN_THERMOMETER_OK;
}

void plant_thermometer_offset(double kelvin)
{
    tester.faults.offset_c = kelvin;
}

bool plant_thermometer_lies(void)
{
    return tester.faults.thermometer != WN_THERMOMETER_OK || tester.faults.offset_c != 0.0;
}

void plant_sense(bool open)
{
    tester.faults.sense_open = open;
}

void plant_heat(double kelvin)
{
    plant_sync();
    tester.setup.ambient_c = ambient_c + kelvin;
}

void plant_identity(bool of_other)
{
    if (other != of_other) {
        plant_reset();
        other = of_other;
        (void)snprintf(tester.setup.identity, sizeof tester.setup.identity, "%s", identity(other));
    }
}

bool plant_is_identity(const char *text, bool of_other)
{
    return strcmp(text, identity(of_other)) == 0;
}

bool plant_is_other(void)
{
    return other;
}
