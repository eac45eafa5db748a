/* Contract checks that stay on in release.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A broken contract aborts, and the guard makes the station safe. Only for mistakes of the program
 * itself: what an instrument, a file or a user sends is an error, never an assert. */
#ifndef WN_BASE_ASSERT_H
#define WN_BASE_ASSERT_H

/** Writes "FILE:LINE: ..." to standard error with write(2) alone and aborts; safe in a signal
 * handler. */
_Noreturn void wn_assert_failed(const char *expr, const char *file, int line);

#define wn_assert(expr) ((expr) ? (void)0 : wn_assert_failed(#expr, __FILE__, __LINE__))

#endif
