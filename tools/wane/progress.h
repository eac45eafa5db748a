/* The wane command: how far something is that takes its time, on a terminal.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A bar on standard error, only where that is a terminal, and only while it lasts. */
#ifndef WANE_PROGRESS_H
#define WANE_PROGRESS_H

#include <stdbool.h>
#include <stdint.h>
#include "store/campaign.h"

struct progress {
    bool shown, terminal;
    int percent;
    int64_t total;
    const char *what; /* stands behind the bar; "" nothing */
};

/** what: borrowed, until progress_clear(). */
void progress_begin(struct progress *p, const char *what, int64_t total);
void progress_show(struct progress *p, int64_t done);
/** Takes the bar off the screen: something else is to be said. */
void progress_clear(struct progress *p);
/** For what tells its own total; p is borrowed. */
struct wn_progress progress_of(struct progress *p);

#endif
