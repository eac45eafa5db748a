/* Configuration: names of keys and files, and which one was perhaps meant.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "config/reader.h"

#include <dirent.h>
#include <stdlib.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

enum { WORD_MAX = 32 };

static int least(int a, int b)
{
    return a < b ? a : b;
}

/* Optimal string alignment distance (Damerau-Levenshtein without overlapping swaps). */
int wn_word_distance(const char *a, const char *b)
{
    size_t n = strlen(a), m = strlen(b);
    if (n >= WORD_MAX || m >= WORD_MAX) {
        return WORD_MAX;
    }
    int d[WORD_MAX][WORD_MAX];
    for (size_t i = 0; i <= n; i++) {
        d[i][0] = (int)i;
    }
    for (size_t j = 0; j <= m; j++) {
        d[0][j] = (int)j;
    }
    for (size_t i = 1; i <= n; i++) {
        for (size_t j = 1; j <= m; j++) {
            int replace = d[i - 1][j - 1] + (a[i - 1] != b[j - 1]);
            d[i][j] = least(replace, least(d[i - 1][j], d[i][j - 1]) + 1);
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1]) {
                d[i][j] = least(d[i][j], d[i - 2][j - 2] + 1);
            }
        }
    }
    return d[n][m];
}

/* Near: at most a third of the letters wrong, or the one is the beginning of the other ("volt" and
 * "voltage_max"). */
static int closeness(const char *have, const char *want)
{
    size_t n = strlen(have), m = strlen(want);
    int distance = wn_word_distance(have, want);
    if (n >= 3 && m > n && strncmp(have, want, n) == 0) {
        distance = least(distance, 2);
    }
    return distance <= (int)(m < 4 ? 1 : (m + 1) / 3) ? distance : WORD_MAX;
}

const char *wn_nearest_key(const struct wn_key *keys, const char *word)
{
    const char *best = NULL;
    int best_distance = WORD_MAX;
    for (; keys->name != NULL; keys++) {
        int d = closeness(word, keys->name);
        if (d < best_distance) {
            best_distance = d;
            best = keys->name;
        }
    }
    return best;
}

const char *wn_nearest_word(const struct wn_key_word *words, const char *word)
{
    const char *best = NULL;
    int best_distance = WORD_MAX;
    for (; words != NULL && words->word != NULL; words++) {
        int d = closeness(word, words->word);
        if (d < best_distance) {
            best_distance = d;
            best = words->word;
        }
    }
    return best;
}

bool wn_name_is_plain(const char *name)
{
    if (name[0] == '\0' || name[0] == '.' || name[0] == '-') {
        return false;
    }
    return strspn(name, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-") ==
           strlen(name);
}

/* Takes "." and ".." out, so that messages and socket paths stay short. The directory in front is a
 * real path, so ".." means its parent. */
static void tidy_path(char *path)
{
    char *to = path; /* end of what is done, always behind a '/' or at the beginning */
    const char *from = path;
    if (*from != '/') {
        return;
    }
    while (*from != '\0') {
        from += strspn(from, "/");
        size_t n = strcspn(from, "/");
        if (n == 2 && from[0] == '.' && from[1] == '.') {
            while (to > path && *--to != '/') {
            }
        } else if (n > 0 && !(n == 1 && from[0] == '.')) {
            *to++ = '/';
            memmove(to, from, n);
            to += n;
        }
        from += n;
    }
    if (to == path) {
        *to++ = '/';
    }
    *to = '\0';
}

bool wn_path_join(const char *dir, const char *name, char *out, size_t size)
{
    int n = name[0] == '/' || dir[0] == '\0' ? snprintf(out, size, "%s", name)
                                             : snprintf(out, size, "%s/%s", dir, name);
    if (n < 0 || (size_t)n >= size) {
        return false;
    }
    tidy_path(out);
    return true;
}

void wn_config_name(const char *path, char *out, size_t size)
{
    const char *slash = strrchr(path, '/');
    const char *base = slash == NULL ? path : slash + 1;
    size_t n = strlen(base);
    if (n > 5 && strcmp(base + n - 5, ".conf") == 0) {
        n -= 5;
    }
    if (n >= size) {
        n = size - 1;
    }
    memcpy(out, base, n);
    out[n] = '\0';
}

bool wn_config_file(const char *conf_dir, const char *kind, const char *name, char *out,
                    size_t size, struct wn_problems *problems)
{
    int n;
    if (strchr(name, '/') != NULL) {
        n = snprintf(out, size, "%s", name);
    } else if (!wn_name_is_plain(name)) {
        wn_problem_add(problems,
                       "\"%.64s\" cannot be the name of a file in %s/; use letters, digits, \".\", "
                       "\"_\" and \"-\", or a path with \"/\"",
                       name, kind);
        return false;
    } else {
        n = snprintf(out, size, "%s/%s/%s.conf", conf_dir, kind, name);
    }
    if (n < 0 || (size_t)n >= size) {
        wn_problem_add(problems, "%.100s...: the path is longer than %zu characters", name,
                       size - 1);
        return false;
    }
    return true;
}

static int compare_names(const void *a, const void *b)
{
    return strcmp(a, b);
}

/* Names of the files that are there, for the message about one that is not. */
static void list_known(const char *conf_dir, const char *kind, char *out, size_t size)
{
    enum { KNOWN_MAX = 32 };
    char dir[WN_PATH_SIZE], name[KNOWN_MAX][WORD_MAX];
    size_t n = 0, used = 0;
    out[0] = '\0';
    DIR *d = wn_path_join(conf_dir, kind, dir, sizeof dir) ? opendir(dir) : NULL;
    if (d == NULL) {
        return;
    }
    for (struct dirent *e; n < KNOWN_MAX && (e = readdir(d)) != NULL;) {
        size_t len = strlen(e->d_name);
        if (len > 5 && len < WORD_MAX + 4 && strcmp(e->d_name + len - 5, ".conf") == 0) {
            wn_config_name(e->d_name, name[n], sizeof name[n]);
            n++;
        }
    }
    (void)closedir(d);
    qsort(name, n, sizeof name[0], compare_names);
    for (size_t i = 0; i < n && used + WORD_MAX + 2 < size; i++) {
        used += (size_t)snprintf(out + used, size - used, "%s%s", i == 0 ? "" : ", ", name[i]);
    }
}

char *wn_config_load_named(const char *conf_dir, const char *kind, const char *name, char *path,
                           size_t path_size, size_t *len, struct wn_problems *problems)
{
    char known[160];
    if (!wn_config_file(conf_dir, kind, name, path, path_size, problems)) {
        return NULL;
    }
    if (access(path, F_OK) != 0 && strchr(name, '/') != NULL) {
        wn_problem_add(problems, "%s: does not exist", path);
        return NULL;
    }
    if (access(path, F_OK) != 0) {
        list_known(conf_dir, kind, known, sizeof known);
        wn_problem_add(problems, "%s: does not exist; known %s: %s", path, kind,
                       known[0] == '\0' ? "none" : known);
        return NULL;
    }
    return wn_config_load(path, len, problems);
}
