/* Port: a line for the log, written without ever waiting for somebody to read it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_PORT_SAY_H
#define WN_PORT_SAY_H

#include <stddef.h>

/** Writes the line (its LF included) to standard error, whole or not at all: a terminal that was
 * stopped, a full pipe or a journal that hangs must not stop whoever switches off. */
void wn_say(const char *line, size_t len);

#endif
