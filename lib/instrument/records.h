/* Records: what a tester that runs its own program prints, bytes in, readings out.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure, bounded, any split of the bytes. Where listening begins in the middle of a record, that one
 * is left out. A garbled record is counted and told, and nothing of it is used. In a frame whose
 * checksum is wrong the next start mark is looked for from its second byte on, so that a mark
 * inside a record, a lost byte or one too many costs that record alone.
 *
 * What one damaged place gets past the decoder as a wrong value, measured by
 * tests/unit/instrument/test_records.c with the virtual bench's three formats, 20 000 records each:
 *                                 a bit flipped   a byte lost   one of 256 bytes put in
 *   delimited, places stated           10 %             8 %           0.4 %
 *     and of the time alone             7 %            11 %           0.6 %
 *   delimited, places not stated       10 %            31 %           1.5 %
 *   columns, sum8                     none            none           none
 *   frames, crc-16                    none            none           none
 * What is left are digits that became other digits, and a sign that is gone: no text without a
 * checksum can show those. The listener (lib/listen) leaves out what neither neighbour bears out,
 * and the envelope asks for two readings in a row. A damaged line's end costs two records. */
#ifndef WN_INSTRUMENT_RECORDS_H
#define WN_INSTRUMENT_RECORDS_H

#include "base/err.h"
#include "base/reading.h"
#include "instrument/dialect.h"
#include "wire/line.h"

enum wn_heard {
    WN_HEARD_NOTHING, /* all bytes are used up */
    WN_HEARD_RECORD,
    WN_HEARD_IDENTITY /* the line that says who talks is in line[0..line_len) */
};

struct wn_records {
    const struct wn_dialect *dialect; /* borrowed */
    struct wn_line_reader lines;
    bool begun;       /* a line has ended: what follows is whole */
    const char *line; /* borrowed until the next call */
    size_t line_len;
    unsigned char frame[WN_FRAME_MAX];
    size_t frame_len;
    size_t lost;         /* bytes thrown away since the last good frame, as far as not counted */
    uint64_t good;       /* records */
    uint64_t garbled;    /* records of which nothing was used */
    uint64_t skipped;    /* headers, comments, frames of another kind */
    struct wn_error why; /* of the last garbled one */
};

void wn_records_init(struct wn_records *r, const struct wn_dialect *d);

/** Takes bytes from data[*used..len) up to the end of a record and advances *used. After RECORD
 * *out holds what the record tells; time_ns is set where it tells a time, host_ns is the caller's.
 * Call again until it returns NOTHING. */
enum wn_heard wn_records_take(struct wn_records *r, const char *data, size_t len, size_t *used,
                              struct wn_reading *out);

/** Part of wn_dialect_validate(). */
int wn_records_validate(const struct wn_dialect *d, struct wn_error *err);
/** Bytes a value of this type is wide. */
int wn_records_width(enum wn_records_type type);

#endif
