/* A file system for SQLite whose power can be cut.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Writes stay in memory; a sync brings the changed sectors of its file to the real file. At the cut
 * some of the sectors that were not synchronised reach the real file and others do not, then the
 * process ends at once. File sizes behave alike; names of files are as durable as those of the real
 * file system. For a child process: nothing is ever given back. */
#ifndef WN_TESTS_STORE_CUT_VFS_H
#define WN_TESTS_STORE_CUT_VFS_H

#include <stdint.h>

/** Installs it. The power is cut at the operation (write, truncate or sync) number `at`, from 1; 0:
 * never. lying: so many of 100 syncs do nothing and say they did. */
void cut_vfs_install(uint64_t seed, long at, int lying);
/** From now on only syncs are counted, and cut. */
void cut_vfs_only_syncs(void);
/** From now on a sector on its way at the cut may arrive in part. */
void cut_vfs_tear(void);
/** Operations so far. */
long cut_vfs_operations(void);

#endif
