/* What the loop of a station does in each turn, apart from waiting: whoever owns the clock and the
 * waiting, the daemon's loop or a simulation, turns the same station.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "station.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define LOOK_LATEST_NS                                                                             \
    (60 * WN_NS_PER_S) /* for an instrument, before the campaign is opened without one */
#define SLEEP_LOOK_NS WN_NS_PER_S
#define ASLEEP_NS     (2 * WN_NS_PER_S)
#define LOOK_AGAIN_NS (10 * WN_NS_PER_S)
#define STALE_LEAST_S 10.0
#define CLOCK_SET_S   2.0 /* between two looks; what keeps it right moves it by far less */

void station_init(struct station *s, const struct wn_clock *clock,
                  const struct wn_daemon_config *daemon, const struct wn_station_config *own)
{
    s->clock = clock;
    s->daemon = daemon;
    s->config = *own;
    s->sleep_gap_ns = clock->ops->boottime(clock) - wn_clock_monotonic(clock);
    bench_init(s);
}

/* The computer slept: the instrument went on without us. */
static void look_for_sleep(struct station *s, wn_ns now)
{
    if (now < s->sleep_look_ns) {
        return;
    }
    s->sleep_look_ns = now + SLEEP_LOOK_NS;
    wn_ns gap = s->clock->ops->boottime(s->clock) - now;
    if (gap - s->sleep_gap_ns > ASLEEP_NS) {
        struct wn_error err = {0};
        (void)wn_error_set(&err, WN_ETIMEOUT, "the computer was suspended for %.0f s",
                           wn_ns_to_s(gap - s->sleep_gap_ns));
        bench_slept(s);
        bench_tell_fault(s, &err);
    }
    s->sleep_gap_ns = gap;
}

/* Times of day are labels. One that was moved puts the rows of one night an hour apart: said among
 * them, as nothing is measured by it. */
static void look_at_clock(struct station *s, wn_ns now)
{
    if (now < s->clock_look_ns) {
        return;
    }
    wn_utc_us gap_us = s->clock->ops->utc(s->clock) - s->clock->ops->boottime(s->clock) / 1000;
    double by_s = (double)(gap_us - s->clock_gap_us) / 1e6;
    bool known = s->clock_look_ns != 0;
    s->clock_look_ns = now + SLEEP_LOOK_NS;
    s->clock_gap_us = gap_us;
    if (known && fabs(by_s) > CLOCK_SET_S) {
        char text[160];
        (void)snprintf(text, sizeof text,
                       "the computer's clock was set by %+.0f s: times of day before and after do "
                       "not compare, campaign times do",
                       by_s);
        station_log(s, 5, "%s", text);
        if (campaign_is_live(s)) {
            station_note(s, "clock_set", text);
        }
    }
}

static void begin_end(struct station *s, wn_ns now, enum wn_event_kind why, const char *who)
{
    struct wn_error err = {0};
    if (s->stopping) {
        return;
    }
    s->stopping = true;
    s->stop_deadline_ns = now + wn_ns_from_s(wn_config_stop_limit_s(&s->config));
    if (s->campaign == NULL) {
        return;
    }
    if (why == WN_EVENT_GUARD_LOST || wn_engine_may(s->engine, why, &err) == WN_OK) {
        s->paused_by_end = true;
        station_command(s, why, who);
    }
}

void station_ask_end(struct station *s, wn_ns now)
{
    begin_end(s, now, WN_EVENT_PAUSE, "end of the service");
}

/* Everything off and recorded? Then the loop may end. */
static bool at_rest(const struct station *s)
{
    if (s->campaign == NULL && bench_not_ready(s) != NULL) {
        return true;
    }
    return bench_switches_ready(s) && bench_off_confirmed(s) &&
           (s->campaign == NULL || wn_engine_state(s->engine) != WN_ENGINE_SWITCHING_OFF);
}

/* Off first, then the campaign: the instrument is switched off before anything that may take long
 * or fail. */
static void look_for_campaign(struct station *s, wn_ns now)
{
    struct wn_error err = {0};
    if (s->look_at_ns == 0) {
        s->look_at_ns = now + LOOK_LATEST_NS;
    }
    bool ready = bench_not_ready(s) == NULL; /* else wait for it, but not for ever */
    if (s->looked || s->stopping || now < s->look_again_ns || (!ready && now < s->look_at_ns)) {
        return;
    }
    int rc = campaign_find_unfinished(s, &err);
    bool again = rc != WN_OK && campaign_may_come_right(rc);
    s->looked = !again;
    s->look_again_ns = now + LOOK_AGAIN_NS;
    if (rc != WN_OK && strcmp(s->broken_text, err.text) != 0) { /* told once */
        halt_marker_set(s, true);                               /* the herald tells of it */
        station_log(s, 1, "an unfinished campaign cannot be gone on with%s; the output is off: %s",
                    again ? " yet" : "", err.text);
    }
    (void)snprintf(s->broken_text, sizeof s->broken_text, "%s", rc != WN_OK ? err.text : "");
}

static void look_for_end(struct station *s, wn_ns now)
{
    if (s->guard.lost) {
        s->exit_code = 1;
        begin_end(s, now, WN_EVENT_GUARD_LOST, "");
    }
    if (s->stopping && (at_rest(s) || now >= s->stop_deadline_ns)) {
        s->ending = true;
    }
}

/* Whatever keeps readings away while current flows: every way of it is told as a fault of the
 * instrument long before; this is for the one nobody thought of. */
static void look_for_stale(struct station *s, wn_ns now)
{
    if (s->campaign == NULL || !wn_engine_output_on(s->engine)) {
        s->fresh_ns = now;
    }
    if (s->has_reading && s->reading.host_ns > s->fresh_ns) {
        s->fresh_ns = s->reading.host_ns;
    }
    double limit_s = fmax(2 * s->config.gap_max_s, STALE_LEAST_S);
    limit_s =
        fmax(limit_s, 2 * s->bench.instrument[0].dialect.records.silence_s); /* 0: it is asked */
    if (wn_ns_to_s(now - s->fresh_ns) > limit_s) {
        struct wn_error err = {0};
        s->fresh_ns = now;
        (void)wn_error_set(&err, WN_ETIMEOUT, "no reading for %.0f s with the output on", limit_s);
        bench_tell_fault(s, &err);
    }
}

void station_turn_instrument(struct station *s, wn_ns now)
{
    bench_turn(s, now);
    guard_beat(s, now);
}

void station_turn_rest(struct station *s, wn_ns now)
{
    look_for_campaign(s, now);
    campaign_housekeeping(s, now);
    look_for_stale(s, now);
    look_for_sleep(s, now);
    look_at_clock(s, now);
    look_for_end(s, now);
}
