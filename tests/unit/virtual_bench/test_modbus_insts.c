/* Virtual bench: its MODBUS instruments: maps, address, silence between frames.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "insts.h"

#define T35_9600 INT64_C(4010416)

static uint8_t reply[300];
static size_t reply_len;

static size_t frame_of(const uint8_t *adu, size_t len, uint8_t *frame)
{
    uint16_t crc = wn_mbs_crc(adu, len);

    memcpy(frame, adu, len);
    frame[len] = (uint8_t)crc;
    frame[len + 1] = (uint8_t)(crc >> 8);
    return len + 2;
}

/* Sends address and PDU with their CRC; the reply is in reply[0..reply_len), CRC checked. */
static void ask_raw(struct wn_inst *i, const uint8_t *adu, size_t len)
{
    uint8_t frame[300];

    vb_feed(i, frame, frame_of(adu, len, frame));
    reply_len = vb_wait(i, 10 * MS, (char *)reply, sizeof reply);
    assert_true(reply_len == 0 || wn_mbs_crc(reply, reply_len) == 0);
}

#define ASK(inst, ...)                                                                             \
    ask_raw(inst, (const uint8_t[]){__VA_ARGS__}, sizeof((const uint8_t[]){__VA_ARGS__}))

static void refused(struct wn_inst *i, uint8_t exception)
{
    (void)i;
    assert_int_equal(reply_len, 5);
    assert_int_equal(reply[1] & 0x80, 0x80);
    assert_int_equal(reply[2], exception);
}

/* Register n of the reply. */
static int32_t word_at(int n)
{
    assert_int_equal(reply[1] & 0x80, 0);
    assert_true(reply_len > 4 + 2 * (size_t)n);
    return (int16_t)(reply[3 + 2 * n] << 8 | reply[4 + 2 * n]);
}

static int32_t double_at(int n)
{
    return (int32_t)((uint32_t)word_at(n) << 16 | ((uint32_t)word_at(n + 1) & 0xffffu));
}

static double float_at(int n)
{
    uint32_t bits = (uint32_t)double_at(n);
    float f;
    memcpy(&f, &bits, sizeof f);
    return (double)f;
}

static void test_tester(void **state)
{
    struct wn_inst *i;
    double cell_v;

    (void)state;
    vb_start(1, 1.0);
    i = vb_add(WN_INST_MODBUS_TESTER, "");
    ASK(i, 1, 4, 0, 0, 0, 4);
    assert_int_equal(word_at(0), 0x5742);
    assert_int_equal(word_at(1), 1);
    assert_int_equal(double_at(2), 1);
    /* charge with 2.5 A (25000 = 0x61a8) up to 4.2 V (42000 = 0xa410), read back */
    ASK(i, 1, 16, 0, 0, 0, 5, 10, 0, 0, 0, 0, 0x61, 0xa8, 0, 0, 0xa4, 0x10);
    assert_int_equal(reply_len, 8);
    ASK(i, 1, 3, 0, 0, 0, 5);
    assert_int_equal(double_at(1), 25000);
    assert_int_equal(double_at(3), 42000);
    ASK(i, 1, 3, 0, 14, 0, 4);
    assert_near(float_at(0), 2.5, 1e-6);
    assert_near(float_at(2), 4.2, 1e-6);
    ASK(i, 1, 5, 0, 0, 0xff, 0);
    assert_true(vb.world[0].output);
    vb_pass(10 * S);
    cell_v = wn_cell_voltage(&vb.world[0].cell, vb.world[0].flow_a);
    ASK(i, 1, 4, 0, 4, 0, 10);
    assert_near(double_at(0) / 1000.0, 10.06, 0.02);
    assert_near(double_at(2) / 1e4, cell_v, 1e-4);
    assert_int_equal(double_at(4), 25000);
    assert_int_equal(word_at(6), 2500 + (int)lround(100.0 * (vb.world[0].cell.temperature_c - 25)));
    assert_int_equal(word_at(7), 2500);
    assert_int_equal(word_at(8), 3);
    ASK(i, 1, 4, 0, 14, 0, 4);
    assert_near(float_at(0), cell_v, 1e-4);
    assert_near(float_at(2), 2.5, 1e-6);
    ASK(i, 1, 1, 0, 0, 0, 2);
    assert_int_equal(reply[3], 1);
    ASK(i, 1, 2, 0, 0, 0, 3);
    assert_int_equal(reply[3], 1);
    ASK(i, 1, 6, 0, 0, 0, 1); /* no discharging while the output is on */
    refused(i, WN_MBS_FAILURE);
    ASK(i, 1, 5, 0, 0, 0, 0);
    assert_false(vb.world[0].output);
    /* discharge with constant power, 20 W, as a single */
    ASK(i, 1, 6, 0, 0, 0, 2);
    ASK(i, 1, 16, 0, 16, 0, 4, 8, 0x40, 0, 0, 0, 0x41, 0xa0, 0, 0);
    assert_near(vb.world[0].set.voltage_v, 2.0, 1e-12);
    ASK(i, 1, 15, 0, 0, 0, 1, 1, 1);
    vb_pass(S);
    ASK(i, 1, 4, 0, 6, 0, 4);
    assert_near(double_at(0) * 1e-4 * double_at(2) * 1e-4, -20.0, 0.01);
}

static void test_tester_refuses(void **state)
{
    struct wn_inst *i;

    (void)state;
    vb_start(1, 1.0);
    i = vb_add(WN_INST_MODBUS_TESTER, "");
    ASK(i, 1, 6, 0, 1, 0, 1); /* half of a double register */
    refused(i, WN_MBS_ADDRESS);
    ASK(i, 1, 6, 0, 2, 0, 1); /* the other half */
    refused(i, WN_MBS_ADDRESS);
    ASK(i, 1, 16, 0, 0, 0, 2, 4, 0, 1, 0, 0);
    refused(i, WN_MBS_ADDRESS);
    ASK(i, 1, 3, 0, 1, 0, 1); /* may be read */
    assert_int_equal(word_at(0), 0);
    ASK(i, 1, 6, 0, 0, 0, 3);
    refused(i, WN_MBS_VALUE);
    ASK(i, 1, 16, 0, 1, 0, 2, 4, 0xff, 0, 0, 0); /* far too much current */
    refused(i, WN_MBS_VALUE);
    ASK(i, 1, 16, 0, 14, 0, 2, 4, 0x7f, 0xc0, 0, 0); /* not a number */
    refused(i, WN_MBS_VALUE);
    ASK(i, 1, 16, 0, 0, 0, 3, 6, 0, 1, 0x7f, 0, 0, 0); /* all or nothing */
    refused(i, WN_MBS_VALUE);
    assert_int_equal(vb.world[0].set.function, WN_TESTER_CHARGE);
    ASK(i, 1, 3, 0, 20, 0, 1);
    refused(i, WN_MBS_ADDRESS);
    ASK(i, 1, 4, 0, 22, 0, 1);
    refused(i, WN_MBS_ADDRESS);
    ASK(i, 1, 5, 0, 2, 0xff, 0);
    refused(i, WN_MBS_ADDRESS);
    /* a trip is latched until it is cleared */
    ASK(i, 1, 6, 0, 7, 0, 100); /* off above 100 mV */
    ASK(i, 1, 16, 0, 1, 0, 4, 8, 0, 0, 0x27, 0x10, 0, 0, 0xa4, 0x10);
    ASK(i, 1, 5, 0, 0, 0xff, 0);
    vb_pass(S);
    ASK(i, 1, 4, 0, 12, 0, 2);
    assert_int_equal(word_at(0), 4);
    assert_int_equal(word_at(1), WN_TESTER_TRIP_HIGH);
    ASK(i, 1, 5, 0, 0, 0xff, 0);
    refused(i, WN_MBS_FAILURE);
    ASK(i, 1, 6, 0, 13, 0, 1);
    refused(i, WN_MBS_VALUE);
    ASK(i, 1, 6, 0, 13, 0x55, 0xaa);
    ASK(i, 1, 2, 0, 1, 0, 1);
    assert_int_equal(reply[3], 0);
    ASK(i, 1, 5, 0, 0, 0xff, 0);
    vb_pass(S);
    ASK(i, 1, 2, 0, 1, 0, 1);
    assert_int_equal(reply[3], 1);
    ASK(i, 1, 5, 0, 1, 0xff, 0); /* the other way to clear it */
    ASK(i, 1, 2, 0, 1, 0, 1);
    assert_int_equal(reply[3], 0);
}

static void test_clock_by_measuring(void **state)
{
    struct wn_inst *i;

    (void)state;
    vb_start(1, 0.0);
    i = vb_add(WN_INST_MODBUS_TESTER, "low-word-first");
    ASK(i, 1, 6, 0, 12, 0, 25); /* 2.5 s */
    ASK(i, 1, 4, 0, 4, 0, 4);
    assert_int_equal(word_at(0), 2500); /* low word first */
    assert_int_equal(word_at(1), 0);
    ASK(i, 1, 4, 0, 4, 0, 2); /* no measurement, no time */
    assert_int_equal(word_at(0), 2500);
}

static void test_silence_protects(void **state)
{
    struct wn_inst *i;

    (void)state;
    vb_start(1, 1.0);
    i = vb_add(WN_INST_MODBUS_TESTER, "");
    ASK(i, 1, 6, 0, 11, 0, 20); /* 2 s */
    ASK(i, 1, 16, 0, 1, 0, 4, 8, 0, 0, 0x27, 0x10, 0, 0, 0xa4, 0x10);
    ASK(i, 1, 5, 0, 0, 0xff, 0);
    vb_pass(1900 * MS);
    ASK(i, 2, 5, 0, 0, 0xff, 0); /* talk to somebody else is no sign of life */
    assert_true(vb.world[0].output);
    vb_pass(100 * MS);
    assert_false(vb.world[0].output);
}

static void test_thermometer(void **state)
{
    struct wn_inst *i;

    (void)state;
    vb_start(1, 1.0);
    i = vb_add(WN_INST_MODBUS_THERMOMETER, "address=17 open@20");
    ASK(i, 1, 4, 0, 0, 0, 4);
    assert_int_equal(reply_len, 0);
    ASK(i, 17, 4, 0, 0, 0, 10);
    assert_int_equal(word_at(0), 0x5754);
    assert_int_equal(word_at(2), 2500);
    assert_near(float_at(8), 25.0, 1e-5);
    ASK(i, 17, 6, 0, 0, 0xff, 0x38); /* -2.00 K */
    ASK(i, 17, 4, 0, 2, 0, 1);
    assert_int_equal(word_at(0), 2300);
    ASK(i, 17, 1, 0, 0, 0, 1);
    refused(i, WN_MBS_ADDRESS);
    vb_pass(20 * S);
    ASK(i, 17, 4, 0, 2, 0, 6);
    assert_int_equal(word_at(0), INT16_MIN);
    assert_true(isnan(float_at(4)));
    ASK(i, 17, 2, 0, 0, 0, 1);
    assert_int_equal(reply[3], 1);
}

static void test_relay(void **state)
{
    struct wn_inst *i;

    (void)state;
    vb_start(1, 1.0);
    i = vb_add(WN_INST_MODBUS_RELAY, "watchdog-s=1");
    assert_true(vb.world[0].interlock_open);
    ASK(i, 1, 5, 0, 0, 0xff, 0);
    assert_false(vb.world[0].interlock_open);
    ASK(i, 1, 2, 0, 0, 0, 2);
    assert_int_equal(reply[3], 1);
    ASK(i, 1, 6, 0, 0, 0, 5); /* 0.5 s */
    vb_pass(450 * MS);
    assert_false(vb.world[0].interlock_open);
    vb_feed(i, "\x01\x03\x00", 3); /* noise */
    vb_pass(50 * MS);
    assert_true(vb.world[0].interlock_open);
    ASK(i, 1, 2, 0, 0, 0, 2);
    assert_int_equal(reply[3], 2);
    ASK(i, 1, 5, 0, 0, 0xff, 0);
    refused(i, WN_MBS_FAILURE);
    ASK(i, 1, 4, 0, 4, 0, 1);
    assert_int_equal(word_at(0), 1);
    ASK(i, 1, 15, 0, 0, 0, 2, 1, 3); /* clear and close */
    assert_false(vb.world[0].interlock_open);
    ASK(i, 1, 5, 0, 0, 0, 0);
    assert_true(vb.world[0].interlock_open);
}

/* A frame is what stands between two silences of t3.5. */
static void test_silence_between_frames(void **state)
{
    const uint8_t adu[] = {1, 4, 0, 0, 0, 1};
    uint8_t frame[2][16];
    struct wn_inst *i;
    size_t len;
    char got[100];

    (void)state;
    vb_start(1, 1.0);
    i = vb_add(WN_INST_MODBUS_RELAY, "");
    len = frame_of(adu, sizeof adu, frame[0]);
    vb_feed(i, frame[0], len);
    assert_int_equal(vb_wait(i, T35_9600 - 1, got, sizeof got), 0); /* it could go on */
    assert_int_equal(vb_wait(i, 1, got, sizeof got), 7);
    vb_feed(i, frame[0], 3); /* in pieces, with gaps below t3.5 */
    assert_int_equal(vb_wait(i, T35_9600 - 1, got, sizeof got), 0);
    vb_feed(i, &frame[0][3], len - 3);
    assert_int_equal(vb_wait(i, T35_9600, got, sizeof got), 7);
    vb_feed(i, frame[0], 3); /* a gap of t3.5 makes two bad frames of it */
    vb_pass(T35_9600);
    vb_feed(i, &frame[0][3], len - 3);
    assert_int_equal(vb_wait(i, S, got, sizeof got), 0);
    assert_int_equal(i->mbs.bad, 2);
    (void)frame_of(adu, sizeof adu, frame[1]); /* two requests without a gap are none */
    vb_feed(i, frame[0], len);
    vb_feed(i, frame[1], len);
    assert_int_equal(vb_wait(i, S, got, sizeof got), 0);
    assert_int_equal(i->mbs.bad, 3);
    vb_start(1, 1.0);
    i = vb_add(WN_INST_MODBUS_RELAY, "strict-gap baud=115200");
    vb_feed(i, frame[0], len);
    assert_int_equal(vb_wait(i, 1750000, got, sizeof got), 7);
    vb_feed(i, frame[0], len); /* at once behind the reply: not heard */
    assert_int_equal(vb_wait(i, 1750000, got, sizeof got), 0);
    vb_feed(i, frame[0], len);
    assert_int_equal(vb_wait(i, 1750000, got, sizeof got), 7);
}

static void test_quirks(void **state)
{
    struct wn_inst *i;
    char got[100];

    (void)state;
    vb_start(1, 1.0);
    i = vb_add(WN_INST_MODBUS_RELAY, "unplug@5 identity-after=OTHER");
    ASK(i, 1, 4, 0, 0, 0, 1);
    assert_int_equal(word_at(0), 0x5752);
    vb_pass(7 * S);
    ASK(i, 1, 4, 0, 0, 0, 1);
    assert_int_equal(word_at(0) & 0xffff, 0x5752 ^ 0xffff);
    vb_start(1, 1.0);
    i = vb_add(WN_INST_MODBUS_RELAY, "busy=1 silence=1@5 delay-ms=100@10");
    ASK(i, 1, 5, 0, 0, 0xff, 0);
    refused(i, WN_MBS_BUSY);
    assert_false(i->relay.on);
    ASK(i, 1, 5, 0, 0, 0xff, 0);
    assert_true(i->relay.on);
    vb_pass(5 * S);
    ASK(i, 1, 1, 0, 0, 0, 1);
    assert_int_equal(reply_len, 0);
    ASK(i, 1, 1, 0, 0, 0, 1);
    assert_int_equal(reply[3], 1);
    ASK(i, 0, 5, 0, 0, 0, 0); /* broadcast: obeyed, not answered */
    assert_int_equal(reply_len, 0);
    assert_false(i->relay.on);
    vb_pass(5 * S);
    ASK(i, 1, 1, 0, 0, 0, 1);
    assert_int_equal(reply_len, 0);
    assert_int_equal(vb_wait(i, 100 * MS, got, sizeof got), 6);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_tester),
        cmocka_unit_test(test_tester_refuses),
        cmocka_unit_test(test_clock_by_measuring),
        cmocka_unit_test(test_silence_protects),
        cmocka_unit_test(test_thermometer),
        cmocka_unit_test(test_relay),
        cmocka_unit_test(test_silence_between_frames),
        cmocka_unit_test(test_quirks),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
