/* Support for the tests of lib/config.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "config_case.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* libconfig 1.5 loses the 64 bytes of a text that stands where none may stand (measured: "x"; as a
 * whole file). It happens once per refused file, so nothing is done about it but to tell the
 * sanitizer. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
    return "leak:strbuf_append\n";
}

char *case_shipped(const char *name)
{
    static struct wn_problems problems;
    char path[512];
    size_t len;
    problems.n = 0;
    (void)snprintf(path, sizeof path, "%s/conf/%s", WANE_SOURCE_DIR, name);
    char *text = wn_config_load(path, &len, &problems);
    case_expect_none(&problems, path);
    return text;
}

const char *case_shipped_name(enum case_kind kind)
{
    static const char *const names[] = {"demo.conf", "cells/demo-18650.conf",
                                        "procedures/datasheet-claim.conf",
                                        "dialects/virtual-bench.conf"};
    return names[kind];
}

static int is_name(char c)
{
    return c == '_' || (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9');
}

/* Where "key =" begins behind the anchor, outside comments. */
static const char *find_key(const char *base, const char *anchor, const char *key)
{
    const char *at = anchor[0] == '\0' ? base : strstr(base, anchor);
    size_t n = strlen(key);
    while (at != NULL && (at = strstr(at, key)) != NULL) {
        const char *line = at, *after = at + n + strspn(at + n, " ");
        while (line > base && line[-1] != '\n') {
            line--;
        }
        if ((at == base || !is_name(at[-1])) && *after == '=' &&
            memchr(line, '#', (size_t)(at - line)) == NULL) {
            return at;
        }
        at += n;
    }
    return NULL;
}

int case_line(const char *text, const char *anchor)
{
    const char *at = strstr(text, anchor);
    assert_non_null(at);
    int line = 1;
    for (; text < at; text++) {
        line += *text == '\n';
    }
    return line;
}

char *case_change(const char *base, const char *anchor, const char *key, const char *with,
                  int *line)
{
    const char *begin = find_key(base, anchor, key);
    if (begin == NULL) {
        fail_msg("no setting %s behind \"%s\"", key, anchor);
        return NULL;
    }
    const char *end = begin;
    for (int depth = 0; depth > 0 || *end != ';'; end++) {
        if (*end == '"') {
            for (end++; *end != '"'; end++) {
                end += *end == '\\';
            }
        }
        depth += *end == '{' || *end == '(' || *end == '[';
        depth -= *end == '}' || *end == ')' || *end == ']';
        assert_true(*end != '\0');
    }
    end += with[0] == '\0'; /* the semicolon goes too */
    size_t head = (size_t)(begin - base), size = strlen(base) + strlen(with) + 1;
    char *copy = malloc(size);
    assert_non_null(copy);
    (void)snprintf(copy, size, "%.*s%s%s", (int)head, base, with, end);
    *line = 1;
    for (const char *p = base; p < begin; p++) {
        *line += *p == '\n';
    }
    return copy;
}

int case_parse(enum case_kind kind, const char *text, struct wn_problems *problems)
{
    static struct wn_daemon_config daemon;
    static struct wn_cell cell;
    static struct wn_procedure procedure;
    static struct wn_dialect dialect;
    size_t n = strlen(text);
    problems->n = 0;
    switch (kind) {
    case CASE_DAEMON:
        return wn_config_parse_daemon(text, n, "F", "/d", NULL, &daemon, problems);
    case CASE_CELL:
        return wn_config_parse_cell(text, n, "F", "demo", &cell, problems);
    case CASE_DIALECT:
        return wn_config_parse_dialect(text, n, "F", "demo", &dialect, problems);
    case CASE_PROCEDURE:
        break;
    }
    char *shipped = case_shipped(case_shipped_name(CASE_CELL));
    int rc = wn_config_parse_cell(shipped, strlen(shipped), "cell", "demo-18650", &cell, problems);
    free(shipped);
    assert_int_equal(rc, WN_OK);
    return wn_config_parse_procedure(text, n, "F", "demo", &cell, &procedure, problems);
}

static void print_problems(const struct wn_problems *problems)
{
    for (int i = 0; i < problems->n && i < WN_PROBLEMS_MAX; i++) {
        print_error("  problem: %s\n", problems->text[i]);
    }
}

void case_expect(const struct wn_problems *problems, const char *fmt, ...)
{
    char want[sizeof problems->text[0]];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(want, sizeof want, fmt, args);
    va_end(args);
    for (int i = 0; i < problems->n && i < WN_PROBLEMS_MAX; i++) {
        if (strcmp(problems->text[i], want) == 0) {
            return;
        }
    }
    print_error("  wanted:  %s\n", want);
    print_problems(problems);
    fail_msg("the problem is not told as it should");
}

void case_expect_none(const struct wn_problems *problems, const char *what)
{
    if (problems->n != 0) {
        print_problems(problems);
        fail_msg("%s: %d problems", what, problems->n);
    }
}

const char *case_make_dir(void)
{
    static char dir[64];
    (void)snprintf(dir, sizeof dir, "/tmp/wane-config-XXXXXX");
    assert_non_null(mkdtemp(dir));
    return dir;
}

static void remove_files(const char *dir, int depth)
{
    DIR *d = opendir(dir);
    struct dirent *e;
    char path[512];
    while (d != NULL && (e = readdir(d)) != NULL) {
        if (strcmp(e->d_name, ".") == 0 || strcmp(e->d_name, "..") == 0) {
            continue;
        }
        (void)snprintf(path, sizeof path, "%s/%s", dir, e->d_name);
        if (unlink(path) != 0 && depth > 0) {
            remove_files(path, depth - 1);
        }
    }
    if (d != NULL) {
        (void)closedir(d);
    }
    (void)rmdir(dir);
}

void case_remove_dir(const char *dir)
{
    remove_files(dir, 1);
}

void case_write(const char *dir, const char *name, const char *text)
{
    char path[512];
    (void)snprintf(path, sizeof path, "%s/%s", dir, name);
    char *slash = strrchr(path, '/');
    *slash = '\0';
    (void)mkdir(path, 0700);
    *slash = '/';
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    assert_int_equal(fwrite(text, 1, strlen(text), f), strlen(text));
    assert_int_equal(fclose(f), 0);
}
