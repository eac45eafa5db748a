/* Rules that need more than one reading: stale values, thermometers, contacts, rests, what goes in
 * and what comes out. Each just before, at and just after its threshold. SPDX-License-Identifier:
 * GPL-3.0-or-later */
#include "support/near.h"

#include <string.h>

#include "envelope/envelope.h"

/* Everything off that is not under test. */
static struct wn_limits calm_limits(void)
{
    struct wn_limits l;
    memset(&l, 0, sizeof l);
    l.voltage_max_v = 4.25;
    l.voltage_min_v = 2.3;
    l.charge_temperature_min_c = l.discharge_temperature_min_c = -40;
    l.charge_temperature_max_c = l.discharge_temperature_max_c = l.rest_temperature_max_c = 90;
    l.temperature_rise_k_per_min = l.above_ambient_k = l.voltage_jump_v = NAN;
    l.charge_current_max_a = 4;
    l.discharge_current_max_a = 10;
    l.set_point_tolerance_a = 0.05;
    l.set_point_tolerance = 0.01;
    l.off_current_a = 0.02;
    l.charge_max_ah = 3.125; /* 1 It is 2.5 A */
    return l;
}

struct story {
    struct wn_envelope e;
    struct wn_envelope_context c;
    struct wn_reading r;
    double now_s;
};

static void begin(struct story *s, const struct wn_limits *l)
{
    memset(s, 0, sizeof *s);
    wn_envelope_init(&s->e, l);
    s->r.has = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE | WN_HAS_AMBIENT;
    s->r.voltage_v = 3.7;
    s->r.temperature_c = s->r.ambient_c = 23;
    s->c.charge_expected_ah = s->c.step_s = s->c.step_time_limit_s = NAN;
    s->c.set_current_a = s->c.current_max_set_a = NAN;
}

static void output(struct story *s, int direction, double current_a)
{
    s->c.output_on = direction != 0;
    s->c.direction = direction;
    s->c.set_current_a = s->c.current_max_set_a = direction == 0 ? NAN : current_a;
    s->c.since_change_ns = wn_ns_from_s(s->now_s);
    s->r.current_a = direction * current_a;
}

/* The rule that trips at this instant, WN_RULE_COUNT for none. */
static enum wn_rule at(struct story *s, double time_s)
{
    struct wn_envelope_verdict v;
    s->now_s = time_s;
    s->r.time_ns = wn_ns_from_s(time_s);
    wn_envelope_judge(&s->e, &s->r, &s->c, &v);
    return v.tripped ? v.rule : WN_RULE_COUNT;
}

static void test_frozen(void **state)
{
    (void)state;
    struct wn_limits l = calm_limits();
    struct story s;
    l.frozen_s = 600;
    begin(&s, &l);
    for (int t = 0; t < 7200; t += 60) { /* at rest nothing moves, rightly */
        assert_int_equal(at(&s, t), WN_RULE_COUNT);
    }
    output(&s, -1, 1);
    assert_int_equal(at(&s, 7200), WN_RULE_COUNT);
    assert_int_equal(at(&s, 7800), WN_RULE_COUNT); /* at the limit */
    s.r.voltage_v -= 1e-9;                         /* the least movement is one */
    assert_int_equal(at(&s, 7801), WN_RULE_COUNT);
    assert_int_equal(at(&s, 8401), WN_RULE_COUNT);
    assert_int_equal(at(&s, 8401.001), WN_RULE_FROZEN);
}

static void test_each_value_that_moves_counts(void **state)
{
    (void)state;
    struct wn_limits l = calm_limits();
    l.frozen_s = 100;
    for (int which = 0; which < 3; which++) {
        struct story s;
        begin(&s, &l);
        output(&s, 1, 1);
        double *value[] = {&s.r.voltage_v, &s.r.current_a, &s.r.temperature_c};
        for (int t = 0; t < 1000; t += 50) {
            *value[which] += t % 100 == 0 ? 0.001 : 0;
            assert_int_equal(at(&s, t), WN_RULE_COUNT);
        }
    }
}

/* The rated capacity is 2.5 Ah: a tenth of it is 15 minutes at 1 A. */
static void test_frozen_voltage(void **state)
{
    (void)state;
    struct wn_limits l = calm_limits();
    l.voltage_frozen = 0.1;
    for (int direction = -1; direction <= 1; direction += 2) {
        struct story s;
        begin(&s, &l);
        output(&s, direction, 1);
        s.c.set_current_a = NAN; /* nor where the voltage is held */
        assert_int_equal(at(&s, 0), WN_RULE_COUNT);
        for (int t = 10; t <= 880; t += 10) {
            s.r.current_a += t % 20 == 0 ? 0.004 : -0.004; /* an ammeter that works */
            s.r.temperature_c += 0.01;
            assert_int_equal(at(&s, t - 0.01), WN_RULE_COUNT);
        }
        assert_int_equal(at(&s, 910), WN_RULE_VOLTAGE_FROZEN);
        s.r.voltage_v += 1e-6; /* the least movement is one */
        assert_int_equal(at(&s, 911), WN_RULE_COUNT);
    }
}

/* What is constant by right: the voltage while the current falls, both at rest. */
static void test_a_voltage_that_is_held_is_not_frozen(void **state)
{
    (void)state;
    struct wn_limits l = calm_limits();
    struct story s;
    l.voltage_frozen = 0.1;
    begin(&s, &l);
    for (int t = 0; t < 20 * 3600; t += 60) {
        assert_int_equal(at(&s, t), WN_RULE_COUNT);
    }
    output(&s, 1, 2.5);
    s.c.set_current_a = NAN;
    s.c.current_max_set_a = 2.5;
    for (int t = 72000; s.r.current_a > 0.1; t += 10) {
        s.r.current_a *= 0.995; /* in half an hour to less than half */
        assert_int_equal(at(&s, t), WN_RULE_COUNT);
    }
}

static void test_frozen_thermometer(void **state)
{
    (void)state;
    struct wn_limits l = calm_limits();
    struct story s;
    l.thermometer_frozen_s = 1200;
    begin(&s, &l);
    output(&s, -1, 2.3); /* below 0.95 It: a cell may stay as warm as it is */
    for (int t = 0; t < 7200; t += 60) {
        s.r.voltage_v -= 0.001;
        assert_int_equal(at(&s, t), WN_RULE_COUNT);
    }
    output(&s, -1, 2.5);
    assert_int_equal(at(&s, 7200), WN_RULE_COUNT);
    s.r.voltage_v -= 0.1;
    assert_int_equal(at(&s, 8340), WN_RULE_COUNT); /* counted from the last one below: 7140 */
    assert_int_equal(at(&s, 8340.001), WN_RULE_THERMOMETER_FROZEN);
    s.r.temperature_c += 0.1;
    assert_int_equal(at(&s, 8401), WN_RULE_COUNT);
}

/* Judged every ten seconds, twice, and with the output on only. */
static void test_a_thermometer_that_has_come_off(void **state)
{
    (void)state;
    struct wn_limits l = calm_limits();
    l.temperature_fall_k_per_min = 6;
    for (int on = 0; on < 2; on++) {
        struct story s;
        begin(&s, &l);
        output(&s, -on, 2.5);
        s.r.temperature_c = 40;
        for (int t = 0; t <= 60; t += 10) { /* at the limit */
            assert_int_equal(at(&s, t), WN_RULE_COUNT);
            s.r.temperature_c -= 1;
            s.r.voltage_v -= 0.001;
        }
        s.r.temperature_c -= 0.001;
        assert_int_equal(at(&s, 70), WN_RULE_COUNT);
        s.r.temperature_c -= 1.001;
        assert_int_equal(at(&s, 75), WN_RULE_COUNT);
        assert_int_equal(at(&s, 80), on ? WN_RULE_TEMPERATURE_FALL : WN_RULE_COUNT);
    }
}

static void test_thermometers_disagree(void **state)
{
    (void)state;
    struct wn_limits l = calm_limits();
    struct story s;
    l.below_ambient_k = 8;
    begin(&s, &l);
    s.r.temperature_c = 15;
    for (int t = 0; t < 10; t++) {
        assert_int_equal(at(&s, t), WN_RULE_COUNT);
    }
    s.r.temperature_c = 14.99;
    assert_int_equal(at(&s, 10), WN_RULE_COUNT);
    assert_int_equal(at(&s, 11), WN_RULE_COUNT);
    assert_int_equal(at(&s, 12), WN_RULE_BELOW_AMBIENT);
    s.r.has &= ~(unsigned)WN_HAS_AMBIENT; /* one thermometer disagrees with nobody */
    begin(&s, &l);
    s.r.has &= ~(unsigned)WN_HAS_AMBIENT;
    s.r.temperature_c = 0;
    for (int t = 0; t < 10; t++) {
        assert_int_equal(at(&s, t), WN_RULE_COUNT);
    }
}

static void test_unwatched(void **state)
{
    (void)state;
    struct wn_limits l = calm_limits();
    struct story s;
    l.unwatched_s = 60;
    begin(&s, &l);
    assert_int_equal(at(&s, 0), WN_RULE_COUNT);
    assert_int_equal(at(&s, 5000), WN_RULE_COUNT); /* nothing is on */
    output(&s, 1, 2);                              /* on since 5000 */
    assert_int_equal(at(&s, 5060), WN_RULE_COUNT);
    assert_int_equal(at(&s, 5120), WN_RULE_COUNT);
    assert_int_equal(at(&s, 5180.001), WN_RULE_UNWATCHED);
    begin(&s, &l);
    assert_int_equal(at(&s, 0), WN_RULE_COUNT);
    s.now_s = 4000;
    output(&s, 1, 2); /* the last reading is older than the output: only what was on counts */
    assert_int_equal(at(&s, 4059), WN_RULE_COUNT);
}

/* 100 mV from rest to 1 A are 100 mohm. */
static void test_contact(void **state)
{
    (void)state;
    static const struct {
        double ohm;
        bool trips;
    } rows[] = {{0.0999, false}, {0.1001, true}, {-0.1001, true}, {-0.0999, false}};
    struct wn_limits l = calm_limits();
    l.contact_ohm = 0.1;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        for (int direction = -1; direction <= 1; direction += 2) {
            struct story s;
            begin(&s, &l);
            assert_int_equal(at(&s, -1), WN_RULE_COUNT);
            assert_int_equal(at(&s, 0), WN_RULE_COUNT);
            output(&s, direction, 1);
            s.r.voltage_v = 3.7 + direction * rows[i].ohm;
            assert_int_equal(at(&s, 1.9), WN_RULE_COUNT); /* not settled */
            assert_int_equal(at(&s, 2), WN_RULE_COUNT);   /* once is no contact */
            assert_int_equal(at(&s, 3), rows[i].trips ? WN_RULE_CONTACT : WN_RULE_COUNT);
        }
    }
    struct story s;
    begin(&s, &l);
    assert_int_equal(at(&s, -1), WN_RULE_COUNT);
    assert_int_equal(at(&s, 0), WN_RULE_COUNT);
    output(&s, -1, 1);
    s.r.voltage_v = 3.4; /* a cell does fall so far in a while: judged at the onset only */
    assert_int_equal(at(&s, 10.001), WN_RULE_COUNT);
    assert_int_equal(at(&s, 11), WN_RULE_COUNT);
    begin(&s, &l);
    assert_int_equal(at(&s, -1), WN_RULE_COUNT);
    assert_int_equal(at(&s, 0), WN_RULE_COUNT);
    output(&s, -1, 0.19); /* too little current to tell */
    s.r.voltage_v = 3.6;
    assert_int_equal(at(&s, 2), WN_RULE_COUNT);
    assert_int_equal(at(&s, 3), WN_RULE_COUNT);
}

static void test_rest_sag(void **state)
{
    (void)state;
    struct wn_limits l = calm_limits();
    struct story s;
    l.rest_sag_v = 0.1;
    begin(&s, &l);
    output(&s, 1, 4);
    s.r.voltage_v = 4.2;
    assert_int_equal(at(&s, 0), WN_RULE_COUNT);
    output(&s, 0, 0);
    s.r.voltage_v = 4.0; /* relaxation right after the charge is none */
    assert_int_equal(at(&s, 60), WN_RULE_COUNT);
    assert_int_equal(at(&s, 120), WN_RULE_COUNT);
    s.r.voltage_v = 3.95;
    assert_int_equal(at(&s, 600), WN_RULE_COUNT);
    assert_int_equal(at(&s, 610), WN_RULE_COUNT);
    s.r.voltage_v = 4.15; /* one wild reading is nothing to compare with */
    assert_int_equal(at(&s, 620), WN_RULE_COUNT);
    s.r.voltage_v = 3.95;
    assert_int_equal(at(&s, 630), WN_RULE_COUNT);
    assert_int_equal(at(&s, 640), WN_RULE_COUNT);
    s.r.voltage_v = 3.8501;
    for (int t = 700; t < 720; t++) {
        assert_int_equal(at(&s, t), WN_RULE_COUNT);
    }
    s.r.voltage_v = 3.8499;
    assert_int_equal(at(&s, 800), WN_RULE_COUNT);
    assert_int_equal(at(&s, 860), WN_RULE_COUNT);
    assert_int_equal(at(&s, 920), WN_RULE_REST_SAG);
    output(&s, -1, 1); /* a discharge begins: another rest is judged by itself */
    assert_int_equal(at(&s, 980), WN_RULE_COUNT);
    output(&s, 0, 0);
    s.r.voltage_v = 3.0;
    assert_int_equal(at(&s, 1600), WN_RULE_COUNT);
}

static void test_reduced_charge_voltage(void **state)
{
    (void)state;
    static const struct {
        double temperature_c, voltage_v;
        int direction;
        bool trips;
    } rows[] = {
        {10, 4.2, 1, false},   {9.99, 4.2, 1, true},   {9.99, 4.18, 1, false},
        {45, 4.2, 1, false},   {45.01, 4.2, 1, true},  {45.01, 4.1801, 1, true},
        {9.99, 4.2, 0, false}, {9.99, 4.2, -1, false},
    };
    struct wn_limits l = calm_limits();
    l.reduced_voltage_v = 4.18;
    l.cool_below_c = 10;
    l.warm_above_c = 45;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct story s;
        begin(&s, &l);
        output(&s, rows[i].direction, 2);
        s.r.temperature_c = rows[i].temperature_c;
        s.r.voltage_v = rows[i].voltage_v;
        assert_int_equal(at(&s, 10), WN_RULE_COUNT);
        assert_int_equal(at(&s, 11), rows[i].trips ? WN_RULE_REDUCED_VOLTAGE : WN_RULE_COUNT);
    }
}

static void test_charge_excess(void **state)
{
    (void)state;
    struct wn_limits l = calm_limits();
    struct story s;
    l.charge_excess = 0.15;
    begin(&s, &l);
    output(&s, 1, 2);
    s.c.charge_expected_ah = 2;
    s.c.step_charge_ah = 2.3749; /* 2 Ah and 15 % of 2.5 Ah */
    assert_int_equal(at(&s, 10), WN_RULE_COUNT);
    s.c.step_charge_ah = 2.3751;
    assert_int_equal(at(&s, 11), WN_RULE_CHARGE_EXCESS);
    s.c.charge_expected_ah = NAN; /* arrived, or interrupted: nobody knows */
    assert_int_equal(at(&s, 12), WN_RULE_COUNT);
    s.c.charge_expected_ah = 2;
    output(&s, -1, 2);
    assert_int_equal(at(&s, 13), WN_RULE_COUNT);
}

static void test_step_timeout(void **state)
{
    (void)state;
    struct wn_limits l = calm_limits();
    struct story s;
    begin(&s, &l);
    output(&s, 1, 2);
    s.c.step_time_limit_s = 1000;
    s.c.step_s = 1110; /* 1000 s + 5 % + 60 s */
    assert_int_equal(at(&s, 10), WN_RULE_COUNT);
    s.c.step_s = 1110.01;
    assert_int_equal(at(&s, 11), WN_RULE_STEP_TIMEOUT);
}

static void test_capacity_collapse(void **state)
{
    (void)state;
    struct wn_limits l = calm_limits();
    struct wn_envelope_verdict v;
    wn_envelope_judge_capacity(&l, 0.1, 2.5, &v);
    assert_false(v.tripped); /* off */
    l.capacity_collapse = 0.2;
    wn_envelope_judge_capacity(&l, 2.0, 2.5, &v);
    assert_false(v.tripped);
    wn_envelope_judge_capacity(&l, 1.9999, 2.5, &v);
    assert_true(v.tripped);
    assert_int_equal(v.rule, WN_RULE_CAPACITY_COLLAPSE);
    wn_envelope_judge_capacity(&l, NAN, 2.5, &v);
    assert_false(v.tripped);
    wn_envelope_judge_capacity(&l, 2.0, NAN, &v);
    assert_false(v.tripped);
}

/* What an instrument sends instead of a value, and what a slip of the unit looks like. The first
 * row is one that is none. */
static void test_no_value_of_a_cell(void **state)
{
    (void)state;
    static const struct {
        double voltage_v, current_a, temperature_c;
        bool trips;
    } rows[] = {
        {3.7, 0, 25, false},        {9.9e37, 0, 25, true},   {9.91e37, 0, 25, true},
        {3700, 0, 25, true},        {3.7, 9.9e37, 25, true}, {3.7, 2500, 25, true},
        {3.7, -INFINITY, 25, true}, {3.7, NAN, 25, true},    {3.7, 0, 9.9e37, true},
        {3.7, 0, NAN, true},        {3.7, 0, 298.15, true},  {3.7, 0, -273.15, true},
        {INFINITY, 0, 25, true},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct wn_limits l = calm_limits();
        struct story s;
        begin(&s, &l);
        s.r.voltage_v = rows[i].voltage_v;
        s.r.current_a = rows[i].current_a;
        s.r.temperature_c = rows[i].temperature_c;
        enum wn_rule first = at(&s, 1), second = at(&s, 2), third = at(&s, 3);
        bool tripped = first != WN_RULE_COUNT || second != WN_RULE_COUNT || third != WN_RULE_COUNT;
        if (tripped != rows[i].trips) {
            fail_msg("row %zu: %s", i, tripped ? "tripped" : "did not trip");
        }
    }
}

static void test_tightest_of_optional_limits(void **state)
{
    (void)state;
    struct wn_limits a = calm_limits(), b = calm_limits();
    a.frozen_s = 600;
    b.frozen_s = 300;
    a.rest_sag_v = 0.1;
    b.rest_sag_v = NAN;
    a.contact_ohm = NAN;
    b.contact_ohm = 0.2;
    a.unwatched_s = 0;
    b.unwatched_s = 60;
    b.reduced_voltage_v = 4.15;
    b.cool_below_c = 10;
    b.warm_above_c = 45;
    wn_limits_tighten(&a, &b);
    assert_near(a.frozen_s, 300, 0);
    assert_near(a.rest_sag_v, 0.1, 0);
    assert_near(a.contact_ohm, 0.2, 0);
    assert_near(a.unwatched_s, 60, 0);
    assert_near(a.reduced_voltage_v, 4.15, 0);
    assert_near(a.cool_below_c, 10, 0);
    b.reduced_voltage_v = 4.1;
    b.cool_below_c = 15;
    b.warm_above_c = 50;
    wn_limits_tighten(&a, &b);
    assert_near(a.reduced_voltage_v, 4.1, 0);
    assert_near(a.cool_below_c, 15, 0);
    assert_near(a.warm_above_c, 45, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_frozen),
        cmocka_unit_test(test_frozen_voltage),
        cmocka_unit_test(test_a_voltage_that_is_held_is_not_frozen),
        cmocka_unit_test(test_each_value_that_moves_counts),
        cmocka_unit_test(test_frozen_thermometer),
        cmocka_unit_test(test_a_thermometer_that_has_come_off),
        cmocka_unit_test(test_thermometers_disagree),
        cmocka_unit_test(test_unwatched),
        cmocka_unit_test(test_contact),
        cmocka_unit_test(test_rest_sag),
        cmocka_unit_test(test_reduced_charge_voltage),
        cmocka_unit_test(test_charge_excess),
        cmocka_unit_test(test_step_timeout),
        cmocka_unit_test(test_capacity_collapse),
        cmocka_unit_test(test_no_value_of_a_cell),
        cmocka_unit_test(test_tightest_of_optional_limits),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
