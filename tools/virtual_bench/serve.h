/* Virtual bench: the program's loop for several instruments.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_VIRTUAL_BENCH_SERVE_H
#define WN_VIRTUAL_BENCH_SERVE_H

#include <signal.h>

#include "port/clock.h"
#include "virtual_bench/options.h"

/** Serves all instruments until *ended, each on a pseudo-terminal of its own. unblocked is the
 * signal mask while waiting, a sigset_t, which plain C does not know. Returns the program's exit
 * status. */
int wn_serve(const struct wn_bench_options *o, const struct wn_clock *clock, const void *unblocked,
             const volatile sig_atomic_t *ended);

#endif
