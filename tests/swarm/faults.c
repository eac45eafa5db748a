/* Swarm: which faults a seed has, when they come and what they do.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "swarm/host.h"
#include "swarm/plant.h"
#include "swarm/wire.h"

#define TEMPO_OWN_CLOCK 40.0 /* so much faster does a bench with a clock of its own live */
#define DRIFT_STEP_NS   (2 * WN_NS_PER_S)

static struct plan {
    bool enabled;
    double every_s, lasts_s;
    wn_ns next_ns, begun_ns, end_ns;
} plans[FAULTS];
static wn_ns drift_ns;
static bool ambush;  /* this seed's faults like transitions */
static int ambushed; /* what begins as soon as the station's turn is over; -1: nothing */

static const struct {
    const char *name;
    double minutes, seconds;
} kinds[FAULTS] = {
#define FAULT_ROW(name, minutes, seconds) {#name, minutes, seconds},
    FAULT_LIST(FAULT_ROW)
#undef FAULT_ROW
};

const char *fault_name(enum fault f)
{
    return kinds[f].name;
}

bool fault_strikes(enum fault f)
{
    if (!sim.fault[f] || !chance(sim.strength[f])) {
        return false;
    }
    sim.injected[f]++;
    return true;
}

static double spread(double mean)
{
    return -log(1.0 - wn_prng_uniform(&sim.choice)) * mean;
}

static double uniform(double from, double to)
{
    return from + (to - from) * wn_prng_uniform(&sim.choice);
}

static wn_ns in_a_while(const struct plan *p)
{
    return sim.now_ns + wn_ns_from_s(spread(p->every_s) + 1.0);
}

void faults_begin(void)
{
    double share = uniform(0.1, 0.5);
    double tempo = sim.own_clock ? TEMPO_OWN_CLOCK : 1.0;
    memset(plans, 0, sizeof plans);
    ambush = sim.seed % 2 == 0;
    ambushed = -1;
    for (int f = 0; f < FAULTS; f++) {
        struct plan *p = &plans[f];
        p->enabled = wn_prng_uniform(&sim.choice) < share;
        p->every_s = kinds[f].minutes * 60 * uniform(0.3, 2.0) / tempo;
        p->lasts_s = kinds[f].seconds;
        p->next_ns = p->enabled ? in_a_while(p) : WN_NS_NEVER;
        p->end_ns = WN_NS_NEVER;
        if (p->enabled) {
            trace("fault %s: every %.0f s", kinds[f].name, p->every_s);
        }
    }
}

static double strength_of(enum fault f)
{
    switch ((int)f) {
    case FAULT_BYTES_LOST:
    case FAULT_BYTES_FLIPPED:
    case FAULT_BYTES_INSERTED:
        return pow(10.0, uniform(-4.0, -1.5));
    case FAULT_REPLIES_LATE:
    case FAULT_REPLIES_DOUBLED:
    case FAULT_WRITES_SPLIT:
        return uniform(0.02, 0.5);
    case FAULT_DISK_WRITE_FAILS:
    case FAULT_DISK_FULL:
    case FAULT_DISK_SYNC_FAILS:
    case FAULT_DISK_READ_FAILS:
        return wn_prng_below(&sim.choice, 3) == 0 ? 1.0 : uniform(0.02, 0.5);
    case FAULT_DISK_SLOW:
        return uniform(0.02, 0.3);
    case FAULT_THERMOMETER_DRIFT:
        return uniform(-15.0, 15.0);
    case FAULT_HEAT:
        return uniform(15.0, 70.0);
    default:
        return 1.0;
    }
}

static void swap(bool other)
{
    bool was_there = wire_there();
    wire_plug(false);
    plant_identity(other);
    wire_plug(was_there);
}

static void run_away(void)
{
    struct plant_truth t;
    plant_truth(&t);
    if (t.flowing) {
        bool volts = wn_prng_below(&sim.choice, 2) == 0;
        double by_v = t.current_a > 0 ? uniform(0.02, 0.8) : uniform(-2.0, 0.0);
        sim.injected[FAULT_SET_POINT_RUNAWAY]++;
        plant_run_away(volts ? by_v : 0.0, volts ? 0.0 : uniform(-3.0, 15.0));
    }
}

static void cut_power(void)
{
    if (wn_prng_below(&sim.choice, 2) == 0) {
        host_plan_kill(1 + (long)wn_prng_below(&sim.choice, 400), true);
        return;
    }
    host_cut_power();
    if (wn_prng_below(&sim.choice, 2) == 0) {
        plant_reset();
    }
}

static void kill_guard(void)
{
    if (guard_alive()) {
        sim.injected[FAULT_GUARD_KILLED]++;
        guard_kill();
        if (wn_prng_below(&sim.choice, 4) == 0) {
            host_kill("together with the guard");
        }
    }
}

static void suspend(void)
{
    sim.injected[FAULT_SUSPENDED]++;
    host_suspend(
        wn_ns_from_s(wn_prng_below(&sim.choice, 3) == 0 ? uniform(60, 3000) : uniform(0.5, 20)));
}

static void step_wall_clock(void)
{
    static const double size_s[] = {1.5, 60, 3600, 86400, 400.0 * 86400};
    double s =
        size_s[wn_prng_below(&sim.choice, 5)] * (wn_prng_below(&sim.choice, 2) == 0 ? -1.0 : 1.0);
    sim.injected[FAULT_WALL_CLOCK_STEPS]++;
    sim.utc_step_us += (wn_utc_us)(s * 1e6);
    trace("wall clock moves by %.1f s", s);
}

/* Faults of an instant. */
static void strike(enum fault f)
{
    switch ((int)f) {
    case FAULT_INSTRUMENT_RESET:
        sim.injected[f]++;
        plant_reset();
        break;
    case FAULT_SET_POINT_RUNAWAY:
        run_away();
        break;
    case FAULT_STATION_KILLED:
        host_plan_kill(1 + (long)wn_prng_below(&sim.choice, 400), false);
        break;
    case FAULT_GUARD_KILLED:
        kill_guard();
        break;
    case FAULT_POWER_CUT:
        cut_power();
        break;
    case FAULT_SERVICE_STOPPED:
        host_ask_end();
        break;
    case FAULT_SUSPENDED:
        suspend();
        break;
    case FAULT_WALL_CLOCK_STEPS:
        step_wall_clock();
        break;
    default:
        operator_bother(f);
        break;
    }
}

/* Faults that last: those that do not look at sim.fault by themselves. */
static void change(enum fault f, bool begins)
{
    switch ((int)f) {
    case FAULT_STUCK_ON:
        plant_stick(begins);
        break;
    case FAULT_THERMOMETER_FROZEN:
        plant_thermometer(begins ? 'f' : 'o');
        break;
    case FAULT_THERMOMETER_OPEN:
        plant_thermometer(begins ? 'x' : 'o');
        break;
    case FAULT_THERMOMETER_DRIFT:
        drift_ns = sim.now_ns;
        plant_thermometer_offset(0.0);
        break;
    case FAULT_SENSE_OPEN:
        plant_sense(begins);
        break;
    case FAULT_HEAT:
        plant_heat(begins ? sim.strength[f] : 0.0);
        break;
    case FAULT_PORT_GONE:
        wire_plug(!begins);
        break;
    case FAULT_OTHER_INSTRUMENT:
        swap(begins);
        break;
    case FAULT_STATION_HANGS:
        host_hang(begins ? plans[f].end_ns : sim.now_ns);
        break;
    default:
        return;
    }
    sim.injected[f] += begins ? 1 : 0;
}

static void drift(void)
{
    const struct plan *p = &plans[FAULT_THERMOMETER_DRIFT];
    if (sim.fault[FAULT_THERMOMETER_DRIFT] && sim.now_ns >= drift_ns) {
        double part = wn_ns_to_s(sim.now_ns - p->begun_ns) / fmax(p->lasts_s, 1.0);
        plant_thermometer_offset(sim.strength[FAULT_THERMOMETER_DRIFT] * fmin(part, 1.0));
        drift_ns = sim.now_ns + DRIFT_STEP_NS;
    }
}

static void begin_or_strike(enum fault f)
{
    struct plan *p = &plans[f];
    p->next_ns = in_a_while(p);
    sim.strength[f] = strength_of(f);
    trace("fault %s (%.3g)", kinds[f].name, sim.strength[f]);
    if (p->lasts_s <= 0) {
        strike(f);
        return;
    }
    p->begun_ns = sim.now_ns;
    p->end_ns = sim.now_ns + wn_ns_from_s(spread(p->lasts_s) + 0.1);
    p->next_ns += p->end_ns - sim.now_ns;
    sim.fault[f] = true;
    change(f, true);
}

/* Transitions are where programs break: some of the faults wait for one. */
void faults_ambush(void)
{
    enum fault f = (enum fault)wn_prng_below(&sim.noise, FAULTS);
    if (!sim.healing && ambush && plans[f].enabled && !sim.fault[f] &&
        (plans[f].lasts_s > 0 || (f != FAULT_SUSPENDED && f < FAULT_COMMAND_PAUSE))) {
        ambushed = f;
    }
}

static void end(enum fault f)
{
    plans[f].end_ns = WN_NS_NEVER;
    sim.fault[f] = false;
    trace("fault %s is over", kinds[f].name);
    change(f, false);
}

wn_ns faults_run(void)
{
    wn_ns next = WN_NS_NEVER;
    if (ambushed >= 0 && !sim.healing) {
        begin_or_strike((enum fault)ambushed);
    }
    ambushed = -1;
    for (int f = 0; f < FAULTS; f++) {
        struct plan *p = &plans[f];
        if (sim.now_ns >= p->end_ns) {
            end((enum fault)f);
        }
        if (sim.now_ns >= p->next_ns && !sim.healing) {
            begin_or_strike((enum fault)f);
        }
        next = p->end_ns < next ? p->end_ns : next;
        next = p->next_ns < next ? p->next_ns : next;
    }
    drift();
    return next;
}

void faults_end(void)
{
    for (int f = 0; f < FAULTS; f++) {
        if (plans[f].end_ns != WN_NS_NEVER) {
            end((enum fault)f);
        }
        plans[f].next_ns = WN_NS_NEVER;
    }
    if (plant_is_other() != ledger_needs_other()) {
        swap(ledger_needs_other());
    }
    host_plan_kill(0, false);
    trace("all faults are over");
}
