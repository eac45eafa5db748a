/* wane status: how the stations are.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "view.h"

/* All stations, or the one that was named. */
static int gather(struct wane *w, const struct wane_args *a, struct view *v)
{
    const struct wn_daemon_config *d = wane_daemon(w);
    const struct wn_station_config *one = NULL;
    int n = 0;
    if (d == NULL || (a->operands > 0 && (one = wane_station(w, a)) == NULL)) {
        return 0;
    }
    for (int i = 0; i < d->stations; i++) {
        if (one == NULL || one == &d->station[i]) {
            (void)snprintf(v[n].station, sizeof v[n].station, "%s", d->station[i].name);
            v[n].projected_at = -1;
            view_refresh(w, &v[n++]);
        }
    }
    return n;
}

/* An alarm anywhere is what a monitor must hear first; then that somebody does not answer. */
static int verdict(const struct wane *w, const struct view *v, int n)
{
    int rc = WANE_DONE;
    for (int i = 0; i < n; i++) {
        if (v[i].reply == NULL) {
            int failed = wane_fail(w, &v[i].error);
            rc = rc == WANE_ALARM ? rc : failed;
        } else if (view_alarm(&v[i])) {
            rc = WANE_ALARM;
        }
    }
    return rc;
}

static int print_json(const struct view *v, int n, bool one)
{
    if (one) {
        return wane_print_json(view_json(&v[0]));
    }
    json_t *o = json_object(), *list = json_array();
    for (int i = 0; i < n; i++) {
        (void)json_array_append_new(list, view_json(&v[i]));
    }
    wane_put(o, "stations", list);
    return wane_print_json(o);
}

static void print_text(const struct wane *w, const struct view *v, int n)
{
    for (int i = 0; i < n && n > 1; i++) {
        view_line(w, &v[i], stdout);
        (void)putchar('\n');
    }
    for (int i = 0; i < n; i++) {
        if (v[i].reply != NULL) {
            (void)fputs(n > 1 ? "\n" : "", stdout);
            view_block(w, &v[i], stdout);
        }
    }
}

static int run(struct wane *w, const struct wane_args *a)
{
    struct view *v = calloc(WN_STATIONS_MAX, sizeof *v);
    struct wn_error err = {0};
    if (v == NULL) {
        (void)wn_error_set(&err, WN_ENOMEM, "out of memory");
        return wane_fail(w, &err);
    }
    int n = gather(w, a, v), rc = WANE_FAILED;
    if (n > 0) {
        if (w->json) {
            rc = print_json(v, n, a->operands > 0);
        } else {
            print_text(w, v, n);
            rc = wane_flush();
        }
        int heard = verdict(w, v, n);
        rc = rc == WANE_DONE ? heard : rc;
    }
    for (int i = 0; i < n; i++) {
        view_fini(&v[i]);
    }
    free(v);
    return rc;
}

const struct wane_command cmd_status = {
    .name = "status",
    .synopsis = "[STATION]",
    .summary = "how the stations are",
    .text = "One line a station when there are several, then the whole of each: progress,\n"
            "step, readings, capacity, projected end of life, finish, alarms. Ends with 4\n"
            "when an alarm is active, with 3 when a station does not answer. With a station\n"
            "named, --json gives that station's object, else {\"stations\": [...]}.\n",
    .examples = "  wane status\n"
                "  wane status A --json\n",
    .operands_max = 1,
    .run = run,
};
