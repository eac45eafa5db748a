/* A station in simulated time.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "rig.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "serial/serial.h"
#include "support/near.h"

#define TURN_NS (10 * WN_NS_PER_MS)
#define UTC_0   (INT64_C(1780000000) * 1000000)

struct rig rig;
static struct wn_daemon_config config; /* large */
static struct wn_problems problems;
static struct wn_link port;
static char line[200], answers[4096];
static size_t line_len, answers_len;

static const char template[] =
    "conf_dir = \".\"; data_dir = \"../data\"; run_dir = \"../run\"; alerts = \"none\";\n"
    "stations = ( { name = \"A\"; dialect = \"generic-scpi\"; port = \"rig\";\n"
    "  on_restart = \"resume\"; interlock = \"dtr\"; restart_voltage_tolerance = \"500 mV\";\n"
    "  reading_interval = \"1 s\"; rest_interval = \"10 s\"; fast_interval = \"500 ms\";\n"
    "  gap_max = \"30 s\"; pause_recovery = \"12 h\"; beat_limit = \"2 s\"; off_timeout = \"3 "
    "s\";\n"
    "  store_change = { voltage = \"5 mV\"; current = \"20 mA\"; temperature = \"0.5 K\";\n"
    "    time = \"300 s\"; };\n"
    "  commit_interval = \"10 s\"; space_min_mb = 1;\n"
    "  accuracy = { voltage_reading = \"0.02 %\"; voltage_fixed = \"1 mV\";\n"
    "    current_reading = \"0.05 %\"; current_fixed = \"2 mA\"; temperature = \"1 K\";\n"
    "    time = \"20 ppm\"; };\n"
    "  limits = { voltage_max = \"4.25 V\"; voltage_min = \"1.7 V\";\n"
    "    charge_temperature_min = \"5 degC\"; charge_temperature_max = \"50 degC\";\n"
    "    discharge_temperature_min = \"0 degC\"; discharge_temperature_max = \"75 degC\";\n"
    "    rest_temperature_max = \"75 degC\"; temperature_rise = \"20 K/min\";\n"
    "    above_ambient = \"off\"; charge_current_max = \"6 A\";\n"
    "    discharge_current_max = \"25 A\"; set_point_tolerance = \"20 mA\";\n"
    "    set_point_tolerance_relative = \"0.5 %\"; off_current = \"20 mA\";\n"
    "    charge_max = \"8 Ah\"; voltage_jump = \"500 mV\"; needs_temperature = true; };\n"
    "} );\n";

/* ---- clocks, log, guard ---- */

static wn_ns monotonic(const struct wn_clock *c)
{
    (void)c;
    return rig.now_ns - rig.asleep_ns;
}

static wn_ns boottime(const struct wn_clock *c)
{
    (void)c;
    return rig.now_ns;
}

static wn_utc_us utc(const struct wn_clock *c)
{
    (void)c;
    return UTC_0 + rig.now_ns / 1000;
}

static const struct wn_clock_ops clock_ops = {monotonic, boottime, utc};
static const struct wn_clock the_clock = {&clock_ops};

void station_log(const struct station *s, int priority, const char *fmt, ...)
{
    char text[700];
    va_list args;
    (void)s;
    va_start(args, fmt);
    (void)vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    print_message("[%8.2f] <%d> %s\n", wn_ns_to_s(rig.now_ns), priority, text);
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

int guard_register(struct station *s, const struct instrument *i, struct wn_error *err)
{
    (void)s;
    (void)i;
    rig.registered = !rig.guard_refuses;
    return rig.registered ? WN_OK : wn_error_set(err, WN_EGUARD, "guard does not acknowledge");
}

void guard_release(struct station *s, const struct instrument *i)
{
    (void)s;
    (void)i;
    rig.registered = false;
}

void guard_look(struct station *s)
{
    (void)s;
}

/* ---- the instrument: a cell of 3.7 V that does not mind ---- */

static void answer(const char *text)
{
    if (rig.mute) {
        return;
    }
    int n = snprintf(answers + answers_len, sizeof answers - answers_len, "%s\n",
                     rig.garbled ? "\x01\x02\xff" : text);
    assert_true(n > 0 && (size_t)n < sizeof answers - answers_len);
    answers_len += (size_t)n;
}

static void answer_number(double value)
{
    char text[40];
    (void)snprintf(text, sizeof text, "%.4f", value);
    answer(text);
}

static void obey(void)
{
    if (strcmp(line, "*IDN?") == 0) {
        answer("MAKER,MODEL,1001,1.0");
    } else if (strcmp(line, "SYST:ERR?") == 0) {
        answer("0,\"No error\"");
    } else if (strcmp(line, "OUTP?") == 0) {
        answer(rig.on ? "1" : "0");
    } else if (strcmp(line, "SOUR:VOLT?") == 0) {
        answer_number(rig.volts);
    } else if (strcmp(line, "SOUR:CURR?") == 0) {
        answer_number(rig.amperes);
    } else if (strncmp(line, "MEAS:", 5) == 0) {
        char text[60];
        double flows_a = rig.on ? rig.amperes : rig.leak_a;
        (void)snprintf(text, sizeof text, "3.7000;%.4f;25.0", rig.interlock ? flows_a : 0);
        answer(text);
    } else if (strcmp(line, "OUTP ON") == 0) {
        assert_true(rig.registered); /* nothing goes on that the guard cannot switch off */
        rig.on = true;
    } else if (strcmp(line, "OUTP OFF") == 0) {
        rig.on = false;
        rig.offs++;
    } else if (sscanf(line, "SOUR:VOLT %lf", &rig.volts) != 1) {
        (void)sscanf(line, "SOUR:CURR %lf", &rig.amperes);
    }
}

/* ---- the port ---- */

static int port_fd(const struct wn_link *l)
{
    (void)l;
    return -1;
}

static int port_read(struct wn_link *l, void *buf, size_t size, size_t *got, struct wn_error *err)
{
    (void)l;
    (void)err;
    *got = answers_len < size ? answers_len : size;
    memcpy(buf, answers, *got);
    answers_len -= *got;
    memmove(answers, answers + *got, answers_len);
    return WN_OK;
}

static int port_write(struct wn_link *l, const void *data, size_t len, size_t *put,
                      struct wn_error *err)
{
    (void)l;
    (void)err;
    for (*put = 0; *put < len; (*put)++) {
        char c = ((const char *)data)[*put];
        if (c == '\n') {
            line[line_len] = '\0';
            line_len = 0;
            obey();
        } else if (line_len < sizeof line - 1) {
            line[line_len++] = c;
        }
    }
    return WN_OK;
}

static void port_flush(struct wn_link *l)
{
    (void)l;
    answers_len = 0;
}

static int port_line(struct wn_link *l, enum wn_line which, bool up, struct wn_error *err)
{
    (void)l;
    (void)err;
    rig.interlock = which == WN_LINE_DTR ? up : rig.interlock;
    return WN_OK;
}

static void port_close(struct wn_link *l)
{
    (void)l;
}

int wn_link_open(struct wn_link **opened, const struct wn_port_settings *s, struct wn_error *err)
{
    static const struct wn_link_ops ops = {.fd = port_fd,
                                           .read = port_read,
                                           .write = port_write,
                                           .flush = port_flush,
                                           .set_line = port_line,
                                           .close = port_close};
    (void)err;
    port.ops = &ops;
    rig.interlock = s->dtr != WN_LINE_OFF;
    line_len = answers_len = 0;
    *opened = &port;
    return WN_OK;
}

void wn_port_settings_init(struct wn_port_settings *s, const char *path, int baud)
{
    memset(s, 0, sizeof *s);
    s->path = path;
    s->baud = baud;
}

/* ---- the rig ---- */

static void path_of(char *buf, size_t size, const char *name)
{
    (void)snprintf(buf, size, "%s/%s", rig.dir, name);
}

static void boot(void)
{
    memset(&rig.st, 0, sizeof rig.st);
    memset(&problems, 0, sizeof problems);
    if (wn_config_read_dialect(config.conf_dir, "generic-scpi", &rig.st.bench.instrument[0].dialect,
                               &problems) != WN_OK) {
        fail_msg("%s", problems.n > 0 ? problems.text[0] : "dialect");
    }
    station_init(&rig.st, &the_clock, &config, &config.station[0]);
    rig.st.guard.fd = 3; /* never used: the guard is made here */
}

static void begin(bool holds)
{
    static const char *const parts[] = {"conf", "data", "run"};
    static const char *const links[][2] = {
        {WANE_SOURCE_DIR "/tests/swarm/conf/cells", "conf/cells"},
        {WANE_SOURCE_DIR "/tests/swarm/conf/procedures", "conf/procedures"},
        {WANE_SOURCE_DIR "/conf/dialects", "conf/dialects"}};
    char path[300];
    memset(&rig, 0, sizeof rig);
    rig.now_ns = 1000 * WN_NS_PER_S;
    const char *base = getenv("TMPDIR");
    (void)snprintf(rig.dir, sizeof rig.dir, "%s/wane-station.XXXXXX", base != NULL ? base : "/tmp");
    assert_non_null(mkdtemp(rig.dir));
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        path_of(path, sizeof path, parts[i]);
        assert_int_equal(mkdir(path, 0700), 0);
    }
    for (size_t i = 0; i < sizeof links / sizeof links[0]; i++) {
        path_of(path, sizeof path, links[i][1]);
        assert_int_equal(symlink(links[i][0], path), 0);
    }
    path_of(path, sizeof path, "conf/waned.conf");
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    const char *policy = strstr(template, "resume");
    assert_non_null(policy);
    (void)fprintf(f, "%.*s%s%s", (int)(policy - template), template, holds ? "hold" : "resume",
                  policy + strlen("resume"));
    assert_int_equal(fclose(f), 0);
    memset(&problems, 0, sizeof problems);
    if (wn_config_read_daemon(path, &config, &problems) != WN_OK) {
        fail_msg("%s", problems.n > 0 ? problems.text[0] : "configuration");
    }
    boot();
}

void rig_begin(void)
{
    begin(false);
}

void rig_begin_holding(void)
{
    begin(true);
}

void rig_kill_and_restart(void)
{
    campaign_close(&rig.st);
    rig.on = false;
    answers_len = line_len = 0;
    boot();
}

void rig_end(void)
{
    static const char *const files[] = {"conf/waned.conf",
                                        "conf/cells",
                                        "conf/procedures",
                                        "conf/dialects",
                                        "conf",
                                        "data/test.wane",
                                        "data/test.wane-wal",
                                        "data/test.wane-shm",
                                        "data",
                                        "run/A.halted",
                                        "run"};
    char path[300];
    campaign_close(&rig.st);
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++) {
        path_of(path, sizeof path, files[i]);
        (void)remove(path);
    }
    assert_int_equal(rmdir(rig.dir), 0);
}

void rig_run(double seconds)
{
    wn_ns until = rig.now_ns + wn_ns_from_s(seconds);
    while (rig.now_ns < until) {
        rig.now_ns += TURN_NS;
        station_turn_instrument(&rig.st, monotonic(NULL));
        station_turn_rest(&rig.st, monotonic(NULL));
    }
}

void rig_charge(void)
{
    struct wn_error err = {0};
    for (int i = 0; i < 100 && bench_not_ready(&rig.st) != NULL; i++) {
        rig_run(0.1);
    }
    rig_run(1);
    if (campaign_start(&rig.st, "swarm", "swarm-cycles", "test", false, "tester", &err) != WN_OK) {
        fail_msg("%s", err.text);
    }
    for (int i = 0; i < 300 && !rig.on; i++) {
        rig_run(0.1);
    }
    rig_run(5);
    assert_true(rig.on);
    assert_string_equal(rig_alarm(), "");
}

const char *rig_alarm(void)
{
    static struct wn_engine_view v;
    wn_engine_view(rig.st.engine, &v);
    return v.alarm ? v.halt_rule : "";
}
