/* Stations of several instruments: what may stand together, their dialects, frozen and back.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "config_case.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "shipped.h"

#define PAIR                                                                                       \
    "supply = { dialect = \"virtual-supply\"; port = \"s\"; };"                                    \
    "load = { dialect = \"virtual-load\"; port = \"l\"; }; "
#define RELAY "relay = { dialect = \"virtual-relay\"; port = \"r\"; }; "
#define THERMOMETERS                                                                               \
    "thermometers = ( { dialect = \"virtual-thermometer\"; port = \"c\"; measures = \"cell\"; }, " \
    "{ dialect = \"virtual-thermometer\"; port = \"a\"; measures = \"ambient\"; } ); "

/* demo.conf with other instruments in place of its tester. */
static char *with(const char *instruments)
{
    int line;
    char settings[600];
    (void)snprintf(settings, sizeof settings, "%s", instruments);
    *strrchr(settings, ';') = '\0'; /* the last one stands in the file */
    char *shipped = case_shipped("demo.conf");
    char *bare = case_change(shipped, "stations", "port", "", &line);
    char *text = case_change(bare, "stations", "dialect", settings, &line);
    free(bare);
    free(shipped);
    return text;
}

static const struct wn_station_config *parse(const char *instruments)
{
    char *text = with(instruments);
    memset(&problems, 0, sizeof problems);
    (void)wn_config_parse_daemon(text, strlen(text), "F", "/d", "/run", &daemon_config, &problems);
    free(text);
    return &daemon_config.station[0];
}

static void expect_refused(const char *instruments, const char *said)
{
    (void)parse(instruments);
    assert_true(problems.n >= 1);
    if (strstr(problems.text[0], said) == NULL) {
        fail_msg("%s: says '%s'", instruments, problems.text[0]);
    }
}

static void test_order_and_names(void **state)
{
    (void)state;
    static const char *const names[] = {"supply", "load", "relay", "cell thermometer",
                                        "ambient thermometer"};
    const struct wn_station_config *c = parse(THERMOMETERS RELAY PAIR);
    case_expect_none(&problems, "five instruments");
    assert_int_equal(c->instruments, 5);
    for (int i = 0; i < 5; i++) {
        assert_string_equal(wn_instrument_name(&c->instrument[i]), names[i]);
    }
    assert_string_equal(c->instrument[4].port, "/run/a");

    c = parse("dialect = \"x\"; port = \"/dev/p\"; channel = 2; " RELAY);
    case_expect_none(&problems, "a tester and a relay");
    assert_int_equal(c->instruments, 2);
    assert_int_equal(c->instrument[0].role, WN_ROLE_TESTER);
    assert_int_equal(c->instrument[0].channel, 2);
    assert_int_equal(c->instrument[1].role, WN_ROLE_RELAY);
}

/* What each instrument promises, its own data sheet or the station's, and no more than it measures.
 */
static void test_accuracies(void **state)
{
    (void)state;
    const struct wn_station_config *c = parse(
        "supply = { dialect = \"virtual-supply\"; port = \"s\"; };"
        "load = { dialect = \"virtual-load\"; port = \"l\"; accuracy = { voltage_reading = "
        "\"0.02 %\"; voltage_fixed = \"0.5 mV\"; current_reading = \"0.04 %\"; current_fixed = "
        "\"1 mA\"; }; };" RELAY
        "thermometers = ( { dialect = \"virtual-thermometer\"; port = \"c\"; measures = \"cell\"; "
        "accuracy = { temperature = \"0.3 K\"; }; }, { dialect = \"virtual-thermometer\"; port = "
        "\"a\"; measures = \"ambient\"; } ); ");
    struct wn_accuracy a[5];
    case_expect_none(&problems, "five instruments");
    for (int i = 0; i < 5; i++) {
        wn_config_accuracy_of(c, i, &a[i]);
    }
    assert_true(a[0].voltage_reading == c->data_sheet.voltage.reading);
    assert_true(a[1].voltage_reading == 0.0002 && a[1].voltage_fixed_v == 0.0005);
    assert_true(a[1].current_reading == 0.0004 && a[1].current_fixed_a == 0.001);
    assert_true(isnan(a[0].temperature_c) && isnan(a[1].temperature_c));
    assert_true(isnan(a[2].voltage_reading) && isnan(a[2].temperature_c));
    assert_true(a[3].temperature_c == 0.3 && isnan(a[3].current_reading));
    assert_true(a[4].temperature_c == c->data_sheet.temperature_c);
    c = parse("dialect = \"x\"; port = \"/dev/p\"; ");
    wn_config_accuracy_of(c, 0, &a[0]); /* a tester alone measures the temperature, too */
    assert_true(a[0].temperature_c == c->data_sheet.temperature_c);
}

static void test_what_does_not_go_together(void **state)
{
    (void)state;
    expect_refused("supply = { dialect = \"x\"; port = \"s\"; }; ", "load is missing");
    expect_refused("load = { dialect = \"x\"; port = \"s\"; }; ", "supply is missing");
    expect_refused("dialect = \"x\"; " PAIR, "belongs to a tester");
    expect_refused("supply = { port = \"s\"; }; load = { dialect = \"x\"; port = \"l\"; }; ",
                   "supply: dialect is missing");
    expect_refused("supply = { dialect = \"x\"; port = \"s\"; }; "
                   "load = { dialect = \"x\"; port = \"s\"; }; ",
                   "\"/run/s\" is the port of station A already");
    expect_refused(PAIR "relay = { dialect = \"x\"; port = \"r\"; measures = \"cell\"; }; ",
                   "is for thermometers");
    expect_refused(PAIR "thermometers = ( { dialect = \"x\"; port = \"1\"; }, "
                        "{ dialect = \"x\"; port = \"2\"; } ); ",
                   "both measure the same");
    expect_refused(PAIR "thermometers = ( ); ", "has 0 elements; 1 to 2 are possible");
    expect_refused(PAIR RELAY "interlock = \"dtr\"; ", "the relay is the interlock");
    expect_refused("port = \"p\"; ", "dialect is missing");
    expect_refused(PAIR
                   "thermometers = ( { dialect = \"x\"; port = \"1\"; measures = \"air\"; } ); ",
                   "\"air\" is not known");
}

static void test_dialects_fit(void **state)
{
    (void)state;
    const struct wn_station_config *c = parse(PAIR RELAY THERMOMETERS);
    assert_int_equal(wn_config_read_dialects(CONF, c, dialect, &problems), WN_OK);
    case_expect_none(&problems, "shipped dialects");
    assert_true(wn_config_simulated(c, dialect));
    assert_true(wn_config_reports(c, dialect, WN_FIELD_TEMPERATURE_C));
    assert_true(wn_config_reports(c, dialect, WN_FIELD_AMBIENT_C));
    assert_true(wn_config_reports(c, dialect, WN_FIELD_CURRENT_A));

    c = parse(PAIR "thermometers = ( { dialect = \"virtual-thermometer\"; port = \"a\"; "
                   "measures = \"ambient\"; } ); ");
    assert_int_equal(wn_config_read_dialects(CONF, c, dialect, &problems), WN_OK);
    assert_false(wn_config_reports(c, dialect, WN_FIELD_TEMPERATURE_C));

    c = parse("supply = { dialect = \"virtual-load\"; port = \"s\"; }; "
              "load = { dialect = \"virtual-bench\"; port = \"l\"; }; ");
    assert_int_equal(wn_config_read_dialects(CONF, c, dialect, &problems), WN_EINVAL);
    case_expect(&problems,
                "station A: its supply has dialect virtual-load, which is that of a load");
}

/* Skeletons are copied: one that is wrong would be wrong on every bench. */
static void test_skeletons(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        enum wn_role kind;
    } of[] = {{"generic-scpi", WN_ROLE_TESTER},
              {"generic-supply", WN_ROLE_SUPPLY},
              {"generic-load", WN_ROLE_LOAD},
              {"generic-relay", WN_ROLE_RELAY},
              {"generic-thermometer", WN_ROLE_THERMOMETER}};
    memset(&problems, 0, sizeof problems);
    for (size_t i = 0; i < sizeof of / sizeof of[0]; i++) {
        read_dialect(of[i].name);
        assert_int_equal(dialect->kind, of[i].kind);
        assert_false(dialect->simulated);
    }
}

static void test_channel(void **state)
{
    (void)state;
    struct wn_error err;
    const struct wn_station_config *c =
        parse("dialect = \"generic-scpi\"; port = \"p\"; channel = 3; ");
    assert_int_equal(wn_config_read_dialects(CONF, c, dialect, &problems), WN_EINVAL);
    assert_non_null(strstr(problems.text[0], "has no {channel} in its commands"));

    memset(&problems, 0, sizeof problems);
    read_dialect("generic-scpi");
    (void)snprintf(dialect->on.line[0], sizeof dialect->on.line[0], "OUTP ON,(@{channel})");
    (void)snprintf(dialect->safe_off, sizeof dialect->safe_off, "\nOUTP OFF,(@{channel})\n");
    dialect->safe_off_len = strlen(dialect->safe_off);
    assert_int_equal(wn_dialect_validate(dialect, &err), WN_OK);
    dialect[1] = dialect[0];
    assert_int_equal(wn_dialect_place(&dialect[1], 0, 0, &err), WN_EINVAL);
    assert_int_equal(wn_dialect_place(dialect, 0, 12, &err), WN_OK);
    assert_string_equal(dialect->on.line[0], "OUTP ON,(@12)");
    assert_memory_equal(dialect->safe_off, "\nOUTP OFF,(@12)\n", dialect->safe_off_len);
}

/* Of a MODBUS instrument the unit, and the registers of one output of several. */
static void test_unit(void **state)
{
    (void)state;
    struct wn_error err;
    memset(&problems, 0, sizeof problems);
    read_dialect("generic-modbus-relay");
    struct wn_modbus_map *m = &dialect->modbus;
    int coil = wn_map_find(m, "coil"), contact = wn_map_find(m, "contact");
    assert_memory_equal(dialect->safe_off, "\x08\x01\x05\x00\x00", 5);
    assert_int_equal(wn_dialect_place(dialect, 0, 0, &err), WN_OK);
    assert_int_equal(m->unit, 1);
    assert_int_equal(wn_dialect_place(dialect, 17, 0, &err), WN_OK);
    assert_int_equal(m->unit, 17);
    assert_memory_equal(dialect->safe_off, "\x08\x11\x05\x00\x00", 5);
    assert_int_equal(wn_dialect_place(dialect, 0, 1, &err), WN_EINVAL);
    assert_non_null(
        strstr(err.text, "generic-modbus-relay.conf has no register with a channel_step"));
    assert_int_equal(wn_dialect_place(dialect, 248, 0, &err), WN_ERANGE);
    m->reg[coil].channel_step = 1;
    m->reg[contact].channel_step = 16;
    assert_int_equal(wn_dialect_place(dialect, 0, 0, &err), WN_EINVAL);
    assert_non_null(strstr(err.text, "needs the number of an output: write channel = 1"));
    assert_int_equal(wn_dialect_place(dialect, 3, 4, &err), WN_OK);
    assert_memory_equal(dialect->safe_off, "\x08\x03\x05\x00\x03", 5);
    assert_int_equal(m->read_span[0].address, 48);
    assert_int_equal(m->when[WN_MAP_SETUP].back[0].address, 3);
    assert_int_equal(wn_dialect_validate(dialect, &err), WN_OK);
    m->reg[contact].value.address = 65535 - 48;
    assert_int_equal(wn_dialect_place(dialect, 0, 4, &err), WN_OK);
    m->reg[contact].value.address = 65535 - 47;
    assert_int_equal(wn_dialect_place(dialect, 0, 4, &err), WN_ERANGE);
    assert_non_null(strstr(err.text, "channel 4 is beyond the last register"));
    read_dialect("generic-scpi");
    assert_int_equal(wn_dialect_place(dialect, 5, 0, &err), WN_EINVAL);
    assert_non_null(strstr(err.text, "speaks no MODBUS"));
}

static void test_channel_that_does_not_fit(void **state)
{
    (void)state;
    struct wn_error err;
    memset(&problems, 0, sizeof problems);
    read_dialect("generic-scpi");
    memset(dialect->off.line[0], 'x', sizeof dialect->off.line[0] - 1);
    memcpy(dialect->off.line[0], "{channel}", 9); /* shorter with a number */
    assert_int_equal(wn_dialect_place(dialect, 0, 12, &err), WN_OK);
    assert_memory_equal(dialect->off.line[0], "12x", 3);
}

/* All dialects of the station stand in the frozen text, in its order. */
static void test_frozen_whole(void **state)
{
    (void)state;
    static const char *const names[] = {
        "cells/demo-18650.conf",        "procedures/datasheet-claim.conf",
        "dialects/virtual-supply.conf", "dialects/virtual-load.conf",
        "dialects/virtual-relay.conf",  "dialects/virtual-thermometer.conf"};
    static struct wn_station_config station;
    static struct wn_dialect thawed[WN_INSTRUMENTS_MAX];
    char path[200];
    const char *dir = case_make_dir();
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        char *text = case_shipped(names[i]);
        case_write(dir, names[i], text);
        free(text);
    }
    char *text = with(PAIR RELAY THERMOMETERS);
    case_write(dir, "demo.conf", text);
    free(text);
    (void)snprintf(path, sizeof path, "%s/demo.conf", dir);
    memset(&problems, 0, sizeof problems);
    (void)wn_config_read_daemon(path, &daemon_config, &problems);
    char *frozen = wn_config_freeze(&daemon_config, &daemon_config.station[0], "demo-18650",
                                    "datasheet-claim", &problems);
    case_expect_none(&problems, "freeze");
    case_remove_dir(dir);
    assert_int_equal(wn_config_thaw(frozen, "A", &station, &cell, &procedure, thawed, &problems),
                     WN_OK);
    assert_int_equal(station.instruments, 5);
    assert_string_equal(thawed[0].name, "virtual-supply");
    assert_string_equal(thawed[2].name, "virtual-relay");
    assert_string_equal(thawed[4].name, "virtual-thermometer");

    *strstr(frozen, "# section dialect virtual-relay") = '\0';
    assert_int_equal(wn_config_thaw(frozen, "A", &station, &cell, &procedure, thawed, &problems),
                     WN_ECORRUPT);
    assert_non_null(strstr(problems.text[0], "no dialect for the relay"));
    free(frozen);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_order_and_names),
        cmocka_unit_test(test_accuracies),
        cmocka_unit_test(test_what_does_not_go_together),
        cmocka_unit_test(test_dialects_fit),
        cmocka_unit_test(test_skeletons),
        cmocka_unit_test(test_channel),
        cmocka_unit_test(test_unit),
        cmocka_unit_test(test_channel_that_does_not_fit),
        cmocka_unit_test(test_frozen_whole),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
