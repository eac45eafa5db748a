/* The port itself: opened, handed to the guard, talked over, lost.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "share.h"

#include <poll.h>
#include <stdio.h>

#include "serial/serial.h"

#define BACK_OFF_FIRST_NS WN_NS_PER_S
#define BACK_OFF_MAX_NS   (30 * WN_NS_PER_S)
#define TELL_BAD_NS       (60 * WN_NS_PER_S)
#define LAST_WORD_NS      WN_NS_PER_S

/* Tried again later. Those who ask find it gone, and do the same. */
static void lose(struct share *s, const struct wn_error *error, wn_ns now)
{
    for (int k = 0; s->link != NULL && k < s->config.users; k++) {
        guard_client_release(&s->guard, k); /* unplugged, or never handed over */
    }
    share_hang_up(s);
    if (s->link != NULL) {
        s->link->ops->close(s->link);
        s->link = NULL;
    }
    s->stage = SHARE_CLOSED;
    s->back_off_ns = s->back_off_ns > 0 ? 2 * s->back_off_ns : BACK_OFF_FIRST_NS;
    s->back_off_ns = s->back_off_ns < BACK_OFF_MAX_NS ? s->back_off_ns : BACK_OFF_MAX_NS;
    s->stage_until_ns = now + s->back_off_ns;
    if (s->told_code != error->code) {
        s->told_code = error->code;
        share_log(s, 3, "%s", error->text);
    }
}

/* Before anything is said over it: from now on the guard can switch every channel off. */
static int hand_over(struct share *s, struct wn_error *err)
{
    for (int k = 0; k < s->config.users; k++) {
        const struct wn_port_user *u = &s->config.user[k];
        struct guard_message m;
        char port[2 * WN_PATH_SIZE], place[WN_PLACE_SIZE];
        if (!wn_role_switches(u->instrument->role)) {
            continue;
        }
        (void)snprintf(port, sizeof port, "%.90s %s", s->config.port,
                       wn_config_place(u->instrument, place));
        int rc = guard_describe(&u->dialect, port, WN_INTERLOCK_NONE, &m, err);
        if (rc != WN_OK) {
            return rc;
        }
        m.slot = (uint32_t)k;
        if (!guard_client_register(&s->guard, &m, s->link->ops->fd(s->link))) {
            return wn_error_set(err, WN_EGUARD, "guard does not acknowledge %s", port);
        }
    }
    return WN_OK;
}

static void open_port(struct share *s, wn_ns now)
{
    struct wn_port_settings settings;
    struct wn_error err = {0};
    double settle_s = 0;
    const struct wn_dialect *d = &s->config.user[0].dialect; /* the others agree with it */
    wn_port_settings_init(&settings, s->config.port, d->baud, d->parity, d->stop_bits);
    int rc = wn_link_open(&s->link, &settings, &err);
    if (rc != WN_OK) {
        s->link = NULL;
    } else {
        rc = hand_over(s, &err);
    }
    if (rc != WN_OK) {
        lose(s, &err, now);
        return;
    }
    for (int k = 0; k < s->config.users; k++) {
        double own_s = s->config.user[k].dialect.settle_s;
        settle_s = own_s > settle_s ? own_s : settle_s;
    }
    s->stage = SHARE_SETTLING;
    s->stage_until_ns = now + wn_ns_from_s(settle_s);
}

/* Whatever it was doing: off, before anybody may ask. */
static void let_in(struct share *s, wn_ns now)
{
    const struct wn_dialect *dialect[WN_PORT_USERS_MAX];
    struct wn_error err = {0};
    for (int k = 0; k < s->config.users; k++) {
        dialect[k] = &s->config.user[k].dialect;
    }
    s->link->ops->flush(s->link);
    wn_share_init(&s->core, dialect, s->config.users);
    s->told_bad = 0;
    wn_share_all_off(&s->core, now);
    if (share_listen(s, &err) != WN_OK) {
        lose(s, &err, now);
        return;
    }
    s->stage = SHARE_OPEN;
    s->back_off_ns = 0;
    s->told_code = WN_OK;
    share_log(s, 6, "%s is open for %d channels and units", s->config.port, s->config.users);
}

static void tell_bad(struct share *s, wn_ns now)
{
    uint64_t bad = s->core.timeouts + s->core.garbled;
    if (bad > s->told_bad && now >= s->tell_bad_ns) {
        share_log(s, 4, "%llu missing or garbled replies since the last such line",
                  (unsigned long long)(bad - s->told_bad));
        s->told_bad = bad;
        s->tell_bad_ns = now + TELL_BAD_NS;
    }
}

void share_turn_port(struct share *s, wn_ns now)
{
    if (s->stage == SHARE_CLOSED && now >= s->stage_until_ns && !s->ending) {
        open_port(s, now);
    }
    if (s->stage == SHARE_SETTLING && now >= s->stage_until_ns) {
        let_in(s, now);
    }
    if (s->stage == SHARE_OPEN) {
        tell_bad(s, now);
    }
}

static int write_out(struct share *s, struct wn_error *err)
{
    size_t len = 0, put = 1;
    int rc = WN_OK;
    for (const char *out; rc == WN_OK && put > 0;) {
        out = wn_share_output(&s->core, &len);
        if (len == 0) {
            break;
        }
        rc = s->link->ops->write(s->link, out, len, &put, err);
        wn_share_wrote(&s->core, put, wn_clock_monotonic(s->clock));
        share_deliver(s);
    }
    return rc;
}

void share_talk(struct share *s, wn_ns now)
{
    char buf[1024];
    size_t got = 0;
    struct wn_error err = {0};
    if (s->stage != SHARE_OPEN || s->link == NULL) {
        return;
    }
    int rc = s->link->ops->read(s->link, buf, sizeof buf, &got, &err);
    if (rc == WN_OK) {
        wn_share_input(&s->core, buf, got, now);
        share_deliver(s);
        rc = write_out(s, &err);
    }
    if (rc != WN_OK) {
        lose(s, &err, now);
    }
}

wn_ns share_deadline(const struct share *s)
{
    return s->stage == SHARE_OPEN ? wn_share_deadline(&s->core) : s->stage_until_ns;
}

void share_close_port(struct share *s)
{
    wn_ns now = wn_clock_monotonic(s->clock), end_ns = now + LAST_WORD_NS;
    if (s->stage == SHARE_OPEN) {
        wn_share_all_off(&s->core, now);
    }
    while (s->stage == SHARE_OPEN && !wn_share_is_idle(&s->core) && now < end_ns) {
        size_t len = 0;
        share_talk(s, now);
        (void)wn_share_output(&s->core, &len);
        struct pollfd p = {s->link != NULL ? s->link->ops->fd(s->link) : -1,
                           len > 0 ? POLLIN | POLLOUT : POLLIN, 0};
        (void)poll(&p, 1, 10);
        now = wn_clock_monotonic(s->clock);
    }
    share_hang_up(s);
    if (s->link != NULL) { /* not released: the guard looks once more whether it is off */
        s->link->ops->close(s->link);
        s->link = NULL;
    }
}
