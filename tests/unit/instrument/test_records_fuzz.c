/* Records over a line that flips, loses and adds bytes, and sends noise: what has a checksum is
 * never taken for another, what is whole is always heard, and everything is counted and told.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One byte of a record is damaged at most: what a checksum promises. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/prng.h"
#include "listening.h"
#include "support/near.h"
#include "talk.h"
#include "wire/checksum.h"

enum { RECORDS = 12000, RECORD_MAX = WN_TALKER_RECORD_MAX + 16, NOISE_MAX = 60 };

static struct wn_dialect dialect;
static struct wn_records records;
static struct wn_prng rng;

static char stream[RECORDS * (RECORD_MAX + NOISE_MAX)];
static size_t stream_len;
static struct wn_talker_record told[RECORDS];
static bool whole[RECORDS], heard[RECORDS];
static long damages, noises, wrong;

static bool is_text(void)
{
    return dialect.records.format != WN_RECORDS_FRAMES;
}

/* A delimited record with a checksum of its own, as the shipped dialect has none. */
static size_t add_sum(char *buf, size_t len)
{
    const struct wn_checksum *how = wn_checksum_named(dialect.records.sum.name);
    unsigned sum = wn_checksum(how, buf, len - 1);
    return len - 1 + (size_t)snprintf(buf + len - 1, 8, "*%04X\n", sum);
}

static void put(const char *bytes, size_t len)
{
    memcpy(stream + stream_len, bytes, len);
    stream_len += len;
}

static size_t damage(char *bytes, size_t len)
{
    size_t at = wn_prng_below(&rng, len);
    damages++;
    switch (wn_prng_below(&rng, 3)) {
    case 0:
        bytes[at] = (char)(bytes[at] ^ 1 << wn_prng_below(&rng, 8));
        return len;
    case 1:
        memmove(bytes + at, bytes + at + 1, len - at - 1);
        return len - 1;
    default:
        memmove(bytes + at + 1, bytes + at, len - at);
        bytes[at] = (char)wn_prng_below(&rng, 256);
        return len + 1;
    }
}

/* Behind noise a text is whole again when a line has ended. */
static void put_noise(void)
{
    char bytes[NOISE_MAX + 1];
    size_t len = 1 + wn_prng_below(&rng, NOISE_MAX);
    for (size_t i = 0; i < len; i++) {
        bytes[i] = (char)wn_prng_below(&rng, 256);
    }
    bytes[len] = '\n';
    put(bytes, len + is_text());
    noises++;
}

static void make_stream(enum wn_talker_format format)
{
    bool ended = true; /* the line before */
    stream_len = 0;
    damages = noises = wrong = 0;
    memset(heard, 0, sizeof heard);
    for (long n = 0; n < RECORDS; n++) {
        char bytes[RECORD_MAX];
        size_t len = listening_record(format, n, bytes, &told[n]);
        len = dialect.records.sum.mark[0] == '*' ? add_sum(bytes, len) : len;
        bool spoilt = wn_prng_below(&rng, 6) == 0;
        whole[n] = !spoilt && (ended || !is_text());
        len = spoilt ? damage(bytes, len) : len;
        ended = bytes[len - 1] == '\n';
        put(bytes, len);
        if (wn_prng_below(&rng, 50) == 0) {
            put_noise();
            ended = true;
        }
    }
}

static bool equals(const struct wn_reading *r, const struct wn_talker_record *t)
{
    return fabs(r->voltage_v - t->voltage_v) < 1e-9 && fabs(r->current_a - t->current_a) < 1e-9 &&
           fabs(r->temperature_c - t->temperature_c) < 1e-9 &&
           llabs(r->time_ns - wn_ns_from_s(t->time_s)) <= 1000;
}

/* Lines that hold anything, counted without the decoder. */
static long lines(void)
{
    long n = 0;
    const char *from = stream, *end = stream + stream_len;
    for (const char *at = stream; at < end; at++) {
        if (*at == '\n') {
            n += at > from && !(at == from + 1 && *from == '\r');
            from = at + 1;
        }
    }
    return n;
}

static void judge_message(void)
{
    static const char *const known[] = {
        "does not end with its checksum",
        "has a wrong checksum",
        "columns, not 48",
        "fields, not 8",
        "record is no text: check baud rate, parity and cable",
        "is not a number (field ",
        "digits behind the point (field ",
        "holds a number beyond all bounds (field ",
        "tells an impossible time (field ",
        "has no sign where one belongs",
    };
    bool good = false;
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        good = good || strstr(records.why.text, known[i]) != NULL;
    }
    if (!good || strncmp(records.why.text, "record ", 7) != 0 || records.why.code != WN_EFRAME) {
        fail_msg("%d: %s", records.why.code, records.why.text);
    }
}

/* In pieces of any size. */
static void listen_to_all(void)
{
    long next = 0;
    wn_records_init(&records, &dialect);
    records.begun = true;
    for (size_t at = 0; at < stream_len;) {
        size_t piece = 1 + wn_prng_below(&rng, 40), used = 0;
        struct wn_reading r;
        piece = piece < stream_len - at ? piece : stream_len - at;
        uint64_t garbled = records.garbled;
        while (wn_records_take(&records, stream + at, piece, &used, &r) == WN_HEARD_RECORD) {
            long n = next;
            while (n < RECORDS && !equals(&r, &told[n])) {
                n++;
            }
            wrong += n == RECORDS;
            heard[n == RECORDS ? 0 : n] = true;
            next = n == RECORDS ? next : n + 1;
        }
        if (records.garbled != garbled) {
            judge_message();
        }
        assert_int_equal(used, piece);
        at += piece;
    }
}

static void judge(bool has_sum)
{
    long good = 0, lost = 0;
    for (long n = 0; n < RECORDS; n++) {
        good += heard[n];
        lost += whole[n] && !heard[n];
    }
    print_message(
        "%s: %ld records, %ld damaged, %ld times noise: %ld heard, %llu garbled, %ld wrong\n",
        dialect.title, (long)RECORDS, damages, noises, good, (unsigned long long)records.garbled,
        wrong);
    if (has_sum) {
        assert_int_equal(wrong, 0);
        assert_int_equal(lost, 0);
        assert_int_equal(records.good, good);
    }
    assert_true(wrong <= damages / 5); /* what text without a checksum cannot show: records.h */
    if (is_text()) {
        assert_int_equal((long)(records.good + records.garbled + records.skipped), lines());
    } else {
        assert_in_range(records.garbled, damages / 2, damages + 3 * noises);
    }
}

static void story(enum wn_talker_format format, const char *text_sum)
{
    listening_dialect(listening_name(format), &dialect);
    if (text_sum != NULL) {
        struct wn_records_sum *s = &dialect.records.sum;
        (void)snprintf(s->name, sizeof s->name, "%s", text_sum);
        (void)snprintf(s->mark, sizeof s->mark, "*");
    }
    make_stream(format);
    listen_to_all();
    judge(dialect.records.sum.name[0] != '\0');
}

static void test_delimited(void **state)
{
    (void)state;
    story(WN_TALKER_DELIMITED, NULL);
}

static void test_delimited_with_a_checksum(void **state)
{
    (void)state;
    story(WN_TALKER_DELIMITED, "crc-16/modbus");
}

static void test_columns(void **state)
{
    (void)state;
    story(WN_TALKER_FIXED_WIDTH, NULL);
}

static void test_frames(void **state)
{
    (void)state;
    story(WN_TALKER_FRAMED, NULL);
}

/* Nothing but noise: nothing is heard, and no time is lost over it. */
static void test_noise_alone(void **state)
{
    (void)state;
    for (int f = WN_TALKER_FIXED_WIDTH; f <= WN_TALKER_FRAMED; f++) {
        listening_dialect(listening_name((enum wn_talker_format)f), &dialect);
        wn_records_init(&records, &dialect);
        records.begun = true;
        for (int i = 0; i < 200000; i++) {
            char c = (char)wn_prng_below(&rng, 256);
            size_t used = 0;
            struct wn_reading r;
            assert_int_equal(wn_records_take(&records, &c, 1, &used, &r), WN_HEARD_NOTHING);
        }
        assert_true(records.garbled > 0);
    }
}

/* The time is what puts a record in its place; one without is no record where there must be one. */
static void test_a_record_without_time(void **state)
{
    static const char line[] = "12;9.91E37;1;C;3.7120;1.2500;24.31;0.00434\n";
    struct wn_reading r;
    size_t used = 0;
    (void)state;
    listening_dialect("virtual-talker", &dialect);
    wn_records_init(&records, &dialect);
    records.begun = true;
    assert_int_equal(wn_records_take(&records, line, strlen(line), &used, &r), WN_HEARD_NOTHING);
    assert_int_equal(records.garbled, 1);
    assert_string_equal(records.why.text,
                        "record '12;9.91E37;1;C;3.7120;1.2500;24.31;0.00434' tells no time, but "
                        "has_clock is true");
    dialect.has_clock = false;
    used = 0;
    assert_int_equal(wn_records_take(&records, line, strlen(line), &used, &r), WN_HEARD_RECORD);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_delimited),   cmocka_unit_test(test_delimited_with_a_checksum),
        cmocka_unit_test(test_columns),     cmocka_unit_test(test_frames),
        cmocka_unit_test(test_noise_alone), cmocka_unit_test(test_a_record_without_time),
    };
    wn_prng_init(&rng, talk_seed(2611));
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
