/* Configuration: the calibration of a station's instrument, as it is read and as it is refused.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/near.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "config/reader.h"

static struct wn_daemon_config config; /* large */
static struct wn_problems problems;

/* The demonstration's file with this calibration in its station. */
static int read_with(const char *calibration)
{
    static char text[65536], with[70000];
    FILE *f = fopen(WANE_SOURCE_DIR "/conf/demo.conf", "re");
    assert_non_null(f);
    size_t n = fread(text, 1, sizeof text - 1, f);
    (void)fclose(f);
    text[n] = '\0';
    char *limits = strstr(text, "limits = {");
    assert_non_null(limits);
    int len = snprintf(with, sizeof with, "%.*scalibration = %s; %s", (int)(limits - text), text,
                       calibration, limits);
    assert_true(len > 0 && (size_t)len < sizeof with);
    memset(&problems, 0, sizeof problems);
    return wn_config_parse_daemon(with, (size_t)len, "F", "/", NULL, &config, &problems);
}

static void test_a_calibration_is_read(void **state)
{
    (void)state;
    assert_int_equal(
        read_with("{ voltage = { gain = 1.0002; offset = \"-0.5 mV\"; expanded = \"1 mV\";"
                  " drift = \"2 mV\"; date = \"2026-02-28\"; valid_until = "
                  "\"2028-02-29\"; certificate = \"K-4711\"; }; temperature = { gain = 1; offset = "
                  "\"0.3 K\"; "
                  "expanded = \"0.2 K\"; coverage_factor = 3; }; }"),
        WN_OK);
    const struct wn_calibration *c = &config.station[0].calibration;
    const struct wn_calibration_line *v = &c->line[WN_QUANTITY_VOLTAGE];
    assert_true(v->known);
    assert_near(v->gain, 1.0002, 0);
    assert_near(v->offset, -0.0005, 1e-15);
    assert_near(v->drift, 0.002, 1e-15);
    assert_string_equal(v->certificate, "K-4711");
    assert_near(v->coverage_factor, 2, 0); /* where a certificate says nothing of it */
    assert_int_equal(v->date, INT64_C(1772236800) * 1000000);        /* date -u -d 2026-02-28 +%s */
    assert_int_equal(v->valid_until, INT64_C(1835395200) * 1000000); /* 2028-02-29, a leap year */
    assert_false(c->line[WN_QUANTITY_CURRENT].known);
    assert_true(c->line[WN_QUANTITY_TEMPERATURE].known);
    assert_near(c->line[WN_QUANTITY_TEMPERATURE].coverage_factor, 3, 0);
    assert_true(isnan(c->line[WN_QUANTITY_TEMPERATURE].drift));
}

/* The last days of months and of leap years are days. */
static void test_dates(void **state)
{
    (void)state;
    static const struct {
        const char *date;
        int64_t day; /* since 1970: date -u -d DATE +%s, divided by 86400 */
    } rows[] = {
        {"1970-01-01", 0},     {"2000-02-29", 11016}, {"2024-02-29", 19782},
        {"2026-12-31", 20818}, {"2096-02-29", 46080}, {"2200-12-31", 84370},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char text[160];
        (void)snprintf(text, sizeof text,
                       "{ voltage = { gain = 1.0; offset = \"0 V\"; expanded = \"1 mV\"; date = "
                       "\"%s\"; }; }",
                       rows[i].date);
        assert_int_equal(read_with(text), WN_OK);
        assert_int_equal(config.station[0].calibration.line[WN_QUANTITY_VOLTAGE].date,
                         rows[i].day * 86400 * 1000000);
    }
}

static void test_what_is_refused(void **state)
{
    (void)state;
    static const struct {
        const char *calibration, *words;
    } rows[] = {
        {"{ voltage = { gain = 2.0; offset = \"0 V\"; expanded = \"1 mV\"; }; }", "gain"},
        {"{ voltage = { gain = 1.0; offset = \"1 mA\"; expanded = \"1 mV\"; }; }", "voltage"},
        {"{ voltage = { gain = 1.0; offset = 0.001; expanded = \"1 mV\"; }; }", "offset"},
        {"{ voltage = { gain = 1.0; offset = \"0 V\"; }; }", "expanded is missing"},
        {"{ voltag = { gain = 1.0; }; }", "did you mean voltage"},
        {"{ current = { gain = 1.0; offset = \"0 A\"; expanded = \"1 mA\"; date = \"1.5.2026\"; }; "
         "}",
         "must be a date; write date = \"2026-05-01\""},
        {"{ current = { gain = 1.0; offset = \"0 A\"; expanded = \"1 mA\"; date = \"2026-13-01\"; "
         "}; }",
         "must be a date"},
#define DATED(date)                                                                                \
    {"{ current = { gain = 1.0; offset = \"0 A\"; expanded = \"1 mA\"; date = \"" date "\"; }; }", \
     "must be a date"}
        DATED("2026-+5-01"),
        DATED("+026-05-01"),
        DATED("2026-05- 1"),
        DATED("2026-05-01 "),
        DATED("2026-00-01"),
        DATED("2026-05-00"),
        DATED("2026-04-31"),
        DATED("2026-02-29"), /* 365 days */
        DATED("2100-02-29"), /* a century that 400 does not divide */
        {"{ current = { gain = 1.0; offset = \"0 A\"; expanded = \"1 mA\"; date = \"2026-05-01\"; "
         "valid_until = \"2026-04-01\"; }; }",
         "not after its date"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        bool told = false;
        assert_int_not_equal(read_with(rows[i].calibration), WN_OK);
        for (int k = 0; k < problems.n && k < WN_PROBLEMS_MAX; k++) {
            told = told || (strstr(problems.text[k], rows[i].words) != NULL &&
                            strncmp(problems.text[k], "F:", 2) == 0);
        }
        if (!told) {
            fail_msg("row %zu: %s", i, problems.n > 0 ? problems.text[0] : "no problem told");
        }
    }
}

/* A station of several instruments; the demonstration's file with these in the place of its tester.
 */
static int read_several(const char *instruments)
{
    static char text[65536], with[70000];
    FILE *f = fopen(WANE_SOURCE_DIR "/conf/demo.conf", "re");
    assert_non_null(f);
    size_t n = fread(text, 1, sizeof text - 1, f);
    (void)fclose(f);
    text[n] = '\0';
    char *from = strstr(text, "dialect = \"virtual-bench\";"), *to = strstr(text, "on_restart");
    assert_non_null(from);
    assert_non_null(to);
    int len = snprintf(with, sizeof with, "%.*s%s %s", (int)(from - text), text, instruments, to);
    assert_true(len > 0 && (size_t)len < sizeof with);
    memset(&problems, 0, sizeof problems);
    return wn_config_parse_daemon(with, (size_t)len, "F", "/", NULL, &config, &problems);
}

#define THERMOMETERS                                                                               \
    "thermometers = ( { dialect = \"t\"; port = \"/c\"; measures = \"cell\"; %s }, "               \
    "{ dialect = \"t\"; port = \"/a\"; measures = \"ambient\"; calibration = { temperature = { "   \
    "gain = 1; offset = \"0.5 K\"; expanded = \"0.1 K\"; }; }; } );"

/* Results are those of the load and of the thermometer at the cell. */
static void test_instruments_have_their_own(void **state)
{
    (void)state;
    char text[4096];
    (void)snprintf(
        text, sizeof text,
        "supply = { dialect = \"s\"; port = \"/s\"; accuracy = { voltage_reading = \"0.1 %%\"; "
        "voltage_fixed = \"2 mV\"; current_reading = \"0.2 %%\"; current_fixed = \"3 mA\"; }; };"
        "load = { dialect = \"l\"; port = \"/l\"; accuracy = { voltage_reading = \"0.01 %%\"; "
        "voltage_fixed = \"1 mV\"; current_reading = \"0.02 %%\"; current_range = \"30 A\"; "
        "current_of_range = \"50 ppm\"; }; calibration = { current = { gain = 1.01; offset = "
        "\"1 mA\"; expanded = \"2 mA\"; drift = \"0 A\"; }; }; };" THERMOMETERS,
        "accuracy = { temperature = \"0.25 K\"; };");
    if (read_several(text) != WN_OK) {
        fail_msg("%s", problems.text[0]);
    }
    const struct wn_station_config *c = &config.station[0];
    struct wn_calibration k;
    struct wn_accuracy a;
    assert_near(c->accuracy.voltage_fixed_v, 0.001, 1e-12);
    assert_near(c->accuracy.current_fixed_a, 0.0015, 1e-12);
    assert_near(c->accuracy.temperature_c, 0.25, 1e-12);
    assert_near(c->accuracy.time_reading, 20e-6, 1e-12); /* the station's */
    assert_near(c->charge_accuracy.voltage_fixed_v, 0.002, 1e-12);
    assert_near(c->charge_accuracy.current_reading, 0.002, 1e-12);
    wn_config_calibration_of(c, 0, &k);
    assert_false(k.line[WN_QUANTITY_CURRENT].known);
    wn_config_calibration_of(c, 1, &k);
    assert_near(k.line[WN_QUANTITY_CURRENT].gain, 1.01, 1e-12);
    wn_config_calibration_of(c, 3, &k);
    assert_near(k.line[WN_QUANTITY_AMBIENT].offset, 0.5, 1e-12);
    assert_false(k.line[WN_QUANTITY_TEMPERATURE].known);
    wn_config_calibration_of_results(c, &k);
    wn_calibration_accuracy(&k, &c->accuracy, 0, &a);
    assert_near(a.current_fixed_a, 0.001 * sqrt(3.0), 1e-12); /* expanded 2 mA, k = 2 */
    assert_near(a.voltage_fixed_v, 0.001, 1e-12);             /* no certificate of it */
}

/* The station's are those of every instrument that has none. */
static void test_the_station_speaks_for_the_others(void **state)
{
    (void)state;
    char text[4096];
    (void)snprintf(
        text, sizeof text,
        "supply = { dialect = \"s\"; port = \"/s\"; };"
        "load = { dialect = \"l\"; port = \"/l\"; calibration = { voltage = { gain = 1; "
        "offset = \"3 mV\"; expanded = \"1 mV\"; }; }; };"
        "calibration = { voltage = { gain = 1; offset = \"1 mV\"; expanded = \"1 mV\"; }; "
        "temperature = { gain = 1; offset = \"2 K\"; expanded = \"1 K\"; }; };" THERMOMETERS,
        "");
    if (read_several(text) != WN_OK) {
        fail_msg("%s", problems.text[0]);
    }
    const struct wn_station_config *c = &config.station[0];
    struct wn_calibration k;
    assert_near(c->charge_accuracy.current_fixed_a, c->accuracy.current_fixed_a, 0);
    wn_config_calibration_of(c, 0, &k);
    assert_near(k.line[WN_QUANTITY_VOLTAGE].offset, 0.001, 1e-12);
    assert_false(k.line[WN_QUANTITY_TEMPERATURE].known); /* the thermometer's */
    wn_config_calibration_of(c, 1, &k);
    assert_near(k.line[WN_QUANTITY_VOLTAGE].offset, 0.003, 1e-12);
    wn_config_calibration_of(c, 2, &k);
    assert_near(k.line[WN_QUANTITY_TEMPERATURE].offset, 2, 1e-12);
    assert_false(k.line[WN_QUANTITY_VOLTAGE].known);
}

static void test_what_an_instrument_does_not_measure(void **state)
{
    static const struct {
        const char *supply, *cell, *words;
    } rows[] = {
        {"calibration = { temperature = { gain = 1; offset = \"0 K\"; expanded = \"1 K\"; }; };",
         "", "a supply does not measure temperature"},
        {"", "calibration = { voltage = { gain = 1; offset = \"0 V\"; expanded = \"1 mV\"; }; };",
         "a thermometer does not measure voltage"},
        {"accuracy = { temperature = \"1 K\"; };", "", "temperature"},
        {"accuracy = { voltage_reading = \"0.1 %\"; current_reading = \"0.1 %\"; "
         "current_fixed = \"1 mA\"; };",
         "", "voltage_fixed is missing"},
        {"accuracy = { voltage_reading = \"0.1 %\"; voltage_fixed = \"1 mV\"; current_reading = "
         "\"0.1 %\"; current_fixed = \"900 mA\"; };",
         "", "off_current: is below the fixed part of the accuracy"},
        {"accuracy = { voltage_reading = \"0.1 %\"; voltage_fixed = \"1 mV\"; current_reading = "
         "\"0.1 %\"; current_range = \"5 A\"; current_of_range = \"0.01 %\"; };",
         "", "supply.accuracy.current_range: is below limits.charge_current_max"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char text[4096];
        bool told = false;
        (void)snprintf(text, sizeof text,
                       "supply = { dialect = \"s\"; port = \"/s\"; %s }; load = { dialect = "
                       "\"l\"; port = \"/l\"; };" THERMOMETERS,
                       rows[i].supply, rows[i].cell);
        assert_int_not_equal(read_several(text), WN_OK);
        for (int n = 0; n < problems.n; n++) {
            told = told || strstr(problems.text[n], rows[i].words) != NULL;
        }
        if (!told) {
            fail_msg("row %zu: %s", i, problems.text[0]);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_calibration_is_read),
        cmocka_unit_test(test_instruments_have_their_own),
        cmocka_unit_test(test_the_station_speaks_for_the_others),
        cmocka_unit_test(test_what_an_instrument_does_not_measure),
        cmocka_unit_test(test_dates),
        cmocka_unit_test(test_what_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
