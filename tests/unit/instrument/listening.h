/* Tests of listened dialects: the shipped ones of the virtual bench, and records its tester prints.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_LISTENING_H
#define WN_TESTS_LISTENING_H

#include "instrument/records.h"
#include "virtual_bench/talker.h"

/** Reads conf/dialects/NAME.conf; fails with its problems. */
void listening_dialect(const char *name, struct wn_dialect *d);
/** The shipped dialect of a format. */
const char *listening_name(enum wn_talker_format format);
/** Record number n of a long program, its line's end with it; returns its length. What it says is
 * in *told, rounded as it is written. */
size_t listening_record(enum wn_talker_format format, long n, char *buf,
                        struct wn_talker_record *told);

#endif
