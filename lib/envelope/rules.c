/* Envelope: the table of rules and how its thresholds read.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "envelope/envelope.h"

#include <math.h>
#include <stdio.h>

#include "base/assert.h"
#include "base/num.h"

static const struct rule_row {
    const char *word, *unit, *text;
    int debounce;
    enum wn_reaction reaction;
} rules[WN_RULE_COUNT] = {
#define RULE_ROW(name, word, debounce, reaction, unit, text)                                       \
    [WN_RULE_##name] = {word, unit, text, debounce, WN_REACTION_##reaction},
    WN_RULE_LIST(RULE_ROW)
#undef RULE_ROW
};

static const struct rule_row *row(enum wn_rule rule)
{
    wn_assert((int)rule >= 0 && rule < WN_RULE_COUNT);
    return &rules[rule];
}

const char *wn_rule_word(enum wn_rule rule)
{
    return row(rule)->word;
}

const char *wn_rule_text(enum wn_rule rule)
{
    return row(rule)->text;
}

const char *wn_rule_unit(enum wn_rule rule)
{
    return row(rule)->unit;
}

enum wn_reaction wn_rule_reaction(enum wn_rule rule)
{
    return row(rule)->reaction;
}

int wn_rule_debounce(const struct wn_limits *limits, enum wn_rule rule)
{
    int own = limits->debounce[rule];
    return own > 0 ? own : row(rule)->debounce;
}

static const char *one(double limit, const char *unit, char *buf, size_t size)
{
    char n[32];
    if (isnan(limit)) {
        (void)snprintf(buf, size, "off");
    } else {
        (void)snprintf(buf, size, "%s %s", wn_num_format(limit, 6, n, sizeof n), unit);
    }
    return buf;
}

static const char *two(const char *a_name, double a, const char *b_name, double b, const char *unit,
                       char *buf, size_t size)
{
    char ta[40], tb[40];
    (void)snprintf(buf, size, "%s %s, %s %s", a_name, one(a, unit, ta, sizeof ta), b_name,
                   one(b, unit, tb, sizeof tb));
    return buf;
}

/* The rules whose threshold is one number that 0 switches off as well; NULL: another one. */
static const double *optional(const struct wn_limits *l, enum wn_rule rule)
{
    const double *const limit[WN_RULE_COUNT] = {
        [WN_RULE_TEMPERATURE_FALL] = &l->temperature_fall_k_per_min,
        [WN_RULE_BELOW_AMBIENT] = &l->below_ambient_k,
        [WN_RULE_THERMOMETER_FROZEN] = &l->thermometer_frozen_s,
        [WN_RULE_FROZEN] = &l->frozen_s,
        [WN_RULE_UNWATCHED] = &l->unwatched_s,
        [WN_RULE_CONTACT] = &l->contact_ohm,
        [WN_RULE_REST_SAG] = &l->rest_sag_v,
    };
    return limit[rule];
}

static double or_off(double limit)
{
    return limit > 0 ? limit : NAN;
}

static const char *format_reduced(const struct wn_limits *l, char *buf, size_t size)
{
    char a[40], b[40], c[40];
    if (!(l->reduced_voltage_v > 0)) {
        return one(NAN, "V", buf, size);
    }
    (void)snprintf(
        buf, size, "%s below %s and above %s", one(l->reduced_voltage_v, "V", a, sizeof a),
        one(l->cool_below_c, "degC", b, sizeof b), one(l->warm_above_c, "degC", c, sizeof c));
    return buf;
}

const char *wn_rule_limit_format(const struct wn_limits *l, enum wn_rule rule, char *buf,
                                 size_t size)
{
    const char *u = wn_rule_unit(rule);
    char a[40], b[40], c[40];
    if (optional(l, rule) != NULL) {
        return one(or_off(*optional(l, rule)), u, buf, size);
    }
    switch (rule) {
    case WN_RULE_OVER_VOLTAGE:
        return one(l->voltage_max_v, u, buf, size);
    case WN_RULE_UNDER_VOLTAGE:
        return one(l->voltage_min_v, u, buf, size);
    case WN_RULE_REVERSED:
        return one(0, u, buf, size);
    case WN_RULE_OVER_TEMPERATURE:
        (void)snprintf(buf, size, "charge %s, discharge %s, rest %s",
                       one(l->charge_temperature_max_c, u, a, sizeof a),
                       one(l->discharge_temperature_max_c, u, b, sizeof b),
                       one(l->rest_temperature_max_c, u, c, sizeof c));
        return buf;
    case WN_RULE_UNDER_TEMPERATURE:
        return two("charge", l->charge_temperature_min_c, "discharge",
                   l->discharge_temperature_min_c, u, buf, size);
    case WN_RULE_TEMPERATURE_RISE:
        return one(l->temperature_rise_k_per_min, u, buf, size);
    case WN_RULE_ABOVE_AMBIENT:
        return one(l->above_ambient_k, u, buf, size);
    case WN_RULE_OVER_CURRENT:
        return two("charge", l->charge_current_max_a, "discharge", l->discharge_current_max_a, u,
                   buf, size);
    case WN_RULE_OFF_SET_POINT:
        (void)snprintf(buf, size, "%s + %s of the set-point",
                       one(l->set_point_tolerance_a, u, a, sizeof a),
                       one(l->set_point_tolerance * 100, "%", b, sizeof b));
        return buf;
    case WN_RULE_CURRENT_WHILE_OFF:
        return one(l->off_current_a, u, buf, size);
    case WN_RULE_CHARGE_OVERRUN:
        return one(l->charge_max_ah, u, buf, size);
    case WN_RULE_NOT_PLAUSIBLE:
        (void)snprintf(buf, size, "any value that is none");
        return buf;
    case WN_RULE_VOLTAGE_JUMP:
        return one(l->voltage_jump_v, u, buf, size);
    case WN_RULE_REDUCED_VOLTAGE:
        return format_reduced(l, buf, size);
    case WN_RULE_CHARGE_EXCESS:
        return one(or_off(l->charge_excess * 100), "% of 1 It h above what was taken out", buf,
                   size);
    case WN_RULE_STEP_TIMEOUT:
        (void)snprintf(buf, size, "time limit of the step + %g %% + %g s",
                       (WN_STEP_TIMEOUT_FACTOR - 1) * 100, WN_STEP_TIMEOUT_S);
        return buf;
    case WN_RULE_VOLTAGE_FROZEN:
        return one(or_off(l->voltage_frozen * 100), "% of 1 It h with no change", buf, size);
    case WN_RULE_CAPACITY_COLLAPSE:
        return one(or_off(l->capacity_collapse * 100), "% of the cycles before", buf, size);
    case WN_RULE_TEMPERATURE_FALL:
    case WN_RULE_BELOW_AMBIENT:
    case WN_RULE_THERMOMETER_FROZEN:
    case WN_RULE_FROZEN:
    case WN_RULE_UNWATCHED:
    case WN_RULE_CONTACT:
    case WN_RULE_REST_SAG:
    case WN_RULE_COUNT:
        break;
    }
    wn_assert(false && "rule without a threshold");
    return buf;
}

static double lower(double a, double b)
{
    return isnan(a) || b < a ? b : a; /* NaN: no limit, so the other one holds */
}

static double higher(double a, double b)
{
    return isnan(a) || b > a ? b : a;
}

/* Where 0 is no limit as well. */
static double lower_positive(double a, double b)
{
    return !(a > 0) || b < a ? b : a;
}

void wn_limits_tighten(struct wn_limits *into, const struct wn_limits *other)
{
#define TIGHTEN(pick, member)                                                                      \
    if (!isnan(other->member)) {                                                                   \
        into->member = pick(into->member, other->member);                                          \
    }
    TIGHTEN(lower, voltage_max_v)
    TIGHTEN(higher, voltage_min_v)
    TIGHTEN(higher, charge_temperature_min_c)
    TIGHTEN(lower, charge_temperature_max_c)
    TIGHTEN(higher, discharge_temperature_min_c)
    TIGHTEN(lower, discharge_temperature_max_c)
    TIGHTEN(lower, rest_temperature_max_c)
    TIGHTEN(lower, temperature_rise_k_per_min)
    TIGHTEN(lower, above_ambient_k)
    TIGHTEN(lower, charge_current_max_a)
    TIGHTEN(lower, discharge_current_max_a)
    TIGHTEN(lower, set_point_tolerance_a)
    TIGHTEN(lower, set_point_tolerance)
    TIGHTEN(lower, off_current_a)
    TIGHTEN(lower, charge_max_ah)
    TIGHTEN(lower, voltage_jump_v)
#undef TIGHTEN
    if (other->reduced_voltage_v > 0) {
        bool own = into->reduced_voltage_v > 0;
        into->cool_below_c =
            own ? fmax(into->cool_below_c, other->cool_below_c) : other->cool_below_c;
        into->warm_above_c =
            own ? fmin(into->warm_above_c, other->warm_above_c) : other->warm_above_c;
    }
#define TIGHTEN(member)                                                                            \
    if (other->member > 0) {                                                                       \
        into->member = lower_positive(into->member, other->member);                                \
    }
    TIGHTEN(reduced_voltage_v)
    TIGHTEN(temperature_fall_k_per_min)
    TIGHTEN(below_ambient_k)
    TIGHTEN(thermometer_frozen_s)
    TIGHTEN(charge_excess)
    TIGHTEN(frozen_s)
    TIGHTEN(voltage_frozen)
    TIGHTEN(unwatched_s)
    TIGHTEN(contact_ohm)
    TIGHTEN(rest_sag_v)
    TIGHTEN(capacity_collapse)
#undef TIGHTEN
    into->needs_temperature = into->needs_temperature || other->needs_temperature;
}
