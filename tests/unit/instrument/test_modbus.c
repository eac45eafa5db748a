/* Conversations in MODBUS RTU: what is asked, what is believed, what is asked again.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <math.h>
#include <string.h>

#include "rtu.h"
#include "support/near.h"

/* The frame number i that was sent, from 0. */
static void sent_is(const struct rtu *t, int i, const char *hex)
{
    char is[3 * RTU_FRAME] = "";
    for (size_t k = 0; k < t->sent[i].len; k++) {
        (void)snprintf(is + strlen(is), sizeof is - strlen(is), "%s%02X", k > 0 ? " " : "",
                       t->sent[i].frame[k]);
    }
    is[t->sent[i].len > 2 ? 3 * (t->sent[i].len - 2) - 1 : 0] = '\0'; /* without the CRC */
    assert_string_equal(is, hex);
}

static void identity_twice_and_in_step(void **state)
{
    (void)state;
    struct rtu t;
    rtu_init(&t, NULL, NULL);
    assert_int_equal(rtu_do(&t, WN_REQUEST_IDENTIFY), WN_SESSION_DONE);
    assert_string_equal(t.session.identity, "model 4660, number 77, name ACME 1");
    sent_is(&t, 0, "07 04 00 00 00 03"); /* the probe, twice: an older session may have asked */
    sent_is(&t, 1, "07 04 00 00 00 03");
    sent_is(&t, 2, "07 04 00 00 00 03");
    sent_is(&t, 3, "07 04 00 14 00 04");
    assert_int_equal(t.sents, 6); /* believed when it came twice */
    assert_int_equal(t.too_early, 0);
}

static void another_instrument(void **state)
{
    (void)state;
    struct rtu t;
    rtu_init(&t, NULL, NULL);
    t.input[0] = 0x1235;
    assert_int_equal(rtu_do(&t, WN_REQUEST_IDENTIFY), WN_SESSION_FAILED);
    rtu_failed(&t, WN_EIDENTITY, "model is 4661, not 4660");
    rtu_init(&t, NULL, NULL);
    t.input[20] = 'B' << 8 | 'C';
    assert_int_equal(rtu_do(&t, WN_REQUEST_IDENTIFY), WN_SESSION_FAILED);
    rtu_failed(&t, WN_EIDENTITY, "name is BCME 1, not 'ACME...'");
    rtu_begin(&t);
    t.input[2] = 78;
    assert_int_equal(rtu_do(&t, WN_REQUEST_IDENTIFY), WN_SESSION_FAILED);
    rtu_failed(&t, WN_EIDENTITY, "who changed the instrument?");
}

static void set_up_and_read_back(void **state)
{
    (void)state;
    struct rtu t;
    rtu_begin(&t);
    assert_int_equal(t.hold[5], 4250);
    assert_int_equal(t.hold[6], 0x55aa);
    assert_int_equal(rtu_do(&t, WN_REQUEST_CHARGE), WN_SESSION_DONE);
    sent_is(&t, 0, "07 06 00 00 00 00");
    sent_is(&t, 1, "07 06 00 01 05 DC");
    sent_is(&t, 2, "07 10 00 02 00 02 04 00 00 A4 10");
    sent_is(&t, 3, "07 04 00 0C 00 01"); /* alarms */
    sent_is(&t, 4, "07 03 00 00 00 04"); /* all of it in one read */
    assert_int_equal(t.sents, 5);
    assert_int_equal(t.hold[1], 1500);
    assert_int_equal((unsigned)t.hold[2] << 16 | t.hold[3], 42000);
    assert_false(t.coil[0]);
}

static void read_back_that_differs(void **state)
{
    (void)state;
    struct rtu t;
    const struct wn_setpoints sp = {.current_a = 2.5, .voltage_v = 3};
    rtu_begin(&t);
    t.clamps = true;
    wn_session_begin(&t.session, WN_REQUEST_DISCHARGE, &sp, t.now_ns);
    assert_int_equal(rtu_run(&t), WN_SESSION_FAILED);
    rtu_failed(&t, WN_EREADBACK, "set_amps was set to 2.5, but reads 2");
    rtu_begin(&t);
    t.input[12] = 0x0104; /* 0x100 is outside the mask */
    assert_int_equal(rtu_do(&t, WN_REQUEST_DISCHARGE), WN_SESSION_FAILED);
    rtu_failed(&t, WN_EINSTRUMENT, "reports 260 in alarms");
    t.input[12] = 0x0100;
    assert_int_equal(rtu_do(&t, WN_REQUEST_DISCHARGE), WN_SESSION_DONE);
    assert_int_equal(rtu_do(&t, WN_REQUEST_POWER), WN_SESSION_FAILED);
    rtu_failed(&t, WN_EINVAL, "has no power mode");
}

/* It confirms what it was told and holds something else; each register by itself. */
static void confirmed_and_not_held(struct rtu *t, int n, uint8_t *reply, size_t *len,
                                   wn_ns *delay_ns)
{
    (void)n;
    (void)len;
    (void)delay_ns;
    if (reply[1] == WN_MODBUS_WRITE_REGISTER || reply[1] == WN_MODBUS_WRITE_REGISTERS) {
        t->hold[*(const int *)t->ctx] = 1; /* neither mode, nor current, nor voltage */
    }
}

static void every_set_point_is_compared(void **state)
{
    (void)state;
    for (int at = 0; at < 4; at++) {
        struct rtu t;
        rtu_begin(&t);
        t.way = confirmed_and_not_held;
        t.ctx = &at;
        assert_int_equal(rtu_do(&t, WN_REQUEST_CHARGE), WN_SESSION_FAILED);
        rtu_failed(&t, WN_EREADBACK, "was set to");
    }
}

static void on_and_off(void **state)
{
    (void)state;
    struct rtu t;
    rtu_begin(&t);
    assert_int_equal(rtu_do(&t, WN_REQUEST_ON), WN_SESSION_DONE);
    assert_true(t.coil[0] && t.coil[1]);
    t.sents = 0;
    assert_int_equal(rtu_do(&t, WN_REQUEST_OFF), WN_SESSION_DONE);
    assert_false(t.coil[0] || t.coil[1]);
    sent_is(&t, 0, "07 05 00 00 00 00");
    sent_is(&t, 1, "07 0F 00 01 00 01 01 00");
    sent_is(&t, 2, "07 01 00 00 00 01");
    assert_int_equal(t.sents, 3);
    assert_int_equal(rtu_do(&t, WN_REQUEST_ON), WN_SESSION_DONE);
    t.stuck = true;
    t.sents = 0;
    assert_int_equal(rtu_do(&t, WN_REQUEST_OFF), WN_SESSION_FAILED);
    rtu_failed(&t, WN_EREADBACK, "output was switched off, but run reads 1");
    int offs = 0;
    for (int i = 0; i < t.sents; i++) {
        offs += t.sent[i].frame[1] == 5 && t.sent[i].frame[3] == 0;
    }
    assert_int_equal(offs, 3); /* sent again with each attempt */
}

/* Told on, it stays off: nothing may be counted that does not flow. */
static void stays_off(struct rtu *t, int n, uint8_t *reply, size_t *len, wn_ns *delay_ns)
{
    (void)n;
    (void)reply;
    (void)len;
    (void)delay_ns;
    t->coil[0] = false;
}

static void an_output_that_stays_off(void **state)
{
    (void)state;
    struct rtu t;
    rtu_begin(&t);
    t.way = stays_off;
    assert_int_equal(rtu_do(&t, WN_REQUEST_ON), WN_SESSION_FAILED);
    rtu_failed(&t, WN_EREADBACK, "output was switched on, but run reads 0");
}

/* A contact of its own says whether it is off: a discrete input. */
static void a_discrete_input_as_output(void **state)
{
    (void)state;
    struct rtu t;
    rtu_init(&t, "output =", "output = { register = \"contact\"; off = 0; };");
    assert_int_equal(rtu_do(&t, WN_REQUEST_IDENTIFY), WN_SESSION_DONE);
    assert_int_equal(rtu_do(&t, WN_REQUEST_ON), WN_SESSION_DONE);
    t.sents = 0;
    assert_int_equal(rtu_do(&t, WN_REQUEST_OFF), WN_SESSION_DONE);
    sent_is(&t, 2, "07 02 00 09 00 01");
    assert_int_equal(rtu_do(&t, WN_REQUEST_ON), WN_SESSION_DONE);
    t.stuck = true;
    assert_int_equal(rtu_do(&t, WN_REQUEST_OFF), WN_SESSION_FAILED);
    rtu_failed(&t, WN_EREADBACK, "contact reads 1");
}

static const char on_bits[] = "on = { enable = 1; range = 3; run = 1; };";

/* Some bits of a register: read, written with the rest as it was, read back. */
static void bits_of_a_register(void **state)
{
    (void)state;
    struct rtu t;
    rtu_init(&t, "on =", on_bits);
    assert_int_equal(rtu_do(&t, WN_REQUEST_IDENTIFY), WN_SESSION_DONE);
    t.hold[12] = 0x80c1;
    t.sents = 0;
    assert_int_equal(rtu_do(&t, WN_REQUEST_ON), WN_SESSION_DONE);
    sent_is(&t, 0, "07 03 00 0C 00 01");
    sent_is(&t, 1, "07 06 00 0C 80 C5");
    sent_is(&t, 2, "07 03 00 0C 00 01");
    sent_is(&t, 3, "07 06 00 0C 80 35");
    sent_is(&t, 4, "07 05 00 00 FF 00");
    sent_is(&t, 5, "07 04 00 0C 00 01"); /* alarms */
    sent_is(&t, 6, "07 03 00 0C 00 01"); /* read back */
    sent_is(&t, 7, "07 01 00 00 00 01");
    assert_int_equal(t.sents, 8);
    assert_int_equal(t.hold[12], 0x8035);
}

/* The answer to the write is lost, and the instrument has switched something off by itself. */
static void loses_a_write(struct rtu *t, int n, uint8_t *reply, size_t *len, wn_ns *delay_ns)
{
    (void)n;
    (void)delay_ns;
    if (reply[1] == WN_MODBUS_WRITE_REGISTER && t->hold[12] == 0x8035) {
        t->hold[12] = 0x0035;
        *len = 0;
    }
}

static void bits_are_read_anew(void **state)
{
    (void)state;
    struct rtu t;
    rtu_init(&t, "on =", on_bits);
    assert_int_equal(rtu_do(&t, WN_REQUEST_IDENTIFY), WN_SESSION_DONE);
    t.hold[12] = 0x80c1;
    t.way = loses_a_write;
    assert_int_equal(rtu_do(&t, WN_REQUEST_ON), WN_SESSION_DONE);
    assert_int_equal(t.session.timeouts, 1);
    assert_int_equal(t.hold[12], 0x0035); /* what it switched off stays off */
}

/* Not taken: it shows at the read-back. A register, and then a bit of it, is what the bit says. */
static void holds_no_bits(struct rtu *t, int n, uint8_t *reply, size_t *len, wn_ns *delay_ns)
{
    (void)n;
    (void)len;
    (void)delay_ns;
    t->hold[12] = reply[1] == WN_MODBUS_WRITE_REGISTER ? 0x8031 : t->hold[12];
}

static void bits_that_are_not_taken(void **state)
{
    (void)state;
    struct rtu t;
    rtu_init(&t, "on =", on_bits);
    assert_int_equal(rtu_do(&t, WN_REQUEST_IDENTIFY), WN_SESSION_DONE);
    t.way = holds_no_bits;
    assert_int_equal(rtu_do(&t, WN_REQUEST_ON), WN_SESSION_FAILED);
    rtu_failed(&t, WN_EREADBACK, "enable was set to 1, but reads 0");
    rtu_init(&t, "discharge",
             "discharge = { control = 1; enable = 1; set_amps = \"current_a\"; };");
    assert_int_equal(rtu_do(&t, WN_REQUEST_IDENTIFY), WN_SESSION_DONE);
    t.hold[12] = 0x80c1;
    assert_int_equal(rtu_do(&t, WN_REQUEST_DISCHARGE), WN_SESSION_DONE);
    assert_int_equal(t.hold[12], 5);
}

static void a_reading(void **state)
{
    (void)state;
    struct rtu t;
    rtu_begin(&t);
    assert_int_equal(rtu_do(&t, WN_REQUEST_READ), WN_SESSION_DONE);
    const struct wn_reading *r = &t.session.reading;
    sent_is(&t, 0, "07 06 00 08 00 0A"); /* 1 s */
    sent_is(&t, 1, "07 04 00 04 00 04");
    sent_is(&t, 2, "07 04 00 0A 00 02"); /* beyond a gap */
    assert_int_equal(r->has, WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE | WN_HAS_AMBIENT);
    assert_near(r->voltage_v, 0.0001, 1e-12);
    assert_near(r->current_a, -0.5, 1e-12); /* discharge positive */
    assert_near(r->temperature_c, 25.1, 1e-9);
    assert_near(r->ambient_c, 23, 1e-9);
    t.sents = 0;
    t.input[7] = 0x8000;  /* no sensor */
    t.input[10] = 0x7fc0; /* no number */
    assert_int_equal(rtu_do(&t, WN_REQUEST_READ), WN_SESSION_DONE);
    assert_int_equal(r->has, WN_HAS_VOLTAGE | WN_HAS_CURRENT);
    assert_int_equal(t.sents, 2); /* the step is there already */
}

static void refusals(void **state)
{
    (void)state;
    struct rtu t;
    rtu_begin(&t);
    t.exception = 6;
    t.exceptions = 3;
    wn_ns from_ns = t.now_ns;
    assert_int_equal(rtu_do(&t, WN_REQUEST_CHARGE), WN_SESSION_DONE);
    assert_true(t.now_ns - from_ns >= 300 * WN_NS_PER_MS); /* asked again, not at once */
    t.exceptions = 1000;
    assert_int_equal(rtu_do(&t, WN_REQUEST_CHARGE), WN_SESSION_FAILED);
    rtu_failed(&t, WN_EINSTRUMENT, "server device busy (06)");
    rtu_begin(&t);
    t.exception = 3;
    t.exceptions = 1;
    assert_int_equal(rtu_do(&t, WN_REQUEST_CHARGE), WN_SESSION_FAILED);
    rtu_failed(&t, WN_EINSTRUMENT, "illegal data value (03)");
    assert_int_equal(t.sents, 1); /* certain: not asked again */
    /* off goes on to what else there is to be written, and counts when the output says so */
    rtu_begin(&t);
    t.exception = 4;
    t.exceptions = 1;
    assert_int_equal(rtu_do(&t, WN_REQUEST_OFF), WN_SESSION_DONE);
    assert_int_equal(rtu_do(&t, WN_REQUEST_ON), WN_SESSION_DONE);
    t.stuck = true;
    t.exceptions = 1;
    t.dialect.retries = 0;
    assert_int_equal(rtu_do(&t, WN_REQUEST_OFF), WN_SESSION_FAILED);
    rtu_failed(&t, WN_EINSTRUMENT, "server device failure (04)");
}

static void silence(void **state)
{
    (void)state;
    struct rtu t;
    rtu_begin(&t);
    t.deaf = true;
    t.sents = 0;
    assert_int_equal(rtu_do(&t, WN_REQUEST_READ), WN_SESSION_FAILED);
    rtu_failed(&t, WN_ETIMEOUT, "no answer (unit 7, function 4, address 0 to 2) within 0.2 s");
    rtu_failed(&t, WN_ETIMEOUT, "asked 3 times");
    assert_int_equal(t.session.timeouts, 3);
    assert_int_equal(t.too_early, 0);
}

/* It hears, perhaps, and does not answer: every frame of off, with each attempt. */
static void off_without_answers(void **state)
{
    (void)state;
    struct rtu t;
    rtu_begin(&t);
    t.deaf = true;
    t.sents = 0;
    assert_int_equal(rtu_do(&t, WN_REQUEST_OFF), WN_SESSION_FAILED);
    rtu_failed(&t, WN_ETIMEOUT, "no answer (unit 7, function 15, address 1) within 0.2 s");
    assert_int_equal(t.sents, 6);
    for (int i = 0; i < 6; i++) {
        sent_is(&t, i, i % 2 == 0 ? "07 05 00 00 00 00" : "07 0F 00 01 00 01 01 00");
    }
}

static void out_of_range(void **state)
{
    (void)state;
    struct rtu t;
    struct wn_setpoints sp = {.current_a = 70, .voltage_v = 3};
    rtu_begin(&t);
    wn_session_begin(&t.session, WN_REQUEST_DISCHARGE, &sp, t.now_ns);
    (void)rtu_run(&t);
    rtu_failed(&t, WN_ERANGE, "test.conf: set_amps: 70 cannot be written to MODBUS address 1");
    sp.current_a = NAN;
    wn_session_begin(&t.session, WN_REQUEST_DISCHARGE, &sp, t.now_ns);
    (void)rtu_run(&t);
    rtu_failed(&t, WN_EINVAL, "no value for current_a");
    rtu_init(&t, "set_amps",
             "set_amps = { function = 3; address = 1; scale = 1; tolerance = 0.1; };");
    assert_int_equal(rtu_do(&t, WN_REQUEST_IDENTIFY), WN_SESSION_DONE);
    assert_int_equal(rtu_do(&t, WN_REQUEST_DISCHARGE), WN_SESSION_FAILED);
    rtu_failed(&t, WN_ERANGE, "its steps are so coarse that 1.5 becomes 2");
    assert_int_equal(t.hold[1], 0);
}

/* The guard's bytes are made of the off writes. */
static void safe_off(void **state)
{
    (void)state;
    struct wn_dialect d;
    size_t at = 0, len = 0;
    rtu_dialect(&d, NULL, NULL);
    const char *off = wn_dialect_safe_off(&d, &at, &len);
    assert_int_equal(len, 8);
    assert_memory_equal(off, "\x07\x05\x00\x00\x00\x00", 6);
    off = wn_dialect_safe_off(&d, &at, &len);
    assert_int_equal(len, 10);
    assert_memory_equal(off, "\x07\x0f\x00\x01\x00\x01\x01\x00", 8);
    assert_null(wn_dialect_safe_off(&d, &at, &len));
    uint8_t query[64], reply[32];
    size_t q = 0, r = 0;
    assert_int_equal(wn_map_off_query(&d, query, sizeof query, &q, reply, sizeof reply, &r, NULL),
                     WN_OK);
    assert_int_equal(q, 8);
    assert_memory_equal(query, "\x07\x01\x00\x00\x00\x01", 6);
    assert_int_equal(r, 6);
    assert_memory_equal(reply, "\x07\x01\x01\x00", 4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(identity_twice_and_in_step),
        cmocka_unit_test(another_instrument),
        cmocka_unit_test(set_up_and_read_back),
        cmocka_unit_test(read_back_that_differs),
        cmocka_unit_test(every_set_point_is_compared),
        cmocka_unit_test(on_and_off),
        cmocka_unit_test(an_output_that_stays_off),
        cmocka_unit_test(a_discrete_input_as_output),
        cmocka_unit_test(bits_of_a_register),
        cmocka_unit_test(bits_are_read_anew),
        cmocka_unit_test(bits_that_are_not_taken),
        cmocka_unit_test(a_reading),
        cmocka_unit_test(refusals),
        cmocka_unit_test(silence),
        cmocka_unit_test(off_without_answers),
        cmocka_unit_test(out_of_range),
        cmocka_unit_test(safe_off),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
