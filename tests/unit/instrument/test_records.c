/* Records of a tester that runs its own program: what is read, what is left out, and how often a
 * damaged one is taken for another. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The records are written by the virtual bench's tester and read by the shipped dialects. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/prng.h"
#include "listening.h"
#include "support/near.h"
#include "talk.h"

static struct wn_dialect dialect;
static struct wn_records records;

static void begin(enum wn_talker_format format)
{
    listening_dialect(listening_name(format), &dialect);
    wn_records_init(&records, &dialect);
    records.begun = true;
}

/* All bytes at once; how many records, the last in *out. */
static int hear(const char *bytes, size_t len, struct wn_reading *out)
{
    size_t used = 0;
    int n = 0;
    enum wn_heard heard;
    while ((heard = wn_records_take(&records, bytes, len, &used, out)) != WN_HEARD_NOTHING) {
        n += heard == WN_HEARD_RECORD;
    }
    assert_int_equal(used, len);
    return n;
}

static int hear_text(const char *text, struct wn_reading *out)
{
    return hear(text, strlen(text), out);
}

static bool same_values(const struct wn_reading *r, const struct wn_talker_record *told)
{
    const unsigned all = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE | WN_HAS_TIME;
    return r->has == all && fabs(r->voltage_v - told->voltage_v) < 1e-9 &&
           fabs(r->current_a - told->current_a) < 1e-9 &&
           fabs(r->temperature_c - told->temperature_c) < 1e-9;
}

static bool equals(const struct wn_reading *r, const struct wn_talker_record *told)
{
    return same_values(r, told) && llabs(r->time_ns - wn_ns_from_s(told->time_s)) <= 1000;
}

static void test_formats(void **state)
{
    (void)state;
    for (int f = WN_TALKER_DELIMITED; f <= WN_TALKER_FRAMED; f++) {
        char bytes[WN_TALKER_RECORD_MAX + 2];
        struct wn_talker_record told;
        struct wn_reading r;
        begin((enum wn_talker_format)f);
        for (long n = 0; n < 500; n++) {
            size_t len = listening_record((enum wn_talker_format)f, n, bytes, &told), used = 0;
            for (size_t i = 0; i + 1 < len; i++) { /* byte by byte: none of it is a record before */
                used = 0;
                assert_int_equal(wn_records_take(&records, bytes + i, 1, &used, &r),
                                 WN_HEARD_NOTHING);
            }
            used = 0;
            assert_int_equal(wn_records_take(&records, bytes + len - 1, 1, &used, &r),
                             WN_HEARD_RECORD);
            assert_true(equals(&r, &told));
        }
        assert_int_equal(records.good, 500);
        assert_int_equal(records.garbled, 0);
    }
}

static void test_delimited_lines(void **state)
{
    struct wn_reading r;
    (void)state;
    begin(WN_TALKER_DELIMITED);
    assert_int_equal(hear_text("No;Time;Cycle;Step;U/V;I/A;T/C;Q/Ah\n", &r), 0);
    assert_int_equal(records.skipped, 1);
    assert_int_equal(hear_text("1;1.000;0;R;3.7000;-0.5000;9.91E37;0.00000\r\n\r\n", &r), 1);
    assert_int_equal(r.has, WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TIME);
    assert_near(r.current_a, -0.5, 1e-12);
    assert_int_equal(records.garbled, 0);
    static const char *const garbled[] = {"1;1.000;0;R;3.7000;0.5000;25.00\n",
                                          "1;1.000;0;R;3.700;0.5000;25.00;0\n",
                                          "1;1.000;0;R;3,7000;0.5000;25.00;0\n",
                                          "1;1.000;0;R;3.7000 V;0.5000;25.00;0\n",
                                          "1;1.000;0;R;3.7000;;25.00;0\n",
                                          "1;-1.000;0;R;3.7000;0.5000;25.00;0\n",
                                          "1;1.000;0;R;3.7000;0.5000;25.00;0;\n",
                                          "1;1.000;0;R;3.\0017000;0.5000;25.00;0\n",
                                          "1;1.000;0;R;+-3.7000;0.5000;25.00;0.0000\n"};
    for (size_t i = 0; i < sizeof garbled / sizeof garbled[0]; i++) {
        assert_int_equal(hear_text(garbled[i], &r), 0);
        assert_int_equal(records.garbled, i + 1);
    }
    assert_non_null(strstr(records.why.text, "+-3.7000"));
}

/* Listening begins in the middle of "13.7120;...": nobody knows what stood before. */
static void test_first_line_is_left_out(void **state)
{
    struct wn_reading r;
    (void)state;
    begin(WN_TALKER_DELIMITED);
    records.begun = false;
    assert_int_equal(hear_text("2;1.000;0;R;3.7000;0.5000;25.00;0.00000\n", &r), 0);
    assert_int_equal(hear_text("3;2.000;0;R;3.7000;0.5000;25.00;0.00000\n", &r), 1);
    assert_int_equal(records.garbled, 0);
}

static void test_forms(void **state)
{
    struct wn_reading r;
    (void)state;
    begin(WN_TALKER_DELIMITED);
    struct wn_records_field *volts = &dialect.records.field[4], *amps = &dialect.records.field[5];
    (void)snprintf(volts->form.prefix, sizeof volts->form.prefix, "U=");
    (void)snprintf(volts->form.suffix, sizeof volts->form.suffix, " mV");
    volts->form.scale = 1e-3;
    volts->form.places = 1;
    amps->form.decimal_comma = true;
    dialect.current_sign = -1;
    (void)snprintf(dialect.records.sum.name, sizeof dialect.records.sum.name, "sum8");
    (void)snprintf(dialect.records.sum.mark, sizeof dialect.records.sum.mark, "*");
    const char *text = "1;1.000;0;R;U=3700.5 mV;0,5000;25.00;0.00000";
    char line[100];
    unsigned sum = 0;
    for (const char *p = text; *p != '\0'; p++) {
        sum += (unsigned char)*p;
    }
    (void)snprintf(line, sizeof line, "%s*%02X\n", text, sum & 0xff);
    assert_int_equal(hear_text(line, &r), 1);
    assert_near(r.voltage_v, 3.7005, 1e-12);
    assert_near(r.current_a, -0.5, 1e-12);
    (void)snprintf(line, sizeof line, "%s*%02X\n", text, (sum + 1) & 0xff);
    assert_int_equal(hear_text(line, &r), 0);
    assert_non_null(strstr(records.why.text, "wrong checksum"));
    (void)snprintf(line, sizeof line, "%s;%02X\n", text, sum & 0xff);
    assert_int_equal(hear_text(line, &r), 0);
    assert_non_null(strstr(records.why.text, "does not end with its checksum"));
}

static void test_columns_signs(void **state)
{
    struct wn_reading r;
    (void)state;
    begin(WN_TALKER_FIXED_WIDTH);
    dialect.records.sum.name[0] = '\0';
    char line[64] = "0000010000010000000R037000-005000+-----000000000";
    assert_int_equal(strlen(line), 48);
    line[48] = '\n';
    assert_int_equal(hear(line, 49, &r), 1);
    assert_near(r.voltage_v, 3.7, 1e-12);
    assert_near(r.current_a, -0.5, 1e-12);
    assert_int_equal(r.has & WN_HAS_TEMPERATURE, 0);
    line[26] = ' ';
    assert_int_equal(hear(line, 49, &r), 1);
    assert_near(r.current_a, 0.5, 1e-12);
    line[26] = '7'; /* a digit where the sign belongs */
    assert_int_equal(hear(line, 49, &r), 0);
    line[26] = '+';
    line[27] = '-'; /* a second sign */
    assert_int_equal(hear(line, 49, &r), 0);
    line[27] = '0';
    assert_int_equal(hear(line + 1, 48, &r), 0); /* a column too few */
    assert_int_equal(records.garbled, 3);
}

static void test_frame_numbers(void **state)
{
    static const struct {
        enum wn_records_type type;
        bool low_first;
        unsigned char bytes[4];
        double value;
    } of[] = {
        {WN_RECORDS_U8, false, {0xff}, 255},
        {WN_RECORDS_I8, false, {0xff}, -1},
        {WN_RECORDS_U16, false, {0x12, 0x34}, 0x1234},
        {WN_RECORDS_U16, true, {0x12, 0x34}, 0x3412},
        {WN_RECORDS_I16, false, {0x80, 0x00}, -32768},
        {WN_RECORDS_I16, true, {0xff, 0x7f}, 32767},
        {WN_RECORDS_U24, false, {0x80, 0, 1}, 8388609},
        {WN_RECORDS_I24, false, {0x80, 0, 1}, -8388607},
        {WN_RECORDS_I24, true, {0xfe, 0xff, 0xff}, -2},
        {WN_RECORDS_U32, false, {0xff, 0xff, 0xff, 0xfe}, 4294967294.0},
        {WN_RECORDS_I32, false, {0xff, 0xff, 0xff, 0xfe}, -2},
        {WN_RECORDS_I32, true, {0, 0, 0, 0x80}, -2147483648.0},
        {WN_RECORDS_F32, false, {0xc0, 0x60, 0, 0}, -3.5},
        {WN_RECORDS_F32, true, {0, 0, 0x60, 0x40}, 3.5},
    };
    (void)state;
    for (size_t i = 0; i < sizeof of / sizeof of[0]; i++) {
        struct wn_reading r;
        begin(WN_TALKER_FRAMED);
        dialect.has_clock = false;
        dialect.records = (struct wn_records_form){
            .format = WN_RECORDS_FRAMES, .mark = {0x7e}, .mark_len = 1, .length = 6, .fields = 1};
        dialect.records.field[0] = (struct wn_records_field){.form.what = WN_FIELD_CURRENT_A,
                                                             .at = 1,
                                                             .type = of[i].type,
                                                             .low_first = of[i].low_first};
        char frame[6] = {0x7e};
        memcpy(frame + 1, of[i].bytes, 4);
        assert_int_equal(hear(frame, 6, &r), 1);
        assert_near(r.current_a, of[i].value, 1e-9);
    }
}

/* The mark inside a record, and the record before it cut short: both are found again. */
static void test_frames_resynchronise(void **state)
{
    char bytes[3 * WN_TALKER_BINARY];
    struct wn_talker_record told;
    struct wn_reading r;
    (void)state;
    for (size_t cut = 1; cut < WN_TALKER_BINARY; cut++) {
        begin(WN_TALKER_FRAMED);
        (void)listening_record(WN_TALKER_FRAMED, 1, bytes, &told);
        assert_int_equal(hear(bytes, WN_TALKER_BINARY, &r), 1);
        told.cycle = 0x5aa5; /* the mark as a value, low byte first */
        told.number = 0x185aa5;
        (void)wn_talker_write(&told, WN_TALKER_FRAMED, &(struct wn_number_style){0}, bytes);
        told.number++;
        (void)wn_talker_write(&told, WN_TALKER_FRAMED, &(struct wn_number_style){0},
                              bytes + WN_TALKER_BINARY);
        assert_int_equal(hear(bytes + cut, 2 * WN_TALKER_BINARY - cut, &r), 1);
        assert_true(equals(&r, &told));
        assert_int_equal(records.garbled, 1);
    }
    memset(bytes, 0xa5, sizeof bytes); /* never a whole mark */
    assert_int_equal(hear(bytes, sizeof bytes, &r), 0);
    assert_in_range(records.garbled, 2, 5);
}

/* -- damage */

enum damage { FLIP, LOSE, INSERT, DAMAGES };

struct tally {
    long tried, wrong, wrong_time; /* of the last nothing but the time is wrong */
    long neighbour;                /* a record next to the damaged one was lost too */
};

static size_t damage(char *bytes, size_t len, enum damage how, struct wn_prng *rng)
{
    size_t at = wn_prng_below(rng, len);
    switch (how) {
    case FLIP:
        bytes[at] = (char)(bytes[at] ^ 1 << wn_prng_below(rng, 8));
        return len;
    case LOSE:
        memmove(bytes + at, bytes + at + 1, len - at - 1);
        return len - 1;
    case INSERT:
    case DAMAGES:
        break;
    }
    memmove(bytes + at + 1, bytes + at, len - at);
    bytes[at] = (char)wn_prng_below(rng, 256);
    return len + 1;
}

/* Three records, the middle one damaged. A wrong value is one that none of the three tells. */
static void try_one(enum wn_talker_format format, enum damage how, struct wn_prng *rng,
                    struct tally *t)
{
    char bytes[3 * (WN_TALKER_RECORD_MAX + 2)];
    struct wn_talker_record told[3];
    struct wn_reading r;
    long n = (long)wn_prng_below(rng, 600000);
    size_t len = listening_record(format, n, bytes, &told[0]);
    size_t middle = listening_record(format, n + 1, bytes + len, &told[1]);
    len += damage(bytes + len, middle, how, rng);
    len += listening_record(format, n + 2, bytes + len, &told[2]);
    wn_records_init(&records, &dialect);
    records.begun = true;
    size_t used = 0;
    int good = 0;
    bool wrong = false, late = false;
    while (wn_records_take(&records, bytes, len, &used, &r) == WN_HEARD_RECORD) {
        bool known = equals(&r, &told[0]) || equals(&r, &told[1]) || equals(&r, &told[2]);
        good += known;
        late = late || (!known && same_values(&r, &told[1]));
        wrong = wrong || (!known && !same_values(&r, &told[1]));
    }
    t->tried++;
    t->wrong += wrong;
    t->wrong_time += late;
    t->neighbour += good + wrong + late < 2;
}

static void measure(enum wn_talker_format format, struct wn_prng *rng, double wrong[DAMAGES],
                    double wrong_time[DAMAGES])
{
    static const char *const words[] = {"bit flipped", "byte lost", "byte put in"};
    for (int how = FLIP; how < DAMAGES; how++) {
        struct tally t = {0};
        for (int i = 0; i < 20000; i++) {
            try_one(format, (enum damage)how, rng, &t);
        }
        wrong[how] = (double)t.wrong / (double)t.tried;
        wrong_time[how] = (double)t.wrong_time / (double)t.tried;
        print_message("%s, %s%s: %.4f wrong, %.4f wrong time, %.4f cost a neighbour\n",
                      dialect.title, words[how],
                      dialect.records.field[4].form.places == 0 ? ", places not stated" : "",
                      wrong[how], wrong_time[how], (double)t.neighbour / (double)t.tried);
        /* a damaged line end joins two records: both are lost, no more */
        assert_true(t.neighbour <= t.tried / 10);
    }
}

static void test_damage(void **state)
{
    struct wn_prng rng;
    double wrong[DAMAGES], late[DAMAGES];
    (void)state;
    wn_prng_init(&rng, talk_seed(4711));
    begin(WN_TALKER_DELIMITED);
    measure(WN_TALKER_DELIMITED, &rng, wrong, late);
    assert_true(wrong[FLIP] < 0.11 && wrong[LOSE] < 0.08 && wrong[INSERT] < 0.01);
    assert_true(late[FLIP] < 0.10 && late[LOSE] < 0.15 && late[INSERT] < 0.01);
    for (int i = 0; i < dialect.records.fields; i++) {
        dialect.records.field[i].form.places = 0;
    }
    measure(WN_TALKER_DELIMITED, &rng, wrong, late);
    begin(WN_TALKER_FIXED_WIDTH);
    measure(WN_TALKER_FIXED_WIDTH, &rng, wrong, late);
    assert_true(wrong[FLIP] + wrong[LOSE] + wrong[INSERT] <= 0);
    assert_true(late[FLIP] + late[LOSE] + late[INSERT] <= 0);
    begin(WN_TALKER_FRAMED);
    measure(WN_TALKER_FRAMED, &rng, wrong, late);
    assert_true(wrong[FLIP] + wrong[LOSE] + wrong[INSERT] <= 0);
    assert_true(late[FLIP] + late[LOSE] + late[INSERT] <= 0);
}

/* Bytes of any kind: nothing is read beyond the end, and the decoder finds back. */
static void test_noise(void **state)
{
    struct wn_prng rng;
    (void)state;
    wn_prng_init(&rng, talk_seed(815));
    for (int f = WN_TALKER_DELIMITED; f <= WN_TALKER_FRAMED; f++) {
        char bytes[4000];
        struct wn_talker_record told;
        struct wn_reading r;
        begin((enum wn_talker_format)f);
        for (int round = 0; round < 200; round++) {
            for (size_t i = 0; i < sizeof bytes; i++) {
                bytes[i] = (char)wn_prng_below(&rng, 256);
            }
            (void)hear(bytes, wn_prng_below(&rng, sizeof bytes), &r);
            size_t len = listening_record((enum wn_talker_format)f, round, bytes, &told);
            (void)hear(bytes, len, &r); /* may end what the noise began */
            assert_int_equal(hear(bytes, len, &r) >= 1, true);
            assert_true(equals(&r, &told));
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_formats),
        cmocka_unit_test(test_delimited_lines),
        cmocka_unit_test(test_first_line_is_left_out),
        cmocka_unit_test(test_forms),
        cmocka_unit_test(test_columns_signs),
        cmocka_unit_test(test_frame_numbers),
        cmocka_unit_test(test_frames_resynchronise),
        cmocka_unit_test(test_damage),
        cmocka_unit_test(test_noise),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
