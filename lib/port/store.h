/* Port: where records go. The campaign file (lib/store) is one implementation, the simulation's
 * memory another. SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_PORT_STORE_H
#define WN_PORT_STORE_H

#include "base/err.h"
#include "engine/record.h"

struct wn_store;

struct wn_store_ops {
    /** Adds a record to the open transaction (begun by the first put after a commit). The record is
     * copied. On error the transaction is kept in memory by the store and tried again at the next
     * commit; the caller must treat the failure as "recording failed": outputs off. */
    int (*put)(struct wn_store *s, const struct wn_record *r, struct wn_error *err);
    /** Makes everything put so far durable (returns only after the disk has it). Errors as above.
     */
    int (*commit)(struct wn_store *s, wn_utc_us now_utc, struct wn_error *err);
};

struct wn_store {
    const struct wn_store_ops *ops;
};

static inline int wn_store_put(struct wn_store *s, const struct wn_record *r, struct wn_error *err)
{
    return s->ops->put(s, r, err);
}

static inline int wn_store_commit(struct wn_store *s, wn_utc_us now_utc, struct wn_error *err)
{
    return s->ops->commit(s, now_utc, err);
}

#endif
