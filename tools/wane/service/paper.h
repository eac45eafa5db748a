/* What text is put on: so many columns, and letters that may be shown.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Texts are UTF-8, mixed with the escape sequences of output.c; whatever else would steer a
 * terminal becomes '?', as do letters that the locale of the environment has not. */
#ifndef WANE_PAPER_H
#define WANE_PAPER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

enum { PAPER_PLAIN_COLUMNS = 79, PAPER_COLUMNS_MIN = 20 };

struct paper {
    int columns; /* of paragraphs */
    bool tty;    /* columns are those of a window: nothing may be wider */
    bool utf8;   /* any letter, not ASCII alone */
};

/** That of standard output: a window of its size, else PAPER_PLAIN_COLUMNS. */
void paper_open(struct paper *p);
/** Its size has changed? Takes it on; rows of it too, 0 when there is no window. */
int paper_measure(struct paper *p);

/** Columns a text of one line takes. */
int paper_width(const struct paper *p, const char *text);
/** Writes one line of at most `columns`, without a line end; the mark of a cut is its last column.
 */
void paper_cut(const struct paper *p, const char *text, int columns, FILE *f);
/** Writes lines, each ended, broken between words (better still: where there are two blanks) to the
 * paper's columns; further lines stand below the value of "  label        value", else below the
 * first. */
void paper_wrap(const struct paper *p, const char *text, FILE *f);

#endif
