/* Engine: saving and restoring its state, and showing it.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The saved state is the bytes of struct core behind a header that names layout and version: a file
 * goes on with the program (and the kind of machine) it was begun with; another one refuses it
 * instead of guessing. Of a station that listens those of struct follow come behind them: the one
 * of the two cannot go on with the state of the other. Everything measured is in the tables,
 * readable by all. */
#include "engine/core.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"

#define STATE_MAGIC   UINT32_C(0x77616e31)
#define STATE_VERSION UINT32_C(5) /* raise with every change of struct core */

struct state_header {
    uint32_t magic, version, size, byte_order;
};

_Static_assert(sizeof(struct state_header) + sizeof(struct core) + sizeof(struct follow) <=
                   WN_STATE_BLOB_MAX,
               "the state record is too small for the engine");

static struct state_header header_of(const struct wn_engine *e)
{
    size_t size = sizeof e->c + (e->setup.listens ? sizeof e->f : 0);
    return (struct state_header){STATE_MAGIC, STATE_VERSION, (uint32_t)size, UINT32_C(0x01020304)};
}

void wn_engine_save(const struct wn_engine *e, struct wn_state_record *out)
{
    const struct state_header header = header_of(e);
    out->time_ns = e->c.now_ns;
    out->size = (uint32_t)sizeof header + header.size;
    memcpy(out->blob, &header, sizeof header);
    memcpy(out->blob + sizeof header, &e->c, sizeof e->c);
    if (e->setup.listens) {
        memcpy(out->blob + sizeof header + sizeof e->c, &e->f, sizeof e->f);
    }
}

/* The cell may be another one when it is seen again: its voltage at rest is compared before
 * anything goes on. */
void expect_same_cell(struct core *c)
{
    double r_ohm = c->round.open && isfinite(c->round.resistance_ohm.value)
                       ? c->round.resistance_ohm.value
                       : 0.0;
    c->check_restart = c->has_reading;
    c->expected_rest_v = c->reading.voltage_v - c->reading.current_a * r_ohm;
}

/* Whatever was under way has ended without us: nothing is on, the step goes on later with a gap. */
static void after_restart(struct core *c)
{
    struct step_now *s = &c->step;
    bool was_under_way = c->state == WN_ENGINE_RUNNING || c->state == WN_ENGINE_PREPARING ||
                         c->state == WN_ENGINE_SWITCHING_OFF;
    if (was_under_way) {
        bool halting = c->state == WN_ENGINE_SWITCHING_OFF && c->after_off == AFTER_OFF_HALTED;
        bool stopping = c->state == WN_ENGINE_SWITCHING_OFF && c->after_off == AFTER_OFF_STOPPED;
        bool over = c->state == WN_ENGINE_SWITCHING_OFF && c->after_off == AFTER_OFF_FINISHED;
        c->state = halting ? WN_ENGINE_HALTED : over ? WN_ENGINE_FINISHED : WN_ENGINE_PAUSED;
        c->stop_ordered = c->stop_ordered || stopping;
        c->paused_since_ns = c->now_ns;
        if (c->round.open) {
            c->round.flags |= WN_FLAG_INTERRUPTED;
        }
    }
    if (s->active) {
        s->active_ns += c->now_ns - s->active_from_ns;
        s->active = false;
    }
    s->output_done = s->onset_pending = s->has_held = false;
    if (s->armed && s->sums.readings > 0) {
        wn_integrator_break(&s->sums);
    }
    if (!c->check_restart) { /* else what was seen since is not known to be the same cell */
        expect_same_cell(c);
    }
    c->waiting = false;
    c->taken_out_ah = NAN; /* some of it was not seen */
    c->output_on = false;
    c->output.mode = WN_OUTPUT_OFF;
    c->interlock_dropped = false;
}

int wn_engine_restore(struct wn_engine *e, const struct wn_state_record *state,
                      struct wn_error *err)
{
    const struct state_header header = header_of(e);
    struct state_header h;
    if (state->size < sizeof h) {
        return wn_error_set(err, WN_ECORRUPT, "saved state is cut short");
    }
    memcpy(&h, state->blob, sizeof h);
    if (h.magic != header.magic || h.byte_order != header.byte_order) {
        return wn_error_set(err, WN_ECORRUPT, "saved state is not one of this kind of machine");
    }
    if (h.version != header.version || h.size != header.size ||
        state->size != sizeof header + header.size) {
        return wn_error_set(
            err, WN_ENEWER,
            "saved state has layout %u of %u bytes, this program has %u of %u: finish the "
            "campaign with the version that began it, or start a new one",
            h.version, h.size, header.version, header.size);
    }
    struct core saved;
    memcpy(&saved, state->blob + sizeof header, sizeof saved);
    if (!wn_position_fits(&saved.position, &e->setup.procedure)) {
        return wn_error_set(err, WN_ECORRUPT,
                            "saved state points to a step the procedure does not have");
    }
    e->c = saved;
    after_restart(&e->c);
    if (e->setup.listens) {
        const struct wn_listen_setup setup = e->f.listen.setup; /* its accuracy is of today */
        memcpy(&e->f, state->blob + sizeof header + sizeof saved, sizeof e->f);
        e->f.listen.setup = setup;
        follow_after_restart(e);
    }
    return WN_OK;
}

static double remaining_s(const struct wn_engine *e)
{
    if (e->c.cycle_s_mean <= 0) {
        return NAN;
    }
    int64_t done = e->setup.listens ? e->f.listen.cycles : e->c.position.cycles_done;
    int64_t left = wn_procedure_cycles(&e->setup.procedure) - done;
    return (double)left * e->c.cycle_s_mean;
}

void wn_engine_view(const struct wn_engine *e, struct wn_engine_view *v)
{
    const struct wn_procedure *p = &e->setup.procedure;
    memset(v, 0, sizeof *v);
    v->state = e->c.state;
    v->in_check_up = e->c.position.in_check_up;
    int64_t number = wn_position_finished(&e->c.position, p) ? e->c.position.cycles_done
                                                             : wn_position_cycle(&e->c.position, p);
    v->cycle = v->in_check_up ? e->c.position.cycles_done : number;
    v->check_up = v->in_check_up ? number : e->c.position.check_ups_done;
    v->cycles_planned = wn_procedure_cycles(p);
    v->cycles_done = e->c.position.cycles_done;
    v->step_number = e->c.step.number;
    const struct wn_step *s = step_spec(e);
    if (s != NULL) {
        int n = snprintf(v->step, sizeof v->step, "%s",
                         e->c.waiting ? "waiting for the temperature: " : "");
        (void)wn_step_describe(s, v->step + n, sizeof v->step - (size_t)n);
    }
    v->reading = e->c.reading;
    v->has_reading = e->c.has_reading;
    v->output = e->c.output;
    if (!e->c.output_on) {
        v->output.mode = WN_OUTPUT_OFF;
    }
    if (e->c.step.armed) {
        struct wn_step_sums sums;
        wn_integrator_sums(&e->c.step.sums, &sums);
        v->step_charge_ah = sums.charge_in_ah + sums.charge_out_ah;
        v->step_energy_wh = sums.energy_in_wh + sums.energy_out_wh;
        v->step_s = step_active_s(e);
    }
    if (e->setup.listens) {
        follow_view(e, v);
    }
    v->last_capacity_ah = e->c.last_capacity_ah;
    v->first_capacity_ah = e->c.first_capacity_ah;
    v->remaining_s = remaining_s(e);
    (void)snprintf(v->halt_rule, sizeof v->halt_rule, "%s", e->c.halt_rule);
    (void)snprintf(v->halt_text, sizeof v->halt_text, "%s", e->c.halt_text);
    v->alarm = e->c.alarm;
}

bool wn_engine_latched(const struct wn_engine *e)
{
    return e->c.state == WN_ENGINE_HALTED || (e->c.state == WN_ENGINE_PAUSED && e->c.alarm) ||
           (e->c.state == WN_ENGINE_SWITCHING_OFF && e->c.after_off == AFTER_OFF_HALTED);
}

bool wn_engine_alarm(const struct wn_engine *e)
{
    return e->c.alarm;
}

wn_ns wn_engine_now_ns(const struct wn_engine *e)
{
    return e->c.now_ns;
}

bool wn_engine_output_on(const struct wn_engine *e)
{
    return e->c.output_on;
}

bool wn_engine_stop_ordered(const struct wn_engine *e)
{
    return e->c.stop_ordered;
}

enum wn_engine_state wn_engine_state(const struct wn_engine *e)
{
    return e->c.state;
}

const char *wn_engine_state_name(enum wn_engine_state state)
{
    static const char *const names[] = {
        [WN_ENGINE_IDLE] = "idle",       [WN_ENGINE_PREPARING] = "preparing",
        [WN_ENGINE_RUNNING] = "running", [WN_ENGINE_SWITCHING_OFF] = "switching off",
        [WN_ENGINE_PAUSED] = "paused",   [WN_ENGINE_HALTED] = "halted",
        [WN_ENGINE_STOPPED] = "stopped", [WN_ENGINE_FINISHED] = "finished",
    };
    wn_assert((size_t)state < sizeof names / sizeof names[0]);
    return names[state];
}
