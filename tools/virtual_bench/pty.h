/* Virtual bench: a pseudo-terminal that behaves like a serial port with the instrument on it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_VIRTUAL_BENCH_PTY_H
#define WN_VIRTUAL_BENCH_PTY_H

#include <stddef.h>

#include "base/err.h"

struct wn_pty {
    int master;       /* non-blocking */
    int slave;        /* kept open: a client that closes gives no hangup */
    char path[64];    /* of the slave */
    const char *link; /* borrowed; NULL: none was made */
};

/** Opens a pair in raw mode and, when link is not NULL, makes a symbolic link to the slave there;
 * an older link is replaced, any other file is not.
 *
 * @return WN_EEXIST  there is something else at link: choose another name
 * @return WN_EIO     the system refuses; the text says what */
int wn_pty_open(struct wn_pty *p, const char *link, struct wn_error *err);

/** Removes the link, if it is still ours, and closes. */
void wn_pty_close(struct wn_pty *p);

#endif
