/* What a connection text says before anybody is called.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "fleet/fleet.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <cmocka.h>

#include <stdlib.h>
#include <string.h>

static struct wn_fleet_target t;

static void good(const char *connection)
{
    struct wn_error err = {0};
    if (wn_fleet_target(connection, &t, &err) != WN_OK) {
        fail_msg("%s: %s", connection, err.text);
    }
}

static void bad(const char *connection, const char *want)
{
    struct wn_error err = {0};
    assert_int_equal(wn_fleet_target(connection, &t, &err), WN_EINVAL);
    if (strstr(err.text, want) == NULL) {
        fail_msg("%s: %s", connection, err.text);
    }
}

static void test_where(void **state)
{
    (void)state;
    good("host=db.example.org dbname=fleet");
    assert_string_equal(t.where, "db.example.org, database fleet");
    good("postgresql://bench@db.example.org:5433/fleet");
    assert_string_equal(t.where, "db.example.org, database fleet");
    good("hostaddr=192.0.2.7 dbname=fleet");
    assert_string_equal(t.where, "192.0.2.7, database fleet");
    good("service=fleet");
    assert_string_equal(t.where, "service fleet");
}

static void test_network_and_tls(void **state)
{
    (void)state;
    static const char *const here[] = {
        "host=/run/postgresql dbname=x", "host=localhost dbname=x",
        "host=127.0.0.1 dbname=x",       "host=::1 dbname=x",
        "host=@abstract dbname=x",       "host=/a,localhost dbname=x"};
    static const char *const away[] = {
        "host=db.example.org dbname=x", "hostaddr=192.0.2.1 dbname=x",
        "host=localhost,db.example.org dbname=x", "host=localhost.example.org dbname=x",
        "host=localhost hostaddr=192.0.2.1 dbname=x"};
    for (size_t i = 0; i < sizeof here / sizeof here[0]; i++) {
        good(here[i]);
        assert_false(t.over_network);
    }
    for (size_t i = 0; i < sizeof away / sizeof away[0]; i++) {
        good(away[i]);
        assert_true(t.over_network);
        assert_false(t.verified);
    }
    good("host=db.example.org dbname=x sslmode=verify-ca");
    assert_false(t.verified);
    good("host=db.example.org dbname=x sslmode=verify-full");
    assert_true(t.verified);
}

static void test_refused(void **state)
{
    (void)state;
    bad("", "which server");
    bad("dbname=x", "which server");
    bad("host=h", "which database");
    bad("host=h dbname=x password=p", "holds a password");
    bad("host=h dbname=x password = 'p'", "holds a password");
    bad("host=h dbname=x sslpassword=p", "holds a password");
    bad("postgresql://u:p@h/x", "holds a password");
    bad("postgresql://h/x?password=p", "holds a password");
    bad("postgresql://h/x?p%61ssword=p", "holds a password");
    bad("host", "cannot be read");
    bad("hostess=h dbname=x", "cannot be read");
    bad("host='h dbname=x", "cannot be read");
}

static void test_password_file(void **state)
{
    (void)state;
    assert_int_equal(setenv("HOME", "/h", 1), 0);
    good("host=h dbname=x");
    assert_string_equal(t.password_file, "/h/.pgpass");
    good("host=h dbname=x passfile=/etc/wane/pgpass");
    assert_string_equal(t.password_file, "/etc/wane/pgpass");
    assert_int_equal(unsetenv("HOME"), 0);
    good("host=h dbname=x");
    assert_string_equal(t.password_file, "");
}

static void count(const char *name, void *ctx)
{
    assert_int_equal(strncmp(name, "PG", 2), 0);
    ++*(int *)ctx;
}

static void test_environment(void **state)
{
    (void)state;
    int told = 0;
    wn_fleet_ignore_environment(count, &told);
    told = 0;
    assert_int_equal(setenv("PGHOST", "x", 1) | setenv("PGPASSWORD", "", 1) |
                         setenv("PGSERVICEFILE", "y", 1) | setenv("XPGHOST", "kept", 1),
                     0);
    wn_fleet_ignore_environment(count, &told);
    assert_int_equal(told, 3);
    assert_null(getenv("PGHOST"));
    assert_null(getenv("PGPASSWORD"));
    assert_null(getenv("PGSERVICEFILE"));
    assert_string_equal(getenv("XPGHOST"), "kept");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_where),       cmocka_unit_test(test_network_and_tls),
        cmocka_unit_test(test_refused),     cmocka_unit_test(test_password_file),
        cmocka_unit_test(test_environment),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
