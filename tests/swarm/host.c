/* Swarm: the computer: its clock, the station's process and the service around it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "swarm/host.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "swarm/config.h"
#include "swarm/wire.h"

#define TURN_MAX_NS     (100 * WN_NS_PER_MS) /* as the loop of the daemon waits */
#define TURN_MIN_NS     (WN_NS_PER_MS / 10)
#define SYSTEMD_KILL_NS (90 * WN_NS_PER_S)
#define UTC_0           (INT64_C(1780000000) * 1000000)

static struct station st; /* large */
static bool runs, dead, power_goes, in_turn, stopping;
static wn_ns wake_ns, hang_ns; /* monotonic, world */
static wn_ns gone_ns, service_ns, suspend_end_ns;
static long kill_in;
static bool kill_is_power;
static int last_state; /* of the engine */

/* ---- clock ---- */

static wn_ns clock_monotonic(const struct wn_clock *c)
{
    (void)c;
    return sim_monotonic();
}

static wn_ns clock_boottime(const struct wn_clock *c)
{
    (void)c;
    return sim.now_ns;
}

static wn_utc_us clock_utc(const struct wn_clock *c)
{
    (void)c;
    return UTC_0 + sim.now_ns / 1000 + sim.utc_step_us;
}

static const struct wn_clock_ops clock_ops = {clock_monotonic, clock_boottime, clock_utc};
static const struct wn_clock the_clock = {&clock_ops};

/* ---- log ---- */

void station_log(const struct station *s, int priority, const char *fmt, ...)
{
    char text[700];
    va_list args;
    (void)s;
    va_start(args, fmt);
    (void)vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    trace("<%d>%s%s", priority, dead ? "(ghost) " : "", text);
}

/* ---- life and death ---- */

void host_begin(void)
{
    memset(&st, 0, sizeof st);
    runs = dead = power_goes = in_turn = stopping = false;
    wake_ns = hang_ns = 0;
    gone_ns = service_ns = sim.now_ns;
    suspend_end_ns = INT64_MIN / 2;
    kill_in = 0;
    last_state = -1;
    guard_begin();
}

void host_service_start(void)
{
    trace("service starts");
    guard_start();
}

bool host_runs(void)
{
    return runs && !dead;
}

bool host_is_dead(void)
{
    return dead;
}

bool host_hangs(void)
{
    return runs && sim.now_ns < hang_ns;
}

struct station *host_station(void)
{
    return runs && !dead ? &st : NULL;
}

wn_ns host_station_gone_ns(void)
{
    return runs ? WN_NS_NEVER : gone_ns;
}

void host_station_start(void)
{
    trace("station starts");
    memset(&st, 0, sizeof st);
    st.bench.instrument[0].dialect = *config_dialect();
    station_init(&st, &the_clock, config_daemon(), &config_daemon()->station[0]);
    st.guard.fd = 3; /* never used: the guard is a model */
    runs = true;
    dead = false;
    wake_ns = sim_monotonic();
    hang_ns = 0;
    guard_station_started();
}

/* What remains of a process once its last call has returned. */
static void bury(void)
{
    if (!dead || in_turn) {
        return;
    }
    campaign_close(&st);
    memset(&st, 0, sizeof st);
    runs = dead = false;
    gone_ns = sim.now_ns;
    if (power_goes) {
        power_goes = false;
        disk_cut_power();
        config_forget_run_dir();
    }
    ledger_after_crash();
}

void host_kill(const char *why)
{
    if (!runs || dead) {
        return;
    }
    trace("station is killed: %s", why);
    dead = true;
    kill_in = 0;
    gone_ns = sim.now_ns;
    wire_station_gone();
    guard_station_ended(true, stopping);
    bury();
}

void host_cut_power(void)
{
    trace("power is cut");
    sim.injected[FAULT_POWER_CUT]++;
    guard_vanish();
    stopping = false;
    service_ns = sim.now_ns + (wn_ns)(20 + wn_prng_below(&sim.choice, 100)) * WN_NS_PER_S;
    power_goes = true;
    if (runs && !dead) {
        host_kill("no power");
    } else if (!runs) {
        power_goes = false;
        disk_cut_power();
        config_forget_run_dir();
        ledger_after_crash();
    }
}

void host_boundary(void)
{
    if (kill_in > 0 && in_turn && !dead && --kill_in == 0) {
        if (kill_is_power) {
            host_cut_power();
        } else {
            sim.injected[FAULT_STATION_KILLED]++;
            host_kill("in the middle of it");
        }
    }
}

void host_plan_kill(long n, bool power)
{
    kill_in = n;
    kill_is_power = power;
}

void host_ask_end(void)
{
    if (runs && !dead && !stopping && guard_alive()) {
        trace("service is asked to end");
        sim.injected[FAULT_SERVICE_STOPPED]++;
        stopping = true;
        in_turn = true;
        station_ask_end(&st, sim_monotonic());
        in_turn = false;
        wake_ns = sim_monotonic();
        bury();
    }
}

void host_hang(wn_ns until_ns)
{
    if (runs && !dead) {
        trace("station hangs");
        hang_ns = until_ns;
    }
}

void host_suspend(wn_ns for_ns)
{
    trace("computer is suspended for %.1f s", wn_ns_to_s(for_ns));
    sim.now_ns += for_ns;
    sim.suspended_ns += for_ns;
    suspend_end_ns = sim.now_ns;
}

bool host_was_suspended(wn_ns within_ns)
{
    return sim.now_ns - suspend_end_ns <= within_ns;
}

/* The end of main(): as it is written there. */
static void leave(void)
{
    int code = st.exit_code;
    in_turn = true;
    if (st.campaign != NULL) {
        station_commit(&st);
    }
    if (!dead) {
        bench_close(&st);
    }
    if (!dead) {
        campaign_close(&st); /* takes its time on a slow disk, and may be killed in it */
    }
    in_turn = false;
    if (dead) {
        bury();
        return;
    }
    trace("station ends, exit code %d", code);
    runs = false;
    gone_ns = sim.now_ns;
    wire_station_gone();
    guard_station_ended(false, stopping);
}

static json_t *turn(const json_t *request)
{
    static const struct wn_peer peer = {
        .uid = 1000, .pid = 1, .who = "operator", .may_command = true, .may_look = true};
    json_t *reply = NULL;
    wn_ns now = sim_monotonic();
    in_turn = true;
    station_turn_instrument(&st, now);
    if (request != NULL && !dead) {
        reply = station_answer(&st, request, &peer);
    }
    if (!dead) {
        guard_look(&st);
        station_turn_rest(&st, now);
    }
    in_turn = false;
    if (dead) {
        bury();
        json_decref(reply); /* nobody hears it */
        return NULL;
    }
    ledger_status(&st);
    if (st.ending) {
        leave();
        return reply;
    }
    now = sim_monotonic();
    wn_ns wait = bench_deadline(&st, now) - now;
    wait = wait > TURN_MAX_NS ? TURN_MAX_NS : wait < TURN_MIN_NS ? TURN_MIN_NS : wait;
    wake_ns =
        now + (instrument_has_output(&st.bench.instrument[0]) && wait > WN_NS_PER_MS ? WN_NS_PER_MS
                                                                                     : wait);
    int state = st.campaign != NULL ? (int)wn_engine_state(st.engine) : -1;
    if (state != last_state) {
        last_state = state;
        faults_ambush();
    }
    return reply;
}

json_t *host_command(const json_t *request)
{
    return runs && !dead && sim.now_ns >= hang_ns ? turn(request) : NULL;
}

/* systemd's part. */
static wn_ns run_service(void)
{
    if (stopping && !runs && !guard_acts()) {
        guard_vanish();
        stopping = false;
        service_ns = sim.now_ns + (wn_ns)(5 + wn_prng_below(&sim.choice, 60)) * WN_NS_PER_S;
    }
    if (guard_alive()) {
        return WN_NS_NEVER;
    }
    if (runs) {
        wn_ns until = guard_gone_ns() + SYSTEMD_KILL_NS;
        if (sim.now_ns >= until) {
            host_kill("left behind by its guard");
        }
        service_ns = sim.now_ns + 2 * WN_NS_PER_S;
        return until;
    }
    wn_ns at = service_ns;
    if (sim.now_ns >= at) {
        host_service_start();
        return sim.now_ns;
    }
    return at;
}

wn_ns host_run(void)
{
    wn_ns next = run_service();
    if (!runs || dead) {
        return next;
    }
    if (sim.now_ns < hang_ns) {
        return hang_ns < next ? hang_ns : next;
    }
    if (sim_monotonic() >= wake_ns || wire_readable()) {
        (void)turn(NULL);
    }
    wn_ns wake = runs ? wake_ns + sim.suspended_ns : sim.now_ns;
    return wake < next ? wake : next;
}

void host_end(void)
{
    if (runs) {
        dead = true;
        in_turn = false;
        campaign_close(&st);
        runs = dead = false;
    }
}
