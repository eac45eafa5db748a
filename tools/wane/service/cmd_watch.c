/* wane watch: stations as they work.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _DEFAULT_SOURCE
#include "wane.h"

#include <errno.h>
#include <inttypes.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "watch.h"

enum { UNTIL_END };

enum {
    ASK_MS = 250,
    PATIENCE = 80 /* unanswered questions: 20 s, a restart of the service is shorter */
};

static const struct wane_option options[] = {
    [UNTIL_END] = {"until-end", 0, WANE_FLAG, NULL,
                   "end when the campaign is over, or halted (then with 4); with 1 when it is left "
                   "before"},
};

static volatile sig_atomic_t interrupted;

static void on_signal(int number)
{
    (void)number;
    interrupted = 1;
}

/* What a line is printed for when the output is no terminal. */
struct seen {
    char state[40];
    int64_t cycles_done;
    bool in_check_up, alarm, answered;
};

static struct seen look(const struct view *v)
{
    struct seen s;
    memset(&s, 0, sizeof s);
    s.answered = v->reply != NULL;
    (void)snprintf(s.state, sizeof s.state, "%s", view_text(v, "state"));
    if (strcmp(s.state, "switching off") == 0 ||
        strcmp(s.state, "preparing") == 0) { /* between two steps: no news */
        (void)snprintf(s.state, sizeof s.state, "running");
    }
    s.cycles_done = view_integer(v, "cycles_done");
    s.in_check_up = view_true(v, "in_check_up");
    s.alarm = view_alarm(v);
    return s;
}

int watch_end(const struct view *v)
{
    const char *state = view_text(v, "state");
    if (v->error.code != WN_OK) {
        return WATCH_ON;
    }
    if (view_text(v, "campaign")[0] == '\0') {
        return WANE_FAILED;
    }
    if (strcmp(state, "halted") == 0 || (strcmp(state, "switching off") == 0 && view_alarm(v))) {
        return WANE_ALARM; /* who waits for the end must not wait for a bench nobody looks at */
    }
    return view_running(v) ? WATCH_ON : WANE_DONE;
}

/* A block for a new state, one line for a new cycle. */
static void print_change(const struct watch *x, const struct view *v, const struct seen *now,
                         const struct seen *before)
{
    if (strcmp(now->state, before->state) != 0 || now->alarm != before->alarm ||
        now->answered != before->answered) {
        view_block(x->w, v, &x->paper, stdout);
    } else if (now->cycles_done != before->cycles_done || now->in_check_up != before->in_check_up) {
        view_line(x->w, v, stdout);
        (void)putchar('\n');
    }
}

/* Without a screen: what has changed, as it changes. Returns whether the station answers. */
static bool tell_change(struct watch *x, struct view *v, struct seen *before)
{
    view_refresh(x->w, v, WANE_PATIENCE_MS);
    struct seen now = look(v);
    if (!now.answered) { /* the service restarts it: what was seen last stays valid */
        if (before->answered) {
            (void)fprintf(stderr, "wane watch: station %s does not answer any more: %s\n",
                          v->station, v->error.text);
        }
        before->answered = false;
        return false;
    }
    view_project(v);
    if (x->w->json && memcmp(&now, before, sizeof now) != 0) {
        wane_dump_row(view_json(v), stdout);
        (void)putchar('\n');
    } else if (!x->w->json) {
        print_change(x, v, &now, before);
    }
    (void)fflush(stdout);
    *before = now;
    return true;
}

static int follow(struct watch *x)
{
    static struct seen before[WN_STATIONS_MAX];
    for (int unanswered = 0; !interrupted;) {
        bool any = false, ever = false;
        for (int i = 0; i < x->n && !interrupted; i++) {
            any = tell_change(x, &x->view[i], &before[i]) || any;
            ever = ever || before[i].state[0] != '\0';
        }
        unanswered = any ? 0 : unanswered + 1;
        if (ferror(stdout)) {
            return wane_flush();
        }
        if (!any && !interrupted && (!ever || unanswered > PATIENCE)) {
            return wane_fail(x->w, &x->view[0].error);
        }
        int end = x->until_end ? watch_end(&x->view[0]) : WATCH_ON;
        if (end != WATCH_ON) {
            return end;
        }
        (void)poll(NULL, 0, ASK_MS);
    }
    return x->until_end ? WANE_FAILED : WANE_DONE;
}

static int follow_somehow(struct watch *x)
{
    const char *term = getenv("TERM");
    struct sigaction act;
    if (isatty(STDOUT_FILENO) && !x->w->json && term != NULL && strcmp(term, "dumb") != 0) {
        return watch_screen(x);
    }
    memset(&act, 0, sizeof act);
    act.sa_handler = on_signal;
    (void)sigaction(SIGINT, &act, NULL);
    (void)sigaction(SIGTERM, &act, NULL);
    (void)sigaction(SIGHUP, &act, NULL);
    return follow(x);
}

static int run(struct wane *w, const struct wane_args *a)
{
    static struct watch x; /* large */
    const struct wn_daemon_config *d = wane_daemon(w);
    bool all = a->operands == 0 && !a->value[UNTIL_END].given && d != NULL && d->stations > 1;
    const struct wn_station_config *one = all ? NULL : wane_station(w, a);
    if (d == NULL || (!all && one == NULL)) {
        return WANE_FAILED;
    }
    x.w = w;
    x.until_end = a->value[UNTIL_END].given;
    for (int i = 0; i < d->stations; i++) {
        if (all || one == &d->station[i]) {
            view_init(&x.view[x.n++], d->station[i].name);
        }
    }
    paper_open(&x.paper);
    int rc = follow_somehow(&x);
    if (x.until_end && rc == WANE_FAILED && view_text(&x.view[0], "state")[0] != '\0' &&
        view_text(&x.view[0], "campaign")[0] == '\0') {
        (void)fprintf(stderr, "wane watch: there is no campaign on station %s\n",
                      x.view[0].station);
    }
    for (int i = 0; i < x.n; i++) {
        view_fini(&x.view[i]);
    }
    return rc;
}

const struct wane_command cmd_watch = {
    .name = "watch",
    .synopsis = "[STATION] [--until-end]",
    .summary = "follow stations as they work",
    .text = "On a terminal a screen of its size, drawn anew every second: of one station all\n"
            "there is to know, of several a line each, what is in alarm on top; j and k scroll,\n"
            "q leaves, and the campaign goes on. A service that goes away is waited for.\n"
            "Elsewhere a block is printed for each new state and a line for each cycle; with\n"
            "--json an object a line. Without STATION: all there are.\n",
    .examples = "  wane watch\n"
                "  wane watch A --until-end && wane cycles demo\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_max = 1,
    .run = run,
};
