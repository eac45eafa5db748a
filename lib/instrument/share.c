/* Share: who asks, whose turn it is, and off ahead of everything.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/share.h"

#include <string.h>

#include "base/assert.h"
#include "instrument/packet.h"
#include "instrument/share_core.h"

static const char no_answer = WN_SESSION_NO_ANSWER;

/* Replies of the two cannot be told apart by what they hold. */
static bool one_instrument(const struct wn_dialect *a, const struct wn_dialect *b)
{
    return a->protocol == WN_PROTOCOL_MODBUS ? a->modbus.unit == b->modbus.unit
                                             : strcmp(a->identity_query, b->identity_query) == 0;
}

void wn_share_init(struct wn_share *s, const struct wn_dialect *const *dialect, int channels)
{
    wn_assert(channels >= 1 && channels <= WN_SHARE_CHANNELS_MAX);
    memset(s, 0, sizeof *s);
    s->channels = channels;
    for (int i = 0; i < channels; i++) {
        s->dialect[i] = dialect[i];
        while (!one_instrument(dialect[s->instrument[i]], dialect[i])) {
            s->instrument[i]++;
        }
    }
    s->deadline_ns = WN_NS_NEVER;
    s->current = s->answer_to = -1;
    s->framed = dialect[0]->protocol == WN_PROTOCOL_MODBUS;
    if (s->framed) {
        wn_frames_init(s);
    } else {
        wn_lines_init(s);
    }
}

void wn_share_take_away(struct wn_share_asker *a, int k)
{
    a->n--;
    memmove(&a->queue[k], &a->queue[k + 1], (size_t)(a->n - k) * sizeof a->queue[0]);
    a->used = !a->gone || a->n > 0;
}

bool wn_share_rests(const struct wn_share *s, int channel)
{
    return s->rest_ns[s->instrument[channel]] != 0;
}

void wn_share_leave_alone(struct wn_share *s, int instrument, wn_ns now_ns)
{
    for (int i = 0; i < WN_SHARE_ASKERS_MAX; i++) {
        struct wn_share_asker *a = &s->asker[i];
        for (int k = a->n - 1; k >= 0 && s->instrument[a->channel] == instrument; k--) {
            if (!a->queue[k].off) {
                wn_share_take_away(a, k);
                a->unanswered = s->framed;
                s->dropped++;
            }
        }
    }
    s->ids_due[instrument] = 1; /* one may lie there without its end, which we send next time */
    s->rest_ns[instrument] =
        now_ns + WN_SHARE_REST_MAX * wn_ns_from_s(s->dialect[s->channel]->reply_timeout_s);
}

int wn_share_choose(const struct wn_share *s)
{
    int found = -1;
    for (int i = 1; i <= WN_SHARE_ASKERS_MAX; i++) {
        int n = (s->last + i) % WN_SHARE_ASKERS_MAX;
        const struct wn_share_asker *a = &s->asker[n];
        bool waits = a->n > 0 && (!wn_share_rests(s, a->channel) || !a->queue[0].told);
        if (waits && a->queue[0].urgent) {
            return n;
        }
        found = found < 0 && waits ? n : found;
    }
    return found;
}

int wn_share_join(struct wn_share *s, int channel)
{
    wn_assert(channel >= 0 && channel < s->channels);
    for (int i = 0; i < WN_SHARE_ASKERS_MAX; i++) {
        if (!s->asker[i].used) {
            s->asker[i] = (struct wn_share_asker){.used = true, .channel = channel};
            return i;
        }
    }
    return -1;
}

static void go_on(struct wn_share *s, wn_ns now_ns)
{
    if (s->framed) {
        wn_frames_go_on(s, now_ns);
    } else {
        wn_lines_go_on(s, now_ns);
    }
}

static bool has_another(const struct wn_share *s, int asker)
{
    for (int i = 0; i < WN_SHARE_ASKERS_MAX; i++) {
        const struct wn_share_asker *a = &s->asker[i];
        if (i != asker && a->used && !a->gone && a->channel == s->asker[asker].channel) {
            return true;
        }
    }
    return false;
}

static bool same_packet(const struct wn_share_packet *a, const struct wn_share_packet *b)
{
    return a->len == b->len && memcmp(a->data, b->data, a->len) == 0;
}

/* What waits for the channel would be carried out behind its off. Off in frames comes frame by
 * frame: those before it stay. */
static void cancel(struct wn_share *s, int asker, const struct wn_share_packet *off)
{
    for (int i = 0; i < WN_SHARE_ASKERS_MAX; i++) {
        struct wn_share_asker *a = &s->asker[i];
        for (int k = a->n - 1; k >= 0 && a->channel == s->asker[asker].channel; k--) {
            bool replaced = s->framed ? same_packet(&a->queue[k], off) : i == asker;
            if (!a->queue[k].off || (i == asker && replaced)) {
                wn_share_take_away(a, k);
            }
        }
    }
}

static void add_off(struct wn_share *s, int asker, const struct wn_share_packet *p, wn_ns now_ns)
{
    struct wn_share_asker *a = &s->asker[asker];
    cancel(s, asker, p);
    if (a->n == WN_SHARE_QUEUE) { /* frames of off: all of them, then */
        a->n = 1;
        wn_packet_safe_off(&a->queue[0], s->dialect[a->channel]);
    } else {
        a->queue[a->n++] = *p;
    }
    if (s->framed) {
        wn_frames_urge(s, asker, now_ns);
    } else if (s->state != WN_SHARE_IDLE) {
        wn_lines_tell_offs(s);
    }
    go_on(s, now_ns);
}

void wn_share_leave(struct wn_share *s, int asker, wn_ns now_ns)
{
    struct wn_share_asker *a = &s->asker[asker];
    const struct wn_dialect *d = s->dialect[a->channel];
    struct wn_share_packet p;
    wn_assert(a->used && !a->gone);
    s->current = s->current == asker ? -1 : s->current;
    s->answer_to = s->answer_to == asker ? -1 : s->answer_to;
    a->n = 0;
    a->unanswered = false;
    a->gone = d->safe_off_len > 0 && !has_another(s, asker);
    a->used = a->gone;
    if (a->gone) {
        wn_packet_safe_off(&p, d);
        add_off(s, asker, &p, now_ns);
    }
}

bool wn_share_ask(struct wn_share *s, int asker, const char *data, size_t len, wn_ns now_ns)
{
    struct wn_share_asker *a = &s->asker[asker];
    struct wn_share_packet p;
    wn_assert(a->used && !a->gone);
    if (!wn_packet_read(&p, s->dialect[a->channel], data, len) ||
        (!p.off && (a->n == WN_SHARE_QUEUE || wn_share_rests(s, a->channel)))) {
        a->unanswered = s->framed;
        s->dropped++;
        return false;
    }
    if (p.off) {
        add_off(s, asker, &p, now_ns);
    } else {
        a->queue[a->n++] = p;
        go_on(s, now_ns);
    }
    return true;
}

void wn_share_all_off(struct wn_share *s, wn_ns now_ns)
{
    for (int i = 0; i < s->channels; i++) {
        int asker = wn_share_join(s, i);
        if (asker >= 0) {
            wn_share_leave(s, asker, now_ns);
        }
    }
}

const char *wn_share_output(const struct wn_share *s, size_t *len)
{
    return s->framed ? wn_frames_output(s, len) : wn_lines_output(s, len);
}

void wn_share_wrote(struct wn_share *s, size_t n, wn_ns now_ns)
{
    wn_assert(n <= s->out_len - s->out_pos);
    if (n > 0 && s->framed) {
        wn_frames_wrote(s, n, now_ns);
    } else if (n > 0) {
        wn_lines_wrote(s, n, now_ns);
    }
}

void wn_share_input(struct wn_share *s, const char *data, size_t len, wn_ns now_ns)
{
    if (s->framed) {
        wn_frames_input(s, data, len, now_ns);
    } else {
        wn_lines_input(s, data, len, now_ns);
    }
}

void wn_share_rested(struct wn_share *s, wn_ns now_ns)
{
    for (int i = 0; i < s->channels; i++) {
        s->rest_ns[i] = now_ns < s->rest_ns[i] ? s->rest_ns[i] : 0;
    }
}

void wn_share_tick(struct wn_share *s, wn_ns now_ns)
{
    if (s->framed) {
        wn_frames_tick(s, now_ns);
    } else {
        wn_lines_tick(s, now_ns);
    }
}

wn_ns wn_share_deadline(const struct wn_share *s)
{
    wn_ns first_ns = s->framed ? s->deadline_ns : wn_lines_deadline(s);
    for (int i = 0; i < s->channels; i++) {
        first_ns = s->rest_ns[i] != 0 && s->rest_ns[i] < first_ns ? s->rest_ns[i] : first_ns;
    }
    return first_ns;
}

bool wn_share_take(struct wn_share *s, int *asker, const char **data, size_t *len)
{
    *asker = s->answer_to;
    *data = s->answer;
    *len = s->answer_len;
    s->answer_to = -1;
    for (int i = 0; i < WN_SHARE_ASKERS_MAX && *asker < 0; i++) {
        if (s->asker[i].unanswered) {
            s->asker[i].unanswered = false;
            *asker = i;
            *data = &no_answer;
            *len = 1;
        }
    }
    return *asker >= 0;
}

bool wn_share_is_idle(const struct wn_share *s)
{
    return s->state == WN_SHARE_IDLE && s->frames.state == WN_FRAMES_IDLE && wn_share_choose(s) < 0;
}
