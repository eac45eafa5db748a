/* Framing of line-based replies: bytes in, whole lines out.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure, re-entrant, bounded. A line ends with LF, and a CR before it is dropped, or, where an
 * instrument sends no LF, with CR, and a LF behind it is dropped; an empty line is a line. A line
 * longer than the buffer (its CR counted) is discarded whole and counted, never delivered cut.
 * Bytes outside printable ASCII (0x20..0x7e, tab), and a CR anywhere else, spoil their line: it is
 * discarded and counted. */
#ifndef WN_WIRE_LINE_H
#define WN_WIRE_LINE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { WN_LINE_MAX = 512 };

struct wn_line_reader {
    char buf[WN_LINE_MAX];
    size_t len;
    char end;           /* '\n', or '\r' for instruments that end a line so */
    bool spoiled;       /* the present line holds garbage or is too long */
    uint64_t discarded; /* lines thrown away since init */
};

void wn_line_init(struct wn_line_reader *r, char end);
/** Forgets a partial line (after a time-out). */
void wn_line_reset(struct wn_line_reader *r);
/** Takes bytes from data[*used..len) up to and including one line end and advances *used. Returns
 * true when a line is complete: it is then in line[0..*line_len), borrowed until the next call.
 * Call again until it returns false. */
bool wn_line_take(struct wn_line_reader *r, const char *data, size_t len, size_t *used,
                  const char **line, size_t *line_len);

#endif
