/* Seeded pseudo-random numbers, the same on every machine: simulation and tests, never secrets.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * xoshiro256** 1.0 of Blackman and Vigna (2018, public domain reference code), seeded by
 * splitmix64. */
#ifndef WN_BASE_PRNG_H
#define WN_BASE_PRNG_H

#include <stdint.h>

struct wn_prng {
    uint64_t s[4];
    double spare;
    int has_spare;
};

void wn_prng_init(struct wn_prng *r, uint64_t seed);
uint64_t wn_prng_next(struct wn_prng *r);
/** Uniform in [0, 1). */
double wn_prng_uniform(struct wn_prng *r);
/** Uniform integer in [0, n); n > 0. */
uint64_t wn_prng_below(struct wn_prng *r, uint64_t n);
/** Standard normal; bit for bit the same wherever double is IEEE 754 without excess precision. */
double wn_prng_normal(struct wn_prng *r);

#endif
