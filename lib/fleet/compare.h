/* Fleet: a campaign as blocks of rows, in its file and on the server. Internal to lib/fleet.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_FLEET_COMPARE_H
#define WN_FLEET_COMPARE_H

#include "fleet/link.h"
#include "fleet/table.h"

struct fleet_block {
    int64_t number, rows;
    char digest[65];
    bool differs; /* of the file's: the server holds something else */
};

struct fleet_blocks {
    struct fleet_block *block; /* by rising number */
    int n, room;
    int64_t rows, last_key; /* last_key: INT64_MIN without rows */
};

void fleet_blocks_init(struct fleet_blocks *b);
void fleet_blocks_free(struct fleet_blocks *b);
/** WN_OK or WN_ENOMEM. */
int fleet_blocks_add(struct fleet_blocks *b, int64_t number, int64_t rows, const char *digest);
/** The block of this number; NULL when there is none. */
const struct fleet_block *fleet_blocks_find(const struct fleet_blocks *b, int64_t number);

/** Marks the file's blocks that the server does not hold just so; returns how many rows they have.
 */
int64_t fleet_mark_differing(struct fleet_blocks *file, const struct fleet_blocks *server);
/** Does the server hold rows beyond the file's last, or more in one of its blocks? */
bool fleet_holds_more(const struct fleet_blocks *file, const struct fleet_blocks *server);

/** What the server holds of a campaign in this table. */
int fleet_ask_blocks(struct wn_fleet *f, const struct fleet_table *t, const unsigned char id[16],
                     struct fleet_blocks *out, struct wn_error *err);

/** Called with each whole block of a table of the file. */
typedef int (*fleet_block_fn)(const struct fleet_rows *rows, int64_t number, void *ctx,
                              struct wn_error *err);
/** Reads cycles, check-ups or events, up to this key, and hands them out block by block. A value
 * that fn returns ends the reading. */
int fleet_each_block(struct wn_campaign *c, const struct fleet_table *t, bool simulated,
                     int64_t last_key, fleet_block_fn fn, void *ctx, struct wn_error *err);
/** The blocks of the file. */
int fleet_read_blocks(struct wn_campaign *c, const struct fleet_table *t, bool simulated,
                      struct fleet_blocks *out, struct wn_error *err);

#endif
