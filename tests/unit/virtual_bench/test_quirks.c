/* Virtual bench: every quirk of an instrument, switched on and off.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <inttypes.h>

#include "insts.h"
#include "base/prng.h"
#include "seed.h"

static const char idn[] = "wane project,virtual supply,SIMULATED-1,0";

static struct wn_inst *supply_with(const char *switches)
{
    vb_start(1, 1.0);
    return vb_add(WN_INST_SUPPLY, switches);
}

static void test_terminators(void **state)
{
    struct wn_inst *i;

    (void)state;
    i = supply_with("");
    assert_string_equal(vb_raw(i, "*OPC?\r\n"), "1\n"); /* CR is white space */
    assert_string_equal(vb_raw(i, "*OPC?\r"), "");
    i = supply_with("terminator=cr");
    assert_string_equal(vb_raw(i, "*OPC?\r\n*OPC?\r\n"), "1\r1\r");
    i = supply_with("terminator=crlf");
    assert_string_equal(vb_raw(i, "*OPC?\n"), ""); /* it still waits */
    assert_string_equal(vb_raw(i, "\r\n"), "1\r\n");
}

/* "123456789" has the check values of each published CRC (Greg Cook's catalogue of parametrised CRC
 * algorithms); here it is what *IDN? answers. */
static void test_checksums(void **state)
{
    static const struct {
        const char *name, *want;
    } of[] = {{"none", "123456789\n"},
              {"sum8", "123456789*DD\n"},
              {"xor8", "123456789*31\n"},
              {"crc-8/smbus", "123456789*F4\n"},
              {"crc-16/modbus", "123456789*4B37\n"}};

    (void)state;
    for (size_t k = 0; k < sizeof of / sizeof of[0]; k++) {
        char switches[80];
        (void)snprintf(switches, sizeof switches, "identity=123456789 checksum=%s", of[k].name);
        struct wn_inst *i = supply_with(switches);
        assert_string_equal(vb_raw(i, "*IDN?\n"), of[k].want);
        assert_string_equal(vb_raw(i, "*CLS\n"), ""); /* no reply, no checksum */
    }
}

static void test_echo_and_prompt(void **state)
{
    struct wn_inst *i;

    (void)state;
    i = supply_with("echo");
    assert_string_equal(vb_raw(i, "*OP"), "*OP");
    assert_string_equal(vb_raw(i, "C?\n"), "C?\n1\n");
    i = supply_with("prompt=>\\s");
    assert_string_equal(vb_raw(i, "*OPC?\n"), "1\n> ");
    assert_string_equal(vb_raw(i, "*CLS\n"), "> ");
    i = supply_with("prompt=ok\\r\\n terminator=crlf echo");
    assert_string_equal(vb_raw(i, "*OPC?\r\n"), "*OPC?\r\n1\r\nok\r\n");
}

static void test_slow_and_split(void **state)
{
    struct wn_inst *i;
    char got[100];

    (void)state;
    i = supply_with("delay-ms=200 echo");
    assert_string_equal(vb_raw(i, "*OPC?\n"), "*OPC?\n"); /* the echo is not late */
    assert_int_equal(vb_wait(i, 200 * MS - 1, got, sizeof got), 0);
    assert_int_equal(vb_wait(i, 1, got, sizeof got), 2);
    assert_string_equal(got, "1\n");
    i = supply_with("piece=5 pause-ms=30");
    assert_string_equal(vb_raw(i, "*IDN?\n"), "wane ");
    assert_int_equal(vb_wait(i, 30 * MS - 1, got, sizeof got), 0);
    assert_int_equal(vb_wait(i, 1, got, sizeof got), 5);
    assert_string_equal(got, "proje");
    assert_int_equal(vb_wait(i, S, got, sizeof got), sizeof idn - 10);
    /* a second reply waits for the first */
    vb_feed(i, "*IDN?\n*OPC?\n", 12);
    assert_int_equal(vb_wait(i, S, got, sizeof got), sizeof idn + 2);
    assert_string_equal(&got[sizeof idn], "1\n");
    i = supply_with("char-gap-ms=5");
    assert_string_equal(vb_raw(i, "*OPC?\n"), ""); /* all but the first come too fast */
    vb_pass(S);
    i = supply_with("char-gap-ms=5");
    for (const char *c = "*OPC?\n"; *c != '\0'; c++) {
        vb_feed(i, c, 1);
        vb_pass(5 * MS - (c[1] == '\0' ? 5 * MS : 0));
    }
    vb_feed(i, "", 0);
    assert_int_equal(i->out_len, 0); /* vb_pass has thrown the reply away */
    assert_int_equal(i->sent_ns, now_ns);
}

static void test_numbers(void **state)
{
    struct wn_inst *i;

    (void)state;
    i = supply_with("");
    vb_expect(i, "MEAS:CURR?", "0.0000");
    i = supply_with("comma");
    vb_expect(i, "MEAS:CURR?", "0,0000");
    assert_string_equal(strrchr(vb_say(i, "MEAS:ALL?"), ';'), ";0");
    i = supply_with("unit");
    vb_expect(i, "MEAS:CURR?", "0.0000 A");
    i = supply_with("prefix exponent");
    vb_expect(i, "MEAS:CURR?", "I=+0.000000E+00");
    vb_expect(i, "SOUR:VOLT 4.2;VOLT?", "4.2"); /* settings are written plainly */
    vb_start(1, 1.0);
    i = vb_add(WN_INST_TESTER, "unit comma");
    assert_non_null(strstr(vb_say(i, "MEAS:CURR?"), "0,0000 A"));
    assert_string_equal(vb_say(i, "*IDN?"), "wane project,virtual bench,SIMULATED-1,0");
}

static void test_unsigned(void **state)
{
    struct wn_inst *i;

    (void)state;
    i = supply_with("unsigned");
    i->stage[0].flow_a = -1.0; /* backwards: as an offset would make it */
    vb_expect(i, "MEAS:CURR?", "1.0000");
}

static void test_reset(void **state)
{
    struct wn_inst *i;
    char got[200];

    (void)state;
    i = supply_with("reset@10 banner=READY");
    vb_expect(i, "SOUR:VOLT 4.2;CURR 1;:OUTP ON;OUTP?;WHAT", "1");
    vb_pass(9 * S);
    assert_near(vb_ask(i, "MEAS:TIME?"), 9.0, 1e-6);
    assert_int_equal(vb_wait(i, S, got, sizeof got), 6);
    assert_string_equal(got, "READY\n");
    vb_pass(2 * S);
    assert_near(vb_ask(i, "MEAS:TIME?"), 2.0, 1e-6);
    vb_expect(i, "OUTP?;:SOUR:VOLT?;:SYST:ERR:COUN?;*ESR?", "0;0;0;128");
    assert_near(vb.world[0].flow_a, 0.0, 0.0);
    i = supply_with("reset@10 restore");
    vb_expect(i, "SOUR:VOLT 4.2;CURR 1;:OUTP ON", "");
    vb_pass(12 * S);
    assert_near(vb_ask(i, "MEAS:TIME?"), 2.0, 1e-6);
    vb_expect(i, "OUTP?;:SOUR:VOLT?;:MEAS:CURR?", "1;4.2;1.0000"); /* the dangerous kind */
}

static void test_reset_of_tester_and_relay(void **state)
{
    struct wn_inst *t;
    struct wn_inst *r;

    (void)state;
    vb_start(1, 1.0);
    t = vb_add(WN_INST_TESTER, "reset@10");
    r = vb_add(WN_INST_RELAY, "reset@20 watchdog-s=100");
    vb_expect(t, "SOUR:CURR 1;VOLT 4.2;:OUTP ON", "");
    vb_expect(r, "REL:WATC?;:REL ON;REL?", "100;1");
    vb_pass(5 * S);
    vb_expect(t, "MEAS:CURR?;TIME?", "1.0000;5.000000");
    vb_pass(6 * S);
    vb_expect(t, "OUTP?;:SOUR:CURR?;:MEAS:TIME?", "0;0;1.000000");
    vb_expect(r, "REL:CONT?", "1");
    vb_pass(10 * S);
    vb_expect(r, "REL?;REL:CONT?", "0;0");
    assert_int_equal(r->resets, 1);
}

static void test_reconnect(void **state)
{
    struct wn_inst *i;

    (void)state;
    i = supply_with("unplug@10 away-ms=500 identity-after=SOMEBODY,ELSE,1,0");
    vb_expect(i, "*IDN?", idn);
    vb_expect(i, "SOUR:VOLT 4.2;CURR 1;:OUTP ON", "");
    vb_pass(10 * S);
    assert_true(i->away);
    vb_expect(i, "*IDN?", "");
    vb_pass(499 * MS);
    assert_true(i->away);
    vb_pass(2 * MS);
    assert_false(i->away);
    vb_expect(i, "*IDN?", "SOMEBODY,ELSE,1,0");
    vb_expect(i, "OUTP?", "1"); /* only the line was away */
}

static void test_stuck(void **state)
{
    struct wn_inst *i;

    (void)state;
    i = supply_with("stuck@5 stuck=off@20");
    vb_expect(i, "SOUR:VOLT 4.2;CURR 1;:OUTP ON", "");
    vb_pass(6 * S);
    vb_expect(i, "OUTP OFF;OUTP?", "0");
    vb_pass(S);
    vb_expect(i, "MEAS:CURR?", "1.0000");
    vb_pass(15 * S);
    vb_expect(i, "MEAS:CURR?", "0.0000");
    vb_start(1, 1.0);
    i = vb_add(WN_INST_TESTER, "stuck@5");
    vb_expect(i, "SOUR:CURR 1;VOLT 4.2;:OUTP ON", "");
    vb_pass(6 * S);
    vb_expect(i, "OUTP OFF;OUTP?;:MEAS:CURR?", "0;1.0000");
}

static void test_two_wire(void **state)
{
    struct wn_inst *i;
    double cell_v;

    (void)state;
    i = supply_with("two-wire lead-mohm=50");
    vb_expect(i, "SOUR:VOLT 4.2;CURR 2;:OUTP ON", "");
    vb_pass(S);
    cell_v = wn_cell_voltage(&vb.world[0].cell, vb.world[0].flow_a);
    assert_near(vb_ask(i, "MEAS:VOLT?"), cell_v + 0.1, 1e-4);
    (void)vb_add(WN_INST_RELAY, "");
    vb_pass(S);
    vb_expect(i, "MEAS:VOLT?", "4.2000");
    vb_expect(i, "OUTP OFF;:MEAS:VOLT?", "0.0000");
}

static void test_silence(void **state)
{
    struct wn_inst *i;

    (void)state;
    i = supply_with("silence=2@5");
    vb_expect(i, "*OPC?", "1");
    vb_pass(5 * S);
    vb_expect(i, "*OPC?", "");
    vb_expect(i, "*OPC?", "");
    vb_expect(i, "*OPC?", "1");
}

/* Of many bytes about so many are lost, changed, added; and without the switch none. */
static void test_noise(void **state)
{
    struct wn_inst *i;
    char got[200];
    size_t bytes = 0;
    int spoilt = 0;

    (void)state;
    i = supply_with("lose=0.1");
    for (int n = 0; n < 1000; n++) {
        vb_feed(i, "*IDN?\n", 6);
        bytes += vb_wait(i, MS, got, sizeof got);
    }
    assert_true(bytes > 1000 * sizeof idn * 88 / 100 && bytes < 1000 * sizeof idn * 92 / 100);
    i = supply_with("insert=0.1");
    bytes = 0;
    for (int n = 0; n < 1000; n++) {
        vb_feed(i, "*IDN?\n", 6);
        bytes += vb_wait(i, MS, got, sizeof got);
    }
    assert_true(bytes > 1000 * sizeof idn * 108 / 100 && bytes < 1000 * sizeof idn * 112 / 100);
    i = supply_with("flip=0.01");
    for (int n = 0; n < 1000; n++) {
        vb_feed(i, "*IDN?\n", 6);
        assert_int_equal(vb_wait(i, MS, got, sizeof got), sizeof idn);
        spoilt += memcmp(got, idn, sizeof idn - 1) != 0 || got[sizeof idn - 1] != '\n';
    }
    assert_true(spoilt > 280 && spoilt < 420); /* 1 - 0.99^42 = 0.34 */
    i = supply_with("in-flip=1");              /* nothing of it is understood */
    assert_string_equal(vb_raw(i, "*OPC?\n*OPC?\n"), "");
    i = supply_with("in-lose=1");
    assert_string_equal(vb_raw(i, "*OPC?\n"), "");
}

static void test_too_much(void **state)
{
    struct wn_inst *i;
    char line[WN_SCPI_LINE_MAX + 100];

    (void)state;
    i = supply_with("");
    memset(line, 'A', sizeof line - 1);
    line[sizeof line - 2] = '\n';
    line[sizeof line - 1] = '\0';
    assert_string_equal(vb_raw(i, line), "");
    vb_expect(i, "SYST:ERR?", "-363,\"Input buffer overrun\"");
    vb_expect(i, "*OPC?", "1");
    for (int n = 0; n < 2000; n++) { /* nobody reads: bytes are lost, no more */
        vb_feed(i, "*IDN?\n", 6);
    }
    assert_true(i->lost > 0);
}

static void test_words(void **state)
{
    static const char *const wrong[] = {"ecko",
                                        "echo=yes",
                                        "delay-ms",
                                        "delay-ms=-1",
                                        "delay-ms=1,5",
                                        "terminator=nl",
                                        "outputs=4",
                                        "reset",
                                        "reset@",
                                        "echo@x",
                                        "echo=maybe@5",
                                        "lose=2",
                                        "address=248",
                                        "cell=0",
                                        "flip=0.1@-5",
                                        "",
                                        "=",
                                        "@5"};
    struct wn_inst_setup s;
    struct wn_error err = {0};
    const char *about;
    int n = 0;

    (void)state;
    wn_inst_setup_init(&s, WN_INST_SUPPLY);
    for (size_t k = 0; k < sizeof wrong / sizeof wrong[0]; k++) {
        assert_int_not_equal(wn_inst_set(&s, wrong[k], &err), WN_OK);
        assert_true(strlen(err.text) > 10);
    }
    assert_int_equal(s.plans, 0);
    assert_int_equal(wn_inst_set(&s, "b=1", &err), WN_EUNKNOWN);
    assert_int_equal(wn_inst_set(&s, "echo@20", &err), WN_OK);
    assert_int_equal(wn_inst_set(&s, "unit@10", &err), WN_OK);
    assert_string_equal(s.plan[0].text, "unit"); /* sorted by time */
    assert_false(s.echo);
    assert_int_equal(wn_inst_set(&s, "echo", &err), WN_OK);
    assert_int_equal(wn_inst_set(&s, "echo=off", &err), WN_OK);
    assert_false(s.echo);
    while (wn_inst_switch_help(n, &about) != NULL) {
        assert_true(about[0] != '\0');
        n++;
    }
    assert_true(n > 40);
}

/* Whatever comes in, no output goes on that nobody switched on. */
static void test_random_bytes(void **state)
{
    static const enum wn_inst_kind kinds[] = {
        WN_INST_SUPPLY,       WN_INST_LOAD,          WN_INST_THERMOMETER, WN_INST_RELAY,
        WN_INST_MODBUS_RELAY, WN_INST_MODBUS_TESTER, WN_INST_TALKER};
    const uint64_t seed = seed_or(31);
    struct wn_prng r;
    char bytes[300];

    (void)state;
    print_message("WANE_SEED=%" PRIu64 "\n", seed);
    wn_prng_init(&r, seed);
    vb_start(1, 1.0);
    for (size_t k = 0; k < sizeof kinds / sizeof kinds[0]; k++) {
        (void)vb_add(kinds[k], kinds[k] == WN_INST_TALKER ? "cycles=0" : "");
    }
    for (int n = 0; n < 20000; n++) {
        size_t len = 1 + wn_prng_below(&r, sizeof bytes);
        for (size_t k = 0; k < len; k++) {
            bytes[k] = wn_prng_below(&r, 30) == 0 ? '\n' : (char)wn_prng_below(&r, 256);
        }
        vb_feed(&vb.inst[wn_prng_below(&r, (uint64_t)vb.insts)], bytes, len);
        if (n % 16 == 0) {
            vb_pass(5 * MS);
        }
        for (int k = 0; k < vb.insts; k++) {
            assert_false(vb.inst[k].stage[0].closed || vb.inst[k].relay.closed);
        }
        assert_false(vb.world[0].relay);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_terminators),     cmocka_unit_test(test_checksums),
        cmocka_unit_test(test_echo_and_prompt), cmocka_unit_test(test_slow_and_split),
        cmocka_unit_test(test_numbers),         cmocka_unit_test(test_unsigned),
        cmocka_unit_test(test_reset),           cmocka_unit_test(test_reset_of_tester_and_relay),
        cmocka_unit_test(test_reconnect),       cmocka_unit_test(test_stuck),
        cmocka_unit_test(test_two_wire),        cmocka_unit_test(test_silence),
        cmocka_unit_test(test_noise),           cmocka_unit_test(test_too_much),
        cmocka_unit_test(test_words),           cmocka_unit_test(test_random_bytes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
