/* Audit: a step's stretches of current, their edges, and what may have happened between two stored
 * readings. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The last reading of a stretch is one that the station may not have integrated: it halts by it, or
 * has sent off already. What is certain goes up to the one before it; the rest belongs to the edge.
 */
#include <math.h>

#include "audit/internal.h"

static double threshold(double x)
{
    return x >= 0 ? x : INFINITY; /* not finite: it never moved a reading into the file */
}

static bool all_are_stored(const struct wn_audit_step *a)
{
    return !(a->setup->time_s > 0);
}

/* The current or the voltage of a reading that was not stored is less than the threshold away from
 * the stored one before it. */
static void bound_interval(struct wn_audit_step *a, const struct wn_reading *from,
                           const struct wn_reading *to, double dt_s)
{
    const struct wn_audit_setup *u = a->setup;
    double i = fmax(fabs(to->current_a), fabs(from->current_a)),
           v = fmax(fabs(to->voltage_v), fabs(from->voltage_v));
    double off_a = threshold(u->current_a) + fabs(to->current_a - from->current_a) / 2;
    double off_v = threshold(u->voltage_v) + fabs(to->voltage_v - from->voltage_v) / 2;
    a->bounds.charge_bound += off_a * dt_s;
    a->bounds.energy_bound += (off_a * (v + off_v) + off_v * i) * dt_s;
}

static struct wn_audit_sums sums_now(const struct wn_audit_step *a)
{
    struct wn_audit_sums s = a->bounds;
    const struct wn_integrator *g = &a->g;
    s.charge = wn_sum_value(a->direction > 0 ? &g->charge_in : &g->charge_out);
    s.energy = wn_sum_value(a->direction > 0 ? &g->energy_in : &g->energy_out);
    s.time = wn_sum_value(&g->duration);
    return s;
}

/* -- the end value
 * -----------------------------------------------------------------------------------------------
 */

/* At the end value, or within so much of it. Set voltages may have been lowered for the
 * temperature: the highest reading tells. */
static bool at_end(const struct wn_audit_step *a, const struct wn_reading *r, double slack_v,
                   double slack_a)
{
    if (!a->end.known || a->end.kind == WN_END_NONE) {
        return false;
    }
    if (a->end.kind == WN_END_VOLTAGE_BELOW) {
        return r->voltage_v <= a->end.value + slack_v;
    }
    double set_v = fmin(a->end.cv_voltage_v, a->highest_v);
    return r->voltage_v >= set_v - WN_CV_TOLERANCE_V - slack_v &&
           fabs(r->current_a) <= a->end.value + slack_a;
}

/* Of a log the first reading at the end value counts; a station believes it when the next one is
 * there too, and that is sure only when no reading between them can be elsewhere. */
static void watch_end(struct wn_audit_step *a, const struct wn_reading *r,
                      const struct wn_audit_sums *before)
{
    bool all = all_are_stored(a), there = at_end(a, r, 0, 0);
    double slack_v = all ? 0 : threshold(a->setup->voltage_v),
           slack_a = all ? 0 : threshold(a->setup->current_a);
    if (!a->possible && (there || at_end(a, r, slack_v, slack_a))) {
        a->possible = true;
        a->at_possible = there ? *before : sums_now(a);
    }
    if (a->certain || !there) {
        a->candidate = a->candidate && there;
        return;
    }
    if (!a->setup->driven) {
        a->certain = true;
        a->at_certain = sums_now(a);
    } else if (a->candidate) {
        a->certain = true;
        a->at_certain = a->at_candidate;
    } else if (at_end(a, r, -slack_v, -slack_a)) {
        a->candidate = true;
        a->at_candidate = sums_now(a);
    }
}

/* -- integrating what is certain
 * ------------------------------------------------------------------------------------------- */

static void integrate(struct wn_audit_step *a, const struct wn_reading *r)
{
    struct wn_audit_sums before = sums_now(a);
    double dt_s = a->readings > 0 ? wn_ns_to_s(r->time_ns - a->g.last.time_ns) : 0;
    bool joined = a->readings > 0 && !a->g.broken && dt_s <= a->g.setup.gap_max_s;
    if (joined && !all_are_stored(a)) {
        bound_interval(a, &a->g.last, r, dt_s);
        a->doubtful_s += dt_s > a->gap_max_s ? dt_s : 0;
    }
    (void)wn_integrator_add(&a->g, r);
    a->readings++;
    if (a->direction != 0) {
        watch_end(a, r, &before);
    }
}

/* A single reading at the end value is dropped by a station: garbled. */
static void take(struct wn_audit_step *a, const struct wn_reading *r)
{
    bool there = a->setup->driven && at_end(a, r, 0, 0);
    if (there && !a->has_held && !a->certain) {
        a->held = *r;
        a->has_held = true;
        return;
    }
    if (a->has_held && there) {
        integrate(a, &a->held);
    }
    a->has_held = false;
    integrate(a, r);
}

/* -- edges
 * -------------------------------------------------------------------------------------------------------
 */

/* slack: so far away from it may be readings at this edge that were not stored. */
static void seen(struct wn_audit_edges *e, const struct wn_reading *r, double slack_a,
                 double slack_v)
{
    double i = fabs(r->current_a), v = fabs(r->voltage_v);
    double least_a = fmax(i - slack_a, 0), least_v = fmax(v - slack_v, 0);
    e->a.lo = fmin(e->a.lo, least_a);
    e->a.hi = fmax(e->a.hi, i + slack_a);
    e->w.lo = fmin(e->w.lo, least_a * least_v);
    e->w.hi = fmax(e->w.hi, (i + slack_a) * (v + slack_v));
}

/* The last readings before it went off may not have been stored: one of them may be the last that
 * counts. */
static void seen_last(struct wn_audit_step *a, const struct wn_reading *r)
{
    const double much = 1e9; /* where nothing bounds it: the product with no time is still none */
    bool all = all_are_stored(a);
    seen(&a->off_edges, r, all ? 0 : fmin(threshold(a->setup->current_a), much),
         all ? 0 : fmin(threshold(a->setup->voltage_v), much));
}

static void add_edge(struct wn_audit_edges *e, wn_ns from_ns, wn_ns to_ns, bool first)
{
    e->last_s = fmax(wn_ns_to_s(to_ns - from_ns), 0);
    e->first_s = first ? e->last_s : e->first_s;
    e->all_s += e->last_s;
}

static void switch_on(struct wn_audit_step *a, const struct wn_reading *r)
{
    wn_ns since = a->has_last && a->last.time_ns > a->from_ns ? a->last.time_ns : a->from_ns;
    add_edge(&a->on_edges, since, r->time_ns, !a->has_first);
    seen(&a->on_edges, r, 0, 0);
    if (!a->has_first) {
        a->has_first = true;
        a->first_on_ns = r->time_ns;
    } else {
        wn_integrator_break(&a->g);
    }
    a->on = true;
}

/* The end value may be that of a reading that is not integrated here: perhaps the station did. */
static void may_be_at_end(struct wn_audit_step *a, const struct wn_reading *r)
{
    if (!a->possible && a->direction != 0 &&
        at_end(a, r, threshold(a->setup->voltage_v), threshold(a->setup->current_a))) {
        a->possible = true;
        a->at_possible = sums_now(a);
    }
}

static void switch_off(struct wn_audit_step *a, wn_ns at_ns)
{
    a->on = false;
    if (a->has_maybe) {
        may_be_at_end(a, &a->maybe);
    }
    if (a->has_held && a->has_maybe && at_end(a, &a->maybe, 0, 0)) {
        integrate(a, &a->held);
        if (a->candidate) {
            a->certain = true;
            a->at_certain = a->at_candidate;
        }
    }
    a->has_held = false;
    if (a->readings == 0 || a->g.broken) { /* a stretch of one reading */
        integrate(a, &a->maybe);
    }
    if (a->has_maybe) {
        seen_last(a, &a->maybe);
    }
    a->has_maybe = false;
    seen_last(a, &a->g.last);
    add_edge(&a->off_edges, a->g.last.time_ns, at_ns, false);
    a->last_on_ns = a->g.last.time_ns;
}

static void current_flows(struct wn_audit_step *a, const struct wn_reading *r)
{
    if (!a->on) {
        switch_on(a, r);
    }
    if (a->direction == 0 || !a->setup->driven) {
        take(a, r);
        return;
    }
    if (a->has_maybe) {
        take(a, &a->maybe);
    }
    a->maybe = *r;
    a->has_maybe = true;
}

/* What it would count if it was integrated all the same: up to the readings on both sides. */
static void count_garbled(struct wn_audit_step *a, wn_ns until_ns)
{
    if (a->has_garbled) {
        wn_ns from_ns = a->has_last ? a->last.time_ns : a->from_ns;
        double dt_s = wn_ns_to_s(until_ns - from_ns), i = fabs(a->garbled.current_a);
        a->garbled_as += i * dt_s;
        a->garbled_ws += i * fabs(a->garbled.voltage_v) * dt_s;
        a->has_garbled = false;
    }
}

static bool is_garbled(const struct wn_audit_step *a, const struct wn_reading *r)
{
    return fabs(r->current_a) > a->setup->most_a || fabs(r->voltage_v) > a->setup->most_v;
}

void audit_edge_add(struct wn_audit_step *a, const struct wn_reading *r)
{
    if (is_garbled(a, r)) {
        count_garbled(a, r->time_ns);
        a->garbled = *r;
        a->has_garbled = true;
        return;
    }
    count_garbled(a, r->time_ns);
    if (a->direction == 0 || a->direction * r->current_a > a->on_a) {
        current_flows(a, r);
    } else if (a->on) {
        switch_off(a, r->time_ns);
        may_be_at_end(a, r); /* what has switched itself off is read until it is noticed */
    }
    a->last = *r;
    a->has_last = true;
}

void audit_edge_begin(struct wn_audit_step *a, const struct wn_reading *before)
{
    seen(&a->on_edges, before, 0, 0);
    if (before->time_ns == a->from_ns) {
        switch_on(a, before);
        take(a, before);
        a->last = *before;
        a->has_last = true;
    }
}

void audit_edge_finish(struct wn_audit_step *a, const struct wn_reading *after)
{
    count_garbled(a, a->record.end_ns);
    if (a->on && after != NULL && after->time_ns == a->record.end_ns &&
        after->time_ns >= a->g.last.time_ns) {
        take(a, after);
    }
    if (a->on) {
        wn_ns last_ns = a->has_maybe ? a->maybe.time_ns : a->g.last.time_ns;
        switch_off(a, a->record.end_ns > last_ns ? a->record.end_ns : last_ns);
    }
}
