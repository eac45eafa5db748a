/* Modem lines of a pty that passes for a serial port.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_PTY_SHIM_H
#define WN_TESTS_PTY_SHIM_H

extern int pty_shim_lines;      /* TIOCM_DTR and TIOCM_RTS as last set */
extern int pty_shim_raised_dtr; /* how often it was set to on */

#endif
