/* Configuration: station, cell, procedure and dialect put together for a campaign.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "config/reader.h"

#include <math.h>
#include <string.h>

/* What is checked, and where problems go. */
struct setup {
    const struct wn_station_config *station;
    const struct wn_cell *cell;
    const struct wn_procedure *procedure;
    const struct wn_dialect *dialect; /* one for each instrument */
    const struct wn_limits *limits;   /* tightened */
    struct wn_problems *problems;
};

static void cell_limits(const struct wn_cell *c, struct wn_limits *l)
{
    memset(l, 0, sizeof *l);
    l->voltage_max_v = c->voltage_max_v;
    l->voltage_min_v = c->voltage_min_v;
    l->charge_temperature_min_c = c->charge_temperature_min_c;
    l->charge_temperature_max_c = c->charge_temperature_max_c;
    l->discharge_temperature_min_c = c->discharge_temperature_min_c;
    l->discharge_temperature_max_c = c->discharge_temperature_max_c;
    l->rest_temperature_max_c = NAN;
    l->temperature_rise_k_per_min = NAN;
    l->above_ambient_k = NAN;
    l->charge_current_max_a = c->charge_current_max_a;
    l->discharge_current_max_a = c->discharge_current_max_a;
    l->set_point_tolerance_a = NAN;
    l->set_point_tolerance = NAN;
    l->off_current_a = NAN;
    l->charge_max_ah = WN_CHARGE_MAX_OF_RATED * c->rated_capacity_ah;
    l->voltage_jump_v = NAN;
    if (c->reduced_charge_voltage_v > 0) { /* with the same room above it as the full voltage has */
        l->reduced_voltage_v =
            c->reduced_charge_voltage_v + (c->voltage_max_v - c->charge_voltage_v);
        l->cool_below_c = c->reduced_charge_below_c;
        l->warm_above_c = c->reduced_charge_above_c;
    }
}

double wn_config_stop_limit_s(const struct wn_station_config *c)
{
    return fmax(4 * c->off_timeout_s + 2, 10);
}

/* A limit must be so far from a set-point that the instrument's own error cannot reach it. */
static double voltage_margin_v(const struct wn_accuracy *a, double voltage_v)
{
    return a->voltage_reading * voltage_v + a->voltage_fixed_v;
}

static void step_problem(const struct setup *s, const struct wn_step *step, const char *what,
                         double value, double limit, enum wn_dim dim, const char *limit_name)
{
    char a[WN_QTY_SIZE], b[WN_QTY_SIZE];
    wn_problem_add(
        s->problems, "procedures/%s.conf:%d: %s %s does not fit station %s with cell %s: %s is %s",
        s->procedure->name, step->source_line, what, wn_qty_format(value, dim, a, sizeof a),
        s->station->name, s->cell->name, limit_name, wn_qty_format(limit, dim, b, sizeof b));
}

static void check_current(const struct setup *s, const struct wn_step *step, double current_a,
                          bool charge)
{
    double max = charge ? s->limits->charge_current_max_a : s->limits->discharge_current_max_a;
    if (!(current_a <= max)) {
        step_problem(s, step, charge ? "a charge current of" : "a discharge current of", current_a,
                     max, WN_DIM_CURRENT, charge ? "charge_current_max" : "discharge_current_max");
    }
}

static void check_cutoff(const struct setup *s, const struct wn_step *step)
{
    double least =
        s->limits->voltage_min_v + voltage_margin_v(&s->station->accuracy, step->until_voltage_v);
    if (!(step->until_voltage_v > least)) {
        step_problem(s, step, "a cut-off of", step->until_voltage_v, least, WN_DIM_VOLTAGE,
                     "voltage_min plus the accuracy of the instrument");
    }
}

/* An end above the envelope's limit would never be reached: the campaign would halt there. */
static void check_until_temperature(const struct setup *s, const struct wn_step *step)
{
    double most = s->limits->discharge_temperature_max_c - s->station->accuracy.temperature_c;
    if (step->until_temperature_c > 0 && !(step->until_temperature_c < most)) {
        step_problem(s, step, "an end temperature of", step->until_temperature_c, most,
                     WN_DIM_TEMPERATURE, "discharge_temperature_max less the thermometer's error");
    }
}

/* The dialect of what discharges. */
static const struct wn_dialect *discharger(const struct setup *s)
{
    return &s->dialect[wn_config_is_pair(s->station) ? 1 : 0];
}

static void check_step(const struct setup *s, const struct wn_step *step)
{
    double most;
    switch (step->kind) {
    case WN_STEP_CHARGE:
        most = s->limits->voltage_max_v -
               voltage_margin_v(&s->station->charge_accuracy, step->voltage_v);
        if (!(step->voltage_v < most)) {
            step_problem(s, step, "a charge voltage of", step->voltage_v, most, WN_DIM_VOLTAGE,
                         "voltage_max less the accuracy of the instrument");
        }
        check_current(s, step, step->current_a, true);
        break;
    case WN_STEP_DISCHARGE:
        check_current(s, step, step->current_a, false);
        check_cutoff(s, step);
        check_until_temperature(s, step);
        break;
    case WN_STEP_DISCHARGE_POWER:
        check_until_temperature(s, step);
        check_current(s, step, step->power_w / step->until_voltage_v, false);
        check_cutoff(s, step);
        if (!wn_dialect_has_power(discharger(s))) {
            wn_problem_add(
                s->problems,
                "procedures/%s.conf:%d: discharges at constant power, which dialect %s "
                "cannot do; give its file a power group, or discharge at constant current",
                s->procedure->name, step->source_line, discharger(s)->name);
        }
        break;
    case WN_STEP_PULSE:
        for (int i = 0; i < step->levels; i++) {
            check_current(s, step, step->level[i].current_a, false);
        }
        check_cutoff(s, step);
        break;
    case WN_STEP_REST:
        break;
    }
}

/* A rule that can never trip, because nobody measures what it judges, must not look as if it
 * guarded. */
static void check_thermometers(const struct setup *s)
{
    const char *station = s->station->name;
    bool cell = wn_config_reports(s->station, s->dialect, WN_FIELD_TEMPERATURE_C);
    bool ambient = wn_config_reports(s->station, s->dialect, WN_FIELD_AMBIENT_C);
    if (s->limits->needs_temperature && !cell) {
        wn_problem_add(
            s->problems,
            "station %s: limits.needs_temperature is true, but dialect %s reports no "
            "temperature_c; connect a thermometer to the instrument and add the field, add one "
            "under thermometers, or write needs_temperature = false and guard the temperature "
            "otherwise",
            station, s->dialect->name);
    }
    if (!isnan(s->limits->above_ambient_k) && !(cell && ambient)) {
        wn_problem_add(
            s->problems,
            "station %s: limits.above_ambient is set, but dialect %s does not report both "
            "temperature_c and ambient_c; write above_ambient = \"off\"",
            station, s->dialect->name);
    }
    if (!isnan(s->limits->temperature_rise_k_per_min) && !cell) {
        wn_problem_add(s->problems,
                       "station %s: limits.temperature_rise is set, but dialect %s reports no "
                       "temperature_c; write temperature_rise = \"off\"",
                       station, s->dialect->name);
    }
}

static void check_limits(const struct setup *s)
{
    const struct wn_limits *l = s->limits;
    if (!(l->voltage_min_v < l->voltage_max_v)) {
        wn_problem_add(
            s->problems,
            "station %s with cell %s: no voltage is allowed by both; this station is not for "
            "this cell",
            s->station->name, s->cell->name);
    }
    if (!(l->charge_temperature_min_c < l->charge_temperature_max_c) ||
        !(l->discharge_temperature_min_c < l->discharge_temperature_max_c)) {
        wn_problem_add(
            s->problems,
            "station %s with cell %s: no temperature is allowed by both; widen the limits of "
            "the station",
            s->station->name, s->cell->name);
    }
}

/* Text without a checksum may turn a digit into another: what halts by one reading takes two then.
 */
static void listen(const struct wn_station_config *station, const struct wn_dialect *dialect,
                   struct wn_engine_setup *out)
{
    const struct wn_dialect *d = &dialect[0];
    out->listens = d->protocol == WN_PROTOCOL_RECORDS;
    if (!out->listens) {
        return;
    }
    out->stop_command = d->safe_off_len > 0;
    out->interlock = wn_config_has_interlock(station);
    for (int i = 0; i < WN_RULE_COUNT && d->records.sum.name[0] == '\0'; i++) {
        bool of_values = i != WN_RULE_UNWATCHED && i != WN_RULE_CAPACITY_COLLAPSE;
        if (of_values && wn_rule_debounce(&out->limits, (enum wn_rule)i) == 1) {
            out->limits.debounce[i] = 2;
        }
    }
}

int wn_config_engine_setup(const struct wn_station_config *station, const struct wn_cell *cell,
                           const struct wn_procedure *procedure,
                           const struct wn_dialect dialect[WN_INSTRUMENTS_MAX],
                           struct wn_engine_setup *out, struct wn_problems *problems)
{
    struct wn_limits from_cell;
    int before = problems->n;
    memset(out, 0, sizeof *out);
    out->cell = *cell;
    out->procedure = *procedure;
    out->limits = station->limits;
    cell_limits(cell, &from_cell);
    wn_limits_tighten(&out->limits, &from_cell);
    out->accuracy = station->accuracy;
    out->reading_interval_s = station->reading_interval_s;
    out->rest_interval_s = station->rest_interval_s;
    out->fast_interval_s = station->fast_interval_s;
    out->gap_max_s = station->gap_max_s;
    out->off_timeout_s = station->off_timeout_s;
    out->pause_recovery_s = station->pause_recovery_s;
    out->restart_voltage_tolerance_v = station->restart_voltage_tolerance_v;

    listen(station, dialect, out);

    const struct setup s = {station, cell, procedure, dialect, &out->limits, problems};
    check_limits(&s);
    check_thermometers(&s);
    for (int i = 0; i < procedure->steps; i++) {
        check_step(&s, &procedure->step[i]);
    }
    return problems->n == before ? WN_OK : WN_EINVAL;
}
