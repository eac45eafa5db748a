/* Control socket: one unix stream socket per station, one JSON object per line each way.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Request:  {"command":"status"} and likewise "ping", "start", "pause", "resume", "stop", "ack"
 *   start:  {"command":"start","cell":NAME,"procedure":NAME,"name":CAMPAIGN or absent,
 *            "caution_read":true}
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
 * so are those that tell about one. Reading ("status", "ping") is for everyone who can connect;
 * stop too; the other commands are for the owner of the service, root and members of the command
 * group (SO_PEERCRED, SO_PEERGROUPS). */
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
    char who[64];     /* "alice (uid 1000)" */
    bool may_command; /* owner, root or member of the command group */
};

struct wn_control_server;

/** Handles one request; returns a new reference to the reply object (never NULL). */
typedef json_t *(*wn_control_handler)(void *ctx, const json_t *request, const struct wn_peer *peer);

/** Listens on path (mode 0660, umask set around bind; a stale socket is removed only under a lock
 * on path.lock). WN_EEXIST: something else is there; WN_EBUSY: another station process holds it;
 * WN_EACCESS, WN_ERANGE (path too long for a socket) with remedy. */
int wn_control_listen(struct wn_control_server **out, const char *path, const char *command_group,
                      wn_control_handler handler, void *ctx, struct wn_error *err);
void wn_control_close(struct wn_control_server *s);
/** Adds its descriptors to fds[0..max); returns how many. */
int wn_control_poll_fds(struct wn_control_server *s, struct pollfd *fds, int max);
/** Serves what poll() reported; non-blocking; at most one accept a call; a client that does not
 * read is dropped. */
void wn_control_serve(struct wn_control_server *s, const struct pollfd *fds, int n, wn_ns now_ns);

/** Client side: one request, one reply, with a time limit. *reply is a new reference.
 * WN_EUNREACHABLE: nobody listens (with remedy); WN_ETIMEOUT; WN_ESYNTAX: reply is no JSON. */
int wn_control_ask(const char *path, const json_t *request, int timeout_ms, json_t **reply,
                   struct wn_error *err);

#endif
