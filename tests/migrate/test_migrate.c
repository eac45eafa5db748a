/* Campaign files of every older version become what a new one is, and lose nothing on the way.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "unit/store/fixture.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "store/internal.h"
#include "unit/store/fault_vfs.h"

static char *read_text(const char *path)
{
    FILE *file = fopen(path, "rb");
    char *text = calloc(1, 100000);
    assert_true(file != NULL && text != NULL);
    size_t n = fread(text, 1, 99999, file);
    assert_true(n > 100 && n < 99999);
    (void)fclose(file);
    return text;
}

static void make_version(const struct fixture *f, int version)
{
    char file[200], *why = NULL;
    (void)snprintf(file, sizeof file, "%s/tests/migrate/v%d.sql", WANE_SOURCE_DIR, version);
    char *text = read_text(file);
    sqlite3 *db = NULL;
    place_remove(f->path);
    assert_int_equal(sqlite3_open(f->path, &db), SQLITE_OK);
    if (sqlite3_exec(db, text, NULL, NULL, &why) != SQLITE_OK) {
        print_error("%s\n", why);
        fail();
    }
    (void)sqlite3_exec(db, "PRAGMA journal_mode = WAL", NULL, NULL, NULL);
    (void)sqlite3_close(db);
    free(text);
}

static void make_old(const struct fixture *f)
{
    make_version(f, 0);
}

/* Every object of the schema as one text; white space does not count. */
static char *schema_of(const char *path, const char *more)
{
    char sql[2000];
    sqlite3 *db = plain_open(path);
    (void)snprintf(
        sql, sizeof sql,
        "SELECT group_concat(type || ' ' || name || ': ' || coalesce(sql, ''), char(10)) ||"
        " %s FROM (SELECT * FROM sqlite_master ORDER BY type, name)",
        more);
    const char *from = plain_text(db, sql);
    char *out = calloc(1, strlen(from) + 1);
    assert_non_null(out);
    size_t n = 0;
    for (; *from != '\0'; from++) {
        if (!isspace((unsigned char)*from)) {
            out[n++] = *from;
        }
    }
    (void)sqlite3_close(db);
    return out;
}

/* Everything the tables hold that version 0 had. */
static const char content[] =
    "(SELECT group_concat(cycle || ' ' || capacity_ah || ' ' || flags || ' ' || end_utc_us) FROM "
    "cycle)"
    " || (SELECT group_concat(number || text) FROM event)"
    " || (SELECT group_concat(time_ns || ' ' || voltage_v || ' ' || coalesce(ambient_c, '-')) FROM "
    "reading)"
    " || (SELECT group_concat(step || description || coalesce(end_ns, '-')) FROM step)"
    " || (SELECT hex(engine) FROM state) || (SELECT name || status FROM campaign)"
    " || (SELECT title || mass_g FROM cell) || (SELECT text FROM config)";

static char *content_of(const char *path)
{
    char sql[1200];
    sqlite3 *db = plain_open(path);
    (void)snprintf(sql, sizeof sql, "SELECT %s", content);
    char *out = strdup(plain_text(db, sql));
    (void)sqlite3_close(db);
    assert_non_null(out);
    return out;
}

static void same_as_new(struct fixture *f, int version)
{
    place_remove(f->path); /* of the version before */
    wn_campaign_close(fixture_create(f));
    const char *rest = "(SELECT group_concat(number || topic || text) FROM about_text)";
    char *fresh = schema_of(f->path, rest);
    make_version(f, version);
    char *before = content_of(f->path);
    char *old = schema_of(f->path, "''");
    static const char *const lacks[] = {"intent", "calibration", "ac_impedance_hz"};
    assert_null(strstr(old, lacks[version])); /* it is an old one */
    wn_campaign_close(fixture_open(f));
    char *migrated = schema_of(f->path, rest), *after = content_of(f->path);
    if (strcmp(fresh, migrated) != 0) {
        size_t at = 0;
        while (fresh[at] == migrated[at]) {
            at++;
        }
        print_error("new: %.200s\nmigrated: %.200s\n", fresh + at, migrated + at);
        fail();
    }
    assert_string_equal(after, before);
    sqlite3 *db = plain_open(f->path);
    assert_int_equal(plain_int(db, "PRAGMA user_version"), WN_CAMPAIGN_SCHEMA);
    assert_int_equal(plain_int(db, "PRAGMA application_id"), APPLICATION_ID);
    assert_string_equal(plain_text(db, "PRAGMA integrity_check"), "ok");
    assert_string_equal(plain_text(db, "SELECT retention_threshold FROM campaign"), "0.6");
    (void)sqlite3_close(db);
    free(fresh);
    free(old);
    free(migrated);
    free(before);
    free(after);
}

static void test_same_as_new(void **state)
{
    for (int version = 0; version < WN_CAMPAIGN_SCHEMA; version++) {
        same_as_new(*state, version);
    }
}

/* What version 1 did not keep is not known, and no certificate is made up. */
static int look_at_ratio(const struct wn_cycle_record *r, wn_utc_us utc, void *ctx)
{
    int *n = ctx;
    (void)utc;
    assert_true(isnan(r->coulombic_efficiency_u) && isnan(r->energy_efficiency_u) &&
                isnan(r->cutoff_slope_v_per_s));
    assert_near(r->capacity_ah.u, 0.001, 0);
    (*n)++;
    return 0;
}

static void test_what_version_1_did_not_keep(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = NULL;
    struct wn_calibration k;
    int cycles = 0;
    make_version(f, 1);
    assert_ok(wn_campaign_open_read(&c, f->path, why));
    assert_ok(wn_campaign_each_cycle(c, look_at_ratio, &cycles, why));
    assert_int_equal(cycles, 3);
    assert_ok(wn_campaign_calibration(c, &k, why));
    for (int q = 0; q < WN_QUANTITY_COUNT; q++) {
        assert_false(k.line[q].known);
    }
    wn_campaign_close(c);
}

/* Nor at which frequency an impedance was measured, nor what the datasheet says of it. */
static void test_what_version_2_did_not_keep(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = NULL;
    struct wn_campaign_info info;
    make_version(f, 2);
    assert_ok(wn_campaign_open_read(&c, f->path, why));
    assert_ok(wn_campaign_info(c, &info, why));
    const struct wn_cell *l = &info.cell;
    assert_true(isnan(l->ac_impedance_hz) && isnan(l->nominal_capacity_ah) &&
                isnan(l->ac_impedance_max_ohm) && isnan(l->dc_resistance_max_ohm));
    assert_near(l->ac_impedance_ohm, 0.0131, 0);
    wn_campaign_close(c);
}

static int count_cycle(const struct wn_cycle_record *r, wn_utc_us utc, void *ctx)
{
    double *sum = ctx;
    (void)utc;
    *sum += r->capacity_ah.value;
    return 0;
}

/* And it is a campaign like any other. */
static void test_goes_on(void **state)
{
    struct fixture *f = *state;
    struct wn_record r;
    double sum = 0.0;
    make_old(f);
    struct wn_campaign *c = fixture_open(f);
    fixture_intent(&r, 1);
    fixture_put(c, &r);
    fixture_reading(&r, 1, 2);
    fixture_put(c, &r);
    fixture_cycle(&r, 4);
    fixture_put(c, &r);
    fixture_commit(c, 1);
    assert_ok(wn_campaign_each_cycle(c, count_cycle, &sum, why));
    assert_near(sum, 2.45 + 2.44 + 2.43 + (2.5 - 4e-3), 1e-12);
    wn_campaign_close(c);
    sqlite3 *db = plain_open(f->path);
    assert_int_equal(plain_int(db, "SELECT count(*) FROM readings WHERE output_on IS NULL"), 3);
    assert_int_equal(plain_int(db, "SELECT count(*) FROM readings WHERE output_on = 1"), 1);
    (void)sqlite3_close(db);
}

/* Who only reads sees the new shape, and changes nothing. */
static void test_read_leaves_it_alone(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = NULL;
    struct wn_campaign_info info;
    static struct wn_state_record blob;
    double sum = 0.0;
    int64_t n = -1;
    make_old(f);
    char *before = schema_of(f->path, content);
    assert_ok(wn_campaign_open_read(&c, f->path, why));
    assert_ok(wn_campaign_info(c, &info, why));
    assert_near(info.retention_threshold, 0.6, 0.0);
    assert_string_equal(info.cell.title, "Example 21700");
    assert_ok(wn_campaign_each_cycle(c, count_cycle, &sum, why));
    assert_near(sum, 2.45 + 2.44 + 2.43, 1e-12);
    assert_ok(wn_campaign_state(c, &blob, why));
    assert_int_equal(blob.size, 4);
    assert_ok(wn_campaign_open_alarms(c, &n, why));
    assert_int_equal(n, 1);
    wn_campaign_close(c);
    char *after = schema_of(f->path, content);
    assert_string_equal(after, before);
    sqlite3 *db = plain_open(f->path);
    assert_int_equal(plain_int(db, "PRAGMA user_version"), 0);
    (void)sqlite3_close(db);
    free(before);
    free(after);
}

/* Denies the n-th thing that SQL wants to do. */
static int deny(void *ctx, int what, const char *a, const char *b, const char *c, const char *d)
{
    long *left = ctx;
    (void)what;
    (void)a;
    (void)b;
    (void)c;
    (void)d;
    return --*left == 0 ? SQLITE_DENY : SQLITE_OK;
}

/* Broken off at each thing that each statement does: the file is as it was. */
static void test_broken_off(void **state)
{
    struct fixture *f = *state;
    make_old(f);
    char *before = schema_of(f->path, content);
    long n = 0;
    for (int rc = WN_EIO; rc != WN_OK;) {
        static struct wn_campaign c; /* as wn_campaign_open makes it, up to here */
        struct wn_error err = {0};
        long left = ++n;
        memset(&c, 0, sizeof c);
        (void)snprintf(c.path, sizeof c.path, "%s", f->path);
        c.writing = true;
        c.db = plain_open(f->path);
        (void)sqlite3_set_authorizer(c.db, deny, &left);
        rc = schema_migrate(&c, &err);
        (void)sqlite3_set_authorizer(c.db, NULL, NULL);
        assert_int_not_equal(sqlite3_get_autocommit(c.db), 0); /* nothing is left open */
        (void)sqlite3_close(c.db);
        if (rc != WN_OK) {
            char *after = schema_of(f->path, content);
            assert_string_equal(after, before);
            free(after);
            assert_true(err.code == rc && err.text[0] != '\0');
        }
        assert_true(n < 20000);
    }
    assert_true(n > 100); /* ALTER, CREATE, INSERT, ... */
    print_message("%ld places\n", n - 1);
    free(before);
    wn_campaign_close(fixture_open(f));
}

/* The process dies at each write to the disk: old or new, nothing between. */
static void test_killed(void **state)
{
    struct fixture *f = *state;
    long n = 0;
    int old = 0, new = 0;
    for (int status = 1; status != 0; n++) {
        make_old(f);
        pid_t child = fork();
        assert_true(child >= 0);
        if (child == 0) {
            struct wn_campaign *c = NULL;
            fault_vfs_install();
            fault_arm(FAULT_WRITE, FAULT_DIES, n + 1, 1);
            int rc = wn_campaign_open(&c, f->path, NULL);
            _exit(rc == WN_OK ? 0 : 2);
        }
        assert_int_equal(waitpid(child, &status, 0), child);
        assert_true(WIFEXITED(status) && WEXITSTATUS(status) <= 1);
        sqlite3 *db = plain_open(f->path);
        int64_t version = plain_int(db, "PRAGMA user_version");
        assert_int_equal(plain_int(db, "SELECT count(*) FROM sqlite_master WHERE name = 'intent' OR"
                                       " name = 'calibration'"),
                         version == 0 ? 0 : 2);
        old += version == 0;
        new += version == WN_CAMPAIGN_SCHEMA;
        (void)sqlite3_close(db);
        wn_campaign_close(fixture_open(f));
        assert_true(n < 2000);
    }
    print_message("%d old, %d new\n", old, new);
    assert_true(old > 5 && new == 1);
}

static void test_newer_is_refused(void **state)
{
    struct fixture *f = *state;
    struct wn_campaign *c = NULL;
    struct wn_error err = {0};
    make_old(f);
    sqlite3 *db = plain_open(f->path);
    assert_int_equal(WN_CAMPAIGN_SCHEMA, 3); /* the next one is newer */
    (void)sqlite3_exec(db, "PRAGMA user_version = 4", NULL, NULL, NULL);
    (void)sqlite3_close(db);
    char *before = schema_of(f->path, content);
    assert_int_equal(wn_campaign_open(&c, f->path, &err), WN_ENEWER);
    assert_int_equal(wn_campaign_open_read(&c, f->path, &err), WN_ENEWER);
    assert_non_null(strstr(err.text, "update wane"));
    char *after = schema_of(f->path, content);
    assert_string_equal(after, before);
    free(before);
    free(after);
}

int main(void)
{
#define T(name) cmocka_unit_test_setup_teardown(name, fixture_setup, fixture_teardown)
    const struct CMUnitTest tests[] = {
        T(test_same_as_new),
        T(test_what_version_1_did_not_keep),
        T(test_what_version_2_did_not_keep),
        T(test_goes_on),
        T(test_read_leaves_it_alone),
        T(test_broken_off),
        T(test_killed),
        T(test_newer_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
