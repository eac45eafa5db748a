/* A world for the engine.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/near.h"
#include "support/world.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *const mode_names[] = {[WN_OUTPUT_OFF] = "off",
                                         [WN_OUTPUT_CHARGE] = "charge",
                                         [WN_OUTPUT_DISCHARGE] = "discharge",
                                         [WN_OUTPUT_POWER] = "power"};

static void tell(struct world *w, const char *fmt, ...) __attribute__((format(printf, 2, 3)));

static void tell(struct world *w, const char *fmt, ...)
{
    int n = snprintf(w->trace + w->trace_len, sizeof w->trace - w->trace_len, "[%9.1f] ",
                     wn_ns_to_s(w->now_ns));
    w->trace_len += (size_t)n;
    va_list args;
    va_start(args, fmt);
    n = vsnprintf(w->trace + w->trace_len, sizeof w->trace - w->trace_len, fmt, args);
    va_end(args);
    w->trace_len += (size_t)n;
    assert_true(w->trace_len + 2 < sizeof w->trace);
    w->trace[w->trace_len++] = '\n';
    w->trace[w->trace_len] = '\0';
}

static double ocv_v(const struct world *w)
{
    return 3.0 + 1.2 * w->charge_ah / w->capacity_ah;
}

/* What flows at this instant, by the laws of the instrument. */
double world_current_a(const struct world *w)
{
    if (w->leak && w->interlock) {
        return 1.0;
    }
    if (!w->on || !w->interlock) {
        return 0;
    }
    double limit_a;
    switch (w->output.mode) {
    case WN_OUTPUT_CHARGE:
        limit_a = (w->output.voltage_v - ocv_v(w)) / w->resistance_ohm;
        return fmax(0, fmin(w->output.current_a, limit_a));
    case WN_OUTPUT_DISCHARGE:
        return -w->output.current_a;
    case WN_OUTPUT_POWER:
        return -w->output.power_w / (ocv_v(w) - 0.05);
    case WN_OUTPUT_OFF:
    case WN_OUTPUT_FOLLOW: /* this one is driven */
        break;
    }
    return 0;
}

static double hidden_a(const struct world *w)
{
    return w->interlock ? w->hidden_a : 0;
}

static double terminal_v(const struct world *w)
{
    return ocv_v(w) + (world_current_a(w) + hidden_a(w)) * w->resistance_ohm;
}

static void advance(struct world *w, wn_ns to)
{
    while (w->now_ns < to) {
        wn_ns dt = to - w->now_ns;
        if (dt > WN_NS_PER_S / 10 && w->on) {
            dt = WN_NS_PER_S / 10;
        }
        double i = world_current_a(w) + hidden_a(w), h = wn_ns_to_s(dt) / 3600;
        w->charge_ah += i * h;
        w->true_in_ah += i > 0 ? i * h : 0;
        w->true_out_ah += i < 0 ? -i * h : 0;
        double target = w->ambient_c + i * i * w->resistance_ohm * 5;
        w->temperature_c += (target - w->temperature_c) * (1 - exp(-wn_ns_to_s(dt) / 600));
        w->now_ns += dt;
    }
}

static void keep(struct world *w, const struct wn_record *r)
{
    switch (r->kind) {
    case WN_RECORD_READING:
        w->readings++;
        if (w->on_reading != NULL) {
            w->on_reading(w->on_reading_arg, &r->u.reading.reading);
        }
        break;
    case WN_RECORD_STEP_BEGIN:
        tell(w, "step %d: %s", (int)r->u.step.step_number, r->u.step.description);
        break;
    case WN_RECORD_STEP_END:
        w->step[w->steps++ % WORLD_KEPT_MAX] = r->u.step;
        tell(w, "step %d ended by %s", (int)r->u.step.step_number, r->u.step.ended_by);
        break;
    case WN_RECORD_CYCLE:
        w->cycle[w->cycles++ % WORLD_KEPT_MAX] = r->u.cycle;
        tell(w, "cycle %d: %.4f Ah, flags %#x", (int)r->u.cycle.cycle, r->u.cycle.capacity_ah.value,
             r->u.cycle.flags);
        break;
    case WN_RECORD_CHECK_UP:
        w->check_up[w->check_ups++ % 32] = r->u.check_up;
        break;
    case WN_RECORD_EVENT:
        tell(w, "%s%s: %s", r->u.event.severity == WN_SEVERITY_ALARM ? "ALARM " : "",
             r->u.event.kind, r->u.event.text);
        break;
    case WN_RECORD_INTENT:
        w->intents_pending++;
        break;
    case WN_RECORD_STATE:
        w->pending_state = r->u.state;
        break;
    }
}

static void send(struct world *w, const struct wn_event *ev);

static void answer(struct world *w, enum wn_event_kind kind, int code, const char *text)
{
    struct wn_event ev = {.kind = kind, .time_ns = w->now_ns};
    if (code != WN_OK) {
        (void)wn_error_set(&ev.error, code, "%s", text);
    }
    send(w, &ev);
}

/* A failure takes its time: the engine hears of it at the next turn. */
static void answer_later(struct world *w, int code, const char *text)
{
    w->answer = (struct wn_event){.kind = WN_EVENT_FAULT};
    (void)wn_error_set(&w->answer.error, code, "%s", text);
    w->has_answer = true;
}

static void switch_off(struct world *w)
{
    tell(w, "off");
    if (w->mute) {
        answer_later(w, WN_ETIMEOUT, "tester is silent");
    } else if (w->off_fails) {
        answer_later(w, WN_EREADBACK, "output is still on");
    } else {
        if (!w->stuck_on) {
            w->shown_a = world_current_a(w);
            w->off_ns = w->now_ns;
            w->on = false;
            w->leak = false;
        }
        answer(w, WN_EVENT_OFF_DONE, WN_OK, "");
    }
}

static void switch_on(struct world *w, const struct wn_output *o)
{
    assert_true(w->intents_committed > w->outputs); /* the intent was durable before */
    w->outputs++;
    w->output = *o;
    w->on = true;
    tell(w, "on: %s %.2f A", mode_names[o->mode], o->current_a);
    answer(w, WN_EVENT_OUTPUT_DONE, WN_OK, "");
}

static void send(struct world *w, const struct wn_event *ev)
{
    struct wn_actions actions;
    bool failed = false, wants_off = false, wants_on = false;
    struct wn_output output = {0};
    wn_engine_step(w->engine, ev, &actions);
    for (int i = 0; i < actions.n && !failed; i++) {
        const struct wn_action *a = &actions.action[i];
        switch (a->kind) {
        case WN_ACTION_RECORD:
            keep(w, a->u.record);
            break;
        case WN_ACTION_COMMIT:
            failed = w->store_fails;
            if (!failed) {
                w->intents_committed += w->intents_pending;
                w->intents_pending = 0;
                w->committed_state = w->pending_state;
            }
            break;
        case WN_ACTION_OUTPUT:
            wants_on = true;
            output = a->u.output;
            break;
        case WN_ACTION_OFF:
            wants_off = true;
            wants_on = false;
            break;
        case WN_ACTION_INTERLOCK:
            w->interlock = false;
            tell(w, "interlock dropped");
            break;
        }
    }
    if (wants_off) {
        switch_off(w);
    }
    if (failed && ev->kind != WN_EVENT_STORE_FAILED) {
        answer(w, WN_EVENT_STORE_FAILED, WN_ENOSPACE, "no space left");
    } else if (wants_on && !failed) {
        switch_on(w, &output);
    }
}

void world_command(struct world *w, enum wn_event_kind kind)
{
    struct wn_event ev = {.kind = kind, .time_ns = w->now_ns, .who = "tester"};
    send(w, &ev);
}

void world_turn(struct world *w)
{
    wn_ns next = wn_engine_next_reading_ns(w->engine);
    advance(w, next > w->now_ns ? next : w->now_ns + WN_NS_PER_MS);
    if (w->has_answer) {
        w->has_answer = false;
        w->answer.time_ns = w->now_ns;
        send(w, &w->answer);
        return;
    }
    if (w->mute) {
        answer(w, WN_EVENT_FAULT, WN_ETIMEOUT, "tester is silent");
        return;
    }
    struct wn_event ev = {.kind = WN_EVENT_READING, .time_ns = w->now_ns};
    ev.reading.time_ns = w->now_ns;
    w->shown_v = w->voltage_frozen ? w->shown_v : terminal_v(w) + w->voltage_offset_v;
    ev.reading.voltage_v = w->shown_v;
    ev.reading.current_a = world_current_a(w);
    if (w->one_zero_current) {
        w->one_zero_current = false;
        ev.reading.current_a = 0;
    }
    if (!w->on && wn_ns_to_s(w->now_ns - w->off_ns) < w->ammeter_lag_s) {
        ev.reading.current_a = w->shown_a;
    }
    ev.reading.temperature_c = w->temperature_c + w->temperature_offset_c;
    ev.reading.ambient_c = w->ambient_c;
    ev.reading.has = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE | WN_HAS_AMBIENT;
    send(w, &ev);
    if (w->commit_s > 0 && w->now_ns - w->committed_ns >= wn_ns_from_s(w->commit_s)) {
        w->committed_ns = w->now_ns;
        wn_engine_save(w->engine, &w->committed_state);
    }
}

void world_until(struct world *w, enum wn_engine_state state, double limit_s)
{
    wn_ns end = w->now_ns + wn_ns_from_s(limit_s);
    while (wn_engine_state(w->engine) != state) {
        if (w->now_ns > end) {
            print_error("%s", w->trace);
            fail_msg("engine is %s, not %s, after %.0f s",
                     wn_engine_state_name(wn_engine_state(w->engine)), wn_engine_state_name(state),
                     limit_s);
        }
        world_turn(w);
    }
}

void world_for(struct world *w, double seconds)
{
    wn_ns end = w->now_ns + wn_ns_from_s(seconds);
    while (w->now_ns < end) {
        world_turn(w);
    }
}

void world_until_output(struct world *w, enum wn_output_mode mode)
{
    wn_ns end = w->now_ns + INT64_C(360000) * WN_NS_PER_S;
    while (!(w->on && w->output.mode == mode)) {
        assert_true(w->now_ns < end);
        world_turn(w);
    }
}

void world_boot(struct world *w)
{
    struct wn_error err = {0};
    void *memory = calloc(1, wn_engine_size());
    assert_non_null(memory);
    int rc = wn_engine_init(memory, &w->setup, &w->engine, &err);
    if (rc != WN_OK) {
        fail_msg("engine refuses the set-up: %s", err.text);
    }
}

void world_shutdown(struct world *w)
{
    free(w->engine);
    w->engine = NULL;
}

void world_kill_and_restart(struct world *w)
{
    struct wn_error err = {0};
    world_shutdown(w);
    w->on = false; /* the guard's deed */
    w->intents_pending = 0;
    tell(w, "killed");
    world_boot(w);
    int rc = wn_engine_restore(w->engine, &w->committed_state, &err);
    if (rc != WN_OK) {
        fail_msg("restore: %s", err.text);
    }
}

void world_clear_trace(struct world *w)
{
    w->trace_len = 0;
    w->trace[0] = '\0';
}

bool world_told(const struct world *w, const char *text)
{
    return strstr(w->trace, text) != NULL;
}

void expect_trace(struct world *w, const char *want)
{
    if (strcmp(w->trace, want) != 0) {
        print_error("--- expected\n%s--- actual\n%s---\n", want, w->trace);
        fail_msg("the story went differently");
    }
    world_clear_trace(w);
}

static struct wn_step *add_step(struct wn_procedure *p, enum wn_step_kind kind)
{
    struct wn_step *s = &p->step[p->steps++];
    memset(s, 0, sizeof *s);
    s->kind = kind;
    s->time_limit_s = 8 * 3600;
    return s;
}

static void add_charge_and_rest(struct wn_procedure *p, double current_a)
{
    struct wn_step *s = add_step(p, WN_STEP_CHARGE);
    s->current_a = current_a;
    s->voltage_v = 4.2;
    s->until_current_a = 0.1;
    add_step(p, WN_STEP_REST)->duration_s = 3600;
}

static void add_discharge_and_rest(struct wn_procedure *p, double current_a)
{
    struct wn_step *s = add_step(p, WN_STEP_DISCHARGE);
    s->current_a = current_a;
    s->until_voltage_v = 2.9;
    add_step(p, WN_STEP_REST)->duration_s = 3600;
}

static void add_check_up(struct wn_procedure *p, int every)
{
    p->check_up_every = every;
    p->check_up_first_step = p->steps;
    add_charge_and_rest(p, 1.25);
    struct wn_step *s = add_step(p, WN_STEP_PULSE);
    s->levels = 2;
    s->level[0] = (struct wn_level){0.5, 10};
    s->level[1] = (struct wn_level){2.5, 1};
    s->until_voltage_v = 2.9;
    add_discharge_and_rest(p, 0.5);
    p->check_up_steps = p->steps - p->check_up_first_step;
}

static void set_limits(struct wn_limits *l)
{
    *l = (struct wn_limits){.voltage_max_v = 4.25,
                            .voltage_min_v = 2.5,
                            .charge_temperature_min_c = 0,
                            .charge_temperature_max_c = 45,
                            .discharge_temperature_min_c = -20,
                            .discharge_temperature_max_c = 60,
                            .rest_temperature_max_c = 60,
                            .temperature_rise_k_per_min = 10,
                            .above_ambient_k = 35,
                            .charge_current_max_a = 4,
                            .discharge_current_max_a = 10,
                            .set_point_tolerance_a = 0.05,
                            .set_point_tolerance = 0.01,
                            .off_current_a = 0.02,
                            .charge_max_ah = 3.2,
                            .voltage_jump_v = 0.3,
                            .temperature_fall_k_per_min = 10,
                            .below_ambient_k = 8,
                            .thermometer_frozen_s = 1200,
                            .charge_excess = 0.15,
                            .frozen_s = 600,
                            .voltage_frozen = 0.1,
                            .unwatched_s = 60,
                            .contact_ohm = 0.3,
                            .rest_sag_v = 0.1,
                            .capacity_collapse = 0.2,
                            .needs_temperature = true};
}

void world_setup(struct world *w, int cycles, int check_up_every)
{
    memset(w, 0, sizeof *w);
    w->capacity_ah = 2.5;
    w->charge_ah = 1.0;
    w->resistance_ohm = 0.025;
    w->temperature_c = w->ambient_c = 23;
    w->interlock = true;
    struct wn_procedure *p = &w->setup.procedure;
    (void)snprintf(p->name, sizeof p->name, "story");
    (void)snprintf(w->setup.cell.name, sizeof w->setup.cell.name, "test-cell");
    add_charge_and_rest(p, 4);
    add_discharge_and_rest(p, 10);
    p->phases = 1;
    p->phase[0] = (struct wn_phase){"cycles", 0, p->steps, cycles, true};
    if (check_up_every > 0) {
        add_check_up(p, check_up_every);
    }
    p->resistance_delay_s = 1;
    p->ambient_min_c = 15;
    p->ambient_max_c = 25;
    p->rest_min_s = 3600;
    set_limits(&w->setup.limits);
    w->setup.reading_interval_s = 1;
    w->setup.rest_interval_s = 60;
    w->setup.fast_interval_s = 0.1;
    w->setup.gap_max_s = 5;
    w->setup.off_timeout_s = 3;
    w->setup.pause_recovery_s = 3600;
    w->setup.restart_voltage_tolerance_v = 0.4;
    world_boot(w);
}
