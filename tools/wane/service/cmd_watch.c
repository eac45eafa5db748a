/* wane watch: a station as it works.
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
#include <sys/ioctl.h>
#include <unistd.h>

#include "view.h"

enum { UNTIL_END };

enum {
    REDRAW_MS = 1000,
    ASK_MS = 250,
    PATIENCE = 80 /* unanswered questions: 20 s, a restart of the service is shorter */
};

static const struct wane_option options[] = {
    [UNTIL_END] = {"until-end", 0, WANE_FLAG, NULL,
                   "end when the campaign is over, or halted (then with 4)"},
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

static bool is_over(const struct seen *s)
{
    return strcmp(s->state, "finished") == 0 || strcmp(s->state, "stopped") == 0 ||
           strcmp(s->state, "halted") == 0;
}

/* A block for a new state, one line for a new cycle. */
static void print_change(const struct wane *w, const struct view *v, const struct seen *now,
                         const struct seen *before)
{
    if (strcmp(now->state, before->state) != 0 || now->alarm != before->alarm ||
        now->answered != before->answered) {
        view_block(w, v, stdout);
    } else if (now->cycles_done != before->cycles_done || now->in_check_up != before->in_check_up) {
        view_line(w, v, stdout);
        (void)putchar('\n');
    }
    (void)fflush(stdout);
}

/* Cut to the window, so that a small one never scrolls; each line is erased to its end instead of
 * the screen, so that nothing flickers. */
static void redraw(const struct wane *w, const struct view *v)
{
    struct winsize size = {.ws_row = 24, .ws_col = 80};
    char *text = NULL;
    size_t len = 0;
    FILE *f = open_memstream(&text, &len);
    if (f == NULL) {
        return;
    }
    view_block(w, v, f);
    (void)fputs("\n  Ctrl-C leaves; the campaign goes on.\n", f);
    if (fclose(f) != 0) {
        return;
    }
    (void)ioctl(STDOUT_FILENO, TIOCGWINSZ, &size);
    (void)fputs("\033[H", stdout);
    int row = 0;
    for (const char *at = text; *at != '\0' && row < size.ws_row - 1; row++) {
        size_t n = strcspn(at, "\n");
        int shown = 0;
        for (size_t i = 0; i < n; i++) {
            if (at[i] == '\033') { /* takes no column */
                size_t sequence = strcspn(at + i, "m") + 1;
                (void)fwrite(at + i, 1, sequence, stdout);
                i += sequence - 1;
            } else if (shown < size.ws_col || ((unsigned char)at[i] & 0xc0) == 0x80) {
                (void)putchar(at[i]);
                shown += ((unsigned char)at[i] & 0xc0) != 0x80;
            }
        }
        (void)fputs("\033[K\n", stdout);
        at += n + (at[n] == '\n');
    }
    (void)fputs("\033[J", stdout);
    (void)fflush(stdout);
    free(text);
}

static void wait_ms(int ms)
{
    (void)poll(NULL, 0, ms);
}

static int follow(struct wane *w, struct view *v, bool until_end)
{
    const char *term = getenv("TERM");
    bool tty = isatty(STDOUT_FILENO) && !w->json && term != NULL && strcmp(term, "dumb") != 0;
    struct seen before;
    memset(&before, 0, sizeof before);
    for (int unanswered = 0; !interrupted;) {
        view_refresh(w, v);
        struct seen now = look(v);
        unanswered = now.answered ? 0 : unanswered + 1;
        if (!now.answered && (before.state[0] == '\0' || unanswered > PATIENCE)) {
            return wane_fail(w, &v->error);
        }
        if (!now.answered) { /* the service restarts it: what was seen last stays valid */
            wait_ms(ASK_MS);
            continue;
        }
        if (tty) {
            redraw(w, v);
        } else if (w->json && memcmp(&now, &before, sizeof now) != 0) {
            wane_dump_row(view_json(v), stdout);
            (void)putchar('\n');
            (void)fflush(stdout);
        } else if (!w->json) {
            print_change(w, v, &now, &before);
        }
        before = now;
        if (ferror(stdout)) {
            return wane_flush();
        }
        if (until_end && view_text(v, "campaign")[0] == '\0') {
            (void)fprintf(stderr, "wane watch: there is no campaign on station %s\n", v->station);
            return WANE_FAILED;
        }
        if (until_end && strcmp(now.state, "switching off") == 0 && view_alarm(v)) {
            return WANE_ALARM; /* who waits for the end must not wait for a bench nobody looks at */
        }
        if (until_end && is_over(&now)) {
            return strcmp(now.state, "halted") == 0 ? WANE_ALARM : WANE_DONE;
        }
        wait_ms(tty ? REDRAW_MS : ASK_MS);
    }
    return WANE_DONE;
}

static int run(struct wane *w, const struct wane_args *a)
{
    const struct wn_station_config *s = wane_station(w, a);
    struct sigaction act;
    if (s == NULL) {
        return WANE_FAILED;
    }
    struct view *v = calloc(1, sizeof *v);
    if (v == NULL) {
        return WANE_FAILED;
    }
    memset(&act, 0, sizeof act);
    act.sa_handler = on_signal;
    (void)sigaction(SIGINT, &act, NULL);
    (void)sigaction(SIGTERM, &act, NULL);
    (void)snprintf(v->station, sizeof v->station, "%s", s->name);
    v->projected_at = -1;
    int rc = follow(w, v, a->value[UNTIL_END].given);
    view_fini(v);
    free(v);
    return rc;
}

const struct wane_command cmd_watch = {
    .name = "watch",
    .synopsis = "[STATION] [--until-end]",
    .summary = "follow a station as it works",
    .text = "On a terminal the screen is redrawn every second, cut to its size. Elsewhere a\n"
            "block is printed for each new state and a line for each cycle; with --json an\n"
            "object a line. Without STATION: the only one there is.\n",
    .examples = "  wane watch\n"
                "  wane watch A --until-end && wane cycles demo\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_max = 1,
    .run = run,
};
