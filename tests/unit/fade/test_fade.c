/* The projection: what must not move it, what must scale it, and what it must refuse.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fade/fade.h"

#include <math.h>
#include <string.h>

#include "base/prng.h"
#include "fade/internal.h"
#include "metrology/cycle.h"
#include "support/near.h"

enum { N = 400 };
#define THRESHOLD 1.6
#define LIFE      600.0
static struct wn_fade_point points[N];

/** A simulated cell of 2 Ah: bends down slowly, crosses THRESHOLD at LIFE. */
static void make(double noise_ah, uint64_t seed)
{
    struct wn_prng r;
    wn_prng_init(&r, seed);
    for (int i = 0; i < N; i++) {
        double u = (i + 1) / LIFE;
        points[i] =
            (struct wn_fade_point){.cycle = i + 1,
                                   .resistance_ohm = NAN,
                                   .temperature_c = NAN,
                                   .capacity_ah = 2 - 0.25 * pow(u, 0.8) - 0.15 * u * u * u +
                                                  noise_ah * wn_prng_normal(&r)};
    }
}

static struct wn_fade_result project(const struct wn_fade_point *p, size_t n, double threshold_ah)
{
    struct wn_fade_result out;
    struct wn_error err = {0};
    assert_int_equal(wn_fade_project(p, n, threshold_ah, &out, &err), WN_OK);
    return out;
}

static void finds_the_end_of_a_smooth_curve(void **state)
{
    (void)state;
    make(0.002, 1);
    struct wn_fade_result r = project(points, N, THRESHOLD);
    assert_int_equal(r.state, WN_FADE_PROJECTED);
    assert_true(r.eol_p10_cycle <= LIFE && LIFE <= r.eol_p90_cycle);
    /* so far it could as well be a straight line, which would end at 730 */
    assert_near(r.eol_median_cycle, LIFE, 0.2 * LIFE);
    assert_true(isnan(r.crossed_at_cycle));
}

static void follows_a_line_to_its_end(void **state)
{
    (void)state;
    struct wn_prng r;
    wn_prng_init(&r, 31);
    make(0, 1);
    for (int i = 0; i < N; i++)
        points[i].capacity_ah = 2 - 0.4 * (i + 1) / LIFE + 0.001 * wn_prng_normal(&r);
    /* at a third of it a knee is still likely to come first */
    static const double within[] = {0.28, 0.08, 0.03};
    for (int k = 0; k < 3; k++) {
        struct wn_fade_result line = project(points, (size_t)(200 + 100 * k), THRESHOLD);
        assert_int_equal(line.state, WN_FADE_PROJECTED);
        assert_near(line.eol_median_cycle, LIFE, within[k] * LIFE);
        assert_true(line.eol_p10_cycle <= LIFE && LIFE <= line.eol_p90_cycle);
    }
}

/* Some cells gain a little at first; one that only gains says nothing of its end. */
static void a_rising_cell_has_no_end_in_sight(void **state)
{
    (void)state;
    make(0, 1);
    for (int i = 0; i < N; i++)
        points[i].capacity_ah = 2 + 0.0005 * i;
    for (size_t n = 100; n <= N; n += 100)
        assert_int_equal(project(points, n, THRESHOLD).state, WN_FADE_NOT_YET_PREDICTABLE);
}

/* Square root, line and a knee that begins late: no cell of the library. Before it and in it the
 * interval must leave room for it, however well a bent line fits the past. */
static double late_knee_ah(int cycle)
{
    return 2.5 - 0.0095 * sqrt(cycle) - 0.00085 * cycle - 0.032 * log1p(exp((cycle - 290) / 20.0));
}

static void leaves_room_for_a_knee(void **state)
{
    static struct wn_fade_point p[300];
    struct wn_prng r;
    int life = 300;
    (void)state;
    wn_prng_init(&r, 4);
    while (late_knee_ah(life) >= 1.75)
        life++;
    for (int i = 0; i < 300; i++)
        p[i] = (struct wn_fade_point){
            .cycle = i + 1, .capacity_ah = late_knee_ah(i + 1) + 0.001 * wn_prng_normal(&r)};
    for (size_t n = 220; n <= 300; n += 20) {
        struct wn_fade_result knee = project(p, n, 1.75);
        assert_int_equal(knee.state, WN_FADE_PROJECTED);
        assert_true(knee.eol_p10_cycle <= life && life <= knee.eol_p90_cycle);
    }
}

/* Five check-ups reach far into the fade: the cell started at the first of them. */
static void few_checkups_tell_where_the_cell_started(void **state)
{
    struct wn_prng r;
    (void)state;
    wn_prng_init(&r, 5);
    for (int i = 0; i < 10; i++) {
        double u = 60 * i / LIFE;
        points[i] = (struct wn_fade_point){.cycle = 60 * i,
                                           .capacity_ah = 2 - 0.4 * (0.5 * pow(u, 0.4) + 0.5 * u) +
                                                          0.001 * wn_prng_normal(&r)};
    }
    for (size_t n = 5; n <= 9; n += 2) {
        struct wn_fade_result start = project(points, n, THRESHOLD);
        assert_int_equal(start.state, WN_FADE_PROJECTED);
        assert_near(start.eol_median_cycle, LIFE, 0.1 * LIFE);
    }
}

static void draws_the_way_to_the_end(void **state)
{
    (void)state;
    make(0.002, 11);
    struct wn_fade_result r = project(points, N, THRESHOLD);
    assert_true(r.curve_len > 10 && r.curve_len <= WN_FADE_CURVE_MAX);
    assert_near(r.curve[0].cycle, N, 1e-9);
    assert_near(r.curve[0].median_ah, 2 - 0.25 * pow(N / LIFE, 0.8) - 0.15 * pow(N / LIFE, 3),
                0.01);
    assert_near(r.curve[r.curve_len - 1].cycle, r.eol_p90_cycle, 1e-6);
    for (size_t i = 0; i < r.curve_len; i++) {
        assert_true(r.curve[i].p10_ah <= r.curve[i].median_ah &&
                    r.curve[i].median_ah <= r.curve[i].p90_ah);
        if (i > 0) {
            assert_true(r.curve[i].cycle > r.curve[i - 1].cycle);
            assert_true(r.curve[i].median_ah <= r.curve[i - 1].median_ah + 1e-3);
        }
        if (fabs(r.curve[i].cycle - r.eol_median_cycle) <
            10) /* capacity and life tell the same story */
            assert_near(r.curve[i].median_ah, THRESHOLD, 0.02);
    }
}

static void same_input_same_bits(void **state)
{
    (void)state;
    make(0.004, 2);
    struct wn_fade_result a = project(points, N, THRESHOLD), b = project(points, N, THRESHOLD);
    assert_memory_equal(&a.eol_median_cycle, &b.eol_median_cycle, 3 * sizeof(double));
}

static void scaling_capacity_changes_nothing(void **state)
{
    (void)state;
    make(0.003, 3);
    struct wn_fade_result a = project(points, N, THRESHOLD);
    for (int i = 0; i < N; i++)
        points[i].capacity_ah *= 3.7;
    struct wn_fade_result b = project(points, N, THRESHOLD * 3.7);
    assert_near(b.eol_median_cycle, a.eol_median_cycle, 1e-3 * a.eol_median_cycle);
    assert_near(b.eol_p10_cycle, a.eol_p10_cycle, 1e-3 * a.eol_p10_cycle);
    assert_near(b.eol_p90_cycle, a.eol_p90_cycle, 1e-3 * a.eol_p90_cycle);
}

static void renumbering_cycles_scales_the_answer(void **state)
{
    (void)state;
    make(0.003, 4);
    struct wn_fade_result a = project(points, N, THRESHOLD);
    for (int i = 0; i < N; i++)
        points[i].cycle *= 5;
    struct wn_fade_result b = project(points, N, THRESHOLD);
    assert_near(b.eol_median_cycle, 5 * a.eol_median_cycle, 5e-3 * a.eol_median_cycle);
    assert_near(b.eol_p90_cycle, 5 * a.eol_p90_cycle, 5e-3 * a.eol_p90_cycle);
}

static void one_wild_cycle_moves_less_than_the_interval(void **state)
{
    (void)state;
    static const int places[] = {0, 3, 50, 200, N - 2, N - 1};
    static const double factors[] = {0.0, 0.5, 0.9, 1.1, 2.0};
    make(0.003, 5);
    struct wn_fade_result a = project(points, N, THRESHOLD);
    for (size_t k = 0; k < 6; k++)
        for (size_t j = 0; j < 5; j++) {
            double kept = points[places[k]].capacity_ah;
            points[places[k]].capacity_ah *= factors[j];
            struct wn_fade_result b = project(points, N, THRESHOLD);
            points[places[k]].capacity_ah = kept;
            assert_int_equal(b.state, WN_FADE_PROJECTED);
            assert_near(b.eol_median_cycle, a.eol_median_cycle, a.eol_p90_cycle - a.eol_p10_cycle);
            assert_near(b.eol_median_cycle, a.eol_median_cycle, 0.02 * a.eol_median_cycle);
        }
}

static void flagged_cycles_are_left_out(void **state)
{
    (void)state;
    make(0.003, 6);
    for (int i = 100; i < 130; i++) {
        points[i].capacity_ah = 0.4;
        points[i].flags = WN_FLAG_CV_MISSING;
    }
    struct wn_fade_result r = project(points, N, THRESHOLD);
    assert_int_equal(r.state, WN_FADE_PROJECTED);
    assert_true(r.cycles_left_out >= 30 && r.cycles_left_out < 40);
    assert_true(r.cycles_used + r.cycles_left_out == N);
    points[105].flags = points[106].flags = points[107].flags = 0;
    r = project(points, N, THRESHOLD); /* three valid cycles in a row are believed */
    assert_int_equal(r.state, WN_FADE_REACHED);
    assert_near(r.crossed_at_cycle, 106, 0);
}

static void reached_takes_three_in_a_row(void **state)
{
    (void)state;
    make(0, 7);
    double level = points[N - 3].capacity_ah + 1e-9; /* the last three lie below */
    assert_int_equal(project(points, N - 1, level).state, WN_FADE_PROJECTED);
    struct wn_fade_result r = project(points, N, level);
    assert_int_equal(r.state, WN_FADE_REACHED);
    assert_near(r.crossed_at_cycle, N - 2, 0);
    assert_near(r.eol_median_cycle, N - 2, 0);
    points[N - 2].capacity_ah = level + 1e-6; /* not in a row */
    assert_int_equal(project(points, N, level).state, WN_FADE_PROJECTED);
}

static void a_flat_or_short_start_is_not_predictable(void **state)
{
    (void)state;
    make(0.003, 8);
    assert_int_equal(project(points, 3, THRESHOLD).state, WN_FADE_NOT_YET_PREDICTABLE);
    for (int i = 0; i < N; i++)
        points[i].capacity_ah = 2 + 0.003 * sin(i * 12.9898);
    struct wn_fade_result r = project(points, N, THRESHOLD);
    assert_int_equal(r.state, WN_FADE_NOT_YET_PREDICTABLE);
    assert_true(isnan(r.eol_median_cycle));
    assert_true(r.reason[0] != 0);
}

/** A simulated cell of 1.15 Ah that loses 0.04 Ah while running in, and lives to cycle 1,016. */
static void make_running_in(uint64_t seed)
{
    struct wn_prng r;
    wn_prng_init(&r, seed);
    for (int i = 0; i < N; i++) {
        double u = (i + 1) / 1016.0;
        points[i] = (struct wn_fade_point){.cycle = i + 1,
                                           .resistance_ohm = NAN,
                                           .temperature_c = NAN,
                                           .capacity_ah = 1.15 - 0.04 * (1 - exp(-i / 30.0)) -
                                                          0.15 * u - 0.08 * u * u * u * u +
                                                          0.0005 * wn_prng_normal(&r)};
    }
}

static void early_answers_are_refused_or_honest(void **state)
{
    (void)state;
    static const size_t seen[] = {10, 20, 51, 102, 152, 203, 305};
    for (uint64_t seed = 20; seed < 30; seed++) {
        make_running_in(seed);
        for (size_t k = 0; k < 7; k++) {
            struct wn_fade_result r = project(points, seen[k], 0.88);
            if (r.state != WN_FADE_NOT_YET_PREDICTABLE)
                assert_true(r.eol_p10_cycle <= 1016 && 1016 <= r.eol_p90_cycle);
            if (k < 2)
                assert_int_equal(r.state, WN_FADE_NOT_YET_PREDICTABLE);
        }
    }
}

/** The same simulated cell as in make(), seen only at check-ups. */
static size_t make_checkups(size_t every, size_t until, uint64_t seed)
{
    make(0.002, seed);
    size_t n = 0;
    for (size_t i = 0; i < until && i < N; i += every)
        points[n++] = points[i];
    return n;
}

static void few_checkups_are_answered_late_and_not_early(void **state)
{
    (void)state;
    for (uint64_t seed = 40; seed < 50; seed++) {
        size_t n = make_checkups(60, N, seed); /* 7 points up to cycle 361 of 600 */
        assert_int_equal(n, 7);
        struct wn_fade_result r = project(points, n, THRESHOLD);
        assert_int_equal(r.state, WN_FADE_PROJECTED);
        assert_true(r.eol_p10_cycle <= LIFE && LIFE <= r.eol_p90_cycle);
        r = project(points, 3, THRESHOLD);
        assert_int_equal(r.state, WN_FADE_NOT_YET_PREDICTABLE);
        n = make_checkups(10, 61, seed); /* 7 points up to a tenth of the life */
        r = project(points, n, THRESHOLD);
        if (r.state != WN_FADE_NOT_YET_PREDICTABLE)
            assert_true(r.eol_p10_cycle <= LIFE && LIFE <= r.eol_p90_cycle);
    }
}

/** Running-in slows down, so the far end must lie further out than for a straight loss. */
static void progress_tells_running_in_from_a_knee(void **state)
{
    (void)state;
    struct wn_fade_digest d;
    struct wn_fade_progress p;
    for (int kind = 0; kind < 3; kind++) {
        for (int i = 0; i < 100; i++) {
            double u = i / 99.0, loss = kind == 0 ? sqrt(u) : kind == 1 ? u : u * u * u;
            points[i] = (struct wn_fade_point){.cycle = i + 1, .capacity_ah = 2 - 0.1 * loss};
        }
        wn_fade_digest(points, 100, 1.6, &d);
        wn_fade_progress(&d, 1.6, &p);
        assert_near(p.lost, 0.25, 0.05);
        assert_true(kind == 0 ? p.bend < -0.2 : kind == 1 ? fabs(p.bend) < 0.1 : p.bend > 0.6);
    }
}

static void bad_rows_are_told(void **state)
{
    (void)state;
    struct wn_fade_result r;
    struct wn_error err = {0};
    make(0, 9);
    assert_int_equal(wn_fade_project(points, 0, 1, &r, &err), WN_EINVAL);
    assert_int_equal(wn_fade_project(points, N, 0, &r, &err), WN_EINVAL);
    assert_int_equal(wn_fade_project(points, N, NAN, &r, &err), WN_EINVAL);
    points[6].cycle = points[5].cycle;
    assert_int_equal(wn_fade_project(points, N, 1, &r, &err), WN_EINVAL);
    assert_non_null(strstr(err.text, "row 7"));
    make(0, 9);
    points[4].capacity_ah = NAN;
    assert_int_equal(wn_fade_project(points, N, 1, &r, &err), WN_EINVAL);
    assert_non_null(strstr(err.text, "row 5"));
}

static struct wn_fade_claim judge(size_t n, double cycles, double min_ah)
{
    struct wn_fade_claim c;
    struct wn_error err = {0};
    assert_int_equal(wn_fade_judge_claim(points, n, cycles, min_ah, &c, &err), WN_OK);
    return c;
}

static void verdicts(void **state)
{
    (void)state;
    make(0.002, 10);
    assert_int_equal(judge(N, 300, 1.6).verdict, WN_VERDICT_HOLDS);
    assert_int_equal(judge(N, 300, 1.95).verdict, WN_VERDICT_FAILS);
    assert_int_equal(judge(N, 3000, 1.95).verdict, WN_VERDICT_FAILS);
    assert_int_equal(judge(N, 420, 1.6).verdict, WN_VERDICT_ON_COURSE);
    assert_int_equal(judge(N, 1500, 1.6).verdict, WN_VERDICT_WILL_FALL_SHORT);
    assert_int_equal(judge(N, LIFE, 1.6).verdict, WN_VERDICT_IN_DOUBT);
    assert_int_equal(judge(3, LIFE, 1.6).verdict, WN_VERDICT_NOT_YET_PREDICTABLE);
    double last = 1;
    for (double cycles = 401; cycles < 2000; cycles += 50) {
        double p = judge(N, cycles, 1.6).probability;
        assert_true(p <= last && p >= 0);
        last = p;
    }
}

/* The claim is measured at its own cycle: within two standard uncertainties of it nobody knows. */
static void a_claim_within_the_uncertainty_is_in_doubt(void **state)
{
    (void)state;
    make(0.002, 10);
    const double u_ah = 0.004, there_ah = judge(N, 300, 1.6).capacity_at_claim_ah;
    assert_true(isnan(judge(N, 300, 1.6).capacity_at_claim_u_ah)); /* nobody told it */
    for (int i = 0; i < N; i++)
        points[i].capacity_u_ah = u_ah;
    struct wn_fade_claim c = judge(N, 300, there_ah - 2.01 * u_ah);
    assert_int_equal(c.verdict, WN_VERDICT_HOLDS);
    assert_near(c.probability, 1, 0);
    assert_near(c.capacity_at_claim_u_ah, u_ah, 0);
    c = judge(N, 300, there_ah - 1.99 * u_ah);
    assert_int_equal(c.verdict, WN_VERDICT_IN_DOUBT);
    assert_near(c.probability, 0.976705, 1e-6); /* of the standard normal distribution below 1.99 */
    assert_near(judge(N, 300, there_ah).probability, 0.5, 1e-12);
    c = judge(N, 300, there_ah + 1.99 * u_ah);
    assert_int_equal(c.verdict, WN_VERDICT_IN_DOUBT);
    assert_near(c.probability, 1 - 0.976705, 1e-6);
    /* clearly missed, however few cycles below it the rule of three has seen */
    assert_int_equal(judge(N, 300, there_ah + 8 * u_ah).verdict, WN_VERDICT_FAILS);
    assert_true(isnan(judge(N, 420, 1.6).capacity_at_claim_u_ah)); /* foretold, not measured */
}

static void shapes_keep_their_ends(void **state)
{
    (void)state;
    float table[WN_FADE_GRID + 1];
    for (int i = 0; i < wn_fade_row_count; i++) {
        const struct wn_fade_shape *p = &wn_fade_rows[i].shape;
        assert_near(wn_fade_shape_at(p, 0), 1, 1e-12);
        assert_near(wn_fade_shape_at(p, 1), 0, 1e-9);
        wn_fade_shape_table(p, table);
        for (int k = 0; k <= WN_FADE_GRID; k += 20)
            assert_near((double)table[k], wn_fade_shape_at(p, pow((double)k / WN_FADE_GRID, 2)),
                        1e-4);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(finds_the_end_of_a_smooth_curve),
        cmocka_unit_test(follows_a_line_to_its_end),
        cmocka_unit_test(a_rising_cell_has_no_end_in_sight),
        cmocka_unit_test(leaves_room_for_a_knee),
        cmocka_unit_test(few_checkups_tell_where_the_cell_started),
        cmocka_unit_test(draws_the_way_to_the_end),
        cmocka_unit_test(same_input_same_bits),
        cmocka_unit_test(scaling_capacity_changes_nothing),
        cmocka_unit_test(renumbering_cycles_scales_the_answer),
        cmocka_unit_test(one_wild_cycle_moves_less_than_the_interval),
        cmocka_unit_test(flagged_cycles_are_left_out),
        cmocka_unit_test(reached_takes_three_in_a_row),
        cmocka_unit_test(a_flat_or_short_start_is_not_predictable),
        cmocka_unit_test(early_answers_are_refused_or_honest),
        cmocka_unit_test(few_checkups_are_answered_late_and_not_early),
        cmocka_unit_test(progress_tells_running_in_from_a_knee),
        cmocka_unit_test(bad_rows_are_told),
        cmocka_unit_test(verdicts),
        cmocka_unit_test(a_claim_within_the_uncertainty_is_in_doubt),
        cmocka_unit_test(shapes_keep_their_ends),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
