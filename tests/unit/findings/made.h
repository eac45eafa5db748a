/* Campaigns made up in memory, for tests of what is found in them.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_FINDINGS_MADE_H
#define WN_TESTS_FINDINGS_MADE_H

#include "support/near.h"

#include "wane/results/findings.h"

enum { STEPS_MAX = 400, CYCLES_MAX = 90, CHECK_UPS_MAX = 4 };

/* A campaign in memory: a cell of 2.5 Ah, charged with 4 A, discharged with 10 A. */
struct made {
    struct findings f;
    struct wn_step_record step[STEPS_MAX];
    struct wn_cycle_record cycle[CYCLES_MAX];
    struct wn_check_up_record check_up[CHECK_UPS_MAX];
    struct wn_event_row event[2];
    struct wn_procedure plan;
    wn_ns now_ns;
};

#define CLAIM_CHARGE    "charge 4 A to 4.2 V until 100 mA"
#define STANDARD_CHARGE "charge 1.25 A to 4.2 V until 125 mA"

/** An empty campaign, over, measured with four wires; free() it. */
struct made *made_new(void);
struct wn_step_record *add_step(struct made *m, enum wn_step_kind kind, int64_t cycle,
                                bool in_check_up, const char *what, double duration_s);
/** Charge as claimed, rest, discharge to 2.5 V, rest; all as it should be. */
struct wn_cycle_record *add_cycle(struct made *m, double current_a, double capacity_ah);
/** The same with the standard charge and 0.2 It, and a resistance. */
struct wn_check_up_record *add_check_up(struct made *m, double capacity_ah);

#endif
