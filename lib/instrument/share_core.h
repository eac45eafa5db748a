/* Instrument internals: what lines and frames at a shared port have in common, and the parts of
 * both. SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_INSTRUMENT_SHARE_CORE_H
#define WN_INSTRUMENT_SHARE_CORE_H

#include "instrument/share.h"

/** Takes packet k away; an asker that has gone and has nothing left is forgotten. */
void wn_share_take_away(struct wn_share_asker *a, int k);
/** The asker whose turn it is: behind the last one served, urgent ones before all others; -1: none.
 * An instrument that rests is told off once. */
int wn_share_choose(const struct wn_share *s);
/** It does not answer: what waits for it is dropped, and nothing but off is told it until it has
 * been quiet for so long that what has not come is lost. */
void wn_share_leave_alone(struct wn_share *s, int instrument, wn_ns now_ns);
bool wn_share_rests(const struct wn_share *s, int channel);

/** Those that have rested long enough do so no more. */
void wn_share_rested(struct wn_share *s, wn_ns now_ns);

enum { WN_SHARE_REST_MAX = 4 }; /* time-outs without a reply after which none comes any more */

/* The functions of share.h for lines (share_lines.c). */
void wn_lines_init(struct wn_share *s);
void wn_lines_go_on(struct wn_share *s, wn_ns now_ns);
/** The commands of all offs that wait, behind what is on its way. */
void wn_lines_tell_offs(struct wn_share *s);
const char *wn_lines_output(const struct wn_share *s, size_t *len);
void wn_lines_wrote(struct wn_share *s, size_t n, wn_ns now_ns);
void wn_lines_input(struct wn_share *s, const char *data, size_t len, wn_ns now_ns);
void wn_lines_tick(struct wn_share *s, wn_ns now_ns);
wn_ns wn_lines_deadline(const struct wn_share *s);

/* The functions of share.h for MODBUS (share_frames.c). */
void wn_frames_init(struct wn_share *s);
void wn_frames_go_on(struct wn_share *s, wn_ns now_ns);
const char *wn_frames_output(const struct wn_share *s, size_t *len);
/** An off of this asker waits. */
void wn_frames_urge(struct wn_share *s, int asker, wn_ns now_ns);
void wn_frames_wrote(struct wn_share *s, size_t n, wn_ns now_ns);
void wn_frames_input(struct wn_share *s, const char *data, size_t len, wn_ns now_ns);
void wn_frames_tick(struct wn_share *s, wn_ns now_ns);

#endif
