/* Virtual bench: the built-in cells. All are invented.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/cell.h"

#include <stddef.h>
#include <string.h>

/* Common to all: a cell of 45 g with 1 J/(g K) (from memory: 18650 cells, 0.9 to 1.1 J/(g K)) that
 * loses heat with a time constant of 375 s in still air. Resistance and its change with temperature
 * are chosen so that a discharge at 4 It warms the cell by about 20 K. */
#define COMMON                                                                                     \
    .rated_ah = 2.5, .cutoff_v = 2.5, .charge_efficiency = 0.9995, .r0_ohm = 0.0160,               \
    .r1_ohm = 0.0080, .r2_ohm = 0.0120, .tau1_s = 2.0, .tau2_s = 60.0, .r_empty = 2.0,             \
    .r_empty_width = 0.06, .r_activation_k = 1800.0, .heat_capacity_j_per_k = 45.0,                \
    .loss_w_per_k = 0.12, .wear_per_k = 0.01

static const struct wn_cell_params presets[] = {
    {
        .name = "strong",
        .about = "2.5 Ah 18650, high drain: keeps about 80 % of rated after 300 cycles",
        COMMON,
        .capacity_ah = 2.575,
        .fade_sqrt = 0.0045,
        .fade_linear = 0.00033,
        .fade_knee = 0.0006,
        .knee_at = 290.0,
        .knee_width = 20.0,
        .rise_linear = 0.0010,
        .rise_knee = 0.004,
    },
    {
        .name = "weak",
        .about = "the same when new, with a knee near cycle 220: fails a claim of 70 % at 300",
        COMMON,
        .capacity_ah = 2.575,
        .fade_sqrt = 0.0045,
        .fade_linear = 0.00033,
        .fade_knee = 0.0036,
        .knee_at = 218.0,
        .knee_width = 8.0,
        .rise_linear = 0.0011,
        .rise_knee = 0.007,
    },
    {
        .name = "steady",
        .about = "fades slowly and evenly, no knee in sight",
        COMMON,
        .capacity_ah = 2.640,
        .fade_sqrt = 0.0010,
        .fade_linear = 0.00020,
        .fade_knee = 0.0002,
        .knee_at = 1500.0,
        .knee_width = 50.0,
        .rise_linear = 0.0006,
        .rise_knee = 0.001,
    },
    {
        .name = "tired",
        .about = "re-wrapped: below its rating from the start, and hot under load",
        COMMON,
        .capacity_ah = 2.150,
        .fade_sqrt = 0.0060,
        .fade_linear = 0.00070,
        .fade_knee = 0.0030,
        .knee_at = 120.0,
        .knee_width = 10.0,
        .rise_linear = 0.0030,
        .rise_knee = 0.010,
    },
};

const struct wn_cell_params *wn_cell_preset(unsigned index)
{
    return index < sizeof presets / sizeof presets[0] ? &presets[index] : NULL;
}

const struct wn_cell_params *wn_cell_preset_named(const char *name)
{
    const struct wn_cell_params *p;

    for (unsigned i = 0; (p = wn_cell_preset(i)) != NULL; i++) {
        if (strcmp(p->name, name) == 0) {
            return p;
        }
    }
    return NULL;
}
