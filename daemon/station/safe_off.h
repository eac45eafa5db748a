/* Safe-off: every output off when nobody is left who watches it.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * `wane-station --config FILE --safe-off` runs behind the service, whatever ended it. A mistake in
 * the configuration of one station does not keep the others on; and what each station had truly in
 * use is remembered in the run directory as long as the guard holds its port, so that not even an
 * unreadable configuration keeps an output on. */
#ifndef WANED_SAFE_OFF_H
#define WANED_SAFE_OFF_H

#include "station.h"

/** From now on this is in use; a failure is only logged: the configuration is there as well. */
void safe_off_remember(const struct station *s, const struct instrument *i);
/** The output is off and the port given back. */
void safe_off_forget(const struct station *s, const struct instrument *i);

/** Switches every output off that can be found, each in a process of its own, within 20 s;
 * says on stderr what became of each. 0: all are off, by the instrument's word and by the current;
 * 1: not so, or there was nothing. */
int safe_off_all(const char *config_path);

#endif
