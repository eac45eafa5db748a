/* Envelope: what would go unseen if the judging were broken in ways that the boundaries of single
 * rules do not show. SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/near.h"

#include <stddef.h>
#include <string.h>

#include "envelope/envelope.h"

/* Limits no healthy reading below comes near to; every optional rule is off. */
static struct wn_limits wide_limits(void)
{
    return (struct wn_limits){.voltage_max_v = 4.25,
                              .voltage_min_v = 2.5,
                              .charge_temperature_min_c = 0,
                              .charge_temperature_max_c = 45,
                              .discharge_temperature_min_c = -20,
                              .discharge_temperature_max_c = 60,
                              .rest_temperature_max_c = 60,
                              .temperature_rise_k_per_min = 6,
                              .above_ambient_k = 30,
                              .charge_current_max_a = 4,
                              .discharge_current_max_a = 10,
                              .set_point_tolerance_a = 0.05,
                              .set_point_tolerance = 0.01,
                              .off_current_a = 0.02,
                              .charge_max_ah = 3,
                              .voltage_jump_v = 0.2};
}

static struct wn_envelope_context at_rest(void)
{
    return (struct wn_envelope_context){.set_current_a = NAN,
                                        .current_max_set_a = NAN,
                                        .since_change_ns = -3600 * WN_NS_PER_S,
                                        .charge_expected_ah = NAN,
                                        .step_s = NAN,
                                        .step_time_limit_s = NAN};
}

static struct wn_reading reading(double time_s, double voltage_v, double temperature_c)
{
    return (struct wn_reading){.time_ns = wn_ns_from_s(time_s),
                               .voltage_v = voltage_v,
                               .temperature_c = temperature_c,
                               .ambient_c = 23,
                               .has = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE |
                                      WN_HAS_AMBIENT};
}

static void test_a_lasting_condition_holds_for_ever(void **state)
{
    (void)state;
    struct wn_limits l = wide_limits();
    struct wn_envelope e;
    struct wn_envelope_verdict v;
    struct wn_envelope_context c = at_rest();
    wn_envelope_init(&e, &l);
    for (int n = 1; n <= 1000; n++) { /* more than a counter of one byte can tell */
        struct wn_reading r = reading(n, 3.7, 54);
        wn_envelope_judge(&e, &r, &c, &v);
        assert_true(n < 3 || v.tripped);
        assert_true(n < 3 || (v.holding & 1u << WN_RULE_ABOVE_AMBIENT) != 0);
    }
}

static void test_a_short_wobble_of_a_thermometer_is_no_rise(void **state)
{
    (void)state;
    static const double wobble_k[] = {0, 0.15, 0.3, 0.45}; /* 9 K/min, but only for 3 s */
    struct wn_limits l = wide_limits();
    struct wn_envelope e;
    struct wn_envelope_verdict v;
    struct wn_envelope_context c = at_rest();
    wn_envelope_init(&e, &l);
    for (size_t n = 0; n < 60; n++) {
        struct wn_reading r = reading((double)n, 3.7, 25 + wobble_k[n < 4 ? n : 3]);
        wn_envelope_judge(&e, &r, &c, &v);
        assert_false(v.tripped);
    }
}

static void test_the_first_of_several_rules_is_told(void **state)
{
    (void)state;
    struct wn_limits l = wide_limits();
    struct wn_envelope e;
    struct wn_envelope_verdict v;
    struct wn_envelope_context c = at_rest();
    struct wn_reading r = reading(0, 4.3, 70); /* too high and too hot */
    wn_envelope_init(&e, &l);
    wn_envelope_judge(&e, &r, &c, &v);
    assert_int_equal(v.rule, WN_RULE_OVER_VOLTAGE);
    assert_int_equal(v.holding, 1u << WN_RULE_OVER_VOLTAGE | 1u << WN_RULE_OVER_TEMPERATURE);
    assert_near(v.limit, 4.25, 0);
}

/* Every member that is a limit, by its place. */
static void test_the_tighter_one_of_every_limit_wins(void **state)
{
    (void)state;
#define ROW(member, low)                                                                           \
    {                                                                                              \
#member, offsetof(struct wn_limits, member), low                                           \
    }
    static const struct {
        const char *name;
        size_t at;
        bool low; /* a lowest value: the higher of two is the tighter */
    } rows[] = {ROW(voltage_max_v, false),
                ROW(voltage_min_v, true),
                ROW(charge_temperature_min_c, true),
                ROW(charge_temperature_max_c, false),
                ROW(discharge_temperature_min_c, true),
                ROW(discharge_temperature_max_c, false),
                ROW(rest_temperature_max_c, false),
                ROW(temperature_rise_k_per_min, false),
                ROW(above_ambient_k, false),
                ROW(charge_current_max_a, false),
                ROW(discharge_current_max_a, false),
                ROW(set_point_tolerance_a, false),
                ROW(set_point_tolerance, false),
                ROW(off_current_a, false),
                ROW(charge_max_ah, false),
                ROW(voltage_jump_v, false),
                ROW(reduced_voltage_v, false),
                ROW(below_ambient_k, false),
                ROW(thermometer_frozen_s, false),
                ROW(charge_excess, false),
                ROW(frozen_s, false),
                ROW(unwatched_s, false),
                ROW(contact_ohm, false),
                ROW(rest_sag_v, false),
                ROW(capacity_collapse, false)};
#undef ROW
    static const double values[] = {1.5, 2.5};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        for (int order = 0; order < 2; order++) {
            struct wn_limits into = wide_limits(), other = wide_limits();
            double got;
            memcpy((char *)&into + rows[i].at, &values[order], sizeof got);
            memcpy((char *)&other + rows[i].at, &values[!order], sizeof got);
            wn_limits_tighten(&into, &other);
            memcpy(&got, (char *)&into + rows[i].at, sizeof got);
            if (got != values[rows[i].low]) {
                fail_msg("%s: %g of %g and %g", rows[i].name, got, values[order], values[!order]);
            }
        }
    }
}

static void test_one_who_needs_a_thermometer_is_enough(void **state)
{
    (void)state;
    struct wn_limits plain = wide_limits(), needs = wide_limits();
    needs.needs_temperature = true;
    struct wn_limits a = plain, b = needs;
    wn_limits_tighten(&a, &needs);
    assert_true(a.needs_temperature);
    wn_limits_tighten(&b, &plain);
    assert_true(b.needs_temperature);
}

/* A wild reading at rest is not what all later ones are compared with; nor is another rest. */
static void test_a_sag_is_one_of_the_same_rest(void **state)
{
    (void)state;
    static const struct {
        double time_s, voltage_v;
        bool other_rest;
    } rows[] = {{1000, 3.7, false}, {1060, 4.1, false}, {1120, 3.7, false},  {1180, 3.7, false},
                {1240, 3.7, false}, {1300, 3.7, false}, {1360, 3.45, true},  {1970, 3.45, true},
                {2030, 3.45, true}, {2090, 3.45, true}, {2150, 3.449, true}, {2210, 3.449, true}};
    struct wn_limits l = wide_limits();
    struct wn_envelope e;
    struct wn_envelope_verdict v;
    struct wn_envelope_context c = at_rest();
    l.rest_sag_v = 0.1;
    l.voltage_jump_v = 1;
    wn_envelope_init(&e, &l);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct wn_reading r = reading(rows[i].time_s, rows[i].voltage_v, 25);
        c.since_change_ns = rows[i].other_rest ? wn_ns_from_s(1340) : -3600 * WN_NS_PER_S;
        wn_envelope_judge(&e, &r, &c, &v);
        if (v.tripped) {
            fail_msg("at %.0f s: %s", rows[i].time_s, v.text);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_lasting_condition_holds_for_ever),
        cmocka_unit_test(test_a_short_wobble_of_a_thermometer_is_no_rise),
        cmocka_unit_test(test_the_first_of_several_rules_is_told),
        cmocka_unit_test(test_the_tighter_one_of_every_limit_wins),
        cmocka_unit_test(test_a_sag_is_one_of_the_same_rest),
        cmocka_unit_test(test_one_who_needs_a_thermometer_is_enough),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
