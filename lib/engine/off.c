/* Engine: switching off and making sure, halting, and watching a cell whose output is off.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "engine/core.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define REWARN_NS (INT64_C(15) * 60 * WN_NS_PER_S)
#define FURTHER_V 0.02 /* beyond what a cell at rest and a voltmeter waver */

/* Off goes out at once, whatever else is under way; what it was for is recorded after. */
void off_begin(struct wn_engine *e, enum after_off after)
{
    e->c.state = WN_ENGINE_SWITCHING_OFF;
    e->c.waiting = false;
    e->c.after_off = after;
    e->c.off_confirmed = false;
    e->c.off_attempts = 1;
    e->c.off_since_ns = e->c.off_sent_ns = e->c.now_ns;
    e->beyond_v = NAN;
    e->c.changed_ns = e->c.now_ns;
    emit_off(e);
}

void raise_alarm(struct wn_engine *e, const char *rule, const char *text)
{
    e->c.alarm = true;
    if (e->c.halt_text[0] == '\0') {
        (void)snprintf(e->c.halt_rule, sizeof e->c.halt_rule, "%s", rule);
        (void)snprintf(e->c.halt_text, sizeof e->c.halt_text, "%s", text);
    }
}

/* Nothing runs any more, or not yet: off all the same, and told, but there is no campaign to halt.
 */
static bool halt_idle(struct wn_engine *e, const char *rule, const char *text)
{
    if (e->c.state != WN_ENGINE_IDLE && e->c.state != WN_ENGINE_STOPPED &&
        e->c.state != WN_ENGINE_FINISHED) {
        return false;
    }
    emit_off(e);
    if (e->c.now_ns >= e->c.rewarn_ns) {
        e->c.rewarn_ns = e->c.now_ns + REWARN_NS;
        raise_alarm(e, rule, text);
        emit_event(e, WN_SEVERITY_ALARM, rule, "%s", text);
        emit_commit(e);
    }
    return true;
}

void halt(struct wn_engine *e, const char *rule, const char *text)
{
    if (halt_idle(e, rule, text)) {
        return;
    }
    bool ending = e->c.state == WN_ENGINE_SWITCHING_OFF &&
                  (e->c.after_off == AFTER_OFF_STOPPED || e->c.after_off == AFTER_OFF_FINISHED);
    bool again = e->c.state == WN_ENGINE_HALTED || ending ||
                 (e->c.state == WN_ENGINE_SWITCHING_OFF && e->c.after_off == AFTER_OFF_HALTED);
    if (!again) {
        off_begin(e, AFTER_OFF_HALTED);
        round_flag(e, WN_FLAG_INTERRUPTED);
        (void)snprintf(e->c.halt_rule, sizeof e->c.halt_rule, "%s", rule);
        (void)snprintf(e->c.halt_text, sizeof e->c.halt_text, "%s", text);
        e->c.rewarn_ns = e->c.now_ns + REWARN_NS;
        e->c.told_rule[0] = '\0';
    } else if (e->c.now_ns < e->c.rewarn_ns &&
               (strcmp(rule, e->c.halt_rule) == 0 || strcmp(rule, e->c.told_rule) == 0)) {
        return; /* the same reason again: already latched and told */
    } else {
        (void)snprintf(e->c.told_rule, sizeof e->c.told_rule, "%s", rule);
        e->c.rewarn_ns =
            e->c.now_ns + REWARN_NS; /* the first reason stays, the further one is told too */
    }
    e->c.alarm = true;
    e->c.told_temperature_c = e->c.reading.temperature_c;
    emit_event(e, WN_SEVERITY_ALARM, rule, "%s: %s",
               ending  ? "while ending"
               : again ? "while halted"
                       : "halted",
               text);
    emit_state(e);
    emit_commit(e);
}

void off_done(struct wn_engine *e)
{
    if (e->c.state != WN_ENGINE_SWITCHING_OFF) {
        return; /* off of a bench that is off already, while watching or preparing */
    }
    if (!e->c.off_confirmed) { /* a further off does not give the current more time */
        e->c.off_confirmed = true;
        e->c.off_since_ns = e->c.now_ns;
    }
}

static void try_again(struct wn_engine *e, const char *why)
{
    e->c.off_since_ns = e->c.now_ns;
    e->c.off_confirmed = false;
    round_flag(e, WN_FLAG_GAP); /* what flows until it is off is counted in no step */
    emit_off(e);
    if (e->c.off_attempts < OFF_ATTEMPTS_MAX) {
        e->c.off_attempts++;
        return;
    }
    if (e->c.interlock_dropped) { /* everything has been done, is done again, and told now and then
                                   */
        emit_interlock(e);
        if (e->c.now_ns >= e->c.rewarn_ns) {
            e->c.rewarn_ns = e->c.now_ns + REWARN_NS;
            emit_event(e, WN_SEVERITY_ALARM, wn_fault_word(WN_FAULT_NOT_OFF),
                       "output is still not verified off (%s): go to the bench", why);
            emit_commit(e);
        }
        return;
    }
    e->c.rewarn_ns = e->c.now_ns + REWARN_NS;
    e->c.interlock_dropped = true;
    e->c.alarm = true;
    if (e->c.after_off != AFTER_OFF_STOPPED && e->c.after_off != AFTER_OFF_FINISHED) {
        e->c.after_off = AFTER_OFF_HALTED;
    }
    emit_interlock(e);
    /* Whatever it was before: this is what somebody has to go to the bench for. */
    (void)snprintf(e->c.halt_rule, sizeof e->c.halt_rule, "%s", wn_fault_word(WN_FAULT_NOT_OFF));
    (void)snprintf(e->c.halt_text, sizeof e->c.halt_text,
                   "output could not be verified off: go to the bench and disconnect the cell (%s)",
                   why);
    round_flag(e, WN_FLAG_INTERRUPTED);
    emit_event(
        e, WN_SEVERITY_ALARM, wn_fault_word(WN_FAULT_NOT_OFF),
        "output could not be verified off after %d attempts (%s): interlock told to open, if there "
        "is one; go to the bench and disconnect the cell",
        OFF_ATTEMPTS_MAX, why);
    emit_state(e);
    emit_commit(e);
}

void off_failed(struct wn_engine *e, const struct wn_error *why)
{
    double since_s = wn_ns_to_s(e->c.now_ns - e->c.off_since_ns);
    if (e->setup.listens && why->code == WN_EREADBACK && since_s <= e->setup.off_timeout_s) {
        follow_hangs(e, why); /* the other of the two may have done it: the current tells */
        return;
    }
    try_again(e, why->text);
}

void off_settle(struct wn_engine *e, enum after_off after)
{
    e->c.after_off = after;
    e->c.output_on = false;
    e->c.output.mode = WN_OUTPUT_OFF;
    e->c.changed_ns = e->c.now_ns;
    e->c.interlock_dropped = false;
    switch (e->c.after_off) {
    case AFTER_OFF_NEXT_STEP:
        e->c.state = WN_ENGINE_RUNNING;
        step_close(e, e->c.step.ended_by);
        break;
    case AFTER_OFF_PAUSED:
        e->c.state = WN_ENGINE_PAUSED;
        e->c.paused_since_ns = e->c.now_ns;
        step_suspend(e);
        emit_event(e, WN_SEVERITY_INFO, "paused", "output is off and verified");
        break;
    case AFTER_OFF_STOPPED:
        e->c.state = WN_ENGINE_STOPPED;
        step_close(e, e->c.step.ended ? e->c.step.ended_by : "stop");
        if (e->setup.listens) {
            follow_end(e);
        }
        emit_event(e, WN_SEVERITY_INFO, "stopped", "campaign ended by the operator; %s",
                   e->setup.listens && !follow_can_stop(e)
                       ? "nothing here stops the tester: see what it does"
                       : "output is off");
        break;
    case AFTER_OFF_HALTED:
        e->c.state = WN_ENGINE_HALTED;
        e->c.paused_since_ns = e->c.now_ns;
        step_suspend(e);
        emit_event(e, WN_SEVERITY_INFO, "off_verified", "output is off, current %.4f A",
                   e->c.reading.current_a);
        break;
    case AFTER_OFF_FINISHED:
        e->c.state = WN_ENGINE_FINISHED;
        break;
    }
    emit_state(e);
    emit_commit(e);
}

/* A reading while switching off: the instrument's word is not enough, the current must be gone. */
void off_reading(struct wn_engine *e, const struct wn_reading *r)
{
    bool small = (r->has & WN_HAS_CURRENT) && fabs(r->current_a) <= e->setup.limits.off_current_a;
    if (e->c.off_confirmed && small) {
        off_settle(e, e->c.after_off);
    } else if (wn_ns_to_s(e->c.now_ns - e->c.off_since_ns) > e->setup.off_timeout_s) {
        char why[80];
        (void)snprintf(why, sizeof why, "%s, current %.3f A",
                       e->c.off_confirmed ? "instrument says off" : "no confirmation",
                       r->current_a);
        try_again(e, why);
    }
}

void off_again(struct wn_engine *e, const char *rule, const char *text)
{
    enum after_off after = e->c.state == WN_ENGINE_STOPPED    ? AFTER_OFF_STOPPED
                           : e->c.state == WN_ENGINE_FINISHED ? AFTER_OFF_FINISHED
                                                              : AFTER_OFF_HALTED;
    if (after == AFTER_OFF_HALTED && e->c.state != WN_ENGINE_HALTED) {
        halt(e, rule, text);
        return;
    }
    off_begin(e, after);
    raise_alarm(e, rule, text);
    emit_event(e, WN_SEVERITY_ALARM, rule, "%s", text);
    emit_state(e);
    emit_commit(e);
}

void react(struct wn_engine *e, const struct wn_envelope_verdict *v)
{
    if (v->tripped && wn_rule_reaction(v->rule) == WN_REACTION_HALT) {
        halt(e, wn_rule_word(v->rule), v->text);
    } else if (v->tripped && e->c.now_ns >= e->c.rewarn_ns) {
        e->c.rewarn_ns = e->c.now_ns + 60 * WN_NS_PER_S;
        emit_event(e, WN_SEVERITY_WARNING, wn_rule_word(v->rule), "%s", v->text);
    }
}

/* Outside a limit of the voltage, and still on the way out: something flows that the ammeter does
 * not show. One look only; how far it is, is remembered. */
static bool goes_on(struct wn_engine *e, unsigned holding)
{
    const unsigned low = 1u << WN_RULE_UNDER_VOLTAGE | 1u << WN_RULE_REVERSED;
    bool over = (holding & 1u << WN_RULE_OVER_VOLTAGE) != 0, under = (holding & low) != 0;
    double v = e->c.reading.voltage_v, before_v = e->beyond_v;
    bool further = (over && v > before_v + FURTHER_V) || (under && v < before_v - FURTHER_V);
    if (!over && !under) {
        e->beyond_v = NAN;
    } else if (isnan(before_v) || further) {
        e->beyond_v = v;
    }
    return further;
}

static void tell_outside(struct wn_engine *e, enum wn_rule rule, bool worse)
{
    const struct wn_reading *r = &e->c.reading;
    char warmth[24] = "";
    e->c.rule_rewarn_ns[rule] = e->c.now_ns + REWARN_NS;
    if ((r->has & WN_HAS_TEMPERATURE) != 0) {
        e->c.told_temperature_c = r->temperature_c;
        (void)snprintf(warmth, sizeof warmth, ", %.1f degC", r->temperature_c);
    }
    if (worse && (!e->setup.listens || follow_can_stop(e))) {
        emit_off(e);
        emit_interlock(e);
    }
    raise_alarm(e, wn_rule_word(rule), wn_rule_text(rule));
    emit_event(e, WN_SEVERITY_ALARM, wn_rule_word(rule), "with the output off: %s (%.3f V%s)%s",
               wn_rule_text(rule), (r->has & WN_HAS_VOLTAGE) ? r->voltage_v : NAN, warmth,
               worse ? ", and it goes on: interlock told to open, if there is one" : "");
    emit_state(e);
    emit_commit(e);
}

/* Output off and nobody asked for anything: a cell that leaves the envelope now is told, each rule
 * for itself, again after a while, and at once when it has grown hotter, or moved further out,
 * since. Then it is taken off whatever is said to be off. */
void watch_reading(struct wn_engine *e, unsigned holding)
{
    const struct wn_reading *r = &e->c.reading;
    bool hotter = (r->has & WN_HAS_TEMPERATURE) && r->temperature_c > e->c.told_temperature_c + 5;
    bool further = goes_on(e, holding);
    if ((holding & 1u << WN_RULE_CURRENT_WHILE_OFF) != 0) {
        char text[120];
        (void)snprintf(text, sizeof text, "%.3f A flow although the output is off", r->current_a);
        off_again(e, wn_rule_word(WN_RULE_CURRENT_WHILE_OFF), text);
        return;
    }
    for (int i = 0; i < WN_RULE_COUNT; i++) {
        enum wn_rule rule = (enum wn_rule)i;
        bool of_voltage = rule == WN_RULE_OVER_VOLTAGE || rule == WN_RULE_UNDER_VOLTAGE ||
                          rule == WN_RULE_REVERSED;
        bool worse = (further && of_voltage) || (hotter && rule == WN_RULE_OVER_TEMPERATURE);
        bool due = e->c.now_ns >= e->c.rule_rewarn_ns[i] || worse;
        if ((holding & 1u << i) != 0 && wn_rule_reaction(rule) == WN_REACTION_HALT && due) {
            tell_outside(e, rule, worse);
            return; /* the next one with the next reading */
        }
    }
}
