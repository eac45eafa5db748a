/* The terminal as a screen: taken over, watched for keys and for its size, given back.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The screen is the alternate one, so that what stood in the window is there again afterwards; the
 * sequences are those of ECMA-48 and the private modes that every terminal of today has. */
#ifndef WANE_TERMINAL_H
#define WANE_TERMINAL_H

#include <stddef.h>

enum terminal_event {
    TERMINAL_TIME, /* nothing happened for so long */
    TERMINAL_RESIZED,
    TERMINAL_UP,
    TERMINAL_DOWN,
    TERMINAL_PAGE_UP,
    TERMINAL_PAGE_DOWN,
    TERMINAL_LEAVE /* q, a signal to end, or the terminal is gone */
};

/** Takes the terminal over: no echo, no cursor, no line wraps. Once a process, with
 * terminal_leave() at its end. */
void terminal_enter(void);
/** Waits for a key, a signal, a change of size, at most so long; stopped (Ctrl-Z) it gives the
 * terminal back until it goes on. */
enum terminal_event terminal_wait(int ms);
/** Writes; returns 0, or -1 when the terminal takes nothing any more. */
int terminal_write(const char *text, size_t len);
void terminal_leave(void);

#endif
