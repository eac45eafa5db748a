/* The virtual bench of a station of several instruments.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "several_plant.h"

#include <stdio.h>
#include <string.h>

#include "plant_fault.h"
#include "support/near.h"

const char *const who_names[WHOS] = {"supply", "load", "relay", "cell", "air"};

static struct wn_bench bench; /* large */
static struct wn_inst *inst[WHOS];
static struct wn_tester *const world = &bench.world[0];
static bool refuses;

static void add(enum who who, enum wn_inst_kind kind, const char *place)
{
    struct wn_inst_setup s;
    struct wn_error err = {0};
    wn_inst_setup_init(&s, kind);
    (void)snprintf(s.name, sizeof s.name, "%s", who_names[who]);
    if (wn_inst_set(&s, "delay-ms=2", &err) != WN_OK || wn_inst_set(&s, place, &err) != WN_OK ||
        wn_inst_set(&s, "baud=115200", &err) != WN_OK) {
        fail_msg("%s", err.text);
    }
    inst[who] = wn_bench_add(&bench, &s);
    assert_non_null(inst[who]);
}

/* A twenty-fifth of the built-in cell: a cycle takes minutes. */
void plant_begin(uint64_t seed, bool tester, bool modbus, wn_ns now_ns)
{
    static struct wn_tester_setup setup; /* large */
    assert_true(wn_tester_setup_init(&setup, NULL));
    setup.cell.rated_ah = 0.1;
    setup.cell.capacity_ah = 0.103;
    setup.cell.r0_ohm *= 8;
    setup.cell.r1_ohm *= 8;
    setup.cell.r2_ohm *= 8;
    setup.cell.heat_capacity_j_per_k /= 8;
    setup.cell.loss_w_per_k /= 8;
    setup.soc = 0.4;
    setup.seed = seed;
    setup.ambient_c = 20;
    memset(inst, 0, sizeof inst);
    refuses = false;
    wn_bench_init(&bench, &setup, 1, 1.0);
    if (tester) {
        add(SUPPLY, modbus ? WN_INST_MODBUS_TESTER : WN_INST_TESTER, "place=cell");
    } else {
        add(SUPPLY, modbus ? WN_INST_MODBUS_SUPPLY : WN_INST_SUPPLY, "place=cell");
        add(LOAD, modbus ? WN_INST_MODBUS_LOAD : WN_INST_LOAD, "place=cell");
    }
    enum wn_inst_kind warm = modbus ? WN_INST_MODBUS_THERMOMETER : WN_INST_THERMOMETER;
    add(RELAY, modbus ? WN_INST_MODBUS_RELAY : WN_INST_RELAY, "place=cell");
    add(CELL, warm, "place=cell");
    add(AIR, warm, "place=ambient");
    wn_bench_run(&bench, now_ns);
}

void plant_run(wn_ns now_ns)
{
    wn_bench_run(&bench, now_ns);
}

/* Not wn_bench_deadline(), which also wakes every 50 ms to tell of contacts: here everything looks
 * when it likes. */
wn_ns plant_deadline(void)
{
    wn_ns next_ns = WN_NS_NEVER;
    for (int w = 0; w < WHOS; w++) {
        wn_ns due_ns = inst[w] != NULL ? wn_inst_host_deadline(inst[w]) : WN_NS_NEVER;
        next_ns = due_ns < next_ns ? due_ns : next_ns;
    }
    return next_ns;
}

void plant_feed(enum who who, wn_ns now_ns, const void *bytes, size_t len)
{
    inst[RELAY]->relay.tripped = inst[RELAY]->relay.tripped || refuses;
    wn_inst_feed(inst[who], now_ns, bytes, len);
}

size_t plant_take(enum who who, wn_ns now_ns, void *buf, size_t size)
{
    return wn_inst_take(inst[who], now_ns, buf, size);
}

void plant_fault(enum who who, wn_ns now_ns, const char *text)
{
    fault_now(&bench, inst[who], now_ns, text);
}

void plant_switch_relay(bool closed)
{
    (void)wn_inst_relay_switch(inst[RELAY], closed);
    wn_bench_look(&bench);
}

void plant_refuse(bool now_refuses)
{
    refuses = now_refuses;
}

void plant_charge(double current_a)
{
    struct wn_stage *s = &inst[SUPPLY]->stage[0];
    s->current_a = current_a;
    wn_stage_switch(world, s, true);
    wn_bench_look(&bench);
}

void plant_flow(enum who who, double current_a)
{
    struct wn_stage *s = &inst[who]->stage[0];
    s->stuck = inst[who]->setup.stuck = true;
    s->current_a = current_a;
    s->voltage_v = who == SUPPLY ? 4.2 : 0;
    s->power = false;
    wn_stage_switch(world, s, true);
    wn_stage_switch(world, s, false);
    wn_bench_look(&bench);
}

bool plant_has(enum who who)
{
    return inst[who] != NULL;
}

bool plant_is_away(enum who who)
{
    return inst[who]->away;
}

static bool is_tester(const struct wn_inst *i)
{
    return i->setup.kind == WN_INST_TESTER || i->setup.kind == WN_INST_MODBUS_TESTER;
}

bool plant_is_on(enum who who)
{
    const struct wn_inst *i = inst[who];
    if (i == NULL) {
        return false;
    }
    bool tester = is_tester(i);
    return who == RELAY ? i->relay.closed : tester ? world->relay : i->stage[0].closed;
}

bool plant_is_told_on(enum who who)
{
    const struct wn_inst *i = inst[who];
    if (i == NULL) {
        return false;
    }
    bool tester = is_tester(i);
    return who == RELAY ? i->relay.on : tester ? world->output : i->stage[0].on;
}

bool plant_is_stuck(enum who who)
{
    return inst[who] != NULL && inst[who]->setup.stuck;
}

bool plant_is_quirky(enum who who)
{
    return inst[who]->setup.frozen || inst[who]->setup.offset_c != 0.0;
}

bool plant_is_open(enum who who)
{
    return inst[who]->setup.open;
}

wn_ns plant_sent_ns(enum who who)
{
    return inst[who]->sent_ns;
}

double plant_flow_a(void)
{
    return world->flow_a;
}

double plant_temperature_c(enum who who)
{
    return who == AIR ? world->cell.ambient_c : world->cell.temperature_c;
}

bool plant_both(void)
{
    struct wn_bench_event e;
    bool both = false;
    while (wn_bench_take_event(&bench, &e)) {
        both = both || e.what == WN_BENCH_BOTH;
    }
    return both;
}
