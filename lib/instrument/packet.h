/* Instrument internals: what the packet of an asker is: some lines, or one frame.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_INSTRUMENT_PACKET_H
#define WN_INSTRUMENT_PACKET_H

#include "instrument/share.h"

/** Takes the packet apart: counts its queries, finds out whether it switches off. False: too long.
 * A missing terminator is put behind. MODBUS: one request to this unit, which is put behind its
 * length; false: it is none. */
bool wn_packet_read(struct wn_share_packet *p, const struct wn_dialect *d, const char *data,
                    size_t len);
/** The safe-off bytes as a packet. */
void wn_packet_safe_off(struct wn_share_packet *p, const struct wn_dialect *d);
/** The next line of a packet, without terminator, empty ones passed over; NULL behind the last. */
const char *wn_packet_line(const struct wn_dialect *d, const char *data, size_t total, size_t *at,
                           size_t *len);
/** Is the line a query of the dialect with numbers in the place of its placeholders? */
bool wn_packet_is_query(const struct wn_dialect *d, const char *line, size_t len);

#endif
