/* A station of several instruments in simulated time, on the virtual bench.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "several_rig.h"

#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "several_watch.h"
#include "serial/serial.h"
#include "support/near.h"

#define TURN_LEAST_NS (500 * INT64_C(1000))
#define TURN_MOST_NS  (500 * WN_NS_PER_MS)
#define RESTART_NS    WN_NS_PER_S
#define GUARD_NS      (250 * WN_NS_PER_MS)
#define CONNECT_NS    (70 * WN_NS_PER_MS)

struct several several;

static struct port {
    struct wn_link link; /* first */
    enum who who;
    bool open, dead; /* dead: it was unplugged since it was opened */
    wn_ns ready_ns;  /* behind a serial server: connected, then */
} port[WHOS];

static const char pair_text[] = "supply = { dialect = \"supply\"; port = \"supply\"; };\n"
                                "load = { dialect = \"load\"; port = \"load\"; };\n";
/* Meters that are wrong, and certificates that say so. */
static const char wrong_text[] =
    "supply = { dialect = \"supply\"; port = \"supply\"; calibration = { current = { gain = 0.98; "
    "offset = \"0 A\"; expanded = \"1 mA\"; }; }; };\n"
    "load = { dialect = \"load\"; port = \"load\"; calibration = { current = { gain = 1.02; "
    "offset = \"0 A\"; expanded = \"1 mA\"; }; }; };\n";
static const char tester_text[] = "dialect = \"tester\"; port = \"supply\";\n";
static const char relay_text[] = "relay = { dialect = \"relay\"; port = \"relay\"; };\n";
static const char line_text[] = "interlock = \"dtr\";\n";
static const char rest_text[] =
    "thermometers = ( { dialect = \"thermometer\"; port = \"cell\"; measures = \"cell\"; },\n"
    "  { dialect = \"thermometer\"; port = \"air\"; measures = \"ambient\"; } );\n";

static enum who who_at(const char *path)
{
    const char *name = strrchr(path, '/');
    name = name != NULL ? name + 1 : path;
    for (int w = 0; w < WHOS; w++) {
        if (strcmp(name, who_names[w]) == 0) {
            return (enum who)w;
        }
    }
    fail_msg("no such port: %s", path);
    return WHOS;
}

struct instrument *several_instrument(enum who who)
{
    for (int n = 0; n < frame.st.config.instruments; n++) {
        if (who_at(frame.st.config.instrument[n].port) == who) {
            return &frame.st.bench.instrument[n];
        }
    }
    return NULL;
}

/* ---- the disk: no power is cut here, so nothing has to outlive the computer ---- */

int fsync(int fd)
{
    (void)fd;
    return 0;
}

int fdatasync(int fd)
{
    (void)fd;
    return 0;
}

/* ---- the guard ---- */

int guard_register(struct station *s, const struct instrument *i, struct wn_error *err)
{
    if (several.guard_refuses) {
        return wn_error_set(err, WN_EGUARD, "guard does not acknowledge");
    }
    several.held[who_at(instrument_config(s, i)->port)] = true;
    return WN_OK;
}

void guard_release(struct station *s, const struct instrument *i)
{
    enum who who = who_at(instrument_config(s, i)->port);
    several.held[who] = false;
    watch_released(who);
}

static void guard_acts(void)
{
    for (int n = 0; n < frame.st.config.instruments; n++) {
        const struct wn_dialect *d = &frame.st.bench.instrument[n].dialect;
        enum who who = who_at(frame.st.config.instrument[n].port);
        size_t at = 0, len = 0;
        for (const char *off;
             several.held[who] && (off = wn_dialect_safe_off(d, &at, &len)) != NULL;) {
            plant_feed(who, frame.now_ns, off, len);
            if (at < d->safe_off_len) { /* a further frame, behind a silence */
                frame.now_ns += 5 * WN_NS_PER_MS;
                plant_run(frame.now_ns);
            }
        }
    }
}

/* ---- the ports ---- */

static struct port *port_of(const struct wn_link *l)
{
    return (struct port *)(uintptr_t)l;
}

static int look_at(struct port *p, struct wn_error *err)
{
    bool dies = !p->dead && plant_is_away(p->who);
    p->dead = p->dead || dies;
    if (dies && several.line && p->who == SUPPLY) {
        plant_switch_relay(false); /* with its adapter */
    }
    return p->dead ? wn_error_set(err, WN_EGONE, "port %s is gone", who_names[p->who]) : WN_OK;
}

static int port_fd(const struct wn_link *l)
{
    (void)l;
    return -1;
}

static int port_read(struct wn_link *l, void *buf, size_t size, size_t *got, struct wn_error *err)
{
    struct port *p = port_of(l);
    *got = 0;
    if (look_at(p, err) != WN_OK) {
        return WN_EGONE;
    }
    *got = frame.now_ns >= p->ready_ns ? plant_take(p->who, frame.now_ns, buf, size) : 0;
    return WN_OK;
}

static int port_write(struct wn_link *l, const void *data, size_t len, size_t *put,
                      struct wn_error *err)
{
    struct port *p = port_of(l);
    *put = 0;
    if (look_at(p, err) != WN_OK) {
        return WN_EGONE;
    }
    if (frame.now_ns < p->ready_ns) {
        return WN_OK;
    }
    *put = len;
    if (watch_asked(p->who, data, len) && several.untold[p->who]) {
        return WN_OK;
    }
    plant_feed(p->who, frame.now_ns, data, len);
    watch_now();
    return WN_OK;
}

static void port_flush(struct wn_link *l)
{
    char lost[256];
    while (plant_take(port_of(l)->who, frame.now_ns, lost, sizeof lost) > 0) {
    }
}

static int port_line(struct wn_link *l, enum wn_line which, bool up, struct wn_error *err)
{
    if (several.line && port_of(l)->who == SUPPLY && which == WN_LINE_DTR) {
        plant_switch_relay(up);
        watch_now();
        return WN_OK;
    }
    return wn_error_set(err, WN_ESTATE, "no such line");
}

static int port_advance(struct wn_link *l, bool *ready, struct wn_error *err)
{
    *ready = frame.now_ns >= port_of(l)->ready_ns;
    return look_at(port_of(l), err);
}

static void port_close(struct wn_link *l)
{
    port_of(l)->open = false;
}

int wn_link_open(struct wn_link **opened, const struct wn_port_settings *s, struct wn_error *err)
{
    static const struct wn_link_ops ops = {.fd = port_fd,
                                           .read = port_read,
                                           .write = port_write,
                                           .flush = port_flush,
                                           .set_line = port_line,
                                           .close = port_close};
    static struct wn_link_ops remote;
    struct port *p = &port[who_at(s->path)];
    assert_false(p->open);
    remote = ops;
    remote.advance = port_advance;
    *p = (struct port){.link = {several.remote ? &remote : &ops}, .who = who_at(s->path)};
    p->ready_ns = several.remote ? frame.now_ns + CONNECT_NS : 0;
    if (!several.remote && look_at(p, err) != WN_OK) { /* else it shows later */
        return WN_EGONE;
    }
    p->open = true;
    if (several.line && p->who == SUPPLY) { /* opening raises it, unless told not to */
        plant_switch_relay(s->dtr != WN_LINE_OFF);
    }
    *opened = &p->link;
    return WN_OK;
}

/* ---- the configuration ---- */

/* The shipped dialect, but with the computer's clock: here time passes by itself; and where off is
 * a frame, it has one before it that does nothing. */
static void write_dialect(const char *shipped, const char *name)
{
    static const char *const changes[][2] = {{"has_clock = true", "has_clock = false"},
                                             {"MEAS:ALL? {interval_s}", "MEAS:ALL?"},
                                             {"\"time_s\",", "\"ignore\","},
                                             {"    time_s ", "    # "},
                                             {"before_read = { step", "# { step"},
                                             {"off    = { ", "off    = { silence = 0; "}};
    static char text[16384], changed[16384];
    char path[300];
    (void)snprintf(path, sizeof path, WANE_SOURCE_DIR "/conf/dialects/%s.conf", shipped);
    FILE *f = fopen(path, "r");
    assert_non_null(f);
    size_t len = fread(text, 1, sizeof text - 1, f);
    text[len] = '\0';
    assert_int_equal(fclose(f), 0);
    for (size_t i = 0; i < sizeof changes / sizeof changes[0]; i++) {
        char *at = strstr(text, changes[i][0]);
        if (at != NULL) {
            (void)snprintf(changed, sizeof changed, "%.*s%s%s", (int)(at - text), text,
                           changes[i][1], at + strlen(changes[i][0]));
            memcpy(text, changed, sizeof text);
        }
    }
    (void)snprintf(path, sizeof path, "conf/dialects/%s.conf", name);
    frame_write(path, text);
}

enum kind { PAIR, PAIR_ON_LINE, PAIR_CORRECTED, TESTER, PAIR_FAST };

static void write_dialects(bool modbus)
{
    frame_directory("conf/dialects");
    write_dialect(modbus ? "virtual-modbus-supply" : "virtual-supply", "supply");
    write_dialect(modbus ? "virtual-modbus-load" : "virtual-load", "load");
    write_dialect(modbus ? "virtual-modbus-relay" : "virtual-relay", "relay");
    write_dialect(modbus ? "virtual-modbus-thermometer" : "virtual-thermometer", "thermometer");
    write_dialect(modbus ? "virtual-modbus" : "virtual-bench", "tester");
}

static void begin(uint64_t seed, enum kind kind, bool modbus, bool remote)
{
    static const char *const sources[] = {pair_text, pair_text, wrong_text, tester_text, pair_text};
    bool line = kind == PAIR_ON_LINE;
    char text[1024];
    memset(&several, 0, sizeof several);
    memset(port, 0, sizeof port);
    frame_begin("tests/unit/station/conf");
    write_dialects(modbus);
    (void)snprintf(text, sizeof text, "%s%s%s", sources[kind], line ? line_text : relay_text,
                   rest_text);
    several.line = line;
    several.remote = remote;
    frame.reads_fast = kind == PAIR_FAST;
    frame_configure(text, "resume", "thermometer_frozen = \"60 s\";");
    plant_begin(seed, kind == TESTER, modbus, frame.now_ns);
    watch_begin();
    frame_boot();
    several.alive = true;
}

void several_begin(uint64_t seed)
{
    begin(seed, PAIR, false, false);
}

void several_begin_tester(uint64_t seed)
{
    begin(seed, TESTER, false, false);
}

void several_begin_corrected(uint64_t seed)
{
    begin(seed, PAIR_CORRECTED, false, false);
}

void several_begin_line(uint64_t seed)
{
    begin(seed, PAIR_ON_LINE, false, false);
}

void several_begin_fast(uint64_t seed)
{
    begin(seed, PAIR_FAST, false, false);
}

void several_begin_modbus(uint64_t seed, bool tester, bool remote)
{
    begin(seed, tester ? TESTER : PAIR, true, remote);
}

void several_end(void)
{
    frame_end();
    if (several.wrong[0] != '\0') {
        fail_msg("%s", several.wrong);
    }
}

void several_kill(void)
{
    campaign_close(&frame.st);
    for (int w = 0; w < WHOS; w++) {
        port[w].open = false;
    }
    several.alive = false;
    several.start_ns = frame.now_ns + RESTART_NS;
    guard_acts();
    watch_now();
}

/* ---- time ---- */

static wn_ns next_turn(wn_ns until_ns)
{
    wn_ns next_ns = frame.now_ns + (several.alive ? TURN_MOST_NS : GUARD_NS);
    wn_ns asleep_ns = frame.now_ns - frame_monotonic();
    if (several.alive) {
        wn_ns due_ns = bench_deadline(&frame.st, frame_monotonic());
        next_ns = due_ns < next_ns - asleep_ns ? due_ns + asleep_ns : next_ns;
        for (int n = 0; n < frame.st.config.instruments; n++) { /* the ports take everything */
            const struct instrument *i = &frame.st.bench.instrument[n];
            next_ns = i->link != NULL && instrument_has_output(i) ? frame.now_ns : next_ns;
        }
    }
    next_ns = plant_deadline() < next_ns ? plant_deadline() : next_ns;
    next_ns = next_ns < until_ns ? next_ns : until_ns;
    return next_ns > frame.now_ns + TURN_LEAST_NS ? next_ns : frame.now_ns + TURN_LEAST_NS;
}

static void turn(wn_ns until_ns)
{
    frame.now_ns = next_turn(until_ns);
    plant_run(frame.now_ns);
    watch_now();
    if (several.alive) {
        station_turn_instrument(&frame.st, frame_monotonic());
        watch_station();
        station_turn_rest(&frame.st, frame_monotonic());
    } else if (frame.now_ns < several.start_ns) {
        guard_acts();
    } else {
        frame_boot();
        several.alive = true;
    }
    watch_now();
}

void several_run(double seconds)
{
    wn_ns until_ns = frame.now_ns + wn_ns_from_s(seconds);
    while (frame.now_ns < until_ns) {
        turn(until_ns);
    }
}

bool several_await(enum who who, bool closed, double within_s)
{
    wn_ns until_ns = frame.now_ns + wn_ns_from_s(within_s);
    while (plant_is_on(who) != closed && frame.now_ns < until_ns) {
        turn(until_ns);
    }
    return plant_is_on(who) == closed;
}

bool several_await_state(enum wn_engine_state state, double within_s)
{
    wn_ns until_ns = frame.now_ns + wn_ns_from_s(within_s);
    bool there = false;
    while (!there && frame.now_ns < until_ns) {
        turn(until_ns);
        there = frame.st.campaign != NULL && wn_engine_state(frame.st.engine) == state;
    }
    return there;
}

void several_start(void)
{
    for (int i = 0; i < 100 && bench_not_ready(&frame.st) != NULL; i++) {
        several_run(0.1);
    }
    several_run(3);
    frame_start("small", "small-cycles");
}

void several_charge(void)
{
    several_start();
    assert_true(several_await(SUPPLY, true, 30));
    several_run(5);
    assert_true(plant_flow_a() > 0.4);
    assert_string_equal(frame_alarm(), "");
}

void several_discharge(void)
{
    several_start();
    assert_true(several_await(LOAD, true, 1800));
    several_run(5);
    assert_true(plant_flow_a() < -0.9);
    assert_string_equal(frame_alarm(), "");
}

/* ---- what is done to it ---- */

void several_fault(enum who who, double trouble_s, const char *text)
{
    wn_ns until_ns = frame.now_ns + wn_ns_from_s(trouble_s);
    wn_ns *trouble_ns = &several.trouble_ns[who];
    *trouble_ns = until_ns > *trouble_ns ? until_ns : *trouble_ns;
    plant_fault(who, frame.now_ns, text);
    watch_now();
}

void several_sleep(double seconds)
{
    frame.now_ns += wn_ns_from_s(seconds);
    frame.asleep_ns += wn_ns_from_s(seconds);
    several.woke_ns = frame.now_ns;
}

bool several_order(enum wn_event_kind kind)
{
    struct wn_error err = {0};
    if (!several.alive || frame.st.campaign == NULL ||
        wn_engine_may(frame.st.engine, kind, &err) != WN_OK) {
        return false;
    }
    station_command(&frame.st, kind, "tester");
    watch_now();
    return true;
}

/* ---- what stories have in common ---- */

/* The engine is halted by this rule, and nothing flows any more. */
void several_halts(const char *rule, double within_s)
{
    assert_true(several_await_state(WN_ENGINE_HALTED, within_s));
    assert_string_equal(frame_alarm(), rule);
    assert_near(plant_flow_a(), 0, 1e-6);
}

/* An operator has looked at it. */
void several_go_on(void)
{
    assert_true(several_order(WN_EVENT_ACKNOWLEDGE));
    assert_true(several_order(WN_EVENT_RESUME));
}

void several_finishes(void)
{
    assert_true(several_await_state(WN_ENGINE_FINISHED, 7200));
    assert_string_equal(frame_alarm(), "");
    assert_near(plant_flow_a(), 0, 1e-6);
    several_end();
}
