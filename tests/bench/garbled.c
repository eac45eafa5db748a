/* How often a disturbed reply is taken for a true one: by the decoder, by the session, and by the
 * rules of the envelope behind it. A measurement, not a verdict: the table in wane(1) is its
 * output. SPDX-License-Identifier: GPL-3.0-or-later
 *
 *   garbled_bench [SEED]
 *
 * A cell is discharged with 1 A and read once a second, under the limits of conf/waned.conf. Each
 * reply is disturbed in every possible place: one bit of one byte flipped, one byte lost, one byte
 * (any of 256) put in; and two bits flipped somewhere. Wrong is a reading that differs from what
 * was sent by more than 5 mV, 5 mA or 0.5 K, or says another output state. Unnoticed is a wrong
 * reading at which no rule so much as doubts: one that is in doubt is read again. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "base/prng.h"
#include "envelope/envelope.h"
#include "instrument/session.h"

enum { VALUES = 60, PAIRS = 300, LINE = 200, BEFORE = 30 };

static const struct form {
    const char *name;
    int reads;
    char separator;
    const char *fields; /* of each reply: v i t a o, a reply a word */
    const char *number; /* format of voltage and current */
    const char *checksum;
    int places; /* of voltage and current, said to the decoder; 0: not said */
} forms[] = {
    {"3.71234", 3, 0, "v i t", "%.5f", NULL, 0},
    {"3.71234, 5 places", 3, 0, "v i t", "%.5f", NULL, 5},
    {"+3.71234E+00", 3, 0, "v i t", "%+.5E", NULL, 0},
    {"+3.71234E+00, 5 places", 3, 0, "v i t", "%+.5E", NULL, 5},
    {"3.7123;-1.0000;25.1", 1, ';', "vit", "%.4f", NULL, 0},
    {"3.7123,-1.0000,25.10,23.00,1", 1, ',', "vitao", "%.4f", NULL, 0},
    {"the same, 4 and 2 places", 1, ',', "vitao", "%.4f", NULL, 4},
    {"the same with xor8", 1, ',', "vitao", "%.4f", "xor8", 0},
    {"the same with crc-16/modbus", 1, ',', "vitao", "%.4f", "crc-16/modbus", 0},
};

struct tally {
    long tried, decoded, session, unnoticed;
};

struct truth {
    double v, i, t, a;
};

static struct wn_prng prng;
static struct wn_dialect dialect;
static struct wn_session ready; /* the first query is out, its reply awaited */
static struct wn_envelope envelope;
static const struct wn_envelope_context running = {.output_on = true,
                                                   .direction = -1,
                                                   .set_current_a = 1,
                                                   .current_max_set_a = 1,
                                                   .since_change_ns = 0,
                                                   .step_charge_ah = 0.5,
                                                   .charge_expected_ah = NAN,
                                                   .step_s = 600,
                                                   .step_time_limit_s = NAN};
static char reply[WN_READS_MAX][LINE];

static struct wn_limits limits(void) /* of conf/waned.conf */
{
    return (struct wn_limits){.voltage_max_v = 4.25,
                              .voltage_min_v = 1.5,
                              .charge_temperature_min_c = 5,
                              .charge_temperature_max_c = 45,
                              .discharge_temperature_min_c = 0,
                              .discharge_temperature_max_c = 60,
                              .rest_temperature_max_c = 60,
                              .temperature_rise_k_per_min = 10,
                              .above_ambient_k = NAN,
                              .charge_current_max_a = 5,
                              .discharge_current_max_a = 20,
                              .set_point_tolerance_a = 0.05,
                              .set_point_tolerance = 0.01,
                              .off_current_a = 0.05,
                              .charge_max_ah = 6,
                              .voltage_jump_v = 0.3,
                              .below_ambient_k = 8,
                              .needs_temperature = true};
}

static enum wn_field field_of(char letter)
{
    switch (letter) {
    case 'v':
        return WN_FIELD_VOLTAGE_V;
    case 'i':
        return WN_FIELD_CURRENT_A;
    case 't':
        return WN_FIELD_TEMPERATURE_C;
    case 'a':
        return WN_FIELD_AMBIENT_C;
    default:
        return WN_FIELD_OUTPUT;
    }
}

static void make_dialect(const struct form *f)
{
    struct wn_dialect *d = &dialect;
    memset(d, 0, sizeof *d);
    (void)snprintf(d->terminator, sizeof d->terminator, "\n");
    (void)snprintf(d->identity_query, sizeof d->identity_query, "*IDN?");
    (void)snprintf(d->identity_prefix, sizeof d->identity_prefix, "maker");
    d->reply_timeout_s = 1;
    d->retries = 2;
    d->current_sign = 1;
    d->overload = 9.9e37;
    d->reads = f->reads;
    int k = 0;
    for (const char *c = f->fields; *c != '\0'; c++) {
        struct wn_read *r = &d->read[k];
        if (*c == ' ') {
            k++;
            continue;
        }
        (void)snprintf(r->query, sizeof r->query, "READ%d?", k);
        r->separator = f->separator;
        r->field[r->fields].places = f->places == 0 || *c == 'o' ? 0
                                     : *c == 't' || *c == 'a'    ? 2
                                                                 : f->places;
        r->field[r->fields++].what = field_of(*c);
    }
    if (f->checksum != NULL) {
        d->checksum = (struct wn_reply_checksum){
            .used = true, .how = *wn_checksum_named(f->checksum), .separator = "*"};
    }
}

/* snprintf may not be given a format that is not written out. */
static void write_number(const struct form *f, char letter, double value, char *out, size_t size)
{
    if (letter == 'o') {
        (void)snprintf(out, size, "1");
    } else if (letter == 't' || letter == 'a') {
        (void)snprintf(out, size, "%.2f", value);
    } else if (strcmp(f->number, "%.5f") == 0) {
        (void)snprintf(out, size, "%.5f", value);
    } else if (strcmp(f->number, "%.4f") == 0) {
        (void)snprintf(out, size, "%.4f", value);
    } else {
        (void)snprintf(out, size, "%+.5E", value);
    }
}

static void write_replies(const struct form *f, const struct truth *x)
{
    int k = 0;
    char text[LINE] = "", number[40];
    for (const char *c = f->fields;; c++) {
        if (*c == ' ' || *c == '\0') {
            size_t n;
            (void)wn_reply_wrap(&dialect, text, reply[k], LINE - 1, &n, NULL);
            (void)snprintf(reply[k] + n, LINE - n, "\n");
            text[0] = '\0';
            k++;
            if (*c == '\0') {
                return;
            }
            continue;
        }
        double value = *c == 'v' ? x->v : *c == 'i' ? x->i : *c == 't' ? x->t : x->a;
        size_t len = strlen(text);
        write_number(f, *c, value, number, sizeof number);
        (void)snprintf(text + len, sizeof text - len, "%s%s",
                       len > 0 ? (char[]){f->separator, '\0'} : "", number);
    }
}

/* A session that has asked, and an envelope that has seen good readings. */
static void prepare(const struct truth *x)
{
    static const struct wn_setpoints none = {NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
    struct wn_limits l = limits();
    struct wn_envelope_verdict v;
    size_t len;
    wn_session_init(&ready, &dialect, "bench", "none");
    (void)snprintf(ready.identity, sizeof ready.identity, "maker");
    wn_session_begin(&ready, WN_REQUEST_READ, &none, 0);
    (void)wn_session_output(&ready, &len);
    wn_session_wrote(&ready, len, 0);
    wn_envelope_init(&envelope, &l);
    for (int i = 0; i < BEFORE; i++) {
        const struct wn_reading r = {.time_ns = i * WN_NS_PER_S,
                                     .voltage_v = x->v + 1e-4 * (BEFORE - i),
                                     .current_a = x->i,
                                     .temperature_c = x->t,
                                     .ambient_c = x->a,
                                     .output_on = 1,
                                     .has = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE |
                                            WN_HAS_AMBIENT | WN_HAS_OUTPUT};
        wn_envelope_judge(&envelope, &r, &running, &v);
    }
}

static bool is_wrong(const struct wn_reading *r, const struct truth *x)
{
    return ((r->has & WN_HAS_VOLTAGE) != 0 && fabs(r->voltage_v - x->v) > 0.005) ||
           ((r->has & WN_HAS_CURRENT) != 0 && fabs(r->current_a - x->i) > 0.005) ||
           ((r->has & WN_HAS_TEMPERATURE) != 0 && fabs(r->temperature_c - x->t) > 0.5) ||
           ((r->has & WN_HAS_AMBIENT) != 0 && fabs(r->ambient_c - x->a) > 0.5) ||
           ((r->has & WN_HAS_OUTPUT) != 0 && r->output_on != 1);
}

static bool decoder_is_fooled(int k, const char *bytes, size_t len, const struct truth *x)
{
    struct wn_line_reader lines;
    struct wn_reading r = {0};
    const char *line;
    size_t used = 0, n;
    wn_line_init(&lines, '\n');
    return wn_line_take(&lines, bytes, len, &used, &line, &n) && lines.discarded == 0 && n > 0 &&
           wn_reply_strip(&dialect, &line, &n, NULL) == WN_OK &&
           wn_dialect_decode(&dialect, k, line, n, &r, NULL) == WN_OK && is_wrong(&r, x);
}

/* The disturbed one of the replies goes in as it is, the others are good. */
static bool session_is_fooled(int k, const char *bytes, size_t len, const struct truth *x,
                              struct wn_reading *r)
{
    static struct wn_session s;
    size_t n;
    s = ready;
    for (int i = 0; i < dialect.reads; i++) {
        enum wn_session_result result = i == k
                                            ? wn_session_input(&s, bytes, len, 1)
                                            : wn_session_input(&s, reply[i], strlen(reply[i]), 1);
        (void)wn_session_output(&s, &n);
        if (result == WN_SESSION_FAILED || s.bad_replies > 0 || s.resync) {
            return false;
        }
        wn_session_wrote(&s, n, 1);
    }
    *r = s.reading;
    return wn_session_result(&s) == WN_SESSION_DONE && is_wrong(r, x);
}

static bool rules_are_fooled(struct wn_reading *r)
{
    struct wn_envelope e = envelope;
    struct wn_envelope_verdict v;
    r->time_ns = BEFORE * WN_NS_PER_S;
    wn_envelope_judge(&e, r, &running, &v);
    return !v.tripped && !v.in_doubt;
}

static void try_one(int k, const char *bytes, size_t len, const struct truth *x, struct tally *t)
{
    struct wn_reading r;
    t->tried++;
    t->decoded += decoder_is_fooled(k, bytes, len, x);
    if (session_is_fooled(k, bytes, len, x, &r)) {
        t->session++;
        t->unnoticed += rules_are_fooled(&r);
    }
}

enum { FLIP, LOST, INSERTED, TWO, KINDS };

static void disturb(int k, const struct truth *x, struct tally t[KINDS])
{
    char bytes[LINE + 1];
    const char *good = reply[k];
    size_t n = strlen(good);
    for (size_t at = 0; at < n; at++) {
        for (unsigned bit = 0; bit < 8; bit++) {
            memcpy(bytes, good, n);
            bytes[at] = (char)((unsigned char)bytes[at] ^ (1u << bit));
            try_one(k, bytes, n, x, &t[FLIP]);
        }
        memcpy(bytes, good, at);
        memcpy(bytes + at, good + at + 1, n - at - 1);
        try_one(k, bytes, n - 1, x, &t[LOST]);
        for (int c = 0; c < 256; c++) {
            memcpy(bytes, good, at);
            bytes[at] = (char)c;
            memcpy(bytes + at + 1, good + at, n - at);
            try_one(k, bytes, n + 1, x, &t[INSERTED]);
        }
    }
    for (int i = 0; i < PAIRS; i++) {
        memcpy(bytes, good, n);
        for (int twice = 0; twice < 2; twice++) {
            uint64_t bit = wn_prng_below(&prng, 8 * n);
            bytes[bit / 8] = (char)((unsigned char)bytes[bit / 8] ^ (1u << bit % 8));
        }
        try_one(k, bytes, n, x, &t[TWO]);
    }
}

static void measure(const struct form *f)
{
    static const char *const kinds[KINDS] = {"bit flipped", "byte lost", "byte put in",
                                             "two bits flipped"};
    struct tally t[KINDS] = {0};
    make_dialect(f);
    for (int i = 0; i < VALUES; i++) {
        struct truth x = {.v = 2.8 + 1.3 * wn_prng_uniform(&prng),
                          .i = -1 + 0.004 * (wn_prng_uniform(&prng) - 0.5),
                          .t = 25 + 10 * wn_prng_uniform(&prng),
                          .a = 23 + wn_prng_uniform(&prng)};
        write_replies(f, &x);
        prepare(&x);
        for (int k = 0; k < dialect.reads; k++) {
            disturb(k, &x, t);
        }
    }
    (void)printf("%s\n", f->name);
    for (int k = 0; k < KINDS; k++) {
        double all = (double)t[k].tried / 100;
        (void)printf("  %-17s %8ld tried: decoder %6.3f %%  session %6.3f %%  unnoticed %6.3f %%\n",
                     kinds[k], t[k].tried, (double)t[k].decoded / all, (double)t[k].session / all,
                     (double)t[k].unnoticed / all);
    }
}

int main(int argc, char **argv)
{
    int64_t seed = 7;
    if (argc > 1 && wn_num_parse_int(argv[1], strlen(argv[1]), &seed) != WN_OK) {
        (void)fprintf(stderr, "usage: garbled_bench [SEED]\n");
        return 2;
    }
    (void)printf("seed %lld; wrong readings taken for true\n", (long long)seed);
    wn_prng_init(&prng, (uint64_t)seed);
    for (size_t i = 0; i < sizeof forms / sizeof forms[0]; i++) {
        measure(&forms[i]);
    }
    return 0;
}
