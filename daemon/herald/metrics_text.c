/* Metrics as text.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "herald/metrics.h"

#include <math.h>
#include <string.h>

#include "base/num.h"

/* One family of samples, all of them gauges. With a label there is one sample for each of its
 * values, and get() is asked for them by number. NaN: there is none. */
struct family {
    const char *name, *unit, *help;
    const char *label;
    const char *const *values; /* NULL behind the last */
    double (*get)(const struct metrics_station *s, int value, wn_utc_us now);
};

static const char *const states[] = {"none",   "new",      "running", "paused",
                                     "halted", "finished", "stopped", NULL};
static const char *const projections[] = {"not_yet_predictable", "projected", "reached", NULL};
static const char *const percentiles[] = {"10", "50", "90", NULL};

static double get_state(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)now;
    return strcmp(states[value], s->status[0] != '\0' ? s->status : "none") == 0;
}

static double get_alarm(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return s->open_alarms > 0 || s->marked;
}

static double get_alarms(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return s->campaign[0] != '\0' ? (double)s->open_alarms : NAN;
}

static double get_readable(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return s->campaign[0] != '\0' ? s->readable : NAN;
}

static double get_cycles(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return s->readable ? (double)s->cycles : NAN;
}

static double get_planned(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return s->readable && s->cycles_planned > 0 ? (double)s->cycles_planned : NAN;
}

static double of_last(const struct metrics_station *s, double x)
{
    return s->readable && s->last.cycle > 0 ? x : NAN;
}

static double get_capacity(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return of_last(s, s->last.capacity_ah.value);
}

static double get_capacity_u(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return of_last(s, s->last.capacity_ah.u);
}

static double get_retention(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return of_last(s, s->rated_ah > 0 ? s->last.capacity_ah.value / s->rated_ah : NAN);
}

static double get_efficiency(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return of_last(s, s->last.coulombic_efficiency);
}

static double get_resistance(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return of_last(s, s->last.resistance_ohm.value);
}

static double get_hottest(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return of_last(s, s->last.temperature_max_c);
}

static double of_reading(const struct metrics_station *s, unsigned has, double x)
{
    return s->reading_utc != 0 && (s->reading.has & has) != 0 ? x : NAN;
}

static double get_voltage(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return of_reading(s, WN_HAS_VOLTAGE, s->reading.voltage_v);
}

static double get_current(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return of_reading(s, WN_HAS_CURRENT, s->reading.current_a);
}

static double get_temperature(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return of_reading(s, WN_HAS_TEMPERATURE, s->reading.temperature_c);
}

static double get_ambient(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return of_reading(s, WN_HAS_AMBIENT, s->reading.ambient_c);
}

static double get_reading_time(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return s->reading_utc != 0 ? (double)s->reading_utc / 1e6 : NAN;
}

static double get_reading_age(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value;
    return s->reading_utc != 0 ? fmax(0, (double)(now - s->reading_utc) / 1e6) : NAN;
}

static double get_projection(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)now;
    return s->projected ? strcmp(wn_fade_state_name(s->fade.state), projections[value]) == 0 : NAN;
}

static double get_end_of_life(const struct metrics_station *s, int value, wn_utc_us now)
{
    const double cycle[] = {s->fade.eol_p10_cycle, s->fade.eol_median_cycle, s->fade.eol_p90_cycle};
    (void)now;
    return s->projected && s->fade.state != WN_FADE_NOT_YET_PREDICTABLE ? cycle[value] : NAN;
}

static double get_threshold(const struct metrics_station *s, int value, wn_utc_us now)
{
    (void)value, (void)now;
    return s->projected ? s->fade.threshold_ah : NAN;
}

static const struct family families[] = {
    {"wane_station_state", NULL, "1 for the state the newest campaign of the station is in.",
     "state", states, get_state},
    {"wane_alarm_active", NULL, "1 while an alarm is latched.", NULL, NULL, get_alarm},
    {"wane_alarms_unacknowledged", NULL, "Alarms nobody has acknowledged.", NULL, NULL, get_alarms},
    {"wane_campaign_readable", NULL, "1 when the campaign file could be read.", NULL, NULL,
     get_readable},
    {"wane_campaign_cycles", "cycles", "Cycles that are over.", NULL, NULL, get_cycles},
    {"wane_campaign_planned_cycles", "cycles", "Cycles of the procedure.", NULL, NULL, get_planned},
    {"wane_cycle_capacity_amperehours", "amperehours",
     "Capacity of the last cycle that has one, discharged to the cut-off.", NULL, NULL,
     get_capacity},
    {"wane_cycle_capacity_uncertainty_amperehours", "amperehours",
     "Its standard uncertainty (k = 1).", NULL, NULL, get_capacity_u},
    {"wane_cycle_retention_ratio", "ratio", "That capacity over the rated capacity.", NULL, NULL,
     get_retention},
    {"wane_cycle_coulombic_efficiency_ratio", "ratio",
     "Charge taken out over charge put in before.", NULL, NULL, get_efficiency},
    {"wane_cycle_resistance_ohms", "ohms", "DC resistance at the onset of that discharge.", NULL,
     NULL, get_resistance},
    {"wane_cycle_temperature_max_celsius", "celsius",
     "Highest temperature of the cell in that cycle.", NULL, NULL, get_hottest},
    {"wane_cell_voltage_volts", "volts", "Voltage of the reading that was stored last.", NULL, NULL,
     get_voltage},
    {"wane_cell_current_amperes", "amperes", "Current of it, positive when it charges the cell.",
     NULL, NULL, get_current},
    {"wane_cell_temperature_celsius", "celsius", "Temperature of the cell of it.", NULL, NULL,
     get_temperature},
    {"wane_ambient_temperature_celsius", "celsius", "Temperature of the surroundings of it.", NULL,
     NULL, get_ambient},
    {"wane_last_reading_timestamp_seconds", "seconds",
     "When it was stored; readings are stored on change, and each store_change.time.", NULL, NULL,
     get_reading_time},
    {"wane_last_reading_age_seconds", "seconds", "How long ago that was when this was written.",
     NULL, NULL, get_reading_age},
    {"wane_projection_state", NULL, "1 for what the projection of the end of life says.", "state",
     projections, get_projection},
    {"wane_projection_end_of_life_cycles", "cycles",
     "Cycle at which the capacity falls below the threshold; when it has, all three are that "
     "cycle.",
     "percentile", percentiles, get_end_of_life},
    {"wane_projection_threshold_amperehours", "amperehours", "Capacity that is the end of life.",
     NULL, NULL, get_threshold},
};

/* \ " and line ends are escaped; other control characters would break the line's reader. */
static void put_label(FILE *f, const char *name, const char *value, bool *first)
{
    if (value[0] == '\0') {
        return; /* the same as none */
    }
    (void)fprintf(f, "%s%s=\"", *first ? "{" : ",", name);
    *first = false;
    for (; *value != '\0'; value++) {
        if (*value == '\\' || *value == '"') {
            (void)fputc('\\', f);
        }
        (void)fputc((unsigned char)*value < 0x20 ? ' ' : *value, f);
    }
    (void)fputc('"', f);
}

static void put_sample(FILE *f, const struct family *a, const struct metrics_station *s,
                       const char *value, double x)
{
    char number[WN_NUM_SIZE];
    bool first = true;
    if (!isfinite(x)) {
        return;
    }
    (void)fputs(a->name, f);
    put_label(f, "station", s->station, &first);
    put_label(f, "campaign", s->campaign, &first);
    put_label(f, "cell", s->cell, &first);
    put_label(f, "simulated",
              s->campaign[0] == '\0' ? ""
              : s->simulated         ? "true"
                                     : "false",
              &first);
    if (value != NULL) {
        put_label(f, a->label, value, &first);
    }
    (void)fprintf(f, "%s %s\n", first ? "" : "}", wn_num_format(x, 15, number, sizeof number));
}

static void put_head(FILE *f, const char *name, const char *unit, const char *help)
{
    (void)fprintf(f, "# TYPE %s gauge\n", name);
    if (unit != NULL) {
        (void)fprintf(f, "# UNIT %s %s\n", name, unit);
    }
    (void)fprintf(f, "# HELP %s %s\n", name, help);
}

static void put_family(const struct metrics *m, const struct family *a, FILE *f)
{
    put_head(f, a->name, a->unit, a->help);
    for (int i = 0; i < m->stations; i++) {
        for (int v = 0; a->label == NULL ? v == 0 : a->values[v] != NULL; v++) {
            put_sample(f, a, &m->station[i], a->label != NULL ? a->values[v] : NULL,
                       a->get(&m->station[i], v, m->utc));
        }
    }
}

void metrics_print(const struct metrics *m, FILE *f)
{
    char number[WN_NUM_SIZE];
    for (size_t i = 0; i < sizeof families / sizeof families[0]; i++) {
        put_family(m, &families[i], f);
    }
    put_head(f, "wane_alert_channel_working", NULL, "1 when somebody can be told of an alarm.");
    if (m->has_targets) {
        (void)fprintf(f, "wane_alert_channel_working %d\n", m->channel_works);
    }
    put_head(f, "wane_metrics_timestamp_seconds", "seconds", "When this was written.");
    (void)fprintf(f, "wane_metrics_timestamp_seconds %s\n# EOF\n",
                  wn_num_format((double)m->utc / 1e6, 15, number, sizeof number));
}
