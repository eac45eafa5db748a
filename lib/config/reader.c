/* Configuration: problems by file and line, and groups read against a table of keys.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "config/reader.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"

enum { FILE_SHOWN_MAX = 100 };

/* Foreign text comes into messages: one line, printable, whatever it was. */
static void make_printable(char *text)
{
    for (; *text != '\0'; text++) {
        unsigned char c = (unsigned char)*text;
        if (c < 0x20 || c == 0x7f) {
            *text = '?';
        }
    }
}

static void add_problem(struct wn_problems *problems, const char *fmt, va_list args)
    __attribute__((format(printf, 2, 0)));

static void add_problem(struct wn_problems *problems, const char *fmt, va_list args)
{
    if (problems->n < WN_PROBLEMS_MAX) {
        char *text = problems->text[problems->n];
        (void)vsnprintf(text, sizeof problems->text[0], fmt, args);
        make_printable(text);
    }
    problems->n++;
}

void wn_problem_add(struct wn_problems *problems, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    add_problem(problems, fmt, args);
    va_end(args);
}

void wn_problems_print(const struct wn_problems *p, FILE *to, const char *prefix)
{
    for (int i = 0; i < p->n && i < WN_PROBLEMS_MAX; i++) {
        (void)fprintf(to, "%s%s\n", prefix, p->text[i]);
    }
    if (p->n > WN_PROBLEMS_MAX) {
        (void)fprintf(to, "%s... and %d more\n", prefix, p->n - WN_PROBLEMS_MAX);
    }
}

/* Name of one element of the path: a key, "A" for an element with a name, else its place from 1. */
static void element_name(const config_setting_t *s, char *out, size_t size)
{
    const char *name = config_setting_name(s);
    if (name == NULL && config_setting_type(s) == CONFIG_TYPE_GROUP) {
        const config_setting_t *own = config_setting_get_member(s, "name");
        name = own == NULL ? NULL : config_setting_get_string(own);
    }
    if (name != NULL && name[0] != '\0') {
        (void)snprintf(out, size, "%s", name);
    } else {
        (void)snprintf(out, size, "%d", config_setting_index(s) + 1);
    }
}

/* "station.A.limits.voltage_max": lists lose their plural in front of an element. Built from the
 * end. */
static void describe_path(const config_setting_t *s, char *out, size_t size)
{
    char part[WN_CONFIG_PATH_MAX];
    size_t begin = size - 1;
    bool element = false; /* is what stands behind an element of this list? */
    out[begin] = '\0';
    for (; s != NULL && !config_setting_is_root(s); s = config_setting_parent(s)) {
        element_name(s, part, sizeof part);
        size_t n = strlen(part);
        if (element && n > 1 && part[n - 1] == 's') {
            n--;
        }
        if (n + 2 > begin) {
            break;
        }
        if (out[begin] != '\0') {
            out[--begin] = '.';
        }
        begin -= n;
        memcpy(out + begin, part, n);
        element = config_setting_name(s) == NULL;
    }
    memmove(out, out + begin, size - begin);
}

void wn_reader_fail(struct wn_reader *r, const config_setting_t *s, const char *fmt, ...)
{
    char path[WN_CONFIG_PATH_MAX], text[600];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    describe_path(s, path, sizeof path);
    unsigned line = (unsigned)config_setting_source_line(s);
    wn_problem_add(r->problems, "%s:%u: %s%s%s", r->file, line == 0 ? 1 : line, path,
                   path[0] == '\0' ? "" : ": ", text);
}

/* The line a parse error was found on, for those who look at the message only. */
static void copy_line(const char *text, int line, char *out, size_t size)
{
    for (int at = 1; at < line && text != NULL; at++) {
        text = strchr(text, '\n');
        text = text == NULL ? NULL : text + 1;
    }
    size_t n = 0;
    if (text != NULL) {
        text += strspn(text, " \t\r");
        n = strcspn(text, "\r\n");
        n = n < size ? n : size - 1;
        memcpy(out, text, n);
    }
    out[n] = '\0';
}

static void parse_problem(struct wn_reader *r, const char *text)
{
    const char *what = config_error_text(&r->config);
    int line = config_error_line(&r->config);
    char near[60];
    copy_line(text, line, near, sizeof near);
    if (what != NULL && strstr(what, "duplicate") != NULL) {
        wn_problem_add(
            r->problems,
            "%s:%d: a name is used twice in one group, near \"%s\"; remove one of the two", r->file,
            line, near);
        return;
    }
    if (near[0] == '\0') {
        wn_problem_add(r->problems,
                       "%s:%d: syntax error at the end of a block or of the file; look for a "
                       "bracket that is opened and not closed",
                       r->file, line);
        return;
    }
    wn_problem_add(
        r->problems,
        "%s:%d: %s near \"%s\"; look for a missing quote, semicolon, comma or bracket here or "
        "just above (values with a unit stand in quotes: \"4 A\")",
        r->file, line, what == NULL ? "syntax error" : what, near);
}

bool wn_reader_open(struct wn_reader *r, const char *text, size_t len, const char *file,
                    struct wn_problems *problems)
{
    memset(r, 0, sizeof *r);
    size_t n = strlen(file);
    bool whole =
        n <= FILE_SHOWN_MAX; /* of a long path the end tells more, and the message must fit */
    (void)snprintf(r->file, sizeof r->file, "%s%s", whole ? "" : "...",
                   whole ? file : file + n - FILE_SHOWN_MAX);
    r->problems = problems;
    r->problems_before = problems->n;
    if (!wn_config_look(text, len, r->file, problems)) {
        return false;
    }
    config_init(&r->config);
    if (config_read_string(&r->config, text) != CONFIG_TRUE) {
        parse_problem(r, text);
        config_destroy(&r->config);
        return false;
    }
    return true;
}

int wn_reader_close(struct wn_reader *r)
{
    config_destroy(&r->config);
    return r->problems->n == r->problems_before ? WN_OK : WN_EINVAL;
}

static const struct wn_key *find_key(const struct wn_key *keys, const char *name)
{
    for (; keys->name != NULL; keys++) {
        if (strcmp(keys->name, name) == 0) {
            return keys;
        }
    }
    return NULL;
}

static void unknown_key(struct wn_reader *r, const config_setting_t *s, const struct wn_key *keys)
{
    char all[200] = "";
    size_t used = 0;
    const char *near = wn_nearest_key(keys, config_setting_name(s));
    if (near != NULL) {
        wn_reader_fail(r, s, "unknown key; did you mean %s?", near);
        return;
    }
    for (; keys->name != NULL && used + strlen(keys->name) + 8 < sizeof all; keys++) {
        used += (size_t)snprintf(all + used, sizeof all - used, "%s%s", used == 0 ? "" : ", ",
                                 keys->name);
    }
    wn_reader_fail(r, s, "unknown key; known here: %s%s", all, keys->name != NULL ? ", ..." : "");
}

/* The value of an absent optional quantity. It is written as in a file, so that the tables read
 * alike. */
static void set_fallback(const struct wn_key *key, void *target)
{
    struct wn_qty qty = {0, 0};
    wn_assert(key->kind == WN_KEY_QUANTITY);
    int rc = wn_qty_parse(key->fallback, key->dim, &qty, NULL);
    wn_assert(rc == WN_OK && !qty.is_it);
    memcpy((char *)target + key->offset, &qty.value, sizeof qty.value);
}

static void missing(struct wn_reader *r, const config_setting_t *group, const struct wn_key *key)
{
    wn_reader_fail(r, group, "%s is missing; write %s = %s;", key->name, key->name, key->example);
}

void wn_reader_need(struct wn_reader *r, const config_setting_t *group, const struct wn_key *keys,
                    const char *name)
{
    if (config_setting_get_member(group, name) == NULL) {
        missing(r, group, find_key(keys, name));
    }
}

void wn_reader_group(struct wn_reader *r, const config_setting_t *group, const struct wn_key *keys,
                     void *target)
{
    if (config_setting_type(group) != CONFIG_TYPE_GROUP) {
        wn_reader_fail(r, group, "must be a group of settings; write { %s = %s; ... }", keys->name,
                       keys->example);
        return;
    }
    for (unsigned i = 0; i < (unsigned)config_setting_length(group); i++) {
        const config_setting_t *s = config_setting_get_elem(group, i);
        if (find_key(keys, config_setting_name(s)) == NULL) {
            unknown_key(r, s, keys);
        }
    }
    for (const struct wn_key *key = keys; key->name != NULL; key++) {
        const config_setting_t *s = config_setting_get_member(group, key->name);
        if (s != NULL) {
            wn_reader_value(r, s, key, target);
        } else if (key->required) {
            missing(r, group, key);
        } else if (key->fallback != NULL) {
            set_fallback(key, target);
        }
    }
}

const config_setting_t *wn_reader_at(const config_setting_t *group, const char *name)
{
    const config_setting_t *s = config_setting_get_member(group, name);
    return s == NULL ? group : s;
}

bool wn_reader_list(struct wn_reader *r, const config_setting_t *s, int min, int max,
                    const char *example)
{
    if (!config_setting_is_list(s) && !config_setting_is_array(s)) {
        wn_reader_fail(r, s, "must be a list; write %s", example);
        return false;
    }
    int n = config_setting_length(s);
    if (n < min || n > max) {
        wn_reader_fail(r, s, "has %d elements; %d to %d are possible", n, min, max);
        return false;
    }
    return true;
}
