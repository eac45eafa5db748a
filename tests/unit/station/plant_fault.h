/* Faults of an instrument of a virtual bench, from now on. SPDX-License-Identifier:
 * GPL-3.0-or-later */
#ifndef WN_TESTS_STATION_PLANT_FAULT_H
#define WN_TESTS_STATION_PLANT_FAULT_H

#include "base/time.h"
#include "virtual_bench/bench.h"

/** One of the plans of wane-virtual-bench(1), without its time. */
void fault_now(struct wn_bench *bench, struct wn_inst *i, wn_ns now_ns, const char *text);

#endif
