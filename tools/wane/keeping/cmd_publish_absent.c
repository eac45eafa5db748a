/* wane publish, of a build without libpq.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "publish.h"

#include <stdio.h>

int wane_publish(struct wane *w, const struct wane_args *a)
{
    (void)w, (void)a;
    (void)fputs(
        "wane publish: this wane was built without it, for want of libpq: install libpq-dev "
        "(apt-get install libpq-dev), then build it with cmake -DWN_PUBLISH=ON\n",
        stderr);
    return WANE_FAILED;
}
