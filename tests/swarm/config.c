/* Swarm: the configuration of a seed: real files, really read.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "swarm/config.h"

#include <dirent.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "swarm/sim.h"

static struct wn_daemon_config config; /* large */
static struct wn_dialect dialect;
static struct wn_problems problems;

/* With the choices of the seed. */
static const char template[] =
    "conf_dir = \".\"; data_dir = \"../data\"; run_dir = \"../run\"; alerts = \"none\";\n"
    "stations = ( { name = \"A\"; dialect = \"%s\"; port = \"swarm\"; on_restart = \"%s\";\n"
    "  interlock = \"%s\"; restart_voltage_tolerance = \"500 mV\";\n"
    "  reading_interval = \"1 s\"; rest_interval = \"%s\"; fast_interval = \"%s\";\n"
    "  gap_max = \"5 s\"; pause_recovery = \"12 h\"; beat_limit = \"2 s\"; off_timeout = \"3 s\";\n"
    "  store_change = { voltage = \"5 mV\"; current = \"20 mA\"; temperature = \"0.5 K\";\n"
    "    time = \"300 s\"; };\n"
    "  commit_interval = \"1 s\"; space_min_mb = 100;\n"
    "  accuracy = { voltage_reading = \"0.02 %%\"; voltage_fixed = \"1 mV\";\n"
    "    current_reading = \"0.05 %%\"; current_fixed = \"2 mA\"; temperature = \"1 K\";\n"
    "    time = \"20 ppm\"; };\n"
    "  limits = { voltage_max = \"4.25 V\"; voltage_min = \"1.7 V\";\n"
    "    charge_temperature_min = \"5 degC\"; charge_temperature_max = \"50 degC\";\n"
    "    discharge_temperature_min = \"0 degC\"; discharge_temperature_max = \"75 degC\";\n"
    "    rest_temperature_max = \"75 degC\"; temperature_rise = \"20 K/min\";\n"
    "    above_ambient = \"off\"; charge_current_max = \"6 A\";\n"
    "    discharge_current_max = \"25 A\"; set_point_tolerance = \"20 mA\";\n"
    "    set_point_tolerance_relative = \"0.5 %%\"; off_current = \"20 mA\";\n"
    "    charge_max = \"8 Ah\"; voltage_jump = \"500 mV\"; needs_temperature = true; };\n"
    "} );\n";

static void path_of(char *buf, size_t size, const char *name)
{
    (void)snprintf(buf, size, "%s/%s", sim.dir, name);
}

static bool make_directories(const char *scratch)
{
    static const char *const links[][2] = {
        {WANE_SOURCE_DIR "/tests/swarm/conf/cells", "conf/cells"},
        {WANE_SOURCE_DIR "/tests/swarm/conf/procedures", "conf/procedures"},
        {WANE_SOURCE_DIR "/conf/dialects", "conf/dialects"}};
    static const char *const parts[] = {"", "conf", "data", "run", "check"};
    char path[300];
    (void)snprintf(sim.dir, sizeof sim.dir, "%s/seed", scratch);
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        path_of(path, sizeof path, parts[i]);
        if (mkdir(path, 0700) != 0) {
            perror(path);
            return false;
        }
    }
    for (size_t i = 0; i < sizeof links / sizeof links[0]; i++) {
        path_of(path, sizeof path, links[i][1]);
        if (symlink(links[i][0], path) != 0) {
            perror(path);
            return false;
        }
    }
    return true;
}

bool config_begin(const char *scratch)
{
    char path[300];
    const char *name = sim.own_clock ? "virtual-bench" : "generic-scpi";
    if (!make_directories(scratch)) {
        return false;
    }
    path_of(path, sizeof path, "conf/waned.conf");
    FILE *f = fopen(path, "w");
    if (f == NULL) {
        perror(path);
        return false;
    }
    (void)fprintf(f, template, name, sim.resumes ? "resume" : "hold",
                  sim.between ? "between" : "dtr", sim.own_clock ? "60 s" : "10 s",
                  sim.own_clock ? "100 ms" : "500 ms");
    (void)fclose(f);
    memset(&problems, 0, sizeof problems);
    if (wn_config_read_daemon(path, &config, &problems) != WN_OK ||
        wn_config_read_dialect(config.conf_dir, name, &dialect, &problems) != WN_OK) {
        (void)fprintf(stderr, "%s\n", problems.n > 0 ? problems.text[0] : "configuration");
        return false;
    }
    return true;
}

const struct wn_daemon_config *config_daemon(void)
{
    return &config;
}

const struct wn_dialect *config_dialect(void)
{
    return &dialect;
}

const char *config_procedure(void)
{
    return sim.seed % 3 == 0 ? "swarm-check-up" : "swarm-cycles";
}

void config_forget_run_dir(void)
{
    char path[300];
    path_of(path, sizeof path, "run/A.halted");
    (void)remove(path);
}

bool config_halt_marker(void)
{
    char path[300];
    path_of(path, sizeof path, "run/A.halted");
    return access(path, F_OK) == 0;
}

static void empty(const char *name)
{
    char path[300], file[600];
    path_of(path, sizeof path, name);
    DIR *d = opendir(path);
    for (struct dirent *e = d != NULL ? readdir(d) : NULL; e != NULL; e = readdir(d)) {
        if (strcmp(e->d_name, ".") != 0 && strcmp(e->d_name, "..") != 0) {
            (void)snprintf(file, sizeof file, "%s/%s", path, e->d_name);
            (void)remove(file);
        }
    }
    if (d != NULL) {
        (void)closedir(d);
    }
    (void)rmdir(path);
}

void config_end(void)
{
    static const char *const parts[] = {"conf", "data", "run", "check", ""};
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        empty(parts[i]);
    }
}
