/* Plain `wane`: how things stand, and what to do next.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include <errno.h>
#include <stdarg.h>
#include <string.h>
#include <unistd.h>

#include "rows.h"

enum { PATIENCE_MS = 1000, LEFT = 36 };

/* A command as it can be pasted, and what it is for. */
static void say(const struct wane *w, FILE *f, const char *what, const char *fmt, ...)
    __attribute__((format(printf, 4, 5)));

static void say(const struct wane *w, FILE *f, const char *what, const char *fmt, ...)
{
    char command[400];
    va_list args;
    int n = snprintf(command, sizeof command, "  wane %s%s%s", w->config_told ? "--config " : "",
                     w->config_told ? w->config_file : "", w->config_told ? " " : "");
    va_start(args, fmt);
    (void)vsnprintf(command + n, n < 300 ? sizeof command - (size_t)n : 0, fmt, args);
    va_end(args);
    if (strlen(command) < LEFT) {
        (void)fprintf(f, "%-*s%s\n", LEFT, command, what);
    } else {
        (void)fprintf(f, "%s\n%*s%s\n", command, LEFT, "", what);
    }
}

static void say_unconfigured(const struct wane *w, FILE *f)
{
    if (errno == ENOENT) {
        (void)fprintf(f, "There is no configuration at %s yet.\n", w->config_file);
    } else {
        (void)fprintf(f, "The configuration %s cannot be read: %s\n", w->config_file,
                      strerror(errno));
    }
    (void)fputs(
        "  wane ports                        which serial ports there are\n"
        "  wane import FILE.csv              look at a recorded log without any instrument\n"
        "  wane --config FILE status         use another configuration (or set WANE_CONFIG)\n",
        f);
}

/* The first station in such a state; NULL: there is none. */
static const struct view *find(struct view *const *v, int n, const char *states)
{
    for (int i = 0; i < n; i++) {
        const char *state = view_text(v[i], "state");
        const char *at =
            v[i]->error.code == WN_OK && state[0] != '\0' ? strstr(states, state) : NULL;
        if (at != NULL && !view_alarm(v[i])) {
            return v[i];
        }
    }
    return NULL;
}

static void say_next(const struct wane *w, struct view *const *v, int n, FILE *f)
{
    const struct view *running = find(v, n, "preparing, running, switching off"),
                      *paused = find(v, n, "paused, halted"),
                      *over = find(v, n, "finished, stopped"), *idle = find(v, n, "idle");
    if (running != NULL) {
        say(w, f, "follow it; q leaves, and it goes on", "watch %s", running->station);
        say(w, f, "capacity of each cycle", "cycles %s", view_text(running, "campaign"));
        say(w, f, "where it is going", "project %s", view_text(running, "campaign"));
    }
    if (paused != NULL) {
        say(w, f, "go on, when the cell has been looked at", "resume %s", paused->station);
        say(w, f, "or end the campaign for good", "stop %s", paused->station);
    }
    if (over != NULL) {
        const char *name = view_text(over, "campaign");
        say(w, f, "one page to publish or print", "report %s", name);
        say(w, f, "does the datasheet's claim hold?", "claim %s", name);
        say(w, f, "keep a copy elsewhere", "backup %s -o DIRECTORY", name);
    }
    idle = idle != NULL ? idle : over;
    if (idle != NULL && !view_true(idle, "instrument_ready")) {
        say(w, f, "why its instrument is not ready", "status %s", idle->station);
    } else if (idle != NULL) {
        say(w, f, "what a campaign would do", "check %s --cell CELL --procedure PROCEDURE",
            idle->station);
        say(w, f, "begin one", "start %s --cell CELL --procedure PROCEDURE", idle->station);
    }
}

/* What is wrong goes before what may be done. */
static void say_how(struct wane *w, struct view *const *v, int n, FILE *f)
{
    struct paper paper;
    paper_open(&paper);
    if (rows_silent(v, n) == n) {
        if (paper.tty) {
            paper_wrap(&paper, v[0]->error.text, f);
        } else {
            (void)fprintf(f, "%s\n", v[0]->error.text);
        }
        if (v[0]->error.code == WN_EUNREACHABLE) {
            (void)fputs("\nThe service does not run. It is started by:\n", f);
            bool usual = strcmp(w->config_file, WANE_DEFAULT_CONFIG) == 0;
            (void)fprintf(f, usual ? "  systemctl start waned\n" : "  waned --config %s\n",
                          w->config_file);
        }
        (void)fputs("\nNext:\n", f);
    } else {
        rows_print(w, &paper, v, n, f);
        for (int i = 0; i < rows_alarms(v, n); i++) {
            (void)fputc('\n', f);
            view_head(w, v[i], &paper, f);
        }
        (void)fputs("\nNext:\n", f);
        say_next(w, v, n, f);
        if (rows_silent(v, n) > 0) {
            say(w, f, "why a station does not answer", "status");
        }
    }
}

void wane_first_words(struct wane *w, FILE *f)
{
    static struct view view[WN_STATIONS_MAX], *v[WN_STATIONS_MAX];
    (void)fputs("wane watches lithium-ion cells age: campaigns of charge and discharge,\n"
                "capacity fade, projected end of life.\n\n",
                f);
    if (access(w->config_file, R_OK) != 0) {
        say_unconfigured(w, f);
    } else {
        (void)fprintf(f, "Configuration: %s\n", w->config_file);
        (void)fflush(f); /* its mistakes are told elsewhere, and behind this line */
        const struct wn_daemon_config *d = wane_daemon(w);
        for (int i = 0; d != NULL && i < d->stations; i++) {
            view_init(&view[i], d->station[i].name);
            view_refresh(w, &view[i], PATIENCE_MS);
            v[i] = &view[i];
        }
        if (d != NULL) {
            rows_sort(v, d->stations);
            say_how(w, v, d->stations, f);
            say(w, f, "what has been measured", "campaigns");
        } else {
            (void)fprintf(f,
                          "It has mistakes; each is told with its line. Mend them, then:\n"
                          "  waned --config %s --check\n",
                          w->config_file);
        }
        for (int i = 0; d != NULL && i < d->stations; i++) {
            view_fini(&view[i]);
        }
    }
    (void)fprintf(f, "%-*s%s\n", LEFT, "  wane help", "all commands");
}
