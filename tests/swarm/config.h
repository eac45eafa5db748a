/* Swarm: the configuration of a seed: real files, really read.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_SWARM_CONFIG_H
#define WN_TESTS_SWARM_CONFIG_H

#include "config/config.h"

/** Makes the directory of the seed (sim.dir) with its files and reads them. False: the text was
 * printed. */
bool config_begin(const char *scratch);
const struct wn_daemon_config *config_daemon(void);
const struct wn_dialect *config_dialect(void);
const char *config_procedure(void);
/** /run is empty after a power cut. */
void config_forget_run_dir(void);
bool config_halt_marker(void);
/** Removes the files. */
void config_end(void);

#endif
