/* Support for the tests of lib/config: shipped files, changed in one place, and the problems they
 * must give. SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_CONFIG_CASE_H
#define WN_TESTS_CONFIG_CASE_H

#include <stdarg.h>
#include <stddef.h>
#include <setjmp.h>
#include <stdint.h>
#include <cmocka.h>

#include "config/reader.h"

enum case_kind { CASE_DAEMON, CASE_CELL, CASE_PROCEDURE, CASE_DIALECT };

/** Text of conf/NAME of the source tree; free() it. */
char *case_shipped(const char *name);
/** The shipped file each kind is tested with. */
const char *case_shipped_name(enum case_kind kind);

/** Copy of `base` in which the setting `key` behind the text `anchor` reads `with` (whole, "key =
 * value"; "" removes it). *line becomes its line. free() the copy. */
char *case_change(const char *base, const char *anchor, const char *key, const char *with,
                  int *line);
/** Line (from 1) on which `anchor` begins. */
int case_line(const char *text, const char *anchor);

/** Parses as the file "F" (relative paths under /d, procedures against the shipped demo-18650).
 * Filled structures are kept in static memory. */
int case_parse(enum case_kind kind, const char *text, struct wn_problems *problems);

/** Fails unless one problem is exactly this. */
void case_expect(const struct wn_problems *problems, const char *fmt, ...)
    __attribute__((format(printf, 2, 3)));
/** Fails, and prints them, when there are problems. */
void case_expect_none(const struct wn_problems *problems, const char *what);

/** A new directory of its own; its path lies in static memory. case_remove_dir() removes it with
 * all files in it (one level of directories). */
const char *case_make_dir(void);
void case_remove_dir(const char *dir);
void case_write(const char *dir, const char *name, const char *text);

#endif
