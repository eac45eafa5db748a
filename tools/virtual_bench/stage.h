/* Virtual bench: a power stage beside the tester's own: what a supply or a load does to the cell.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. The tester (tester.h) owns the cell and the clock; stages are hung onto it. What feeds and
 * what draws at the same time is the worst mistake of a bench made of two instruments: the supply
 * then feeds the load, and no limit of the cell's notices. The simulation lets it happen and counts
 * it. */
#ifndef WN_VIRTUAL_BENCH_STAGE_H
#define WN_VIRTUAL_BENCH_STAGE_H

#include <stdbool.h>

struct wn_tester;

struct wn_stage {
    bool load;  /* draws; else feeds */
    bool power; /* of a load: constant power, else constant current */
    bool on;    /* as commanded, after protections */
    bool stuck; /* its contact does not open any more */
    double current_a, power_w;
    double voltage_v;            /* supply: voltage; load: it stops by itself below, 0: never */
    double protect_v, protect_a; /* switched off above; 0: none */
    bool stopped, tripped;       /* why it went off; stays until switched on again, or cleared */
    /* what follows */
    bool closed;       /* its contact really connects */
    double flow_a;     /* into the node of cell and instruments: positive feeds, negative draws */
    double terminal_v; /* at its own terminals, which the interlock may have cut off */
};

/** Hangs a stage onto a tester's cell; it must live as long. At most WN_TESTER_STAGES_MAX. */
void wn_stage_attach(struct wn_tester *t, struct wn_stage *s);

/** Switches it, as far as its contact obeys. */
void wn_stage_switch(struct wn_tester *t, struct wn_stage *s, bool on);

/** Opens or closes the contact between the cell and everything. */
void wn_stage_interlock(struct wn_tester *t, bool open);

#endif
