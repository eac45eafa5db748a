/* wane publish: what its options are called, and the part that a build without libpq leaves out.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANE_PUBLISH_H
#define WANE_PUBLISH_H

#include "wane.h"

enum {
    PUBLISH_CONNECTION,
    PUBLISH_BENCH,
    PUBLISH_PREPARE,
    PUBLISH_DRY_RUN,
    PUBLISH_TAKE_OVER,
    PUBLISH_REPLACE
};

/** cmd_publish_run.c, or cmd_publish_absent.c; returns enum wane_exit. */
int wane_publish(struct wane *w, const struct wane_args *a);

#endif
