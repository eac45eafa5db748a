/* Three askers at two MODBUS units on a line that loses, spoils and delays frames, on which two at
 * once spoil each other, frames without silence between them are none, and now and then something
 * babbles: each gets the reply to
 * what it asked last or none, off goes out in time and stays the last word, all get their share.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "bus.h"
#include "talk.h"

#include <stdio.h>
#include <string.h>

#include "base/prng.h"

enum { PENDING = 32, SERIALS = 4096, BITS = 11, BAUD = 9600, SECONDS = 6000 };

#define SILENCE_NS (4010 * (WN_NS_PER_MS / 1000)) /* a little less than 3.5 characters */

/* What is said, or will be, by a unit. */
struct saying {
    uint8_t byte[40];
    size_t len;
    wn_ns from_ns, to_ns; /* on the line */
};

static struct {
    struct bus bus;
    struct wn_prng prng;
    struct saying say[PENDING]; /* by time */
    int says;
    wn_ns busy_ns;      /* the line is, until then */
    struct saying sent; /* of ours, not yet heard by the units */
    bool spoilt;
    bool on[BUS_CHANNELS], wants_off[BUS_CHANNELS];
    wn_ns off_asked_ns[BUS_CHANNELS]; /* 0: it has gone out */
    wn_ns off_latest_ns;
    int serial;
    long write_of[SERIALS]; /* the write that a reading answers */
    long writes, last_write[BUS_CHANNELS];
    long answers[BUS_CHANNELS], none, spoils, offs, hasty, collisions, late, babbled;
    wn_ns babble_ns, quiet_ns; /* somebody babbles: the next byte, the end */
} w;

static double luck(void)
{
    return wn_prng_uniform(&w.prng);
}

static wn_ns line_time_ns(size_t len)
{
    return (wn_ns)len * BITS * WN_NS_PER_S / BAUD;
}

static void say(const uint8_t *bytes, size_t len, wn_ns from_ns)
{
    int at = w.says;
    if (w.says == PENDING) {
        return;
    }
    for (; at > 0 && w.say[at - 1].from_ns > from_ns; at--) {
        w.say[at] = w.say[at - 1];
    }
    w.says++;
    memcpy(w.say[at].byte, bytes, len);
    w.say[at].len = len;
    w.say[at].from_ns = from_ns;
    w.say[at].to_ns = from_ns + line_time_ns(len);
}

/* A unit has heard a request: does what it says, and answers. */
static void unit_hears(const struct saying *f, wn_ns now_ns)
{
    uint8_t reply[40] = {0};
    uint16_t values[16] = {0};
    struct wn_modbus_request q;
    size_t len = 0;
    static wn_ns last_ns[2];
    assert_int_equal(wn_modbus_decode_request(f->byte, f->len, values, 16, &q, NULL), WN_OK);
    int unit = q.unit - 7, output = unit + q.address / 2;
    if (q.function == WN_MODBUS_WRITE_COIL && q.address % 2 == 0) {
        w.on[output] = values[0] != 0;
    } else if (q.function == WN_MODBUS_READ_INPUT_REGISTERS && q.address == 4) {
        w.serial++;
        values[0] = (uint16_t)((unsigned)w.serial >> 16);
        values[1] = (uint16_t)((unsigned)w.serial & 0xffffu);
        w.write_of[w.serial % SERIALS] = w.writes;
    }
    assert_int_equal(wn_modbus_encode_reply(&q, values, reply, sizeof reply, &len, NULL), WN_OK);
    double fate = luck();
    if (fate < 0.02) {
        return;
    }
    if (fate < 0.04) {
        reply[wn_prng_below(&w.prng, len)] ^= (uint8_t)(1u << wn_prng_below(&w.prng, 8));
    } else if (fate < 0.05) {
        len--;
    }
    wn_ns at_ns = now_ns + wn_ns_from_s(fate > 0.97 ? 1.5 * luck() : 0.005 + 0.02 * luck());
    at_ns = at_ns > last_ns[unit] ? at_ns : last_ns[unit]; /* they do not overtake */
    last_ns[unit] = at_ns + line_time_ns(len) + SILENCE_NS;
    w.late += fate > 0.97;
    say(reply, len, at_ns);
}

/* What the share writes goes onto the line. */
static void write_out(void)
{
    struct bus *b = &w.bus;
    size_t len = 0;
    const char *out = wn_share_output(&b->share, &len);
    if (len == 0) {
        return;
    }
    assert_true(len <= sizeof w.sent.byte);
    memcpy(w.sent.byte, out, len);
    w.sent.len = len;
    w.sent.from_ns = b->now_ns;
    w.sent.to_ns = b->now_ns + line_time_ns(len);
    w.writes++;
    if (b->share.current >= 0) {
        w.last_write[b->share.asker[b->share.current].channel] = w.writes;
    }
    bool early = b->now_ns < w.busy_ns + SILENCE_NS;
    bool off = b->share.packet.off;
    bool noisy = b->now_ns < w.quiet_ns + 250 * WN_NS_PER_MS && w.babbled > 0;
    assert_true(!early || off || noisy); /* off alone may break in, and into noise anybody */
    w.hasty += early;
    w.spoilt = early;
    w.busy_ns = w.sent.to_ns > w.busy_ns ? w.sent.to_ns : w.busy_ns;
    int unit = (uint8_t)out[0] - 7, output = unit + out[3] / 2;
    if (out[1] == WN_MODBUS_WRITE_COIL && out[3] % 2 == 0) {
        bool on = out[4] != 0;
        assert_false(on && w.wants_off[output]);
        if (!on && w.off_asked_ns[output] > 0) {
            wn_ns after_ns = b->now_ns - w.off_asked_ns[output];
            w.off_latest_ns = after_ns > w.off_latest_ns ? after_ns : w.off_latest_ns;
            w.off_asked_ns[output] = 0;
        }
    }
    wn_share_wrote(&b->share, len, b->now_ns);
}

/* The first thing that is said now, or spoils what is under way. */
static void hear(void)
{
    struct bus *b = &w.bus;
    struct saying s = w.say[0];
    w.says--;
    memmove(&w.say[0], &w.say[1], (size_t)w.says * sizeof w.say[0]);
    if (s.from_ns < w.sent.to_ns + SILENCE_NS && s.to_ns > w.sent.from_ns) { /* two at once */
        s.byte[wn_prng_below(&w.prng, s.len)] ^= (uint8_t)(1 + wn_prng_below(&w.prng, 255));
        w.spoilt = true;
        w.collisions++;
    }
    w.busy_ns = s.to_ns > w.busy_ns ? s.to_ns : w.busy_ns;
    size_t half = luck() < 0.2 ? s.len / 2 : 0; /* in lumps */
    wn_share_input(&b->share, (const char *)s.byte, half, b->now_ns);
    wn_share_input(&b->share, (const char *)s.byte + half, s.len - half, b->now_ns);
}

/* Now and then something talks all the time, and spoils what others say. */
static void babble(void)
{
    struct bus *b = &w.bus;
    char byte = (char)wn_prng_below(&w.prng, 256);
    if (b->now_ns >= w.quiet_ns) {
        w.babble_ns = b->now_ns + wn_ns_from_s(60 * luck());
        w.quiet_ns = w.babble_ns + wn_ns_from_s(2 * luck());
        return;
    }
    w.spoilt = true;
    for (int i = 0; i < w.says && w.say[i].from_ns <= b->now_ns; i++) {
        w.say[i].byte[0] ^= 0x55;
    }
    wn_share_input(&b->share, &byte, 1, b->now_ns);
    w.babbled++;
    bool dense = w.quiet_ns % 2 == 0; /* never the silence that ends a frame */
    w.babble_ns = b->now_ns + wn_ns_from_s(0.001 + (dense ? 0.002 : 0.03) * luck());
}

static void take_answers(void)
{
    struct bus *b = &w.bus;
    const char *data = NULL;
    size_t len = 0;
    int asker = -1;
    while (wn_share_take(&b->share, &asker, &data, &len)) {
        const uint8_t *d = (const uint8_t *)data;
        struct wn_modbus_request q = {.function = WN_MODBUS_READ_INPUT_REGISTERS,
                                      .unit = b->dialect[asker].modbus.unit,
                                      .address = 4,
                                      .count = 4};
        struct wn_modbus_reply reply;
        if (len == 1) {
            w.none++;
        } else if (wn_modbus_decode(&q, d, len, &reply, NULL) == WN_OK) {
            int serial = (int)((unsigned)wn_modbus_register(&reply, 0) << 16 |
                               wn_modbus_register(&reply, 1));
            assert_true(serial > w.serial - SERIALS && serial <= w.serial);
            assert_int_equal(w.write_of[serial % SERIALS], w.last_write[asker]);
            w.answers[asker]++;
        } else {
            w.spoils++;
        }
    }
}

static void ask_something(void)
{
    static const char *const unit_of[] = {"07", "08", "08"};
    char hex[40];
    int who = (int)wn_prng_below(&w.prng, BUS_CHANNELS), coil = who == 2 ? 2 : 0;
    double what = luck();
    bool before = w.wants_off[who];
    if (what < 0.1) {
        (void)snprintf(hex, sizeof hex, "%s 05 00 %02X 00 00", unit_of[who], (unsigned)coil);
        w.wants_off[who] = true;
        w.off_asked_ns[who] = w.off_asked_ns[who] > 0 ? w.off_asked_ns[who] : w.bus.now_ns;
        w.offs++;
    } else if (what < 0.15) {
        (void)snprintf(hex, sizeof hex, "%s 05 00 %02X FF 00", unit_of[who], (unsigned)coil);
        w.wants_off[who] = false;
    } else {
        (void)snprintf(hex, sizeof hex, "%s 04 00 04 00 04", unit_of[who]);
    }
    bool taken = bus_asks(&w.bus, who, hex);
    assert_true(taken || what >= 0.1);
    w.wants_off[who] = taken ? w.wants_off[who] : before;
}

static void begin(uint64_t seed)
{
    const struct wn_dialect *d[BUS_CHANNELS];
    memset(&w, 0, sizeof w);
    wn_prng_init(&w.prng, seed);
    bus_sit_down(&w.bus);
    for (int i = 0; i < BUS_CHANNELS; i++) {
        rtu_dialect(&w.bus.dialect[i], "run ",
                    "run = { function = 1; address = 0; channel_step = 2; };");
        assert_int_equal(wn_dialect_place(&w.bus.dialect[i], i == 0 ? 7 : 8, i == 2 ? 2 : 1, NULL),
                         WN_OK);
        d[i] = &w.bus.dialect[i];
    }
    wn_share_init(&w.bus.share, d, BUS_CHANNELS);
    for (int i = 0; i < BUS_CHANNELS; i++) {
        w.bus.asker[i] = wn_share_join(&w.bus.share, i);
    }
}

static void chaos(void **state)
{
    (void)state;
    uint64_t seed = talk_seed(20260801);
    begin(seed);
    struct bus *b = &w.bus;
    wn_ns end_ns = b->now_ns + SECONDS * WN_NS_PER_S, ask_ns = b->now_ns;
    while (b->now_ns < end_ns) {
        wn_ns heard_ns = w.sent.len > 0 ? w.sent.to_ns + SILENCE_NS : WN_NS_NEVER;
        wn_ns said_ns = w.says > 0 ? w.say[0].to_ns : WN_NS_NEVER;
        wn_ns tick_ns = wn_share_deadline(&b->share), next_ns = ask_ns;
        next_ns = heard_ns < next_ns ? heard_ns : next_ns;
        next_ns = said_ns < next_ns ? said_ns : next_ns;
        next_ns = tick_ns < next_ns ? tick_ns : next_ns;
        next_ns = w.babble_ns < next_ns ? w.babble_ns : next_ns;
        b->now_ns = next_ns > b->now_ns ? next_ns : b->now_ns;
        if (w.babble_ns == next_ns) {
            babble();
        } else if (said_ns == next_ns) {
            hear();
        } else if (heard_ns == next_ns) {
            struct saying f = w.sent;
            w.sent.len = 0;
            if (!w.spoilt) {
                unit_hears(&f, b->now_ns);
            }
        } else if (ask_ns == next_ns) {
            ask_something();
            ask_ns += wn_ns_from_s(0.15 * luck());
        } else {
            wn_share_tick(&b->share, b->now_ns);
        }
        take_answers();
        write_out();
        for (int i = 0; i < BUS_CHANNELS; i++) {
            bool waits = w.off_asked_ns[i] > 0;
            assert_true(!waits || b->now_ns - w.off_asked_ns[i] < 500 * WN_NS_PER_MS);
        }
    }
    print_message(
        "%ld writes, answers %ld %ld %ld, %ld none, %ld spoilt, %ld times off (the latest "
        "after %.0f ms, %ld broke in), %ld late, %ld at once, %llu time-outs, %ld bytes babbled\n",
        w.writes, w.answers[0], w.answers[1], w.answers[2], w.none, w.spoils, w.offs,
        (double)w.off_latest_ns / 1e6, w.hasty, w.late, w.collisions,
        (unsigned long long)b->share.timeouts, w.babbled);
    for (int i = 0; i < BUS_CHANNELS; i++) {
        assert_in_range(w.answers[i], SECONDS / 2, 100 * SECONDS);
    }
    assert_true(w.offs > 1000 && w.late > 100 && b->share.timeouts > 100 && w.spoils > 100);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(chaos)};
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
