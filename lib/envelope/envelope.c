/* Envelope: judging a reading against the limits.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "envelope/envelope.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "base/num.h"

/* After the output or a set-point changed the current is still on its way: rules about set-points
 * wait so long. */
#define SETTLE_NS (2 * WN_NS_PER_S)
/* The rise rate is taken over at least this span, so that one count of a thermometer is no rate. */
#define RISE_SPAN_NS (10 * WN_NS_PER_S)
/* A jump is a jump only between neighbouring readings. */
#define JUMP_SPAN_NS    (5 * WN_NS_PER_S)
#define JUMP_MEMORY_NS  (15 * WN_NS_PER_S)
#define JUMPS_LOOKED_AT 0xffffu /* among so many readings (bits) ... */
enum { CHATTERS = 4 };          /* ... so many jumps are no accident */

/* Judged at switching on: the first readings after the current has settled. */
#define CONTACT_SPAN_NS (10 * WN_NS_PER_S)
/* After so long at rest the voltage has relaxed far enough to be compared with itself. */
#define REST_SETTLE_NS (600 * WN_NS_PER_S)
/* Two readings in a row at rest, minutes apart at most, are so close. */
#define REST_STEP_V 0.05

/* Instruments hold a power less well than a current, and at their own terminals. */
#define POWER_SLACK 0.05
/* Below it a current out of a power is none. */
#define LEAST_VOLTAGE_V 0.5

/* Beyond these a value is no measurement of a single cell at all. */
#define PLAUSIBLE_VOLTAGE_V     20.0
#define PLAUSIBLE_CURRENT_A     1000.0
#define PLAUSIBLE_TEMPERATURE_C 200.0

/* What one rule found: does its condition hold now, and if so with which value against which limit?
 */
struct finding {
    bool applies; /* enough is known to judge; otherwise the count stays as it is */
    bool holds;
    double value, limit;
    const char *what; /* NOT_PLAUSIBLE: which value; else NULL */
};

static const struct finding not_judged = {false, false, 0, 0, NULL};

static struct finding above(double value, double limit)
{
    if (isnan(limit)) {
        return not_judged;
    }
    return (struct finding){true, value > limit, value, limit, NULL};
}

static struct finding below(double value, double limit)
{
    if (isnan(limit)) {
        return not_judged;
    }
    return (struct finding){true, value < limit, value, limit, NULL};
}

static bool has(const struct wn_reading *r, unsigned what)
{
    return (r->has & what) == what;
}

static bool settled(const struct wn_reading *r, const struct wn_envelope_context *c)
{
    return r->time_ns - c->since_change_ns >= SETTLE_NS;
}

static struct finding implausible(const char *what, double value)
{
    return (struct finding){true, true, value, 0, what};
}

static struct finding judge_plausible(const struct wn_envelope *e, const struct wn_reading *r)
{
    if (!has(r, WN_HAS_VOLTAGE) || !(fabs(r->voltage_v) <= PLAUSIBLE_VOLTAGE_V)) {
        return implausible("voltage", has(r, WN_HAS_VOLTAGE) ? r->voltage_v : NAN);
    }
    if (!has(r, WN_HAS_CURRENT) || !(fabs(r->current_a) <= PLAUSIBLE_CURRENT_A)) {
        return implausible("current", has(r, WN_HAS_CURRENT) ? r->current_a : NAN);
    }
    bool warm = has(r, WN_HAS_TEMPERATURE);
    if (e->limits.needs_temperature && !warm) {
        return implausible("cell temperature", NAN);
    }
    if (warm && !(fabs(r->temperature_c) <= PLAUSIBLE_TEMPERATURE_C)) {
        return implausible("cell temperature", r->temperature_c);
    }
    return (struct finding){true, false, 0, 0, NULL};
}

static struct finding judge_hot(const struct wn_limits *l, const struct wn_reading *r,
                                int direction)
{
    double limit = direction > 0   ? l->charge_temperature_max_c
                   : direction < 0 ? l->discharge_temperature_max_c
                                   : l->rest_temperature_max_c;
    return above(r->temperature_c, limit);
}

static struct finding judge_cold(const struct wn_limits *l, const struct wn_reading *r,
                                 int direction)
{
    if (direction == 0) {
        return not_judged;
    }
    return below(r->temperature_c,
                 direction > 0 ? l->charge_temperature_min_c : l->discharge_temperature_min_c);
}

static struct finding judge_over_current(const struct wn_limits *l, const struct wn_reading *r)
{
    double limit = r->current_a > 0 ? l->charge_current_max_a : l->discharge_current_max_a;
    double slack = l->set_point_tolerance_a + l->set_point_tolerance * limit;
    return above(fabs(r->current_a), limit + slack);
}

/* Constant current: as set. Where the current is free, it still has the right sign and stays below
 * the highest set one. */
static struct finding judge_set_point(const struct wn_limits *l, const struct wn_reading *r,
                                      const struct wn_envelope_context *c)
{
    if (!c->output_on || c->direction == 0 || !settled(r, c)) {
        return not_judged;
    }
    double along = r->current_a * c->direction;
    double set_a = c->set_current_a;
    if (c->set_power_w > 0 && has(r, WN_HAS_VOLTAGE) && r->voltage_v > LEAST_VOLTAGE_V) {
        set_a = c->set_power_w / r->voltage_v;
    }
    double most = isnan(set_a) ? c->current_max_set_a : set_a;
    double slack = l->set_point_tolerance_a + (isnan(most) ? 0 : l->set_point_tolerance * most);
    slack += set_a != c->set_current_a && !isnan(set_a) ? POWER_SLACK * set_a : 0;
    bool wrong = along < -slack;
    if (!isnan(set_a)) {
        wrong = wrong || fabs(along - set_a) > slack;
    } else if (!isnan(most)) {
        wrong = wrong || along > most + slack;
    }
    return (struct finding){true, wrong, r->current_a, isnan(most) ? 0 : most * c->direction, NULL};
}

static struct finding judge_while_off(const struct wn_limits *l, const struct wn_reading *r,
                                      const struct wn_envelope_context *c)
{
    if (c->output_on || !settled(r, c)) {
        return not_judged;
    }
    return above(fabs(r->current_a), l->off_current_a);
}

static int ones(unsigned bits)
{
    int n = 0;
    for (; bits != 0; bits &= bits - 1) {
        n++;
    }
    return n;
}

/* Away from the last reading that was no jump itself: a step that stays is found by the second
 * reading, a single wild one is not. A contact that chatters shows by many jumps in a short time.
 */
static struct finding judge_jump(struct wn_envelope *e, const struct wn_reading *r,
                                 const struct wn_envelope_context *c)
{
    wn_ns span = r->time_ns - e->last.time_ns;
    bool neighbour = e->has_last && has(&e->last, WN_HAS_VOLTAGE) && span <= JUMP_SPAN_NS &&
                     e->last.time_ns - c->since_change_ns >= SETTLE_NS;
    if (!neighbour || r->time_ns - e->steady_ns > JUMP_MEMORY_NS ||
        e->steady_ns - c->since_change_ns < SETTLE_NS) {
        e->steady_v = r->voltage_v;
        e->steady_ns = r->time_ns;
        e->jumps = 0;
        return not_judged;
    }
    double limit_v = e->limits.voltage_jump_v;
    struct finding f = above(fabs(r->voltage_v - e->steady_v), limit_v);
    e->jumps = e->jumps << 1 | (fabs(r->voltage_v - e->last.voltage_v) > limit_v);
    if (!f.holds) {
        e->steady_v = r->voltage_v;
        e->steady_ns = r->time_ns;
    }
    f.holds = f.holds || (f.applies && ones(e->jumps & JUMPS_LOOKED_AT) >= CHATTERS);
    return f;
}

static bool charging_cool_or_warm(const struct wn_limits *l, const struct wn_reading *r,
                                  const struct wn_envelope_context *c)
{
    return c->output_on && c->direction > 0 && has(r, WN_HAS_TEMPERATURE) &&
           (r->temperature_c < l->cool_below_c || r->temperature_c > l->warm_above_c);
}

static struct finding judge_reduced_voltage(const struct wn_limits *l, const struct wn_reading *r,
                                            const struct wn_envelope_context *c)
{
    if (!(l->reduced_voltage_v > 0)) {
        return not_judged;
    }
    struct finding f = above(r->voltage_v, l->reduced_voltage_v);
    f.holds = f.holds && charging_cool_or_warm(l, r, c);
    return f;
}

/* Limits that 0 switches off. */
static struct finding above_optional(double value, double limit)
{
    return limit > 0 ? above(value, limit) : not_judged;
}

/* A thermometer that has come off shows how it cools itself, within a minute; the cell behind it is
 * warmed by its current. At rest, and before a fan, a cell may cool faster. */
static struct finding judge_fall(const struct wn_envelope *e, const struct wn_envelope_context *c)
{
    return c->output_on && !isnan(e->rate_k_per_min)
               ? above_optional(-e->rate_k_per_min, e->limits.temperature_fall_k_per_min)
               : not_judged;
}

static struct finding judge_since(const struct wn_reading *r, const struct wn_envelope_context *c,
                                  wn_ns since, double limit_s)
{
    if (!c->output_on) {
        return not_judged;
    }
    wn_ns from = since > c->since_change_ns ? since : c->since_change_ns;
    return above_optional(wn_ns_to_s(r->time_ns - from), limit_s);
}

static struct finding judge_unwatched(const struct wn_envelope *e, const struct wn_reading *r,
                                      const struct wn_envelope_context *c)
{
    return e->has_last ? judge_since(r, c, e->last.time_ns, e->limits.unwatched_s) : not_judged;
}

/* A voltage that stands still is no measurement of a cell that is being filled or emptied; where it
 * is held constant the current falls. */
static struct finding judge_voltage_still(const struct wn_envelope *e)
{
    double rated_ah = e->limits.charge_max_ah / WN_CHARGE_MAX_OF_RATED;
    return e->limits.voltage_frozen > 0 ? above(e->still_ah, e->limits.voltage_frozen * rated_ah)
                                        : not_judged;
}

/* From rest to current: what the voltage moved, over what the current moved. */
static struct finding judge_contact(const struct wn_envelope *e, const struct wn_reading *r,
                                    const struct wn_envelope_context *c)
{
    wn_ns since = r->time_ns - c->since_change_ns;
    bool tiny = fabs(r->current_a) < 10 * e->limits.off_current_a;
    if (!c->output_on || isnan(e->rest_v) || tiny || since < SETTLE_NS || since > CONTACT_SPAN_NS) {
        return not_judged;
    }
    return above_optional(fabs((r->voltage_v - e->rest_v) / r->current_a), e->limits.contact_ohm);
}

static struct finding judge_sag(const struct wn_envelope *e, const struct wn_reading *r)
{
    struct finding f = above_optional(e->rest_high_v - r->voltage_v, e->limits.rest_sag_v);
    f.applies = f.applies && !isnan(e->rest_high_v);
    return f;
}

static struct finding judge_excess(const struct wn_limits *l, const struct wn_envelope_context *c)
{
    if (c->direction <= 0 || !(c->charge_expected_ah > 0) || !(l->charge_excess > 0)) {
        return not_judged;
    }
    double rated_ah = l->charge_max_ah / WN_CHARGE_MAX_OF_RATED;
    return above(c->step_charge_ah, c->charge_expected_ah + l->charge_excess * rated_ah);
}

/* What a rule cannot do without. A lead that is open must not blind the rules it is nothing to. */
static unsigned needs(enum wn_rule rule)
{
    switch (rule) {
    case WN_RULE_OVER_VOLTAGE:
    case WN_RULE_UNDER_VOLTAGE:
    case WN_RULE_REVERSED:
    case WN_RULE_REDUCED_VOLTAGE:
    case WN_RULE_VOLTAGE_JUMP:
    case WN_RULE_REST_SAG:
        return WN_HAS_VOLTAGE;
    case WN_RULE_OVER_CURRENT:
    case WN_RULE_OFF_SET_POINT:
    case WN_RULE_CURRENT_WHILE_OFF:
        return WN_HAS_CURRENT;
    case WN_RULE_CONTACT:
    case WN_RULE_FROZEN:
    case WN_RULE_VOLTAGE_FROZEN:
        return WN_HAS_VOLTAGE | WN_HAS_CURRENT;
    case WN_RULE_OVER_TEMPERATURE:
    case WN_RULE_UNDER_TEMPERATURE:
    case WN_RULE_TEMPERATURE_RISE:
    case WN_RULE_TEMPERATURE_FALL:
    case WN_RULE_THERMOMETER_FROZEN:
        return WN_HAS_TEMPERATURE;
    case WN_RULE_ABOVE_AMBIENT:
    case WN_RULE_BELOW_AMBIENT:
        return WN_HAS_TEMPERATURE | WN_HAS_AMBIENT;
    case WN_RULE_CHARGE_OVERRUN:
    case WN_RULE_CHARGE_EXCESS:
    case WN_RULE_STEP_TIMEOUT:
    case WN_RULE_NOT_PLAUSIBLE:
    case WN_RULE_UNWATCHED:
    case WN_RULE_CAPACITY_COLLAPSE:
    case WN_RULE_COUNT:
        break;
    }
    return 0;
}

static struct finding judge_rule(struct wn_envelope *e, enum wn_rule rule,
                                 const struct wn_reading *r, const struct wn_envelope_context *c)
{
    const struct wn_limits *l = &e->limits;
    if (rule == WN_RULE_NOT_PLAUSIBLE) {
        return judge_plausible(e, r);
    }
    if (!has(r, needs(rule))) {
        return not_judged;
    }
    switch (rule) {
    case WN_RULE_OVER_VOLTAGE:
        return above(r->voltage_v, l->voltage_max_v);
    case WN_RULE_UNDER_VOLTAGE:
        return below(r->voltage_v, l->voltage_min_v);
    case WN_RULE_REVERSED:
        return below(r->voltage_v, 0.0);
    case WN_RULE_OVER_TEMPERATURE:
        return judge_hot(l, r, c->output_on ? c->direction : 0);
    case WN_RULE_UNDER_TEMPERATURE:
        return judge_cold(l, r, c->output_on ? c->direction : 0);
    case WN_RULE_TEMPERATURE_RISE:
        return isnan(e->rate_k_per_min) ? not_judged
                                        : above(e->rate_k_per_min, l->temperature_rise_k_per_min);
    case WN_RULE_TEMPERATURE_FALL:
        return judge_fall(e, c);
    case WN_RULE_ABOVE_AMBIENT:
        return above(r->temperature_c - r->ambient_c, l->above_ambient_k);
    case WN_RULE_OVER_CURRENT:
        return judge_over_current(l, r);
    case WN_RULE_OFF_SET_POINT:
        return judge_set_point(l, r, c);
    case WN_RULE_CURRENT_WHILE_OFF:
        return judge_while_off(l, r, c);
    case WN_RULE_CHARGE_OVERRUN:
        return above(c->step_charge_ah, l->charge_max_ah);
    case WN_RULE_VOLTAGE_JUMP:
        return judge_jump(e, r, c);
    case WN_RULE_REDUCED_VOLTAGE:
        return judge_reduced_voltage(l, r, c);
    case WN_RULE_BELOW_AMBIENT:
        return above_optional(r->ambient_c - r->temperature_c, l->below_ambient_k);
    case WN_RULE_THERMOMETER_FROZEN:
        return judge_since(r, c, e->same_temperature_ns, l->thermometer_frozen_s);
    case WN_RULE_CHARGE_EXCESS:
        return judge_excess(l, c);
    case WN_RULE_STEP_TIMEOUT:
        return above(c->step_s, c->step_time_limit_s * WN_STEP_TIMEOUT_FACTOR + WN_STEP_TIMEOUT_S);
    case WN_RULE_FROZEN:
        return judge_since(r, c, e->same_from_ns, l->frozen_s);
    case WN_RULE_VOLTAGE_FROZEN:
        return judge_voltage_still(e);
    case WN_RULE_UNWATCHED:
        return judge_unwatched(e, r, c);
    case WN_RULE_CONTACT:
        return judge_contact(e, r, c);
    case WN_RULE_REST_SAG:
        return judge_sag(e, r);
    case WN_RULE_CAPACITY_COLLAPSE: /* no reading shows it: wn_envelope_judge_capacity() */
        return not_judged;
    case WN_RULE_NOT_PLAUSIBLE:
    case WN_RULE_COUNT:
        break;
    }
    wn_assert(false && "rule without a judge");
    return not_judged;
}

static void describe(struct wn_envelope_verdict *v, const struct finding *f)
{
    char value[32], limit[32];
    const char *unit = wn_rule_unit(v->rule);
    v->tripped = true;
    v->value = f->value;
    v->limit = f->limit;
    if (f->what != NULL) {
        (void)snprintf(v->text, sizeof v->text, "%s: %s %s", wn_rule_text(v->rule), f->what,
                       isnan(f->value) ? "is missing: look at its lead and at the instrument"
                                       : wn_num_fixed(f->value, 3, value, sizeof value));
        return;
    }
    const char *against = v->rule == WN_RULE_OFF_SET_POINT ? "set" : "limit";
    (void)snprintf(v->text, sizeof v->text, "%s: %s %s, %s %s %s", wn_rule_text(v->rule),
                   wn_num_fixed(f->value, 3, value, sizeof value), unit, against,
                   wn_num_fixed(f->limit, 3, limit, sizeof limit), unit);
}

void wn_envelope_init(struct wn_envelope *e, const struct wn_limits *limits)
{
    wn_assert(isfinite(limits->voltage_max_v) && isfinite(limits->voltage_min_v));
    memset(e, 0, sizeof *e);
    e->limits = *limits;
    e->rest_v = e->rest_high_v = NAN;
}

/* What is remembered of earlier readings, brought up to this one before it is judged. */
static void remember_still(struct wn_envelope *e, const struct wn_reading *r)
{
    const struct wn_reading *last = &e->last;
    bool warmth_moved = !e->has_last || !has(r, WN_HAS_TEMPERATURE) ||
                        !has(last, WN_HAS_TEMPERATURE) || r->temperature_c != last->temperature_c;
    double high_a = e->limits.charge_max_ah / WN_CHARGE_MAX_OF_RATED; /* for one hour: 1 It */
    if (warmth_moved || fabs(r->current_a) < 0.95 * high_a) {
        e->same_temperature_ns = r->time_ns;
    }
    if (!e->has_last || r->voltage_v != last->voltage_v || r->current_a != last->current_a ||
        (warmth_moved && has(r, WN_HAS_TEMPERATURE)) ||
        fabs(r->current_a) <= e->limits.off_current_a) {
        e->same_from_ns = r->time_ns;
    }
}

static void remember_warmth(struct wn_envelope *e, const struct wn_reading *r)
{
    wn_ns span = r->time_ns - e->rise_from_ns;
    e->rate_k_per_min = NAN;
    if (!has(r, WN_HAS_TEMPERATURE)) {
        return;
    }
    if (e->has_rise && span >= RISE_SPAN_NS) {
        e->rate_k_per_min = (r->temperature_c - e->rise_from_c) / wn_ns_to_s(span) * 60.0;
    }
    if (!e->has_rise || span >= RISE_SPAN_NS) {
        e->has_rise = true;
        e->rise_from_c = r->temperature_c;
        e->rise_from_ns = r->time_ns;
    }
}

/* A reading that lacks one of the two tells nothing of either. */
static void remember_voltage(struct wn_envelope *e, const struct wn_reading *r)
{
    const struct wn_limits *l = &e->limits;
    if (!has(r, WN_HAS_VOLTAGE | WN_HAS_CURRENT)) {
        return;
    }
    double slack_a = l->set_point_tolerance_a + l->set_point_tolerance * fabs(e->still_a);
    bool moved = !e->has_last || r->voltage_v != e->still_v ||
                 !(fabs(r->current_a - e->still_a) <= slack_a) ||
                 fabs(r->current_a) <= l->off_current_a;
    if (moved) {
        e->still_v = r->voltage_v;
        e->still_a = r->current_a;
        e->still_ah = 0;
    } else if (r->time_ns > e->last.time_ns) {
        e->still_ah += fabs(r->current_a) * wn_ns_to_s(r->time_ns - e->last.time_ns) / 3600;
    }
}

static void remember_rest(struct wn_envelope *e, const struct wn_reading *r,
                          const struct wn_envelope_context *c)
{
    bool at_rest = !c->output_on && has(r, WN_HAS_VOLTAGE | WN_HAS_CURRENT) &&
                   fabs(r->current_a) <= e->limits.off_current_a;
    if (!at_rest || c->since_change_ns != e->rest_since_ns) { /* another rest */
        e->rest_high_v = NAN;
        e->rest_since_ns = c->since_change_ns;
    }
    bool agrees = e->has_last && has(&e->last, WN_HAS_VOLTAGE) &&
                  fabs(r->voltage_v - e->last.voltage_v) <= REST_STEP_V;
    if (c->output_on && r->time_ns - c->since_change_ns > CONTACT_SPAN_NS) {
        e->rest_v = NAN; /* what comes on next comes from no rest */
    }
    if (!at_rest || !agrees) {
        return; /* one wild reading must not be what all later ones are compared with */
    }
    e->rest_v = r->voltage_v;
    if (r->time_ns - c->since_change_ns >= REST_SETTLE_NS) {
        e->rest_high_v = fmax(e->rest_high_v, r->voltage_v); /* fmax ignores a NaN */
    }
}

void wn_envelope_judge_capacity(const struct wn_limits *limits, double capacity_ah,
                                double expected_ah, struct wn_envelope_verdict *out)
{
    struct finding f = not_judged;
    out->tripped = out->in_doubt = false;
    out->holding = 0;
    if (limits->capacity_collapse > 0) {
        f = below(capacity_ah, expected_ah * (1 - limits->capacity_collapse));
    }
    if (f.applies && f.holds) {
        out->rule = WN_RULE_CAPACITY_COLLAPSE;
        out->holding = 1u << WN_RULE_CAPACITY_COLLAPSE;
        describe(out, &f);
    }
}

void wn_envelope_judge(struct wn_envelope *e, const struct wn_reading *r,
                       const struct wn_envelope_context *c, struct wn_envelope_verdict *out)
{
    out->tripped = out->in_doubt = false;
    out->holding = 0;
    remember_still(e, r);
    remember_voltage(e, r);
    remember_warmth(e, r);
    remember_rest(e, r, c);
    for (int i = 0; i < WN_RULE_COUNT; i++) {
        struct finding f = judge_rule(e, (enum wn_rule)i, r, c);
        if (!f.applies) {
            continue;
        }
        if (!f.holds) {
            e->count[i] = 0;
            continue;
        }
        if (e->count[i] < UINT8_MAX) {
            e->count[i]++;
        }
        if (e->count[i] < wn_rule_debounce(&e->limits, (enum wn_rule)i)) {
            out->in_doubt = true;
            continue;
        }
        out->holding |= 1u << i;
        if (!out->tripped) {
            out->rule = (enum wn_rule)i;
            describe(out, &f);
        }
    }
    e->last = *r;
    e->has_last = true;
}
