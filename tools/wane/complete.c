/* What may stand next on a command line, for the completion of shells: from the tables of commands
 * and options, the configuration and its directories. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * `wane __complete WORD...` takes the words behind "wane" up to the one under the cursor, which may
 * be empty, and prints one candidate a line, behind a tab what it is; ":files" stands for names of
 * files. What does not begin like the last word is left to the shell to leave out. */
#define _POSIX_C_SOURCE 200809L
#include "wane.h"

#include <dirent.h>
#include <glob.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "pictures/drawing.h"

static void offer(const char *word, const char *what)
{
    (void)printf("%s%s%.*s\n", word, what[0] != '\0' ? "\t" : "", (int)strcspn(what, "\n"), what);
}

/* NAME.conf of one of the directories beside the daemon file, or NAME.wane of data_dir. */
static void offer_files(const char *dir, const char *ending)
{
    DIR *d = opendir(dir);
    size_t end = strlen(ending);
    for (struct dirent *e = d != NULL ? readdir(d) : NULL; e != NULL; e = readdir(d)) {
        size_t n = strlen(e->d_name);
        if (e->d_name[0] != '.' && n > end && strcmp(e->d_name + n - end, ending) == 0) {
            e->d_name[n - end] = '\0';
            offer(e->d_name, "");
        }
    }
    if (d != NULL) {
        (void)closedir(d);
    }
}

static void offer_conf(struct wane *w, const char *kind)
{
    char dir[WN_PATH_SIZE + 32];
    const struct wn_daemon_config *d = wane_daemon(w);
    if (d != NULL) {
        (void)snprintf(dir, sizeof dir, "%s/%s", d->conf_dir, kind);
        offer_files(dir, ".conf");
    }
}

static void offer_campaigns(struct wane *w)
{
    const struct wn_daemon_config *d = wane_daemon(w);
    if (d != NULL) {
        offer_files(d->data_dir, ".wane");
    }
    offer(":files", "");
}

static void offer_stations(struct wane *w)
{
    const struct wn_daemon_config *d = wane_daemon(w);
    for (int i = 0; d != NULL && i < d->stations; i++) {
        offer(d->station[i].name, "station");
    }
}

static void offer_ports(void)
{
    static const char *const patterns[] = {"/dev/serial/by-id/*", "/dev/ttyUSB*", "/dev/ttyACM*"};
    for (size_t i = 0; i < sizeof patterns / sizeof patterns[0]; i++) {
        glob_t g = {0};
        if (glob(patterns[i], 0, NULL, &g) == 0) {
            for (size_t k = 0; k < g.gl_pathc; k++) {
                offer(g.gl_pathv[k], "port");
            }
        }
        globfree(&g);
    }
    offer(":files", "");
}

static void offer_commands(void)
{
    int n = 0;
    const struct wane_command *const *c = wane_commands(&n);
    for (int i = 0; i < n; i++) {
        offer(c[i]->name, c[i]->summary);
    }
}

static void offer_option(const struct wane_option *o)
{
    char word[64];
    (void)snprintf(word, sizeof word, "--%s", o->name);
    offer(word, o->help);
    if (o->letter != '\0') {
        (void)snprintf(word, sizeof word, "-%c", o->letter);
        offer(word, o->help);
    }
}

static void offer_options(const struct wane_command *c)
{
    int n = 0;
    const struct wane_option *global = wane_global_options(&n);
    for (int i = 0; c != NULL && i < c->options_n; i++) {
        offer_option(&c->options[i]);
    }
    for (int i = 0; i < n; i++) {
        offer_option(&global[i]);
    }
    if (c == NULL) {
        offer("--version", "the version");
    }
}

/* "csv|json": the words themselves. Returns false when the placeholder is none of that kind. */
static bool offer_words(const char *placeholder)
{
    if (strspn(placeholder, "abcdefghijklmnopqrstuvwxyz|-") != strlen(placeholder)) {
        return false;
    }
    for (const char *at = placeholder; *at != '\0';) {
        char word[64];
        size_t n = strcspn(at, "|");
        (void)snprintf(word, sizeof word, "%.*s", (int)n, at);
        offer(word, "");
        at += n + (at[n] == '|' ? 1 : 0);
    }
    return true;
}

static void offer_value(struct wane *w, const struct wane_option *o)
{
    if (strcmp(o->value, "CELL") == 0) {
        offer_conf(w, "cells");
    } else if (strcmp(o->value, "PROCEDURE") == 0) {
        offer_conf(w, "procedures");
    } else if (strcmp(o->name, "dialect") == 0) {
        offer_conf(w, "dialects");
    } else if (strstr(o->value, "FILE") != NULL || strstr(o->value, "DIR") != NULL) {
        offer(":files", "");
    } else {
        (void)offer_words(o->value);
    }
}

/* What stands for the operand of this number in the synopsis: its words in capitals in their order,
 * without those of options; the last one may be repeated. */
static bool operand_of(const struct wane_command *c, int number, char *out, size_t size)
{
    bool found = false, value = false;
    for (const char *at = c->synopsis; *at != '\0';) {
        at += strspn(at, " ()[]|");
        size_t n = strcspn(at, " ()[]|");
        size_t capitals = strspn(at, "ABCDEFGHIJKLMNOPQRSTUVWXYZ");
        bool option = at[0] == '-';
        if (!option && !value && capitals > 1 && number >= 0) {
            (void)snprintf(out, size, "%.*s", (int)capitals, at);
            found = true;
            number--;
        }
        value = option && at[n] == ' ' && strncmp(at + n, " |", 2) != 0;
        at += n;
    }
    return found && c->operands_max > 0;
}

static void offer_operand(struct wane *w, const struct wane_command *c, int number)
{
    char kind[32] = "";
    if (number >= c->operands_max || !operand_of(c, number, kind, sizeof kind)) {
        return;
    }
    if (strcmp(kind, "CAMPAIGN") == 0) {
        offer_campaigns(w);
    } else if (strcmp(kind, "STATION") == 0) {
        offer_stations(w);
    } else if (strcmp(kind, "DIALECT") == 0) {
        offer_conf(w, "dialects");
    } else if (strcmp(kind, "PORT") == 0) {
        offer_ports();
    } else if (strcmp(kind, "COMMAND") == 0) {
        offer_commands();
    } else if (strcmp(kind, "KIND") == 0) {
        for (int k = 0; k < DRAWING_KINDS; k++) {
            offer(drawing_word((enum drawing_kind)k), "");
        }
    } else {
        offer(":files", "");
    }
}

static const struct wane_option *find_option(const struct wane_option *list, int n,
                                             const char *word)
{
    for (int i = 0; i < n; i++) {
        bool is_long = strncmp(word, "--", 2) == 0 && strcmp(word + 2, list[i].name) == 0;
        bool is_short = word[0] == '-' && word[1] == list[i].letter && word[1] != '\0' &&
                        word[2] == '\0' && list[i].letter != '\0';
        if (is_long || is_short) {
            return &list[i];
        }
    }
    return NULL;
}

/* The option that takes this word's successor for its value; NULL when none does. */
static const struct wane_option *waits(const struct wane_command *c, const char *word)
{
    int n = 0;
    const struct wane_option *global = wane_global_options(&n),
                             *o = c != NULL ? find_option(c->options, c->options_n, word) : NULL;
    o = o != NULL ? o : find_option(global, n, word);
    return o != NULL && o->kind != WANE_FLAG ? o : NULL;
}

int wane_complete(struct wane *w, int words, char **word)
{
    const struct wane_command *c = NULL;
    const struct wane_option *waiting = NULL;
    const char *last = words > 0 ? word[words - 1] : "";
    int operands = 0;
    for (int i = 0; i < words - 1; i++) {
        if (waiting != NULL) {
            if (strcmp(waiting->name, "config") == 0) {
                w->config_file = word[i];
            }
            waiting = NULL;
        } else if (word[i][0] == '-' && word[i][1] != '\0') {
            waiting = waits(c, word[i]);
        } else if (c == NULL) {
            c = wane_find_command(word[i]);
            if (c == NULL) {
                return WANE_DONE;
            }
        } else {
            operands++;
        }
    }
    if (waiting != NULL) {
        offer_value(w, waiting);
    } else if (last[0] == '-') {
        offer_options(c);
    } else if (c == NULL) {
        offer_commands();
    } else {
        offer_operand(w, c, operands);
    }
    free(w->daemon);
    return wane_flush();
}
