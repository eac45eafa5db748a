/* Port: a line for the log, written without ever waiting for somebody to read it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_PORT_SAY_H
#define WN_PORT_SAY_H

#include <stdarg.h>

/** Writes "<priority>who: text" as one line to standard error, with the priority prefix that
 * journald reads, whole or not at all: a terminal that was stopped, a full pipe or a journal that
 * hangs must not stop whoever switches off. Control characters become '?', so that what others sent
 * makes up no lines of its own; beyond 640 bytes it is cut. */
void wn_say(int priority, const char *who, const char *fmt, va_list args)
    __attribute__((format(printf, 3, 0)));

#endif
