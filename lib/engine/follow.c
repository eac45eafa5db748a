/* Engine: a station that listens. The tester runs its own program; steps, cycles and check-ups are
 * recognised from its readings and kept in the same book, the same envelope is judged, and the one
 * thing that can be done is to make it stop. SPDX-License-Identifier: GPL-3.0-or-later */
#include "engine/core.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define IDLE_NS (INT64_C(12) * 3600 * WN_NS_PER_S) /* then somebody is asked to look */
/* Between records of one second the time may stand for a moment; set back, it catches up within
 * late_max_s. */
#define STILL_NS     (5 * WN_NS_PER_S)
#define STILL_MAX_NS (INT64_C(180) * WN_NS_PER_S)
#define SAME_LEVEL   0.05 /* of the current: no change of what the tester does */
#define FAR_ABOVE_V  1.0  /* above the envelope: no voltage of this cell, whatever is wrong */
#define FAR_ABOVE    3.0  /* times the highest current allowed */

/* What the procedure tells of the tester's program. Cycles of different currents are no ordinary
 * ones and others: every round is a cycle then. */
static void learn_cycle(const struct wn_procedure *p, struct wn_listen_setup *out)
{
    double low_a = INFINITY, high_a = 0;
    for (int i = 0; i < p->phases; i++) {
        const struct wn_phase *phase = &p->phase[i];
        for (int k = 0; phase->makes_cycles && k < phase->steps; k++) {
            const struct wn_step *s = &p->step[phase->first_step + k];
            if (s->kind == WN_STEP_CHARGE) {
                out->charge_voltage_v = s->voltage_v;
                out->end_current_a = s->until_current_a;
            } else if (s->kind == WN_STEP_DISCHARGE || s->kind == WN_STEP_DISCHARGE_POWER) {
                double a = s->kind == WN_STEP_DISCHARGE ? s->current_a : NAN;
                out->cutoff_v = s->until_voltage_v;
                low_a = a < low_a ? a : low_a;
                high_a = a <= high_a ? high_a : a; /* NaN: stays */
            }
        }
    }
    out->cycle_current_a = high_a > 0 && high_a - low_a <= 0.1 * high_a ? high_a : NAN;
}

void follow_init(struct wn_engine *e)
{
    const struct wn_engine_setup *s = &e->setup;
    struct wn_listen_setup l;
    wn_listen_defaults(&l);
    learn_cycle(&s->procedure, &l);
    l.rest_below_a = s->limits.off_current_a;
    l.discharge_gap_s = l.charge_gap_s = s->gap_max_s;
    l.resistance_delay_s = s->procedure.resistance_delay_s;
    l.ambient_min_c = s->procedure.ambient_min_c;
    l.ambient_max_c = s->procedure.ambient_max_c;
    l.rest_min_s = s->procedure.rest_min_s;
    l.pause_recovery_s = s->pause_recovery_s;
    l.accuracy = s->accuracy;
    l.accuracy_known = true;
    l.voltage_max_v = s->limits.voltage_max_v + FAR_ABOVE_V;
    l.current_max_a =
        FAR_ABOVE * fmax(s->limits.charge_current_max_a, s->limits.discharge_current_max_a);
    wn_listen_init(&e->f.listen, &l);
    struct wn_estimate planned;
    wn_procedure_estimate(&s->procedure, 1, 1, &planned); /* only how often is asked */
    e->f.rounds = planned.cycles + planned.check_ups;
}

bool follow_can_stop(const struct wn_engine *e)
{
    return e->setup.stop_command || e->setup.interlock;
}

/* Told to stop, and taken off the cell, at once: what works is seen by the current. */
void follow_emit_off(struct wn_engine *e)
{
    if (e->setup.stop_command) {
        emit_action(e, WN_ACTION_OFF);
    }
    if (e->setup.interlock) {
        emit_action(e, WN_ACTION_INTERLOCK);
    }
    e->c.off_confirmed = !e->setup.stop_command; /* there is nobody who would answer */
}

int64_t follow_cycle(const struct wn_engine *e)
{
    return e->f.listen.round.open ? e->f.listen.round.cycle : 0;
}

/* Told once, and for an operator to see to, also where the stop command alone was enough. */
void follow_hangs(struct wn_engine *e, const struct wn_error *why)
{
    const char *rule = wn_fault_word(WN_FAULT_READ_BACK);
    bool told = strcmp(e->c.halt_rule, rule) == 0 || strcmp(e->c.told_rule, rule) == 0;
    if (e->c.alarm && told) {
        return;
    }
    (void)snprintf(e->c.told_rule, sizeof e->c.told_rule, "%s", rule);
    if (e->c.after_off == AFTER_OFF_PAUSED) {
        e->c.after_off = AFTER_OFF_HALTED;
    }
    raise_alarm(e, rule, why->text);
    emit_event(e, WN_SEVERITY_ALARM, rule, "while switching off: %s", why->text);
    emit_state(e);
    emit_commit(e);
}

/* The intent is committed before the tester is let at the cell. */
static void let_run(struct wn_engine *e)
{
    e->c.state = WN_ENGINE_RUNNING;
    e->c.output = (struct wn_output){.mode = WN_OUTPUT_FOLLOW};
    e->c.output_on = true;
    e->c.changed_ns = e->c.now_ns;
    struct wn_intent_record *i = &emit_record(e, WN_RECORD_INTENT)->u.intent;
    memset(i, 0, sizeof *i);
    i->time_ns = e->c.now_ns;
    i->step_number = e->f.listen.steps;
    (void)snprintf(i->text, sizeof i->text, "listen: the tester runs its own program");
    emit_state(e);
    emit_commit(e);
    emit_action(e, WN_ACTION_OUTPUT)->u.output = e->c.output;
}

void follow_start(struct wn_engine *e, const char *who)
{
    const char *halting = e->setup.stop_command && e->setup.interlock
                              ? "tells the tester to stop and opens the interlock"
                          : e->setup.stop_command ? "tells the tester to stop"
                          : e->setup.interlock    ? "opens the interlock"
                                                  : "can do nothing but call a person";
    emit_event(e, WN_SEVERITY_INFO, "started",
               "listening: %s on cell %s, %lld cycles, by %s; halting %s", e->setup.procedure.name,
               e->setup.cell.name, (long long)wn_procedure_cycles(&e->setup.procedure), who,
               halting);
    let_run(e);
}

void follow_resume(struct wn_engine *e, const char *who)
{
    emit_event(e, WN_SEVERITY_INFO, "resumed",
               "by %s: listening again; start the tester's program again if it has ended", who);
    let_run(e);
}

static int direction_of(const struct wn_engine *e, const struct wn_reading *r)
{
    if ((r->has & WN_HAS_CURRENT) == 0 || fabs(r->current_a) <= e->setup.limits.off_current_a) {
        return 0;
    }
    return r->current_a > 0 ? 1 : -1;
}

/* A change of what the tester does: the voltage may move by itself for a while. */
static void note_change(struct wn_engine *e, const struct wn_reading *r)
{
    const struct wn_reading *last = &e->c.reading;
    double most_a = fmax(fabs(r->current_a), fabs(last->current_a));
    double slack_a = fmax(2 * e->setup.limits.off_current_a, SAME_LEVEL * most_a);
    if (!e->c.has_reading || direction_of(e, r) != direction_of(e, last) ||
        fabs(r->current_a - last->current_a) > slack_a) {
        e->c.changed_ns = e->c.now_ns;
    }
}

/* The longest a charge or a discharge of the procedure may last; NaN: it has none. */
static double longest_s(const struct wn_procedure *p, int direction)
{
    double longest = NAN;
    for (int i = 0; i < p->steps; i++) {
        const struct wn_step *s = &p->step[i];
        bool charge = s->kind == WN_STEP_CHARGE;
        bool discharge = s->kind == WN_STEP_DISCHARGE || s->kind == WN_STEP_DISCHARGE_POWER;
        if ((direction > 0 && charge) || (direction < 0 && discharge)) {
            longest = fmax(longest, s->time_limit_s);
        }
    }
    return longest;
}

/* The direction is what the current says. Whether it may flow at all is known: while running, and
 * for ever where nothing can stop it. */
static struct wn_envelope_context context(const struct wn_engine *e, const struct wn_reading *r)
{
    bool over = e->c.state != WN_ENGINE_RUNNING && e->c.state != WN_ENGINE_SWITCHING_OFF;
    bool running = e->c.state == WN_ENGINE_RUNNING || (over && !follow_can_stop(e));
    int direction = running ? direction_of(e, r) : 0;
    struct wn_envelope_context c = {
        .output_on = direction != 0 || e->c.state == WN_ENGINE_SWITCHING_OFF,
        .direction = direction,
        .set_current_a = NAN,
        .set_power_w = NAN,
        .current_max_set_a = NAN,
        .since_change_ns = e->c.changed_ns,
        .charge_expected_ah = NAN,
        .step_s = NAN,
        .step_time_limit_s = NAN,
    };
    const struct wn_listen *l = &e->f.listen;
    if (l->in_step && l->kind == direction && direction != 0) {
        c.step_charge_ah =
            (wn_sum_value(&l->g.charge_in) + wn_sum_value(&l->g.charge_out)) / 3600.0;
        bool whole = (l->round.flags & (WN_FLAG_INTERRUPTED | WN_FLAG_GAP)) == 0;
        c.charge_expected_ah = whole ? e->c.taken_out_ah : NAN;
        c.step_s = wn_ns_to_s(e->c.now_ns - l->step_start_ns);
        c.step_time_limit_s = longest_s(&e->setup.procedure, direction);
    }
    return c;
}

static void put_reading(struct wn_engine *e, const struct wn_listen_event *found)
{
    struct wn_record *rec = emit_record(e, WN_RECORD_READING);
    rec->u.reading.reading = found->u.reading.reading;
    rec->u.reading.step_number = found->u.reading.step_number;
}

static void put_step(struct wn_engine *e, const struct wn_listen_step *s, bool ended)
{
    struct wn_step_record *r =
        &emit_record(e, ended ? WN_RECORD_STEP_END : WN_RECORD_STEP_BEGIN)->u.step;
    memset(r, 0, sizeof *r);
    r->step_number = s->number;
    r->cycle = ended ? s->cycle : follow_cycle(e);
    r->kind = s->kind;
    r->start_ns = s->start_ns;
    r->end_ns = s->end_ns;
    r->sums = s->sums;
    (void)snprintf(r->ended_by, sizeof r->ended_by, "%s", ended ? s->ended_by : "");
    if (isfinite(s->mean_current_a)) {
        (void)snprintf(r->description, sizeof r->description, "%s, mean %.4g A",
                       wn_step_kind_name(s->kind), fabs(s->mean_current_a));
    } else {
        (void)snprintf(r->description, sizeof r->description, "%s", wn_step_kind_name(s->kind));
    }
}

/* What the next charge has to put back; only what was seen whole counts. */
static void book_charge(struct wn_engine *e, const struct wn_listen_step *s)
{
    bool torn = (e->f.listen.round.flags & WN_FLAG_INTERRUPTED) != 0;
    if (s->kind == WN_STEP_REST) {
        return;
    }
    if (s->sums.missing_s > 0 || torn) {
        e->c.taken_out_ah = NAN;
    } else if (s->kind == WN_STEP_CHARGE) {
        e->c.taken_out_ah = strcmp(s->ended_by, "current") == 0 ? 0 : NAN;
    } else {
        e->c.taken_out_ah += s->sums.charge_out_ah; /* stays NaN until a whole charge */
    }
}

static void put_cycle(struct wn_engine *e, const struct wn_cycle_record *c)
{
    emit_record(e, WN_RECORD_CYCLE)->u.cycle = *c;
    round_cycle_known(e, c);
}

static void put_check_up(struct wn_engine *e, const struct wn_check_up_record *c)
{
    emit_record(e, WN_RECORD_CHECK_UP)->u.check_up = *c;
    round_tell_check_up(e, c);
}

/* Another cell would go on in this one's book. */
static void on_swapped(struct wn_engine *e, double from_v, double to_v)
{
    char why[160];
    e->c.taken_out_ah = NAN;
    (void)snprintf(why, sizeof why,
                   "cell voltage went from %.3f V to %.3f V at rest: is it the same cell? "
                   "Acknowledge, then resume or stop",
                   from_v, to_v);
    halt(e, wn_fault_word(WN_FAULT_HELD), why);
}

/* True when more than readings was found: it is to be committed. */
static bool put(struct wn_engine *e, const struct wn_listen_event *found)
{
    switch (found->kind) {
    case WN_LISTEN_READING:
        put_reading(e, found);
        return false;
    case WN_LISTEN_STEP_BEGUN:
        put_step(e, &found->u.step, false);
        break;
    case WN_LISTEN_STEP_ENDED:
        put_step(e, &found->u.step, true);
        book_charge(e, &found->u.step);
        break;
    case WN_LISTEN_CYCLE:
        put_cycle(e, &found->u.cycle.record);
        break;
    case WN_LISTEN_CHECK_UP:
        put_check_up(e, &found->u.check_up);
        break;
    case WN_LISTEN_SWAPPED:
        on_swapped(e, found->u.swapped.from_v, found->u.swapped.to_v);
        break;
    case WN_LISTEN_CLOCK_RESET:
        e->c.taken_out_ah = NAN;
        emit_event(e, WN_SEVERITY_WARNING, "clock_reset",
                   "the tester's clock began anew: campaign time goes on by the computer's");
        break;
    }
    return true;
}

static bool put_found(struct wn_engine *e)
{
    bool news = false;
    for (int i = 0; i < e->found.n; i++) {
        news = put(e, &e->found.event[i]) || news;
    }
    return news;
}

void follow_end(struct wn_engine *e)
{
    wn_listen_end(&e->f.listen, &e->found);
    (void)put_found(e);
}

/* So long the last rest of a cycle lasts at least. */
static double last_rest_s(const struct wn_engine *e)
{
    const struct wn_procedure *p = &e->setup.procedure;
    double rest_s = e->f.listen.setup.pause_max_s;
    for (int i = 0; i < p->phases; i++) {
        const struct wn_phase *phase = &p->phase[i];
        const struct wn_step *last = &p->step[phase->first_step + phase->steps - 1];
        if (phase->makes_cycles && last->kind == WN_STEP_REST) {
            rest_s = fmax(rest_s, last->duration_s);
        }
    }
    return rest_s;
}

/* A round is known to be over when the next one begins; behind the last there may be no next one.
 */
static bool is_last_round_over(const struct wn_engine *e)
{
    const struct wn_listen *l = &e->f.listen;
    int64_t done = l->cycles + l->check_ups;
    if (e->c.end_early || done >= e->f.rounds ||
        l->cycles > wn_procedure_cycles(&e->setup.procedure)) {
        return true;
    }
    return done + 1 == e->f.rounds && wn_listen_is_empty(l) &&
           wn_ns_to_s(l->before.reading.time_ns - l->step_start_ns) >= last_rest_s(e);
}

static void finish(struct wn_engine *e)
{
    follow_end(e);
    emit_event(e, WN_SEVERITY_INFO, "finished", "listening is over after %lld cycles%s",
               (long long)e->f.listen.cycles,
               follow_can_stop(e) ? "" : "; nothing here stops the tester: see what it does");
    if (e->c.state != WN_ENGINE_RUNNING) { /* its last cycle was reason to halt */
        return;
    }
    if (follow_can_stop(e)) {
        off_begin(e, AFTER_OFF_FINISHED);
    } else {
        e->c.state = WN_ENGINE_FINISHED;
        e->c.output_on = false;
    }
    emit_state(e);
    emit_commit(e);
}

/* Once in each rest. */
static void look_for_idle(struct wn_engine *e)
{
    const struct wn_listen *l = &e->f.listen;
    if (!l->in_step || l->kind != 0 || e->f.idle_told == l->steps ||
        e->c.now_ns - l->step_start_ns < IDLE_NS) {
        return;
    }
    e->f.idle_told = l->steps;
    emit_event(e, WN_SEVERITY_WARNING, "tester_idle",
               "no current for %.0f h: has the tester's program ended?",
               wn_ns_to_s(IDLE_NS) / 3600);
    emit_state(e);
    emit_commit(e);
}

static void judge(struct wn_engine *e, const struct wn_reading *r)
{
    struct wn_envelope_context c = context(e, r);
    struct wn_envelope_verdict v;
    wn_envelope_judge(&e->envelope, r, &c, &v);
    e->in_doubt = v.in_doubt;
    if (e->c.state != WN_ENGINE_RUNNING && e->c.state != WN_ENGINE_SWITCHING_OFF) {
        watch_reading(e, v.holding);
        return;
    }
    react(e, &v);
    if (e->c.state == WN_ENGINE_SWITCHING_OFF) {
        off_reading(e, r);
    }
}

/* Time goes by what the listener believes. Where the records' time stands still or was set back a
 * little, and where nobody listens any more, it goes on by the host's clock: nothing that is waited
 * for may wait for the tester's. */
static void pass_time(struct wn_engine *e, const struct wn_reading *told, bool over)
{
    struct follow *f = &e->f;
    const struct wn_listen *l = &f->listen;
    bool known = f->host_ns > 0 && told->host_ns > f->host_ns;
    wn_ns passed_ns = known ? told->host_ns - f->host_ns : 0;
    bool goes_on = !over && l->has_newest && l->newest_ns > f->newest_ns;
    f->host_ns = told->host_ns;
    f->still_ns = goes_on ? 0 : f->still_ns + passed_ns;
    f->still_told = f->still_told && !goes_on;
    if (goes_on && l->newest_ns > e->c.now_ns) {
        e->c.now_ns = l->newest_ns;
    } else if (over || goes_on || f->still_ns > STILL_NS) { /* goes on, but is behind still */
        e->c.now_ns += passed_ns;
    }
    f->newest_ns = l->newest_ns;
}

/* What is not recorded is not counted either: no charge too much would be noticed. */
static void look_for_still(struct wn_engine *e, const struct wn_reading *r)
{
    char why[200];
    if (e->f.still_ns <= STILL_MAX_NS || e->f.still_told) {
        return;
    }
    e->f.still_told = true;
    (void)snprintf(why, sizeof why,
                   "no record could be believed for %.0f s: its time does not go on, or it lacks "
                   "voltage or current; nothing is counted meanwhile: compare a record with the "
                   "dialect",
                   wn_ns_to_s(e->f.still_ns));
    if (direction_of(e, r) != 0) {
        halt(e, wn_fault_word(WN_FAULT_CLOCK_BACK), why);
        return;
    }
    emit_event(e, WN_SEVERITY_WARNING, wn_fault_word(WN_FAULT_CLOCK_BACK), "%s", why);
    emit_state(e);
    emit_commit(e);
}

/* Judged at once, as it is; recorded a few readings later, when its neighbours bear it out. Its
 * time may be wrong. */
void follow_reading(struct wn_engine *e, const struct wn_reading *told)
{
    struct wn_reading r = *told;
    bool over = e->c.state == WN_ENGINE_STOPPED || e->c.state == WN_ENGINE_FINISHED ||
                e->c.state == WN_ENGINE_IDLE;
    e->found.n = 0;
    if (!over) {
        wn_listen_reading(&e->f.listen, told, &e->found);
    }
    pass_time(e, told, over);
    r.time_ns = e->c.now_ns;
    bool news = put_found(e);
    note_change(e, &r);
    e->c.reading = r;
    e->c.has_reading = true;
    e->c.faults_in_a_row = 0;
    judge(e, &r);
    if (news) {
        emit_state(e);
        emit_commit(e);
    }
    if (e->c.state == WN_ENGINE_RUNNING && is_last_round_over(e)) {
        finish(e);
    } else if (e->c.state == WN_ENGINE_RUNNING) {
        look_for_idle(e);
        look_for_still(e, &r);
    }
}

/* Whatever the tester did meanwhile, nobody heard it. */
void follow_after_restart(struct wn_engine *e)
{
    wn_listen_torn(&e->f.listen, WN_FLAG_INTERRUPTED);
    e->f.host_ns = e->f.still_ns = 0;
    e->f.still_told = false;
}

void follow_view(const struct wn_engine *e, struct wn_engine_view *v)
{
    const struct wn_listen *l = &e->f.listen;
    v->cycles_done = l->cycles;
    v->cycle = l->round.open ? l->round.cycle : l->cycles;
    v->in_check_up = false; /* known when it is over */
    v->check_up = l->check_ups;
    v->step_number = l->steps;
    const char *kind = l->kind > 0 ? "charge" : l->kind < 0 ? "discharge" : "rest";
    (void)snprintf(v->step, sizeof v->step, "%s",
                   l->in_step ? kind : "listening, nothing recognised yet");
    if (l->in_step) {
        struct wn_step_sums sums;
        wn_integrator_sums(&l->g, &sums);
        v->step_charge_ah = sums.charge_in_ah + sums.charge_out_ah;
        v->step_energy_wh = sums.energy_in_wh + sums.energy_out_wh;
        v->step_s = sums.duration_s;
    }
}
