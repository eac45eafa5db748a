/* The system's clocks.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "port/clock.h"

#include <time.h>

#include "base/assert.h"

static wn_ns read_ns(clockid_t id)
{
    struct timespec t;
    wn_assert(clock_gettime(id, &t) == 0);
    return (wn_ns)t.tv_sec * WN_NS_PER_S + t.tv_nsec;
}

static wn_ns real_monotonic(const struct wn_clock *c)
{
    (void)c;
    return read_ns(CLOCK_MONOTONIC);
}

static wn_ns real_boottime(const struct wn_clock *c)
{
    (void)c;
    return read_ns(CLOCK_BOOTTIME);
}

static wn_utc_us real_utc(const struct wn_clock *c)
{
    (void)c;
    return read_ns(CLOCK_REALTIME) / 1000;
}

const struct wn_clock *wn_clock_real(void)
{
    static const struct wn_clock_ops ops = {
        .monotonic = real_monotonic, .boottime = real_boottime, .utc = real_utc};
    static const struct wn_clock clock = {&ops};
    return &clock;
}
