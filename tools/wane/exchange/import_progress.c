/* wane import: how far it is, on a terminal.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "import.h"

#include <string.h>
#include <unistd.h>

enum { BAR = 40 };

void progress_begin(struct progress *p, int64_t total)
{
    memset(p, 0, sizeof *p);
    p->terminal = isatty(STDERR_FILENO) != 0;
    p->percent = -1;
    p->total = total;
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
    (void)fprintf(stderr, "\r[%-*.*s] %3d %%", BAR, BAR * percent / 100, full, percent);
}

void progress_clear(struct progress *p)
{
    if (p->shown) { /* blanks: a plain terminal knows no escape sequences */
        (void)fprintf(stderr, "\r%*s\r", BAR + 9, "");
        p->shown = false;
    }
}
