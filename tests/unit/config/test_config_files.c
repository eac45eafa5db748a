/* The shipped files, several stations, and paths.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "config_case.h"
#include "shipped.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "support/near.h"

/* Calls read for each file of a directory of conf/. */
static int for_each(const char *kind, void (*read)(const char *name))
{
    char path[512], name[64];
    int n = 0;
    (void)snprintf(path, sizeof path, "%s/%s", CONF, kind);
    DIR *d = opendir(path);
    assert_non_null(d);
    for (struct dirent *e; (e = readdir(d)) != NULL;) {
        if (e->d_name[0] != '.') {
            wn_config_name(e->d_name, name, sizeof name);
            read(name);
            n++;
        }
    }
    (void)closedir(d);
    return n;
}

static int setup_test(void **state)
{
    (void)state;
    problems.n = 0;
    return 0;
}

static void test_every_shipped_file(void **state)
{
    (void)state;
    read_daemon(CONF "/waned.conf");
    read_daemon(CONF "/demo.conf");
    assert_true(for_each("dialects", read_dialect) >= 2);
    assert_true(for_each("cells", read_cell) >= 3);
    read_cell("demo-18650");
    assert_true(for_each("procedures", read_procedure) >= 6);
}

static void test_demo_daemon(void **state)
{
    (void)state;
    read_daemon(CONF "/demo.conf");
    const struct wn_station_config *a = wn_config_station(&daemon_config, "A");
    assert_non_null(a);
    assert_null(wn_config_station(&daemon_config, "B"));
    assert_int_equal(daemon_config.stations, 1);
    assert_true(daemon_config.alert.none_on_purpose);
    assert_string_equal(a->instrument[0].dialect, "virtual-bench");
    assert_int_equal(a->on_restart, WN_RESTART_RESUME);
    assert_int_equal(a->instrument[0].baud, 0);
    assert_near(a->reading_interval_s, 1, 0);
    assert_near(a->rest_interval_s, 60, 0);
    assert_near(a->fast_interval_s, 0.1, 0);
    assert_near(a->pause_recovery_s, 43200, 0);
    assert_near(a->accuracy.voltage_reading, 0.0002, 0);
    assert_near(a->accuracy.voltage_fixed_v, 0.001, 1e-15); /* 0.5 mV + 100 ppm of 5 V */
    assert_near(a->accuracy.current_fixed_a, 0.002, 1e-15); /* 0.5 mA + 50 ppm of 30 A */
    assert_near(a->limits.voltage_max_v, 4.25, 0);
    assert_near(a->limits.set_point_tolerance, 0.005, 0);
    assert_near(a->store.time_s, 300, 0);
    assert_near(a->space_min_mb, 100, 0);
    assert_true(a->limits.needs_temperature);
    assert_int_equal(a->limits.debounce[WN_RULE_OVER_VOLTAGE], 0);
}

static void test_demo_cell_and_claim(void **state)
{
    (void)state;
    read_cell("demo-18650");
    assert_string_equal(cell.name, "demo-18650");
    assert_near(cell.rated_capacity_ah, 2.5, 0);
    assert_near(cell.standard_charge_current_a, 1.25, 0);
    assert_int_equal(cell.claim.cycles, 300);
    assert_near(cell.claim.min_ah, 1.75, 1e-15); /* 70 % of 2500 mAh */
    read_procedure("datasheet-claim");
    assert_string_equal(procedure.name, "datasheet-claim");
    assert_int_equal(procedure.phases, 1);
    assert_int_equal(procedure.phase[0].repeat, 300);
    assert_true(procedure.phase[0].makes_cycles);
    assert_int_equal(step(0, 0)->kind, WN_STEP_CHARGE);
    assert_near(step(0, 0)->current_a, 4, 0);
    assert_near(step(0, 0)->voltage_v, 4.2, 0);
    assert_near(step(0, 0)->until_current_a, 0.1, 0);
    assert_near(step(0, 1)->duration_s, 3600, 0);
    assert_near(step(0, 2)->current_a, 10, 0);
    assert_near(step(0, 2)->until_voltage_v, 2.5, 0);
    assert_int_equal(procedure.check_up_every, 50);
    const struct wn_step *pulse = &procedure.step[procedure.check_up_first_step + 2];
    assert_int_equal(pulse->kind, WN_STEP_PULSE);
    assert_int_equal(pulse->levels, 2);
    assert_near(pulse->level[0].current_a, 0.5, 1e-15); /* 0.2 It of 2.5 Ah */
    assert_near(pulse->level[1].current_a, 2.5, 0);
    assert_near(pulse->level[1].duration_s, 1, 0);
    assert_near(procedure.end_below_ah, 0, 0);
    assert_near(procedure.resistance_delay_s, 1, 0);
}

static void test_source_lines(void **state)
{
    (void)state;
    char *text = case_shipped("procedures/datasheet-claim.conf");
    read_cell("demo-18650");
    read_procedure("datasheet-claim");
    assert_int_equal(step(0, 0)->source_line, case_line(text, "            { do = \"charge\""));
    assert_int_equal(step(0, 2)->source_line, case_line(text, "{ do = \"discharge\""));
    free(text);
}

static void test_rates(void **state)
{
    (void)state;
    static const double rates_a[] = {0.5, 5, 10, 15, 20};
    read_cell("demo-18650");
    read_procedure("rate-survey");
    assert_int_equal(procedure.phases, 5);
    for (int i = 0; i < 5; i++) {
        assert_near(step(i, 2)->current_a, rates_a[i], 1e-12);
        for (int k = 1; k < 4; k += 2) {
            assert_true(step(i, k)->duration_s >= 3600);
        }
    }
    read_procedure("endurance");
    assert_near(procedure.end_below_ah, 1.5, 1e-15); /* 60 % of 2500 mAh */
}

/* Only a charge and a discharge together make a cycle; what is not written has its default. */
static void test_phases_without_cycles(void **state)
{
    (void)state;
    static const char text[] =
        "title = \"x\"; ambient_min = \"15 degC\"; ambient_max = \"25 degC\"; rest_min = \"1 h\";\n"
        "end_below = \"none\";\n"
        "phases = ( { name = \"fill\"; repeat = 1; steps = (\n"
        "  { do = \"charge\"; current = \"1 It\"; voltage = \"4.1 V\"; until = \"100 mA\"; "
        "time_limit = \"3 h\"; } ); },\n"
        "  { name = \"empty\"; repeat = 2; steps = ( { do = \"rest\"; duration = \"2 h\"; },\n"
        "  { do = \"discharge\"; power = \"10 W\"; until = \"3 V\"; time_limit = \"3 h\"; } ); } "
        ");\n";
    read_cell("demo-18650");
    (void)wn_config_parse_procedure(text, strlen(text), "F", "x", &cell, &procedure, &problems);
    case_expect_none(&problems, "phases without cycles");
    assert_false(procedure.phase[0].makes_cycles || procedure.phase[1].makes_cycles);
    assert_int_equal(procedure.phase[1].first_step, 1);
    assert_int_equal(step(1, 1)->kind, WN_STEP_DISCHARGE_POWER);
    assert_int_equal(step(1, 1)->source_line, 6);
    assert_near(step(1, 1)->power_w, 10, 0);
    assert_near(procedure.resistance_delay_s, 1, 0);
    assert_int_equal(procedure.check_up_steps, 0);
}

static void test_sign_of_current(void **state)
{
    (void)state;
    int line;
    char *text = case_shipped("dialects/virtual-bench.conf");
    char *other =
        case_change(text, "", "current_sign", "current_sign = \"discharge positive\"", &line);
    (void)wn_config_parse_dialect(other, strlen(other), "F", "x", dialect, &problems);
    case_expect_none(&problems, "discharge positive");
    assert_int_equal(dialect->current_sign, -1);
    free(other);
    free(text);
}

static void test_virtual_bench(void **state)
{
    (void)state;
    read_dialect("virtual-bench");
    assert_true(dialect->simulated && dialect->has_clock);
    assert_int_equal(dialect->read[0].fields, 6);
    assert_int_equal(dialect->read[0].field[5].what, WN_FIELD_OUTPUT);
    assert_int_equal(dialect->current_sign, 1);
    assert_int_equal(dialect->read[0].separator, ',');
    assert_int_equal(dialect->power.readbacks, 3);
    assert_near(dialect->charge.readback[1].tolerance, 0.001, 0);
    assert_near(dialect->reply_timeout_s, 0.5, 0);
    assert_string_equal(dialect->safe_off, "\nOUTP OFF\nOUTP OFF\n");
    assert_int_equal(dialect->safe_off_len, 19);
    read_dialect("generic-scpi");
    assert_false(dialect->simulated || dialect->has_clock);
    assert_int_equal(dialect->power.set.n, 0);
}

static void test_paths(void **state)
{
    (void)state;
    char path[200], want[300];
    const char *dir = case_make_dir();
    char *text = case_shipped("demo.conf");
    case_write(dir, "conf/demo.conf", text);
    (void)snprintf(path, sizeof path, "%s/conf/demo.conf", dir);
    read_daemon(path);
    assert_string_equal(daemon_config.file, path);
    (void)snprintf(want, sizeof want, "%s/conf", dir);
    assert_string_equal(daemon_config.conf_dir, want);
    (void)snprintf(want, sizeof want, "%s/data", dir);
    assert_string_equal(daemon_config.data_dir, want);
    (void)snprintf(want, sizeof want, "%s/run/virtual-bench", dir);
    assert_string_equal(daemon_config.station[0].instrument[0].port, want);

    int line;
    char *absolute = case_change(text, "stations", "port", "port = \"/dev/ttyX\"", &line);
    case_write(dir, "conf/demo.conf", absolute);
    read_daemon(path);
    assert_string_equal(daemon_config.station[0].instrument[0].port, "/dev/ttyX");
    free(absolute);
    char *remote =
        case_change(text, "stations", "port", "port = \"rfc2217://[fd00::20]:4001\"", &line);
    case_write(dir, "conf/demo.conf", remote);
    read_daemon(path);
    assert_string_equal(daemon_config.station[0].instrument[0].port, "rfc2217://[fd00::20]:4001");
    free(remote);
    free(text);

    (void)snprintf(path, sizeof path, "%s/conf/none.conf", dir);
    assert_int_equal(wn_config_read_daemon(path, &daemon_config, &problems), WN_ENOENT);
    case_expect(&problems, "%s: cannot be opened: No such file or directory", path);
    assert_int_equal(wn_config_read_daemon(dir, &daemon_config, &problems), WN_ENOENT);
    case_expect(&problems, "%s: is no regular file", dir);
    case_remove_dir(dir);
}

static void test_names(void **state)
{
    (void)state;
    static const char *const bad[] = {"", ".hidden", "-x", "a b", "a\nb", "\xC3\xA4"};
    assert_int_equal(wn_config_read_cell(CONF, "demo-1865", &cell, &problems), WN_ENOENT);
    case_expect(&problems,
                "%s/cells/demo-1865.conf: does not exist; known cells: demo-18650, demo-18650-lfp, "
                "demo-21700",
                CONF);
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        problems.n = 0;
        assert_int_equal(wn_config_read_cell(CONF, bad[i], &cell, &problems), WN_ENOENT);
        assert_int_equal(problems.n, 1);
        assert_non_null(strstr(problems.text[0], "cannot be the name of a file in cells/"));
    }
    problems.n = 0;
    read_cell(CONF "/cells/demo-21700.conf"); /* a path is taken as it is */
    assert_string_equal(cell.name, "demo-21700");
}

/* Two stations out of the one of demo.conf. */
static char *two_stations(const char *name, const char *port)
{
    char *text = case_shipped("demo.conf");
    char *begin = strstr(text, "    {\n"), *end = strstr(text, "    }\n);");
    int line;
    size_t one = (size_t)(end - begin) + 6, size = strlen(text) + one + 64;
    char *renamed = malloc(one + 1);
    assert_non_null(renamed);
    (void)snprintf(renamed, one + 1, "%s", begin);
    char *with = case_change(renamed, "", "name", name, &line);
    char *second = case_change(with, "", "port", port, &line);
    char *both = malloc(size);
    assert_non_null(both);
    (void)snprintf(both, size, "%.*s    },\n%s);\n", (int)(end - text), text, second);
    free(renamed);
    free(with);
    free(second);
    free(text);
    return both;
}

static void test_two_stations(void **state)
{
    (void)state;
    char *good = two_stations("name = \"B\"", "port = \"other\"");
    (void)case_parse(CASE_DAEMON, good, &problems);
    case_expect_none(&problems, "two stations");
    char *name = two_stations("name = \"A\"", "port = \"other\"");
    (void)case_parse(CASE_DAEMON, name, &problems);
    const char *other = strstr(name, "    },\n") + strlen("    },\n");
    int first = case_line(name, "    {\n");
    int second = case_line(name, "    },\n") + case_line(other, "name = \"A\"");
    case_expect(
        &problems,
        "F:%d: station.A.name: \"A\" is the name of the station on line %d already; choose another",
        second, first);
    char *port = two_stations("name = \"B\"", "port = \"./../run/virtual-bench\"");
    (void)case_parse(CASE_DAEMON, port, &problems);
    assert_int_equal(problems.n, 1);
    assert_non_null(strstr(
        problems.text[0],
        ": station.B.port: \"/run/virtual-bench\" is the port of station A "
        "already; write channel = N in both for two outputs of one instrument "
        "or two instruments on one bus (MODBUS: unit = N), else each station needs its own"));
    free(good);
    free(name);
    free(port);
}

/* Both at one port: the first with this, the second with that. */
static int on_one_port(const char *first, const char *second, struct wn_daemon_config **out)
{
    static struct wn_daemon_config config;
    char dir[WN_PATH_SIZE], path[WN_PATH_SIZE + 20];
    int line;
    char *both = two_stations("name = \"B\"", second);
    char *text = case_change(both, "", "port", first, &line);
    (void)snprintf(dir, sizeof dir, "%s", case_make_dir());
    case_write(dir, "w.conf", text);
    (void)snprintf(path, sizeof path, "%s/w.conf", dir);
    problems.n = 0;
    int rc = wn_config_read_daemon(path, &config, &problems);
    case_remove_dir(dir);
    free(both);
    free(text);
    *out = &config;
    return rc;
}

static void test_shared_port(void **state)
{
    struct wn_daemon_config *c = NULL;
    struct wn_share_config share;
    char name[WN_SHARE_NAME_SIZE], other[WN_SHARE_NAME_SIZE], path[2 * WN_PATH_SIZE];
    (void)state;
    (void)on_one_port("port = \"x/bus a\"; channel = 1", "port = \"x/bus a\"; channel = 2", &c);
    case_expect_none(&problems, "two channels");
    const char *port = c->station[1].instrument[0].port;
    assert_true(wn_config_port_is_shared(c, port));
    assert_int_equal(wn_config_port_users(c, port), 2);
    assert_string_equal(wn_config_shared_port(c, 0), port);
    assert_null(wn_config_shared_port(c, 1));
    wn_config_share_name("/x/bus a", name);
    assert_memory_equal(name, "share-bus_a-", 12);
    assert_int_equal(strlen(name), 20);
    wn_config_share_name("/y/bus a", other);
    assert_string_not_equal(name, other);
    wn_config_share_name("/dev/serial/by-id/usb-a-very-long-name-indeed-port0", other);
    assert_true(strlen(other) < sizeof other - 1);
    wn_config_share_name(port, name);
    wn_config_share_socket(c, &c->station[1].instrument[0], path, sizeof path);
    assert_memory_equal(path, c->run_dir, strlen(c->run_dir));
    assert_memory_equal(path + strlen(c->run_dir) + 1, name, strlen(name));
    assert_string_equal(path + strlen(path) - 7, ".2.sock");
    (void)snprintf(c->conf_dir, sizeof c->conf_dir, "%s", CONF);
    assert_int_equal(wn_config_read_share(c, port, &share, &problems), WN_EINVAL);
    assert_non_null(strstr(problems.text[0], "has no {channel} in its commands"));
    for (int i = 0; i < 2; i++) {
        (void)snprintf(c->station[i].instrument[0].dialect, 64, "virtual-outputs");
    }
    problems.n = 0;
    c->station[1].beat_limit_s = 1.5;
    assert_int_equal(wn_config_read_share(c, port, &share, &problems), WN_OK);
    assert_int_equal(share.users, 2);
    assert_true(share.beat_limit_s == 1.5);
    assert_string_equal(share.user[1].dialect.output_query, "OUTP? (@2)");
    c->station[1].instrument[0].baud = 9600;
    assert_int_equal(wn_config_read_share(c, port, &share, &problems), WN_EINVAL);
    assert_non_null(strstr(problems.text[0], "station B: its tester has another baud rate than"));
}

static const char *share_conf = CONF;

/* Two stations with this dialect each, at these units; false: what is said. */
static bool share_units(const char *first, const char *second, const char *dialect_name,
                        const char *other_name)
{
    static struct wn_share_config share; /* large */
    struct wn_daemon_config *c = NULL;
    (void)on_one_port(first, second, &c);
    case_expect_none(&problems, first);
    (void)snprintf(c->conf_dir, sizeof c->conf_dir, "%s", share_conf);
    (void)snprintf(c->station[0].instrument[0].dialect, 64, "%s", dialect_name);
    (void)snprintf(c->station[1].instrument[0].dialect, 64, "%s", other_name);
    c->station[1].instrument[0].role = c->station[0].instrument[0].role =
        strstr(dialect_name, "load") != NULL || strcmp(dialect_name, "two") == 0 ? WN_ROLE_LOAD
                                                                                 : WN_ROLE_TESTER;
    bool good =
        wn_config_read_share(c, c->station[0].instrument[0].port, &share, &problems) == WN_OK;
    assert_int_equal(good, problems.n == 0);
    assert_true(!good || share.user[1].dialect.modbus.unit == 4 || share.users == 2);
    return good;
}

static void test_shared_units(void **state)
{
    struct wn_daemon_config *c = NULL;
    char path[2 * WN_PATH_SIZE];
    (void)state;
    (void)on_one_port("port = \"x\"; unit = 3; channel = 1", "port = \"x\"; unit = 3; channel = 2",
                      &c);
    case_expect_none(&problems, "two outputs of a unit");
    wn_config_share_socket(c, &c->station[1].instrument[0], path, sizeof path);
    assert_string_equal(path + strlen(path) - 10, ".u3.2.sock");
    assert_true(share_units("port = \"x\"; unit = 3", "port = \"x\"; unit = 4", "virtual-modbus",
                            "virtual-modbus"));
    assert_true(share_units("port = \"x\"; unit = 3; channel = 1",
                            "port = \"x\"; unit = 3; channel = 2", "virtual-modbus-outputs",
                            "virtual-modbus-outputs"));
    assert_false(share_units("port = \"x\"; unit = 3", "port = \"x\"; unit = 4", "virtual-modbus",
                             "generic-modbus"));
    assert_non_null(strstr(problems.text[0], "has another baud rate than that of station A"));
    assert_false(share_units("port = \"x\"; unit = 3", "port = \"x\"; unit = 4", "virtual-modbus",
                             "virtual-bench"));
    assert_non_null(strstr(problems.text[0], "virtual-bench.conf speaks no MODBUS"));
    assert_true(share_units("port = \"x\"; unit = 3", "port = \"x\"; unit = 4",
                            "virtual-modbus-load", "virtual-modbus-load"));
}

/* Two outputs of one unit whose dialect writes bits of a register they share. */
static void test_shared_bits(void **state)
{
    (void)state;
    int line;
    char *text = case_shipped("dialects/virtual-modbus-load.conf");
    char *stepped =
        case_change(text, "registers", "set_current",
                    "set_current = { function = 3; address = 20; channel_step = 2; type = "
                    "\"u32\"; scale = 0.0001; tolerance = 0.001; }",
                    &line);
    char dir[WN_PATH_SIZE];
    (void)snprintf(dir, sizeof dir, "%s", case_make_dir());
    case_write(dir, "dialects/two.conf", stepped);
    share_conf = dir;
    assert_false(share_units("port = \"x\"; unit = 3; channel = 1",
                             "port = \"x\"; unit = 3; channel = 2", "two", "two"));
    share_conf = CONF;
    assert_non_null(strstr(problems.text[0],
                           "stations A and B: load and load are unit 3 of one port, "
                           "and write bits of a register"));
    case_remove_dir(dir);
    free(stepped);
    free(text);
}

/* A register that belongs to both outputs, though it should not. */
static void test_shared_registers(void **state)
{
    static const struct {
        const char *name, *value, *says; /* NULL: they may have it in common */
    } cases[] = {
        {"set_current",
         "set_current = { function = 3; address = 1; type = \"u32\"; tolerance = 0.001; }",
         "register set_current sets or switches both"},
        {"set_power",
         "set_power = { function = 3; address = 5; channel_step = 1; type = \"u32\"; tolerance = "
         "0.01; }",
         "register set_power sets or switches both"},
        {"mode", "mode = { function = 3; address = 0; }",
         "register mode sets or switches both: give it a channel_step"},
        {"output", "output = { function = 1; address = 0; }",
         "register output sets or switches both"},
        {"clear", "clear = { function = 3; address = 13; readback = false; }", NULL},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        int line;
        char dir[WN_PATH_SIZE], *text = case_shipped("dialects/virtual-modbus-outputs.conf");
        char *changed = case_change(text, "registers", cases[i].name, cases[i].value, &line);
        (void)snprintf(dir, sizeof dir, "%s", case_make_dir());
        case_write(dir, "dialects/common.conf", changed);
        share_conf = dir;
        bool good = share_units("port = \"x\"; unit = 3; channel = 1",
                                "port = \"x\"; unit = 3; channel = 2", "common", "common");
        share_conf = CONF;
        if (good != (cases[i].says == NULL) ||
            (!good && strstr(problems.text[0], cases[i].says) == NULL)) {
            fail_msg("%s: %s", cases[i].name, good ? "taken" : problems.text[0]);
        }
        case_remove_dir(dir);
        free(changed);
        free(text);
    }
}

static void test_not_to_be_shared(void **state)
{
    static const struct {
        const char *first, *second, *problem;
    } cases[] = {
        {"port = \"a\"; channel = 1", "port = \"a\"", "write channel = N in both"},
        {"port = \"a\"", "port = \"a\"; channel = 1", "write channel = N in both"},
        {"port = \"a\"; channel = 3", "port = \"a\"; channel = 3",
         "channel 3 of \"/run/a\" is that of station A already; choose another"},
        {"port = \"a\"; unit = 3", "port = \"a\"; channel = 3", "(MODBUS: unit = N)"},
        {"port = \"a\"; unit = 3", "port = \"a\"", "(MODBUS: unit = N)"},
        {"port = \"a\"; unit = 3", "port = \"a\"; unit = 3",
         "unit 3 of \"/run/a\" is that of station A already; choose another"},
        {"port = \"a\"; unit = 3; channel = 2", "port = \"a\"; unit = 3; channel = 2",
         "unit 3 channel 2 of \"/run/a\" is that of station A already; choose another"},
        {"port = \"a\"; channel = 1; interlock = \"dtr\"", "port = \"a\"; channel = 2",
         "\"/run/a\" is the port of several: its lines are no interlock of one of them"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct wn_daemon_config *c = NULL;
        (void)on_one_port(cases[i].first, cases[i].second, &c);
        assert_int_equal(problems.n, 1);
        const char *wanted = cases[i].problem;
        const char *run = strstr(wanted, "/run/a"); /* the directory in front is not known */
        char tail[200];
        (void)snprintf(tail, sizeof tail, "%s", run != NULL ? run : wanted);
        if (strstr(problems.text[0], tail) == NULL) {
            fail_msg("%s\nis not: %s", problems.text[0], wanted);
        }
    }
}

int main(void)
{
#define TEST(f) cmocka_unit_test_setup(f, setup_test)
    const struct CMUnitTest tests[] = {
        TEST(test_every_shipped_file),
        TEST(test_demo_daemon),
        TEST(test_demo_cell_and_claim),
        TEST(test_source_lines),
        TEST(test_rates),
        TEST(test_phases_without_cycles),
        TEST(test_sign_of_current),
        TEST(test_virtual_bench),
        TEST(test_paths),
        TEST(test_names),
        TEST(test_two_stations),
        TEST(test_shared_port),
        TEST(test_shared_units),
        TEST(test_shared_bits),
        TEST(test_shared_registers),
        TEST(test_not_to_be_shared),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
