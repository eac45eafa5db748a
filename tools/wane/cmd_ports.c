/* wane ports, wane identify: which serial ports there are, and who is at one.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _DEFAULT_SOURCE
#include "wane.h"

#include <math.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "inquiry.h"
#include "port/clock.h"
#include "report/table.h"
#include "serial/serial.h"

struct sink {
    json_t *list;
    struct wn_table *table;
};

static json_t *text_or_null(const char *text)
{
    return text != NULL ? json_string(text) : json_null();
}

static void take_port(const struct wn_port_info *i, void *ctx)
{
    struct sink *s = ctx;
    char usb[16] = "";
    if (i->usb_vid >= 0) {
        (void)snprintf(usb, sizeof usb, "%04x:%04x", (unsigned)i->usb_vid, (unsigned)i->usb_pid);
    }
    const char *stable = i->by_id != NULL ? i->by_id : i->by_path;
    if (s->list != NULL) {
        json_t *o = json_object();
        wane_put(o, "port", text_or_null(i->path));
        wane_put(o, "by_id", text_or_null(i->by_id));
        wane_put(o, "by_path", text_or_null(i->by_path));
        wane_put(o, "usb", usb[0] != '\0' ? json_string(usb) : json_null());
        wane_put(o, "description", text_or_null(i->description));
        wane_put(o, "serial_number", text_or_null(i->serial_number));
        wane_put(o, "held_by", text_or_null(i->holder));
        (void)json_array_append_new(s->list, o);
        return;
    }
    wn_table_text(s->table, i->path);
    wn_table_text(s->table, usb);
    wn_table_text(s->table, i->description);
    wn_table_text(s->table, i->holder != NULL ? i->holder : "free");
    wn_table_text(s->table, stable);
}

static int run_ports(struct wane *w, const struct wane_args *a)
{
    static const char *const headings[] = {"port", "USB", "what", "held by",
                                           "write this into the configuration"};
    struct wn_error err = {0};
    int count = 0;
    (void)a;
    struct sink s = {w->json ? json_array() : NULL,
                     w->json ? NULL : wn_table_create("lllll", headings)};
    int rc = wn_ports_list(take_port, &s, &count, &err);
    if (rc == WN_OK && w->json) {
        return wane_print_json(json_pack("{s:o}", "ports", s.list));
    }
    if (rc == WN_OK && count > 0) {
        rc = wn_table_print(s.table, stdout, w->colour, &err);
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
            "things are plugged in elsewhere.\n",
    .examples = "  wane ports\n",
    .run = run_ports,
};

enum { DIALECT, BAUD };

static const struct wane_option identify_options[] = {
    [DIALECT] = {"dialect", 0, WANE_TEXT, "NAME",
                 "dialects/NAME.conf; else that of the station on this port, else generic-scpi"},
    [BAUD] = {"baud", 0, WANE_COUNT, "N", "else the station's or the dialect's"},
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
    (void)printf("%s: %s (dialect %s%s%s)%s\n", port, identity, dialect,
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
    (void)wane_ask_quietly(w, name, request, &reply, NULL);
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
    if (c != NULL && !a->value[DIALECT].given && ask_station(w, &at, &rc)) {
        free(q);
        return rc;
    }
    if (wn_config_read_dialect(inquiry_conf_dir(w, d, beside, sizeof beside), dialect, &q->dialect,
                               &q->problems) != WN_OK) {
        wn_problems_print(&q->problems, stderr, "");
    } else if (wn_dialect_set_channel(&q->dialect, c != NULL ? c->channel : 0, &err) != WN_OK) {
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
    .synopsis = "PORT [--dialect NAME] [--baud N]",
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
