/* What a station tells about itself, for people.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANE_VIEW_H
#define WANE_VIEW_H

#include <stdio.h>
#include "fade/fade.h"
#include "base/time.h"
#include "paper.h"
#include "wane.h"

/** A station as status and watch show it. */
struct view {
    char station[64];
    bool keep;             /* what it told last stays when it does not answer any more */
    json_t *reply;         /* NULL: it does not answer */
    struct wn_error error; /* why not; code WN_OK: it answers */
    wn_ns heard_ns;        /* when it told what is in reply */
    double silent_s;       /* 0: it answers */
    bool projected;        /* fade is filled */
    int64_t projected_at;  /* cycles_done it was computed for; -1: never */
    struct wn_fade_result fade;
};

void view_init(struct view *v, const char *station);
/** Asks the station, for so long. */
void view_refresh(struct wane *w, struct view *v, int patience_ms);
/** Projects its capacity, from its campaign file; what was computed stays until a cycle is added.
 */
void view_project(struct view *v);
void view_fini(struct view *v);

const char *view_text(const struct view *v, const char *key); /* "" when null */
double view_number(const struct view *v, const char *key);    /* NaN when null */
int64_t view_integer(const struct view *v, const char *key);  /* 0 when null */
bool view_true(const struct view *v, const char *key);
bool view_alarm(const struct view *v);
bool view_running(const struct view *v); /* its campaign is not over */

/** "A  running  cycle 137 of 300  ...": one line for all there is to know at a glance, without a
 * line end. */
void view_line(const struct wane *w, const struct view *v, FILE *f);
/** What must be seen first: which station, in which state, what is wrong and what to do; in lines
 * broken to the paper. */
void view_head(const struct wane *w, const struct view *v, const struct paper *p, FILE *f);
/** All the rest, likewise. */
void view_body(const struct view *v, const struct paper *p, FILE *f);
/** Both. */
void view_block(const struct wane *w, const struct view *v, const struct paper *p, FILE *f);
/** The reply, with the projection added. New reference. */
json_t *view_json(const struct view *v);

#endif
