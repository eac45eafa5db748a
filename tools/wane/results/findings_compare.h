/* Campaigns side by side: what differs by more than its uncertainty.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. Two values differ when they are further apart than the expanded uncertainty (k = 2) of
 * their difference, sqrt(ua^2 + ub^2): each campaign has its own instrument, so nothing cancels.
 * Only what was measured in the same way is put side by side; what was not is named, with the
 * reason. To the values of one cycle among many the scatter of the cycles around it is added: a
 * single one may lie beside its neighbours by it, because the room was warmer. */
#ifndef WANE_FINDINGS_COMPARE_H
#define WANE_FINDINGS_COMPARE_H

#include "findings.h"

enum { COMPARE_MAX = 12, COMPARE_ITEMS_MAX = 120, COMPARE_REASONS_MAX = 60 };

/** One value of each campaign. */
struct compare_item {
    char key[32];                     /* stable word of the JSON: "capacity", "retention", ... */
    char where[48];                   /* "at 10 A to 2.5 V", "after cycle 100" */
    char title[80];                   /* for people, with its unit */
    const char *noun, *better, *unit; /* "capacity", "holds more capacity", "Ah" */
    double scale;                     /* from the value to what is shown */
    int decimals;
    bool less_is_better;
    struct wn_measured value[COMPARE_MAX];      /* NaN: it has none */
    double low[COMPARE_MAX], high[COMPARE_MAX]; /* instead of u, of a projection; else NaN */
    bool differs[COMPARE_MAX]; /* from the best one, by more than the uncertainty */
    int best;                  /* the one that is better than every other; -1: no clear winner */
    char verdict[320];
};

struct compare {
    int n;
    const struct findings *f[COMPARE_MAX]; /* borrowed */
    char name[COMPARE_MAX][4];             /* "A", "B", ... */
    struct compare_item item[COMPARE_ITEMS_MAX];
    int items;
    char reason[COMPARE_REASONS_MAX][240]; /* what cannot be compared, and why */
    int reasons;
};

/** f[0..n): 2 to COMPARE_MAX campaigns, judged. */
void findings_compare(const struct findings *const *f, int n, struct compare *out);

#endif
