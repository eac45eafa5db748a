/* Campaign file: what is put comes back, every member and every bit.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fixture.h"

#include <stdlib.h>
#include <string.h>

#include "base/sha256.h"

/* What the callbacks saw; expected records are made anew and compared byte by byte. */
struct seen {
    int64_t n, step_from;
    wn_utc_us utc;
    int64_t wrong;
    int64_t stop_at;
};

static int see_cycle(const struct wn_cycle_record *r, wn_utc_us utc, void *ctx)
{
    struct seen *s = ctx;
    struct wn_record want;
    s->n++;
    fixture_cycle(&want, s->n);
    s->wrong += memcmp(r, &want.u.cycle, sizeof *r) != 0 || utc != s->utc;
    return s->n == s->stop_at ? 77 : 0;
}

static int see_check_up(const struct wn_check_up_record *r, wn_utc_us utc, void *ctx)
{
    struct seen *s = ctx;
    struct wn_record want;
    s->n++;
    fixture_check_up(&want, s->n);
    s->wrong += memcmp(r, &want.u.check_up, sizeof *r) != 0 || utc != s->utc;
    return 0;
}

static int see_step(const struct wn_step_record *r, wn_utc_us utc, void *ctx)
{
    struct seen *s = ctx;
    struct wn_record want;
    s->n++;
    fixture_step(&want, s->n <= 600 ? WN_RECORD_STEP_END : WN_RECORD_STEP_BEGIN, s->n);
    if (s->n > 600) { /* still running: nothing is known of it */
        s->wrong += r->end_ns != 0 || r->ended_by[0] != '\0' || !isnan(r->sums.charge_in_ah);
        s->wrong += r->step_number != s->n || r->kind != want.u.step.kind;
        return 0;
    }
    s->wrong += memcmp(r, &want.u.step, sizeof *r) != 0 || utc != s->utc;
    return 0;
}

static int see_event(const struct wn_event_row *r, void *ctx)
{
    struct seen *s = ctx;
    struct wn_record want;
    s->n++;
    fixture_event(&want, s->n, (enum wn_severity)(s->n % 3));
    s->wrong += memcmp(&r->event, &want.u.event, sizeof r->event) != 0;
    s->wrong += r->number != s->n || r->utc != s->utc || r->acknowledged;
    return 0;
}

static int see_reading(const struct wn_reading *r, int64_t step, wn_utc_us utc, void *ctx)
{
    struct seen *s = ctx;
    struct wn_record want;
    s->n++;
    int64_t number = (s->step_from - 1) * 100 + s->n;
    fixture_reading(&want, number, (number + 99) / 100);
    s->wrong += memcmp(r, &want.u.reading.reading, sizeof *r) != 0;
    s->wrong += step != want.u.reading.step_number || utc != s->utc;
    return 0;
}

static void test_info(void **state)
{
    struct wn_campaign_info want, got;
    struct wn_campaign *c = fixture_create(*state);
    char *text = NULL, hash[65], wanted[65];
    fixture_info(&want);
    assert_ok(wn_campaign_info(c, &got, why));
    assert_memory_equal(&got, &want, sizeof got);
    assert_ok(wn_campaign_frozen_config(c, &text, hash, why));
    wn_sha256_hex(fixture_config, strlen(fixture_config), wanted);
    assert_string_equal(text, fixture_config);
    assert_string_equal(hash, wanted);
    free(text);
    wn_campaign_close(c);
}

static void test_lists(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    struct wn_record r;
    struct seen s = {.utc = INT64_C(1790000001000000)};
    for (int64_t n = 1; n <= 601; n++) { /* more than two pages of reading */
        fixture_step(&r, WN_RECORD_STEP_BEGIN, n);
        fixture_put(c, &r);
        for (int64_t k = 1; n <= 20 && k <= 100; k++) {
            fixture_reading(&r, (n - 1) * 100 + k, n);
            fixture_put(c, &r);
        }
        fixture_step(&r, WN_RECORD_STEP_END, n);
        if (n <= 600) {
            fixture_put(c, &r);
        }
        fixture_cycle(&r, n);
        fixture_put(c, &r);
        fixture_check_up(&r, n);
        fixture_put(c, &r);
        fixture_event(&r, n, (enum wn_severity)(n % 3));
        fixture_put(c, &r);
    }
    fixture_commit(c, s.utc);
    wn_campaign_close(c);
    assert_ok(wn_campaign_open_read(&c, f->path, why));
    assert_ok(wn_campaign_each_cycle(c, see_cycle, &s, why));
    assert_int_equal(s.n, 601);
    s.n = 0;
    assert_ok(wn_campaign_each_check_up(c, see_check_up, &s, why));
    assert_int_equal(s.n, 601);
    s.n = 0;
    assert_ok(wn_campaign_each_step(c, see_step, &s, why));
    assert_int_equal(s.n, 601);
    s.n = 0;
    assert_ok(wn_campaign_each_event(c, 0, see_event, &s, why));
    assert_int_equal(s.n, 601);
    s.n = 500;
    assert_ok(wn_campaign_each_event(c, 500, see_event, &s, why));
    assert_int_equal(s.n, 601);
    s.n = 0;
    s.step_from = 1;
    assert_ok(wn_campaign_each_reading(c, 0, 0, see_reading, &s, why));
    assert_int_equal(s.n, 2000);
    s.n = 0;
    s.step_from = 7;
    assert_ok(wn_campaign_each_reading(c, 7, 12, see_reading, &s, why));
    assert_int_equal(s.n, 600);
    s.n = 0;
    assert_ok(wn_campaign_each_reading(c, 21, 40, see_reading, &s, why));
    assert_int_equal(s.n, 0);
    assert_int_equal(s.wrong, 0);
    sqlite3 *db = plain_open(f->path); /* one that lies between those of other steps */
    (void)sqlite3_exec(db, "UPDATE reading SET step = 99 WHERE number = 750", NULL, NULL, NULL);
    (void)sqlite3_close(db);
    s = (struct seen){.utc = s.utc};
    assert_ok(wn_campaign_each_reading(c, 7, 12, see_reading, &s, why));
    assert_int_equal(s.n, 599);
    s = (struct seen){.utc = s.utc};
    assert_ok(wn_campaign_each_reading(c, 99, 99, see_reading, &s, why));
    assert_int_equal(s.n, 1);
    struct wn_error err = {0};
    s.stop_at = 10;
    assert_int_equal(wn_campaign_each_cycle(c, see_cycle, &s, &err), 77);
    assert_int_equal(s.n, 10);
    wn_campaign_close(c);
}

static int catch_reading(const struct wn_reading *r, int64_t step, wn_utc_us utc, void *ctx)
{
    struct wn_reading *out = ctx;
    (void)utc;
    out[step - 1] = *r;
    return 0;
}

/* What is not measured is NULL, never a number; and it can never make the file refuse a record. */
static void test_missing_values(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    struct wn_reading got[3];
    struct wn_record r;
    fixture_reading(&r, 1, 1);
    r.u.reading.reading.has = WN_HAS_VOLTAGE;
    fixture_put(c, &r);
    fixture_reading(&r, 2, 2);
    r.u.reading.reading.voltage_v = (double)NAN;
    r.u.reading.reading.current_a = (double)INFINITY;
    r.u.reading.reading.has = WN_HAS_VOLTAGE | WN_HAS_CURRENT;
    fixture_put(c, &r);
    fixture_reading(&r, 3, 3);
    r.u.reading.reading.output_on = 0;
    r.u.reading.reading.has = WN_HAS_OUTPUT | WN_HAS_AMBIENT | WN_HAS_TIME;
    fixture_put(c, &r);
    fixture_commit(c, 1);
    assert_ok(wn_campaign_each_reading(c, 0, 0, catch_reading, got, why));
    assert_int_equal(got[0].has, WN_HAS_VOLTAGE);
    assert_near(got[0].voltage_v, 3.101, 0.0);
    assert_true(isnan(got[0].current_a) && isnan(got[0].temperature_c) && isnan(got[0].ambient_c));
    assert_int_equal(got[1].has, 0);
    assert_true(isnan(got[1].voltage_v) && isnan(got[1].current_a));
    assert_int_equal(got[2].has, WN_HAS_AMBIENT | WN_HAS_OUTPUT);
    assert_int_equal(got[2].output_on, 0);
    assert_near(got[2].ambient_c, 20.103, 0.0);
    wn_campaign_close(c);
    sqlite3 *db = plain_open(f->path);
    assert_int_equal(plain_int(db, "SELECT count(*) FROM reading WHERE voltage_v IS NULL"), 2);
    assert_int_equal(plain_int(db, "SELECT count(*) FROM reading WHERE output_on IS NULL"), 2);
    (void)sqlite3_close(db);
}

static void test_state(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    static struct wn_record r;
    static struct wn_state_record got;
    assert_ok(wn_campaign_state(c, &got, why));
    assert_int_equal(got.size, 0);
    fixture_state(&r, 1, 17);
    fixture_put(c, &r);
    fixture_commit(c, 1);
    fixture_state(&r, 2, WN_STATE_BLOB_MAX);
    fixture_put(c, &r);
    assert_ok(wn_campaign_state(c, &got, why));
    assert_int_equal(got.size, 17); /* the committed one */
    fixture_commit(c, 2);
    wn_campaign_close(c);
    c = fixture_open(f);
    assert_ok(wn_campaign_state(c, &got, why));
    assert_int_equal(got.size, WN_STATE_BLOB_MAX);
    assert_int_equal(got.time_ns, 2);
    assert_memory_equal(got.blob, r.u.state.blob, WN_STATE_BLOB_MAX);
    wn_campaign_close(c);
}

/* The engine may end a step or a cycle again after a kill: the later word counts. */
static void test_again(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    struct wn_record r;
    fixture_cycle(&r, 1);
    r.u.cycle.flags = 4;
    fixture_put(c, &r);
    fixture_commit(c, 1);
    fixture_cycle(&r, 1);
    fixture_put(c, &r);
    fixture_step(&r, WN_RECORD_STEP_BEGIN, 1);
    fixture_put(c, &r);
    fixture_put(c, &r);
    fixture_step(&r, WN_RECORD_STEP_END, 1);
    fixture_put(c, &r);
    fixture_step(&r, WN_RECORD_STEP_END, 2); /* its begin is missing */
    fixture_put(c, &r);
    fixture_commit(c, 2);
    struct seen s = {.utc = 2};
    assert_ok(wn_campaign_each_cycle(c, see_cycle, &s, why));
    assert_int_equal(s.n, 1);
    s.n = 0;
    assert_ok(wn_campaign_each_step(c, see_step, &s, why));
    assert_int_equal(s.n, 2);
    assert_int_equal(s.wrong, 0);
    wn_campaign_close(c);
}

static int catch_event(const struct wn_event_row *r, void *ctx)
{
    struct wn_event_row *out = ctx;
    out[r->number - 1] = *r;
    return 0;
}

static void test_acknowledge(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    struct wn_event_row got[4];
    struct wn_record r;
    int64_t n = -1;
    for (int64_t i = 1; i <= 4; i++) {
        fixture_event(&r, i, i == 2 ? WN_SEVERITY_WARNING : WN_SEVERITY_ALARM);
        if (i == 4) {
            assert_ok(wn_campaign_acknowledge(c, "tester", 50, &n, why));
            assert_int_equal(n, 2);
        }
        fixture_put(c, &r);
        fixture_commit(c, i);
    }
    assert_ok(wn_campaign_open_alarms(c, &n, why));
    assert_int_equal(n, 1);
    assert_ok(wn_campaign_acknowledge(c, "o'neil; --", 60, &n, why));
    assert_int_equal(n, 1);
    assert_ok(wn_campaign_acknowledge(c, "nobody", 70, &n, why));
    assert_int_equal(n, 0);
    wn_campaign_close(c);
    assert_ok(wn_campaign_open_read(&c, f->path, why));
    assert_ok(wn_campaign_each_event(c, 0, catch_event, got, why));
    assert_true(got[0].acknowledged && got[2].acknowledged && got[3].acknowledged);
    assert_false(got[1].acknowledged);
    assert_string_equal(got[0].acknowledged_by, "tester");
    assert_int_equal(got[2].acknowledged_utc, 50);
    assert_string_equal(got[3].acknowledged_by, "o'neil; --");
    assert_int_equal(got[3].acknowledged_utc, 60);
    wn_campaign_close(c);
    sqlite3 *db = plain_open(f->path); /* events are only ever added */
    assert_int_not_equal(sqlite3_exec(db, "DELETE FROM event", NULL, NULL, NULL), SQLITE_OK);
    assert_int_not_equal(sqlite3_exec(db, "UPDATE event SET text = 'x'", NULL, NULL, NULL),
                         SQLITE_OK);
    assert_int_equal(plain_int(db, "SELECT count(*) FROM event WHERE text LIKE 'what%'"), 4);
    (void)sqlite3_close(db);
}

static void test_small_things(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    struct wn_instrument_record i = {"tester", "scpi", "/dev/ttyUSB0", "MAKER,MODEL,1,2"};
    char word[16];
    assert_ok(wn_campaign_status(c, word, sizeof word, why));
    assert_string_equal(word, "new");
    assert_ok(wn_campaign_begin_session(c, 11, 22, 33, "boot-1", why));
    assert_ok(wn_campaign_put_instrument(c, &i, why));
    assert_ok(wn_campaign_begin_session(c, 12, 23, 34, "boot-2", why));
    assert_ok(wn_campaign_put_instrument(c, &i, why));
    i.identity[0] = 'm';
    assert_ok(wn_campaign_put_instrument(c, &i, why));
    assert_ok(wn_campaign_set_status(c, "running", 44, why));
    wn_campaign_close(c);
    assert_ok(wn_campaign_open_read(&c, f->path, why));
    assert_ok(wn_campaign_status(c, word, sizeof word, why));
    assert_string_equal(word, "running");
    struct wn_error err = {0}; /* who reads cannot write */
    assert_int_equal(wn_campaign_set_status(c, "x", 1, &err), WN_EACCESS);
    wn_campaign_close(c);
    sqlite3 *db = plain_open(f->path);
    assert_string_equal(plain_text(db, "SELECT group_concat(start_utc_us || ' ' || monotonic_ns || "
                                       "' ' || time_ns || ' ' || boot_id) FROM session"),
                        "11 22 33 boot-1,12 23 34 boot-2");
    assert_string_equal(plain_text(db, "SELECT group_concat(identity || first_session)"
                                       " FROM instrument"),
                        "MAKER,MODEL,1,21,mAKER,MODEL,1,22");
    assert_int_equal(plain_int(db, "SELECT status_utc_us FROM campaign"), 44);
    (void)sqlite3_close(db);
}

/* What a published file proves: which instrument it was, and what its certificate said. */
static void test_calibration(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    const struct wn_instrument_record i = {"tester", "scpi", "/dev/ttyUSB0", "MAKER,MODEL,1,2"};
    struct wn_calibration k, back;
    wn_calibration_init(&k);
    k.line[WN_QUANTITY_VOLTAGE] =
        (struct wn_calibration_line){.known = true,
                                     .gain = 1.0002,
                                     .offset = -0.0005,
                                     .expanded = 0.001,
                                     .coverage_factor = 2,
                                     .drift = NAN,
                                     .date = INT64_C(1777593600) * 1000000,
                                     .valid_until = INT64_C(1809129600) * 1000000,
                                     .certificate = "K-4711"};
    k.line[WN_QUANTITY_AMBIENT] = (struct wn_calibration_line){
        .known = true, .gain = 1, .offset = 0.25, .coverage_factor = 3, .drift = 0.125};
    assert_ok(wn_campaign_begin_session(c, 11, 22, 33, "boot-1", why));
    assert_ok(wn_campaign_put_instrument(c, &i, why));
    assert_ok(wn_campaign_put_calibration(c, &i, &k, why));
    struct wn_calibration other = k; /* a second time: what readings were corrected by stays */
    other.line[WN_QUANTITY_VOLTAGE].gain = 0.9;
    assert_ok(wn_campaign_put_calibration(c, &i, &other, why));
    wn_campaign_close(c);
    assert_ok(wn_campaign_open_read(&c, f->path, why));
    assert_ok(wn_campaign_calibration(c, &back, why));
    wn_campaign_close(c);
    for (int q = 0; q < WN_QUANTITY_COUNT; q++) {
        const struct wn_calibration_line *a = &k.line[q], *b = &back.line[q];
        assert_int_equal(a->known, b->known);
        assert_true(a->gain == b->gain && a->offset == b->offset && a->expanded == b->expanded);
        assert_true(a->coverage_factor == b->coverage_factor && a->date == b->date);
        assert_true(a->valid_until == b->valid_until &&
                    (a->drift == b->drift || (isnan(a->drift) && isnan(b->drift))));
        assert_string_equal(a->certificate, b->certificate);
    }
    sqlite3 *db = plain_open(f->path);
    assert_string_equal(plain_text(db, "SELECT identity || ' ' || quantity || ' ' || unit || ' ' ||"
                                       " calibrated_on || ' ' || valid_until || ' ' || certificate"
                                       " FROM instruments WHERE quantity = 'voltage'"),
                        "MAKER,MODEL,1,2 voltage V 2026-05-01 2027-05-01 K-4711");
    assert_int_equal(plain_int(db, "SELECT count(*) FROM instruments"), 2);
    assert_int_equal(plain_int(db, "SELECT calibrated_on IS NULL AND drift = 0.125 AND unit = 'K'"
                                   " FROM instruments WHERE quantity = 'ambient temperature'"),
                     1);
    (void)sqlite3_close(db);
}

static void test_intent(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    struct wn_record r;
    fixture_intent(&r, 9);
    fixture_put(c, &r);
    fixture_commit(c, 5);
    wn_campaign_close(c);
    sqlite3 *db = plain_open(f->path);
    assert_string_equal(
        plain_text(db, "SELECT time_ns || ' ' || utc_us || ' ' || step || ' ' || text FROM intent"),
        "9000000000 5 14 discharge 10 A to 2.5 V 9");
    (void)sqlite3_close(db);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_info, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_lists, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_missing_values, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_state, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_again, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_acknowledge, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_small_things, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_calibration, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_intent, fixture_setup, fixture_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
