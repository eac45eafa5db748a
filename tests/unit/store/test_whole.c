/* Campaign files made in one go: named when whole, the same as those of a station.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "fixture.h"

#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "store/internal.h"

enum { STEPS = 40, READINGS = 25 };

static const char *made_name(const struct fixture *f)
{
    static char name[300];
    (void)snprintf(name, sizeof name, "%s.new", f->path);
    return name;
}

static struct wn_campaign *begin(const struct fixture *f)
{
    struct wn_campaign_info info;
    struct wn_campaign *c = NULL;
    fixture_info(&info);
    assert_ok(wn_campaign_create_whole(&c, f->path, &info, fixture_config, why));
    return c;
}

static void fill(struct wn_campaign *c)
{
    for (int64_t step = 1; step <= STEPS; step++) {
        struct wn_record r;
        fixture_step(&r, WN_RECORD_STEP_BEGIN, step);
        fixture_put(c, &r);
        for (int64_t i = 1; i <= READINGS; i++) {
            fixture_reading(&r, (step - 1) * READINGS + i, step);
            fixture_put(c, &r);
        }
        fixture_step(&r, WN_RECORD_STEP_END, step);
        fixture_put(c, &r);
        fixture_cycle(&r, step);
        fixture_put(c, &r);
        fixture_commit(c, 1000 + step);
    }
}

/* Every row of every table, the schema with it; what tells the two ways apart is left out. */
static uint64_t sum_of(const char *path)
{
    sqlite3 *db = plain_open(path);
    uint64_t sum = 0;
    static const char *const tables[] = {"sqlite_schema", "about_text", "cell",  "config",  "step",
                                         "reading",       "cycle",      "event", "campaign"};
    for (size_t i = 0; i < sizeof tables / sizeof tables[0]; i++) {
        char sql[80];
        sqlite3_stmt *s = NULL;
        bool schema = i == 0;
        (void)snprintf(sql, sizeof sql, "SELECT %s FROM %s", schema ? "type, name, sql" : "*",
                       tables[i]);
        uint64_t of_table = 0;
        assert_int_equal(sqlite3_prepare_v2(db, sql, -1, &s, NULL), SQLITE_OK);
        while (sqlite3_step(s) == SQLITE_ROW) {
            uint64_t row = 1469598103934665603u;
            for (int c = 0; c < sqlite3_column_count(s); c++) {
                const char *text = (const char *)sqlite3_column_text(s, c);
                for (; text != NULL && *text != '\0'; text++) {
                    row = (row ^ (unsigned char)*text) * 1099511628211u;
                }
                row = row * 31 + 7;
            }
            of_table += row; /* in any order: the index is made last */
        }
        (void)sqlite3_finalize(s);
        sum = sum * 31 + of_table;
    }
    (void)sqlite3_close(db);
    return sum;
}

static void test_same_as_a_stations(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    fill(c);
    assert_ok(wn_campaign_set_status(c, "finished", 77, why));
    wn_campaign_close(c);
    uint64_t want = sum_of(f->path);
    place_remove(f->path);

    c = begin(f);
    fill(c);
    assert_int_not_equal(access(f->path, F_OK), 0); /* no name yet */
    assert_int_equal(access(made_name(f), F_OK), 0);
    assert_ok(wn_campaign_publish(c, "finished", 77, why));
    wn_campaign_close(c);
    assert_int_not_equal(access(made_name(f), F_OK), 0);
    assert_true(sum_of(f->path) == want);
    sqlite3 *db = plain_open(f->path);
    assert_string_equal(plain_text(db, "PRAGMA journal_mode"), "wal");
    assert_string_equal(plain_text(db, "PRAGMA integrity_check"), "ok");
    assert_int_equal(
        plain_int(db, "SELECT count(*) FROM reading INDEXED BY reading_of_step WHERE step = 3"),
        READINGS);
    (void)sqlite3_close(db);
    struct stat st;
    assert_int_equal(stat(f->path, &st), 0);
    assert_int_equal(st.st_mode & 0137, 0);

    c = fixture_open(f); /* by a station, for writing */
    wn_campaign_close(c);
}

static void test_abandoned(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = begin(f);
    fill(c);
    wn_campaign_close(c);
    assert_int_not_equal(access(f->path, F_OK), 0);
    assert_int_not_equal(access(made_name(f), F_OK), 0);
}

static void test_in_each_others_way(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign_info info;
    struct wn_campaign *first = begin(f), *second = NULL;
    struct wn_error err = {0};
    fixture_info(&info);
    assert_int_equal(wn_campaign_create_whole(&second, f->path, &info, "", &err), WN_EBUSY);
    assert_non_null(strstr(err.text, "being made by another program"));
    assert_null(second);
    assert_int_equal(access(made_name(f), F_OK), 0); /* of the first, as it was */

    /* one that was begun meanwhile in another way keeps its name */
    FILE *other = fopen(f->path, "wx");
    assert_non_null(other);
    (void)fclose(other);
    assert_int_equal(wn_campaign_publish(first, "finished", 1, &err), WN_EEXIST);
    wn_campaign_close(first);
    struct stat st;
    assert_int_equal(stat(f->path, &st), 0);
    assert_int_equal(st.st_size, 0);
    assert_int_not_equal(access(made_name(f), F_OK), 0);
    assert_int_equal(wn_campaign_create_whole(&second, f->path, &info, "", &err), WN_EEXIST);
    (void)unlink(f->path);

    /* the remains of one that was killed are in nobody's way */
    FILE *remains = fopen(made_name(f), "w");
    assert_non_null(remains);
    (void)fputs("half a file", remains);
    (void)fclose(remains);
    first = begin(f);
    fill(first);

    /* what another has put in the place of ours is not given our name */
    assert_int_equal(unlink(made_name(f)), 0);
    remains = fopen(made_name(f), "wx");
    assert_non_null(remains);
    (void)fclose(remains);
    assert_int_equal(wn_campaign_publish(first, "finished", 1, &err), WN_EBUSY);
    wn_campaign_close(first);
    assert_int_not_equal(access(f->path, F_OK), 0);
    assert_int_equal(access(made_name(f), F_OK), 0); /* not ours to remove */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_same_as_a_stations, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_abandoned, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_in_each_others_way, fixture_setup, fixture_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
