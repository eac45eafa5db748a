/* Engine: building the list of actions of one step.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "engine/core.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"

struct wn_action *emit_action(struct wn_engine *e, enum wn_action_kind kind)
{
    wn_assert(e->out->n < WN_ACTIONS_MAX);
    struct wn_action *a = &e->out->action[e->out->n++];
    a->kind = kind;
    return a;
}

/* The caller fills the record; its union is not cleared, so every member of the kind must be set.
 */
struct wn_record *emit_record(struct wn_engine *e, enum wn_record_kind kind)
{
    wn_assert(e->records < WN_ACTIONS_MAX);
    struct wn_record *r = &e->record[e->records++];
    r->kind = kind;
    emit_action(e, WN_ACTION_RECORD)->u.record = r;
    return r;
}

void emit_event(struct wn_engine *e, enum wn_severity severity, const char *kind, const char *fmt,
                ...)
{
    struct wn_event_record *ev = &emit_record(e, WN_RECORD_EVENT)->u.event;
    memset(ev, 0, sizeof *ev);
    ev->time_ns = e->c.now_ns;
    ev->cycle = e->setup.listens ? follow_cycle(e)
                : e->c.position.in_check_up
                    ? 0
                    : wn_position_cycle(&e->c.position, &e->setup.procedure);
    ev->severity = severity;
    (void)snprintf(ev->kind, sizeof ev->kind, "%s", kind);
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(ev->text, sizeof ev->text, fmt, args);
    va_end(args);
}

void emit_state(struct wn_engine *e)
{
    wn_engine_save(e, &emit_record(e, WN_RECORD_STATE)->u.state);
}

void emit_commit(struct wn_engine *e)
{
    (void)emit_action(e, WN_ACTION_COMMIT);
}

/* Intent first and durable, then the output. */
void emit_output(struct wn_engine *e, const struct wn_output *output)
{
    wn_assert(output->mode != WN_OUTPUT_OFF);
    e->c.output = *output;
    e->c.output_on = true;
    e->c.changed_ns = e->c.now_ns;
    e->c.step.output_done = false;
    struct wn_intent_record *i = &emit_record(e, WN_RECORD_INTENT)->u.intent;
    memset(i, 0, sizeof *i);
    i->time_ns = e->c.now_ns;
    i->step_number = e->c.step.number;
    (void)wn_step_describe(step_spec(e), i->text, sizeof i->text);
    emit_state(e);
    emit_commit(e);
    emit_action(e, WN_ACTION_OUTPUT)->u.output = *output;
}

void emit_off(struct wn_engine *e)
{
    if (e->setup.listens) {
        follow_emit_off(e);
        return;
    }
    (void)emit_action(e, WN_ACTION_OFF);
}

void emit_interlock(struct wn_engine *e)
{
    (void)emit_action(e, WN_ACTION_INTERLOCK);
}
