/* Virtual bench: the seed of a random test.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_VIRTUAL_BENCH_SEED_H
#define WN_TESTS_VIRTUAL_BENCH_SEED_H

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "base/err.h"
#include "base/num.h"

/* WANE_SEED from the environment, or the usual one. */
static inline uint64_t seed_or(uint64_t usual)
{
    const char *given = getenv("WANE_SEED");
    int64_t seed;

    return given != NULL && wn_num_parse_int(given, strlen(given), &seed) == WN_OK && seed >= 0
               ? (uint64_t)seed
               : usual;
}

#endif
