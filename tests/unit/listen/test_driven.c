/* A driven campaign, and a listener who hears its readings and nothing else: the same cycles.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "heard.h"

#include <stdio.h>
#include <stdlib.h>

#include "support/world.h"

static struct world w;
static struct heard h;
static struct wave driven;
static uint64_t seed;

static void on_reading(void *arg, const struct wn_reading *r)
{
    wave_add(arg, r);
}

/* What a user who knows the program of the tester would write down. */
static struct wn_listen_setup setup_of(const struct world *world)
{
    struct wn_listen_setup s;
    wn_listen_defaults(&s);
    s.cutoff_v = 2.9;
    s.charge_voltage_v = 4.2;
    s.end_current_a = 0.1;
    s.cycle_current_a = 10;
    s.discharge_gap_s = s.charge_gap_s = world->setup.gap_max_s;
    s.resistance_delay_s = world->setup.procedure.resistance_delay_s;
    s.ambient_min_c = world->setup.procedure.ambient_min_c;
    s.ambient_max_c = world->setup.procedure.ambient_max_c;
    s.rest_min_s = world->setup.procedure.rest_min_s;
    s.accuracy = world->setup.accuracy;
    s.accuracy_known = true;
    s.voltage_max_v = 5;
    s.current_max_a = 30;
    return s;
}

enum { CYCLES = 6 };

static int drive(void **state)
{
    (void)state;
    world_setup(&w, CYCLES, 3);
    world_shutdown(&w);
    w.setup.accuracy = (struct wn_accuracy){.voltage_reading = 0.0005,
                                            .voltage_fixed_v = 0.001,
                                            .current_reading = 0.001,
                                            .current_fixed_a = 0.005,
                                            .temperature_c = 1,
                                            .time_reading = 50e-6};
    world_boot(&w);
    w.on_reading = on_reading;
    w.on_reading_arg = &driven;
    world_command(&w, WN_EVENT_START);
    world_until(&w, WN_ENGINE_FINISHED, 400 * 3600.0);
    world_shutdown(&w);
    return 0;
}

static int forget(void **state)
{
    (void)state;
    wave_free(&driven);
    return 0;
}

/* Largest differences between what was driven and what was heard. */
struct apart {
    double capacity_ah, energy_wh, charge_ah, resistance_ohm, u, duration_s, temperature_k,
        check_up_ah, check_up_ohm;
    int flags; /* cycles that are flagged otherwise */
};

static double further(double most, double a, double b)
{
    return fmax(most, fabs(a - b));
}

static void compare_cycle(const struct wn_cycle_record *a, const struct wn_cycle_record *b,
                          struct apart *d)
{
    assert_int_equal(a->cycle, b->cycle);
    d->capacity_ah = further(d->capacity_ah, a->capacity_ah.value, b->capacity_ah.value);
    d->energy_wh = further(d->energy_wh, a->energy_wh.value, b->energy_wh.value);
    d->charge_ah = further(d->charge_ah, a->charge_ah, b->charge_ah);
    d->resistance_ohm =
        further(d->resistance_ohm, a->resistance_ohm.value, b->resistance_ohm.value);
    d->duration_s = further(d->duration_s, a->duration_s, b->duration_s);
    d->temperature_k = further(d->temperature_k, a->temperature_max_c, b->temperature_max_c);
    d->u = further(d->u, b->capacity_ah.u / a->capacity_ah.u, 1);
    d->flags += a->flags != b->flags;
    if (a->flags == b->flags && isfinite(b->coulombic_efficiency)) {
        assert_near(b->coulombic_efficiency, a->coulombic_efficiency, 0.002);
    }
}

static struct apart compare(void)
{
    struct apart d = {0};
    assert_int_equal(h.cycles, w.cycles);
    assert_int_equal(h.check_ups, w.check_ups);
    for (int i = 0; i < w.cycles; i++) {
        compare_cycle(&w.cycle[i], &h.cycle[i].record, &d);
    }
    for (int i = 0; i < w.check_ups; i++) {
        const struct wn_check_up_record *a = &w.check_up[i], *b = &h.check_up[i];
        d.flags += a->flags != b->flags;
        assert_int_equal(a->check_up, b->check_up);
        assert_int_equal(a->after_cycle, b->after_cycle);
        d.check_up_ah = further(d.check_up_ah, a->capacity_ah.value, b->capacity_ah.value);
        d.check_up_ohm = further(d.check_up_ohm, a->resistance_ohm.value, b->resistance_ohm.value);
    }
    return d;
}

static void print(const char *what, const struct apart *d)
{
    print_message(
        "%s: %d cycles, %d check-ups, %zu readings; at most apart: capacity %.4f mAh of "
        "%.1f, energy %.4f mWh, charge %.4f mAh, resistance %.4f mohm of %.2f, u(capacity) "
        "%.2f %%, duration %.2f s, temperature %.3f K; check-up %.4f mAh, %.4f mohm; flagged "
        "otherwise %d\n",
        what, h.cycles, h.check_ups, driven.n, d->capacity_ah * 1e3,
        w.cycle[0].capacity_ah.value * 1e3, d->energy_wh * 1e3, d->charge_ah * 1e3,
        d->resistance_ohm * 1e3, w.cycle[0].resistance_ohm.value * 1e3, d->u * 100, d->duration_s,
        d->temperature_k, d->check_up_ah * 1e3, d->check_up_ohm * 1e3, d->flags);
}

/* A load comes on within the millisecond between two readings, half of which is unknown: 10 A x
 * 0.5 ms; the last interval of a charge is counted to the reading that shows it over. */
static void the_same_cycles(void **state)
{
    (void)state;
    struct wn_listen_setup s = setup_of(&w);
    heard_wave(&h, &s, &driven);
    struct apart d = compare();
    print("heard all", &d);
    assert_int_equal(h.readings, (long)driven.n);
    assert_true(d.capacity_ah < 10e-6);
    assert_true(d.energy_wh < 40e-6);
    assert_true(d.charge_ah < 50e-6);
    assert_true(d.resistance_ohm < 1e-6);
    assert_true(d.u < 0.02);
    assert_true(d.temperature_k < 0.01);
    assert_true(d.check_up_ah < 10e-6);
    assert_true(d.check_up_ohm < 1e-6);
    assert_int_equal(d.flags, 0);
    for (int i = 0; i < w.cycles; i++) {
        assert_int_equal(isnan(h.cycle[i].record.coulombic_efficiency),
                         isnan(w.cycle[i].coulombic_efficiency));
    }
}

/* Nobody told anything but the cut-off: the same capacities, every round a cycle. */
static void knowing_little(void **state)
{
    (void)state;
    struct wn_listen_setup s;
    wn_listen_defaults(&s);
    s.cutoff_v = 2.9;
    heard_wave(&h, &s, &driven);
    assert_int_equal(h.cycles, w.cycles + w.check_ups);
    int c = 0;
    for (int i = 0; i < h.cycles; i++) {
        const struct wn_cycle_record *r = &h.cycle[i].record;
        assert_int_equal(r->flags, 0);
        if (r->discharge_current_a > 5) {
            assert_near(r->capacity_ah.value, w.cycle[c++].capacity_ah.value, 10e-6);
        }
    }
    assert_int_equal(c, w.cycles);
}

/* Over a bad line. 10 A for a second are 2.8 mAh: what a reading lost beside a crossing or an onset
 * may cost; two bad currents in a row, which pass, a few times that. The pulse of a check-up is 2.1
 * mAh: counted with the discharge behind it when the only reading of the rest between them is lost.
 * When the last reading of a rest is lost, nobody knows when the load began within a minute: a gap,
 * and flagged. */
static void over_a_bad_line(void **state)
{
    (void)state;
    const struct dirt d = {
        .lost = 0.02, .digit = 0.005, .repeated = 0.01, .swapped = 0.01, .time = 0.002};
    struct wn_listen_setup s = setup_of(&w);
    struct wn_prng prng;
    wn_prng_init(&prng, seed);
    for (int i = 0; i < 5; i++) {
        struct wave dirty;
        wave_dirty(&driven, &dirty, &d, &prng);
        heard_wave(&h, &s, &dirty);
        struct apart a = compare();
        print("over a bad line", &a);
        const struct wn_listen_counts *n = &h.l.counts;
        print_message("  of %lld: impossible %lld, repeated %lld, late %lld, wild %lld, wrong time "
                      "%lld\n",
                      (long long)n->heard, (long long)n->impossible, (long long)n->repeated,
                      (long long)n->late, (long long)n->wild, (long long)n->wrong_time);
        assert_int_equal(h.swaps, 0);
        assert_int_equal(h.resets, 0);
        assert_true(a.capacity_ah < 10e-3);
        assert_true(a.check_up_ah < 3e-3);
        assert_true(a.charge_ah < 3e-3);
        assert_true(a.resistance_ohm < 2 * s.wild_v / 10); /* a wrong digit below 50 mV passes */
        assert_true(a.flags <= 6);                         /* of nine */
        wave_free(&dirty);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_same_cycles),
        cmocka_unit_test(knowing_little),
        cmocka_unit_test(over_a_bad_line),
    };
    const char *given = getenv("WANE_SEED");
    seed = given != NULL ? strtoull(given, NULL, 10) : 20261126;
    (void)printf("WANE_SEED=%llu\n", (unsigned long long)seed);
    return cmocka_run_group_tests(tests, drive, forget) != 0;
}
