/* The wane command: how far something is that takes its time, on a terminal.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "progress.h"

#include <stdio.h>
#include <string.h>
#include <unistd.h>

enum { BAR = 40, PERCENT = 9, WHAT = 25 };

void progress_begin(struct progress *p, const char *what, int64_t total)
{
    memset(p, 0, sizeof *p);
    p->terminal = isatty(STDERR_FILENO) != 0;
    p->percent = -1;
    p->total = total;
    p->what = what;
}

void progress_show(struct progress *p, int64_t done)
{
    static const char full[] = "########################################";
    int percent = p->total > 0 ? (int)(100.0 * (double)done / (double)p->total) : 0;
    percent = percent > 100 ? 100 : percent;
    if (!p->terminal || (p->shown && percent == p->percent)) {
        return;
    }
    p->percent = percent;
    p->shown = true;
    (void)fprintf(stderr, "\r[%-*.*s] %3d %% %.*s", BAR, BAR * percent / 100, full, percent, WHAT,
                  p->what);
}

void progress_clear(struct progress *p)
{
    if (p->shown) { /* blanks: a plain terminal knows no escape sequences */
        (void)fprintf(stderr, "\r%*s\r", BAR + PERCENT + WHAT, "");
        p->shown = false;
    }
}

static void told(void *ctx, int64_t done, int64_t total)
{
    struct progress *p = ctx;
    p->total = total;
    progress_show(p, done);
}

struct wn_progress progress_of(struct progress *p)
{
    return (struct wn_progress){told, p};
}
