/* Swarm: a model of the guard: beats, duplicate, and its one deed.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The same order and times as daemon/guard.c and daemon/make_safe.c, on the simulated line. */
#include "swarm/host.h"

#include <string.h>

#include "swarm/wire.h"

#define FIRST_BEAT_NS   (30 * WN_NS_PER_S)
#define SAFE_AGAIN_NS   (5 * WN_NS_PER_S)
#define HEALTHY_NS      (600 * WN_NS_PER_S)
#define BACK_OFF_MAX_NS (60 * WN_NS_PER_S)
#define REPLY_NS        (250 * WN_NS_PER_MS)
enum { ATTEMPTS = 3, QUERIES = 2 };

static struct {
    bool alive, station, acting;
    wn_ns gone_ns;
    wn_ns beat_ns, started_ns, restart_ns, safe_again_ns; /* all in monotonic time */
    int failures;
    /* the deed */
    int attempt, query;
    wn_ns reply_ns;
    char line[64];
    size_t len;
    /* as registered */
    char off[WN_COMMAND_MAX], ask[WN_TEMPLATE_SIZE + 4], expect[32];
    size_t off_len;
    double beat_limit_s;
} g;

void guard_begin(void)
{
    memset(&g, 0, sizeof g);
    g.gone_ns = sim.now_ns;
}

void guard_start(void)
{
    g.alive = true;
    g.acting = g.station = false;
    g.gone_ns = WN_NS_NEVER;
    g.failures = 0;
    g.restart_ns = sim_monotonic();
    g.beat_limit_s = 2.0;
}

void guard_vanish(void)
{
    if (g.alive) {
        g.alive = g.acting = g.station = false;
        g.gone_ns = sim.now_ns;
        wire_guard_lets_go();
    }
}

void guard_kill(void)
{
    if (g.alive) {
        trace("guard is killed");
        guard_vanish();
    }
}

bool guard_alive(void)
{
    return g.alive;
}

bool guard_acts(void)
{
    return g.acting;
}

wn_ns guard_gone_ns(void)
{
    return g.gone_ns;
}

void guard_station_started(void)
{
    g.station = true;
    g.started_ns = sim_monotonic();
    g.beat_ns = g.started_ns + FIRST_BEAT_NS;
    g.restart_ns = WN_NS_NEVER;
}

static void plan_restart(bool permanent)
{
    wn_ns now = sim_monotonic();
    if (now - g.started_ns > HEALTHY_NS) {
        g.failures = 0;
    }
    wn_ns wait = WN_NS_PER_S << (g.failures < 6 ? g.failures : 6);
    g.failures++;
    g.restart_ns =
        permanent ? WN_NS_NEVER : now + (wait < BACK_OFF_MAX_NS ? wait : BACK_OFF_MAX_NS);
}

/* One attempt: off, then asked twice. */
static void attempt(void)
{
    wire_guard_flush();
    g.query = 0;
    g.len = 0;
    g.reply_ns = wire_guard_write(g.off, g.off_len) && wire_guard_write(g.ask, strlen(g.ask))
                     ? sim_monotonic() + REPLY_NS
                     : sim_monotonic();
}

static void act(void)
{
    if (wire_guard_holds() && !g.acting) {
        g.acting = true;
        g.attempt = 0;
        attempt();
    }
}

static void act_done(bool off)
{
    g.acting = false;
    trace("guard: %s", off ? "output is off, confirmed" : "off is not confirmed");
    if (off) {
        wire_guard_lets_go();
    } else {
        wire_guard_drops_interlock();
    }
    g.safe_again_ns = sim_monotonic() + SAFE_AGAIN_NS;
}

static bool line_matches(void)
{
    char c;
    while (wire_guard_read(&c)) {
        if (c == '\n' || c == '\r') {
            bool same = g.len == strlen(g.expect) && memcmp(g.line, g.expect, g.len) == 0;
            g.len = 0;
            if (same) {
                return true;
            }
        } else if (g.len < sizeof g.line) {
            g.line[g.len++] = c;
        }
    }
    return false;
}

static void act_on(void)
{
    while (g.acting && line_matches()) {
        if (++g.query >= QUERIES) {
            act_done(true);
        } else {
            g.len = 0;
            g.reply_ns = wire_guard_write(g.ask, strlen(g.ask)) ? sim_monotonic() + REPLY_NS
                                                                : sim_monotonic();
        }
    }
    if (g.acting && sim_monotonic() >= g.reply_ns) {
        if (++g.attempt >= ATTEMPTS) {
            act_done(false);
        } else {
            attempt();
        }
    }
}

void guard_station_ended(bool killed, bool permanent)
{
    g.station = false;
    if (g.alive) {
        trace("guard: station %s", killed ? "died" : "ended by itself");
        act();
        plan_restart(permanent);
    }
}

wn_ns guard_run(void)
{
    if (!g.alive) {
        return WN_NS_NEVER;
    }
    wn_ns now = sim_monotonic();
    if (g.station && now >= g.beat_ns) {
        host_kill("beat is late");
    }
    if (g.acting) {
        act_on();
    } else if (!g.station && wire_guard_holds() && now >= g.safe_again_ns) {
        act();
    }
    if (!g.acting && !g.station && now >= g.restart_ns) {
        wire_guard_lets_go();
        host_station_start();
    }
    wn_ns next = g.station ? g.beat_ns : g.restart_ns;
    if (g.acting) {
        next = g.reply_ns;
    } else if (!g.station && wire_guard_holds() && g.safe_again_ns < next) {
        next = g.safe_again_ns;
    }
    return next == WN_NS_NEVER ? next : next + sim.suspended_ns;
}

/* ---- the station's side, as guard_link.c offers it ---- */

void guard_beat(struct station *s, wn_ns now)
{
    if (s->guard.fd < 0 || s->guard.lost || now < s->guard.beat_ns) {
        return;
    }
    host_boundary();
    s->guard.beat_ns = now + wn_ns_from_s(s->config.beat_limit_s / 8);
    if (!host_is_dead() && g.alive) {
        g.beat_limit_s = s->config.beat_limit_s;
        g.beat_ns = sim_monotonic() + wn_ns_from_s(g.beat_limit_s);
    }
}

void guard_beat_grace(struct station *s, double grace_s)
{
    if (!host_is_dead() && g.alive && !s->guard.lost) {
        double limit_s = grace_s > g.beat_limit_s ? grace_s : g.beat_limit_s;
        g.beat_ns = sim_monotonic() + wn_ns_from_s(limit_s);
    }
}

int guard_register(struct station *s, const struct instrument *i, struct wn_error *err)
{
    const struct wn_dialect *d = &i->dialect;
    host_boundary();
    if (host_is_dead() || !g.alive || !wire_there()) {
        return wn_error_set(err, WN_EGUARD, "guard does not acknowledge the port %s",
                            instrument_config(s, i)->port);
    }
    memcpy(g.off, d->safe_off, d->safe_off_len);
    g.off_len = d->safe_off_len;
    (void)snprintf(g.ask, sizeof g.ask, "%s%s", d->output_query, d->terminator);
    (void)snprintf(g.expect, sizeof g.expect, "%s", d->output_off_reply);
    wire_guard_takes();
    return WN_OK;
}

void guard_release(struct station *s, const struct instrument *i)
{
    (void)i;
    if (!host_is_dead() && g.alive && !s->guard.lost) {
        wire_guard_lets_go();
    }
}

void guard_look(struct station *s)
{
    if (!g.alive && !s->guard.lost && s->guard.fd >= 0) {
        s->guard.lost = true;
        station_log(s, 2, "guard is gone (end of file): switching off and ending");
    }
}
