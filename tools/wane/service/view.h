/* What a station tells about itself, for people.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANE_VIEW_H
#define WANE_VIEW_H

#include <stdio.h>
#include "fade/fade.h"
#include "wane.h"

/** A station as status and watch show it. */
struct view {
    char station[64];
    json_t *reply;         /* NULL: it does not answer */
    struct wn_error error; /* why not */
    bool projected;        /* fade is filled */
    int64_t projected_at;  /* cycles_done it was computed for; -1: never */
    struct wn_fade_result fade;
};

/** Asks the station; keeps the projection of before when no cycle was added. */
void view_refresh(struct wane *w, struct view *v);
void view_fini(struct view *v);

const char *view_text(const struct view *v, const char *key); /* "" when null */
double view_number(const struct view *v, const char *key);    /* NaN when null */
int64_t view_integer(const struct view *v, const char *key);  /* 0 when null */
bool view_true(const struct view *v, const char *key);
bool view_alarm(const struct view *v);

/** "A  running  cycle 137 of 300  ...": one line for all there is to know at a glance, without a
 * line end. */
void view_line(const struct wane *w, const struct view *v, FILE *f);
/** The whole of it, a few lines of at most 79 columns (texts of alarms are wrapped). */
void view_block(const struct wane *w, const struct view *v, FILE *f);
/** The reply, with the projection added. New reference. */
json_t *view_json(const struct view *v);

#endif
