/* Every quantity of every file: no unit, wrong dimension, wrong type, missing, misspelt, too small,
 * too large. SPDX-License-Identifier: GPL-3.0-or-later */
#include "config_case.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct wn_problems problems;

/* One quantity: where it stands, what it is, and what the messages must say. */
static const struct row {
    enum case_kind kind;
    const char *anchor;     /* text of the shipped file in front of it */
    const char *group;      /* path of its group; "" at the top */
    const char *group_line; /* text on the line the group is told by; "" for the top */
    const char *key;
    enum wn_dim dim;
    const char *unit;
    double low, high; /* in the base unit */
    const char *example;
    int required;
} rows[] = {
#define STATION(key, dim, unit, low, high, example)                                                \
    {                                                                                              \
        CASE_DAEMON, "stations = (", "station.A", "    {\n", key, dim, unit, low, high, example, 1 \
    }
    STATION("reading_interval", WN_DIM_TIME, "s", 0.01, 60, "\"1 s\""),
    STATION("rest_interval", WN_DIM_TIME, "s", 0.01, 600, "\"10 s\""),
    STATION("fast_interval", WN_DIM_TIME, "s", 0.01, 60, "\"100 ms\""),
    {CASE_DAEMON, "stations = (", "station.A", "", "gap_max", WN_DIM_TIME, "s", 0.03, 600,
     "\"5 s\"", 0},
    {CASE_DAEMON, "stations = (", "station.A", "", "pause_recovery", WN_DIM_TIME, "s", 60,
     30 * 86400, "\"12 h\"", 0},
    STATION("beat_limit", WN_DIM_TIME, "s", 0.1, 60, "\"1 s\""),
    STATION("off_timeout", WN_DIM_TIME, "s", 0.05, 60, "\"2 s\""),
    STATION("restart_voltage_tolerance", WN_DIM_VOLTAGE, "V", 0.001, 1, "\"50 mV\""),
    STATION("commit_interval", WN_DIM_TIME, "s", 0.01, 60, "\"1 s\""),
#define STORE(key, dim, unit, high, example)                                                       \
    {                                                                                              \
        CASE_DAEMON, "store_change = {", "station.A.store_change", "store_change = {", key, dim,   \
            unit, 0, high, example, 1                                                              \
    }
    STORE("voltage", WN_DIM_VOLTAGE, "V", 1, "\"2 mV\""),
    STORE("current", WN_DIM_CURRENT, "A", 10, "\"10 mA\""),
    STORE("temperature", WN_DIM_TEMPERATURE_DIFF, "K", 10, "\"0.2 K\""),
    STORE("time", WN_DIM_TIME, "s", 86400, "\"60 s\""),
#define ACCURACY(key, dim, unit, high, example)                                                    \
    {                                                                                              \
        CASE_DAEMON, "accuracy = {", "station.A.accuracy", "accuracy = {", key, dim, unit, 0,      \
            high, example, 1                                                                       \
    }
#define PART(key, dim, unit, low, high, example)                                                   \
    {                                                                                              \
        CASE_DAEMON, "accuracy = {", "station.A.accuracy", "accuracy = {", key, dim, unit, low,    \
            high, example, 0                                                                       \
    }
    ACCURACY("voltage_reading", WN_DIM_RATIO, "%", 0.1, "\"0.05 %\""),
    PART("voltage_fixed", WN_DIM_VOLTAGE, "V", 0, 0.5, "\"1 mV\""),
    PART("voltage_of_range", WN_DIM_RATIO, "%", 0, 0.1, "\"200 ppm\""),
    PART("voltage_range", WN_DIM_VOLTAGE, "V", 0.1, 1000, "\"5 V\""),
    ACCURACY("current_reading", WN_DIM_RATIO, "%", 0.1, "\"0.1 %\""),
    PART("current_fixed", WN_DIM_CURRENT, "A", 0, 1, "\"5 mA\""),
    PART("current_of_range", WN_DIM_RATIO, "%", 0, 0.1, "\"500 ppm\""),
    PART("current_range", WN_DIM_CURRENT, "A", 0.001, 1000, "\"10 A\""),
    ACCURACY("temperature", WN_DIM_TEMPERATURE_DIFF, "K", 20, "\"1 K\""),
    ACCURACY("time", WN_DIM_RATIO, "ppm", 0.01, "\"50 ppm\""),
#define LIMIT(key, dim, unit, low, high, example)                                                  \
    {                                                                                              \
        CASE_DAEMON, "limits = {", "station.A.limits", "limits = {", key, dim, unit, low, high,    \
            example, 1                                                                             \
    }
    LIMIT("voltage_max", WN_DIM_VOLTAGE, "V", 0.5, 10, "\"4.25 V\""),
    LIMIT("voltage_min", WN_DIM_VOLTAGE, "V", 0.1, 10, "\"2.4 V\""),
    LIMIT("charge_temperature_min", WN_DIM_TEMPERATURE, "degC", -60, 100, "\"5 degC\""),
    LIMIT("charge_temperature_max", WN_DIM_TEMPERATURE, "degC", -60, 150, "\"45 degC\""),
    LIMIT("discharge_temperature_min", WN_DIM_TEMPERATURE, "degC", -60, 100, "\"5 degC\""),
    LIMIT("discharge_temperature_max", WN_DIM_TEMPERATURE, "degC", -60, 150, "\"60 degC\""),
    LIMIT("rest_temperature_max", WN_DIM_TEMPERATURE, "degC", -60, 150, "\"60 degC\""),
    LIMIT("temperature_rise", WN_DIM_TEMPERATURE_RATE, "K/min", 0.1, 100, "\"10 K/min\""),
    LIMIT("above_ambient", WN_DIM_TEMPERATURE_DIFF, "K", 1, 150, "\"35 K\""),
    LIMIT("charge_current_max", WN_DIM_CURRENT, "A", 0.001, 1000, "\"6 A\""),
    LIMIT("discharge_current_max", WN_DIM_CURRENT, "A", 0.001, 1000, "\"30 A\""),
    LIMIT("set_point_tolerance", WN_DIM_CURRENT, "A", 0.0001, 10, "\"20 mA\""),
    LIMIT("set_point_tolerance_relative", WN_DIM_RATIO, "%", 0, 0.2, "\"1 %\""),
    LIMIT("off_current", WN_DIM_CURRENT, "A", 0.0001, 1, "\"20 mA\""),
    LIMIT("charge_max", WN_DIM_CAPACITY, "Ah", 0.001, 1000, "\"6 Ah\""),
    LIMIT("voltage_jump", WN_DIM_VOLTAGE, "V", 0.01, 5, "\"300 mV\""),
#define CELL(key, dim, unit, low, high, example)                                                   \
    {                                                                                              \
        CASE_CELL, "", "", "", key, dim, unit, low, high, example, 1                               \
    }
    CELL("rated_capacity", WN_DIM_CAPACITY, "Ah", 0.001, 1000, "\"2500 mAh\""),
    CELL("nominal_voltage", WN_DIM_VOLTAGE, "V", 0.5, 10, "\"3.6 V\""),
    CELL("charge_voltage", WN_DIM_VOLTAGE, "V", 0.5, 10, "\"4.2 V\""),
    CELL("discharge_cutoff", WN_DIM_VOLTAGE, "V", 0.1, 10, "\"2.5 V\""),
    CELL("charge_current_max", WN_DIM_CURRENT, "A", 0.001, 1000, "\"4 A\""),
    CELL("discharge_current_max", WN_DIM_CURRENT, "A", 0.001, 1000, "\"20 A\""),
    CELL("charge_temperature_min", WN_DIM_TEMPERATURE, "degC", -60, 100, "\"0 degC\""),
    CELL("charge_temperature_max", WN_DIM_TEMPERATURE, "degC", -60, 150, "\"45 degC\""),
    CELL("discharge_temperature_min", WN_DIM_TEMPERATURE, "degC", -60, 100, "\"-20 degC\""),
    CELL("discharge_temperature_max", WN_DIM_TEMPERATURE, "degC", -60, 150, "\"60 degC\""),
    CELL("voltage_max", WN_DIM_VOLTAGE, "V", 0.5, 10, "\"4.25 V\""),
    CELL("voltage_min", WN_DIM_VOLTAGE, "V", 0.1, 10, "\"2.4 V\""),
    {CASE_CELL, "standard_charge", "standard_charge", "standard_charge = {", "current",
     WN_DIM_CURRENT, "A", 0.001, 1000, "\"0.5 It\"", 1},
    {CASE_CELL, "standard_charge", "standard_charge", "standard_charge = {", "until",
     WN_DIM_CURRENT, "A", 0.001, 1000, "\"125 mA\"", 1},
#define INTAKE(key, dim, unit, low, high, example)                                                 \
    {                                                                                              \
        CASE_CELL, "intake = {", "intake", "", key, dim, unit, low, high, example, 0               \
    }
    INTAKE("mass", WN_DIM_MASS, "g", 0.1, 10000, "\"45.1 g\""),
    INTAKE("diameter", WN_DIM_LENGTH, "mm", 1, 1000, "\"18.3 mm\""),
    INTAKE("length", WN_DIM_LENGTH, "mm", 1, 1000, "\"65.0 mm\""),
    INTAKE("arrival_voltage", WN_DIM_VOLTAGE, "V", 0, 10, "\"3.52 V\""),
    INTAKE("ac_impedance", WN_DIM_RESISTANCE, "ohm", 0.00001, 10, "\"13.1 mohm\""),
    INTAKE("ac_impedance_frequency", WN_DIM_FREQUENCY, "Hz", 0.001, 1000000, "\"1 kHz\""),
#define OF_A_NEW_CELL(key, dim, unit, low, high, example)                                          \
    {                                                                                              \
        CASE_CELL, "", "", "", key, dim, unit, low, high, example, 0                               \
    }
    OF_A_NEW_CELL("nominal_capacity", WN_DIM_CAPACITY, "Ah", 0.001, 1000, "\"2600 mAh\""),
    OF_A_NEW_CELL("ac_impedance_max", WN_DIM_RESISTANCE, "ohm", 0.00001, 10, "\"20 mohm\""),
    OF_A_NEW_CELL("dc_resistance_max", WN_DIM_RESISTANCE, "ohm", 0.00001, 10, "\"30 mohm\""),
#define CLAIM(key, dim, unit, low, high, example)                                                  \
    {                                                                                              \
        CASE_CELL, "claim = {", "claim", "claim = {", key, dim, unit, low, high, example, 1        \
    }
    CLAIM("charge_current", WN_DIM_CURRENT, "A", 0.001, 1000, "\"4 A\""),
    CLAIM("charge_until", WN_DIM_CURRENT, "A", 0.001, 1000, "\"100 mA\""),
    CLAIM("discharge_current", WN_DIM_CURRENT, "A", 0.001, 1000, "\"10 A\""),
    CLAIM("discharge_until", WN_DIM_VOLTAGE, "V", 0.1, 10, "\"2.5 V\""),
    CLAIM("retention", WN_DIM_RATIO, "%", 0.01, 1, "\"70 %\""),
#define PROCEDURE(key, dim, unit, low, high, example, required)                                    \
    {                                                                                              \
        CASE_PROCEDURE, "", "", "", key, dim, unit, low, high, example, required                   \
    }
    PROCEDURE("resistance_delay", WN_DIM_TIME, "s", 0.01, 60, "\"1 s\"", 0),
    PROCEDURE("ambient_min", WN_DIM_TEMPERATURE, "degC", -60, 150, "\"15 degC\"", 1),
    PROCEDURE("ambient_max", WN_DIM_TEMPERATURE, "degC", -60, 150, "\"25 degC\"", 1),
    PROCEDURE("rest_min", WN_DIM_TIME, "s", 1, 30 * 86400, "\"1 h\"", 1),
    PROCEDURE("end_below", WN_DIM_CAPACITY, "Ah", 0.0001, 2.5, "\"none\"", 1),
#define STEP(word, place, key, dim, unit, low, high, example)                                      \
    {                                                                                              \
        CASE_PROCEDURE, "do = \"" word "\"", place, "do = \"" word "\"", key, dim, unit, low,      \
            high, example, 1                                                                       \
    }
    STEP("charge", "phase.claim.step.1", "current", WN_DIM_CURRENT, "A", 0.001, 1000, "\"4 A\""),
    STEP("charge", "phase.claim.step.1", "voltage", WN_DIM_VOLTAGE, "V", 0.5, 10, "\"datasheet\""),
    STEP("charge", "phase.claim.step.1", "until", WN_DIM_CURRENT, "A", 0.001, 1000, "\"100 mA\""),
    STEP("charge", "phase.claim.step.1", "time_limit", WN_DIM_TIME, "s", 1, 30 * 86400, "\"3 h\""),
    STEP("rest", "phase.claim.step.2", "duration", WN_DIM_TIME, "s", 1, 30 * 86400, "\"1 h\""),
    {CASE_PROCEDURE, "do = \"discharge\"", "phase.claim.step.3", "", "current", WN_DIM_CURRENT, "A",
     0.001, 1000, "\"0.2 It\"", 0},
    STEP("discharge", "phase.claim.step.3", "until", WN_DIM_VOLTAGE, "V", 0.1, 10, "\"datasheet\""),
    STEP("discharge", "phase.claim.step.3", "time_limit", WN_DIM_TIME, "s", 1, 30 * 86400,
         "\"8 h\""),
    STEP("pulse", "check_up.step.3", "until", WN_DIM_VOLTAGE, "V", 0.1, 10, "\"datasheet\""),
    {CASE_PROCEDURE, "levels = (", "check_up.step.3.level.1", "levels = (", "current",
     WN_DIM_CURRENT, "A", 0.001, 1000, "\"0.2 It\"", 1},
    {CASE_PROCEDURE, "levels = (", "check_up.step.3.level.1", "levels = (", "duration", WN_DIM_TIME,
     "s", 0.1, 3600, "\"10 s\"", 1},
    {CASE_DIALECT, "", "", "", "reply_timeout", WN_DIM_TIME, "s", 0.01, 30, "\"500 ms\"", 1},
    {CASE_DIALECT, "", "", "", "settle", WN_DIM_TIME, "s", 0, 30, "\"200 ms\"", 1},
    {CASE_DIALECT, "charge = {", "charge.readback.2", "", "tolerance", WN_DIM_CURRENT, "A", 0, 100,
     "\"2 mA\"", 0},
};
enum { ROWS = sizeof rows / sizeof rows[0] };

/* Changes the setting of a row and parses; returns the line of the setting. */
static int parse_with(const struct row *row, const char *with)
{
    int line;
    char *base = case_shipped(case_shipped_name(row->kind));
    char *text = case_change(base, row->anchor, row->key, with, &line);
    int rc = case_parse(row->kind, text, &problems);
    if (rc == WN_OK) {
        print_error("%s with \"%s\"\n", row->key, with);
    }
    assert_int_not_equal(rc, WN_OK);
    free(text);
    free(base);
    return line;
}

static const char *dot(const struct row *row)
{
    return row->group[0] == '\0' ? "" : ".";
}

/* "F:12: station.A.limits.voltage_max: " and what follows. */
static void expect_at(const struct row *row, int line, const char *what)
{
    case_expect(&problems, "F:%d: %s%s%s: %s", line, row->group, dot(row), row->key, what);
}

static const char *assign(const struct row *row, const char *value, char *out, size_t size)
{
    (void)snprintf(out, size, "%s = %s", row->key, value);
    return out;
}

static void test_no_unit(void **state)
{
    (void)state;
    for (const struct row *row = rows; row < rows + ROWS; row++) {
        char with[80], text[600];
        struct wn_qty qty;
        struct wn_error err;
        static const char *const numbers[][2] = {
            {"3", "3"}, {"3.5", "3.5"}, {"3L", "3"}, {"\"3\"", "3"}, {"\"3.5\"", "3.5"}};
        for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++) {
            int line = parse_with(row, assign(row, numbers[i][0], with, sizeof with));
            assert_int_equal(wn_qty_parse(numbers[i][1], row->dim, &qty, &err), WN_EUNIT);
            (void)snprintf(text, sizeof text, "%s", err.text);
            assert_non_null(strstr(text, "has no unit: write \"3"));
            expect_at(row, line, text);
        }
    }
}

static void test_wrong_dimension(void **state)
{
    (void)state;
    for (const struct row *row = rows; row < rows + ROWS; row++) {
        char with[80];
        struct wn_qty qty;
        struct wn_error err;
        const char *foreign = row->dim == WN_DIM_LENGTH ? "3 g" : "3 mm";
        (void)snprintf(with, sizeof with, "%s = \"%s\"", row->key, foreign);
        int line = parse_with(row, with);
        assert_int_equal(wn_qty_parse(foreign, row->dim, &qty, &err), WN_EUNIT);
        assert_non_null(strstr(err.text, "is wanted: write it in"));
        expect_at(row, line, err.text);
    }
}

static void test_wrong_type(void **state)
{
    (void)state;
    for (const struct row *row = rows; row < rows + ROWS; row++) {
        char with[80], start[200];
        bool found = false;
        int line = parse_with(row, assign(row, "true", with, sizeof with));
        (void)snprintf(start, sizeof start,
                       "F:%d: %s%s%s: is true or false where a %s is wanted; write %s = %s", line,
                       row->group, dot(row), row->key, wn_dim_name(row->dim), row->key,
                       row->example);
        for (int i = 0; i < problems.n; i++) { /* where words are allowed they follow the example */
            found = found || strncmp(problems.text[i], start, strlen(start)) == 0;
        }
        if (!found) {
            case_expect(&problems, "%s", start);
        }
        (void)parse_with(row, assign(row, "{ a = 1; }", with, sizeof with));
        (void)parse_with(row, assign(row, "( 1, 2 )", with, sizeof with));
        (void)parse_with(row, assign(row, "\"\"", with, sizeof with));
    }
}

static void test_missing(void **state)
{
    (void)state;
    for (const struct row *row = rows; row < rows + ROWS; row++) {
        if (!row->required) {
            continue;
        }
        (void)parse_with(row, "");
        char *base = case_shipped(case_shipped_name(row->kind));
        int line = row->group_line[0] == '\0' ? 1 : case_line(base, row->group_line);
        free(base);
        case_expect(&problems, "F:%d: %s%s%s is missing; write %s = %s;", line, row->group,
                    row->group[0] == '\0' ? "" : ": ", row->key, row->key, row->example);
    }
}

static void test_misspelt(void **state)
{
    (void)state;
    for (const struct row *row = rows; row < rows + ROWS; row++) {
        char with[80];
        (void)snprintf(with, sizeof with, "%sx = \"3 mm\"", row->key);
        int line = parse_with(row, with);
        case_expect(&problems, "F:%d: %s%s%sx: unknown key; did you mean %s?", line, row->group,
                    dot(row), row->key, row->key);
    }
}

static void expect_range(const struct row *row, const char *number)
{
    char value[64], with[120], text[300], is[WN_QTY_SIZE], low[WN_QTY_SIZE], high[WN_QTY_SIZE];
    struct wn_qty qty;
    (void)snprintf(value, sizeof value, "%s %s", number, row->unit);
    assert_int_equal(wn_qty_parse(value, row->dim, &qty, NULL), WN_OK);
    (void)snprintf(with, sizeof with, "%s = \"%s\"", row->key, value);
    int line = parse_with(row, with);
    (void)snprintf(text, sizeof text, "%s is outside %s to %s; write for example %s",
                   wn_qty_format(qty.value, row->dim, is, sizeof is),
                   wn_qty_format(row->low, row->dim, low, sizeof low),
                   wn_qty_format(row->high, row->dim, high, sizeof high), row->example);
    expect_at(row, line, text);
}

static void test_range(void **state)
{
    (void)state;
    for (const struct row *row = rows; row < rows + ROWS; row++) {
        expect_range(row, "1e9");
        expect_range(row, "-1000");
    }
}

/* The bounds themselves are allowed by the reader: no message says "outside". */
static void test_range_ends(void **state)
{
    (void)state;
    for (const struct row *row = rows; row < rows + ROWS; row++) {
        for (int end = 0; end < 2; end++) {
            char with[120], text[WN_QTY_SIZE];
            int line;
            (void)snprintf(
                with, sizeof with, "%s = \"%s\"", row->key,
                wn_qty_format(end == 0 ? row->low : row->high, row->dim, text, sizeof text));
            char *base = case_shipped(case_shipped_name(row->kind));
            char *changed = case_change(base, row->anchor, row->key, with, &line);
            (void)case_parse(row->kind, changed, &problems);
            char own[160]; /* other values may follow from this one and be out of range now */
            (void)snprintf(own, sizeof own, "F:%d: %s%s%s: ", line, row->group, dot(row), row->key);
            for (int i = 0; i < problems.n && i < WN_PROBLEMS_MAX; i++) {
                if (strncmp(problems.text[i], own, strlen(own)) == 0 &&
                    strstr(problems.text[i], "is outside") != NULL &&
                    strstr(problems.text[i], "datasheet") == NULL) {
                    fail_msg("%s", problems.text[i]);
                }
            }
            free(changed);
            free(base);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_no_unit),    cmocka_unit_test(test_wrong_dimension),
        cmocka_unit_test(test_wrong_type), cmocka_unit_test(test_missing),
        cmocka_unit_test(test_misspelt),   cmocka_unit_test(test_range),
        cmocka_unit_test(test_range_ends),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
