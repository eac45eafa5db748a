/* Readings as they come from the instrument: what time it is by them, and what they say of a cell
 * that nobody is testing. SPDX-License-Identifier: GPL-3.0-or-later */
#include "station.h"

#include <math.h>
#include <stdio.h>

/* Between two readings in a row an instrument's clock moves no further, however fast it runs: a
 * digit that was spoilt on the way must not become years of the campaign. */
#define CLOCK_AHEAD_NS (INT64_C(86400) * WN_NS_PER_S)
/* A thermometer's last word counts for so long, or for the longest interval between readings. */
#define THERMOMETER_STALE_S 5.0
/* Without a campaign: so many readings with current are believed; so often is off sent again before
 * the interlock opens. */
enum { IDLE_READINGS = 3, IDLE_TRIES = 3 };

/* After an opening, and after anything odd, an instrument's clock is believed when two readings in
 * a row agree. */
static bool clock_agrees(struct station *s, wn_ns source)
{
    struct bench *b = &s->bench;
    wn_ns ahead = source - b->clock_ns;
    bool near = b->has_guess && ahead >= 0 && ahead <= CLOCK_AHEAD_NS;
    struct wn_error err = {0};
    if (b->clock_sure && !near) {
        (void)wn_error_set(&err, ahead < 0 ? WN_EINSTRUMENT : WN_EFRAME,
                           ahead < 0 ? "tester on %s: its clock went back: it was reset"
                                     : "tester on %s: time of a reading is far ahead of the last",
                           s->config.instrument[0].port);
        bench_tell_fault(s, &err);
    }
    b->clock_sure = near;
    b->has_guess = true;
    b->clock_ns = source;
    return near;
}

/* Heard readings may be in disorder and have wrong times: the engine's listener sorts that out.
 * None comes without a time where it is to have one. */
static void date_heard(struct station *s, struct wn_reading *r, wn_ns source)
{
    if (!s->offset_known) {
        s->offset_ns = source - s->resume_at_ns;
        s->offset_known = true;
    }
    r->time_ns = source - s->offset_ns;
}

/* Campaign time of a reading; false: its time cannot be told yet. */
static bool date(struct station *s, struct wn_reading *r)
{
    struct wn_error err = {0};
    bool own_clock = s->bench.instrument[0].dialect.has_clock;
    wn_ns source = own_clock ? r->time_ns : r->host_ns;
    if (instrument_listens(s->bench.instrument)) {
        date_heard(s, r, source);
        return true;
    }
    if (own_clock && (r->has & WN_HAS_TIME) == 0) {
        (void)wn_error_set(&err, WN_EFRAME, "tester on %s: reading without time",
                           s->config.instrument[0].port);
        bench_tell_fault(s, &err);
        return false;
    }
    if (own_clock && !clock_agrees(s, source)) {
        return false;
    }
    if (!s->offset_known) {
        s->offset_ns = source - s->resume_at_ns;
        s->offset_known = true;
    }
    if (source - s->offset_ns < s->campaign_now_ns) { /* it was reset: its time begins anew */
        s->offset_ns = source - s->campaign_now_ns;
        (void)wn_error_set(&err, WN_EINSTRUMENT, "tester on %s: its clock went back: it was reset",
                           s->config.instrument[0].port);
        bench_tell_fault(s, &err);
    }
    r->time_ns = source - s->offset_ns;
    return true;
}

/* Nobody is testing, so nothing may flow. There is no campaign to record it in: it is logged, and
 * the status says so. */
static void watch_idle(struct station *s, const struct wn_reading *r)
{
    struct bench *b = &s->bench;
    if (instrument_listens(b->instrument) && !wn_config_has_interlock(&s->config)) {
        return; /* it may do what it likes when nobody tests; but through no open interlock */
    }
    bool flows =
        (r->has & WN_HAS_CURRENT) != 0 && !(fabs(r->current_a) <= s->config.limits.off_current_a);
    if (!flows) {
        if (b->idle_flow >= IDLE_READINGS) {
            b->fault[0] = '\0';
        }
        b->idle_flow = 0;
        return;
    }
    b->idle_flow++;
    if (b->idle_flow % IDLE_READINGS != 0) {
        return;
    }
    (void)snprintf(b->fault, sizeof b->fault,
                   "%.3f A flow although nothing runs: go to the bench, disconnect the cell",
                   r->current_a);
    station_log(s, 1, "%s", b->fault);
    bench_off_now(s);
    halt_marker_set(s, true); /* the herald tells of it; there is no campaign it could be told by */
    if (b->idle_flow >= IDLE_READINGS * IDLE_TRIES) {
        bench_latch_interlock(s, b->fault);
    }
}

/* What a thermometer of its own measures is believed of nobody else, also when it is lost. */
static void take_temperatures(const struct station *s, struct wn_reading *r, wn_ns now)
{
    wn_ns stale_ns = wn_ns_from_s(fmax(s->config.gap_max_s, THERMOMETER_STALE_S));
    for (int n = 0; n < s->config.instruments; n++) {
        const struct instrument *i = &s->bench.instrument[n];
        const struct wn_instrument_config *c = instrument_config(s, i);
        bool fresh = i->has_reading && now - i->reading.host_ns <= stale_ns;
        if (c->role != WN_ROLE_THERMOMETER) {
            continue;
        }
        unsigned told = fresh ? i->reading.has : 0;
        if (c->ambient) {
            r->has &= ~(unsigned)WN_HAS_AMBIENT;
            r->has |= (told & WN_HAS_TEMPERATURE) != 0 ? WN_HAS_AMBIENT : 0u;
            r->ambient_c = i->reading.temperature_c;
            continue;
        }
        r->has &= ~(unsigned)WN_HAS_TEMPERATURE;
        r->has |= told & WN_HAS_TEMPERATURE;
        r->temperature_c = i->reading.temperature_c;
        if ((told & WN_HAS_AMBIENT) != 0) {
            r->has |= WN_HAS_AMBIENT;
            r->ambient_c = i->reading.ambient_c;
        }
    }
}

/* Both at once: the cell sees the difference, the wires see the sum. */
static void look_at_idle(struct station *s, const struct instrument *idle)
{
    struct wn_error err = {0};
    if (fabs(idle->reading.current_a) > s->config.limits.off_current_a) {
        const struct wn_instrument_config *c = instrument_config(s, idle);
        (void)wn_error_set(&err, WN_EINSTRUMENT,
                           "%s on %s carries %.3f A although the other one is on",
                           wn_instrument_name(c), c->port, idle->reading.current_a);
        bench_tell_fault(s, &err);
    }
}

/* Nothing is on: what leaks through the cell is the sum of both. But one may feed what the other
 * draws, and the sum be nothing: what is more than it should be in either counts alone. */
static double current_at_rest_a(const struct station *s)
{
    double supply_a = s->bench.instrument[0].reading.current_a,
           load_a = s->bench.instrument[1].reading.current_a;
    double larger_a = fabs(supply_a) > fabs(load_a) ? supply_a : load_a;
    return fabs(larger_a) > s->config.limits.off_current_a ? larger_a : supply_a + load_a;
}

/* Of a supply and a load: the one that is on measures; at rest the load, so that the voltage before
 * a discharge and within it are of one instrument. The current of both is known only from both. */
static struct wn_reading of_pair(struct station *s)
{
    const struct instrument *supply = &s->bench.instrument[0], *load = supply + 1;
    bool on = s->campaign != NULL && wn_engine_output_on(s->engine);
    bool charges = on && s->bench.output.mode == WN_OUTPUT_CHARGE;
    const struct instrument *told = charges ? supply : load, *idle = charges ? load : supply;
    if (!supply->has_reading || !load->has_reading) {
        struct wn_reading r = (load->has_reading ? load : supply)->reading;
        r.has &= ~(unsigned)WN_HAS_CURRENT;
        return r;
    }
    struct wn_reading r = told->reading;
    r.host_ns = supply->reading.host_ns > load->reading.host_ns ? supply->reading.host_ns
                                                                : load->reading.host_ns;
    r.has &= idle->reading.has | ~(unsigned)WN_HAS_CURRENT;
    if (on) {
        look_at_idle(s, idle);
    } else {
        r.current_a = current_at_rest_a(s);
    }
    return r;
}

void measure_take(struct station *s, wn_ns now)
{
    struct wn_reading r =
        wn_config_is_pair(&s->config) ? of_pair(s) : s->bench.instrument[0].reading;
    take_temperatures(s, &r, now);
    if (s->campaign == NULL) {
        watch_idle(s, &r);
    }
    if (!date(s, &r)) {
        return;
    }
    s->reading = r;
    s->has_reading = true;
    if (s->campaign == NULL) {
        return;
    }
    bool heard = instrument_listens(s->bench.instrument);
    if (r.time_ns > s->campaign_now_ns && !heard) {
        s->campaign_now_ns = r.time_ns;
    }
    struct wn_event ev = {.kind = WN_EVENT_READING, .time_ns = r.time_ns, .reading = r};
    station_event(s, &ev);
    if (heard && wn_engine_now_ns(s->engine) > s->campaign_now_ns) {
        s->campaign_now_ns = wn_engine_now_ns(s->engine);
    }
}
