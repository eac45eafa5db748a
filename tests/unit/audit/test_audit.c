/* Audit: what a station has integrated is always allowed by what it has stored, and what it cannot
 * have integrated is found.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <inttypes.h>
#include <math.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <setjmp.h>
#include <cmocka.h>

#include "audit/audit.h"
#include "base/prng.h"

enum { READINGS_MAX = 4000, STEPS = 3000 };

/* A station in small: it integrates every reading from the moment its output is on until it is off
 * and keeps those that moved, as lib/engine and lib/store do. */
struct station {
    struct wn_prng random;
    struct wn_audit_setup setup;
    struct wn_audit_end end;
    struct wn_step_record step;
    struct wn_integrator g;
    struct wn_reading stored[READINGS_MAX];
    int n;
    struct wn_reading kept, last;
    bool has_kept, last_is_stored;
    double set_a, voltage_v, temperature_c;
    wn_ns now;
};

static double part(struct station *s)
{
    return wn_prng_uniform(&s->random);
}

static void store(struct station *s, const struct wn_reading *r, bool force)
{
    const struct wn_audit_setup *u = &s->setup;
    s->last = *r;
    s->last_is_stored = false;
    bool moved = !s->has_kept || force || wn_ns_to_s(r->time_ns - s->kept.time_ns) >= u->time_s ||
                 fabs(r->voltage_v - s->kept.voltage_v) >= u->voltage_v ||
                 fabs(r->current_a - s->kept.current_a) >= u->current_a ||
                 fabs(r->temperature_c - s->kept.temperature_c) >= u->temperature_c;
    if (moved && s->n < READINGS_MAX) {
        s->stored[s->n++] = *r;
        s->kept = *r;
        s->has_kept = s->last_is_stored = true;
    }
}

static struct wn_reading read_at(struct station *s, double current_a)
{
    struct wn_reading r = {.time_ns = s->now,
                           .voltage_v = s->voltage_v + 4e-4 * (part(s) - 0.5),
                           .current_a = current_a + 1e-3 * (part(s) - 0.5),
                           .temperature_c = s->temperature_c,
                           .has = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE};
    return r;
}

static void wait(struct station *s, double least_s, double most_s)
{
    s->now += wn_ns_from_s(least_s + (most_s - least_s) * part(s));
}

static bool at_end(const struct station *s, const struct wn_reading *r)
{
    return s->end.kind == WN_END_VOLTAGE_BELOW
               ? r->voltage_v <= s->end.value
               : r->voltage_v >= s->end.cv_voltage_v - WN_CV_TOLERANCE_V &&
                     fabs(r->current_a) <= s->end.value;
}

/* One stretch of current, up to the end value or for so many readings. True at the end value. */
static bool stretch(struct station *s, int readings)
{
    bool charge = s->step.kind == WN_STEP_CHARGE, held = false;
    struct wn_reading r, before;
    wait(s, 0.02, 0.3);
    r = read_at(s, 0); /* not on yet */
    store(s, &r, s->n == 0);
    wait(s, 0.01, 0.2);
    wn_ns on_ns = s->now;
    for (int i = 0; i < readings; i++) {
        wait(s, i == 0 ? 0.001 : 0.1, i == 0 ? 0.01 : 1.5);
        if (charge && s->voltage_v >= s->end.cv_voltage_v) {
            s->set_a *= 0.985;
        } else {
            s->voltage_v += (charge ? 1 : -1) * 0.01 * part(s);
            s->voltage_v = charge ? fmin(s->voltage_v, s->end.cv_voltage_v) : s->voltage_v;
        }
        s->temperature_c += 0.1 * (part(s) - 0.4);
        r = read_at(s, charge ? s->set_a : -s->set_a);
        store(s, &r, false);
        if (i == 0) {
            struct wn_reading onset = r;
            onset.time_ns = on_ns;
            (void)wn_integrator_add(&s->g, &onset);
        }
        bool there = at_end(s, &r);
        if (there && !held) {
            held = true;
            before = r;
            continue;
        }
        if (there) {
            (void)wn_integrator_add(&s->g, &before);
        }
        held = false;
        (void)wn_integrator_add(&s->g, &r);
        if (there) {
            break;
        }
    }
    bool over = s->g.crossed != 0;
    wait(s, 0.02, 0.4);
    struct wn_reading closing = s->g.last;
    closing.time_ns = s->now;
    (void)wn_integrator_add(&s->g, &closing);
    wait(s, 0.02, 0.2);
    r = read_at(s, 0);
    store(s, &r, false);
    return over;
}

static void set_up(struct station *s, uint64_t seed)
{
    memset(s, 0, sizeof *s);
    wn_prng_init(&s->random, seed);
    bool charge = part(s) < 0.5;
    s->setup = (struct wn_audit_setup){.voltage_v = part(s) < 0.2 ? 0 : 0.02 * part(s),
                                       .current_a = 0.05 * part(s),
                                       .temperature_c = part(s),
                                       .time_s = part(s) < 0.2 ? 0 : 60 * part(s),
                                       .gap_max_s = 5,
                                       .discharge_gap_max_s = 5,
                                       .rest_gap_max_s = 30,
                                       .driven = true,
                                       .most_a = 100,
                                       .most_v = 10};
    s->end =
        charge
            ? (struct wn_audit_end){.known = true,
                                    .kind = WN_END_CURRENT_BELOW,
                                    .value = 0.1,
                                    .cv_voltage_v = 4.2}
            : (struct wn_audit_end){
                  .known = true, .kind = WN_END_VOLTAGE_BELOW, .value = 2.5, .cv_voltage_v = NAN};
    s->set_a = 0.5 + 5 * part(s);
    s->voltage_v = charge ? 3.2 + 0.9 * part(s) : 2.6 + 1.4 * part(s);
    s->temperature_c = 23;
    s->now = wn_ns_from_s(1e4 * part(s));
    s->step = (struct wn_step_record){.step_number = 7,
                                      .cycle = 3,
                                      .kind = charge ? WN_STEP_CHARGE : WN_STEP_DISCHARGE,
                                      .start_ns = s->now};
    struct wn_integrator_setup g = {.direction = charge ? 1 : -1,
                                    .end_kind = s->end.kind,
                                    .end_value = s->end.value,
                                    .cv_voltage_v = s->end.cv_voltage_v,
                                    .gap_max_s = 5};
    wn_integrator_init(&s->g, &g);
}

/* One step: perhaps paused in its middle, perhaps stopped before its end value. */
static void run(struct station *s, uint64_t seed)
{
    set_up(s, seed);
    int pauses = part(s) < 0.3 ? 1 + (int)(3 * part(s)) : 0;
    bool over = false;
    for (int i = 0; i < pauses && !over; i++) {
        over = stretch(s, 5 + (int)(80 * part(s)));
        if (!over) {
            wn_integrator_break(&s->g);
            wait(s, 3, 90);
            s->end.interrupted = true;
        }
    }
    if (!over) {
        (void)stretch(s, part(s) < 0.2 ? 40 : 1500);
    }
    if (!s->last_is_stored && s->n < READINGS_MAX) {
        s->stored[s->n++] = s->last;
    }
    s->step.end_ns = s->now;
    (void)snprintf(s->step.ended_by, sizeof s->step.ended_by, "%s",
                   s->g.crossed != 0 ? "voltage" : "time_limit");
    wn_integrator_sums(&s->g, &s->step.sums);
}

struct found {
    int n;
    char checks[400], last[200];
};

static void take(void *ctx, const struct wn_audit_finding *f)
{
    struct found *found = ctx;
    size_t at = strlen(found->checks);
    found->n++;
    (void)snprintf(found->checks + at, sizeof found->checks - at, " %s", f->check);
    (void)snprintf(found->last, sizeof found->last, "%s", f->text);
    assert_int_equal(f->step, 7);
    assert_int_equal(f->cycle, 3);
}

static struct found audit(struct station *s, double *bound_ah)
{
    static struct wn_audit_step a;
    struct found found = {0};
    s->setup.tell = take;
    s->setup.ctx = &found;
    wn_audit_step_init(&a, &s->setup, &s->step, &s->end);
    for (int i = 0; i < s->n; i++) {
        wn_audit_step_look(&a, &s->stored[i]);
    }
    wn_audit_step_begin(&a, NULL);
    for (int i = 0; i < s->n; i++) {
        wn_audit_step_add(&a, &s->stored[i]);
    }
    wn_audit_step_end(&a, NULL);
    if (bound_ah != NULL) {
        *bound_ah = a.bound_ah;
    }
    return found;
}

static uint64_t first_seed(void)
{
    const char *text = getenv("SEED");
    uint64_t seed = 20260101;
    if (text != NULL) {
        (void)sscanf(text, "%" SCNu64, &seed); /* of a developer: no need to be strict */
    }
    print_message("SEED=%" PRIu64 "\n", seed);
    return seed;
}

static void test_true_totals_are_allowed(void **state)
{
    static struct station s;
    uint64_t seed = first_seed();
    double worst = 0, sum = 0;
    int crossed = 0, interrupted = 0, whole = 0;
    (void)state;
    for (int i = 0; i < STEPS; i++) {
        double bound_ah = NAN;
        run(&s, seed + (uint64_t)i);
        struct found found = audit(&s, &bound_ah);
        if (found.n > 0) {
            print_error("seed %" PRIu64 ":%s: %s\n", seed + (uint64_t)i, found.checks, found.last);
            fail();
        }
        double moved = s.step.sums.charge_in_ah + s.step.sums.charge_out_ah;
        assert_int_equal(isnan(bound_ah), s.end.interrupted);
        if (!s.end.interrupted) {
            worst = fmax(worst, bound_ah / moved);
            sum += bound_ah / moved;
            whole++;
        }
        crossed += s.step.sums.crossed;
        interrupted += s.end.interrupted;
    }
    print_message("%d steps, %d to their end, %d interrupted; bound %.3f %% on average, %.1f %% at "
                  "most\n",
                  STEPS, crossed, interrupted, 100 * sum / whole, 100 * worst);
    assert_true(crossed > STEPS / 3 && interrupted > STEPS / 10);
    assert_true(sum / whole < 0.05); /* a bound that allows everything finds nothing */
}

/* Of a cell that is full there are four readings, of which only the first was stored: those behind
 * it had moved by less than the threshold. What the last one counts is not known, but bounded. */
static void test_the_last_one_may_not_be_stored(void **state)
{
    static struct station s;
    const struct wn_reading first = {.time_ns = 1094000000,
                                     .voltage_v = 4.2,
                                     .current_a = 0.0715,
                                     .temperature_c = 20,
                                     .has = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE};
    struct wn_reading last = first, off = first;
    (void)state;
    set_up(&s, first_seed());
    s.step.kind = WN_STEP_CHARGE;
    s.g.setup.direction = 1;
    s.g.setup.end_kind = WN_END_NONE;
    s.setup.voltage_v = 0.005;
    s.setup.current_a = 0.02;
    s.setup.time_s = 300;
    s.end.known = false;
    s.step.start_ns = 1020000000;
    s.step.end_ns = off.time_ns = 2114000000;
    last.time_ns = 1624000000;
    last.current_a = 0.0632;
    off.current_a = 0;
    s.n = 0;
    s.stored[s.n++] = first;
    s.stored[s.n++] = off;
    (void)wn_integrator_add(&s.g, &first);
    (void)wn_integrator_add(&s.g, &last);
    wn_integrator_sums(&s.g, &s.step.sums);
    struct found found = audit(&s, NULL);
    assert_string_equal(found.checks, "");
    s.step.sums.charge_in_ah = (0.0715 + 0.021) * 0.53 / 3600; /* further than the threshold */
    s.step.sums.end_charge_ah = s.step.sums.charge_in_ah;
    found = audit(&s, NULL);
    assert_string_equal(found.checks, " charge_in_ah");
}

/* Each total beyond what is allowed, and the words that tell it. */
static void test_false_totals_are_found(void **state)
{
    static const struct {
        const char *check;
        size_t at;
        double factor, add; /* of the bound; seconds, kelvin */
    } lies[] = {
        {"charge_in_ah", offsetof(struct wn_step_sums, charge_in_ah), 2.02, 1e-6},
        {"charge_in_ah", offsetof(struct wn_step_sums, charge_in_ah), -2.02, -1e-6},
        {"charge_out_ah", offsetof(struct wn_step_sums, charge_out_ah), 2.02, 1e-6},
        {"charge_out_ah", offsetof(struct wn_step_sums, charge_out_ah), -2.02, -1e-6},
        {"energy_in_wh", offsetof(struct wn_step_sums, energy_in_wh), 12, 0.5},
        {"energy_out_wh", offsetof(struct wn_step_sums, energy_out_wh), 12, 0.5},
        {"end_charge_ah", offsetof(struct wn_step_sums, end_charge_ah), 3, 0.1},
        {"end_energy_wh", offsetof(struct wn_step_sums, end_energy_wh), 12, 0.5},
        {"duration_s", offsetof(struct wn_step_sums, duration_s), 0, 400},
        {"duration_s", offsetof(struct wn_step_sums, duration_s), 0, -400},
        {"missing_s", offsetof(struct wn_step_sums, missing_s), 0, 3000},
        {"temperature_max_c", offsetof(struct wn_step_sums, temperature_max_c), 0, 1.1},
        {"temperature_min_c", offsetof(struct wn_step_sums, temperature_min_c), 0, -1.1},
    };
    static struct station s;
    uint64_t seed = first_seed();
    (void)state;
    for (size_t k = 0; k < sizeof lies / sizeof lies[0]; k++) {
        for (int i = 0; i < 60; i++) {
            double bound_ah = NAN, x;
            run(&s, seed + (uint64_t)i);
            (void)audit(&s, &bound_ah);
            bool in = s.step.kind == WN_STEP_CHARGE;
            if (s.end.interrupted || (strstr(lies[k].check, "_in_") != NULL && !in) ||
                (strstr(lies[k].check, "_out_") != NULL && in)) {
                continue;
            }
            char *at = (char *)&s.step.sums + lies[k].at;
            memcpy(&x, at, sizeof x);
            x += lies[k].factor * bound_ah + lies[k].add;
            memcpy(at, &x, sizeof x);
            struct found found = audit(&s, NULL);
            if (strstr(found.checks, lies[k].check) == NULL) {
                print_error("seed %" PRIu64 ": %s is %.6g, and nothing is found but%s\n",
                            seed + (uint64_t)i, lies[k].check, x, found.checks);
                fail();
            }
        }
    }
}

/* A log that stores every reading leaves nothing open. */
static void test_a_log_is_told_to_the_last_digit(void **state)
{
    static struct station s;
    double bound_ah = NAN;
    (void)state;
    memset(&s, 0, sizeof s);
    struct wn_integrator_setup g = {.direction = -1,
                                    .end_kind = WN_END_VOLTAGE_BELOW,
                                    .end_value = 2.5,
                                    .cv_voltage_v = NAN,
                                    .gap_max_s = 60};
    s.setup = (struct wn_audit_setup){.gap_max_s = INFINITY,
                                      .discharge_gap_max_s = 60,
                                      .rest_gap_max_s = INFINITY,
                                      .most_a = INFINITY,
                                      .most_v = INFINITY};
    s.end = (struct wn_audit_end){.known = true, .kind = WN_END_VOLTAGE_BELOW, .value = 2.5};
    s.step = (struct wn_step_record){.step_number = 7, .cycle = 3, .kind = WN_STEP_DISCHARGE};
    wn_integrator_init(&s.g, &g);
    for (int i = 0; i < 200; i++) {
        struct wn_reading r = {.time_ns = wn_ns_from_s(10.0 * i + (i > 50 ? 200 : 0)),
                               .voltage_v = 4.0 - 0.0078 * i,
                               .current_a = -2.0 + 0.001 * (i % 7),
                               .has = WN_HAS_VOLTAGE | WN_HAS_CURRENT};
        s.stored[s.n++] = r;
        (void)wn_integrator_add(&s.g, &r);
    }
    s.step.end_ns = s.stored[s.n - 1].time_ns;
    wn_integrator_sums(&s.g, &s.step.sums);
    assert_int_equal(s.step.sums.crossed, 1);
    assert_true(s.step.sums.missing_s > 200);
    struct found found = audit(&s, &bound_ah);
    assert_string_equal(found.checks, "");
    assert_true(bound_ah < 1e-9);
    s.step.sums.charge_out_ah *= 1 + 1e-6;
    s.step.sums.end_charge_ah *= 1 - 1e-2;
    found = audit(&s, NULL);
    assert_string_equal(found.checks, " charge_out_ah end_charge_ah");
}

/* -- cycles
 * ------------------------------------------------------------------------------------------------------
 */

static void take_round(void *ctx, const struct wn_audit_finding *f)
{
    struct found *found = ctx;
    size_t at = strlen(found->checks);
    (void)snprintf(found->checks + at, sizeof found->checks - at, " %s", f->check);
    assert_int_equal(f->cycle, 3);
}

/* One charge and one discharge, and the cycle they make. */
static struct wn_step_record two_steps[2];

static void make_round(struct wn_audit_round *a, const struct wn_audit_setup *setup,
                       struct wn_cycle_record *c)
{
    struct wn_step_sums charge = {.charge_in_ah = 2.51,
                                  .energy_in_wh = 9.7,
                                  .crossed = 1,
                                  .duration_s = 5000,
                                  .temperature_max_c = 27,
                                  .ambient_min_c = 22,
                                  .ambient_max_c = 24},
                        discharge = {.charge_out_ah = 2.5,
                                     .energy_out_wh = 9.0,
                                     .end_charge_ah = 2.499,
                                     .end_energy_wh = 8.997,
                                     .end_duration_s = 3600,
                                     .duration_s = 3601,
                                     .crossed = 1,
                                     .temperature_max_c = 35,
                                     .temperature_start_c = 23,
                                     .ambient_min_c = 22,
                                     .ambient_max_c = 24};
    const struct wn_step_record steps[] = {{.step_number = 1,
                                            .cycle = 3,
                                            .kind = WN_STEP_CHARGE,
                                            .start_ns = 0,
                                            .end_ns = 5000 * WN_NS_PER_S,
                                            .sums = charge,
                                            .ended_by = "current"},
                                           {.step_number = 2,
                                            .cycle = 3,
                                            .kind = WN_STEP_DISCHARGE,
                                            .start_ns = 5000 * WN_NS_PER_S,
                                            .end_ns = 8601 * WN_NS_PER_S,
                                            .sums = discharge,
                                            .ended_by = "voltage"}};
    struct wn_accuracy accuracy = {.current_reading = 0.001};
    memset(c, 0, sizeof *c);
    c->cycle = 3;
    c->end_ns = 8601 * WN_NS_PER_S;
    c->duration_s = 8601;
    c->cutoff_v = NAN;
    memcpy(two_steps, steps, sizeof steps);
    wn_cycle_derive(c, &charge, &discharge, NAN, &accuracy);
    wn_audit_round_begin(a, setup, false, 3);
    wn_audit_round_add(a, &steps[0]);
    wn_audit_round_add(a, &steps[1]);
}

static void test_cycle_follows_from_its_steps(void **state)
{
    static const struct {
        const char *check;
        size_t at;
    } figures[] = {{"capacity_ah", offsetof(struct wn_cycle_record, capacity_ah.value)},
                   {"energy_wh", offsetof(struct wn_cycle_record, energy_wh.value)},
                   {"charge_ah", offsetof(struct wn_cycle_record, charge_ah)},
                   {"charge_wh", offsetof(struct wn_cycle_record, charge_wh)},
                   {"mean_voltage_v", offsetof(struct wn_cycle_record, mean_voltage_v)},
                   {"coulombic_efficiency", offsetof(struct wn_cycle_record, coulombic_efficiency)},
                   {"discharge_current_a", offsetof(struct wn_cycle_record, discharge_current_a)},
                   {"temperature_max_c", offsetof(struct wn_cycle_record, temperature_max_c)},
                   {"duration_s", offsetof(struct wn_cycle_record, duration_s)}};
    struct found found = {0};
    struct wn_audit_setup setup = {.driven = true, .tell = take_round, .ctx = &found};
    struct wn_cycle_record c;
    struct wn_audit_round a;
    (void)state;
    make_round(&a, &setup, &c);
    wn_audit_round_cycle(&a, &c);
    assert_string_equal(found.checks, "");
    for (size_t i = 0; i < sizeof figures / sizeof figures[0]; i++) {
        struct wn_cycle_record lie = c;
        double x;
        memcpy(&x, (char *)&lie + figures[i].at, sizeof x);
        x *= 1.00001;
        memcpy((char *)&lie + figures[i].at, &x, sizeof x);
        memset(&found, 0, sizeof found);
        wn_audit_round_cycle(&a, &lie);
        assert_non_null(strstr(found.checks, figures[i].check));
    }
    c.flags = 1u << 30;
    memset(&found, 0, sizeof found);
    wn_audit_round_cycle(&a, &c);
    assert_string_equal(found.checks, " flags");
    (void)snprintf(two_steps[1].ended_by, sizeof two_steps[1].ended_by, "time_limit");
    wn_audit_round_add(&a, &two_steps[1]);
    c.flags = 0;
    memset(&found, 0, sizeof found);
    wn_audit_round_cycle(&a, &c);
    assert_string_equal(found.checks, " flags");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_true_totals_are_allowed),
        cmocka_unit_test(test_the_last_one_may_not_be_stored),
        cmocka_unit_test(test_false_totals_are_found),
        cmocka_unit_test(test_a_log_is_told_to_the_last_digit),
        cmocka_unit_test(test_cycle_follows_from_its_steps),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
