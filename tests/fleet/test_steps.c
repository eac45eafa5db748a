/* The way from an older version of the tables to a newer one, on the server that
 * WANE_FLEET_CONNECTION names (shape.sh).
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fleet/fleet.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <cmocka.h>

#include <stdlib.h>
#include <string.h>

#include "fleet/link.h"

#define VIEWS "CREATE OR REPLACE VIEW wane.v AS SELECT count(*) AS n FROM wane.t"

static const struct wn_fleet_step steps[] = {
    {1, "CREATE SCHEMA wane; CREATE TABLE wane.schema_version (version integer PRIMARY KEY); "
        "CREATE TABLE wane.t (a bigint); INSERT INTO wane.schema_version VALUES (1)"},
    {2, "ALTER TABLE wane.t ADD COLUMN b bigint; INSERT INTO wane.t VALUES (7, 8); "
        "INSERT INTO wane.schema_version VALUES (2)"},
    {3, "INSERT INTO wane.t VALUES (9, 10); SELECT no_such_function(); "
        "INSERT INTO wane.schema_version VALUES (3)"},
};

static struct wn_fleet *fleet;

static int64_t ask(const char *sql)
{
    struct wn_error err = {0};
    int64_t n = -1;
    if (fleet_number(fleet, sql, NULL, &n, &err) != WN_OK) {
        fail_msg("%s", err.text);
    }
    return n;
}

static int prepare(int n, int *from, struct wn_error *err)
{
    memset(err, 0, sizeof *err);
    return wn_fleet_prepare_steps(fleet, steps, n, VIEWS, from, err);
}

static void test_steps(void **state)
{
    (void)state;
    struct wn_error err = {0};
    int from = -1;
    assert_int_equal(wn_fleet_check(fleet, &err), WN_ENOENT);
    assert_int_equal(prepare(1, &from, &err), WN_OK);
    assert_int_equal(from, 0);
    assert_int_equal(ask("SELECT max(version)::bigint FROM wane.schema_version"), 1);
    assert_int_equal(prepare(2, &from, &err), WN_OK); /* the first is not run again */
    assert_int_equal(from, 1);
    assert_int_equal(ask("SELECT b FROM wane.t WHERE a = 7"), 8);
    assert_int_equal(prepare(2, &from, &err), WN_OK);
    assert_int_equal(from, 2);
    assert_int_equal(ask("SELECT n FROM wane.v"), 1);
}

/* All or nothing. */
static void test_a_step_that_fails(void **state)
{
    (void)state;
    struct wn_error err;
    int from = -1;
    assert_int_not_equal(prepare(3, &from, &err), WN_OK);
    assert_non_null(strstr(err.text, "SQLSTATE 42883"));
    assert_int_equal(ask("SELECT max(version)::bigint FROM wane.schema_version"), 2);
    assert_int_equal(ask("SELECT count(*) FROM wane.t"), 1);
    assert_int_equal(prepare(1, &from, &err), WN_ENEWER);
}

static int connect(void **state)
{
    (void)state;
    struct wn_error err = {0};
    const char *to = getenv("WANE_FLEET_CONNECTION");
    if (to == NULL || wn_fleet_open(&fleet, to, WN_NS_NEVER, &err) != WN_OK) {
        print_error("WANE_FLEET_CONNECTION: %s\n", err.text);
        return -1;
    }
    return 0;
}

static int disconnect(void **state)
{
    (void)state;
    wn_fleet_close(fleet);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_steps),
        cmocka_unit_test(test_a_step_that_fails),
    };
    return cmocka_run_group_tests(tests, connect, disconnect);
}
