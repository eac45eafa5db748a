/* What a hook is given: the fields of a message, as JSON and as environment.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Version 1. On standard input one JSON object with these names; in the environment the same as
 * WANE_NAME in capitals (WANE_ID, WANE_TYPE, ...), a flag as 0 or 1. Texts hold no control
 * characters, except the line ends of a digest. A field may be added in this version; none is
 * taken away or changed.
 *
 *  version     1
 *  id          the same whenever this message is sent again: a receiver may drop what it has
 *  type        halt, recovery, target (a target of alerts fails), warning, digest, test
 *  severity    info, warning, alarm
 *  station     "" when it is about none
 *  campaign    "" when it is about none
 *  cell
 *  simulated   of a virtual bench: no cell is in danger
 *  number      of the event in its campaign
 *  utc         when it was recorded
 *  kind        the event's stable word
 *  cycle       0 outside cycles
 *  text        what happened, for people
 *  repeat      how often it was told before, because nobody has acknowledged it
 *  suppressed  further messages of this station and kind this one stands for
 *  status      how the campaign is now, which may be other than when it happened
 *  open_alarms not acknowledged now
 *  target      of alerts, when it is about one
 *  host        name of the computer
 *  subject     one line for people */
#ifndef WANED_HERALD_MESSAGE_H
#define WANED_HERALD_MESSAGE_H

#include "herald/policy.h"

enum { MESSAGE_VERSION = 1, MESSAGE_FIELDS = 20, MESSAGE_SIZE = 8192 };

struct message {
    char json[MESSAGE_SIZE];             /* with a line end */
    char environment_text[MESSAGE_SIZE]; /* NAME=VALUE, one after the other */
    const char *environment[MESSAGE_FIELDS + 1];
};

/** Fills *out; c is how its campaign is now, or NULL; digest is the text of a digest. WN_ENOMEM, or
 * WN_ERANGE when it does not fit. */
int message_make(const struct policy_message *m, const struct policy_campaign *c,
                 const char *digest, struct message *out, struct wn_error *err);

/** One that tries a target. */
void message_test(struct policy_message *m, wn_utc_us now);

/** Copies text without control characters and broken UTF-8, whole characters only; line ends stay
 * when lines is set. */
void message_clean(const char *text, bool lines, char *out, size_t size);

#endif
