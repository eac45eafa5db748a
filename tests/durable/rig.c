/* A station in simulated time on a real campaign file.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _DEFAULT_SOURCE /* MAP_ANONYMOUS */
#include "rig.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>

#include "store/internal.h"

struct rig *rig_make(const char *dir, int cycles, int check_up_every)
{
    struct rig *r =
        mmap(NULL, sizeof *r, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    assert_true(r != MAP_FAILED);
    (void)snprintf(r->path, sizeof r->path, "%s/cell-1.wane", dir);
    world_setup(&r->w, cycles, check_up_every);
    world_shutdown(&r->w);
    r->w.setup.reading_interval_s = 2;
    r->w.setup.gap_max_s = 10;
    r->commit_s = 900;
    r->maintain_s = 3600;
    return r;
}

void rig_unmake(struct rig *r)
{
    (void)munmap(r, sizeof *r);
}

static wn_utc_us utc_of(const struct rig *r)
{
    return RIG_UTC_US + r->host_ns / 1000 + r->utc_step_us;
}

static wn_ns campaign_ns(const struct rig *r)
{
    return r->host_ns - r->offset_ns;
}

/* Lets the cell live on until then; world.c knows how, in campaign time. */
static void advance(struct rig *r, wn_ns to)
{
    struct world *w = &r->w;
    while (r->host_ns < to) {
        wn_ns dt = to - r->host_ns;
        dt = w->on && dt > WN_NS_PER_S / 10 ? WN_NS_PER_S / 10 : dt;
        double i = world_current_a(w), h = wn_ns_to_s(dt) / 3600;
        w->charge_ah += i * h;
        w->true_in_ah += i > 0 ? i * h : 0;
        w->true_out_ah += i < 0 ? -i * h : 0;
        double target_c = w->ambient_c + i * i * w->resistance_ohm * 5;
        w->temperature_c += (target_c - w->temperature_c) * wn_ns_to_s(dt) / (600 + wn_ns_to_s(dt));
        r->unsafe_ah += r->store_failed ? fabs(i) * h : 0;
        r->host_ns += dt;
    }
}

static double terminal_v(const struct rig *r)
{
    const struct world *w = &r->w;
    return 3.0 + 1.2 * w->charge_ah / w->capacity_ah + world_current_a(w) * w->resistance_ohm;
}

static void write_down(struct rig *r, const struct wn_record *rec)
{
    struct book *b = &r->book;
    switch (rec->kind) {
    case WN_RECORD_STEP_BEGIN:
    case WN_RECORD_STEP_END:
        if (rec->u.step.step_number <= BOOK_STEPS) {
            b->step[rec->u.step.step_number - 1] = rec->u.step;
        }
        b->steps = rec->u.step.step_number > b->steps ? (int)rec->u.step.step_number : b->steps;
        if (rec->kind == WN_RECORD_STEP_BEGIN) {
            b->now.open = true;
            b->now.in_check_up = rec->u.step.in_check_up;
            b->now.number = rec->u.step.cycle;
        }
        break;
    case WN_RECORD_CYCLE:
        b->cycle[b->cycles++ % BOOK_ROUNDS] = rec->u.cycle;
        b->now.open = false;
        break;
    case WN_RECORD_CHECK_UP:
        b->check_up[b->check_ups++ % BOOK_ROUNDS] = rec->u.check_up;
        b->now.open = false;
        break;
    case WN_RECORD_EVENT:
        b->event[b->events++ % BOOK_EVENTS] = rec->u.event;
        break;
    case WN_RECORD_INTENT:
        b->intents++;
        break;
    case WN_RECORD_STATE:
        b->state = b->now;
        b->state.there = true;
        b->state.time_ns = rec->u.state.time_ns;
        b->state.in_ah = r->w.true_in_ah;
        b->state.out_ah = r->w.true_out_ah;
        break;
    case WN_RECORD_READING:
        break;
    }
}

static int put(struct rig *r, const struct wn_record *rec, struct wn_error *err)
{
    write_down(r, rec);
    return wn_store_put(wn_campaign_store(r->campaign), rec, err);
}

static int commit(struct rig *r, struct wn_error *err)
{
    wn_utc_us utc = utc_of(r);
    r->book.readings = r->campaign->next_reading;
    r->committing = true;
    int rc = wn_store_commit(wn_campaign_store(r->campaign), utc, err);
    r->committing = false;
    if (rc == WN_OK) {
        r->acknowledged = r->book;
        r->committed_utc = utc;
        r->commits++;
        r->store_failed = false;
    }
    return rc;
}

static void event(struct rig *r, const struct wn_event *first);

static void tell(struct rig *r, enum wn_event_kind kind, const struct wn_error *err)
{
    struct wn_event ev = {.kind = kind, .time_ns = campaign_ns(r), .who = "tester"};
    if (err != NULL) {
        ev.error = *err;
    }
    event(r, &ev);
}

/* The word of the campaign file is written after the records, as a station does. */
static void write_status(struct rig *r)
{
    struct wn_error err;
    const char *word = NULL;
    enum wn_engine_state s = wn_engine_state(r->engine);
    switch (s) {
    case WN_ENGINE_PREPARING:
    case WN_ENGINE_RUNNING:
        word = "running";
        break;
    case WN_ENGINE_PAUSED:
    case WN_ENGINE_HALTED:
    case WN_ENGINE_STOPPED:
    case WN_ENGINE_FINISHED:
        word = wn_engine_state_name(s);
        break;
    case WN_ENGINE_IDLE:
    case WN_ENGINE_SWITCHING_OFF:
        return;
    }
    if ((r->status == NULL || strcmp(r->status, word) != 0) &&
        wn_campaign_set_status(r->campaign, word, utc_of(r), &err) == WN_OK) {
        r->status = word;
    }
}

/* One round of the engine's actions: 0, or why recording failed. */
static int perform(struct rig *r, const struct wn_actions *a, bool *off, bool *on,
                   struct wn_error *err)
{
    int rc = WN_OK;
    for (int i = 0; i < a->n; i++) {
        struct wn_error one = {0};
        int this = WN_OK;
        switch (a->action[i].kind) {
        case WN_ACTION_RECORD:
            this = put(r, a->action[i].u.record, &one);
            break;
        case WN_ACTION_COMMIT:
            this = commit(r, &one);
            break;
        case WN_ACTION_OUTPUT:
            *on = rc == WN_OK;
            *off = false;
            r->w.output = a->action[i].u.output;
            break;
        case WN_ACTION_OFF:
            *off = true;
            *on = false;
            break;
        case WN_ACTION_INTERLOCK:
            r->w.interlock = false;
            break;
        }
        if (this != WN_OK && rc == WN_OK) {
            rc = this;
            *err = one;
        }
    }
    return rc;
}

static void event(struct rig *r, const struct wn_event *first)
{
    struct wn_actions actions;
    struct wn_event next = *first;
    bool off = false, on = false;
    for (bool more = true; more;) {
        struct wn_error err = {0};
        more = false;
        wn_engine_step(r->engine, &next, &actions);
        int rc = perform(r, &actions, &off, &on, &err);
        if (rc != WN_OK && !r->store_failed) {
            r->store_failed = more = true;
            next = (struct wn_event){
                .kind = WN_EVENT_STORE_FAILED, .time_ns = campaign_ns(r), .error = err};
        }
    }
    write_status(r);
    if (off) {
        r->w.on = false;
        tell(r, WN_EVENT_OFF_DONE, NULL);
    } else if (on) {
        r->w.on = true;
        r->outputs++;
        r->unsafe_outputs += r->acknowledged.intents < r->outputs || r->store_failed ? 1 : 0;
        tell(r, WN_EVENT_OUTPUT_DONE, NULL);
    }
}

void rig_command(struct rig *r, enum wn_event_kind kind)
{
    tell(r, kind, NULL);
}

static void housekeeping(struct rig *r)
{
    struct wn_error err = {0};
    int rc = WN_OK;
    bool fast = fabs(world_current_a(&r->w)) > 2; /* much is lost in a minute */
    double every_s = fast ? r->commit_s / 8 : r->commit_s;
    if (r->host_ns - r->commit_ns >= wn_ns_from_s(every_s)) {
        static struct wn_record rec;
        rec.kind = WN_RECORD_STATE;
        wn_engine_save(r->engine, &rec.u.state);
        rc = put(r, &rec, &err);
        rc = rc == WN_OK ? commit(r, &err) : rc;
        r->commit_ns = r->host_ns;
    }
    if (rc == WN_OK && r->host_ns >= r->maintain_ns) {
        rc = wn_campaign_maintain(r->campaign, 0, &err);
        r->maintain_ns = r->host_ns + wn_ns_from_s(r->maintain_s);
    }
    if (rc != WN_OK && !r->store_failed) {
        r->store_failed = true;
        tell(r, WN_EVENT_STORE_FAILED, &err);
    }
}

void rig_turn(struct rig *r)
{
    wn_ns next = wn_engine_next_reading_ns(r->engine) + r->offset_ns;
    advance(r, next > r->host_ns ? next : r->host_ns + WN_NS_PER_MS);
    struct wn_event ev = {.kind = WN_EVENT_READING, .time_ns = campaign_ns(r)};
    ev.reading.time_ns = ev.time_ns;
    ev.reading.voltage_v = terminal_v(r) + r->w.voltage_offset_v;
    ev.reading.current_a = world_current_a(&r->w);
    ev.reading.temperature_c = r->w.temperature_c;
    ev.reading.ambient_c = r->w.ambient_c;
    ev.reading.has = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE | WN_HAS_AMBIENT;
    event(r, &ev);
    housekeeping(r);
}

static bool runs(const struct rig *r)
{
    enum wn_engine_state s = wn_engine_state(r->engine);
    return s == WN_ENGINE_RUNNING || s == WN_ENGINE_PREPARING || s == WN_ENGINE_SWITCHING_OFF;
}

bool rig_run(struct rig *r, double limit_s)
{
    wn_ns end = r->host_ns + wn_ns_from_s(limit_s);
    while (runs(r) && r->host_ns < end) {
        rig_turn(r);
    }
    return !runs(r);
}

void rig_run_cycles(struct rig *r, int cycles)
{
    while (runs(r) && r->book.cycles < cycles) {
        rig_turn(r);
    }
}

static int make_engine(struct rig *r)
{
    void *memory = calloc(1, wn_engine_size());
    return memory == NULL ? WN_ENOMEM : wn_engine_init(memory, &r->w.setup, &r->engine, &r->error);
}

static int begin_session(struct rig *r)
{
    static const struct wn_instrument_record tester = {
        .role = "tester", .dialect = "none", .port = "/dev/none", .identity = "the tester"};
    int rc = wn_campaign_begin_session(r->campaign, utc_of(r), r->host_ns, campaign_ns(r), "boot",
                                       &r->error);
    return rc == WN_OK ? wn_campaign_put_instrument(r->campaign, &tester, &r->error) : rc;
}

int rig_create(struct rig *r)
{
    static struct wn_campaign_info info;
    memset(&info, 0, sizeof info);
    (void)snprintf(info.name, sizeof info.name, "cell-1");
    (void)snprintf(info.station, sizeof info.station, "A");
    info.simulated = true;
    info.cell = r->w.setup.cell;
    info.store_on_change.voltage_v = 0.05;
    info.store_on_change.current_a = 0.5;
    info.store_on_change.temperature_c = 5;
    info.store_on_change.time_s = 600;
    info.created_utc = utc_of(r);
    r->status = NULL;
    int rc = make_engine(r);
    rc = rc == WN_OK ? wn_campaign_create(&r->campaign, r->path, &info, "none", &r->error) : rc;
    rc = rc == WN_OK ? begin_session(r) : rc;
    if (rc == WN_OK) {
        rig_command(r, WN_EVENT_START);
    }
    return rc;
}

enum wn_engine_state rig_saved_state(struct rig *r, struct wn_campaign *c)
{
    static struct wn_state_record state;
    assert_int_equal(wn_campaign_state(c, &state, &r->error), WN_OK);
    assert_int_equal(make_engine(r), WN_OK);
    assert_int_equal(wn_engine_restore(r->engine, &state, &r->error), WN_OK);
    enum wn_engine_state s = wn_engine_state(r->engine);
    free(r->engine);
    r->engine = NULL;
    return s;
}

int rig_reopen(struct rig *r)
{
    static struct wn_state_record state;
    char status[32] = "";
    wn_utc_us last = 0;
    int rc = wn_campaign_open(&r->campaign, r->path, &r->error);
    rc = rc == WN_OK ? make_engine(r) : rc;
    rc = rc == WN_OK ? wn_campaign_status(r->campaign, status, sizeof status, &r->error) : rc;
    rc = rc == WN_OK ? wn_campaign_state(r->campaign, &state, &r->error) : rc;
    rc = rc == WN_OK ? wn_engine_restore(r->engine, &state, &r->error) : rc;
    rc = rc == WN_OK ? wn_campaign_state_utc(r->campaign, &last, &r->error) : rc;
    if (rc != WN_OK) {
        return rc;
    }
    wn_utc_us outage_us = utc_of(r) - last;
    bool believable = last > 0 && outage_us > 0 && outage_us < INT64_C(90) * 86400 * 1000000;
    r->offset_ns = r->host_ns - state.time_ns - (believable ? outage_us * 1000 : 0);
    r->commit_ns = r->maintain_ns = r->host_ns;
    r->store_failed = false;
    r->status = NULL;
    rc = begin_session(r);
    if (rc == WN_OK && strcmp(status, "running") == 0 &&
        wn_engine_state(r->engine) == WN_ENGINE_PAUSED) {
        rig_command(r, WN_EVENT_RESUME);
    }
    return rc;
}

void rig_power_lost(struct rig *r, double tail_s, double outage_s)
{
    r->campaign = NULL; /* of the process that is gone */
    r->engine = NULL;
    r->store_failed = false;
    advance(r, r->host_ns + wn_ns_from_s(tail_s));
    r->w.on = false;
    advance(r, r->host_ns + wn_ns_from_s(outage_s));
}

void rig_close(struct rig *r)
{
    wn_campaign_close(r->campaign);
    free(r->engine);
    r->campaign = NULL;
    r->engine = NULL;
}

void rig_recorded(const struct rig *r, double *in_ah, double *out_ah)
{
    *in_ah = *out_ah = 0;
    for (int i = 0; i < r->book.steps; i++) {
        *in_ah += r->book.step[i].sums.charge_in_ah;
        *out_ah += r->book.step[i].sums.charge_out_ah;
    }
}
