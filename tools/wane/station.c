/* Stations: asking them over their control sockets.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <stdio.h>
#include <string.h>

#include "sock/control.h"

int wane_ask_quietly(struct wane *w, const char *station, json_t *request, int patience_ms,
                     json_t **reply, struct wn_error *err)
{
    char path[WN_PATH_SIZE + 80];
    (void)snprintf(path, sizeof path, "%s/%s.sock", w->daemon->run_dir, station);
    int rc = wn_control_ask(path, request, patience_ms, reply, err);
    const char *warning =
        rc == WN_OK ? json_string_value(json_object_get(*reply, "warning")) : NULL;
    if (warning != NULL) {
        (void)fprintf(stderr, "wane %s: %s\n", w->command->name, warning);
    }
    if (rc == WN_OK && !json_is_true(json_object_get(*reply, "ok"))) {
        const char *why = json_string_value(json_object_get(*reply, "error"));
        rc = wn_error_set(err, WN_ESTATE, "%s", why != NULL ? why : "refused without a reason");
        json_decref(*reply);
        *reply = NULL;
    }
    return rc;
}

int wane_ask(struct wane *w, const char *station, json_t *request, json_t **reply)
{
    struct wn_error err = {0};
    int rc = wane_ask_quietly(w, station, request, WANE_PATIENCE_MS, reply, &err);
    json_decref(request);
    return rc == WN_OK ? WANE_DONE : wane_fail(w, &err);
}

const struct wn_station_config *wane_station(struct wane *w, const struct wane_args *a)
{
    const struct wn_daemon_config *d = wane_daemon(w);
    if (d == NULL) {
        return NULL;
    }
    if (a->operands == 0 && d->stations == 1) {
        return &d->station[0];
    }
    const struct wn_station_config *s =
        a->operands > 0 ? wn_config_station(d, a->operand[0]) : NULL;
    if (s == NULL) {
        (void)fprintf(stderr, "wane %s: %s%s%s; %s has:", w->command->name,
                      a->operands > 0 ? "there is no station '" : "which station",
                      a->operands > 0 ? a->operand[0] : "", a->operands > 0 ? "'" : "?", d->file);
        for (int i = 0; i < d->stations; i++) {
            (void)fprintf(stderr, " %s", d->station[i].name);
        }
        (void)fputc('\n', stderr);
    }
    return s;
}
