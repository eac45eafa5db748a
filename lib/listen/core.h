/* Listening, private: what the stages tell each other.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_LISTEN_CORE_H
#define WN_LISTEN_CORE_H

#include <math.h>
#include "listen/listen.h"

/* A resistance is told when rest and load are read at most so far apart. */
#define ONSET_MAX_S 60.0

static const struct wn_measured not_measured = {NAN, NAN};

static inline int kind_of(const struct wn_listen_setup *s, const struct wn_reading *r)
{
    return fabs(r->current_a) < s->rest_below_a ? 0 : r->current_a > 0 ? 1 : -1;
}

/* inbox.c */
struct wn_listen_event *tell(struct wn_listen_found *found, enum wn_listen_kind kind,
                             wn_ns time_ns);

/* steps.c: a reading that is believed; next is the one behind it, NULL when there is none yet */
void steps_take(struct wn_listen *l, const struct wn_listen_row *row, int kind,
                const struct wn_listen_row *next, struct wn_listen_found *found);
void steps_end(struct wn_listen *l, struct wn_listen_found *found);
bool steps_is_pulse(const struct wn_listen *l, double load_s, bool crossed);

/* rounds.c */
void run_step_begins(struct wn_listen *l, const struct wn_reading *first, bool joined);
void run_integrate(struct wn_listen *l, const struct wn_reading *r, bool closing);
void run_close(struct wn_listen *l);
void round_begin(struct wn_listen *l, int64_t cycle, wn_ns start_ns);
void round_end(struct wn_listen *l, wn_ns end_ns, struct wn_listen_found *found);
void round_step_over(struct wn_listen *l, const struct wn_step_sums *s, bool tapered, bool pulse);
void round_rest_over(struct wn_listen *l, double rest_s, int next_kind);
bool round_had_discharge(const struct wn_listen *l);

#endif
