/* Dialects of testers that run their own program: read whole, and every mistake told where it is.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdlib.h>
#include <string.h>

#include "config_case.h"
#include "support/near.h"

static struct wn_dialect dialect;
static struct wn_problems problems;

/* A shipped file with `from` replaced by `to`; "" changes nothing. */
static void parse(const char *name, const char *from, const char *to)
{
    char *text = case_shipped(name), changed[8192];
    const char *at = strstr(text, from);
    assert_non_null(at);
    (void)snprintf(changed, sizeof changed, "%.*s%s%s", (int)(at - text), text, to,
                   at + strlen(from));
    memset(&problems, 0, sizeof problems);
    (void)wn_config_parse_dialect(changed, strlen(changed), "F", "x", &dialect, &problems);
    free(text);
}

#define FRAMES  "dialects/virtual-talker-frames.conf"
#define COLUMNS "dialects/virtual-talker-columns.conf"
#define LINES   "dialects/virtual-talker.conf"

static void test_frames(void **state)
{
    (void)state;
    parse(FRAMES, "", "");
    case_expect_none(&problems, FRAMES);
    const struct wn_records_form *f = &dialect.records;
    assert_int_equal(dialect.protocol, WN_PROTOCOL_RECORDS);
    assert_int_equal(f->mark_len, 2);
    assert_memory_equal(f->mark, "\xa5\x5a", 2);
    assert_int_equal(f->length, 0);
    assert_int_equal(f->length_at, 2);
    assert_int_equal(f->length_max, 29);
    assert_true(f->field[3].has_none);
    assert_int_equal(f->field[3].none_bits, 0x8000); /* sent low byte first */
    assert_string_equal(f->sum.name, "crc-16/ibm-3740");
    assert_int_equal(dialect.safe_off_len, 5);
    assert_string_equal(dialect.safe_off, "HALT\n");
    assert_near(f->silence_s, 10, 0);
}

static void test_columns(void **state)
{
    (void)state;
    parse(COLUMNS, "", "");
    case_expect_none(&problems, COLUMNS);
    const struct wn_records_field *amps = &dialect.records.field[2];
    assert_int_equal(amps->at, 27); /* counted from 0 */
    assert_int_equal(amps->width, 6);
    assert_int_equal(amps->sign_at, 26);
    assert_string_equal(dialect.records.field[3].none, "-----");
}

static void test_no_stop_command(void **state)
{
    (void)state;
    parse(LINES, "stop = \"HALT\\n\";", "");
    case_expect_none(&problems, LINES);
    assert_int_equal(dialect.safe_off_len, 0);
}

static void test_mistakes(void **state)
{
    static const struct {
        const char *file, *from, *to, *told;
    } of[] = {
        {FRAMES, "A5 5A", "A5 5", "records.mark: must be 1 to 8 bytes of two hexadecimal digits"},
        {FRAMES, "A5 5A", "A55A", "records.mark: must be 1 to 8 bytes"},
        {FRAMES, "00 80", "80", "has 1 bytes, the value has 2"},
        {FRAMES, "crc-16/ibm-3740", "crc-16", "is none of the checksums known: sum8"},
        {FRAMES, "byte = 22", "byte = 28", "a field lies outside its frame"},
        {FRAMES, "\"i32\"", "\"s32\"", "type"},
        {FRAMES, "from = 2", "from = 27", "the checksum covers nothing"},
        {FRAMES, "silence  = \"10 s\";", "", "silence is missing"},
        {FRAMES, "\"voltage_v\"", "\"ignore\"", "must hold voltage_v and current_a"},
        {FRAMES, "\"time_s\"", "\"ignore\"",
         "has_clock is true, but records.fields holds no time_s"},
        {FRAMES, "\"temperature_c\"", "\"current_a\"", "tells the current twice"},
        {FRAMES, "stop =", "off =", "off: unknown key"},
        {COLUMNS, "\"28-33\"", "\"33-28\"", "must be first and last column, counted from 1"},
        {COLUMNS, "\"28-33\"", "\"44-49\"", "a field lies outside the columns"},
        {COLUMNS, "format  = \"columns\"", "format = \"table\"", "records.format"},
        {LINES, "separator = \";\"", "separator = \".\"",
         "must be one character that no number holds"},
        {LINES, "separator = \";\";", "", "records.separator is missing"},
        {LINES, "current_sign = \"charge positive\";", "", "current_sign is missing"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof of / sizeof of[0]; i++) {
        parse(of[i].file, of[i].from, of[i].to);
        if (problems.n == 0 || strstr(problems.text[0], of[i].told) == NULL ||
            strncmp(problems.text[0], "F:", 2) != 0) {
            fail_msg("%s instead of %s: %s", of[i].to, of[i].from,
                     problems.n > 0 ? problems.text[0] : "no problem");
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_frames),
        cmocka_unit_test(test_columns),
        cmocka_unit_test(test_no_stop_command),
        cmocka_unit_test(test_mistakes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
