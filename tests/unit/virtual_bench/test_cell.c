/* Virtual bench: the cell keeps its charge and heat, and follows the analytic solutions.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <inttypes.h>

#include "support/near.h"
#include "base/prng.h"
#include "virtual_bench/cell.h"

static struct wn_cell_model model;

/* The default cell; plain: resistance constant, no wear, nothing lost in charging. */
static struct wn_cell make(double soc, bool plain)
{
    struct wn_cell_params p = *wn_cell_preset(0);
    struct wn_cell c;

    if (plain) {
        p.r_empty = 0.0;
        p.r_activation_k = 0.0;
        p.fade_sqrt = p.fade_linear = p.fade_knee = 0.0;
        p.rise_linear = p.rise_knee = 0.0;
        p.charge_efficiency = 1.0;
    }
    wn_cell_model_init(&model, &p);
    wn_cell_init(&c, &model, soc, 0.0, 25.0);
    return c;
}

static void test_charge_balance(void **state)
{
    const uint64_t seed = 11;
    struct wn_prng r;
    struct wn_cell c = make(0.5, false);
    double start_ah = c.charge_ah;
    double in_ah = 0.0;
    double out_ah = 0.0;

    (void)state;
    print_message("SEED=%" PRIu64 "\n", seed);
    wn_prng_init(&r, seed);
    for (int i = 0; i < 200000; i++) {
        double dt_s = 0.01 + wn_prng_uniform(&r);
        double i_a = 8.0 * wn_prng_uniform(&r) - 4.0;
        wn_cell_step(&c, dt_s, i_a);
        in_ah += i_a > 0.0 ? i_a * dt_s / 3600.0 : 0.0;
        out_ah += i_a < 0.0 ? -i_a * dt_s / 3600.0 : 0.0;
    }
    assert_near(c.charged_ah, in_ah, 1e-9 * in_ah);
    assert_near(c.discharged_ah, out_ah, 1e-9 * out_ah);
    assert_near(c.charge_ah - start_ah, model.p.charge_efficiency * in_ah - out_ah, 1e-9 * in_ah);
}

static void test_ocv_rises(void **state)
{
    double before_v;

    (void)state;
    (void)make(0.5, false);
    before_v = wn_cell_ocv(&model, -0.2);
    for (int i = 1; i <= 150000; i++) {
        double v = wn_cell_ocv(&model, -0.2 + i * 1e-5);
        assert_true(v > before_v);
        before_v = v;
    }
    assert_near(wn_cell_ocv(&model, 0.0), 2.5, 1e-3);
    assert_near(wn_cell_ocv(&model, 1.0), 4.2, 1e-3);
    assert_true(wn_cell_ocv(&model, -0.03) < 0.5); /* over-discharged: it collapses */
    assert_true(wn_cell_ocv(&model, 1.1) > 4.6);   /* over-charged: it rises */
}

static void test_rc_step_response(void **state)
{
    struct wn_cell c = make(0.6, true);
    const struct wn_cell_params *p = &model.p;
    const double i_a = -5.0;
    const double dt_s[4] = {0.25, 1.0, 0.1, 7.0};
    double t_s = 0.0;

    (void)state;
    for (int i = 0; i < 400; i++) {
        wn_cell_step(&c, dt_s[i % 4], i_a);
        t_s += dt_s[i % 4];
        assert_near(c.v1_v, i_a * p->r1_ohm * (1.0 - exp(-t_s / p->tau1_s)), 1e-12);
        assert_near(c.v2_v, i_a * p->r2_ohm * (1.0 - exp(-t_s / p->tau2_s)), 1e-12);
        if (t_s > 300.0) {
            break;
        }
    }
    assert_near(wn_cell_voltage(&c, i_a) - wn_cell_voltage(&c, 0.0), i_a * p->r0_ohm, 1e-12);
    double v1 = c.v1_v;
    double v2 = c.v2_v;
    wn_cell_step(&c, 60.0, 0.0); /* one step of rest is as good as many */
    assert_near(c.v1_v, v1 * exp(-60.0 / p->tau1_s), 1e-12);
    assert_near(c.v2_v, v2 * exp(-60.0 / p->tau2_s), 1e-12);
}

/* At constant resistance and settled RC pairs all of I^2 (R0+R1+R2) is heat: the temperature goes
 * exponentially towards ambient + P / loss. */
static void test_heat(void **state)
{
    struct wn_cell c = make(0.5, true);
    const struct wn_cell_params *p = &model.p;
    const double power_w = 25.0 * (p->r0_ohm + p->r1_ohm + p->r2_ohm);
    double t0_c;

    (void)state;
    for (int i = 0; i < 20;
         i++) { /* 5 A to and fro would unsettle the RC pairs: set them instead */
        wn_cell_step(&c, 1.0, 5.0);
    }
    c.v1_v = 5.0 * p->r1_ohm;
    c.v2_v = 5.0 * p->r2_ohm;
    t0_c = c.temperature_c;
    for (int i = 0; i < 900; i++) {
        wn_cell_step(&c, 1.0, 5.0);
        c.charge_ah = 0.5 * c.capacity_ah; /* endless */
    }
    assert_near(c.temperature_c,
                25.0 + power_w / p->loss_w_per_k +
                    (t0_c - 25.0 - power_w / p->loss_w_per_k) *
                        exp(-900.0 * p->loss_w_per_k / p->heat_capacity_j_per_k),
                1e-9);
    for (int i = 0; i < 20000; i++) {
        wn_cell_step(&c, 1.0, 5.0);
        c.charge_ah = 0.5 * c.capacity_ah;
    }
    assert_near(c.temperature_c, 25.0 + power_w / p->loss_w_per_k, 1e-9);
}

/* Electrical energy taken out = open-circuit energy - heat, with the RC pairs' own stores empty at
 * both ends; nothing is lost to an ambient that is (almost) insulated. */
static void test_energy_balance(void **state)
{
    struct wn_cell_params p;
    struct wn_cell c;
    double stored_j = 0.0;
    double out_j = 0.0;
    const double dt_s = 0.01;

    (void)state;
    (void)make(0.9, true);
    p = model.p;
    p.loss_w_per_k = 1e-7;
    wn_cell_model_init(&model, &p);
    wn_cell_init(&c, &model, 0.9, 0.0, 25.0);
    for (int i = 0; i < 60000; i++) {
        double v0 = wn_cell_voltage(&c, -10.0);
        double u0 = wn_cell_ocv(&model, wn_cell_soc(&c));
        wn_cell_step(&c, dt_s, -10.0);
        out_j += 10.0 * dt_s * 0.5 * (v0 + wn_cell_voltage(&c, -10.0));
        stored_j += 10.0 * dt_s * 0.5 * (u0 + wn_cell_ocv(&model, wn_cell_soc(&c)));
    }
    wn_cell_step(&c, 3600.0, 0.0);
    assert_near(p.heat_capacity_j_per_k * (c.temperature_c - 25.0), stored_j - out_j,
                1e-4 * (stored_j - out_j));
}

static void test_resistance_of_a_step(void **state)
{
    struct wn_cell c = make(0.5, true);
    double rest_v = wn_cell_voltage(&c, 0.0);
    double r_ohm = wn_cell_resistance(&c, 1.0);

    (void)state;
    wn_cell_step(&c, 1.0, -10.0);
    /* what the change of the open-circuit voltage adds is not resistance */
    assert_near(
        (rest_v - wn_cell_voltage(&c, -10.0) - (rest_v - wn_cell_ocv(&model, wn_cell_soc(&c)))) /
            10.0,
        r_ohm, 1e-12);
    assert_near(wn_cell_resistance(&c, 0.0), model.p.r0_ohm, 1e-15);
    assert_near(wn_cell_resistance(&c, 1e9), model.p.r0_ohm + model.p.r1_ohm + model.p.r2_ohm,
                1e-15);
    /* colder and emptier is higher */
    struct wn_cell real = make(0.5, false);
    struct wn_cell cold = make(0.5, false);
    struct wn_cell empty = make(0.03, false);
    wn_cell_init(&cold, &model, 0.5, 0.0, 0.0);
    assert_true(wn_cell_resistance(&cold, 1.0) > 1.3 * wn_cell_resistance(&real, 1.0));
    assert_true(wn_cell_resistance(&empty, 1.0) > 1.5 * wn_cell_resistance(&real, 1.0));
}

static void test_wear(void **state)
{
    const struct wn_cell_params *p;

    (void)state;
    for (unsigned k = 0; (p = wn_cell_preset(k)) != NULL; k++) {
        struct wn_cell c;
        double capacity_ah = 1e9;
        double ohm = 0.0;
        wn_cell_model_init(&model, p);
        for (int w = 0; w <= 600; w++) { /* monotone in throughput */
            wn_cell_init(&c, &model, 0.5, w, 25.0);
            assert_true(c.capacity_ah < capacity_ah || c.capacity_ah <= 0.02 * p->capacity_ah);
            assert_true(wn_cell_resistance(&c, 1.0) > ohm);
            capacity_ah = c.capacity_ah;
            ohm = wn_cell_resistance(&c, 1.0);
        }
        assert_ptr_equal(wn_cell_preset_named(p->name), p);
        assert_near(wn_cell_ocv(&model, 0.0), p->cutoff_v, 1e-3);
    }
    assert_null(wn_cell_preset_named("no such cell"));
}

/* Rest does not wear; throughput does by its amount, whatever its direction, and more when warm. */
static void test_wear_counts_throughput(void **state)
{
    struct wn_cell a = make(0.5, false);
    struct wn_cell b = a;
    struct wn_cell warm = a;

    (void)state;
    wn_cell_step(&a, 1e6, 0.0);
    assert_near(a.wear, 0.0, 0.0);
    wn_cell_step(&a, 10.0, 3.0);
    wn_cell_step(&b, 10.0, -3.0);
    assert_near(a.wear, 30.0 / 3600.0 / (2.0 * model.p.rated_ah), 1e-12);
    assert_near(a.wear, b.wear, 1e-15);
    warm.temperature_c = 45.0;
    wn_cell_step(&warm, 10.0, 3.0);
    assert_near(warm.wear / b.wear, 1.0 + 20.0 * model.p.wear_per_k, 1e-12);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_charge_balance),
        cmocka_unit_test(test_ocv_rises),
        cmocka_unit_test(test_rc_step_response),
        cmocka_unit_test(test_heat),
        cmocka_unit_test(test_energy_balance),
        cmocka_unit_test(test_resistance_of_a_step),
        cmocka_unit_test(test_wear),
        cmocka_unit_test(test_wear_counts_throughput),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
