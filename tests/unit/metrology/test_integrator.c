/* Integration: analytic waveforms, sign changes, gaps, long sums, contracts.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wave.h"

#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "base/prng.h"

#define PI 3.14159265358979323846

static uint64_t seed;

static struct wn_integrator started(struct wn_integrator_setup setup)
{
    struct wn_integrator g;
    wn_integrator_init(&g, &setup);
    return g;
}

/* Irregular instants from 0 to duration_s, as real readings come; the same for one seed. */
struct instants {
    struct wn_prng prng;
    double longest_s;
};

static wn_ns next_instant(struct instants *w, wn_ns t, wn_ns end)
{
    wn_ns step = wn_ns_from_s(w->longest_s * (0.001 + wn_prng_uniform(&w->prng)));
    return t + step < end ? t + step : end;
}

static void constant_current_is_exact(void **state)
{
    (void)state;
    struct wn_integrator g = started(plain(-1, 60));
    struct instants w = {.longest_s = 10};
    const wn_ns end = wn_ns_from_s(3600);
    wn_prng_init(&w.prng, seed);
    for (wn_ns t = 0;; t = next_instant(&w, t, end)) {
        struct wn_reading r = reading_ns(t, 3.7, -2);
        assert_false(wn_integrator_add(&g, &r));
        if (t == end) {
            break;
        }
    }
    struct wn_step_sums s = sums_of(&g);
    assert_exact(s.charge_out_ah, 2);
    assert_exact(s.energy_out_wh, 7.4);
    assert_exact(s.duration_s, 3600);
    assert_exact(s.end_charge_ah, 2);
    assert_exact(s.end_energy_wh, 7.4);
    assert_true(s.charge_in_ah == 0 && s.energy_in_wh == 0 && s.missing_s == 0 && !s.crossed);
}

/* V = a + b t, I = c + d t: the exact integral of V I over 0..T is
 * T (a c) + T^2 (a d + b c) / 2 + T^3 b d / 3, whatever the instants of the readings. */
static double product_integral(double a, double b, double c, double d, double t)
{
    return t * (a * c) + t * t * (a * d + b * c) / 2 + t * t * t * b * d / 3;
}

static void ramps_are_exact(void **state)
{
    (void)state;
    struct wn_prng prng;
    wn_prng_init(&prng, seed + 1);
    for (int round = 0; round < 200; round++) {
        double a = 2.5 + 2 * wn_prng_uniform(&prng), b = 1e-3 * (wn_prng_uniform(&prng) - 0.5);
        double c = 1 + 9 * wn_prng_uniform(&prng), d = 1e-2 * wn_prng_uniform(&prng);
        double duration_s = 100 + 900 * wn_prng_uniform(&prng);
        struct wn_integrator g = started(plain(1, 60));
        struct instants w = {.longest_s = 0.1 + 30 * wn_prng_uniform(&prng)};
        const wn_ns end = wn_ns_from_s(duration_s);
        wn_prng_init(&w.prng, seed + 2 + (uint64_t)round);
        for (wn_ns t = 0;; t = next_instant(&w, t, end)) {
            double s = wn_ns_to_s(t);
            struct wn_reading r = reading_ns(t, a + b * s, c + d * s);
            (void)wn_integrator_add(&g, &r);
            if (t == end) {
                break;
            }
        }
        duration_s = wn_ns_to_s(end);
        struct wn_step_sums s = sums_of(&g);
        assert_exact(s.charge_in_ah, (c * duration_s + d * duration_s * duration_s / 2) / 3600);
        assert_exact(s.energy_in_wh, product_integral(a, b, c, d, duration_s) / 3600);
        assert_true(s.charge_out_ah == 0 && s.energy_out_wh == 0);
    }
}

/* One interval with V 4 -> 3 V and I 0 -> -2 A in 1 s: integral of (4 - t)(2 t) is 4 - 2/3. The
 * trapezoid of the power would say 3. */
static void energy_is_the_product_of_two_lines(void **state)
{
    (void)state;
    struct wn_integrator g = started(plain(-1, 60));
    (void)add(&g, 0, 4, 0);
    (void)add(&g, 1, 3, -2);
    assert_exact(sums_of(&g).energy_out_wh * 3600, 10.0 / 3);
    assert_exact(sums_of(&g).charge_out_ah * 3600, 1);
}

/* I = 3 - t over 0..9 s, V = 3 + 0.1 t, read at 0 and 9 s only: the current is zero at 3 s. In:
 * charge 4.5 A s, energy int_0^3 (3 + 0.1 t)(3 - t) = 13.95 W s. Out: charge 18 A s, energy
 * -int_3^9 (3 + 0.1 t)(3 - t) = 66.6 W s. */
static void a_change_of_sign_splits_the_interval(void **state)
{
    (void)state;
    struct wn_integrator g = started(plain(-1, 60));
    (void)add(&g, 0, 3, 3);
    (void)add(&g, 9, 3.9, -6);
    struct wn_step_sums s = sums_of(&g);
    assert_exact(s.charge_in_ah * 3600, 4.5);
    assert_exact(s.energy_in_wh * 3600, 13.95);
    assert_exact(s.charge_out_ah * 3600, 18);
    assert_exact(s.energy_out_wh * 3600, 66.6);
    assert_exact(s.end_charge_ah * 3600, 18);

    g = started(plain(1, 60)); /* the mirror image */
    (void)add(&g, 0, 3.9, -6);
    (void)add(&g, 9, 3, 3);
    s = sums_of(&g);
    assert_exact(s.charge_in_ah * 3600, 4.5);
    assert_exact(s.energy_in_wh * 3600, 13.95);
    assert_exact(s.charge_out_ah * 3600, 18);
    assert_exact(s.energy_out_wh * 3600, 66.6);
    assert_exact(s.end_charge_ah * 3600, 4.5);

    g = started(
        plain(0, 60)); /* from and to exactly zero nothing is split, at rest nothing counts */
    (void)add(&g, 0, 3, 0);
    (void)add(&g, 2, 3, 1);
    (void)add(&g, 4, 3, 0);
    (void)add(&g, 6, 3, -1);
    s = sums_of(&g);
    assert_exact(s.charge_in_ah * 3600, 2);
    assert_exact(s.charge_out_ah * 3600, 1);
    assert_true(s.end_charge_ah == 0 && s.end_energy_wh == 0);
    assert_exact(s.end_duration_s, 6);
}

/* Half a sine wave over n intervals: the trapezoid sum is h cot(h / 2), h = pi / n, against the
 * integral 2; the relative difference is h^2 / 12 and less than 1e-9 from n = 28 700 on. */
static void sine_current(void **state)
{
    (void)state;
    const int counts[] = {2, 5, 100, 30000};
    for (size_t k = 0; k < sizeof counts / sizeof counts[0]; k++) {
        const int n = counts[k];
        const double h = PI / n, dt_s = 0.01;
        struct wn_integrator g = started(plain(-1, 60));
        for (int i = 0; i <= 2 * n; i++) { /* in, then out */
            double current_a = i % n == 0 ? 0 : 5 * sin(h * i);
            struct wn_reading r = reading_ns((wn_ns)i * 10 * WN_NS_PER_MS, 3.6, current_a);
            (void)wn_integrator_add(&g, &r);
        }
        struct wn_step_sums s = sums_of(&g);
        double trapezoid_as = 5 * dt_s / tan(h / 2), true_as = 5 * dt_s / h * 2;
        assert_near(s.charge_in_ah * 3600, trapezoid_as, 1e-12 * trapezoid_as);
        assert_near(s.charge_out_ah * 3600, trapezoid_as, 1e-12 * trapezoid_as);
        assert_near(s.energy_in_wh * 3600, 3.6 * trapezoid_as, 1e-11 * trapezoid_as);
        assert_near(s.charge_in_ah * 3600, true_as, true_as * h * h / 11);
        if (n == 30000) {
            assert_exact(s.charge_in_ah * 3600, true_as);
        }
    }
}

/* The net charge does not depend on the splitting: zeros of the sine between the readings. */
static void splitting_keeps_the_net_charge(void **state)
{
    (void)state;
    struct wn_integrator g = started(plain(1, 60));
    double net_as = 0, before = 0;
    for (int i = 0; i < 5000; i++) {
        double current_a = 3 * sin(0.37 * i + 0.1);
        (void)add(&g, i, 3.6, current_a);
        net_as += i > 0 ? (before + current_a) / 2 : 0;
        before = current_a;
    }
    struct wn_step_sums s = sums_of(&g);
    assert_near((s.charge_in_ah - s.charge_out_ah) * 3600, net_as, 1e-9);
    assert_near((s.energy_in_wh - s.energy_out_wh) * 3600, 3.6 * net_as, 1e-9);
    assert_true(s.charge_in_ah > 1 && s.charge_out_ah > 1);
}

/* I = 4 exp(-t / 600): on equal steps the trapezoid sum is the integral times x coth x, x = h / 2
 * tau. */
static void constant_voltage_tail(void **state)
{
    (void)state;
    const double tau_s = 600, x = 0.5 / tau_s;
    struct wn_integrator g = started(plain(1, 60));
    for (int i = 0; i <= 1800; i++) {
        (void)add(&g, i, 4.2, 4 * exp(-i / tau_s));
    }
    double want_as = 4 * tau_s * (1 - exp(-3)) * x / tanh(x);
    assert_near(sums_of(&g).charge_in_ah * 3600, want_as, 1e-11 * want_as);
    assert_near(sums_of(&g).energy_in_wh * 3600, 4.2 * want_as, 1e-10 * want_as);
}

/* 1.1 A every 0.1 s, eleven days and a half: the plain sum is visibly off, the compensated is not.
 */
static void ten_million_readings(void **state)
{
    (void)state;
    const int64_t n = 10000000;
    struct wn_integrator g = started(plain(-1, 60));
    double plain_sum = 0;
    for (int64_t i = 0; i <= n; i++) {
        struct wn_reading r = reading_ns(i * 100 * WN_NS_PER_MS, 3.3, -1.1);
        (void)wn_integrator_add(&g, &r);
        plain_sum += i > 0 ? 0.1 * (1.1 + 1.1) / 2 : 0;
    }
    struct wn_step_sums s = sums_of(&g);
    double want_as = 1.1e6;
    print_message("plain sum off by %.2g relative, compensated by %.2g\n",
                  fabs(plain_sum / want_as - 1), fabs(s.charge_out_ah * 3600 / want_as - 1));
    assert_true(fabs(plain_sum / want_as - 1) > 1e-12);
    assert_near(s.charge_out_ah * 3600, want_as, 4e-16 * want_as);
    assert_near(s.energy_out_wh * 3600, 3.3 * want_as, 1e-15 * 3.3 * want_as);
    assert_near(s.duration_s, 1e6, 1e-9);
    assert_int_equal(s.readings, n + 1);
}

static void compensated_sum_survives_a_larger_term(void **state)
{
    (void)state;
    struct wn_sum sum = {0, 0};
    wn_sum_add(&sum, 1);
    wn_sum_add(&sum, 1e100);
    wn_sum_add(&sum, 1);
    wn_sum_add(&sum, -1e100);
    assert_true(wn_sum_value(&sum) == 2); /* Neumaier's own example, from memory: Kahan's gives 0 */
}

static void gaps_are_not_integrated(void **state)
{
    (void)state;
    const struct {
        wn_ns dt_ns;
        bool gap;
    } cases[] = {
        {5 * WN_NS_PER_S - 1, false}, {5 * WN_NS_PER_S, false}, {5 * WN_NS_PER_S + 1, true}};
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        struct wn_integrator g = started(plain(-1, 5));
        struct wn_reading r = reading_ns(WN_NS_PER_S, 3.5, -2);
        (void)wn_integrator_add(&g, &r);
        r.time_ns += cases[k].dt_ns;
        (void)wn_integrator_add(&g, &r);
        r.time_ns += WN_NS_PER_S; /* goes on behind the gap */
        (void)wn_integrator_add(&g, &r);
        struct wn_step_sums s = sums_of(&g);
        double dt_s = wn_ns_to_s(cases[k].dt_ns);
        assert_exact(s.charge_out_ah * 3600, 2 * (cases[k].gap ? 1 : 1 + dt_s));
        assert_exact(s.energy_out_wh * 3600, 7 * (cases[k].gap ? 1 : 1 + dt_s));
        assert_exact(s.missing_s, cases[k].gap ? dt_s : 0);
        assert_exact(s.end_missing_s, cases[k].gap ? dt_s : 0);
        assert_exact(s.duration_s, 1 + dt_s);
    }
}

static void a_break_is_a_gap_of_any_length(void **state)
{
    (void)state;
    struct wn_integrator g = started(plain(-1, 5));
    wn_integrator_break(&g); /* before the first reading: nothing can be missing */
    (void)add(&g, 0, 3.5, -2);
    (void)add(&g, 1, 3.5, -2);
    wn_integrator_break(&g);
    (void)add(&g, 2, 3.5, -2);
    (void)add(&g, 3, 3.5, -2);
    struct wn_step_sums s = sums_of(&g);
    assert_exact(s.charge_out_ah * 3600, 4);
    assert_exact(s.missing_s, 1);
    assert_exact(s.duration_s, 3);
}

static void a_reading_that_is_no_number_is_none(void **state)
{
    (void)state;
    struct wn_integrator g = started(plain(-1, 5));
    (void)add(&g, 0, 3.5, -2);
    (void)add(&g, 1, NAN, -2);
    (void)add(&g, 2, 3.5, INFINITY);
    (void)add(&g, 4, 3.5, -2);
    assert_exact(sums_of(&g).charge_out_ah * 3600, 8);
    assert_int_equal(sums_of(&g).readings, 2);
    (void)add(&g, 7, 3.5, NAN);
    (void)add(&g, 10, 3.5, -2); /* 6 s between numbers: a gap */
    assert_exact(sums_of(&g).charge_out_ah * 3600, 8);
    assert_exact(sums_of(&g).missing_s, 6);
}

static void several_readings_of_one_instant(void **state)
{
    (void)state;
    struct wn_integrator g = started(plain(-1, 5));
    (void)add(&g, 0, 4.1, 0); /* the load comes on: an edge, no ramp */
    (void)add(&g, 0, 4.0, -2);
    (void)add(&g, 1, 4.0, -2);
    assert_exact(sums_of(&g).charge_out_ah * 3600, 2);
    assert_exact(sums_of(&g).voltage_start_v, 4.1);
}

static void without_readings_nothing_is_known(void **state)
{
    (void)state;
    struct wn_integrator g = started(discharge_to(2.5));
    struct wn_step_sums s = sums_of(&g);
    assert_true(isnan(s.voltage_start_v) && isnan(s.voltage_end_v) && isnan(s.current_end_a));
    assert_true(isnan(s.temperature_max_c) && isnan(s.temperature_min_c));
    assert_true(isnan(s.temperature_start_c) && isnan(s.ambient_max_c) && isnan(s.ambient_min_c));
    assert_true(s.charge_out_ah == 0 && s.duration_s == 0 && s.readings == 0 && !s.crossed);
}

static void temperatures(void **state)
{
    (void)state;
    const struct {
        unsigned has;
        double cell_c, ambient_c;
    } rows[] = {{0, 99, 99},
                {WN_HAS_TEMPERATURE, 25, 99},
                {WN_HAS_TEMPERATURE | WN_HAS_AMBIENT, 41.5, 22},
                {WN_HAS_TEMPERATURE | WN_HAS_AMBIENT, 24.5, 20.5},
                {WN_HAS_AMBIENT, 99, 21},
                {WN_HAS_TEMPERATURE, NAN, 99}};
    struct wn_integrator g = started(plain(-1, 5));
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct wn_reading r = reading((double)i, 3.5, -2);
        r.has |= rows[i].has;
        r.temperature_c = rows[i].cell_c;
        r.ambient_c = rows[i].ambient_c;
        (void)wn_integrator_add(&g, &r);
    }
    struct wn_step_sums s = sums_of(&g);
    assert_exact(s.temperature_start_c, 25);
    assert_exact(s.temperature_max_c, 41.5);
    assert_exact(s.temperature_min_c, 24.5);
    assert_exact(s.ambient_max_c, 22);
    assert_exact(s.ambient_min_c, 20.5);
}

/* Saved as bytes after any reading and restored, the rest of the step gives the same bits. */
static void saved_and_restored_it_goes_on_the_same(void **state)
{
    (void)state;
    for (int cut = 0; cut <= 40; cut++) {
        struct wn_integrator whole = started(discharge_to(2.5)), part = started(discharge_to(2.5));
        for (int i = 0; i < 40; i++) {
            if (i == cut) {
                unsigned char bytes[sizeof part];
                memcpy(bytes, &part, sizeof part);
                memset(&part, 0xaa, sizeof part);
                memcpy(&part, bytes, sizeof part);
            }
            bool a = add(&whole, 1.1 * i, 4 - 0.05 * i, -2 - 0.01 * i);
            bool b = add(&part, 1.1 * i, 4 - 0.05 * i, -2 - 0.01 * i);
            assert_true(a == b);
        }
        struct wn_step_sums a = sums_of(&whole), b = sums_of(&part);
        assert_true(a.crossed == 1 && b.crossed == 1);
        assert_true(a.end_charge_ah == b.end_charge_ah && a.charge_out_ah == b.charge_out_ah);
        assert_true(a.end_energy_wh == b.end_energy_wh && a.end_duration_s == b.end_duration_s);
    }
}

/* Runs one broken contract in a child and tells the signal that ended it. */
static int signal_of(void (*broken)(void))
{
    int status = 0;
    (void)fflush(NULL);
    pid_t child = fork();
    if (child == 0) {
        int null = open("/dev/null", O_WRONLY);
        (void)dup2(null, STDERR_FILENO);
        (void)signal(SIGABRT, SIG_DFL);
        broken();
        _exit(0);
    }
    if (child < 0 || waitpid(child, &status, 0) != child) {
        return -1;
    }
    return WIFSIGNALED(status) ? WTERMSIG(status) : 0;
}

static void time_goes_back(void)
{
    struct wn_integrator g = started(plain(-1, 5));
    (void)add(&g, 1, 3.5, -2);
    (void)add(&g, 0.999999999, 3.5, -2);
}

static void no_current(void)
{
    struct wn_integrator g = started(plain(-1, 5));
    struct wn_reading r = reading(0, 3.5, 0);
    r.has = WN_HAS_VOLTAGE;
    (void)wn_integrator_add(&g, &r);
}

static void no_gap_limit(void)
{
    (void)started(plain(-1, NAN));
}

static void no_set_voltage(void)
{
    (void)started(charge_until(NAN, 0.1));
}

static void nothing_broken(void)
{
    struct wn_integrator g = started(plain(-1, INFINITY));
    (void)add(&g, 1, 3.5, -2);
    (void)add(&g, 1, 3.5, -2);
    (void)add(&g, 1e9, 3.5, -2);
}

static void contracts(void **state)
{
    (void)state;
    assert_int_equal(signal_of(time_goes_back), SIGABRT);
    assert_int_equal(signal_of(no_current), SIGABRT);
    assert_int_equal(signal_of(no_gap_limit), SIGABRT);
    assert_int_equal(signal_of(no_set_voltage), SIGABRT);
    assert_int_equal(signal_of(nothing_broken), 0);
}

int main(void)
{
    const char *text = getenv("SEED");
    seed = text != NULL ? strtoull(text, NULL, 10) : 20260501;
    (void)printf("SEED=%llu\n", (unsigned long long)seed);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(constant_current_is_exact),
        cmocka_unit_test(ramps_are_exact),
        cmocka_unit_test(energy_is_the_product_of_two_lines),
        cmocka_unit_test(a_change_of_sign_splits_the_interval),
        cmocka_unit_test(sine_current),
        cmocka_unit_test(splitting_keeps_the_net_charge),
        cmocka_unit_test(constant_voltage_tail),
        cmocka_unit_test(ten_million_readings),
        cmocka_unit_test(compensated_sum_survives_a_larger_term),
        cmocka_unit_test(gaps_are_not_integrated),
        cmocka_unit_test(a_break_is_a_gap_of_any_length),
        cmocka_unit_test(a_reading_that_is_no_number_is_none),
        cmocka_unit_test(several_readings_of_one_instant),
        cmocka_unit_test(without_readings_nothing_is_known),
        cmocka_unit_test(temperatures),
        cmocka_unit_test(saved_and_restored_it_goes_on_the_same),
        cmocka_unit_test(contracts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
