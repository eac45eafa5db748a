/* Procedure: the arithmetic of where one is.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "procedure/procedure.h"

#include "base/assert.h"

int64_t wn_procedure_cycles(const struct wn_procedure *proc)
{
    int64_t cycles = 0;
    for (int i = 0; i < proc->phases; i++) {
        if (proc->phase[i].makes_cycles) {
            cycles += proc->phase[i].repeat;
        }
    }
    return cycles;
}

static bool repeats_left(const struct wn_position *p, const struct wn_procedure *proc)
{
    const struct wn_phase *phase = &proc->phase[p->phase];
    return phase->steps > 0 && p->repeat < phase->repeat;
}

/* Asked between two rounds only. The last finished check-up tells whether this boundary has had its
 * own, so a check-up after the last cycle is not done twice when every N-th is also the last. */
static bool check_up_due(const struct wn_position *p, const struct wn_procedure *proc)
{
    if (proc->check_up_steps == 0 || p->check_up_at_cycle == p->cycles_done) {
        return false;
    }
    if (p->cycles_done == 0) {
        return p->phase < proc->phases && proc->phase[p->phase].makes_cycles;
    }
    return p->cycles_done == wn_procedure_cycles(proc) ||
           (proc->check_up_every > 0 && p->cycles_done % proc->check_up_every == 0);
}

/* Between two rounds: settles on the phase that goes on, and on a check-up before it. */
static void begin_round(struct wn_position *p, const struct wn_procedure *proc)
{
    while (p->phase < proc->phases && !repeats_left(p, proc)) {
        p->phase++;
        p->repeat = 0;
    }
    p->step = 0;
    p->in_check_up = check_up_due(p, proc);
}

void wn_position_init(struct wn_position *p, const struct wn_procedure *proc)
{
    *p = (struct wn_position){.check_up_at_cycle = -1};
    begin_round(p, proc);
}

bool wn_position_finished(const struct wn_position *p, const struct wn_procedure *proc)
{
    return p->phase >= proc->phases && !p->in_check_up;
}

/* Steps of the round one is in. */
static int round_steps(const struct wn_position *p, const struct wn_procedure *proc)
{
    return p->in_check_up ? proc->check_up_steps : proc->phase[p->phase].steps;
}

const struct wn_step *wn_position_step(const struct wn_position *p, const struct wn_procedure *proc)
{
    if (wn_position_finished(p, proc)) {
        return NULL;
    }
    int first = p->in_check_up ? proc->check_up_first_step : proc->phase[p->phase].first_step;
    wn_assert(p->step >= 0 && p->step < round_steps(p, proc));
    return &proc->step[first + p->step];
}

bool wn_position_last_of_round(const struct wn_position *p, const struct wn_procedure *proc)
{
    return !wn_position_finished(p, proc) && p->step == round_steps(p, proc) - 1;
}

int64_t wn_position_cycle(const struct wn_position *p, const struct wn_procedure *proc)
{
    if (p->in_check_up) {
        return p->check_ups_done + 1;
    }
    if (wn_position_finished(p, proc) || !proc->phase[p->phase].makes_cycles) {
        return 0;
    }
    return p->cycles_done + 1;
}

void wn_position_advance(struct wn_position *p, const struct wn_procedure *proc)
{
    wn_assert(!wn_position_finished(p, proc));
    if (!wn_position_last_of_round(p, proc)) {
        p->step++;
        return;
    }
    if (p->in_check_up) {
        p->check_ups_done++;
        p->check_up_at_cycle = p->cycles_done;
    } else {
        p->repeat++;
        if (proc->phase[p->phase].makes_cycles) {
            p->cycles_done++;
        }
    }
    begin_round(p, proc);
}

bool wn_position_fits(const struct wn_position *p, const struct wn_procedure *proc)
{
    int64_t cycles = 0;
    if (p->phase < 0 || p->phase > proc->phases || p->step < 0 || p->repeat < 0 ||
        p->check_ups_done < 0 || p->check_up_at_cycle < -1) {
        return false;
    }
    for (int i = 0; i < p->phase; i++) {
        cycles += proc->phase[i].makes_cycles ? proc->phase[i].repeat : 0;
    }
    if (p->phase == proc->phases) {
        if (p->repeat != 0) {
            return false;
        }
    } else if (p->repeat >= proc->phase[p->phase].repeat) {
        return false;
    } else if (proc->phase[p->phase].makes_cycles) {
        cycles += p->repeat;
    }
    if (p->cycles_done != cycles || p->check_up_at_cycle > cycles) {
        return false;
    }
    return wn_position_finished(p, proc) ? p->step == 0 : p->step < round_steps(p, proc);
}
