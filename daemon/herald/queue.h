/* Messages on their way to the targets: an inner part of the policy.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANED_HERALD_QUEUE_H
#define WANED_HERALD_QUEUE_H

#include "herald/policy.h"

/** Takes a fact through the limits of its key; false when there is no room. */
bool policy_take(struct policy *p, const struct policy_fact *f, wn_utc_us now);

/** A message for every target it is meant for. False: no room, and nothing that could give way. */
bool queue_add(struct policy *p, const struct policy_fact *f, int64_t suppressed, int repeat,
               wn_utc_us now);
/** Gives up what is too old. */
void queue_expire(struct policy *p, wn_utc_us now);
void queue_drop_digest(struct policy *p);
/** Does a target want this message still? */
bool queue_wants(const struct policy *p, const struct policy_message *m, int target);
/** Ends messages nobody waits for. */
void queue_settle(struct policy *p, struct policy_message *m);

#endif
