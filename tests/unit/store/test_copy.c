/* Campaign file: a copy is whole or not there, whatever the station and the disk do meanwhile.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "fixture.h"

#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "base/sha256.h"
#include "fault_vfs.h"
#include "store/internal.h"

enum { BATCH = 50, KILL_PACE = 3 };

struct places {
    char to[300], temporary[300], sum[320];
};

static struct places places_in(const struct fixture *f)
{
    struct places p;
    (void)snprintf(p.to, sizeof p.to, "%s/copy.wane", f->dir);
    (void)snprintf(p.temporary, sizeof p.temporary, "%s/copy.wane.new", f->dir);
    (void)snprintf(p.sum, sizeof p.sum, "%s.sha256", p.to);
    return p;
}

/* So many readings that the copying takes many pages. */
static void put_batch(struct wn_campaign *c, int64_t n, int readings)
{
    static struct wn_record r;
    for (int i = 0; i < readings; i++) {
        fixture_reading(&r, n * readings + i, 1);
        fixture_put(c, &r);
    }
    fixture_cycle(&r, n);
    fixture_put(c, &r);
    fixture_commit(c, n);
}

static struct wn_campaign *make_campaign(struct fixture *f, int batches)
{
    struct wn_campaign *c = fixture_create(f);
    for (int n = 1; n <= batches; n++) {
        put_batch(c, n, BATCH);
    }
    return c;
}

static bool there(const char *path)
{
    struct stat st;
    return lstat(path, &st) == 0;
}

static void check_nothing_left(const struct places *p, bool copy)
{
    char name[320];
    static const char *const ends[] = {"", "-wal", "-shm", "-journal"};
    for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
        (void)snprintf(name, sizeof name, "%s%s", p->temporary, ends[i]);
        assert_false(there(name));
        (void)snprintf(name, sizeof name, "%s%s", p->to, ends[i]);
        assert_int_equal(there(name), copy && i == 0);
    }
}

/* Whole batches only, none missing. Returns how many. */
static int64_t check_copy(const char *path)
{
    sqlite3 *db = plain_open(path);
    assert_string_equal(plain_text(db, "PRAGMA integrity_check"), "ok");
    assert_int_equal(plain_int(db, "PRAGMA application_id"), APPLICATION_ID);
    assert_string_equal(plain_text(db, "PRAGMA journal_mode"), "delete");
    int64_t n = plain_int(db, "SELECT count(*) FROM cycle");
    assert_int_equal(plain_int(db, "SELECT count(*) FROM reading"), n * BATCH);
    assert_int_equal(plain_int(db, "SELECT count(DISTINCT time_ns) FROM reading"), n * BATCH);
    (void)sqlite3_close(db);
    return n;
}

static void test_of_an_open_campaign(void **state)
{
    struct fixture *f = *state;
    struct places p = places_in(f);
    struct wn_copy_facts facts;
    static struct wn_record r;
    struct wn_campaign *c = make_campaign(f, 20);
    fixture_cycle(&r, 99); /* put, and not committed */
    fixture_put(c, &r);
    assert_ok(wn_campaign_copy(f->path, p.to, p.temporary, NULL, &facts, why));
    check_nothing_left(&p, true);
    assert_int_equal(check_copy(p.to), 20);
    assert_int_equal(facts.cycles, 20);
    assert_int_equal(facts.readings, 20 * BATCH);
    assert_string_equal(facts.file, p.to);
    fixture_commit(c, 99); /* the writer still has its locks */
    wn_campaign_close(c);
    wn_campaign_close(fixture_open(f));
    struct stat st;
    assert_int_equal(stat(p.to, &st), 0);
    assert_int_equal(st.st_mode & 07777, 0640);
    assert_int_equal(st.st_size, facts.bytes);
}

/* A station commits without a pause, in another process, while copies are made. */
static int write_for_ever(struct wn_campaign *c, int64_t from, int started)
{
    for (int64_t n = from;; n++) {
        static struct wn_record r;
        struct wn_error err = {0};
        for (int i = 0; i < BATCH; i++) {
            fixture_reading(&r, n * BATCH + i, 1);
            if (wn_store_put(wn_campaign_store(c), &r, &err) != WN_OK) {
                return 2;
            }
        }
        fixture_cycle(&r, n);
        if (wn_store_put(wn_campaign_store(c), &r, &err) != WN_OK ||
            wn_store_commit(wn_campaign_store(c), n, &err) != WN_OK) {
            return 3; /* the copying was in the way */
        }
        if (write(started, "+", 1) != 1) {
            return 0; /* the test is over */
        }
    }
}

static void test_while_the_station_writes(void **state)
{
    struct fixture *f = *state;
    struct places p = places_in(f);
    int news[2], status = 0;
    char mark;
    wn_campaign_close(make_campaign(f, 200));
    assert_int_equal(pipe(news), 0);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        struct wn_campaign *c = NULL;
        (void)close(news[0]);
        (void)signal(SIGPIPE, SIG_IGN);
        int rc = wn_campaign_open(&c, f->path, NULL);
        rc = rc == WN_OK ? write_for_ever(c, 201, news[1]) : 4;
        wn_campaign_close(c);
        _exit(rc);
    }
    (void)close(news[1]);
    int64_t before = 200;
    for (int i = 0; i < 8; i++) {
        struct wn_copy_facts facts;
        for (int k = 0; k < 5; k++) { /* it has gone on since the last copy */
            assert_int_equal(read(news[0], &mark, 1), 1);
        }
        assert_ok(wn_campaign_copy(f->path, p.to, p.temporary, NULL, &facts, why));
        int64_t n = check_copy(p.to);
        assert_true(n > before);
        assert_int_equal(n, facts.cycles);
        before = n;
        assert_int_equal(unlink(p.to), 0);
    }
    (void)close(news[0]);
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 0);
    print_message("%lld batches at the last copy\n", (long long)before);
}

static void test_nothing_is_overwritten(void **state)
{
    struct fixture *f = *state;
    struct places p = places_in(f);
    struct wn_copy_facts facts;
    struct wn_error err = {0};
    wn_campaign_close(make_campaign(f, 1));
    int fd = open(p.to, O_WRONLY | O_CREAT, 0600);
    assert_int_equal(write(fd, "mine", 4), 4);
    (void)close(fd);
    assert_int_equal(wn_campaign_copy(f->path, p.to, p.temporary, NULL, &facts, &err), WN_EEXIST);
    assert_int_equal(wn_campaign_archive(f->path, p.to, p.temporary, true, NULL, &facts, &err),
                     WN_EEXIST);
    assert_non_null(strstr(err.text, p.to));
    struct stat st;
    assert_int_equal(stat(p.to, &st), 0);
    assert_int_equal(st.st_size, 4);
    assert_false(there(p.temporary));
    assert_int_equal(wn_campaign_copy(f->path, f->path, p.temporary, NULL, &facts, &err),
                     WN_EEXIST);
    (void)unlink(p.to); /* and where a sum is already, there is no archive */
    fd = open(p.sum, O_WRONLY | O_CREAT, 0600);
    (void)close(fd);
    assert_int_equal(wn_campaign_archive(f->path, p.to, p.temporary, true, NULL, &facts, &err),
                     WN_EEXIST);
    check_nothing_left(&p, false);
}

static void test_two_under_one_name(void **state)
{
    struct fixture *f = *state;
    struct places p = places_in(f);
    struct wn_error err = {0};
    int first = -1, second = -1;
    assert_ok(place_begin(p.to, p.temporary, &first, why));
    assert_int_equal(write(first, "half", 4), 4);
    assert_ok(place_begin(p.to, p.temporary, &second, why)); /* takes the first for a remain */
    assert_int_equal(write(second, "whole file", 10), 10);
    assert_int_equal(place_finish(first, p.temporary, p.to, 0640, &err), WN_EBUSY);
    assert_false(there(p.to));
    assert_ok(place_finish(second, p.temporary, p.to, 0640, why));
    struct stat st;
    assert_int_equal(stat(p.to, &st), 0);
    assert_int_equal(st.st_size, 10);
    (void)close(first);
    (void)close(second);
}

static void test_archive(void **state)
{
    struct fixture *f = *state;
    struct places p = places_in(f);
    struct wn_copy_facts facts;
    struct wn_error err = {0};
    struct stat st, original;
    struct wn_campaign *c = make_campaign(f, 40);
    assert_ok(wn_campaign_set_status(c, "running", 1, why));
    assert_int_equal(wn_campaign_archive(f->path, p.to, p.temporary, false, NULL, &facts, &err),
                     WN_ESTATE);
    assert_non_null(strstr(err.text, "running"));
    check_nothing_left(&p, false);
    assert_false(there(p.sum));
    assert_ok(wn_campaign_set_status(c, "finished", 2, why));
    wn_campaign_close(c);
    sqlite3 *db = plain_open(f->path); /* something to be compacted */
    (void)sqlite3_exec(db,
                       "CREATE TABLE t(x); INSERT INTO t VALUES(zeroblob(900000)); DROP TABLE t",
                       NULL, NULL, NULL);
    (void)sqlite3_close(db);
    assert_int_equal(stat(f->path, &original), 0);
    assert_ok(wn_campaign_archive(f->path, p.to, p.temporary, false, NULL, &facts, why));
    check_nothing_left(&p, true);
    assert_int_equal(check_copy(p.to), 40);
    assert_int_equal(stat(p.to, &st), 0);
    mode_t mask = umask(0);
    (void)umask(mask);
    assert_int_equal(st.st_mode & 07777, 0444 & ~mask);
    assert_true(st.st_size < original.st_size - 800000);
    char line[500] = "", want[500];
    FILE *sum = fopen(p.sum, "r");
    assert_non_null(sum);
    assert_non_null(fgets(line, sizeof line, sum));
    (void)fclose(sum);
    (void)snprintf(want, sizeof want, "%s  copy.wane\n", facts.sha256);
    assert_string_equal(line, want);
    char *whole = malloc((size_t)st.st_size), hex[65];
    FILE *file = fopen(p.to, "r");
    assert_int_equal(fread(whole, 1, (size_t)st.st_size, file), st.st_size);
    (void)fclose(file);
    wn_sha256_hex(whole, (size_t)st.st_size, hex);
    free(whole);
    assert_string_equal(hex, facts.sha256);
    assert_ok(wn_campaign_open_read(&c, p.to, why));
    wn_campaign_close(c);
}

/* Each operation on the disk fails in turn: told, nothing half is left, and the original is as it
 * was. */
static void fail_everywhere(struct fixture *f, enum fault_op op, int code, bool archive)
{
    struct places p = places_in(f);
    long n = 0;
    for (int rc = WN_EIO; rc != WN_OK; n++) {
        struct wn_copy_facts facts;
        struct wn_error err = {0};
        fault_arm(op, code, n + 1, 1);
        rc = archive ? wn_campaign_archive(f->path, p.to, p.temporary, true, NULL, &facts, &err)
                     : wn_campaign_copy(f->path, p.to, p.temporary, NULL, &facts, &err);
        bool fired = fault.fired > 0;
        fault_none();
        check_nothing_left(&p, rc == WN_OK);
        assert_int_equal(there(p.sum), rc == WN_OK && archive);
        if (rc != WN_OK) {
            assert_true(fired);
            assert_true(strstr(err.text, f->dir) != NULL);
            bool closing = strstr(err.text, "could not be closed") != NULL;
            assert_true(closing || (rc == WN_ENOSPACE) == (code == SQLITE_FULL));
            assert_null(strstr(err.text, "nan"));
        } else if (fired) { /* an error that does no harm */
            assert_int_equal(check_copy(p.to), 30);
            rc = WN_EIO;
        }
        (void)unlink(p.to);
        (void)unlink(p.sum);
        assert_true(n < 5000);
    }
    assert_true(n > 1);
}

static void test_failing_disk(void **state)
{
    struct fixture *f = *state;
    fault_vfs_install();
    wn_campaign_close(make_campaign(f, 30));
    for (int archive = 0; archive < 2; archive++) {
        fail_everywhere(f, FAULT_WRITE, SQLITE_FULL, archive != 0);
        fail_everywhere(f, FAULT_WRITE, SQLITE_IOERR_WRITE, archive != 0);
        fail_everywhere(f, FAULT_READ, SQLITE_IOERR_READ, archive != 0);
        fail_everywhere(f, FAULT_OPEN, SQLITE_CANTOPEN, archive != 0);
    }
    fault_none();
    sqlite3 *db = plain_open(f->path);
    assert_string_equal(plain_text(db, "PRAGMA integrity_check"), "ok");
    assert_int_equal(plain_int(db, "SELECT count(*) FROM cycle"), 30);
    (void)sqlite3_close(db);
}

/* Killed at each write: no copy, or a whole one; the next attempt takes the remains over. */
static void test_killed(void **state)
{
    struct fixture *f = *state;
    struct places p = places_in(f);
    int killed = 0;
    fault_vfs_install();
    wn_campaign_close(make_campaign(f, 30));
    for (long n = 0, status = 1; status != 0; n += KILL_PACE) {
        int s = 0;
        pid_t child = fork();
        assert_true(child >= 0);
        if (child == 0) {
            struct wn_copy_facts facts;
            fault_arm(FAULT_WRITE, FAULT_DIES, n + 1, 1);
            _exit(wn_campaign_copy(f->path, p.to, p.temporary, NULL, &facts, NULL) == WN_OK ? 0
                                                                                            : 2);
        }
        assert_int_equal(waitpid(child, &s, 0), child);
        assert_true(WIFEXITED(s) && WEXITSTATUS(s) <= 1);
        status = WEXITSTATUS(s);
        assert_int_equal(there(p.to), status == 0);
        killed += status != 0 && there(p.temporary);
    }
    check_nothing_left(&p, true);
    assert_int_equal(check_copy(p.to), 30);
    print_message("killed %d times\n", killed);
    assert_true(killed > 10);
}

int main(void)
{
#define T(name) cmocka_unit_test_setup_teardown(name, fixture_setup, fixture_teardown)
    const struct CMUnitTest tests[] = {
        T(test_of_an_open_campaign),
        T(test_while_the_station_writes),
        T(test_nothing_is_overwritten),
        T(test_two_under_one_name),
        T(test_archive),
        T(test_failing_disk),
        T(test_killed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
