/* The station's end of the guard.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "station.h"

#include <stdio.h>

#include "safe_off.h"

static void tell_lost(void *ctx, const char *why)
{
    station_log(ctx, 2, "guard is gone (%s): switching off and ending", why);
}

void guard_open(struct station *s)
{
    guard_client_open(&s->guard, wn_clock_real(), tell_lost, s);
}

void guard_beat(struct station *s, wn_ns now)
{
    guard_client_beat(&s->guard, s->config.beat_limit_s, now);
}

void guard_beat_grace(struct station *s, double grace_s)
{
    guard_client_grace(&s->guard, grace_s);
}

int guard_register(struct station *s, const struct instrument *i, struct wn_error *err)
{
    const char *port = instrument_config(s, i)->port;
    enum wn_interlock interlock = i->n == 0 ? s->config.interlock : WN_INTERLOCK_NONE;
    struct guard_message m;
    if (s->guard.fd < 0) {
        return wn_error_set(err, WN_EGUARD, "no guard: run waned, not wane-station by hand");
    }
    char place[WN_PLACE_SIZE];
    char shared[WN_PATH_SIZE + WN_PLACE_SIZE +
                8]; /* its socket takes bytes as they are, whatever the port is */
    bool is_shared = wn_config_port_is_shared(s->daemon, port);
    (void)snprintf(shared, sizeof shared, "%s of %s",
                   wn_config_place(instrument_config(s, i), place), port);
    int rc = guard_describe(&i->dialect, is_shared ? shared : port, interlock, &m, err);
    if (rc != WN_OK) {
        return rc;
    }
    m.slot = (uint32_t)i->n;
    m.shared = is_shared;
    if (!guard_client_register(&s->guard, &m, i->link->ops->fd(i->link))) {
        return wn_error_set(err, WN_EGUARD, "guard does not acknowledge the port %s", port);
    }
    safe_off_remember(s, i);
    return WN_OK;
}

void guard_release(struct station *s, const struct instrument *i)
{
    if (s->guard.fd >= 0 && !s->guard.lost) {
        guard_client_release(&s->guard, i->n);
        safe_off_forget(s, i);
    }
}

void guard_look(struct station *s)
{
    guard_client_look(&s->guard);
}
