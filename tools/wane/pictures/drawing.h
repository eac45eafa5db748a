/* Pictures of campaigns: what is drawn of them, for the command line and for reports.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A picture is made of subjects: campaigns whose cycles, check-ups, discharges and projection have
 * been read. How it looks, and where it goes, is decided later (report/picture.h). Every picture
 * says which cell it is about, under which conditions it was measured, and whether it was
 * simulated.
 */
#ifndef WANE_DRAWING_H
#define WANE_DRAWING_H

#include "fade/fade.h"
#include "report/picture.h"
#include "wane.h"

enum drawing_kind {
    DRAWING_FADE,        /* capacity of every cycle, threshold, claim, projection */
    DRAWING_RETENTION,   /* the same as part of the rated or of the initial capacity */
    DRAWING_RESISTANCE,  /* at the onset of each discharge, and of the check-ups */
    DRAWING_DISCHARGE,   /* voltage over charge or energy: of each rate, or of some cycles */
    DRAWING_TEMPERATURE, /* highest of the cell with the ambient, and its rise in discharge */
    DRAWING_HEATING,     /* temperature of the cell over charge, of the same discharges */
    DRAWING_EFFICIENCY,  /* coulombic, and of the energy */
    DRAWING_DQDV,        /* differential capacity of check-ups, or of some cycles */
    DRAWING_HISTORY,     /* the projected end of life, as it was told on the way */
    DRAWING_KINDS
};

enum { DRAWING_SUBJECTS_MAX = 12, DRAWING_CYCLES_MAX = 24 };

struct drawing_subject {
    struct wane_campaign c; /* open */
    struct wane_cycles cycles;
    struct wn_check_up_record *check_up;
    size_t check_ups, check_up_room;
    bool projected;
    struct wn_fade_result fade;
};

/** What may be chosen; all zero is as fits. */
struct drawing_choice {
    bool of_initial; /* retention: of the first cycles' capacity instead of the rated one */
    bool energy;     /* discharge, heating: over energy instead of charge */
    bool check_ups;  /* discharge, heating, dqdv: of the check-ups, not of cycles */
    int cycles;      /* discharge, heating, dqdv: of these cycles */
    int64_t cycle[DRAWING_CYCLES_MAX];
    double smoothing_v; /* dqdv: width of the smoothing; 0: as the readings allow */
};

/** Word of a kind on the command line; NULL beyond the last. */
const char *drawing_word(enum drawing_kind kind);
/** Kind of a word; DRAWING_KINDS when it is none. */
enum drawing_kind drawing_of(const char *word);

/** Opens CAMPAIGN and reads what pictures are made of. Told already when it fails; returns enum
 * wane_exit. To be closed all the same. */
int drawing_open(struct wane *w, const char *name, struct drawing_subject *out);
void drawing_close(struct drawing_subject *s);

/** Makes a picture of 1 to DRAWING_SUBJECTS_MAX subjects, into an emptied p; reads from their files
 * what it needs beyond what was read at opening. WN_EINVAL: there is nothing to draw, or it cannot
 * be chosen so (the text says why and what to do); errors of the campaign file. */
int drawing_make(struct wn_picture *p, enum drawing_kind kind, struct drawing_subject *s, int n,
                 const struct drawing_choice *choice, struct wn_error *err);

#endif
