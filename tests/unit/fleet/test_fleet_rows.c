/* Values as bytes, digests, ids, statements, and what an error code means. That the bytes are what
 * a server takes and hashes is tried on one (tests/fleet).
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fleet/table.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct thing {
    bool yes;
    int64_t n;
    double x;
    char text[16];
    wn_utc_us when;
};
#define MEMBER(name, type)                                                                         \
    {                                                                                              \
#name, type, offsetof(struct thing, name), sizeof(((struct thing *)0)->name)               \
    }
static const struct fleet_column columns[] = {MEMBER(yes, 'b'), MEMBER(n, 'i'), MEMBER(x, 'd'),
                                              MEMBER(text, 't'), MEMBER(when, 'z')};
static const struct fleet_table table = {"thing", "n", columns, 5};
static const struct fleet_table single = {"one", NULL, columns, 2};

static void expect_bytes(const struct thing *t, const char *want)
{
    struct fleet_rows r;
    char got[400] = "";
    fleet_rows_init(&r, &table);
    assert_int_equal(fleet_rows_add(&r, t), WN_OK);
    for (size_t i = 0; i < r.len; i++) {
        (void)snprintf(got + 2 * i, sizeof got - 2 * i, "%02x", r.bytes[i]);
    }
    assert_string_equal(got, want);
    assert_int_equal(r.values, 5);
    assert_int_equal(r.rows, 1);
    fleet_rows_free(&r);
}

/* 2.5 is 4004000000000000 (IEEE 754); 2000-01-01 00:00:01 UTC is a million microseconds there. */
static void test_bytes(void **state)
{
    (void)state;
    struct thing t = {true, -2, 2.5, "a\xc2\xb5", INT64_C(946684801000000)};
    expect_bytes(&t, "0101"
                     "01fffffffffffffffe"
                     "014004000000000000"
                     "010000000361c2b5"
                     "0100000000000f4240");
    t = (struct thing){false, INT64_MIN, NAN, "", 0};
    expect_bytes(&t, "0100"
                     "018000000000000000"
                     "00"
                     "0100000000"
                     "00");
    t = (struct thing){false, 1, -0.0, "", INT64_MIN}; /* no time of day; -0 is 0 there, too */
    expect_bytes(&t, "0100"
                     "010000000000000001"
                     "010000000000000000"
                     "0100000000"
                     "00");
    t.x = INFINITY;
    t.when = INT64_C(-62135596800000000); /* the year 1 */
    expect_bytes(&t, "0100"
                     "010000000000000001"
                     "00"
                     "0100000000"
                     "01ff1fe2ffc59c6000");
    t.when--;
    expect_bytes(&t, "0100"
                     "010000000000000001"
                     "00"
                     "0100000000"
                     "00");
}

static void digest(const char *a, const char *b, char hex[65])
{
    struct thing t = {.text = ""};
    struct fleet_rows r;
    fleet_rows_init(&r, &table);
    (void)snprintf(t.text, sizeof t.text, "%s", a);
    assert_int_equal(fleet_rows_add(&r, &t), WN_OK);
    (void)snprintf(t.text, sizeof t.text, "%s", b);
    assert_int_equal(fleet_rows_add(&r, &t), WN_OK);
    fleet_rows_digest(&r, hex);
    fleet_rows_free(&r);
}

static void test_digest_keeps_rows_apart(void **state)
{
    (void)state;
    char a[65], b[65];
    digest("ab", "", a);
    digest("a", "b", b);
    assert_string_not_equal(a, b);
    digest("ab", "", b);
    assert_string_equal(a, b);
}

static void test_many_rows(void **state)
{
    (void)state;
    struct fleet_rows r;
    fleet_rows_init(&r, &table);
    for (int64_t i = 0; i < 1000; i++) {
        struct thing t = {.n = i, .x = (double)i, .text = "fifteen letters"};
        assert_int_equal(fleet_rows_add(&r, &t), WN_OK);
    }
    assert_int_equal(r.rows, 1000);
    for (size_t i = 0; i < 1000; i++) {
        assert_int_equal(fleet_get_int64(r.bytes + r.value[5 * i + 1].at), i);
    }
    fleet_rows_clear(&r);
    assert_int_equal(r.len, 0);
    fleet_rows_free(&r);
}

static void expect_clean(const char *text, const char *want)
{
    char copy[32];
    (void)snprintf(copy, sizeof copy, "%s", text);
    fleet_clean_text(copy);
    assert_string_equal(copy, want);
}

static void test_text_is_utf8(void **state)
{
    (void)state;
    expect_clean("plain", "plain");
    expect_clean("\xc2\xb5 \xe2\x82\xac \xf0\x9f\x94\x8b",
                 "\xc2\xb5 \xe2\x82\xac \xf0\x9f\x94\x8b");
    expect_clean("\xb5", "?");   /* Latin-1 */
    expect_clean("a\xc2", "a?"); /* cut off */
    expect_clean("\xe2\x82", "??");
    expect_clean("\xc0\xaf", "??"); /* overlong */
    expect_clean("\xe0\x9f\xbf", "???");
    expect_clean("\xf0\x8f\xbf\xbf", "????");
    expect_clean("\xed\xa0\x80", "???"); /* half of a pair */
    expect_clean("\xf4\x90\x80\x80", "????");
    expect_clean("\xf5\x80\x80\x80", "????");
    expect_clean("\xff\xfe", "??");
    expect_clean("\xed\x9f\xbf\xee\x80\x80\xf4\x8f\xbf\xbf",
                 "\xed\x9f\xbf\xee\x80\x80\xf4\x8f\xbf\xbf");
}

static void test_statements(void **state)
{
    (void)state;
    char *sql = fleet_sql_upsert(&single, 2);
    assert_string_equal(
        sql,
        "INSERT INTO wane.one AS t (campaign_id, yes, n) VALUES ($1, $2, $3), ($1, $4, $5) ON "
        "CONFLICT (campaign_id) DO UPDATE SET yes = excluded.yes, n = excluded.n WHERE (t.yes, "
        "t.n) IS DISTINCT FROM (excluded.yes, excluded.n)");
    free(sql);
    sql = fleet_sql_upsert(&table, 1);
    assert_non_null(strstr(sql, "ON CONFLICT (campaign_id, n) DO"));
    free(sql);
    sql = fleet_sql_blocks(&table);
    assert_non_null(strstr(sql, "SELECT n / 256, count(*)"));
    assert_non_null(strstr(sql, "WHERE campaign_id = $1"));
    free(sql);
}

/* An id once given out is for ever: these were, and what makes two campaigns two. */
static void test_campaign_id(void **state)
{
    (void)state;
    struct wn_campaign_info info = {.name = "demo", .station = "A", .created_utc = 1};
    unsigned char id[16];
    char text[37], other[37], of_bytes[37] = "";
    fleet_campaign_id(&info, "00ff", id, text);
    /* printf 'wane campaign 1\n00ff\n1\nA\ndemo\n' | sha256sum, version 8, variant 10 */
    assert_string_equal(text, "8e8b6aef-5147-834d-80cd-c219c616d10f");
    for (size_t i = 0, at = 0; i < 16; i++) {
        at += (size_t)snprintf(of_bytes + at, sizeof of_bytes - at,
                               i == 4 || i == 6 || i == 8 || i == 10 ? "-%02x" : "%02x", id[i]);
    }
    assert_string_equal(text, of_bytes);
    info.created_utc = 2;
    fleet_campaign_id(&info, "00ff", id, other);
    assert_string_not_equal(text, other);
    info.created_utc = 1;
    fleet_campaign_id(&info, "00fe", id, other);
    assert_string_not_equal(text, other);
    (void)snprintf(info.station, sizeof info.station, "B");
    fleet_campaign_id(&info, "00ff", id, other);
    assert_string_not_equal(text, other);
    (void)snprintf(info.station, sizeof info.station, "A");
    info.simulated = true; /* no part of it */
    fleet_campaign_id(&info, "00ff", id, other);
    assert_string_equal(text, other);
}

static void test_flags_and_words(void **state)
{
    (void)state;
    struct fleet_cycle c;
    struct wn_cycle_record r = {.flags = WN_FLAG_GAP | WN_FLAG_SHORT_REST};
    fleet_make_cycle(&c, &r, 5, true);
    assert_string_equal(c.flags, "gap short_rest");
    assert_false(c.valid);
    assert_true(c.simulated);
    r.flags = WN_FLAG_SHORT_REST | WN_FLAG_AFTER_PAUSE;
    fleet_make_cycle(&c, &r, 5, false);
    assert_true(c.valid);
    r.flags = ~0u; /* all words have room */
    fleet_make_cycle(&c, &r, 5, false);
    assert_non_null(strstr(c.flags, "short_rest"));
    struct fleet_event e;
    struct wn_event_row row = {.event = {.severity = WN_SEVERITY_ALARM}};
    fleet_make_event(&e, &row, false);
    assert_string_equal(e.severity, "alarm");
    row.event.severity = WN_SEVERITY_WARNING;
    fleet_make_event(&e, &row, false);
    assert_string_equal(e.severity, "warning");
    row.event.severity = WN_SEVERITY_INFO;
    fleet_make_event(&e, &row, false);
    assert_string_equal(e.severity, "info");
}

static void test_faults(void **state)
{
    (void)state;
    assert_int_equal(fleet_fault_of("08006").code, WN_EUNREACHABLE);
    assert_int_equal(fleet_fault_of("57P01").code, WN_EUNREACHABLE);
    assert_int_equal(fleet_fault_of("57014").code, WN_ETIMEOUT);
    assert_int_equal(fleet_fault_of("40001").code, WN_EBUSY);
    assert_int_equal(fleet_fault_of("40P01").code, WN_EBUSY);
    assert_int_equal(fleet_fault_of("53100").code, WN_ENOSPACE);
    assert_int_equal(fleet_fault_of("53300").code, WN_EUNREACHABLE);
    assert_int_equal(fleet_fault_of("25006").code, WN_EACCESS);
    assert_int_equal(fleet_fault_of("XX000").code, WN_EIO);
    assert_non_null(fleet_fault_of("").advice);
}

static void expect_refusal(const char *text, const char *want_state, const char *want)
{
    char state[6], out[200];
    fleet_split_refusal(text, state, out, sizeof out);
    assert_string_equal(state, want_state);
    assert_string_equal(out, want);
}

static void test_refusals(void **state)
{
    (void)state;
    expect_refusal("connection to server at \"h\" failed: FATAL:  28P01: password authentication "
                   "failed for user \"x\"\nLOCATION:  auth_failed, auth.c:344\n",
                   "28P01",
                   "connection to server at \"h\" failed: FATAL: password authentication failed "
                   "for user \"x\"");
    expect_refusal("could not translate host name \"h\" to address: Name or service not known\n",
                   "", "could not translate host name \"h\" to address: Name or service not known");
    expect_refusal("connection to server on socket \"/s\" failed: No such file or directory\n\tIs "
                   "the server running locally?\n",
                   "",
                   "connection to server on socket \"/s\" failed: No such file or directory Is the "
                   "server running locally?");
    expect_refusal("", "", "");
    expect_refusal("FATAL: ", "", "FATAL:");
    expect_refusal(": 12345", "", ": 12345");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_bytes),           cmocka_unit_test(test_digest_keeps_rows_apart),
        cmocka_unit_test(test_many_rows),       cmocka_unit_test(test_text_is_utf8),
        cmocka_unit_test(test_statements),      cmocka_unit_test(test_campaign_id),
        cmocka_unit_test(test_flags_and_words), cmocka_unit_test(test_faults),
        cmocka_unit_test(test_refusals),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
