/* A station with one tester, made here.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "rig.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "serial/serial.h"
#include "support/near.h"

#define TURN_NS (10 * WN_NS_PER_MS)

struct rig rig;
static struct wn_link port;
static char line[200], answers[4096];
static size_t line_len, answers_len;

/* ---- the disk: no power is cut here, so nothing has to outlive the computer ---- */

static int sync_one(void)
{
    bool fails = rig.syncs_good == 0 && rig.syncs_bad > 0;
    rig.syncs_bad -= fails;
    rig.syncs_good -= rig.syncs_good > 0;
    errno = fails ? EIO : errno;
    return fails ? -1 : 0;
}

int fsync(int fd)
{
    (void)fd;
    return sync_one();
}

int fdatasync(int fd)
{
    (void)fd;
    return sync_one();
}

/* ---- guard ---- */

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

/* ---- the rig ---- */

static void begin(bool holds)
{
    memset(&rig, 0, sizeof rig);
    frame_begin("tests/swarm/conf");
    frame_link("conf/dialects");
    frame_configure("dialect = \"generic-scpi\"; port = \"rig\"; interlock = \"dtr\";",
                    holds ? "hold" : "resume", "");
    frame_boot();
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
    campaign_close(&frame.st);
    rig.on = false;
    answers_len = line_len = 0;
    frame_boot();
}

void rig_run(double seconds)
{
    wn_ns until = frame.now_ns + wn_ns_from_s(seconds);
    while (frame.now_ns < until) {
        frame.now_ns += TURN_NS;
        station_turn_instrument(&frame.st, frame_monotonic());
        station_turn_rest(&frame.st, frame_monotonic());
    }
}

void rig_charge(void)
{
    for (int i = 0; i < 100 && bench_not_ready(&frame.st) != NULL; i++) {
        rig_run(0.1);
    }
    rig_run(1);
    frame_start("swarm", "swarm-cycles");
    for (int i = 0; i < 300 && !rig.on; i++) {
        rig_run(0.1);
    }
    rig_run(5);
    assert_true(rig.on);
    assert_string_equal(frame_alarm(), "");
}
