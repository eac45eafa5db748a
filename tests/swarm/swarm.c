/* Swarm: one seed: faults, healing, end.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include "swarm/config.h"
#include "swarm/host.h"
#include "swarm/plant.h"
#include "swarm/wire.h"

#define BEGIN_NS    (1000 * WN_NS_PER_S)
#define STEP_MAX_NS WN_NS_PER_S
#define STEP_MIN_NS (WN_NS_PER_MS / 20)
#define QUIET_NS    (60 * WN_NS_PER_S)

struct sim sim;
static long seen_on;

static wn_ns sooner(wn_ns a, wn_ns b)
{
    return a < b ? a : b;
}

/* What goes on without the station. */
static wn_ns run_world(void)
{
    struct plant_truth t;
    wn_ns next = wire_run();
    plant_tick();
    plant_truth(&t);
    if (t.switched_on != seen_on) {
        seen_on = t.switched_on;
        ledger_switched_on();
    }
    next = sooner(next, plant_deadline());
    return sooner(next, guard_run());
}

static void go_to(wn_ns next)
{
    wn_ns step = next - sim.now_ns;
    sim.now_ns += step > STEP_MAX_NS ? STEP_MAX_NS : step < STEP_MIN_NS ? STEP_MIN_NS : step;
}

void sim_stall(wn_ns for_ns)
{
    wn_ns until = sim.now_ns + for_ns;
    while (sim.now_ns < until && !sim.failed && !host_is_dead()) {
        wn_ns next = sooner(run_world(), until);
        go_to(next);
    }
}

static void step(void)
{
    wn_ns next = sooner(run_world(), host_run());
    next = sooner(next, faults_run());
    next = sooner(next, operator_run());
    next = sooner(next, wire_run()); /* what was written just now */
    go_to(next);
}

static void begin(uint64_t seed, bool loud)
{
    memset(&sim, 0, sizeof sim);
    sim.seed = seed;
    sim.now_ns = BEGIN_NS;
    wn_prng_init(&sim.choice, seed);
    wn_prng_init(&sim.noise, seed ^ UINT64_C(0x9e3779b97f4a7c15));
    sim.own_clock = wn_prng_below(&sim.choice, 4) == 0;
    sim.resumes = wn_prng_below(&sim.choice, 3) != 0;
    sim.between = seed % 2 == 1;
    sim.bare = !sim.own_clock && seed % 5 < 2;
    trace_begin(seed, loud);
}

static void run_phases(void)
{
    double faults_s = 600 + 6000 * wn_prng_uniform(&sim.choice);
    double limit_s = sim.own_clock ? 3600 : 12 * 3600;
    wn_ns until = sim.now_ns + wn_ns_from_s(sim.own_clock ? faults_s / 20 : faults_s);
    while (sim.now_ns < until && !sim.failed) {
        step();
    }
    sim.healing = true;
    faults_end();
    until = sim.now_ns + wn_ns_from_s(limit_s);
    while (!operator_is_done() && !sim.failed) {
        step();
        if (sim.now_ns >= until) {
            violated("%.0f h after all faults were healed the campaign has not ended",
                     limit_s / 3600);
        }
    }
    until = sim.now_ns + QUIET_NS;
    while (sim.now_ns < until && !sim.failed) {
        step();
    }
}

void swarm_run(uint64_t seed, bool loud, const char *scratch, struct outcome *out)
{
    struct plant_truth t;
    memset(out, 0, sizeof *out);
    begin(seed, loud);
    if (!config_begin(scratch)) {
        sim.failed = true;
        return;
    }
    trace("seed %llu: %s%s, %s after a restart, interlock %s", (unsigned long long)seed,
          sim.own_clock ? "virtual bench" : "plain tester", sim.bare ? " without protections" : "",
          sim.resumes ? "resumes" : "holds", sim.between ? "between DTR and RTS" : "on DTR");
    seen_on = 0;
    disk_begin();
    plant_begin();
    wire_begin();
    truth_begin();
    ledger_begin();
    host_begin();
    faults_begin();
    operator_begin();
    run_phases();
    plant_truth(&t);
    if (!sim.failed && t.flowing) {
        violated("the output is on after the end");
    }
    if (!sim.failed) {
        ledger_end();
    }
    host_end();
    disk_end();
    config_end();
    out->ok = !sim.failed;
    out->hash = trace_hash();
    out->days = wn_ns_to_s(sim.own_clock ? t.bench_ns : sim.now_ns - BEGIN_NS) / 86400;
    out->cycles = ledger_cycles();
    memcpy(out->injected, sim.injected, sizeof out->injected);
}
