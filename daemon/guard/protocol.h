/* Messages between a station, or a share, and the guard: one SOCK_SEQPACKET, one fixed size, a
 * handful of types. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * REGISTER carries a duplicate of the port's descriptor (SCM_RIGHTS) with the bytes that make the
 * instrument safe. The guard answers ACK; before that the station switches nothing on. BEAT proves
 * that the station's loop turns; the guard answers it, so that the station notices when the guard
 * hangs. RELEASE gives a slot back after the station has closed the port
 * with the output verified off. Anything else, or any other size, is taken for a broken station. */
#ifndef WANED_GUARD_PROTOCOL_H
#define WANED_GUARD_PROTOCOL_H

#include <stdint.h>

#define GUARD_MAGIC UINT32_C(0x77616e67)
/* Exit code of a station that can never start like this (configuration refused, station held by
 * another service). */
#define GUARD_EXIT_PERMANENT 78
#define GUARD_FD             3 /* the station finds its end here */

/* GUARD_SLOTS: a shared port has one for each of its channels; GUARD_GAP_MAX_MS: MODBUS at 50 baud
 * needs 770 */
enum {
    GUARD_SLOTS = 16,
    GUARD_OFF_SIZE = 256,
    GUARD_QUERY_SIZE = 64,
    GUARD_EXPECT_SIZE = 32,
    GUARD_DROP_SIZE = 16,
    GUARD_GAP_MAX_MS = 1000
};

enum guard_message_type { GUARD_REGISTER = 1, GUARD_RELEASE, GUARD_BEAT, GUARD_ACK };

enum guard_lines { GUARD_LINE_NONE, GUARD_LINE_DTR, GUARD_LINE_RTS };

struct guard_message {
    uint32_t magic;
    uint32_t type;
    uint32_t slot;
    uint32_t off_len, query_len, expect_len;
    uint32_t interlock; /* enum guard_lines: dropped when off cannot be confirmed */
    uint32_t drop_len;  /* 0: that line is one of the descriptor's own */
    uint32_t shared;    /* not the port itself: a share has it, and hands over its own */
    uint32_t
        grace_ms; /* BEAT: the next one may take so long (a long look at a file); 0: as agreed */
    /* 0: off is written at once, and the reply is a line. Else there are frames: off is some, each
     * behind a byte that tells its length; before each, and before the query, the line must have
     * been silent for so long; and such a silence ends a reply. */
    uint32_t gap_ms;
    char off[GUARD_OFF_SIZE];       /* bytes that switch the output off */
    char query[GUARD_QUERY_SIZE];   /* asks whether it is off; may be empty */
    char expect[GUARD_EXPECT_SIZE]; /* the whole reply when it is; of frames its end (an echo may
                                       stand before it) */
    char drop[GUARD_DROP_SIZE];     /* bytes that drop a line behind a serial server */
    char port[128];                 /* for messages */
};

#endif
