/* A campaign's setup, and freezing it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "config_case.h"
#include "shipped.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "support/near.h"

static struct wn_engine_setup setup;

static int setup_test(void **state)
{
    (void)state;
    problems.n = 0;
    return 0;
}

static void make_setup(const char *daemon_file, const char *cell_name, const char *procedure_name)
{
    read_daemon(daemon_file);
    read_cell(cell_name);
    read_procedure(procedure_name);
    read_dialect(daemon_config.station[0].instrument[0].dialect);
    (void)wn_config_engine_setup(&daemon_config.station[0], &cell, &procedure, dialect, &setup,
                                 &problems);
}

static void test_setup_is_the_tightest(void **state)
{
    (void)state;
    make_setup(CONF "/demo.conf", "demo-18650", "datasheet-claim");
    case_expect_none(&problems, "demo setup");
    assert_near(setup.limits.voltage_min_v, 2.2, 0);              /* cell; station 1.7 V */
    assert_near(setup.limits.charge_temperature_min_c, 5, 0);     /* station; cell 0 degC */
    assert_near(setup.limits.discharge_temperature_max_c, 75, 0); /* both */
    assert_near(setup.limits.charge_current_max_a, 4, 0);         /* cell; station 6 A */
    assert_near(setup.limits.discharge_current_max_a, 20, 0);     /* cell; station 25 A */
    assert_near(setup.limits.charge_max_ah, 3.125, 1e-15);        /* 125 % of rated; station 8 Ah */
    assert_near(setup.limits.above_ambient_k, 50, 0);             /* station */
    assert_near(setup.off_timeout_s, 2, 0);
    assert_near(setup.gap_max_s, 5, 0);
    assert_near(setup.pause_recovery_s, 43200, 0);
    assert_near(setup.restart_voltage_tolerance_v, 0.5, 0);
}

static void test_setup_finds_what_does_not_fit(void **state)
{
    (void)state;
    make_setup(CONF "/demo.conf", "demo-18650", "datasheet-claim");
    struct wn_station_config *s = &daemon_config.station[0];
    int line = step(0, 0)->source_line, line2 = step(0, 2)->source_line;

    s->limits.voltage_max_v = 4.2018; /* 4.2 V + 0.02 % + 1 mV = 4.20184 V */
    s->limits.voltage_min_v = 2.4986; /* 2.5 V - 0.02 % - 1 mV = 2.4985 V */
    s->limits.charge_current_max_a = 3.999;
    s->limits.discharge_current_max_a = 9.999;
    assert_int_equal(wn_config_engine_setup(s, &cell, &procedure, dialect, &setup, &problems),
                     WN_EINVAL);
    case_expect(
        &problems,
        "procedures/datasheet-claim.conf:%d: a charge voltage of 4.2 V does not fit station A with "
        "cell demo-18650: voltage_max less the accuracy of the instrument is 4.19996 V",
        line);
    case_expect(
        &problems,
        "procedures/datasheet-claim.conf:%d: a charge current of 4 A does not fit station A with "
        "cell demo-18650: charge_current_max is 3.999 A",
        line);
    case_expect(&problems,
                "procedures/datasheet-claim.conf:%d: a discharge current of 10 A does not fit "
                "station A with "
                "cell demo-18650: discharge_current_max is 9.999 A",
                line2);
    case_expect(
        &problems,
        "procedures/datasheet-claim.conf:%d: a cut-off of 2.5 V does not fit station A with cell "
        "demo-18650: voltage_min plus the accuracy of the instrument is 2.5001 V",
        line2);
    problems.n = 0;
    s->limits.voltage_max_v = 4.2019;
    s->limits.voltage_min_v = 2.4984;
    s->limits.charge_current_max_a = 4;
    s->limits.discharge_current_max_a = 10;
    (void)wn_config_engine_setup(s, &cell, &procedure, dialect, &setup, &problems);
    case_expect_none(&problems, "just inside");
}

/* A pulse and a constant power draw current too. */
static void test_setup_looks_at_every_kind_of_step(void **state)
{
    (void)state;
    make_setup(CONF "/demo.conf", "demo-18650", "datasheet-claim");
    struct wn_station_config *s = &daemon_config.station[0];
    struct wn_step *pulse = &procedure.step[procedure.check_up_first_step + 2];
    pulse->level[1].current_a = 15;
    s->limits.discharge_current_max_a = 14.999;
    (void)wn_config_engine_setup(s, &cell, &procedure, dialect, &setup, &problems);
    assert_int_equal(problems.n, 1);
    case_expect(
        &problems,
        "procedures/datasheet-claim.conf:%d: a discharge current of 15 A does not fit station A "
        "with cell demo-18650: discharge_current_max is 14.999 A",
        pulse->source_line);
    s->limits.discharge_current_max_a = 15;
    procedure.step[2].kind = WN_STEP_DISCHARGE_POWER;
    procedure.step[2].power_w = 37.6; /* 15.04 A at the cut-off of 2.5 V */
    problems.n = 0;
    (void)wn_config_engine_setup(s, &cell, &procedure, dialect, &setup, &problems);
    assert_int_equal(problems.n, 1);
    assert_non_null(
        strstr(problems.text[0], "a discharge current of 15.04 A does not fit station A"));
    procedure.step[2].power_w = 37.5;
    problems.n = 0;
    (void)wn_config_engine_setup(s, &cell, &procedure, dialect, &setup, &problems);
    case_expect_none(&problems, "37.5 W");

    cell.voltage_max_v = s->limits.voltage_min_v;
    cell.charge_temperature_max_c = s->limits.charge_temperature_min_c;
    (void)wn_config_engine_setup(s, &cell, &procedure, dialect, &setup, &problems);
    case_expect(&problems,
                "station A with cell demo-18650: no voltage is allowed by both; this station is "
                "not for this cell");
    case_expect(&problems,
                "station A with cell demo-18650: no temperature is allowed by both; widen the "
                "limits of the station");
}

static void test_setup_needs_thermometers(void **state)
{
    (void)state;
    make_setup(CONF "/demo.conf", "demo-18650", "datasheet-claim");
    struct wn_station_config *s = &daemon_config.station[0];
    dialect[0].read[0].fields = 4; /* no ambient, no output */
    (void)wn_config_engine_setup(s, &cell, &procedure, dialect, &setup, &problems);
    assert_int_equal(problems.n, 1);
    case_expect(
        &problems,
        "station A: limits.above_ambient is set, but dialect virtual-bench does not report both "
        "temperature_c and ambient_c; write above_ambient = \"off\"");
    dialect[0].read[0].fields = 3;
    (void)wn_config_engine_setup(s, &cell, &procedure, dialect, &setup, &problems);
    assert_int_equal(problems.n, 4);
    problems.n = 0;
    s->limits.above_ambient_k = s->limits.temperature_rise_k_per_min = NAN;
    s->limits.needs_temperature = false;
    (void)wn_config_engine_setup(s, &cell, &procedure, dialect, &setup, &problems);
    case_expect_none(&problems, "without thermometer, on purpose");
    procedure.step[2].kind = WN_STEP_DISCHARGE_POWER;
    procedure.step[2].power_w = 20;
    dialect[0].power.set.n = 0;
    (void)wn_config_engine_setup(s, &cell, &procedure, dialect, &setup, &problems);
    assert_int_equal(problems.n, 1);
    assert_non_null(strstr(problems.text[0], "which dialect virtual-bench cannot do"));
}

/* The frozen text must say the same without the files it came from. */
static void test_freeze_and_thaw(void **state)
{
    (void)state;
    static struct wn_station_config station;
    static struct wn_cell cell2;
    static struct wn_procedure procedure2;
    static struct wn_dialect dialect2[WN_INSTRUMENTS_MAX];
    static const char *const names[] = {"demo.conf", "cells/demo-18650.conf",
                                        "procedures/datasheet-claim.conf",
                                        "dialects/virtual-bench.conf"};
    char path[200];
    const char *dir = case_make_dir();
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        char *text = case_shipped(names[i]);
        case_write(dir, names[i], text);
        free(text);
    }
    (void)snprintf(path, sizeof path, "%s/demo.conf", dir);
    make_setup(path, "demo-18650", "datasheet-claim");
    char *frozen = wn_config_freeze(&daemon_config, &daemon_config.station[0], "demo-18650",
                                    "datasheet-claim", &problems);
    case_expect_none(&problems, "freeze");
    assert_non_null(frozen);
    case_remove_dir(dir);
    assert_int_equal(access(path, F_OK), -1);

    assert_int_equal(
        wn_config_thaw(frozen, "A", &station, &cell2, &procedure2, dialect2, &problems), WN_OK);
    case_expect_none(&problems, "thaw");
    assert_null(wn_config_station_differs(&daemon_config.station[0], &station));
    assert_memory_equal(&daemon_config.station[0], &station, sizeof station);
    assert_memory_equal(&cell, &cell2, sizeof cell);
    assert_memory_equal(&procedure, &procedure2, sizeof procedure);
    assert_string_equal(dialect2[0].file, "frozen dialects/virtual-bench.conf");
    memcpy(dialect2[0].file, dialect[0].file,
           sizeof dialect2[0].file); /* all but where it was read from */
    assert_memory_equal(&dialect[0], &dialect2[0], sizeof dialect[0]);
    free(frozen);
}

static char *freeze_demo(void)
{
    make_setup(CONF "/demo.conf", "demo-18650", "datasheet-claim");
    char *frozen = wn_config_freeze(&daemon_config, &daemon_config.station[0], "demo-18650",
                                    "datasheet-claim", &problems);
    case_expect_none(&problems, "freeze");
    assert_non_null(frozen);
    return frozen;
}

static int thaw(const char *frozen, const char *station_name)
{
    static struct wn_station_config station;
    problems.n = 0;
    return wn_config_thaw(frozen, station_name, &station, &cell, &procedure, dialect, &problems);
}

static void test_thaw_names_section_and_line(void **state)
{
    (void)state;
    char *frozen = freeze_demo();
    char *shipped = case_shipped("cells/demo-18650.conf");
    char *value = strstr(frozen, "rated_capacity   = \"2500 mAh\"");
    assert_non_null(value);
    memcpy(strstr(value, "mAh"), "mA ", 3);
    assert_int_equal(thaw(frozen, "A"), WN_EINVAL);
    case_expect(&problems,
                "frozen cells/demo-18650.conf:%d: rated_capacity: \"2500 mA\" is a current where a "
                "capacity is "
                "wanted: write it in mAh or Ah",
                case_line(shipped, "rated_capacity   ="));
    memcpy(strstr(value, "mA "), "mAh", 3);
    assert_int_equal(thaw(frozen, "B"), WN_ENOENT);
    case_expect(&problems, "frozen demo.conf: there is no station B in it");
    assert_int_equal(thaw(frozen, "A"), WN_OK);
    free(shipped);
    free(frozen);
}

/* Cut off anywhere, or with a byte more, a frozen text is damaged, and says so. */
static void test_thaw_damaged(void **state)
{
    (void)state;
    char *frozen = freeze_demo();
    size_t n = strlen(frozen);
    for (size_t cut = 0; cut < n; cut += cut < 200 ? 1 : 97) {
        char saved = frozen[cut];
        frozen[cut] = '\0';
        assert_int_equal(thaw(frozen, "A"), WN_ECORRUPT);
        assert_int_equal(problems.n, 1);
        frozen[cut] = saved;
    }
    char *longer = malloc(n + 2);
    assert_non_null(longer);
    (void)snprintf(longer, n + 2, "%s#", frozen);
    assert_int_equal(thaw(longer, "A"), WN_ECORRUPT);
    free(longer);
    free(frozen);
}

/* waned runs with what it read at its start; a file edited since must not go into a campaign
 * unseen. */
static void test_freeze_refuses_a_changed_file(void **state)
{
    (void)state;
    make_setup(CONF "/demo.conf", "demo-18650", "datasheet-claim");
    struct wn_station_config *s = &daemon_config.station[0];
    s->limits.above_ambient_k += 1;
    assert_null(wn_config_freeze(&daemon_config, s, "demo-18650", "datasheet-claim", &problems));
    case_expect(
        &problems,
        "station A: limits was changed in the daemon file after waned had read it; restart waned, "
        "then start the campaign");
    s->limits.above_ambient_k -= 1;
    problems.n = 0;
    assert_null(wn_config_freeze(&daemon_config, s, "no-cell", "datasheet-claim", &problems));
    assert_int_equal(problems.n, 1);
}

int main(void)
{
#define TEST(f) cmocka_unit_test_setup(f, setup_test)
    const struct CMUnitTest tests[] = {
        TEST(test_setup_is_the_tightest),
        TEST(test_setup_finds_what_does_not_fit),
        TEST(test_setup_looks_at_every_kind_of_step),
        TEST(test_setup_needs_thermometers),
        TEST(test_freeze_and_thaw),
        TEST(test_thaw_names_section_and_line),
        TEST(test_thaw_damaged),
        TEST(test_freeze_refuses_a_changed_file),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
