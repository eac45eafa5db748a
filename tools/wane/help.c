/* Help: printed from the tables of commands and options.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <stdio.h>
#include <string.h>

enum { WIDTH = 79, LEFT = 26 };

/* The options every command has. */
static const struct wane_option global_options[] = {
    {"config", 0, WANE_TEXT, "FILE",
     "configuration of the service; else $WANE_CONFIG, else\n" WANE_DEFAULT_CONFIG},
    {"json", 0, WANE_FLAG, NULL, "the result as JSON"},
    {"help", 'h', WANE_FLAG, NULL, "this help"},
};

const struct wane_option *wane_global_options(int *n)
{
    *n = (int)(sizeof global_options / sizeof global_options[0]);
    return global_options;
}

/* Breaks text between words, and where it says so; `column` is where it begins, `indent` where
 * further lines do. */
static void wrap(FILE *f, const char *text, size_t column, size_t indent)
{
    for (bool first = true; *text != '\0'; first = false) {
        bool forced = *text == '\n';
        text += forced;
        size_t word = strcspn(text, " \n");
        if (forced || (!first && column + 1 + word > WIDTH)) {
            (void)fprintf(f, "\n%*s", (int)indent, "");
            column = indent;
        } else if (!first) {
            (void)fputc(' ', f);
            column++;
        }
        (void)fwrite(text, 1, word, f);
        column += word;
        text += word;
        text += strspn(text, " ");
    }
    (void)fputc('\n', f);
}

static void print_option(const struct wane_option *o, FILE *f)
{
    char left[80], letter[8] = "";
    if (o->letter != '\0') {
        (void)snprintf(letter, sizeof letter, "-%c, ", o->letter);
    }
    int n = snprintf(left, sizeof left, "  %s--%s%s%s", letter, o->name,
                     o->value != NULL ? " " : "", o->value != NULL ? o->value : "");
    (void)fprintf(f, "%-*s", LEFT, left);
    if (n > LEFT - 2) {
        (void)fprintf(f, "\n%*s", LEFT, "");
    }
    wrap(f, o->help, LEFT, LEFT);
}

static void print_global_options(FILE *f)
{
    for (size_t i = 0; i < sizeof global_options / sizeof global_options[0]; i++) {
        print_option(&global_options[i], f);
    }
}

void wane_help_all(FILE *f)
{
    int n = 0;
    const struct wane_command *const *c = wane_commands(&n);
    (void)fputs("wane: how lithium-ion cells age\n\nUsage: wane [--config FILE] [--json] COMMAND "
                "...\n\nCommands:\n",
                f);
    for (int i = 0; i < n; i++) {
        (void)fprintf(f, "  %-10s  %s\n", c[i]->name, c[i]->summary);
    }
    (void)fputs("\nOptions of every command:\n", f);
    print_global_options(f);
    (void)fputs("  --version               (without a command) the version\n"
                "\nExit codes: 0 done, 1 refused or failed, 2 usage, 3 no service answers,\n       "
                "     4 an "
                "alarm is active.\n"
                "wane COMMAND --help tells more about a command, with examples.\n",
                f);
}

void wane_help_command(const struct wane_command *c, FILE *f)
{
    int n = fprintf(f, "Usage: wane %s ", c->name);
    wrap(f, c->synopsis, n > 0 ? (size_t)n : 0, 10);
    (void)fprintf(f, "\n%s\nOptions:\n", c->text);
    for (int i = 0; i < c->options_n; i++) {
        print_option(&c->options[i], f);
    }
    print_global_options(f);
    (void)fprintf(f, "\nExamples:\n%s", c->examples);
}

static int run_help(struct wane *w, const struct wane_args *a)
{
    if (a->operands == 0) {
        wane_help_all(stdout);
        return wane_flush();
    }
    const struct wane_command *c = wane_find_command(a->operand[0]);
    if (c == NULL) {
        return wane_usage(w, "there is no command '%s'", a->operand[0]);
    }
    wane_help_command(c, stdout);
    return wane_flush();
}

const struct wane_command cmd_help = {
    .name = "help",
    .synopsis = "[COMMAND]",
    .summary = "all commands, or more about one",
    .text = "Prints the list of commands, or what one of them does, its options and\n"
            "examples.\n",
    .examples = "  wane help\n  wane help project\n",
    .operands_max = 1,
    .run = run_help,
};
