/* Campaign file: a correction is written with its trace, or not at all.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fixture.h"

#include <stdio.h>
#include <string.h>

#include "store/internal.h"

static struct wn_campaign_info info;
static struct wn_intake_words words;

static struct wn_amendment amendment(wn_ns time_ns, int64_t cycle)
{
    words.n = 2;
    (void)snprintf(words.text[0], sizeof words.text[0], "mass_g is 47, was 46");
    (void)snprintf(words.text[1], sizeof words.text[1], "length_mm is 65, was not recorded");
    return (struct wn_amendment){.kind = "intake",
                                 .words = &words,
                                 .who = "anna (uid 1000)",
                                 .time_ns = time_ns,
                                 .cycle = cycle};
}

static struct wn_cell changed(struct wn_campaign *c)
{
    assert_ok(wn_campaign_info(c, &info, why));
    info.cell.mass_g = 47;
    info.cell.length_mm = 65;
    return info.cell;
}

/* By the station: what waits goes first, numbers go on, time does not go back. */
static void test_while_recording(void **state)
{
    const struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    struct wn_record r;
    fixture_event(&r, 1, WN_SEVERITY_INFO);
    r.u.event.time_ns = 5000;
    fixture_put(c, &r);
    struct wn_amendment a = amendment(4000, 3);
    struct wn_cell cell = changed(c);
    assert_ok(wn_campaign_amend(c, &cell, &a, 77, why));
    fixture_event(&r, 2, WN_SEVERITY_INFO);
    r.u.event.time_ns = 6000;
    fixture_put(c, &r);
    fixture_commit(c, 78);
    assert_ok(wn_campaign_info(c, &info, why));
    assert_near(info.cell.mass_g, 47, 0);
    wn_campaign_close(c);
    sqlite3 *db = plain_open(f->path);
    assert_string_equal(plain_text(db,
                                   "SELECT group_concat(number || ' ' || time_ns || ' ' || kind)"
                                   " FROM (SELECT * FROM event ORDER BY number)"),
                        "1 5000 kind 1,2 5000 intake,3 5000 intake,4 6000 kind 2");
    assert_string_equal(plain_text(db, "SELECT text || ', in cycle ' || cycle || ' at ' || utc_us"
                                       " FROM event WHERE number = 3"),
                        "length_mm is 65, was not recorded, by anna (uid 1000), in cycle 3 at 77");
    assert_int_equal(plain_int(db, "SELECT count(*) FROM cell WHERE length_mm = 65"), 1);
    (void)sqlite3_close(db);
}

/* No change without its trace, and no trace without its change. */
static void test_all_or_nothing(void **state)
{
    static const char *const faults[] = {
        "CREATE TRIGGER t BEFORE INSERT ON cell BEGIN SELECT RAISE(ABORT, 'no'); END",
        "CREATE TRIGGER t BEFORE INSERT ON event WHEN new.text LIKE 'length%' BEGIN"
        " SELECT RAISE(ABORT, 'no'); END"};
    const struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    struct wn_error err;
    struct wn_record r;
    struct wn_cell cell = changed(c);
    double before_g = (double)plain_int(c->db, "SELECT mass_g FROM cell");
    struct wn_amendment a = amendment(0, -1);
    for (size_t i = 0; i < sizeof faults / sizeof faults[0]; i++) {
        assert_ok(sql_exec(c, faults[i], "test", why));
        assert_int_not_equal(wn_campaign_amend(c, &cell, &a, 77, &err), WN_OK);
        assert_ok(sql_exec(c, "DROP TRIGGER t", "test", why));
        assert_int_equal(plain_int(c->db, "SELECT count(*) FROM event"), 0);
        assert_near((double)plain_int(c->db, "SELECT mass_g FROM cell"), before_g, 0);
    }
    fixture_event(&r, 1, WN_SEVERITY_INFO); /* what comes next is not hurt */
    fixture_put(c, &r);
    fixture_commit(c, 78);
    assert_int_equal(plain_int(c->db, "SELECT group_concat(number) FROM event"), 1);
    assert_ok(wn_campaign_amend(c, &cell, &a, 79, why));
    assert_int_equal(plain_int(c->db, "SELECT max(number) FROM event"), 3);
    wn_campaign_close(c);
}

/* Without a station: only when nobody has it open, and then nobody else has. */
static void test_alone(void **state)
{
    const struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f), *other = NULL;
    struct wn_error err;
    struct wn_record r;
    fixture_event(&r, 1, WN_SEVERITY_INFO);
    fixture_put(c, &r);
    fixture_commit(c, 1);
    assert_int_equal(wn_campaign_open_alone(&other, f->path, &err), WN_EBUSY);
    assert_non_null(strstr(err.text, "another program has it open"));
    wn_campaign_close(c);
    assert_ok(wn_campaign_open_read(&c, f->path, why));
    assert_ok(sql_exec(c, "BEGIN; SELECT count(*) FROM event", "test", why));
    assert_int_equal(wn_campaign_open_alone(&other, f->path, &err), WN_EBUSY);
    wn_campaign_close(c);

    assert_ok(wn_campaign_open_alone(&other, f->path, why));
    assert_int_equal(wn_campaign_open(&c, f->path, &err), WN_EBUSY);
    struct wn_cell cell = changed(other);
    struct wn_amendment a = amendment(0, -1);
    assert_ok(wn_campaign_amend(other, &cell, &a, 77, why));
    wn_campaign_close(other);

    c = fixture_open(f); /* and the station goes on */
    assert_int_equal(c->next_event, 4);
    assert_int_equal(plain_int(c->db, "SELECT count(*) FROM event WHERE kind = 'intake'"), 2);
    wn_campaign_close(c);
}

/* A copy has no log, and gets none. */
static void test_copy(void **state)
{
    const struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    struct wn_copy_facts facts;
    char to[300], temporary[310];
    (void)snprintf(to, sizeof to, "%s/copy.wane", f->dir);
    (void)snprintf(temporary, sizeof temporary, "%s.new", to);
    assert_ok(wn_campaign_copy(f->path, to, temporary, NULL, &facts, why));
    wn_campaign_close(c);
    assert_ok(wn_campaign_open_alone(&c, to, why));
    struct wn_cell cell = changed(c);
    struct wn_amendment a = amendment(0, -1);
    assert_ok(wn_campaign_amend(c, &cell, &a, 77, why));
    wn_campaign_close(c);
    sqlite3 *db = plain_open(to);
    assert_string_equal(plain_text(db, "PRAGMA journal_mode"), "delete");
    assert_int_equal(plain_int(db, "SELECT mass_g FROM cell"), 47);
    (void)sqlite3_close(db);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_while_recording, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_all_or_nothing, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_alone, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_copy, fixture_setup, fixture_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
