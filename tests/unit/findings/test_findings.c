/* What a campaign found, from rows made up for it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "unit/findings/made.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int setup(void **state)
{
    *state = made_new();
    return 0;
}

static int teardown(void **state)
{
    free(*state);
    return 0;
}

static const struct finding_condition *condition(const struct findings *f, const char *key)
{
    for (int i = 0; i < f->conditions; i++) {
        if (strcmp(f->condition[i].key, key) == 0) {
            return &f->condition[i];
        }
    }
    fail_msg("there is no condition %s", key);
    return NULL;
}

static const struct finding_claim *claim(const struct findings *f, const char *key)
{
    for (int i = 0; i < f->claims; i++) {
        if (strcmp(f->claim[i].key, key) == 0) {
            return &f->claim[i];
        }
    }
    return NULL;
}

static void expect(const struct findings *f, const char *key, enum finding_kept kept,
                   int64_t missed, const char *found)
{
    const struct finding_condition *c = condition(f, key);
    if (c->kept != kept || c->missed != missed || strstr(c->found, found) == NULL) {
        fail_msg("%s: %s, %lld missed: %s", key, findings_kept_word(c->kept), (long long)c->missed,
                 c->found);
    }
}

static void test_all_kept(void **state)
{
    struct made *m = *state;
    (void)add_check_up(m, 2.55);
    for (int i = 0; i < 5; i++) {
        (void)add_cycle(m, 10, 2.4);
    }
    findings_judge(&m->f);
    expect(&m->f, "temperature_window", FINDING_KEPT, 0, "Ambient 19.0 to 21.0 degC.");
    expect(&m->f, "rest_before_discharge", FINDING_KEPT, 0,
           "6 discharges, shortest rest 1 h 00 min.");
    expect(&m->f, "rest_after_discharge", FINDING_KEPT, 0, "6 discharges");
    expect(&m->f, "standard_charge", FINDING_KEPT, 0,
           "1 x " STANDARD_CHARGE " (standard charge); 5 x " CLAIM_CHARGE " (as the claim says).");
    expect(&m->f, "charge_complete", FINDING_KEPT, 0, "6 charges.");
    expect(&m->f, "to_cutoff", FINDING_KEPT, 0, "5 cycles, 1 check-ups.");
    expect(&m->f, "complete", FINDING_KEPT, 0, "");
    expect(&m->f, "four_wire", FINDING_KEPT, 0, "4-wire, as stated");
    expect(&m->f, "tolerances", FINDING_KEPT, 0, "All met.");
    expect(&m->f, "calibration", FINDING_NOT_KNOWN, 0, "No certificate");
    assert_near(m->f.time_s, wn_ns_to_s(m->now_ns), 1e-9);
}

/* Just inside and just outside of 20 +/- 5 degC, in any kind of step. */
static void test_window(void **state)
{
    struct made *m = *state;
    (void)add_cycle(m, 10, 2.4);
    (void)add_cycle(m, 10, 2.4);
    m->step[5].sums.ambient_min_c = 15.0;
    m->step[6].sums.ambient_max_c = 25.0;
    findings_judge(&m->f);
    expect(&m->f, "temperature_window", FINDING_KEPT, 0, "15.0 to 25.0 degC.");
    m->step[5].sums.ambient_min_c = 14.99; /* a rest */
    m->step[6].sums.ambient_max_c = 25.01; /* a discharge */
    findings_judge(&m->f);
    expect(&m->f, "temperature_window", FINDING_NOT_KEPT, 2,
           "2 of 8 steps left the window, first in "
           "cycle 2.");
    m->step[5].sums.ambient_min_c = m->step[6].sums.ambient_max_c = 20;
    m->step[0].sums.ambient_min_c = NAN; /* one of many that is not known */
    findings_judge(&m->f);
    expect(&m->f, "temperature_window", FINDING_NOT_KNOWN, 0, "1 steps without a temperature");
    m->step[7].ended_by[0] = '\0'; /* still running: not judged */
    m->step[7].sums.ambient_min_c = m->step[7].sums.ambient_max_c = 80;
    findings_judge(&m->f);
    expect(&m->f, "temperature_window", FINDING_NOT_KNOWN, 0, "19.0 to 21.0");
}

/* Without an ambient thermometer the cell's own tells, before charge and discharge; it may be hot
 * in between. Without any nothing is known. */
static void test_window_by_cell(void **state)
{
    struct made *m = *state;
    (void)add_cycle(m, 10, 2.4);
    for (size_t i = 0; i < m->f.steps; i++) {
        m->step[i].sums.ambient_min_c = m->step[i].sums.ambient_max_c = NAN;
    }
    m->step[1].sums.temperature_start_c = m->step[3].sums.temperature_start_c = 45; /* rests */
    m->step[2].sums.temperature_max_c = 60;
    findings_judge(&m->f);
    expect(&m->f, "temperature_window", FINDING_KEPT, 0, "No ambient thermometer; the cell");
    m->step[2].sums.temperature_start_c = 25.1;
    findings_judge(&m->f);
    expect(&m->f, "temperature_window", FINDING_NOT_KEPT, 1, "1 of 2 steps left the window");
    m->step[0].sums.temperature_start_c = m->step[2].sums.temperature_start_c = NAN;
    findings_judge(&m->f);
    expect(&m->f, "temperature_window", FINDING_NOT_KNOWN, 0, "No thermometer tells.");
}

static void test_rests(void **state)
{
    struct made *m = *state;
    (void)add_cycle(m, 10, 2.4);
    (void)add_cycle(m, 10, 2.4);
    m->step[5].end_ns = m->step[5].start_ns + wn_ns_from_s(3599);
    findings_judge(&m->f);
    expect(&m->f, "rest_before_discharge", FINDING_KEPT, 0, "shortest rest 59 min 59 s");
    m->step[5].end_ns = m->step[5].start_ns + wn_ns_from_s(3598.9);
    findings_judge(&m->f);
    expect(&m->f, "rest_before_discharge", FINDING_NOT_KEPT, 1,
           "1 of 2 had less, first in cycle 2.");
    expect(&m->f, "rest_after_discharge", FINDING_KEPT, 0, "2 discharges");
    m->f.steps--; /* the rest behind the last discharge is not there */
    findings_judge(&m->f);
    expect(&m->f, "rest_after_discharge", FINDING_NOT_KEPT, 1,
           "shortest rest none; 1 of 2 had less");
    m->f.over = false; /* it is still to come */
    findings_judge(&m->f);
    expect(&m->f, "rest_after_discharge", FINDING_KEPT, 0, "1 discharges");
    m->f.steps++;
    m->step[7].ended_by[0] = '\0'; /* going on */
    m->step[7].end_ns = m->step[7].start_ns;
    findings_judge(&m->f);
    expect(&m->f, "rest_after_discharge", FINDING_KEPT, 0, "1 discharges");
}

static void test_charges_and_flags(void **state)
{
    struct made *m = *state;
    for (int i = 0; i < 3; i++) {
        (void)add_cycle(m, 10, 2.4);
    }
    (void)snprintf(m->step[4].description, sizeof m->step[4].description, "charge 2 A to 4.1 V");
    (void)snprintf(m->step[8].ended_by, sizeof m->step[8].ended_by, "time_limit");
    m->cycle[1].flags = WN_FLAG_NOT_TO_CUTOFF;
    m->cycle[2].flags = WN_FLAG_GAP | WN_FLAG_AFTER_PAUSE;
    m->step[9].sums.missing_s = 90;
    m->f.sense = WN_SENSE_TWO_WIRE;
    findings_judge(&m->f);
    expect(&m->f, "standard_charge", FINDING_NOT_KEPT, 1, "1 x charge 2 A to 4.1 V (another)");
    expect(&m->f, "charge_complete", FINDING_NOT_KEPT, 1,
           "1 of 3 ended otherwise, first in cycle 3.");
    expect(&m->f, "to_cutoff", FINDING_NOT_KEPT, 1, "1 of 3 did not, first in cycle 2");
    expect(&m->f, "complete", FINDING_NOT_KEPT, 1, "readings are missing for 1 min 30 s");
    expect(&m->f, "four_wire", FINDING_NOT_KEPT, 0, "2-wire");
    assert_int_equal(m->f.cycles_valid, 1);
}

/* Nobody told how a log was measured: nothing is made up. */
static void test_a_log(void **state)
{
    struct made *m = *state;
    for (int i = 0; i < 3; i++) {
        (void)add_cycle(m, 2, 1.8);
        m->f.steps -= 4; /* the discharges alone */
        m->now_ns = m->cycle[i].start_ns;
        (void)add_step(m, WN_STEP_DISCHARGE, i + 1, false, "discharge", 3600);
        m->step[m->f.steps - 1].sums.ambient_min_c = NAN;
        m->step[m->f.steps - 1].sums.temperature_start_c = NAN;
    }
    m->f.info.imported = true;
    m->f.plan = NULL;
    m->f.sense = WN_SENSE_UNSAID;
    m->f.measuring.accuracy = (struct wn_accuracy){NAN, NAN, NAN, NAN, NAN, NAN, false};
    findings_judge(&m->f);
    static const char *const unknown[] = {"temperature_window",   "rest_before_discharge",
                                          "rest_after_discharge", "standard_charge",
                                          "charge_complete",      "four_wire",
                                          "tolerances",           "calibration"};
    for (size_t i = 0; i < sizeof unknown / sizeof unknown[0]; i++) {
        expect(&m->f, unknown[i], FINDING_NOT_KNOWN, 0, "");
    }
    assert_true(isnan(m->f.fade.retention_of_first.u));
    assert_near(m->f.fade.retention_of_first.value, 1, 1e-12);
}

static void test_calibration(void **state)
{
    struct made *m = *state;
    const wn_utc_us day_us = INT64_C(86400) * 1000000;
    (void)add_cycle(m, 10, 2.4);
    m->f.info.created_utc = 100 * day_us;
    m->f.last_utc = 200 * day_us;
    m->f.certificates = 2;
    for (int i = 0; i < 2; i++) {
        struct wn_calibration_record *k = &m->f.certificate[i];
        (void)snprintf(k->quantity, sizeof k->quantity, "%s", i == 0 ? "voltage" : "current");
        k->line = (struct wn_calibration_line){
            .known = true, .gain = 1, .date = 50 * day_us, .valid_until = 300 * day_us};
    }
    findings_judge(&m->f);
    expect(&m->f, "calibration", FINDING_KEPT, 0, "2 certified quantities.");
    m->f.certificate[1].line.valid_until = 150 * day_us;
    findings_judge(&m->f);
    expect(&m->f, "calibration", FINDING_NOT_KEPT, 1, "not all certificates were valid");
    m->f.certificates = 1;
    findings_judge(&m->f);
    expect(&m->f, "calibration", FINDING_NOT_KNOWN, 0, "not both of voltage and current");
}

static void test_rates(void **state)
{
    struct made *m = *state;
    (void)add_check_up(m, 2.55);
    add_cycle(m, 10, 2.40)->flags = WN_FLAG_GAP;
    (void)add_cycle(m, 10.19, 2.39); /* 1.9 % more: the same */
    (void)add_cycle(m, 9.81, 2.38);
    (void)add_cycle(m, 10.3, 2.37); /* 2.9 % more: another */
    add_cycle(m, 10, 2.30)->cutoff_v = 2.502;
    m->plan.step[0] = (struct wn_step){.kind = WN_STEP_DISCHARGE,
                                       .current_a = 10.05,
                                       .until_voltage_v = 2.5,
                                       .until_temperature_c = 70};
    m->plan.steps = 1;
    findings_judge(&m->f);
    assert_int_equal(m->f.rates, 4);
    const struct finding_rate *r = m->f.rate;
    assert_near(r[0].set, 0.5, 1e-9);
    assert_true(r[0].first.at.in_check_up && r[0].n == 1);
    assert_near(r[0].first.mean_voltage_v, 3.6, 1e-12);
    assert_near(r[1].set, 10, 1e-12);
    assert_near(r[1].cutoff_v, 2.502, 1e-12);
    assert_near(r[2].set, 10.05, 1e-12); /* as planned */
    assert_near(r[2].until_temperature_c, 70, 0);
    assert_true(r[2].n == 3 && r[2].valid == 2 && r[2].first.at.number == 2);
    assert_near(r[2].last.capacity_ah.value, 2.38, 1e-12);
    assert_near(r[2].temperature_max_c, 50.19, 1e-9); /* of all */
    assert_near(r[3].set, 10.3, 1e-12);
    /* at constant power the current is none to compare by */
    m->step[6].kind = WN_STEP_DISCHARGE_POWER;
    findings_judge(&m->f);
    assert_int_equal(m->f.rates, 5);
    assert_true(m->f.rate[4].power && m->f.rate[4].first.at.number == 1 && m->f.rate[4].valid == 0);
    assert_near(m->f.rate[4].set, 35, 1e-9);
}

static void test_resistances(void **state)
{
    struct made *m = *state;
    (void)add_check_up(m, 2.55);
    for (int i = 0; i < 4; i++) {
        (void)add_cycle(m, 10, 2.4);
    }
    (void)add_check_up(m, 2.5);
    m->cycle[3].flags = WN_FLAG_INTERRUPTED;
    m->f.info.cell.ac_impedance_ohm = 0.0128;
    m->f.info.cell.ac_impedance_hz = 1000;
    m->plan.resistance_delay_s = 1;
    findings_judge(&m->f);
    assert_int_equal(m->f.resistances, 3);
    const struct finding_resistance *r = m->f.resistance;
    assert_true(r[0].method == FINDING_AC && r[0].hz == 1000 && r[0].n == 1);
    assert_true(isnan(r[0].first_ohm.u));
    assert_true(r[1].method == FINDING_TWO_LEVEL && r[1].n == 2);
    assert_near(r[1].last_ohm.value, 0.027, 1e-12);
    assert_near(r[1].voltage_v, 4.19, 0);
    assert_true(r[2].method == FINDING_ONSET && r[2].n == 3 && r[2].last_at.number == 3);
    assert_near(r[2].delay_s, 1, 0);
}

static void verdict(const struct findings *f, const char *key, const char *word, const char *note)
{
    const struct finding_claim *c = claim(f, key);
    assert_non_null(c);
    if (strcmp(c->verdict, word) != 0 || strstr(c->note, note) == NULL) {
        fail_msg("%s: %s: %s", key, c->verdict, c->note);
    }
}

/* Further from the limit than 2 u, just within, just beyond. */
static void test_capacity_claim(void **state)
{
    struct made *m = *state;
    struct wn_check_up_record *u = add_check_up(m, 2.505);
    static const struct {
        double ah;
        const char *word;
    } cases[] = {{2.50401, "holds"},
                 {2.50399, "in doubt"},
                 {2.5, "in doubt"},
                 {2.49601, "in doubt"},
                 {2.49599, "fails"}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        u->capacity_ah.value = cases[i].ah;
        findings_judge(&m->f);
        verdict(&m->f, "rated_capacity", cases[i].word, "");
    }
    assert_null(claim(&m->f, "nominal_capacity"));
    m->f.info.cell.nominal_capacity_ah = 2.6;
    u->capacity_ah.value = 2.55;
    findings_judge(&m->f);
    verdict(&m->f, "nominal_capacity", "fails", "");
    u->capacity_ah.u = NAN;
    findings_judge(&m->f);
    verdict(&m->f, "rated_capacity", "holds", "uncertainty of the value is not known");
    u->after_cycle = 5; /* not a fresh cell any more */
    findings_judge(&m->f);
    verdict(&m->f, "rated_capacity", "not measured", "No valid discharge at 0.2 It");
    u->after_cycle = 4;
    u->flags = WN_FLAG_GAP;
    findings_judge(&m->f);
    verdict(&m->f, "rated_capacity", "not measured", "");
}

static void test_resistance_claims(void **state)
{
    struct made *m = *state;
    struct wn_check_up_record *u = add_check_up(m, 2.55);
    struct wn_cell *c = &m->f.info.cell;
    c->ac_impedance_max_ohm = 0.018;
    c->dc_resistance_max_ohm = 0.03;
    findings_judge(&m->f);
    verdict(&m->f, "ac_impedance", "not measured", "");
    verdict(&m->f, "dc_resistance", "holds", "");
    u->resistance_ohm.value = 0.0305; /* u is 0.5 mohm */
    findings_judge(&m->f);
    verdict(&m->f, "dc_resistance", "in doubt", "");
    u->resistance_ohm.value = 0.0311;
    findings_judge(&m->f);
    verdict(&m->f, "dc_resistance", "fails", "");
    c->ac_impedance_ohm = 0.02;
    findings_judge(&m->f);
    verdict(&m->f, "ac_impedance", "not measured", "not at which frequency");
    c->ac_impedance_hz = 50;
    findings_judge(&m->f);
    verdict(&m->f, "ac_impedance", "not measured", "at 50 Hz");
    c->ac_impedance_hz = 1000;
    findings_judge(&m->f);
    verdict(&m->f, "ac_impedance", "fails", "Entered by hand");
}

static void test_life_claim(void **state)
{
    struct made *m = *state;
    for (int i = 0; i < 40; i++) {
        (void)add_cycle(m, 10, 2.4 - 0.005 * i);
    }
    findings_judge(&m->f);
    verdict(&m->f, "cycle_life", "holds", "");
    assert_near(claim(&m->f, "cycle_life")->measured.value, 2.205, 0.002);
    assert_int_equal(claim(&m->f, "cycle_life")->at.number, 40);
    (void)snprintf(m->step[4].description, sizeof m->step[4].description, "charge 2 A to 4.2 V");
    findings_judge(&m->f);
    verdict(&m->f, "cycle_life", "holds", "Charged in another way than the claim says.");
    m->f.plan = NULL;
    findings_judge(&m->f);
    verdict(&m->f, "cycle_life", "holds", "How it was charged is not known.");
    m->f.info.cell.claim.discharge_current_a = 5; /* not what was done */
    findings_judge(&m->f);
    verdict(&m->f, "cycle_life", "not measured", "It was cycled with 10 A to 2.5 V");
    assert_true(isnan(claim(&m->f, "cycle_life")->measured.value));
}

static void test_life_claim_fails(void **state)
{
    struct made *m = *state;
    for (int i = 0; i < 40; i++) {
        (void)add_cycle(m, 10, 2.4 - 0.02 * i);
    }
    findings_judge(&m->f);
    verdict(&m->f, "cycle_life", "fails", "");
    m->f.cycle.n = 1;
    m->f.steps = 4;
    findings_judge(&m->f);
    verdict(&m->f, "cycle_life", "not measured", "No two valid cycles");
    assert_false(m->f.fade.known);
}

static void test_fade(void **state)
{
    struct made *m = *state;
    (void)add_check_up(m, 2.55);
    (void)add_cycle(m, 5, 2.5); /* another rate, and it is no fade */
    for (int i = 0; i < 60; i++) {
        (void)add_cycle(m, 10, 2.4 - 0.004 * i);
    }
    m->cycle[1].flags = WN_FLAG_INTERRUPTED;
    m->cycle[60].flags = WN_FLAG_NOT_TO_CUTOFF;
    findings_judge(&m->f);
    const struct finding_fade *a = &m->f.fade;
    assert_true(a->known && a->first.at.number == 3 && a->last.at.number == 60);
    assert_near(a->retention_of_first.value, (2.4 - 0.004 * 58) / (2.4 - 0.004), 1e-12);
    /* what both have in common cancels: far less than the two in quadrature */
    double quadrature = a->retention_of_first.value * hypot(0.001 / a->first.capacity_ah.value,
                                                            0.001 / a->last.capacity_ah.value);
    assert_true(a->retention_of_first.u > 0 && a->retention_of_first.u < 0.5 * quadrature);
    assert_near(a->retention_of_rated, (2.4 - 0.004 * 58) / 2.5, 1e-12);
    assert_true(a->projected && a->projection.cycles_used > 50);
    assert_near(m->f.rate[a->rate].set, 10, 1e-12);
}

static void test_events(void **state)
{
    struct made *m = *state;
    (void)add_cycle(m, 10, 2.4);
    m->f.events = 2;
    m->event[0].event.severity = WN_SEVERITY_ALARM;
    m->event[1].event.severity = WN_SEVERITY_WARNING;
    (void)snprintf(m->event[0].event.kind, sizeof m->event[0].event.kind, "halted");
    (void)snprintf(m->event[0].event.text, sizeof m->event[0].event.text, "\xff<script>");
    findings_judge(&m->f);
    assert_true(m->f.alarms == 1 && m->f.alarms_open == 1 && m->f.warnings == 1);
    m->event[0].acknowledged = true;
    findings_judge(&m->f);
    assert_int_equal(m->f.alarms_open, 0);
    json_t *o = findings_json(&m->f);
    assert_int_equal(json_array_size(json_object_get(o, "events")), 2);
    const json_t *first = json_array_get(json_object_get(o, "events"), 0);
    assert_true(json_is_null(json_object_get(first, "text"))); /* no UTF-8: null, not nothing */
    assert_string_equal(json_string_value(json_object_get(first, "kind")), "halted");
    json_decref(o);
}

/* An empty campaign asserts nothing and crashes nowhere. */
static void test_nothing_yet(void **state)
{
    struct made *m = *state;
    m->f.over = false;
    findings_judge(&m->f);
    assert_int_equal(m->f.rates, 0);
    assert_int_equal(m->f.resistances, 0);
    assert_false(m->f.fade.known);
    expect(&m->f, "temperature_window", FINDING_NOT_KNOWN, 0, "No thermometer tells.");
    expect(&m->f, "rest_before_discharge", FINDING_NOT_KNOWN, 0, "No discharge is over yet.");
    json_t *o = findings_json(&m->f);
    assert_true(json_is_null(json_object_get(o, "fade")));
    json_decref(o);
}

int main(void)
{
#define T(name) cmocka_unit_test_setup_teardown(name, setup, teardown)
    const struct CMUnitTest tests[] = {
        T(test_all_kept),
        T(test_window),
        T(test_window_by_cell),
        T(test_rests),
        T(test_charges_and_flags),
        T(test_a_log),
        T(test_calibration),
        T(test_rates),
        T(test_resistances),
        T(test_capacity_claim),
        T(test_resistance_claims),
        T(test_life_claim),
        T(test_life_claim_fails),
        T(test_fade),
        T(test_events),
        T(test_nothing_yet),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
