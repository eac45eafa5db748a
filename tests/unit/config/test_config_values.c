/* Settings that are no quantities, words instead of values, and values that do not go together.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "config_case.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct wn_problems problems;

/* A shipped file with one setting changed, and the message. "@" at its beginning stands for "F:"
 * and the line of the setting, "~text~" for "F:" and the line of that text. */
struct change {
    enum case_kind kind;
    const char *anchor, *key, *with, *want;
};

static void expect_changes(const struct change *c, size_t n)
{
    for (size_t i = 0; i < n; i++, c++) {
        int line;
        char *base = case_shipped(case_shipped_name(c->kind));
        char *text = case_change(base, c->anchor, c->key, c->with, &line);
        int rc = case_parse(c->kind, text, &problems);
        if (rc == WN_OK) {
            fail_msg("\"%s\" was taken without a word", c->with);
        }
        if (c->want[0] == '@') {
            case_expect(&problems, "F:%d%s", line, c->want + 1);
        } else if (c->want[0] == '~') {
            char place[64];
            size_t n_place = strcspn(c->want + 1, "~");
            (void)snprintf(place, sizeof place, "%.*s", (int)n_place, c->want + 1);
            case_expect(&problems, "F:%d%s", case_line(text, place), c->want + n_place + 2);
        } else {
            case_expect(&problems, "%s", c->want);
        }
        free(text);
        free(base);
    }
}
#define EXPECT(changes) expect_changes((changes), sizeof(changes) / sizeof(changes)[0])

static void expect_good(enum case_kind kind, const char *anchor, const char *key, const char *with)
{
    int line;
    char *base = case_shipped(case_shipped_name(kind));
    char *text = case_change(base, anchor, key, with, &line);
    (void)case_parse(kind, text, &problems);
    case_expect_none(&problems, with);
    free(text);
    free(base);
}

static void test_counts(void **state)
{
    (void)state;
    static const struct change changes[] = {
        {CASE_CELL, "claim = {", "cycles", "cycles = \"300\"",
         "@: claim.cycles: is a text where a whole number without quotes is wanted; write cycles = "
         "300;"},
        {CASE_CELL, "claim = {", "cycles", "cycles = 300.5",
         "@: claim.cycles: is a number where a whole number without quotes is wanted; write cycles "
         "= "
         "300;"},
        {CASE_CELL, "claim = {", "cycles", "cycles = 4.0",
         "@: claim.cycles: is a number where a whole number without quotes is wanted; write cycles "
         "= "
         "300;"},
        {CASE_CELL, "claim = {", "cycles", "cycles = 0",
         "@: claim.cycles: 0 is outside 1 to 100000; write for example 300"},
        {CASE_CELL, "claim = {", "cycles", "cycles = -5",
         "@: claim.cycles: -5 is outside 1 to 100000; write for example 300"},
        {CASE_CELL, "claim = {", "cycles", "cycles = 9223372036854775807L",
         "@: claim.cycles: 9223372036854775807 is outside 1 to 100000; write for example 300"},
        {CASE_CELL, "claim = {", "cycles", "cycles = 3000000000",
         "@: the number 3000000000 is too large; the largest is 2147483647"},
        {CASE_CELL, "claim = {", "cycles", "cycles = 99999999999999999999L",
         "@: the number 99999999999999999999 is too large; the largest is 9223372036854775807"},
        {CASE_PROCEDURE, "phases", "repeat", "repeat = \"claims\"",
         "@: phase.claim.repeat: is a text where a whole number without quotes is wanted; write "
         "repeat "
         "= 300 or \"claim\";"},
        {CASE_PROCEDURE, "check_up", "every", "every = 0",
         "@: check_up.every: 0 is outside 1 to 100000; write for example 50"},
        {CASE_DIALECT, "", "retries", "retries = 11",
         "@: retries: 11 is outside 0 to 10; write for example 2"},
        {CASE_DIALECT, "", "baud", "baud = 115200.0",
         "@: baud: is a number where a whole number without quotes is wanted; write baud = "
         "115200;"},
        {CASE_DAEMON, "stations", "space_min_mb", "space_min_mb = \"100\"",
         "@: station.A.space_min_mb: is a text where a number without quotes is wanted; write "
         "space_min_mb = 200;"},
        {CASE_DIALECT, "", "overload", "overload = 1e400",
         "@: overload: the number is out of range; write for example 9.9e37"},
        {CASE_DAEMON, "limits", "needs_temperature",
         "needs_temperature = true; debounce = { over_voltage = 300; }",
         "@: station.A.limits.debounce.over_voltage: 300 is outside 1 to 20; write for example 1"},
        {CASE_DAEMON, "limits", "needs_temperature",
         "needs_temperature = true; debounce = { over_volage = 2; }",
         "@: station.A.limits.debounce.over_volage: unknown key; did you mean over_voltage?"},
    };
    EXPECT(changes);
    expect_good(CASE_CELL, "claim = {", "cycles", "cycles = 500L");
    expect_good(CASE_DAEMON, "limits", "needs_temperature",
                "needs_temperature = true; debounce = { over_voltage = 2; }");
    expect_good(CASE_DAEMON, "stations", "dialect", "dialect = \"x\"; baud = 9600");
}

static void test_station_texts_and_words(void **state)
{
    (void)state;
    static const struct change changes[] = {
        {CASE_DAEMON, "stations", "name", "name = 1",
         "@: station.1.name: is an integer where a text in quotes is wanted; write name = \"A\";"},
        {CASE_DAEMON, "stations", "name", "name = \"\"",
         "@: station.1.name: is empty; write for example \"A\""},
        {CASE_DAEMON, "stations", "name", "name = \"a/b\"",
         "@: station.a/b.name: becomes part of file names: use letters, digits, \".\", \"_\" and "
         "\"-\""},
        {CASE_DAEMON, "stations", "name", "name = \"a234567890b234567890c234567890d23\"",
         "@: station.a234567890b234567890c234567890d23.name: is longer than 32 characters"},
        {CASE_DAEMON, "stations", "name", "name = \"a\\nb\"",
         "@: station.a?b.name: holds a control character; write plain text"},
        {CASE_DAEMON, "stations", "dialect", "",
         "~    {\n~: station.A: dialect is missing; write dialect = \"generic-scpi\";"},
        {CASE_DAEMON, "stations", "port", "port = true",
         "@: station.A.port: is true or false where a text in quotes is wanted; write port = "
         "\"/dev/serial/by-id/...\";"},
        {CASE_DAEMON, "stations", "port", "port = \"tcp://192.168.1.20\"",
         "@: station.A.port: port tcp://192.168.1.20 cannot be read: write "
         "tcp://192.168.1.20:4001, "
         "rfc2217://192.168.1.20:4001 or, for IPv6, tcp://[fd00::20]:4001"},
        {CASE_DAEMON, "stations", "port", "port = \"udp://192.168.1.20:4001\"",
         "@: station.A.port: port udp://192.168.1.20:4001 cannot be read: write "
         "tcp://192.168.1.20:4001, rfc2217://192.168.1.20:4001 or, for IPv6, "
         "tcp://[fd00::20]:4001"},
        {CASE_DAEMON, "stations", "port", "port = \"tcp://h:1\"; interlock = \"dtr\"",
         "@: station.A.interlock: needs modem lines, and tcp:// has none: use a server that speaks "
         "RFC 2217 (rfc2217://), or write interlock = \"none\""},
        {CASE_DAEMON, "stations", "on_restart", "on_restart = \"resum\"",
         "@: station.A.on_restart: \"resum\" is not known; did you mean \"resume\"?"},
        {CASE_DAEMON, "stations", "on_restart", "on_restart = \"go\"",
         "@: station.A.on_restart: \"go\" is not known; write \"hold\" or \"resume\""},
        {CASE_DAEMON, "stations", "on_restart", "on_restart = true",
         "@: station.A.on_restart: is true or false where a word is wanted; write on_restart = "
         "\"hold\" or "
         "\"resume\";"},
        {CASE_DAEMON, "limits", "temperature_rise", "temperature_rise = \"of\"",
         "@: station.A.limits.temperature_rise: \"of\" does not begin with a number: a temperature "
         "rate is "
         "written for example as \"1 K/min\"; or did you mean \"off\"?"},
        {CASE_DAEMON, "limits", "needs_temperature", "needs_temperature = \"true\"",
         "@: station.A.limits.needs_temperature: is a text where true or false is wanted; write "
         "needs_temperature = true;"},
        {CASE_DAEMON, "limits", "needs_temperature", "",
         "~limits = {~: station.A.limits: needs_temperature is missing; write needs_temperature = "
         "true;"},
        {CASE_DAEMON, "stations", "limits", "limits = \"none\"",
         "@: station.A.limits: must be a group of settings; write { voltage_max = \"4.25 V\"; ... "
         "}"},
        {CASE_DAEMON, "stations", "limits", "",
         "~    {\n~: station.A: limits is missing; write limits = { voltage_max = \"4.25 V\"; ... "
         "};"},
    };
    EXPECT(changes);
    expect_good(CASE_DAEMON, "limits", "temperature_rise", "temperature_rise = \"off\"");
}

static void test_daemon_texts(void **state)
{
    (void)state;
    static const struct change changes[] = {
        {CASE_DAEMON, "", "data_dir", "data_dir = 3",
         "@: data_dir: is an integer where a text in quotes is wanted; write data_dir = "
         "\"/var/lib/wane\";"},
        {CASE_DAEMON, "", "run_dir", "", "F:1: run_dir is missing; write run_dir = \"/run/wane\";"},
        {CASE_DAEMON, "", "stations", "stations = { name = \"A\"; }",
         "@: stations: must be a list; write ( { name = \"A\"; ... } )"},
        {CASE_DAEMON, "", "stations", "stations = ( )",
         "@: stations: has 0 elements; 1 to 32 are possible"},
        {CASE_DAEMON, "", "alerts", "alerts = \"non\"",
         "@: alerts: must name a program to be run for each alarm: write alerts = { hook = "
         "\"/etc/wane/alert\"; }, or alerts = \"none\" when nobody shall be told"},
        {CASE_DAEMON, "", "alerts", "",
         "F:1: alerts is missing; write alerts = { hook = \"/etc/wane/alert\"; };"},
        {CASE_DAEMON, "", "alerts", "alerts = { }",
         "@: alerts: hook is missing; write hook = \"/etc/wane/alert\";"},
        {CASE_DAEMON, "", "alerts", "alerts = { hook = \"x\"; timeout = 30; }",
         "@: alerts.timeout: \"30\" has no unit: write \"30 s\", \"30 min\" or \"30 h\""},
        {CASE_DAEMON, "", "alerts", "alarms = \"none\"",
         "@: alarms: unknown key; did you mean alerts?"},
        {CASE_DAEMON, "", "alerts", "colour = \"none\"",
         "@: colour: unknown key; known here: conf_dir, data_dir, run_dir, metrics_file, "
         "look_group, "
         "command_group, alerts, publish, stations"},
    };
    EXPECT(changes);
    expect_good(CASE_DAEMON, "", "alerts", "alerts = { hook = \"/bin/true\"; }");
    expect_good(CASE_DAEMON, "", "alerts",
                "look_group = \"wane\"; command_group = \"wane\"; alerts = \"none\"");
}

static void test_dialect_texts_and_words(void **state)
{
    (void)state;
    static const struct change changes[] = {
        {CASE_DIALECT, "", "current_sign",
         "current_sign = \"charge positive\"; checksum = { kind = \"xor9\"; form = \"HEX\"; }",
         "@: checksum.kind: \"xor9\" is not known; write sum8, sum16, negated8, negated16, xor8 or "
         "a "
         "CRC by its name in catalogues, such as crc-16/modbus or crc-8/smbus"},
        {CASE_DIALECT, "", "current_sign",
         "current_sign = \"charge positive\"; checksum = { kind = \"xor8\"; form = \"octal\"; }",
         "@: checksum.form: \"octal\" is not known; write \"HEX\", \"hex\", \"decimal\" or "
         "\"padded decimal\""},
        {CASE_DIALECT, "", "current_sign",
         "current_sign = \"charge positive\"; checksum = { form = \"HEX\"; }",
         "@: checksum: kind is missing; write kind = \"xor8\";"},
        {CASE_CELL, "", "title", "", "F:1: title is missing; write title = \"maker and model\";"},
        {CASE_PROCEDURE, "", "title", "title = ( )",
         "@: title: is a list where a text in quotes is wanted; write title = \"what this "
         "procedure is "
         "for\";"},
        {CASE_DIALECT, "", "simulated", "simulated = 1",
         "@: simulated: is an integer where true or false is wanted; write simulated = false;"},
        {CASE_DIALECT, "", "current_sign", "current_sign = \"positive\"",
         "@: current_sign: \"positive\" is not known; write \"charge positive\" or \"discharge "
         "positive\""},
        {CASE_DIALECT, "", "terminator", "terminator = \"x\"",
         "@: terminator: must be \"\\n\", \"\\r\\n\" or \"\\r\""},
        {CASE_DIALECT, "", "safe_off", "safe_off = \"OUTP OFF\"",
         "@: safe_off: must end with the terminator, or the instrument waits for more"},
        {CASE_DIALECT, "", "safe_off", "",
         "F:1: safe_off is missing; write safe_off = \"\\nOUTP OFF\\nOUTP OFF\\n\";"},
        {CASE_DIALECT, "", "on", "on = \"OUTP ON\"",
         "@: on: must be a list; write ( \"OUTP ON\" )"},
        {CASE_DIALECT, "", "off", "off = ( 1 )",
         "@: off.1: is an integer where a text in quotes is wanted; write off = ( \"OUTP OFF\" );"},
        {CASE_DIALECT, "read = {", "separator", "separator = \", \"",
         "@: read.separator: must be one character that no number holds; write separator = \",\";"},
        {CASE_DIALECT, "read = {", "separator", "separator = \".\"",
         "@: read.separator: must be one character that no number holds; write separator = \",\";"},
        {CASE_DIALECT, "read = {", "fields", "fields = ( \"voltage\" )",
         "@: read.field.1: \"voltage\" is not known; did you mean \"voltage_v\"?"},
        {CASE_DIALECT, "read = {", "fields", "fields = ( \"voltage_v\", \"voltage_v\" )",
         "@: read.field.2: is in the reply twice; write \"ignore\" for one of them"},
        {CASE_DIALECT, "read = {", "fields", "fields = ( \"time_s\", \"current_a\" )",
         "@: read.fields: \"voltage_v\" is missing; add it where the reply holds it"},
        {CASE_DIALECT, "read = {", "fields", "fields = ( \"voltage_v\", \"current_a\" )",
         "@: read.fields: \"time_s\" is missing, because has_clock is true; add it where the reply "
         "holds it"},
        {CASE_DIALECT, "read = {", "query", "query = \"MEAS:ALL? {intervals}\"",
         "@: read.query: {intervals} is no value that can be put in; did you mean {interval_s}?"},
        {CASE_DIALECT, "", "on", "on = ( \"OUTP ON\", \"X {yes}\" )",
         "@: on.2: {yes} is no value that can be put in; write for example {current_a}"},
        {CASE_DIALECT, "", "off", "off = ( \"OUTP {current_a\" )",
         "@: off.1: {current_a has no closing }"},
        {CASE_DIALECT, "charge = {", "tolerance", "",
         "@: charge.readback.2: tolerance is missing: expect is a number; write tolerance = \"2 "
         "mA\";"},
        {CASE_DIALECT, "charge = {", "tolerance", "tolerance = \"1 V\"",
         "@: charge.readback.2.tolerance: \"1 V\" is a voltage where a current is wanted: write it "
         "in uA, "
         "mA, A or It"},
        {CASE_DIALECT, "charge = {", "expect", "expect = \"CHAR\"; tolerance = \"1 V\"",
         "@: charge.readback.1.tolerance: belongs to a number: expect is the text \"CHAR\"; remove "
         "it"},
        {CASE_DIALECT, "", "charge", "charge = { set = ( \"X\" ); }",
         "@: charge: readback is missing; write readback = ( { query = \"SOUR:CURR?\"; expect = "
         "\"current_a\"; tolerance = \"2 mA\"; } );"},
    };
    EXPECT(changes);
}

static void test_steps(void **state)
{
    (void)state;
    static const struct change changes[] = {
        {CASE_PROCEDURE, "phases", "do", "do = \"dance\"",
         "@: phase.claim.step.1.do: no step does that; write do = \"charge\", \"rest\", "
         "\"discharge\" or "
         "\"pulse\";"},
        {CASE_PROCEDURE, "phases", "do", "",
         "@: phase.claim.step.1: do is missing: what shall this step do?; write do = \"charge\", "
         "\"rest\", "
         "\"discharge\" or \"pulse\";"},
        {CASE_PROCEDURE, "do = \"rest\"", "duration", "duration = \"1 h\"; until = \"1 A\"",
         "@: phase.claim.step.2.until: unknown key; known here: do, duration"},
        {CASE_PROCEDURE, "do = \"discharge\"", "current", "current = \"10 A\"; power = \"20 W\"",
         "@: phase.claim.step.3: a discharge needs current or power, and has both; write current = "
         "\"0.2 It\";"},
        {CASE_PROCEDURE, "do = \"discharge\"", "current", "",
         "@: phase.claim.step.3: a discharge needs current or power, and has neither; write "
         "current = "
         "\"0.2 It\";"},
        {CASE_PROCEDURE, "phases", "steps", "steps = ( 1 )",
         "@: phase.claim.step.1: must be a step; write { do = \"rest\"; duration = \"1 h\"; }"},
        {CASE_PROCEDURE, "phases", "steps", "steps = ( )",
         "@: phase.claim.steps: has 0 elements; 1 to 96 are possible"},
        {CASE_PROCEDURE, "", "phases", "phases = \"none\"",
         "@: phases: must be a list; write ( { name = \"endurance\"; repeat = 300; steps = ( ... "
         "); } )"},
        {CASE_PROCEDURE, "check_up", "levels", "levels = ( )",
         "@: check_up.step.3.levels: has 0 elements; 1 to 4 are possible"},
        {CASE_PROCEDURE, "", "end_below", "end_below = \"claims\"",
         "@: end_below: \"claims\" does not begin with a number: a capacity is written for example "
         "as \"1 "
         "Ah\" or \"1000 mAh\"; or did you mean \"claim\"?"},
        {CASE_PROCEDURE, "", "end_below", "end_below = \"170 %\"",
         "@: end_below: 170 % is outside 1 % to 100 %; write for example \"none\""},
        {CASE_PROCEDURE, "do = \"discharge\"", "current", "current = \"datasheet\"",
         "@: phase.claim.step.3.current: \"datasheet\" does not begin with a number: a current is "
         "written "
         "for example as \"1 A\", \"1000 mA\" or \"0.5 It\""},
    };
    EXPECT(changes);
    expect_good(CASE_PROCEDURE, "", "end_below", "end_below = \"70 %\"");
    expect_good(CASE_PROCEDURE, "", "end_below", "end_below = \"claim\"");
    expect_good(CASE_PROCEDURE, "", "end_below", "end_below = \"1750 mAh\"");
    expect_good(CASE_PROCEDURE, "", "check_up", "");
    expect_good(CASE_PROCEDURE, "do = \"discharge\"", "current", "power = \"20 W\"");
}

/* The datasheet of demo-18650: 4 A and 4.2 V to charge, 20 A and 2.5 V to discharge. At the limit
 * and just beyond it. */
static void test_outside_the_datasheet(void **state)
{
    (void)state;
    static const struct change changes[] = {
        {CASE_PROCEDURE, "do = \"charge\"", "current", "current = \"4.001 A\"",
         "@: phase.claim.step.1.current: a charge current of 4.001 A is outside the datasheet of "
         "cell "
         "demo-18650: charge_current_max is 4 A"},
        {CASE_PROCEDURE, "do = \"charge\"", "voltage", "voltage = \"4.201 V\"",
         "@: phase.claim.step.1.voltage: a charge voltage of 4.201 V is outside the datasheet of "
         "cell "
         "demo-18650: charge_voltage is 4.2 V"},
        {CASE_PROCEDURE, "do = \"charge\"", "voltage", "voltage = \"2.4 V\"",
         "@: phase.claim.step.1.voltage: is below the discharge cut-off of the cell"},
        {CASE_PROCEDURE, "do = \"charge\"", "until", "until = \"4 A\"",
         "@: phase.claim.step.1.until: the end current must be below the charge current"},
        {CASE_PROCEDURE, "do = \"discharge\"", "current", "current = \"8.01 It\"",
         "@: phase.claim.step.3.current: a discharge current of 20.025 A is outside the datasheet "
         "of cell "
         "demo-18650: discharge_current_max is 20 A"},
        {CASE_PROCEDURE, "do = \"discharge\"", "current", "power = \"50.1 W\"",
         "@: phase.claim.step.3.power: a discharge current of 20.04 A is outside the datasheet of "
         "cell "
         "demo-18650: discharge_current_max is 20 A"},
        {CASE_PROCEDURE, "do = \"discharge\"", "until", "until = \"2.499 V\"",
         "@: phase.claim.step.3.until: a cut-off of 2.499 V is outside the datasheet of cell "
         "demo-18650: "
         "discharge_cutoff is 2.5 V"},
        {CASE_PROCEDURE, "do = \"discharge\"", "until", "until = \"4.2 V\"",
         "@: phase.claim.step.3.until: a cut-off must be below the charge voltage of the cell"},
        {CASE_PROCEDURE, "do = \"discharge\"", "time_limit", "time_limit = \"14 min\"",
         "@: phase.claim.step.3.time_limit: 14 min ends this step too early: the rated capacity "
         "alone "
         "takes 15 min; allow half as much again"},
        {CASE_PROCEDURE, "levels = (", "current", "current = \"21 A\"",
         "@: check_up.step.3.level.1.current: a discharge current of 21 A is outside the datasheet "
         "of "
         "cell demo-18650: discharge_current_max is 20 A"},
        {CASE_CELL, "", "voltage_min", "voltage_min = \"2.5 V\"",
         "@: voltage_min: 2.5 V is not below discharge_cutoff, which is 2.5 V"},
        {CASE_CELL, "", "voltage_max", "voltage_max = \"4.2 V\"",
         "~charge_voltage ~: charge_voltage: 4.2 V is not below voltage_max, which is 4.2 V"},
        {CASE_CELL, "", "nominal_voltage", "nominal_voltage = \"4.3 V\"",
         "@: nominal_voltage: 4.3 V is not below charge_voltage, which is 4.2 V"},
        {CASE_CELL, "standard_charge", "current", "current = \"2 It\"",
         "@: standard_charge.current: 5 A is more than charge_current_max, which is 4 A"},
        {CASE_CELL, "claim = {", "discharge_current", "discharge_current = \"20.1 A\"",
         "@: claim.discharge_current: 20.1 A is more than discharge_current_max, which is 20 A"},
        {CASE_CELL, "claim = {", "discharge_until", "discharge_until = \"2.4 V\"",
         "@: claim.discharge_until: is below the cell's discharge_cutoff"},
        {CASE_CELL, "", "charge_temperature_min", "charge_temperature_min = \"50 degC\"",
         "@: charge_temperature_min: must be below charge_temperature_max"},
        {CASE_PROCEDURE, "", "ambient_min", "ambient_min = \"25 degC\"",
         "@: ambient_min: must be below ambient_max"},
    };
    EXPECT(changes);
    expect_good(CASE_PROCEDURE, "do = \"charge\"", "current", "current = \"4 A\"");
    expect_good(CASE_PROCEDURE, "do = \"discharge\"", "current", "current = \"8 It\"");
    expect_good(CASE_PROCEDURE, "do = \"discharge\"", "current", "power = \"50 W\"");
    expect_good(CASE_PROCEDURE, "do = \"discharge\"", "time_limit", "time_limit = \"15 min\"");
}

static void test_values_that_do_not_go_together(void **state)
{
    (void)state;
    static const struct change changes[] = {
        {CASE_DAEMON, "limits", "voltage_min", "voltage_min = \"4.25 V\"",
         "@: station.A.limits.voltage_min: must be below voltage_max"},
        {CASE_DAEMON, "limits", "charge_temperature_min", "charge_temperature_min = \"50 degC\"",
         "@: station.A.limits.charge_temperature_min: must be below charge_temperature_max"},
        {CASE_DAEMON, "stations", "fast_interval", "fast_interval = \"2 s\"",
         "@: station.A.fast_interval: must not be longer than reading_interval"},
        {CASE_DAEMON, "stations", "rest_interval", "rest_interval = \"500 ms\"",
         "@: station.A.rest_interval: must not be shorter than reading_interval"},
        {CASE_DAEMON, "stations", "gap_max", "gap_max = \"2.9 s\"",
         "@: station.A.gap_max: must be at least 3 times reading_interval, or one lost reply would "
         "be a "
         "gap"},
        {CASE_DAEMON, "limits", "off_current", "off_current = \"1 mA\"",
         "@: station.A.limits.off_current: is below the fixed part of the accuracy: the instrument "
         "cannot tell such a current from none"},
        {CASE_DAEMON, "limits", "set_point_tolerance", "set_point_tolerance = \"1 mA\"",
         "@: station.A.limits.set_point_tolerance: is tighter than the accuracy of the instrument: "
         "it would "
         "halt without cause"},
        {CASE_DAEMON, "", "run_dir",
         "run_dir = "
         "\"/a234567890a234567890a234567890a234567890a234567890a234567890a234567890a234567890a2345"
         "67890a234567890a234567890\"",
         "~name    =~: station.A.name: the socket's path run_dir/A.sock would be longer than 107 "
         "characters; choose "
         "a shorter run_dir"},
    };
    EXPECT(changes);
    expect_good(CASE_DAEMON, "stations", "gap_max", "gap_max = \"3 s\"");
    expect_good(CASE_DAEMON, "stations", "gap_max", "");
    expect_good(CASE_DAEMON, "stations", "pause_recovery", "");
}

#define ACCURACY(voltage, current)                                                                 \
    "accuracy = { voltage_reading = \"0.02 %\"; current_reading = \"0.05 %\"; temperature = \"1 "  \
    "K\"; time = \"20 ppm\"; " voltage current " }"

/* The parts of a datasheet's accuracy, which belong together or to a limit. */
static void test_accuracy(void **state)
{
    (void)state;
    static const struct change changes[] = {
        {CASE_DAEMON, "stations", "accuracy", ACCURACY("", "current_fixed = \"2 mA\";"),
         "@: station.A.accuracy: voltage_fixed is missing; write voltage_fixed = \"1 mV\"; or "
         "voltage_range = \"5 V\"; voltage_of_range = \"200 ppm\";"},
        {CASE_DAEMON, "stations", "accuracy", ACCURACY("voltage_fixed = \"1 mV\";", ""),
         "@: station.A.accuracy: current_fixed is missing; write current_fixed = \"5 mA\"; or "
         "current_range = \"10 A\"; current_of_range = \"500 ppm\";"},
        {CASE_DAEMON, "stations", "accuracy",
         ACCURACY("voltage_of_range = \"200 ppm\";", "current_fixed = \"2 mA\";"),
         "@: station.A.accuracy.voltage_of_range: is a part of voltage_range, which is missing; "
         "write the range the instrument is set to"},
        {CASE_DAEMON, "stations", "accuracy",
         ACCURACY("voltage_fixed = \"1 mV\";",
                  "current_fixed = \"1 mA\"; current_range = \"50 A\";"),
         "@: station.A.accuracy.current_range: says nothing without current_of_range; write both, "
         "or neither"},
        {CASE_DAEMON, "stations", "accuracy",
         ACCURACY("voltage_of_range = \"200 ppm\"; voltage_range = \"4.2 V\";",
                  "current_fixed = \"2 mA\";"),
         "@: station.A.accuracy.voltage_range: is below limits.voltage_max: the datasheet promises "
         "nothing beyond the range"},
        {CASE_DAEMON, "stations", "accuracy",
         ACCURACY("voltage_fixed = \"1 mV\";",
                  "current_of_range = \"100 ppm\"; current_range = \"24 A\";"),
         "@: station.A.accuracy.current_range: is below limits.discharge_current_max: the "
         "datasheet promises nothing beyond the range"},
        {CASE_DAEMON, "stations", "accuracy",
         ACCURACY(
             "voltage_fixed = \"1 mV\";",
             "current_fixed = \"6 mA\"; current_of_range = \"500 ppm\"; current_range = \"30 A\";"),
         "~off_current~: station.A.limits.off_current: is below the fixed part of the accuracy: "
         "the instrument cannot tell such a current from none"},
    };
    EXPECT(changes);
    expect_good(CASE_DAEMON, "stations", "accuracy",
                ACCURACY("voltage_of_range = \"200 ppm\"; voltage_range = \"4.25 V\";",
                         "current_fixed = \"5 mA\"; current_of_range = \"500 ppm\"; current_range "
                         "= \"30 A\";"));
}

static void test_cell_without_claim(void **state)
{
    (void)state;
    static struct wn_cell cell;
    static struct wn_procedure procedure;
    int line;
    char *text = case_shipped("cells/demo-18650.conf");
    char *claimless = case_change(text, "", "claim", "", &line);
    char *claim = case_shipped("procedures/datasheet-claim.conf");
    problems.n = 0;
    assert_int_equal(
        wn_config_parse_cell(claimless, strlen(claimless), "cell", "x", &cell, &problems), WN_OK);
    assert_int_equal(
        wn_config_parse_procedure(claim, strlen(claim), "F", "p", &cell, &procedure, &problems),
        WN_EINVAL);
    assert_int_equal(problems.n, 5);
    case_expect(
        &problems,
        "F:%d: phase.claim.repeat: \"claim\" has no meaning: the datasheet of cell x claims "
        "nothing; write a value, or add claim = { ... } to the cell's file",
        case_line(claim, "repeat = \"claim\""));
    free(text);
    free(claimless);
    free(claim);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_counts),
        cmocka_unit_test(test_station_texts_and_words),
        cmocka_unit_test(test_daemon_texts),
        cmocka_unit_test(test_dialect_texts_and_words),
        cmocka_unit_test(test_steps),
        cmocka_unit_test(test_outside_the_datasheet),
        cmocka_unit_test(test_values_that_do_not_go_together),
        cmocka_unit_test(test_accuracy),
        cmocka_unit_test(test_cell_without_claim),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
