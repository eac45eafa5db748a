/* Audit: the totals of a step against its stored readings.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "audit/internal.h"
#include "base/num.h"

/* Rounding: sums are of doubles, and times of whole nanoseconds. */
#define PART   1e-9
#define LEAST  1e-9
#define TIME_S 2e-6

/* What an instrument that is off may read. */
#define NOISE_A 1e-3

void wn_audit_step_init(struct wn_audit_step *a, const struct wn_audit_setup *setup,
                        const struct wn_step_record *record, const struct wn_audit_end *end)
{
    memset(a, 0, sizeof *a);
    a->setup = setup;
    a->record = *record;
    a->end = *end;
    a->direction = record->kind == WN_STEP_CHARGE ? 1 : record->kind == WN_STEP_REST ? 0 : -1;
    a->gap_max_s = a->direction > 0   ? setup->gap_max_s
                   : a->direction < 0 ? setup->discharge_gap_max_s
                                      : setup->rest_gap_max_s;
    a->highest_v = -INFINITY;
    a->own_c = (struct wn_audit_range){NAN, NAN};
    a->from_ns = record->start_ns;
    const struct wn_audit_range none = {INFINITY, 0};
    a->on_edges.a = a->on_edges.w = a->off_edges.a = a->off_edges.w = none;
}

static bool within_step(const struct wn_audit_step *a, const struct wn_reading *r)
{
    return r->time_ns >= a->record.start_ns && r->time_ns <= a->record.end_ns &&
           isfinite(r->voltage_v) && isfinite(r->current_a);
}

void wn_audit_step_look(struct wn_audit_step *a, const struct wn_reading *r)
{
    bool garbled = fabs(r->current_a) > a->setup->most_a || fabs(r->voltage_v) > a->setup->most_v;
    if (within_step(a, r) && !garbled) {
        a->largest_a = fmax(a->largest_a, a->direction * r->current_a);
        a->highest_v = fmax(a->highest_v, r->voltage_v);
        double c = (r->has & WN_HAS_TEMPERATURE) != 0 ? r->temperature_c : NAN;
        a->own_c.lo = fmin(a->own_c.lo, c); /* ignore a NaN */
        a->own_c.hi = fmax(a->own_c.hi, c);
    }
}

void wn_audit_step_begin(struct wn_audit_step *a, const struct wn_reading *before)
{
    struct wn_integrator_setup setup = {
        .direction = a->direction, .end_kind = WN_END_NONE, .end_value = NAN, .cv_voltage_v = NAN};
    setup.gap_max_s = a->gap_max_s + (a->setup->time_s > 0 ? a->setup->time_s : 0);
    wn_integrator_init(&a->g, &setup);
    a->on_a = fmax(0.002 * a->largest_a, a->setup->driven ? NOISE_A : 0);
    if (before != NULL && !a->setup->driven) { /* a log's step begins with the reading before it */
        audit_edge_begin(a, before);
    }
}

void wn_audit_step_add(struct wn_audit_step *a, const struct wn_reading *r)
{
    bool back = a->has_last && r->time_ns < a->last.time_ns;
    if (within_step(a, r) && !back) {
        audit_edge_add(a, r);
    }
}

static void tell(const struct wn_audit_step *a, const char *check, double is,
                 struct wn_audit_range r, const char *unit)
{
    char x[WN_NUM_SIZE], lo[WN_NUM_SIZE], hi[WN_NUM_SIZE];
    struct wn_audit_finding f = {.step = a->record.step_number};
    (void)snprintf(f.check, sizeof f.check, "%s", check);
    *(a->record.in_check_up ? &f.check_up : &f.cycle) = a->record.cycle;
    (void)snprintf(f.text, sizeof f.text, "%s is %s%s; the stored readings allow %s to %s%s", check,
                   isfinite(is) ? wn_num_format(is, 8, x, sizeof x) : "missing",
                   isfinite(is) ? unit : "", wn_num_format(r.lo, 8, lo, sizeof lo),
                   wn_num_format(r.hi, 8, hi, sizeof hi), unit);
    a->setup->tell(a->setup->ctx, &f);
}

static void check(const struct wn_audit_step *a, const char *name, double is,
                  struct wn_audit_range r, const char *unit)
{
    double most = fmax(isfinite(r.lo) ? fabs(r.lo) : 0, isfinite(r.hi) ? fabs(r.hi) : 0);
    double slack = LEAST + PART * most + (unit[1] == 's' ? TIME_S : 0);
    if (!(is >= r.lo - slack && is <= r.hi + slack)) {
        tell(a, name, is, r, unit);
    }
}

/* Seconds that the readings do not decide: how much of the edges the step was on, at least and at
 * most; and how much was taken for a gap, at most. */
struct undecided {
    struct wn_audit_range edges_s;
    double missing_s;
};

static struct undecided decide(const struct wn_audit_step *a, double active_s)
{
    double edges_s = a->on_edges.all_s + a->off_edges.all_s;
    double path_s = wn_sum_value(&a->g.duration) - wn_sum_value(&a->g.missing);
    double more_s = active_s - path_s; /* of the edges, less what was missing */
    struct undecided d;
    d.missing_s = fmax(fmin(a->doubtful_s, edges_s - more_s), 0);
    d.edges_s.lo = fmin(fmax(more_s, 0), edges_s);
    d.edges_s.hi = fmin(fmax(more_s + d.missing_s, 0), edges_s);
    return d;
}

/* So many seconds of edges, shared out between those where it went on and those where it went off:
 * the least and the most that can have been moved. */
static double share(double seconds, double on_s, double off_s, double on, double off, bool most)
{
    double on_least = fmax(seconds - off_s, 0), on_most = fmin(on_s, seconds);
    double x = on * on_least + off * (seconds - on_least),
           y = on * on_most + off * (seconds - on_most);
    return most ? fmax(x, y) : fmin(x, y);
}

static double finite(double x)
{
    return isfinite(x) ? x : 0;
}

static struct wn_audit_range moved(const struct wn_audit_step *a, double sum, double bound,
                                   bool energy, struct undecided d)
{
    const struct wn_audit_edges *on = &a->on_edges, *off = &a->off_edges;
    struct wn_audit_range x = energy ? on->w : on->a, y = energy ? off->w : off->a;
    bool driven = a->setup->driven; /* of a log the current may have risen slowly */
    double least = share(d.edges_s.lo, on->all_s, off->all_s, driven ? finite(x.lo) : 0,
                         driven ? finite(y.lo) : 0, false);
    double most = share(d.edges_s.hi, on->all_s, off->all_s, x.hi, y.hi, true);
    double missed = d.missing_s * a->largest_a * (energy ? fmax(a->highest_v, 0) : 1);
    struct wn_audit_range r = {sum - bound + least - missed,
                               sum + bound + most + (energy ? a->garbled_ws : a->garbled_as)};
    return (struct wn_audit_range){fmax(r.lo, 0) / S_PER_H, r.hi / S_PER_H};
}

/* Were readings stored that the station, halted or paused, did not integrate? */
static bool some_not_integrated(const struct wn_audit_step *a)
{
    return a->end.interrupted;
}

static struct wn_audit_range from_zero(double hi)
{
    return (struct wn_audit_range){0, hi};
}

static void check_times(const struct wn_audit_step *a, double span_s)
{
    const struct wn_step_sums *s = &a->record.sums;
    double edges_s = a->on_edges.all_s + a->off_edges.all_s;
    double path_s = wn_sum_value(&a->g.duration) - wn_sum_value(&a->g.missing);
    if (some_not_integrated(a)) {
        double most_s = wn_ns_to_s(a->record.end_ns - a->record.start_ns);
        check(a, "duration_s", s->duration_s, from_zero(most_s), " s");
        check(a, "missing_s", s->missing_s, from_zero(s->duration_s), " s");
        return;
    }
    /* The reading that ended it may have come up to a gap later, and not be stored. */
    double most_s = span_s + a->on_edges.first_s + a->off_edges.last_s + a->gap_max_s;
    struct wn_audit_range whole = {span_s, most_s}, active = {fmax(path_s - a->doubtful_s, 0),
                                                              path_s + edges_s + a->gap_max_s};
    struct wn_audit_range missing = {fmax(s->duration_s - active.hi, 0), s->duration_s - active.lo};
    check(a, "duration_s", s->duration_s, whole, " s");
    check(a, "missing_s", s->missing_s, missing, " s");
}

/* To the exact end: between the last reading that cannot have been at the end value and the first
 * that was. */
static void check_end(const struct wn_audit_step *a, struct undecided d,
                      struct wn_audit_range charge, struct wn_audit_range energy)
{
    const struct wn_step_sums *s = &a->record.sums;
    double in = a->direction > 0 ? s->charge_in_ah : s->charge_out_ah;
    double in_wh = a->direction > 0 ? s->energy_in_wh : s->energy_out_wh;
    if (s->crossed == 0) {
        if (a->end.known && a->certain && !some_not_integrated(a)) {
            tell(a, "crossed", 0, (struct wn_audit_range){1, 1}, "");
        }
        check(a, "end_charge_ah", s->end_charge_ah, (struct wn_audit_range){in, in}, " Ah");
        check(a, "end_energy_wh", s->end_energy_wh, (struct wn_audit_range){in_wh, in_wh}, " Wh");
        return;
    }
    if (a->end.known && !a->possible) {
        tell(a, "crossed", 1, (struct wn_audit_range){0, 0}, "");
        return;
    }
    const struct wn_audit_sums *p = &a->at_possible, *c = &a->at_certain;
    struct undecided none = {{0, 0}, d.missing_s};
    bool least = a->possible && !some_not_integrated(a);
    charge.lo = least ? moved(a, p->charge, p->charge_bound, false, none).lo : 0;
    energy.lo = least ? moved(a, p->energy, p->energy_bound, true, none).lo : 0;
    if (a->certain) {
        charge.hi = moved(a, c->charge, c->charge_bound, false, d).hi;
        energy.hi = moved(a, c->energy, c->energy_bound, true, d).hi;
    }
    charge.hi = fmin(charge.hi, in * (1 + PART));
    energy.hi = fmin(energy.hi, in_wh * (1 + PART));
    check(a, "end_charge_ah", s->end_charge_ah, charge, " Ah");
    check(a, "end_energy_wh", s->end_energy_wh, energy, " Wh");
}

static void check_current(struct wn_audit_step *a)
{
    const struct wn_step_sums *s = &a->record.sums;
    struct undecided d = decide(a, s->duration_s - s->missing_s);
    struct wn_audit_sums b = a->bounds;
    bool in = a->direction > 0;
    double sum = wn_sum_value(in ? &a->g.charge_in : &a->g.charge_out),
           sum_w = wn_sum_value(in ? &a->g.energy_in : &a->g.energy_out);
    struct wn_audit_range charge = moved(a, sum, b.charge_bound, false, d);
    struct wn_audit_range energy = moved(a, sum_w, b.energy_bound, true, d);
    /* against its direction only what passes for noise */
    double edges_s = a->on_edges.all_s + a->off_edges.all_s;
    double against =
        (a->on_a * (s->duration_s + edges_s) + b.charge_bound + a->garbled_as) / S_PER_H;
    double against_w = against * fmax(a->highest_v, 0) + (b.energy_bound + a->garbled_ws) / S_PER_H;
    a->bound_ah = (charge.hi - charge.lo) / 2;
    if (some_not_integrated(a)) {
        charge.lo = energy.lo = 0;
        a->bound_ah = NAN;
    }
    check(a, "charge_in_ah", s->charge_in_ah, in ? charge : from_zero(against), " Ah");
    check(a, "charge_out_ah", s->charge_out_ah, in ? from_zero(against) : charge, " Ah");
    check(a, "energy_in_wh", s->energy_in_wh, in ? energy : from_zero(against_w), " Wh");
    check(a, "energy_out_wh", s->energy_out_wh, in ? from_zero(against_w) : energy, " Wh");
    check_end(a, d, charge, energy);
}

static void check_rest(const struct wn_audit_step *a)
{
    const struct wn_step_sums *s = &a->record.sums;
    const struct wn_audit_sums *b = &a->bounds;
    double q_in = wn_sum_value(&a->g.charge_in), q_out = wn_sum_value(&a->g.charge_out);
    double e_in = wn_sum_value(&a->g.energy_in), e_out = wn_sum_value(&a->g.energy_out);
    const struct wn_audit_edges *on = &a->on_edges, *off = &a->off_edges;
    double open_s = on->all_s + off->all_s + a->doubtful_s;
    double edge = fmax(on->a.hi, off->a.hi) * open_s + a->garbled_as;
    double edge_w = fmax(on->w.hi, off->w.hi) * open_s + a->garbled_ws;
    const struct {
        const char *name;
        double is, sum, off;
        const char *unit;
    } all[] = {{"charge_in_ah", s->charge_in_ah, q_in, b->charge_bound + edge, " Ah"},
               {"charge_out_ah", s->charge_out_ah, q_out, b->charge_bound + edge, " Ah"},
               {"energy_in_wh", s->energy_in_wh, e_in, b->energy_bound + edge_w, " Wh"},
               {"energy_out_wh", s->energy_out_wh, e_out, b->energy_bound + edge_w, " Wh"}};
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        double least = some_not_integrated(a) ? 0 : all[i].sum - all[i].off;
        struct wn_audit_range r = {fmax(least, 0) / S_PER_H, (all[i].sum + all[i].off) / S_PER_H};
        check(a, all[i].name, all[i].is, r, all[i].unit);
    }
}

static void check_temperatures(const struct wn_audit_step *a)
{
    const struct wn_step_sums *s = &a->record.sums;
    bool all = !(a->setup->time_s > 0);
    double t = all ? 0 : a->setup->temperature_c >= 0 ? a->setup->temperature_c : INFINITY;
    if (!isfinite(a->g.temperature_max_c) || isnan(s->temperature_max_c)) {
        return; /* a thermometer may have been away for all readings but those that were stored */
    }
    /* of a log it is not told whether the readings at its ends were shared */
    bool driven = a->setup->driven, some = some_not_integrated(a);
    double max_c = a->g.temperature_max_c, min_c = a->g.temperature_min_c;
    struct wn_audit_range most = {driven ? max_c : a->own_c.hi, fmax(max_c, a->own_c.hi) + t},
                          least = {fmin(min_c, a->own_c.lo) - t, driven ? min_c : a->own_c.lo};
    if (some) {
        most.lo = -INFINITY;
        least.hi = INFINITY;
    }
    check(a, "temperature_max_c", s->temperature_max_c, most, " degC");
    check(a, "temperature_min_c", s->temperature_min_c, least, " degC");
}

void wn_audit_step_end(struct wn_audit_step *a, const struct wn_reading *after)
{
    const struct wn_step_sums *s = &a->record.sums;
    audit_edge_finish(a, a->setup->driven ? NULL : after);
    if (a->readings == 0) { /* nothing was on, or nothing was read */
        double span_s = wn_ns_to_s(a->record.end_ns - a->record.start_ns);
        double noise_ah = a->on_a * span_s / S_PER_H;
        check(a, "charge_in_ah", s->charge_in_ah, from_zero(noise_ah), " Ah");
        check(a, "charge_out_ah", s->charge_out_ah, from_zero(noise_ah), " Ah");
        return;
    }
    check_times(a, wn_ns_to_s(a->last_on_ns - a->first_on_ns));
    if (a->direction == 0) {
        check_rest(a);
    } else {
        check_current(a);
    }
    check_temperatures(a);
}
