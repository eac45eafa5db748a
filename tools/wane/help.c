/* Help: printed from the tables of commands and options.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <stdio.h>
#include <string.h>
#include <unistd.h>

static const char global_help[] = "  --config FILE           configuration of the service; else "
                                  "$WANE_CONFIG, else " WANE_DEFAULT_CONFIG "\n"
                                  "  --json                  the result as JSON\n"
                                  "  -h, --help              this help\n";

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
    (void)fputs(global_help, f);
    (void)fputs("  --version               (without a command) the version\n"
                "\nExit codes: 0 done, 1 refused or failed, 2 usage, 3 no service answers, 4 an "
                "alarm is active.\n"
                "wane COMMAND --help tells more about a command, with examples.\n",
                f);
}

static void print_option(const struct wane_option *o, FILE *f)
{
    char left[80];
    char letter[8] = "";
    if (o->letter != '\0') {
        (void)snprintf(letter, sizeof letter, "-%c, ", o->letter);
    }
    (void)snprintf(left, sizeof left, "%s--%s%s%s", letter, o->name, o->value != NULL ? " " : "",
                   o->value != NULL ? o->value : "");
    (void)fprintf(f, "  %-22s  %s\n", left, o->help);
}

void wane_help_command(const struct wane_command *c, FILE *f)
{
    (void)fprintf(f, "Usage: wane %s %s\n\n%s\nOptions:\n", c->name, c->synopsis, c->text);
    for (int i = 0; i < c->options_n; i++) {
        print_option(&c->options[i], f);
    }
    (void)fputs(global_help, f);
    (void)fprintf(f, "\nExamples:\n%s", c->examples);
}

/* Plain `wane`: what to do next. */
void wane_first_words(const struct wane *w, FILE *f)
{
    bool there = access(w->config_file, R_OK) == 0;
    (void)fputs("wane watches lithium-ion cells age: campaigns of charge and discharge, capacity "
                "fade, projected end of life.\n\n",
                f);
    if (there) {
        (void)fprintf(
            f,
            "Configuration: %s\n"
            "  wane status                      how the stations are\n"
            "  wane campaigns                   what has been measured\n"
            "  wane check STATION --cell CELL --procedure PROCEDURE\n"
            "                                   what a campaign would do, before it is started\n",
            w->config_file);
    } else {
        (void)fprintf(
            f,
            "There is no configuration at %s yet.\n"
            "  wane ports                       which serial ports there are\n"
            "  wane import FILE.csv             look at a recorded log without any instrument\n"
            "  wane --config FILE status        use another configuration (or set WANE_CONFIG)\n",
            w->config_file);
    }
    (void)fputs("  wane help                        all commands\n", f);
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
    .text = "Prints the list of commands, or what one of them does, its options and examples.\n",
    .examples = "  wane help\n  wane help project\n",
    .operands_max = 1,
    .run = run_help,
};
