/* Campaign file: what the file is to strangers, and what is refused as no campaign.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE /* setgroups */
#include "fixture.h"

#include <fcntl.h>
#include <grp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "store/internal.h"

static void write_file(const char *path, const char *text)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, text, strlen(text)), (ssize_t)strlen(text));
    (void)close(fd);
}

/* Every way to open it gives this code, and a text with these words. */
static void refused(const char *path, int code, const char *words)
{
    struct wn_campaign *c = (struct wn_campaign *)path; /* must be cleared */
    for (int way = 0; way < 2; way++) {
        struct wn_error err = {0};
        int rc =
            way == 0 ? wn_campaign_open(&c, path, &err) : wn_campaign_open_read(&c, path, &err);
        if (rc != code || strstr(err.text, words) == NULL || c != NULL) {
            print_error("way %d: %d: %s\n", way, rc, err.text);
            fail();
        }
    }
}

static void test_refusals(void **state)
{
    struct fixture *f = *state;
    char other[300];
    (void)snprintf(other, sizeof other, "%s/other.wane", f->dir);
    refused(f->path, WN_ENOENT, "does not exist");
    refused(f->dir, WN_EINVAL, "is a directory");
    refused("/nowhere/at/all.wane", WN_ENOENT, "directory /nowhere/at");
    write_file(f->path, "");
    refused(f->path, WN_EINVAL, "is empty");
    write_file(f->path, "Dear diary, today the cell was warm. This is no database, and has not "
                        "been one for more than a hundred characters.\n");
    refused(f->path, WN_ECORRUPT, "no campaign file");
    (void)unlink(f->path);
    assert_int_equal(mkfifo(f->path, 0600), 0);
    refused(f->path, WN_EINVAL, "no regular file");
    (void)unlink(f->path);
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open(f->path, &db), SQLITE_OK);
    (void)sqlite3_exec(db, "CREATE TABLE t(x)", NULL, NULL, NULL);
    (void)sqlite3_close(db);
    refused(f->path, WN_EINVAL, "no campaign of wane");
    (void)unlink(f->path);
    wn_campaign_close(fixture_create(f));
    assert_int_equal(symlink(f->path, other), 0);
    refused(other, WN_EINVAL, "symbolic link");
    (void)unlink(other);
    assert_int_equal(link(f->path, other), 0);
    struct wn_campaign *c = NULL;
    struct wn_error err = {0};
    assert_int_equal(wn_campaign_open(&c, f->path, &err), WN_EINVAL);
    assert_non_null(strstr(err.text, "hard link"));
    (void)unlink(other);
    db = plain_open(f->path);
    (void)sqlite3_exec(db, "PRAGMA user_version = 99", NULL, NULL, NULL);
    (void)sqlite3_close(db);
    refused(f->path, WN_ENEWER, "update wane");
}

static void test_create_refusals(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign_info info;
    struct wn_campaign *c = NULL;
    struct wn_error err = {0};
    fixture_info(&info);
    write_file(f->path, "mine");
    assert_int_equal(wn_campaign_create(&c, f->path, &info, "", &err), WN_EEXIST);
    assert_non_null(strstr(err.text, "exists already"));
    int fd = open(f->path, O_RDONLY | O_CLOEXEC);
    char text[8] = "";
    assert_int_equal(read(fd, text, sizeof text), 4); /* untouched */
    (void)close(fd);
    (void)unlink(f->path);
    assert_int_equal(symlink("/nowhere/else", f->path), 0);
    assert_int_equal(wn_campaign_create(&c, f->path, &info, "", &err), WN_EEXIST);
    (void)unlink(f->path);
    assert_int_equal(wn_campaign_create(&c, "/nowhere/x.wane", &info, "", &err), WN_ENOENT);
    assert_null(c);
    char remains[300]; /* of an attempt that was cut off */
    (void)snprintf(remains, sizeof remains, "%s.new", f->path);
    write_file(remains, "half a file");
    c = fixture_create(f);
    assert_int_not_equal(access(remains, F_OK), 0);
    wn_campaign_close(c);
}

static void test_mode_and_companions(void **state)
{
    struct fixture *f = *state;
    struct stat st;
    char name[300];
    mode_t before = umask(027);
    wn_campaign_close(fixture_create(f));
    assert_int_equal(stat(f->path, &st), 0);
    assert_int_equal(st.st_mode & 0777, 0640);
    static const char *const ends[] = {"-wal", "-shm"};
    for (int i = 0; i < 2; i++) { /* they stay, for readers of the group */
        (void)snprintf(name, sizeof name, "%s%s", f->path, ends[i]);
        assert_int_equal(stat(name, &st), 0);
        assert_int_equal(st.st_mode & 0777, 0640);
    }
    (void)snprintf(name, sizeof name, "%s-wal", f->path);
    assert_int_equal(stat(name, &st), 0);
    assert_int_equal(st.st_size, 0); /* all of it is in the file */
    place_remove(f->path);
    (void)umask(077);
    wn_campaign_close(fixture_create(f));
    assert_int_equal(stat(f->path, &st), 0);
    assert_int_equal(st.st_mode & 0777, 0600);
    (void)umask(before);
}

static void test_settings(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    static const struct {
        const char *name;
        int64_t value;
    } want[] = {{"synchronous", 2},
                {"foreign_keys", 1},
                {"trusted_schema", 0},
                {"cell_size_check", 1},
                {"wal_autocheckpoint", 0},
                {"journal_size_limit", 16777216},
                {"mmap_size", 0},
                {"user_version", WN_CAMPAIGN_SCHEMA},
                {"application_id", 0x77616e65}};
    for (size_t i = 0; i < sizeof want / sizeof want[0]; i++) {
        char sql[80];
        int64_t got = -1;
        (void)snprintf(sql, sizeof sql, "PRAGMA %s", want[i].name);
        int rc = sql_int(c, sql, &got, NULL);
        if (strcmp(want[i].name, "mmap_size") == 0 && rc != WN_OK) {
            continue; /* compiled without */
        }
        assert_int_equal(got, want[i].value);
    }
    sqlite3 *db = plain_open(f->path);
    assert_string_equal(plain_text(db, "PRAGMA journal_mode"), "wal");
    assert_int_equal(plain_int(db, "SELECT count(*) FROM pragma_table_list WHERE type = 'table' AND"
                                   " name NOT LIKE 'sqlite%' AND NOT strict"),
                     0);
    (void)sqlite3_close(db);
    wn_campaign_close(c);
}

static void put_some(struct wn_campaign *c)
{
    struct wn_record r;
    for (int64_t n = 1; n <= 3; n++) {
        fixture_step(&r, WN_RECORD_STEP_BEGIN, n);
        fixture_put(c, &r);
        fixture_reading(&r, n, n);
        fixture_put(c, &r);
        fixture_step(&r, WN_RECORD_STEP_END, n);
        fixture_put(c, &r);
        fixture_cycle(&r, n);
        r.u.cycle.flags = n == 2   ? WN_FLAG_GAP | WN_FLAG_AFTER_PAUSE
                          : n == 3 ? WN_FLAG_SHORT_REST
                                   : 0;
        fixture_put(c, &r);
    }
    fixture_check_up(&r, 1);
    fixture_put(c, &r);
    fixture_event(&r, 1, WN_SEVERITY_ALARM);
    fixture_put(c, &r);
    fixture_event(&r, 2, WN_SEVERITY_WARNING);
    fixture_put(c, &r);
    fixture_commit(c, INT64_C(1790000000000000));
    assert_ok(wn_campaign_begin_session(c, INT64_C(1790000000000000), 5, 0, "boot", why));
}

static void test_views(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    put_some(c);
    wn_campaign_close(c);
    sqlite3 *db = plain_open(f->path);
    static const char *const views[] = {"fade",  "cycles", "check_ups",
                                        "steps", "events", "readings"};
    for (size_t i = 0; i < sizeof views / sizeof views[0]; i++) {
        char sql[120]; /* each of them says that nothing here was measured */
        (void)snprintf(sql, sizeof sql, "SELECT count(*) FROM %s WHERE label = 'SIMULATED'",
                       views[i]);
        assert_true(plain_int(db, sql) > 0);
        (void)snprintf(sql, sizeof sql, "SELECT count(*) FROM %s WHERE label <> 'SIMULATED'",
                       views[i]);
        assert_int_equal(plain_int(db, sql), 0);
    }
    assert_string_equal(plain_text(db, "SELECT group_concat(flags || valid, ' | ') FROM fade"),
                        "1 | gap after_pause0 | short_rest1");
    assert_string_equal(plain_text(db, "SELECT group_concat(flags || valid, ' | ') FROM cycles"),
                        "1 | gap after_pause0 | short_rest1");
    assert_string_equal(plain_text(db, "SELECT retention_of_rated FROM fade WHERE cycle = 1"),
                        "0.9996");
    assert_string_equal(
        plain_text(db, "SELECT recorded_utc || severity FROM events WHERE number = 1"),
        "2026-09-21T14:13:20ZALARM");
    assert_string_equal(plain_text(db,
                                   "SELECT kind || ', ' || part_of || ', ' || start_h || ', ' ||"
                                   " start_utc FROM steps WHERE step = 2"),
                        "discharge, check-up, 2.0, 2026-09-21T14:13:20Z");
    assert_string_equal(plain_text(db,
                                   "SELECT end_h || ' ' || end_utc || ' ' || ended_by FROM steps"
                                   " WHERE step = 2"),
                        "2.5 2026-09-21T14:13:20Z voltage 2");
    assert_string_equal(plain_text(db, "SELECT step || ' ' || cycle || ' ' || time_s FROM readings"
                                       " WHERE number = 3"),
                        "3 1003 300.0");
    assert_string_equal(plain_text(db, "SELECT start_utc FROM sessions"), "2026-09-21T14:13:20Z");
    (void)sqlite3_close(db);
}

static void test_about(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    sqlite3 *db = plain_open(f->path);
    assert_non_null(
        strstr(plain_text(db, "SELECT text FROM about WHERE topic = 'so far'"),
               "0 of 300 cycles in 0.0 h of campaign time; capacity of the first ? Ah"));
    put_some(c);
    assert_ok(wn_campaign_set_status(c, "running", INT64_C(1790000000000000), why));
    wn_campaign_close(c);
    assert_string_equal(plain_text(db, "SELECT topic FROM about LIMIT 1"), "what this is");
    assert_string_equal(plain_text(db, "SELECT topic FROM about LIMIT 1 OFFSET 1"), "SIMULATED");
    assert_non_null(
        strstr(plain_text(db, "SELECT text FROM about WHERE topic = 'so far'"),
               "3 of 300 cycles in 7.9 h of campaign time; capacity of the first 2.499 Ah,"
               " of the last 2.497 Ah = 99.9 % of rated"));
    assert_string_equal(plain_text(db, "SELECT text FROM about WHERE topic = 'status'"),
                        "running since 2026-09-21T14:13:20Z");
    assert_string_equal(plain_text(db, "SELECT text FROM about WHERE topic = 'alarms'"),
                        "1, of them 1 not acknowledged");
    assert_non_null(strstr(plain_text(db, "SELECT text FROM about WHERE topic = 'claim'"),
                           "after 300 cycles at least 1.75 Ah (70.0 % of rated)"));
    assert_non_null(
        strstr(plain_text(db, "SELECT text FROM about WHERE topic = 'flags'"),
               "2 gap (readings are missing; the gap was not integrated); 4 time_limit ("));
    /* every table and view is explained by a row */
    assert_string_equal(
        plain_text(
            db, "SELECT coalesce(group_concat(name), 'all') FROM sqlite_master WHERE type IN"
                " ('table', 'view') AND name NOT LIKE 'sqlite%' AND name NOT LIKE 'about%' AND"
                " NOT EXISTS (SELECT 1 FROM about WHERE (topic || ' ') LIKE '% ' || name || ' %')"),
        "all");
    assert_int_equal(plain_int(db, "SELECT count(*) FROM about WHERE text IS NULL"), 0);
    (void)sqlite3_exec(db, "UPDATE campaign SET simulated = 0, imported = 1", NULL, NULL, NULL);
    assert_int_equal(plain_int(db, "SELECT count(*) FROM about WHERE text GLOB '*SIMULATED*'"), 0);
    assert_non_null(
        strstr(plain_text(db, "SELECT text FROM about WHERE topic = 'origin'"), "recorded log"));
    assert_string_equal(plain_text(db, "SELECT label FROM fade"), "imported");
    (void)sqlite3_exec(db, "UPDATE campaign SET imported = 0", NULL, NULL, NULL);
    assert_string_equal(plain_text(db, "SELECT label FROM fade"), "measured");
    (void)sqlite3_close(db);
}

/* Opens as another user; 0: read it, 1: refused with these words, 2: something else. */
static int read_as_stranger(const char *path, const char *words)
{
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        struct wn_campaign *c = NULL;
        struct wn_campaign_info info;
        struct wn_error err = {0};
        if (setgroups(0, NULL) != 0 || setgid(65534) != 0 || setuid(65534) != 0) {
            _exit(3);
        }
        int rc = wn_campaign_open_read(&c, path, &err);
        rc = rc == WN_OK ? wn_campaign_info(c, &info, &err) : rc;
        bool told =
            rc == WN_EACCESS && strstr(err.text, words) != NULL && strstr(err.text, path) != NULL;
        if (rc != WN_OK && !told) {
            print_error("%d: %s\n", rc, err.text);
        }
        _exit(rc == WN_OK ? 0 : told ? 1 : 2);
    }
    int status = -1;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status));
    return WEXITSTATUS(status);
}

static void test_reader_of_another_user(void **state)
{
    struct fixture *f = *state;
    char name[300];
    if (geteuid() != 0) {
        print_message("SKIP: only root can become another user\n");
        skip();
    }
    assert_int_equal(chmod(f->dir, 0755), 0);
    mode_t before = umask(022);
    struct wn_campaign *c = fixture_create(f);
    put_some(c);
    (void)umask(before);
    assert_int_equal(read_as_stranger(f->path, "belongs to user 0"), 1); /* mode 0640 */
    static const char *const ends[] = {"", "-wal", "-shm"};
    for (int i = 0; i < 3; i++) {
        (void)snprintf(name, sizeof name, "%s%s", f->path, ends[i]);
        assert_int_equal(chmod(name, 0644), 0);
    }
    assert_int_equal(read_as_stranger(f->path, ""), 0); /* service running */
    wn_campaign_close(c);
    assert_int_equal(read_as_stranger(f->path, ""), 0); /* and after its end: companions stay */
    (void)unlink(name);
    assert_int_equal(read_as_stranger(f->path, ""),
                     0); /* the log is empty: nothing can be missed */
    (void)snprintf(name, sizeof name, "%s-wal", f->path);
    FILE *log =
        fopen(name, "w"); /* after a power cut it is not: what it holds must not be left out */
    assert_non_null(log);
    (void)fputs("committed rows", log);
    (void)fclose(log);
    assert_int_equal(chmod(name, 0644), 0);
    assert_int_equal(read_as_stranger(f->path, "member of its group"), 1);
    (void)unlink(name);
    assert_int_equal(read_as_stranger(f->path, ""), 0); /* an archived file alone */
}

/* A reader that made -shm as another user must not lock the service out without a word. */
static void open_with_one_of(const struct fixture *f, const char *whose)
{
    char name[300];
    wn_campaign_close(fixture_create(f));
    assert_int_equal(chmod(f->dir, 0755), 0);
    assert_int_equal(chown(f->path, 65534, 65534), 0);
    (void)snprintf(name, sizeof name, "%s-%s", f->path, whose);
    assert_int_equal(chown(name, 65534, 65534), 0); /* the other one is root's */
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        struct wn_campaign *c = NULL;
        struct wn_error err = {0};
        if (setgroups(0, NULL) != 0 || setgid(65534) != 0 || setuid(65534) != 0) {
            _exit(3);
        }
        int rc = wn_campaign_open(&c, f->path, &err);
        _exit(rc == WN_EACCESS && strstr(err.text, "user 0 made it") != NULL ? 0 : 1);
    }
    int status = -1;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_int_equal(status, 0);
    place_remove(f->path);
}

static void test_companion_of_another_user(void **state)
{
    if (geteuid() != 0) {
        print_message("SKIP: only root can become another user\n");
        skip();
    }
    open_with_one_of(*state, "wal");
    open_with_one_of(*state, "shm");
}

/* A reader in the middle of its rows does not keep the log from being moved into the file. */
static int maintain_meanwhile(const struct wn_event_row *r, void *ctx)
{
    struct wn_campaign *c = ctx;
    struct wn_record e;
    if (r->number == 3) {
        for (int64_t n = 1; n <= 50; n++) {
            fixture_event(&e, n, WN_SEVERITY_INFO);
            fixture_put(c, &e);
            fixture_commit(c, n);
        }
        int left = -1;
        assert_ok(health_checkpoint(c, &left, why));
        assert_int_equal(left, 0);
    }
    return 0;
}

static void test_reader_and_writer(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f), *reader = NULL;
    struct wn_record e;
    for (int64_t n = 1; n <= 300; n++) {
        fixture_event(&e, n, WN_SEVERITY_INFO);
        fixture_put(c, &e);
    }
    fixture_commit(c, 1);
    assert_ok(wn_campaign_open_read(&reader, f->path, why));
    assert_ok(wn_campaign_each_event(reader, 0, maintain_meanwhile, c, why));
    wn_campaign_close(reader);
    wn_campaign_close(c);
}

/* Junk where a table begins that opening does not read; all of the log is in the file before. */
static void damage(const struct fixture *f)
{
    sqlite3 *db = plain_open(f->path);
    (void)sqlite3_exec(db, "UPDATE campaign SET clean_end = 0", NULL, NULL, NULL); /* a kill */
    assert_int_equal(plain_int(db, "PRAGMA wal_checkpoint(TRUNCATE)"), 0);
    int64_t page = plain_int(db, "SELECT rootpage FROM sqlite_master WHERE name = 'check_up'");
    (void)sqlite3_close(db);
    int fd = open(f->path, O_WRONLY | O_CLOEXEC);
    char junk[4096];
    memset(junk, 0x5a, sizeof junk);
    assert_int_equal(pwrite(fd, junk, sizeof junk, (off_t)(page - 1) * 4096), 4096);
    (void)close(fd);
}

/* Damage is found before anything is built on it. */
static void test_damage(void **state)
{
    struct fixture *f = *state;
    struct wn_error err = {0};
    struct wn_campaign *c = fixture_create(f);
    put_some(c);
    wn_campaign_close(c);
    damage(f);
    assert_int_equal(wn_campaign_open(&c, f->path, &err), WN_ECORRUPT);
    assert_non_null(strstr(err.text, "is damaged"));
    assert_non_null(strstr(err.text, "backup"));
    assert_null(strchr(err.text, '\n'));
}

/* The same after an I/O error while it is open: nothing is written, nothing is thrown away. */
static void test_damage_while_open(void **state)
{
    struct fixture *f = *state;
    struct wn_error err = {0};
    struct wn_campaign *c = fixture_create(f);
    struct wn_record r;
    put_some(c);
    wn_campaign_close(c);
    c = fixture_open(f);
    c->suspect = true;
    fixture_event(&r, 3, WN_SEVERITY_ALARM);
    fixture_put(c, &r);
    damage(f);
    for (int i = 0; i < 2; i++) {
        assert_int_equal(wn_store_commit(wn_campaign_store(c), 9, &err), WN_ECORRUPT);
        assert_non_null(strstr(err.text, "is damaged"));
        assert_true(c->pending_len > 0 && c->suspect);
        assert_int_equal(wn_campaign_maintain(c, 0, &err), WN_ECORRUPT);
    }
    wn_campaign_close(c);
    sqlite3 *db = plain_open(f->path);
    assert_int_equal(plain_int(db, "SELECT count(*) FROM event"), 2);
    assert_int_equal(plain_int(db, "SELECT clean_end FROM campaign"), 0);
    (void)sqlite3_close(db);
}

/* Two that make the same file at the same moment: one of them is told. */
static void test_publish_overwrites_nothing(void **state)
{
    struct fixture *f = *state;
    struct wn_error err = {0};
    struct stat st;
    char mine[300];
    assert_ok(place_make_new(f->path, mine, sizeof mine, why));
    write_file(f->path, "the other one was faster");
    assert_int_equal(place_publish(mine, f->path, &err), WN_EEXIST);
    assert_int_equal(stat(f->path, &st), 0);
    assert_int_equal(st.st_size, 24);
}

static void test_clean_end(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    sqlite3 *db = plain_open(f->path);
    for (int i = 0; i < 2; i++) {
        assert_int_equal(plain_int(db, "SELECT clean_end FROM campaign"), 0);
        wn_campaign_close(c);
        assert_int_equal(plain_int(db, "SELECT clean_end FROM campaign"), 1);
        c = fixture_open(f);
    }
    wn_campaign_close(c);
    (void)sqlite3_close(db);
}

static int told;

static void hear(void *ctx, int code, const char *text)
{
    (void)code;
    told += text[0] != '\0' && ctx == &told;
}

static void test_log(void **state)
{
    (void)state;
    struct wn_error err = {0};
    (void)sqlite3_shutdown();
    assert_ok(wn_store_log_to(hear, &told, why));
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open(":memory:", &db), SQLITE_OK);
    assert_int_not_equal(sqlite3_exec(db, "SELECT * FROM nothing", NULL, NULL, NULL), SQLITE_OK);
    (void)sqlite3_close(db);
    assert_int_equal(told, 1);
    assert_int_equal(wn_store_log_to(hear, &told, &err), WN_ESTATE); /* too late */
}

int main(void)
{
#define T(name) cmocka_unit_test_setup_teardown(name, fixture_setup, fixture_teardown)
    const struct CMUnitTest tests[] = {
        T(test_log),
        T(test_refusals),
        T(test_create_refusals),
        T(test_mode_and_companions),
        T(test_settings),
        T(test_views),
        T(test_about),
        T(test_reader_of_another_user),
        T(test_companion_of_another_user),
        T(test_reader_and_writer),
        T(test_damage),
        T(test_damage_while_open),
        T(test_publish_overwrites_nothing),
        T(test_clean_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
