/* Checksums against published check values: what each makes of the nine characters "123456789".
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Those of the CRCs, with their parameters, are from the catalogue of parametrised CRC algorithms
 * by Greg Cook (CRC RevEng), written down from memory. A slip of memory in a parameter would not
 * give the value that was remembered beside it. Sums and exclusive or are arithmetic: the
 * characters are 49 to 57, their sum is 477 = 0x1dd, and all but the '1' cancel out in pairs and
 * fours: 0x31. */
#include <string.h>

#include "support/near.h"
#include "wire/checksum.h"

static const char nine[] = "123456789";

static void named_ones_give_their_check_values(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        unsigned check;
    } rows[] = {
        {"sum8", 0xdd},
        {"sum16", 0x01dd},
        {"negated8", 0x23},
        {"negated16", 0xfe23},
        {"xor8", 0x31},
        {"crc-8/smbus", 0xf4},
        {"crc-8/i-432-1", 0xa1},
        {"crc-8/rohc", 0xd0},
        {"crc-8/maxim-dow", 0xa1},
        {"crc-8/nrsc-5", 0xf7},
        {"crc-16/arc", 0xbb3d},
        {"crc-16/modbus", 0x4b37},
        {"crc-16/usb", 0xb4c8},
        {"crc-16/maxim-dow", 0x44c2},
        {"crc-16/umts", 0xfee8},
        {"crc-16/xmodem", 0x31c3},
        {"crc-16/ibm-3740", 0x29b1},
        {"crc-16/genibus", 0xd64e},
        {"crc-16/kermit", 0x2189},
        {"crc-16/mcrf4xx", 0x6f91},
        {"crc-16/ibm-sdlc", 0x906e},
    };
    const size_t n = sizeof rows / sizeof rows[0];
    for (size_t i = 0; i < n; i++) {
        assert_string_equal(wn_checksum_name(i), rows[i].name); /* none without a check value */
        const struct wn_checksum *c = wn_checksum_named(rows[i].name);
        assert_non_null(c);
        if (wn_checksum(c, nine, 9) != rows[i].check) {
            fail_msg("%s: %04x instead of %04x", rows[i].name, wn_checksum(c, nine, 9),
                     rows[i].check);
        }
        assert_int_equal(wn_checksum_width(c->kind),
                         strstr(rows[i].name, "16") != NULL && rows[i].name[4] != '8' ? 2 : 1);
    }
    assert_null(wn_checksum_name(n));
    assert_null(wn_checksum_named("crc-16"));
    assert_null(wn_checksum_named("CRC-16/MODBUS"));
    assert_null(wn_checksum_named(""));
}

/* Others of the catalogue, by their parameters alone. */
static void any_other_by_its_parameters(void **state)
{
    (void)state;
    static const struct {
        struct wn_checksum how;
        unsigned check;
    } rows[] = {
        {{WN_CHECKSUM_CRC8, 0x9b, 0xff, 0x00, false, false}, 0xda},          /* CDMA2000 */
        {{WN_CHECKSUM_CRC8, 0x39, 0x00, 0x00, true, true}, 0x15},            /* DARC */
        {{WN_CHECKSUM_CRC8, 0x9b, 0x00, 0x00, true, true}, 0x25},            /* WCDMA */
        {{WN_CHECKSUM_CRC8, 0x1d, 0xff, 0xff, false, false}, 0x4b},          /* SAE-J1850 */
        {{WN_CHECKSUM_CRC8, 0x2f, 0xff, 0xff, false, false}, 0xdf},          /* AUTOSAR */
        {{WN_CHECKSUM_CRC8, 0x1d, 0xff, 0x00, true, true}, 0x97},            /* TECH-3250 */
        {{WN_CHECKSUM_CRC16, 0x1021, 0x1d0f, 0x0000, false, false}, 0xe5cc}, /* SPI-FUJITSU */
        {{WN_CHECKSUM_CRC16, 0x3d65, 0x0000, 0xffff, true, true}, 0xea82},   /* DNP */
        {{WN_CHECKSUM_CRC16, 0x3d65, 0x0000, 0xffff, false, false}, 0xc2b7}, /* EN-13757 */
        {{WN_CHECKSUM_CRC16, 0x1021, 0x0000, 0xffff, false, false}, 0xce3c}, /* GSM */
        {{WN_CHECKSUM_CRC16, 0x8bb7, 0x0000, 0x0000, false, false}, 0xd0db}, /* T10-DIF */
        {{WN_CHECKSUM_CRC16, 0x1dcf, 0xffff, 0xffff, false, false}, 0xa819}, /* PROFIBUS */
        {{WN_CHECKSUM_CRC16, 0x8005, 0x800d, 0x0000, false, false}, 0x9ecf}, /* DDS-110 */
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if (wn_checksum(&rows[i].how, nine, 9) != rows[i].check) {
            fail_msg("row %zu: %04x instead of %04x", i, wn_checksum(&rows[i].how, nine, 9),
                     rows[i].check);
        }
    }
}

/* The two reflections are independent. No published algorithm in use has them apart but one:
 * CRC-12/UMTS, which is of another width; so: reflecting the output of a plain one must give the
 * bits of XMODEM's check value backwards (0x31c3 is 0011000111000011, backwards 0xc38c). */
static void reflections_are_independent(void **state)
{
    (void)state;
    struct wn_checksum c = {WN_CHECKSUM_CRC16, 0x1021, 0, 0, false, true};
    assert_int_equal(wn_checksum(&c, nine, 9), 0xc38c);
    c.reflect_in = true; /* KERMIT */
    assert_int_equal(wn_checksum(&c, nine, 9), 0x2189);
    c.reflect_out = false; /* 0010000110001001 backwards */
    assert_int_equal(wn_checksum(&c, nine, 9), 0x9184);
}

static void edges(void **state)
{
    (void)state;
    struct wn_checksum c = {WN_CHECKSUM_CRC8, 0xff07, 0xff00, 0xff00, false, false};
    assert_int_equal(wn_checksum(&c, nine, 9), 0xf4); /* what is too wide is cut */
    c.kind = WN_CHECKSUM_SUM8;
    assert_int_equal(wn_checksum(&c, "", 0), 0);
    c.kind = WN_CHECKSUM_NEGATED8;
    assert_int_equal(wn_checksum(&c, "", 0), 0);
    c.kind = WN_CHECKSUM_NEGATED16;
    assert_int_equal(wn_checksum(&c, "", 0), 0);
    assert_int_equal(wn_checksum(wn_checksum_named("crc-16/modbus"), "", 0), 0xffff);
    unsigned char full[1000];
    memset(full, 0xff, sizeof full);
    c.kind = WN_CHECKSUM_SUM16;
    assert_int_equal(wn_checksum(&c, full, sizeof full), 255000 % 65536);
    c.kind = WN_CHECKSUM_SUM8;
    assert_int_equal(wn_checksum(&c, full, sizeof full), 255000 % 256);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(named_ones_give_their_check_values),
        cmocka_unit_test(any_other_by_its_parameters),
        cmocka_unit_test(reflections_are_independent),
        cmocka_unit_test(edges),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
