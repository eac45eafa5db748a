/* Control socket: one unix stream socket per station, one JSON object per line each way.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Request:  {"command":"status"} and likewise "ping", "start", "pause", "resume", "stop", "ack",
 * "intake"
 *   start:  {"command":"start","cell":NAME,"procedure":NAME,"name":CAMPAIGN or absent,
 *            "caution_read":true}
 *   intake: {"command":"intake","campaign":NAME,"change":{"mass_g":46.9,"marking":"...",
 *            "ac_impedance_ohm":null for not recorded, ...}}, the names as in table cell of a
 *            campaign file; answers {"ok":true,"changes":[in words, ...]}
 * Reply:    {"ok":true, ...} or {"ok":false,"error":TEXT}
 *   status: {"ok":true,"station":"A","state":"running","simulated":true,"campaign":"demo",
 *            "file":"/.../demo.wane","cell":NAME,"procedure":NAME,"cycle":137,"cycles_planned":300,
 *            "cycles_done":136,"in_check_up":false,"check_up":4,"step":"charge 4 A ...",
 *            "step_s":..,"time_s":campaign time,"voltage_v":..,"current_a":..,"temperature_c":..,
 *            "ambient_c":..,"output":"off|charge|discharge|power","step_charge_ah":..,
 *            "step_energy_wh":..,"capacity_ah":last cycle's,"initial_capacity_ah":..,
 *            "rated_capacity_ah":..,"retention":of rated,"remaining_s":campaign time,
 *            "alarm":false,"halt":{"rule":"","text":""},"port":"/dev/...","instrument":identity,
 *            "instrument_ready":true,"exchanges":..,"bad_replies":..,"fault":why the instrument is
 * not ready,"guard":true, "recording":true} Unknown values are null or absent; without a campaign
 * so are those that tell about one.
 *
 * Rights, told by SO_PEERCRED and SO_PEERGROUPS when a client connects:
 *   stop, pause              everybody who can connect: making it safe is never refused
 *   status, ping             members of the look group, where there is one; else as above
 *   start, resume, ack, intake  members of the command group, root, the owner of the service
 * Who can connect is up to the kernel: the owner, root, and the members of the two groups; without
 * any group in the configuration those of the service's own. */
#ifndef WN_SOCK_CONTROL_H
#define WN_SOCK_CONTROL_H

#include <stdbool.h>
#include <stddef.h>
#include <sys/types.h>
#include <poll.h>
#include <jansson.h>
#include "base/err.h"
#include "base/time.h"

enum { WN_CONTROL_CLIENTS_MAX = 16, WN_CONTROL_LINE_MAX = 4096, WN_CONTROL_BACKLOG_BYTES = 65536 };

/** Who is at the other end. */
struct wn_peer {
    uid_t uid;
    pid_t pid;
    char who[64]; /* "alice (uid 1000)" */
    bool may_look;
    bool may_command; /* implies may_look */
};

/** Names; NULL or "" (or no structure at all): none. */
struct wn_control_groups {
    const char *look, *command;
};

struct wn_control_server;

/** Handles one request; returns a new reference to the reply object (never NULL). */
typedef json_t *(*wn_control_handler)(void *ctx, const json_t *request, const struct wn_peer *peer);

/** Listens on path (mode 0660, umask set around bind; two groups, or one the service is no member
 * of, by an access list; a stale socket is removed only under a lock on path.lock). WN_EEXIST:
 * something else is there; WN_EBUSY: another station process holds it; WN_EUNKNOWN: no such group;
 * WN_EACCESS, WN_ERANGE (path too long for a socket) with remedy. */
int wn_control_listen(struct wn_control_server **out, const char *path,
                      const struct wn_control_groups *groups, wn_control_handler handler, void *ctx,
                      struct wn_error *err);
void wn_control_close(struct wn_control_server *s);
/** Adds its descriptors to fds[0..max); returns how many. */
int wn_control_poll_fds(struct wn_control_server *s, struct pollfd *fds, int max);
/** Serves what poll() reported; non-blocking; at most one accept and one request of each client a
 * call. Dropped are clients that do not read, that make no whole request within a minute, and, when
 * all places are taken, the one that has asked for nothing longest. */
void wn_control_serve(struct wn_control_server *s, const struct pollfd *fds, int n, wn_ns now_ns);

/** Client side: one request, one reply, with a time limit. *reply is a new reference.
 * WN_EUNREACHABLE: nobody listens (with remedy); WN_ETIMEOUT; WN_ESYNTAX: reply is no JSON. */
int wn_control_ask(const char *path, const json_t *request, int timeout_ms, json_t **reply,
                   struct wn_error *err);

#endif
