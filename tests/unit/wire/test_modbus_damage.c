/* What damage to a MODBUS reply gets through: measured, stated, bounded; and any bytes at all.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A reply goes the way of a real one: byte by byte through wn_modbus_expect(), cut at the length it
 * tells, then wn_modbus_decode(). "Passed" means accepted although it is not, byte for byte, what
 * the instrument sent. The CRC-16 of MODBUS finds every error of up to 3 bits and every burst of up
 * to 16 bits in frames this short (theory; the polynomial has a factor x + 1 and an order of
 * 32767); what an inserted or lost byte leaves is as good as random to it: 1 in 65536. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "base/prng.h"
#include "support/near.h"
#include "wire/checksum.h"
#include "wire/modbus.h"

struct tally {
    const char *what;
    long tried, passed;
};

struct sample {
    struct wn_modbus_request q;
    uint8_t frame[WN_MODBUS_FRAME_MAX];
    size_t len;
};

static void tell(const struct tally *t)
{
    print_message("%-34s %9ld tried, %ld passed\n", t->what, t->tried, t->passed);
}

/* True when a reader of the stream takes a whole, acceptable reply out of these bytes; *taken how
 * many it took. */
static bool accepted(const struct wn_modbus_request *q, const uint8_t *bytes, size_t len,
                     size_t *taken)
{
    size_t total = 0, have = 0;
    struct wn_modbus_reply r;
    while (total == 0 || have < total) {
        if (have == len || wn_modbus_expect(q, bytes, ++have, &total, NULL) != WN_OK) {
            return false;
        }
    }
    *taken = total;
    return wn_modbus_decode(q, bytes, total, &r, NULL) == WN_OK;
}

static void try_one(const struct sample *s, const uint8_t *bytes, size_t len, struct tally *t)
{
    size_t taken = 0;
    t->tried++;
    if (accepted(&s->q, bytes, len, &taken) &&
        !(taken == s->len && memcmp(bytes, s->frame, taken) == 0)) {
        t->passed++;
    }
}

static void finish(struct sample *s, size_t len)
{
    unsigned sum = wn_checksum(wn_checksum_named("crc-16/modbus"), s->frame, len);
    s->frame[len] = (uint8_t)(sum & 0xff);
    s->frame[len + 1] = (uint8_t)(sum >> 8);
    s->len = len + 2;
    size_t taken;
    assert_true(accepted(&s->q, s->frame, s->len, &taken));
}

/* A reply to a read of `registers` registers with any content. */
static void make_read(struct sample *s, struct wn_prng *p, uint16_t registers)
{
    s->q = (struct wn_modbus_request){WN_MODBUS_READ_HOLDING, 1, 0, registers, NULL};
    s->frame[0] = 1;
    s->frame[1] = 3;
    s->frame[2] = (uint8_t)(2 * registers);
    for (size_t i = 0; i < 2u * registers; i++) {
        s->frame[3 + i] = (uint8_t)wn_prng_below(p, 256);
    }
    finish(s, 3 + 2u * registers);
}

static void make_write(struct sample *s, const uint16_t *value)
{
    s->q = (struct wn_modbus_request){WN_MODBUS_WRITE_REGISTER, 1, 0x10, 1, value};
    memcpy(s->frame, "\x01\x06\x00\x10", 4);
    s->frame[4] = (uint8_t)(*value >> 8);
    s->frame[5] = (uint8_t)(*value & 0xff);
    finish(s, 6);
}

static struct wn_prng seeded(void)
{
    const char *text = getenv("SEED");
    int64_t seed = 20260602;
    struct wn_prng p;
    if (text != NULL) {
        assert_int_equal(wn_num_parse_int(text, strlen(text), &seed), 0);
    }
    print_message("SEED=%lld\n", (long long)seed);
    wn_prng_init(&p, (uint64_t)seed);
    return p;
}

static void flip(uint8_t *bytes, size_t bit)
{
    bytes[bit / 8] = (uint8_t)(bytes[bit / 8] ^ (1u << bit % 8));
}

static void flips_of(const struct sample *s, struct tally t[3], bool all_three)
{
    uint8_t bytes[WN_MODBUS_FRAME_MAX];
    size_t bits = 8 * s->len;
    memcpy(bytes, s->frame, s->len);
    for (size_t a = 0; a < bits; a++) {
        flip(bytes, a);
        try_one(s, bytes, s->len, &t[0]);
        for (size_t b = a + 1; b < bits; b++) {
            flip(bytes, b);
            try_one(s, bytes, s->len, &t[1]);
            for (size_t c = b + 1; all_three && c < bits; c++) {
                flip(bytes, c);
                try_one(s, bytes, s->len, &t[2]);
                flip(bytes, c);
            }
            flip(bytes, b);
        }
        flip(bytes, a);
    }
}

static void flipped_bits_are_always_found(void **state)
{
    (void)state;
    struct tally t[3] = {
        {"1 bit flipped", 0, 0}, {"2 bits flipped", 0, 0}, {"3 bits flipped", 0, 0}};
    struct wn_prng p = seeded();
    static const uint16_t value = 0x1234;
    struct sample s;
    for (int i = 0; i < 2; i++) {
        make_read(&s, &p, 1);
        flips_of(&s, t, true);
    }
    make_write(&s, &value);
    flips_of(&s, t, true);
    make_read(&s, &p, 30);
    flips_of(&s, t, false);
    make_read(&s, &p, 125); /* the longest: 2040 bits */
    for (size_t a = 0; a < 8 * s.len; a++) {
        uint8_t bytes[WN_MODBUS_FRAME_MAX];
        memcpy(bytes, s.frame, s.len);
        flip(bytes, a);
        try_one(&s, bytes, s.len, &t[0]);
    }
    for (int i = 0; i < 3; i++) {
        tell(&t[i]);
        assert_int_equal(t[i].passed, 0);
    }
}

static void bursts_are_always_found(void **state)
{
    (void)state;
    struct tally t = {"burst of up to 16 bits", 0, 0};
    struct wn_prng p = seeded();
    struct sample s;
    make_read(&s, &p, 2);
    for (size_t from = 0; from + 16 <= 8 * s.len; from += 3) {
        for (unsigned pattern = 1; pattern < 0x10000; pattern += 2) {
            uint8_t bytes[WN_MODBUS_FRAME_MAX];
            memcpy(bytes, s.frame, s.len);
            for (unsigned k = 0; k < 16; k++) {
                if ((pattern >> k & 1) != 0) {
                    flip(bytes, from + k); /* in the order of the line: lowest bit first */
                }
            }
            try_one(&s, bytes, s.len, &t);
        }
    }
    tell(&t);
    assert_int_equal(t.passed, 0);
}

static void cut_replies_are_never_taken(void **state)
{
    (void)state;
    struct tally t = {"cut short, at every length", 0, 0};
    struct wn_prng p = seeded();
    for (uint16_t registers = 1; registers <= 125; registers++) {
        struct sample s;
        struct wn_modbus_reply r;
        make_read(&s, &p, registers);
        for (size_t n = 0; n < s.len; n++) {
            try_one(&s, s.frame, n, &t);
            assert_int_equal(wn_modbus_decode(&s.q, s.frame, n, &r, NULL), WN_EFRAME);
        }
        s.frame[s.len] = 0;
        assert_int_equal(wn_modbus_decode(&s.q, s.frame, s.len + 1, &r, NULL), WN_EFRAME);
    }
    tell(&t);
    assert_int_equal(t.passed, 0);
}

/* One byte lost at every place, with any byte of the line's noise behind the end in its stead; one
 * byte put in at every place. What comes of it is random to the CRC, so of N about N / 65536 pass:
 * the bound is 5 standard deviations above that. */
static void lost_and_inserted_bytes(void **state)
{
    (void)state;
    struct tally lost = {"1 byte lost, any byte follows", 0, 0},
                 inserted = {"1 byte inserted", 0, 0},
                 bare = {"1 byte lost, nothing follows", 0, 0};
    struct wn_prng p = seeded();
    for (int round = 0; round < 150; round++) {
        struct sample s;
        make_read(&s, &p, (uint16_t)(1 + round % 10));
        for (size_t at = 0; at < s.len; at++) {
            uint8_t bytes[WN_MODBUS_FRAME_MAX + 1];
            memcpy(bytes, s.frame, at);
            memcpy(bytes + at, s.frame + at + 1, s.len - at - 1);
            try_one(&s, bytes, s.len - 1, &bare);
            for (int c = 0; c < 256; c++) {
                bytes[s.len - 1] = (uint8_t)c;
                try_one(&s, bytes, s.len, &lost);
            }
            memcpy(bytes + at + 1, s.frame + at, s.len - at);
            for (int c = 0; c < 256; c++) {
                bytes[at] = (uint8_t)c;
                try_one(&s, bytes, s.len + 1, &inserted);
            }
        }
    }
    tell(&bare);
    tell(&lost);
    tell(&inserted);
    assert_int_equal(bare.passed, 0);
    for (int i = 0; i < 2; i++) {
        const struct tally *t = i == 0 ? &lost : &inserted;
        double mean = (double)t->tried / 65536;
        assert_true((double)t->passed <= mean + 5 * sqrt(mean));
    }
}

/* The rule once more, in another way: may these bytes, of a good CRC, be taken for a reply? */
static bool is_reply(const struct wn_modbus_request *q, const uint8_t *bytes, size_t len)
{
    unsigned f = (unsigned)q->function;
    bool bits = f == 1 || f == 2;
    size_t data = bits ? (q->count + 7u) / 8u : 2u * q->count;
    if (len < 5 || bytes[0] != q->unit) {
        return false;
    }
    if (bytes[1] == f + 128) {
        return len == 5;
    }
    return bytes[1] == f && (f <= 4 ? bytes[2] == data && len == data + 5 : len == 8);
}

/* Something like a reply to q, sometimes with a good CRC. */
static size_t noise(struct wn_prng *p, const struct wn_modbus_request *q, uint8_t *bytes)
{
    static const size_t likely[] = {5, 7, 8};
    size_t len = wn_prng_below(p, 2) != 0 ? likely[wn_prng_below(p, 3)] : wn_prng_below(p, 40);
    for (size_t k = 0; k < len; k++) {
        bytes[k] = (uint8_t)wn_prng_below(p, 256);
    }
    if (len >= 4 && wn_prng_below(p, 4) != 0) {
        bytes[0] = q->unit;
        bytes[1] = (uint8_t)((unsigned)q->function + (wn_prng_below(p, 8) == 0 ? 128 : 0));
        bytes[2] = (uint8_t)(len - 5);
        bytes[2] = (uint8_t)(bytes[2] + (wn_prng_below(p, 4) == 0 ? 1 : 0));
    }
    if (len >= 4 && wn_prng_below(p, 4) != 0) {
        unsigned sum = wn_checksum(wn_checksum_named("crc-16/modbus"), bytes, len - 2);
        bytes[len - 2] = (uint8_t)(sum & 0xff);
        bytes[len - 1] = (uint8_t)(sum >> 8);
    }
    return len;
}

/* Any bytes: nothing is read out of bounds (the sanitizers see it), and accepted is what has a good
 * CRC and is a reply by the rule above, nothing else. */
static void any_bytes(void **state)
{
    (void)state;
    struct tally t = {"noise", 0, 0};
    struct wn_prng p = seeded();
    static const uint8_t functions[] = {1, 2, 3, 4, 5, 6, 15, 16};
    static const uint16_t values[40];
    for (int i = 0; i < 200000; i++) {
        unsigned f = functions[wn_prng_below(&p, 8)];
        struct wn_modbus_request q = {(enum wn_modbus_function)f, 1, 0, 1, values};
        q.count = f == 5 || f == 6 ? 1 : (uint16_t)(1 + wn_prng_below(&p, f == 1 ? 40 : 3));
        uint8_t large[40];
        size_t len = noise(&p, &q, large), total = 0;
        uint8_t *bytes = malloc(len > 0 ? len : 1); /* its end is an end for the sanitizers */
        assert_non_null(bytes);
        memcpy(bytes, large, len);
        struct wn_modbus_reply r;
        int rc = wn_modbus_decode(&q, bytes, len, &r, NULL);
        unsigned sum = len < 2 ? 0 : bytes[len - 2] | (unsigned)bytes[len - 1] << 8;
        bool good = is_reply(&q, bytes, len) &&
                    sum == wn_checksum(wn_checksum_named("crc-16/modbus"), bytes, len - 2);
        bool echo = good && f > 4 && bytes[1] == f; /* of another place or value: refused, too */
        assert_true(echo || (rc == WN_EFRAME) == !good);
        if (good) {
            assert_int_equal(wn_modbus_expect(&q, bytes, len, &total, NULL), WN_OK);
            assert_int_equal(total, len);
            t.passed++;
        }
        t.tried++;
        free(bytes);
    }
    print_message("%ld of %ld were replies\n", t.passed, t.tried);
    assert_true(t.passed > 1000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(flipped_bits_are_always_found),
        cmocka_unit_test(bursts_are_always_found),
        cmocka_unit_test(cut_replies_are_never_taken),
        cmocka_unit_test(lost_and_inserted_bytes),
        cmocka_unit_test(any_bytes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
