/* MODBUS on a bad line: never a wrong value, never an old one, off at any moment.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The instrument numbers its answers to the reading: the number is the voltage. So a value that was
 * spoilt, or that answers an earlier question, is known by its number. */
#include <math.h>
#include <string.h>

#include "base/prng.h"
#include "rtu.h"
#include "talk.h"

static double voltage_of(int32_t serial)
{
    return serial * 0.0001;
}

enum { NONE, FLIP, LOSE, INSERT, LATE, SILENT, TWICE };

/* One kind of damage to one reply. */
struct damage {
    int kind;   /* of those below */
    int number; /* of the reply that is damaged; -1: all */
    size_t at;
    unsigned bits; /* FLIP: mask; INSERT: the byte */
    double ms;
};

static void damage(struct rtu *t, int n, uint8_t *reply, size_t *len, wn_ns *delay_ns)
{
    const struct damage *d = t->ctx;
    if (d->number >= 0 && n != d->number) {
        return;
    }
    size_t at = d->at < *len ? d->at : *len - 1;
    switch (d->kind) {
    case FLIP:
        reply[at] = (uint8_t)(reply[at] ^ d->bits);
        break;
    case LOSE:
        memmove(reply + at, reply + at + 1, *len - at - 1);
        (*len)--;
        break;
    case INSERT:
        memmove(reply + at + 1, reply + at, *len - at);
        reply[at] = (uint8_t)d->bits;
        (*len)++;
        break;
    case LATE:
        *delay_ns = wn_ns_from_s(d->ms / 1000);
        break;
    case SILENT:
        *len = 0;
        break;
    case TWICE:
        memcpy(reply + *len, reply, *len);
        *len *= 2;
        break;
    default:
        break;
    }
}

/* Every reading that is accepted must be an answer to a question of its own request, which has
 * begun at this number. */
static bool is_right(struct rtu *t, int32_t before)
{
    if (rtu_run(t) != WN_SESSION_DONE) {
        return true;
    }
    double v = t->session.reading.voltage_v;
    return v > voltage_of(before) + 0.00005 && v < voltage_of(t->serial) + 0.00005;
}

static bool reads_right(struct rtu *t)
{
    int32_t before = t->serial;
    rtu_request(t, WN_REQUEST_READ);
    return is_right(t, before);
}

/* All the damage there is to one reply, without asking again: nothing wrong may be accepted. */
static void measured(void **state)
{
    (void)state;
    static struct rtu fresh, t;
    struct wn_prng p;
    long tried[3] = {0}, wrong[3] = {0}, right[3] = {0};
    static const char *const name[] = {"bit flip", "lost byte", "inserted byte"};
    wn_prng_init(&p, talk_seed(11));
    for (int round = 0; round < 40; round++) {
        struct damage d = {.number = 0};
        rtu_begin(&fresh);
        assert_int_equal(rtu_do(&fresh, WN_REQUEST_READ), WN_SESSION_DONE); /* the step is there */
        fresh.serial = (int32_t)(wn_prng_uniform(&p) * 60000);
        fresh.input[6] = (uint16_t)(wn_prng_uniform(&p) * 65535);
        fresh.dialect.retries = 0;
        fresh.replies = 0;
        for (int kind = 0; kind < 3; kind++) {
            int values = kind == 0 ? 8 : kind == 1 ? 1 : 256;
            for (int i = 0; i < values * (kind == 2 ? 14 : 13); i++) {
                t = fresh;
                t.session.dialect = &t.dialect;
                t.way = damage;
                t.ctx = &d;
                d.kind = kind == 0 ? FLIP : kind == 1 ? LOSE : INSERT;
                d.at = (size_t)(i / values);
                d.bits = kind == 0 ? 1u << (i % 8) : (unsigned)(i % values);
                tried[kind]++;
                wrong[kind] += !reads_right(&t);
                right[kind] += wn_session_result(&t.session) == WN_SESSION_DONE;
            }
        }
    }
    for (int kind = 0; kind < 3; kind++) {
        print_message("%-13s %7ld tried, %ld wrong values accepted, %ld right ones\n", name[kind],
                      tried[kind], wrong[kind], right[kind]);
        assert_int_equal(wrong[kind], 0);
    }
    assert_int_equal(right[0] + right[1], 0);
}

static void asked_again_after_each_damage(void **state)
{
    (void)state;
    for (int kind = FLIP; kind <= TWICE; kind++) {
        for (int number = 0; number < 3; number++) {
            static struct rtu t;
            struct damage d = {.kind = kind, .number = number, .at = 3, .bits = 0x10, .ms = 230};
            rtu_begin(&t);
            t.way = damage;
            t.ctx = &d;
            assert_true(reads_right(&t));
            assert_int_equal(wn_session_result(&t.session), WN_SESSION_DONE);
            assert_true(t.session.bad_replies + t.session.timeouts > 0);
            assert_int_equal(t.session.recent_bad, 1);
            for (int i = 0; i < 3; i++) {
                assert_true(reads_right(&t));
                assert_int_equal(wn_session_result(&t.session), WN_SESSION_DONE);
            }
            assert_int_equal(t.too_early, 0);
        }
    }
}

/* A reply so late that the same question has been asked again looks exactly like its answer. */
static void late_at_every_delay(void **state)
{
    (void)state;
    for (int ms = 180; ms < 2000; ms += 7) {
        static struct rtu t;
        struct damage d = {.kind = LATE, .number = 1, .ms = ms};
        rtu_begin(&t);
        t.way = damage;
        t.ctx = &d;
        for (int i = 0; i < 12; i++) {
            if (!reads_right(&t)) {
                fail_msg("%d ms late, reading %d: %.4f V", ms, i, t.session.reading.voltage_v);
            }
            rtu_wait(&t, i * 3);
        }
        assert_int_equal(wn_session_result(&t.session), WN_SESSION_DONE);
    }
}

/* How late each reply comes, in ms; 0: never. */
static void schedule(struct rtu *t, int n, uint8_t *reply, size_t *len, wn_ns *delay_ns)
{
    const int *ms = t->ctx;
    (void)reply;
    *len = ms[n] > 0 ? *len : 0;
    *delay_ns = ms[n] * WN_NS_PER_MS;
}

/* A reading is lost (0), the probe behind it is answered late, in the time of the next probe (350,
 * 500), the reading behind that is answered in the next request, behind the answer to the second
 * probe: that one was asked before the reading, and proves nothing about it. */
static void a_late_answer_to_an_older_probe(void **state)
{
    (void)state;
    static struct rtu t;
    static const int ms[100] = {0, 350, 500, 400, 200, 20, 20, 20, 20, 20, 20, 20};
    rtu_begin(&t);
    assert_true(reads_right(&t));
    t.replies = 0;
    t.way = schedule;
    t.ctx = (void *)(uintptr_t)ms;
    assert_int_equal(rtu_do(&t, WN_REQUEST_READ), WN_SESSION_FAILED);
    assert_int_equal(t.replies, 4);
    assert_true(reads_right(&t));
    assert_int_equal(wn_session_result(&t.session), WN_SESSION_DONE);
}

/* A good reply and then one byte more, before the line was silent: it was not what was sent. */
static void a_byte_behind_the_reply(void **state)
{
    (void)state;
    static struct rtu t;
    const uint8_t more = 0;
    rtu_begin(&t);
    rtu_request(&t, WN_REQUEST_READ);
    rtu_run_to(&t, 1);
    rtu_say(&t, &more, 1, 21);
    assert_true(is_right(&t, 0));
    assert_int_equal(wn_session_result(&t.session), WN_SESSION_DONE);
    assert_int_equal(t.session.bad_replies, 1);
}

static void in_pieces(void **state)
{
    (void)state;
    static struct rtu t;
    const uint8_t reply[] = {7, 4, 8, 0, 0, 0, 9, 1, 244, 0, 251, 0xff, 0xff};
    uint8_t right[RTU_FRAME];
    size_t n = 0;
    struct damage d = {.kind = SILENT, .number = -1};
    rtu_begin(&t);
    assert_int_equal(rtu_do(&t, WN_REQUEST_READ), WN_SESSION_DONE);
    t.sents = 0;
    t.way = damage;
    t.ctx = &d;
    for (size_t piece = 1; piece < sizeof reply; piece++) {
        const uint16_t values[] = {0, 9, 500, 251};
        struct wn_modbus_request q = {
            .function = WN_MODBUS_READ_INPUT_REGISTERS, .unit = 7, .address = 4, .count = 4};
        assert_int_equal(wn_modbus_encode_reply(&q, values, right, sizeof right, &n, NULL), WN_OK);
        assert_int_equal(n, sizeof reply);
        rtu_request(&t, WN_REQUEST_READ);
        rtu_run_to(&t, t.sents + 1);
        for (size_t at = 0; at < n; at += piece) {
            rtu_say(&t, right + at, at + piece < n ? piece : n - at, 10 + 10 * (double)at);
        }
        int before = t.sents;
        t.way = damage;
        rtu_run_to(&t, before + 1); /* the second read goes out: the first was understood */
        t.way = NULL;
        t.lines = 0;
        wn_session_begin(&t.session, WN_REQUEST_OFF, NULL, t.now_ns);
        assert_int_equal(rtu_run(&t), WN_SESSION_DONE);
        assert_int_equal(t.session.bad_replies + t.session.timeouts, 0);
        assert_true(fabs(t.session.part.voltage_v - 0.0009) < 1e-9);
        t.way = damage;
        d.kind = NONE;
        assert_int_equal(rtu_do(&t, WN_REQUEST_READ), WN_SESSION_DONE);
        d.kind = SILENT;
    }
}

/* An adapter that gives back what it sends: told where it is not declared, taken away where it is.
 */
static void echo(void **state)
{
    (void)state;
    static struct rtu t;
    rtu_init(&t, NULL, NULL);
    t.echoes = true;
    assert_int_equal(rtu_do(&t, WN_REQUEST_IDENTIFY), WN_SESSION_FAILED);
    rtu_failed(&t, WN_EFRAME, "write echo = true");
    rtu_init(&t, "echo", "echo = true;");
    t.echoes = true;
    for (int r = WN_REQUEST_IDENTIFY; r <= WN_REQUEST_READ; r++) {
        if (r != WN_REQUEST_POWER) {
            assert_int_equal(rtu_do(&t, (enum wn_request)r), WN_SESSION_DONE);
        }
    }
    assert_int_equal(t.session.bad_replies + t.session.timeouts, 0);
    t.echoes = false; /* and where it is declared and missing, nothing is believed */
    assert_int_equal(rtu_do(&t, WN_REQUEST_READ), WN_SESSION_FAILED);
    rtu_failed(&t, WN_EFRAME, "the echo is not what was sent");
}

/* A dead instrument behind an adapter that echoes confirms no write: the echo alone is no proof. */
static void echo_of_a_dead_instrument(void **state)
{
    (void)state;
    static struct rtu t;
    rtu_begin(&t);
    t.echoes = t.deaf = true;
    for (int r = WN_REQUEST_SETUP; r <= WN_REQUEST_READ; r++) {
        assert_int_equal(rtu_do(&t, (enum wn_request)r), WN_SESSION_FAILED);
    }
}

/* Off, begun after each step of every other request, and at every millisecond of a reply: done,
 * proven, and out soon. */
static void off_at_any_moment(void **state)
{
    (void)state;
    for (int r = WN_REQUEST_IDENTIFY; r <= WN_REQUEST_READ; r++) {
        for (int ms = 0; ms < 120; ms++) {
            static struct rtu t;
            if (r == WN_REQUEST_OFF || r == WN_REQUEST_POWER) {
                continue;
            }
            rtu_begin(&t);
            t.coil[0] = true;
            rtu_request(&t, (enum wn_request)r);
            rtu_wait(&t, ms);
            t.sents = 0;
            wn_ns from_ns = t.now_ns;
            wn_session_begin(&t.session, WN_REQUEST_OFF, NULL, t.now_ns);
            rtu_run_to(&t, 1);
            assert_int_equal(t.sent[0].frame[1], WN_MODBUS_WRITE_COIL);
            assert_true(t.sent[0].at_ns - from_ns <= 40 * WN_NS_PER_MS); /* a reply, and silence */
            assert_false(t.coil[0]);
            assert_int_equal(rtu_run(&t), WN_SESSION_DONE);
            assert_int_equal(t.too_early, 0);
            assert_true(reads_right(&t));
            assert_int_equal(wn_session_result(&t.session), WN_SESSION_DONE);
        }
    }
}

/* Nobody answers: off does not wait for a reply that does not come. */
static void off_on_a_dead_line(void **state)
{
    (void)state;
    static struct rtu t;
    rtu_begin(&t);
    t.deaf = true;
    rtu_request(&t, WN_REQUEST_READ);
    rtu_run_to(&t, 1);
    wn_ns from_ns = t.now_ns;
    t.sents = 0;
    wn_session_begin(&t.session, WN_REQUEST_OFF, NULL, t.now_ns);
    rtu_run_to(&t, 1);
    assert_true(t.sent[0].at_ns - from_ns < 120 * WN_NS_PER_MS);
    assert_int_equal(rtu_run(&t), WN_SESSION_FAILED);
    rtu_failed(&t, WN_ETIMEOUT, "no answer (unit 7, function 15, address 1)"); /* the last of off */
}

/* Half a frame was written when off came: the silence behind it makes the instrument forget it. */
static void off_behind_half_a_frame(void **state)
{
    (void)state;
    static struct rtu t;
    size_t len = 0;
    rtu_begin(&t);
    rtu_request(&t, WN_REQUEST_CHARGE);
    rtu_wait(&t, 0);
    rtu_begin(&t);
    rtu_request(&t, WN_REQUEST_CHARGE);
    (void)wn_session_tick(&t.session, t.now_ns + WN_NS_PER_S);
    (void)wn_session_output(&t.session, &len);
    assert_true(len > 3);
    wn_session_wrote(&t.session, 3, t.now_ns);
    wn_session_begin(&t.session, WN_REQUEST_OFF, NULL, t.now_ns);
    (void)wn_session_output(&t.session, &len);
    assert_int_equal(len, 0);
    wn_ns quiet_ns = wn_session_deadline(&t.session) - t.now_ns;
    assert_true(quiet_ns >= wn_modbus_silence_ns(9600) + 3 * 11 * WN_NS_PER_S / 9600);
    assert_int_equal(rtu_run(&t), WN_SESSION_DONE);
}

/* Bytes nobody asked for, at any time: silence is waited for, then who is there is asked. */
static void unasked(void **state)
{
    (void)state;
    static const uint8_t noise[] = {0xff, 0x00, 7, 4};
    for (int ms = 0; ms < 60; ms++) {
        static struct rtu t;
        rtu_begin(&t);
        rtu_request(&t, WN_REQUEST_READ);
        rtu_say(&t, noise, sizeof noise, ms);
        assert_true(is_right(&t, 0));
        assert_int_equal(t.too_early, 0);
        assert_true(reads_right(&t));
        assert_int_equal(wn_session_result(&t.session), WN_SESSION_DONE);
    }
}

/* Everything at once, for long: what is done is right, and a line that becomes good is used again.
 */
static void chaos_way(struct rtu *t, int n, uint8_t *reply, size_t *len, wn_ns *delay_ns)
{
    struct wn_prng *p = t->ctx;
    struct damage d = {.kind = NONE, .number = -1};
    (void)n;
    if (wn_prng_uniform(p) < 0.08) {
        static const int kinds[] = {FLIP, LOSE, INSERT, LATE, SILENT};
        d.kind = kinds[(int)(wn_prng_uniform(p) * 5)];
        d.at = (size_t)(wn_prng_uniform(p) * (double)*len);
        d.bits = d.kind == INSERT ? (unsigned)(wn_prng_uniform(p) * 256)
                                  : 1u << (int)(wn_prng_uniform(p) * 8);
        d.ms = wn_prng_uniform(p) * 900;
    }
    t->ctx = &d;
    damage(t, n, reply, len, delay_ns);
    t->ctx = p;
}

static void chaos(void **state)
{
    (void)state;
    static struct rtu t;
    struct wn_prng p;
    long done = 0, failed = 0;
    wn_prng_init(&p, talk_seed(5));
    rtu_begin(&t);
    t.ctx = &p;
    for (int i = 0; i < 60000; i++) {
        t.way = i % 1000 < 900 ? chaos_way : NULL;
        t.replies = t.sents = 0;
        int what = (int)(wn_prng_uniform(&p) * 6);
        if (what == 0) {
            t.coil[0] = true;
            bool off = rtu_do(&t, WN_REQUEST_OFF) == WN_SESSION_DONE;
            assert_false(off && t.coil[0]);
        } else if (what == 1) {
            memset(t.hold, 0x11, sizeof t.hold);
            bool set = rtu_do(&t, WN_REQUEST_CHARGE) == WN_SESSION_DONE;
            assert_false(set && (t.hold[0] != 0 || t.hold[1] != 1500 || t.hold[3] != 42000));
        } else if (what == 2) {
            bool is_on = rtu_do(&t, WN_REQUEST_ON) == WN_SESSION_DONE;
            assert_false(is_on && !t.coil[0]);
        } else if (!reads_right(&t)) {
            fail_msg("turn %d: %.4f V, now at %.4f V", i, t.session.reading.voltage_v,
                     voltage_of(t.serial));
        }
        bool good = wn_session_result(&t.session) == WN_SESSION_DONE;
        done += good;
        failed += !good;
        assert_true(good || i % 1000 < 920); /* the line has been good for a while */
    }
    print_message("%ld done, %ld failed, %llu bad replies, %llu time-outs\n", done, failed,
                  (unsigned long long)t.session.bad_replies,
                  (unsigned long long)t.session.timeouts);
    assert_true(done > 4 * failed);
    assert_int_equal(t.too_early, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(measured),
        cmocka_unit_test(asked_again_after_each_damage),
        cmocka_unit_test(late_at_every_delay),
        cmocka_unit_test(a_late_answer_to_an_older_probe),
        cmocka_unit_test(a_byte_behind_the_reply),
        cmocka_unit_test(in_pieces),
        cmocka_unit_test(echo),
        cmocka_unit_test(echo_of_a_dead_instrument),
        cmocka_unit_test(off_at_any_moment),
        cmocka_unit_test(off_on_a_dead_line),
        cmocka_unit_test(off_behind_half_a_frame),
        cmocka_unit_test(unasked),
        cmocka_unit_test(chaos),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
