/* Every rule of the envelope: just before, at and just after its threshold and its debounce.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/near.h"

#include <string.h>

#include "envelope/envelope.h"

static struct wn_limits limits(void)
{
    struct wn_limits l = {
        .voltage_max_v = 4.25,
        .voltage_min_v = 2.3,
        .charge_temperature_min_c = 0,
        .charge_temperature_max_c = 45,
        .discharge_temperature_min_c = -20,
        .discharge_temperature_max_c = 60,
        .rest_temperature_max_c = 50,
        .temperature_rise_k_per_min = 6,
        .above_ambient_k = 30,
        .charge_current_max_a = 4,
        .discharge_current_max_a = 10,
        .set_point_tolerance_a = 0.05,
        .set_point_tolerance = 0.01,
        .off_current_a = 0.02,
        .charge_max_ah = 3,
        .voltage_jump_v = 0.2,
        .needs_temperature = true,
    };
    return l;
}

static struct wn_reading reading(double time_s, double v, double i, double t)
{
    struct wn_reading r = {0};
    r.time_ns = wn_ns_from_s(time_s);
    r.voltage_v = v;
    r.current_a = i;
    r.temperature_c = t;
    r.ambient_c = 23;
    r.has = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE | WN_HAS_AMBIENT;
    return r;
}

static struct wn_envelope_context context(int direction, double set_a)
{
    struct wn_envelope_context c = {.output_on = direction != 0,
                                    .direction = direction,
                                    .set_current_a = set_a,
                                    .current_max_set_a = set_a,
                                    .since_change_ns = -WN_NS_PER_S * 3600,
                                    .charge_expected_ah = NAN,
                                    .step_s = NAN,
                                    .step_time_limit_s = NAN};
    return c;
}

/* Feeds the same reading, one second apart, and tells after how many it tripped (0: not within 20).
 */
static int readings_until_trip(const struct wn_limits *l, struct wn_reading r,
                               struct wn_envelope_context c, enum wn_rule *rule)
{
    struct wn_envelope e;
    struct wn_envelope_verdict v;
    wn_envelope_init(&e, l);
    for (int n = 1; n <= 20; n++) {
        r.time_ns += WN_NS_PER_S;
        wn_envelope_judge(&e, &r, &c, &v);
        if (v.tripped) {
            *rule = v.rule;
            return n;
        }
    }
    return 0;
}

static void expect_trip(struct wn_reading r, struct wn_envelope_context c, enum wn_rule want)
{
    struct wn_limits l = limits();
    enum wn_rule rule = WN_RULE_COUNT;
    int n = readings_until_trip(&l, r, c, &rule);
    if (n == 0) {
        fail_msg("rule %s did not trip", wn_rule_word(want));
    }
    assert_string_equal(wn_rule_word(rule), wn_rule_word(want));
    assert_int_equal(n, wn_rule_debounce(&l, want));
}

static void expect_calm(struct wn_reading r, struct wn_envelope_context c)
{
    struct wn_limits l = limits();
    enum wn_rule rule = WN_RULE_COUNT;
    int n = readings_until_trip(&l, r, c, &rule);
    if (n != 0) {
        fail_msg("rule %s tripped after %d readings", wn_rule_word(rule), n);
    }
}

static void test_voltage(void **state)
{
    (void)state;
    expect_calm(reading(0, 4.2499, 0, 25), context(0, NAN));
    expect_calm(reading(0, 4.25, 0, 25), context(0, NAN));
    expect_trip(reading(0, 4.2501, 0, 25), context(0, NAN), WN_RULE_OVER_VOLTAGE);
    expect_calm(reading(0, 2.3, 0, 25), context(0, NAN));
    expect_trip(reading(0, 2.2999, 0, 25), context(0, NAN), WN_RULE_UNDER_VOLTAGE);
}

static void test_reversed_polarity(void **state)
{
    (void)state;
    struct wn_limits l = limits();
    struct wn_envelope e;
    struct wn_envelope_verdict v;
    struct wn_reading r = reading(0, -0.001, 0, 25);
    struct wn_envelope_context c = context(0, NAN);
    l.voltage_min_v = -1; /* so that only the rule under test can trip */
    wn_envelope_init(&e, &l);
    wn_envelope_judge(&e, &r, &c, &v);
    assert_true(v.tripped);
    assert_int_equal(v.rule, WN_RULE_REVERSED);
    r.voltage_v = 0;
    wn_envelope_init(&e, &l);
    wn_envelope_judge(&e, &r, &c, &v);
    assert_false(v.tripped);
}

static void test_temperature_by_direction(void **state)
{
    (void)state;
    static const struct {
        int direction;
        double current_a, hottest_c;
    } hot[] = {{1, 4, 45}, {-1, -10, 60}, {0, 0, 50}};
    struct wn_limits l = limits();
    for (size_t i = 0; i < 3; i++) {
        struct wn_envelope e;
        struct wn_envelope_verdict v;
        struct wn_envelope_context c =
            context(hot[i].direction, hot[i].direction ? fabs(hot[i].current_a) : NAN);
        l.above_ambient_k = NAN;
        struct wn_reading r = reading(1, 3.7, hot[i].current_a, hot[i].hottest_c);
        wn_envelope_init(&e, &l);
        wn_envelope_judge(&e, &r, &c, &v);
        assert_false(v.tripped);
        r.temperature_c += 0.001;
        wn_envelope_judge(&e, &r, &c, &v);
        assert_true(v.tripped);
        assert_int_equal(v.rule, WN_RULE_OVER_TEMPERATURE);
    }
    expect_calm(reading(0, 3.7, 4, 0), context(1, 4));
    expect_trip(reading(0, 3.7, 4, -0.01), context(1, 4), WN_RULE_UNDER_TEMPERATURE);
    expect_calm(reading(0, 3.7, -10, -20), context(-1, 10));
    expect_trip(reading(0, 3.7, -10, -20.01), context(-1, 10), WN_RULE_UNDER_TEMPERATURE);
    expect_calm(reading(0, 3.7, 0, -30), context(0, NAN)); /* cold at rest hurts nothing */
}

static void test_temperature_rise(void **state)
{
    (void)state;
    struct wn_limits l = limits();
    struct wn_envelope e;
    struct wn_envelope_verdict v;
    struct wn_envelope_context c = context(-1, 10);
    for (int steep = 0; steep < 2; steep++) {
        int tripped_at = 0;
        double rate_k_per_min = steep ? 6.3 : 5.7; /* limit 6 */
        wn_envelope_init(&e, &l);
        for (int s = 0; s <= 90 && tripped_at == 0; s++) {
            struct wn_reading r = reading(s, 3.7, -10, 25 + rate_k_per_min * s / 60);
            wn_envelope_judge(&e, &r, &c, &v);
            tripped_at = v.tripped ? s : 0;
        }
        assert_int_equal(tripped_at, steep ? 30 : 0); /* three spans of ten seconds */
    }
}

static void test_above_ambient(void **state)
{
    (void)state;
    expect_calm(reading(0, 3.7, -10, 53), context(-1, 10));
    expect_trip(reading(0, 3.7, -10, 53.01), context(-1, 10), WN_RULE_ABOVE_AMBIENT);
}

static void test_currents(void **state)
{
    (void)state;
    double charge_a = 4 + 0.05 + 0.04, discharge_a = 10 + 0.05 + 0.1; /* limit + tolerances */
    expect_calm(reading(0, 3.7, charge_a - 0.001, 25), context(1, 4));
    expect_trip(reading(0, 3.7, charge_a + 0.001, 25), context(1, 4), WN_RULE_OVER_CURRENT);
    expect_calm(reading(0, 3.7, -(discharge_a - 0.001), 25), context(-1, 10));
    expect_trip(reading(0, 3.7, -(discharge_a + 0.001), 25), context(-1, 10), WN_RULE_OVER_CURRENT);
    expect_calm(reading(0, 3.7, -5 + 0.09, 25), context(-1, 5));
    expect_trip(reading(0, 3.7, -5 + 0.11, 25), context(-1, 5), WN_RULE_OFF_SET_POINT);
    expect_trip(reading(0, 3.7, -5 - 0.11, 25), context(-1, 5), WN_RULE_OFF_SET_POINT);
    expect_calm(reading(0, 3.7, 0.02, 25), context(0, NAN));
    expect_trip(reading(0, 3.7, 0.021, 25), context(0, NAN), WN_RULE_CURRENT_WHILE_OFF);
    expect_trip(reading(0, 3.7, -0.021, 25), context(0, NAN), WN_RULE_CURRENT_WHILE_OFF);
}

static void test_free_current(void **state)
{
    (void)state;
    struct wn_envelope_context cv = context(1, NAN);
    cv.current_max_set_a = 2;
    expect_calm(reading(0, 4.2, 0.1, 25), cv);
    expect_calm(reading(0, 4.2, 2.06, 25), cv);
    expect_trip(reading(0, 4.2, 2.08, 25), cv, WN_RULE_OFF_SET_POINT);
    expect_trip(reading(0, 4.2, -0.08, 25), cv, WN_RULE_OFF_SET_POINT);
}

static void test_set_point_settles(void **state)
{
    (void)state;
    struct wn_limits l = limits();
    struct wn_envelope e;
    struct wn_envelope_verdict v;
    struct wn_envelope_context c = context(-1, 5);
    c.since_change_ns = 0;
    wn_envelope_init(&e, &l);
    for (int k = 1; k < 20; k++) { /* 1.9 s: still on its way */
        struct wn_reading r = reading(k * 0.1, 3.7, 0, 25);
        wn_envelope_judge(&e, &r, &c, &v);
        assert_false(v.tripped);
    }
    int n = 0;
    for (v.tripped = false; !v.tripped && n < 10; n++) {
        struct wn_reading r = reading(2.0 + n * 0.1, 3.7, 0, 25);
        wn_envelope_judge(&e, &r, &c, &v);
    }
    assert_int_equal(n, wn_rule_debounce(&l, WN_RULE_OFF_SET_POINT));
}

static void test_charge_overrun(void **state)
{
    (void)state;
    struct wn_envelope_context c = context(1, 4);
    c.step_charge_ah = 3;
    expect_calm(reading(0, 3.7, 4, 25), c);
    c.step_charge_ah = 3.0001;
    expect_trip(reading(0, 3.7, 4, 25), c, WN_RULE_CHARGE_OVERRUN);
}

static void test_not_plausible(void **state)
{
    (void)state;
    struct wn_reading r = reading(0, 3.7, 0, 25);
    r.voltage_v = NAN;
    expect_trip(r, context(0, NAN), WN_RULE_NOT_PLAUSIBLE);
    r = reading(0, 3.7, 0, 25);
    r.has &= ~(unsigned)WN_HAS_CURRENT;
    expect_trip(r, context(0, NAN), WN_RULE_NOT_PLAUSIBLE);
    r = reading(0, 3.7, 0, 25);
    r.has &= ~(unsigned)WN_HAS_TEMPERATURE;
    expect_trip(r, context(0, NAN), WN_RULE_NOT_PLAUSIBLE);
    expect_trip(reading(0, 3.7, 1e4, 25), context(0, NAN),
                WN_RULE_OVER_CURRENT); /* told as what it is first */
}

static void test_voltage_jump(void **state)
{
    (void)state;
    struct wn_limits l = limits();
    struct wn_envelope e;
    struct wn_envelope_verdict v;
    struct wn_envelope_context c = context(-1, 5);
    for (int big = 0; big < 2; big++) {
        int tripped_at = 0;
        wn_envelope_init(&e, &l);
        for (int s = 0; s < 10 && tripped_at == 0; s++) {
            double v_v = s % 2 == 0 ? 3.7 : 3.7 - (big ? 0.201 : 0.199);
            struct wn_reading r = reading(s, v_v, -5, 25);
            wn_envelope_judge(&e, &r, &c, &v);
            tripped_at = v.tripped ? s : 0;
        }
        assert_int_equal(tripped_at, big ? 4 : 0); /* a contact that chatters */
    }
    for (int big = 0; big < 2; big++) { /* a step that stays, and a single wild reading */
        double step_v = big ? 0.201 : 0.199;
        wn_envelope_init(&e, &l);
        for (int s = 0; s < 20; s++) {
            struct wn_reading r = reading(s, s == 3 || s >= 8 ? 3.7 - step_v : 3.7, -5, 25);
            wn_envelope_judge(&e, &r, &c, &v);
            assert_int_equal(v.tripped, big && s >= 9);
            if (v.tripped) {
                break;
            }
        }
    }
}

static void test_one_good_reading_clears_the_count(void **state)
{
    (void)state;
    struct wn_limits l = limits();
    struct wn_envelope e;
    struct wn_envelope_verdict v;
    struct wn_envelope_context c = context(-1, 5);
    wn_envelope_init(&e, &l);
    for (int k = 0; k < 30; k++) { /* two bad, one good, for ever: three in a row never come */
        struct wn_reading r = reading(k, 3.7, k % 3 == 2 ? -5 : -4, 25);
        wn_envelope_judge(&e, &r, &c, &v);
        assert_false(v.tripped);
    }
}

static void test_own_debounce(void **state)
{
    (void)state;
    struct wn_limits l = limits();
    enum wn_rule rule;
    l.debounce[WN_RULE_OVER_VOLTAGE] = 4;
    assert_int_equal(readings_until_trip(&l, reading(0, 4.3, 0, 25), context(0, NAN), &rule), 4);
}

static void test_verdict_says_value_and_limit(void **state)
{
    (void)state;
    struct wn_limits l = limits();
    struct wn_envelope e;
    struct wn_envelope_verdict v;
    struct wn_envelope_context c = context(0, NAN);
    struct wn_reading r = reading(0, 4.31, 0, 25);
    wn_envelope_init(&e, &l);
    wn_envelope_judge(&e, &r, &c, &v);
    assert_string_equal(v.text,
                        "cell voltage is above the highest allowed: 4.310 V, limit 4.250 V");
}

static void test_tightest_wins(void **state)
{
    (void)state;
    struct wn_limits a = limits(), b = limits();
    b.voltage_max_v = 4.3;
    b.voltage_min_v = 2.5;
    b.discharge_temperature_max_c = NAN;
    a.above_ambient_k = NAN;
    b.above_ambient_k = 20;
    wn_limits_tighten(&a, &b);
    assert_near(a.voltage_max_v, 4.25, 0);
    assert_near(a.voltage_min_v, 2.5, 0);
    assert_near(a.discharge_temperature_max_c, 60, 0);
    assert_near(a.above_ambient_k, 20, 0);
}

static void test_every_rule_has_a_printable_row(void **state)
{
    (void)state;
    struct wn_limits l = limits();
    char buf[160];
    for (int i = 0; i < WN_RULE_COUNT; i++) {
        enum wn_rule rule = (enum wn_rule)i;
        assert_true(strlen(wn_rule_word(rule)) > 0);
        assert_true(strlen(wn_rule_text(rule)) > 0);
        assert_true(wn_rule_debounce(&l, rule) >= 1);
        assert_true(strlen(wn_rule_limit_format(&l, rule, buf, sizeof buf)) > 0);
        for (int k = 0; k < i; k++) {
            assert_string_not_equal(wn_rule_word(rule), wn_rule_word((enum wn_rule)k));
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_voltage),
        cmocka_unit_test(test_reversed_polarity),
        cmocka_unit_test(test_temperature_by_direction),
        cmocka_unit_test(test_temperature_rise),
        cmocka_unit_test(test_above_ambient),
        cmocka_unit_test(test_currents),
        cmocka_unit_test(test_free_current),
        cmocka_unit_test(test_set_point_settles),
        cmocka_unit_test(test_charge_overrun),
        cmocka_unit_test(test_not_plausible),
        cmocka_unit_test(test_voltage_jump),
        cmocka_unit_test(test_one_good_reading_clears_the_count),
        cmocka_unit_test(test_own_debounce),
        cmocka_unit_test(test_verdict_says_value_and_limit),
        cmocka_unit_test(test_tightest_wins),
        cmocka_unit_test(test_every_rule_has_a_printable_row),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
