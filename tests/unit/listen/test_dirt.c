/* What a bad line does to single records: each left out for its reason, and counted.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "heard.h"

#include <string.h>

static struct heard h;
static struct bench b;
static double clean_ah;

enum { IN_REST = 100, IN_DISCHARGE = 5500 };

/* Two cycles at 1 A and 5 s; record IN_REST is in the first rest, IN_DISCHARGE in the second
 * discharge. */
static int setup(void **state)
{
    (void)state;
    struct wn_listen_setup s = bench_setup();
    bench_init(&b, 5);
    bench_rest(&b, 1000);
    for (int i = 0; i < 2; i++) {
        bench_charge(&b, 1, 0.1);
        bench_rest(&b, 600);
        bench_discharge(&b, 1, 3.0);
        bench_rest(&b, 600);
    }
    assert_true(fabs(b.wave.r[IN_REST].current_a) < 0.01);
    assert_true(b.wave.r[IN_DISCHARGE].current_a < -0.9);
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.cycles, 2);
    assert_int_equal(h.l.counts.wild, 0);
    clean_ah = h.cycle[1].record.capacity_ah.value;
    return 0;
}

static int teardown(void **state)
{
    (void)state;
    wave_free(&b.wave);
    return 0;
}

static void remove_at(struct wave *w, size_t at, size_t n)
{
    memmove(&w->r[at], &w->r[at + n], (w->n - at - n) * sizeof *w->r);
    w->n -= n;
}

static void insert_at(struct wave *w, size_t at, struct wn_reading r)
{
    wave_add(w, &r);
    memmove(&w->r[at + 1], &w->r[at], (w->n - 1 - at) * sizeof *w->r);
    w->r[at] = r;
}

/* Heard again: the same two cycles, 9 steps, unflagged, the same capacity. */
static void expect_unharmed(double within_ah)
{
    struct wn_listen_setup s = bench_setup();
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.cycles, 2);
    assert_int_equal(h.steps, 9);
    assert_int_equal(h.swaps, 0);
    assert_int_equal(h.resets, 0);
    for (int i = 0; i < 2; i++) {
        assert_int_equal(h.cycle[i].record.flags, 0);
    }
    assert_near(h.cycle[1].record.capacity_ah.value, clean_ah, within_ah);
}

static void lost(void **state)
{
    (void)state;
    remove_at(&b.wave, IN_DISCHARGE, 11); /* 60 s: not yet a gap */
    remove_at(&b.wave, IN_REST, 30);
    expect_unharmed(1e-9);
}

/* One wild current or voltage, anywhere within a step and at its edges: left out, and at an edge
 * perhaps the reading before it too, which then is outside its neighbours. So the onset may be
 * taken for two intervals later: 1 A x 10 s. */
static void wild(void **state)
{
    (void)state;
    static const double amps[] = {-30, 30, 0.3, 7};
    static const double volts[] = {0, 2.9, 4.9};
    size_t edge = IN_DISCHARGE;
    while (b.wave.r[edge - 1].current_a < 0) {
        edge--;
    }
    const size_t places[] = {IN_REST, IN_DISCHARGE, edge - 1, edge, edge + 1};
    for (size_t p = 0; p < sizeof places / sizeof places[0]; p++) {
        struct wn_reading *r = &b.wave.r[places[p]];
        const struct wn_reading good = *r;
        double within_ah = p < 2 ? 1e-9 : 10 / 3600.0;
        for (size_t i = 0; i < sizeof volts / sizeof volts[0]; i++) {
            r->voltage_v = volts[i];
            expect_unharmed(within_ah);
            assert_in_range(h.l.counts.wild, 1, p < 2 ? 1 : 2);
            *r = good;
        }
        for (size_t i = 0; i < sizeof amps / sizeof amps[0]; i++) {
            r->current_a = amps[i];
            expect_unharmed(within_ah);
            assert_in_range(h.l.counts.wild, 1, p < 2 ? 1 : 2);
            *r = good;
        }
    }
}

static void impossible(void **state)
{
    (void)state;
    struct wn_reading r = b.wave.r[IN_DISCHARGE];
    r.time_ns += WN_NS_PER_S;
    r.voltage_v = 5.1;
    insert_at(&b.wave, IN_DISCHARGE + 1, r);
    r.voltage_v = NAN;
    insert_at(&b.wave, IN_DISCHARGE + 1, r);
    r.voltage_v = 3.7;
    r.current_a = -51;
    insert_at(&b.wave, IN_DISCHARGE + 1, r);
    r.current_a = INFINITY;
    insert_at(&b.wave, IN_DISCHARGE + 1, r);
    r.current_a = -1;
    r.has = WN_HAS_VOLTAGE;
    insert_at(&b.wave, IN_DISCHARGE + 1, r);
    expect_unharmed(1e-12);
    assert_int_equal(h.l.counts.impossible, 5);
}

static void repeated(void **state)
{
    (void)state;
    for (size_t i = 0; i < 6; i++) {
        insert_at(&b.wave, IN_DISCHARGE + 10 * i, b.wave.r[IN_DISCHARGE + 10 * i - i % 3]);
    }
    expect_unharmed(1e-12);
    assert_int_equal(h.l.counts.repeated, 6);
}

/* Up to three places late a record is put where it belongs; a fourth is too late. */
static void out_of_order(void **state)
{
    (void)state;
    for (size_t places = 1; places <= 4; places++) {
        struct wn_reading r = b.wave.r[IN_DISCHARGE];
        remove_at(&b.wave, IN_DISCHARGE, 1);
        insert_at(&b.wave, IN_DISCHARGE + places, r);
        expect_unharmed(places <= 3 ? 1e-12 : 1e-9);
        assert_int_equal(h.l.counts.late, places <= 3 ? 0 : 1);
        assert_int_equal(h.readings, (long)b.wave.n - (places <= 3 ? 0 : 1));
        remove_at(&b.wave, IN_DISCHARGE + places, 1);
        insert_at(&b.wave, IN_DISCHARGE, r);
    }
}

static void wrong_time(void **state)
{
    (void)state;
    static const double times[] = {0, -1e6, 1e9, 101, -101};
    for (size_t i = 0; i < sizeof times / sizeof times[0]; i++) {
        struct wn_reading *r = &b.wave.r[IN_DISCHARGE];
        const struct wn_reading good = *r;
        r->time_ns = (i < 3 ? 0 : good.time_ns) + wn_ns_from_s(times[i]);
        expect_unharmed(1e-9);
        assert_int_equal(h.l.counts.wrong_time, 1);
        *r = good;
    }
    b.wave.r[0].time_ns = wn_ns_from_s(1e8);
    expect_unharmed(1e-12);
    assert_int_equal(h.l.counts.wrong_time, 1);
}

/* A current that wavers about the border of rest makes no step. */
static void border_of_rest(void **state)
{
    (void)state;
    for (size_t i = IN_REST - 20; i < IN_REST + 20; i++) {
        b.wave.r[i].current_a = i % 4 == 0 ? -0.021 : -0.015;
    }
    expect_unharmed(1e-9);
    assert_int_equal(h.l.counts.wild, 0);
}

/* A copy that comes much later, where readings are further apart than late_max_s: no new clock. */
static void late_copy_at_rest(void **state)
{
    (void)state;
    struct wn_listen_setup s = bench_setup();
    struct wn_reading r = b.wave.r[0];
    heard_init(&h, &s);
    for (int i = 0; i <= 20; i++) {
        r.time_ns = i * 200 * WN_NS_PER_S;
        heard_reading(&h, &r);
        if (i == 10) {
            r.time_ns -= 400 * WN_NS_PER_S;
            heard_reading(&h, &r);
        }
    }
    heard_end(&h);
    assert_int_equal(h.resets, 0);
    assert_int_equal(h.readings, 20); /* the copy contradicts the one that waits to be borne out */
    assert_int_equal(h.l.counts.wrong_time, 2);
}

/* Ten seconds before the cut-off one digit of the voltage says that it is reached. */
static void false_end(void **state)
{
    (void)state;
    size_t end = IN_DISCHARGE;
    while (b.wave.r[end].current_a < 0) {
        end++;
    }
    struct wn_reading *r = &b.wave.r[end - 3];
    assert_true(r->voltage_v > 3.0 && r->voltage_v < 3.01);
    r->voltage_v -= 0.01;
    expect_unharmed(1e-9);
    assert_int_equal(h.l.counts.wild, 1);
}

/* The first reading of a load says 0 A, and the voltage of the load: no other cell. */
static void onset_without_current(void **state)
{
    (void)state;
    size_t edge = IN_DISCHARGE;
    while (b.wave.r[edge - 1].current_a < 0) {
        edge--;
    }
    b.wave.r[edge].current_a = 0;
    b.wave.r[edge].voltage_v = b.wave.r[edge - 1].voltage_v - 0.2;
    for (size_t i = edge + 1; i < edge + 5; i++) {
        b.wave.r[i].voltage_v = b.wave.r[edge].voltage_v;
    }
    expect_unharmed(10 / 3600.0);
}

/* A silence is believed at once when the records go on behind it. */
static void silence(void **state)
{
    (void)state;
    struct wn_listen_setup s = bench_setup();
    for (size_t i = IN_DISCHARGE; i < b.wave.n; i++) {
        b.wave.r[i].time_ns += 7200 * WN_NS_PER_S;
    }
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.cycles, 2);
    assert_int_equal(h.l.counts.wrong_time, 0);
    assert_int_equal(h.readings, (long)b.wave.n);
    assert_int_equal(h.cycle[1].record.flags, WN_FLAG_GAP);
    assert_near(clean_ah - h.cycle[1].record.capacity_ah.value, 5 / 3600.0, 1e-9);
}

/* Nothing but nonsense: nothing found, nothing asserted. */
static void noise(void **state)
{
    (void)state;
    struct wn_prng prng;
    struct wn_listen_setup s = bench_setup();
    wn_prng_init(&prng, 7);
    for (int run = 0; run < 20; run++) {
        heard_init(&h, &s);
        for (int i = 0; i < 2000; i++) {
            struct wn_reading r = {.time_ns =
                                       (wn_ns)wn_prng_below(&prng, UINT64_C(1) << (run + 40)),
                                   .host_ns = (wn_ns)wn_prng_below(&prng, UINT64_C(1) << 40),
                                   .voltage_v = 6 * wn_prng_uniform(&prng),
                                   .current_a = 60 * wn_prng_uniform(&prng) - 30,
                                   .has = WN_HAS_VOLTAGE | WN_HAS_CURRENT};
            wn_listen_reading(&h.l, &r, &h.found);
        }
        wn_listen_end(&h.l, &h.found);
        const struct wn_listen_counts *n = &h.l.counts;
        assert_int_equal(n->heard, 2000);
        assert_true(n->impossible > 200 && n->wrong_time > 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(lost, setup, teardown),
        cmocka_unit_test_setup_teardown(wild, setup, teardown),
        cmocka_unit_test_setup_teardown(impossible, setup, teardown),
        cmocka_unit_test_setup_teardown(repeated, setup, teardown),
        cmocka_unit_test_setup_teardown(out_of_order, setup, teardown),
        cmocka_unit_test_setup_teardown(wrong_time, setup, teardown),
        cmocka_unit_test_setup_teardown(border_of_rest, setup, teardown),
        cmocka_unit_test_setup_teardown(late_copy_at_rest, setup, teardown),
        cmocka_unit_test_setup_teardown(onset_without_current, setup, teardown),
        cmocka_unit_test_setup_teardown(false_end, setup, teardown),
        cmocka_unit_test_setup_teardown(silence, setup, teardown),
        cmocka_unit_test_setup_teardown(noise, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
