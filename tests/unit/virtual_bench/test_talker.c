/* Virtual bench: the tester that talks: its program and its three formats.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdlib.h>

#include "insts.h"

static char heard[400000];

static struct wn_inst *talker(double speed, const char *switches)
{
    vb_start(1, speed);
    return vb_add(WN_INST_TALKER, switches);
}

/* What a cell at rest, then charged with 2.5 A for seconds, has at its terminals. */
static const char *volts(int charged_s)
{
    static char buf[4][WN_NUM_SIZE];
    struct wn_cell cell;

    wn_cell_init(&cell, &vb.world[0].model, vb.world[0].setup.soc, 0.0, 25.0);
    for (int n = 0; n < 4 * charged_s; n++) {
        wn_cell_step(&cell, 0.25, 2.5);
    }
    return wn_num_fixed(wn_cell_voltage(&cell, charged_s > 0 ? 2.5 : 0.0), 4, buf[charged_s],
                        WN_NUM_SIZE);
}

static void test_delimited(void **state)
{
    struct wn_inst *i;
    char want[600];

    (void)state;
    i = talker(1.0, "start-s=2 terminator=crlf header-every=4 taper-a=1");
    (void)vb_wait(i, 5 * S, heard, sizeof heard);
    (void)snprintf(want, sizeof want,
                   "No;Time;Cycle;Step;U/V;I/A;T/C;Q/Ah\r\n"
                   "1;1.000;0;R;%s;0.0000;25.00;0.00000\r\n"
                   "2;2.000;0;R;%s;0.0000;25.00;0.00000\r\n"
                   "3;3.000;1;C;%s;2.5000;25.00;0.00069\r\n"
                   "No;Time;Cycle;Step;U/V;I/A;T/C;Q/Ah\r\n"
                   "4;4.000;1;C;%s;2.5000;25.00;0.00139\r\n"
                   "5;5.000;1;C;%s;2.5000;25.01;0.00208\r\n",
                   volts(0), volts(0), volts(1), volts(2), volts(3));
    assert_string_equal(heard, want);
    i = talker(1.0, "comma unit header-every=0");
    (void)vb_wait(i, 1 * S, heard, sizeof heard);
    (void)snprintf(want, sizeof want, "\n1;1,000 s;0;R;3,%s V;0,0000 A;25,00 C;0,00000\n",
                   &volts(0)[2]);
    assert_non_null(strstr(heard, want));
}

/* The steps, told by current and voltage alone, and what they say of the charge. */
static void test_program(void **state)
{
    struct wn_tester_truth truth;
    struct wn_inst *i;
    const char *line;
    char last = 'R';
    char steps[40] = "R";
    size_t n = 1;
    double charge_ah = 0.0;
    double before_a = 0.0;
    double least_a = 0.0;

    (void)state;
    i = talker(2000.0, "cycles=2 rest-s=60 discharge-a=10 charge-a=5 interval-s=5");
    (void)vb_wait(i, 6 * S, heard, sizeof heard);
    for (line = strchr(heard, '\n') + 1; *line != '\0'; line = strchr(line, '\n') + 1) {
        const char *step = line;
        double current_a;
        if (*line == 'N') {
            continue;
        }
        step = strchr(strchr(strchr(step, ';') + 1, ';') + 1, ';') + 1;
        current_a = vb_field(step, 2);
        assert_true(*step == 'C'   ? current_a > 0.0 || vb_field(step, 1) > 4.19
                    : *step == 'D' ? current_a < 0.0 || vb_field(step, 4) > 2.0
                                   : current_a == 0.0);
        if (*step != last && n + 1 < sizeof steps) {
            steps[n++] = *step;
            steps[n] = '\0';
        }
        charge_ah = *step == 'D' ? vb_field(step, 4) : charge_ah;
        if (*step != 'C' && last == 'C') {
            assert_true(least_a <= 0.125 && before_a > 0.125); /* charged until the taper */
        }
        before_a = *step == 'C' ? least_a : before_a;
        least_a = *step == 'C' ? current_a : least_a;
        last = *step;
    }
    assert_string_equal(steps, "RCRDRCRDRE");
    assert_true(wn_tester_take_truth(&vb.world[0], &truth));
    assert_true(wn_tester_take_truth(&vb.world[0], &truth));
    assert_near(truth.delivered_ah, charge_ah, 1e-5);
    assert_near(truth.cutoff_v, 2.5, 1e-12);
    assert_false(vb.world[0].output);
}

static void test_fixed(void **state)
{
    struct wn_inst *i;
    unsigned sum = 0;
    char want[60];

    (void)state;
    i = talker(1.0, "format=fixed start-s=2 unit comma"); /* the styles do not touch it */
    (void)vb_wait(i, 2 * S, heard, sizeof heard);
    assert_int_equal(vb_wait(i, S, heard, sizeof heard), WN_TALKER_FIXED + 1);
    (void)snprintf(want, sizeof want, "0000030000030000001C0%c%s+025000+025000000069", volts(1)[0],
                   &volts(1)[2]);
    assert_int_equal(strlen(want), 46);
    assert_memory_equal(heard, want, 46);
    for (int k = 0; k < 46; k++) {
        sum += (unsigned char)heard[k];
    }
    (void)snprintf(want, 3, "%02X", sum & 0xffu);
    assert_memory_equal(&heard[46], want, 2);
    vb.world[0].faults.thermometer = WN_THERMOMETER_OPEN;
    assert_int_equal(vb_wait(i, S, heard, sizeof heard), WN_TALKER_FIXED + 1);
    assert_memory_equal(&heard[33], "+-----", 6);
}

static void test_binary(void **state)
{
    const uint8_t want[] = {0xa5, 0x5a, 24,    /* mark, length */
                            1,    1,    0,     /* charge, cycle */
                            3,    0,    0,  0, /* number */
                            0xb8, 0x0b, 0,  0, /* 3000 ms */
                            0,    0,    0,  0, /* voltage: below */
                            0x90, 0xd0, 3,  0, /* 2.5 A */
                            0xc4, 9,           /* 25.00 degC */
                            0xb6, 2,    0};    /* 694 uAh */
    struct wn_inst *i;
    const uint8_t *f = (const uint8_t *)heard;

    (void)state;
    assert_int_equal(wn_talker_crc((const uint8_t *)"123456789", 9), 0x29b1);
    i = talker(1.0, "format=binary start-s=2 prompt=no");
    (void)vb_wait(i, 2 * S, heard, sizeof heard);
    assert_int_equal(vb_wait(i, S, heard, sizeof heard), WN_TALKER_BINARY);
    assert_memory_equal(f, want, 14);
    assert_near((double)((uint32_t)f[14] | (uint32_t)f[15] << 8 | (uint32_t)f[16] << 16) * 1e-5,
                wn_cell_voltage(&vb.world[0].cell, 2.5), 1e-5);
    assert_memory_equal(&f[18], &want[18], 9);
    assert_int_equal(f[27] << 8 | f[28], wn_talker_crc(&f[2], 25));
}

static void test_stop(void **state)
{
    struct wn_inst *i;

    (void)state;
    i = talker(1.0, "start-s=1 stop=HALT");
    (void)vb_wait(i, 5 * S, heard, sizeof heard);
    assert_true(vb.world[0].output);
    vb_feed(i, "HALTS\nhalt\n", 11);
    assert_true(vb.world[0].output);
    vb_feed(i, "HALT\r\n", 6);
    assert_false(vb.world[0].output);
    (void)vb_wait(i, S, heard, sizeof heard);
    assert_non_null(strstr(heard, ";S;"));
    assert_non_null(strstr(heard, ";0.0000;"));
    i = talker(1.0, "start-s=1"); /* it has none */
    vb_pass(5 * S);
    vb_feed(i, "HALT\n\n", 6);
    vb_pass(S);
    assert_true(vb.world[0].output);
}

/* What then remains is the interlock. */
static void test_interlock(void **state)
{
    struct wn_inst *i;
    struct wn_inst *r;

    (void)state;
    i = talker(1.0, "start-s=1 taper-a=0.1");
    r = vb_add(WN_INST_RELAY, "");
    vb_expect(r, "REL ON", "");
    vb_pass(5 * S);
    assert_near(vb.world[0].flow_a, 2.5, 1e-9);
    vb_expect(r, "REL OFF", "");
    assert_near(vb.world[0].flow_a, 0.0, 0.0);
    (void)vb_wait(i, 2 * S, heard, sizeof heard);
    assert_non_null(strstr(heard, ";0.0000;"));
}

static void test_quirks(void **state)
{
    struct wn_inst *i;
    size_t n;

    (void)state;
    i = talker(1.0, "start-s=1 reset@5 banner=HELLO");
    (void)vb_wait(i, 4 * S, heard, sizeof heard);
    assert_true(vb.world[0].output);
    (void)vb_wait(i, 2 * S, heard, sizeof heard);
    assert_non_null(strstr(heard, "HELLO\n"));
    assert_non_null(strstr(heard, "\n1;1.000;0;R;")); /* its clock and its program begin anew */
    i = talker(1.0, "start-s=1 reset@5 restore");
    (void)vb_wait(i, 8 * S, heard, sizeof heard);
    assert_non_null(strstr(heard, "\n6;2.000;1;C;")); /* only the clock */
    i = talker(1.0, "discharge-a=3 charge-a=3 unsigned start-s=0");
    vb.world[0].cell.charge_ah = vb.world[0].cell.capacity_ah; /* full: to the discharge at once */
    i->setup.program.rest_s = 1.0;
    (void)vb_wait(i, 3600 * S, heard, sizeof heard);
    assert_non_null(strstr(heard, ";D;"));
    assert_null(strstr(heard, ";-"));
    i = talker(1.0, "lose=0.01 unplug@100 away-ms=10000");
    n = vb_wait(i, 99 * S, heard, sizeof heard);
    assert_true(n > 3000);
    assert_int_equal(vb_wait(i, 10 * S, heard, sizeof heard), 0);
    assert_true(vb_wait(i, 10 * S, heard, sizeof heard) > 300);
    i = talker(1.0, "silence=3@2 header-every=0");
    (void)vb_wait(i, 7 * S, heard, sizeof heard);
    assert_non_null(strstr(heard, "\n1;"));
    assert_null(strstr(heard, "\n3;"));
    assert_non_null(strstr(heard, "\n6;"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_delimited), cmocka_unit_test(test_program),
        cmocka_unit_test(test_fixed),     cmocka_unit_test(test_binary),
        cmocka_unit_test(test_stop),      cmocka_unit_test(test_interlock),
        cmocka_unit_test(test_quirks),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
