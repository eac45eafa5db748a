/* Share, MODBUS RTU: whose frame goes out when, and whose reply a frame is.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A packet is one request, whole, to the unit of its channel; its answer is the frame that came, or
 * what came instead of one, or the byte that says that nothing came. The line is kept silent before
 * each request, and one reply at a time is waited for, as in session_modbus.c.
 *
 * A late reply of a unit looks like the answer to the next request to it. So after a missing or
 * spoilt reply nothing is asked of that unit but its probe, until an answer to the probe proves
 * that all else is behind us; session_modbus.c tells how often. The askers' own sessions do the
 * same, but of each other's requests, where two have outputs of one unit, they know nothing. A unit
 * that does not answer is tried as often as its file allows, in its turn between the others, and
 * then left alone for a while.
 *
 * Off waits for the reply under way, as the frames would spoil each other, but not longer than
 * OFF_HOLD_NS, and goes out to units that are not in step, or do not answer, too. What an asker has
 * under way when it asks for off is not answered any more. When the last asker of a channel has
 * gone every frame of off goes out, one after the other, answered or not. */
#include "instrument/share_core.h"

#include <string.h>

#include "base/assert.h"
#include "instrument/packet.h"
#include "wire/checksum.h"

#define QUIET_NS    (30 * WN_NS_PER_MS)  /* adapters deliver in lumps, 16 ms apart */
#define OFF_HOLD_NS (100 * WN_NS_PER_MS) /* for a reply under way */

enum {
    LATE_MAX = 20, /* time-outs after which a reply will not come any more */
    CHARACTER_BITS = 11
};

void wn_frames_init(struct wn_share *s)
{
    for (int i = 0; i < s->channels; i++) { /* who knows what was asked before */
        s->frames.unit[i] = (struct wn_share_unit){.fresh = true, .stale = true};
    }
}

static const struct wn_dialect *spoken(const struct wn_share *s)
{
    return s->dialect[s->channel];
}

static struct wn_share_unit *unit(struct wn_share *s)
{
    return &s->frames.unit[s->instrument[s->channel]];
}

static wn_ns timeout_ns(const struct wn_share *s)
{
    return wn_ns_from_s(spoken(s)->reply_timeout_s);
}

static wn_ns silence_ns(const struct wn_share *s)
{
    return wn_modbus_silence_ns(s->dialect[0]->baud);
}

static wn_ns line_time_ns(const struct wn_share *s, size_t bytes)
{
    return (wn_ns)bytes * CHARACTER_BITS * WN_NS_PER_S / s->dialect[0]->baud;
}

static wn_ns sooner(wn_ns a, wn_ns b)
{
    return a < b ? a : b;
}

static wn_ns later(wn_ns a, wn_ns b)
{
    return a > b ? a : b;
}

static bool off_waits(const struct wn_share *s)
{
    bool found = false;
    for (int i = 0; i < WN_SHARE_ASKERS_MAX; i++) {
        for (int k = 0; k < s->asker[i].n; k++) {
            found = found || s->asker[i].queue[k].off;
        }
    }
    return found;
}

static void rest(struct wn_share *s)
{
    s->frames.state = WN_FRAMES_IDLE;
    s->out_len = s->out_pos = 0;
    s->deadline_ns = WN_NS_NEVER;
}

/* The probe that serves all channels of the unit. */
static struct wn_modbus_request probe_of(const struct wn_share *s, int channel)
{
    const struct wn_modbus_map *m = &s->dialect[s->instrument[channel]]->modbus;
    return wn_map_read(m, &m->probe);
}

static bool is_probe(const struct wn_share *s)
{
    const struct wn_modbus_request p = probe_of(s, s->channel), *q = &s->frames.ask;
    return q->function == p.function && q->address == p.address && q->count == p.count;
}

/* What is in s->out goes out as soon as the line has been silent. */
static void hold(struct wn_share *s, wn_ns now_ns)
{
    struct wn_share_frames *f = &s->frames;
    wn_ns limit_ns = now_ns + (s->packet.off ? OFF_HOLD_NS : timeout_ns(s));
    f->hold_ns = f->hold_ns == 0 ? limit_ns : sooner(f->hold_ns, limit_ns);
    f->free_ns = sooner(f->free_ns, f->hold_ns);
    f->in_len = 0;
    f->probe = is_probe(s);
    f->state = now_ns < f->free_ns ? WN_FRAMES_HOLD : WN_FRAMES_SEND;
    s->deadline_ns = f->state == WN_FRAMES_HOLD ? f->free_ns : now_ns + timeout_ns(s);
}

/* It stays in its queue until it is on the line. */
static void begin_frame(struct wn_share *s, int asker, wn_ns now_ns)
{
    struct wn_share_asker *a = &s->asker[asker];
    s->packet = a->queue[0];
    size_t at = s->packet.at, len = (unsigned char)s->packet.data[at];
    wn_assert(len > 0 && at + 1 + len <= s->packet.len);
    memcpy(s->out, s->packet.data + at + 1, len);
    s->out_len = len;
    s->out_pos = 0;
    s->current = a->gone ? -1 : asker;
    s->last = asker;
    s->frames.probing = false;
    int rc = wn_modbus_decode_request((const uint8_t *)s->out, len, s->frames.values,
                                      WN_SHARE_VALUES_MAX, &s->frames.ask, NULL);
    wn_assert(rc == WN_OK); /* it was looked at when it came; off is ours */
    hold(s, now_ns);
}

/* The frame under way is no longer one that waits, unless its asker has changed its mind. */
static void take_out(struct wn_share *s)
{
    struct wn_share_asker *a = &s->asker[s->last];
    struct wn_share_packet *p = &a->queue[0];
    if (s->frames.probing || a->n == 0 || p->len != s->packet.len || p->at != s->packet.at ||
        memcmp(p->data, s->packet.data, p->len) != 0) {
        return;
    }
    p->at += 1 + s->out_len;
    if (p->at >= p->len) {
        wn_share_take_away(a, 0);
    }
}

static void add_due(struct wn_share_unit *u, wn_ns now_ns)
{
    if (u->due < WN_SHARE_PROBES_MAX) { /* else an older one stands for it */
        u->probe_ns[u->due++] = now_ns;
    }
}

/* When the oldest probe that is due was asked; before everything: none is. */
static wn_ns take_due(struct wn_share_unit *u)
{
    wn_ns asked_ns = u->due > 0 ? u->probe_ns[0] : 0;
    u->due -= u->due > 0;
    memmove(&u->probe_ns[0], &u->probe_ns[1], (size_t)u->due * sizeof u->probe_ns[0]);
    return asked_ns;
}

static void begin_probe(struct wn_share *s, int asker, wn_ns now_ns)
{
    struct wn_share_unit *u = unit(s);
    struct wn_share_frames *f = &s->frames;
    if (u->fresh) { /* an older process may have asked it just before */
        u->other_ns = now_ns - 1;
        add_due(u, u->other_ns);
        u->fresh = false;
    }
    while (u->due > 0 && now_ns - u->probe_ns[0] > LATE_MAX * timeout_ns(s)) {
        (void)take_due(u);
    }
    s->packet = (struct wn_share_packet){.len = 0};
    s->current = -1;
    s->last = asker; /* the others have their turns in between */
    f->probing = true;
    f->ask = probe_of(s, s->channel);
    int rc = wn_modbus_encode(&f->ask, (uint8_t *)s->out, sizeof s->out, &s->out_len, NULL);
    wn_assert(rc == WN_OK);
    s->out_pos = 0;
    hold(s, now_ns);
}

void wn_frames_go_on(struct wn_share *s, wn_ns now_ns)
{
    int asker = wn_share_choose(s);
    if (s->frames.state != WN_FRAMES_IDLE) {
        return;
    }
    if (asker < 0) {
        s->frames.hold_ns = 0;
        return;
    }
    s->channel = s->asker[asker].channel;
    if (unit(s)->stale && !s->asker[asker].queue[0].off) {
        begin_probe(s, asker, now_ns);
    } else {
        begin_frame(s, asker, now_ns);
    }
}

static void deliver(struct wn_share *s, const uint8_t *bytes, size_t len)
{
    s->answer_to = len > 0 ? s->current : -1;
    s->answer_len = len;
    memcpy(s->answer, bytes, len);
}

/* What came instead of a reply, for the asker's own judgement. Where it would be a whole frame,
 * only not to what was asked, a byte behind it sees that it is taken for none. */
static void deliver_spoilt(struct wn_share *s)
{
    const struct wn_checksum *crc = wn_checksum_named("crc-16/modbus");
    deliver(s, s->frames.in, s->frames.in_len);
    if (wn_checksum(crc, s->answer, s->answer_len) == 0) {
        s->answer[s->answer_len++] = (char)0xff;
    }
}

/* What is under way is given up, and its reply may still come. heard: something else came instead.
 */
static void give_up(struct wn_share *s, bool heard, wn_ns now_ns)
{
    struct wn_share_unit *u = unit(s);
    bool out = s->out_pos > 0;
    if (heard) {
        deliver_spoilt(s);
    } else if (s->current >= 0) {
        s->asker[s->current].unanswered = true;
    }
    u->stale = u->stale || out;
    u->misses += out && !s->frames.cut;
    rest(s);
    if (u->misses > spoken(s)->retries) {
        wn_share_leave_alone(s, s->instrument[s->channel], now_ns);
        u->misses--; /* one more when it has rested */
    }
}

void wn_frames_urge(struct wn_share *s, int asker, wn_ns now_ns)
{
    struct wn_share_frames *f = &s->frames;
    bool own = s->current == asker && !s->packet.off;
    wn_ns quiet_ns = later(f->heard_ns, f->line_ns) + silence_ns(s);
    if (own) {
        s->current = -1; /* it would switch on behind off, or be taken for the answer to it */
    }
    switch (f->state) {
    case WN_FRAMES_HOLD:
    case WN_FRAMES_SEND:
        if (s->out_pos > 0) { /* the silence behind it tells the unit to forget it */
            unit(s)->stale = true;
            quiet_ns = later(quiet_ns, now_ns + silence_ns(s));
        }
        rest(s); /* it waits again, where it still does */
        f->free_ns = later(sooner(f->free_ns, quiet_ns), f->line_ns + silence_ns(s));
        break;
    case WN_FRAMES_AWAIT:
        f->cut = f->cut || s->deadline_ns > now_ns + OFF_HOLD_NS;
        s->deadline_ns = sooner(s->deadline_ns, now_ns + OFF_HOLD_NS);
        break;
    case WN_FRAMES_SPOILT:
        f->noise_ns = sooner(f->noise_ns, now_ns + OFF_HOLD_NS);
        s->deadline_ns = sooner(s->deadline_ns, quiet_ns);
        break;
    case WN_FRAMES_IDLE:
        f->free_ns = sooner(f->free_ns, quiet_ns);
        break;
    case WN_FRAMES_END:
        break;
    }
}

const char *wn_frames_output(const struct wn_share *s, size_t *len)
{
    *len = s->frames.state == WN_FRAMES_SEND ? s->out_len - s->out_pos : 0;
    return s->out + s->out_pos;
}

void wn_frames_wrote(struct wn_share *s, size_t n, wn_ns now_ns)
{
    struct wn_share_frames *f = &s->frames;
    struct wn_share_unit *u = unit(s);
    if (!f->probe) { /* answers to older probes prove nothing any more */
        u->other_ns = now_ns;
    }
    s->out_pos += n;
    f->line_ns = later(f->line_ns, now_ns) + line_time_ns(s, n);
    if (s->out_pos < s->out_len) {
        return;
    }
    take_out(s);
    if (f->probe) {
        add_due(u, now_ns);
    }
    bool hasty = s->packet.off && (off_waits(s) || wn_share_rests(s, s->channel));
    wn_ns wait_ns = hasty ? sooner(OFF_HOLD_NS, timeout_ns(s)) : timeout_ns(s);
    f->hold_ns = 0;
    f->cut = false;
    f->state = WN_FRAMES_AWAIT;
    s->deadline_ns = f->line_ns + wait_ns + line_time_ns(s, 8 + 2 * (size_t)f->ask.count);
    s->packets += !f->probing;
}

/* The reply, behind the echo where there is one. */
static const uint8_t *reply_at(const struct wn_share *s, size_t *len)
{
    size_t echo = s->dialect[0]->echo ? s->out_len : 0;
    *len = s->frames.in_len > echo ? s->frames.in_len - echo : 0;
    return s->frames.in + echo;
}

/* Noise without end is waited for no longer than a reply. */
static void spoil(struct wn_share *s, wn_ns now_ns)
{
    struct wn_share_frames *f = &s->frames;
    bool off = off_waits(s);
    if (f->state != WN_FRAMES_SPOILT) {
        f->noise_ns = now_ns + (off ? OFF_HOLD_NS : timeout_ns(s));
    }
    wn_ns quiet_ns = now_ns + (off ? silence_ns(s) : later(QUIET_NS, silence_ns(s)));
    f->state = WN_FRAMES_SPOILT;
    s->deadline_ns = sooner(quiet_ns, f->noise_ns);
}

/* Is what came, as far as it goes, what was sent? */
static bool is_echo(const struct wn_share *s)
{
    size_t n = s->frames.in_len < s->out_len ? s->frames.in_len : s->out_len;
    return memcmp(s->frames.in, s->out, n) == 0;
}

static void look(struct wn_share *s, wn_ns now_ns)
{
    struct wn_share_frames *f = &s->frames;
    struct wn_modbus_reply reply;
    size_t len, total = 0;
    const uint8_t *frame = reply_at(s, &len);
    bool echoed = !s->dialect[0]->echo || is_echo(s);
    if (!echoed || wn_modbus_expect(&f->ask, frame, len, &total, NULL) != WN_OK) {
        spoil(s, now_ns);
    } else if (total > 0 && len >= total) {
        int rc = wn_modbus_decode(&f->ask, frame, len, &reply, NULL);
        bool whole = rc == WN_OK || rc == WN_EINSTRUMENT;
        if (!whole) {
            spoil(s, now_ns);
            return;
        }
        f->state = WN_FRAMES_END;
        s->deadline_ns = now_ns + silence_ns(s);
    }
}

/* The probe is refused: whoever waits to ask the same shall know that it is this, and not silence.
 */
static void pass_refusal(struct wn_share *s, const uint8_t *frame, size_t len)
{
    struct wn_share_asker *a = &s->asker[s->last];
    if (a->n > 0 && !a->gone && a->queue[0].len == 1 + s->out_len &&
        memcmp(a->queue[0].data + 1, s->out, s->out_len) == 0) {
        wn_share_take_away(a, 0);
        s->current = s->last;
        deliver(s, frame, len);
        s->current = -1;
    }
}

/* The line has been silent behind a good frame. */
static void take_frame(struct wn_share *s, wn_ns now_ns)
{
    struct wn_share_frames *f = &s->frames;
    struct wn_share_unit *u = unit(s);
    size_t len;
    const uint8_t *frame = reply_at(s, &len);
    bool refused = (frame[1] & 0x80u) != 0;
    f->free_ns = f->heard_ns + silence_ns(s);
    if (refused && f->probing) { /* nothing is proven: it may be for something older */
        s->garbled++;
        pass_refusal(s, frame, len);
        give_up(s, false, now_ns);
        return;
    }
    if (f->probe && !refused) { /* they do not overtake each other: of the oldest, or a newer one */
        u->stale = take_due(u) <= u->other_ns && u->stale;
    }
    u->misses = 0;
    deliver(s, frame, len);
    rest(s);
}

/* Bytes nobody asked for: of whom, nobody knows. */
static void unasked(struct wn_share *s, wn_ns now_ns)
{
    struct wn_share_frames *f = &s->frames;
    bool off = f->state != WN_FRAMES_IDLE && s->packet.off;
    wn_ns gap_ns = off ? silence_ns(s) : later(QUIET_NS, silence_ns(s));
    for (int i = 0; i < s->channels; i++) {
        f->unit[i].stale = true;
    }
    if (f->state == WN_FRAMES_SEND && s->out_pos > 0) {
        return; /* the frame must be ended first */
    }
    f->free_ns = now_ns + gap_ns;
    f->free_ns = f->hold_ns > 0 ? sooner(f->free_ns, f->hold_ns) : f->free_ns;
    if (f->state != WN_FRAMES_IDLE && !f->probing && !off) {
        rest(s); /* better ask who is there first */
    } else if (f->state != WN_FRAMES_IDLE) {
        hold(s, now_ns);
    }
}

void wn_frames_input(struct wn_share *s, const char *data, size_t len, wn_ns now_ns)
{
    struct wn_share_frames *f = &s->frames;
    wn_frames_tick(s, now_ns); /* what comes at the deadline is late */
    if (len == 0) {
        return;
    }
    f->heard_ns = now_ns;
    bool echoes = s->dialect[0]->echo && f->state == WN_FRAMES_SEND && s->out_pos > 0;
    bool waited = f->state == WN_FRAMES_AWAIT || f->state == WN_FRAMES_END;
    if (!waited && !echoes && f->state != WN_FRAMES_SPOILT) {
        unasked(s, now_ns);
        wn_frames_go_on(s, now_ns);
        return;
    }
    size_t room = sizeof f->in - f->in_len, n = len < room ? len : room;
    memcpy(f->in + f->in_len, data, n);
    f->in_len += n;
    if (f->state == WN_FRAMES_SPOILT) {
        spoil(s, now_ns);
    } else if (!echoes) {
        f->state = WN_FRAMES_AWAIT;
        look(s, now_ns);
    }
}

/* The port takes no bytes; or a reply does not come, or not in time for an off that waits. */
static void run_out(struct wn_share *s, wn_ns now_ns)
{
    struct wn_share_frames *f = &s->frames;
    bool writing = f->state == WN_FRAMES_SEND, part = f->in_len > 0;
    s->timeouts += !f->cut;
    if (writing && s->packet.off) { /* it must go out all the same, and waits on */
        unit(s)->stale = true;
        rest(s);
    } else {
        if (writing) { /* else it was taken out, and the same may wait again */
            take_out(s);
        }
        give_up(s, false, now_ns);
    }
    f->hold_ns = 0;
    f->free_ns = later(now_ns, f->line_ns) + (writing || part ? silence_ns(s) : 0);
}

void wn_frames_tick(struct wn_share *s, wn_ns now_ns)
{
    struct wn_share_frames *f = &s->frames;
    wn_share_rested(s, now_ns);
    if (f->state != WN_FRAMES_IDLE && now_ns >= s->deadline_ns) {
        switch (f->state) {
        case WN_FRAMES_HOLD:
            f->state = WN_FRAMES_SEND;
            s->deadline_ns = now_ns + timeout_ns(s);
            break;
        case WN_FRAMES_END:
            take_frame(s, now_ns);
            break;
        case WN_FRAMES_SPOILT:
            s->garbled++;
            f->free_ns = now_ns;
            give_up(s, true, now_ns);
            break;
        case WN_FRAMES_SEND:
        case WN_FRAMES_AWAIT:
            run_out(s, now_ns);
            break;
        case WN_FRAMES_IDLE:
            break;
        }
    }
    wn_frames_go_on(s, now_ns);
}
