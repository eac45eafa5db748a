/* Audit: a cycle or a check-up against its steps.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What a station writes follows from its steps to the last digit. Of a log that was recognised
 * (imported, listened to) a capacity may be that of several steps in a row. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "audit/internal.h"
#include "base/num.h"

#define PART 1e-9

void wn_audit_round_begin(struct wn_audit_round *a, const struct wn_audit_setup *setup,
                          bool in_check_up, int64_t number)
{
    memset(a, 0, sizeof *a);
    a->setup = setup;
    a->in_check_up = in_check_up;
    a->number = number;
    a->open = true;
    a->temperature_max_c = a->ambient_min_c = a->ambient_max_c = NAN;
}

void wn_audit_round_add(struct wn_audit_round *a, const struct wn_step_record *step)
{
    const struct wn_step_sums *s = &step->sums;
    a->start_ns = a->steps++ == 0 ? step->start_ns : a->start_ns;
    a->end_ns = step->end_ns;
    a->temperature_max_c = fmax(a->temperature_max_c, s->temperature_max_c); /* ignore a NaN */
    a->ambient_min_c = fmin(a->ambient_min_c, s->ambient_min_c);
    a->ambient_max_c = fmax(a->ambient_max_c, s->ambient_max_c);
    a->time_limit = a->time_limit || strcmp(step->ended_by, "time_limit") == 0;
    if (step->kind == WN_STEP_CHARGE) {
        a->charge_ah += s->charge_in_ah;
        a->charge_wh += s->energy_in_wh;
        a->has_charge = true;
    } else if (step->kind == WN_STEP_DISCHARGE || step->kind == WN_STEP_DISCHARGE_POWER) {
        a->discharge = *s;
        a->has_discharge = true;
        a->out_ah += s->charge_out_ah;
        a->out_wh += s->energy_out_wh;
        a->most_ah = fmax(a->most_ah, s->end_charge_ah);
    }
}

static void tell(const struct wn_audit_round *a, const char *check, const char *text)
{
    struct wn_audit_finding f = {.step = 0};
    *(a->in_check_up ? &f.check_up : &f.cycle) = a->number;
    (void)snprintf(f.check, sizeof f.check, "%s", check);
    (void)snprintf(f.text, sizeof f.text, "%s %s", check, text);
    a->setup->tell(a->setup->ctx, &f);
}

/* The same number, or both not known. */
static void same(const struct wn_audit_round *a, const char *check, double is, double should)
{
    char text[120], x[WN_NUM_SIZE], y[WN_NUM_SIZE];
    bool fits = isfinite(should) ? fabs(is - should) <= PART * fabs(should) + 1e-12 : !isfinite(is);
    if (fits) {
        return;
    }
    (void)snprintf(text, sizeof text, "is %s; its steps give %s",
                   isfinite(is) ? wn_num_format(is, 9, x, sizeof x) : "missing",
                   isfinite(should) ? wn_num_format(should, 9, y, sizeof y) : "none");
    tell(a, check, text);
}

/* Left out (not known) is allowed: what is compared must have been measured alike. */
static void same_if_known(const struct wn_audit_round *a, const char *check, double is,
                          double should)
{
    if (isfinite(is)) {
        same(a, check, is, should);
    }
}

static void between(const struct wn_audit_round *a, const char *check, double is, double lo,
                    double hi)
{
    char text[160], x[WN_NUM_SIZE], l[WN_NUM_SIZE], h[WN_NUM_SIZE];
    if (is >= lo - PART * fabs(lo) && is <= hi + PART * fabs(hi)) {
        return;
    }
    (void)snprintf(text, sizeof text, "is %s; its steps allow %s to %s",
                   isfinite(is) ? wn_num_format(is, 9, x, sizeof x) : "missing",
                   wn_num_format(lo, 9, l, sizeof l), wn_num_format(hi, 9, h, sizeof h));
    tell(a, check, text);
}

static double ratio(double a, double b)
{
    return b > 0 ? a / b : NAN;
}

static void check_discharge(const struct wn_audit_round *a, struct wn_measured capacity_ah,
                            struct wn_measured energy_wh)
{
    const struct wn_step_sums *d = &a->discharge;
    if (a->setup->driven) {
        same(a, "capacity_ah", capacity_ah.value, a->has_discharge ? d->end_charge_ah : NAN);
        same(a, "energy_wh", energy_wh.value, a->has_discharge ? d->end_energy_wh : NAN);
    } else if (isfinite(capacity_ah.value)) {
        between(a, "capacity_ah", capacity_ah.value, 0, a->out_ah);
        between(a, "energy_wh", energy_wh.value, 0, a->out_wh);
    }
}

static void check_flags(const struct wn_audit_round *a, unsigned flags)
{
    const struct {
        unsigned flag;
        bool should;
    } all[] = {
        {WN_FLAG_TIME_LIMIT, a->time_limit},
        {WN_FLAG_NOT_TO_CUTOFF, a->has_discharge && a->discharge.crossed == 0},
    };
    unsigned known = 0;
    for (unsigned bit = 1; bit != 0; bit <<= 1) {
        known |= wn_cycle_flag_word(bit) != NULL ? bit : 0;
    }
    if ((flags & ~known) != 0) {
        tell(a, "flags", "has a bit that means nothing");
    }
    for (size_t i = 0; a->setup->driven && i < sizeof all / sizeof all[0]; i++) {
        char text[120];
        if (all[i].should && (flags & all[i].flag) == 0) {
            (void)snprintf(text, sizeof text, "lacks %s: %s", wn_cycle_flag_word(all[i].flag),
                           wn_cycle_flag_text(all[i].flag));
            tell(a, "flags", text);
        }
    }
}

/* Of a station: the first and the last moment of its steps. */
static void check_times(const struct wn_audit_round *a, wn_ns start_ns, wn_ns end_ns)
{
    if (a->setup->driven) {
        same(a, "start_s", wn_ns_to_s(start_ns), wn_ns_to_s(a->start_ns));
        same(a, "end_s", wn_ns_to_s(end_ns), wn_ns_to_s(a->end_ns));
    }
}

void wn_audit_round_cycle(const struct wn_audit_round *a, const struct wn_cycle_record *c)
{
    const struct wn_step_sums *d = &a->discharge;
    check_discharge(a, c->capacity_ah, c->energy_wh);
    check_times(a, c->start_ns, c->end_ns);
    check_flags(a, c->flags);
    same(a, "duration_s", c->duration_s, wn_ns_to_s(c->end_ns - c->start_ns));
    same_if_known(a, "mean_voltage_v", c->mean_voltage_v,
                  ratio(c->energy_wh.value, c->capacity_ah.value));
    same_if_known(a, "coulombic_efficiency", c->coulombic_efficiency,
                  ratio(c->capacity_ah.value, c->charge_ah));
    same_if_known(a, "energy_efficiency", c->energy_efficiency,
                  ratio(c->energy_wh.value, c->charge_wh));
    if (!a->setup->driven) {
        return;
    }
    same(a, "temperature_max_c", c->temperature_max_c, a->temperature_max_c);
    if (a->has_discharge) {
        bool charge = a->has_charge;
        same(a, "charge_ah", c->charge_ah, charge ? a->charge_ah : NAN);
        same(a, "charge_wh", c->charge_wh, charge ? a->charge_wh : NAN);
        same(a, "discharge_current_a", c->discharge_current_a,
             ratio(d->end_charge_ah * S_PER_H, d->end_duration_s - d->end_missing_s));
        same(a, "temperature_rise_k", c->temperature_rise_k,
             d->temperature_max_c - d->temperature_start_c);
    }
}

void wn_audit_round_check_up(const struct wn_audit_round *a, const struct wn_check_up_record *c)
{
    check_discharge(a, c->capacity_ah, c->energy_wh);
    check_times(a, c->start_ns, c->end_ns);
    check_flags(a, c->flags);
    if (a->setup->driven) {
        same(a, "temperature_max_c", c->temperature_max_c, a->temperature_max_c);
    }
}
