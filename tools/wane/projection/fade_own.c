/* The user's own finished campaigns, for the projection to lean on.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * They are the campaign files beside the one that is projected. Simulated and measured ones are
 * kept apart: what a virtual bench made says nothing of a cell. Campaigns of the same cell come
 * first. */
#define _POSIX_C_SOURCE 200809L
#include "fade_source.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int is_campaign(const struct dirent *e)
{
    size_t n = strlen(e->d_name);
    return n > 5 && e->d_name[0] != '.' && strcmp(e->d_name + n - 5, ".wane") == 0;
}

/* One campaign, if it is another one of the same kind and got down to the retention. */
static bool remember(const char *path, const struct wane_campaign *of, bool same_cell,
                     double retention, struct wn_fade_life *out)
{
    struct wane_campaign *c = calloc(1, sizeof *c);
    struct wane_cycles cycles = {0};
    struct fade_source s;
    memset(&s, 0, sizeof s);
    bool known =
        c != NULL && wn_campaign_open_read(&c->file, path, NULL) == WN_OK &&
        wn_campaign_info(c->file, &c->info, NULL) == WN_OK &&
        c->info.simulated == of->info.simulated && strcmp(c->info.name, of->info.name) != 0 &&
        (strcmp(c->info.cell.name, of->info.cell.name) == 0) == same_cell &&
        wane_read_cycles(c, &cycles, NULL) == WN_OK && fade_points_of(&cycles, &s, NULL) == WN_OK &&
        s.n > 0 && wn_fade_remember(s.point, s.n, retention, c->info.name, out, NULL) == WN_OK;
    wane_free_cycles(&cycles);
    free(s.point);
    if (c != NULL) {
        wane_close_campaign(c);
    }
    free(c);
    return known;
}

void fade_find_own(const struct wane_campaign *of, double retention, struct fade_own *out)
{
    char dir[sizeof of->path], path[sizeof of->path + 300];
    struct dirent **entry = NULL;
    out->lives = (struct wn_fade_own){out->life, 0};
    (void)snprintf(dir, sizeof dir, "%s", of->path);
    char *slash = strrchr(dir, '/');
    if (!(retention > 0 && retention < 1)) {
        return;
    }
    if (slash != NULL) {
        *slash = '\0';
    }
    const char *in = slash == NULL ? "." : slash == dir ? "/" : dir;
    int n = scandir(in, &entry, is_campaign, alphasort);
    for (int same = 1; same >= 0; same--) {
        for (int i = 0; i < n && out->lives.count < WN_FADE_OWN_MAX; i++) {
            (void)snprintf(path, sizeof path, "%s/%s", in, entry[i]->d_name);
            struct wn_fade_life *life = &out->life[out->lives.count];
            out->lives.count += remember(path, of, same == 1, retention, life) ? 1 : 0;
        }
    }
    for (int i = 0; i < n; i++) {
        free(entry[i]);
    }
    free(entry);
}
