/* Seeded pseudo-random numbers: xoshiro256** 1.0, seeded by splitmix64.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Both generators after D. Blackman and S. Vigna, "Scrambled linear pseudorandom number generators"
 * (2018) and their public domain reference code. Built with -ffp-contract=off: a fused multiply-add
 * would make the normal numbers differ between machines. */
#include "base/prng.h"

#include <math.h>

#include "base/assert.h"

static uint64_t splitmix64(uint64_t *state)
{
    uint64_t z = *state += UINT64_C(0x9e3779b97f4a7c15);
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return z ^ (z >> 31);
}

static uint64_t rotl(uint64_t x, int by)
{
    return (x << by) | (x >> (64 - by));
}

void wn_prng_init(struct wn_prng *r, uint64_t seed)
{
    for (int i = 0; i < 4; i++) {
        r->s[i] = splitmix64(&seed);
    }
    r->spare = 0.0;
    r->has_spare = 0;
}

uint64_t wn_prng_next(struct wn_prng *r)
{
    uint64_t *s = r->s;
    uint64_t result = rotl(s[1] * 5, 7) * 9;
    uint64_t t = s[1] << 17;

    s[2] ^= s[0];
    s[3] ^= s[1];
    s[1] ^= s[2];
    s[0] ^= s[3];
    s[2] ^= t;
    s[3] = rotl(s[3], 45);
    return result;
}

double wn_prng_uniform(struct wn_prng *r)
{
    return (double)(wn_prng_next(r) >> 11) * 0x1p-53;
}

uint64_t wn_prng_below(struct wn_prng *r, uint64_t n)
{
    uint64_t skip;
    uint64_t x;

    wn_assert(n > 0);
    /* 2^64 is rarely a multiple of n: without the first 2^64 mod n values each remainder is equally
     * likely. */
    skip = (UINT64_MAX % n + 1) % n;
    do {
        x = wn_prng_next(r);
    } while (x < skip);
    return x % n;
}

/* Natural logarithm of x in (0, 1) from + - * / alone, which IEEE 754 rounds the same everywhere;
 * the log() of the C library may differ in the last bit from one processor to the next. With m in
 * [sqrt(1/2), sqrt(2)) the series 2 artanh((m - 1)/(m + 1)) loses less than 1e-18 after z^23. */
static double portable_log(double x)
{
    int exponent;
    double m = frexp(x, &exponent);
    double z;
    double z2;
    double sum = 0.0;

    if (m < 0.70710678118654752) {
        m *= 2.0;
        exponent--;
    }
    z = (m - 1.0) / (m + 1.0);
    z2 = z * z;
    for (int k = 23; k >= 1; k -= 2) {
        sum = sum * z2 + 1.0 / k;
    }
    return exponent * 0.69314718055994531 + 2.0 * z * sum;
}

/* The polar method of Marsaglia and Bray (1964): a point in the unit circle gives
 * two normal numbers. */
double wn_prng_normal(struct wn_prng *r)
{
    double u;
    double v;
    double s;
    double scale;

    if (r->has_spare) {
        r->has_spare = 0;
        return r->spare;
    }
    do {
        u = 2.0 * wn_prng_uniform(r) - 1.0;
        v = 2.0 * wn_prng_uniform(r) - 1.0;
        s = u * u + v * v;
    } while (s >= 1.0 || s <= 0.0);
    scale = sqrt(-2.0 * portable_log(s) / s);
    r->spare = v * scale;
    r->has_spare = 1;
    return u * scale;
}
