/* Open fade curves for the bench: reading them, and the rules of scoring.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_BENCH_CURVES_H
#define WN_TESTS_BENCH_CURVES_H

#include <stdbool.h>
#include <stddef.h>

#include "fade/fade.h"

enum { CURVES_MAX = 600, CURVES_DIRS = 2, CURVES_FAMILIES = 21 };

enum curves_group {
    CURVES_REFERENCE, /* of the reference directory */
    CURVES_FURTHER,   /* in the library too */
    CURVES_HELD_OUT,  /* in no library, and no number of the method was fitted to them */
    CURVES_GROUPS
};

struct curve {
    char name[64];
    int family, cell; /* families of the library first; cell in the order of file names */
    struct wn_fade_point
        *points; /* without the cycles known to be flagged only where `flags` says so */
    size_t n;
    double threshold_ah;
    double life;       /* cycle of the end of life, by the rules of scoring */
    bool library_only; /* fitted for the library, but not scored */
};

struct curves {
    int count;
    struct curve at[CURVES_MAX];
};

/** Reads one table with a header; returns false when it cannot be read. points: malloc'ed, caller
 * frees. */
bool curves_read_csv(const char *path, struct wn_fade_point **points, size_t *n);

/** Reads all families below fade/ of the directories (the second may be NULL); keeps the curves
 * that reach their threshold. every: only each every-th cell. Returns false when there are none. */
bool curves_load(struct curves *all, const char *const dirs[CURVES_DIRS], int every);
/** Whether a family is scored apart, by a threshold that is not the published one. */
bool curves_aside(int family);
enum curves_group curves_group(int family);
const char *curves_family(int family);
void curves_free(struct curves *all);

#endif
