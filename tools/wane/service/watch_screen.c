/* wane watch on a terminal: one screen, drawn anew every second and at every change of its size.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * From the top: a line that says how all are, what is in alarm, the rest as far as it goes, and a
 * line that says how much is not shown. */
#define _POSIX_C_SOURCE 200809L
#include "watch.h"

#include <stdlib.h>
#include <string.h>

#include "port/clock.h"
#include "rows.h"
#include "terminal.h"

enum { REDRAW_MS = 1000, PATIENCE_MS = 1000, ROWS_PLAIN = 24, ROWS_MIN = 4, LINES_MAX = 2000 };

struct page {
    char *text; /* what the lines are parts of */
    const char *line[LINES_MAX];
    int lines, pinned; /* the first of them are always shown */
};

static struct page page; /* large */
static int top;          /* how far it is scrolled */

/* "2 in ALARM, 1 silent of 30": fewer words on a narrow one. */
static void write_title(const struct watch *x, struct view *const *v, FILE *f)
{
    char utc[WN_UTC_SIZE], text[200];
    int alarms = rows_alarms(v, x->n), silent = rows_silent(v, x->n);
    (void)wn_utc_format(wn_clock_real()->ops->utc(wn_clock_real()), utc, sizeof utc);
    int n = x->n == 1 ? snprintf(text, sizeof text, "wane watch")
                      : snprintf(text, sizeof text, "%d stations", x->n);
    if (alarms > 0) {
        n += snprintf(text + n, sizeof text - (size_t)n, ", %s%d in ALARM%s", wane_red(x->w),
                      alarms, wane_plain(x->w));
    }
    if (silent > 0) {
        n += snprintf(text + n, sizeof text - (size_t)n, ", %d silent", silent);
    }
    int pad = x->paper.columns - paper_width(&x->paper, text) - 9;
    if (pad > 0) { /* that it still moves is what the clock is for */
        (void)snprintf(text + n, sizeof text - (size_t)n, "%*s%.8sZ", pad, "", utc + 11);
    }
    paper_cut(&x->paper, text, x->paper.columns, f);
}

static void add_lines(struct page *g, char *text)
{
    for (char *at = text; *at != '\0' && g->lines < LINES_MAX;) {
        char *end = strchr(at, '\n');
        g->line[g->lines++] = at;
        if (end == NULL) {
            break;
        }
        *end = '\0';
        at = end + 1;
    }
}

static int count_lines(const char *text)
{
    int n = 0;
    for (; *text != '\0'; text++) {
        n += *text == '\n';
    }
    return n;
}

/* Of several a line each and then, of those in alarm, why; of a single one all. */
static void write_page(struct watch *x, struct view **v)
{
    size_t len = 0;
    int alarms = rows_alarms(v, x->n);
    free(page.text);
    memset(&page, 0, sizeof page);
    FILE *f = open_memstream(&page.text, &len);
    if (f == NULL) {
        return;
    }
    if (x->n == 1) {
        view_head(x->w, v[0], &x->paper, f);
        (void)fflush(f);
        page.pinned = count_lines(page.text);
        view_project(v[0]);
        view_body(v[0], &x->paper, f);
    } else {
        rows_print(x->w, &x->paper, v, x->n, f);
        page.pinned = alarms;
        for (int i = 0; i < alarms; i++) {
            (void)fputc('\n', f);
            view_head(x->w, v[i], &x->paper, f);
        }
    }
    if (fclose(f) == 0) {
        add_lines(&page, page.text);
    }
}

static void put_line(FILE *f, int row, const char *line, const struct watch *x)
{
    (void)fprintf(f, "\033[%d;1H%s%s", row, line, wane_plain(x->w));
    if (paper_width(&x->paper, line) < x->paper.columns) { /* behind a full one nothing is left */
        (void)fputs("\033[K", f);
    }
}

static void write_foot(const struct watch *x, int row, int hidden, int stations, FILE *f)
{
    char text[120], *cut = NULL;
    size_t len = 0;
    FILE *m = open_memstream(&cut, &len);
    if (stations > 0) {
        (void)snprintf(text, sizeof text, "%d stations not shown: j, k; q leaves", stations);
    } else if (hidden > 0) {
        (void)snprintf(text, sizeof text, "%d lines not shown: j, k; q leaves", hidden);
    } else {
        (void)snprintf(text, sizeof text, "q leaves; %s",
                       x->n == 1 ? "the campaign goes on" : "the campaigns go on");
    }
    if (m != NULL) {
        paper_cut(&x->paper, text, x->paper.columns, m);
        put_line(f, row, fclose(m) == 0 ? cut : "", x);
    }
    free(cut);
}

/* Of the rows of stations, which come first on a page, those that stand on none of these lines. */
static int stations_hidden(const struct watch *x, int pinned, int shown)
{
    int from = pinned + top, to = from + shown;
    int above = from < x->n ? top : x->n - pinned, below = to < x->n ? x->n - to : 0;
    return x->n == 1 ? 0 : (above > 0 ? above : 0) + below;
}

/* Everything goes out in one piece, so that nothing flickers. */
static int draw(struct watch *x, struct view **v, int rows, bool clear)
{
    char *text = NULL, *title = NULL;
    size_t len = 0, title_len = 0;
    FILE *f = open_memstream(&text, &len), *m = open_memstream(&title, &title_len);
    int rc = -1, room = rows - 2, pinned = page.pinned < room ? page.pinned : room - 1;
    int rest = page.lines - pinned, shown = room - pinned;
    top = top > rest - shown ? rest - shown : top;
    top = top < 0 ? 0 : top;
    if (f != NULL && m != NULL) {
        write_title(x, v, m);
        (void)fflush(m);
        (void)fputs(clear ? "\033[2J" : "", f);
        put_line(f, 1, title, x);
        for (int i = 0; i < room; i++) {
            int at = i < pinned ? i : i + top;
            put_line(f, 2 + i, at < page.lines ? page.line[at] : "", x);
        }
        write_foot(x, rows, rest > shown ? rest - shown : 0, stations_hidden(x, pinned, shown), f);
        (void)fflush(f);
        rc = terminal_write(text, len);
    }
    if (f != NULL) {
        (void)fclose(f);
    }
    if (m != NULL) {
        (void)fclose(m);
    }
    free(text);
    free(title);
    return rc;
}

/* Asks all; whoever hangs must not keep keys and signals waiting for the others. */
static enum terminal_event refresh(struct watch *x, struct view **v)
{
    enum terminal_event event = TERMINAL_TIME;
    for (int i = 0; i < x->n && event != TERMINAL_LEAVE; i++) {
        view_refresh(x->w, &x->view[i], PATIENCE_MS);
        v[i] = &x->view[i];
        if (x->view[i].error.code == WN_ETIMEOUT) {
            event = terminal_wait(0);
        }
    }
    rows_sort(v, x->n);
    return event;
}

static void scroll(enum terminal_event event, int rows)
{
    int page_rows = rows - 3 - page.pinned > 1 ? rows - 3 - page.pinned : 1;
    top += event == TERMINAL_DOWN        ? 1
           : event == TERMINAL_UP        ? -1
           : event == TERMINAL_PAGE_DOWN ? page_rows
           : event == TERMINAL_PAGE_UP   ? -page_rows
                                         : 0;
}

static int follow_screen(struct watch *x)
{
    static struct view *v[WN_STATIONS_MAX];
    const struct wn_clock *clock = wn_clock_real();
    bool clear = true;
    for (enum terminal_event event = TERMINAL_TIME; event != TERMINAL_LEAVE;) {
        event = refresh(x, v);
        wn_ns next_ns = wn_clock_monotonic(clock) + REDRAW_MS * WN_NS_PER_MS, left_ns = 1;
        int end = x->until_end ? watch_end(&x->view[0]) : WATCH_ON;
        if (end != WATCH_ON) {
            return end;
        }
        while (event != TERMINAL_LEAVE && left_ns > 0) {
            int rows = paper_measure(&x->paper);
            rows = rows == 0 ? ROWS_PLAIN : rows < ROWS_MIN ? ROWS_MIN : rows;
            write_page(x, v);
            if (draw(x, v, rows, clear || event == TERMINAL_RESIZED) != 0) {
                return x->until_end ? WANE_FAILED : WANE_DONE;
            }
            clear = false;
            left_ns = next_ns - wn_clock_monotonic(clock);
            event = terminal_wait(left_ns > 0 ? (int)(left_ns / WN_NS_PER_MS) : 0);
            scroll(event, rows);
            left_ns = event == TERMINAL_TIME ? 0 : left_ns;
        }
    }
    return x->until_end ? WANE_FAILED : WANE_DONE;
}

int watch_screen(struct watch *x)
{
    bool any = false;
    for (int i = 0; i < x->n; i++) { /* what cannot be asked at all is an error, not a picture */
        view_refresh(x->w, &x->view[i], PATIENCE_MS);
        x->view[i].keep = true;
        any = any || x->view[i].reply != NULL;
    }
    if (!any) {
        return wane_fail(x->w, &x->view[0].error);
    }
    terminal_enter();
    int rc = follow_screen(x);
    terminal_leave();
    if (x->until_end && rc != WANE_FAILED) { /* what the screen had is gone: say it once more */
        view_block(x->w, &x->view[0], &x->paper, stdout);
    }
    free(page.text);
    page.text = NULL;
    return rc;
}
