/* Campaign file: which readings are stored.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fixture.h"

#include <string.h>

#include "store/internal.h"

/* Thresholds of the fixture: 0.25 V, 0.5 A, 2 K, 60 s; all exact in binary, and so are the values
 * below. */
static const struct wn_reading start = {.time_ns = 1000,
                                        .voltage_v = 3.5,
                                        .current_a = -2.0,
                                        .temperature_c = 25.0,
                                        .ambient_c = 20.0,
                                        .has = WN_HAS_VOLTAGE | WN_HAS_CURRENT |
                                               WN_HAS_TEMPERATURE | WN_HAS_AMBIENT | WN_HAS_OUTPUT,
                                        .output_on = 1};

static void put(struct wn_campaign *c, const struct wn_reading *v, int64_t step)
{
    struct wn_record r;
    memset(&r, 0, sizeof r);
    r.kind = WN_RECORD_READING;
    r.u.reading.reading = *v;
    r.u.reading.step_number = step;
    fixture_put(c, &r);
}

static int count(const struct wn_reading *r, int64_t step, wn_utc_us utc, void *ctx)
{
    int64_t *n = ctx;
    (void)r;
    (void)step;
    (void)utc;
    (*n)++;
    return 0;
}

static int64_t stored(struct wn_campaign *c)
{
    int64_t n = 0;
    fixture_commit(c, 1);
    assert_ok(wn_campaign_each_reading(c, 0, 0, count, &n, why));
    return n;
}

/* Is `now` stored behind `start`? */
static bool is_stored(struct wn_campaign *c, const struct wn_reading *before,
                      const struct wn_reading *now)
{
    c->force = true; /* whatever came before this case */
    int64_t n = stored(c);
    put(c, before, 1);
    assert_int_equal(stored(c), n + 1);
    put(c, now, 1);
    return stored(c) == n + 2;
}

static void test_thresholds(void **state)
{
    struct wn_campaign *c = fixture_create(*state);
    const double tiny = 1.0 / 1048576.0;
    for (int sign = -1; sign <= 1; sign += 2) {
        for (int over = -1; over <= 1; over++) { /* just below, at, just above */
            struct wn_reading v = start;
            v.voltage_v += sign * (0.25 + over * tiny);
            assert_int_equal(is_stored(c, &start, &v), over >= 0);
            v = start;
            v.current_a += sign * (0.5 + over * tiny);
            assert_int_equal(is_stored(c, &start, &v), over >= 0);
            v = start;
            v.temperature_c += sign * (2.0 + over * tiny);
            assert_int_equal(is_stored(c, &start, &v), over >= 0);
            v = start;
            v.ambient_c += sign * (2.0 + over * tiny);
            assert_int_equal(is_stored(c, &start, &v), over >= 0);
            v = start;
            v.time_ns += 60 * WN_NS_PER_S + over;
            assert_int_equal(is_stored(c, &start, &v), over >= 0);
        }
    }
    assert_false(is_stored(c, &start, &start));
    wn_campaign_close(c);
}

/* Slow drifts are measured against what was stored, not against the reading before. */
static void test_drift(void **state)
{
    struct wn_campaign *c = fixture_create(*state);
    struct wn_reading v = start;
    for (int i = 0; i <= 64; i++) { /* 1/32 V each: 2 V in all */
        v.voltage_v = 3.5 - i / 32.0;
        v.time_ns = start.time_ns + i;
        put(c, &v, 1);
    }
    assert_int_equal(stored(c), 1 + 8);
    wn_campaign_close(c);
}

static void test_appearing(void **state)
{
    struct wn_campaign *c = fixture_create(*state);
    struct wn_reading v = start;
    v.has &= ~(unsigned)WN_HAS_TEMPERATURE;
    assert_true(is_stored(c, &start, &v));
    assert_true(is_stored(c, &v, &start));
    assert_false(is_stored(c, &v, &v));
    v = start;
    v.output_on = 0;
    assert_true(is_stored(c, &start, &v));
    v = start;
    v.voltage_v = (double)NAN;
    assert_true(is_stored(c, &start, &v));
    assert_true(is_stored(c, &v, &start));
    assert_false(is_stored(c, &v, &v));
    v = start;
    v.has &= ~(unsigned)WN_HAS_AMBIENT; /* what is not valid does not count */
    struct wn_reading w = v;
    w.ambient_c = 99.0;
    assert_false(is_stored(c, &v, &w));
    wn_campaign_close(c);
}

/* First and last reading of a step are stored, whatever their values, once. */
static void test_ends_of_steps(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    struct wn_record r;
    struct wn_reading v = start;
    for (int64_t step = 1; step <= 3; step++) {
        fixture_step(&r, WN_RECORD_STEP_BEGIN, step);
        fixture_put(c, &r);
        for (int i = 0; i < (step == 3 ? 1 : 10); i++) {
            v.time_ns++;
            put(c, &v, step);
        }
        fixture_step(&r, WN_RECORD_STEP_END, step);
        fixture_put(c, &r);
    }
    fixture_step(&r, WN_RECORD_STEP_BEGIN, 4); /* no reading at all */
    fixture_put(c, &r);
    v.time_ns++;
    put(c, &v, 3); /* of no step that is open */
    v.time_ns++;
    put(c, &v, 3);
    fixture_step(&r, WN_RECORD_STEP_END, 4);
    fixture_put(c, &r);
    fixture_commit(c, 1);
    wn_campaign_close(c);
    sqlite3 *db = plain_open(f->path);
    assert_string_equal(plain_text(db, "SELECT group_concat(step || ':' || time_ns) FROM"
                                       " (SELECT * FROM reading ORDER BY number)"),
                        "1:1001,1:1010,2:1011,2:1020,3:1021,3:1022");
    (void)sqlite3_close(db);
}

/* Thresholds are those of the file, also after it was opened again; zero stores everything. */
static void test_thresholds_of_the_file(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign_info info;
    struct wn_campaign *c = NULL;
    fixture_info(&info);
    memset(&info.store_on_change, 0, sizeof info.store_on_change);
    info.store_on_change.voltage_v = info.store_on_change.current_a = (double)INFINITY;
    info.store_on_change.temperature_c = (double)INFINITY;
    assert_ok(wn_campaign_create(&c, f->path, &info, "", why));
    for (int i = 0; i < 5; i++) {
        put(c, &start, 1);
    }
    assert_int_equal(stored(c), 5);
    wn_campaign_close(c);
    c = fixture_open(f);
    for (int i = 0; i < 5; i++) {
        put(c, &start, 1);
    }
    assert_int_equal(stored(c), 10);
    wn_campaign_close(c);
}

static void test_no_sql_for_what_is_not_stored(void **state)
{
    struct wn_campaign *c = fixture_create(*state);
    put(c, &start, 1);
    fixture_commit(c, 1);
    size_t waits = c->pending_len;
    assert_int_equal(waits, 0);
    sqlite3 *db = c->db;
    c->db = NULL; /* nothing may need it */
    for (int i = 0; i < 1000; i++) {
        put(c, &start, 1);
    }
    assert_int_equal(c->pending_len, 0);
    fixture_commit(c, 1); /* nothing to do: no transaction either */
    c->db = db;
    assert_int_equal(stored(c), 1);
    wn_campaign_close(c);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_thresholds, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_drift, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_appearing, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_ends_of_steps, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_thresholds_of_the_file, fixture_setup,
                                        fixture_teardown),
        cmocka_unit_test_setup_teardown(test_no_sql_for_what_is_not_stored, fixture_setup,
                                        fixture_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
