/* The published data some tests read. They are not part of this project: WANE_REFERENCE_DIR tells
 * where they lie; without them those tests are skipped.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_REFERENCE_H
#define WN_TESTS_REFERENCE_H

#include <stdbool.h>
#include <stdio.h>

enum { REFERENCE_SKIPPED = 77 }; /* exit code of a test that has not run */

/** Fails the test when it cannot be opened. */
FILE *reference_open(const char *name);
/** Says so when there is no such file. */
bool reference_is_missing(const char *name);
/** The numbers of a CSV row, n at most; an empty field or a word is NaN. Returns how many fields.
 */
int reference_row(const char *line, double *value, int n);

#endif
