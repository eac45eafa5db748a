/* The raw look, syntax errors, counting of problems, names, and the locale.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "config_case.h"

#include <locale.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "support/near.h"

extern char **environ;
static struct wn_problems problems;

/* Parses a whole text as a cell; the message comes first among the problems. */
static void expect_text(const char *text, size_t len, const char *want)
{
    static struct wn_cell cell;
    problems.n = 0;
    int rc = wn_config_parse_cell(text, len, "F", "x", &cell, &problems);
    assert_int_not_equal(rc, WN_OK);
    assert_true(problems.n >= 1);
    assert_string_equal(problems.text[0], want);
}

static void test_raw(void **state)
{
    (void)state;
    static const struct {
        const char *text, *want;
    } cases[] = {
        {"", "F:1: the file is empty"},
        {"\xEF\xBB\xBFtitle = \"x\";\n",
         "F:1: the file begins with a byte order mark; save it as UTF-8 without one"},
        {"title = \"x\";\n/* open\n\n",
         "F:2: the comment that begins here never ends; write */ behind it"},
        {"title = \"x\"; /* a * / \" */ /* b\n",
         "F:1: the comment that begins here never ends; write */ behind it"},
        {"\ntitle = \"x;\nmarking = \"y\";\n",
         "F:2: a text begins on this line and does not end on it; the closing \" is missing"},
        {"/* a\n\n*/\n\nmarking = \"y;\n",
         "F:5: a text begins on this line and does not end on it; the closing \" is missing"},
        {"title = \"x\\\";\n",
         "F:1: a text begins on this line and does not end on it; the closing \" is missing"},
        {"title = \"x\";\n# last line", "F:2: the last line does not end with a newline; the file "
                                        "may be cut off: check its end and add "
                                        "one"},
        {"title = \"x\";",
         "F:1: the last line does not end with a newline; the file may be cut off: check "
         "its end and add one"},
        {"title = \"x\";\n\n@include \"y.conf\"\n",
         "F:3: @include is not supported: a campaign keeps its configuration whole; write the "
         "settings "
         "here"},
        {"a = 2147483648;\n", "F:1: the number 2147483648 is too large; the largest is 2147483647"},
        {"a = [ 1,\n-3000000000 ];\n",
         "F:2: the number 3000000000 is too large; the largest is 2147483647"},
        {"a = 9223372036854775808L;\n",
         "F:1: the number 9223372036854775808 is too large; the largest is "
         "9223372036854775807"},
        {"a = 11111111111111111111111111111111111111111111111111;\n",
         "F:1: the number 1111111111111111111111111111111111111111 is too large; the largest is "
         "2147483647"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        expect_text(cases[i].text, strlen(cases[i].text), cases[i].want);
    }
    static const char utf16[] = "t\0i\0\n";
    expect_text(
        utf16, sizeof utf16 - 1,
        "F:1: there is a zero byte: this is no text file (UTF-16 perhaps); save it as UTF-8");
}

/* What looks alike and is right must pass the raw look. */
static void test_raw_is_not_fooled(void **state)
{
    (void)state;
    static const char *const good[] = {"# /* \" @include 99999999999\n",
                                       "// /* \"\n",
                                       "/* \" # \n // */\n",
                                       "a = \"/* # // @include\";\n",
                                       "a = \"\\\"\";\n",
                                       "a = \"\\\\\";\n",
                                       "a = 2147483647;\n",
                                       "a = 9223372036854775807L;\n",
                                       "a = 0x7FFFFFFF;\n",
                                       "a = 12345678901.5;\n",
                                       "a = 99999999999e3;\n",
                                       "a99999999999 = 1;\n",
                                       "a-9999999999 = 1;\r\n",
                                       "\n"};
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        problems.n = 0;
        bool passes = wn_config_look(good[i], strlen(good[i]), "F", &problems);
        case_expect_none(&problems, good[i]);
        assert_true(passes);
    }
}

#define LOOK                                                                                       \
    "; look for a missing quote, semicolon, comma or bracket here or just above (values with a "   \
    "unit "                                                                                        \
    "stand in quotes: \"4 A\")"

static void test_syntax(void **state)
{
    (void)state;
    static const struct {
        const char *text, *want;
    } cases[] = {
        {"\n\nrated_capacity = 2500 mAh;\n",
         "F:3: syntax error near \"rated_capacity = 2500 mAh;\"" LOOK},
        {"nominal_voltage = 3,6;\n", "F:1: syntax error near \"nominal_voltage = 3,6;\"" LOOK},
        {"a = yes;\n", "F:1: syntax error near \"a = yes;\"" LOOK},
        {"a = \"1\";\na = \"2\";\n",
         "F:2: a name is used twice in one group, near \"a = \"2\";\"; remove one of the two"},
        {"claim = {\n  cycles = 300;\n", "F:3: syntax error at the end of a block or of the file; "
                                         "look for a bracket that is opened and not "
                                         "closed"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        expect_text(cases[i].text, strlen(cases[i].text), cases[i].want);
    }
}

/* More than fit are counted; the first twenty are kept, each whole. */
static void test_many_problems(void **state)
{
    (void)state;
    static const char empty[] = "x = 1;\n";
    static struct wn_cell c;
    problems.n = 0;
    assert_int_equal(wn_config_parse_cell(empty, strlen(empty), "F", "x", &c, &problems),
                     WN_EINVAL);
    assert_int_equal(problems.n, 15); /* one unknown, fourteen missing */
    assert_int_equal(wn_config_parse_cell(empty, strlen(empty), "G", "x", &c, &problems),
                     WN_EINVAL);
    assert_int_equal(problems.n, 30);
    assert_string_equal(problems.text[1],
                        "F:1: title is missing; write title = \"maker and model\";");
    assert_string_equal(problems.text[15],
                        "G:1: x: unknown key; known here: title, marking, rated_capacity, "
                        "nominal_voltage, charge_voltage, discharge_cutoff, charge_current_max, "
                        "discharge_current_max, standard_charge, charge_temperature_min, "
                        "charge_temperature_max, ...");
    assert_string_equal(problems.text[19],
                        "G:1: charge_voltage is missing; write charge_voltage = \"4.2 V\";");
}

static void test_long_file_name(void **state)
{
    (void)state;
    static struct wn_cell cell;
    char name[251];
    memset(name, 'd', sizeof name - 1);
    memcpy(name + sizeof name - 8, "/x.conf", 8);
    problems.n = 0;
    (void)wn_config_parse_cell("title = 1;\n", 11, name, "x", &cell, &problems);
    assert_non_null(strstr(problems.text[0], "ddd/x.conf:1: title: is an integer where"));
    assert_non_null(strstr(problems.text[0], "write title = \"maker and model\";"));
}

static void test_distance(void **state)
{
    (void)state;
    assert_int_equal(wn_word_distance("", ""), 0);
    assert_int_equal(wn_word_distance("volt", "volt"), 0);
    assert_int_equal(wn_word_distance("", "abc"), 3);
    assert_int_equal(wn_word_distance("kitten", "sitting"), 3); /* the textbook example */
    assert_int_equal(wn_word_distance("baud", "buad"), 1);      /* neighbours swapped */
    assert_int_equal(wn_word_distance("ca", "abc"),
                     3); /* no edits inside a swap: optimal string alignment */
}

/* A German user: 4.2 must stay 4.2 whatever the process has been told. */
static bool german(char *dir, size_t size)
{
    char target[128];
    if (setlocale(LC_ALL, "de_DE.UTF-8") != NULL) {
        return true;
    }
    (void)snprintf(dir, size, "%s", case_make_dir());
    (void)snprintf(target, sizeof target, "%s/de_DE.UTF-8", dir);
    char *args[] = {(char[]){"localedef"},
                    (char[]){"-i"},
                    (char[]){"de_DE"},
                    (char[]){"-f"},
                    (char[]){"UTF-8"},
                    target,
                    NULL};
    pid_t pid;
    int status = 1;
    if (posix_spawnp(&pid, "localedef", NULL, NULL, args, environ) == 0) {
        (void)waitpid(pid, &status, 0);
    }
    (void)setenv("LOCPATH", dir, 1);
    return setlocale(LC_ALL, "de_DE.UTF-8") != NULL;
}

static void test_locale(void **state)
{
    (void)state;
    char dir[64] = "";
    if (!german(dir, sizeof dir)) {
        if (dir[0] != '\0') {
            case_remove_dir(dir);
        }
        print_message("no German locale here and localedef cannot make one: not tested\n");
        skip();
    }
    assert_string_equal(localeconv()->decimal_point, ",");
    static struct wn_cell cell;
    static struct wn_dialect dialect;
    char *text = case_shipped("cells/demo-18650.conf");
    char *bench = case_shipped("dialects/virtual-bench.conf");
    problems.n = 0;
    int rc = wn_config_parse_cell(text, strlen(text), "F", "x", &cell, &problems);
    int rc2 = wn_config_parse_dialect(bench, strlen(bench), "F", "x", &dialect, &problems);
    char comma[] = "nominal_voltage = \"3,6 V\";\n", bare[] = "nominal_voltage = 3.6;\n";
    struct wn_problems more = {0};
    static struct wn_cell other;
    (void)wn_config_parse_cell(comma, strlen(comma), "F", "x", &other, &more);
    (void)wn_config_parse_cell(bare, strlen(bare), "G", "x", &other, &more);
    (void)setlocale(LC_ALL, "C");
    (void)unsetenv("LOCPATH");
    if (dir[0] != '\0') {
        case_remove_dir(dir);
    }
    free(text);
    free(bench);
    case_expect_none(&problems, "German locale");
    assert_int_equal(rc, WN_OK);
    assert_int_equal(rc2, WN_OK);
    assert_near(cell.charge_voltage_v, 4.2, 0);
    assert_near(cell.mass_g, 45.3, 0);
    assert_near(dialect.overload, 9.9e37, 0);
    case_expect(
        &more,
        "F:1: nominal_voltage: \"3,6 V\" cannot be read as one number: the decimal mark is a "
        "point, and thousands are not separated");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_raw),
        cmocka_unit_test(test_raw_is_not_fooled),
        cmocka_unit_test(test_syntax),
        cmocka_unit_test(test_many_problems),
        cmocka_unit_test(test_long_file_name),
        cmocka_unit_test(test_distance),
        cmocka_unit_test(test_locale),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}
