/* A station in simulated time: clocks, log, directories and configuration.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "frame.h"

#include <ftw.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "support/near.h"

#define UTC_0 (INT64_C(1780000000) * 1000000)

struct frame frame;
static struct wn_daemon_config config; /* large */
static struct wn_problems problems;

static const char template[] =
    "conf_dir = \".\"; data_dir = \"../data\"; run_dir = \"../run\"; alerts = \"none\";\n"
    "stations = ( { name = \"A\"; %s\n"
    "  on_restart = \"%s\"; restart_voltage_tolerance = \"500 mV\";\n"
    "  reading_interval = \"%s\"; rest_interval = \"%s\"; fast_interval = \"%s\";\n"
    "  gap_max = \"30 s\"; pause_recovery = \"12 h\"; beat_limit = \"2 s\"; off_timeout = \"3 "
    "s\";\n"
    "  store_change = { voltage = \"5 mV\"; current = \"20 mA\"; temperature = \"0.5 K\";\n"
    "    time = \"300 s\"; };\n"
    "  commit_interval = \"10 s\"; space_min_mb = 1;\n"
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
    "    charge_max = \"8 Ah\"; voltage_jump = \"500 mV\"; needs_temperature = true; %s };\n"
    "} );\n";

static wn_ns monotonic(const struct wn_clock *c)
{
    (void)c;
    return frame_monotonic();
}

static wn_ns boottime(const struct wn_clock *c)
{
    (void)c;
    return frame.now_ns;
}

static wn_utc_us utc(const struct wn_clock *c)
{
    (void)c;
    return UTC_0 + frame.now_ns / 1000 + frame.set_us;
}

static const struct wn_clock_ops clock_ops = {monotonic, boottime, utc};
static const struct wn_clock the_clock = {&clock_ops};

wn_ns frame_monotonic(void)
{
    return frame.now_ns - frame.asleep_ns;
}

void station_log(const struct station *s, int priority, const char *fmt, ...)
{
    char text[700];
    va_list args;
    (void)s;
    va_start(args, fmt);
    (void)vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    if (!frame.quiet) {
        print_message("[%8.2f] <%d> %s\n", wn_ns_to_s(frame.now_ns), priority, text);
    }
}

void guard_beat(struct station *s, wn_ns now)
{
    (void)s;
    (void)now;
}

void guard_beat_grace(struct station *s, double grace_s)
{
    (void)s;
    (void)grace_s;
}

void guard_look(struct station *s)
{
    (void)s;
}

void wn_port_settings_init(struct wn_port_settings *s, const char *path, int baud, int parity,
                           int stop_bits)
{
    (void)parity;
    (void)stop_bits;
    memset(s, 0, sizeof *s);
    s->path = path;
    s->baud = baud;
}

static void path_of(char *buf, size_t size, const char *name)
{
    (void)snprintf(buf, size, "%s/%s", frame.dir, name);
}

/* The last part of a path below the sources becomes that below conf. */
void frame_link(const char *source)
{
    char path[300], to[300], below[60];
    (void)snprintf(to, sizeof to, WANE_SOURCE_DIR "/%s", source);
    (void)snprintf(below, sizeof below, "conf%s", strrchr(source, '/'));
    path_of(path, sizeof path, below);
    assert_int_equal(symlink(to, path), 0);
}

void frame_directory(const char *name)
{
    char path[300];
    path_of(path, sizeof path, name);
    assert_int_equal(mkdir(path, 0700), 0);
}

void frame_begin(const char *conf)
{
    static const char *const parts[] = {"conf", "data", "run"};
    char path[300];
    bool quiet = frame.quiet;
    memset(&frame, 0, sizeof frame);
    frame.quiet = quiet;
    frame.now_ns = 1000 * WN_NS_PER_S;
    const char *base = getenv("TMPDIR");
    (void)snprintf(frame.dir, sizeof frame.dir, "%s/wane-station.XXXXXX",
                   base != NULL ? base : "/tmp");
    assert_non_null(mkdtemp(frame.dir));
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        frame_directory(parts[i]);
    }
    (void)snprintf(path, sizeof path, "%s/cells", conf);
    frame_link(path);
    (void)snprintf(path, sizeof path, "%s/procedures", conf);
    frame_link(path);
}

void frame_write(const char *name, const char *text)
{
    char path[300];
    path_of(path, sizeof path, name);
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    (void)fputs(text, f);
    assert_int_equal(fclose(f), 0);
}

void frame_configure(const char *instruments, const char *on_restart, const char *limits)
{
    char text[4096], path[300];
    bool fast = frame.reads_fast;
    int n = snprintf(text, sizeof text, template, instruments, on_restart, fast ? "100 ms" : "1 s",
                     fast ? "100 ms" : "10 s", fast ? "100 ms" : "500 ms", limits);
    assert_true(n > 0 && (size_t)n < sizeof text);
    frame_write("conf/waned.conf", text);
    path_of(path, sizeof path, "conf/waned.conf");
    memset(&problems, 0, sizeof problems);
    if (wn_config_read_daemon(path, &config, &problems) != WN_OK) {
        fail_msg("%s", problems.n > 0 ? problems.text[0] : "configuration");
    }
}

void frame_boot(void)
{
    static struct wn_dialect dialect[WN_INSTRUMENTS_MAX]; /* large */
    memset(&frame.st, 0, sizeof frame.st);
    memset(&problems, 0, sizeof problems);
    if (wn_config_read_dialects(config.conf_dir, &config.station[0], dialect, &problems) != WN_OK) {
        fail_msg("%s", problems.n > 0 ? problems.text[0] : "dialect");
    }
    for (int n = 0; n < config.station[0].instruments; n++) {
        frame.st.bench.instrument[n].dialect = dialect[n];
    }
    station_init(&frame.st, &the_clock, &config, &config.station[0]);
    frame.st.guard.fd = 3; /* never used: the guard is made by the test */
}

static int remove_one(const char *path, const struct stat *st, int flag, struct FTW *at)
{
    (void)st;
    (void)flag;
    (void)at;
    return remove(path);
}

void frame_end(void)
{
    campaign_close(&frame.st);
    assert_int_equal(nftw(frame.dir, remove_one, 16, FTW_DEPTH | FTW_PHYS), 0);
}

void frame_start(const char *cell, const char *procedure)
{
    struct wn_error err = {0};
    if (campaign_start(&frame.st, cell, procedure, "test", false, "tester", &err) != WN_OK) {
        fail_msg("%s", err.text);
    }
}

const char *frame_alarm(void)
{
    static struct wn_engine_view v;
    wn_engine_view(frame.st.engine, &v);
    return v.alarm ? v.halt_rule : "";
}
