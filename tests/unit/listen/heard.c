/* What a listener found out, waves, and dirt.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "heard.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/err.h"
#include "base/num.h"

void heard_init(struct heard *h, const struct wn_listen_setup *s)
{
    memset(h, 0, sizeof *h);
    wn_listen_init(&h->l, s);
}

static void keep_reading(struct heard *h, const struct wn_listen_event *e)
{
    assert_true(e->time_ns >= h->last_ns); /* in order, whatever came in */
    assert_int_equal(e->u.reading.step_number, h->begun);
    h->last_ns = e->time_ns;
    h->readings++;
}

static void keep(struct heard *h, const struct wn_listen_event *e)
{
    switch (e->kind) {
    case WN_LISTEN_READING:
        keep_reading(h, e);
        break;
    case WN_LISTEN_STEP_BEGUN:
        assert_int_equal(e->u.step.number, ++h->begun);
        assert_int_equal(h->begun, h->steps + 1); /* one at a time */
        break;
    case WN_LISTEN_STEP_ENDED:
        assert_true(h->steps < HEARD_MAX);
        assert_int_equal(e->u.step.number, h->begun);
        h->step[h->steps++] = e->u.step;
        break;
    case WN_LISTEN_CYCLE:
        assert_true(h->cycles < HEARD_MAX);
        h->cycle[h->cycles++] = e->u.cycle;
        break;
    case WN_LISTEN_CHECK_UP:
        assert_true(h->check_ups < 32);
        h->check_up[h->check_ups++] = e->u.check_up;
        break;
    case WN_LISTEN_SWAPPED:
        h->swaps++;
        h->swap_from_v = e->u.swapped.from_v;
        h->swap_to_v = e->u.swapped.to_v;
        break;
    case WN_LISTEN_CLOCK_RESET:
        h->resets++;
        break;
    }
}

static void keep_all(struct heard *h)
{
    for (int i = 0; i < h->found.n; i++) {
        keep(h, &h->found.event[i]);
    }
}

void heard_reading(struct heard *h, const struct wn_reading *r)
{
    wn_listen_reading(&h->l, r, &h->found);
    keep_all(h);
}

void heard_end(struct heard *h)
{
    wn_listen_end(&h->l, &h->found);
    keep_all(h);
}

void heard_wave(struct heard *h, const struct wn_listen_setup *s, const struct wave *w)
{
    heard_init(h, s);
    for (size_t i = 0; i < w->n; i++) {
        heard_reading(h, &w->r[i]);
    }
    heard_end(h);
}

void wave_add(struct wave *w, const struct wn_reading *r)
{
    if (w->n == w->room) {
        w->room = w->room > 0 ? 2 * w->room : 1024;
        w->r = realloc(w->r, w->room * sizeof *w->r);
        assert_non_null(w->r);
    }
    w->r[w->n++] = *r;
}

void wave_free(struct wave *w)
{
    free(w->r);
    memset(w, 0, sizeof *w);
}

/* -- bench
 * ------------------------------------------------------------------------------------- */

void bench_init(struct bench *b, double interval_s)
{
    memset(b, 0, sizeof *b);
    b->interval_s = interval_s;
    b->capacity_ah = 2;
    b->charge_ah = 0.2;
    b->resistance_ohm = 0.05;
}

static double ocv_v(const struct bench *b)
{
    return 3.0 + 1.2 * b->charge_ah / b->capacity_ah;
}

static void tick(struct bench *b, double current_a)
{
    b->charge_ah += current_a * b->interval_s / 3600;
    b->now_s += b->interval_s;
    struct wn_reading r = {.time_ns = wn_ns_from_s(b->now_s),
                           .current_a = current_a,
                           .voltage_v = ocv_v(b) + current_a * b->resistance_ohm,
                           .temperature_c = NAN,
                           .ambient_c = NAN,
                           .has = WN_HAS_VOLTAGE | WN_HAS_CURRENT};
    wave_add(&b->wave, &r);
}

void bench_rest(struct bench *b, double seconds)
{
    bench_load(b, 0, seconds);
}

void bench_load(struct bench *b, double current_a, double seconds)
{
    double end_s = b->now_s + seconds - b->interval_s / 2;
    while (b->now_s < end_s) {
        tick(b, current_a);
    }
}

void bench_charge(struct bench *b, double current_a, double until_a)
{
    double i = current_a;
    while (i > until_a) {
        tick(b, i);
        i = fmin(current_a, (4.2 - ocv_v(b)) / b->resistance_ohm);
    }
    tick(b, until_a * 0.999);
}

void bench_discharge(struct bench *b, double current_a, double cutoff_v)
{
    while (ocv_v(b) - current_a * b->resistance_ohm > cutoff_v) {
        tick(b, -current_a);
    }
}

struct wn_listen_setup bench_setup(void)
{
    struct wn_listen_setup s;
    wn_listen_defaults(&s);
    s.cutoff_v = 3.0;
    s.voltage_max_v = 5;
    s.current_max_a = 50;
    return s;
}

/* -- dirt
 * -------------------------------------------------------------------------------------- */

/* One character of the number as a tester prints it is another digit. */
static double another_digit(double value, struct wn_prng *prng)
{
    char text[WN_NUM_SIZE];
    double out = value;
    (void)wn_num_fixed(value, 4, text, sizeof text);
    size_t n = strlen(text), at = (size_t)wn_prng_below(prng, n);
    if (text[at] >= '0' && text[at] <= '9') {
        text[at] = (char)('0' + wn_prng_below(prng, 10));
    }
    assert_int_equal(wn_num_parse(text, n, &out), WN_OK);
    return out;
}

static bool chance(struct wn_prng *prng, double share)
{
    return wn_prng_uniform(prng) < share;
}

void wave_dirty(const struct wave *in, struct wave *out, const struct dirt *d, struct wn_prng *prng)
{
    memset(out, 0, sizeof *out);
    for (size_t i = 0; i < in->n; i++) {
        struct wn_reading r = in->r[i];
        if (chance(prng, d->lost)) {
            continue;
        }
        if (chance(prng, d->digit)) {
            double *field = chance(prng, 0.5) ? &r.voltage_v : &r.current_a;
            *field = another_digit(*field, prng);
        }
        if (chance(prng, d->time)) {
            r.time_ns = wn_ns_from_s(wn_prng_uniform(prng) * 1e7);
        }
        wave_add(out, &r);
        if (chance(prng, d->repeated)) {
            wave_add(out, &r);
        }
        if (out->n > 1 && chance(prng, d->swapped)) {
            struct wn_reading last = out->r[out->n - 1];
            out->r[out->n - 1] = out->r[out->n - 2];
            out->r[out->n - 2] = last;
        }
    }
}
