/* Port: a byte link to an instrument. A serial port, a plain tty (pty) or a simulation stand behind
 * it. SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_PORT_LINK_H
#define WN_PORT_LINK_H

#include <stdbool.h>
#include <stddef.h>
#include "base/err.h"

struct wn_link;

enum wn_line { WN_LINE_DTR, WN_LINE_RTS };

struct wn_link_ops {
    /** Descriptor to poll for input and to hand to the guard. */
    int (*fd)(const struct wn_link *l);
    /** Reads what is there without waiting: *got bytes, 0 when nothing is there yet. WN_EGONE:
     * unplugged, close the link. */
    int (*read)(struct wn_link *l, void *buf, size_t size, size_t *got, struct wn_error *err);
    /** Writes without waiting: *put bytes were taken, maybe fewer. WN_EGONE as above. */
    int (*write)(struct wn_link *l, const void *data, size_t len, size_t *put,
                 struct wn_error *err);
    /** Throws away input that has arrived and output that has not left. */
    void (*flush)(struct wn_link *l);
    /** Sets a modem line (interlock). WN_ESTATE where the link has none (a pty). */
    int (*set_line)(struct wn_link *l, enum wn_line line, bool on, struct wn_error *err);
    /** Goes on with what opening has only begun (connecting to a serial server, agreeing with it):
     * *ready, the link can be used; before that reads bring nothing and writes take nothing.
     * WN_EGONE: it came to nothing. NULL where a link is ready from the start. */
    int (*advance)(struct wn_link *l, bool *ready, struct wn_error *err);
    /** Drops output not yet sent, closes and frees. */
    void (*close)(struct wn_link *l);
};

struct wn_link {
    const struct wn_link_ops *ops;
};

#endif
