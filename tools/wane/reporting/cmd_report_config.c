/* wane report: the frozen configuration, as much of it as may be published.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "cmd_report.h"

#include <stdlib.h>
#include <string.h>

/* Reads a text in the syntax of libconfig, piece by piece. */
struct scan {
    const char *at;
    char *out;
    size_t len;
    int depth;
    bool broken;
};

static void keep(struct scan *s, const char *from)
{
    memcpy(s->out + s->len, from, (size_t)(s->at - from));
    s->len += (size_t)(s->at - from);
}

static void skip_text(struct scan *s)
{
    for (s->at++; *s->at != '\0' && *s->at != '"'; s->at++) {
        s->at += s->at[0] == '\\' && s->at[1] != '\0';
    }
    s->broken = s->broken || *s->at == '\0';
    s->at += *s->at != '\0';
}

static bool is_comment(const char *at)
{
    return *at == '#' || (*at == '/' && (at[1] == '/' || at[1] == '*'));
}

static void skip_comment(struct scan *s)
{
    if (s->at[0] == '/' && s->at[1] == '*') {
        const char *end = strstr(s->at + 2, "*/");
        s->broken = s->broken || end == NULL;
        s->at = end != NULL ? end + 2 : s->at + strlen(s->at);
    } else {
        s->at += strcspn(s->at, "\n");
    }
}

static void skip_blanks(struct scan *s)
{
    while (*s->at != '\0' && (strchr(" \t\r\n\f", *s->at) != NULL || is_comment(s->at))) {
        if (is_comment(s->at)) {
            skip_comment(s);
        } else {
            s->at++;
        }
    }
}

/* Everything between a bracket and its end. */
static void skip_brackets(struct scan *s)
{
    int depth = 0;
    do {
        if (*s->at == '\0') {
            s->broken = true;
            return;
        }
        if (*s->at == '"') {
            skip_text(s);
        } else if (is_comment(s->at)) {
            skip_comment(s);
        } else {
            depth += strchr("({[", *s->at) != NULL;
            depth -= strchr(")}]", *s->at) != NULL;
            s->at++;
        }
    } while (depth > 0);
}

/* The rest of a setting behind its name: "= value" and what ends it. */
static void skip_setting(struct scan *s)
{
    skip_blanks(s);
    s->broken = s->broken || *s->at == '\0' || strchr("=:", *s->at) == NULL;
    s->at += *s->at != '\0';
    skip_blanks(s);
    if (*s->at != '\0' && strchr("({[", *s->at) != NULL) {
        skip_brackets(s);
    } else if (*s->at == '"') {
        while (*s->at == '"') { /* texts beside each other are one */
            skip_text(s);
            skip_blanks(s);
        }
    } else {
        s->at += strcspn(s->at, " \t\r\n;,");
    }
    skip_blanks(s);
    s->at += *s->at == ';' || *s->at == ',';
}

static const char letters[] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_*-";

static void take_piece(struct scan *s)
{
    const char *from = s->at;
    size_t word = strspn(s->at, letters);
    bool begins = s->len == 0 || s->out[s->len - 1] == '\n';
    if (begins && strncmp(s->at, "# section ", 10) == 0) { /* of the freezing, not of a file */
        s->at += strcspn(s->at, "\n");
        keep(s, from);
    } else if (is_comment(s->at)) {
        skip_comment(s);
    } else if (*s->at == '"') {
        skip_text(s);
        keep(s, from);
    } else if (word > 0) {
        s->at += word;
        if (word == 6 && strncmp(from, "alerts", 6) == 0 && s->depth == 0) {
            skip_setting(s);
        } else {
            keep(s, from);
        }
    } else {
        s->depth += strchr("({[", *s->at) != NULL;
        s->depth -= strchr(")}]", *s->at) != NULL;
        s->broken = s->broken || s->depth < 0;
        s->at++;
        bool blank = begins && *from == '\n';
        if (!blank) {
            keep(s, from);
        }
    }
}

/* Blanks at the ends of lines that a comment has left, and lines of nothing else. */
static void tidy(char *text)
{
    char *to = text;
    for (const char *line = text; *line != '\0';) {
        size_t n = strcspn(line, "\n"), used = n;
        while (used > 0 && strchr(" \t\r", line[used - 1]) != NULL) {
            used--;
        }
        memmove(to, line, used);
        to += used;
        if (used > 0) {
            *to++ = '\n';
        }
        line += n + (line[n] == '\n');
    }
    *to = '\0';
}

char *report_configuration(const char *text)
{
    struct scan s = {.at = text, .out = malloc(2 * strlen(text) + 2)};
    while (s.out != NULL && *s.at != '\0' && !s.broken) {
        take_piece(&s);
    }
    if (s.out == NULL || s.broken || s.depth != 0) {
        free(s.out);
        return NULL;
    }
    s.out[s.len] = '\0';
    tidy(s.out);
    return s.out;
}
