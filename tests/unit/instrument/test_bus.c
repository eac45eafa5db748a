/* Several MODBUS units on one line: turns, silence, whose reply it is, off first, late replies.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "bus.h"

#include <string.h>

#define READ7  "07 04 00 04 00 04"
#define READ8  "08 04 00 04 00 04"
#define PROBE7 "07 04 00 00 00 03"
#define PROBE8 "08 04 00 00 00 03"
#define IS7    "07 04 06 12 34 00 00 00 4D"
#define IS8    "08 04 06 12 34 00 00 00 4D"
#define GOT7   "07 04 08 00 00 00 01 01 F4 00 FB"
#define GOT8   "08 04 08 00 00 00 02 01 F4 00 FB"
#define OFF7   "07 05 00 00 00 00"
#define OFF7B  "07 0F 00 01 00 01 01 00"
#define OFF8   "08 05 00 00 00 00"
#define OFF8B  "08 0F 00 01 00 01 01 00"
#define ON8    "08 05 00 00 FF 00"

enum { SILENCE_US = 4010 }; /* 3.5 characters of 11 bits at 9600 baud */

static struct bus b;

/* One request at a time, each behind a silence. */
static void turns_and_silence(void **state)
{
    (void)state;
    bus_begin(&b);
    assert_true(bus_asks(&b, 0, READ7));
    assert_true(bus_asks(&b, 0, "07 03 00 05 00 01"));
    assert_true(bus_asks(&b, 1, READ8));
    bus_sends(&b, READ7);
    bus_waits(&b, 30);
    bus_hears(&b, GOT7);
    bus_gives_nothing(&b); /* a byte too many would spoil it */
    bus_sends_after(&b, SILENCE_US / 1e3, READ8);
    bus_gives(&b, 0, GOT7);
    bus_hears(&b, GOT8);
    bus_sends_after(&b, SILENCE_US / 1e3, "07 03 00 05 00 01");
    bus_gives(&b, 1, GOT8);
    bus_hears(&b, "07 83 02"); /* a refusal is an answer */
    bus_waits(&b, 10);
    bus_gives(&b, 0, "07 83 02");
    assert_true(wn_share_is_idle(&b.share));
}

/* In pieces, with the pauses that adapters make. */
static void reply_in_pieces(void **state)
{
    (void)state;
    uint8_t frame[RTU_FRAME];
    size_t len = bus_frame(GOT7, frame);
    bus_begin(&b);
    (void)bus_asks(&b, 0, READ7);
    bus_sends(&b, READ7);
    for (size_t i = 0; i < len; i++) {
        bus_hears_raw(&b, frame + i, 1);
        bus_waits(&b, i + 1 < len ? 16 : 10);
    }
    bus_gives(&b, 0, GOT7);
}

/* Told so at once; the unit is asked for nothing else before it is in step, the other is served. */
static void no_reply(void **state)
{
    (void)state;
    bus_begin(&b);
    (void)bus_asks(&b, 1, READ8);
    (void)bus_asks(&b, 2, READ8);
    (void)bus_asks(&b, 0, READ7);
    bus_sends(&b, READ8);
    /* 8 bytes, a reply of at most 16, 200 ms */
    bus_sends_after(&b, 200 + (8 + 16) * 11 / 9.6, PROBE8);
    bus_gives(&b, 1, "");
    bus_gives_nothing(&b);
    bus_hears(&b, GOT8); /* the late reply to the first, which the second waits for, too */
    bus_sends_after(&b, 30, READ7);
    bus_gives_nothing(&b);
    bus_hears(&b, GOT7);
    bus_sends_after(&b, SILENCE_US / 1e3, PROBE8);
    bus_gives(&b, 0, GOT7);
    bus_hears(&b, IS8); /* of the first probe perhaps: it was asked behind the first request, too */
    bus_sends_after(&b, SILENCE_US / 1e3, READ8);
    bus_hears(&b, GOT8);
    bus_waits(&b, 10);
    bus_gives(&b, 2, GOT8);
    assert_int_equal(b.share.timeouts, 1);
}

/* The asker of unit 7 is given it, with a byte behind it so that it is no frame. */
static void spoilt_is(const char *hex)
{
    uint8_t frame[RTU_FRAME];
    const char *data = NULL;
    size_t n = bus_frame(hex, frame), len = 0;
    int asker = -1;
    frame[n++] = 0xff;
    assert_true(wn_share_take(&b.share, &asker, &data, &len));
    assert_int_equal(asker, b.asker[0]);
    assert_int_equal(len, n);
    assert_memory_equal(data, frame, n);
}

/* Answers to older probes prove nothing about what was asked behind these. */
static void old_probes(void **state)
{
    (void)state;
    bus_begin(&b);
    for (int i = 0; i < BUS_CHANNELS; i++) {
        b.dialect[i].retries = 9;
    }
    (void)bus_asks(&b, 1, READ8);
    bus_sends(&b, READ8);
    bus_waits(&b, 230);
    bus_gives(&b, 1, "");
    (void)bus_asks(&b, 2, READ8);
    bus_sends(&b, PROBE8);
    bus_waits(&b, 230);
    bus_sends(&b, PROBE8);
    (void)bus_asks(&b, 1, OFF8);
    bus_sends_after(&b, 100, OFF8);
    bus_waits(&b, 230);
    bus_gives(&b, 1, "");
    for (int i = 0; i < 3; i++) { /* of the first, of the second perhaps; the third is new */
        bus_sends(&b, PROBE8);
        bus_hears(&b, IS8);
        bus_waits(&b, 5);
    }
    bus_sends(&b, READ8);
}

/* Of another unit, of another length, with a wrong CRC, with a byte too many: seen by the asker as
 * it came, and by nobody else. */
static void spoilt_replies(void **state)
{
    (void)state;
    static const char *const bad[] = {GOT8, "07 04 06 00 00 00 01 01 F4", "07 84 02 00"};
    for (size_t i = 0; i < 3; i++) {
        bus_begin(&b);
        (void)bus_asks(&b, 0, READ7);
        (void)bus_asks(&b, 1, READ8);
        bus_sends(&b, READ7);
        bus_hears(&b, bad[i]);
        bus_sends_after(&b, 30, READ8);
        spoilt_is(bad[i]);
        bus_hears(&b, GOT8);
        bus_waits(&b, 10);
        bus_gives(&b, 1, GOT8);
        (void)bus_asks(&b, 0, READ7);
        bus_sends(&b, PROBE7);
    }
    uint8_t frame[RTU_FRAME];
    size_t len = bus_frame(GOT7, frame);
    bus_begin(&b);
    (void)bus_asks(&b, 0, READ7);
    bus_sends(&b, READ7);
    bus_hears_raw(&b, frame, len);
    bus_waits(&b, 3);
    bus_hears_raw(&b, "\xff", 1);
    bus_waits(&b, 30);
    bus_gives(&b, 0, "07 04 08 00 00 00 01 01 F4 00 FB 06 C8 FF");
}

/* Bytes nobody asked for: silence, and who is there, first. */
static void noise(void **state)
{
    (void)state;
    bus_begin(&b);
    bus_hears_raw(&b, "\x12", 1);
    (void)bus_asks(&b, 0, READ7);
    bus_sends_after(&b, 30, PROBE7);
    bus_hears(&b, IS7);
    bus_sends_after(&b, SILENCE_US / 1e3, READ7);
    bus_hears(&b, GOT7);
    bus_waits(&b, 10);
    bus_gives(&b, 0, GOT7);
    /* noise without end does not hold anybody up for longer than a time-out, off not so long */
    (void)bus_asks(&b, 0, READ7);
    bus_sends(&b, READ7);
    bus_hears(&b, GOT7);
    bus_waits(&b, 5);
    bus_gives(&b, 0, GOT7);
    bus_hears_raw(&b, "\x12", 1);
    (void)bus_asks(&b, 1, READ8);
    wn_ns from_ns = b.now_ns;
    size_t len = 0;
    while (wn_share_output(&b.share, &len) != NULL && len == 0) {
        bus_waits(&b, 10);
        bus_hears_raw(&b, "\x12", 1);
    }
    assert_in_range(b.now_ns - from_ns, 190 * WN_NS_PER_MS, 220 * WN_NS_PER_MS);
    bus_begin(&b);
    bus_hears_raw(&b, "\x12", 1);
    (void)bus_asks(&b, 1, OFF8);
    from_ns = b.now_ns;
    while (wn_share_output(&b.share, &len) != NULL && len == 0) {
        bus_waits(&b, 3);
        bus_hears_raw(&b, "\x12", 1);
    }
    assert_in_range(b.now_ns - from_ns, 3 * WN_NS_PER_MS, 106 * WN_NS_PER_MS);
}

/* For how long a byte each so many ms keeps everything from being written. */
static double held_up_ms(double every_ms)
{
    wn_ns from_ns = b.now_ns;
    size_t len = 0;
    for (int i = 0; i < 1000 && wn_share_output(&b.share, &len) != NULL && len == 0; i++) {
        bus_waits(&b, every_ms);
        bus_hears_raw(&b, "\x12", 1);
    }
    return (double)(b.now_ns - from_ns) / WN_NS_PER_MS;
}

/* In the place of a reply: whoever asked is told, and the next one goes on into it. */
static void noise_for_a_reply(void **state)
{
    (void)state;
    bus_begin(&b);
    (void)bus_asks(&b, 0, READ7);
    (void)bus_asks(&b, 1, READ8);
    bus_sends(&b, READ7);
    assert_in_range(held_up_ms(10), 200, 2 * 200 + 20);
    bus_begin(&b);
    (void)bus_asks(&b, 0, READ7);
    bus_sends(&b, READ7);
    bus_waits(&b, 20);
    bus_hears_raw(&b, "\x12", 1);
    (void)bus_asks(&b, 1, OFF8);
    assert_in_range(held_up_ms(3), 3, 2 * 100 + 6);
    bus_sends(&b, OFF8);
}

/* Off waits for the reply under way, before all that waits, and cancels what its channel wants. */
static void off_first(void **state)
{
    (void)state;
    bus_begin(&b);
    (void)bus_asks(&b, 0, READ7);
    bus_sends(&b, READ7);
    (void)bus_asks(&b, 2, READ8);
    (void)bus_asks(&b, 1, ON8);
    bus_waits(&b, 20);
    (void)bus_asks(&b, 1, OFF8);
    bus_sends(&b, "");
    bus_hears(&b, GOT7);
    bus_sends_after(&b, SILENCE_US / 1e3, OFF8);
    bus_gives(&b, 0, GOT7);
    bus_hears(&b, OFF8);
    bus_sends_after(&b, SILENCE_US / 1e3, READ8); /* and no ON8 */
    bus_gives(&b, 1, OFF8);
    bus_hears(&b, GOT8);
    bus_waits(&b, 10);
    bus_gives(&b, 2, GOT8);
    assert_true(wn_share_is_idle(&b.share));
}

/* Not longer than 100 ms; the asker is told, and the unit must get into step. */
static void off_does_not_wait(void **state)
{
    (void)state;
    bus_begin(&b);
    (void)bus_asks(&b, 0, READ7);
    bus_sends(&b, READ7);
    bus_waits(&b, 50);
    (void)bus_asks(&b, 1, OFF8);
    bus_sends_after(&b, 100, OFF8);
    bus_gives(&b, 0, "");
    bus_hears(&b, OFF8);
    bus_waits(&b, 10);
    bus_gives(&b, 1, OFF8);
    (void)bus_asks(&b, 0, READ7);
    bus_sends(&b, PROBE7);
    assert_int_equal(b.share.timeouts, 0);
    assert_int_equal(b.share.frames.unit[0].misses, 0); /* no fault of its own */
}

/* It goes out to a unit that is not in step, and the question behind it is asked first of all. */
static void off_out_of_step(void **state)
{
    (void)state;
    bus_sit_down(&b);
    (void)bus_asks(&b, 0, READ7);
    bus_sends(&b, PROBE7);
    (void)bus_asks(&b, 2, READ8);
    (void)bus_asks(&b, 1, OFF8);
    bus_hears(&b, IS7);
    bus_sends_after(&b, SILENCE_US / 1e3, OFF8);
    bus_hears(&b, OFF8);
    bus_waits(&b, SILENCE_US / 1e3 + 0.1);
    bus_gives(&b, 1, OFF8);
    bus_sends(&b, PROBE8);
    (void)bus_asks(&b, 1, "08 01 00 00 00 01"); /* is it off? */
    bus_hears(&b, IS8);
    bus_sends_after(&b, SILENCE_US / 1e3, PROBE8);
    bus_hears(&b, IS8);
    bus_sends_after(&b, SILENCE_US / 1e3, "08 01 00 00 00 01");
}

/* What its own asker has under way is no answer to off. */
static void off_of_the_same_asker(void **state)
{
    (void)state;
    bus_begin(&b);
    (void)bus_asks(&b, 1, ON8);
    bus_sends(&b, ON8);
    (void)bus_asks(&b, 1, OFF8);
    bus_hears(&b, ON8);
    bus_sends_after(&b, SILENCE_US / 1e3, OFF8);
    bus_gives_nothing(&b);
    bus_hears(&b, OFF8);
    bus_waits(&b, 10);
    bus_gives(&b, 1, OFF8);
    /* half written: the silence behind it makes the unit forget it */
    (void)bus_asks(&b, 1, ON8);
    wn_share_wrote(&b.share, 3, b.now_ns);
    (void)bus_asks(&b, 1, OFF8);
    bus_sends_after(&b, 3 * 11 / 9.6 + SILENCE_US / 1e3, OFF8);
    bus_hears(&b, OFF8);
    bus_waits(&b, 10);
    bus_gives(&b, 1, OFF8);
    assert_true(wn_share_is_idle(&b.share)); /* ON8 was cancelled */
    /* before anything of it was written */
    (void)bus_asks(&b, 1, ON8);
    (void)bus_asks(&b, 1, OFF8);
    bus_sends(&b, OFF8);
    bus_hears(&b, OFF8);
    bus_waits(&b, 10);
    assert_true(wn_share_is_idle(&b.share));
}

/* The last asker has gone: every frame of off, answered or not. Of two at a unit only its own. */
static void gone(void **state)
{
    (void)state;
    bus_begin(&b);
    wn_share_leave(&b.share, b.asker[0], b.now_ns);
    bus_sends(&b, OFF7);
    bus_sends_after(&b, 100 + 18 * 11 / 9.6, OFF7B);
    bus_hears(&b, "07 0F 00 01 00 01");
    bus_waits(&b, 10);
    bus_gives_nothing(&b);
    assert_true(wn_share_is_idle(&b.share));
    /* three at once take turns, and wait no longer than off may */
    bus_begin(&b);
    wn_share_all_off(&b.share, b.now_ns);
    for (int i = 0; i < BUS_CHANNELS; i++) { /* the old askers keep them from being off */
        wn_share_leave(&b.share, b.asker[i], b.now_ns);
    }
    bus_sends(&b, OFF8);
    bus_sends_after(&b, 100 + 18 * 11 / 9.6, OFF7);
    bus_sends_after(&b, 100 + 18 * 11 / 9.6, OFF8);
    bus_sends_after(&b, 100 + 18 * 11 / 9.6, OFF8B);
    bus_sends_after(&b, 100 + 20 * 11 / 9.6, OFF7B);
    bus_sends_after(&b, 100 + 20 * 11 / 9.6, OFF8B);
    bus_waits(&b, 300);
    assert_true(wn_share_is_idle(&b.share));
}

/* As often as its file allows, then it is left alone: off alone goes out. The other one is served.
 */
static void dead_unit(void **state)
{
    (void)state;
    bus_begin(&b);
    (void)bus_asks(&b, 1, READ8);
    bus_sends(&b, READ8);
    bus_waits(&b, 228);
    bus_gives(&b, 1, "");
    (void)bus_asks(&b, 1, READ8);
    for (int i = 0; i < 2; i++) {
        bus_sends(&b, PROBE8);
        (void)bus_asks(&b, 0, READ7);
        bus_sends_after(&b, 200 + (8 + 14) * 11 / 9.6, READ7);
        bus_hears(&b, GOT7);
        bus_waits(&b, 5);
        bus_gives(&b, 0, GOT7);
        if (i == 1) {
            bus_gives(&b, 1, ""); /* dropped */
        }
    }
    bus_sends(&b, "");
    assert_false(bus_asks(&b, 2, READ8)); /* it is the same unit */
    bus_gives(&b, 2, "");
    (void)bus_asks(&b, 1, OFF8);
    bus_sends(&b, OFF8);
    (void)bus_asks(&b, 0, READ7);
    bus_sends_after(&b, 100 + 18 * 11 / 9.6, READ7); /* which is not held up by it */
    bus_gives(&b, 1, "");
    bus_hears(&b, GOT7);
    bus_waits(&b, 810);
    bus_gives(&b, 0, GOT7);
    assert_true(bus_asks(&b, 1, READ8)); /* it has rested */
    bus_sends(&b, PROBE8);
    bus_waits(&b, 230);
    bus_gives(&b, 1, ""); /* one try is enough now */
}

/* What is no request of ours to that unit is not sent. */
static void no_requests(void **state)
{
    (void)state;
    bus_begin(&b);
    assert_false(bus_asks(&b, 0, READ8));
    bus_gives(&b, 0, "");
    assert_false(bus_asks(&b, 0, "07 2B 0E 01 00"));
    assert_false(bus_asks(&b, 0, "07 04 00 04 00 04 00"));
    assert_false(bus_asks(&b, 0, "07 10 00 04 00 02 04 00 01 00"));
    assert_false(
        wn_share_ask(&b.share, b.asker[0], "\x07\x04\x00\x04\x00\x04\x00\x00", 8, b.now_ns));
    assert_false(wn_share_ask(&b.share, b.asker[0], "\x07", 1, b.now_ns));
    bus_sends(&b, "");
    for (int i = 0; i < WN_SHARE_QUEUE; i++) {
        assert_true(bus_asks(&b, 0, READ7));
    }
    assert_false(bus_asks(&b, 0, READ7));
    assert_int_equal(b.share.dropped, 7);
}

/* Off frame by frame, as the guard writes it, faster than it can go out: it becomes the whole. */
static void many_offs(void **state)
{
    (void)state;
    bus_begin(&b);
    (void)bus_asks(&b, 1, READ8);
    bus_sends(&b, READ8);
    (void)bus_asks(&b, 0, OFF7);
    (void)bus_asks(&b, 0, OFF7B);
    (void)bus_asks(&b, 0, OFF7); /* which then comes last */
    bus_hears(&b, GOT8);
    bus_sends_after(&b, SILENCE_US / 1e3, OFF7B);
    bus_hears(&b, "07 0F 00 01 00 01");
    bus_sends_after(&b, SILENCE_US / 1e3, OFF7);
}

/* The probe is refused: who asks the same is told that, and not that nobody answers. */
static void refused_probe(void **state)
{
    (void)state;
    bus_sit_down(&b);
    (void)bus_asks(&b, 0, PROBE7);
    bus_sends(&b, PROBE7);
    bus_hears(&b, "07 84 02");
    bus_waits(&b, 10);
    bus_gives(&b, 0, "07 84 02");
    assert_true(wn_share_is_idle(&b.share));
}

/* An adapter that echoes: the askers do not see it. */
static void echo(void **state)
{
    (void)state;
    bus_begin(&b);
    for (int i = 0; i < BUS_CHANNELS; i++) {
        b.dialect[i].echo = true;
    }
    (void)bus_asks(&b, 0, READ7);
    bus_sends(&b, READ7);
    bus_hears(&b, READ7);
    bus_hears(&b, GOT7);
    bus_waits(&b, 10);
    bus_gives(&b, 0, GOT7);
    (void)bus_asks(&b, 0, READ7);
    bus_sends(&b, READ7);
    bus_hears(&b, READ8);
    bus_waits(&b, 40);
    spoilt_is(READ8); /* somebody else talks */
}

/* The port takes nothing: off waits on, the rest does not. */
static void stuck_port(void **state)
{
    (void)state;
    bus_begin(&b);
    (void)bus_asks(&b, 0, READ7);
    bus_waits(&b, 200);
    bus_gives(&b, 0, "");
    assert_true(wn_share_is_idle(&b.share));
    (void)bus_asks(&b, 0, OFF7);
    bus_waits(&b, 1000);
    bus_gives_nothing(&b);
    bus_sends(&b, OFF7);
}

/* Two sessions, one at each unit, and what they say when one is not there. */
static void sessions(void **state)
{
    (void)state;
    static struct wn_session s[2];
    bus_sit_down(&b);
    for (int i = 0; i < 2; i++) {
        wn_session_init(&s[i], &b.dialect[i], "tester", "/dev/bus");
        s[i].users = 3;
        wn_session_begin(&s[i], WN_REQUEST_IDENTIFY, NULL, b.now_ns);
    }
    for (int turns = 0; turns < 20000 && wn_session_result(&s[0]) == WN_SESSION_PENDING; turns++) {
        const char *data = NULL;
        size_t len = 0;
        int asker = -1;
        for (int i = 0; i < 2; i++) {
            const char *out = wn_session_output(&s[i], &len);
            if (len > 0) {
                (void)wn_share_ask(&b.share, b.asker[i], out, len, b.now_ns);
                wn_session_wrote(&s[i], len, b.now_ns);
            }
        }
        data = wn_share_output(&b.share, &len);
        bool seven = len > 0 && data[0] == 7, text = len > 3 && data[3] == 20;
        wn_share_wrote(&b.share, len, b.now_ns);
        b.now_ns += WN_NS_PER_MS;
        if (seven) {
            bus_hears(&b, text ? "07 04 08 41 43 4D 45 20 31 20 00" : IS7);
        }
        wn_share_tick(&b.share, b.now_ns);
        while (wn_share_take(&b.share, &asker, &data, &len)) {
            (void)wn_session_input(&s[asker == b.asker[0] ? 0 : 1], data, len, b.now_ns);
        }
        for (int i = 0; i < 2; i++) {
            (void)wn_session_tick(&s[i], b.now_ns);
        }
    }
    assert_int_equal(wn_session_result(&s[0]), WN_SESSION_DONE);
    assert_string_equal(s[0].identity, "model 4660, number 77, name ACME 1");
    assert_int_equal(wn_session_result(&s[1]), WN_SESSION_FAILED);
    assert_int_equal(s[1].error.code, WN_ETIMEOUT);
    assert_non_null(strstr(s[1].error.text, "no answer (unit 8, function 4, address 0 to 2) within "
                                            "0.2 s"));
    assert_int_equal(s[0].timeouts, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(turns_and_silence),
        cmocka_unit_test(reply_in_pieces),
        cmocka_unit_test(no_reply),
        cmocka_unit_test(spoilt_replies),
        cmocka_unit_test(old_probes),
        cmocka_unit_test(noise),
        cmocka_unit_test(noise_for_a_reply),
        cmocka_unit_test(off_first),
        cmocka_unit_test(off_does_not_wait),
        cmocka_unit_test(off_out_of_step),
        cmocka_unit_test(off_of_the_same_asker),
        cmocka_unit_test(gone),
        cmocka_unit_test(dead_unit),
        cmocka_unit_test(no_requests),
        cmocka_unit_test(many_offs),
        cmocka_unit_test(refused_probe),
        cmocka_unit_test(echo),
        cmocka_unit_test(stuck_port),
        cmocka_unit_test(sessions),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
