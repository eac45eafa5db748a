/* The herald's cursor file: one line a campaign, "NAME NUMBER".
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
    char line[CURSOR_NAME_SIZE + 32];
    memset(c, 0, sizeof *c);
    (void)snprintf(c->path, sizeof c->path, "%s", path);
    FILE *f = fopen(path, "re");
    if (f == NULL) {
        return errno == ENOENT ? WN_OK : wn_error_set(err, WN_EIO, "%s: %s", path, strerror(errno));
    }
    while (fgets(line, sizeof line, f) != NULL) {
        char *blank = strchr(line, ' ');
        int64_t number = 0;
        if (blank == NULL || wn_num_parse_int(blank + 1, strcspn(blank + 1, "\n"), &number) != WN_OK) {
            continue; /* a spoiled line: that campaign is told again rather than never */
        }
        *blank = '\0';
        struct cursor *at = cursors_find(c, line);
        if (at != NULL) {
            at->delivered = number;
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
        ok = fprintf(f, "%s %lld\n", c->at[i].name, (long long)c->at[i].delivered) > 0 && ok;
    }
    ok = fflush(f) == 0 && fsync(fileno(f)) == 0 && ok;
    ok = fclose(f) == 0 && ok;
    if (!ok || rename(fresh, c->path) != 0) {
        return wn_error_set(err, WN_EIO, "%s: %s", fresh, strerror(errno));
    }
    return WN_OK;
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
