/* A station that listens, in simulated time. SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "listen_rig.h"

#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "serial/serial.h"
#include "support/near.h"

#define TURN_LEAST_NS (500 * INT64_C(1000))
#define TURN_MOST_NS  (500 * WN_NS_PER_MS)
#define GUARD_TRIES   3

struct listening listening;

static int how, guard_tries;
static bool was_closed;
static wn_ns back_ns[LISTEN_WHOS]; /* the port is away until then */

static struct port {
    struct wn_link link; /* first */
    enum listen_who who;
    bool open, dead;
} port[LISTEN_WHOS];

static const char *const names[LISTEN_WHOS] = {"talker", "relay"};

static enum listen_who who_at(const char *path)
{
    const char *name = strrchr(path, '/');
    return strcmp(name != NULL ? name + 1 : path, names[RELAY]) == 0 ? RELAY : TALKER;
}

/* ---- the disk: no power is cut here ---- */

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
    enum listen_who who = who_at(instrument_config(s, i)->port);
    bool something = i->dialect.safe_off_len > 0 || (who == TALKER && (how & STOP_LINE) != 0);
    assert_true(something); /* the real one takes what it could do nothing with for nonsense */
    if (listening.guard_refuses) {
        return wn_error_set(err, WN_EGUARD, "guard does not acknowledge");
    }
    listening.held[who] = true;
    return WN_OK;
}

void guard_release(struct station *s, const struct instrument *i)
{
    listening.held[who_at(instrument_config(s, i)->port)] = false;
}

static void guard_acts(void)
{
    for (int n = 0; n < frame.st.config.instruments; n++) {
        const struct wn_dialect *d = &frame.st.bench.instrument[n].dialect;
        enum listen_who who = who_at(frame.st.config.instrument[n].port);
        if (listening.held[who] && frame.now_ns >= back_ns[who]) {
            listen_plant_feed(who, frame.now_ns, d->safe_off, d->safe_off_len);
            if (who == TALKER && (how & STOP_LINE) != 0) {
                listen_plant_contact(false);
            }
        }
    }
    if (++guard_tries >= GUARD_TRIES) {
        listening.held[TALKER] = false; /* it confirms nothing */
    }
}

/* ---- the ports ---- */

static struct port *port_of(const struct wn_link *l)
{
    return (struct port *)(uintptr_t)l;
}

static int look_at(struct port *p, struct wn_error *err)
{
    p->dead = p->dead || frame.now_ns < back_ns[p->who];
    return p->dead ? wn_error_set(err, WN_EGONE, "port %s is gone", names[p->who]) : WN_OK;
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
    *got = listen_plant_take(p->who, frame.now_ns, buf, size);
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
    listening.heard += p->who == TALKER ? (long)len : 0;
    listen_plant_feed(p->who, frame.now_ns, data, len);
    *put = len;
    return WN_OK;
}

static void port_flush(struct wn_link *l)
{
    char lost[256];
    while (listen_plant_take(port_of(l)->who, frame.now_ns, lost, sizeof lost) > 0) {
    }
}

static int port_line(struct wn_link *l, enum wn_line which, bool up, struct wn_error *err)
{
    if ((how & STOP_LINE) != 0 && port_of(l)->who == TALKER && which == WN_LINE_DTR) {
        listen_plant_contact(up);
        return WN_OK;
    }
    return wn_error_set(err, WN_ESTATE, "no such line");
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
    struct port *p = &port[who_at(s->path)];
    assert_false(p->open);
    *p = (struct port){.link = {&ops}, .who = who_at(s->path)};
    if (look_at(p, err) != WN_OK) {
        return WN_EGONE;
    }
    p->open = true;
    if ((how & STOP_LINE) != 0 && p->who == TALKER) { /* opening raises it, unless told not to */
        listen_plant_contact(s->dtr != WN_LINE_OFF);
    }
    *opened = &p->link;
    return WN_OK;
}

/* ---- bench and configuration ---- */

static void write_dialect(const char *silence)
{
    static char text[8192];
    FILE *f = fopen(WANE_SOURCE_DIR "/conf/dialects/virtual-talker-frames.conf", "r");
    assert_non_null(f);
    size_t len = fread(text, 1, sizeof text - 1, f);
    text[len] = '\0';
    assert_int_equal(fclose(f), 0);
    char *at = strstr(text, "\"10 s\"");
    assert_non_null(at);
    assert_int_equal(strlen(silence), 4);
    memcpy(at + 1, silence, 4);
    at = strstr(text, "\nstop = ");
    assert_non_null(at);
    if ((how & STOP_COMMAND) == 0) {
        memcpy(at, "\n#", 2);
    }
    frame_write("conf/dialects/talker.conf", text);
}

void listening_begin(int stops, const char *silence)
{
    char text[400];
    memset(&listening, 0, sizeof listening);
    memset(port, 0, sizeof port);
    memset(back_ns, 0, sizeof back_ns);
    how = stops;
    was_closed = false;
    frame_begin("tests/unit/station/conf");
    frame_directory("conf/dialects");
    write_dialect(silence);
    static char relay[4096];
    FILE *f = fopen(WANE_SOURCE_DIR "/conf/dialects/virtual-relay.conf", "r");
    assert_non_null(f);
    relay[fread(relay, 1, sizeof relay - 1, f)] = '\0';
    assert_int_equal(fclose(f), 0);
    frame_write("conf/dialects/relay.conf", relay);
    (void)snprintf(text, sizeof text, "dialect = \"talker\"; port = \"talker\";\n%s%s",
                   (how & STOP_RELAY) != 0 ? "relay = { dialect = \"relay\"; port = \"relay\"; };\n"
                                           : "",
                   (how & STOP_LINE) != 0 ? "interlock = \"dtr\";\n" : "interlock = \"none\";\n");
    frame_configure(text, "resume", "");
    listen_plant_begin((how & (STOP_RELAY | STOP_LINE)) == 0, frame.now_ns);
    frame_boot();
    listening.alive = true;
}

void listening_end(void)
{
    frame_end();
    assert_int_equal(listening.unheld, 0);
}

void listening_kill(double away_s)
{
    campaign_close(&frame.st);
    for (int w = 0; w < LISTEN_WHOS; w++) {
        port[w].open = false;
    }
    listening.alive = false;
    listening.start_ns = frame.now_ns + wn_ns_from_s(away_s);
    guard_tries = 0;
    guard_acts();
}

/* ---- time ---- */

/* Closed by the station while the guard holds nothing that opens it: never. (What hangs is no
 * matter.)
 */
static void watch(wn_ns passed_ns)
{
    bool closed = listen_plant_is_closed(), relay = (how & (STOP_RELAY | STOP_LINE)) != 0;
    bool holds = listening.held[(how & STOP_LINE) != 0 ? TALKER : RELAY];
    listening.closed += closed && !was_closed;
    listening.unheld += relay && listening.alive && closed && !was_closed && !holds;
    was_closed = closed;
    double a = listen_plant_flow_a();
    if (a < -0.03) {
        listening.out_ah += -a * wn_ns_to_s(passed_ns) / 3600;
    } else if (listening.out_ah > 0) {
        listening.run_ah = listening.out_ah;
        listening.out_ah = 0;
    }
}

static void turn(wn_ns until_ns)
{
    wn_ns before_ns = frame.now_ns, next_ns = frame.now_ns + TURN_MOST_NS;
    if (listening.alive) {
        wn_ns due_ns = bench_deadline(&frame.st, frame_monotonic());
        next_ns = due_ns < next_ns ? due_ns : next_ns;
        for (int n = 0; n < frame.st.config.instruments; n++) {
            const struct instrument *i = &frame.st.bench.instrument[n];
            next_ns = i->link != NULL && instrument_has_output(i) ? frame.now_ns : next_ns;
        }
    }
    next_ns = listen_plant_deadline() < next_ns ? listen_plant_deadline() : next_ns;
    next_ns = next_ns < until_ns ? next_ns : until_ns;
    frame.now_ns = next_ns > before_ns + TURN_LEAST_NS ? next_ns : before_ns + TURN_LEAST_NS;
    listen_plant_run(frame.now_ns);
    watch(frame.now_ns - before_ns);
    if (listening.alive) {
        station_turn_instrument(&frame.st, frame_monotonic());
        station_turn_rest(&frame.st, frame_monotonic());
    } else if (frame.now_ns < listening.start_ns) {
        guard_acts();
    } else {
        frame_boot();
        listening.alive = true;
    }
}

void listening_run(double seconds)
{
    wn_ns until_ns = frame.now_ns + wn_ns_from_s(seconds);
    while (frame.now_ns < until_ns) {
        turn(until_ns);
    }
}

bool listening_await(enum wn_engine_state state, double within_s)
{
    wn_ns until_ns = frame.now_ns + wn_ns_from_s(within_s);
    bool there = false;
    while (!there && frame.now_ns < until_ns) {
        turn(until_ns);
        there = frame.st.campaign != NULL && wn_engine_state(frame.st.engine) == state;
    }
    return there;
}

void listening_until(int direction, double within_s)
{
    wn_ns until_ns = frame.now_ns + wn_ns_from_s(within_s);
    int now = 2;
    while (now != direction && frame.now_ns < until_ns) {
        turn(until_ns);
        double a = listen_plant_flow_a();
        now = a > 0.03 ? 1 : a < -0.03 ? -1 : 0;
    }
    assert_int_equal(now, direction);
    listening_run(10);
}

void listening_start(void)
{
    for (int i = 0; i < 200 && bench_not_ready(&frame.st) != NULL; i++) {
        listening_run(0.1);
    }
    listening_run(2);
    frame_start("small", "small-cycles");
}

/* ---- what is done to it ---- */

void listening_fault(enum listen_who who, const char *text)
{
    listen_plant_fault(who, frame.now_ns, text);
}

void listening_weld(void)
{
    listen_plant_contact(true);
    listening_fault(RELAY, "stuck");
    was_closed = true; /* that is nobody's order */
}

void listening_unplug(enum listen_who who, double seconds)
{
    back_ns[who] = frame.now_ns + wn_ns_from_s(seconds);
}

void listening_order(enum wn_event_kind kind)
{
    struct wn_error err = {0};
    if (wn_engine_may(frame.st.engine, kind, &err) != WN_OK) {
        fail_msg("%s", err.text);
    }
    station_command(&frame.st, kind, "tester");
}

/* ---- what is in the campaign's file ---- */

struct wanted {
    const char *text;
    int64_t cycle;
    struct wn_cycle_record found;
    bool there;
};

static int find_event(const struct wn_event_row *row, void *ctx)
{
    struct wanted *w = ctx;
    w->there = w->there || strstr(row->event.kind, w->text) != NULL ||
               strstr(row->event.text, w->text) != NULL;
    return 0;
}

bool listening_told(const char *text)
{
    struct wanted w = {.text = text};
    struct wn_error err = {0};
    station_commit(&frame.st);
    assert_int_equal(wn_campaign_each_event(frame.st.campaign, 0, find_event, &w, &err), WN_OK);
    return w.there;
}

static int find_cycle(const struct wn_cycle_record *r, wn_utc_us end_utc, void *ctx)
{
    struct wanted *w = ctx;
    (void)end_utc;
    if (r->cycle == w->cycle) {
        w->found = *r;
        w->there = true;
    }
    return 0;
}

static struct wn_cycle_record cycle_of(int64_t cycle)
{
    struct wanted w = {.cycle = cycle};
    struct wn_error err = {0};
    station_commit(&frame.st);
    assert_int_equal(wn_campaign_each_cycle(frame.st.campaign, find_cycle, &w, &err), WN_OK);
    assert_true(w.there);
    return w.found;
}

unsigned listening_flags(int64_t cycle)
{
    return cycle_of(cycle).flags;
}

double listening_capacity_ah(int64_t cycle)
{
    return cycle_of(cycle).capacity_ah.value;
}
