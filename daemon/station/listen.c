/* A station whose tester runs its own program: when it may, and who knows what stops it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "station.h"

bool listen_is_let_run(const struct station *s)
{
    return s->campaign != NULL && wn_engine_output_on(s->engine);
}

bool listen_may_stop(const struct station *s)
{
    return !instrument_listens(s->bench.instrument) || listen_is_let_run(s);
}

/* Is there something about the tester itself the guard can do? A relay has a duplicate of its own.
 */
static bool guard_stops(const struct station *s, const struct instrument *i)
{
    return i->dialect.safe_off_len > 0 || wn_interlock_is_line(s->config.interlock);
}

static bool guard_knows(struct station *s, struct instrument *i)
{
    struct wn_error err = {0};
    if (i->guarded || !guard_stops(s, i)) {
        return true;
    }
    i->guarded = guard_register(s, i, &err) == WN_OK;
    if (!i->guarded) {
        bench_tell_fault(s, &err);
    }
    return i->guarded;
}

/* The tester may run its own program: first the guard knows what stops it, then the interlock
 * closes. */
void listen_let_run(struct station *s, struct instrument *i)
{
    s->bench.output_wanted = i->off = false;
    if (guard_knows(s, i) && !s->bench.interlock_latched) {
        bench_close_interlock(s);
    }
}

/* A tester nobody lets run is no affair of the guard either; one that may still run is, also behind
 * a port that was lost and came back before off was verified. */
void listen_tell_guard(struct station *s)
{
    struct instrument *i = s->bench.instrument;
    if (!instrument_listens(i)) {
        return;
    }
    if (listen_is_let_run(s)) {
        (void)(i->stage != STAGE_READY || s->bench.output_wanted || guard_knows(s, i));
    } else if (i->guarded) {
        guard_release(s, i);
        i->guarded = false;
    }
}

/* Nothing it says confirms it; the engine has seen the current gone. What nothing stops is not
 * waited for. */
bool listen_is_over(const struct station *s)
{
    bool stoppable = s->campaign != NULL && (s->setup.stop_command || s->setup.interlock);
    return !(stoppable && listen_is_let_run(s));
}
