/* Configuration: the accuracy of a station's instrument, as its datasheet gives it.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A datasheet says "0.05 % of reading + 0.02 % of range", "0.1 % + 5 mA" or "0.5 % + 3 digits": a
 * part of the reading and a part that is the same all over the range. However that second part is
 * written, its pieces are added. */
#include "config/reader.h"

#include <math.h>

#define MEMBER(member) .offset = offsetof(struct wn_data_sheet, member)
#define PART(key, needed, member, dimension, low, high, text)                                      \
    {                                                                                              \
        .name = key, .kind = WN_KEY_QUANTITY, .required = needed, MEMBER(member),                  \
        .dim = dimension, .min = low, .max = high, .example = text                                 \
    }

#define ELECTRIC_PARTS                                                                             \
    PART("voltage_reading", true, voltage.reading, WN_DIM_RATIO, 0, 0.1, "\"0.05 %\""),            \
        PART("voltage_fixed", false, voltage.fixed, WN_DIM_VOLTAGE, 0, 0.5, "\"1 mV\""),           \
        PART("voltage_of_range", false, voltage.of_range, WN_DIM_RATIO, 0, 0.1, "\"200 ppm\""),    \
        PART("voltage_range", false, voltage.range, WN_DIM_VOLTAGE, 0.1, 1000, "\"5 V\""),         \
        PART("current_reading", true, current.reading, WN_DIM_RATIO, 0, 0.1, "\"0.1 %\""),         \
        PART("current_fixed", false, current.fixed, WN_DIM_CURRENT, 0, 1, "\"5 mA\""),             \
        PART("current_of_range", false, current.of_range, WN_DIM_RATIO, 0, 0.1, "\"500 ppm\""),    \
        PART("current_range", false, current.range, WN_DIM_CURRENT, 0.001, 1000, "\"10 A\"")
#define TEMPERATURE_PART                                                                           \
    PART("temperature", true, temperature_c, WN_DIM_TEMPERATURE_DIFF, 0, 20, "\"1 K\"")

const struct wn_key wn_accuracy_keys[] = {
    ELECTRIC_PARTS,
    TEMPERATURE_PART,
    PART("time", true, time_reading, WN_DIM_RATIO, 0, 0.01, "\"50 ppm\""),
    {.name = NULL}};
/* Of one of several instruments: what it measures. The time base is the station's. */
static const struct wn_key source_keys[] = {ELECTRIC_PARTS, {.name = NULL}};
static const struct wn_key thermometer_keys[] = {TEMPERATURE_PART, {.name = NULL}};

static const struct words {
    const char *fixed, *of_range, *range, *example;
} voltage_words = {"voltage_fixed", "voltage_of_range", "voltage_range",
                   "voltage_fixed = \"1 mV\"; or voltage_range = \"5 V\"; voltage_of_range = "
                   "\"200 ppm\";"},
  current_words = {"current_fixed", "current_of_range", "current_range",
                   "current_fixed = \"5 mA\"; or current_range = \"10 A\"; current_of_range = "
                   "\"500 ppm\";"};

static bool has(const config_setting_t *s, const char *name)
{
    return config_setting_get_member(s, name) != NULL;
}

static void check_part(struct wn_reader *r, const config_setting_t *s, const struct words *w)
{
    bool of_range = has(s, w->of_range), range = has(s, w->range);
    if (!has(s, w->fixed) && !of_range && !range) {
        wn_reader_fail(r, s, "%s is missing; write %s", w->fixed, w->example);
    } else if (of_range && !range) {
        wn_reader_fail(r, wn_reader_at(s, w->of_range),
                       "is a part of %s, which is missing; write the range the instrument is set "
                       "to",
                       w->range);
    } else if (range && !of_range) {
        wn_reader_fail(r, wn_reader_at(s, w->range),
                       "says nothing without %s; write both, or neither", w->of_range);
    }
}

void wn_config_own_nothing(struct wn_instrument_config *i)
{
    wn_calibration_init(&i->calibration);
    i->data_sheet.voltage.reading = i->data_sheet.current.reading = i->data_sheet.temperature_c =
        NAN;
}

void wn_config_read_own_accuracy(struct wn_reader *r, const config_setting_t *s,
                                 const struct wn_key *key, void *target)
{
    struct wn_instrument_config *i = target;
    (void)key;
    if (!config_setting_is_group(s) || i->role == WN_ROLE_RELAY) {
        wn_reader_fail(r, s,
                       i->role == WN_ROLE_RELAY ? "a relay measures nothing; leave it out"
                                                : "must be a group { ... }");
    } else if (i->role == WN_ROLE_THERMOMETER) {
        wn_reader_group(r, s, thermometer_keys, &i->data_sheet);
    } else {
        wn_reader_group(r, s, source_keys, &i->data_sheet);
        check_part(r, s, &voltage_words);
        check_part(r, s, &current_words);
    }
}

static void take_electric(struct wn_accuracy *a, const struct wn_data_sheet *d)
{
    a->voltage_reading = d->voltage.reading;
    a->voltage_fixed_v = d->voltage.fixed + d->voltage.of_range * d->voltage.range;
    a->current_reading = d->current.reading;
    a->current_fixed_a = d->current.fixed + d->current.of_range * d->current.range;
}

void wn_config_complete_accuracy(struct wn_reader *r, const config_setting_t *station,
                                 struct wn_station_config *c)
{
    const config_setting_t *s = config_setting_get_member(station, "accuracy");
    if (s == NULL || !config_setting_is_group(s)) {
        return; /* told already */
    }
    check_part(r, s, &voltage_words);
    check_part(r, s, &current_words);
    c->accuracy = (struct wn_accuracy){.temperature_c = c->data_sheet.temperature_c,
                                       .time_reading = c->data_sheet.time_reading,
                                       .apart = wn_config_is_pair(c)};
    take_electric(&c->accuracy, &c->data_sheet);
    c->charge_accuracy = c->accuracy;
    for (int n = 0; n < c->instruments; n++) {
        const struct wn_instrument_config *i = &c->instrument[n];
        if (i->role == WN_ROLE_THERMOMETER && !i->ambient &&
            isfinite(i->data_sheet.temperature_c)) {
            c->accuracy.temperature_c = i->data_sheet.temperature_c;
        } else if (wn_role_sources(i->role) && isfinite(i->data_sheet.voltage.reading)) {
            take_electric(wn_role_discharges(i->role) ? &c->accuracy : &c->charge_accuracy,
                          &i->data_sheet);
        }
    }
}

static bool has_cell_thermometer(const struct wn_station_config *c)
{
    bool has = false;
    for (int i = 0; i < c->instruments; i++) {
        has = has || (c->instrument[i].role == WN_ROLE_THERMOMETER && !c->instrument[i].ambient);
    }
    return has;
}

void wn_config_accuracy_of(const struct wn_station_config *c, int n, struct wn_accuracy *out)
{
    const struct wn_instrument_config *i = &c->instrument[n];
    bool source = wn_role_sources(i->role), own = isfinite(i->data_sheet.voltage.reading);
    *out = (struct wn_accuracy){NAN, NAN, NAN, NAN, NAN, NAN, false};
    if (source) {
        take_electric(out, own ? &i->data_sheet : &c->data_sheet);
        out->time_reading = c->data_sheet.time_reading;
    }
    if (i->role == WN_ROLE_THERMOMETER || (source && !has_cell_thermometer(c))) {
        out->temperature_c = isfinite(i->data_sheet.temperature_c) ? i->data_sheet.temperature_c
                                                                   : c->data_sheet.temperature_c;
    }
}

static void check_range(struct wn_reader *r, const config_setting_t *at, double range, double most,
                        const char *limit)
{
    if (range > 0 && range < most) {
        wn_reader_fail(r, at, "is below limits.%s: the datasheet promises nothing beyond the range",
                       limit);
    }
}

static void check_ranges(struct wn_reader *r, const config_setting_t *accuracy,
                         const struct wn_data_sheet *d, const struct wn_limits *l,
                         enum wn_role role)
{
    bool charge = !wn_role_discharges(role) ||
                  (wn_role_charges(role) && l->charge_current_max_a > l->discharge_current_max_a);
    check_range(r, wn_reader_at(accuracy, "voltage_range"), d->voltage.range, l->voltage_max_v,
                "voltage_max");
    check_range(r, wn_reader_at(accuracy, "current_range"), d->current.range,
                charge ? l->charge_current_max_a : l->discharge_current_max_a,
                charge ? "charge_current_max" : "discharge_current_max");
}

/* Of each that feeds or draws: its own data sheet where it has one, else the station's. */
static void check_all_ranges(struct wn_reader *r, const config_setting_t *station,
                             const struct wn_station_config *c)
{
    for (int n = 0; n < c->instruments; n++) {
        const struct wn_instrument_config *i = &c->instrument[n];
        bool own = isfinite(i->data_sheet.voltage.reading);
        const config_setting_t *at =
            own ? config_setting_get_member(station, wn_role_name(i->role)) : station;
        if (wn_role_sources(i->role)) {
            check_ranges(r, wn_reader_at(at, "accuracy"), own ? &i->data_sheet : &c->data_sheet,
                         &c->limits, i->role);
        }
    }
}

void wn_config_check_accuracy(struct wn_reader *r, const config_setting_t *station,
                              const struct wn_station_config *c)
{
    const struct wn_limits *l = &c->limits;
    const config_setting_t *limits = wn_reader_at(station, "limits");
    double fixed_a = fmax(c->accuracy.current_fixed_a, c->charge_accuracy.current_fixed_a);
    double reading = fmax(c->accuracy.current_reading, c->charge_accuracy.current_reading);
    if (l->off_current_a < fixed_a) {
        wn_reader_fail(r, wn_reader_at(limits, "off_current"),
                       "is below the fixed part of the accuracy: the instrument cannot tell such a "
                       "current from none");
    }
    if (l->set_point_tolerance_a < fixed_a || l->set_point_tolerance < reading) {
        wn_reader_fail(
            r, wn_reader_at(limits, "set_point_tolerance"),
            "is tighter than the accuracy of the instrument: it would halt without cause");
    }
    check_all_ranges(r, station, c);
}
