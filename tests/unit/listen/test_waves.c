/* Charge, rest, discharge and cycles recognised from clean waves.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "heard.h"

#include <string.h>

static struct heard h;
static struct bench b;

static int setup(void **state)
{
    (void)state;
    bench_init(&b, 5);
    return 0;
}

static int teardown(void **state)
{
    (void)state;
    wave_free(&b.wave);
    return 0;
}

static void cycle(double amps)
{
    bench_charge(&b, 1, 0.1);
    bench_rest(&b, 600);
    bench_discharge(&b, amps, 3.0);
    bench_rest(&b, 600);
}

/* V = 3.0 V + 0.6 V/Ah x Q - 0.05 ohm x 1 A is 3.0 V at Q = 0.083333 Ah; the charge ends where
 * 4.2 V - V0 = 0.05 ohm x i: at or just below 0.1 A, Q = 1.991667 Ah. 1.908333 Ah, less what the
 * last interval of the charge overshoots (at most 0.1 A x 5 s). */
static void whole_cycles(void **state)
{
    (void)state;
    bench_rest(&b, 60);
    for (int i = 0; i < 3; i++) {
        cycle(1);
    }
    struct wn_listen_setup s = bench_setup();
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.cycles, 3);
    assert_int_equal(h.steps, 13);
    assert_int_equal(h.readings, (long)b.wave.n);
    for (int i = 0; i < 3; i++) {
        const struct wn_cycle_record *c = &h.cycle[i].record;
        assert_int_equal(c->cycle, i + 1);
        assert_near(c->capacity_ah.value, 1.9083333, 0.0016);
        assert_true(isnan(c->capacity_ah.u));
        assert_int_equal(c->flags, 0);
        assert_near(c->resistance_ohm.value, 0.05, 0.001);
        assert_near(c->discharge_current_a, 1, 0.001);
        assert_near(c->cutoff_v, 3.0, 0);
        if (i > 0) { /* as empty before the charge as after the discharge */
            assert_near(c->coulombic_efficiency, 1, 0.002);
            assert_int_equal(c->start_ns, h.cycle[i - 1].record.end_ns);
        } else {
            assert_true(isnan(c->coulombic_efficiency));
        }
    }
    static const enum wn_step_kind kinds[] = {WN_STEP_REST, WN_STEP_CHARGE, WN_STEP_REST,
                                              WN_STEP_DISCHARGE, WN_STEP_REST};
    static const char *const ended[] = {"other", "current", "other", "voltage", "other"};
    for (int i = 0; i < 5; i++) {
        assert_int_equal(h.step[i].kind, kinds[i]);
        assert_string_equal(h.step[i].ended_by, ended[i]);
        assert_int_equal(h.step[i].cycle, i > 0 ? 1 : 0);
    }
}

/* A rest between the two parts of a charge, and one in the middle of the first: still one charge.
 */
static void charge_with_rests(void **state)
{
    (void)state;
    cycle(1);
    bench_load(&b, 1, 3000);
    bench_rest(&b, 900);
    bench_load(&b, 1, 300);
    bench_rest(&b, 30);
    bench_charge(&b, 1, 0.1);
    bench_rest(&b, 600);
    bench_discharge(&b, 1, 3.0);
    struct wn_listen_setup s = bench_setup();
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.cycles, 2);
    assert_near(h.cycle[1].record.charge_ah, h.cycle[1].record.capacity_ah.value, 0.005);
    assert_int_equal(h.cycle[1].record.flags, 0);
}

/* Without its constant-voltage part a charge is flagged; the capacity is what it is. */
static void no_taper(void **state)
{
    (void)state;
    cycle(1);
    bench_load(&b, 1, 3600);
    bench_rest(&b, 600);
    bench_discharge(&b, 1, 3.0);
    struct wn_listen_setup s = bench_setup();
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.cycles, 2);
    assert_int_equal(h.cycle[0].record.flags, 0);
    assert_int_equal(h.cycle[1].record.flags, WN_FLAG_CV_MISSING);
}

static void two_levels(void)
{
    bench_load(&b, -0.4, 10);
    bench_load(&b, -2, 1);
}

/* A check-up: a pulse of two levels, a slow discharge. The pulse belongs to no discharge, and tells
 * the resistance of 0.05 ohm (and 0.6 V/Ah x 2 A x 1 s / 2 A = 0.000167 ohm of the cell's slope).
 */
static void check_up(void **state)
{
    (void)state;
    b.interval_s = 0.2;
    cycle(2);
    bench_charge(&b, 1, 0.1);
    bench_rest(&b, 600);
    double rested_v = b.wave.r[b.wave.n - 1].voltage_v;
    two_levels();
    bench_rest(&b, 2);
    double full_ah = b.charge_ah;
    bench_discharge(&b, 0.4, 3.0);
    double slow_ah = full_ah - b.charge_ah;
    bench_rest(&b, 600);
    cycle(2);
    struct wn_listen_setup s = bench_setup();
    s.cycle_current_a = 2;
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.cycles, 2);
    assert_int_equal(h.check_ups, 1);
    const struct wn_check_up_record *c = &h.check_up[0];
    assert_int_equal(c->after_cycle, 1);
    assert_near(c->capacity_ah.value, slow_ah, 1e-4);
    assert_near(c->resistance_ohm.value, 0.050167, 0.0001);
    assert_near(c->resistance_voltage_v, rested_v, 1e-9);
    assert_int_equal(h.cycle[1].record.cycle, 2);
    assert_true(isnan(h.cycle[1].record.coulombic_efficiency)); /* emptied otherwise before */
    int pulses = 0;
    for (int i = 0; i < h.steps; i++) {
        pulses += h.step[i].kind == WN_STEP_PULSE;
    }
    assert_int_equal(pulses, 2); /* one a level */
    /* a pulse of one level measures nothing by two, whatever came before it */
    bench_charge(&b, 1, 0.1);
    bench_rest(&b, 600);
    bench_load(&b, -2, 10);
    bench_rest(&b, 2);
    bench_discharge(&b, 0.4, 3.0);
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.check_ups, 2);
    assert_true(isnan(h.check_up[1].resistance_ohm.value));
}

/* Three currents one after the other, without a rest and with short ones: one discharge, and each
 * level told by itself. A charge pulse in between begins no cycle. */
static void several_currents(void **state)
{
    (void)state;
    cycle(1);
    bench_charge(&b, 1, 0.1);
    bench_rest(&b, 600);
    double full_ah = b.charge_ah;
    bench_load(&b, -2, 1200);
    bench_load(&b, -1, 1200);
    bench_rest(&b, 60);
    bench_load(&b, 1, 10);
    bench_rest(&b, 60);
    full_ah += 1 * 10 / 3600.0;
    bench_discharge(&b, 0.5, 3.0);
    double out_ah = full_ah - b.charge_ah;
    bench_rest(&b, 600);
    cycle(1);
    struct wn_listen_setup s = bench_setup();
    s.pause_max_s = 150;
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.cycles, 3);
    /* four changes of current, each read within 5 s at up to 2 A: half of it unknown */
    assert_near(h.cycle[1].record.capacity_ah.value, out_ah, 0.0035);
    assert_int_equal(h.cycle[1].record.flags, 0);
    int levels = 0;
    double sum_ah = 0;
    for (int i = 0; i < h.steps; i++) {
        if (h.step[i].cycle == 2 && h.step[i].kind == WN_STEP_DISCHARGE) {
            static const double amps[] = {-2, -1, -0.5};
            assert_true(levels < 3);
            assert_near(h.step[i].mean_current_a, amps[levels], 0.01);
            sum_ah += h.step[i].sums.charge_out_ah;
            levels++;
        }
    }
    assert_int_equal(levels, 3);
    assert_near(sum_ah, out_ah, 0.0035);
}

/* A rate survey: every current a cycle of its own, or all but one a check-up. */
static void rate_survey(void **state)
{
    (void)state;
    cycle(0.5);
    cycle(1);
    cycle(2);
    struct wn_listen_setup s = bench_setup();
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.cycles, 3);
    assert_near(h.cycle[2].record.discharge_current_a, 2, 0.01);
    assert_true(h.cycle[0].record.capacity_ah.value > h.cycle[1].record.capacity_ah.value);
    assert_true(h.cycle[1].record.capacity_ah.value > h.cycle[2].record.capacity_ah.value);
    s.cycle_current_a = 1;
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.cycles, 1);
    assert_int_equal(h.check_ups, 2);
}

/* Another cell at rest. The charge of the one before is none of the other's. */
static void cell_swapped(void **state)
{
    (void)state;
    cycle(1);
    bench_charge(&b, 1, 0.1);
    bench_rest(&b, 900);
    b.charge_ah -= 1;
    bench_rest(&b, 900);
    bench_discharge(&b, 1, 3.0);
    bench_rest(&b, 900);
    struct wn_listen_setup s = bench_setup();
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.swaps, 1);
    assert_near(h.swap_from_v - h.swap_to_v, 0.6, 1e-9);
    assert_int_equal(h.cycles, 2);
    assert_true(isnan(h.cycle[1].record.charge_ah));
    assert_int_equal(h.cycle[1].record.flags, WN_FLAG_INTERRUPTED);
    /* just within what a cell does by itself, and just after a load, it is the same cell */
    wave_free(&b.wave);
    bench_init(&b, 5);
    bench_rest(&b, 900);
    b.charge_ah += 0.149 / 0.6;
    bench_rest(&b, 900);
    bench_load(&b, -0.1, 100);
    bench_rest(&b, 290);
    b.charge_ah += 0.5;
    bench_rest(&b, 900);
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.swaps, 0);
}

/* A tester whose clock begins anew in mid-discharge: host time bridges it; without host time the
 * cycle has a gap. */
static void clock_reset(void **state)
{
    (void)state;
    struct wn_listen_setup s = bench_setup();
    cycle(1);
    bench_charge(&b, 1, 0.1);
    bench_rest(&b, 600);
    bench_load(&b, -1, 2000);
    size_t reset = b.wave.n;
    bench_discharge(&b, 1, 3.0);
    bench_rest(&b, 600);
    heard_wave(&h, &s, &b.wave);
    double without_ah = h.cycle[1].record.capacity_ah.value,
           duration_s = h.cycle[1].record.duration_s;
    for (size_t i = 0; i < b.wave.n; i++) {
        b.wave.r[i].host_ns = b.wave.r[i].time_ns + 77 * WN_NS_PER_S;
        b.wave.r[i].time_ns -= i >= reset ? b.wave.r[reset - 1].time_ns : 0;
    }
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.resets, 1);
    assert_int_equal(h.cycles, 2);
    assert_int_equal(h.cycle[1].record.flags, 0);
    assert_near(h.cycle[1].record.capacity_ah.value, without_ah, 1e-9);
    assert_near(h.cycle[1].record.duration_s, duration_s, 1e-6);
    for (size_t i = 0; i < b.wave.n; i++) {
        b.wave.r[i].host_ns = 0;
    }
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.resets, 1);
    assert_int_equal(h.cycles, 2);
    assert_int_equal(h.cycle[1].record.flags, WN_FLAG_GAP);
    assert_near(without_ah - h.cycle[1].record.capacity_ah.value, 1 * 5 / 3600.0, 1e-6);
}

/* A gap in a discharge is flagged and not integrated; one in a rest is none. */
static void gaps(void **state)
{
    (void)state;
    cycle(1);
    bench_charge(&b, 1, 0.1);
    bench_rest(&b, 300);
    b.now_s += 3000;
    bench_rest(&b, 300);
    bench_discharge(&b, 1, 3.0);
    bench_rest(&b, 600);
    bench_charge(&b, 1, 0.1);
    bench_rest(&b, 600);
    bench_load(&b, -1, 2000);
    b.now_s += 61;
    bench_discharge(&b, 1, 3.0);
    bench_load(&b, 1, 2000);
    b.now_s += 61;
    bench_charge(&b, 1, 0.1);
    bench_rest(&b, 600);
    bench_discharge(&b, 1, 3.0);
    struct wn_listen_setup s = bench_setup();
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.cycles, 4);
    assert_int_equal(h.cycle[3].record.flags, WN_FLAG_GAP); /* its charge is not known */
    assert_int_equal(h.cycle[1].record.flags, 0);
    assert_int_equal(h.cycle[2].record.flags, WN_FLAG_GAP);
}

static void rests_and_ambient(void **state)
{
    (void)state;
    cycle(1);
    bench_charge(&b, 1, 0.1);
    bench_rest(&b, 300);
    bench_discharge(&b, 1, 3.0);
    bench_rest(&b, 9000);
    cycle(1);
    for (size_t i = 0; i < b.wave.n; i++) {
        b.wave.r[i].has |= WN_HAS_AMBIENT;
        b.wave.r[i].ambient_c = i > b.wave.n - 50 ? 26 : 20;
    }
    struct wn_listen_setup s = bench_setup();
    s.rest_min_s = 600;
    s.pause_recovery_s = 7200;
    s.ambient_min_c = 15;
    s.ambient_max_c = 25;
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.cycles, 3);
    assert_int_equal(h.cycle[0].record.flags, 0);
    assert_int_equal(h.cycle[1].record.flags, WN_FLAG_SHORT_REST);
    assert_int_equal(h.cycle[2].record.flags, WN_FLAG_AFTER_PAUSE | WN_FLAG_TEMPERATURE);
}

/* Saved in the middle and gone on with elsewhere: the same findings. */
static void saved_and_restored(void **state)
{
    (void)state;
    static struct heard other;
    for (int i = 0; i < 2; i++) {
        cycle(1);
    }
    struct wn_listen_setup s = bench_setup();
    heard_wave(&other, &s, &b.wave);
    heard_init(&h, &s);
    for (size_t i = 0; i < b.wave.n; i++) {
        if (i % 97 == 0) {
            struct wn_listen saved = h.l;
            memset(&h.l, 0xA5, sizeof h.l);
            h.l = saved;
        }
        heard_reading(&h, &b.wave.r[i]);
    }
    heard_end(&h);
    assert_int_equal(h.cycles, 2);
    assert_memory_equal(&h.cycle[1].record.capacity_ah, &other.cycle[1].record.capacity_ah,
                        sizeof h.cycle[1].record.capacity_ah);
    assert_true(sizeof(struct wn_listen) <= 6144); /* the resume state of a campaign file */
}

/* Its clock is set back by less than a late reading may be late: one by one they would all be. */
static void set_back_a_little(void **state)
{
    (void)state;
    struct wn_listen_setup s = bench_setup();
    cycle(1);
    bench_charge(&b, 1, 0.1);
    bench_rest(&b, 600);
    bench_load(&b, -1, 2000);
    size_t reset = b.wave.n;
    bench_discharge(&b, 1, 3.0);
    bench_rest(&b, 600);
    heard_wave(&h, &s, &b.wave);
    double without_ah = h.cycle[1].record.capacity_ah.value;
    for (size_t i = 0; i < b.wave.n; i++) {
        b.wave.r[i].host_ns = b.wave.r[i].time_ns + 77 * WN_NS_PER_S;
        b.wave.r[i].time_ns -= i >= reset ? 80 * WN_NS_PER_S : 0;
    }
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.resets, 1);
    assert_int_equal(h.cycles, 2);
    assert_int_equal(h.cycle[1].record.flags, 0); /* bridged: nothing is missing for a minute */
    assert_near(h.cycle[1].record.capacity_ah.value, without_ah, 1e-9);
    assert_true(h.l.counts.late <= 7);
}

/* Ended in the middle, and gone on with after a rest that is none of a pulse's: the larger part is
 * no capacity. Behind a whole discharge a further one is no harm. */
static void in_parts(void **state)
{
    (void)state;
    struct wn_listen_setup s = bench_setup();
    bench_charge(&b, 1, 0.1);
    bench_rest(&b, 600);
    bench_load(&b, -1, 2000);
    bench_rest(&b, 600);
    bench_discharge(&b, 1, 3.0);
    bench_rest(&b, 600);
    bench_charge(&b, 1, 0.1);
    bench_rest(&b, 600);
    bench_discharge(&b, 1, 3.0);
    bench_rest(&b, 600);
    bench_discharge(&b, 0.2, 3.0);
    bench_rest(&b, 600);
    heard_wave(&h, &s, &b.wave);
    assert_int_equal(h.cycles, 2);
    assert_int_equal(h.cycle[0].record.flags, WN_FLAG_INTERRUPTED);
    assert_int_equal(h.cycle[1].record.flags, 0);
}

/* Nobody listens from reading `from` to reading `to` of the wave. */
static void hear_torn(size_t from, size_t to)
{
    struct wn_listen_setup s = bench_setup();
    heard_init(&h, &s);
    for (size_t i = 0; i < b.wave.n; i++) {
        if (i == from) {
            wn_listen_torn(&h.l, WN_FLAG_INTERRUPTED);
        }
        if (i < from || i >= to) {
            heard_reading(&h, &b.wave.r[i]);
        }
    }
    heard_end(&h);
}

/* What is flagged is what was not heard whole: the round in progress; and the one whose charge is
 * found under way. */
static void torn(void **state)
{
    (void)state;
    size_t in_charge, in_rest, next_charge;
    bench_rest(&b, 60);
    cycle(1);
    bench_charge(&b, 1, 0.1);
    in_charge = b.wave.n - 50;
    bench_rest(&b, 600);
    bench_discharge(&b, 1, 3.0);
    bench_rest(&b, 600);
    in_rest = b.wave.n - 60;
    bench_charge(&b, 1, 0.1);
    next_charge = b.wave.n - 60;
    bench_rest(&b, 600);
    bench_discharge(&b, 1, 3.0);
    bench_rest(&b, 600);
    static const unsigned both = WN_FLAG_INTERRUPTED | WN_FLAG_GAP;
    hear_torn(in_charge, in_charge + 20);
    assert_int_equal(h.cycles, 3);
    assert_int_equal(h.cycle[0].record.flags, 0);
    assert_int_equal(h.cycle[1].record.flags, both);
    assert_int_equal(h.cycle[2].record.flags, 0);
    hear_torn(in_rest, next_charge);
    assert_int_equal(h.cycles, 3);
    assert_true((h.cycle[1].record.flags & WN_FLAG_INTERRUPTED) != 0);
    assert_int_equal(h.cycle[2].record.flags & both, both);
    hear_torn(in_rest, in_rest + 20); /* at rest before and behind */
    assert_true((h.cycle[1].record.flags & WN_FLAG_INTERRUPTED) != 0);
    assert_int_equal(h.cycle[2].record.flags, 0);
    hear_torn(6, 300); /* from before the first charge into it */
    assert_int_equal(h.cycle[0].record.flags & both, both);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(whole_cycles, setup, teardown),
        cmocka_unit_test_setup_teardown(charge_with_rests, setup, teardown),
        cmocka_unit_test_setup_teardown(no_taper, setup, teardown),
        cmocka_unit_test_setup_teardown(check_up, setup, teardown),
        cmocka_unit_test_setup_teardown(several_currents, setup, teardown),
        cmocka_unit_test_setup_teardown(rate_survey, setup, teardown),
        cmocka_unit_test_setup_teardown(cell_swapped, setup, teardown),
        cmocka_unit_test_setup_teardown(clock_reset, setup, teardown),
        cmocka_unit_test_setup_teardown(gaps, setup, teardown),
        cmocka_unit_test_setup_teardown(rests_and_ambient, setup, teardown),
        cmocka_unit_test_setup_teardown(saved_and_restored, setup, teardown),
        cmocka_unit_test_setup_teardown(set_back_a_little, setup, teardown),
        cmocka_unit_test_setup_teardown(in_parts, setup, teardown),
        cmocka_unit_test_setup_teardown(torn, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
