/* wane cycles: the figures of every cycle.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <math.h>
#include <stdio.h>

#include "measuring.h"
#include "report/table.h"

enum { EVERY };

static const struct wane_option options[] = {
    [EVERY] = {"every", 0, WANE_COUNT, "N", "only the first, every Nth and the last cycle"},
};

static void put_u(json_t *o, const char *u_key, const char *expanded_key, double u)
{
    wane_put(o, u_key, wane_number(u));
    wane_put(o, expanded_key, wane_number(WN_COVERAGE_FACTOR * u));
}

static json_t *cycle_json(const struct wn_cycle_record *r, struct wn_measured retention)
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
    put_u(o, "capacity_u_ah", "capacity_expanded_ah", r->capacity_ah.u);
    put_u(o, "energy_u_wh", "energy_expanded_wh", r->energy_wh.u);
    put_u(o, "resistance_u_ohm", "resistance_expanded_ohm", r->resistance_ohm.u);
    wane_put(o, "energy_efficiency", wane_number(r->energy_efficiency));
    put_u(o, "coulombic_efficiency_u", "coulombic_efficiency_expanded", r->coulombic_efficiency_u);
    put_u(o, "energy_efficiency_u", "energy_efficiency_expanded", r->energy_efficiency_u);
    wane_put(o, "retention_of_first", wane_number(retention.value));
    put_u(o, "retention_of_first_u", "retention_of_first_expanded", retention.u);
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

static int print_json(struct wane_campaign *c, const struct wane_cycles *cycles, int64_t every)
{
    char text[400];
    struct measuring m;
    json_t *o = json_object(), *list = json_array();
    measuring_begin(c, &m);
    wane_put(o, "campaign", json_string(c->info.name));
    wane_put(o, "simulated", json_boolean(c->info.simulated));
    for (size_t i = 0; i < cycles->n; i++) {
        struct wn_measured retention = measuring_retention(&m, &cycles->row[i]);
        if (shown(cycles, i, every)) {
            (void)json_array_append_new(list, cycle_json(&cycles->row[i], retention));
        }
    }
    wane_put(o, "cycles", list);
    wane_put(o, "coverage_factor", wane_number(WN_COVERAGE_FACTOR));
    (void)measuring_unmet(&m, c, cycles, text, sizeof text);
    wane_put(o, "tolerances_unmet", text[0] != '\0' ? json_string(text) : json_null());
    return wane_print_json(o);
}

/* Columns in the order they are filled; those of an uncertainty are left out where none is known.
 */
static const struct column {
    const char *heading;
    char align;
    bool uncertainty;
} columns[] = {{"cycle", 'r', false},    {"Ah", 'r', false},      {"+/-", 'r', true},
               {"% rated", 'r', false},  {"% first", 'r', false}, {"+/-", 'r', true},
               {"Wh", 'r', false},       {"+/-", 'r', true},      {"coul. eff.", 'r', false},
               {"+/-", 'r', true},       {"mohm", 'r', false},    {"+/-", 'r', true},
               {"max degC", 'r', false}, {"rise K", 'r', false},  {"hours", 'r', false},
               {"flags", 'l', false}};
enum { COLUMNS = sizeof columns / sizeof columns[0] };

static void number(struct wn_table *t, bool known, struct wn_measured x, double scale, int decimals)
{
    wn_table_number(t, scale * x.value, decimals);
    if (known) {
        wn_table_number(t, scale * WN_COVERAGE_FACTOR * x.u, decimals);
    }
}

static void add_row(struct wn_table *t, bool known, double rated_ah,
                    const struct wn_cycle_record *r, struct wn_measured retention)
{
    char flags[160];
    const struct wn_measured efficiency = {r->coulombic_efficiency, r->coulombic_efficiency_u};
    wn_table_integer(t, r->cycle);
    number(t, known, r->capacity_ah, 1, 4);
    wn_table_number(t, rated_ah > 0 ? 100 * r->capacity_ah.value / rated_ah : NAN, 2);
    number(t, known, retention, 100, 2);
    number(t, known, r->energy_wh, 1, 3);
    number(t, known, efficiency, 1, 4);
    number(t, known, r->resistance_ohm, 1e3, 2);
    wn_table_number(t, r->temperature_max_c, 1);
    wn_table_number(t, r->temperature_rise_k, 1);
    wn_table_number(t, r->duration_s / 3600, 2);
    wn_table_text(t, wane_flags_text(r->flags, flags, sizeof flags));
}

/* What must be said of the figures above, each once. */
static void print_notes(const struct measuring *m, const struct wane_campaign *c,
                        const struct wane_cycles *cycles, bool known)
{
    char text[400];
    if (cycles->n == 0) {
        (void)puts("no cycle is over yet");
        return;
    }
    if (known) {
        bool drift = m->drift.voltage_v > 0 || m->drift.current_a > 0;
        (void)printf("+/-: expanded uncertainty (k = 2); what the two values of a ratio have in "
                     "common cancels%s\n",
                     drift ? "" : "; no drift of the instrument is told, none is counted");
    }
    if (!measuring_told(m)) {
        (void)puts("no uncertainty can be stated: the accuracy of the instrument is not told");
    } else if (measuring_unmet(m, c, cycles, text, sizeof text)[0] != '\0') {
        (void)printf("not within the measuring tolerances of IEC 61960-3: %s\n", text);
    }
}

static int print_table(struct wane *w, struct wane_campaign *c, const struct wane_cycles *cycles,
                       int64_t every)
{
    const char *headings[COLUMNS];
    char align[COLUMNS + 1] = "";
    struct wn_error err = {0};
    struct measuring m;
    bool known = measuring_known(cycles);
    size_t n = 0;
    for (size_t k = 0; k < COLUMNS; k++) {
        if (known || !columns[k].uncertainty) {
            headings[n] = columns[k].heading;
            align[n++] = columns[k].align;
        }
    }
    struct wn_table *t = wn_table_create(align, headings);
    measuring_begin(c, &m);
    for (size_t i = 0; i < cycles->n; i++) {
        struct wn_measured retention = measuring_retention(&m, &cycles->row[i]);
        if (shown(cycles, i, every)) {
            add_row(t, known, c->info.cell.rated_capacity_ah, &cycles->row[i], retention);
        }
    }
    wane_print_heading(w, c);
    int rc = wn_table_print(t, stdout, w->colour, &err);
    wn_table_destroy(t);
    if (rc != WN_OK) {
        return wane_fail(w, &err);
    }
    print_notes(&m, c, cycles, known);
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
    .text = "One line a cycle: capacity to the cut-off, parts of the rated capacity and of\n"
            "that of the first valid cycle, energy, coulombic efficiency, resistance at the\n"
            "onset of the discharge, highest temperature and rise, duration, flags. +/- is\n"
            "the expanded uncertainty (k = 2) after the GUM of the figure before it; JSON\n"
            "holds the standard one too (_u, k = 1). Below stands what IEC 61960-3 asks of\n"
            "an instrument and this one does not meet. A CAMPAIGN is a path to a campaign\n"
            "file, or its name in the configuration's data_dir.\n",
    .examples = "  wane cycles demo --every 25\n"
                "  wane cycles demo --json\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_min = 1,
    .operands_max = 1,
    .run = run,
};
