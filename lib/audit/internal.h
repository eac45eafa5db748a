/* Audit, inside.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_AUDIT_INTERNAL_H
#define WN_AUDIT_INTERNAL_H

#include "audit/audit.h"

#define S_PER_H 3600.0

/* edge.c: where a step's current begins and ends, reading by reading */
/** The steps of a log share the readings at their ends, when their times say so. */
void audit_edge_begin(struct wn_audit_step *a, const struct wn_reading *before);
void audit_edge_add(struct wn_audit_step *a, const struct wn_reading *r);
void audit_edge_finish(struct wn_audit_step *a, const struct wn_reading *after);

#endif
