/* How the stations are, as text for a collector of metrics.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * OpenMetrics 1.0 (prometheus.io/docs/specs/om/open_metrics_spec): gauges only, each family with
 * TYPE, UNIT where it has one, and HELP, its samples together, "# EOF" at the end. It is written so
 * that the older text format 0.0.4, which the textfile collector of node_exporter reads, says the
 * same: no timestamps, no type that only the newer one knows.
 *
 * The specification asks for base units. Capacity is in ampere-hours all the same, as everywhere in
 * this project and in the trade; coulombs would be read wrongly by everybody.
 *
 * What is written comes from the campaign files. A child of the herald reads and writes: whatever
 * becomes of it, alerts go on. */
#ifndef WANED_HERALD_METRICS_H
#define WANED_HERALD_METRICS_H

#include <stdio.h>

#include "base/reading.h"
#include "fade/fade.h"
#include "herald/policy.h"
#include "metrology/cycle.h"

/** What is known of a station. */
struct metrics_station {
    char station[POLICY_NAME_SIZE], campaign[POLICY_NAME_SIZE], cell[WN_NAME_SIZE];
    char status[16]; /* "" without a campaign */
    bool simulated;
    bool readable; /* the campaign's file was read; what follows comes from it */
    int64_t open_alarms;
    bool marked; /* a latched alarm that could perhaps not be recorded */
    int64_t cycles, cycles_planned;
    struct wn_cycle_record last; /* the last cycle with a capacity */
    double rated_ah;
    struct wn_reading reading; /* stored last */
    wn_utc_us reading_utc;     /* 0: there is none */
    bool projected;
    struct wn_fade_result fade;
};

struct metrics {
    struct metrics_station station[WN_STATIONS_MAX];
    int stations;
    bool has_targets, channel_works; /* of alerts */
    wn_utc_us utc;
};

/** Writes all of it, "# EOF" included. */
void metrics_print(const struct metrics *m, FILE *f);

/** Gathers from the campaign files and writes config->metrics_file, whole or not at all. */
int metrics_write(const struct policy *p, const struct wn_daemon_config *config, wn_utc_us utc,
                  struct wn_error *err);

/** To be called at every turn: starts the child when it is time, and ends it when it takes too
 * long. */
void metrics_step(const struct policy *p, const struct wn_daemon_config *config, wn_ns now);

#endif
