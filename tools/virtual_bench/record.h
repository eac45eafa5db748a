/* Virtual bench: the files it writes: the cell's truth and the log of its output.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_VIRTUAL_BENCH_RECORD_H
#define WN_VIRTUAL_BENCH_RECORD_H

#include <stdbool.h>

#include "base/err.h"
#include "base/time.h"
#include "virtual_bench/tester.h"

/** Opens a CSV file to append to; a new or empty one gets the header line. *fd is the descriptor.
 * WN_EIO: the text says why. */
int wn_record_open(const char *path, const char *header, int *fd, struct wn_error *err);

/* Each writes one line with one call, so that a reader never sees half of one. WN_EIO: the line is
 * lost, the disk is full or gone; path is for the message. */

#define WN_RECORD_TRUTH_HEADER                                                                     \
    "discharge,capacity_true_ah,cutoff_v,current_a,charge_in_true_ah,temperature_max_c,"           \
    "delivered_true_ah,time_s,wear_cycles\n"
int wn_record_truth(int fd, const char *path, const struct wn_tester_truth *t,
                    struct wn_error *err);

/* host_s is the host's time since boot, which /proc/uptime shows too. */
#define WN_RECORD_OUTPUT_HEADER "host_s,output,time_s\n"
int wn_record_output(int fd, const char *path, wn_ns boottime_ns, bool on, wn_ns bench_ns,
                     struct wn_error *err);

/* The same for a bench of several instruments: what happened is "1", "0" or "BOTH CONNECTED". */
#define WN_RECORD_EVENT_HEADER "host_s,output,time_s,what\n"
int wn_record_event(int fd, const char *path, wn_ns boottime_ns, const char *happened,
                    wn_ns bench_ns, const char *what, struct wn_error *err);

/* The fault is in the reply to the request that let the clock pass its time. */
#define WN_RECORD_FAULT_HEADER "host_s,time_s,fault\n"
int wn_record_fault(int fd, const char *path, wn_ns boottime_ns, const struct wn_tester_plan *plan,
                    struct wn_error *err);

#endif
