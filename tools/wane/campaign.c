/* Campaigns: finding the configuration and campaign files, reading cycles.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "wane.h"

#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "report/table.h"

const struct wn_daemon_config *wane_daemon(struct wane *w)
{
    struct wn_problems *problems = calloc(1, sizeof *problems);
    if (w->daemon == NULL && problems != NULL) {
        w->daemon = calloc(1, sizeof *w->daemon);
        if (w->daemon != NULL &&
            wn_config_read_daemon(w->config_file, w->daemon, problems) != WN_OK) {
            wn_problems_print(problems, stderr, "");
            free(w->daemon);
            w->daemon = NULL;
        }
    }
    free(problems);
    return w->daemon;
}

static bool is_file(const char *path)
{
    struct stat st;
    return stat(path, &st) == 0 && S_ISREG(st.st_mode);
}

/* A path when it is one; else a name in data_dir, with or without .wane. */
int wane_find_campaign(struct wane *w, const char *name, char *path, size_t size)
{
    static const char *const endings[] = {"", ".wane"};
    for (int i = 0; i < 2; i++) {
        int n = snprintf(path, size, "%s%s", name, endings[i]);
        if (n > 0 && (size_t)n < size && is_file(path)) {
            return WANE_DONE;
        }
    }
    if (strchr(name, '/') != NULL) {
        (void)fprintf(stderr, "wane %s: there is no campaign file %s\n", w->command->name, name);
        return WANE_FAILED;
    }
    const struct wn_daemon_config *d = wane_daemon(w);
    if (d == NULL) {
        (void)fprintf(stderr,
                      "wane %s: there is no file %s here, and without a configuration no place to "
                      "look for it\n",
                      w->command->name, name);
        return WANE_FAILED;
    }
    for (int i = 0; i < 2; i++) {
        int n = snprintf(path, size, "%s/%s%s", d->data_dir, name, endings[i]);
        if (n > 0 && (size_t)n < size && is_file(path)) {
            return WANE_DONE;
        }
    }
    (void)fprintf(stderr, "wane %s: there is no campaign '%s' in %s: wane campaigns lists them\n",
                  w->command->name, name, d->data_dir);
    return WANE_FAILED;
}

int wane_open_campaign(struct wane *w, const char *name, struct wane_campaign *out)
{
    struct wn_error err = {0};
    memset(out, 0, sizeof *out);
    int found = wane_find_campaign(w, name, out->path, sizeof out->path);
    if (found != WANE_DONE) {
        return found;
    }
    int rc = wn_campaign_open_read(&out->file, out->path, &err);
    rc = rc == WN_OK ? wn_campaign_info(out->file, &out->info, &err) : rc;
    rc = rc == WN_OK ? wn_campaign_status(out->file, out->status, sizeof out->status, &err) : rc;
    if (rc != WN_OK) {
        wane_close_campaign(out);
        return wane_fail(w, &err);
    }
    if (strcmp(out->status, "importing") == 0) {
        (void)fprintf(stderr,
                      "wane %s: %s was not imported to its end: delete it and import again\n",
                      w->command->name, out->path);
    }
    return WANE_DONE;
}

void wane_close_campaign(struct wane_campaign *c)
{
    wn_campaign_close(c->file);
    c->file = NULL;
}

static int is_campaign(const struct dirent *e)
{
    size_t n = strlen(e->d_name);
    return n > 5 && e->d_name[0] != '.' && strcmp(e->d_name + n - 5, ".wane") == 0;
}

int wane_list_campaigns(const char *dir, struct wane_names *out, struct wn_error *err)
{
    struct dirent **entry = NULL;
    memset(out, 0, sizeof *out);
    int n = scandir(dir, &entry, is_campaign, alphasort);
    if (n < 0) {
        return wn_error_set(err, WN_ENOENT, "%s: %s", dir, strerror(errno));
    }
    int rc = WN_OK;
    char **list = calloc((size_t)n + 1, sizeof *list);
    for (int i = 0; i < n; i++) {
        size_t size = strlen(dir) + strlen(entry[i]->d_name) + 2;
        char *path = list != NULL ? malloc(size) : NULL;
        if (path != NULL) {
            (void)snprintf(path, size, "%s/%s", dir, entry[i]->d_name);
            list[out->n++] = path;
        }
        free(entry[i]);
    }
    out->path = list;
    free(entry);
    if (out->path == NULL || out->n < (size_t)n) {
        wane_free_names(out);
        rc = wn_error_set(err, WN_ENOMEM, "out of memory");
    }
    return rc;
}

void wane_free_names(struct wane_names *names)
{
    for (size_t i = 0; names->path != NULL && i < names->n; i++) {
        free(names->path[i]);
    }
    free(names->path);
    memset(names, 0, sizeof *names);
}

static int add_cycle(const struct wn_cycle_record *r, wn_utc_us end_utc, void *ctx)
{
    struct wane_cycles *c = ctx;
    if (c->n == c->room) {
        size_t room = c->room > 0 ? 2 * c->room : 256;
        struct wn_cycle_record *rows = realloc(c->row, room * sizeof *rows);
        c->row = rows != NULL ? rows : c->row;
        wn_utc_us *ends = realloc(c->end_utc, room * sizeof *ends);
        c->end_utc = ends != NULL ? ends : c->end_utc;
        if (rows == NULL || ends == NULL) {
            return WN_ENOMEM;
        }
        c->room = room;
    }
    c->row[c->n] = *r;
    c->end_utc[c->n++] = end_utc;
    return 0;
}

int wane_read_cycles(struct wane_campaign *c, struct wane_cycles *out, struct wn_error *err)
{
    memset(out, 0, sizeof *out);
    return wn_campaign_each_cycle(c->file, add_cycle, out, err);
}

void wane_free_cycles(struct wane_cycles *c)
{
    free(c->row);
    free(c->end_utc);
    memset(c, 0, sizeof *c);
}

void wane_print_heading(const struct wane *w, const struct wane_campaign *c)
{
    if (c->info.simulated) {
        (void)printf("%sSIMULATED%s  results of a virtual bench; no cell was measured\n",
                     wane_bold(w), wane_plain(w));
    }
    const struct wn_cell *cell = &c->info.cell;
    char line[512]; /* names come from a file, perhaps somebody else's */
    (void)snprintf(
        line, sizeof line, "%s: %s%s, %s%s", c->info.name, cell->title[0] != '\0' ? "" : "cell ",
        cell->title[0] != '\0' ? cell->title : cell->name,
        c->info.imported ? "imported from a recorded log" : c->info.procedure_title,
        !c->info.imported || strcmp(c->status, "finished") == 0 ? "" : ", not to its end");
    wn_text_make_printable(line);
    (void)puts(line);
}
