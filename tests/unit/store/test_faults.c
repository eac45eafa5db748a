/* Campaign file: whatever the disk does, nothing that was acknowledged is lost, nothing is doubled.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fixture.h"

#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "fault_vfs.h"
#include "store/internal.h"

enum { ROUNDS = 12, READINGS = 3 };

static void put_round(struct wn_campaign *c, int64_t n)
{
    static struct wn_record r;
    fixture_step(&r, WN_RECORD_STEP_BEGIN, n);
    fixture_put(c, &r);
    for (int64_t k = 0; k < READINGS; k++) {
        fixture_reading(&r, n * 10 + k, n);
        fixture_put(c, &r);
    }
    fixture_step(&r, WN_RECORD_STEP_END, n);
    fixture_put(c, &r);
    fixture_cycle(&r, n);
    fixture_put(c, &r);
    fixture_event(&r, n, WN_SEVERITY_INFO);
    fixture_put(c, &r);
    fixture_intent(&r, n);
    fixture_put(c, &r);
    fixture_state(&r, n, 5000);
    fixture_put(c, &r);
}

/* Everything of rounds 1..n, once, and nothing else. */
static void check_rounds(const struct fixture *f, int64_t n)
{
    fault_none();
    sqlite3 *db = plain_open(f->path);
    assert_string_equal(plain_text(db, "PRAGMA integrity_check"), "ok");
    assert_int_equal(plain_int(db, "SELECT count(*) FROM cycle"), n);
    assert_int_equal(plain_int(db, "SELECT count(*) FROM step WHERE end_ns > 0"), n);
    assert_int_equal(plain_int(db, "SELECT count(*) FROM event"), n);
    assert_int_equal(plain_int(db, "SELECT count(DISTINCT text) FROM event"), n);
    assert_int_equal(plain_int(db, "SELECT count(*) FROM intent"), n);
    assert_int_equal(plain_int(db, "SELECT count(*) FROM reading"), n * READINGS);
    assert_int_equal(plain_int(db, "SELECT count(DISTINCT time_ns) FROM reading"), n * READINGS);
    assert_int_equal(plain_int(db, "SELECT time_ns FROM state"), n);
    (void)sqlite3_close(db);
}

/* An error must name the file and be one of those that the header promises. */
static void check_error(const struct fixture *f, int rc, const struct wn_error *err)
{
    if (rc == WN_OK) {
        return;
    }
    assert_int_equal(rc, err->code);
    assert_true(rc == WN_EIO || rc == WN_ENOSPACE || rc == WN_EACCESS || rc == WN_ECORRUPT ||
                rc == WN_EBUSY);
    if (strstr(err->text, f->path) == NULL) {
        print_error("names no file: %s\n", err->text);
        fail();
    }
}

static void remove_file(const struct fixture *f)
{
    fault_none();
    place_remove(f->path);
}

/* Makes a call again until it works; not more often than something can have failed. */
#define UNTIL_OK(f, call)                                                                          \
    do {                                                                                           \
        struct wn_error err = {0};                                                                 \
        int rc_;                                                                                   \
        for (long tries_ = 0; (rc_ = (call)) != WN_OK; tries_++) {                                 \
            check_error((f), rc_, &err);                                                           \
            if (tries_ >= fault.failing) {                                                         \
                print_error("still: %s\n", err.text);                                              \
                fail();                                                                            \
            }                                                                                      \
        }                                                                                          \
    } while (0)

static int create(struct wn_campaign **c, const struct fixture *f, struct wn_error *err)
{
    struct wn_campaign_info info;
    fixture_info(&info);
    int rc = wn_campaign_create(c, f->path, &info, fixture_config, err);
    if (rc != WN_OK) { /* no half file that blocks the name */
        assert_null(*c);
        assert_int_not_equal(access(f->path, F_OK), 0);
    }
    return rc;
}

/* One small campaign in which something fails; every call that fails is made again. */
static void run_once(const struct fixture *f)
{
    struct wn_campaign *c = NULL;
    UNTIL_OK(f, create(&c, f, &err));
    for (int64_t n = 1; n <= ROUNDS; n++) {
        if (n == 7) { /* a restart of the service in between */
            wn_campaign_close(c);
            UNTIL_OK(f, wn_campaign_open(&c, f->path, &err));
        }
        put_round(c, n);
        UNTIL_OK(f, wn_store_commit(wn_campaign_store(c), n, &err));
        if (n % 3 == 0) {
            UNTIL_OK(f, wn_campaign_maintain(c, 0, &err));
        }
    }
    wn_campaign_close(c);
}

/* The first, the second, ... operation of a kind fails, and those behind it, until there is none
 * left to fail. */
static long every_failure(const struct fixture *f, enum fault_op op, int code, long failing)
{
    long at = 0;
    do {
        remove_file(f);
        fault_arm(op, code, ++at, failing);
        run_once(f);
        if (fault.fired == 0) {
            break;
        }
        check_rounds(f, ROUNDS);
    } while (at < 5000);
    assert_true(at > 1 && at < 5000); /* it fired at least once, and came to an end */
    return at - 1;
}

static void test_every_failure(void **state)
{
    static const struct {
        enum fault_op op;
        int code;
        const char *name;
    } kinds[] = {
        {FAULT_WRITE, SQLITE_IOERR_WRITE, "write, I/O error"},
        {FAULT_WRITE, SQLITE_FULL, "write, disk full"},
        {FAULT_SYNC, SQLITE_IOERR_FSYNC, "sync, I/O error"},
        {FAULT_TRUNCATE, SQLITE_IOERR_TRUNCATE, "truncate, I/O error"},
        {FAULT_OPEN, SQLITE_CANTOPEN, "open"},
        {FAULT_READ, SQLITE_IOERR_READ, "read, I/O error"},
        {FAULT_SHM, SQLITE_IOERR_SHMMAP, "shared memory, I/O error"},
    };
    fault_vfs_install();
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        for (long failing = 1; failing <= 4; failing += 3) {
            long n = every_failure(*state, kinds[i].op, kinds[i].code, failing);
            print_message("%s, %ld in a row: %ld places\n", kinds[i].name, failing, n);
        }
    }
}

/* The disk stays full for several commits; what is put meanwhile waits. */
static void full_for_a_while(const struct fixture *f, long at)
{
    struct wn_error err = {0};
    remove_file(f);
    struct wn_campaign *c = fixture_create(f);
    int64_t n = 0;
    for (; n < 3; n++) {
        put_round(c, n + 1);
        fixture_commit(c, n + 1);
    }
    fault_arm(FAULT_WRITE, SQLITE_FULL, at, 1000000);
    for (int64_t until = n + 5; n < until; n++) {
        put_round(c, n + 1);
        int rc = wn_store_commit(wn_campaign_store(c), n + 1, &err);
        if (fault.fired > 0) {
            assert_int_equal(rc, WN_ENOSPACE);
            assert_non_null(strstr(err.text, "MB free"));
            assert_non_null(strstr(err.text, "make room"));
        }
    }
    assert_true(fault.fired > 0);
    fault_none();
    fixture_commit(c, n);
    for (int64_t until = n + 2; n < until; n++) {
        put_round(c, n + 1);
        fixture_commit(c, n + 1);
    }
    wn_campaign_close(c);
    check_rounds(f, n);
}

static void test_full_disk(void **state)
{
    fault_vfs_install();
    for (long at = 1; at <= 12; at++) {
        full_for_a_while(*state, at);
    }
}

/* The same by SQLite's own limit, where rows and not only the commit fail. */
static void test_full_file(void **state)
{
    struct wn_error err = {0};
    remove_file(*state);
    struct wn_campaign *c = fixture_create(*state);
    int64_t n = 0, failed = 0;
    char sql[80];
    put_round(c, ++n);
    fixture_commit(c, 1);
    assert_ok(sql_int(c, "PRAGMA page_count", &failed, why));
    (void)snprintf(sql, sizeof sql, "PRAGMA max_page_count = %lld", (long long)failed + 3);
    assert_ok(sql_exec(c, sql, "limiting", why));
    for (failed = 0; failed < 4;) {
        put_round(c, ++n);
        int rc = wn_store_commit(wn_campaign_store(c), n, &err);
        assert_true(rc == WN_OK || rc == WN_ENOSPACE);
        failed += rc != WN_OK;
        assert_true(n < 1000);
    }
    assert_ok(sql_exec(c, "PRAGMA max_page_count = 1000000", "limiting", why));
    fixture_commit(c, n);
    wn_campaign_close(c);
    check_rounds(*state, n);
}

/* The queue has an end; what came before it is kept. */
static void test_queue_is_bounded(void **state)
{
    struct wn_error err = {0};
    struct wn_record r;
    fault_vfs_install();
    remove_file(*state);
    struct wn_campaign *c = fixture_create(*state);
    c->pending_max = 128 * 1024;
    fault_arm(FAULT_WRITE, SQLITE_IOERR_WRITE, 1, 1000000);
    int64_t n = 0;
    int rc = WN_OK;
    while (rc == WN_OK) {
        assert_true(n < 100000);
        fixture_event(&r, ++n, WN_SEVERITY_ALARM);
        rc = wn_store_put(wn_campaign_store(c), &r, &err);
    }
    assert_int_equal(rc, WN_ENOMEM);
    assert_non_null(strstr(err.text, "wait"));
    assert_int_equal(wn_store_commit(wn_campaign_store(c), 1, &err), WN_EIO);
    assert_int_equal(wn_store_commit(wn_campaign_store(c), 1, &err), WN_EIO);
    fault_none();
    fixture_commit(c, 1);
    fixture_put(c, &r);
    fixture_commit(c, 1);
    int64_t alarms = 0;
    assert_ok(wn_campaign_open_alarms(c, &alarms, why));
    assert_int_equal(alarms, n);
    wn_campaign_close(c);
}

/* A failing checkpoint is told, and is not taken for lost records. */
static void test_checkpoint_fails(void **state)
{
    struct wn_error err = {0};
    fault_vfs_install();
    remove_file(*state);
    struct wn_campaign *c = fixture_create(*state);
    c->checkpoint_at = 1;
    fault_none();
    put_round(c, 1);
    fixture_commit(c, 1);
    long writes = fault.seen[FAULT_WRITE]; /* of a commit and its checkpoint; the last is one's */
    c->checkpoint_at = 1;
    fault_arm(FAULT_WRITE, SQLITE_IOERR_WRITE, writes, 1);
    put_round(c, 2);
    int rc = wn_store_commit(wn_campaign_store(c), 2, &err);
    assert_int_equal(rc, WN_EIO);
    assert_non_null(strstr(err.text, "moving the log"));
    assert_int_equal(fault.fired, 1);
    assert_int_equal(c->pending_len, 0); /* durable all the same */
    fixture_commit(c, 2);
    wn_campaign_close(c);
    check_rounds(*state, 2);
}

/* After a failed sync the log is not believed: all of it is in the file before anything new is. */
static void test_log_is_not_believed(void **state)
{
    struct wn_error err = {0};
    fault_vfs_install();
    remove_file(*state);
    struct wn_campaign *c = fixture_create(*state);
    c->checkpoint_at = 1000000;
    int64_t n = 0;
    while (n < 10) {
        put_round(c, ++n);
        fixture_commit(c, n);
    }
    int long_log = c->wal_frames;
    put_round(c, ++n);
    fault_arm(FAULT_SYNC, SQLITE_IOERR_FSYNC, 1, 1);
    assert_int_equal(wn_store_commit(wn_campaign_store(c), n, &err), WN_EIO);
    assert_true(c->suspect);
    fault_arm(FAULT_SYNC, SQLITE_IOERR_FSYNC, 1, 1); /* nor is it while moving does not work */
    assert_int_equal(wn_store_commit(wn_campaign_store(c), n, &err), WN_EIO);
    assert_true(c->suspect);
    fault_none();
    fixture_commit(c, n);
    assert_false(c->suspect);
    assert_true(c->wal_frames > 0 && c->wal_frames < long_log / 2);
    wn_campaign_close(c);
    check_rounds(*state, n);
}

/* The same for what is written at once, outside the transactions of the records: a word that was
 * written on a connection whose sync had failed could be gone with the next power cut. */
static void test_a_word_is_not_written_on_a_doubtful_log(void **state)
{
    struct wn_error err = {0};
    fault_vfs_install();
    remove_file(*state);
    struct wn_campaign *c = fixture_create(*state);
    put_round(c, 1);
    fault_arm(FAULT_SYNC, SQLITE_IOERR_FSYNC, 1, 1);
    assert_int_equal(wn_store_commit(wn_campaign_store(c), 1, &err), WN_EIO);
    assert_true(c->suspect);
    fault_arm(FAULT_SYNC, SQLITE_IOERR_FSYNC, 1,
              1); /* the log cannot be moved: nothing is written */
    assert_int_not_equal(wn_campaign_set_status(c, "halted", 1, &err), WN_OK);
    assert_true(c->suspect);
    fault_none();
    assert_int_equal(wn_campaign_set_status(c, "halted", 1, &err), WN_OK);
    assert_false(c->suspect);
    char word[32] = "";
    assert_int_equal(wn_campaign_status(c, word, sizeof word, &err), WN_OK);
    assert_string_equal(word, "halted");
    fixture_commit(c, 1);
    wn_campaign_close(c);
    check_rounds(*state, 1);
}

/* Commits alone keep the log short. */
static void test_log_stays_short(void **state)
{
    remove_file(*state);
    struct wn_campaign *c = fixture_create(*state);
    int longest = 0;
    for (int64_t n = 1; n <= 400; n++) {
        put_round(c, n);
        fixture_commit(c, n);
        longest = c->wal_frames > longest ? c->wal_frames : longest;
    }
    assert_true(longest > 900 && longest < 1100);
    wn_campaign_close(c);
    check_rounds(*state, 400);
}

static void test_space_is_watched(void **state)
{
    struct wn_error err = {0};
    remove_file(*state);
    struct wn_campaign *c = fixture_create(*state);
    assert_int_equal(wn_campaign_maintain(c, INT64_MAX, &err), WN_ENOSPACE);
    assert_non_null(strstr(err.text, "are free"));
    assert_int_equal(wn_campaign_maintain(c, 1, &err), WN_OK);
    wn_campaign_close(c);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_every_failure, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_full_disk, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_full_file, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_queue_is_bounded, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_checkpoint_fails, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_log_is_not_believed, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_a_word_is_not_written_on_a_doubtful_log, fixture_setup,
                                        fixture_teardown),
        cmocka_unit_test_setup_teardown(test_log_stays_short, fixture_setup, fixture_teardown),
        cmocka_unit_test_setup_teardown(test_space_is_watched, fixture_setup, fixture_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
