/* Engine: one event in, actions out.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "engine/core.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"

/* Within so much of the set voltage a charge may be in its constant-voltage part, where the current
 * is free. */
#define CV_BAND_V 0.03

/* So long after the output went off a voltage may jump by itself. */
#define SWAP_AFTER_NS (60 * WN_NS_PER_S)

enum {
    LASTING_FAULTS = 6
}; /* about a minute, with the station's growing pauses between its tries */

size_t wn_engine_size(void)
{
    return sizeof(struct wn_engine);
}

static int check_setup(const struct wn_engine_setup *s, struct wn_error *err)
{
    if (!(s->reading_interval_s > 0) || !(s->rest_interval_s > 0) || !(s->fast_interval_s > 0) ||
        !(s->off_timeout_s > 0)) {
        return wn_error_set(err, WN_EINVAL, "reading intervals and off time-out must be positive");
    }
    if (s->gap_max_s < 3 * s->reading_interval_s) {
        return wn_error_set(err, WN_EINVAL,
                            "gap_max (%.3f s) must be at least three reading intervals (%.3f s)",
                            s->gap_max_s, 3 * s->reading_interval_s);
    }
    if (!(s->limits.voltage_max_v > s->limits.voltage_min_v)) {
        return wn_error_set(err, WN_EINVAL, "voltage_max must be above voltage_min");
    }
    return WN_OK;
}

int wn_engine_init(void *memory, const struct wn_engine_setup *setup, struct wn_engine **out,
                   struct wn_error *err)
{
    const struct wn_procedure_bounds bounds = {
        .charge_current_max_a = setup->limits.charge_current_max_a,
        .discharge_current_max_a = setup->limits.discharge_current_max_a,
        .charge_voltage_max_v = setup->limits.voltage_max_v,
        .discharge_voltage_min_v = setup->limits.voltage_min_v,
    };
    int rc = check_setup(setup, err);
    if (rc == WN_OK) {
        rc = wn_procedure_validate(&setup->procedure, &bounds, setup->procedure.name, err);
    }
    if (rc != WN_OK) {
        return rc;
    }
    struct wn_engine *e = memory;
    memset(e, 0, sizeof *e);
    e->setup = *setup;
    wn_envelope_init(&e->envelope, &setup->limits);
    wn_position_init(&e->c.position, &e->setup.procedure);
    e->c.state = WN_ENGINE_IDLE;
    e->c.first_capacity_ah = e->c.last_capacity_ah = NAN;
    e->c.emptied_a = e->c.emptied_v = e->c.taken_out_ah = NAN;
    e->c.steady_capacity_ah = e->c.steady_a = e->c.steady_v = NAN;
    e->beyond_v = NAN;
    if (setup->listens) {
        follow_init(e);
    }
    *out = e;
    return WN_OK;
}

void wn_engine_set_accuracy(struct wn_engine *e, const struct wn_accuracy *accuracy)
{
    e->setup.accuracy = *accuracy;
    e->f.listen.setup.accuracy = *accuracy; /* used where the station listens */
}

/* Off first, whatever the instrument is doing; then look at the cell before anything goes on. */
static void prepare(struct wn_engine *e)
{
    e->c.state = WN_ENGINE_PREPARING;
    e->c.good_readings = 0;
    e->c.off_confirmed = false;
    e->c.off_since_ns = e->c.now_ns;
    e->c.changed_ns = e->c.now_ns;
    emit_off(e);
}

static void on_start(struct wn_engine *e, const char *who)
{
    if (e->setup.listens) {
        follow_start(e, who);
        return;
    }
    prepare(e); /* what is saved must be what is being done */
    emit_event(e, WN_SEVERITY_INFO, "started", "%s on cell %s, %lld cycles, by %s",
               e->setup.procedure.name, e->setup.cell.name,
               (long long)wn_procedure_cycles(&e->setup.procedure), who);
    emit_state(e);
    emit_commit(e);
}

static void on_resume(struct wn_engine *e, const char *who)
{
    if (e->setup.listens) {
        follow_resume(e, who);
        return;
    }
    if (e->c.has_reading &&
        wn_ns_to_s(e->c.now_ns - e->c.paused_since_ns) > e->setup.pause_recovery_s) {
        e->c.next_flags |= WN_FLAG_AFTER_PAUSE;
    }
    prepare(e);
    emit_event(e, WN_SEVERITY_INFO, "resumed", "by %s", who);
    emit_state(e);
    emit_commit(e);
}

static void on_pause(struct wn_engine *e, const char *who)
{
    round_flag(e, WN_FLAG_INTERRUPTED);
    if (e->c.state == WN_ENGINE_SWITCHING_OFF) {
        e->c.after_off = AFTER_OFF_PAUSED; /* off is on its way already, between two steps */
    } else {
        off_begin(e, AFTER_OFF_PAUSED);
    }
    emit_event(e, WN_SEVERITY_INFO, "pausing", "by %s", who);
    emit_state(e); /* ordered is ordered, whatever happens next */
    emit_commit(e);
}

static void on_stop(struct wn_engine *e, const char *who)
{
    e->c.stop_ordered = false;
    round_flag(e, WN_FLAG_INTERRUPTED);
    if (e->setup.listens && !follow_can_stop(e)) { /* there is nothing to wait for */
        off_settle(e, AFTER_OFF_STOPPED);
    } else if (e->c.state != WN_ENGINE_SWITCHING_OFF) {
        off_begin(e, AFTER_OFF_STOPPED);
    } else { /* off is on its way: its attempts go on being counted, and a halt stays a halt */
        emit_off(e);
        bool fixed = e->c.after_off == AFTER_OFF_HALTED || e->c.after_off == AFTER_OFF_FINISHED;
        e->c.stop_ordered = e->c.after_off == AFTER_OFF_HALTED; /* once it is acknowledged */
        e->c.after_off = fixed ? e->c.after_off : AFTER_OFF_STOPPED;
    }
    emit_event(e, WN_SEVERITY_INFO, "stopping", "by %s", who);
    emit_state(e);
    emit_commit(e);
}

static void on_acknowledge(struct wn_engine *e, const char *who)
{
    emit_event(e, WN_SEVERITY_INFO, "acknowledged", "by %s: %s", who, e->c.halt_text);
    e->c.alarm = false;
    if (e->c.state == WN_ENGINE_HALTED) {
        e->c.state = WN_ENGINE_PAUSED;
    }
    e->c.halt_rule[0] = e->c.halt_text[0] = '\0';
    emit_state(e);
    emit_commit(e);
    if (e->c.stop_ordered && e->c.state == WN_ENGINE_PAUSED) {
        on_stop(e, "the order given before the halt was over");
    }
}

int wn_engine_may(const struct wn_engine *e, enum wn_event_kind command, struct wn_error *err)
{
    enum wn_engine_state s = e->c.state;
    const char *name = wn_engine_state_name(s);
    bool over = s == WN_ENGINE_STOPPED || s == WN_ENGINE_FINISHED;
    if (command == WN_EVENT_START && s != WN_ENGINE_IDLE) {
        return wn_error_set(err, WN_ESTATE, "campaign has been started already; it is %s", name);
    }
    if (command == WN_EVENT_STOP && (over || s == WN_ENGINE_IDLE)) {
        return wn_error_set(err, WN_ESTATE, "campaign is %s already", name);
    }
    if (command == WN_EVENT_PAUSE) {
        bool halting = s == WN_ENGINE_SWITCHING_OFF && e->c.after_off != AFTER_OFF_NEXT_STEP;
        if (halting ||
            (s != WN_ENGINE_RUNNING && s != WN_ENGINE_PREPARING && s != WN_ENGINE_SWITCHING_OFF)) {
            return wn_error_set(err, WN_ESTATE, "nothing is running; campaign is %s", name);
        }
    }
    if (command == WN_EVENT_PAUSE && e->setup.listens && !follow_can_stop(e)) {
        return wn_error_set(err, WN_ESTATE,
                            "nothing on this station stops the tester: pause it there, a rest is "
                            "no fault");
    }
    if (command == WN_EVENT_ACKNOWLEDGE && !e->c.alarm) {
        return wn_error_set(err, WN_ESTATE, "no alarm is waiting to be acknowledged");
    }
    if (command == WN_EVENT_ACKNOWLEDGE && s == WN_ENGINE_SWITCHING_OFF) {
        return wn_error_set(err, WN_ESTATE, "output is not verified off yet: go to the bench");
    }
    if (command == WN_EVENT_RESUME) {
        if (s == WN_ENGINE_HALTED || (e->c.alarm && s == WN_ENGINE_PAUSED)) {
            return wn_error_set(
                err, WN_ESTATE,
                "an alarm is latched (%s): find the cause, then acknowledge it first",
                e->c.halt_text);
        }
        if (e->c.stop_ordered) {
            return wn_error_set(err, WN_ESTATE, "the end of the campaign was ordered: stop it");
        }
        if (s != WN_ENGINE_PAUSED) {
            return wn_error_set(err, WN_ESTATE, "nothing to resume; campaign is %s", name);
        }
    }
    return WN_OK;
}

static double pulse_s(const struct wn_step *s)
{
    double all_s = 0;
    for (int i = 0; i < s->levels; i++) {
        all_s += s->level[i].duration_s;
    }
    return all_s;
}

static struct wn_envelope_context context(const struct wn_engine *e, const struct wn_reading *r)
{
    struct wn_envelope_context c = {
        .output_on =
            e->c.output_on && (e->c.step.output_done || e->c.state == WN_ENGINE_SWITCHING_OFF),
        .direction = 0,
        .set_current_a = NAN,
        .current_max_set_a = NAN,
        .since_change_ns = e->c.changed_ns,
        .step_charge_ah = 0,
        .set_power_w = NAN,
        .charge_expected_ah = NAN,
        .step_s = NAN,
        .step_time_limit_s = NAN,
    };
    if (!c.output_on || e->c.state != WN_ENGINE_RUNNING) {
        return c; /* going off: the current is on its way down and judged by off_reading() */
    }
    const struct wn_output *o = &e->c.output;
    c.direction = o->mode == WN_OUTPUT_CHARGE ? 1 : -1;
    if (o->mode == WN_OUTPUT_POWER) {
        c.set_power_w = o->power_w;
    } else {
        c.current_max_set_a = o->current_a;
        bool below = (r->has & WN_HAS_VOLTAGE) != 0 && r->voltage_v < o->voltage_v - CV_BAND_V;
        bool cv = o->mode == WN_OUTPUT_CHARGE && !below;
        c.set_current_a = cv ? NAN : o->current_a;
    }
    const struct wn_step *s = step_spec(e);
    c.step_s = step_active_s(e);
    c.step_time_limit_s = s->kind == WN_STEP_PULSE ? pulse_s(s) : s->time_limit_s;
    bool whole = (e->c.round.flags & (WN_FLAG_INTERRUPTED | WN_FLAG_GAP)) == 0;
    c.charge_expected_ah = whole ? e->c.taken_out_ah : NAN;
    const struct wn_integrator *g = &e->c.step.sums;
    c.step_charge_ah = (wn_sum_value(&g->charge_in) + wn_sum_value(&g->charge_out)) / 3600.0;
    return c;
}

static void hold(struct wn_engine *e, enum wn_fault fault, const char *why)
{
    e->c.state = WN_ENGINE_PAUSED;
    e->c.alarm = true;
    (void)snprintf(e->c.halt_rule, sizeof e->c.halt_rule, "%s", wn_fault_word(fault));
    (void)snprintf(e->c.halt_text, sizeof e->c.halt_text, "%s", why);
    emit_event(e, WN_SEVERITY_ALARM, wn_fault_word(fault), "%s", why);
    emit_state(e);
    emit_commit(e);
}

static void preparing_reading(struct wn_engine *e, const struct wn_reading *r)
{
    unsigned need = WN_HAS_VOLTAGE | WN_HAS_CURRENT;
    if (!e->c.off_confirmed || (r->has & need) != need) {
        return;
    }
    if (fabs(r->current_a) > e->setup.limits.off_current_a) {
        e->c.good_readings = 0;
        if (wn_ns_to_s(e->c.now_ns - e->c.off_since_ns) > e->setup.off_timeout_s) {
            halt(e, "current_while_off",
                 "current flows although the output is off, before the start");
        }
        return;
    }
    if (++e->c.good_readings < PREPARE_READINGS) {
        return;
    }
    double away_v = fabs(r->voltage_v - e->c.expected_rest_v);
    if (e->c.check_restart && away_v > e->setup.restart_voltage_tolerance_v) {
        char why[200];
        (void)snprintf(
            why, sizeof why,
            "cell voltage is %.3f V, but %.3f V were expected after the interruption (tolerance "
            "%.3f V): is it the same cell? Acknowledge, then resume or stop",
            r->voltage_v, e->c.expected_rest_v, e->setup.restart_voltage_tolerance_v);
        e->c.check_restart = false; /* the operator decides from here on */
        hold(e, WN_FAULT_HELD, why);
        return;
    }
    e->c.check_restart = false;
    e->c.state = WN_ENGINE_RUNNING;
    step_resume(e);
}

static void record_reading(struct wn_engine *e, const struct wn_reading *r)
{
    struct wn_record *rec = emit_record(e, WN_RECORD_READING);
    rec->u.reading.reading = *r;
    rec->u.reading.step_number = e->c.step.number;
}

/* A while into a pause the voltage of a cell wanders and does not jump: it may be taken out, and
 * another one put in. Compared when somebody resumes; whoever puts the same one back is not asked.
 */
static void look_for_another_cell(struct wn_engine *e, const struct wn_reading *r)
{
    const struct wn_reading *last = &e->c.reading;
    bool waits = e->c.state == WN_ENGINE_PAUSED || e->c.state == WN_ENGINE_HALTED;
    bool both = e->c.has_reading && (r->has & last->has & WN_HAS_VOLTAGE) != 0;
    if (waits && both && !e->c.check_restart && e->c.now_ns - e->c.changed_ns > SWAP_AFTER_NS &&
        last->voltage_v >= e->setup.limits.voltage_min_v &&
        fabs(r->voltage_v - last->voltage_v) > e->setup.restart_voltage_tolerance_v) {
        expect_same_cell(&e->c);
    }
}

static void on_reading(struct wn_engine *e, const struct wn_reading *r)
{
    if (e->setup.listens) {
        follow_reading(e, r);
        return;
    }
    if (e->c.has_reading && r->time_ns < e->c.reading.time_ns) {
        halt(e, wn_fault_word(WN_FAULT_CLOCK_BACK),
             "time of the readings went back: the instrument was reset");
        if (e->c.state == WN_ENGINE_SWITCHING_OFF) {
            off_reading(e, r); /* its time is wrong, its current is not */
        }
        return;
    }
    if (e->c.has_reading) {
        step_pass_over(e, r->time_ns - e->c.reading.time_ns);
    }
    look_for_another_cell(e, r);
    e->c.reading = *r;
    e->c.has_reading = true;
    e->c.faults_in_a_row = 0;
    unsigned whole = WN_HAS_VOLTAGE | WN_HAS_CURRENT;
    struct wn_envelope_context c = context(e, r);
    struct wn_envelope_verdict v;
    wn_envelope_judge(&e->envelope, r, &c, &v);
    e->in_doubt = v.in_doubt;
    if ((r->has & whole) == whole) {
        record_reading(e, r);
    }
    bool active = e->c.state == WN_ENGINE_RUNNING || e->c.state == WN_ENGINE_PREPARING ||
                  e->c.state == WN_ENGINE_SWITCHING_OFF;
    if (!active) {
        watch_reading(e, v.holding);
        return;
    }
    react(e, &v);
    if (e->c.state == WN_ENGINE_SWITCHING_OFF) {
        off_reading(e, r);
    } else if ((r->has & whole) == whole && e->c.state == WN_ENGINE_PREPARING) {
        preparing_reading(e, r);
    } else if ((r->has & whole) == whole && e->c.state == WN_ENGINE_RUNNING && e->c.waiting) {
        step_resume(e);
    } else if ((r->has & whole) == whole && e->c.state == WN_ENGINE_RUNNING) {
        step_reading(e, r);
    }
}

static const char *fault_word(int code)
{
    switch (code) {
    case WN_ETIMEOUT:
        return wn_fault_word(WN_FAULT_SILENCE);
    case WN_EGONE:
        return wn_fault_word(WN_FAULT_PORT_GONE);
    case WN_EIDENTITY:
        return wn_fault_word(WN_FAULT_WRONG_IDENTITY);
    case WN_EREADBACK:
        return wn_fault_word(WN_FAULT_READ_BACK);
    case WN_EFRAME:
        return wn_fault_word(WN_FAULT_GARBLED);
    default:
        return wn_fault_word(WN_FAULT_INSTRUMENT_FAULT);
    }
}

/* Nobody sees the cell for a while. What is already to be compared stays what it is. */
static void expect_cell_again(struct wn_engine *e)
{
    if (!e->c.check_restart) {
        expect_same_cell(&e->c);
    }
}

/* Nothing runs. An instrument that is on although told off is an emergency all the same; one that
 * stays silent is told, and becomes an alarm when it lasts: nobody watches the cell. */
static void watch_fault(struct wn_engine *e, const struct wn_error *error)
{
    bool live = e->c.state == WN_ENGINE_PAUSED || e->c.state == WN_ENGINE_HALTED;
    bool over = e->c.state == WN_ENGINE_STOPPED || e->c.state == WN_ENGINE_FINISHED;
    if (error->code == WN_EREADBACK && over) {
        off_again(e, fault_word(error->code), error->text);
        return;
    }
    if (error->code == WN_EREADBACK && live) {
        halt(e, fault_word(error->code), error->text);
        if (e->c.state != WN_ENGINE_SWITCHING_OFF) {
            off_begin(e, AFTER_OFF_HALTED);
        }
        off_failed(e, error);
        return;
    }
    if (live) {
        expect_cell_again(e);
    }
    bool lasts = live && e->c.faults_in_a_row == LASTING_FAULTS;
    if (lasts || e->c.now_ns >= e->c.rewarn_ns) {
        e->c.rewarn_ns = e->c.now_ns + (lasts ? INT64_C(900) : 60) * WN_NS_PER_S;
        if (lasts) {
            raise_alarm(e, fault_word(error->code), error->text);
        }
        emit_event(e, lasts ? WN_SEVERITY_ALARM : WN_SEVERITY_WARNING, fault_word(error->code),
                   "%s%s", lasts ? "nobody watches the cell: " : "", error->text);
        emit_state(e);
        emit_commit(e);
    }
}

static void on_fault(struct wn_engine *e, const struct wn_error *error)
{
    e->c.faults_in_a_row++;
    switch (e->c.state) {
    case WN_ENGINE_RUNNING:
    case WN_ENGINE_PREPARING:
        halt(e, fault_word(error->code), error->text);
        expect_cell_again(e);
        break;
    case WN_ENGINE_SWITCHING_OFF:
        expect_cell_again(e);
        off_failed(e, error);
        break;
    case WN_ENGINE_IDLE:
    case WN_ENGINE_PAUSED:
    case WN_ENGINE_HALTED:
    case WN_ENGINE_STOPPED:
    case WN_ENGINE_FINISHED:
        watch_fault(e, error);
        break;
    }
}

/* Without the guard nothing may be on. The campaign is not at fault: it is paused, and goes on by
 * the restart policy. */
static void on_guard_lost(struct wn_engine *e)
{
    struct wn_error not_running;
    if (wn_engine_may(e, WN_EVENT_PAUSE, &not_running) == WN_OK) {
        on_pause(e, "loss of the guard");
    }
    emit_event(e, WN_SEVERITY_WARNING, wn_fault_word(WN_FAULT_GUARD_LOST),
               "the guard process is gone: output off, the station ends");
    emit_commit(e);
}

static void dispatch(struct wn_engine *e, const struct wn_event *ev)
{
    switch (ev->kind) {
    case WN_EVENT_START:
        on_start(e, ev->who);
        break;
    case WN_EVENT_RESUME:
        on_resume(e, ev->who);
        break;
    case WN_EVENT_PAUSE:
        on_pause(e, ev->who);
        break;
    case WN_EVENT_STOP:
        on_stop(e, ev->who);
        break;
    case WN_EVENT_ACKNOWLEDGE:
        on_acknowledge(e, ev->who);
        break;
    case WN_EVENT_READING:
        on_reading(e, &ev->reading);
        break;
    case WN_EVENT_OUTPUT_DONE:
        if (e->c.state == WN_ENGINE_RUNNING && e->c.output_on && !e->setup.listens) {
            step_output_done(e);
        }
        break;
    case WN_EVENT_OFF_DONE:
        if (e->c.state == WN_ENGINE_PREPARING) {
            e->c.off_confirmed = true;
            e->c.off_since_ns = e->c.now_ns;
            e->c.output_on = false;
        } else {
            off_done(e);
        }
        break;
    case WN_EVENT_FAULT:
        on_fault(e, &ev->error);
        break;
    case WN_EVENT_STORE_FAILED:
        halt(e, wn_fault_word(WN_FAULT_RECORDING_FAILED), ev->error.text);
        break;
    case WN_EVENT_HOLD:
        if (e->c.state == WN_ENGINE_PAUSED) {
            hold(e, (enum wn_fault)ev->fault, ev->error.text);
        }
        break;
    case WN_EVENT_GUARD_LOST:
        on_guard_lost(e);
        break;
    }
}

void wn_engine_step(struct wn_engine *e, const struct wn_event *event, struct wn_actions *out)
{
    out->n = 0;
    e->records = 0;
    e->out = out;
    bool may_be_wrong = e->setup.listens && event->kind == WN_EVENT_READING;
    if (event->time_ns > e->c.now_ns && !may_be_wrong) {
        e->c.now_ns = event->time_ns;
    }
    bool command = event->kind <= WN_EVENT_ACKNOWLEDGE;
    struct wn_error why = {0};
    if (command && wn_engine_may(e, event->kind, &why) != WN_OK) {
        emit_event(e, WN_SEVERITY_WARNING, "refused", "%s", why.text);
        emit_commit(e);
    } else {
        dispatch(e, event);
    }
    e->out = NULL;
}

wn_ns wn_engine_next_reading_ns(const struct wn_engine *e)
{
    if (!e->c.has_reading) {
        return e->c.now_ns;
    }
    if (e->setup.listens) { /* whatever comes, as it comes */
        return e->c.reading.time_ns;
    }
    wn_ns fast = e->c.reading.time_ns + wn_ns_from_s(e->setup.fast_interval_s);
    if (e->in_doubt) {
        return fast; /* something is wrong, or one reading is: the next one tells */
    }
    switch (e->c.state) {
    case WN_ENGINE_RUNNING:
        return step_next_reading_ns(e);
    case WN_ENGINE_PREPARING:
    case WN_ENGINE_SWITCHING_OFF:
        return fast;
    case WN_ENGINE_IDLE:
    case WN_ENGINE_PAUSED:
    case WN_ENGINE_HALTED:
    case WN_ENGINE_STOPPED:
    case WN_ENGINE_FINISHED:
        break;
    }
    return e->c.reading.time_ns + wn_ns_from_s(e->setup.rest_interval_s);
}
