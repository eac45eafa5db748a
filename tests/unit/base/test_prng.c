/* Random numbers: the published generators, and distributions that are what they say.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <inttypes.h>
#include <string.h>

#include "support/near.h"
#include "base/prng.h"

/* Written anew from the description in Blackman and Vigna, "Scrambled linear pseudorandom number
 * generators" (ACM TOMS 47, 2021): the linear engine as a matrix of shifts on named words, the **
 * scrambler on the second. */
struct reference {
    uint64_t a, b, c, d;
};

static uint64_t ref_seed(uint64_t *x)
{
    uint64_t z;
    *x += 0x9e3779b97f4a7c15u;
    z = *x;
    z ^= z >> 30;
    z *= 0xbf58476d1ce4e5b9u;
    z ^= z >> 27;
    z *= 0x94d049bb133111ebu;
    return z ^ z >> 31;
}

static uint64_t ref_next(struct reference *r)
{
    uint64_t five = r->b + (r->b << 2);
    uint64_t turned = five << 7 | five >> 57;
    uint64_t na = r->a ^ r->b ^ r->d;
    uint64_t nb = r->a ^ r->b ^ r->c;
    uint64_t nc = r->a ^ r->c ^ (r->b << 17);
    uint64_t nd = r->b ^ r->d;
    r->a = na;
    r->b = nb;
    r->c = nc;
    r->d = nd << 45 | nd >> 19;
    return turned + (turned << 3);
}

static struct reference ref_init(uint64_t seed)
{
    struct reference r;
    r.a = ref_seed(&seed);
    r.b = ref_seed(&seed);
    r.c = ref_seed(&seed);
    r.d = ref_seed(&seed);
    return r;
}

/* Outputs of the authors' xoshiro256starstar.c from the state {1, 2, 3, 4}, and of splitmix64.c
 * from the seed 1234567, as several libraries publish them in their tests (from memory). */
static void test_published_outputs(void **state)
{
    static const uint64_t stars[] = {11520u,
                                     0u,
                                     1509978240u,
                                     1215971899390074240u,
                                     1216172134540287360u,
                                     607988272756665600u,
                                     16172922978634559625u,
                                     8476171486693032832u,
                                     10595114339597558777u,
                                     2904607092377533576u};
    static const uint64_t split[] = {6457827717110365317u, 3203168211198807973u,
                                     9817491932198370423u, 4593380528125082431u};
    struct wn_prng r = {{1, 2, 3, 4}, 0.0, 0};

    (void)state;
    for (size_t i = 0; i < sizeof stars / sizeof stars[0]; i++) {
        assert_true(wn_prng_next(&r) == stars[i]);
    }
    wn_prng_init(&r, 1234567);
    for (size_t i = 0; i < 4; i++) {
        assert_true(r.s[i] == split[i]);
    }
}

static void test_against_the_reference(void **state)
{
    static const uint64_t seeds[] = {0, 1, 42, 1234567, UINT64_MAX, UINT64_C(0x8000000000000000)};

    (void)state;
    for (size_t k = 0; k < sizeof seeds / sizeof seeds[0]; k++) {
        struct reference ref = ref_init(seeds[k]);
        struct wn_prng r;
        wn_prng_init(&r, seeds[k]);
        for (int i = 0; i < 10000; i++) {
            assert_true(wn_prng_next(&r) == ref_next(&ref));
        }
    }
}

static void test_uniform(void **state)
{
    const uint64_t seed = 5;
    const int n = 200000;
    struct reference ref = ref_init(seed);
    struct wn_prng r;
    double sum = 0.0;
    double sum2 = 0.0;

    (void)state;
    print_message("SEED=%" PRIu64 "\n", seed);
    wn_prng_init(&r, seed);
    for (int i = 0; i < n; i++) {
        double u = wn_prng_uniform(&r);
        assert_near(u, (double)(ref_next(&ref) / 2048) / 9007199254740992.0, 0.0);
        assert_true(u >= 0.0 && u < 1.0);
        sum += u;
        sum2 += u * u;
    }
    /* five standard errors: sd 1/sqrt(12) of u, sqrt(4/45) of its square */
    assert_near(sum / n, 0.5, 5.0 * sqrt(1.0 / 12.0 / n));
    assert_near(sum2 / n, 1.0 / 3.0, 5.0 * sqrt(4.0 / 45.0 / n));
}

static void test_below(void **state)
{
    const uint64_t seed = 6;
    const int n = 120000;
    struct wn_prng r;
    int seen[12] = {0};
    double chi2 = 0.0;

    (void)state;
    print_message("SEED=%" PRIu64 "\n", seed);
    wn_prng_init(&r, seed);
    for (int i = 0; i < n; i++) {
        uint64_t x = wn_prng_below(&r, 12);
        assert_true(x < 12);
        seen[x]++;
        assert_true(wn_prng_below(&r, 1) == 0);
    }
    for (int i = 0; i < 12; i++) {
        double off = seen[i] - n / 12.0;
        chi2 += off * off / (n / 12.0);
    }
    assert_near(chi2, 0.0, 40.0); /* 11 degrees of freedom: above 40 once in 28 000 */
}

/* With n = 3 * 2^62 a plain remainder would fall below 2^62 twice as often as elsewhere. */
static void test_below_is_fair(void **state)
{
    const uint64_t seed = 7;
    const uint64_t quarter = UINT64_C(1) << 62;
    const int n = 60000;
    struct wn_prng r;
    int low = 0;

    (void)state;
    print_message("SEED=%" PRIu64 "\n", seed);
    wn_prng_init(&r, seed);
    for (int i = 0; i < n; i++) {
        uint64_t x = wn_prng_below(&r, 3 * quarter);
        assert_true(x < 3 * quarter);
        low += x < quarter ? 1 : 0;
    }
    assert_near(low / (double)n, 1.0 / 3.0, 5.0 * sqrt(2.0 / 9.0 / n));
    for (int i = 0; i < 1000; i++) {
        assert_true(wn_prng_below(&r, UINT64_MAX) < UINT64_MAX);
        assert_true(wn_prng_below(&r, quarter) < quarter);
    }
}

static void test_normal(void **state)
{
    const uint64_t seed = 8;
    const int n = 400000;
    struct wn_prng r;
    double m[5] = {0};
    int beyond2 = 0;
    int beyond3 = 0;
    double before = 0.0;
    double lag = 0.0;

    (void)state;
    print_message("SEED=%" PRIu64 "\n", seed);
    wn_prng_init(&r, seed);
    for (int i = 0; i < n; i++) {
        double x = wn_prng_normal(&r);
        double power = 1.0;
        for (int k = 1; k <= 4; k++) {
            power *= x;
            m[k] += power / n;
        }
        beyond2 += fabs(x) > 2.0 ? 1 : 0;
        beyond3 += fabs(x) > 3.0 ? 1 : 0;
        lag += x * before / n;
        before = x;
    }
    /* five standard errors; the variances of x, x^2, x^3, x^4 are 1, 2, 15, 96 */
    assert_near(m[1], 0.0, 5.0 * sqrt(1.0 / n));
    assert_near(m[2], 1.0, 5.0 * sqrt(2.0 / n));
    assert_near(m[3], 0.0, 5.0 * sqrt(15.0 / n));
    assert_near(m[4], 3.0, 5.0 * sqrt(96.0 / n));
    assert_near(lag, 0.0, 5.0 * sqrt(1.0 / n));
    assert_near(beyond2 / (double)n, 0.045500263896, 5.0 * sqrt(0.0455 / n));
    assert_near(beyond3 / (double)n, 0.0026997960633, 5.0 * sqrt(0.0027 / n));
}

/* The logarithm inside is our own: the same pairs with that of the C library. */
static void test_normal_against_the_c_library(void **state)
{
    const uint64_t seed = 9;
    struct reference ref = ref_init(seed);
    struct wn_prng r;

    (void)state;
    print_message("SEED=%" PRIu64 "\n", seed);
    wn_prng_init(&r, seed);
    for (int i = 0; i < 100000; i++) {
        double u;
        double v;
        double s;
        double f;
        do {
            u = 2.0 * ((double)(ref_next(&ref) / 2048) / 9007199254740992.0) - 1.0;
            v = 2.0 * ((double)(ref_next(&ref) / 2048) / 9007199254740992.0) - 1.0;
            s = u * u + v * v;
        } while (s >= 1.0 || s <= 0.0);
        f = sqrt(-2.0 * log(s) / s);
        assert_near(wn_prng_normal(&r), u * f, 1e-14 + 1e-14 * fabs(u * f));
        assert_near(wn_prng_normal(&r), v * f, 1e-14 + 1e-14 * fabs(v * f));
    }
}

/* A campaign that is simulated again, elsewhere, must be the same campaign: bits, not tolerances.
 */
static void test_normal_is_pinned(void **state)
{
    static const double want[] = {0x1.244ed0b15c929p-1, -0x1.accce762a2601p+0, 0x1.2e9e7869e404bp-1,
                                  0x1.18118ea1f4c98p-1, 0x1.73d459e983e15p-2,  0x1.6e748ae10690cp-2,
                                  0x1.17bd36a22594ap-1, -0x1.963b9bad847d5p-2};
    struct wn_prng r;

    (void)state;
    wn_prng_init(&r, 2026);
    for (size_t i = 0; i < sizeof want / sizeof want[0]; i++) {
        double got = wn_prng_normal(&r);
        assert_memory_equal(&got, &want[i], sizeof got);
    }
}

static void test_init_forgets(void **state)
{
    struct wn_prng a;
    struct wn_prng b;

    (void)state;
    wn_prng_init(&a, 3);
    (void)wn_prng_normal(&a); /* leaves a spare one */
    wn_prng_init(&a, 3);
    wn_prng_init(&b, 3);
    assert_near(wn_prng_normal(&a), wn_prng_normal(&b), 0.0);
    assert_near(wn_prng_normal(&a), wn_prng_normal(&b), 0.0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_published_outputs),
        cmocka_unit_test(test_against_the_reference),
        cmocka_unit_test(test_uniform),
        cmocka_unit_test(test_below),
        cmocka_unit_test(test_below_is_fair),
        cmocka_unit_test(test_normal),
        cmocka_unit_test(test_normal_against_the_c_library),
        cmocka_unit_test(test_normal_is_pinned),
        cmocka_unit_test(test_init_forgets),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
