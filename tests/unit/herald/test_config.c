/* The alerts of a daemon file, long and short form, and every mistake with what to write instead.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <cmocka.h>

#include "config/reader.h"

static struct wn_daemon_config config;
static struct wn_problems problems;

/* Only the alerts matter here: the missing stations are a problem of their own. */
static const char *read_alerts(const char *alerts)
{
    char text[2000];
    memset(&problems, 0, sizeof problems);
    int n = snprintf(text, sizeof text, "data_dir = \"/d\";\nrun_dir = \"/r\";\nalerts = %s;\n",
                     alerts);
    (void)wn_config_parse_daemon(text, (size_t)n, "F", "/etc/wane", NULL, &config, &problems);
    for (int i = 0; i < problems.n; i++) {
        if (strstr(problems.text[i], "stations") == NULL) {
            return problems.text[i];
        }
    }
    return "";
}

static void test_the_long_form(void **state)
{
    (void)state;
    assert_string_equal(
        read_alerts(
            "{ hooks = ( { program = \"hooks/mail\"; args = ( \"a@example.org\", \"b\" ); },\n"
            " { program = \"/x/webhook\"; timeout = \"2 min\"; severity = \"alarm\"; } );\n"
            " digest = \"07:05\"; ping = { program = \"/x/ping\"; every = \"10 min\"; }; }"),
        "");
    const struct wn_alert_config *a = &config.alert;
    assert_int_equal(a->hooks, 2);
    assert_string_equal(a->hook[0].program, "/etc/wane/hooks/mail");
    assert_int_equal(a->hook[0].args, 2);
    assert_string_equal(a->hook[0].arg[0], "a@example.org");
    assert_true(a->hook[0].timeout_s == 30 && a->hook[1].timeout_s == 120);
    assert_int_equal(a->hook[0].severity, WN_SEVERITY_WARNING);
    assert_int_equal(a->hook[1].severity, WN_SEVERITY_ALARM);
    assert_int_equal(a->digest_minute, 7 * 60 + 5);
    assert_string_equal(a->ping.hook.program, "/x/ping");
    assert_true(a->ping.every_s == 600 && a->ping.hook.timeout_s == 30);
    assert_true(wn_alert_has_target(a));
}

/* It stands in the frozen configuration of campaigns that are running. */
static void test_the_short_form(void **state)
{
    (void)state;
    assert_string_equal(read_alerts("{ hook = \"/etc/wane/alert\"; timeout = \"20 s\"; }"), "");
    assert_int_equal(config.alert.hooks, 1);
    assert_string_equal(config.alert.hook[0].program, "/etc/wane/alert");
    assert_true(config.alert.hook[0].timeout_s == 20);
    assert_int_equal(config.alert.hook[0].severity, WN_SEVERITY_WARNING);
    assert_int_equal(config.alert.digest_minute, -1);
    assert_string_equal(read_alerts("{ hook = \"/a\"; }"), "");
    assert_true(config.alert.hook[0].timeout_s == 30);
    assert_string_equal(read_alerts("\"none\""), "");
    assert_true(config.alert.none_on_purpose && !wn_alert_has_target(&config.alert));
}

static void test_mistakes(void **state)
{
    (void)state;
    static const struct {
        const char *alerts, *problem;
    } cases[] = {
        {"{ }", "F:3: alerts: hook is missing; write hook = \"/etc/wane/alert\";"},
        {"{ digest = \"07:30\"; }", "hook is missing"},
        {"{ hooks = ( ); }", "alerts.hooks: has 0 elements; 1 to 8 are possible"},
        {"{ hooks = ( { args = ( \"x\" ); } ); }", "program is missing; write program = "},
        {"{ hooks = ( { program = \"/x\"; args = \"x\"; } ); }",
         "args: must be a list; write ( \"you@example.org\" )"},
        {"{ hooks = ( { program = \"/x\"; args = ( 3 ); } ); }", "is an integer"},
        {"{ hooks = ( { program = \"/x\"; severity = \"alarms\"; } ); }",
         "did you mean \"alarm\"?"},
        {"{ hooks = ( { program = \"/x\"; timeout = 30; } ); }", "has no unit: write \"30 s\""},
        {"{ hooks = ( { program = \"/x\"; timeout = \"2 h\"; } ); }", "timeout"},
        {"{ hook = \"/x\"; hooks = ( { program = \"/x\"; } ); }", "belongs to a single hook"},
        {"{ hook = \"/x\"; digest = \"7:30\"; }",
         "alerts.digest: must be a time of the day; write digest = \"07:30\";"},
        {"{ hook = \"/x\"; digest = \"24:00\"; }", "time of the day"},
        {"{ hook = \"/x\"; digest = \"12:60\"; }", "time of the day"},
        {"{ hook = \"/x\"; digest = 730; }", "time of the day"},
        {"{ hook = \"/x\"; digest = \"+7:30\"; }", "time of the day"},
        {"{ hook = \"/x\"; ping = { program = \"/p\"; every = \"10 s\"; }; }", "every"},
        {"{ hook = \"/x\"; ping = { every = \"10 min\"; }; }", "program is missing"},
        {"{ hook = \"/x\"; pong = 3; }", "alerts.pong: unknown key; did you mean"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const char *told = read_alerts(cases[i].alerts);
        if (strstr(told, cases[i].problem) == NULL) {
            fail_msg("%s: told '%s', not '%s'", cases[i].alerts, told, cases[i].problem);
        }
    }
}

static const char *read_metrics_file(const char *value)
{
    char text[2000];
    memset(&problems, 0, sizeof problems);
    int n = snprintf(text, sizeof text,
                     "data_dir = \"/d\";\nrun_dir = \"/r\";\nalerts = \"none\";\n%s", value);
    (void)wn_config_parse_daemon(text, (size_t)n, "F", "/etc/wane", NULL, &config, &problems);
    for (int i = 0; i < problems.n; i++) {
        if (strstr(problems.text[i], "metrics_file") != NULL) {
            return problems.text[i];
        }
    }
    return "";
}

static void test_metrics_file(void **state)
{
    (void)state;
    assert_string_equal(read_metrics_file(""), "");
    assert_string_equal(config.metrics_file, "");
    assert_string_equal(read_metrics_file("metrics_file = \"/run/m/wane.prom\";\n"), "");
    assert_string_equal(config.metrics_file, "/run/m/wane.prom");
    static const char *const bad[] = {"wane.txt", "/x/wane.prom.new", "/x/prom"};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        char text[100];
        (void)snprintf(text, sizeof text, "metrics_file = \"%s\";\n", bad[i]);
        assert_non_null(strstr(read_metrics_file(text), "ends in .prom"));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_long_form),
        cmocka_unit_test(test_the_short_form),
        cmocka_unit_test(test_mistakes),
        cmocka_unit_test(test_metrics_file),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
