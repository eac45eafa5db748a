/* Time types: monotonic nanoseconds for control, campaign time for readings, UTC only as a label.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * int64 nanoseconds last 292 years; a double is used for sums of seconds only. Nothing below the
 * programs reads a clock: times arrive as arguments. */
#ifndef WN_BASE_TIME_H
#define WN_BASE_TIME_H

#include <stddef.h>
#include <stdint.h>

typedef int64_t wn_ns;     /* nanoseconds; host or campaign time, as the variable's name says */
typedef int64_t wn_utc_us; /* microseconds since 1970-01-01 UTC, a label only */

#define WN_NS_PER_S  INT64_C(1000000000)
#define WN_NS_PER_MS INT64_C(1000000)
#define WN_NS_NEVER  INT64_MAX

static inline double wn_ns_to_s(wn_ns ns)
{
    return (double)ns / 1e9;
}

/** Rounds to the nearest nanosecond; saturates at WN_NS_NEVER for values beyond 292 years and for
 * infinity, at INT64_MIN on the other side. NaN is a broken contract. */
wn_ns wn_ns_from_s(double seconds);

#define WN_UTC_SIZE  25
#define WN_SPAN_SIZE 24

/** "2026-05-01T12:34:56Z" into buf (at least WN_UTC_SIZE bytes, asserted); returns buf. Parts of a
 * second are cut off, downward also before 1970. */
const char *wn_utc_format(wn_utc_us utc, char *buf, size_t size);

/** A span for people: "41 d 3 h", "2 h 05 min", "4 min 10 s", "12.3 s"; NaN is "unknown", 30 000
 * years and more "unlimited"; returns buf (at least WN_SPAN_SIZE bytes, asserted). */
const char *wn_span_format(double seconds, char *buf, size_t size);

#endif
