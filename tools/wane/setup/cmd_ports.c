/* wane ports, wane identify: which serial ports there are, and who is at one.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _DEFAULT_SOURCE
#include "wane.h"

#include <math.h>
#include <poll.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "base/num.h"
#include "inquiry.h"
#include "port/address.h"
#include "port/clock.h"
#include "report/table.h"
#include "serial/serial.h"

struct sink {
    const struct wn_daemon_config *daemon; /* NULL: there is none */
    json_t *list;                          /* NULL: a table is wanted */
    struct wn_table *table;
    char hints[2000]; /* lines behind the table */
};

struct place {
    const struct wn_station_config *station; /* NULL: of none */
    int instrument;
};

static bool is_port(const char *port, const char *want)
{
    char *a = realpath(port, NULL), *b = realpath(want, NULL);
    bool same = strcmp(port, want) == 0 || (a != NULL && b != NULL && strcmp(a, b) == 0);
    free(a);
    free(b);
    return same;
}

/* The station that is configured on this port, by either name of it; a station's name means its
 * first instrument. */
static struct place place_of(const struct wn_daemon_config *d, const char *port)
{
    for (int i = 0; d != NULL && i < d->stations; i++) {
        const struct wn_station_config *s = &d->station[i];
        for (int k = 0; k < s->instruments; k++) {
            if (is_port(s->instrument[k].port, port) || strcmp(s->name, port) == 0) {
                return (struct place){s, k};
            }
        }
    }
    return (struct place){NULL, 0};
}

/* How many replies make a reading of this instrument. */
static int replies_of(const struct wn_daemon_config *d, const struct wn_instrument_config *c)
{
    static struct wn_dialect dialect; /* large */
    static struct wn_problems problems;
    problems.n = 0;
    bool known = wn_config_read_dialect(d->conf_dir, c->dialect, &dialect, &problems) == WN_OK;
    return known && dialect.reads > 0 ? dialect.reads : 1;
}

static void hint(struct sink *s, json_t *list, const char *fmt, ...)
    __attribute__((format(printf, 3, 4)));

static void hint(struct sink *s, json_t *list, const char *fmt, ...)
{
    char text[400];
    size_t len = strlen(s->hints);
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    (void)json_array_append_new(list, json_string(text));
    (void)snprintf(s->hints + len, sizeof s->hints - len, "%s\n", text);
}

/* What somebody should know before he relies on this port. */
static void tell_hints(struct sink *s, const struct wn_port_info *i, struct place at, json_t *list)
{
    const struct wn_station_config *c = at.station;
    char ms[WN_NUM_SIZE];
    if (wn_port_is_nameless(i)) {
        hint(s, list,
             "%s: its adapter has no serial number, so that a second one of the kind has the same "
             "name in by-id: use the name in by-path, and leave it in its socket",
             i->path);
    }
    if (c == NULL) {
        return;
    }
    const struct wn_instrument_config *own = &c->instrument[at.instrument];
    const char *stable = wn_port_stable_name(i);
    if (stable != NULL && strcmp(own->port, i->path) == 0) {
        hint(s, list,
             "%s: this name changes when something is plugged in: write port = \"%s\" for station "
             "%s",
             i->path, stable, c->name);
    }
    if (wn_port_is_slow(i, replies_of(s->daemon, own), c->fast_interval_s)) {
        hint(s, list,
             "%s: its adapter keeps short replies back for %d ms, too long for the fast_interval "
             "of %s ms of station %s: install contrib/udev/70-wane.rules, which sets the latency "
             "timer to 1 ms",
             i->path, i->latency_ms, wn_num_format(c->fast_interval_s * 1e3, 6, ms, sizeof ms),
             c->name);
    }
}

static json_t *text_or_null(const char *text)
{
    return text != NULL ? json_string(text) : json_null();
}

static void take_json(struct sink *s, const struct wn_port_info *i, const char *usb,
                      const struct wn_station_config *c, json_t *hints)
{
    json_t *o = json_object();
    wane_put(o, "port", text_or_null(i->path));
    wane_put(o, "by_id", text_or_null(i->by_id));
    wane_put(o, "by_path", text_or_null(i->by_path));
    wane_put(o, "usb", usb[0] != '\0' ? json_string(usb) : json_null());
    wane_put(o, "driver", text_or_null(i->driver));
    wane_put(o, "latency_ms", i->latency_ms >= 0 ? json_integer(i->latency_ms) : json_null());
    wane_put(o, "description", text_or_null(i->description));
    wane_put(o, "serial_number", text_or_null(i->serial_number));
    wane_put(o, "held_by", text_or_null(i->holder));
    wane_put(o, "station", text_or_null(c != NULL ? c->name : NULL));
    wane_put(o, "hints", hints);
    (void)json_array_append_new(s->list, o);
}

static void take_port(const struct wn_port_info *i, void *ctx)
{
    struct sink *s = ctx;
    const struct place at = place_of(s->daemon, i->path);
    const struct wn_station_config *c = at.station;
    char usb[16] = "", driver[100] = "", of_station[100] = "";
    json_t *hints = json_array();
    if (i->usb_vid >= 0) {
        (void)snprintf(usb, sizeof usb, "%04x:%04x", (unsigned)i->usb_vid, (unsigned)i->usb_pid);
    }
    tell_hints(s, i, at, hints);
    if (s->list != NULL) {
        take_json(s, i, usb, c, hints);
        return;
    }
    json_decref(hints);
    if (i->driver != NULL) {
        char latency[24] = "";
        (void)snprintf(latency, sizeof latency, " (%d ms)", i->latency_ms);
        (void)snprintf(driver, sizeof driver, "%.60s%s", i->driver,
                       i->latency_ms >= 0 ? latency : "");
    }
    if (c != NULL) {
        (void)snprintf(of_station, sizeof of_station, "free, of station %s", c->name);
    }
    wn_table_text(s->table, i->path);
    wn_table_text(s->table, usb);
    wn_table_text(s->table, driver);
    wn_table_text(s->table, i->description);
    wn_table_text(s->table, i->holder != NULL ? i->holder : c != NULL ? of_station : "free");
    wn_table_text(s->table, wn_port_stable_name(i));
}

/* A port that is none of this computer's, as far as the configuration knows of it. */
static void take_remote(struct sink *s, const char *port, int *count)
{
    char holder[128];
    struct wn_port_info info = {.path = port,
                                .description = "TCP serial server",
                                .usb_vid = -1,
                                .usb_pid = -1,
                                .latency_ms = -1};
    if (wn_address_is_remote(port)) {
        info.holder = wn_port_holder(port, holder, sizeof holder);
        take_port(&info, s);
        (*count)++;
    }
}

static int run_ports(struct wane *w, const struct wane_args *a)
{
    static const char *const headings[] = {"port", "USB",     "driver",
                                           "what", "held by", "write this into the configuration"};
    struct wn_error err = {0};
    int count = 0;
    (void)a;
    struct sink s = {.daemon = access(w->config_file, R_OK) == 0 ? wane_daemon(w) : NULL,
                     .list = w->json ? json_array() : NULL,
                     .table = w->json ? NULL : wn_table_create("llllll", headings)};
    int rc = wn_ports_list(take_port, &s, &count, &err);
    for (int i = 0; s.daemon != NULL && i < s.daemon->stations; i++) {
        for (int k = 0; k < s.daemon->station[i].instruments; k++) {
            take_remote(&s, s.daemon->station[i].instrument[k].port, &count);
        }
    }
    if (rc == WN_OK && w->json) {
        return wane_print_json(json_pack("{s:o}", "ports", s.list));
    }
    if (rc == WN_OK && count > 0) {
        rc = wn_table_print(s.table, stdout, w->colour, &err);
        (void)printf("%s%s", s.hints[0] != '\0' ? "\n" : "", s.hints);
    } else if (rc == WN_OK) {
        (void)puts("no serial port on this computer: is the adapter plugged in? dmesg tells what "
                   "the kernel sees");
    }
    json_decref(s.list);
    wn_table_destroy(s.table);
    return rc == WN_OK ? wane_flush() : wane_fail(w, &err);
}

const struct wane_command cmd_ports = {
    .name = "ports",
    .synopsis = "",
    .summary = "the serial ports of this computer",
    .text = "Lists serial ports without opening any, with the name that stays the same when\n"
            "things are plugged in elsewhere, the driver (for FTDI adapters with the time they\n"
            "keep short replies back), who has it open, and what to mind. Serial servers of\n"
            "the configuration are listed too. Nothing is changed.\n",
    .examples = "  wane ports\n",
    .run = run_ports,
};

enum { DIALECT, BAUD, UNIT };

static const struct wane_option identify_options[] = {
    [DIALECT] = {"dialect", 0, WANE_TEXT, "NAME",
                 "dialects/NAME.conf; else that of the station on this port, else generic-scpi"},
    [BAUD] = {"baud", 0, WANE_COUNT, "N", "else the station's or the dialect's"},
    [UNIT] = {"unit", 0, WANE_COUNT, "N", "of a MODBUS instrument; else as the baud rate"},
};

static int print_identity(const struct wane *w, const char *port, const char *identity,
                          const char *dialect, const char *station, bool simulated)
{
    if (w->json) {
        json_t *o = json_object();
        wane_put(o, "port", json_string(port));
        wane_put(o, "identity", json_string(identity));
        wane_put(o, "dialect", json_string(dialect));
        wane_put(o, "station", station != NULL ? json_string(station) : json_null());
        wane_put(o, "simulated", json_boolean(simulated));
        return wane_print_json(o);
    }
    const char *who = identity[0] != '\0' ? identity : "its records, but no word of who it is";
    (void)printf("%s: %s (dialect %s%s%s)%s\n", port, who, dialect,
                 station != NULL ? ", says station " : "", station != NULL ? station : "",
                 simulated ? " SIMULATED" : "");
    return wane_flush();
}

static int ask_port(struct wane *w, struct inquiry *q, const char *port, int baud)
{
    struct wn_error err = {0};
    int rc = inquiry_open(q, port, baud, &err);
    if (rc == WN_OK) {
        rc = inquiry_request(q, WN_REQUEST_IDENTIFY, NULL, &err);
        inquiry_close(q);
    }
    if (rc != WN_OK) {
        return wane_fail(w, &err);
    }
    return print_identity(w, port, q->session.identity, q->dialect.name, NULL,
                          q->dialect.simulated);
}

/* A port that the service holds cannot be opened, and need not be: its station knows who is there.
 */
static bool ask_station(struct wane *w, const struct place *at, int *rc)
{
    const struct wn_instrument_config *c = &at->station->instrument[at->instrument];
    const char *name = at->station->name;
    json_t *reply = NULL, *request = json_pack("{s:s}", "command", "status");
    (void)wane_ask_quietly(w, name, request, WANE_PATIENCE_MS, &reply, NULL);
    const json_t *one =
        json_array_get(json_object_get(reply, "instruments"), (size_t)at->instrument);
    const char *identity = json_string_value(json_object_get(one, "identity"));
    bool known = identity != NULL;
    if (known) {
        *rc = print_identity(w, c->port, identity, c->dialect, name,
                             json_is_true(json_object_get(reply, "simulated")));
    }
    json_decref(request);
    json_decref(reply);
    return known;
}

/* Unit and channel: of the station's instrument, where it is that one which is asked. */
static int place_dialect(const struct wane_args *a, const struct wn_instrument_config *c,
                         struct wn_dialect *d, struct wn_error *err)
{
    int64_t given = a->value[UNIT].given ? a->value[UNIT].count : 0;
    int unit = (int)(given < 1000 ? given : 1000);
    bool same = c != NULL && strcmp(c->dialect, d->name) == 0 && (unit == 0 || unit == c->unit);
    return wn_dialect_place(d, same ? c->unit : unit, same ? c->channel : 0, err);
}

static int run_identify(struct wane *w, const struct wane_args *a)
{
    char beside[WN_PATH_SIZE];
    struct wn_error err = {0};
    bool configured = access(w->config_file, F_OK) == 0;
    const struct wn_daemon_config *d = configured ? wane_daemon(w) : NULL;
    struct inquiry *q = d != NULL || !configured ? calloc(1, sizeof *q) : NULL;
    if (q == NULL) {
        return WANE_FAILED;
    }
    const struct place at = place_of(d, a->operand[0]);
    const struct wn_instrument_config *c =
        at.station != NULL ? &at.station->instrument[at.instrument] : NULL;
    const char *dialect = a->value[DIALECT].given ? a->value[DIALECT].text
                          : c != NULL             ? c->dialect
                                                  : "generic-scpi";
    int rc = WANE_FAILED;
    if (c != NULL && !a->value[DIALECT].given && !a->value[UNIT].given &&
        ask_station(w, &at, &rc)) {
        free(q);
        return rc;
    }
    if (wn_config_read_dialect(inquiry_conf_dir(w, d, beside, sizeof beside), dialect, &q->dialect,
                               &q->problems) != WN_OK) {
        wn_problems_print(&q->problems, stderr, "");
    } else if (place_dialect(a, c, &q->dialect, &err) != WN_OK) {
        rc = wane_fail(w, &err);
    } else {
        int baud = a->value[BAUD].given
                       ? (int)(a->value[BAUD].count < 10000000 ? a->value[BAUD].count : 10000000)
                   : c != NULL && c->baud > 0 ? c->baud
                                              : q->dialect.baud;
        rc = ask_port(w, q, c != NULL ? c->port : a->operand[0], baud);
    }
    free(q);
    return rc;
}

const struct wane_command cmd_identify = {
    .name = "identify",
    .synopsis = "PORT [--dialect NAME] [--baud N] [--unit N]",
    .summary = "ask the instrument on a port who it is",
    .text = "Opens the port, asks for the identity and prints it; nothing is set and\n"
            "nothing is switched on. A PORT may also be the name of a station. A port that\n"
            "the service holds is in use: stop the service first.\n",
    .examples =
        "  wane identify /dev/serial/by-id/usb-MAKER_MODEL-if00-port0 --dialect generic-scpi\n",
    .options = identify_options,
    .options_n = sizeof identify_options / sizeof identify_options[0],
    .operands_min = 1,
    .operands_max = 1,
    .run = run_identify,
};
