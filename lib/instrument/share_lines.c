/* Share, lines: what is sent when, and whose reply a line is.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/share_core.h"

#include <string.h>

#include "base/assert.h"
#include "instrument/packet.h"

enum {
    ID_DUE_MAX = 7, /* identities asked in a row at most, less one */
    IDS_SIZE = (ID_DUE_MAX + 2) * WN_COMMAND_MAX
};

/* In the place of a reply that was no text: the asker shall see the same. */
static const char no_text = '\x15';

void wn_lines_init(struct wn_share *s)
{
    wn_line_init(&s->lines, strcmp(s->dialect[0]->terminator, "\r") == 0 ? '\r' : '\n');
    s->stale = s->lead = true; /* who knows what it was told before */
}

static const struct wn_dialect *spoken(const struct wn_share *s)
{
    return s->dialect[s->channel];
}

static wn_ns timeout_ns(const struct wn_share *s)
{
    return wn_ns_from_s(spoken(s)->reply_timeout_s);
}

static wn_ns delay_ns(const struct wn_share *s)
{
    return wn_ns_from_s(spoken(s)->character_delay_s);
}

static void put(struct wn_share *s, const char *data, size_t len)
{
    wn_assert(s->out_len + len <= sizeof s->out);
    memcpy(s->out + s->out_len, data, len);
    s->out_len += len;
}

static void put_end(struct wn_share *s)
{
    put(s, s->dialect[0]->terminator, strlen(s->dialect[0]->terminator));
}

/* The commands of an off, without its questions, behind what is on its way: nobody waits for
 * anything from them. What does not fit goes out in its turn. */
static void tell_off(struct wn_share *s, struct wn_share_packet *p, const struct wn_dialect *d)
{
    size_t at = 0, len = 0;
    if (!p->off || p->told || s->out_len + p->len + IDS_SIZE > sizeof s->out) {
        return;
    }
    put_end(s); /* half a command in front must not spoil it */
    for (const char *line; (line = wn_packet_line(d, p->data, p->len, &at, &len)) != NULL;) {
        if (!wn_packet_is_query(d, line, len)) {
            put(s, line, len);
            put_end(s);
        }
    }
    p->told = true;
}

void wn_lines_tell_offs(struct wn_share *s)
{
    for (int i = 0; i < WN_SHARE_ASKERS_MAX; i++) {
        struct wn_share_asker *a = &s->asker[i];
        for (int k = 0; k < a->n; k++) {
            tell_off(s, &a->queue[k], s->dialect[a->channel]);
        }
    }
}

/* What was on its way to the port is given up. */
static void stop_writing(struct wn_share *s)
{
    for (int i = 0; s->out_pos < s->out_len && i < WN_SHARE_ASKERS_MAX; i++) {
        for (int k = 0; k < s->asker[i].n; k++) {
            s->asker[i].queue[k].told = false; /* perhaps not: again */
        }
    }
    s->lead = s->lead || (s->out_pos > 0 && s->out_pos < s->out_len);
    s->out_len = s->out_pos = 0;
}

static void start(struct wn_share *s, enum wn_share_state state, int channel, wn_ns now_ns)
{
    s->state = state;
    s->channel = channel;
    s->answered = s->echoed = 0;
    s->part_len = s->out_len = s->out_pos = 0;
    s->sent = false;
    s->deadline_ns = now_ns + timeout_ns(s);
    if (s->lead) {
        put_end(s);
    }
}

static void begin_packet(struct wn_share *s, int asker, wn_ns now_ns)
{
    struct wn_share_asker *a = &s->asker[asker];
    s->packet = a->queue[0];
    s->current = a->gone ? -1 : asker;
    wn_share_take_away(a, 0);
    start(s, WN_SHARE_ASKING, a->channel, now_ns);
    put(s, s->packet.data, s->packet.len);
    wn_lines_tell_offs(s);
    s->deadline_ns += (wn_ns)s->out_len * delay_ns(s);
    s->packets++;
}

/* Asks for the identity once more often than it is unanswered; every off that waits is told first.
 */
static void begin_resync(struct wn_share *s, int channel, wn_ns now_ns)
{
    int *due = &s->ids_due[s->instrument[channel]];
    start(s, WN_SHARE_RESYNC, channel, now_ns);
    wn_lines_tell_offs(s);
    s->ids_needed = *due + 1;
    for (int i = 0; i < s->ids_needed; i++) {
        put(s, spoken(s)->identity_query, strlen(spoken(s)->identity_query));
        put_end(s);
    }
    *due += s->ids_needed;
    s->deadline_ns += (wn_ns)s->out_len * delay_ns(s);
}

/* Nothing but the commands of all offs that wait. */
static void begin_offs(struct wn_share *s, int channel, wn_ns now_ns)
{
    s->packet = (struct wn_share_packet){.lines = 0};
    s->current = -1;
    start(s, WN_SHARE_ASKING, channel, now_ns);
    wn_lines_tell_offs(s);
}

/* The beginning of something nobody asked for. */
static void drop_half_line(struct wn_share *s)
{
    const char *line = s->lines.buf;
    size_t len = s->lines.len;
    wn_reply_skip_prompts(s->dialect[0], &line, &len);
    if (len > 0 || s->lines.spoiled) {
        wn_line_reset(&s->lines);
        s->stale = true;
    }
}

void wn_lines_go_on(struct wn_share *s, wn_ns now_ns)
{
    int asker = wn_share_choose(s);
    if (s->state != WN_SHARE_IDLE || asker < 0) {
        return;
    }
    int channel = s->asker[asker].channel;
    drop_half_line(s);
    if (wn_share_rests(s, channel)) {
        begin_offs(s, channel, now_ns);
    } else if (s->stale && s->asker[asker].queue[0].queries > 0) {
        begin_resync(s, channel, now_ns);
    } else {
        s->last = asker;
        begin_packet(s, asker, now_ns);
    }
}

static void end(struct wn_share *s)
{
    stop_writing(s);
    s->state = WN_SHARE_IDLE;
    s->deadline_ns = WN_NS_NEVER;
}

/* All is written, and all that was to come has come? */
static void look_whether_done(struct wn_share *s, wn_ns now_ns)
{
    bool echoes = !s->dialect[0]->echo || s->echoed >= s->packet.lines;
    if (s->state == WN_SHARE_ASKING && s->out_pos == s->out_len && echoes &&
        s->answered >= s->packet.queries) {
        memcpy(s->answer, s->part, s->part_len);
        s->answer_len = s->part_len;
        s->answer_to = s->answer_len > 0 ? s->current : -1;
        end(s);
    }
    wn_lines_go_on(s, now_ns);
}

/* The answer under way is given up: nothing of it, and nothing that comes of it later, is used. */
static void doubt(struct wn_share *s)
{
    int *due = &s->ids_due[s->instrument[s->channel]];
    for (int k = s->answered; s->state == WN_SHARE_ASKING && k < s->packet.queries && k < 64; k++) {
        *due += (int)(s->packet.identities >> k & 1);
    }
    s->stale = s->lead = true;
    end(s);
}

/* A disturbed one is none. */
static bool is_identity(const struct wn_share *s, const char *line, size_t len)
{
    size_t n = strlen(spoken(s)->identity_prefix);
    return wn_reply_strip(spoken(s), &line, &len, NULL) == WN_OK && n > 0 && len >= n &&
           memcmp(line, spoken(s)->identity_prefix, n) == 0;
}

/* Is the line one of those under way, given back by an instrument that echoes? */
static bool is_echo(struct wn_share *s, const char *line, size_t len)
{
    size_t at = 0, n = 0;
    const struct wn_dialect *d = s->dialect[0];
    for (const char *sent;
         d->echo && (sent = wn_packet_line(d, s->out, s->out_pos, &at, &n)) != NULL;) {
        if (n == len && memcmp(sent, line, len) == 0) {
            return true;
        }
    }
    return false;
}

static void take_resync(struct wn_share *s, bool identity, wn_ns now_ns)
{
    int *due = &s->ids_due[s->instrument[s->channel]];
    if (!identity) {
        return; /* what we want to be rid of */
    }
    s->deadline_ns = now_ns + timeout_ns(s);
    *due -= *due > 0;
    s->ids_needed -= s->ids_needed > 0;
    if (s->sent && s->ids_needed == 0) {
        s->stale = false;
        end(s);
    }
}

static void take_reply(struct wn_share *s, const char *line, size_t len, wn_ns now_ns)
{
    if (s->part_len + len + 1 > sizeof s->part) {
        doubt(s);
        return;
    }
    memcpy(s->part + s->part_len, line, len);
    s->part[s->part_len + len] = s->lines.end;
    s->part_len += len + 1;
    s->answered++;
    s->deadline_ns = now_ns + timeout_ns(s);
}

/* A line before anything of the packet was written: not yet, then, but after a resynchronisation.
 */
static void put_back(struct wn_share *s)
{
    struct wn_share_asker *a = s->current >= 0 ? &s->asker[s->current] : NULL;
    s->stale = true;
    if (a != NULL && a->n < WN_SHARE_QUEUE) {
        memmove(&a->queue[1], &a->queue[0], (size_t)a->n * sizeof a->queue[0]);
        a->queue[0] = s->packet;
        a->n++;
    }
    end(s);
}

/* A line that nobody waits for: what rests has not rested enough. */
static void rest_on(struct wn_share *s, wn_ns now_ns)
{
    for (int i = 0; i < s->channels && s->state == WN_SHARE_IDLE; i++) {
        s->rest_ns[i] = s->rest_ns[i] != 0 ? now_ns + WN_SHARE_REST_MAX * timeout_ns(s) : 0;
    }
}

static void take_line(struct wn_share *s, const char *line, size_t len, wn_ns now_ns)
{
    int *due = &s->ids_due[s->instrument[s->channel]];
    wn_reply_skip_prompts(s->dialect[0], &line, &len);
    if (len == 0) {
        return; /* no answer is empty */
    }
    if (is_echo(s, line, len)) {
        s->echoed++;
        return;
    }
    bool identity = is_identity(s, line, len);
    bool waited = s->state == WN_SHARE_ASKING && s->answered < s->packet.queries;
    bool wanted = waited && (s->packet.identities >> s->answered & 1) != 0;
    if (s->state == WN_SHARE_RESYNC) {
        take_resync(s, identity, now_ns);
    } else if (waited && s->out_pos == 0) {
        put_back(s);
    } else if (waited && (wanted || !identity)) {
        take_reply(s, line, len, now_ns);
    } else {
        *due -= identity && *due > 0;
        s->stale = s->stale || !identity;
        rest_on(s, now_ns);
    }
}

/* A line that is no text, or endless. */
static void take_garbage(struct wn_share *s)
{
    s->garbled++;
    if (s->state == WN_SHARE_ASKING && s->answered < s->packet.queries) {
        int to = s->current;
        doubt(s);
        s->answer[0] = no_text;
        s->answer[1] = s->lines.end;
        s->answer_len = 2;
        s->answer_to = to;
    } else if (s->state != WN_SHARE_RESYNC) {
        s->stale = true;
    }
}

void wn_lines_input(struct wn_share *s, const char *data, size_t len, wn_ns now_ns)
{
    const char *line = NULL;
    size_t used = 0, line_len = 0;
    bool more = true;
    wn_lines_tick(s, now_ns); /* what comes at the deadline is late */
    while (more) {
        uint64_t discarded = s->lines.discarded;
        more = wn_line_take(&s->lines, data, len, &used, &line, &line_len);
        if (s->lines.discarded != discarded) {
            take_garbage(s);
        }
        if (more) {
            take_line(s, line, line_len, now_ns);
        }
    }
    look_whether_done(s, now_ns);
}

void wn_lines_tick(struct wn_share *s, wn_ns now_ns)
{
    s->waits = s->waits && now_ns < s->next_ns;
    wn_share_rested(s, now_ns);
    if (s->state != WN_SHARE_IDLE && now_ns >= s->deadline_ns) {
        int instrument = s->instrument[s->channel];
        bool resync = s->state == WN_SHARE_RESYNC;
        s->timeouts++;
        doubt(s);
        if (resync || s->ids_due[instrument] > ID_DUE_MAX) {
            wn_share_leave_alone(s, instrument, now_ns);
        }
    }
    wn_lines_go_on(s, now_ns);
}

const char *wn_lines_output(const struct wn_share *s, size_t *len)
{
    *len = s->out_len - s->out_pos;
    if (delay_ns(s) > 0 && *len > 0) {
        *len = s->waits ? 0 : 1;
    }
    return s->out + s->out_pos;
}

void wn_lines_wrote(struct wn_share *s, size_t n, wn_ns now_ns)
{
    s->out_pos += n;
    s->waits = delay_ns(s) > 0;
    s->next_ns = now_ns + delay_ns(s);
    if (s->out_pos == s->out_len && !s->sent) { /* an off behind it gives no more time */
        s->sent = true;
        s->lead = false;
        s->deadline_ns = now_ns + timeout_ns(s);
    }
    look_whether_done(s, now_ns);
}

wn_ns wn_lines_deadline(const struct wn_share *s)
{
    bool held = s->waits && s->out_pos < s->out_len;
    return held && s->next_ns < s->deadline_ns ? s->next_ns : s->deadline_ns;
}
