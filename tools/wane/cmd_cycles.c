/* wane cycles: the figures of every cycle.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <math.h>
#include <stdio.h>

#include "report/table.h"

enum { EVERY };

static const struct wane_option options[] = {
    [EVERY] = {"every", 0, WANE_COUNT, "N", "only the first, every Nth and the last cycle"},
};

static json_t *cycle_json(const struct wn_cycle_record *r)
{
    json_t *o = json_object();
    wane_put(o, "cycle", json_integer(r->cycle));
    wane_put(o, "capacity_ah", wane_number(r->capacity_ah.value));
    wane_put(o, "energy_wh", wane_number(r->energy_wh.value));
    wane_put(o, "charge_ah", wane_number(r->charge_ah));
    wane_put(o, "coulombic_efficiency", wane_number(r->coulombic_efficiency));
    wane_put(o, "resistance_ohm", wane_number(r->resistance_ohm.value));
    wane_put(o, "temperature_max_c", wane_number(r->temperature_max_c));
    wane_put(o, "duration_s", wane_number(r->duration_s));
    wane_put(o, "flags", wane_flags_json(r->flags));
    wane_put(o, "capacity_u_ah", wane_number(r->capacity_ah.u));
    wane_put(o, "energy_u_wh", wane_number(r->energy_wh.u));
    wane_put(o, "resistance_u_ohm", wane_number(r->resistance_ohm.u));
    wane_put(o, "energy_efficiency", wane_number(r->energy_efficiency));
    wane_put(o, "mean_voltage_v", wane_number(r->mean_voltage_v));
    wane_put(o, "temperature_rise_k", wane_number(r->temperature_rise_k));
    wane_put(o, "discharge_current_a", wane_number(r->discharge_current_a));
    wane_put(o, "cutoff_v", wane_number(r->cutoff_v));
    wane_put(o, "valid",
             json_boolean(!(r->flags & WN_FLAGS_INVALID) && isfinite(r->capacity_ah.value)));
    return o;
}

static bool shown(const struct wane_cycles *c, size_t i, int64_t every)
{
    return every < 2 || i == 0 || i == c->n - 1 || c->row[i].cycle % every == 0;
}

static int print_json(const struct wane_campaign *c, const struct wane_cycles *cycles,
                      int64_t every)
{
    json_t *o = json_object(), *list = json_array();
    wane_put(o, "campaign", json_string(c->info.name));
    wane_put(o, "simulated", json_boolean(c->info.simulated));
    for (size_t i = 0; i < cycles->n; i++) {
        if (shown(cycles, i, every)) {
            (void)json_array_append_new(list, cycle_json(&cycles->row[i]));
        }
    }
    wane_put(o, "cycles", list);
    return wane_print_json(o);
}

static int print_table(struct wane *w, const struct wane_campaign *c,
                       const struct wane_cycles *cycles, int64_t every)
{
    static const char *const headings[] = {"cycle",  "Ah",         "+/-",  "% rated",
                                           "Wh",     "coul. eff.", "mohm", "max degC",
                                           "rise K", "hours",      "flags"};
    struct wn_error err = {0};
    struct wn_table *t = wn_table_create("rrrrrrrrrrl", headings);
    double rated_ah = c->info.cell.rated_capacity_ah;
    for (size_t i = 0; i < cycles->n; i++) {
        const struct wn_cycle_record *r = &cycles->row[i];
        char flags[160];
        if (!shown(cycles, i, every)) {
            continue;
        }
        wn_table_integer(t, r->cycle);
        wn_table_number(t, r->capacity_ah.value, 4);
        wn_table_number(t, r->capacity_ah.u, 4);
        wn_table_number(t, rated_ah > 0 ? 100 * r->capacity_ah.value / rated_ah : NAN, 2);
        wn_table_number(t, r->energy_wh.value, 3);
        wn_table_number(t, r->coulombic_efficiency, 4);
        wn_table_number(t, 1e3 * r->resistance_ohm.value, 2);
        wn_table_number(t, r->temperature_max_c, 1);
        wn_table_number(t, r->temperature_rise_k, 1);
        wn_table_number(t, r->duration_s / 3600, 2);
        wn_table_text(t, wane_flags_text(r->flags, flags, sizeof flags));
    }
    wane_print_heading(w, c);
    int rc = wn_table_print(t, stdout, w->colour, &err);
    wn_table_destroy(t);
    if (rc != WN_OK) {
        return wane_fail(w, &err);
    }
    if (cycles->n == 0) {
        (void)puts("no cycle is over yet");
    }
    return wane_flush();
}

static int run(struct wane *w, const struct wane_args *a)
{
    struct wane_campaign c;
    struct wane_cycles cycles;
    struct wn_error err = {0};
    int rc = wane_open_campaign(w, a->operand[0], &c);
    if (rc != WANE_DONE) {
        return rc;
    }
    if (wane_read_cycles(&c, &cycles, &err) != WN_OK) {
        rc = wane_fail(w, &err);
    } else if (w->json) {
        rc = print_json(&c, &cycles, a->value[EVERY].count);
    } else {
        rc = print_table(w, &c, &cycles, a->value[EVERY].count);
    }
    wane_free_cycles(&cycles);
    wane_close_campaign(&c);
    return rc;
}

const struct wane_command cmd_cycles = {
    .name = "cycles",
    .synopsis = "CAMPAIGN [--every N]",
    .summary = "capacity, energy, efficiency and resistance of every cycle",
    .text = "One line a cycle: capacity to the cut-off with its standard uncertainty, part\n"
            "of the rated capacity, energy, coulombic efficiency, resistance at the onset\n"
            "of the discharge, highest temperature and rise, duration, flags. A CAMPAIGN is\n"
            "a path to a campaign file, or its name in the configuration's data_dir.\n",
    .examples = "  wane cycles demo --every 25\n"
                "  wane cycles demo --json\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_min = 1,
    .operands_max = 1,
    .run = run,
};
