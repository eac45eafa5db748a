/* The shipped configuration, read into static memory; a problem in it fails the test.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_CONFIG_SHIPPED_H
#define WN_TESTS_CONFIG_SHIPPED_H

#include "config/config.h"

#define CONF WANE_SOURCE_DIR "/conf"

extern struct wn_problems problems;
extern struct wn_daemon_config daemon_config;
extern struct wn_cell cell;
extern struct wn_procedure procedure;
extern struct wn_dialect dialect[WN_INSTRUMENTS_MAX]; /* its first is read_dialect()'s */

void read_daemon(const char *path);
void read_cell(const char *name);
/** Against the cell read last. */
void read_procedure(const char *name);
void read_dialect(const char *name);
/** Step n of a phase of the procedure read last. */
const struct wn_step *step(int phase, int n);

#endif
