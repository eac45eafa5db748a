/* The herald's cursor file: one line a campaign, "NUMBER CREATED NAME".
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "herald.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "base/num.h"

int cursors_read(struct cursors *c, const char *path, struct wn_error *err)
{
    char line[CURSOR_NAME_SIZE + 64];
    memset(c, 0, sizeof *c);
    (void)snprintf(c->path, sizeof c->path, "%s", path);
    FILE *f = fopen(path, "re");
    if (f == NULL) {
        return errno == ENOENT ? WN_OK : wn_error_set(err, WN_EIO, "%s: %s", path, strerror(errno));
    }
    while (fgets(line, sizeof line, f) != NULL) {
        size_t number_len = strcspn(line, " ");
        size_t created_len = line[number_len] != '\0' ? strcspn(line + number_len + 1, " ") : 0;
        int64_t number = 0, created = 0;
        if (line[number_len] == '\0' || wn_num_parse_int(line, number_len, &number) != WN_OK ||
            wn_num_parse_int(line + number_len + 1, created_len, &created) != WN_OK) {
            continue; /* a spoiled line: that campaign is told again rather than never */
        }
        char *name = line + number_len + 1 + created_len;
        name += *name == ' ' ? 1 : 0;
        name[strcspn(name, "\n")] = '\0';
        struct cursor *at = cursors_find(c, name);
        if (at != NULL) {
            at->delivered = number;
            at->created_utc_us = created;
        }
    }
    (void)fclose(f);
    return WN_OK;
}

int cursors_write(const struct cursors *c, struct wn_error *err)
{
    char fresh[sizeof c->path + 8];
    (void)snprintf(fresh, sizeof fresh, "%s.new", c->path);
    FILE *f = fopen(fresh, "we");
    if (f == NULL) {
        return wn_error_set(err, WN_EIO, "%s: %s", fresh, strerror(errno));
    }
    bool ok = true;
    for (int i = 0; i < c->n; i++) {
        ok = fprintf(f, "%lld %lld %s\n", (long long)c->at[i].delivered,
                     (long long)c->at[i].created_utc_us, c->at[i].name) > 0 &&
             ok;
    }
    ok = fflush(f) == 0 && fsync(fileno(f)) == 0 && ok;
    ok = fclose(f) == 0 && ok;
    if (!ok || rename(fresh, c->path) != 0) {
        return wn_error_set(err, WN_EIO, "%s: %s", fresh, strerror(errno));
    }
    return WN_OK;
}

void cursors_prune(struct cursors *c)
{
    int kept = 0;
    for (int i = 0; i < c->n; i++) {
        if (c->at[i].seen) {
            c->at[kept++] = c->at[i];
        }
    }
    if (kept < c->n) {
        memset(&c->at[kept], 0, sizeof c->at[0] * (size_t)(c->n - kept));
    }
    c->n = kept;
}

struct cursor *cursors_find(struct cursors *c, const char *name)
{
    for (int i = 0; i < c->n; i++) {
        if (strcmp(c->at[i].name, name) == 0) {
            return &c->at[i];
        }
    }
    if (c->n == CURSORS_MAX || strlen(name) >= CURSOR_NAME_SIZE) {
        return NULL;
    }
    struct cursor *at = &c->at[c->n++];
    (void)snprintf(at->name, sizeof at->name, "%s", name);
    return at;
}
