/* Configuration: the daemon file with its stations.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE /* realpath */
#include "config/reader.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "port/address.h"

enum { STATION_NAME_SIZE = 33 };

#define MEMBER(type, member) .offset = offsetof(struct type, member)

static const struct wn_key_word off_words[] = {{"off", NAN, 0}, {NULL, 0, 0}};
static const struct wn_key_word restart_words[] = {
    {"resume", WN_RESTART_RESUME, 0}, {"hold", WN_RESTART_HOLD, 0}, {NULL, 0, 0}};

static const struct wn_key_word interlock_words[] = {{"dtr", WN_INTERLOCK_DTR, 0},
                                                     {"rts", WN_INTERLOCK_RTS, 0},
                                                     {"between", WN_INTERLOCK_BETWEEN, 0},
                                                     {"none", WN_INTERLOCK_NONE, 0},
                                                     {NULL, 0, 0}};

static const struct wn_key_word sense_words[] = {
    {"4-wire", WN_SENSE_FOUR_WIRE, 0}, {"2-wire", WN_SENSE_TWO_WIRE, 0}, {NULL, 0, 0}};

static const struct wn_key debounce_keys[] = {
#define DEBOUNCE_KEY(rule, word, readings, reaction, unit, text)                                   \
    {.name = word,                                                                                 \
     .kind = WN_KEY_COUNT8,                                                                        \
     .offset = WN_RULE_##rule,                                                                     \
     .min = 1,                                                                                     \
     .max = 20,                                                                                    \
     .example = #readings},
    WN_RULE_LIST(DEBOUNCE_KEY)
#undef DEBOUNCE_KEY
        {.name = NULL}};

#define LIMIT(key, member, dimension, low, high, text)                                             \
    {                                                                                              \
        .name = key, .kind = WN_KEY_QUANTITY, .required = true, MEMBER(wn_limits, member),         \
        .dim = dimension, .min = low, .max = high, .example = text                                 \
    }
#define LIMIT_OR_OFF(key, member, dimension, low, high, text)                                      \
    {                                                                                              \
        .name = key, .kind = WN_KEY_QUANTITY, .required = true, MEMBER(wn_limits, member),         \
        .dim = dimension, .min = low, .max = high, .example = text, .words = off_words             \
    }

/* Depends on the cell and its holder: judged only where it is written. */
#define LIMIT_OR_OFF_OPTIONAL(key, member, dimension, low, high, text)                             \
    {                                                                                              \
        .name = key, .kind = WN_KEY_QUANTITY, MEMBER(wn_limits, member), .dim = dimension,         \
        .min = low, .max = high, .example = text, .words = off_words                               \
    }
#define LIMIT_BY_DEFAULT(key, member, dimension, low, high, preset)                                \
    {                                                                                              \
        .name = key, .kind = WN_KEY_QUANTITY, MEMBER(wn_limits, member), .dim = dimension,         \
        .min = low, .max = high, .example = "\"" preset "\"", .fallback = preset,                  \
        .words = off_words                                                                         \
    }

/* No limit that a cell's chemistry sets has a default: whoever energises a cell has written each of
 * them down. Those that only tell a measurement from none have one. */
static const struct wn_key limit_keys[] = {
    LIMIT("voltage_max", voltage_max_v, WN_DIM_VOLTAGE, 0.5, 10, "\"4.25 V\""),
    LIMIT("voltage_min", voltage_min_v, WN_DIM_VOLTAGE, 0.1, 10, "\"2.4 V\""),
    LIMIT("charge_temperature_min", charge_temperature_min_c, WN_DIM_TEMPERATURE, -60, 100,
          "\"5 degC\""),
    LIMIT("charge_temperature_max", charge_temperature_max_c, WN_DIM_TEMPERATURE, -60, 150,
          "\"45 degC\""),
    LIMIT("discharge_temperature_min", discharge_temperature_min_c, WN_DIM_TEMPERATURE, -60, 100,
          "\"5 degC\""),
    LIMIT("discharge_temperature_max", discharge_temperature_max_c, WN_DIM_TEMPERATURE, -60, 150,
          "\"60 degC\""),
    LIMIT("rest_temperature_max", rest_temperature_max_c, WN_DIM_TEMPERATURE, -60, 150,
          "\"60 degC\""),
    LIMIT_OR_OFF("temperature_rise", temperature_rise_k_per_min, WN_DIM_TEMPERATURE_RATE, 0.1, 100,
                 "\"10 K/min\""),
    LIMIT_OR_OFF("above_ambient", above_ambient_k, WN_DIM_TEMPERATURE_DIFF, 1, 150, "\"35 K\""),
    LIMIT("charge_current_max", charge_current_max_a, WN_DIM_CURRENT, 0.001, 1000, "\"6 A\""),
    LIMIT("discharge_current_max", discharge_current_max_a, WN_DIM_CURRENT, 0.001, 1000,
          "\"30 A\""),
    LIMIT("set_point_tolerance", set_point_tolerance_a, WN_DIM_CURRENT, 0.0001, 10, "\"20 mA\""),
    LIMIT("set_point_tolerance_relative", set_point_tolerance, WN_DIM_RATIO, 0, 0.2, "\"1 %\""),
    LIMIT("off_current", off_current_a, WN_DIM_CURRENT, 0.0001, 1, "\"20 mA\""),
    LIMIT("charge_max", charge_max_ah, WN_DIM_CAPACITY, 0.001, 1000, "\"6 Ah\""),
    LIMIT_OR_OFF("voltage_jump", voltage_jump_v, WN_DIM_VOLTAGE, 0.01, 5, "\"300 mV\""),
    LIMIT_BY_DEFAULT("temperature_fall", temperature_fall_k_per_min, WN_DIM_TEMPERATURE_RATE, 0.1,
                     100, "10 K/min"),
    LIMIT_BY_DEFAULT("below_ambient", below_ambient_k, WN_DIM_TEMPERATURE_DIFF, 1, 150, "8 K"),
    LIMIT_BY_DEFAULT("thermometer_frozen", thermometer_frozen_s, WN_DIM_TIME, 60, 86400, "20 min"),
    LIMIT_BY_DEFAULT("charge_excess", charge_excess, WN_DIM_RATIO, 0.01, 1, "15 %"),
    LIMIT_BY_DEFAULT("frozen", frozen_s, WN_DIM_TIME, 10, 86400, "10 min"),
    LIMIT_BY_DEFAULT("voltage_frozen", voltage_frozen, WN_DIM_RATIO, 0.01, 1, "10 %"),
    LIMIT_BY_DEFAULT("unwatched", unwatched_s, WN_DIM_TIME, 1, 3600, "60 s"),
    LIMIT_OR_OFF_OPTIONAL("contact", contact_ohm, WN_DIM_RESISTANCE, 0.001, 100, "\"300 mohm\""),
    LIMIT_BY_DEFAULT("rest_sag", rest_sag_v, WN_DIM_VOLTAGE, 0.005, 2, "100 mV"),
    LIMIT_BY_DEFAULT("capacity_collapse", capacity_collapse, WN_DIM_RATIO, 0.01, 1, "20 %"),
    {.name = "needs_temperature",
     .kind = WN_KEY_BOOL,
     .required = true,
     MEMBER(wn_limits, needs_temperature),
     .example = "true"},
    {.name = "debounce",
     .kind = WN_KEY_GROUP,
     MEMBER(wn_limits, debounce),
     .group = debounce_keys,
     .example = "{ over_voltage = 1; }"},
    {.name = NULL}};

#define CHANGE(key, member, dimension, high, text)                                                 \
    {                                                                                              \
        .name = key, .kind = WN_KEY_QUANTITY, .required = true,                                    \
        MEMBER(wn_store_thresholds, member), .dim = dimension, .min = 0, .max = high,              \
        .example = text                                                                            \
    }

static const struct wn_key store_keys[] = {
    CHANGE("voltage", voltage_v, WN_DIM_VOLTAGE, 1, "\"2 mV\""),
    CHANGE("current", current_a, WN_DIM_CURRENT, 10, "\"10 mA\""),
    CHANGE("temperature", temperature_c, WN_DIM_TEMPERATURE_DIFF, 10, "\"0.2 K\""),
    CHANGE("time", time_s, WN_DIM_TIME, 86400, "\"60 s\""),
    {.name = NULL}};

#define INTERVAL(key, member, low, high, text)                                                     \
    {                                                                                              \
        .name = key, .kind = WN_KEY_QUANTITY, .required = true, MEMBER(wn_station_config, member), \
        .dim = WN_DIM_TIME, .min = low, .max = high, .example = text                               \
    }

/* A station's one tester stands on the station itself, in the first place. */
#define TESTER(key, type, member, low, high, text)                                                 \
    {                                                                                              \
        .name = key, .kind = type, MEMBER(wn_station_config, instrument[0].member), .min = low,    \
        .max = high, .size = sizeof(((struct wn_station_config *)0)->instrument[0].member),        \
        .example = text                                                                            \
    }
#define INSTRUMENT(key, role, text)                                                                \
    {                                                                                              \
        .name = key, .kind = WN_KEY_OTHER, .size = role, .read = wn_reader_instrument,             \
        .example = text                                                                            \
    }
#define DEVICE(name) "{ dialect = \"" name "\"; port = \"/dev/serial/by-id/...\"; }"

static const struct wn_key station_keys[] = {
    {.name = "name",
     .kind = WN_KEY_TEXT,
     .required = true,
     MEMBER(wn_station_config, name),
     .size = STATION_NAME_SIZE,
     .example = "\"A\""},
    TESTER("dialect", WN_KEY_TEXT, dialect, 1, 0, "\"generic-scpi\""),
    TESTER("port", WN_KEY_TEXT, port, 1, 0, "\"/dev/serial/by-id/...\""),
    TESTER("baud", WN_KEY_COUNT, baud, 50, 4000000, "115200"),
    TESTER("channel", WN_KEY_COUNT, channel, 1, 99, "1"),
    TESTER("unit", WN_KEY_COUNT, unit, 1, 247, "1"),
    INSTRUMENT("supply", WN_ROLE_SUPPLY, DEVICE("my-supply")),
    INSTRUMENT("load", WN_ROLE_LOAD, DEVICE("my-load")),
    INSTRUMENT("relay", WN_ROLE_RELAY, DEVICE("my-relay")),
    INSTRUMENT("thermometers", WN_ROLE_THERMOMETER, "( " DEVICE("my-thermometer") " )"),
    {.name = "on_restart",
     .kind = WN_KEY_WORD,
     .required = true,
     MEMBER(wn_station_config, on_restart),
     .words = restart_words,
     .example = "\"hold\""},
    {.name = "interlock",
     .kind = WN_KEY_WORD,
     MEMBER(wn_station_config, interlock),
     .words = interlock_words,
     .example = "\"between\""},
    {.name = "sense",
     .kind = WN_KEY_WORD,
     MEMBER(wn_station_config, sense),
     .words = sense_words,
     .example = "\"4-wire\""},
    {.name = "resume_within",
     .kind = WN_KEY_QUANTITY,
     MEMBER(wn_station_config, resume_within_s),
     .dim = WN_DIM_TIME,
     .min = 1,
     .max = 366 * 86400.0,
     .example = "\"24 h\"",
     .fallback = "24 h"},
    {.name = "resumes_per_hour",
     .kind = WN_KEY_COUNT,
     MEMBER(wn_station_config, resumes_per_hour),
     .min = 0,
     .max = 1000,
     .example = "3"},
    INTERVAL("reading_interval", reading_interval_s, 0.01, 60, "\"1 s\""),
    INTERVAL("rest_interval", rest_interval_s, 0.01, 600, "\"10 s\""),
    INTERVAL("fast_interval", fast_interval_s, 0.01, 60, "\"100 ms\""),
    {.name = "gap_max",
     .kind = WN_KEY_QUANTITY,
     MEMBER(wn_station_config, gap_max_s),
     .dim = WN_DIM_TIME,
     .min = 0.03,
     .max = 600,
     .example = "\"5 s\""},
    {.name = "pause_recovery",
     .kind = WN_KEY_QUANTITY,
     MEMBER(wn_station_config, pause_recovery_s),
     .dim = WN_DIM_TIME,
     .min = 60,
     .max = 30 * 86400.0,
     .example = "\"12 h\"",
     .fallback = "12 h"},
    INTERVAL("beat_limit", beat_limit_s, 0.1, 60, "\"1 s\""),
    INTERVAL("off_timeout", off_timeout_s, 0.05, 60, "\"2 s\""),
    {.name = "restart_voltage_tolerance",
     .kind = WN_KEY_QUANTITY,
     .required = true,
     MEMBER(wn_station_config, restart_voltage_tolerance_v),
     .dim = WN_DIM_VOLTAGE,
     .min = 0.001,
     .max = 1,
     .example = "\"50 mV\""},
    INTERVAL("commit_interval", commit_interval_s, 0.01, 60, "\"1 s\""),
    {.name = "space_min_mb",
     .kind = WN_KEY_NUMBER,
     .required = true,
     MEMBER(wn_station_config, space_min_mb),
     .min = 1,
     .max = 1e9,
     .example = "200"},
    {.name = "store_change",
     .kind = WN_KEY_GROUP,
     .required = true,
     MEMBER(wn_station_config, store),
     .group = store_keys,
     .example = "{ voltage = \"2 mV\"; ... }"},
    {.name = "accuracy",
     .kind = WN_KEY_GROUP,
     .required = true,
     MEMBER(wn_station_config, data_sheet),
     .group = wn_accuracy_keys,
     .example = "{ voltage_reading = \"0.05 %\"; ... }"},
    {.name = "calibration",
     .kind = WN_KEY_OTHER,
     MEMBER(wn_station_config, calibration),
     .read = wn_config_read_calibration,
     .example = "{ voltage = { gain = 1.0002; offset = \"0.5 mV\"; expanded = \"1 mV\"; }; }"},
    {.name = "limits",
     .kind = WN_KEY_GROUP,
     .required = true,
     MEMBER(wn_station_config, limits),
     .group = limit_keys,
     .example = "{ voltage_max = \"4.25 V\"; ... }"},
    {.name = NULL}};

/* Directories and hooks: a relative path is relative to the file. */
void wn_reader_path(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                    void *target)
{
    char given[WN_PATH_SIZE] = "";
    struct wn_key text = *key;
    text.kind = WN_KEY_TEXT;
    text.offset = 0;
    wn_reader_value(r, s, &text, given);
    if (given[0] == '\0') {
        return;
    }
    if (!wn_path_join(r->dir, given, (char *)target + key->offset, WN_PATH_SIZE)) {
        wn_reader_fail(r, s, "the path is longer than %d characters", WN_PATH_SIZE - 1);
    }
}

/* The two orderings that matter for every pair of limits. */
static void check_less(struct wn_reader *r, const config_setting_t *group, const char *low_key,
                       double low, const char *high_key, double high)
{
    if (!(low < high)) {
        wn_reader_fail(r, wn_reader_at(group, low_key), "must be below %s", high_key);
    }
}

static void check_limits(struct wn_reader *r, const config_setting_t *s, const struct wn_limits *l)
{
    check_less(r, s, "voltage_min", l->voltage_min_v, "voltage_max", l->voltage_max_v);
    check_less(r, s, "charge_temperature_min", l->charge_temperature_min_c,
               "charge_temperature_max", l->charge_temperature_max_c);
    check_less(r, s, "discharge_temperature_min", l->discharge_temperature_min_c,
               "discharge_temperature_max", l->discharge_temperature_max_c);
}

/* Rules that compare readings close to each other must not look as if they guarded when there are
 * none. */
static void check_rules_have_readings(struct wn_reader *r, const config_setting_t *s,
                                      const struct wn_station_config *c)
{
    const config_setting_t *limits = wn_reader_at(s, "limits");
    if (!isnan(c->limits.voltage_jump_v) && c->reading_interval_s > 5) {
        wn_reader_fail(r, wn_reader_at(limits, "voltage_jump"),
                       "needs a reading_interval of at most 5 s; write voltage_jump = \"off\"");
    }
    if (c->limits.contact_ohm > 0 && c->fast_interval_s > 1) {
        wn_reader_fail(r, wn_reader_at(limits, "contact"),
                       "needs a fast_interval of at most 1 s; write contact = \"off\"");
    }
}

static void check_intervals(struct wn_reader *r, const config_setting_t *s,
                            const struct wn_station_config *c)
{
    if (c->fast_interval_s > c->reading_interval_s) {
        wn_reader_fail(r, wn_reader_at(s, "fast_interval"),
                       "must not be longer than reading_interval");
    }
    if (c->rest_interval_s < c->reading_interval_s) {
        wn_reader_fail(r, wn_reader_at(s, "rest_interval"),
                       "must not be shorter than reading_interval");
    }
    if (c->gap_max_s < 3 * c->reading_interval_s) {
        wn_reader_fail(
            r, wn_reader_at(s, "gap_max"),
            "must be at least 3 times reading_interval, or one lost reply would be a gap");
    }
}

/* Only how it is written: whether a name is known and who listens there is found out when it is
 * opened. The interlock hangs on the first port. */
static void check_address(struct wn_reader *r, const config_setting_t *s,
                          const struct wn_station_config *c, int n)
{
    char host[WN_ADDRESS_HOST_SIZE];
    const char *port = c->instrument[n].port;
    int64_t number;
    struct wn_error err;
    bool lines = wn_interlock_is_line(c->interlock);
    if (wn_address_split(port, host, &number, &err) != WN_OK) {
        wn_reader_fail(r, wn_reader_at(s, "port"), "%s", err.text);
    } else if (n == 0 && wn_address_kind(port) == WN_ADDRESS_RAW && lines) {
        wn_reader_fail(r, wn_reader_at(s, "interlock"),
                       "needs modem lines, and tcp:// has none: use a server that speaks RFC 2217 "
                       "(rfc2217://), or write interlock = \"none\"");
    }
}

static void resolve_ports(struct wn_reader *r, const config_setting_t *s, const char *run_dir,
                          struct wn_station_config *c)
{
    char full[WN_PATH_SIZE];
    for (int i = 0; i < c->instruments; i++) {
        char *port = c->instrument[i].port;
        if (wn_address_is_remote(port)) {
            check_address(r, s, c, i);
            continue;
        }
        if (!wn_path_join(run_dir, port, full, sizeof full)) {
            wn_reader_fail(r, wn_reader_at(s, "port"),
                           "the path is too long together with run_dir");
            return;
        }
        (void)snprintf(port, WN_PATH_SIZE, "%s", full);
    }
}

static void check_name(struct wn_reader *r, const config_setting_t *s, const char *run_dir,
                       const struct wn_station_config *c)
{
    if (!wn_name_is_plain(c->name)) {
        wn_reader_fail(r, wn_reader_at(s, "name"),
                       "becomes part of file names: use letters, digits, \".\", \"_\" and \"-\"");
    } else if (strlen(run_dir) + strlen(c->name) + sizeof "/.sock" - 1 > SOCKET_PATH_MAX) {
        wn_reader_fail(
            r, wn_reader_at(s, "name"),
            "the socket's path run_dir/%s.sock would be longer than %d characters; choose a "
            "shorter run_dir",
            c->name, SOCKET_PATH_MAX);
    }
}

static void read_station(struct wn_reader *r, const config_setting_t *s, const char *run_dir,
                         struct wn_station_config *c)
{
    int before = r->problems->n;
    c->resumes_per_hour = 3;
    wn_calibration_init(&c->calibration);
    wn_reader_group(r, s, station_keys, c);
    wn_reader_arrange(r, s, station_keys, c);
    wn_config_complete_accuracy(r, s, c);
    if (c->gap_max_s <= 0) {
        c->gap_max_s = 5 * c->reading_interval_s;
    }
    if (r->problems->n != before) {
        return; /* what follows compares values, and some are not there */
    }
    check_name(r, s, run_dir, c);
    check_limits(r, wn_reader_at(s, "limits"), &c->limits);
    check_intervals(r, s, c);
    check_rules_have_readings(r, s, c);
    wn_config_check_accuracy(r, s, c);
    resolve_ports(r, s, run_dir, c);
}

/* No two stations share a name, or a channel of a port. */
static void check_unique(struct wn_reader *r, const config_setting_t *list, int n,
                         const struct wn_daemon_config *out)
{
    const struct wn_station_config *c = &out->station[n];
    const config_setting_t *s = config_setting_get_elem(list, (unsigned)n);
    for (int i = 0; i < n && c->name[0] != '\0'; i++) {
        const struct wn_station_config *other = &out->station[i];
        unsigned line =
            (unsigned)config_setting_source_line(config_setting_get_elem(list, (unsigned)i));
        if (strcmp(c->name, other->name) == 0) {
            wn_reader_fail(r, wn_reader_at(s, "name"),
                           "\"%s\" is the name of the station on line %u already; choose another",
                           c->name, line);
        }
    }
    for (int k = 0; k < c->instruments; k++) {
        wn_reader_check_port(r, s, out, n, k);
    }
}

static void read_stations(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                          void *target)
{
    struct wn_daemon_config *out = target;
    if (!wn_reader_list(r, s, 1, WN_STATIONS_MAX, key->example)) {
        return;
    }
    out->stations = config_setting_length(s);
    for (int i = 0; i < out->stations; i++) {
        read_station(r, config_setting_get_elem(s, (unsigned)i), out->run_dir, &out->station[i]);
        check_unique(r, s, i, out);
    }
    wn_reader_check_shares(r, s, out);
}

static void read_run_dir(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                         void *target)
{
    wn_reader_path(r, s, key, target);
    if (r->run_dir != NULL) {
        (void)snprintf((char *)target + key->offset, WN_PATH_SIZE, "%s", r->run_dir);
    }
}

/* Who collects such files looks at this ending. */
static void read_metrics_file(struct wn_reader *r, const config_setting_t *s,
                              const struct wn_key *key, void *target)
{
    wn_reader_path(r, s, key, target);
    const char *file = (const char *)target + key->offset;
    size_t n = strlen(file);
    if (n > 0 && (n < 6 || strcmp(file + n - 5, ".prom") != 0)) {
        wn_reader_fail(r, s, "must name a file that ends in .prom; write e.g. %s", key->example);
    }
}

#define PATH(key, member, needed, reader, text)                                                    \
    {                                                                                              \
        .name = key, .kind = WN_KEY_OTHER, .required = needed, MEMBER(wn_daemon_config, member),   \
        .size = WN_PATH_SIZE, .read = reader, .example = text                                      \
    }

/* run_dir stands before stations, which need it. */
static const struct wn_key daemon_keys[] = {
    PATH("conf_dir", conf_dir, false, wn_reader_path, "\"/etc/wane\""),
    PATH("data_dir", data_dir, true, wn_reader_path, "\"/var/lib/wane\""),
    PATH("run_dir", run_dir, true, read_run_dir, "\"/run/wane\""),
    PATH("metrics_file", metrics_file, false, read_metrics_file, "\"/run/wane-metrics/wane.prom\""),
    {.name = "look_group",
     .kind = WN_KEY_TEXT,
     MEMBER(wn_daemon_config, look_group),
     .size = sizeof((struct wn_daemon_config *)0)->look_group,
     .example = "\"wane-look\""},
    {.name = "command_group",
     .kind = WN_KEY_TEXT,
     MEMBER(wn_daemon_config, command_group),
     .size = sizeof((struct wn_daemon_config *)0)->command_group,
     .example = "\"wane\""},
    {.name = "alerts",
     .kind = WN_KEY_OTHER,
     .required = true,
     .read = wn_reader_alerts,
     .example = "{ hook = \"/etc/wane/alert\"; }"},
    {.name = "publish",
     .kind = WN_KEY_OTHER,
     .read = wn_reader_publish,
     .example = "{ connection = \"host=... dbname=...\"; bench = \"lab-1\"; }"},
    {.name = "stations",
     .kind = WN_KEY_OTHER,
     .required = true,
     .read = read_stations,
     .example = "( { name = \"A\"; ... } )"},
    {.name = NULL}};

int wn_config_parse_daemon(const char *text, size_t len, const char *file, const char *dir,
                           const char *run_dir, struct wn_daemon_config *out,
                           struct wn_problems *problems)
{
    struct wn_reader r;
    memset(out, 0, sizeof *out);
    if (!wn_reader_open(&r, text, len, file, problems)) {
        return WN_ESYNTAX;
    }
    r.dir = dir;
    r.run_dir = run_dir;
    (void)snprintf(out->conf_dir, sizeof out->conf_dir, "%s", dir);
    wn_reader_group(&r, config_root_setting(&r.config), daemon_keys, out);
    return wn_reader_close(&r);
}

/* The directory of a file, absolute: the daemon leaves its working directory later. */
static bool directory_of(const char *path, char *out, size_t size)
{
    const char *slash = strrchr(path, '/');
    char *full = NULL;
    if (slash == NULL) {
        full = realpath(".", NULL);
    } else if (slash == path) {
        full = strdup("/");
    } else {
        char *dir = strndup(path, (size_t)(slash - path));
        full = dir == NULL ? NULL : realpath(dir, NULL);
        free(dir);
    }
    bool fits = full != NULL && strlen(full) < size;
    if (fits) {
        memcpy(out, full, strlen(full) + 1);
    }
    free(full);
    return fits;
}

int wn_config_read_daemon(const char *path, struct wn_daemon_config *out,
                          struct wn_problems *problems)
{
    char dir[WN_PATH_SIZE];
    size_t len;
    char *text = wn_config_load(path, &len, problems);
    memset(out, 0, sizeof *out);
    if (text == NULL) {
        return WN_ENOENT;
    }
    int rc = WN_EINVAL;
    if (strlen(path) >= sizeof out->file || !directory_of(path, dir, sizeof dir)) {
        wn_problem_add(problems, "%.100s...: the path is longer than %d characters", path,
                       WN_PATH_SIZE - 1);
    } else {
        rc = wn_config_parse_daemon(text, len, path, dir, NULL, out, problems);
        const char *slash = strrchr(path, '/');
        if (!wn_path_join(dir, slash == NULL ? path : slash + 1, out->file, sizeof out->file)) {
            wn_problem_add(problems, "%.100s...: the path is too long", path);
            rc = WN_EINVAL;
        }
    }
    free(text);
    return rc;
}

const struct wn_station_config *wn_config_station(const struct wn_daemon_config *c,
                                                  const char *name)
{
    for (int i = 0; i < c->stations; i++) {
        if (strcmp(c->station[i].name, name) == 0) {
            return &c->station[i];
        }
    }
    return NULL;
}

const char *wn_config_station_differs(const struct wn_station_config *a,
                                      const struct wn_station_config *b)
{
    const char *key = wn_key_differs(station_keys, a, b);
    return key != NULL || wn_config_same_instruments(a, b) ? key : "an instrument";
}
