/* The instruments of a station as one: who switches on when, in rounds of readings, and the contact
 * between them and the cell. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A supply and a load are never on together: before one of them is set, the other has been told off
 * and has confirmed it. Off goes to both at once. */
#include "station.h"

#include <math.h>
#include <string.h>

#define WATCH_NS WN_NS_PER_S /* host time between readings while nothing runs */

static enum wn_role role_of(const struct station *s, const struct instrument *i)
{
    return instrument_config(s, i)->role;
}

static bool is_source(const struct station *s, const struct instrument *i)
{
    return wn_role_sources(role_of(s, i));
}

/* NULL: there is none. */
static const struct instrument *relay_of(const struct station *s)
{
    for (int n = 0; n < s->config.instruments; n++) {
        if (role_of(s, &s->bench.instrument[n]) == WN_ROLE_RELAY) {
            return &s->bench.instrument[n];
        }
    }
    return NULL;
}

/* Which of a pair the output is for. */
static bool is_active(const struct station *s, const struct instrument *i)
{
    bool charge = s->bench.output.mode == WN_OUTPUT_CHARGE;
    return !wn_config_is_pair(&s->config) ||
           role_of(s, i) == (charge ? WN_ROLE_SUPPLY : WN_ROLE_LOAD);
}

void bench_init(struct station *s)
{
    /* Open at every opening of the port until off has been confirmed: only where one is said to be.
     */
    s->bench.interlock_down = wn_interlock_is_line(s->config.interlock);
    for (int n = 0; n < s->config.instruments; n++) {
        instrument_init(s, n);
    }
}

void bench_tell_fault(struct station *s, const struct wn_error *error)
{
    if (s->campaign == NULL) {
        return;
    }
    struct wn_event ev = {.kind = WN_EVENT_FAULT,
                          .time_ns = station_campaign_time(s, wn_clock_monotonic(s->clock)),
                          .error = *error};
    station_event(s, &ev);
}

void bench_port_lines(const struct station *s, const struct instrument *i,
                      struct wn_port_settings *settings)
{
    enum wn_interlock kind = s->config.interlock;
    if (i->n == 0 && s->bench.interlock_down) { /* opening raises both lines */
        bool dtr = kind == WN_INTERLOCK_DTR || kind == WN_INTERLOCK_UNSAID;
        settings->dtr = dtr ? WN_LINE_OFF : WN_LINE_LEAVE;
        settings->rts = kind == WN_INTERLOCK_RTS ? WN_LINE_OFF : WN_LINE_LEAVE;
    }
}

static enum wn_line interlock_line(const struct station *s)
{
    return s->config.interlock == WN_INTERLOCK_RTS ? WN_LINE_RTS : WN_LINE_DTR;
}

bool bench_open_interlock(struct station *s)
{
    struct bench *b = &s->bench;
    struct wn_link *link = b->instrument[0].link;
    const struct instrument *relay = relay_of(s);
    b->interlock_down = true;
    bool told = relay != NULL && relay->link != NULL;
    if (relay != NULL) {
        b->relay_closed = false;
        instrument_off_now(&b->instrument[relay->n], wn_clock_monotonic(s->clock));
    }
    return (s->config.interlock != WN_INTERLOCK_NONE && link != NULL &&
            link->ops->set_line(link, interlock_line(s), false, NULL) == WN_OK) ||
           told;
}

/* Everything that could feed or draw, but for this one, has confirmed off, and was not told on
 * since. */
static bool others_are_off(const struct station *s, const struct instrument *i)
{
    bool off = true;
    for (int n = 0; n < s->config.instruments; n++) {
        const struct instrument *other = &s->bench.instrument[n];
        off = off && (other == i || !is_source(s, other) || instrument_is_off(other));
    }
    return off;
}

/* Has everything that could feed or draw confirmed off? That it is to be told off once more does
 * not count. */
static bool sources_are_safe(const struct station *s)
{
    bool safe = true;
    for (int n = 0; n < s->config.instruments; n++) {
        const struct instrument *i = &s->bench.instrument[n];
        safe = safe && (!is_source(s, i) || i->off);
    }
    return safe;
}

void bench_close_interlock(struct station *s)
{
    struct bench *b = &s->bench;
    struct wn_link *link = b->instrument[0].link;
    if (s->config.interlock == WN_INTERLOCK_BETWEEN) { /* both are up since the port was opened */
        (void)link->ops->set_line(link, WN_LINE_RTS, false, NULL);
    }
    if (b->interlock_down && s->config.interlock != WN_INTERLOCK_NONE) {
        (void)link->ops->set_line(link, interlock_line(s), true, NULL);
    }
    b->interlock_down = false;
}

void bench_first_off_done(struct station *s)
{
    if (s->bench.interlock_latched || !s->looked || !sources_are_safe(s) ||
        instrument_listens(s->bench.instrument)) {
        return; /* the instrument had said off before, and current flowed; or who knows; or it is
                   closed when a campaign lets the tester run */
    }
    bench_close_interlock(s);
}

void bench_lost(struct station *s, struct instrument *i, const struct wn_error *error, bool news)
{
    struct bench *b = &s->bench;
    if (role_of(s, i) == WN_ROLE_THERMOMETER) { /* what it tells is missing: the envelope judges */
        if (news && campaign_is_live(s)) {
            station_warn(s, "thermometer_lost", error->text);
        }
        return;
    }
    if (i->n == 0 && i->link == NULL) {
        b->interlock_down = b->interlock_down || wn_interlock_is_line(s->config.interlock);
    }
    if (role_of(s, i) == WN_ROLE_RELAY) {
        b->relay_closed = false;
    }
    b->output_wanted = b->other_off = b->round = false;
    bench_tell_fault(s, error);
}

void bench_latch_interlock(struct station *s, const char *why)
{
    bool told = s->bench.interlock_latched;
    s->bench.interlock_latched = true;
    bool opened = bench_open_interlock(s);
    if (told) {
        return;
    }
    station_log(s, 2, "interlock: %s (%s)", opened ? "told to open" : "none that could be opened",
                why);
    if (campaign_is_live(s)) {
        station_note(s, INTERLOCK_LATCHED, why);
    }
}

void bench_task_failed(struct station *s, const struct instrument *i, enum instrument_task task,
                       const struct wn_error *error)
{
    struct wn_error err = *error;
    s->bench.round = s->bench.round && task != TASK_READ;
    if (role_of(s, i) == WN_ROLE_RELAY && task == TASK_SWITCH_ON) {
        bench_latch_interlock(s, error->text);
        err.code = WN_EINSTRUMENT; /* it is not one that stays on */
    }
    bench_tell_fault(s, &err);
}

struct wn_setpoints bench_protections(const struct station *s)
{
    const struct wn_limits *l = s->campaign != NULL ? &s->setup.limits : &s->config.limits;
    struct wn_setpoints sp = wn_setpoints_none();
    sp.voltage_high_v = l->voltage_max_v;
    sp.voltage_low_v = l->voltage_min_v;
    sp.current_limit_a =
        fmax(l->charge_current_max_a, l->discharge_current_max_a) * (1 + l->set_point_tolerance) +
        l->set_point_tolerance_a;
    sp.temperature_limit_c = fmax(l->charge_temperature_max_c, l->discharge_temperature_max_c);
    sp.timeout_s = fmax(5.0, 2 * s->config.beat_limit_s);
    return sp;
}

static void begin_output(struct bench *b, struct instrument *i, wn_ns now)
{
    struct wn_setpoints sp = wn_setpoints_none();
    enum wn_request request = WN_REQUEST_POWER;
    sp.current_a = b->output.current_a;
    sp.voltage_v = b->output.voltage_v;
    sp.power_w = b->output.power_w;
    if (b->output.mode != WN_OUTPUT_POWER) {
        request = b->output.mode == WN_OUTPUT_CHARGE ? WN_REQUEST_CHARGE : WN_REQUEST_DISCHARGE;
    }
    instrument_begin(i, TASK_SET_MODE, request, &sp, now);
}

bool bench_watching(const struct station *s)
{
    if (s->campaign == NULL) {
        return true;
    }
    enum wn_engine_state state = wn_engine_state(s->engine);
    return state != WN_ENGINE_RUNNING && state != WN_ENGINE_PREPARING &&
           state != WN_ENGINE_SWITCHING_OFF;
}

/* When the next reading is wanted, in host time. A bench with a clock of its own is asked at once
 * and told how far to advance. */
static wn_ns reading_due(const struct station *s)
{
    if (instrument_listens(s->bench.instrument)) {
        return INT64_MIN; /* it talks whenever it likes */
    }
    if (bench_watching(s)) {
        return s->read_due_ns;
    }
    if (s->bench.instrument[0].dialect.has_clock || !s->offset_known) {
        return INT64_MIN;
    }
    return wn_engine_next_reading_ns(s->engine) + s->offset_ns;
}

static struct wn_setpoints reading_setpoints(const struct station *s)
{
    struct wn_setpoints sp = wn_setpoints_none();
    sp.interval_s = 1.0;
    if (s->campaign != NULL && s->offset_known && !bench_watching(s)) {
        wn_ns ahead = wn_engine_next_reading_ns(s->engine) - s->campaign_now_ns;
        sp.interval_s = ahead > WN_NS_PER_MS ? wn_ns_to_s(ahead) : 0.001;
    }
    return sp;
}

static void begin_reading(struct station *s, struct instrument *i, wn_ns now)
{
    struct wn_setpoints sp = reading_setpoints(s);
    i->read_wanted = false;
    instrument_begin(i, TASK_READ, WN_REQUEST_READ, &sp, now);
}

/* The first instrument that can tell voltage and current opens a round; those that are ready take
 * part. */
static bool opens_rounds(const struct station *s, const struct instrument *i)
{
    const struct instrument *first = s->bench.instrument;
    return is_source(s, i) && (i == first || first->stage != STAGE_READY);
}

static void begin_round(struct station *s, struct instrument *i, wn_ns now)
{
    struct bench *b = &s->bench;
    for (int n = 0; n < s->config.instruments; n++) {
        struct instrument *other = &b->instrument[n];
        other->read_wanted = other != i && other->stage == STAGE_READY;
    }
    b->round = true;
    s->read_due_ns = now + WATCH_NS;
    begin_reading(s, i, now);
}

/* The contact is to be closed, and is not. At the side of a tester that runs its own program it
 * closes under whatever that does, but not before a campaign has let it run. */
static bool relay_closes(const struct station *s, const struct instrument *i)
{
    const struct bench *b = &s->bench;
    bool may = instrument_listens(b->instrument) ? listen_is_let_run(s) && !b->output_wanted
                                                 : others_are_off(s, i);
    return role_of(s, i) == WN_ROLE_RELAY && !b->interlock_latched && !b->interlock_down &&
           !b->relay_closed && s->looked && may;
}

/* Before the first round a thermometer is read that has not told anything, as long as nothing is
 * on. One that does not answer is lost then, and not waited for; nor is one that comes back later.
 */
static bool tells_first(const struct station *s, const struct instrument *i)
{
    bool first = bench_off_confirmed(s);
    for (int n = 0; n < s->config.instruments; n++) {
        const struct instrument *other = &s->bench.instrument[n];
        first = first && !(is_source(s, other) && other->has_reading);
    }
    return first && role_of(s, i) == WN_ROLE_THERMOMETER && i->stage == STAGE_READY &&
           !i->has_reading;
}

/* With the contact about to close, a reading would be that of no cell; with something about to be
 * ready, or not read yet, it would lack what that one tells. Not waited for: what is lost. */
static bool is_settled(const struct station *s)
{
    bool settled = true;
    for (int n = 0; n < s->config.instruments; n++) {
        const struct instrument *i = &s->bench.instrument[n];
        bool opening = i->stage != STAGE_READY && i->fault[0] == '\0';
        settled = settled && !opening && !tells_first(s, i) &&
                  (i->stage != STAGE_READY || !relay_closes(s, i));
    }
    return settled;
}

wn_ns bench_due(const struct station *s, const struct instrument *i, wn_ns now)
{
    const struct bench *b = &s->bench;
    if (i->read_wanted || relay_closes(s, i) || tells_first(s, i)) {
        return now;
    }
    if (!is_source(s, i)) {
        return WN_NS_NEVER;
    }
    if (b->output_wanted) {
        bool its_turn = is_active(s, i) == (!wn_config_is_pair(&s->config) || b->other_off);
        return its_turn ? now : WN_NS_NEVER;
    }
    return opens_rounds(s, i) && !b->round && is_settled(s) ? reading_due(s) : WN_NS_NEVER;
}

static void choose_output(struct station *s, struct instrument *i, wn_ns now)
{
    struct bench *b = &s->bench;
    if (b->output.mode == WN_OUTPUT_FOLLOW) {
        listen_let_run(s, i);
        return;
    }
    if (!is_active(s, i)) {
        instrument_begin(i, TASK_OFF, WN_REQUEST_OFF, NULL, now); /* this one first of all */
        return;
    }
    b->output_wanted = b->other_off = false;
    if (i->guarded) {
        begin_output(b, i, now);
        return;
    }
    struct wn_error err = {0};
    (void)wn_error_set(&err, WN_EGUARD,
                       "guard does not hold a duplicate of %s: nothing is switched on",
                       instrument_config(s, i)->port);
    bench_tell_fault(s, &err);
}

void bench_choose(struct station *s, struct instrument *i, wn_ns now)
{
    if (bench_due(s, i, now) > now) {
        return;
    }
    if (relay_closes(s, i)) {
        instrument_begin(i, TASK_SWITCH_ON, WN_REQUEST_ON, NULL, now);
    } else if (i->read_wanted || tells_first(s, i)) {
        begin_reading(s, i, now);
    } else if (s->bench.output_wanted) {
        choose_output(s, i, now);
    } else {
        begin_round(s, i, now);
    }
}

static void off_done(struct station *s, const struct instrument *i, wn_ns now)
{
    struct bench *b = &s->bench;
    if (b->output_wanted && is_source(s, i) && !is_active(s, i)) {
        b->other_off = true;
        return;
    }
    if (is_source(s, i) && s->campaign != NULL && others_are_off(s, i)) {
        struct wn_event ev = {.kind = WN_EVENT_OFF_DONE, .time_ns = station_campaign_time(s, now)};
        station_event(s, &ev);
    }
}

/* The contact opened by itself, or was never closed. */
static void look_at_relay(struct station *s, const struct instrument *i)
{
    struct wn_error err = {0};
    if (s->bench.relay_closed && (i->reading.has & WN_HAS_OUTPUT) != 0 && !i->reading.output_on) {
        (void)wn_error_set(&err, WN_EINSTRUMENT, "relay on %s: its contact is open",
                           instrument_config(s, i)->port);
        bench_latch_interlock(s, err.text);
        bench_tell_fault(s, &err);
    }
}

static void read_done(struct station *s, struct instrument *i, wn_ns now)
{
    struct bench *b = &s->bench;
    i->reading = i->session.reading;
    certificates_correct(s, i->n, &i->reading);
    i->has_reading = true;
    if (role_of(s, i) == WN_ROLE_RELAY) {
        look_at_relay(s, i);
    }
    if (!is_source(s, i) || !b->round) {
        return;
    }
    for (int n = 0; n < s->config.instruments; n++) {
        const struct instrument *other = &b->instrument[n];
        if (is_source(s, other) && (other->read_wanted || other->task == TASK_READ)) {
            return;
        }
    }
    b->round = false;
    measure_take(s, now);
}

void bench_task_done(struct station *s, struct instrument *i, enum instrument_task task, wn_ns now)
{
    struct wn_event ev = {.kind = WN_EVENT_OUTPUT_DONE, .time_ns = station_campaign_time(s, now)};
    switch (task) {
    case TASK_SET_MODE:
        if (!i->off_wanted) {
            instrument_begin(i, TASK_SWITCH_ON, WN_REQUEST_ON, NULL, now);
        }
        break;
    case TASK_SWITCH_ON:
        if (role_of(s, i) == WN_ROLE_RELAY) {
            s->bench.relay_closed = true;
        } else if (s->campaign != NULL) {
            station_event(s, &ev);
        }
        break;
    case TASK_OFF:
        off_done(s, i, now);
        break;
    case TASK_READ:
        read_done(s, i, now);
        break;
    case TASK_NONE:
        break;
    }
}

const struct instrument *bench_not_ready(const struct station *s)
{
    for (int n = 0; n < s->config.instruments; n++) {
        if (s->bench.instrument[n].stage != STAGE_READY) {
            return &s->bench.instrument[n];
        }
    }
    return NULL;
}

bool bench_switches_ready(const struct station *s)
{
    bool ready = true;
    for (int n = 0; n < s->config.instruments; n++) {
        const struct instrument *i = &s->bench.instrument[n];
        ready = ready && (i->stage == STAGE_READY || !wn_role_switches(role_of(s, i)));
    }
    return ready;
}

bool bench_is_simulated(const struct station *s)
{
    bool simulated = false;
    for (int n = 0; n < s->config.instruments; n++) {
        const struct instrument *i = &s->bench.instrument[n];
        simulated =
            simulated || i->dialect.simulated || strstr(i->session.identity, "SIMULATED") != NULL;
    }
    return simulated;
}

void bench_off_now(struct station *s)
{
    struct bench *b = &s->bench;
    wn_ns now = wn_clock_monotonic(s->clock);
    b->output_wanted = b->other_off = b->round = false;
    for (int n = 0; n < s->config.instruments; n++) {
        if (is_source(s, &b->instrument[n])) {
            instrument_off_now(&b->instrument[n], now);
        }
    }
}

void bench_turn(struct station *s, wn_ns now)
{
    listen_tell_guard(s);
    for (int n = 0; n < s->config.instruments; n++) {
        instrument_turn(s, &s->bench.instrument[n], now);
    }
}

wn_ns bench_deadline(const struct station *s, wn_ns now)
{
    wn_ns first = WN_NS_NEVER;
    for (int n = 0; n < s->config.instruments; n++) {
        wn_ns at = instrument_deadline(s, &s->bench.instrument[n], now);
        first = at < first ? at : first;
    }
    return first;
}

bool bench_off_confirmed(const struct station *s)
{
    bool off = !s->bench.output_wanted;
    if (instrument_listens(s->bench.instrument)) {
        return off && listen_is_over(s);
    }
    for (int n = 0; n < s->config.instruments; n++) {
        const struct instrument *i = &s->bench.instrument[n];
        off = off && (!is_source(s, i) || instrument_is_off(i));
    }
    return off;
}

void bench_slept(struct station *s)
{
    for (int n = 0; n < s->config.instruments; n++) {
        struct instrument *i = &s->bench.instrument[n];
        i->has_reading = i->has_reading && role_of(s, i) != WN_ROLE_THERMOMETER;
    }
}

void bench_identify_again(struct station *s)
{
    wn_ns now = wn_clock_monotonic(s->clock);
    for (int n = 0; n < s->config.instruments; n++) {
        if (s->bench.instrument[n].stage == STAGE_READY) {
            instrument_identify_again(s, &s->bench.instrument[n], now);
        }
    }
    s->bench.round = false;
}

void bench_set_up_again(struct station *s)
{
    struct bench *b = &s->bench;
    wn_ns now = wn_clock_monotonic(s->clock);
    for (int n = 0; n < s->config.instruments; n++) {
        struct instrument *i = &b->instrument[n];
        if (i->stage == STAGE_READY && wn_role_switches(role_of(s, i))) {
            instrument_set_up_again(i, now);
        }
    }
    b->relay_closed = b->round = false;
}

bool bench_is_real(const struct station *s)
{
    bool real = false;
    for (int n = 0; n < s->config.instruments; n++) {
        real = real || !s->bench.instrument[n].dialect.simulated;
    }
    return real;
}

const char *bench_fault(const struct station *s)
{
    for (int n = 0; n < s->config.instruments; n++) {
        if (s->bench.instrument[n].fault[0] != '\0') {
            return s->bench.instrument[n].fault;
        }
    }
    return s->bench.fault;
}

void bench_close(struct station *s)
{
    for (int n = 0; n < s->config.instruments; n++) {
        instrument_close(s, &s->bench.instrument[n]);
    }
}
