/* Swarm: the port and the line between the computer and the instrument.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "swarm/wire.h"

#include <string.h>

#include "port/link.h"
#include "serial/serial.h"
#include "swarm/host.h"
#include "swarm/plant.h"

enum { QUEUE = 1 << 15 };

/* Bytes on their way, in order. */
struct queue {
    struct {
        wn_ns at;
        char byte;
    } q[QUEUE];
    size_t first, n;
    wn_ns last_ns;
};

static struct queue out, in; /* to the instrument; to the computer */
static bool there, station_open, guard_holds, guard_dead, station_dead;
static bool dtr, rts; /* lines of the port; the interlock stands on one or between both */
static wn_ns delay_ns;
static struct wn_link link;

static void clear(struct queue *q)
{
    q->first = q->n = 0;
    q->last_ns = 0;
}

static void push(struct queue *q, char byte, wn_ns at)
{
    if (q->n < QUEUE) {
        q->last_ns = at > q->last_ns ? at : q->last_ns;
        q->q[(q->first + q->n) % QUEUE].at = q->last_ns;
        q->q[(q->first + q->n) % QUEUE].byte = byte;
        q->n++;
    }
}

static bool pop(struct queue *q, char *byte)
{
    if (q->n == 0 || q->q[q->first].at > sim.now_ns) {
        return false;
    }
    *byte = q->q[q->first].byte;
    q->first = (q->first + 1) % QUEUE;
    q->n--;
    return true;
}

/* Through a line that may be bad. */
static void send_byte(struct queue *q, char byte, wn_ns at)
{
    if (sim.fault[FAULT_CABLE_DEAD]) {
        sim.injected[FAULT_CABLE_DEAD]++;
        return;
    }
    if (fault_strikes(FAULT_BYTES_LOST)) {
        return;
    }
    if (fault_strikes(FAULT_BYTES_INSERTED)) {
        push(q, (char)wn_prng_below(&sim.noise, 256), at);
    }
    if (fault_strikes(FAULT_BYTES_FLIPPED)) {
        byte = (char)(byte ^ (char)(1 << wn_prng_below(&sim.noise, 8)));
    }
    push(q, byte, at);
}

static void send_all(struct queue *q, const char *data, size_t len, wn_ns at)
{
    size_t cut = len;
    if (len > 1 && fault_strikes(FAULT_WRITES_SPLIT)) {
        cut = 1 + wn_prng_below(&sim.noise, len - 1);
    }
    for (size_t i = 0; i < len; i++) {
        send_byte(q, data[i],
                  at + (i >= cut ? (wn_ns)wn_prng_below(&sim.noise, 50) * WN_NS_PER_MS : 0));
    }
}

static void answer(const char *reply, size_t len)
{
    wn_ns at = sim.now_ns + delay_ns;
    if (fault_strikes(FAULT_REPLIES_LATE)) {
        at += wn_ns_from_s(3.0 * wn_prng_uniform(&sim.noise));
    }
    send_all(&in, reply, len, at);
    if (fault_strikes(FAULT_REPLIES_DOUBLED)) {
        send_all(&in, reply, len, at + wn_ns_from_s(0.5 * wn_prng_uniform(&sim.noise)));
    }
}

wn_ns wire_run(void)
{
    static char reply[PLANT_REPLY_SIZE];
    char byte;
    while (pop(&out, &byte)) {
        size_t len = plant_byte(byte, reply);
        if (len > 0 && there) {
            answer(reply, len);
        }
    }
    wn_ns next = out.n > 0 ? out.q[out.first].at : WN_NS_NEVER;
    wn_ns arrives = in.n > 0 && in.q[in.first].at > sim.now_ns ? in.q[in.first].at : WN_NS_NEVER;
    return arrives < next ? arrives : next;
}

bool wire_readable(void)
{
    return in.n > 0 && in.q[in.first].at <= sim.now_ns;
}

static void set_lines(bool dtr_on, bool rts_on)
{
    dtr = dtr_on;
    rts = rts_on;
    plant_contactor(dtr && !(sim.between && rts));
}

static void holder_gone(void)
{
    if (!station_open && !guard_holds) {
        clear(&out);
        clear(&in);
        set_lines(false, false);
    }
}

void wire_begin(void)
{
    clear(&out);
    clear(&in);
    there = true;
    station_open = guard_holds = guard_dead = station_dead = dtr = rts = false;
    delay_ns = (wn_ns)(1 + wn_prng_below(&sim.choice, 20)) * WN_NS_PER_MS;
}

void wire_plug(bool now_there)
{
    if (there == now_there) {
        return;
    }
    there = now_there;
    trace("port %s", there ? "is there again" : "vanishes");
    if (!there) {
        station_dead = station_open;
        guard_dead = guard_holds;
        clear(&out);
        clear(&in);
        set_lines(false, false);
    }
}

bool wire_there(void)
{
    return there;
}

void wire_station_gone(void)
{
    station_open = false;
    holder_gone();
}

/* ---- the station's end ---- */

static int gone(struct wn_error *err)
{
    return wn_error_set(err, WN_EGONE, "swarm port: it is gone");
}

static int link_descriptor(const struct wn_link *l)
{
    (void)l;
    return -1;
}

static int link_read(struct wn_link *l, void *buf, size_t size, size_t *got, struct wn_error *err)
{
    (void)l;
    *got = 0;
    host_boundary();
    if (host_is_dead() || station_dead) {
        return gone(err);
    }
    while (*got < size && pop(&in, (char *)buf + *got)) {
        (*got)++;
    }
    return WN_OK;
}

static int link_write(struct wn_link *l, const void *data, size_t len, size_t *put,
                      struct wn_error *err)
{
    (void)l;
    *put = 0;
    host_boundary();
    if (host_is_dead() || station_dead) {
        return gone(err);
    }
    *put = len;
    if (len > 1 && fault_strikes(FAULT_WRITES_SPLIT)) {
        *put = wn_prng_below(&sim.noise, len);
    }
    send_all(&out, data, *put, sim.now_ns + delay_ns);
    host_boundary(); /* dead between writing and remembering it */
    return WN_OK;
}

static void link_flush(struct wn_link *l)
{
    char byte;
    (void)l;
    if (!host_is_dead()) {
        while (pop(&in, &byte)) {
        }
        clear(&out);
    }
}

static int link_set_line(struct wn_link *l, enum wn_line line, bool on, struct wn_error *err)
{
    (void)l;
    if (host_is_dead() || station_dead) {
        return gone(err);
    }
    trace("station %s %s", on ? "raises" : "drops", line == WN_LINE_DTR ? "DTR" : "RTS");
    set_lines(line == WN_LINE_DTR ? on : dtr, line == WN_LINE_RTS ? on : rts);
    return WN_OK;
}

static void link_close(struct wn_link *l)
{
    (void)l;
    if (!host_is_dead()) {
        station_open = false;
        holder_gone();
    }
}

int wn_link_open(struct wn_link **opened, const struct wn_port_settings *s, struct wn_error *err)
{
    static const struct wn_link_ops ops = {.fd = link_descriptor,
                                           .read = link_read,
                                           .write = link_write,
                                           .flush = link_flush,
                                           .set_line = link_set_line,
                                           .close = link_close};
    host_boundary();
    if (host_is_dead() || !there) {
        return wn_error_set(err, WN_ENOENT, "%s: no such port: plug it in", s->path);
    }
    if (guard_holds || station_open) {
        return wn_error_set(err, WN_EBUSY, "%s is held by another program", s->path);
    }
    clear(&in);
    clear(&out);
    link.ops = &ops;
    station_open = true;
    station_dead = false;
    set_lines(true, true); /* opening raises both, whatever is wanted */
    set_lines(s->dtr != WN_LINE_OFF, s->rts != WN_LINE_OFF);
    *opened = &link;
    return WN_OK;
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

/* ---- the guard's duplicate ---- */

void wire_guard_takes(void)
{
    guard_holds = true;
    guard_dead = !there;
}

void wire_guard_lets_go(void)
{
    guard_holds = false;
    holder_gone();
}

bool wire_guard_holds(void)
{
    return guard_holds;
}

bool wire_guard_write(const char *data, size_t len)
{
    if (guard_dead) {
        return false;
    }
    send_all(&out, data, len, sim.now_ns + delay_ns);
    return true;
}

bool wire_guard_read(char *c)
{
    return !guard_dead && pop(&in, c);
}

void wire_guard_flush(void)
{
    char byte;
    while (pop(&in, &byte)) {
    }
    clear(&out);
}

void wire_guard_drops_interlock(void)
{
    if (!guard_dead) {
        trace("guard drops the interlock");
        set_lines(false, rts);
    }
}
