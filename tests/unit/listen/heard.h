/* What a listener found out, kept for the tests; waves to listen to; and what a bad line does to
 * them. SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_HEARD_H
#define WN_TESTS_HEARD_H

#include "support/near.h"

#include "base/prng.h"
#include "listen/listen.h"

enum { HEARD_MAX = 512 };

struct heard {
    struct wn_listen l;
    struct wn_listen_found found;
    struct wn_listen_cycle cycle[HEARD_MAX];
    struct wn_check_up_record check_up[32];
    struct wn_listen_step step[HEARD_MAX];
    int cycles, check_ups, steps, begun, swaps, resets;
    long readings;
    wn_ns last_ns;
    double swap_from_v, swap_to_v;
};

void heard_init(struct heard *h, const struct wn_listen_setup *s);
void heard_reading(struct heard *h, const struct wn_reading *r);
void heard_end(struct heard *h);

/** A recorded wave. */
struct wave {
    struct wn_reading *r;
    size_t n, room;
};
void wave_add(struct wave *w, const struct wn_reading *r);
void wave_free(struct wave *w);
/** Listens to all of it, to its end. */
void heard_wave(struct heard *h, const struct wn_listen_setup *s, const struct wave *w);

/** A cell of straight lines: 3.0 V empty, 4.2 V full, so many ohm; a tester that charges, rests and
 * discharges it, read at fixed intervals. */
struct bench {
    struct wave wave;
    double now_s, interval_s;
    double capacity_ah, charge_ah, resistance_ohm;
};
void bench_init(struct bench *b, double interval_s);
void bench_rest(struct bench *b, double seconds);
void bench_load(struct bench *b, double current_a, double seconds);
/** At the current to 4.2 V, then held there until the end current. */
void bench_charge(struct bench *b, double current_a, double until_a);
void bench_discharge(struct bench *b, double current_a, double cutoff_v);
struct wn_listen_setup bench_setup(void);

/** Shares of the records that suffer each: in the order they are tried. */
struct dirt {
    double lost, digit, repeated, swapped, time;
};
/** The wave as it arrives over such a line. One digit of voltage or current is another one; two
 * records change places; the time of one is anything. */
void wave_dirty(const struct wave *in, struct wave *out, const struct dirt *d,
                struct wn_prng *prng);

#endif
