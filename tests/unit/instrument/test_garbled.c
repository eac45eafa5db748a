/* How often a damaged number is taken for another one: measured, stated, bounded.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Each reply is damaged in every possible place: one bit of one byte flipped, one byte lost, one
 * byte (any of 256) put in. It then goes the way of a real one, through framing and decoding. Wrong
 * means accepted and more than 5 mV (or 5 mA) off. A free-format number cannot tell that a digit is
 * missing or too much: what is left to it is the grammar, and the number of fields. So behind it
 * stand the engine's rules (range, jump), the confirmation by a second reading, and read-back for
 * everything that is set. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/prng.h"
#include "support/near.h"
#include "talk.h"

enum { DIGIT_COUNT = 10 };

struct tally {
    long tried, accepted, wrong, plausible; /* plausible: wrong, but between 2 V and 4.5 V */
};

/* What a session would make of these bytes, as a whole. */
static bool accepted(const struct wn_dialect *d, const char *bytes, size_t len,
                     struct wn_reading *r)
{
    struct wn_line_reader lines;
    const char *line;
    size_t used = 0, n;
    wn_line_init(&lines, '\n');
    if (!wn_line_take(&lines, bytes, len, &used, &line, &n) || lines.discarded > 0) {
        return false; /* spoiled, or no end: asked again */
    }
    return n > 0 && wn_reply_strip(d, &line, &n, NULL) == WN_OK &&
           wn_dialect_decode(d, 0, line, n, r, NULL) == WN_OK;
}

static void try_one(const struct wn_dialect *d, const char *bytes, size_t len, double want,
                    struct tally *t)
{
    struct wn_reading r;
    t->tried++;
    if (!accepted(d, bytes, len, &r)) {
        return;
    }
    t->accepted++;
    if ((r.has & WN_HAS_VOLTAGE) != 0 && fabs(r.voltage_v - want) > 0.005) {
        t->wrong++;
        t->plausible += r.voltage_v > 2 && r.voltage_v < 4.5;
    }
}

struct damage {
    struct tally flip, lost, inserted;
};

static void damage_reply(const struct wn_dialect *d, const char *reply, double want,
                         struct damage *out)
{
    char bytes[300];
    size_t n = strlen(reply);
    for (size_t at = 0; at < n; at++) {
        for (unsigned bit = 0; bit < 8; bit++) {
            memcpy(bytes, reply, n);
            bytes[at] = (char)((unsigned char)bytes[at] ^ (1u << bit));
            try_one(d, bytes, n, want, &out->flip);
        }
        memcpy(bytes, reply, at);
        memcpy(bytes + at, reply + at + 1, n - at - 1);
        try_one(d, bytes, n - 1, want, &out->lost);
        for (int c = 0; c < 256; c++) {
            memcpy(bytes, reply, at);
            bytes[at] = (char)c;
            memcpy(bytes + at + 1, reply + at, n - at);
            try_one(d, bytes, n + 1, want, &out->inserted);
        }
    }
}

static double share(const struct tally *t)
{
    return 100.0 * (double)t->wrong / (double)t->tried;
}

static void tell(const char *format, const char *kind, const struct tally *t)
{
    print_message("%-28s %-9s %7ld tried, wrong value accepted %5.2f %%, of them between 2 and 4.5 "
                  "V %5.2f %%\n",
                  format, kind, t->tried, share(t),
                  100.0 * (double)t->plausible / (double)t->tried);
}

static struct damage measure(const struct wn_dialect *d, const char *name, int format)
{
    struct damage all;
    struct wn_prng p;
    memset(&all, 0, sizeof all);
    wn_prng_init(&p, 7);
    for (int i = 0; i < 200; i++) {
        char reply[100];
        double v = 2.0 + 2.5 * wn_prng_uniform(&p);
        v = round(v * 1e5) / 1e5;
        (void)snprintf(reply, sizeof reply,
                       format == 0   ? "%+.5fE+00\n"
                       : format == 1 ? "%.5f\n"
                                     : "120.5,%.5f,-1.00000,25.1,23.0,1\n",
                       v);
        damage_reply(d, reply, v, &all);
    }
    tell(name, "bit flip", &all.flip);
    tell(name, "lost", &all.lost);
    tell(name, "inserted", &all.inserted);
    return all;
}

static void single(struct wn_dialect *d)
{
    talk_dialect(d);
    d->read[0].fields = 1;
    d->read[0].field[0].what = WN_FIELD_VOLTAGE_V;
}

/* Bounds, from counting the places where another digit or mark makes another number of the same
 * grammar, for +d.dddddE+00 LF (13 bytes). Flip: of 104 flips; each of the first three digits has
 * at most 4 flips into digits and a handful into signs, marks or a line end; the exponent's digits
 * and signs turn the scale. Lost: of 13; the first digit, the point, the digits behind it (their
 * loss moves the rest up by one place: 2 of 5 count), the E. Inserted: of 256 per place; 10 digits
 * (and at some places a point, sign or E) at 12 places are another number: 10 / 256 = 3.9 %. */
static void scientific_field(void **state)
{
    (void)state;
    struct wn_dialect d;
    single(&d);
    struct damage m = measure(&d, "+3.71234E+00", 0);
    assert_true(share(&m.flip) < 22);
    assert_true(share(&m.lost) < 45);
    assert_true(share(&m.inserted) < 100.0 * (DIGIT_COUNT + 3) / 256);
}

static void plain_field(void **state)
{
    (void)state;
    struct wn_dialect d;
    single(&d);
    struct damage m = measure(&d, "3.71234", 1);
    assert_true(share(&m.flip) < 25);
    assert_true(share(&m.lost) < 60);
    assert_true(share(&m.inserted) < 100.0 * (DIGIT_COUNT + 3) / 256);
}

static void whole_reply(void **state)
{
    (void)state;
    struct wn_dialect d;
    talk_dialect(&d);
    struct damage m = measure(&d, "120.5,3.71234,-1.00000,...", 2);
    assert_true(share(&m.flip) < 8); /* the voltage is a quarter of the reply */
    assert_true(share(&m.lost) < 16);
    assert_true(share(&m.inserted) < 2);
}

/* With a checksum over the reply no flipped bit is accepted, wherever it is. A byte lost or put in
 * always changes a sum or an exclusive or, by itself; a CRC of 8 bits misses one in 256 of those
 * that leave numbers at all. */
static void checked_reply(void **state)
{
    (void)state;
    static const char *const kinds[] = {"xor8", "sum8", "crc-8/smbus", "crc-16/modbus"};
    for (size_t k = 0; k < sizeof kinds / sizeof kinds[0]; k++) {
        struct wn_dialect d;
        struct damage all;
        char text[100], reply[120];
        size_t n;
        talk_dialect(&d);
        d.checksum = (struct wn_reply_checksum){
            .used = true, .how = *wn_checksum_named(kinds[k]), .separator = "*"};
        memset(&all, 0, sizeof all);
        for (int i = 0; i < 50; i++) {
            double v = 2 + i * 0.04123;
            (void)snprintf(text, sizeof text, "120.5,%.5f,-1.00000,25.1,23.0,1", v);
            assert_int_equal(wn_reply_wrap(&d, text, reply, sizeof reply - 1, &n, NULL), WN_OK);
            memcpy(reply + n, "\n", 2);
            damage_reply(&d, reply, v, &all);
        }
        assert_true(all.flip.tried > 10000 && all.lost.tried > 1000);
        assert_int_equal(all.flip.wrong, 0);
        bool always = strncmp(kinds[k], "crc", 3) != 0;
        assert_true(all.lost.wrong <= (always ? 0 : all.lost.tried / 500));
        assert_true(all.inserted.wrong <= (always ? 0 : all.inserted.tried / 10000));
    }
}

/* A lost or additional separator or line end is always noticed: the number of fields is wrong. */
static void fields_never_shift(void **state)
{
    (void)state;
    struct wn_dialect d;
    struct wn_reading r;
    static const char reply[] = "120.5,3.71234,-1.00000,25.1,23.0,1\n";
    const size_t n = sizeof reply - 1;
    talk_dialect(&d);
    for (size_t at = 0; at < n; at++) {
        char bytes[sizeof reply + 1];
        if (reply[at] == ',') {
            memcpy(bytes, reply, at);
            memcpy(bytes + at, reply + at + 1, n - at - 1);
            assert_false(accepted(&d, bytes, n - 1, &r));
        }
        static const char marks[] = {',', '\n'};
        for (size_t k = 0; k < sizeof marks; k++) {
            memcpy(bytes, reply, at);
            bytes[at] = marks[k];
            memcpy(bytes + at + 1, reply + at, n - at);
            if (marks[k] == '\n' && (at == 0 || at == n - 1)) {
                continue; /* the whole reply, and an empty line before or behind it */
            }
            assert_false(accepted(&d, bytes, n + 1, &r));
        }
    }
}

/* The same damage to the answer of the output query: only the flip of one bit, 1 to 0, can pass for
 * "off". */
static void off_is_not_easily_feigned(void **state)
{
    (void)state;
    int feigned = 0, tried = 0;
    for (int at = 0; at < 2; at++) {
        for (unsigned bit = 0; bit < 8; bit++) {
            struct talk t;
            char reply[] = "1\n";
            talk_begin(&t);
            t.dialect.retries = 0;
            talk_request(&t, WN_REQUEST_OFF);
            talk_sends(&t, "|OUT 0|OUT?|");
            reply[at] = (char)((unsigned char)reply[at] ^ (1u << bit));
            feigned += wn_session_input(&t.session, reply, 2, t.now_ns) == WN_SESSION_DONE;
            tried++;
        }
    }
    print_message("damaged answer \"on\" taken for \"off\": %d of %d bit flips (the engine looks "
                  "at the current, too)\n",
                  feigned, tried);
    assert_int_equal(feigned, 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(scientific_field),   cmocka_unit_test(plain_field),
        cmocka_unit_test(whole_reply),        cmocka_unit_test(checked_reply),
        cmocka_unit_test(fields_never_shift), cmocka_unit_test(off_is_not_easily_feigned),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
