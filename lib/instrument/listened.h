/* Listened: the conversation with a tester that runs its own program. Private to the session.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * It is hardly one. Records are taken as they come, whether somebody waits for one or not:
 *   IDENTIFY  two good records, and the identity line where the dialect has one
 *   SETUP     nothing to be set: done at once
 *   READ      the next record; one that came meanwhile is there at once. No good one for `silence`:
 *             WN_ETIMEOUT, or WN_EFRAME when garbled ones came
 *   OFF       the stop command; done when it is written: nothing answers, the current of the
 * records behind it tells. WN_EINVAL at once where the dialect has none others    WN_EINVAL at once
 */
#ifndef WN_INSTRUMENT_LISTENED_H
#define WN_INSTRUMENT_LISTENED_H

#include "instrument/session.h"

void wn_listened_begin(struct wn_session *s, wn_ns now_ns);
void wn_listened_wrote(struct wn_session *s);
void wn_listened_input(struct wn_session *s, const char *data, size_t len, wn_ns now_ns);
void wn_listened_tick(struct wn_session *s);

/* session.c */
void wn_session_finish(struct wn_session *s, enum wn_session_result result);
void wn_session_fail(struct wn_session *s, const struct wn_error *err);
/** Remembers whether a reply or a record was bad. */
void wn_session_note(struct wn_session *s, bool bad);

#endif
