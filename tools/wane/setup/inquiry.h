/* Talking to an instrument from the command line, without the service.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANE_INQUIRY_H
#define WANE_INQUIRY_H

#include "wane.h"

#include "instrument/session.h"
#include "port/clock.h"
#include "port/link.h"

struct inquiry {
    struct wn_dialect dialect;
    struct wn_problems problems;
    struct wn_session session;
    const struct wn_clock *clock;
    struct wn_link *link;
    /* told of every byte written and read, with its time; NULL: nobody */
    void (*trace)(void *ctx, bool sent, const char *data, size_t len, wn_ns now);
    void *ctx;
};

/** Opens the port and waits until the instrument has settled. */
int inquiry_open(struct inquiry *q, const char *port, int baud, struct wn_error *err);
void inquiry_close(struct inquiry *q);
/** One request and its outcome: writes what is to be written, reads what comes, until the session
 * has an answer or gives up. */
int inquiry_request(struct inquiry *q, enum wn_request request, const struct wn_setpoints *sp,
                    struct wn_error *err);
/** Reads what comes outside of any request, until something came and the line was silent behind it,
 * at most so long; shows it. The session takes it for what it is: nothing it asked for. */
void inquiry_listen(struct inquiry *q, double limit_s);
/** Dialects lie beside the configuration, also before there is one. */
const char *inquiry_conf_dir(const struct wane *w, const struct wn_daemon_config *d, char *buf,
                             size_t size);

#endif
