/* wane watch: what its two ways of showing share.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANE_WATCH_H
#define WANE_WATCH_H

#include "paper.h"
#include "view.h"

enum { WATCH_ON = -1 };

struct watch {
    struct wane *w;
    struct paper paper;
    struct view view[WN_STATIONS_MAX]; /* as the configuration has them */
    int n;
    bool until_end; /* of the campaign of the only one */
};

/** Whether there is nothing more to wait for: an exit code, or WATCH_ON. */
int watch_end(const struct view *v);
/** On the terminal, until somebody leaves; returns enum wane_exit. */
int watch_screen(struct watch *x);

#endif
