/* wane: the command one looks at campaigns with.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "wane.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const struct wane_command *const table[] = {
    &cmd_ack,    &cmd_backup, &cmd_campaigns, &cmd_check,  &cmd_claim,    &cmd_compare,
    &cmd_cycles, &cmd_events, &cmd_export,    &cmd_help,   &cmd_identify, &cmd_import,
    &cmd_intake, &cmd_pause,  &cmd_plot,      &cmd_ports,  &cmd_project,  &cmd_publish,
    &cmd_report, &cmd_resume, &cmd_start,     &cmd_status, &cmd_stop,     &cmd_test_alert,
    &cmd_try,    &cmd_verify, &cmd_watch,
};

const struct wane_command *const *wane_commands(int *n)
{
    *n = (int)(sizeof table / sizeof table[0]);
    return table;
}

const struct wane_command *wane_find_command(const char *name)
{
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        if (strcmp(table[i]->name, name) == 0) {
            return table[i];
        }
    }
    return NULL;
}

static void init(struct wane *w)
{
    const char *config = getenv("WANE_CONFIG"), *no_colour = getenv("NO_COLOR"),
               *term = getenv("TERM");
    memset(w, 0, sizeof *w);
    w->config_file = config != NULL && config[0] != '\0' ? config : WANE_DEFAULT_CONFIG;
    w->colour = isatty(STDOUT_FILENO) && (no_colour == NULL || no_colour[0] == '\0') &&
                term != NULL && strcmp(term, "dumb") != 0;
}

/* Options in front of the command. Returns the index of the command, argc when there is none, -1
 * for a usage error, -2 when all is done. */
static int leading(struct wane *w, int argc, char **argv)
{
    int i = 1;
    for (; i < argc && argv[i][0] == '-'; i++) {
        if (strcmp(argv[i], "--version") == 0) {
            (void)printf("wane %s\n", WANE_VERSION);
            return -2;
        }
        if (strcmp(argv[i], "--help") == 0 || strcmp(argv[i], "-h") == 0) {
            wane_help_all(stdout);
            return -2;
        }
        if (strcmp(argv[i], "--json") == 0) {
            w->json = true;
        } else if (strncmp(argv[i], "--config=", 9) == 0) {
            w->config_file = argv[i] + 9;
            w->config_told = true;
        } else if (strcmp(argv[i], "--config") == 0 && i + 1 < argc) {
            w->config_file = argv[++i];
            w->config_told = true;
        } else {
            (void)wane_usage(
                w, "there is no option %s in front of a command, or its value is missing", argv[i]);
            return -1;
        }
    }
    return i;
}

static int run(struct wane *w, int argc, char **argv)
{
    struct wane_args args;
    bool help = false;
    int rc = wane_parse(w, argc, argv, &args, &help);
    if (rc != WANE_DONE) {
        return rc;
    }
    if (help) {
        wane_help_command(w->command, stdout);
        return wane_flush();
    }
    return w->command->run(w, &args);
}

int main(int argc, char **argv)
{
    struct wane w;
    init(&w);
    int at = leading(&w, argc, argv);
    if (at < 0) {
        return at == -2 ? wane_flush() : WANE_USAGE;
    }
    if (at == argc) {
        w.command = &cmd_status;
        wane_first_words(&w, stdout);
        free(w.daemon);
        return wane_flush();
    }
    if (strcmp(argv[at], "__complete") == 0) { /* of the shells, not for people */
        return wane_complete(&w, argc - at - 1, argv + at + 1);
    }
    w.command = wane_find_command(argv[at]);
    if (w.command == NULL) {
        return wane_usage(&w, "there is no command '%s'", argv[at]);
    }
    int rc = run(&w, argc - at, argv + at);
    free(w.daemon);
    return rc;
}
