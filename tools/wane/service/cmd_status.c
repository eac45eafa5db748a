/* wane status: how the stations are.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "port/clock.h"
#include "rows.h"

enum { HERALD_SILENT_S = 300 }; /* it tells each minute that it lives */

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
            view_init(&v[n], d->station[i].name);
            view_refresh(w, &v[n++], WANE_PATIENCE_MS);
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
            failed = v[i].error.code == WN_ETIMEOUT ? WANE_UNREACHABLE : failed; /* it hangs */
            rc = rc == WANE_ALARM ? rc : failed;
        } else if (view_alarm(&v[i])) {
            rc = WANE_ALARM;
        }
    }
    return rc;
}

/* What the herald says about itself: -1 nothing, 0 somebody would be told of an alarm, 1 nobody. */
static int channel_is_dead(const struct wn_daemon_config *d, char *why, size_t size)
{
    char path[WN_PATH_SIZE + 16];
    const struct wn_clock *clock = wn_clock_real();
    (void)snprintf(path, sizeof path, "%s/herald.json", d->run_dir);
    if (d->alert.none_on_purpose) {
        return -1;
    }
    json_t *o = NULL; /* it may be being written: once more then */
    for (int i = 0; o == NULL && i < 5; i++) {
        o = json_load_file(path, 0, NULL);
    }
    if (!json_is_object(o)) {
        json_decref(o);
        (void)snprintf(why, size, "wane-herald is not running");
        return 1;
    }
    json_int_t age_s =
        (clock->ops->utc(clock) - json_integer_value(json_object_get(o, "utc_us"))) / 1000000;
    const json_t *targets = json_object_get(o, "targets");
    const char *last =
        json_string_value(json_object_get(json_array_get(targets, 0), "last_failure"));
    bool silent = age_s > HERALD_SILENT_S, none = json_array_size(targets) == 0;
    bool dead = silent || json_is_true(json_object_get(o, "no_working_alert_channel"));
    (void)snprintf(why, size, "%s",
                   silent         ? "wane-herald has not been heard of for minutes; is it running?"
                   : none         ? "there is no target"
                   : last != NULL ? last
                                  : "");
    json_decref(o);
    return dead ? 1 : 0;
}

static int print_json(const struct wane *w, struct view *v, int n, bool one)
{
    json_t *o = json_object(), *list = json_array();
    for (int i = 0; i < n; i++) {
        view_project(&v[i]);
        (void)json_array_append_new(list, view_json(&v[i]));
    }
    if (one) {
        json_t *only = json_incref(json_array_get(list, 0));
        json_decref(list);
        json_decref(o);
        return wane_print_json(only);
    }
    wane_put(o, "stations", list);
    char why[300];
    int dead = channel_is_dead(w->daemon, why, sizeof why);
    wane_put(o, "alert_channel_works", dead < 0 ? json_null() : json_boolean(dead == 0));
    return wane_print_json(o);
}

/* Of one all there is to know; of several a line each, and what is wrong in full. */
static void print_text(const struct wane *w, struct view *v, int n)
{
    static struct view *sorted[WN_STATIONS_MAX];
    struct paper paper;
    paper_open(&paper);
    for (int i = 0; i < n; i++) {
        sorted[i] = &v[i];
    }
    rows_sort(sorted, n);
    if (n > 1) {
        rows_print(w, &paper, sorted, n, stdout);
    }
    for (int i = 0; i < n; i++) {
        if (v[i].reply != NULL && n == 1) {
            view_project(&v[i]);
            view_block(w, &v[i], &paper, stdout);
        } else if (i < rows_alarms(sorted, n)) {
            (void)putchar('\n');
            view_head(w, sorted[i], &paper, stdout);
        }
    }
}

static void tell_channel(const struct wane *w, const struct view *v, int n)
{
    char why[300];
    bool serves = false;
    for (int i = 0; i < n; i++) {
        serves = serves || v[i].reply != NULL;
    }
    if (serves && channel_is_dead(w->daemon, why, sizeof why) == 1) {
        (void)printf("\n%sNO WORKING ALERT CHANNEL%s: nobody would be told of an alarm: %s\n",
                     wane_red(w), wane_plain(w), why);
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
            rc = print_json(w, v, n, a->operands > 0);
        } else {
            print_text(w, v, n);
            tell_channel(w, v, n);
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
    .text = "Of one station all there is to know: progress, step, readings, capacity,\n"
            "projected end of life, finish, alarms. Of several a line each, what is wrong on top\n"
            "and told in full below. Ends with 4 when an alarm is active, with 3 when a station\n"
            "does not answer. With a station named, --json gives that station's object, else\n"
            "{\"stations\": [...]}.\n",
    .examples = "  wane status\n"
                "  wane status A --json\n",
    .operands_max = 1,
    .run = run,
};
