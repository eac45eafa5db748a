/* Virtual bench: what the command tables of its SCPI instruments share.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_VIRTUAL_BENCH_DEVICE_INTERNAL_H
#define WN_VIRTUAL_BENCH_DEVICE_INTERNAL_H

#include "virtual_bench/bench.h"
#include "virtual_bench/tester_internal.h"

#define PLAIN_NS INT64_C(1000000) /* a single measurement takes 1 ms */

/* What a handler works on. */
struct work {
    struct wn_inst *i;
    const struct wn_scpi_unit *u;
    struct reply *r;
    int channel; /* from 0 */
};

typedef int device_handler(struct work *w);

enum {
    ALL = -1,
    SUPPLY = 1 << WN_INST_SUPPLY,
    LOAD = 1 << WN_INST_LOAD,
    WARM = 1 << WN_INST_THERMOMETER,
    RELAY = 1 << WN_INST_RELAY
};

struct device_command {
    int kinds;
    const char *pattern;
    device_handler *set;
    int set_params;
    device_handler *query;
    int query_max;
};

struct device_number {
    int kinds;
    const char *pattern;
    size_t offset; /* in struct wn_stage */
    struct wn_scpi_range range;
};

/* device_stage.c: of supplies and loads; both end with pattern NULL */
extern const struct device_command device_stage_commands[];
extern const struct device_number device_stage_numbers[];
void device_stage_reset(struct work *w);

/* device.c */
int device_say(struct work *w, const char *text);
void device_put(struct work *w, double value, int decimals, const char *unit);
void device_pass(struct work *w, int64_t ns); /* the time of a measurement; begins the reply */
int device_pass_span(struct work *w);         /* so long as the first parameter says */
void device_comma(struct work *w);

#endif
