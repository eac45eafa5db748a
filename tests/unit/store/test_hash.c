/* Campaign file: its hash is that of the file with its log moved into it, whoever writes meanwhile.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "fixture.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "base/sha256.h"
#include "store/internal.h"

enum { PAGES_MIN = 2 * 4096 }; /* so that progress is told while pages are left */

static void hash_file(const char *path, char hex[65])
{
    static unsigned char block[65536];
    struct wn_sha256 s;
    size_t n = 0;
    FILE *f = fopen(path, "rb");
    assert_non_null(f);
    wn_sha256_begin(&s);
    while ((n = fread(block, 1, sizeof block, f)) > 0) {
        wn_sha256_add(&s, block, n);
    }
    wn_sha256_end(&s, hex);
    assert_int_equal(fclose(f), 0);
}

static void put_readings(struct wn_campaign *c, int64_t from, int64_t to)
{
    struct wn_record r;
    for (int64_t n = from; n <= to; n++) {
        c->force = true;
        fixture_reading(&r, n, 1);
        fixture_put(c, &r);
    }
    fixture_commit(c, to);
}

static void move_log(struct wn_campaign *c)
{
    assert_int_equal(sqlite3_wal_checkpoint_v2(c->db, NULL, SQLITE_CHECKPOINT_TRUNCATE, NULL, NULL),
                     SQLITE_OK);
}

static void check(const struct fixture *f, const char *expected, bool pending, int64_t readings)
{
    struct wn_fingerprint p;
    struct stat st;
    assert_ok(wn_campaign_fingerprint(f->path, &p, NULL, why));
    assert_string_equal(p.sha256, expected);
    assert_int_equal(p.log_pending, pending);
    assert_int_equal(p.readings, readings);
    if (!pending) {
        assert_int_equal(stat(f->path, &st), 0);
        assert_int_equal(p.bytes, st.st_size);
    }
}

/* Nothing in the log, and everything of the file in the log, some pages several times. */
static void test_log(void **state)
{
    const struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    struct wn_fingerprint pending;
    char moved[65], before[65];
    move_log(c);
    hash_file(f->path, before);
    check(f, before, false, 0);
    for (int64_t n = 0; n < 20; n++) {
        put_readings(c, 100 * n + 1, 100 * (n + 1));
    }
    assert_ok(wn_campaign_fingerprint(f->path, &pending, NULL, why));
    assert_true(pending.log_pending);
    assert_int_equal(pending.readings, 2000);
    move_log(c);
    hash_file(f->path, moved);
    assert_string_not_equal(moved, before);
    assert_string_equal(pending.sha256, moved);
    check(f, moved, false, 2000);
    wn_campaign_close(c);
    hash_file(f->path, moved); /* the end was marked in it */
    check(f, moved, false, 2000);
}

/* A part of the log has been moved, and the log is begun anew. */
static void test_log_begun_anew(void **state)
{
    const struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    struct wn_fingerprint p;
    char moved[65];
    put_readings(c, 1, 3000);
    assert_int_equal(sqlite3_wal_checkpoint_v2(c->db, NULL, SQLITE_CHECKPOINT_PASSIVE, NULL, NULL),
                     SQLITE_OK);
    hash_file(f->path, moved);
    check(f, moved, true, 3000); /* still in the log, too */
    put_readings(c, 3001, 3010); /* over the beginning of the log */
    assert_ok(wn_campaign_fingerprint(f->path, &p, NULL, why));
    assert_string_not_equal(p.sha256, moved);
    move_log(c);
    hash_file(f->path, moved);
    assert_string_equal(p.sha256, moved);
    wn_campaign_close(c);
}

struct meddling {
    struct wn_campaign *c;
    int64_t next;
    int64_t told, total;
};

/* The station commits and moves its log while the file is hashed. */
static void meddle(void *ctx, int64_t done, int64_t total)
{
    struct meddling *m = ctx;
    int left = 0;
    struct wn_error err;
    put_readings(m->c, m->next, m->next + 99);
    m->next += 100;
    assert_int_equal(health_checkpoint(m->c, &left, &err), WN_OK);
    assert_in_range(done, 1, total);
    m->told++;
    m->total = total;
}

static void test_written_meanwhile(void **state)
{
    const struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    struct wn_fingerprint p;
    char moved[65];
    assert_ok(sql_exec(c, "CREATE TABLE large(x); INSERT INTO large VALUES(zeroblob(50000000))",
                       "test", why));
    enum { EMPTY, MOVED, PENDING };
    for (int log = EMPTY; log <= PENDING; log++) {
        struct meddling m = {.c = c, .next = 1000 * (log + 1)};
        const struct wn_progress progress = {meddle, &m};
        put_readings(c, m.next - 10, m.next - 1);
        if (log == EMPTY) {
            move_log(c);
        } else if (log == MOVED) { /* the next commit begins it anew, under our hands */
            assert_int_equal(
                sqlite3_wal_checkpoint_v2(c->db, NULL, SQLITE_CHECKPOINT_PASSIVE, NULL, NULL),
                SQLITE_OK);
        }
        /* what the file is now, with its log: as SQLite itself puts it together */
        sqlite3_int64 bytes = 0;
        sqlite3 *plain = plain_open(f->path);
        unsigned char *copy = sqlite3_serialize(plain, "main", &bytes, 0);
        assert_non_null(copy);
        wn_sha256_hex(copy, (size_t)bytes, moved);
        sqlite3_free(copy);
        int64_t readings = plain_int(plain, "SELECT count(*) FROM reading");
        assert_int_equal(sqlite3_close(plain), SQLITE_OK);
        assert_ok(wn_campaign_fingerprint(f->path, &p, &progress, why));
        assert_string_equal(p.sha256, moved);
        assert_int_equal(p.readings, readings);
        assert_true(m.told >= 2);
        assert_true(m.total > PAGES_MIN);
    }
    wn_campaign_close(c);
}

/* No log at all, as of a copy; and not even the right to make one. */
static void test_copy(void **state)
{
    const struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    struct wn_copy_facts facts;
    struct wn_fingerprint p;
    char to[300], temporary[310], name[320];
    struct stat st;
    (void)snprintf(to, sizeof to, "%s/copy.wane", f->dir);
    (void)snprintf(temporary, sizeof temporary, "%s.new", to);
    put_readings(c, 1, 500);
    assert_ok(wn_campaign_copy(f->path, to, temporary, NULL, &facts, why));
    assert_ok(wn_campaign_fingerprint(to, &p, NULL, why));
    assert_string_equal(p.sha256, facts.sha256);
    assert_int_equal(p.bytes, facts.bytes);
    assert_int_equal(p.readings, 500);
    assert_false(p.log_pending);
    (void)snprintf(name, sizeof name, "%s-shm", to);
    assert_int_equal(stat(name, &st), -1); /* and nothing was made beside it */
    wn_campaign_close(c);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_log, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_log_begun_anew, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_written_meanwhile, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_copy, fixture_setup, fixture_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
