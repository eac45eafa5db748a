/* The virtual bench of a station that listens. SPDX-License-Identifier: GPL-3.0-or-later */
#include "listen_plant.h"

#include <string.h>

#include "plant_fault.h"
#include "support/near.h"

static struct wn_bench bench; /* large */
static struct wn_tester *const world = &bench.world[0];
static struct wn_inst *inst[LISTEN_WHOS];

static struct wn_inst *add(enum wn_inst_kind kind, const char *const *switches)
{
    struct wn_inst_setup s;
    struct wn_error err = {0};
    wn_inst_setup_init(&s, kind);
    for (; *switches != NULL; switches++) {
        if (wn_inst_set(&s, *switches, &err) != WN_OK) {
            fail_msg("%s", err.text);
        }
    }
    struct wn_inst *i = wn_bench_add(&bench, &s);
    assert_non_null(i);
    return i;
}

/* A twenty-fifth of the built-in cell, as for a station of several instruments. */
void listen_plant_begin(bool wired, wn_ns now_ns)
{
    static struct wn_tester_setup setup; /* large */
    static const char *const program[] = {"format=binary",
                                          "cycles=2",
                                          "start-s=60",
                                          "charge-a=0.5",
                                          "charge-v=4.2",
                                          "taper-a=0.2",
                                          "discharge-a=1",
                                          "stop-v=3.4",
                                          "rest-s=200",
                                          "stop=HALT",
                                          NULL};
    static const char *const relay[] = {"delay-ms=2", NULL};
    assert_true(wn_tester_setup_init(&setup, NULL));
    setup.cell.rated_ah = 0.1;
    setup.cell.capacity_ah = 0.103;
    setup.cell.r0_ohm *= 8;
    setup.cell.r1_ohm *= 8;
    setup.cell.r2_ohm *= 8;
    setup.cell.heat_capacity_j_per_k /= 8;
    setup.cell.loss_w_per_k /= 8;
    setup.soc = 0.4;
    setup.ambient_c = 20;
    wn_bench_init(&bench, &setup, 1, 1.0);
    inst[TALKER] = add(WN_INST_TALKER, program);
    inst[RELAY] = add(WN_INST_RELAY, relay);
    if (wired) {
        listen_plant_contact(true);
    }
    wn_bench_run(&bench, now_ns);
}

void listen_plant_run(wn_ns now_ns)
{
    wn_bench_run(&bench, now_ns);
}

wn_ns listen_plant_deadline(void)
{
    wn_ns talker_ns = wn_inst_host_deadline(inst[TALKER]),
          relay_ns = wn_inst_host_deadline(inst[RELAY]);
    return talker_ns < relay_ns ? talker_ns : relay_ns;
}

void listen_plant_feed(enum listen_who who, wn_ns now_ns, const void *bytes, size_t len)
{
    wn_inst_feed(inst[who], now_ns, bytes, len);
    wn_bench_look(&bench);
}

size_t listen_plant_take(enum listen_who who, wn_ns now_ns, void *buf, size_t size)
{
    return wn_inst_take(inst[who], now_ns, buf, size);
}

void listen_plant_fault(enum listen_who who, wn_ns now_ns, const char *text)
{
    fault_now(&bench, inst[who], now_ns, text);
}

void listen_plant_contact(bool closed)
{
    (void)wn_inst_relay_switch(inst[RELAY], closed);
    wn_bench_look(&bench);
}

bool listen_plant_is_closed(void)
{
    return inst[RELAY]->relay.closed;
}

double listen_plant_flow_a(void)
{
    return world->flow_a;
}
