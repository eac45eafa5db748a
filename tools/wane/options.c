/* Options: parsing the arguments of a verb by its table.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "wane.h"

#include <getopt.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "base/num.h"

/* Values getopt_long() returns: the table's options by number, the global ones behind them. */
enum { OPTION_BASE = 1000, GLOBAL_CONFIG = 2000, GLOBAL_JSON, GLOBAL_HELP };

int wane_usage(const struct wane *w, const char *fmt, ...)
{
    va_list args;
    const char *verb = w->command != NULL ? w->command->name : "";
    (void)fprintf(stderr, "wane%s%s: ", verb[0] != '\0' ? " " : "", verb);
    va_start(args, fmt);
    (void)vfprintf(stderr, fmt, args);
    va_end(args);
    bool plain = verb[0] == '\0' || strcmp(verb, "help") == 0;
    (void)fprintf(stderr, "\nTry: wane %s%s\n", plain ? "help" : verb, plain ? "" : " --help");
    return WANE_USAGE;
}

int wane_fail(const struct wane *w, const struct wn_error *err)
{
    (void)fprintf(stderr, "wane%s%s: %s\n", w->command != NULL ? " " : "",
                  w->command != NULL ? w->command->name : "",
                  err->text[0] != '\0' ? err->text : wn_err_text(err->code));
    return err->code == WN_EUNREACHABLE ? WANE_UNREACHABLE : WANE_FAILED;
}

static int take_value(const struct wane *w, const struct wane_option *o, const char *text,
                      struct wane_value *v)
{
    int rc = WN_OK;
    v->given = true;
    v->text = text;
    switch (o->kind) {
    case WANE_FLAG:
        return WANE_DONE;
    case WANE_TEXT:
        return text[0] != '\0' ? WANE_DONE : wane_usage(w, "--%s must not be empty", o->name);
    case WANE_LIST:
        if (v->n == WANE_LIST_MAX) {
            return wane_usage(w, "--%s is given more than %d times", o->name, WANE_LIST_MAX);
        }
        v->list[v->n++] = text;
        return text[0] != '\0' ? WANE_DONE : wane_usage(w, "--%s must not be empty", o->name);
    case WANE_NUMBER:
        rc = wn_num_parse(text, strlen(text), &v->number);
        if (rc != WN_OK || !(v->number > 0)) {
            return wane_usage(
                w, "--%s is '%s': write a number above zero, with a point and without a unit",
                o->name, text);
        }
        return WANE_DONE;
    case WANE_COUNT:
        rc = wn_num_parse_int(text, strlen(text), &v->count);
        if (rc != WN_OK || v->count < 1) {
            return wane_usage(w, "--%s is '%s': write a whole number from 1 on", o->name, text);
        }
        return WANE_DONE;
    }
    return WANE_USAGE;
}

/* Makes what getopt_long() wants from the verb's table and the global options. */
static void make_tables(const struct wane_command *c, struct option *longs, char *shorts)
{
    int n = 0;
    for (int i = 0; i < c->options_n; i++) {
        const struct wane_option *o = &c->options[i];
        longs[n++] = (struct option){
            o->name, o->kind == WANE_FLAG ? no_argument : required_argument, NULL, OPTION_BASE + i};
        if (o->letter != '\0') {
            *shorts++ = o->letter;
            if (o->kind != WANE_FLAG) {
                *shorts++ = ':';
            }
        }
    }
    longs[n++] = (struct option){"config", required_argument, NULL, GLOBAL_CONFIG};
    longs[n++] = (struct option){"json", no_argument, NULL, GLOBAL_JSON};
    longs[n++] = (struct option){"help", no_argument, NULL, GLOBAL_HELP};
    longs[n] = (struct option){NULL, 0, NULL, 0};
    *shorts++ = 'h';
    *shorts = '\0';
}

static int number_of(const struct wane_command *c, int got)
{
    for (int i = 0; i < c->options_n; i++) {
        if (got == OPTION_BASE + i || (got == c->options[i].letter && got != 0)) {
            return i;
        }
    }
    return -1;
}

static int complain(const struct wane *w, int got, const char *argument)
{
    if (got == ':') {
        return wane_usage(w, "%s needs a value", argument);
    }
    return wane_usage(w, "there is no option %s here, or it is not clear which one is meant",
                      argument);
}

static int take_one(struct wane *w, int got, const char *argument, struct wane_args *out,
                    bool *help)
{
    int i = number_of(w->command, got);
    if (i >= 0) {
        return take_value(w, &w->command->options[i], optarg, &out->value[i]);
    }
    switch (got) {
    case GLOBAL_CONFIG:
        w->config_file = optarg;
        return WANE_DONE;
    case GLOBAL_JSON:
        w->json = true;
        return WANE_DONE;
    case GLOBAL_HELP:
    case 'h':
        *help = true;
        return WANE_DONE;
    default:
        return complain(w, got, argument);
    }
}

int wane_parse(struct wane *w, int argc, char **argv, struct wane_args *out, bool *help)
{
    struct option longs[WANE_OPTIONS_MAX + 4];
    char shorts[2 * WANE_OPTIONS_MAX + 4] = ":";
    const struct wane_command *c = w->command;
    wn_assert(c->options_n <= WANE_OPTIONS_MAX);
    make_tables(c, longs, shorts + 1);
    memset(out, 0, sizeof *out);
    for (int i = 0; i < WANE_OPTIONS_MAX; i++) {
        out->value[i].number = NAN;
    }
    optind = 0; /* glibc: begin afresh */
    opterr = 0;
    for (int got; (got = getopt_long(argc, argv, shorts, longs, NULL)) != -1;) {
        int rc = take_one(w, got, argv[optind - 1], out, help);
        if (rc != WANE_DONE) {
            return rc;
        }
    }
    out->operand = argv + optind;
    out->operands = argc - optind;
    if (*help) {
        return WANE_DONE;
    }
    if (out->operands < c->operands_min) {
        return wane_usage(w, "something is missing: wane %s %s", c->name, c->synopsis);
    }
    if (out->operands > c->operands_max) {
        return wane_usage(w, "'%s' is too much", out->operand[c->operands_max]);
    }
    return WANE_DONE;
}
