/* Configuration: a cell's file.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "config/reader.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MEMBER(type, member) .offset = offsetof(struct type, member)
#define QUANTITY(key, needed, type, member, dimension, low, high, text)                            \
    {                                                                                              \
        .name = key, .kind = WN_KEY_QUANTITY, .required = needed, MEMBER(type, member),            \
        .dim = dimension, .min = low, .max = high, .example = text                                 \
    }
#define CELL(key, member, dimension, low, high, text)                                              \
    QUANTITY(key, true, wn_cell, member, dimension, low, high, text)

static const struct wn_key claim_keys[] = {
    {.name = "cycles",
     .kind = WN_KEY_COUNT64,
     .required = true,
     MEMBER(wn_claim, cycles),
     .min = 1,
     .max = 100000,
     .example = "300"},
    QUANTITY("charge_current", true, wn_claim, charge_current_a, WN_DIM_CURRENT, 0.001, 1000,
             "\"4 A\""),
    QUANTITY("charge_until", true, wn_claim, charge_until_current_a, WN_DIM_CURRENT, 0.001, 1000,
             "\"100 mA\""),
    QUANTITY("discharge_current", true, wn_claim, discharge_current_a, WN_DIM_CURRENT, 0.001, 1000,
             "\"10 A\""),
    QUANTITY("discharge_until", true, wn_claim, discharge_until_voltage_v, WN_DIM_VOLTAGE, 0.1, 10,
             "\"2.5 V\""),
    QUANTITY("retention", true, wn_claim, retention, WN_DIM_RATIO, 0.01, 1, "\"70 %\""),
    {.name = NULL}};

static const struct wn_key standard_charge_keys[] = {
    QUANTITY("current", true, wn_cell, standard_charge_current_a, WN_DIM_CURRENT, 0.001, 1000,
             "\"0.5 It\""),
    QUANTITY("until", true, wn_cell, standard_charge_until_a, WN_DIM_CURRENT, 0.001, 1000,
             "\"125 mA\""),
    {.name = NULL}};

/* Measured at arrival; each may be absent. */
static const struct wn_key intake_keys[] = {
    QUANTITY("mass", false, wn_cell, mass_g, WN_DIM_MASS, 0.1, 10000, "\"45.1 g\""),
    QUANTITY("diameter", false, wn_cell, diameter_mm, WN_DIM_LENGTH, 1, 1000, "\"18.3 mm\""),
    QUANTITY("length", false, wn_cell, length_mm, WN_DIM_LENGTH, 1, 1000, "\"65.0 mm\""),
    QUANTITY("arrival_voltage", false, wn_cell, arrival_voltage_v, WN_DIM_VOLTAGE, 0, 10,
             "\"3.52 V\""),
    QUANTITY("ac_impedance", false, wn_cell, ac_impedance_ohm, WN_DIM_RESISTANCE, 0.00001, 10,
             "\"13.1 mohm\""),
    QUANTITY("ac_impedance_frequency", false, wn_cell, ac_impedance_hz, WN_DIM_FREQUENCY, 0.001,
             1000000, "\"1 kHz\""),
    {.name = NULL}};

#define TEXT(key, needed, member, text)                                                            \
    {                                                                                              \
        .name = key, .kind = WN_KEY_TEXT, .required = needed, MEMBER(wn_cell, member),             \
        .size = sizeof((struct wn_cell *)0)->member, .example = text                               \
    }

/* rated_capacity first: currents may be written in It. */
/* Cool or warm cells are charged to less. */
static const struct wn_key reduced_charge_keys[] = {
    QUANTITY("voltage", true, wn_cell, reduced_charge_voltage_v, WN_DIM_VOLTAGE, 0.5, 10,
             "\"4.15 V\""),
    QUANTITY("below", true, wn_cell, reduced_charge_below_c, WN_DIM_TEMPERATURE, -60, 100,
             "\"10 degC\""),
    QUANTITY("above", true, wn_cell, reduced_charge_above_c, WN_DIM_TEMPERATURE, -60, 150,
             "\"45 degC\""),
    {.name = NULL}};

static const struct wn_key cell_keys[] = {
    TEXT("title", true, title, "\"maker and model\""),
    TEXT("marking", false, marking, "\"what is printed on the cell\""),
    CELL("rated_capacity", rated_capacity_ah, WN_DIM_CAPACITY, 0.001, 1000, "\"2500 mAh\""),
    CELL("nominal_voltage", nominal_voltage_v, WN_DIM_VOLTAGE, 0.5, 10, "\"3.6 V\""),
    CELL("charge_voltage", charge_voltage_v, WN_DIM_VOLTAGE, 0.5, 10, "\"4.2 V\""),
    CELL("discharge_cutoff", discharge_cutoff_v, WN_DIM_VOLTAGE, 0.1, 10, "\"2.5 V\""),
    CELL("charge_current_max", charge_current_max_a, WN_DIM_CURRENT, 0.001, 1000, "\"4 A\""),
    CELL("discharge_current_max", discharge_current_max_a, WN_DIM_CURRENT, 0.001, 1000, "\"20 A\""),
    {.name = "standard_charge",
     .kind = WN_KEY_GROUP,
     .required = true,
     .group = standard_charge_keys,
     .example = "{ current = \"0.5 It\"; until = \"125 mA\"; }"},
    CELL("charge_temperature_min", charge_temperature_min_c, WN_DIM_TEMPERATURE, -60, 100,
         "\"0 degC\""),
    CELL("charge_temperature_max", charge_temperature_max_c, WN_DIM_TEMPERATURE, -60, 150,
         "\"45 degC\""),
    CELL("discharge_temperature_min", discharge_temperature_min_c, WN_DIM_TEMPERATURE, -60, 100,
         "\"-20 degC\""),
    CELL("discharge_temperature_max", discharge_temperature_max_c, WN_DIM_TEMPERATURE, -60, 150,
         "\"60 degC\""),
    {.name = "reduced_charge",
     .kind = WN_KEY_GROUP,
     .group = reduced_charge_keys,
     .example = "{ voltage = \"4.15 V\"; below = \"10 degC\"; above = \"45 degC\"; }"},
    CELL("voltage_max", voltage_max_v, WN_DIM_VOLTAGE, 0.5, 10, "\"4.25 V\""),
    CELL("voltage_min", voltage_min_v, WN_DIM_VOLTAGE, 0.1, 10, "\"2.4 V\""),
    QUANTITY("nominal_capacity", false, wn_cell, nominal_capacity_ah, WN_DIM_CAPACITY, 0.001, 1000,
             "\"2600 mAh\""),
    QUANTITY("ac_impedance_max", false, wn_cell, ac_impedance_max_ohm, WN_DIM_RESISTANCE, 0.00001,
             10, "\"20 mohm\""),
    QUANTITY("dc_resistance_max", false, wn_cell, dc_resistance_max_ohm, WN_DIM_RESISTANCE, 0.00001,
             10, "\"30 mohm\""),
    {.name = "intake",
     .kind = WN_KEY_GROUP,
     .group = intake_keys,
     .example = "{ mass = \"45.1 g\"; }"},
    {.name = "claim",
     .kind = WN_KEY_GROUP,
     MEMBER(wn_cell, claim),
     .group = claim_keys,
     .example = "{ cycles = 300; ... }"},
    {.name = NULL}};

static void below(struct wn_reader *r, const config_setting_t *group, const char *low_key,
                  double low, const char *high_key, double high)
{
    char a[WN_QTY_SIZE], b[WN_QTY_SIZE];
    if (!(low < high)) {
        wn_reader_fail(r, wn_reader_at(group, low_key), "%s is not below %s, which is %s",
                       wn_qty_format(low, WN_DIM_VOLTAGE, a, sizeof a), high_key,
                       wn_qty_format(high, WN_DIM_VOLTAGE, b, sizeof b));
    }
}

static void not_above(struct wn_reader *r, const config_setting_t *group, const char *key,
                      double value, const char *max_key, double max)
{
    char a[WN_QTY_SIZE], b[WN_QTY_SIZE];
    if (!(value <= max)) {
        wn_reader_fail(r, wn_reader_at(group, key), "%s is more than %s, which is %s",
                       wn_qty_format(value, WN_DIM_CURRENT, a, sizeof a), max_key,
                       wn_qty_format(max, WN_DIM_CURRENT, b, sizeof b));
    }
}

static void check_claim(struct wn_reader *r, const config_setting_t *s, const struct wn_cell *c)
{
    const struct wn_claim *m = &c->claim;
    not_above(r, s, "charge_current", m->charge_current_a, "charge_current_max",
              c->charge_current_max_a);
    not_above(r, s, "discharge_current", m->discharge_current_a, "discharge_current_max",
              c->discharge_current_max_a);
    not_above(r, s, "charge_until", m->charge_until_current_a, "charge_current",
              m->charge_current_a);
    if (m->discharge_until_voltage_v < c->discharge_cutoff_v) {
        wn_reader_fail(r, wn_reader_at(s, "discharge_until"),
                       "is below the cell's discharge_cutoff");
    }
}

static void check_cell(struct wn_reader *r, const config_setting_t *s, const struct wn_cell *c)
{
    const config_setting_t *standard = wn_reader_at(s, "standard_charge");
    below(r, s, "voltage_min", c->voltage_min_v, "discharge_cutoff", c->discharge_cutoff_v);
    below(r, s, "discharge_cutoff", c->discharge_cutoff_v, "nominal_voltage", c->nominal_voltage_v);
    below(r, s, "nominal_voltage", c->nominal_voltage_v, "charge_voltage", c->charge_voltage_v);
    below(r, s, "charge_voltage", c->charge_voltage_v, "voltage_max", c->voltage_max_v);
    not_above(r, standard, "current", c->standard_charge_current_a, "charge_current_max",
              c->charge_current_max_a);
    not_above(r, standard, "until", c->standard_charge_until_a, "current",
              c->standard_charge_current_a);
    if (!(c->charge_temperature_min_c < c->charge_temperature_max_c)) {
        wn_reader_fail(r, wn_reader_at(s, "charge_temperature_min"),
                       "must be below charge_temperature_max");
    }
    if (!(c->discharge_temperature_min_c < c->discharge_temperature_max_c)) {
        wn_reader_fail(r, wn_reader_at(s, "discharge_temperature_min"),
                       "must be below discharge_temperature_max");
    }
    const config_setting_t *intake = config_setting_get_member(s, "intake");
    if (isfinite(c->ac_impedance_hz) && !isfinite(c->ac_impedance_ohm)) {
        wn_reader_fail(r, wn_reader_at(intake, "ac_impedance_frequency"),
                       "belongs to ac_impedance, which is missing");
    }
    const config_setting_t *reduced = config_setting_get_member(s, "reduced_charge");
    if (reduced != NULL) {
        below(r, reduced, "voltage", c->reduced_charge_voltage_v, "charge_voltage",
              c->charge_voltage_v);
        if (!(c->reduced_charge_voltage_v > c->nominal_voltage_v)) {
            wn_reader_fail(r, wn_reader_at(reduced, "voltage"), "must be above nominal_voltage");
        }
        if (!(c->reduced_charge_below_c < c->reduced_charge_above_c)) {
            wn_reader_fail(r, wn_reader_at(reduced, "below"), "must be below \"above\"");
        }
    }
    const config_setting_t *claim = config_setting_get_member(s, "claim");
    if (claim != NULL) {
        check_claim(r, claim, c);
    }
}

int wn_config_parse_cell(const char *text, size_t len, const char *file, const char *name,
                         struct wn_cell *out, struct wn_problems *problems)
{
    struct wn_reader r;
    memset(out, 0, sizeof *out);
    wn_config_name(name, out->name, sizeof out->name);
    out->rated_capacity_ah = NAN;
    out->mass_g = out->diameter_mm = out->length_mm = NAN;
    out->arrival_voltage_v = out->ac_impedance_ohm = out->ac_impedance_hz = NAN;
    out->nominal_capacity_ah = out->ac_impedance_max_ohm = out->dc_resistance_max_ohm = NAN;
    if (!wn_reader_open(&r, text, len, file, problems)) {
        return WN_ESYNTAX;
    }
    r.rated_ah = &out->rated_capacity_ah;
    const config_setting_t *root = config_root_setting(&r.config);
    wn_reader_group(&r, root, cell_keys, out);
    if (problems->n == r.problems_before) {
        check_cell(&r, root, out);
        out->claim.min_ah = out->claim.retention * out->rated_capacity_ah;
    }
    return wn_reader_close(&r);
}

int wn_config_read_cell(const char *conf_dir, const char *name, struct wn_cell *out,
                        struct wn_problems *problems)
{
    char path[WN_PATH_SIZE];
    size_t len;
    memset(out, 0, sizeof *out);
    char *text = wn_config_load_named(conf_dir, "cells", name, path, sizeof path, &len, problems);
    if (text == NULL) {
        return WN_ENOENT;
    }
    int rc = wn_config_parse_cell(text, len, path, name, out, problems);
    free(text);
    return rc;
}
