/* Virtual bench: its command line.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_VIRTUAL_BENCH_OPTIONS_H
#define WN_VIRTUAL_BENCH_OPTIONS_H

#include "base/err.h"
#include "virtual_bench/bench.h"

enum { WN_OPTIONS_LINK = 256 };

struct wn_bench_inst { /* one of several instruments */
    struct wn_inst_setup setup;
    char link[WN_OPTIONS_LINK]; /* "": none */
    bool joins;                 /* it has no terminal, but is on the line of the one before */
};

struct wn_bench_options {
    struct wn_tester_setup tester;
    const char *link, *truth, *output_log, *fault_log; /* NULL: none; point into argv */
    double pace; /* bench seconds per host second; 0: no limit */
    bool help, version;
    struct wn_bench_inst inst[WN_BENCH_INSTS_MAX]; /* none: one tester alone, at link */
    int insts;
    double speed; /* bench seconds per host second; NaN: not given */
    double cells;
};

/** Reads the command line; version is the program's. WN_EINVAL and others: the text says which
 * option and what to write instead. */
int wn_bench_options_read(struct wn_bench_options *o, int argc, char **argv, const char *version,
                          struct wn_error *err);

/** Prints what --help does. */
void wn_bench_help(void);

#endif
