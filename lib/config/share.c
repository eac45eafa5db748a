/* Configuration: ports of more than one instrument, and who is there.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "config/reader.h"

#include <stdio.h>
#include <string.h>

#include "base/sha256.h"

enum { NAME_LETTERS = 20 };

int wn_config_port_users(const struct wn_daemon_config *c, const char *port)
{
    int n = 0;
    for (int i = 0; i < c->stations; i++) {
        for (int k = 0; k < c->station[i].instruments; k++) {
            n += strcmp(c->station[i].instrument[k].port, port) == 0;
        }
    }
    return n;
}

bool wn_config_port_is_shared(const struct wn_daemon_config *c, const char *port)
{
    return wn_config_port_users(c, port) > 1;
}

const char *wn_config_shared_port(const struct wn_daemon_config *c, int n)
{
    for (int i = 0; i < c->stations; i++) {
        for (int k = 0; k < c->station[i].instruments; k++) {
            const char *port = c->station[i].instrument[k].port;
            bool first = true; /* place of this port */
            for (int j = 0; j <= i && first; j++) {
                for (int m = 0; m < (j < i ? c->station[j].instruments : k); m++) {
                    first = first && strcmp(c->station[j].instrument[m].port, port) != 0;
                }
            }
            if (first && wn_config_port_is_shared(c, port) && n-- == 0) {
                return port;
            }
        }
    }
    return NULL;
}

void wn_config_share_name(const char *port, char name[WN_SHARE_NAME_SIZE])
{
    char hex[65], letters[NAME_LETTERS + 1] = "";
    const char *last = strrchr(port, '/');
    wn_sha256_hex(port, strlen(port), hex);
    (void)snprintf(letters, sizeof letters, "%.*s", NAME_LETTERS, last != NULL ? last + 1 : port);
    for (char *at = letters; *at != '\0'; at++) {
        char one[2] = {*at, '\0'};
        *at = wn_name_is_plain(one) || *at == '-' ? *at : '_';
    }
    (void)snprintf(name, WN_SHARE_NAME_SIZE, "share-%s-%.8s", letters, hex);
}

void wn_config_share_socket(const struct wn_daemon_config *c, const struct wn_instrument_config *i,
                            char *path, size_t size)
{
    char name[WN_SHARE_NAME_SIZE], unit[16] = "";
    wn_config_share_name(i->port, name);
    if (i->unit > 0) {
        (void)snprintf(unit, sizeof unit, ".u%d", i->unit);
    }
    (void)snprintf(path, size, "%s/%s%s.%d.sock", c->run_dir, name, unit, i->channel);
}

const char *wn_config_place(const struct wn_instrument_config *i, char buf[WN_PLACE_SIZE])
{
    char unit[20] = "", channel[24] = "";
    if (i->unit > 0) {
        (void)snprintf(unit, sizeof unit, "unit %d", i->unit);
    }
    if (i->channel > 0) {
        (void)snprintf(channel, sizeof channel, "channel %d", i->channel);
    }
    (void)snprintf(buf, WN_PLACE_SIZE, "%s%s%s", unit, i->unit > 0 && i->channel > 0 ? " " : "",
                   channel);
    return buf;
}

void wn_reader_check_port(struct wn_reader *r, const config_setting_t *s,
                          const struct wn_daemon_config *out, int n, int k)
{
    const struct wn_instrument_config *own = &out->station[n].instrument[k];
    for (int i = 0; i <= n && own->port[0] != '\0'; i++) {
        const struct wn_station_config *other = &out->station[i];
        for (int j = 0; j < (i < n ? other->instruments : k); j++) {
            const struct wn_instrument_config *o = &other->instrument[j];
            if (strcmp(own->port, o->port) != 0) {
                continue;
            }
            bool units = own->unit > 0 && o->unit > 0, none = own->unit == 0 && o->unit == 0;
            bool channels = own->channel > 0 && o->channel > 0;
            if (!units && !(none && channels)) {
                wn_reader_fail(r, wn_reader_at(s, "port"),
                               "\"%s\" is the port of station %s already; write channel = N in "
                               "both for two outputs of one instrument or two instruments on one "
                               "bus (MODBUS: unit = N), else each %s needs its own",
                               own->port, other->name, i < n ? "station" : "instrument");
                return;
            }
            if (own->unit == o->unit && own->channel == o->channel) {
                char place[WN_PLACE_SIZE];
                wn_reader_fail(r, wn_reader_at(s, own->channel > 0 ? "channel" : "unit"),
                               "%s of \"%s\" is that of station %s already; choose another",
                               wn_config_place(own, place), own->port, other->name);
                return;
            }
        }
    }
}

void wn_reader_check_shares(struct wn_reader *r, const config_setting_t *list,
                            const struct wn_daemon_config *out)
{
    if (wn_config_shared_port(out, WN_SHARES_MAX) != NULL) {
        wn_reader_fail(r, list, "more than %d ports are shared", WN_SHARES_MAX);
    }
    for (int i = 0; i < out->stations; i++) {
        const struct wn_station_config *c = &out->station[i];
        const config_setting_t *s = config_setting_get_elem(list, (unsigned)i);
        bool lines = wn_interlock_is_line(c->interlock);
        for (int k = 0; k < c->instruments; k++) {
            const char *port = c->instrument[k].port;
            char path[2 * WN_PATH_SIZE];
            int users = wn_config_port_users(out, port);
            wn_config_share_socket(out, &c->instrument[k], path, sizeof path);
            if (k == 0 && lines && users > 1) {
                wn_reader_fail(r, wn_reader_at(s, "interlock"),
                               "\"%s\" is the port of several: its lines are no interlock of one "
                               "of them; write interlock = \"none\"; or give it a relay",
                               port);
            } else if (users > WN_PORT_USERS_MAX) {
                wn_reader_fail(r, wn_reader_at(s, "port"),
                               "\"%s\" is the port of %d instruments, at most %d can share one",
                               port, users, WN_PORT_USERS_MAX);
            } else if (users > 1 && strlen(path) > SOCKET_PATH_MAX) {
                wn_reader_fail(r, wn_reader_at(s, "port"),
                               "the socket's path %s would be longer than %d characters; choose a "
                               "shorter run_dir",
                               path, SOCKET_PATH_MAX);
            }
        }
    }
}

/* Of MODBUS instruments: several at one address are outputs of one. */
static bool agree_on_unit(const struct wn_port_user *a, const struct wn_port_user *b,
                          struct wn_problems *problems)
{
    const struct wn_modbus_map *m = &a->dialect.modbus, *n = &b->dialect.modbus;
    const char *what =
        wn_map_writes_parts(m) || wn_map_writes_parts(n)
            ? "write bits of a register, each having read it before the other wrote: with whole "
              "registers or coils they can share a unit"
        : !wn_map_probe_serves(m, n)
            ? "ask so alike that a late answer could be taken for another: let the identity of the "
              "first have a register more"
            : NULL;
    if (what != NULL) {
        wn_problem_add(problems, "stations %s and %s: %s and %s are unit %d of one port, and %s",
                       a->station->name, b->station->name, wn_instrument_name(a->instrument),
                       wn_instrument_name(b->instrument), m->unit, what);
    }
    return what == NULL;
}

/* Outputs of one unit must not be set or switched by each other. */
static bool keep_apart(const struct wn_port_user *a, const struct wn_port_user *b,
                       struct wn_problems *problems)
{
    const struct wn_modbus_map *m = &a->dialect.modbus, *n = &b->dialect.modbus;
    const char *common = m->unit == n->unit ? wn_map_common(m, n) : NULL;
    if (common != NULL) {
        wn_problem_add(
            problems,
            "stations %s and %s: %s and %s are unit %d of one port, and register %s sets "
            "or switches both: give it a channel_step",
            a->station->name, b->station->name, wn_instrument_name(a->instrument),
            wn_instrument_name(b->instrument), m->unit, common);
    }
    return common == NULL;
}

/* Both talk over one line. */
static bool agree(const struct wn_port_user *a, const struct wn_port_user *b,
                  struct wn_problems *problems)
{
    bool framed = a->dialect.protocol == WN_PROTOCOL_MODBUS;
    const char *what =
        a->dialect.protocol != b->dialect.protocol ? "another protocol"
        : framed && (a->dialect.reply_timeout_s < b->dialect.reply_timeout_s ||
                     a->dialect.reply_timeout_s > b->dialect.reply_timeout_s)
            ? "another reply_timeout (everybody waits for everybody: write the longest in all)"
        : strcmp(a->dialect.terminator, b->dialect.terminator) != 0 ? "another terminator"
        : a->dialect.echo != b->dialect.echo                        ? "another echo"
        : strcmp(a->dialect.prompt, b->dialect.prompt) != 0         ? "another prompt"
        : a->dialect.baud != b->dialect.baud                        ? "another baud rate"
        : a->dialect.parity != b->dialect.parity || a->dialect.stop_bits != b->dialect.stop_bits
            ? "another parity or other stop bits"
            : NULL;
    if (what != NULL) {
        wn_problem_add(problems,
                       "station %s: its %s has %s than that of station %s on the same port",
                       b->station->name, wn_instrument_name(b->instrument), what, a->station->name);
    }
    return what == NULL;
}

/* The last one with those before it. */
static bool agree_with_all(const struct wn_share_config *c, struct wn_problems *problems)
{
    const struct wn_port_user *last = &c->user[c->users - 1];
    bool framed = last->dialect.protocol == WN_PROTOCOL_MODBUS;
    int k = 0;
    while (c->user[k].dialect.modbus.unit != last->dialect.modbus.unit) {
        k++; /* to the first of the unit: its probe serves all, and it was compared with the others
              */
    }
    bool good = k == c->users - 1 || !framed || agree_on_unit(&c->user[k], last, problems);
    for (; framed && good && k < c->users - 1; k++) {
        good = keep_apart(&c->user[k], last, problems);
    }
    return good;
}

int wn_config_read_share(const struct wn_daemon_config *c, const char *port,
                         struct wn_share_config *out, struct wn_problems *problems)
{
    *out = (struct wn_share_config){.beat_limit_s = 1e9};
    (void)snprintf(out->port, sizeof out->port, "%s", port);
    for (int i = 0; i < c->stations; i++) {
        const struct wn_station_config *station = &c->station[i];
        for (int k = 0; k < station->instruments && out->users < WN_PORT_USERS_MAX; k++) {
            struct wn_port_user *u = &out->user[out->users];
            u->station = station;
            u->instrument = &station->instrument[k];
            if (strcmp(u->instrument->port, port) != 0) {
                continue;
            }
            int rc =
                wn_config_read_dialect(c->conf_dir, u->instrument->dialect, &u->dialect, problems);
            if (rc != WN_OK || !wn_config_fit_dialect(station, k, &u->dialect, problems)) {
                return WN_EINVAL;
            }
            out->users++;
            if (!agree(&out->user[0], u, problems) || !agree_with_all(out, problems)) {
                return WN_EINVAL;
            }
            double stop_s = wn_config_stop_limit_s(station);
            out->stop_limit_s = stop_s > out->stop_limit_s ? stop_s : out->stop_limit_s;
            out->beat_limit_s = station->beat_limit_s < out->beat_limit_s ? station->beat_limit_s
                                                                          : out->beat_limit_s;
        }
    }
    return WN_OK;
}
