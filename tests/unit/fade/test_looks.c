/* Looking back, own finished lives, and the rise of resistance.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fade/fade.h"

#include <math.h>
#include <string.h>

#include "base/prng.h"
#include "fade/internal.h"
#include "metrology/cycle.h"
#include "support/near.h"

enum { N = 600 };
#define THRESHOLD_AH 1.6
#define LIFE         500.0
static struct wn_fade_point points[N];

/** A simulated cell of 2 Ah that crosses THRESHOLD_AH at `life`; its resistance rises by half until
 * then. */
static void make(double life, double noise, uint64_t seed)
{
    struct wn_prng r;
    wn_prng_init(&r, seed);
    for (int i = 0; i < N; i++) {
        double u = (i + 1) / life, lost = 0.6 * pow(u, 0.8) + 0.4 * pow(u, 4);
        points[i] = (struct wn_fade_point){
            .cycle = i + 1,
            .capacity_ah = 2 - 0.4 * lost + noise * wn_prng_normal(&r),
            .resistance_ohm = 0.04 * (1 + 0.5 * lost) * (1 + noise * wn_prng_normal(&r)),
            .temperature_c = NAN};
    }
}

static struct wn_fade_history look_back(size_t n)
{
    struct wn_fade_history h;
    struct wn_error err = {0};
    assert_int_equal(wn_fade_look_back(points, n, THRESHOLD_AH, NULL, &h, &err), WN_OK);
    return h;
}

static void every_look_says_what_was_said_then(void **state)
{
    (void)state;
    make(LIFE, 0.002, 1);
    struct wn_fade_history h = look_back(400);
    assert_int_equal(h.count, WN_FADE_LOOKS_MAX);
    assert_near(h.look[h.count - 1].cycle, 400, 0);
    for (int k = 0; k < h.count; k += 9) {
        struct wn_fade_result r;
        struct wn_error err = {0};
        if (k > 0)
            assert_true(h.look[k].cycle > h.look[k - 9].cycle);
        size_t n = (size_t)h.look[k].cycle; /* cycles are counted from 1 */
        assert_int_equal(wn_fade_project(points, n, THRESHOLD_AH, &r, &err), WN_OK);
        assert_int_equal(h.look[k].state, r.state);
        if (r.state == WN_FADE_PROJECTED) {
            assert_memory_equal(&h.look[k].median_cycle, &r.eol_median_cycle, sizeof(double));
            assert_memory_equal(&h.look[k].p90_cycle, &r.eol_p90_cycle, sizeof(double));
        }
    }
}

static void a_history_tells_since_when_it_held(void **state)
{
    (void)state;
    make(LIFE, 0.002, 2);
    struct wn_fade_history h = look_back(N); /* ends where the end of life was seen */
    const struct wn_fade_look *last = &h.look[h.count - 1];
    assert_int_equal(last->state, WN_FADE_REACHED);
    assert_near(last->median_cycle, LIFE, 5);
    assert_true(h.settled_cycle < LIFE);
    for (int k = 0; k < h.count; k++) {
        bool holds =
            h.look[k].p10_cycle <= last->median_cycle && last->median_cycle <= h.look[k].p90_cycle;
        if (h.look[k].cycle >= h.settled_cycle)
            assert_true(holds);
        if (k + 1 < h.count && h.look[k + 1].cycle >= h.settled_cycle &&
            h.look[k].cycle < h.settled_cycle)
            assert_false(holds);
    }
}

static void few_points_are_each_looked_at(void **state)
{
    (void)state;
    make(LIFE, 0, 3);
    struct wn_fade_history h = look_back(7);
    assert_int_equal(h.count, 7);
    for (int k = 0; k < 7; k++)
        assert_near(h.look[k].cycle, k + 1, 0);
    assert_true(isnan(h.settled_cycle)); /* nothing is said now */
}

static struct wn_fade_history judge_back(size_t n, double cycles, double min_ah)
{
    struct wn_fade_history h;
    struct wn_error err = {0};
    assert_int_equal(wn_fade_look_back_claim(points, n, cycles, min_ah, NULL, &h, &err), WN_OK);
    return h;
}

/** Whether the verdict after the cycle points against the claim. */
static bool against(double cycle, double cycles, double min_ah)
{
    struct wn_fade_claim c;
    struct wn_error err = {0};
    assert_int_equal(wn_fade_judge_claim(points, (size_t)cycle, cycles, min_ah, &c, &err), WN_OK);
    return c.verdict == WN_VERDICT_FAILS || c.verdict == WN_VERDICT_WILL_FALL_SHORT;
}

static void a_verdict_was_safe_from_the_cycle_it_last_turned_at(void **state)
{
    (void)state;
    make(LIFE, 0.002, 4);
    const double cycles = 650;
    struct wn_fade_history h = judge_back(N, cycles, THRESHOLD_AH);
    assert_int_equal(h.look[h.count - 1].verdict, WN_VERDICT_FAILS);
    assert_true(h.settled_cycle > 1 && h.settled_cycle < LIFE);
    assert_true(against(h.settled_cycle, cycles, THRESHOLD_AH));
    assert_false(against(h.settled_cycle - 1, cycles, THRESHOLD_AH));
    /* nobody can tell yet: nothing to publish */
    assert_true(isnan(judge_back(5, cycles, THRESHOLD_AH).settled_cycle));
    struct wn_error err = {0};
    assert_int_equal(wn_fade_look_back_claim(points, N, -1, 1, NULL, &h, &err), WN_EINVAL);
}

static void own_finished_lives_are_leaned_on(void **state)
{
    (void)state;
    struct wn_fade_life life[3];
    struct wn_error err = {0};
    struct wn_fade_result alone, leaning;
    for (int k = 0; k < 3; k++) {
        make(300 + 90 * k, 0.002, 10 + (uint64_t)k);
        assert_int_equal(wn_fade_remember(points, N, 0.8, "sister", &life[k], &err), WN_OK);
        assert_near(life[k].cycles, 300 + 90 * k, 10);
    }
    for (int i = 0; i <= WN_FADE_GRID; i += 16) {
        double u = (double)i * i / WN_FADE_GRID / WN_FADE_GRID;
        assert_near((double)life[1].left[i], 1 - 0.6 * pow(u, 0.8) - 0.4 * pow(u, 4), 0.04);
    }
    make(LIFE, 0.002, 20);
    struct wn_fade_own own = {life, 3};
    assert_int_equal(wn_fade_project(points, 300, 1.6, &alone, &err), WN_OK);
    assert_int_equal(wn_fade_project_own(points, 300, 1.6, &own, &leaning, &err), WN_OK);
    assert_null(strstr(alone.reason, "own finished"));
    assert_non_null(strstr(leaning.reason, "own finished campaigns, most on sister"));
    assert_true(leaning.eol_p90_cycle - leaning.eol_p10_cycle <
                alone.eol_p90_cycle - alone.eol_p10_cycle);
    assert_near(leaning.eol_median_cycle, LIFE, 0.08 * LIFE);
}

/* A cell that recovers by 0.08 Ah every 70 cycles and is measured coarsely. */
static void make_rough(double life, int first, uint64_t seed)
{
    struct wn_prng r;
    double recovered = 0;
    wn_prng_init(&r, seed);
    make(life, 0, seed);
    for (int i = 0; i < N; i++) {
        double u = (i + 1) / life;
        recovered = i % 70 == first ? 0.08 : 0.97 * recovered;
        points[i].capacity_ah =
            2 - 0.4 * (0.55 * sqrt(u) + 0.45 * pow(u, 5)) + recovered + 0.004 * wn_prng_normal(&r);
    }
}

/* Rough as they are, the sisters say more of such a cell than any precise curve of another. */
static void rough_lives_are_leaned_on_too(void **state)
{
    struct wn_fade_life life[2];
    struct wn_error err = {0};
    struct wn_fade_digest digest;
    struct wn_fade_posterior post;
    struct wn_fade_result r;
    (void)state;
    for (int k = 0; k < 2; k++) {
        make_rough(460 + 60 * k, 35 + 7 * k, 50 + (uint64_t)k);
        assert_int_equal(wn_fade_remember(points, N, 0.8, "sister", &life[k], &err), WN_OK);
    }
    struct wn_fade_own own = {life, 2};
    make_rough(LIFE, 49, 52);
    struct wn_fade_use use = wn_fade_use_of(&own);
    for (size_t n = 200; n <= 350; n += 50) {
        wn_fade_digest(points, n, THRESHOLD_AH, &digest);
        wn_fade_infer(&digest, THRESHOLD_AH, &wn_fade_tuning, &use, &post);
        assert_true(post.leaning[WN_FADE_OWN] + post.leaning[WN_FADE_OWN_ROUGH] > 0.6);
        assert_int_equal(wn_fade_project_own(points, n, THRESHOLD_AH, &own, &r, &err), WN_OK);
        assert_near(r.eol_median_cycle, LIFE, 0.12 * LIFE);
    }
}

static void an_unfinished_life_teaches_nothing(void **state)
{
    (void)state;
    struct wn_fade_life life;
    struct wn_error err = {0};
    make(LIFE, 0.002, 5);
    assert_int_equal(wn_fade_remember(points, 300, 0.8, "young", &life, &err), WN_EMISSING);
    assert_int_equal(wn_fade_remember(points, N, 1, "odd", &life, &err), WN_EINVAL);
    for (int i = 0; i < N; i++)
        points[i].flags = i % 100 == 0 || i > 560 ? 0 : WN_FLAG_INTERRUPTED;
    assert_int_equal(wn_fade_remember(points, N, 0.8, "sparse", &life, &err), WN_EMISSING);
}

static struct wn_fade_resistance resistance(size_t n, double rise)
{
    static struct wn_fade_point scratch[N];
    struct wn_fade_resistance r;
    struct wn_error err = {0};
    assert_int_equal(wn_fade_project_resistance(points, n, rise, scratch, &r, &err), WN_OK);
    return r;
}

static void resistance_is_projected_like_capacity(void **state)
{
    (void)state;
    make(LIFE, 0.002, 6);
    struct wn_fade_resistance r = resistance(350, 0.5);
    assert_int_equal(r.life.state, WN_FADE_PROJECTED);
    assert_near(r.initial_ohm, 0.04, 0.001);
    assert_near(r.threshold_ohm, 1.5 * r.initial_ohm, 1e-12);
    assert_true(r.life.eol_p10_cycle <= LIFE && LIFE <= r.life.eol_p90_cycle);
    assert_near(r.life.eol_median_cycle, LIFE, 0.2 * LIFE);
    for (size_t i = 0; i < r.life.curve_len; i++) {
        assert_true(r.life.curve[i].p10_ah <= r.life.curve[i].median_ah);
        assert_true(r.life.curve[i].median_ah <= r.life.curve[i].p90_ah);
        assert_true(r.life.curve[i].median_ah > 0.03 && r.life.curve[i].median_ah < 0.09);
    }
    r = resistance(N, 0.5);
    assert_int_equal(r.life.state, WN_FADE_REACHED);
    assert_near(r.life.crossed_at_cycle, LIFE, 12);
    for (int i = 0; i < N; i++)
        points[i].resistance_ohm = NAN;
    assert_int_equal(resistance(N, 0.5).life.state, WN_FADE_NOT_YET_PREDICTABLE);
}

/* The ambient swings by 12 K, and the resistance follows Arrhenius' law with 3000 K. */
static void resistance_is_brought_to_one_temperature(void **state)
{
    (void)state;
    const double coefficient_k = 3000;
    make(LIFE, 0.002, 7);
    struct wn_fade_resistance still = resistance(350, 0.5);
    assert_near(still.coefficient_k, 0, 0);
    for (int i = 0; i < N; i++) {
        points[i].temperature_c = 25 + 6 * sin(i * 2.1);
        points[i].resistance_ohm *=
            exp(coefficient_k * (1 / (points[i].temperature_c + 273.15) - 1 / 298.15));
    }
    struct wn_fade_resistance r = resistance(350, 0.5);
    assert_near(r.coefficient_k, coefficient_k, 60);
    assert_near(r.reference_c, 25, 2);
    assert_int_equal(r.life.state, WN_FADE_PROJECTED);
    assert_near(r.life.eol_median_cycle, still.life.eol_median_cycle,
                0.06 * still.life.eol_median_cycle);
    points[10].temperature_c = NAN; /* cannot be brought anywhere: left out */
    assert_int_equal(resistance(350, 0.5).life.cycles_left_out, r.life.cycles_left_out + 1);
}

static void whichever_comes_first(void **state)
{
    (void)state;
    struct wn_fade_result a = {.state = WN_FADE_PROJECTED,
                               .eol_p10_cycle = 80,
                               .eol_median_cycle = 100,
                               .eol_p90_cycle = 150};
    struct wn_fade_result b = {.state = WN_FADE_PROJECTED,
                               .eol_p10_cycle = 60,
                               .eol_median_cycle = 120,
                               .eol_p90_cycle = 140};
    struct wn_fade_result none = {.state = WN_FADE_NOT_YET_PREDICTABLE}, out;
    bool second = true;
    wn_fade_first_of(&a, &b, &out, &second);
    assert_false(second);
    assert_near(out.eol_p10_cycle, 60, 0);
    assert_near(out.eol_median_cycle, 100, 0);
    assert_near(out.eol_p90_cycle, 140, 0);
    wn_fade_first_of(&b, &a, &out, &second);
    assert_true(second);
    assert_near(out.eol_median_cycle, 100, 0);
    wn_fade_first_of(&none, &b, &out, &second);
    assert_true(second);
    assert_near(out.eol_p10_cycle, 60, 0);
    wn_fade_first_of(&none, &none, &out, &second);
    assert_int_equal(out.state, WN_FADE_NOT_YET_PREDICTABLE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_look_says_what_was_said_then),
        cmocka_unit_test(a_history_tells_since_when_it_held),
        cmocka_unit_test(few_points_are_each_looked_at),
        cmocka_unit_test(a_verdict_was_safe_from_the_cycle_it_last_turned_at),
        cmocka_unit_test(own_finished_lives_are_leaned_on),
        cmocka_unit_test(rough_lives_are_leaned_on_too),
        cmocka_unit_test(an_unfinished_life_teaches_nothing),
        cmocka_unit_test(resistance_is_projected_like_capacity),
        cmocka_unit_test(resistance_is_brought_to_one_temperature),
        cmocka_unit_test(whichever_comes_first),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
