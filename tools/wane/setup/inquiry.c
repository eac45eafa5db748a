/* Talking to an instrument from the command line, without the service.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _DEFAULT_SOURCE
#include "inquiry.h"

#include <poll.h>
#include <stdio.h>
#include <string.h>

#include "serial/serial.h"

enum {
    CONNECT_MS = 4000, /* more than a link to a serial server gives itself */
    SILENCE_MS = 50    /* longer than any within a reply */
};

int inquiry_open(struct inquiry *q, const char *port, int baud, struct wn_error *err)
{
    struct wn_port_settings settings;
    q->clock = wn_clock_real();
    q->link = NULL;
    q->dialect.baud = baud > 0 ? baud : q->dialect.baud;
    wn_port_settings_init(&settings, port, q->dialect.baud, q->dialect.parity,
                          q->dialect.stop_bits);
    wn_session_init(&q->session, &q->dialect, "instrument", port);
    int rc = wn_link_open(&q->link, &settings, err);
    if (rc == WN_OK && (rc = wn_link_wait(q->link, CONNECT_MS, err)) != WN_OK) {
        inquiry_close(q);
    }
    if (rc == WN_OK) { /* boards that restart when they are opened need it */
        (void)poll(NULL, 0, (int)(q->dialect.settle_s * 1e3));
        q->link->ops->flush(q->link);
    }
    return rc;
}

void inquiry_close(struct inquiry *q)
{
    if (q->link != NULL) {
        q->link->ops->close(q->link);
        q->link = NULL;
    }
}

static int write_some(struct inquiry *q, bool *more, struct wn_error *err)
{
    size_t len = 0, n = 0;
    const char *out = wn_session_output(&q->session, &len);
    int rc = len > 0 ? q->link->ops->write(q->link, out, len, &n, err) : WN_OK;
    if (rc == WN_OK && n > 0) {
        wn_ns now = wn_clock_monotonic(q->clock);
        if (q->trace != NULL) {
            q->trace(q->ctx, true, out, n, now);
        }
        wn_session_wrote(&q->session, n, now);
    }
    *more = len > n;
    return rc;
}

static int read_some(struct inquiry *q, struct wn_error *err)
{
    char buf[512];
    size_t n = 0;
    int rc = q->link->ops->read(q->link, buf, sizeof buf, &n, err);
    wn_ns now = wn_clock_monotonic(q->clock);
    if (rc == WN_OK && n > 0) {
        if (q->trace != NULL) {
            q->trace(q->ctx, false, buf, n, now);
        }
        (void)wn_session_input(&q->session, buf, n, now);
    }
    (void)wn_session_tick(&q->session, now);
    return rc;
}

int inquiry_request(struct inquiry *q, enum wn_request request, const struct wn_setpoints *sp,
                    struct wn_error *err)
{
    struct wn_session *s = &q->session;
    wn_session_begin(s, request, sp, wn_clock_monotonic(q->clock));
    while (wn_session_result(s) == WN_SESSION_PENDING) {
        bool more = false;
        int rc = write_some(q, &more, err);
        wn_ns left = wn_session_deadline(s) - wn_clock_monotonic(q->clock);
        struct pollfd p = {q->link->ops->fd(q->link), more ? POLLIN | POLLOUT : POLLIN, 0};
        if (rc == WN_OK && left > 0) { /* interrupted or not: the deadline decides */
            (void)poll(&p, 1, (int)(left / WN_NS_PER_MS) + 1);
        }
        rc = rc == WN_OK ? read_some(q, err) : rc;
        if (rc != WN_OK) {
            return rc;
        }
    }
    if (wn_session_result(s) == WN_SESSION_FAILED) {
        return wn_error_set(err, s->error.code, "%s", s->error.text);
    }
    return WN_OK;
}

void inquiry_listen(struct inquiry *q, double limit_s)
{
    struct wn_error err = {0};
    wn_ns limit = wn_clock_monotonic(q->clock) + wn_ns_from_s(limit_s);
    struct pollfd p = {q->link->ops->fd(q->link), POLLIN, 0};
    int wait_ms = (int)(limit_s * 1e3);
    while (wn_clock_monotonic(q->clock) < limit && poll(&p, 1, wait_ms) == 1 &&
           read_some(q, &err) == WN_OK) {
        wait_ms = SILENCE_MS;
    }
}

const char *inquiry_conf_dir(const struct wane *w, const struct wn_daemon_config *d, char *buf,
                             size_t size)
{
    const char *slash = strrchr(w->config_file, '/');
    if (d != NULL) {
        return d->conf_dir;
    }
    (void)snprintf(buf, size, "%.*s", slash != NULL ? (int)(slash - w->config_file) : 1,
                   slash != NULL ? w->config_file : ".");
    return buf;
}
