/* What a station of several instruments promises.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "several_watch.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define FLOWS_A  0.03
#define NEAR_K   2.0 /* of a temperature: noise, and what a cell can do between two readings */
#define STALE_NS (30 * WN_NS_PER_S) /* gap_max of the configuration */

static struct {
    bool was_on[WHOS], was_told_on[WHOS];
    bool unheld[WHOS];                 /* its port went away while it was on */
    wn_ns measured_ns[WHOS];           /* it was asked to measure */
    wn_ns reading_ns, reading_host_ns; /* when the station's last one came; its own time */
    wn_ns allowed_ns; /* current was last in order, or something was troubled that holds it */
    wn_ns latched_ns;
} w;

void watch_begin(void)
{
    memset(&w, 0, sizeof w);
    w.allowed_ns = w.latched_ns = frame.now_ns;
    w.reading_ns = frame.now_ns;
}

static void wrong(const char *fmt, ...) __attribute__((format(printf, 1, 2)));

static void wrong(const char *fmt, ...)
{
    char text[200];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    if (several.wrong[0] == '\0') {
        (void)snprintf(several.wrong, sizeof several.wrong, "at %.3f s: %s",
                       wn_ns_to_s(frame.now_ns), text);
    }
}

/* A fault explains it, or one that was there until a moment ago. */
static bool troubled(enum who who)
{
    return plant_has(who) && frame.now_ns < several.trouble_ns[who] + wn_ns_from_s(SEVERAL_OFF_S);
}

static void look_at_contacts(void)
{
    for (int n = 0; n <= RELAY; n++) {
        enum who who = (enum who)n;
        bool on = plant_is_on(who);
        if (on && !w.was_on[who]) {
            several.times_on[who]++;
            several.closed_ns[who] = frame.now_ns;
        } else if (!on && w.was_on[who]) {
            several.opened_ns[who] = frame.now_ns;
        }
        w.was_on[who] = on;
    }
}

static void look_at_pair(void)
{
    bool both = plant_both();
    several.both += both;
    if (plant_is_told_on(SUPPLY) && plant_is_told_on(LOAD)) {
        wrong("supply and load are both told on");
    }
    if (both && !plant_is_stuck(SUPPLY) && !plant_is_stuck(LOAD)) {
        wrong("one feeds and one draws, and nothing is stuck");
    }
}

/* Nothing is on that the guard could not switch off; the port of one that went away is no use to
 * it. */
static void look_at_guard(void)
{
    for (int n = 0; n <= (several.line ? LOAD : RELAY); n++) {
        enum who who = (enum who)n;
        w.unheld[who] = w.unheld[who] && plant_is_told_on(who);
        if (plant_is_told_on(who) && !several.held[who] && !w.unheld[who]) {
            wrong("instrument %d is on and the guard does not hold it", n);
        }
    }
}

/* It connects the cell when everything is off, and not against its latch. */
static void look_at_relay(void)
{
    bool on = plant_is_told_on(RELAY), closes = on && !w.was_told_on[RELAY];
    w.was_told_on[RELAY] = on;
    if (!closes) {
        return;
    }
    if (!several.alive || !frame.st.looked) {
        wrong("the relay closes before a campaign was looked for");
    }
    if (frame.st.bench.interlock_latched) {
        wrong("the relay closes although its opening is latched");
    }
    for (int n = SUPPLY; n <= LOAD; n++) {
        if (plant_is_told_on((enum who)n)) {
            wrong("the relay closes while instrument %d is on", n);
        }
    }
}

static bool is_in_order(void)
{
    return several.alive && frame.st.campaign != NULL &&
           wn_engine_state(frame.st.engine) == WN_ENGINE_RUNNING &&
           wn_engine_output_on(frame.st.engine);
}

static wn_ns later(wn_ns a, wn_ns b)
{
    return a > b ? a : b;
}

/* What flows without an order ends soon: what feeds or draws goes off, or, if it cannot, the relay
 * opens. */
static void look_at_flow(void)
{
    bool flows = fabs(plant_flow_a()) > FLOWS_A;
    bool held = troubled(RELAY) && (troubled(SUPPLY) || troubled(LOAD));
    if (!flows || is_in_order() || held) {
        w.allowed_ns = frame.now_ns;
    } else if (frame.now_ns - later(w.allowed_ns, several.woke_ns) > wn_ns_from_s(SEVERAL_OFF_S)) {
        wrong("%.3f A flow without an order since %.0f s", plant_flow_a(),
              wn_ns_to_s(frame.now_ns - w.allowed_ns));
    }
    bool latched = several.alive && frame.st.bench.interlock_latched;
    if (!latched || troubled(RELAY)) {
        w.latched_ns = frame.now_ns;
    } else if (plant_is_on(RELAY) && frame.now_ns - w.latched_ns > 5 * WN_NS_PER_S) {
        wrong("the relay is latched open, and closed");
    }
}

void watch_now(void)
{
    look_at_contacts();
    look_at_pair();
    look_at_guard();
    look_at_relay();
    look_at_flow();
}

bool watch_asked(enum who who, const char *bytes, size_t len)
{
    bool framed = len == 8 && bytes[1] == 4 && (bytes[3] == 4 || bytes[3] == 6); /* MODBUS */
    bool asked = framed || memmem(bytes, len, "MEAS:", 5) != NULL;
    if (asked) {
        w.measured_ns[who] = frame.now_ns;
        several.asked[who]++;
    }
    return asked;
}

void watch_released(enum who who)
{
    w.unheld[who] = plant_is_told_on(who);
}

static void look_at_temperature(enum who who, double told_c)
{
    double true_c = plant_temperature_c(who);
    wn_ns age_ns = frame.now_ns - plant_sent_ns(who);
    if (!plant_is_quirky(who) && !troubled(who) && !(fabs(told_c - true_c) < NEAR_K)) {
        wrong("thermometer %d: %.2f degC, truly %.2f degC", (int)who, told_c, true_c);
    }
    if (plant_is_open(who) && !troubled(who)) {
        wrong("thermometer %d tells %.2f degC without a sensor", (int)who, told_c);
    }
    if (age_ns > STALE_NS) {
        wrong("thermometer %d: a temperature of %.0f s ago", (int)who, wn_ns_to_s(age_ns));
    }
}

void watch_station(void)
{
    const struct wn_reading *r = &frame.st.reading;
    if (!frame.st.has_reading || r->host_ns == w.reading_host_ns) {
        return;
    }
    for (int n = SUPPLY; n <= LOAD; n++) {
        if ((r->has & WN_HAS_CURRENT) != 0 && plant_has((enum who)n) &&
            w.measured_ns[n] < w.reading_ns) {
            wrong("a current is told although instrument %d was not asked anew", n);
        }
    }
    w.reading_ns = frame.now_ns;
    w.reading_host_ns = r->host_ns;
    if (frame.now_ns - several.woke_ns < 2 * WN_NS_PER_S) {
        return; /* what the thermometers said before: its clock stood still. It halts for the sleep
                 */
    }
    if ((r->has & WN_HAS_TEMPERATURE) != 0) {
        look_at_temperature(CELL, r->temperature_c);
    }
    if ((r->has & WN_HAS_AMBIENT) != 0) {
        look_at_temperature(AIR, r->ambient_c);
    }
}
