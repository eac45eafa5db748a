/* Virtual bench: power stages beside the tester's own, and what flows between all of them.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/stage.h"

#include <math.h>

#include "base/assert.h"
#include "virtual_bench/tester_internal.h"

#define S_PER_NS 1e-9

/* Everything that is connected, seen from the cell's terminals. */
struct node {
    bool feeds, draws;
    double limit_a;   /* the most that is fed */
    double voltage_v; /* up to which it is fed */
    double current_a; /* drawn with constant current */
    double power_w;   /* drawn with constant power */
    double draw_a;    /* both together */
};

static double stage_draw(const struct wn_stage *s, double voltage_v)
{
    if (!s->power) {
        return s->current_a;
    }
    return fmin(s->power_w / fmax(voltage_v, COMPLIANCE_V), POWER_MAX_A);
}

static void gather(const struct wn_tester *t, struct node *n)
{
    double voltage_v = wn_cell_voltage(&t->cell, t->flow_a);

    *n = (struct node){.limit_a = 0.0};
    for (int i = 0; i < t->stages; i++) {
        const struct wn_stage *s = t->stage[i];
        if (!s->closed) {
            continue;
        }
        n->feeds = n->feeds || !s->load;
        n->draws = n->draws || s->load;
        n->limit_a += s->load ? 0.0 : s->current_a;
        n->voltage_v = s->load ? n->voltage_v : fmax(n->voltage_v, s->voltage_v);
        n->current_a += s->load && !s->power ? s->current_a : 0.0;
        n->power_w += s->load && s->power ? s->power_w : 0.0;
    }
    if (t->relay) {
        bool feeds = t->set.function == WN_TESTER_CHARGE;
        n->feeds = n->feeds || feeds;
        n->draws = n->draws || !feeds;
        n->limit_a += feeds ? t->set.current_a : 0.0;
        n->voltage_v = feeds ? fmax(n->voltage_v, t->set.voltage_v) : n->voltage_v;
        n->current_a += t->set.function == WN_TESTER_DISCHARGE ? t->set.current_a : 0.0;
        n->power_w += t->set.function == WN_TESTER_POWER ? t->set.power_w : 0.0;
    }
    n->draw_a =
        n->current_a +
        (n->power_w > 0.0 ? fmin(n->power_w / fmax(voltage_v, COMPLIANCE_V), POWER_MAX_A) : 0.0);
}

/* Gives each stage its part of what is fed (of n->limit_a) and drawn; sets what is not the
 * tester's.
 */
static void share(struct wn_tester *t, const struct node *n, double fed_a, double drawn_a,
                  double node_v)
{
    double fed = n->limit_a > 0.0 ? fed_a / n->limit_a : 0.0;
    double drawn = n->draw_a > 0.0 ? drawn_a / n->draw_a : 0.0;

    t->others_a = 0.0;
    for (int i = 0; i < t->stages; i++) {
        struct wn_stage *s = t->stage[i];
        s->terminal_v = node_v;
        s->flow_a = !s->closed ? 0.0
                    : s->load  ? -drawn * stage_draw(s, node_v)
                               : fed * s->current_a;
        t->others_a += s->flow_a;
    }
}

bool stages_closed(const struct wn_tester *t)
{
    for (int i = 0; i < t->stages; i++) {
        if (t->stage[i]->closed) {
            return true;
        }
    }
    return false;
}

void stages_look(struct wn_tester *t)
{
    struct node n;

    if (t->stages == 0) {
        return;
    }
    gather(t, &n);
    if (n.feeds && n.draws && !t->both) {
        t->both_count++;
    }
    t->both = n.feeds && n.draws;
}

static bool exceeds(double value, double limit)
{
    return limit > 0.0 && value > limit;
}

static void protect(struct wn_tester *t)
{
    for (int i = 0; i < t->stages; i++) {
        struct wn_stage *s = t->stage[i];
        if (s->on &&
            (exceeds(s->terminal_v, s->protect_v) || exceeds(fabs(s->flow_a), s->protect_a))) {
            s->tripped = true;
            wn_stage_switch(t, s, false);
        }
    }
}

/* The highest voltage at which a load, or the tester, stops by itself; 0: none does. */
static double stop_voltage(const struct wn_tester *t)
{
    double stop_v = t->output && t->set.function != WN_TESTER_CHARGE ? t->set.voltage_v : 0.0;

    for (int i = 0; i < t->stages; i++) {
        const struct wn_stage *s = t->stage[i];
        stop_v = s->on && s->load ? fmax(stop_v, s->voltage_v) : stop_v;
    }
    return stop_v;
}

static void stop(struct wn_tester *t, double level_v)
{
    for (int i = 0; i < t->stages; i++) {
        struct wn_stage *s = t->stage[i];
        if (s->on && s->load && s->voltage_v >= level_v) {
            s->stopped = true;
            wn_stage_switch(t, s, false);
        }
    }
    if (t->output && t->set.function != WN_TESTER_CHARGE && t->set.voltage_v >= level_v) {
        tester_trip(t, WN_TESTER_TRIP_STOP);
    }
}

/* Nothing feeds: the loads empty the cell. */
static int64_t draw(struct wn_tester *t, const struct node *n, int64_t ns)
{
    double dt_s = (double)ns * S_PER_NS;
    double stop_v = stop_voltage(t);
    double wanted_a = n->power_w > 0.0 && !(n->current_a > 0.0)
                          ? wn_cell_solve_power(&t->cell, dt_s, n->power_w, POWER_MAX_A)
                          : -n->draw_a;
    bool stopped = false;

    ns = tester_draw(t, ns, wanted_a, stop_v, &stopped);
    share(t, n, 0.0, -t->flow_a, wn_cell_voltage(&t->cell, t->flow_a));
    if (stopped) {
        stop(t, stop_v);
    }
    return ns;
}

/* What is left when the cell is cut off: the instruments among themselves. */
static void apart(struct wn_tester *t, const struct node *n, double dt_s)
{
    bool holds = n->feeds && n->limit_a >= n->draw_a;
    double flow_a = n->feeds ? fmin(n->limit_a, n->draw_a) : 0.0;

    t->flow_a = 0.0;
    wn_cell_step(&t->cell, dt_s, 0.0);
    share(t, n, flow_a, flow_a, holds ? n->voltage_v : 0.0);
    for (int i = 0; i < t->stages; i++) {
        struct wn_stage *s = t->stage[i];
        if (s->on && s->load && s->terminal_v < s->voltage_v) {
            s->stopped = true;
            wn_stage_switch(t, s, false);
        }
    }
}

int64_t stages_flow(struct wn_tester *t, int64_t ns)
{
    double dt_s = (double)ns * S_PER_NS;
    struct node n;

    gather(t, &n);
    if (t->discharge.on && (n.feeds || t->interlock_open)) {
        tester_end_discharge(t);
    }
    if (t->interlock_open) {
        apart(t, &n, dt_s);
    } else if (!n.feeds) {
        ns = draw(t, &n, ns);
    } else {
        t->flow_a = n.limit_a > 0.0 ? wn_cell_solve_voltage(&t->cell, dt_s, n.voltage_v, -n.draw_a,
                                                            n.limit_a - n.draw_a)
                                    : -n.draw_a;
        wn_cell_step(&t->cell, dt_s, t->flow_a);
        share(t, &n, t->flow_a + n.draw_a, n.draw_a, wn_cell_voltage(&t->cell, t->flow_a));
    }
    protect(t);
    return ns;
}

void wn_stage_attach(struct wn_tester *t, struct wn_stage *s)
{
    wn_assert(t->stages < WN_TESTER_STAGES_MAX);
    t->stage[t->stages++] = s;
}

void wn_stage_switch(struct wn_tester *t, struct wn_stage *s, bool on)
{
    bool closed = on || (s->closed && s->stuck);

    if (on) {
        s->stopped = false;
    }
    s->on = on;
    if (closed == s->closed) {
        return;
    }
    if (!closed && s->load && t->discharge.on) {
        tester_end_discharge(t); /* while it is still known what flowed, and down to where */
    }
    s->closed = closed;
    t->others_a -= closed ? 0.0 : s->flow_a;
    t->flow_a -= closed || t->interlock_open ? 0.0 : s->flow_a;
    s->flow_a = closed ? s->flow_a : 0.0;
    if (!stages_closed(t)) {
        t->others_a = 0.0; /* to the last bit */
        t->flow_a = t->relay ? t->flow_a : 0.0;
    }
    if (on && !s->load) {
        t->charge_a = s->current_a;
        t->charge_v = s->voltage_v;
    }
    stages_look(t);
}

void wn_stage_interlock(struct wn_tester *t, bool open)
{
    if (open && t->discharge.on) {
        tester_end_discharge(t);
    }
    t->interlock_open = open;
    t->flow_a = open ? 0.0 : t->flow_a;
}
