/* A file system for SQLite that fails on demand.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_STORE_FAULT_VFS_H
#define WN_TESTS_STORE_FAULT_VFS_H

#include <stdbool.h>

enum fault_op {
    FAULT_WRITE,
    FAULT_SYNC,
    FAULT_TRUNCATE,
    FAULT_OPEN,
    FAULT_READ,
    FAULT_SHM,
    FAULT_OPS
};

enum { FAULT_DIES = -1 }; /* instead of a code: the process ends there, with exit code 1 */

struct fault {
    enum fault_op op;
    long at;      /* the operation that fails first, from 1; 0: none */
    long failing; /* how many fail in a row */
    int code;     /* of SQLite */
    long seen[FAULT_OPS], fired;
};

extern struct fault fault;

/** Becomes the file system of every file opened from now on. */
void fault_vfs_install(void);
/** Forgets counts and faults. */
void fault_none(void);
void fault_arm(enum fault_op op, int code, long at, long failing);

#endif
