/* Session: the conversation with a tester that runs its own program and prints records.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * It is hardly one. Records are taken as they come, whether somebody waits for one or not:
 *   IDENTIFY  two good records, and the identity line where the dialect has one
 *   SETUP     nothing to be set: done at once
 *   READ      the next record; one that came meanwhile is there at once. No good one for `silence`:
 *             WN_ETIMEOUT, or WN_EFRAME when garbled ones came
 *   OFF       the stop command; done when it is written: nothing answers, the current of the
 *             records behind it tells. WN_EINVAL at once where the dialect has none
 *   others    WN_EINVAL at once */
#include "instrument/session.h"

#include <stdio.h>
#include <string.h>

#include "instrument/exchange.h"

enum { GOOD_TO_IDENTIFY = 2 };

static void told(struct wn_session *s, enum wn_err code, const char *text)
{
    struct wn_error err;
    (void)wn_error_set(&err, code, "%s on %s: %s", s->role, s->port, text);
    wn_session_fail(s, &err);
}

static void take_next(struct wn_session *s)
{
    s->reading = s->heard[0];
    s->heards--;
    memmove(&s->heard[0], &s->heard[1], sizeof s->heard[0] * (size_t)s->heards);
    wn_session_finish(s, WN_SESSION_DONE);
}

static wn_ns patience_ns(const struct wn_session *s)
{
    const struct wn_records_form *f = &s->dialect->records;
    bool named = s->request == WN_REQUEST_IDENTIFY && s->dialect->identity_prefix[0] != '\0';
    return wn_ns_from_s(named && f->identity_within_s > f->silence_s ? f->identity_within_s
                                                                     : f->silence_s);
}

void wn_listened_begin(struct wn_session *s, wn_ns now_ns)
{
    const struct wn_dialect *d = s->dialect;
    s->garbled_before = s->records.garbled;
    s->deadline_ns = now_ns + patience_ns(s);
    switch (s->request) {
    case WN_REQUEST_IDENTIFY: /* the port may have been opened anew, in the middle of a record */
        s->records.begun = false;
        s->records.frame_len = 0;
        s->heards = 0;
        s->good_before = s->records.good;
        s->named = d->identity_prefix[0] == '\0';
        return;
    case WN_REQUEST_SETUP:
        wn_session_finish(s, WN_SESSION_DONE);
        return;
    case WN_REQUEST_READ:
        if (s->heards > 0) {
            take_next(s);
        }
        return;
    case WN_REQUEST_OFF:
        if (d->safe_off_len == 0) {
            told(s, WN_EINVAL, "it has no stop command: only an interlock, or a person, stops it");
            return;
        }
        memcpy(s->out, d->safe_off, d->safe_off_len);
        s->out_len = d->safe_off_len;
        s->out_pos = 0;
        s->deadline_ns = now_ns + wn_ns_from_s(d->reply_timeout_s);
        return;
    case WN_REQUEST_NONE:
    case WN_REQUEST_CHARGE:
    case WN_REQUEST_DISCHARGE:
    case WN_REQUEST_POWER:
    case WN_REQUEST_ON:
        break;
    }
    told(s, WN_EINVAL, "it runs its own program and is never told what to do");
}

void wn_listened_wrote(struct wn_session *s)
{
    if (s->request == WN_REQUEST_OFF && s->out_pos == s->out_len) {
        s->exchanges++;
        wn_session_finish(s, WN_SESSION_DONE);
    }
}

/* Nobody has asked for it yet. When nobody does for long, the oldest go. */
static void keep(struct wn_session *s, struct wn_reading *r, wn_ns now_ns)
{
    if (s->heards == WN_SESSION_HEARD_MAX) {
        memmove(&s->heard[0], &s->heard[1], sizeof s->heard[0] * (WN_SESSION_HEARD_MAX - 1));
        s->heards--;
        s->unheard++;
    }
    r->host_ns = now_ns;
    if ((r->has & WN_HAS_TIME) == 0) {
        r->time_ns = now_ns;
    }
    s->heard[s->heards++] = *r;
    s->exchanges++;
    wn_session_note(s, false);
}

static void take_name(struct wn_session *s)
{
    size_t n =
        s->records.line_len < sizeof s->identity ? s->records.line_len : sizeof s->identity - 1;
    memcpy(s->identity, s->records.line, n);
    s->identity[n] = '\0';
    s->named = true;
}

static void note_garbled(struct wn_session *s, uint64_t before)
{
    uint64_t n = s->records.garbled - before;
    s->bad_replies += n;
    for (uint64_t i = 0; i < n && i < WN_SESSION_RECENT; i++) {
        wn_session_note(s, true);
    }
    if (n > 0) {
        (void)wn_error_set(&s->complaint, WN_EFRAME,
                           "%s on %s: %s; %d of the last %d records were bad", s->role, s->port,
                           s->records.why.text, s->recent_bad, s->recent_n);
    }
}

void wn_listened_input(struct wn_session *s, const char *data, size_t len, wn_ns now_ns)
{
    struct wn_reading r;
    size_t used = 0;
    uint64_t before = s->records.garbled;
    enum wn_heard heard;
    while ((heard = wn_records_take(&s->records, data, len, &used, &r)) != WN_HEARD_NOTHING) {
        if (heard == WN_HEARD_IDENTITY) {
            take_name(s);
        } else {
            keep(s, &r, now_ns);
        }
    }
    note_garbled(s, before);
    if (s->result != WN_SESSION_PENDING) {
        return;
    }
    if (s->request == WN_REQUEST_READ && s->heards > 0) {
        take_next(s);
    } else if (s->request == WN_REQUEST_IDENTIFY && s->named &&
               s->records.good >= s->good_before + GOOD_TO_IDENTIFY) {
        wn_session_finish(s, WN_SESSION_DONE);
    }
}

/* The deadline has come. */
void wn_listened_tick(struct wn_session *s)
{
    const struct wn_records *r = &s->records;
    char text[sizeof s->error.text];
    double waited_s = wn_ns_to_s(patience_ns(s));
    s->timeouts++;
    wn_session_note(s, true);
    if (s->request == WN_REQUEST_OFF) {
        told(s, WN_ETIMEOUT, "the port does not take the stop command");
        return;
    }
    if (s->request == WN_REQUEST_IDENTIFY && r->good > s->good_before && !s->named) {
        (void)snprintf(text, sizeof text,
                       "records come, but no line that begins with '%s' within %g s: another "
                       "instrument or another port; `wane ports` shows the ports",
                       s->dialect->identity_prefix, waited_s);
        told(s, WN_EIDENTITY, text);
        return;
    }
    char why[160];
    bool garbled = r->garbled > s->garbled_before || r->lost > 0;
    if (garbled) {
        (void)snprintf(text, sizeof text,
                       "no good record for %g s, only garbled ones (%s): check baud rate and "
                       "cable, and compare a record with the dialect",
                       waited_s, wn_reply_text(r->why.text, strlen(r->why.text), why, sizeof why));
    } else {
        (void)snprintf(text, sizeof text,
                       "no record for %g s: is the tester on, has its program ended, are its "
                       "records further apart than silence in %s?",
                       waited_s, s->dialect->file);
    }
    told(s, garbled ? WN_EFRAME : WN_ETIMEOUT, text);
}
