/* Configuration: loads a file and looks at it raw, before libconfig does.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * libconfig 1.5 takes an open comment as the end of the file, wraps integers that are too large,
 * and calls everything else "syntax error"; what can be told better is told here. */
#define _POSIX_C_SOURCE 200809L
#include "config/reader.h"

#include <errno.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/assert.h"

static bool read_all(int fd, char *text, size_t size, size_t *len)
{
    *len = 0;
    while (*len < size) {
        ssize_t n = read(fd, text + *len, size - *len);
        if (n < 0 && errno == EINTR) {
            continue;
        }
        if (n < 0) {
            return false;
        }
        if (n == 0) {
            break;
        }
        *len += (size_t)n;
    }
    return true;
}

char *wn_config_load(const char *path, size_t *len, struct wn_problems *problems)
{
    char *text = NULL;
    struct stat st;
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY | O_NONBLOCK);
    if (fd < 0 || fstat(fd, &st) != 0) {
        wn_problem_add(problems, "%s: cannot be opened: %s", path, strerror(errno));
        goto fail;
    }
    if (!S_ISREG(st.st_mode)) {
        wn_problem_add(problems, "%s: is no regular file", path);
        goto fail;
    }
    text = malloc(WN_CONFIG_FILE_MAX + 2);
    if (text == NULL) {
        wn_problem_add(problems, "%s: out of memory", path);
        goto fail;
    }
    if (!read_all(fd, text, WN_CONFIG_FILE_MAX + 1, len)) {
        wn_problem_add(problems, "%s: cannot be read: %s", path, strerror(errno));
        goto fail;
    }
    if (*len > WN_CONFIG_FILE_MAX) {
        wn_problem_add(problems, "%s: is longer than %d kB: this is no configuration file", path,
                       WN_CONFIG_FILE_MAX / 1024);
        goto fail;
    }
    text[*len] = '\0';
    (void)close(fd);
    return text;
fail:
    free(text);
    if (fd >= 0) {
        (void)close(fd);
    }
    return NULL;
}

struct look {
    const char *at, *end;
    const char *file;
    int line;
    bool good;
    struct wn_problems *problems;
};

static bool name_char(char c)
{
    return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '_' ||
           c == '-' || c == '*';
}

static bool digit(char c)
{
    return c >= '0' && c <= '9';
}

static void bad(struct look *l, int line, const char *what)
{
    l->good = false;
    wn_problem_add(l->problems, "%s:%d: %s", l->file, line, what);
}

static bool next_is(const struct look *l, const char *token)
{
    size_t n = strlen(token);
    return (size_t)(l->end - l->at) >= n && memcmp(l->at, token, n) == 0;
}

static void skip_line(struct look *l)
{
    while (l->at < l->end && *l->at != '\n') {
        l->at++;
    }
}

static void skip_block(struct look *l)
{
    int begin = l->line;
    for (l->at += 2; l->at < l->end; l->at++) {
        if (next_is(l, "*/")) {
            l->at += 2;
            return;
        }
        l->line += *l->at == '\n';
    }
    bad(l, begin, "the comment that begins here never ends; write */ behind it");
}

static void skip_string(struct look *l)
{
    for (l->at++; l->at < l->end && *l->at != '\n'; l->at++) {
        if (*l->at == '\\' && l->at + 1 < l->end && l->at[1] != '\n') {
            l->at++;
        } else if (*l->at == '"') {
            l->at++;
            return;
        }
    }
    bad(l, l->line, "a text begins on this line and does not end on it; the closing \" is missing");
}

/* Integers outside what libconfig holds wrap silently: 3000000000 becomes -1294967296. */
static void check_number(struct look *l)
{
    const char *begin = l->at;
    uint64_t value = 0;
    bool wide = false;
    while (l->at < l->end && digit(*l->at)) {
        unsigned d = (unsigned)(*l->at - '0');
        wide = wide || value > (UINT64_MAX - d) / 10;
        value = value * 10 + d;
        l->at++;
    }
    char next = l->at < l->end ? *l->at : '\0';
    if (next == '.' || next == 'e' || next == 'E' || next == 'x' || next == 'X') {
        while (l->at < l->end && (name_char(*l->at) || *l->at == '.')) {
            l->at++;
        }
        return;
    }
    uint64_t most = next == 'L' ? (uint64_t)INT64_MAX : (uint64_t)INT32_MAX;
    if (wide || value > most) {
        l->good = false;
        wn_problem_add(l->problems, "%s:%d: the number %.*s is too large; the largest is %llu",
                       l->file, l->line, (int)(l->at - begin > 40 ? 40 : l->at - begin), begin,
                       (unsigned long long)most);
    }
}

/* A name, or anything that is one character. */
static void skip_other(struct look *l)
{
    if (!name_char(*l->at) || *l->at == '-') {
        l->line += *l->at == '\n';
        l->at++;
        return;
    }
    while (l->at < l->end && name_char(*l->at)) {
        l->at++;
    }
}

static void look_around(struct look *l)
{
    while (l->at < l->end) {
        if (*l->at == '#' || next_is(l, "//")) {
            skip_line(l);
        } else if (next_is(l, "/*")) {
            skip_block(l);
        } else if (*l->at == '"') {
            skip_string(l);
        } else if (digit(*l->at)) {
            check_number(l);
        } else if (next_is(l, "@include")) {
            bad(l, l->line,
                "@include is not supported: a campaign keeps its configuration whole; write the "
                "settings here");
            skip_line(l);
        } else {
            skip_other(l);
        }
    }
}

bool wn_config_look(const char *text, size_t len, const char *file, struct wn_problems *problems)
{
    struct look l = {text, text + len, file, 1, true, problems};
    if (len == 0) {
        bad(&l, 1, "the file is empty");
        return false;
    }
    if (len >= 3 && memcmp(text, "\xEF\xBB\xBF", 3) == 0) {
        bad(&l, 1, "the file begins with a byte order mark; save it as UTF-8 without one");
        return false;
    }
    const char *zero = memchr(text, '\0', len);
    if (zero != NULL) {
        int line = 1;
        for (const char *p = text; p < zero; p++) {
            line += *p == '\n';
        }
        bad(&l, line,
            "there is a zero byte: this is no text file (UTF-16 perhaps); save it as UTF-8");
        return false;
    }
    look_around(&l);
    if (l.good && text[len - 1] != '\n') {
        bad(&l, l.line,
            "the last line does not end with a newline; the file may be cut off: check its end and "
            "add one");
    }
    return l.good;
}
