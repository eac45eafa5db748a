/* Faults of an instrument of a virtual bench, from now on. SPDX-License-Identifier:
 * GPL-3.0-or-later */
#include "plant_fault.h"

#include <stdio.h>

#include "support/near.h"

void fault_now(struct wn_bench *bench, struct wn_inst *i, wn_ns now_ns, const char *text)
{
    struct wn_error err = {0};
    char when[WN_INST_PLAN_TEXT + 40];
    i->plans_done = i->setup.plans = 0; /* those before have been */
    (void)snprintf(when, sizeof when, "%s@%.9f", text, wn_ns_to_s(wn_bench_time(bench)));
    if (wn_inst_set(&i->setup, when, &err) != WN_OK) {
        fail_msg("%s", err.text);
    }
    i->setup.plan[0].time_ns = wn_bench_time(bench);
    wn_bench_run(bench, now_ns);
    assert_int_equal(i->plans_done, 1);
}
