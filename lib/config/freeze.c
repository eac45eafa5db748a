/* Configuration: frozen into one text for the campaign file, and back.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Format 1, lines:
 *     # wane frozen configuration, format 1
 *     # run_dir /run/wane
 *     # section daemon waned 5120        kind, name, bytes; then exactly so many bytes of the file
 *     # section cell demo-18650 1034
 *     # section procedure datasheet-claim 2210
 *     # section dialect virtual-bench 1800     one for each instrument of the station
 * run_dir stands there because relative ports depend on it and the file's own may be relative. No
 * other path of the machine goes into a file that is meant to be published. */
#define _POSIX_C_SOURCE 200809L
#include "config/reader.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"

#define FROZEN_TITLE   "# wane frozen configuration, format 1\n"
#define FROZEN_RUN_DIR "# run_dir "
#define FROZEN_SECTION "# section "

/* From SECTION_DIALECT on there is one for each instrument. */
enum {
    SECTION_DAEMON,
    SECTION_CELL,
    SECTION_PROCEDURE,
    SECTION_DIALECT,
    SECTIONS_MAX = SECTION_DIALECT + WN_INSTRUMENTS_MAX
};

static const char *const kinds[] = {"daemon", "cell", "procedure", "dialect"};
static const char *const directories[] = {"", "cells", "procedures", "dialects"};

static int kind_of(int i)
{
    return i < SECTION_DIALECT ? i : SECTION_DIALECT;
}

struct section {
    char name[64];
    char *text; /* malloc'ed */
    size_t len;
};

static void free_sections(struct section section[SECTIONS_MAX])
{
    for (int i = 0; i < SECTIONS_MAX; i++) {
        free(section[i].text);
    }
}

static bool load_sections(const struct wn_daemon_config *daemon, const char *const *name, int n,
                          struct section *section, struct wn_problems *problems)
{
    char path[WN_PATH_SIZE];
    for (int i = 0; i < n; i++) {
        struct section *s = &section[i];
        wn_config_name(name[i], s->name, sizeof s->name);
        for (char *c = s->name; *c != '\0'; c++) {
            *c = *c == ' ' || *c == '\n' ? '_' : *c; /* the header line is split at blanks */
        }
        s->text = i == SECTION_DAEMON
                      ? wn_config_load(daemon->file, &s->len, problems)
                      : wn_config_load_named(daemon->conf_dir, directories[kind_of(i)], name[i],
                                             path, sizeof path, &s->len, problems);
        if (s->text == NULL) {
            return false;
        }
    }
    return true;
}

static char *join_sections(const char *run_dir, const struct section *section, int n)
{
    size_t size = sizeof FROZEN_TITLE FROZEN_RUN_DIR + WN_PATH_SIZE;
    for (int i = 0; i < n; i++) {
        size += section[i].len + sizeof FROZEN_SECTION + sizeof section[i].name + 48;
    }
    char *out = malloc(size);
    if (out == NULL) {
        return NULL;
    }
    size_t at = (size_t)snprintf(out, size, FROZEN_TITLE FROZEN_RUN_DIR "%s\n", run_dir);
    for (int i = 0; i < n; i++) {
        const struct section *s = &section[i];
        at += (size_t)snprintf(out + at, size - at, FROZEN_SECTION "%s %s %zu\n", kinds[kind_of(i)],
                               s->name, s->len);
        memcpy(out + at, s->text, s->len);
        at += s->len;
    }
    out[at] = '\0';
    return out;
}

/* A frozen text is worth nothing if it cannot be thawed, or says something else than what the
 * station runs with. */
static bool check_frozen(const char *frozen, const struct wn_station_config *station,
                         struct wn_problems *problems)
{
    struct thawed {
        struct wn_station_config station;
        struct wn_cell cell;
        struct wn_procedure procedure;
        struct wn_dialect dialect[WN_INSTRUMENTS_MAX];
    } *t = malloc(sizeof *t);
    if (t == NULL) {
        wn_problem_add(problems, "out of memory");
        return false;
    }
    bool good = wn_config_thaw(frozen, station->name, &t->station, &t->cell, &t->procedure,
                               t->dialect, problems) == WN_OK;
    const char *differs = good ? wn_config_station_differs(station, &t->station) : NULL;
    if (differs != NULL) {
        wn_problem_add(
            problems,
            "station %s: %s was changed in the daemon file after waned had read it; restart "
            "waned, then start the campaign",
            station->name, differs);
        good = false;
    }
    free(t);
    return good;
}

char *wn_config_freeze(const struct wn_daemon_config *daemon,
                       const struct wn_station_config *station, const char *cell,
                       const char *procedure, struct wn_problems *problems)
{
    const char *name[SECTIONS_MAX] = {daemon->file, cell, procedure};
    struct section section[SECTIONS_MAX];
    char *frozen = NULL;
    int n = SECTION_DIALECT + station->instruments;
    memset(section, 0, sizeof section);
    for (int i = 0; i < station->instruments; i++) {
        name[SECTION_DIALECT + i] = station->instrument[i].dialect;
    }
    if (!load_sections(daemon, name, n, section, problems)) {
        goto done;
    }
    frozen = join_sections(daemon->run_dir, section, n);
    if (frozen == NULL) {
        wn_problem_add(problems, "out of memory");
        goto done;
    }
    if (!check_frozen(frozen, station, problems)) {
        free(frozen);
        frozen = NULL;
    }
done:
    free_sections(section);
    return frozen;
}

/* Takes "prefix" off the front. */
static bool take(const char **at, const char *prefix)
{
    size_t n = strlen(prefix);
    if (strncmp(*at, prefix, n) != 0) {
        return false;
    }
    *at += n;
    return true;
}

/* Takes everything up to `end`, which is taken too. */
static bool take_until(const char **at, char end, char *out, size_t size)
{
    size_t n = strcspn(*at, end == '\n' ? "\n" : " \n");
    if ((*at)[n] != end || n >= size) {
        return false;
    }
    memcpy(out, *at, n);
    out[n] = '\0';
    *at += n + 1;
    return true;
}

static bool take_section(const char **at, const char *kind, struct section *s)
{
    char word[16], number[24];
    int64_t len;
    if (!take(at, FROZEN_SECTION) || !take_until(at, ' ', word, sizeof word) ||
        strcmp(word, kind) != 0 || !take_until(at, ' ', s->name, sizeof s->name) ||
        !take_until(at, '\n', number, sizeof number) ||
        wn_num_parse_int(number, strlen(number), &len) != WN_OK || len < 0 ||
        len > WN_CONFIG_FILE_MAX || strnlen(*at, (size_t)len) != (size_t)len) {
        return false;
    }
    s->len = (size_t)len;
    s->text = strndup(*at, s->len);
    *at += s->len;
    return s->text != NULL;
}

static bool split_sections(const char *frozen, char *run_dir, size_t run_dir_size,
                           struct section section[SECTIONS_MAX], struct wn_problems *problems)
{
    const char *at = frozen;
    int n = 0;
    bool good = take(&at, FROZEN_TITLE) && take(&at, FROZEN_RUN_DIR) &&
                take_until(&at, '\n', run_dir, run_dir_size);
    for (; good && n < SECTIONS_MAX && *at != '\0'; n++) {
        good = take_section(&at, kinds[kind_of(n)], &section[n]);
    }
    if (!good || n <= SECTION_DIALECT || *at != '\0') {
        wn_problem_add(problems,
                       "the frozen configuration in the campaign file is damaged, or was made by "
                       "another version; the campaign can be read, but not continued");
        return false;
    }
    return true;
}

/* What stands in front of problems: "frozen cells/demo-18650.conf"; lines count within the section,
 * as in the file it came from. */
static const char *section_file(int i, const struct section *s, char *out, size_t size)
{
    const char *dir = directories[i];
    (void)snprintf(out, size, "frozen %s%s%s.conf", dir, dir[0] == '\0' ? "" : "/", s->name);
    return out;
}

static int thaw_station(const struct section *s, const char *run_dir, const char *station,
                        struct wn_station_config *out, struct wn_problems *problems)
{
    char file[WN_PATH_SIZE];
    struct wn_daemon_config *daemon = malloc(sizeof *daemon);
    if (daemon == NULL) {
        wn_problem_add(problems, "out of memory");
        return WN_ENOMEM;
    }
    int rc =
        wn_config_parse_daemon(s->text, s->len, section_file(SECTION_DAEMON, s, file, sizeof file),
                               "", run_dir, daemon, problems);
    const struct wn_station_config *found = rc == WN_OK ? wn_config_station(daemon, station) : NULL;
    if (found != NULL) {
        *out = *found;
    } else if (rc == WN_OK) {
        wn_problem_add(problems, "%s: there is no station %s in it", file, station);
        rc = WN_ENOENT;
    }
    free(daemon);
    return rc;
}

static int thaw_dialects(const struct section *section, const struct wn_station_config *station,
                         struct wn_dialect dialect[WN_INSTRUMENTS_MAX],
                         struct wn_problems *problems)
{
    char file[WN_PATH_SIZE];
    for (int i = 0; i < station->instruments; i++) {
        const struct section *s = &section[i];
        if (s->text == NULL) {
            wn_problem_add(problems, "the frozen configuration has no dialect for the %s",
                           wn_instrument_name(&station->instrument[i]));
            return WN_ECORRUPT;
        }
        int rc = wn_config_parse_dialect(s->text, s->len,
                                         section_file(SECTION_DIALECT, s, file, sizeof file),
                                         s->name, &dialect[i], problems);
        if (rc != WN_OK || !wn_config_fit_dialect(station, i, &dialect[i], problems)) {
            return rc != WN_OK ? rc : WN_EINVAL;
        }
    }
    return WN_OK;
}

int wn_config_thaw(const char *frozen, const char *station, struct wn_station_config *station_out,
                   struct wn_cell *cell, struct wn_procedure *procedure,
                   struct wn_dialect dialect[WN_INSTRUMENTS_MAX], struct wn_problems *problems)
{
    char run_dir[WN_PATH_SIZE], file[WN_PATH_SIZE];
    struct section section[SECTIONS_MAX];
    int rc = WN_ECORRUPT;
    memset(section, 0, sizeof section);
    if (!split_sections(frozen, run_dir, sizeof run_dir, section, problems)) {
        goto done;
    }
    rc = thaw_station(&section[SECTION_DAEMON], run_dir, station, station_out, problems);
    if (rc == WN_OK) {
        rc = thaw_dialects(section + SECTION_DIALECT, station_out, dialect, problems);
    }
    const struct section *s = &section[SECTION_CELL];
    if (rc == WN_OK) {
        rc = wn_config_parse_cell(s->text, s->len, section_file(SECTION_CELL, s, file, sizeof file),
                                  s->name, cell, problems);
    }
    s = &section[SECTION_PROCEDURE];
    if (rc == WN_OK) {
        rc = wn_config_parse_procedure(s->text, s->len,
                                       section_file(SECTION_PROCEDURE, s, file, sizeof file),
                                       s->name, cell, procedure, problems);
    }
done:
    free_sections(section);
    return rc;
}
