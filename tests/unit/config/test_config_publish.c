/* Where campaigns are published: its keys, and that no password gets into the file, of which every
 * campaign keeps a copy.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "config_case.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct wn_problems problems;
static struct wn_daemon_config daemon_config;

/* The shipped file with this publish in front. */
static int parse(const char *publish)
{
    char *base = case_shipped(case_shipped_name(CASE_DAEMON));
    size_t size = strlen(base) + strlen(publish) + 20;
    char *text = malloc(size);
    assert_non_null(text);
    int n = snprintf(text, size, "publish = %s;\n%s", publish, base);
    memset(&problems, 0, sizeof problems);
    int rc = wn_config_parse_daemon(text, (size_t)n, "F", "/d", NULL, &daemon_config, &problems);
    free(text);
    free(base);
    return rc;
}

static void good(const char *publish)
{
    int rc = parse(publish);
    case_expect_none(&problems, publish);
    assert_int_equal(rc, WN_OK);
}

static void bad(const char *publish, const char *want)
{
    if (parse(publish) == WN_OK) {
        fail_msg("%s was taken without a word", publish);
    }
    case_expect(&problems, "F:1: %s", want);
}

static void test_good(void **state)
{
    (void)state;
    good("{ connection = \"host=h dbname=x\"; bench = \"lab 1\"; }");
    assert_string_equal(daemon_config.publish.connection, "host=h dbname=x");
    assert_string_equal(daemon_config.publish.bench, "lab 1");
    assert_true(daemon_config.publish.timeout_s == 600);
    good("{ connection = \"host=h dbname=x\"; bench = \"b\"; timeout = \"1 s\"; }");
    assert_true(daemon_config.publish.timeout_s == 1);
}

static void test_keys(void **state)
{
    (void)state;
    bad("{ bench = \"b\"; }",
        "publish: connection is missing; write connection = "
        "\"host=db.example.org dbname=fleet user=bench sslmode=verify-full\";");
    bad("{ connection = \"host=h\"; }", "publish: bench is missing; write bench = \"lab-1\";");
    bad("{ connection = \"host=h\"; bench = \"\"; }",
        "publish.bench: is empty; write for example \"lab-1\"");
    bad("{ connection = \"host=h\"; bench = \"b\"; timeout = 10; }",
        "publish.timeout: \"10\" has no unit: write \"10 s\", \"10 min\" or \"10 h\"");
    bad("{ connection = \"host=h\"; bench = \"b\"; host = \"x\"; }",
        "publish.host: unknown key; known here: connection, bench, timeout");
}

static void test_passwords(void **state)
{
    (void)state;
    static const char *const with[] = {
        "host=h dbname=x password=p",  "password = 'p' host=h",     "host=h sslpassword=p",
        "postgresql://u:p@h/x",        "postgres://h/x?password=p", "host=h password  =  p",
        "postgresql://u:p@a,b:5433/x",
    };
    static const char *const without[] = {
        "host=h dbname=x passfile=/etc/wane/pgpass",
        "host=password dbname=passwords",
        "postgresql://u@h:5432/x",
        "postgresql://[::1]:5432/x",
        "postgresql://h:5432/x?user=a@b",
        "postgresql:///x?host=/run/postgresql",
    };
    char text[200];
    for (size_t i = 0; i < sizeof with / sizeof with[0]; i++) {
        (void)snprintf(text, sizeof text, "{ connection = \"%s\"; bench = \"b\"; }", with[i]);
        bad(text, "publish.connection: holds a password, and every campaign file keeps a copy of "
                  "this file; write it into the libpq password file instead "
                  "(passfile=/etc/wane/pgpass), which only its owner can read");
        assert_string_equal(daemon_config.publish.connection, "");
    }
    for (size_t i = 0; i < sizeof without / sizeof without[0]; i++) {
        (void)snprintf(text, sizeof text, "{ connection = \"%s\"; bench = \"b\"; }", without[i]);
        good(text);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_good),
        cmocka_unit_test(test_keys),
        cmocka_unit_test(test_passwords),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
