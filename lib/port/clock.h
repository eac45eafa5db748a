/* Port: clocks. The one place of the program that reads them is clock_real.c.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_PORT_CLOCK_H
#define WN_PORT_CLOCK_H

#include "base/time.h"

struct wn_clock;

struct wn_clock_ops {
    wn_ns (*monotonic)(const struct wn_clock *c);
    wn_ns (*boottime)(
        const struct wn_clock *c); /* goes on during suspend: the difference tells that we slept */
    wn_utc_us (*utc)(const struct wn_clock *c);
};

struct wn_clock {
    const struct wn_clock_ops *ops;
};

/** The system's clocks; static, never freed. */
const struct wn_clock *wn_clock_real(void);

static inline wn_ns wn_clock_monotonic(const struct wn_clock *c)
{
    return c->ops->monotonic(c);
}

#endif
