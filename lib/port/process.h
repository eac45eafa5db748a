/* Port: what each of our processes asks of the kernel in the same way.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_PORT_PROCESS_H
#define WN_PORT_PROCESS_H

#include <stdbool.h>

/** Blocks SIGTERM, SIGINT and SIGHUP; they are read from the descriptor that is returned instead
 * (close-on-exec; flags of signalfd(2) beside that). -1: errno tells. */
int wn_signals_open(int flags);

/** Is who is at the other end of a unix socket of this process's own user? */
bool wn_peer_is_ours(int fd);

#endif
