/* A scripted conversation with a session: what is sent and answered, at which millisecond.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_TALK_H
#define WN_TESTS_TALK_H

#include <stdarg.h>
#include <stddef.h>
#include <setjmp.h>
#include <stdint.h>
#include <cmocka.h>

#include "instrument/session.h"

struct talk {
    struct wn_dialect dialect;
    struct wn_session session;
    wn_ns now_ns;
};

/** A dialect with all there is: 500 ms for a reply, 2 retries, error query "ERR?", identity
 * "maker,model,17". */
void talk_dialect(struct wn_dialect *d);
/** The dialect and a session that knows its instrument: identified, error queue known to be empty.
 */
void talk_begin(struct talk *t);
/** All set-points NaN. */
struct wn_setpoints talk_no_values(void);
/** 4 A, 4.2 V, 10 W, 1 s and protections. */
struct wn_setpoints talk_values(void);
void talk_request(struct talk *t, enum wn_request request);

/** Takes what the session wants to write and compares the whole of it; '|' stands for LF. */
#define talk_sends(t, want) talk_sends_at((t), (want), __FILE__, __LINE__)
/** Feeds a reply ('|' is LF) and compares the result. */
#define talk_hears(t, reply, want) talk_hears_at((t), (reply), (want), __FILE__, __LINE__)
/** Lets ms milliseconds go by, ticking at the end, and compares the result. */
#define talk_waits(t, ms, want) talk_waits_at((t), (ms), (want), __FILE__, __LINE__)
/** The session has failed with the code, and its text holds the words. */
#define talk_failed(t, code, words) talk_failed_at((t), (code), (words), __FILE__, __LINE__)

void talk_sends_at(struct talk *t, const char *want, const char *file, int line);
void talk_hears_at(struct talk *t, const char *reply, enum wn_session_result want, const char *file,
                   int line);
void talk_waits_at(struct talk *t, double ms, enum wn_session_result want, const char *file,
                   int line);
void talk_failed_at(struct talk *t, int code, const char *words, const char *file, int line);

/** Number from the environment variable SEED, else the given one; prints SEED=. */
uint64_t talk_seed(uint64_t otherwise);

#endif
